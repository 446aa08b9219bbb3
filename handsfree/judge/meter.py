"""What the maker of a meter promises, and what that makes of a reading.

The one rule: the error of a reading lies within plus or minus (percent of reading + counts), and says no more than
that: a rectangular band a, of standard uncertainty a / sqrt(3). The digit that was spoken rounds the value to d:
d / sqrt(12) more (JCGM 100:2008, 4.3.7 and F.2.2.1). Expanded uncertainty is for k = 2.

A digit that is coarser than the range shows was left out by the speaker, or the meter was on a higher range; the two
sound the same, so the range that has this digit is taken, which is never the better one.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from handsfree.judge.uncertain import JudgingError, Source, Uncertain, rectangular
from handsfree.judge.verdict import in_unit, last_digit
from handsfree.procedure.model import Finite, Identifier, Measure, Phrase, Positive, Rating, Text
from handsfree.spoken.meaning import Kind, Quantity, Reading, Waveform
from handsfree.spoken.readback import say_reading, say_value
from handsfree.spoken.units import quantity_of

NotNegative = Annotated[Finite, Field(ge=0)]


class _Data(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _day(value: Any) -> Any:
    """Holds a date written as text to one form: 03/04/2031 and 20310403 read differently to different eyes."""
    if isinstance(value, str) and not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
        raise ValueError("not a date")
    return value


class Range(_Data):
    """One range: the largest value it shows, its last digit, and its accuracy, in the unit of the function."""

    up_to: Positive
    resolution: Positive
    percent: NotNegative = Decimal(0)  # of reading
    counts: NotNegative = Decimal(0)  # of the last digit

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.resolution >= self.up_to:
            raise ValueError(
                f"a last digit of {self.resolution} is no smaller than the range, {self.up_to}: the two may be swapped"
            )
        if not (self.percent or self.counts):
            raise ValueError("no meter is without error: give percent of reading, counts of the last digit, or both")
        if self.percent >= 100:
            raise ValueError(f"{self.percent} percent of reading is no accuracy: give the figure of the data sheet")
        return self


class Function(_Data):
    """One thing the meter measures. ``unit`` is pint's name; a waveform where the data sheet gives ac and dc apart."""

    quantity: Quantity
    unit: str
    waveform: Waveform | None = None
    ranges: Annotated[tuple[Range, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if quantity_of(self.unit) is not self.quantity:
            raise ValueError(f"{self.unit} is not a unit of {self.quantity}")
        for lower, higher in pairwise(self.ranges):
            if not lower.up_to < higher.up_to:
                raise ValueError(
                    f"ranges stand from the lowest to the highest, and {higher.up_to} is after {lower.up_to}"
                )
            if lower.resolution > higher.resolution:
                raise ValueError(
                    f"the last digit of the range up to {higher.up_to} is finer than that of a lower range"
                )
        return self


class Meter(_Data):
    """One meter as its plate, its data sheet and its calibration sticker describe it.

    ``called`` are phrases by which it may be chosen from several, beside its number.
    """

    meter: Identifier
    name: Text
    serial: Text
    called: tuple[Phrase, ...] = ()
    calibration_due: Annotated[date, BeforeValidator(_day)]
    ratings: tuple[Rating, ...] = ()  # none: not for circuits of the supply
    functions: Annotated[tuple[Function, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        seen: set[tuple[Quantity, Waveform | None]] = set()
        for function in self.functions:
            key = (function.quantity, function.waveform)
            if key in seen:
                raise ValueError(f"{_function_name(*key)} stands twice: put all its ranges under one function")
            seen.add(key)
        return self


def days_overdue(meter: Meter, today: date) -> int:
    """Days since calibration was due; zero on the day itself and before."""
    return max((today - meter.calibration_due).days, 0)


def may_measure(meter: Meter, needed: Rating) -> bool:
    """True where a rating of the meter covers what a step needs."""
    return any(rating.covers(needed) for rating in meter.ratings)


@dataclass(frozen=True, slots=True)
class OnMeter:
    """A reading on a meter, in the unit of the meter's function.

    ``band`` is the half width of the accuracy band, ``digit`` the digit that rounds the value (the last one spoken or
    the last one of the range, whichever is coarser). ``finer`` is true where more digits were spoken than any range
    shows: the meter cannot have shown that, so it was misheard or is another meter's.
    """

    value: Decimal
    unit: str
    range: Range
    band: Decimal
    digit: Decimal
    finer: bool

    @property
    def standard(self) -> float:
        """Standard uncertainty, in ``unit``."""
        return math.hypot(rectangular(float(self.band)), rectangular(float(self.digit) / 2))


def on_meter(reading: Reading, meter: Meter) -> OnMeter:
    """Looks a reading up in the data of a meter.

    Raises JudgingError where the meter has no such function or no range that holds the reading, and where the display
    shows a bound or over range, which have no accuracy.
    """
    return _on(reading, _function(reading, meter), meter)


def uncertain_reading(reading: Reading, meter: Meter, unit: str, name: str) -> Uncertain:
    """A reading in ``unit``, its uncertainty under ``name`` (the step's id: the same name is the same reading).

    Raises as ``on_meter``; pint.DimensionalityError where ``unit`` is of another dimension.
    """
    function = _function(reading, meter)
    shown = _on(reading, function, meter)
    scale = abs(float(_interval(Decimal(1), function.unit, unit)))
    family = f"{meter.meter}, {_function_name(function.quantity, function.waveform)} up to {shown.range.up_to}"
    return Uncertain(
        in_unit(reading, unit),
        {
            # Signed as the reading is: a gain error draws both signs away from zero.
            Source(f"{name}: accuracy of the meter", family): math.copysign(
                rectangular(float(shown.band)) * scale, shown.value
            ),
            Source(f"{name}: last digit"): rectangular(float(shown.digit) / 2) * scale,
        },
    )


def measures(meter: Meter, quantity: Quantity, waveform: Waveform | None) -> bool:
    """True where the meter has a function for a quantity, of either waveform where none is given."""
    return any(_fits(function, quantity, waveform) for function in meter.functions)


def highest(meter: Meter, step: Measure) -> Decimal | None:
    """The largest value that a meter shows at a step, in the step's unit; None where it does not measure this."""
    fitting = [function for function in meter.functions if _fits(function, step.quantity, step.waveform)]
    shown = [Reading(Kind.READING, format(function.ranges[-1].up_to, "f"), function.unit) for function in fitting]
    return max((in_unit(reading, step.unit) for reading in shown), default=None)


def reaches(meter: Meter, step: Measure, value: Decimal) -> bool:
    """True where a range of the meter holds a value in the step's unit."""
    wanted = Reading(Kind.READING, format(value, "f"), step.unit)
    return any(
        abs(in_unit(wanted, function.unit)) <= function.ranges[-1].up_to
        for function in meter.functions
        if _fits(function, step.quantity, step.waveform)
    )


def _fits(function: Function, quantity: Quantity | None, waveform: Waveform | None) -> bool:
    return function.quantity is quantity and (waveform is None or function.waveform in (None, waveform))


def _on(reading: Reading, function: Function, meter: Meter) -> OnMeter:
    if reading.kind is not Kind.READING or reading.value is None:
        raise JudgingError(f"{say_reading(reading)} is a bound and has no accuracy")
    value = in_unit(reading, function.unit)
    spoken = _interval(last_digit(reading), reading.unit, function.unit)
    holding = [one for one in function.ranges if abs(value) <= one.up_to]
    if not holding:
        most = say_value(format(function.ranges[-1].up_to, "f"), function.unit)
        raise JudgingError(
            f"{say_reading(reading)} is more than the {meter.name} can show, {most}: say again or use another meter"
        )
    range_ = next((one for one in holding if one.resolution >= spoken), holding[-1])
    return OnMeter(
        value=value,
        unit=function.unit,
        range=range_,
        band=range_.percent / 100 * abs(value) + range_.counts * range_.resolution,
        digit=max(spoken, range_.resolution),
        finer=spoken < holding[0].resolution,
    )


def _function(reading: Reading, meter: Meter) -> Function:
    quantity = quantity_of(reading.unit) if reading.unit is not None else Quantity.COUNT
    fitting = [function for function in meter.functions if _fits(function, quantity, reading.waveform)]
    if not fitting:
        raise JudgingError(
            f"the {meter.name} has no {_function_name(quantity, reading.waveform)} range: use another meter"
        )
    if len(fitting) > 1:
        raise JudgingError(f"the {meter.name} measures ac and dc {quantity}: say a c or d c with the reading")
    return fitting[0]


def _function_name(quantity: Quantity | None, waveform: Waveform | None) -> str:
    return f"{waveform} {quantity}" if waveform else str(quantity)


def _interval(width: Decimal, unit: str | None, into: str) -> Decimal:
    """A width in another unit: as ``in_unit``, but a scale that starts elsewhere does not shift it."""
    ends = (Reading(Kind.READING, format(end, "f"), unit) for end in (width, Decimal(0)))
    far, near = (in_unit(end, into) for end in ends)
    return abs(far - near)
