"""The meters at hand: which one is used, which one a step is for, and why a step may not be done with it.

The one rule: the meter that was chosen is used for what it measures; where another at hand is the only one that does,
that one is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

from handsfree.judge.assess import Zero
from handsfree.judge.meter import Meter, days_overdue, may_measure, measures
from handsfree.procedure.model import Measure
from handsfree.session.wording import capital, plate, rating
from handsfree.spoken.numbers import say_number

_NO_METER = "no meter"  # no identifier, so no meter has it
_NONE_OF_THESE = ("none of these", "another one")


class Meters:
    """``chosen`` is the one that the technician uses, None while it is not known; ``told`` was said last to be used."""

    def __init__(self, meters: Sequence[Meter]) -> None:
        self._by_name = {meter.meter: meter for meter in meters}
        self._overdue: set[str] = set()  # those whose calibration was said to be overdue
        self.chosen: Meter | None = None
        self.told: Meter | None = None

    def __len__(self) -> int:
        return len(self._by_name)

    def __iter__(self) -> Iterator[Meter]:
        return iter(self._by_name.values())

    @property
    def answers(self) -> Mapping[str, tuple[str, ...]]:
        """What may be answered to ``question``: each meter by its number or what it is called, or none of them."""
        numbered = enumerate(self, 1)
        answers = {meter.meter: (f"meter {say_number(str(number))}", *meter.called) for number, meter in numbered}
        return answers | {_NO_METER: _NONE_OF_THESE}

    @property
    def question(self) -> str:
        """Which of them is used?"""
        names = [f"{self.answers[meter.meter][0]}, {plate(meter)}" for meter in self]
        return f"Which meter do you use? {'; '.join(map(capital, names))}; or {_NONE_OF_THESE[0]}."

    def choose(self, answer: str) -> Meter | None:
        """Takes an answer by its key; None for a meter that is not known here."""
        self.chosen = self.told = self._by_name.get(answer)
        return self.chosen

    def use(self, meter: Meter, today: date) -> tuple[Mapping[str, object], int]:
        """What the record says of a meter that is used from now on, and by how many days its calibration is overdue
        where that was not said before; otherwise 0.
        """
        self.told = meter
        overdue = days_overdue(meter, today)
        data = {
            "meter": meter.meter,
            "name": meter.name,
            "serial": meter.serial,
            "calibration_due": meter.calibration_due.isoformat(),
            "days_overdue": overdue,
        }
        news = overdue if overdue and meter.meter not in self._overdue else 0
        if news:
            self._overdue.add(meter.meter)
        return data, news

    def of(self, step: Measure) -> Meter | None:
        """The meter of a step: the chosen one if it measures this, else the only one at hand that does."""
        if step.nameplate:
            return None
        if self.chosen is None or measures(self.chosen, step.quantity, step.waveform):
            return self.chosen
        others = self._fit(step)
        return others[0] if len(others) == 1 else None

    def unfit(self, step: Measure, zero: Zero | None) -> str | None:
        """Why the meter forbids a step, None where it does not; ``zero`` is what the leads read that it takes off."""
        if step.nameplate:
            return None
        meter = self.of(step)
        if meter is None and self.chosen is not None and self._fit(step):
            return f"the {self.chosen.name} does not measure {step.quantity}. Say change meter"
        if meter is not None and step.needs_rating is not None and not may_measure(meter, step.needs_rating):
            return (
                f"this step needs a meter of {rating(step.needs_rating)}, and the {meter.name} is not. "
                "Do not connect it. Say change meter, or unable and the reason"
            )
        if step.minus_leads is not None and zero is None:
            return "the leads were not measured. Say go back until the leads are to be shorted"
        if zero is not None and zero.meter is not meter:
            return "the leads were measured with another meter. Say go back until the leads are to be shorted"
        return None

    def _fit(self, step: Measure) -> list[Meter]:
        return [meter for meter in self if measures(meter, step.quantity, step.waveform)]
