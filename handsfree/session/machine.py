"""The session: the heart of the tool, with no clock, thread, file or sound in it.

The one rule: ``handle(event)`` is the only way in, and everything that happens is in the acts that it returns.

Theory of operation
-------------------
A session is always in one phase, and the phase says what is open:

    METER       several meters are at hand; which of them is used is awaited
    STEP        a step of the procedure has been read aloud; its reading, answer or "done" is awaited
    DOUBT       a reading was heard, but not surely, or is not plausible: AFFIRM or NEGATIVE is awaited, or it again
    REASON      UNABLE was said without a reason; one of the known reasons is awaited
    LEAVING     END SESSION was said; AFFIRM or NEGATIVE is awaited
    PAUSED      STAND BY was said; nothing but GO AHEAD is open, so that talk in the room cannot move anything
    CLOSED      a conclusion was reached or the session was ended; nothing is open

``_WORDS`` below says which procedure word does what in which phase: it is the whole table of transitions by command.
Readings and answers move a STEP on through ``Procedure.target``, which is the only place that knows where a step leads.

Two things are kept apart on purpose. *Where we are* in the procedure may be moved by the technician (GO BACK,
CORRECTION, DISREGARD). *What the machine in front of us is like* (which source is isolated, what is off) only becomes
safer by a step completed now: whatever is gone back to or taken back has made nothing safe until it is done again.
Every move to a step is checked against it, and so is every reading, answer and "done" at a step.

A watch reads in rounds. Between them nothing is asked for, and talk in the room is not answered; ``due`` says when
the next round begins, and whoever runs the session sends ``Due`` then. What a watch or a figure says always follows
from the readings that stand: a correction has it worked out anew.

The meter that was chosen is used for what it measures; where another at hand is the only one that does, that one is.
A step that its meter may not do is entered and not read aloud: CHANGE METER opens it. What the leads read is taken off
as it stands on record, by the meter that showed it, so after a change of meter they are to be shorted again.

A correction or a DISREGARD may lead to a step that the machine's state forbids. Then we stay, the step that was taken
back is ``_owed``, and there is no finding before it is done again: a finding always follows from what stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import Enum, auto
from typing import Literal

from handsfree.judge import progress
from handsfree.judge.assess import Assessment, Means, Zero, assess, doubt_about, plausible
from handsfree.judge.figures import Known, Worked, formula, judge_figure, known_reading, say_figure, ten_digits
from handsfree.judge.meter import Meter, days_overdue, may_measure, measures
from handsfree.judge.several import together
from handsfree.judge.uncertain import JudgingError, Uncertain
from handsfree.judge.verdict import Judgement
from handsfree.judge.watch import Point
from handsfree.procedure.model import (
    Calculate,
    Caution,
    Choose,
    Conclude,
    Do,
    Measure,
    Observe,
    Procedure,
    Rating,
    Signal,
    SpokenStep,
    Step,
    Verdict,
    Watch,
    inputs,
)
from handsfree.procedure.proof import Energy
from handsfree.session.events import (
    Act,
    Close,
    Due,
    Ended,
    Event,
    Fault,
    Heard,
    Listen,
    Mark,
    Reception,
    Record,
    Say,
    SpeakRate,
    Started,
)
from handsfree.session.vigil import Moment, Vigil, as_kept
from handsfree.spoken.confusable import TWIN
from handsfree.spoken.grammar import after_correction, understand
from handsfree.spoken.meaning import Answer, Command, Kind, Open, Quantity, Reading, Refusal, Word
from handsfree.spoken.numbers import say_number
from handsfree.spoken.readback import say_reading, say_value
from handsfree.spoken.words import PHRASES, REASONS
from handsfree.spoken.written import spoken_words


class Phase(Enum):
    FRESH = auto()
    METER = auto()
    STEP = auto()
    DOUBT = auto()
    REASON = auto()
    LEAVING = auto()
    PAUSED = auto()
    CLOSED = auto()


@dataclass(frozen=True, slots=True)
class Policy:
    """How sure a hearing must be. Both are confidences from 0 to 1; typed input has none and is taken as it is.

    Below ``reject`` the technician is asked again; below ``doubt`` a reading is only taken after AFFIRM. Raises
    ValueError where they are not in this order.
    """

    reject: float = 0.3
    doubt: float = 0.5
    rival: float = 15.0

    def __post_init__(self) -> None:
        if not 0 <= self.reject <= self.doubt <= 1:
            raise ValueError("a policy needs 0 <= reject <= doubt <= 1")

    def likely(self, alternatives: Iterable[tuple[str, float]]) -> list[str]:
        """The sentences among a hearing's alternatives that come within ``rival`` nats of it."""
        return [text for text, score in alternatives if score >= -self.rival]

    def unlikely(self, alternatives: Iterable[tuple[str, float]]) -> list[str]:
        """The other alternatives: sentences that were compared with the sound and found far less likely."""
        return [text for text, score in alternatives if score < -self.rival]


@dataclass(frozen=True, slots=True)
class _Taken:
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


@dataclass(slots=True)
class _Machine:
    """What the machine in front of the technician is like, as far as completed steps tell."""

    energy: dict[str, Energy] = field(default_factory=dict)
    off: list[str] = field(default_factory=list)
    tested: dict[str, str | None] = field(default_factory=dict)  # voltage steps since isolating, and the meter used


@dataclass(frozen=True, slots=True)
class _Worked:
    """A figure as it was worked out last, and the spoken step that had been done before."""

    worked: Worked
    after: str


@dataclass(frozen=True, slots=True)
class _Query:
    """Why a reading is not taken at once: for the record, and the question."""

    reason: str
    question: str


_SLOWER = 0.85
_NO_METER = "no meter"  # no identifier, so no meter has it
_NONE_OF_THESE = ("none of these", "another one")
_TWO_METERS = (
    "the meter was changed while proving dead, so nothing is proved. Say go back to where your meter is proved, and "
    "use one meter throughout"
)
_MEASURE_AGAIN = "Measure again."
_BETTER_METER = "Take a better meter and say change meter, or say unable and the reason."


class Session:
    """One run of one procedure."""

    def __init__(self, procedure: Procedure, policy: Policy | None = None, meters: tuple[Meter, ...] = ()) -> None:
        self.procedure = procedure
        self._meters = {meter.meter: meter for meter in meters}
        self._chosen: Meter | None = None
        self._told: Meter | None = None  # the meter that was said last to be used
        self._overdue: set[str] = set()  # meters whose calibration was said to be overdue
        self._event: Event | None = None  # the one that is being handled
        self._policy = policy or Policy()
        self._phase = Phase.FRESH
        self._resume = Phase.STEP  # the phase that STAND BY interrupted
        self._asked_in = Phase.STEP  # the phase that END SESSION interrupted
        self._at = procedure.steps[0].id
        self._path: list[str] = []  # spoken steps entered, oldest first
        self._outcomes: dict[str, str | None] = {}
        self._worn: dict[str, str] = {}  # readings of shorted leads that were refused, by step, until one is taken
        self._machine = _Machine({name: Energy(source.at_start) for name, source in procedure.sources.items()})
        self._readings: list[_Taken] = []
        self._doubted: Reading | None = None
        self._doubted_correction: Reading | None = None
        self._last: tuple[str, str | None] | None = None  # the step left last and its reading's id, for DISREGARD
        self._owed: dict[str, str | None] = {}  # steps to be done again, with the outcome by which they were left
        self._step_said: list[Say] = []  # the step's cautions and instruction, which SAY AGAIN repeats
        self._question = Say("", "asked again")  # what SAY AGAIN repeats while a question stands
        self._why = ""  # the reason given last for asking again
        self._again = 0  # how often in a row the same question was not understood
        self._deviations = 0
        self._confidence: float | None = None
        self._reception: Reception | None = None
        self._acts: list[Act] = []
        self._now: Moment | None = None  # the time of the last event
        self._vigil: Vigil | None = None  # of the watch we are at
        self._ended: dict[str, Vigil] = {}  # watches that came to their end, by step
        self._worked: dict[str, _Worked] = {}  # figures, by step, in the order they were worked out
        self._heard_at: Moment | None = None  # when the reading in doubt was said

    # -- what is open --------------------------------------------------------------------------------------------------

    @property
    def closed(self) -> bool:
        return self._phase is Phase.CLOSED

    @property
    def finding(self) -> str | None:
        """What was concluded, None where nothing was."""
        step = self.procedure.step(self._at)
        return step.finding if self.closed and isinstance(step, Conclude) else None

    @property
    def standing(self) -> int:
        """How many readings stand on record."""
        return sum(taken.standing for taken in self._readings)

    @property
    def at(self) -> str:
        """The id of the step we are at."""
        return self._at

    @property
    def due(self) -> Moment | None:
        """When ``Due`` is to be sent, if nothing else happens before; None where nothing is waited for."""
        if self._vigil is None or self._vigil.series is not None or self._phase is not Phase.STEP:
            return None
        return self._vigil.due

    @property
    def open(self) -> Open:
        """What may be said now."""
        words = frozenset(word for (phase, word) in _WORDS if phase is self._phase)
        if self._phase is Phase.REASON:
            return Open(answers=REASONS, words=words)
        if self._phase is Phase.METER:
            return Open(answers=self._meter_answers(), words=words - {Word.DISREGARD} if not self._path else words)
        if self._phase not in (Phase.STEP, Phase.DOUBT):
            return Open(words=words)
        step = self.procedure.step(self._at)
        if self._last_reading() is None:
            words -= {Word.READ_BACK}
        wrong = self._to_correct()
        if wrong is None:
            words -= {Word.CORRECTION}
        correction = None if wrong is None or Word.CORRECTION not in words else self._asked(wrong).expectation
        if len(self._path) < 2:
            words -= {Word.GO_BACK}
        if self._last is None and not self._points():
            words -= {Word.DISREGARD}
        if not self._meters:
            words -= {Word.CHANGE_METER}
        if not isinstance(step, Do) and self._phase is Phase.STEP:
            words -= {Word.DONE, Word.AFFIRM, Word.NEGATIVE}
        if isinstance(step, Measure):
            return Open(reading=step.expectation, words=words, correction=correction)
        if isinstance(step, Watch) and self._vigil is not None and self._vigil.series is not None:
            expected = step.series[self._vigil.series].expectation
            return Open(reading=expected, words=words, correction=correction)
        if isinstance(step, Observe):
            return Open(answers=step.answers, words=words, correction=correction)
        return Open(words=words, correction=correction)

    def _measure(self, id: str) -> Measure:
        """The step of this id, of which it is known that it measures."""
        step = self.procedure.step(id)
        assert isinstance(step, Measure)
        return step

    def _watch(self, id: str) -> Watch:
        """The step of this id, of which it is known that it watches."""
        step = self.procedure.step(id)
        assert isinstance(step, Watch)
        return step

    def _asked(self, taken: _Taken) -> Measure:
        """What asked for a reading."""
        return self._measure(taken.step) if taken.series is None else self._watch(taken.step).asks(taken.series)

    def _asking(self) -> Measure:
        """What asks for a reading now."""
        if self._vigil is None or self._vigil.series is None:
            return self._measure(self._at)
        return self._watch(self._at).asks(self._vigil.series)

    def _measures_of(self, step: SpokenStep) -> tuple[Measure, ...]:
        """All that a step reads."""
        if isinstance(step, Watch):
            return tuple(step.asks(place) for place in range(len(step.series)))
        return (step,) if isinstance(step, Measure) else ()

    def _points(self, vigil: Vigil | None = None) -> list[_Taken]:
        """The standing readings of a watch, by default of the one under way, in the order of their times."""
        vigil = vigil or self._vigil
        if vigil is None:
            return []
        taken = [one for one in self._readings[vigil.first :] if one.standing and one.step == vigil.watch.id]
        return sorted(taken, key=lambda one: one.seconds)

    def _last_reading(self) -> _Taken | None:
        """The last standing reading on the way here: after GO BACK, what comes later is not what is spoken of."""
        return next((taken for taken in reversed(self._readings) if taken.standing and taken.step in self._path), None)

    def _to_correct(self) -> _Taken | None:
        """What CORRECTION speaks of: a reading that was withdrawn and could not be taken again, or else the last."""
        missing = self._owed.keys() - self._outcomes.keys()
        return next((taken for taken in reversed(self._readings) if taken.step in missing), self._last_reading())

    # -- events --------------------------------------------------------------------------------------------------------

    def handle(self, event: Event) -> list[Act]:
        """Takes one event and gives the acts that answer it, in order. The event itself is the first to be recorded.

        A session runs from Started to its closing entry, which is the last there is: an event before or after, or a
        second Started, gives no acts.
        """
        self._acts, self._event = [], event
        now = as_kept(event.time)
        if isinstance(event, Due) and (self.due is None or now < self.due):
            return self._acts
        if self.closed or isinstance(event, Started) is not (self._phase is Phase.FRESH):
            return self._acts
        self._now = now
        match event:
            case Started():
                self._record(Mark.OPENED, event.data)
                self._begin()
            case Heard():
                self._record(Mark.HEARD, _heard_data(event))
                self._hear(event)
            case Fault():
                self._record(Mark.FAULT, {"what": event.what})
                self._say(event.what, "status")
            case Due():
                self._record(Mark.DUE, {"step": self._at})
                self._begin_round()
            case Ended():
                self._record(Mark.ENDED, {"why": event.why})
                self._deviate("ended early", event.why)
                self._close("stopped")
        if not self.closed:
            self._acts.append(Listen(self.open))
        return self._acts

    def _begin(self) -> None:
        procedure = self.procedure
        for source, state in self._machine.energy.items():
            self._record_energy(source, state)
        self._say(f"{procedure.title}. {procedure.equipment}. Edition {procedure.edition}.", "status")
        self._say(procedure.local_rules, "status")
        if procedure.tools:
            self._say(f"You need: {', '.join(procedure.tools)}.", "status")
        if procedure.sources:
            names = ", ".join(source.name for source in procedure.sources.values())
            self._say(f"What can hurt here: {names}.", "status")
        if len(self._meters) > 1:
            self._ask_meter()
            return
        for meter in self._meters.values():
            self._chosen = meter
            self._use(meter)
        self._first_step()

    def _first_step(self) -> None:
        if not self._go(self._at):  # no proved procedure begins with a step that may not be begun
            self._close("stopped")

    # -- meters --------------------------------------------------------------------------------------------------------

    def _meter_answers(self) -> dict[str, tuple[str, ...]]:
        numbered = enumerate(self._meters.values(), 1)
        answers = {meter.meter: (f"meter {say_number(str(number))}", *meter.called) for number, meter in numbered}
        return answers | {_NO_METER: _NONE_OF_THESE}

    def _ask_meter(self) -> None:
        names = [
            f"{phrases[0]}, {_plate(self._meters[key])}"
            for key, phrases in self._meter_answers().items()
            if key in self._meters
        ]
        self._ask(Phase.METER, f"Which meter do you use? {'; '.join(map(_capital, names))}; or {_NONE_OF_THESE[0]}.")

    def _choose_meter(self, key: str) -> None:
        self._chosen = self._meters.get(key)
        if self._chosen is None:
            self._told = None
            self._record(Mark.METER, {"meter": None})
            self._say("A meter that is not known here. Its uncertainty is not considered.", "status")
        else:
            self._use(self._chosen)
        if not self._path:
            self._first_step()
            return
        self._phase = Phase.STEP
        self._use_for(self._here())
        self._step_said = self._words_of(self._here())
        self._say_again(Command(Word.SAY_AGAIN))

    def _use(self, meter: Meter) -> None:
        """Says and records which meter is used from now on."""
        assert self._event is not None
        overdue = days_overdue(meter, self._event.time.date())
        self._told = meter
        due = meter.calibration_due.isoformat()
        self._record(
            Mark.METER,
            {
                "meter": meter.meter,
                "name": meter.name,
                "serial": meter.serial,
                "calibration_due": due,
                "days_overdue": overdue,
            },
        )
        self._say(f"Meter: {_plate(meter)}.", "status")
        if overdue and meter.meter not in self._overdue:
            self._overdue.add(meter.meter)
            self._deviate("calibration overdue", f"{meter.name}, serial {meter.serial}, was due {due}")
            self._say(f"Its calibration is overdue by {_counted_words(overdue, 'day')}.", "status")

    def _use_for(self, step: SpokenStep) -> None:
        """Says which meter a step is for where it is not the one that was said last."""
        for asked in self._measures_of(step):
            meter = self._meter_for(asked)
            if meter is not None and meter is not self._told:
                self._use(meter)

    def _meter_for(self, step: Measure) -> Meter | None:
        """The meter of a step: the chosen one if it measures this, else the only one at hand that does."""
        if step.nameplate:
            return None
        if self._chosen is None or measures(self._chosen, step.quantity, step.waveform):
            return self._chosen
        others = [meter for meter in self._meters.values() if measures(meter, step.quantity, step.waveform)]
        return others[0] if len(others) == 1 else None

    def _unfit(self, step: SpokenStep) -> str | None:
        """Why the meter forbids this step; None where it does not."""
        return next(filter(None, map(self._unfit_for, self._measures_of(step))), None)

    def _unfit_for(self, step: Measure) -> str | None:
        if step.nameplate:
            return None
        meter = self._meter_for(step)
        others = [other for other in self._meters.values() if measures(other, step.quantity, step.waveform)]
        if meter is None and self._chosen is not None and others:
            return f"the {self._chosen.name} does not measure {step.quantity}. Say change meter"
        if meter is not None and step.needs_rating is not None and not may_measure(meter, step.needs_rating):
            return (
                f"this step needs a meter of {_rating(step.needs_rating)}, and the {meter.name} is not. "
                "Do not connect it. Say change meter, or unable and the reason"
            )
        zero = self._zero(step)
        if step.minus_leads is not None and zero is None:
            return "the leads were not measured. Say go back until the leads are to be shorted"
        if zero is not None and zero.meter is not meter:
            return "the leads were measured with another meter. Say go back until the leads are to be shorted"
        return None

    def _zero(self, step: Measure) -> Zero | None:
        """What the shorted leads read, where a step takes them off."""
        for taken in reversed(self._readings):
            if taken.standing and taken.step == step.minus_leads:
                return Zero(taken.id, taken.reading, taken.assessment.meter)
        return None

    def _means(self, step: Measure) -> Means:
        """By what a step is judged now."""
        return Means(*self.procedure.rule_of(step), self._meter_for(step), self._zero(step))

    def _means_of(self, taken: _Taken) -> Means:
        """By what a reading was judged, and is judged again when it is corrected: it is the same display."""
        assessment = taken.assessment
        return Means(*self.procedure.rule_of(self._asked(taken)), assessment.meter, assessment.zero)

    def _hear(self, event: Heard) -> None:
        self._confidence, self._reception = event.confidence, event.reception
        meaning = understand(event.text, self.open)
        unsure = event.confidence is not None and event.confidence < self._policy.doubt
        if self._phase is Phase.PAUSED and (isinstance(meaning, Refusal) or unsure):
            return  # talk in the room: it stands in the record, and nobody is interrupted
        harmless = isinstance(meaning, Command) and meaning.word in _HARMLESS
        if self.due is not None and (isinstance(meaning, Refusal) or (unsure and not harmless)):
            self._hear_between(event.text, unsure=unsure)
            return
        if isinstance(meaning, Refusal):
            self._ask_again(event.text, meaning.reason)
        elif event.confidence is not None and event.confidence < self._policy.reject:
            self._ask_again(event.text, "not heard clearly")
        elif isinstance(meaning, Reading):
            self._hear_reading(meaning, event, unsure=unsure)
        elif unsure and not harmless:
            # An answer or a command is short: saying it again costs less than confirming it.
            self._ask_again(event.text, "not heard clearly")
        elif isinstance(meaning, Answer):
            self._again = 0
            self._answer(meaning.key, event.text)
        elif meaning.reading is not None and not self._may_correct(event, meaning.reading):
            pass
        else:
            self._again = 0
            _WORDS[self._phase, meaning.word](self, meaning)

    # -- readings and answers ------------------------------------------------------------------------------------------

    def _hear_reading(self, reading: Reading, event: Heard, *, unsure: bool) -> None:
        step = self._asking()
        unfit = self._unfit(step)
        if unfit is not None:
            self._phase = Phase.STEP
            self._refuse(unfit)
            return
        means = self._means(step)
        if not self._may_be(reading, step, means):
            return
        self._again = 0
        self._heard_at = self._now
        doubted = self._doubted if self._phase is Phase.DOUBT else None
        query = self._query(event, reading, step, means, None if unsure else doubted)
        if query is not None:
            self._doubted = reading
            self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": event.text, "reason": query.reason})
            self._ask(Phase.DOUBT, query.question)
        elif unsure:
            # Heard unsurely a second time is no surer: who says it again may do so because it was wrong.
            self._doubted = reading
            self._ask(Phase.DOUBT, f"I heard {say_reading(reading)}. Affirm, or say it again.")
        else:
            self._take(reading)

    def _may_correct(self, event: Heard, reading: Reading) -> bool:
        """Whether a reading said after CORRECTION can be taken; asks again where it is to be confirmed."""
        old = self._to_correct()
        assert old is not None  # CORRECTION is not open otherwise
        step, means = self._asked(old), self._means_of(old)
        if not self._may_be(reading, step, means):
            return False
        query = self._query(event, reading, step, means, self._doubted_correction)
        self._doubted_correction = None if query is None else reading
        if query is not None:
            self._ask_again(event.text, f"{query.reason}. Say correction and the digits one by one")
        return query is None

    def _may_be(self, reading: Reading, step: Measure, means: Means) -> bool:
        """Whether a reading can be taken at a step at all; asks again, or refuses it, where it cannot."""
        if _is_broken_count(reading, step):
            self._ask_again(say_reading(reading), "a count is a whole number")
            return False
        try:
            assess(reading, step, means)
        except JudgingError as error:
            if step.lead_zero is not None:
                self._worn[step.id] = f"{step.reading}, {say_reading(reading)}, and none that can be taken off followed"
            if step.lead_zero is not None or step.minus_leads is not None:
                return self._refuse(str(error))
            self._ask_again(say_reading(reading), str(error))
            return False
        return True

    def _query(
        self, event: Heard, reading: Reading, step: Measure, means: Means, doubted: Reading | None
    ) -> _Query | None:
        """Why a reading is to be confirmed, None where it is not; ``doubted`` is what was confirmed by saying it again.

        What was typed was not misheard, but it may be wrong.
        """
        words = _reading_words(event.text)
        digits = say_reading(reading, by_digits=True)
        likely = [_reading_words(text) for text in self._policy.likely(event.alternatives)]
        unlikely = [_reading_words(text) for text in self._policy.unlikely(event.alternatives)]
        doubt = None
        followed = isinstance(self.procedure.step(step.id), Watch)  # one of a series is judged by those before it
        if event.confidence is not None and not followed:
            doubt = doubt_about(
                words, reading, step, means, likely, unlikely, lambda of: self._figures_with(of, step, means)
            )
        misheard = doubt is not None and doubt.asks
        if reading == doubted and not (misheard and any(word in TWIN for word in words)):
            return None  # said again, and not with the words that sound alike
        if doubt is not None and misheard:
            return _Query(doubt.reason, f"I heard {digits}. Affirm, or say the digits one by one.")
        if event.confidence is not None and followed:
            before = self._before(step)
            other = progress.likelier(words, reading, step, before, likely, unlikely)
            if other is not None:
                reason = f"may have been {say_reading(other.reading)} ({other.why})"
                return _Query(reason, f"I heard {digits}. Affirm, or say the digits one by one.")
        if not plausible(reading, step):
            why = f"outside the plausible range, {_say_plausible(step)}"
            return _Query(why, f"{_capital(say_reading(reading))}: say again or affirm.")
        shown = assess(reading, step, means).shown
        if means.meter is not None and shown is not None and shown.finer:
            reason = f"more digits than the {means.meter.name} shows"
            return _Query(reason, f"I heard {digits}: {reason}. Affirm, or say it again.")
        return None

    def _before(self, asked: Measure) -> Uncertain | None:
        """What a series read last, without the leads; None where it has no reading yet."""
        for taken in reversed(self._points()):
            if self._asked(taken).reading == asked.reading and taken.assessment.value is not None:
                return taken.assessment.value
        return None

    def _ask(self, phase: Phase, question: str) -> None:
        self._phase = phase
        self._question = Say(question, "asked again")
        self._speak(self._question)

    def _take(self, reading: Reading) -> None:
        step = self._here()
        self._phase = Phase.STEP
        if isinstance(step, Watch):
            self._take_point(step, reading)
        elif isinstance(step, Measure) and not self._barred(step):
            taken = self._write_reading(step, reading, self._means(step))
            self._complete(step, taken.outcome, taken.id)

    def _write_reading(self, step: Measure, reading: Reading, means: Means) -> _Taken:
        assessment = assess(reading, step, means)
        before = self._undecided(step, assessment.meter)
        taken = _Taken(f"r{len(self._readings) + 1}", step.id, assessment)
        self._readings.append(taken)
        self._record(Mark.READING, self._reading_data(taken, step) | assessment.data())
        self._note_implausible(taken, step)
        self._worn.pop(step.id, None)
        if step.quantity is Quantity.VOLTAGE:
            self._machine.tested[step.id] = assessment.meter.meter if assessment.meter else None
        self._say(_sentence(_judged(taken)), "reading")
        again = taken.outcome == Verdict.UNDECIDED and self.procedure.target(step.id, taken.outcome) == step.id
        if again and assessment.decision is not None:
            self._say(_BETTER_METER if before or assessment.too_coarse else _MEASURE_AGAIN, "reading")
        return taken

    def _note_implausible(self, taken: _Taken, step: Measure) -> None:
        """What was affirmed though the procedure calls it implausible departs from the procedure."""
        if not plausible(taken.reading, step):
            said = f"{step.reading}, {say_reading(taken.reading)}, plausible is {_say_plausible(step)}"
            self._deviate("outside the plausible range, affirmed", said)

    def _undecided(self, step: Measure, meter: Meter | None) -> int:
        """How often in a row a step was left undecided with a meter until now."""
        times = 0
        for taken in reversed(self._readings):
            if (taken.step, taken.assessment.meter) != (step.id, meter) or taken.outcome != Verdict.UNDECIDED:
                break
            times += taken.standing
        return times

    def _reading_data(self, taken: _Taken, step: Measure) -> dict[str, object]:
        reading = taken.reading
        limit = None if step.limit is None else step.limit.model_dump(mode="json", exclude_none=True)
        data: dict[str, object] = {
            "id": taken.id,
            "step": taken.step,
            "reading": step.reading,
            "kind": str(reading.kind),
            "value": reading.value,
            "unit": reading.unit,
            "waveform": reading.waveform,
            "words": say_reading(reading),
            "limit": None if limit is None else limit | {"unit": step.unit},
            "verdict": taken.outcome,
            "reason": taken.judgement.reason,
        }
        return data if plausible(reading, step) else data | {"implausible": _range_data(step)}

    # -- watching ------------------------------------------------------------------------------------------------------

    def _begin_watch(self, step: Watch) -> None:
        self._ended.pop(step.id, None)
        assert self._now is not None
        self._vigil = Vigil(step, self._now, len(self._readings))
        if progress.due(step, 0) == 0:
            self._begin_round()
        else:
            self._say_when()

    def _begin_round(self) -> None:
        assert self._vigil is not None
        self._vigil.series = 0
        self._say_when()

    def _say_when(self) -> None:
        """Asks for the reading that is due, or says which is next."""
        assert self._vigil is not None
        self._say(self._when(self._vigil), "instruction" if self._vigil.series is not None else "status")

    def _when(self, vigil: Vigil) -> str:
        step = vigil.watch
        if vigil.series is not None:
            return _sentence(f"{step.series[vigil.series].reading}, now")
        assert self._now is not None
        return f"Next reading in {_span(vigil.wait(self._now))}: {step.series[0].reading}."

    def _hear_between(self, text: str, *, unsure: bool) -> None:
        """Between two rounds a reading is told to wait, and talk in the room is let pass."""
        step = self._watch(self._at)
        early = any(isinstance(understand(text, Open(reading=series.expectation)), Reading) for series in step.series)
        if early and not unsure:
            self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": text, "reason": "the reading is not due yet"})
            self._say_when()

    def _take_point(self, step: Watch, reading: Reading) -> None:
        assert self._vigil is not None and self._vigil.series is not None  # noqa: PT018
        if self._barred(step):
            return
        before = self._points()
        assert self._heard_at is not None and self._now is not None  # noqa: PT018
        seconds = self._vigil.seconds(self._heard_at)
        if before and seconds <= before[-1].seconds:
            seconds = before[-1].seconds + 0.001  # a clock that was set back does not turn the order round
        if not self._write_point(step, self._vigil.series, reading, seconds, self._means(self._asking())):
            return
        if self._vigil.series + 1 < len(step.series):
            self._vigil.series += 1
            self._say_when()
        else:
            self._vigil.end_round(self._now)
            self._look(step)

    def _write_point(self, step: Watch, series: int, reading: Reading, seconds: float, means: Means) -> _Taken | None:
        """Puts a reading of a series on record; what is no value is asked for again, and None is given."""
        if reading.kind is not Kind.READING:
            self._ask_again(say_reading(reading), "only a value can be followed over time")
            return None
        number = f"r{len(self._readings) + 1}"
        asked = step.asks(series)
        # Each reading of a series has a last digit of its own, so each is named as itself.
        assessment = assess(reading, asked.model_copy(update={"id": f"{step.id} {number}"}), means)
        taken = _Taken(number, step.id, assessment, series=series, seconds=seconds)
        self._readings.append(taken)
        data = self._reading_data(taken, asked) | assessment.data()
        self._record(Mark.READING, data | {"series": asked.reading, "seconds": round(seconds, 3)})
        self._note_implausible(taken, asked)
        self._say(_sentence(f"{asked.reading}: {say_reading(reading)}"), "reading")
        return taken

    def _progress(self, step: Watch, vigil: Vigil) -> progress.Progress:
        points = self._points(vigil)
        series = [
            [
                Point(taken.seconds, taken.assessment.value)
                for taken in points
                if taken.series == place and taken.assessment.value is not None
            ]
            for place in range(len(step.series))
        ]
        return progress.progress(step, series, vigil.rounds, self.procedure.decision_rule, self.procedure.guard_ratio)

    def _look(self, step: Watch) -> None:
        """After a round: what the series say so far, and either the end of the watch or the next time."""
        assert self._vigil is not None
        found = self._progress(step, self._vigil)
        for course in found.courses:
            news, revised = progress.news(course, self._vigil.courses.get(course.reading))
            self._vigil.courses[course.reading] = course
            if news and self._vigil.told.get(course.reading) != news:
                self._vigil.told[course.reading] = news
                self._say(_sentence(f"{course.reading}{', revised:' if revised else ''} {news}"), "reading")
        if found.order is not None and found.order.verdict is not None and found.over:
            self._say(_sentence(f"{found.order.reason}: {found.order.verdict}"), "reading")
        if not found.over:
            self._say_when()
            return
        self._record(Mark.WATCHED, {"step": step.id, **progress.data(found), "verdict": _verdict(found.verdict)})
        last = self._points()[-1].id
        self._ended[step.id], self._vigil = self._vigil, None
        self._complete(step, _verdict(found.verdict), last)

    def _take_point_back(self, step: Watch, why: str) -> None:
        """The last reading of the watch under way does not stand; it is asked for again at once."""
        assert self._vigil is not None
        taken = self._points()[-1]
        self._withdraw(taken, None, why)
        self._say_withdrawn(taken)
        if self._vigil.series is None:
            self._vigil.rounds -= 1
        self._vigil.series = taken.series
        if not self._barred(step):
            self._say_when()

    # -- figures from earlier readings ---------------------------------------------------------------------------------

    def _reading_of(self, id: str) -> _Taken | None:
        return next((taken for taken in reversed(self._readings) if taken.standing and taken.step == id), None)

    def _work_out(self, step: Calculate, after: str) -> str | None:
        """Works a figure out from what stands now, says and records it, and gives its outcome.

        ``after`` is the spoken step that was done before it.
        """
        known: dict[str, Known] = {}
        used: list[dict[str, object]] = []
        try:
            for name in inputs(step.calculate):
                known[name] = self._known(name, used)
        except JudgingError as error:
            verdict = None if step.limit is None else Verdict.UNDECIDED
            worked = Worked(None, verdict, "", str(error))
        else:
            worked = judge_figure(step, known, self.procedure.decision_rule, self.procedure.guard_ratio)
        self._worked.pop(step.id, None)
        self._worked[step.id] = _Worked(worked, after)
        found, outcome = worked.known, _verdict(worked.verdict)
        said = say_figure(step, worked)
        unit = step.unit if found is None else found.unit
        limit = None if step.limit is None else step.limit.model_dump(mode="json", exclude_none=True)
        self._record(
            Mark.CALCULATED,
            {
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
                "verdict": outcome,
                "reason": worked.reason,
                "conformity": None if worked.conformity is None else f"{worked.conformity:.3g}",
            },
        )
        if found is None:
            again = self.procedure.target(step.id, outcome)
            self._say(
                _sentence(f"{step.figure} cannot be worked out: {worked.reason}"), "asked again" if again else "status"
            )
        else:
            tail = f", {worked.limit}: {outcome}" if outcome else ""
            tail += f"; {worked.reason}" if worked.reason else ""
            self._say(_sentence(f"{step.figure}: {said}{tail}"), "reading")
        return outcome

    def _known(self, id: str, used: list[dict[str, object]]) -> Known:
        """A reading or figure to work with, noted in ``used``. Raises JudgingError where there is none."""
        step = self.procedure.step(id)
        if isinstance(step, Calculate):
            worked = self._worked.get(id)
            if worked is None or worked.worked.known is None:
                raise JudgingError(f"{step.figure} is not known: go back, and measure what it is worked out from")
            known = worked.worked.known
            used.append(
                {
                    "step": id,
                    "reading": step.figure,
                    "id": None,
                    "value": ten_digits(known.value.value),
                    "unit": known.unit,
                }
            )
            return known
        taken = self._reading_of(id)
        if taken is None:
            raise JudgingError(f"there is no reading of {self._named(id)}: go back, and measure it")
        unit = self._measure(id).unit
        known = known_reading(taken.reading, taken.assessment.value, unit)
        leads = taken.assessment.leads is not None
        used.append(
            {
                "step": id,
                "reading": self._named(id),
                "id": taken.id,
                "value": ten_digits(known.value.value) if leads else taken.reading.value,
                "unit": unit if leads else taken.reading.unit,
            }
        )
        return known

    def _figures_with(self, reading: Reading, step: Measure, means: Means) -> Verdict | None:
        """The verdict on the figures that a reading would complete; None where it completes none."""
        verdicts = []
        for figure in self.procedure.steps:
            if not isinstance(figure, Calculate) or figure.limit is None or step.id not in inputs(figure.calculate):
                continue
            try:
                known = {name: self._known(name, []) for name in inputs(figure.calculate) if name != step.id}
                known[step.id] = known_reading(reading, assess(reading, step, means).value, step.unit)
            except JudgingError:
                continue
            rule, ratio = self.procedure.decision_rule, self.procedure.guard_ratio
            verdict = judge_figure(figure, known, rule, ratio).verdict
            verdicts += [] if verdict is None else [verdict]
        return together(verdicts) if verdicts else None

    def _named(self, id: str) -> str:
        step = self.procedure.step(id)
        return step.figure if isinstance(step, Calculate) else self._measure(id).reading

    def _work_out_again(self, changed: str) -> bool:
        """After a correction: figures made from that reading are worked out anew; True where one leads elsewhere."""
        path = list(self._path)
        for name, before in list(self._worked.items()):
            step = self.procedure.step(name)
            assert isinstance(step, Calculate)
            if changed not in self.procedure.readings_of(step) or before.after not in path:
                continue
            outcome = self._work_out(step, before.after)
            if outcome != self._outcomes.get(name):
                left_by = self._outcomes.get(before.after)
                self._outcomes[name] = outcome
                self._lead(before.after, left_by, self.procedure.target(name, outcome))
                return True
        return False

    # -- answers -------------------------------------------------------------------------------------------------------

    def _answer(self, key: str, text: str) -> None:
        if self._phase is Phase.REASON:
            self._unable_because(key)
            return
        if self._phase is Phase.METER:
            self._choose_meter(key)
            return
        step = self.procedure.step(self._at)
        assert isinstance(step, Observe)
        if self._barred(step):
            return
        self._record(Mark.ANSWERED, {"step": step.id, "answer": key, "text": text})
        self._say(_sentence(_spaced(key)), "answer")
        self._complete(step, key)

    # -- completing and entering steps ---------------------------------------------------------------------------------

    def _complete(self, step: SpokenStep, outcome: str | None, reading: str | None = None) -> None:
        """The step is done: its effects happen, and we go where it leads."""
        self._last = (step.id, reading)
        self._outcomes[step.id] = outcome
        if not isinstance(step, Measure | Watch) or outcome in (None, Verdict.CONFORMING):
            self._apply(step)
        else:
            self._disprove(step, outcome)
        self._go(self.procedure.target(step.id, outcome))

    def _apply(self, step: SpokenStep) -> None:
        for source in step.isolates:
            if self._machine.energy[source] is Energy.LIVE:
                self._energy(source, Energy.ISOLATED)
                self._machine.tested.clear()
        # A meter that is proved on a live source before and after proves nothing of another one in between.
        one_meter = len(set(self._machine.tested.values())) <= 1
        for source in step.proves_dead:
            # Dead and not isolated is a supply that happens to be off: it can come back.
            if self._machine.energy[source] is Energy.ISOLATED and one_meter:
                self._energy(source, Energy.PROVED_DEAD)
        if step.proves_dead and not one_meter:
            self._refuse(_TWO_METERS)
        elif step.proves_dead:
            self._machine.tested.clear()
        for source in step.energises:
            self._energy(source, Energy.LIVE)
        for item in step.takes_off:
            if item not in self._machine.off:
                self._machine.off.append(item)
                self._record(Mark.TAKEN_OFF, {"step": step.id, "item": item})
        for item in step.puts_back:
            if item in self._machine.off:
                self._machine.off.remove(item)
                self._record(Mark.PUT_BACK, {"step": step.id, "item": item})

    def _disprove(self, step: SpokenStep, outcome: str | None) -> None:
        """Measured and not dead: whatever was believed before holds no longer."""
        for source in step.proves_dead:
            if outcome == Verdict.NONCONFORMING:
                self._energy(source, Energy.LIVE)
            elif self._machine.energy[source] is Energy.PROVED_DEAD:
                self._energy(source, Energy.ISOLATED)

    def _take_back(self, step: SpokenStep) -> None:
        """What the step made safe is not until it is done again; what it took off or energised stays so."""
        self._disprove(step, None)
        for source in step.isolates:
            self._energy(source, Energy.LIVE)
        for item in step.puts_back:
            if item not in self._machine.off:
                self._machine.off.append(item)
                self._record(Mark.TAKEN_OFF, {"step": step.id, "item": item})

    def _energy(self, source: str, state: Energy) -> None:
        if self._machine.energy[source] is not state:
            self._machine.energy[source] = state
            self._record_energy(source, state)

    def _record_energy(self, source: str, state: Energy) -> None:
        name = self.procedure.sources[source].name
        self._record(Mark.ENERGY, {"source": source, "name": name, "state": state.value})

    def _go(self, id: str | None) -> bool:
        """Enters a step, or refuses to and stays."""
        if id is None:
            return self._refuse("the procedure does not say what follows. Say go back, or end session")
        step = self.procedure.step(id)
        passed: set[str] = set()
        while isinstance(step, Choose | Calculate):
            if step.id in passed:
                return self._refuse("the procedure goes round in a circle here. Say go back, or end session")
            passed.add(step.id)
            self._record(Mark.ENTERED, {"step": step.id, "kind": step.kind, "text": ""})
            if isinstance(step, Choose):
                asked, outcome = step.by, self._outcomes.get(step.by)
            else:
                asked = step.id
                outcome = self._outcomes[step.id] = self._work_out(step, self._path[-1])
            target = self.procedure.target(step.id, outcome)
            if target is None:
                return self._refuse(f"{_spaced(asked)} does not say what follows. Say go back, or end session")
            step = self.procedure.step(target)
        if isinstance(step, Conclude):
            if self._owed:
                missing = ", ".join(_spaced(owed) for owed in self._owed)
                return self._refuse(f"no finding before this is done again: {missing}. Say go back, or end session")
            self._conclude(step)
            return True
        reason = self._blocked(step)
        if reason is not None:
            return self._refuse(reason)
        self._at = step.id
        self._phase = Phase.STEP
        self._again = 0
        self._owed.pop(step.id, None)
        if not self._path or self._path[-1] != step.id:
            self._path.append(step.id)
        self._record(Mark.ENTERED, {"step": step.id, "kind": step.kind, "text": step.say})
        self._doubted_correction = None
        self._vigil = None
        self._use_for(step)
        self._step_said = self._words_of(step)
        unfit = self._unfit(step)
        if unfit is not None:
            self._refuse(unfit)
            return True
        for said in self._step_said:
            self._speak(said)
        if isinstance(step, Watch):
            self._begin_watch(step)
        return True

    def _lead(self, taken_back: str, left_by: str | None, target: str | None) -> None:
        """Goes where a step leads that was taken back, and forgets the way that was gone from it.

        ``left_by`` is the outcome by which it was left.
        """
        path = list(self._path)
        del self._path[len(path) - path[::-1].index(taken_back) :]
        self._last = None
        if self._go(target):
            return
        self._path = path
        self._owed.setdefault(taken_back, left_by)
        self._say(f"There is no finding before this is done again: {_spaced(taken_back)}.", "refused")
        self._barred(self._here())

    def _here(self) -> SpokenStep:
        step = self.procedure.step(self._at)
        assert isinstance(step, SpokenStep)
        return step

    def _barred(self, step: SpokenStep) -> bool:
        """Refuses to go on with the step we are at where the machine's state does not allow it any more."""
        reason = self._blocked(step) or self._unfit(step)
        if reason is not None:
            self._refuse(reason)
        return reason is not None

    def _blocked(self, step: SpokenStep) -> str | None:
        """Why the machine's state forbids this step; None where it does not."""
        energy, sources = self._machine.energy, self.procedure.sources
        if step.hands_inside:
            for source, state in energy.items():
                if state is not Energy.PROVED_DEAD:
                    known = "live" if state is Energy.LIVE else "isolated, but not proved dead"
                    return f"hands stay out: {sources[source].name} is {known}"
        for source in step.needs_isolated:
            if energy[source] is Energy.LIVE:
                return f"isolate first: {sources[source].name} is live"
        for source in step.needs_live:
            if energy[source] is not Energy.LIVE:
                return f"this step needs power: {sources[source].name} is {energy[source].value}"
        if step.takes_off:
            for key, supply in sources.items():
                if supply.kind == "electrical" and energy[key] is Energy.LIVE:
                    return f"nothing comes off: {supply.name} is live"
        left = [item for item in self._machine.off if item not in step.puts_back]
        if step.energises and left:
            return f"put back first: {', '.join(left)}"
        return None

    def _words_of(self, step: SpokenStep) -> list[Say]:
        gravest_first = sorted(step.cautions, key=lambda caution: list(Signal).index(caution.signal))
        said = [Say(_warning(caution), "caution") for caution in gravest_first]
        if isinstance(step, Measure) and step.needs_rating is not None and self._meter_for(step) is None:
            said.append(Say(f"Use a meter of {_rating(step.needs_rating)}.", "instruction"))
        return [*said, Say(step.say, "instruction")]

    def _conclude(self, step: Conclude) -> None:
        self._record(Mark.ENTERED, {"step": step.id, "kind": step.kind, "text": step.finding})
        self._at = step.id
        for caution in step.cautions:
            self._say(_warning(caution), "caution")
        self._record(
            Mark.CONCLUDED,
            {
                "step": step.id,
                "finding": step.finding,
                "condition": step.condition,
                "part": step.part,
                "action": step.action,
            },
        )
        self._say(f"Finding: {step.finding}", "finding")
        self._say(f"Action: {step.action}", "finding")
        self._close("concluded")

    def _close(self, outcome: str) -> None:
        standing = self.standing
        off, live = self._machine.off, self._live()
        if off:
            self._deviate("left off", ", ".join(off))
            self._say(f"Still off: {', '.join(off)}.", "status")
        for refused in self._worn.values():
            self._deviate("leads refused", refused)
        if outcome == "stopped" and live:
            self._say(f"Still live: {', '.join(live)}.", "status")
        deviations = "no deviations" if not self._deviations else _counted(self._deviations, "deviation")
        self._say(f"Session closed. {_counted(standing, 'reading')}, {deviations}.", "status")
        self._record(
            Mark.CLOSED, {"outcome": outcome, "readings": standing, "deviations": self._deviations, "off": list(off)}
        )
        self._phase = Phase.CLOSED
        self._acts.append(Close(outcome))

    def _live(self) -> list[str]:
        energy = self._machine.energy
        return [source.name for key, source in self.procedure.sources.items() if energy[key] is Energy.LIVE]

    # -- procedure words -----------------------------------------------------------------------------------------------

    def _done(self, command: Command) -> None:
        step = self._here()
        if not self._barred(step):
            self._record(Mark.DONE, {"step": step.id})
            self._complete(step, None)

    def _not_done(self, command: Command) -> None:
        self._say(f"Waiting. Say {PHRASES[Word.DONE][0]} when it is, or unable and the reason.", "status")

    def _affirm_doubted(self, command: Command) -> None:
        assert self._doubted is not None
        self._take(self._doubted)

    def _deny_doubted(self, command: Command) -> None:
        self._phase = Phase.STEP
        self._say("Say the reading again.", "asked again")

    def _say_again(self, command: Command) -> None:
        if self._phase is not Phase.STEP:
            self._speak(self._question)
        elif not self._barred(self._here()):
            for said in self._step_said:
                self._speak(said)
            here = self._here()
            if isinstance(here, Watch) and self._vigil is None:
                self._begin_watch(here)
            elif self._vigil is not None:
                for reading, news in self._vigil.told.items():
                    self._say(_sentence(f"{reading} {news}"), "status")
                self._say_when()

    def _read_back(self, command: Command) -> None:
        taken = self._last_reading()
        if taken is None:
            self._say("No reading yet.", "status")
            return
        self._say(_sentence(f"{self._asked(taken).reading}: {_judged(taken)}"), "reading")

    def _stand_by(self, command: Command) -> None:
        self._resume, self._phase = self._phase, Phase.PAUSED
        self._record(Mark.PAUSED, {"step": self._at})
        self._say("Standing by.", "status")

    def _go_ahead(self, command: Command) -> None:
        self._phase = self._resume
        self._record(Mark.RESUMED, {"step": self._at})
        self._say_again(command)

    def _correct(self, command: Command) -> None:
        old = self._to_correct()
        assert old is not None  # CORRECTION is not open otherwise
        if old.series is not None:
            self._correct_point(old, command)
            return
        step = self._measure(old.step)
        left = self._left_step()
        if command.reading is None and isinstance(left, Observe):
            self._disregard(command)  # what was wrong is the answer just given, not a reading before it
            return
        if command.reading is None:
            self._withdraw(old, None, "correction")
            self._say_withdrawn(old)
            if old.outcome == Verdict.CONFORMING:
                self._take_back(step)
            self._lead(step.id, self._owed.get(step.id, old.outcome), step.id)
            if step.id in self._owed:
                self._say("Say correction and the right reading.", "asked again")
            return
        self._say(f"Correction, {step.reading}:", "reading")
        new = self._write_reading(step, command.reading, self._means_of(old))
        self._withdraw(old, new.id, "correction")
        if self._at == step.id:  # its reading is awaited, and this is it
            if not self._barred(step):
                self._complete(step, new.outcome, new.id)
            return
        self._outcomes[step.id] = new.outcome
        left_by = self._owed.pop(step.id, old.outcome)
        if new.outcome != old.outcome:
            if old.outcome == Verdict.CONFORMING:
                self._take_back(step)
            self._disprove(step, new.outcome)
        if new.outcome != left_by:
            self._lead(step.id, left_by, self.procedure.target(step.id, new.outcome))
            return
        if self._work_out_again(step.id):
            return
        if self._last == (step.id, old.id):
            self._last = (step.id, new.id)
        self._repeat()

    def _left_step(self) -> Step | None:
        return self.procedure.step(self._last[0]) if self._last is not None else None

    def _correct_point(self, old: _Taken, command: Command) -> None:
        """A reading of a series: another at its time, or it is asked for again."""
        step = self._watch(old.step)
        assert old.series is not None
        under_way = any(taken.id == old.id for taken in self._points())
        left_by = self._owed.get(step.id, self._outcomes.get(step.id))
        if command.reading is None:
            if under_way:
                self._take_point_back(step, "correction")
            elif isinstance(self._left_step(), Observe):
                self._disregard(command)
            else:
                self._withdraw(old, None, "correction")
                self._say_withdrawn(old)
                if left_by == Verdict.CONFORMING:
                    self._take_back(step)
                self._lead(step.id, left_by, step.id)
            return
        new = self._write_point(step, old.series, command.reading, old.seconds, self._means_of(old))
        if new is None:
            return
        self._withdraw(old, new.id, "correction")
        vigil = self._ended.get(step.id)
        if under_way and self._vigil is not None and self._vigil.series is None:
            self._look(step)
        elif under_way:
            self._say_when()
        elif vigil is None or left_by is None:  # left before its end, or not judged
            self._repeat()
        else:
            self._judge_again(step, vigil, left_by)

    def _judge_again(self, step: Watch, vigil: Vigil, left_by: str) -> None:
        """After a correction: the verdict on a watch that has ended, which may lead elsewhere."""
        found = self._progress(step, vigil)
        outcome = str(found.verdict or Verdict.UNDECIDED)
        self._record(Mark.WATCHED, {"step": step.id, **progress.data(found), "verdict": outcome})
        self._outcomes[step.id] = outcome
        self._owed.pop(step.id, None)
        if outcome == left_by:
            self._repeat()
            return
        if left_by == Verdict.CONFORMING:
            self._take_back(step)
        self._disprove(step, outcome)
        self._say(_sentence(f"{found.reason}: {outcome}"), "reading")
        self._lead(step.id, left_by, self.procedure.target(step.id, outcome))

    def _repeat(self) -> None:
        """The instruction of the step we are at, after something that did not move us."""
        if not self._barred(self._here()):
            self._speak(self._step_said[-1])

    def _say_withdrawn(self, taken: _Taken) -> None:
        name = self._asked(taken).reading
        self._say(f"Corrected: {name}, {say_reading(taken.reading)}, does not stand.", "reading")

    def _withdraw(self, taken: _Taken, by: str | None, why: str) -> None:
        """The reading stays on record and no longer stands."""
        self._outcomes.pop(taken.step, None)
        if taken.standing:
            self._readings[self._readings.index(taken)] = replace(taken, standing=False)
            self._record(Mark.CORRECTED, {"reading": taken.id, "by": by, "why": why})

    def _disregard(self, command: Command) -> None:
        """Takes the last step back, which may have been completed or left by UNABLE."""
        here = self._here()
        if isinstance(here, Watch) and self._points():
            self._take_point_back(here, "disregard")
            return
        assert self._last is not None  # DISREGARD is not open otherwise
        left, reading = self._last
        step = self.procedure.step(left)
        assert isinstance(step, SpokenStep)
        left_by = self._outcomes.pop(left, None)
        for taken in self._readings:
            if taken.id == reading:
                self._withdraw(taken, None, "disregard")
        self._take_back(step)
        self._say("Disregarded.", "status")
        self._lead(left, left_by, left)

    def _unable(self, command: Command) -> None:
        if command.reason is None:
            self._ask(Phase.REASON, f"Say the reason: {', '.join(REASONS)}; or disregard.")
        else:
            self._unable_because(command.reason)

    def _unable_because(self, reason: str) -> None:
        step = self._here()
        self._phase = Phase.STEP
        self._deviate("unable", reason)
        self._say(f"Unable, {reason}. Recorded.", "answer")
        target = self._way_round(step)
        if target is None:
            self._refuse("the procedure has no way round this step. Say go back, or end session")
            return
        self._last = (step.id, None)
        self._outcomes.pop(step.id, None)
        self._go(target)

    def _way_round(self, step: SpokenStep) -> str | None:
        if step.unable is not None:
            return step.unable
        effects = (step.isolates, step.proves_dead, step.energises, step.takes_off, step.puts_back)
        if isinstance(step, Do) and not any(effects):
            return self.procedure.target(step.id)
        return None

    def _go_back(self, command: Command) -> None:
        *before, back, here = self._path
        self._path = [*before, back]
        if not self._go(back):
            self._path.append(here)
            return
        self._last = None
        self._take_back(self._here())
        if self._unfit(self._here()) is None:  # that was said on entering
            self._barred(self._here())

    def _how_far(self, command: Command) -> None:
        spoken = [step.id for step in self.procedure.steps if isinstance(step, SpokenStep)]
        parts = [f"Step {spoken.index(self._at) + 1} of {len(spoken)}", _counted(self.standing, "reading")]
        parts += [f"{source.name} {self._machine.energy[key].value}" for key, source in self.procedure.sources.items()]
        if self._machine.off:
            parts.append(f"off: {', '.join(self._machine.off)}")
        if self._vigil is not None:
            parts.append(self._when(self._vigil).removesuffix("."))
        self._say(". ".join(parts) + ".", "status")

    def _roger(self, command: Command) -> None:
        # Never a yes: Annex 10 Vol. II forbids it where a direct answer is asked for.
        self._say(self._hint(), "status")

    def _slower(self, command: Command) -> None:
        self._acts.append(SpeakRate(_SLOWER))
        self._say_again(command)

    def _faster(self, command: Command) -> None:
        self._acts.append(SpeakRate(1 / _SLOWER))
        self._say_again(command)

    def _how_do_you_read(self, command: Command) -> None:
        received = self._reception
        advice = [received.advice] if received is not None and received.advice else []
        self._say(" ".join([how_read(self._confidence, received), *advice]), "status")

    def _change_meter(self, command: Command) -> None:
        self._ask_meter()

    def _leave(self, command: Command) -> None:
        self._asked_in = self._phase
        self._ask(Phase.LEAVING, "End the session here? Affirm or negative.")

    def _left(self, command: Command) -> None:
        self._deviate("ended early", "the technician ended the session")
        self._close("stopped")

    def _stay(self, command: Command) -> None:
        if self._phase is Phase.LEAVING and self._asked_in is Phase.METER:
            self._ask_meter()
            return
        self._phase = Phase.STEP
        self._say_again(command)

    # -- saying and recording ------------------------------------------------------------------------------------------

    def _say(self, text: str, about: str) -> None:
        self._speak(Say(text, about))

    def _speak(self, said: Say) -> None:
        self._record(Mark.SAID, {"text": said.text, "about": said.about, "step": self._at})
        self._acts.append(said)

    def _ask_again(self, text: str, reason: str) -> None:
        self._again += 1
        self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": text, "reason": reason})
        if self._again == 1 or reason != self._why:
            self._why = reason
            self._say(f"Say again. {_sentence(reason)}", "asked again")
        else:
            self._say(f"Say again. {self._hint()}", "asked again")

    def _hint(self) -> str:
        step = self.procedure.step(self._at)
        if self._phase is Phase.METER:
            return f"Say {' or '.join(phrases[0] for phrases in self._meter_answers().values())}."
        if self._phase is Phase.REASON:
            return f"The reasons are: {', '.join(REASONS)}."
        if self._phase in (Phase.DOUBT, Phase.LEAVING):
            return "Affirm or negative."
        if self._vigil is not None and self._vigil.series is None:
            return self._when(self._vigil)
        if isinstance(step, Measure | Watch):
            return "Say the digits one by one, then the unit."
        if isinstance(step, Observe):
            return f"Say {' or '.join(phrases[0] for phrases in step.answers.values())}."
        return "Say done, or unable and the reason."

    def _refuse(self, reason: str) -> Literal[False]:
        self._record(Mark.REFUSED, {"step": self._at, "reason": reason})
        self._say(_sentence(f"not possible: {reason}"), "refused")
        return False

    def _deviate(self, what: str, reason: str) -> None:
        self._deviations += 1
        self._record(Mark.DEVIATION, {"step": self._at, "what": what, "reason": reason})

    def _record(self, mark: Mark, data: Mapping[str, object]) -> None:
        self._acts.append(Record(mark, data))


_HARMLESS = frozenset({Word.SAY_AGAIN, Word.READ_BACK, Word.HOW_FAR, Word.HOW_DO_YOU_READ, Word.ROGER, Word.STAND_BY})


def _words() -> dict[tuple[Phase, Word], Callable[[Session, Command], None]]:
    """The table of transitions by procedure word."""
    status: dict[Word, Callable[[Session, Command], None]] = {
        Word.SAY_AGAIN: Session._say_again,
        Word.READ_BACK: Session._read_back,
        Word.STAND_BY: Session._stand_by,
        Word.SPEAK_SLOWER: Session._slower,
        Word.SPEAK_FASTER: Session._faster,
        Word.HOW_DO_YOU_READ: Session._how_do_you_read,
        Word.HOW_FAR: Session._how_far,
        Word.ROGER: Session._roger,
    }
    moves: dict[Word, Callable[[Session, Command], None]] = {
        Word.UNABLE: Session._unable,
        Word.GO_BACK: Session._go_back,
        Word.CORRECTION: Session._correct,
        Word.DISREGARD: Session._disregard,
        Word.END_SESSION: Session._leave,
        Word.CHANGE_METER: Session._change_meter,
    }
    table: dict[Phase, dict[Word, Callable[[Session, Command], None]]] = {
        Phase.STEP: {
            **status,
            **moves,
            Word.DONE: Session._done,
            Word.AFFIRM: Session._roger,  # answers questions only: a second "affirm" must not complete the next step
            Word.NEGATIVE: Session._not_done,
        },
        Phase.METER: {**status, Word.DISREGARD: Session._stay, Word.END_SESSION: Session._leave},
        Phase.DOUBT: {
            **status,
            Word.AFFIRM: Session._affirm_doubted,
            Word.NEGATIVE: Session._deny_doubted,
            Word.DISREGARD: Session._deny_doubted,
        },
        Phase.REASON: {**status, Word.UNABLE: Session._unable, Word.DISREGARD: Session._stay},
        Phase.LEAVING: {
            **status,
            Word.AFFIRM: Session._left,
            Word.NEGATIVE: Session._stay,
            Word.DISREGARD: Session._stay,
        },
        Phase.PAUSED: {Word.GO_AHEAD: Session._go_ahead},
    }
    return {(phase, word): act for phase, row in table.items() for word, act in row.items()}


_WORDS = _words()


def how_read(confidence: float | None, reception: Reception | None) -> str:
    """The answer to HOW DO YOU READ: a grade, what it means, and the figure that it mostly comes from.

    The grade is the lesser of what the recogniser's confidence and the sound itself are worth, on the scale of ICAO
    Annex 10 Vol. II, 5.2.1.8.4: 1 unreadable to 5 perfectly readable.
    """
    grades = [] if confidence is None else [1 + min(4, int(confidence * 5))]
    if reception is not None and reception.readability is not None:
        grades.append(reception.readability)
    if not grades:
        return "I read you in writing."
    grade = min(grades)
    said = f"I read you {say_number(str(grade))}, {_READABILITY[grade - 1]}"
    if reception is not None and reception.snr is not None:
        above = round(reception.snr)
        said += f": speech {say_number(str(abs(above)))} decibels {'above' if above >= 0 else 'below'} the noise"
    return f"{said}."


_READABILITY = (
    "unreadable",
    "readable now and then",
    "readable with difficulty",
    "readable",
    "perfectly readable",
)


def _heard_data(event: Heard) -> dict[str, object]:
    data: dict[str, object] = {
        "text": event.text,
        "confidence": event.confidence,
        "engine": event.engine,
        "alternatives": [{"text": text, "score": score} for text, score in event.alternatives],
        "clip": event.clip,
        "clip_sha256": event.clip_sha256,
        "offset": event.offset,
        "seconds": event.seconds,
    }
    if event.reception is not None:  # left out, so that records from before it was measured replay as they are
        data["reception"] = asdict(event.reception)
    return data


def _verdict(verdict: Verdict | None) -> str | None:
    return None if verdict is None else str(verdict)


def _span(seconds: int) -> str:
    """A time to wait, to the second: "one minute forty seconds"."""
    parts = [(seconds // 60, "minute"), (seconds % 60, "second")]
    words = [f"{say_number(str(count))} {name}" + ("" if count == 1 else "s") for count, name in parts if count]
    return " ".join(words)


def _is_broken_count(reading: Reading, step: Measure) -> bool:
    return step.quantity is Quantity.COUNT and reading.value is not None and not reading.value.isdecimal()


def _say_plausible(step: Measure) -> str:
    assert step.plausible is not None
    low, high = (format(end, "f") for end in step.plausible)
    return f"between {say_number(low)} and {say_value(high, step.unit)}"


def _range_data(step: Measure) -> dict[str, object]:
    assert step.plausible is not None
    return {"between": [format(end, "f") for end in step.plausible], "unit": step.unit}


def _spaced(id: str) -> str:
    return id.replace("-", " ")


def _judged(taken: _Taken) -> str:
    """ "five point two ohms, at most seven: conforming" """
    words = taken.assessment.words()
    if taken.judgement.verdict is None:
        return words
    tail = f"; {taken.assessment.doubt()}" if taken.judgement.verdict is Verdict.UNDECIDED else ""
    return f"{words}, {taken.judgement.limit}: {taken.judgement.verdict}{tail}"


def _warning(caution: Caution) -> str:
    return f"{caution.signal.value.capitalize()}! {caution.text}"


def _plate(meter: Meter) -> str:
    """What is said to tell a meter from its like."""
    return f"{meter.name}, serial {' '.join(meter.serial)}"


def _rating(rating: Rating) -> str:
    category = {"II": "two", "III": "three", "IV": "four"}[rating.category]
    return f"category {category}, {say_value(format(rating.volts, 'f'), 'volt')}"


def _reading_words(text: str) -> list[str]:
    """The words of a reading, those before it that make it a correction left out."""
    words = spoken_words(text)
    return after_correction(words) or words


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    return _capital(text) + ("" if text.endswith((".", "!", "?")) else ".")


def _counted_words(number: int, noun: str) -> str:
    return f"{say_number(str(number))} {noun}" + ("" if number == 1 else "s")


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
