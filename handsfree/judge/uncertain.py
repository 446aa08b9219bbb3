"""A value and the uncertainty it carries, each part of it under the name of where it comes from.

The one rule: the value is a ``Decimal`` and exact as long as only sums and products are made, so a reading on the limit
stays on it; uncertainties are floats, because two figures of them are all that is ever known. Digits stay text up to
``exact`` and ``with_source``, where they become a ``Decimal``; curves compute in floats and come back to 12 figures.

Propagation is of the first order (JCGM 100:2008, 5.1.2). A part keeps its sign and its source, so one reading used
twice is one error and may cancel. Errors of one family (the range of one meter) may be one error or several, and
nobody knows: whichever is less favourable is taken (JCGM 100:2008, 5.2.2 and F.1.2).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Context, Decimal

from handsfree.errors import PlainError

COVERAGE = 2  # k of the expanded uncertainty, about 95 % where the distribution is normal (JCGM 100:2008, 6.3)
_FIGURES = Context(prec=12)


class JudgingError(PlainError):
    """There is no defensible answer; the text is a sentence for the technician that says what to do."""


@dataclass(frozen=True, slots=True)
class Source:
    """One cause of error. Sources of the same name are the same error; those of one ``family`` may be."""

    name: str
    family: str | None = None


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value with its uncertainty, both in a unit that the maker of it knows.

    ``parts`` holds for each source the signed standard uncertainty that it contributes.
    """

    value: Decimal
    parts: Mapping[Source, float] = field(default_factory=dict)

    @property
    def standard(self) -> float:
        """Standard uncertainty, in the unit of the value."""
        squares = 0.0
        families: defaultdict[str, list[float]] = defaultdict(list)
        for source, part in self.parts.items():
            if source.family is None:
                squares += part * part
            else:
                families[source.family].append(part)
        for parts in families.values():
            squares += max(math.fsum(parts) ** 2, math.fsum(part * part for part in parts))
        return math.sqrt(squares)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty for k = 2, in the unit of the value."""
        return COVERAGE * self.standard

    def __add__(self, other: Uncertain | Decimal | int) -> Uncertain:
        other = _uncertain(other)
        return Uncertain(self.value + other.value, _combined(self, 1, other, 1))

    def __sub__(self, other: Uncertain | Decimal | int) -> Uncertain:
        other = _uncertain(other)
        return Uncertain(self.value - other.value, _combined(self, 1, other, -1))

    def __mul__(self, other: Uncertain | Decimal | int) -> Uncertain:
        other = _uncertain(other)
        return Uncertain(self.value * other.value, _combined(self, float(other.value), other, float(self.value)))

    def __truediv__(self, other: Uncertain | Decimal | int) -> Uncertain:
        """Raises JudgingError where the divisor is zero within its expanded uncertainty: the ratio is then anything."""
        other = _uncertain(other)
        below = float(other.value)
        if abs(below) <= other.expanded:
            raise JudgingError("the reading to divide by is zero as far as the meter can tell: measure it again")
        value = self.value / other.value
        return Uncertain(value, _combined(self, 1 / below, other, -float(value) / below))

    def __neg__(self) -> Uncertain:
        return Uncertain(-self.value, {source: -part for source, part in self.parts.items()})

    def __abs__(self) -> Uncertain:
        return -self if self.value < 0 else self

    def through(self, function: Callable[[float], float], slope: float) -> Uncertain:
        """``function`` of the value; ``slope`` is its derivative there."""
        value = _FIGURES.create_decimal_from_float(function(float(self.value)))
        return Uncertain(value, {source: slope * part for source, part in self.parts.items()})

    def also(self, source: Source, standard: float) -> Uncertain:
        """The same value with one more contribution, signed (the error of a fit, of a table)."""
        return self + Uncertain(Decimal(0), {source: standard})


def exact(value: Decimal | str | int) -> Uncertain:
    """A value without uncertainty: a limit, a nameplate figure, a constant."""
    return Uncertain(Decimal(value))


def with_source(value: Decimal | str | int, standard: float, name: str, family: str | None = None) -> Uncertain:
    """A value whose standard uncertainty, in its own unit, has one cause."""
    if not (math.isfinite(standard) and standard >= 0):
        raise ValueError(f"a standard uncertainty is zero or more, not {standard}")
    return Uncertain(Decimal(value), {Source(name, family): standard})


def rectangular(half_width: float) -> float:
    """Standard uncertainty of an error known to lie within plus or minus ``half_width`` (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3)


def total(values: Iterable[Uncertain]) -> Uncertain:
    """The sum of any number of values in one unit."""
    return sum(values, start=exact(0))


def _uncertain(value: Uncertain | Decimal | int) -> Uncertain:
    return value if isinstance(value, Uncertain) else exact(value)


def _combined(one: Uncertain, slope: float, other: Uncertain, other_slope: float) -> dict[Source, float]:
    parts = {source: slope * part for source, part in one.parts.items()}
    for source, part in other.parts.items():
        parts[source] = parts.get(source, 0.0) + other_slope * part
    return parts
