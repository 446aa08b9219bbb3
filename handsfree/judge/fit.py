"""What a procedure asks of a meter, and whether those at hand can do it: told at a desk, before the way to the machine.

The one rule: only what is sure before anything is measured is told here, and as advice; a technician may bring another
meter.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from handsfree.judge.assess import Means, assess
from handsfree.judge.meter import Meter, may_measure, measures
from handsfree.judge.uncertain import JudgingError
from handsfree.procedure.document import Problem
from handsfree.procedure.load import Loaded
from handsfree.procedure.model import Measure, Step, Watch, bounds
from handsfree.spoken.meaning import Kind, Reading
from handsfree.spoken.units import METERED

_EVERY_DIGIT = Decimal("0.000001")  # more than any range shows, so that the finest range is the one that counts


def misfits(loaded: Loaded, meters: Sequence[Meter]) -> list[Problem]:
    """What none of the meters can do for the steps of a procedure, and plausible ranges that no limit agrees with."""
    found = []
    for number, step in enumerate(loaded.procedure.steps):
        for asked in _asked(step):
            for key, message, remedy in _of_step(loaded, asked, meters):
                place = loaded.place(("steps", number, key))
                found.append(Problem(loaded.document.name, *place, message, remedy))
    return sorted(set(found))


def _asked(step: Step) -> tuple[Measure, ...]:
    """The readings that a step takes from a meter."""
    if isinstance(step, Watch):
        return tuple(step.asks(place) for place in range(len(step.series)))
    return (step,) if isinstance(step, Measure) and not step.nameplate else ()


def _of_step(loaded: Loaded, step: Measure, meters: Sequence[Meter]) -> Iterator[tuple[str, str, str]]:
    if step.plausible is not None and step.limit is not None:
        low, high = bounds(step.limit)
        if step.plausible[1] < low or step.plausible[0] > high:
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
    if step.limit is None:
        return
    means = [Means(*loaded.procedure.rule_of(step), meter) for meter in fitting]
    if not any(_can_conform(step, each) for each in means):
        message = f'with these meters no reading of the step "{step.id}" can be called conforming: {names}'
        yield "limit", message, "bring a finer meter, one of a higher range, or choose another decision_rule"


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
