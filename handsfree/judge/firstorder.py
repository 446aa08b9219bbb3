"""The first-order curve through readings over time: T(t) = settles + (starts - settles) exp(-t / tau).

The one rule: for a given time constant the curve is a straight line in exp(-t / tau), so only the time constant is
searched for (variable projection, Golub and Pereyra 1973); there are no starting values to get wrong. One reading that
does not fit is found by leaving each out in turn, is left out, and is named.

What is left over must be scatter: a part that is not first order (two thermal masses, a cycling thermostat) shows as a
large ``scatter``, not as an error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handsfree.judge.uncertain import JudgingError

PARAMETERS: Final = 3
FEWEST: Final = PARAMETERS + 1
# With fewer, a curve with one reading left out passes through the rest whatever they are.
FEWEST_TO_FIND_ODD: Final = PARAMETERS + 3
CONFIDENCE: Final = 0.95
_ODD_BY_CHANCE = 0.01  # how often a reading may be called odd where all are sound
_SHORTEST, _LONGEST = 0.05, 10.0  # time constants looked for, in spans of the series
_GRID = 120

_Floats = NDArray[np.float64]


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
    curve. ``odd`` is the place of the reading that was left out, None where all fit.
    """

    settles: float
    starts: float  # on the curve, at second 0
    tau: float
    covariance: tuple[tuple[float, float, float], ...]
    scatter: float
    freedom: int  # readings used less parameters
    odd: int | None

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
        slopes = np.array([self.tau * (1 / rest - 1 / start), self.tau / start, when / self.tau])
        variance = float(slopes @ np.array(self.covariance) @ slopes) + (common * self.tau / rest) ** 2
        width = student(CONFIDENCE, self.freedom) * math.sqrt(variance)
        doubt = student(CONFIDENCE, self.freedom) * math.hypot(self.standard(0), common)
        return Projection(when, max(when - width, 0.0), math.inf if abs(rest) <= doubt else when + width)


def fit(seconds: Sequence[float], values: Sequence[float], least_scatter: float) -> FirstOrder:
    """The curve through readings at rising times, by least squares without the odd one out.

    ``least_scatter`` is the standard deviation that rounding alone gives (last digit / sqrt(12)): readings that happen
    to agree better than that are not believed to.
    Raises JudgingError for fewer than four readings and where they show no bend yet, so that nothing can be said about
    where they settle; ValueError for times that do not rise.
    """
    if len(seconds) < FEWEST:
        raise JudgingError(f"too early to tell: a curve needs {FEWEST} readings, and there are {len(seconds)}")
    t, y = np.asarray(seconds, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if len(t) != len(y) or not np.all(np.diff(t) > 0):
        raise ValueError("readings over time have one value each and times that rise")
    odd = _odd_one_out(t, y, least_scatter)
    if odd is not None:
        t, y = np.delete(t, odd), np.delete(y, odd)
    tau, squares = _best(t, y)
    span = float(t[-1] - t[0])
    if not _SHORTEST * span * 1.01 < tau < _LONGEST * span * 0.99:
        raise JudgingError("too early to tell where this settles: the readings show no curve yet, go on reading")
    decay = np.exp(-t / tau)
    settles, size = np.linalg.lstsq(np.column_stack((np.ones_like(t), decay)), y, rcond=None)[0]
    freedom = len(t) - PARAMETERS
    scatter = max(math.sqrt(squares / freedom), least_scatter)
    slopes = np.column_stack((1 - decay, decay, size * decay * t / tau**2))
    try:
        inverse = np.linalg.inv(slopes.T @ slopes)
    except np.linalg.LinAlgError:
        raise JudgingError("these readings do not change: there is no curve to be found in them") from None
    covariance = inverse * scatter**2
    return FirstOrder(
        settles=float(settles),
        starts=float(settles + size),
        tau=tau,
        covariance=tuple((float(a), float(b), float(c)) for a, b, c in covariance),
        scatter=scatter,
        freedom=freedom,
        odd=odd,
    )


def odd_one_out(seconds: Sequence[float], values: Sequence[float], least_scatter: float) -> int | None:
    """The place of the one reading that does not fit the curve of the others; None where all do or there are too few.

    A reading that agrees with the others is called odd in about one series of a hundred.
    """
    return _odd_one_out(np.asarray(seconds, dtype=np.float64), np.asarray(values, dtype=np.float64), least_scatter)


def _odd_one_out(t: _Floats, y: _Floats, least_scatter: float) -> int | None:
    count = len(t)
    if count < FEWEST_TO_FIND_ODD:
        return None
    span = float(t[-1] - t[0])
    taus = span * np.geomspace(_SHORTEST, _LONGEST, _GRID)
    residuals, leverage = _lines(t, y, taus)
    # Sum of squares without a reading, for each tau: what its deleted residual adds is taken off.
    without = (residuals**2).sum(axis=1, keepdims=True) - residuals**2 / np.maximum(1 - leverage, 1e-9)
    place = int(np.argmin(without.min(axis=0)))
    freedom = count - 1 - PARAMETERS
    everything, remaining = _best(t, y)[1], _best(np.delete(t, place), np.delete(y, place))[1]
    scatter = max(remaining / freedom, least_scatter**2)
    # The deleted residual over its scatter follows Student's t; the greatest of ``count`` is looked at (Bonferroni).
    outlying = math.sqrt(max(everything - remaining, 0.0) / scatter) if scatter else 0.0
    return place if outlying > student(1 - _ODD_BY_CHANCE / count, freedom) else None


def _best(t: _Floats, y: _Floats) -> tuple[float, float]:
    """The time constant of least squares, and the sum of those squares."""
    span = float(t[-1] - t[0])
    low, high = math.log(_SHORTEST * span), math.log(_LONGEST * span)
    for _ in range(4):  # each time twenty times as fine
        grid = np.linspace(low, high, _GRID)
        squares = (_lines(t, y, np.exp(grid))[0] ** 2).sum(axis=1)
        best = int(np.argmin(squares))
        low, high = float(grid[max(best - 3, 0)]), float(grid[min(best + 3, _GRID - 1)])
    return float(np.exp(grid[best])), float(squares[best])


def _lines(t: _Floats, y: _Floats, taus: _Floats) -> tuple[_Floats, _Floats]:
    """Residuals and leverages of the readings about the straight line in exp(-t / tau), a row for each tau."""
    decay = np.exp(-(t - t[0]) / taus[:, None])
    decay -= decay.mean(axis=1, keepdims=True)
    off = y - y.mean()
    size = np.maximum((decay * decay).sum(axis=1, keepdims=True), 1e-300)
    residuals: _Floats = off - (decay @ off)[:, None] / size * decay
    leverage: _Floats = 1 / len(t) + decay * decay / size
    return residuals, leverage


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
