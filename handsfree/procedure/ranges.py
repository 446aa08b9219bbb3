"""Limits that no reading can meet or none can miss, and curves that are never asked where they are known.

The one rule: only what follows from the numbers written, whatever is measured, is told here; so nothing valid is
refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING

from handsfree.procedure.document import Document, PathInFile, Problem, shown
from handsfree.procedure.model import (
    AtLeast,
    AtMost,
    Between,
    Calculate,
    DeviationPercent,
    Figure,
    HeaterResistance,
    ImbalancePercent,
    InsulationAt40,
    Mean,
    Measure,
    Nominal,
    PlatinumError,
    PlatinumTemperature,
    Ratio,
    Step,
    Sum,
    Thermistor,
    ThermistorResistance,
    ThermistorTemperature,
    WindingResistance,
    bounds,
)
from handsfree.spoken.meaning import Quantity, Waveform
from handsfree.spoken.units import ABSOLUTE_ZERO, NEVER_NEGATIVE, WITH_WAVEFORM

if TYPE_CHECKING:
    from pint import UnitRegistry

PLATINUM = (-200.0, 850.0)  # degrees Celsius (IEC 60751)
PLATINUM_OHMS = (0.1852, 3.9048)  # at these, of one ohm at 0 degrees Celsius (IEC 60751, table 1)
WINDING = (-50.0, 200.0)  # degrees Celsius: where a straight line holds for copper and aluminium
HALVING = (10.0, 60.0)  # degrees Celsius: where insulation resistance is halved for each 10 K more
_CELSIUS, _OHM = "degree_Celsius", "ohm"
_COLDEST = ABSOLUTE_ZERO[_CELSIUS]

_StepOf = Callable[[str], Step | None]


@cache
def registry() -> UnitRegistry[float]:
    """Pint's units, in floats."""
    from pint import UnitRegistry  # takes half a second, so only where it is needed

    return UnitRegistry()


def in_unit(value: Decimal, unit: str, into: str) -> float:
    """A number in another unit of the same dimension."""
    if unit == into:
        return float(value)
    return float(registry().Quantity(float(value), unit).to(into).magnitude)


def never_negative(quantity: Quantity, waveform: Waveform | None) -> bool:
    """Whether no reading is below zero; what a meter shows of an alternating voltage or current is its r.m.s. value."""
    return quantity in NEVER_NEGATIVE or (quantity in WITH_WAVEFORM and waveform == "ac")


def least_of(quantity: Quantity, unit: str | None, waveform: Waveform | None = None) -> Decimal | None:
    """What no reading of a quantity is below, in its unit; None where there is no such thing."""
    if never_negative(quantity, waveform):
        return Decimal(0)
    if quantity is Quantity.TEMPERATURE and unit is not None:
        return Decimal(repr(round(in_unit(_COLDEST, _CELSIUS, unit), 2)))
    return None


def settled(document: Document, at: PathInFile, limit: object, least: Decimal, what: str) -> Iterator[Problem]:
    """Tells of a limit that nothing can meet, or that everything meets, where ``what`` is never below ``least``."""
    if not isinstance(limit, AtMost | AtLeast | Between | Nominal):
        return
    low, high = bounds(limit)
    never = f"{what} is never below {'zero' if least == 0 else f'{least.normalize():f}'}"
    above = "zero" if least == 0 else f"{least.normalize():f}"
    if high < least:
        yield document.problem(at, f"{never}, so no reading conforms", f"write a limit above {above}")
    elif low <= least and high.is_infinite():
        yield document.problem(at, f"{never}, so every reading conforms", f"write a limit above {above}, or remove it")


def least_figure(figure: Figure, step: _StepOf) -> Decimal | None:
    """What a figure is never below, whatever is read; None where that is not known."""

    def not_negative(part: Figure, through: frozenset[str] = frozenset()) -> bool:
        match part:
            case str():
                read = None if part in through else step(part)
                if isinstance(read, Calculate):
                    return not_negative(read.calculate, through | {part})
                # A reading less its leads may come out a little below zero.
                return isinstance(read, Measure) and read.quantity in NEVER_NEGATIVE and read.minus_leads is None
            case Sum(sum=parts) | Mean(mean=parts) | Ratio(ratio=parts):
                return all(not_negative(one, through) for one in parts)
            case WindingResistance(winding_resistance=made) | InsulationAt40(insulation_at_40=made):
                return not_negative(made.resistance, through)
        return isinstance(part, ImbalancePercent | HeaterResistance | ThermistorResistance)

    if isinstance(figure, DeviationPercent):
        return Decimal(-100) if all(map(not_negative, figure.deviation_percent)) else None
    return Decimal(0) if not_negative(figure) else None


# -- curves ------------------------------------------------------------------------------------------------------------


def never_met(document: Document, path: PathInFile, figure: Figure, step: _StepOf) -> Iterator[Problem]:
    """Tells where the plausible range or the limits of what a curve is fed with lie wholly outside of the curve."""
    for key, fed, (low, high), unit in _asked_of(figure):
        read = step(fed) if isinstance(fed, str) else None
        if (
            not isinstance(read, Measure)
            or read.unit is None
            or (unit == _OHM) != (read.quantity is Quantity.RESISTANCE)
        ):
            continue
        ranges: Mapping[str, tuple[Decimal, Decimal] | None] = {
            "plausible": read.plausible,
            "limits": bounds(read.limit) if isinstance(read.limit, Between) else None,
        }
        for what, written in ranges.items():
            if written is None or written[0] >= written[1]:
                continue
            first, last = (in_unit(end, read.unit, unit) for end in written)
            if last < low or first > high:
                message = (
                    f"the curve is known from {_short(low)} to {_short(high)} {unit}, and the {what} of {shown(fed)} "
                    f"are {written[0]} to {written[1]} {read.unit}"
                ).replace("plausible of", "plausible readings of")
                remedy = f"take the curve for that range, or look at the figures of {shown(fed)}"
                yield document.problem((*path, key), message, remedy)
                break


def _short(value: float) -> str:
    return format(Decimal(f"{value:.5g}"), "f")


def _asked_of(figure: Figure) -> Iterator[tuple[str, Figure, tuple[float, float], str]]:
    """What a curve is fed with: the key, the figure, the range that the curve is known for, and the unit of that."""
    match figure:
        case PlatinumTemperature(platinum_temperature=sensor):
            yield "resistance", sensor.resistance, _ohms_of_platinum(sensor.nominal), _OHM
        case PlatinumError(platinum_error=sensor):
            yield "resistance", sensor.resistance, _ohms_of_platinum(sensor.nominal), _OHM
            yield "temperature", sensor.temperature, PLATINUM, _CELSIUS
        case WindingResistance(winding_resistance=winding):
            yield "temperature", winding.temperature, WINDING, _CELSIUS
        case InsulationAt40(insulation_at_40=insulation):
            yield "temperature", insulation.temperature, HALVING, _CELSIUS
        case ThermistorResistance(thermistor_resistance=sensor):
            yield "lowest", sensor.temperature, (float(sensor.lowest), float(sensor.highest)), _CELSIUS
        case ThermistorTemperature(thermistor_temperature=sensor):
            ends = _ohms_of_thermistor(sensor)
            if ends is not None:
                yield "lowest", sensor.resistance, ends, _OHM


def _ohms_of_platinum(nominal: Decimal) -> tuple[float, float]:
    return PLATINUM_OHMS[0] * float(nominal), PLATINUM_OHMS[1] * float(nominal)


def _ohms_of_thermistor(sensor: Thermistor) -> tuple[float, float] | None:
    """What it has at the ends of its range, the lesser first; None where the curve itself has faults."""
    if not _COLDEST < sensor.lowest < sensor.highest:
        return None
    ends = [1 / (float(end - _COLDEST)) for end in (sensor.highest, sensor.lowest)]
    if sensor.ohms_at_25 is not None and sensor.beta is not None:
        r25, beta = float(sensor.ohms_at_25), float(sensor.beta)
        warm, cold = (r25 * math.exp(beta * (end - 1 / 298.15)) for end in ends)
        return warm, cold
    if sensor.steinhart_hart is None:
        return None
    a, b, c = map(float, sensor.steinhart_hart)

    def ohms(inverse_kelvins: float) -> float:
        low, high = -30.0, 60.0  # of the logarithm; the curve rises with it all the way
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if a + b * middle + c * middle**3 < inverse_kelvins else (low, middle)
        return math.exp(low)

    return ohms(ends[0]), ohms(ends[1])
