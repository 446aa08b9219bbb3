"""The first-order curve through readings over time: T(t) = settles + (starts - settles) exp(-t / tau).

The one rule: for a given time constant the curve is a straight line in exp(-t / tau), so only the time constant is
searched for (variable projection, Golub and Pereyra 1973); there are no starting values to get wrong. A reading that
does not fit is found by leaving each out in turn, is left out, and is named. Two in a row are never both left out: one
may have been misheard, two that agree are what happened.

What is left over must be scatter: a part that is not first order (two thermal masses, a cycling thermostat) shows as a
large ``scatter``, not as an error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from handsfree.judge.uncertain import JudgingError

PARAMETERS: Final = 3
FEWEST: Final = PARAMETERS + 1
# With fewer, a curve with one reading left out passes through the rest whatever they are.
FEWEST_TO_FIND_ODD: Final = PARAMETERS + 3
CONFIDENCE: Final = 0.95
_ODD_BY_CHANCE = 0.01  # how often a reading may be called odd where all are sound
_ONE_OF, _MOST_ODD = 5, 3  # readings that may be odd: one of so many, and so many in all
_SHORTEST, _LONGEST = 0.05, 10.0  # time constants looked for, in spans of the series
_COARSE, _FINE = 60, 16  # steps of the search for tau


@dataclass(frozen=True, slots=True)
class Projection:
    """When a value is reached, in seconds on the clock of the series: expected, and the ends of the 95 % interval.

    ``latest`` is infinite where the curve may settle short of the value.
    """

    seconds: float
    earliest: float
    latest: float


@dataclass(frozen=True, slots=True)
class FirstOrder:
    """A fitted curve; values in the unit of the readings, times in seconds.

    ``covariance`` is that of (settles, starts, tau). ``scatter`` is the standard deviation of the readings about the
    curve. ``odd`` are the places of the readings that were left out, in their order; none where all fit.
    """

    settles: float
    starts: float  # on the curve, at second 0
    tau: float
    covariance: tuple[tuple[float, float, float], ...]
    scatter: float
    freedom: int  # readings used less parameters
    odd: tuple[int, ...]

    def at(self, seconds: float) -> float:
        """The value of the curve at a time."""
        return self.settles + (self.starts - self.settles) * math.exp(-seconds / self.tau)

    def standard(self, parameter: int) -> float:
        """Standard uncertainty of a parameter, by its place in ``covariance``."""
        return math.sqrt(self.covariance[parameter][parameter])

    def reaches(self, value: float, common: float = 0.0) -> Projection | None:
        """When the curve is at a value; None where it never is (it settles before, or started beyond).

        ``common`` is the standard uncertainty that all readings share (the meter's): it moves the value to be reached.
        """
        start, rest = self.starts - self.settles, value - self.settles
        if start == 0 or not 0 < rest / start <= 1:
            return None
        when = self.tau * math.log(start / rest)
        slopes = self.tau * (1 / rest - 1 / start), self.tau / start, when / self.tau
        variance = math.fsum(
            a * b * c for a, row in zip(slopes, self.covariance, strict=True) for b, c in zip(slopes, row, strict=True)
        )
        variance += (common * self.tau / rest) ** 2
        width = student(CONFIDENCE, self.freedom) * math.sqrt(variance)
        doubt = student(CONFIDENCE, self.freedom) * math.hypot(self.standard(0), common)
        return Projection(when, max(when - width, 0.0), math.inf if abs(rest) <= doubt else when + width)


def fit(seconds: Sequence[float], values: Sequence[float], least_scatter: float) -> FirstOrder:
    """The curve through readings at rising times, by least squares without those that do not fit.

    ``least_scatter`` is the standard deviation that rounding alone gives (last digit / sqrt(12)): readings that happen
    to agree better than that are not believed to.
    Raises JudgingError for fewer than four readings and where they show no bend yet, so that nothing can be said about
    where they settle; ValueError for times that do not rise.
    """
    if len(seconds) < FEWEST:
        raise JudgingError(f"too early to tell: a curve needs {FEWEST} readings, and there are {len(seconds)}")
    _check(seconds, values)
    odd = odd_ones_out(seconds, values, least_scatter)
    t, y = ([one for place, one in enumerate(of) if place not in odd] for of in (seconds, values))
    tau, squares = _best(t, y)
    span = t[-1] - t[0]
    if not _SHORTEST * span * 1.01 < tau < _LONGEST * span * 0.99:
        raise JudgingError("too early to tell where this settles: the readings show no curve yet, go on reading")
    decay = [math.exp(-at / tau) for at in t]
    line = _line(decay, y)
    freedom = len(t) - PARAMETERS
    scatter = max(math.sqrt(squares / freedom), least_scatter)
    slopes = [
        (1 - left, left, line.slope * left * at / tau) for at, left in zip(t, decay, strict=True)
    ]  # by settles, starts and the logarithm of tau
    inverse = _inverse([[math.fsum(row[i] * row[j] for row in slopes) for j in range(3)] for i in range(3)])
    if inverse is None:
        raise JudgingError("these readings do not change: there is no curve to be found in them")
    scale = (scatter, scatter, scatter * tau)
    return FirstOrder(
        settles=line.start,
        starts=line.start + line.slope,
        tau=tau,
        covariance=tuple(
            (a * scale[0] * of, b * scale[1] * of, c * scale[2] * of)
            for (a, b, c), of in zip(inverse, scale, strict=True)
        ),
        scatter=scatter,
        freedom=freedom,
        odd=odd,
    )


def odd_ones_out(seconds: Sequence[float], values: Sequence[float], least_scatter: float) -> tuple[int, ...]:
    """The places of the readings that do not fit the curve of the others; none where all do or there are too few.

    At most one reading of five, three in all, and no two in a row. They are taken away one by one, and as many are odd
    as there were when the last of them stood out, so that two do not hide each other (the generalized extreme
    studentized deviate test, Rosner, Technometrics 25, 1983). A reading that agrees with the others is called odd in
    about one series of a hundred.
    """
    _check(seconds, values)
    left = list(range(len(seconds)))
    taken: list[int] = []
    odd: tuple[int, ...] = ()
    for _ in range(min(max(len(seconds) // _ONE_OF, 1), _MOST_ODD)):
        if len(left) < FEWEST_TO_FIND_ODD:
            break
        t, y = [seconds[place] for place in left], [values[place] for place in left]
        place, outlying = _furthest_out(t, y, least_scatter)
        if any(abs(left[place] - other) == 1 for other in taken):
            break
        count = len(left)
        taken.append(left.pop(place))
        if outlying > student(1 - _ODD_BY_CHANCE / count, count - 1 - PARAMETERS):
            odd = tuple(sorted(taken))
    return odd


def _furthest_out(t: Sequence[float], y: Sequence[float], least_scatter: float) -> tuple[int, float]:
    """The reading without which a curve fits the rest best, and its deleted residual over their scatter.

    That follows Student's t; the greatest of all is looked at, so its bound is to be shared among them (Bonferroni).
    """
    place = _furthest(t, y)
    others = [(at, value) for other, (at, value) in enumerate(zip(t, y, strict=True)) if other != place]
    everything, remaining = _best(t, y)[1], _best(*zip(*others, strict=True))[1]
    scatter = max(remaining / (len(t) - 1 - PARAMETERS), least_scatter**2)
    return place, math.sqrt(max(everything - remaining, 0.0) / scatter) if scatter else 0.0


def _furthest(t: Sequence[float], y: Sequence[float]) -> int:
    """The reading without which a curve fits the rest best."""
    least = [math.inf] * len(t)
    for tau in _grid(*_edges(t), _COARSE):
        line = _line([math.exp(-(at - t[0]) / tau) for at in t], y)
        squares = line.squares
        # What a reading's deleted residual adds to the sum of squares is taken off.
        for place, (residual, leverage) in enumerate(zip(line.residuals, line.leverages, strict=True)):
            least[place] = min(least[place], squares - residual**2 / max(1 - leverage, 1e-9))
    return min(range(len(t)), key=least.__getitem__)


def _best(t: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """The time constant of least squares, and the sum of those squares."""
    low, high = _edges(t)
    steps = _COARSE
    for _ in range(6):
        found = [(_line([math.exp(-(at - t[0]) / tau) for at in t], y).squares, tau) for tau in _grid(low, high, steps)]
        squares, tau = min(found)
        step = (high / low) ** (1 / (steps - 1))
        low, high = max(low, tau / step), min(high, tau * step)
        steps = _FINE
    return tau, squares


def _edges(t: Sequence[float]) -> tuple[float, float]:
    span = t[-1] - t[0]
    return _SHORTEST * span, _LONGEST * span


def _grid(low: float, high: float, steps: int) -> list[float]:
    return [low * (high / low) ** (step / (steps - 1)) for step in range(steps)]


@dataclass(frozen=True, slots=True)
class _Line:
    """A straight line by least squares."""

    start: float
    slope: float
    squares: float
    residuals: list[float]
    leverages: list[float]


def _line(x: Sequence[float], y: Sequence[float]) -> _Line:
    count = len(x)
    middle, level = math.fsum(x) / count, math.fsum(y) / count
    off = [value - middle for value in x]
    size = math.fsum(value * value for value in off) or 1e-300
    slope = math.fsum(a * b for a, b in zip(off, y, strict=True)) / size
    residuals = [b - level - slope * a for a, b in zip(off, y, strict=True)]
    return _Line(
        start=level - slope * middle,
        slope=slope,
        squares=math.fsum(residual * residual for residual in residuals),
        residuals=residuals,
        leverages=[1 / count + a * a / size for a in off],
    )


def _inverse(matrix: list[list[float]]) -> list[tuple[float, float, float]] | None:
    """The inverse of a symmetric matrix of three rows, by its adjugate; None where there is none."""
    (a, b, c), (_, d, e), (_, _, f) = matrix
    cofactors = d * f - e * e, c * e - b * f, b * e - c * d
    determinant = a * cofactors[0] + b * cofactors[1] + c * cofactors[2]
    if determinant <= 1e-12 * a * d * f:
        return None
    rows = cofactors, (cofactors[1], a * f - c * c, b * c - a * e), (cofactors[2], b * c - a * e, a * d - b * b)
    return [(row[0] / determinant, row[1] / determinant, row[2] / determinant) for row in rows]


def _check(seconds: Sequence[float], values: Sequence[float]) -> None:
    if len(seconds) != len(values) or any(later <= earlier for earlier, later in pairwise(seconds)):
        raise ValueError("readings over time have one value each and times that rise")


def student(confidence: float, freedom: int) -> float:
    """The t that a Student variable exceeds neither way with this probability (JCGM 100:2008, table G.2)."""
    low, high = 0.0, 2.0
    while _within(high, freedom) < confidence:
        low, high = high, high * 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _within(middle, freedom) < confidence else (low, middle)
    return high


def _within(t: float, freedom: int) -> float:
    """P(-t < T < t) by the finite series of Abramowitz and Stegun, 26.7.3 and 26.7.4."""
    angle = math.atan2(t, math.sqrt(freedom))
    cosine = math.cos(angle)
    term = cosine if freedom % 2 else 1.0
    series = 0.0
    for power in range(freedom % 2, freedom - 1, 2):
        series += term
        term *= cosine**2 * (power + 1) / (power + 2)
    if freedom % 2:
        return 2 / math.pi * (angle + math.sin(angle) * series)
    return math.sin(angle) * series
