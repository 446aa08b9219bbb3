"""The readings on record: which of them stand, and which one is spoken of.

The one rule: a reading is never struck out. One that was corrected or taken back stays, and does not stand.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from handsfree.judge.assess import Assessment, Zero, plausible
from handsfree.judge.meter import Meter
from handsfree.judge.uncertain import Uncertain
from handsfree.judge.verdict import Judgement
from handsfree.judge.watch import Point
from handsfree.procedure.model import Measure, Procedure, SpokenStep, Verdict, Watch
from handsfree.session.vigil import Vigil
from handsfree.spoken.meaning import Reading
from handsfree.spoken.readback import say_reading


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading on record; ``standing`` until it is corrected.

    ``series`` is its place among those of a watch, None for a measure step; ``seconds`` since that watch began.
    """

    id: str
    step: str
    assessment: Assessment
    standing: bool = True
    series: int | None = None
    seconds: float = 0.0

    @property
    def reading(self) -> Reading:
        return self.assessment.reading

    @property
    def judgement(self) -> Judgement:
        return self.assessment.judgement

    @property
    def outcome(self) -> str | None:
        return None if self.judgement.verdict is None else str(self.judgement.verdict)

    @property
    def words(self) -> str:
        """ "five point two ohms, at most seven: conforming" """
        words = self.assessment.words()
        if self.judgement.verdict is None:
            return words
        tail = f"; {self.assessment.doubt()}" if self.judgement.verdict is Verdict.UNDECIDED else ""
        return f"{words}, {self.judgement.limit}: {self.judgement.verdict}{tail}"

    def data(self, asked: Measure) -> dict[str, object]:
        """What the record holds of it; ``asked`` is what asked for it."""
        reading = self.reading
        limit = None if asked.limit is None else asked.limit.model_dump(mode="json", exclude_none=True)
        data: dict[str, object] = {
            "id": self.id,
            "step": self.step,
            "reading": asked.reading,
            "kind": str(reading.kind),
            "value": reading.value,
            "unit": reading.unit,
            "waveform": reading.waveform,
            "words": say_reading(reading),
            "limit": None if limit is None else limit | {"unit": asked.unit},
            "verdict": self.outcome,
            "reason": self.judgement.reason,
        }
        if not plausible(reading, asked):
            assert asked.plausible is not None
            data["implausible"] = {"between": [format(end, "f") for end in asked.plausible], "unit": asked.unit}
        return data | self.assessment.data()


class Readings:
    """All readings of a session, in the order in which they were taken."""

    def __init__(self, procedure: Procedure) -> None:
        self._procedure = procedure
        self._taken: list[Taken] = []

    def __len__(self) -> int:
        return len(self._taken)

    @property
    def standing(self) -> int:
        """How many stand."""
        return sum(taken.standing for taken in self._taken)

    @property
    def next_id(self) -> str:
        """What the next one is called on record."""
        return f"r{len(self._taken) + 1}"

    def add(self, taken: Taken) -> None:
        """Takes a reading down."""
        self._taken.append(taken)

    def withdraw(self, taken: Taken) -> None:
        """It does not stand any longer."""
        self._taken[self._taken.index(taken)] = replace(taken, standing=False)

    def asked(self, taken: Taken) -> Measure:
        """What asked for a reading."""
        step = self._procedure.step(taken.step)
        if isinstance(step, Watch):
            assert taken.series is not None
            return step.asks(taken.series)
        assert isinstance(step, Measure)
        return step

    def since(self, count: int) -> Taken | None:
        """The last one, where more than ``count`` were taken."""
        return self._taken[-1] if len(self._taken) > count else None

    def of_id(self, id: str | None) -> Taken | None:
        """The reading that is called so on record, whether it stands or not."""
        return next((taken for taken in self._taken if taken.id == id), None)

    def of_step(self, id: str) -> Taken | None:
        """The last standing reading of a step."""
        return next((taken for taken in reversed(self._taken) if taken.standing and taken.step == id), None)

    @property
    def out_of_limits(self) -> list[str]:
        """The names of what did not conform when it was last measured."""
        steps = dict.fromkeys(taken.step for taken in self._taken if taken.series is None)
        last = [taken for step in steps if (taken := self.of_step(step)) is not None]
        return [self.asked(taken).reading for taken in last if taken.outcome == Verdict.NONCONFORMING]

    def last_nonconforming(self) -> Taken | None:
        """The last standing reading that did not conform, and was not measured again since."""
        standing = (taken for taken in reversed(self._taken) if taken.standing)
        bad = (taken for taken in standing if taken.outcome == Verdict.NONCONFORMING)
        return next((taken for taken in bad if taken.series is not None or taken is self.of_step(taken.step)), None)

    def last(self, path: Collection[str]) -> Taken | None:
        """The last standing reading on the way here: after GO BACK, what comes later is not what is spoken of."""
        return next((taken for taken in reversed(self._taken) if taken.standing and taken.step in path), None)

    def to_correct(self, missing: Collection[str], path: Collection[str]) -> Taken | None:
        """What CORRECTION speaks of: a reading of a step in ``missing``, to be done again, or else the last."""
        return next((taken for taken in reversed(self._taken) if taken.step in missing), self.last(path))

    def of_watch(self, vigil: Vigil | None) -> list[Taken]:
        """The standing readings of a watch in the order of their times; none where there is no watch."""
        if vigil is None:
            return []
        taken = [one for one in self._taken[vigil.first :] if one.standing and one.step == vigil.watch.id]
        return sorted(taken, key=lambda one: one.seconds)

    def points(self, vigil: Vigil) -> list[list[Point]]:
        """What each series of a watch has shown so far."""
        taken = self.of_watch(vigil)
        return [
            [
                Point(one.seconds, one.assessment.value)
                for one in taken
                if one.series == place and one.assessment.value is not None
            ]
            for place in range(len(vigil.watch.series))
        ]

    def before(self, asked: Measure, vigil: Vigil | None) -> Uncertain | None:
        """What a series of a watch read last, without the leads; None where it has no reading yet."""
        for taken in reversed(self.of_watch(vigil)):
            if self.asked(taken).reading == asked.reading and taken.assessment.value is not None:
                return taken.assessment.value
        return None

    def zero(self, step: Measure) -> Zero | None:
        """What the shorted leads read, where a step takes them off."""
        leads = None if step.minus_leads is None else self.of_step(step.minus_leads)
        return None if leads is None else Zero(leads.id, leads.reading, leads.assessment.meter)

    def undecided(self, step: Measure, meter: Meter | None) -> int:
        """How often in a row a step was left undecided with a meter until now."""
        times = 0
        for taken in reversed(self._taken):
            if (taken.step, taken.assessment.meter) != (step.id, meter) or taken.outcome != Verdict.UNDECIDED:
                break
            times += taken.standing
        return times


def measures_of(step: SpokenStep) -> tuple[Measure, ...]:
    """All that a step reads."""
    if isinstance(step, Watch):
        return tuple(step.asks(place) for place in range(len(step.series)))
    return (step,) if isinstance(step, Measure) else ()
