"""A series over time as a small drawing: points, the fitted curve, the value to come to.

The one rule: everything is worked out here to coordinates and labels, so the page only has to place them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT = 640, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 12, 12, 30


@dataclass(frozen=True, slots=True)
class Chart:
    """Coordinates in a box of WIDTH by HEIGHT. A mark is a coordinate with its label."""

    points: tuple[tuple[float, float], ...]
    left_out: tuple[tuple[float, float], ...]
    curve: str
    goal: float | None
    across: tuple[tuple[float, str], ...]
    up: tuple[tuple[float, str], ...]
    unit: str
    edges: tuple[float, float, float, float]  # left, top, right, bottom


def chart(
    points: Sequence[tuple[float, float]],
    curve: Sequence[float],
    goal: float | None,
    left_out: Sequence[int],
    unit: str,
) -> Chart | None:
    """Draws points (seconds, value) in the order of their times; None for fewer than two.

    ``curve`` is settles, starts and time constant of a first-order fit, empty without one; ``left_out`` are the
    places, from 1, of the points that the fit leaves out.
    """
    if len(points) < 2:
        return None
    # One that does not fit may lie far off; it is drawn at the edge rather than pressing the others flat.
    kept = [value for place, (_, value) in enumerate(points, 1) if place not in left_out]
    values = kept + ([] if goal is None else [goal])
    end = points[-1][0] / 60 or 1.0
    ups = _ticks(min(values), max(values))
    low, high = min(*values, ups[0]), max(*values, ups[-1])
    left, top, right, bottom = _LEFT, _TOP, WIDTH - _RIGHT, HEIGHT - _BOTTOM

    def x(minutes: float) -> float:
        return round(left + (right - left) * minutes / end, 1)

    def y(value: float) -> float:
        return round(bottom - (bottom - top) * (min(max(value, low), high) - low) / ((high - low) or 1.0), 1)

    placed = [(x(seconds / 60), y(value)) for seconds, value in points]
    odd = tuple(point for place, point in enumerate(placed, 1) if place in left_out)
    path = ""
    if len(curve) == 3 and curve[2] > 0:
        settles, starts, tau = curve
        times = [end * number / 60 for number in range(61)]
        fitted = [(time, settles + (starts - settles) * math.exp(-time * 60 / tau)) for time in times]
        inside = [f"{x(time)},{y(value)}" for time, value in fitted if low <= value <= high]
        path = " ".join(inside)
    return Chart(
        points=tuple(point for point in placed if point not in odd),
        left_out=odd,
        curve=path,
        goal=None if goal is None else y(goal),
        across=tuple((x(minutes), f"{minutes:g}") for minutes in _ticks(0.0, end) if minutes <= end),
        up=tuple((y(value), f"{value:g}".replace("-", "−")) for value in ups),
        unit=unit,
        edges=(left, top, right, bottom),
    )


def _ticks(low: float, high: float) -> list[float]:
    """Some four round numbers that go over a range."""
    span = (high - low) or 1.0
    step = 10.0 ** math.floor(math.log10(span / 3))
    step *= next(factor for factor in (1, 2, 5, 10) if span / (step * factor) <= 5)
    first, last = math.floor(low / step), math.ceil(high / step)
    return [round(number * step, 10) for number in range(first, last + 1)]
