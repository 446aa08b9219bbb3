"""Figures worked out from readings on record: what they are made of now, what came of them, and what the record holds.

The one rule: a figure follows from the readings that stand. It is worked out anew whenever one of them changes, and the
last time counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from handsfree.judge.assess import Means, assess
from handsfree.judge.figures import Known, Worked, formula, judge_figure, known_reading, say_figure, ten_digits
from handsfree.judge.several import together
from handsfree.judge.uncertain import JudgingError
from handsfree.procedure.model import Calculate, Measure, Procedure, Verdict, inputs
from handsfree.session.readings import Readings
from handsfree.session.wording import sentence
from handsfree.spoken.meaning import Reading


@dataclass(frozen=True, slots=True)
class _Done:
    """A figure as it was worked out last, and the spoken step that had been done before."""

    worked: Worked
    after: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a figure: its verdict, if it is judged, what the record holds of it, and what is said."""

    verdict: str | None
    data: Mapping[str, object]
    words: str
    known: bool  # whether it could be worked out


class Figures:
    """The figures of a session, in the order in which they were worked out."""

    def __init__(self, procedure: Procedure, readings: Readings) -> None:
        self._procedure, self._readings = procedure, readings
        self._done: dict[str, _Done] = {}

    def work_out(self, step: Calculate, after: str) -> Outcome:
        """Works a figure out from what stands now. ``after`` is the spoken step that was done before it."""
        used: list[dict[str, object]] = []
        try:
            known = {name: self._known(name, used) for name in inputs(step.calculate)}
        except JudgingError as error:
            verdict = None if step.limit is None else Verdict.UNDECIDED
            worked = Worked(None, verdict, "", str(error))
        else:
            worked = judge_figure(step, known, self._procedure.decision_rule, self._procedure.guard_ratio)
        self._done.pop(step.id, None)
        self._done[step.id] = _Done(worked, after)
        outcome = None if worked.verdict is None else str(worked.verdict)
        said = say_figure(step, worked)
        if worked.known is None:
            words = f"{step.figure} cannot be worked out: {worked.reason}"
        else:
            words = f"{step.figure}: {said}" + (f", {worked.limit}: {outcome}" if outcome else "")
            words += f"; {worked.reason}" if worked.reason else ""
        data = self._data(step, worked, said, used) | {"verdict": outcome}
        return Outcome(outcome, data, sentence(words), worked.known is not None)

    def made_from(self, changed: str) -> Iterator[tuple[Calculate, str]]:
        """The figures worked out so far that a reading goes into, each with the spoken step done before it."""
        for name, done in list(self._done.items()):
            step = self._procedure.step(name)
            assert isinstance(step, Calculate)
            if changed in self._procedure.readings_of(step):
                yield step, done.after

    def verdict_with(self, reading: Reading, step: Measure, means: Means) -> Verdict | None:
        """The verdict on the figures that a reading would complete; None where it completes none."""
        verdicts = []
        for figure in self._procedure.steps:
            if not isinstance(figure, Calculate) or figure.limit is None or step.id not in inputs(figure.calculate):
                continue
            try:
                known = {name: self._known(name, []) for name in inputs(figure.calculate) if name != step.id}
                known[step.id] = known_reading(reading, assess(reading, step, means).value, step.unit)
            except JudgingError:
                continue
            rule, ratio = self._procedure.decision_rule, self._procedure.guard_ratio
            verdict = judge_figure(figure, known, rule, ratio).verdict
            verdicts += [] if verdict is None else [verdict]
        return together(verdicts) if verdicts else None

    def _known(self, id: str, used: list[dict[str, object]]) -> Known:
        """A reading or figure to work with, noted in ``used``. Raises JudgingError where there is none."""
        step = self._procedure.step(id)
        made_of: tuple[str | None, str | None, str | None]  # value, unit, reading
        if isinstance(step, Calculate):
            done = self._done.get(id)
            if done is None or done.worked.known is None:
                raise JudgingError(f"{step.figure} is not known: go back, and measure what it is worked out from")
            known = done.worked.known
            made_of = (ten_digits(known.value.value), known.unit, None)
        else:
            assert isinstance(step, Measure)
            taken = self._readings.of_step(id)
            if taken is None:
                raise JudgingError(f"there is no reading of {step.reading}: go back, and measure it")
            known = known_reading(taken.reading, taken.assessment.value, step.unit)
            made_of = (taken.reading.value, taken.reading.unit, taken.id)
            if taken.assessment.leads is not None:
                made_of = (ten_digits(known.value.value), step.unit, taken.id)
        value, unit, reading = made_of
        used.append({"step": id, "reading": self._named(id), "id": reading, "value": value, "unit": unit})
        return known

    def _data(self, step: Calculate, worked: Worked, said: str, used: list[dict[str, object]]) -> dict[str, object]:
        found = worked.known
        unit = step.unit if found is None else found.unit
        limit = None if step.limit is None else step.limit.model_dump(mode="json", exclude_none=True)
        return {
            "step": step.id,
            "figure": step.figure,
            "formula": formula(step.calculate, self._named),
            "inputs": used,
            "value": None if found is None else ten_digits(found.value.value),
            "unit": unit,
            "uncertainty": None if found is None or not found.value.parts else f"{found.value.expanded:.2g}",
            "words": said,
            "limit": None if limit is None else limit | {"unit": unit},
            "limits": None
            if worked.limits is None
            else [ten_digits(end) if end.is_finite() else None for end in worked.limits],
            "reason": worked.reason,
            "conformity": None if worked.conformity is None else f"{worked.conformity:.3g}",
        }

    def _named(self, id: str) -> str:
        step = self._procedure.step(id)
        if isinstance(step, Calculate):
            return step.figure
        assert isinstance(step, Measure)
        return step.reading
