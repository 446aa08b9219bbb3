"""What a procedure asks of a meter, and whether those at hand can do it: told at a desk, before the way to the machine.

The one rule: only what is sure before anything is measured is told here, and as advice; a technician may bring another
meter.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import product

from pydantic import BaseModel

from handsfree.judge.assess import Means, assess
from handsfree.judge.figures import Known, Worked, judge_figure, plain
from handsfree.judge.meter import Meter, highest, may_measure, measures, reaches
from handsfree.judge.uncertain import JudgingError, exact
from handsfree.procedure.document import PathInFile, Problem, shown
from handsfree.procedure.load import Loaded
from handsfree.procedure.model import (
    Calculate,
    DeviationPercent,
    Difference,
    ImbalancePercent,
    Limit,
    Measure,
    PlatinumClass,
    Procedure,
    Ratio,
    Series,
    Step,
    Sum,
    Watch,
    bounds,
    inputs,
)
from handsfree.spoken.meaning import Kind, Reading
from handsfree.spoken.units import METERED

_EVERY_DIGIT = Decimal("0.000001")  # more than any range shows, so that the finest range is the one that counts
_MOST_INPUTS = 8  # of a figure that is worked out for all ends of their plausible ranges: 256 times


def misfits(loaded: Loaded, meters: Sequence[Meter]) -> list[Problem]:
    """What none of the meters can do for the steps of a procedure, and plausible ranges that no limit agrees with."""
    found = []
    for number, step in enumerate(loaded.procedure.steps):
        at: PathInFile = ("steps", number)
        told = [(at, each) for each in _of_figure(loaded.procedure, step)]
        for place, series in enumerate(step.series if isinstance(step, Watch) else ()):
            told += [((*at, "series", place), each) for each in _of_goals(series)]
        for path, asked, ends in _asked(at, step):
            told += [(path, each) for each in _of_step(loaded, asked, ends, meters)]
        for path, (key, message, remedy) in told:
            found.append(Problem(loaded.document.name, *loaded.place((*path, key)), message, remedy))
    return sorted(set(found))


_Ends = Sequence[tuple[str, Decimal]]


def _asked(at: PathInFile, step: Step) -> Iterator[tuple[PathInFile, Measure, _Ends]]:
    """The readings that a step takes from a meter, each with its place and with what it is to come to, by key."""
    if isinstance(step, Watch):
        for place, series in enumerate(step.series):
            ends = [(key, end) for key, goal in series.goals.items() for end in bounds(goal) if end.is_finite()]
            yield (*at, "series", place), step.asks(place), ends
    elif isinstance(step, Measure) and not step.nameplate:
        limits = () if step.limit is None else bounds(step.limit)
        yield at, step, [("limit", end) for end in limits if end.is_finite()]


def _out_of_reach(plausible: tuple[Decimal, Decimal] | None, limit: Limit | None) -> bool:
    """Whether no plausible reading conforms."""
    if plausible is None or limit is None:
        return False
    low, high = bounds(limit)
    return plausible[1] < low or plausible[0] > high


def _of_goals(series: Series) -> Iterator[tuple[str, str, str]]:
    for key, goal in series.goals.items():
        if _out_of_reach(series.plausible, goal):
            message = f"no plausible reading of the series {shown(series.reading)} conforms"
            yield "plausible", message, f"compare it with {key}; both are in the unit of the series"


def _of_step(loaded: Loaded, step: Measure, ends: _Ends, meters: Sequence[Meter]) -> Iterator[tuple[str, str, str]]:
    if _out_of_reach(step.plausible, step.limit):
        message = f'no plausible reading of the step "{step.id}" conforms'
        yield "plausible", message, "compare it with the limit; both are in the unit of the step"
    if not meters or step.quantity not in METERED:
        return
    fitting = [meter for meter in meters if measures(meter, step.quantity, step.waveform)]
    names = ", ".join(meter.name for meter in fitting or meters)
    if not fitting:
        what = f"{step.waveform} {step.quantity}" if step.waveform else str(step.quantity)
        yield "quantity", f"no meter of these measures {what}: {names}", "its reading is judged without uncertainty"
        return
    if step.needs_rating is not None and not any(may_measure(meter, step.needs_rating) for meter in fitting):
        rating = f"CAT {step.needs_rating.category} {step.needs_rating.volts} V"
        yield "needs_rating", f"no meter of these is rated {rating}: {names}", "bring one that is"
    for key, end in ends:
        if not any(reaches(meter, step, end) for meter in fitting):
            shows = ", ".join(f"{meter.name} up to {plain(highest(meter, step) or Decimal(0))}" for meter in fitting)
            wanted = f"{end.normalize():f} {step.unit}"
            message = f'no range of these meters reaches {wanted} at the step "{step.id}": {shows}'
            yield key, message, "bring one of a higher range; there these show no value"
    reaching = [meter for meter in fitting if all(reaches(meter, step, end) for _, end in ends)]
    means = [Means(*loaded.procedure.rule_of(step), meter) for meter in reaching]
    if step.limit is not None and means and not any(_can_conform(step, each) for each in means):
        message = f'with these meters no reading of the step "{step.id}" can be called conforming: {names}'
        yield "limit", message, "bring a finer meter, or choose another decision_rule"


def _can_conform(step: Measure, means: Means) -> bool:
    """Whether a reading in the middle of the limit, or on it, can be called conforming where every digit is said."""
    assert step.limit is not None
    low, high = bounds(step.limit)
    value = (low + high) / 2 if low.is_finite() and high.is_finite() else low if low.is_finite() else high
    reading = Reading(Kind.READING, format(value.quantize(_EVERY_DIGIT), "f"), step.unit, step.waveform)
    try:
        return not assess(reading, step, means).too_coarse
    except JudgingError:
        return False


# -- figures -----------------------------------------------------------------------------------------------------------


def _of_figure(procedure: Procedure, step: Step) -> Iterator[tuple[str, str, str]]:
    if not isinstance(step, Calculate):
        return
    for part in _parts(step.calculate):
        twice = [one for one in part.sum if part.sum.count(one) > 1] if isinstance(part, Sum) else []
        if twice:
            name = shown(twice[0]) if isinstance(twice[0], str) else "a figure"
            yield "calculate", f"{name} is counted twice in this sum", "name another step, if it is not there twice"
    if step.limit is None or isinstance(step.limit, PlatinumClass):
        return  # the tolerance of a class depends on what is read
    worked = _at_the_ends(procedure, step)
    if not worked:
        return
    values = [one.known.value.value for one in worked if one.known is not None]
    least = Decimal(0) if isinstance(step.calculate, ImbalancePercent) else min(values)
    most, (low, high) = max(values), worked[0].limits or (least, least)
    between = f"with plausible readings it is between {plain(least)} and {plain(most)}"
    remedy = f"compare it with the plausible ranges of {', '.join(map(shown, sorted(procedure.readings_of(step))))}"
    if most < low or least > high:
        yield "limit", f'the figure of the step "{step.id}" never conforms: {between}', remedy
    elif low <= least and most <= high:
        yield "limit", f'the figure of the step "{step.id}" always conforms: {between}', remedy


def _parts(part: object) -> Iterator[object]:
    """A figure and all that is in it."""
    yield part
    inside = part if isinstance(part, tuple) else [value for _, value in part] if isinstance(part, BaseModel) else ()
    for each in inside:
        yield from _parts(each)


def _at_the_ends(procedure: Procedure, step: Calculate) -> list[Worked]:
    """The figure for every combination of the ends of the plausible ranges of what goes in, where each has one.

    Every figure but an imbalance, which is least in between, only rises or only falls with what goes in, as long as
    nothing is divided by what may be zero. Nothing where that does not hold, or where one cannot be worked out.
    """
    read = [procedure.step(name) for name in sorted(procedure.readings_of(step))]
    ranges: dict[str, tuple[Decimal, Decimal]] = {}
    for one in read:
        if not isinstance(one, Measure) or one.plausible is None or one.minus_leads is not None:
            return []
        ranges[one.id] = one.plausible
    made_of = [part for name in (step.id, *_figures_in(procedure, step)) for part in _parts(_figure(procedure, name))]
    inside = [part for part in made_of if part is not step.calculate]
    divides = any(isinstance(part, Ratio | DeviationPercent | ImbalancePercent) for part in made_of)
    signed = any(low < 0 for low, _ in ranges.values()) or any(isinstance(part, Difference) for part in inside)
    hidden = any(isinstance(part, DeviationPercent | ImbalancePercent) for part in inside)
    if hidden or (divides and signed) or len(ranges) > _MOST_INPUTS:
        return []
    corners = [dict(zip(ranges, ends, strict=True)) for ends in product(*ranges.values())]
    try:
        worked = [judge_figure(step, _known(procedure, step, read)) for read in corners]
    except JudgingError:
        return []
    return worked if all(one.known is not None for one in worked) else []


def _figure(procedure: Procedure, name: str) -> object:
    step = procedure.step(name)
    return step.calculate if isinstance(step, Calculate) else name


def _figures_in(procedure: Procedure, step: Calculate) -> Iterator[str]:
    """The calculate steps that a figure is worked out from."""
    for name in inputs(step.calculate):
        inner = procedure.step(name)
        if isinstance(inner, Calculate):
            yield name
            yield from _figures_in(procedure, inner)


def _known(procedure: Procedure, step: Calculate, read: Mapping[str, Decimal]) -> dict[str, Known]:
    """What a figure is worked out from where these are read. Raises JudgingError where it cannot be."""
    known: dict[str, Known] = {}
    for name in inputs(step.calculate):
        inner = procedure.step(name)
        if isinstance(inner, Calculate):
            found = judge_figure(inner, _known(procedure, inner, read)).known
            if found is None:
                raise JudgingError(f"{inner.figure} cannot be worked out")
            known[name] = found
        elif isinstance(inner, Measure):
            known[name] = Known(exact(read[name]), inner.unit)
    return known
