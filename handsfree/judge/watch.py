"""Readings over time: has it fallen far enough, is it in time, which came first, has it stalled, when will it be there.

The one rule: one reading alone never decides, because it may have been misheard; a second one must say the same. A
series is a sequence of points with rising times; what is asked of it is a pure function, asked again after each one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from itertools import combinations, pairwise
from statistics import median

from handsfree.judge import firstorder
from handsfree.judge.decision import Rule, decide
from handsfree.judge.firstorder import FirstOrder, Projection
from handsfree.judge.uncertain import JudgingError, Uncertain
from handsfree.procedure.model import Verdict
from handsfree.spoken.numbers import say_number
from handsfree.spoken.readback import say_value

_FAR = Decimal("Infinity")
_MINUTE, _HOUR = 60, 3600


class Direction(StrEnum):
    """Which way the readings are meant to go."""

    FALL = "fall"
    RISE = "rise"


@dataclass(frozen=True, slots=True)
class Point:
    """A reading of a series; ``seconds`` since the series began."""

    seconds: float
    value: Uncertain


@dataclass(frozen=True, slots=True)
class Watched:
    """What a series says so far: ``verdict`` is None as long as more readings are to come. ``reason`` is for the ear.

    ``seconds`` is when the reading that decided was taken, ``odd`` the places of those that were left out.
    """

    verdict: Verdict | None
    reason: str
    seconds: float | None = None
    odd: tuple[int, ...] = ()


def has_changed(
    points: Sequence[Point],
    direction: Direction,
    by: Decimal,
    within: float,
    unit: str | None,
    rule: Rule = Rule.ISO_14253_1,
    least_scatter: float = 0.0,
    ratio: Decimal = Decimal(1),
) -> Watched:
    """Must fall (or rise) by at least ``by`` (``unit``, above zero) from the first reading, in ``within`` seconds.

    "Must fall" by itself is this with the least fall that counts. ``least_scatter``: see ``firstorder.fit``.
    ``ratio`` is the guard ratio of ``decide``.
    """
    if by <= 0:
        raise ValueError(f"a change to wait for is above zero, not {by}")
    kept, odd = without_odd(points, least_scatter)
    if not kept:
        return Watched(None, "no reading yet")

    def enough(point: Point) -> Verdict:
        change = _along(point.value, direction) - _along(kept[0].value, direction)
        return decide(change, (by, _FAR), rule, ratio).verdict

    done = f"{'fallen' if direction is Direction.FALL else 'risen'} by {say_value(_plain(by), unit)}"
    return _naming(_watched(kept[1:], within, enough, done, points), points, odd, unit)


def has_reached(
    points: Sequence[Point],
    direction: Direction,
    value: Decimal,
    within: float,
    unit: str | None,
    rule: Rule = Rule.ISO_14253_1,
    least_scatter: float = 0.0,
    ratio: Decimal = Decimal(1),
) -> Watched:
    """Must be at ``value`` (``unit``) or beyond it in ``within`` seconds."""
    kept, odd = without_odd(points, least_scatter)
    limits = (-_FAR, value) if direction is Direction.FALL else (value, _FAR)

    def there(point: Point) -> Verdict:
        return decide(point.value, limits, rule, ratio).verdict

    done = f"at {say_value(_plain(value), unit)}"
    return _naming(_watched(kept, within, there, done, points), points, odd, unit)


def came_first(
    first: Sequence[Point], other: Sequence[Point], reached: tuple[Callable[[Point], bool], Callable[[Point], bool]]
) -> Watched:
    """``first`` must be where it is wanted before ``other`` is; ``reached`` says for each when a point is.

    Known only to the interval between readings: undecided where both get there within the same one.
    """
    (after, by), (other_after, other_by) = _reached(first, reached[0]), _reached(other, reached[1])
    if math.isinf(by) and math.isinf(other_by):
        return Watched(None, "neither is there yet")
    if by <= other_after:
        return Watched(Verdict.CONFORMING, f"the first was there after {say_duration(by)}", by)
    if other_by <= after:
        return Watched(Verdict.NONCONFORMING, f"the other was there first, after {say_duration(other_by)}", other_by)
    if math.isinf(by) or math.isinf(other_by):
        return Watched(None, "one is there: read the other once more")
    return Watched(
        Verdict.UNDECIDED, "both were there between the same two readings: read more often", max(by, other_by)
    )


def has_stalled(points: Sequence[Point], over: float, less_than: Decimal) -> bool | None:
    """True where the last ``over`` seconds brought a change of less than ``less_than``, whichever way.

    The change is the median of the slopes of all pairs (Theil and Sen) times ``over``; with five readings in that time
    one misheard does not move it far. None where they do not span the time, or are fewer than three.
    """
    if over <= 0 or less_than <= 0:
        raise ValueError("a stall is a change below something above zero in a time above zero")
    _rising(points)
    if not points or points[-1].seconds - points[0].seconds < over:
        return None
    recent = [point for point in points if point.seconds >= points[-1].seconds - over]
    if len(recent) < 3:
        return None
    slopes = [float(b.value.value - a.value.value) / (b.seconds - a.seconds) for a, b in combinations(recent, 2)]
    return abs(median(slopes)) * over < float(less_than)


def at_time(points: Sequence[Point], seconds: float, tolerance: float) -> Uncertain:
    """The reading taken nearest a time, for the ratio of readings at two times.

    Raises JudgingError where none was taken within ``tolerance`` seconds of it.
    """
    nearest = min(points, key=lambda point: abs(point.seconds - seconds), default=None)
    if nearest is None or abs(nearest.seconds - seconds) > tolerance:
        raise JudgingError(f"no reading was taken at {say_duration(seconds)}: begin again and read at that time")
    return nearest.value


def without_odd(points: Sequence[Point], least_scatter: float) -> tuple[list[Point], tuple[int, ...]]:
    """The points without those that do not fit the first-order curve of the others, and the places of these."""
    _rising(points)
    seconds, values = _numbers(points)
    odd = firstorder.odd_ones_out(seconds, values, least_scatter)
    return [point for place, point in enumerate(points) if place not in odd], odd


# -- where it is going -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outlook:
    """``on_track`` is True or False where the 95 % interval lies on one side of the time allowed, else None."""

    on_track: bool | None
    words: str
    curve: FirstOrder
    projection: Projection | None


def outlook(
    points: Sequence[Point],
    direction: Direction,
    value: Decimal,
    within: float,
    unit: str | None,
    least_scatter: float = 0.0,
) -> Outlook:
    """When a first-order curve through the readings will be at ``value``, against the ``within`` seconds allowed.

    Times said are from the last reading on. What cannot be told yet is too early to tell in the first half of the time
    allowed; after that it is said what stands against it. Raises JudgingError where there is no curve yet.
    """
    _rising(points)
    curve = firstorder.fit(*_numbers(points), least_scatter)
    goal, said = float(value), say_value(_plain(value), unit)
    projection = curve.reaches(goal, max(point.value.standard for point in points))
    left_out = _left_out(points, curve.odd, unit)
    now = points[-1].seconds
    way = -1 if direction is Direction.FALL else 1
    early = now < within / 2
    if projection is None:
        if way * (curve.at(now) - goal) >= 0:
            return Outlook(True, f"at {said}{left_out}", curve, None)
        doubt = firstorder.student(firstorder.CONFIDENCE, curve.freedom) * curve.standard(0)
        if abs(curve.settles - goal) <= doubt:
            words = f"it settles near {said}"
            words = f"too early to tell: {words}" if early else f"in doubt: {words}, and may stay short of it"
            return Outlook(None, words + left_out, curve, None)
        settles = say_value(_rounded(curve.settles, points), unit)
        return Outlook(False, f"not on track: it settles at about {settles}, short of {said}{left_out}", curve, None)
    when = f"{said} in about {say_duration(projection.seconds - now, about=True)}"
    if projection.seconds <= now:
        return Outlook(True, f"at {said}{left_out}", curve, projection)
    if projection.latest <= within:
        return Outlook(True, f"on track: {when}{left_out}", curve, projection)
    if projection.earliest > within:
        return Outlook(False, f"not on track: {when}{left_out}", curve, projection)
    if early:
        words = f"too early to tell: perhaps {when}"
    elif within > now:
        left = say_duration(within - now, about=True)
        words = f"in doubt: {when}, and {left} {'is' if left == 'one minute' else 'are'} left"
    else:
        words = f"late: {when}"
    return Outlook(None, words + left_out, curve, projection)


def say_duration(seconds: float, *, about: bool = False) -> str:
    """A time in words: "six minutes", "one hour five minutes"; ``about`` rounds it as people do."""
    if about and seconds >= 10 * _MINUTE:
        step = 5 * _MINUTE if seconds < _HOUR else 15 * _MINUTE
        seconds = round(seconds / step) * step
    elif about or seconds >= _MINUTE:
        seconds = max(round(seconds / _MINUTE), 1) * _MINUTE
    if seconds < _MINUTE:
        return _count(round(seconds), "second")
    hours, minutes = divmod(round(seconds / _MINUTE), 60)
    return " ".join(_count(count, name) for count, name in ((hours, "hour"), (minutes, "minute")) if count)


# -- shared ------------------------------------------------------------------------------------------------------------


def _watched(
    points: Sequence[Point], within: float, judge: Callable[[Point], Verdict], done: str, everything: Sequence[Point]
) -> Watched:
    """Conforming at the first reading in time that the one after it agrees with; after the time is up, what is left."""
    verdicts = [(point, judge(point)) for point in points]
    for (point, here), (_, after) in pairwise(verdicts):
        if here is after is Verdict.CONFORMING and point.seconds <= within:
            return Watched(Verdict.CONFORMING, f"{done} after {say_duration(point.seconds)}", point.seconds)
    if verdicts and verdicts[-1][1] is Verdict.CONFORMING and points[-1].seconds <= within:
        return Watched(None, f"one reading is {done}: read once more")
    if not everything or everything[-1].seconds < within:
        return Watched(None, f"not yet {done}")
    late = f"not {done} within {say_duration(within)}"
    in_time = {verdict for point, verdict in verdicts if point.seconds <= within}
    if Verdict.CONFORMING in in_time:
        return Watched(Verdict.UNDECIDED, f"one reading was {done}, the next was not", everything[-1].seconds)
    if Verdict.UNDECIDED in in_time:
        return Watched(Verdict.UNDECIDED, f"{late}, too near to tell with this meter", everything[-1].seconds)
    return Watched(Verdict.NONCONFORMING, late, everything[-1].seconds)


def _reached(points: Sequence[Point], there: Callable[[Point], bool]) -> tuple[float, float]:
    """The interval between readings in which a series got there: the last time it was not, the first it was.

    The first counts only with the next one; infinite where it is not there yet.
    """
    _rising(points)
    before = -math.inf
    for point, after in zip(points, [*points[1:], None], strict=True):
        if there(point):
            if after is None:
                break
            if there(after):
                return before, point.seconds
        before = point.seconds
    return before, math.inf


def _along(value: Uncertain, direction: Direction) -> Uncertain:
    return -value if direction is Direction.FALL else value


def _rising(points: Sequence[Point]) -> None:
    if any(later.seconds <= earlier.seconds for earlier, later in pairwise(points)):
        raise ValueError("the points of a series have times that rise")


def _numbers(points: Sequence[Point]) -> tuple[list[float], list[float]]:
    return [point.seconds for point in points], [float(point.value.value) for point in points]


def _naming(watched: Watched, points: Sequence[Point], odd: Sequence[int], unit: str | None) -> Watched:
    return replace(watched, reason=watched.reason + _left_out(points, odd, unit), odd=tuple(odd))


def _left_out(points: Sequence[Point], odd: Sequence[int], unit: str | None) -> str:
    named = [
        f"{say_value(_plain(points[place].value.value), unit)} at {say_duration(points[place].seconds)}"
        for place in odd
    ]
    if len(named) < 2:
        return f"; {named[0]} does not fit the others and was left out" if named else ""
    return f"; {', '.join(named[:-1])} and {named[-1]} do not fit the others and were left out"


def _rounded(value: float, points: Sequence[Point]) -> str:
    """With the digits that the readings have, and no more than one after the point."""
    digits = max(-int(point.value.value.as_tuple().exponent) for point in points)
    return format(round(Decimal(repr(value)), max(min(digits, 1), 0)), "f")


def _plain(value: Decimal) -> str:
    return format(value, "f")


def _count(count: int, name: str) -> str:
    return f"{say_number(str(count))} {name}{'' if count == 1 else 's'}"
