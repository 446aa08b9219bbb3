"""A reading against a limit: conforming, nonconforming or undecided.

The one rule: a reading is the set of values that the display may stand for (one value, everything above a bound,
everything below one). It conforms where the whole set lies within the limit, does not where none of it does, and is
undecided in between (the words of ISO 14253-1 and JCGM 106; here without measurement uncertainty).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from functools import cache
from typing import TYPE_CHECKING

from handsfree.procedure.model import AtLeast, AtMost, Between, Limit, Measure, Nominal, Verdict, bounds
from handsfree.spoken.meaning import Kind, Quantity, Reading
from handsfree.spoken.numbers import say_number
from handsfree.spoken.readback import say_value
from handsfree.spoken.units import NEVER_NEGATIVE

if TYPE_CHECKING:
    from pint import UnitRegistry

_FAR = Decimal("Infinity")
# Conversions are carried out with more figures than this, so that rounding to it gives 30 minutes as 0.5 hours sharp,
# and a reading on the limit stays on it.
_FIGURES = Context(prec=20)


@dataclass(frozen=True, slots=True)
class Judgement:
    """``verdict`` is None where the step has no limit. ``limit`` is the limit in words, empty where there is none."""

    verdict: Verdict | None
    limit: str
    reason: str = ""


def judge(reading: Reading, step: Measure) -> Judgement:
    """Judges a reading of ``step``; its unit may be any of the step's dimension.

    Raises pint.DimensionalityError where the units have nothing to do with each other (the grammar lets none through).
    """
    if step.limit is None:
        return Judgement(None, "")
    words = say_limit(step.limit, step.unit if reading.unit != step.unit else None)
    if reading.kind is Kind.OVER_RANGE:
        return _over_range(step, words)
    value = in_unit(reading, step.unit)
    low, high = bounds(step.limit)
    least = Decimal(0) if step.quantity in NEVER_NEGATIVE else -_FAR
    if reading.kind is Kind.ABOVE:
        inside, outside = value >= low and high == _FAR, value >= high
    elif reading.kind is Kind.BELOW:
        inside, outside = value <= high and low <= least, value <= low
    else:
        inside = low <= value <= high
        outside = not inside
    if inside:
        return Judgement(Verdict.CONFORMING, words)
    if outside:
        return Judgement(Verdict.NONCONFORMING, words)
    return Judgement(Verdict.UNDECIDED, words, "the meter shows only a bound, and the limit lies beyond it")


def _over_range(step: Measure, words: str) -> Judgement:
    """OL says "more than this range shows": too much for an upper limit, too little to prove a lower one."""
    if step.over_range is not None:
        return Judgement(step.over_range, words, "the procedure says what over range means here")
    if step.quantity is Quantity.TEMPERATURE:
        return Judgement(Verdict.UNDECIDED, words, "the thermometer shows no temperature: check its probe")
    if isinstance(step.limit, AtLeast):
        return Judgement(Verdict.UNDECIDED, words, "over range does not say how much: use a higher range")
    return Judgement(Verdict.NONCONFORMING, words)


def in_unit(reading: Reading, unit: str | None) -> Decimal:
    """The number of a reading in another unit of the same dimension, to 20 significant figures."""
    value = Decimal(reading.value or "0")
    if reading.unit == unit:
        return value
    registry = _registry()
    converted: Decimal = registry.Quantity(value, reading.unit or "dimensionless").to(unit or "dimensionless").magnitude
    return _FIGURES.plus(converted)


def last_digit(reading: Reading) -> Decimal:
    """The weight of the last digit spoken, in the reading's own unit: 0.01 for "5.20", 1 for "1500"."""
    return Decimal(1).scaleb(-len((reading.value or "").partition(".")[2]))


@cache
def _registry() -> UnitRegistry[Decimal]:
    from pint import UnitRegistry  # imported when first needed: it takes half a second

    return UnitRegistry(non_int_type=Decimal)


def say_limit(limit: Limit, unit: str | None = None) -> str:
    """A limit in words: "at most seven", with the unit where it is given."""
    match limit:
        case AtMost(at_most=high):
            return f"at most {_say(high, unit)}"
        case AtLeast(at_least=low):
            return f"at least {_say(low, unit)}"
        case Between(between=(low, high)):
            return f"between {say_number(_plain(low))} and {_say(high, unit)}"
        case Nominal(nominal=nominal, plus_minus=plus_minus, plus_minus_percent=percent):
            if plus_minus is not None:
                return f"{say_number(_plain(nominal))} plus or minus {_say(plus_minus, unit)}"
            return f"{_say(nominal, unit)} plus or minus {say_number(_plain(percent or Decimal(0)))} percent"


def _say(value: Decimal, unit: str | None) -> str:
    return say_value(_plain(value), unit)


def _plain(value: Decimal) -> str:
    return format(value, "f")
