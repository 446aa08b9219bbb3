"""What a watch step says so far: each series against what must become of it, and all of them together.

The one rule: everything follows from the step and the points read, so it may be asked again after each reading and
after a correction, and a record that is replayed says the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Any

from handsfree.judge import firstorder, watch
from handsfree.judge.assess import plausible
from handsfree.judge.decision import Rule, decide
from handsfree.judge.firstorder import FirstOrder
from handsfree.judge.hearings import FIVE_FOR_NINE, Hearing, hearings
from handsfree.judge.insulation import polarization_index
from handsfree.judge.several import ratio, together
from handsfree.judge.uncertain import JudgingError, Uncertain
from handsfree.judge.verdict import in_unit, say_limit
from handsfree.judge.watch import Direction, Point, Watched, came_first, has_changed, has_reached, has_stalled, outlook
from handsfree.procedure.model import Measure, Series, Verdict, Watch, bounds
from handsfree.spoken.meaning import Quantity, Reading
from handsfree.spoken.readback import say_value

_MEGOHM = "megaohm"
_MORE = 2  # further readings that are asked for where the last one needs another to agree with it


@dataclass(frozen=True, slots=True)
class Course:
    """One series. ``must`` says what must become of it, empty where nothing must. ``news`` is for the ear: where it is
    going, or a reading that was left out.
    """

    reading: str
    must: str
    watched: Watched
    news: str
    curve: FirstOrder | None
    goal: Decimal | None = None  # the value to come to


@dataclass(frozen=True, slots=True)
class Progress:
    """``over`` once nothing more is to be read; ``verdict`` is None before, and for a watch that judges nothing."""

    courses: tuple[Course, ...]
    order: Watched | None
    verdict: Verdict | None
    over: bool

    @property
    def reason(self) -> str:
        """What led to the verdict, by series."""
        told = [f"{course.reading} {course.watched.reason}" for course in self.courses if course.must]
        return "; ".join(told + ([] if self.order is None else [self.order.reason]))


def progress(
    step: Watch,
    series: Sequence[Sequence[Point]],
    rounds: int,
    rule: Rule = Rule.ISO_14253_1,
    guard: Decimal = Decimal(1),
) -> Progress:
    """What the points of each series say after so many whole rounds of reading; ``guard`` is the guard ratio.

    A change, a stall and a goal are in the units of the series, times in seconds since the step began.
    """
    courses = tuple(_course(step, one, points, rule, guard) for one, points in zip(step.series, series, strict=True))
    order = None if step.before is None else _order(step, series, step.before)
    judged = [course.watched.verdict for course in courses if course.must]
    judged += [] if order is None else [order.verdict]
    if Verdict.NONCONFORMING in judged:
        return Progress(courses, order, Verdict.NONCONFORMING, over=True)
    known = [verdict for verdict in judged if verdict is not None]
    if judged and len(known) == len(judged):
        return Progress(courses, order, together(known), over=True)
    if not judged:
        return Progress(courses, order, None, over=rounds >= len(step.times))
    if rounds >= len(step.times) + _MORE:
        return Progress(courses, order, Verdict.UNDECIDED, over=True)
    return Progress(courses, order, None, over=False)


def news(course: Course, before: Course | None) -> tuple[str, bool]:
    """What there is to say of a series, and whether it takes back what was decided ``before``.

    A reading that is left out later may move the time at which a goal was reached, or the goal itself.
    """
    watched = course.watched
    words = f"{watched.reason}: {watched.verdict}" if course.must and watched.verdict is not None else course.news
    was = None if before is None else before.watched
    revised = (
        was is not None
        and was.verdict is not None
        and (was.verdict, was.seconds)
        != (
            watched.verdict,
            watched.seconds,
        )
    )
    return (words or watched.reason if revised else words), revised


def due(step: Watch, rounds: int) -> float:
    """When the next round of readings is due after so many, in seconds since the step began."""
    times = step.times
    if rounds < len(times):
        return times[rounds]
    return times[-1] + (rounds - len(times) + 1) * spacing(step)


def spacing(step: Watch) -> float:
    """The longest time between two readings, in seconds."""
    return max((later - earlier for earlier, later in pairwise(step.times)), default=step.times[0])


def data(progress: Progress) -> dict[str, Any]:
    """For the record; figures of a fit to four digits, which is more than is known of them."""
    rows: list[dict[str, Any]] = []
    for course in progress.courses:
        curve = course.curve
        rows.append(
            {
                "reading": course.reading,
                "must": course.must,
                "goal": None if course.goal is None else _plain(course.goal),
                "verdict": _text(course.watched.verdict),
                "reason": course.watched.reason if course.must else "",
                "fit": None
                if curve is None
                else {
                    "settles": _figure(curve.settles),
                    "starts": _figure(curve.starts),
                    "tau": _figure(curve.tau),
                    "scatter": _figure(curve.scatter),
                },
                "left_out": [place + 1 for place in course.watched.odd],
            }
        )
    order = progress.order
    return {
        "series": rows,
        "order": None if order is None else {"verdict": _text(order.verdict), "reason": order.reason},
    }


def likelier(
    words: Sequence[str],
    reading: Reading,
    asked: Measure,
    before: Uncertain | None,
    likely: Sequence[Sequence[str]],
    unlikely: Sequence[Sequence[str]],
) -> Hearing | None:
    """A common confusion of ``words`` that would lie nearer to the reading ``before``, in the unit asked for.

    What was heard is only questioned where something else is the likelier to come next; the first of a series where
    anything else that is plausible may have been said.
    """
    for other in hearings(words, reading, asked.expectation, likely, unlikely):
        if other.prior < FIVE_FOR_NINE or other.reading.value is None or not plausible(other.reading, asked):
            continue
        if before is None or _apart(other.reading, asked, before) < _apart(reading, asked, before):
            return other
    return None


def _apart(reading: Reading, asked: Measure, before: Uncertain) -> Decimal:
    return abs(in_unit(reading, asked.unit) - before.value)


def say_must(series: Series) -> str:
    """What must become of a series: "fall to four degrees celsius in twenty minutes"."""
    for key in series.conditions:
        if series.ratio is not None:
            return f"ratio {say_limit(series.ratio)}"
        way, _, how = key.partition("_")
        words = f"{way.removesuffix('s')} {how} {say_value(_plain(getattr(series, key)), series.unit)}"
        within = series.within_minutes
        return words + ("" if within is None else f" in {watch.say_duration(float(within * 60))}")
    return ""


def _course(step: Watch, series: Series, points: Sequence[Point], rule: Rule, guard: Decimal) -> Course:
    must = say_must(series)
    scatter = _least_scatter(points)
    curve = _fit(points, scatter)
    if series.ratio is not None:
        return Course(series.reading, must, _ratio(step, series, points, rule, guard), "", curve)
    if not must:
        odd = () if curve is None else curve.odd
        return Course(series.reading, must, Watched(None, "", odd=odd), "", curve)
    direction, goal, to = _goal(series)
    within = _within(step, series)
    judge = has_reached if to else has_changed
    watched = judge(points, direction, goal, within, series.unit, rule, scatter, guard)
    if watched.verdict is Verdict.NONCONFORMING and not any(
        within - 1.5 * spacing(step) <= point.seconds <= within for point in points
    ):
        words = f"no reading was taken near {watch.say_duration(within)}, so nobody knows"
        watched = Watched(Verdict.UNDECIDED, words, watched.seconds, watched.odd)
    if watched.verdict is None and points and not _there(series, points)(points[-1]):
        watched = _stalled(series, points, watched)
    news = _outlook(points, direction, goal, within, series.unit, scatter) if to and watched.verdict is None else ""
    if not news and watched.odd:
        news = watched.reason
    return Course(series.reading, must, watched, news, curve, goal if to else None)


def _outlook(
    points: Sequence[Point], direction: Direction, goal: Decimal, within: float, unit: str | None, scatter: float
) -> str:
    try:
        return outlook(points, direction, goal, within, unit, scatter).words
    except JudgingError:
        return ""  # too early to tell, and so nothing is told


def _stalled(series: Series, points: Sequence[Point], watched: Watched) -> Watched:
    over, below = series.stalled_over_minutes, series.stalled_below
    if over is None or below is None or not has_stalled(points, float(over * 60), below):
        return watched
    change = say_value(_plain(below), series.unit)
    words = f"has stalled: a change of less than {change} in {watch.say_duration(float(over * 60))}"
    return Watched(Verdict.NONCONFORMING, words, points[-1].seconds, watched.odd)


def _ratio(step: Watch, series: Series, points: Sequence[Point], rule: Rule, guard: Decimal) -> Watched:
    first, last = step.times[0], step.times[-1]
    if not points or points[-1].seconds < last:
        return Watched(None, "not all readings are taken")
    assert series.ratio is not None
    try:
        early, late = (watch.at_time(points, at, _tolerance(at)) for at in (first, last))
        if series.quantity is Quantity.RESISTANCE and series.unit == _MEGOHM:
            value = polarization_index(early, late)
        else:
            value = ratio(late, early)
    except JudgingError as error:
        return Watched(Verdict.UNDECIDED, str(error), last)
    decision = decide(value, bounds(series.ratio), rule, guard)
    said = say_value(_plain(round(value.value, 2).normalize()), None)
    words = f"at {watch.say_duration(last)} is {said} times that at {watch.say_duration(first)}"
    return Watched(decision.verdict, "; ".join(filter(None, (words, decision.reason))), last)


def _tolerance(seconds: float) -> float:
    """How far a reading may be from its time: it takes a moment to be asked for and said (common practice)."""
    return max(20.0, seconds / 20)


def _order(step: Watch, series: Sequence[Sequence[Point]], before: tuple[str, str]) -> Watched:
    names = [one.reading for one in step.series]
    first, other = (names.index(name) for name in before)
    there = tuple(_there(step.series[place], series[place]) for place in (first, other))
    found = came_first(series[first], series[other], (there[0], there[1]))
    words = found.reason.replace("the first", before[0]).replace("the other", before[1])
    return Watched(found.verdict, words, found.seconds)


def _there(series: Series, points: Sequence[Point]) -> Callable[[Point], bool]:
    """Whether a point is where its series is to be; without uncertainty, since it is the order that is asked for."""
    direction, goal, to = _goal(series)
    sign = -1 if direction is Direction.FALL else 1
    start = Decimal(0) if to or not points else points[0].value.value

    def there(point: Point) -> bool:
        change = point.value.value - start
        return sign * change >= (sign * goal if to else goal)

    return there


def _goal(series: Series) -> tuple[Direction, Decimal, bool]:
    """Which way, how far, and whether that is a value to come to."""
    table: Mapping[str, tuple[Direction, bool]] = {
        "falls_by": (Direction.FALL, False),
        "rises_by": (Direction.RISE, False),
        "falls_to": (Direction.FALL, True),
        "rises_to": (Direction.RISE, True),
    }
    (key,) = series.conditions
    direction, to = table[key]
    return direction, getattr(series, key), to


def _within(step: Watch, series: Series) -> float:
    return step.times[-1] if series.within_minutes is None else float(series.within_minutes * 60)


def _fit(points: Sequence[Point], scatter: float) -> FirstOrder | None:
    try:
        return firstorder.fit(
            [point.seconds for point in points], [float(point.value.value) for point in points], scatter
        )
    except JudgingError:
        return None


def _least_scatter(points: Sequence[Point]) -> float:
    """What rounding to the last digit spoken gives."""
    digits = [int(point.value.value.as_tuple().exponent) for point in points]
    return float(10.0 ** max(digits, default=0)) / math.sqrt(12)


def _figure(value: float) -> str:
    """A decimal string: the last bits of a fit differ from one machine to another."""
    return format(Decimal(f"{value:.4g}"), "f")


def _text(verdict: Verdict | None) -> str | None:
    return None if verdict is None else str(verdict)


def _plain(value: Decimal) -> str:
    return format(value, "f")
