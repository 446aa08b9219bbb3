"""The session: the heart of the tool, with no clock, thread, file or sound in it.

The one rule: ``handle(event)`` is the only way in, and everything that happens is in the acts that it returns.

Theory of operation
-------------------
A session is always in one phase, and the phase says what is open:

    IDENTITY    a serial number or the like is to be spelled, and affirmed once it is read back
    METER       several meters are at hand; which of them is used is awaited
    STEP        a step of the procedure has been read aloud; its reading, answer or "done" is awaited
    DOUBT       a reading was heard, but not surely, or is not plausible: AFFIRM or NEGATIVE is awaited, or it again
    CORRECTING  CORRECTION and a reading were heard, but not surely: AFFIRM or NEGATIVE is awaited, or it again
    COUNT       something that is counted goes back; how many are back is awaited
    REASON      UNABLE, SKIP or OVERRIDE was said without a reason; one of the known reasons is awaited
    NOTE        NOTE was said; whatever is said next is kept as it is
    LEAVING     END SESSION was said; AFFIRM or NEGATIVE is awaited
    ENDING      what was heard leads to a conclusion, so it cannot be put right later; AFFIRM or CORRECTION is awaited
    PAUSED      STAND BY was said; nothing but GO AHEAD is open, so that talk in the room cannot move anything
    CLOSED      a conclusion was reached or the session was ended; nothing is open

``_WORDS`` below says which procedure word does what in which phase: it is the whole table of transitions by command.
Readings and answers move a STEP on through ``Procedure.target``, which is the only place that knows where a step leads.

Two things are kept apart on purpose. *Where we are* in the procedure may be moved by the technician (GO BACK,
CORRECTION, DISREGARD). *What the equipment in front of us is like* (which source is isolated, what is off: see
``equipment``) only becomes safer by a step completed now: whatever is gone back to or taken back has made nothing safe
until it is done again. Every move to a step is checked against it, and so is every reading, answer and "done" at one.

A watch reads in rounds. Between them nothing is asked for, and talk in the room is not answered; ``due`` says when
the next round begins, and whoever runs the session sends ``Due`` then. What a watch or a figure says always follows
from the readings that stand: a correction has it worked out anew.

The meter that was chosen is used for what it measures; where another at hand is the only one that does, that one is.
A step that its meter may not do is entered and not read aloud: CHANGE METER opens it. What the leads read is taken off
as it stands on record, by the meter that showed it, so after a change of meter they are to be shorted again.

Before an instruction is taken for done, ``_finish`` asks what stands against it: a timer that runs, something that
goes back first, a count, the serial number of a new part. What is not about energy may be overridden, for a reason.

A correction or a DISREGARD may lead to a step that the machine's state forbids. Then we stay, the step that was taken
back is ``_owed``, and there is no finding before it is done again: a finding always follows from what stands.

Where dead must be proved again before hands go inside (the session was left, or the meter was changed in the middle of
the proof), the session leads through the proof once more and then back to where it was: see ``proving``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import Enum, auto
from typing import Literal

from handsfree.judge import progress
from handsfree.judge.assess import Means, assess, plausible
from handsfree.judge.meter import Meter
from handsfree.judge.uncertain import JudgingError
from handsfree.procedure.dead import Energy
from handsfree.procedure.model import (
    OPENING,
    Calculate,
    Choose,
    Conclude,
    Do,
    Measure,
    Observe,
    Procedure,
    Replacement,
    Signal,
    SpokenStep,
    Step,
    Timer,
    Verdict,
    Watch,
)
from handsfree.session.doubt import Doubts, Policy
from handsfree.session.equipment import Equipment
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
    Reopened,
    Say,
    SpeakRate,
    Started,
)
from handsfree.session.figures import Figures
from handsfree.session.instruction import Against, Count, Within, still_waited_for
from handsfree.session.lately import Follows, Lately
from handsfree.session.ledger import Off, phrases_of
from handsfree.session.meters import Meters
from handsfree.session.proving import Return, first_step, leaves_the_way, opens_only_what_is_off
from handsfree.session.readings import Readings, Taken, measures_of
from handsfree.session.spelled import Spelling, Wanted, identified, of_part, of_visit, said_as
from handsfree.session.timers import Running, Timers, news
from handsfree.session.vigil import Moment, Vigil, as_kept
from handsfree.session.wording import (
    capital,
    figure_of,
    how_read,
    number_of,
    plate,
    plausible_range,
    rating,
    sentence,
    shortened,
    spaced,
    warning,
)
from handsfree.spoken.grammar import Rest, rest, understand
from handsfree.spoken.identifiers import Misheard
from handsfree.spoken.meaning import (
    Answer,
    Command,
    Expectation,
    Kind,
    Meaning,
    Open,
    Quantity,
    Reading,
    Refusal,
    Respelled,
    Spelled,
    Word,
)
from handsfree.spoken.readback import say_reading
from handsfree.spoken.span import say_span
from handsfree.spoken.words import OTHER_REASON, PHRASES, REASONS_AFTER


class Phase(Enum):
    FRESH = auto()
    IDENTITY = auto()
    METER = auto()
    STEP = auto()
    DOUBT = auto()
    CORRECTING = auto()
    COUNT = auto()
    REASON = auto()
    NOTE = auto()
    LEAVING = auto()
    ENDING = auto()
    PAUSED = auto()
    CLOSED = auto()


@dataclass(frozen=True, slots=True)
class _Cause:
    """A deviation that waits for its reason: ``word`` says which reasons there are, ``then`` takes the one given."""

    word: Word
    then: Callable[[str], None]


@dataclass(frozen=True, slots=True)
class _Override:
    """What OVERRIDE would go on against: the deviation it is, what it is about, and what happens then."""

    what: str
    about: str
    then: Callable[[], None]
    more: Mapping[str, str] = field(default_factory=dict)  # for the record


@dataclass(frozen=True, slots=True)
class _Noting:
    """A note that is awaited: ``kind`` is "note", "orientation" or "reason", ``item`` what it is about, if anything."""

    kind: str
    item: str | None = None


_SLOWER = 0.85
_UNCLEAR = "not heard clearly"
_TOO_EARLY = "that was said before I asked"
_TALK = 0.05  # below it was most likely not said to the tool: talk in the room would have it talk all the time
_TALKED = 3  # times in a row, after which it is said what may be said
_BAD = str(Verdict.NONCONFORMING)
_NOT_OFF = "Nothing is off that is counted."
_TWO_METERS = "the meter was changed while proving dead, so nothing is proved. Use one meter throughout"
_STALE = "voltages from before the session was left show nothing any more, so nothing is proved"
_MEASURE_AGAIN = "Measure again."
_BETTER_METER = "Take a better meter and say change meter, or say unable and the reason."


class Session:
    """One run of one procedure."""

    def __init__(self, procedure: Procedure, policy: Policy | None = None, meters: tuple[Meter, ...] = ()) -> None:
        self.procedure = procedure
        self._meters = Meters(meters)
        named = (phrase for item in procedure.items.values() for phrase in phrases_of(item))
        self._items = tuple(dict.fromkeys(named))  # the phrases by which what is off can be asked for
        self._event: Event | None = None  # the one that is being handled
        self._policy = policy or Policy()
        self._phase = Phase.FRESH
        self._resume = Phase.STEP  # the phase that STAND BY, or the end, interrupted
        self._asked_in = Phase.STEP  # the phase that the question about the end interrupted
        self._leaving_out: tuple[str, str] | None = None  # how the step is left out then and why; None: all is left
        self._conclusion: Conclude | None = None  # what is concluded when that is affirmed
        self._at = procedure.steps[0].id
        self._path: list[str] = []  # spoken steps entered, oldest first
        self._outcomes: dict[str, str | None] = {}
        self._worn: dict[str, str] = {}  # readings of shorted leads that were refused, by step, until one is taken
        self._equipment = Equipment(procedure.sources)
        self._readings = Readings(procedure)
        self._last: tuple[str, str | None] | None = None  # the step left last and its reading's id, for DISREGARD
        self._asked_anew = False  # the reading asked for was denied, or taken back: CORRECTION speaks of it
        self._owed: dict[str, str | None] = {}  # steps to be done again, with the outcome by which they were left
        self._return: Return | None = None  # where we go back to when dead is proved again
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
        self._figures = Figures(procedure, self._readings)
        self._doubts = Doubts(self._policy, procedure, self._readings, self._figures)
        self._lately = Lately()
        self._heard_at: Moment | None = None  # when the reading in doubt was said
        self._timers = Timers()
        self._within = Within(procedure.steps[0], self._equipment.off)
        self._override: _Override | None = None
        self._cause: _Cause | None = None
        self._spelling = Spelling()
        self._after_spelling: Callable[[], None] = self._ask_meters
        self._noting = _Noting("note")
        self._notes = 0
        self._reason_from = (Phase.STEP, self._question)  # what asking for a reason interrupted
        self._correcting_from = (Phase.STEP, self._question)  # what a correction in doubt interrupted
        self._note_from = (Phase.STEP, self._question)  # what a note interrupted

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
        return self._readings.standing

    @property
    def asking(self) -> bool:
        """Whether a question stands that AFFIRM answers."""
        return self._phase in (Phase.DOUBT, Phase.CORRECTING, Phase.LEAVING, Phase.ENDING)

    @property
    def ending(self) -> bool:
        """Whether it is asked if what was heard last ends the visit."""
        return self._phase is Phase.ENDING

    @property
    def instructing(self) -> bool:
        """Whether what is awaited is what the instruction of a step asks for, or the question about the end."""
        return self._phase in (Phase.STEP, Phase.ENDING)

    @property
    def at(self) -> str:
        """The id of the step we are at."""
        return self._at

    @property
    def due(self) -> Moment | None:
        """When ``Due`` is to be sent, if nothing else happens before; None where nothing is waited for."""
        if self._phase in (Phase.FRESH, Phase.PAUSED, Phase.NOTE, Phase.CLOSED):
            return None
        moments = [self._timers.due]
        if self._between:
            assert self._vigil is not None
            moments.append(self._vigil.due)
        return min((moment for moment in moments if moment is not None), default=None)

    @property
    def _between(self) -> bool:
        """Whether a watch waits for the time of its next readings."""
        return self._vigil is not None and self._vigil.series is None and self._phase is Phase.STEP

    @property
    def open(self) -> Open:
        """What may be said now."""
        words = frozenset(word for (phase, word) in _WORDS if phase is self._phase)
        if self._override is None:
            words -= {Word.OVERRIDE}
        match self._phase:
            case Phase.REASON:
                assert self._cause is not None
                return Open(answers=REASONS_AFTER[self._cause.word], words=words)
            case Phase.METER:
                return Open(answers=self._meters.answers, words=words if self._path else words - {Word.DISREGARD})
            case Phase.NOTE:
                return Open(dictation=True)
            case Phase.COUNT:
                return Open(answers=self._within.numbers, words=words, items=self._items)
            case Phase.IDENTITY:
                return self._spelling.open(words)
            case Phase.ENDING:
                correction = self._correctable()
                return Open(words=words - ({Word.CORRECTION} if correction is None else set()), correction=correction)
            case Phase.CORRECTING:
                # A reading alone may be meant for the step, so it does not answer.
                return Open(words=words, correction=self._correctable())
            case Phase.STEP | Phase.DOUBT:
                return replace(self._open_at_step(words), items=self._items)
            case _:
                return Open(words=words)

    def _open_at_step(self, words: frozenset[Word]) -> Open:
        step = self.procedure.step(self._at)
        if self._readings.last(self._path) is None:
            words -= {Word.READ_BACK}
        correction = self._correctable()
        if correction is None:
            words -= {Word.CORRECTION}
        if len(self._path) < 2:
            words -= {Word.GO_BACK}
        if self._last is None and not self._readings.of_watch(self._vigil):
            words -= {Word.DISREGARD}
        counts = self._within.numbers
        if counts:  # "correction four" would be taken for a reading before
            words, correction = words - {Word.CORRECTION}, None
        if not self._meters:
            words -= {Word.CHANGE_METER}
        if not isinstance(step, Do) and self._phase is Phase.STEP:
            words -= {Word.DONE, Word.AFFIRM, Word.NEGATIVE}
        if self._within.piece is None:
            words -= {Word.GO_AHEAD}
        if isinstance(step, Measure):
            return Open(reading=step.expectation, words=words, correction=correction)
        if isinstance(step, Watch) and self._vigil is not None and self._vigil.series is not None:
            expected = step.series[self._vigil.series].expectation
            return Open(reading=expected, words=words, correction=correction)
        if isinstance(step, Observe):
            return Open(answers=step.answers, words=words, correction=correction)
        return Open(answers=counts, words=words, correction=correction)

    def _correctable(self) -> Expectation | None:
        """What may be said after CORRECTION; None where nothing can be put right. What is in doubt comes first."""
        if self._phase is Phase.DOUBT or self._asked_anew:
            return self._asking().expectation
        wrong = self._wrong()
        return None if wrong is None else self._readings.asked(wrong).expectation

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

    def _asking(self) -> Measure:
        """What asks for a reading now."""
        if self._vigil is None or self._vigil.series is None:
            return self._measure(self._at)
        return self._watch(self._at).asks(self._vigil.series)

    def _wrong(self) -> Taken | None:
        """What CORRECTION speaks of."""
        owed = (self._owed.keys() - self._outcomes.keys()) & set(self._path)  # GO BACK may have gone past one
        return self._readings.to_correct(owed, self._path)

    # -- events --------------------------------------------------------------------------------------------------------

    def handle(self, event: Event) -> list[Act]:
        """Takes one event and gives the acts that answer it, in order. The event itself is the first to be recorded.

        A session runs from Started to its closing entry, which is the last there is unless one that was stopped is
        reopened: an event before or after, or a second Started, gives no acts.
        """
        self._acts, self._event = [], event
        now, left = as_kept(event.time), self._now
        if isinstance(event, Due) and (self.due is None or now < self.due):
            return self._acts
        over = self.closed and not (isinstance(event, Reopened) and self.finding is None)
        if over or isinstance(event, Started) is not (self._phase is Phase.FRESH):
            return self._acts
        self._now = now
        match event:
            case Started():
                self._record(Mark.OPENED, event.data)
                self._begin()
            case Heard():
                self._record(Mark.HEARD, _heard_data(event))
                number, what = len(self._readings), self.open
                self._hear(event)
                if event.offset is not None:
                    whole = rest(event.text, what) is not Rest.MORE
                    self._lately.heard(event, self._acts, self._readings.since(number), whole=whole)
            case Fault():
                self._record(Mark.FAULT, {"what": event.what})
                self._say(event.what, "status")
            case Due():
                self._record(Mark.DUE, {"step": self._at})
                self._come_due(now)
            case Ended():
                self._record(Mark.ENDED, {"why": event.why})
                self._deviate("ended early", event.why)
                self._close("stopped")
            case Reopened():
                assert left is not None  # it was started
                self._record(Mark.REOPENED, event.data)
                self._reopen(event, left)
        said = [act.text for act in self._acts if isinstance(act, Say)]
        if said and self.asking and not said[-1].endswith(self._question.text):
            self._speak(self._question)  # so that AFFIRM answers what was said last
        if not self.closed:
            self._acts.append(Listen(self.open))
        return self._acts

    def _begin(self) -> None:
        procedure = self.procedure
        self._acts += self._equipment.at_start()
        self._say(f"{procedure.title}. {procedure.equipment}. Edition {procedure.edition}.", "status")
        self._say(procedure.local_rules, "status")
        if procedure.tools:
            self._say(f"You need: {', '.join(procedure.tools)}.", "status")
        if procedure.sources:
            names = ", ".join(source.name for source in procedure.sources.values())
            self._say(f"What can hurt here: {names}.", "status")
        self._open_visit()

    def _ask_meters(self) -> None:
        if len(self._meters) > 1:
            self._ask_meter()
            return
        for meter in self._meters:
            self._meters.chosen = meter
            self._use(meter)
        self._first_step()

    def _reopen(self, event: Reopened, left: Moment) -> None:
        """Goes on where the session was left, with nothing proved dead: somebody may have switched on since."""
        assert self._now is not None
        asked, self._phase, self._again = self._left_in(), Phase.STEP, 0
        self._doubts.forget()
        self._lately.forget()
        self._acts += self._equipment.left_alone()
        away = f"It was left {say_span((self._now - left).total_seconds())} ago."
        if self._now < left:
            away = "The clock of this computer stands before the last entry of the record."
        self._say(f"Session resumed. {away}", "status")
        self._know(event.data.get("visit", {}))
        for piece in event.data.get("set_aside", ()):
            self._say(f"A line of the record was torn. What is left of it is in the file {piece['name']}.", "status")
        self._how_far(Command(Word.HOW_FAR))
        if self._readings.last(self._path) is not None:
            self._read_back(Command(Word.READ_BACK))
        if asked is Phase.METER:
            self._ask_meter()
        elif asked is Phase.IDENTITY:
            self._ask_to_spell()
        elif asked is Phase.ENDING:
            self._ask(Phase.ENDING, self._question_of_end)
        elif not self._path:
            self._first_step()
        else:
            self._say_again(Command(Word.SAY_AGAIN))

    def _left_in(self) -> Phase:
        """The phase to come back to: what a pause, a question about leaving, or the end interrupted."""
        phase = self._asked_last()
        phase = self._asked_in if phase is Phase.LEAVING else phase
        phase = self._correcting_from[0] if phase is Phase.CORRECTING else phase
        return self._reason_from[0] if phase is Phase.REASON else phase

    def _asked_last(self) -> Phase:
        """The phase whose question is open, or will be after a pause or a note."""
        phase = self._resume if self._phase in (Phase.PAUSED, Phase.CLOSED) else self._phase
        return self._note_from[0] if phase is Phase.NOTE else phase

    def _first_step(self) -> None:
        if not self._go(self._at):  # no proved procedure begins with a step that may not be begun
            self._close("stopped")

    # -- meters --------------------------------------------------------------------------------------------------------

    def _ask_meter(self) -> None:
        self._ask(Phase.METER, self._meters.question)

    def _choose_meter(self, key: str) -> None:
        before, meter = self._meters.chosen, self._meters.choose(key)
        if meter is None:
            self._record(Mark.METER, {"meter": None})
            self._say("A meter that is not known here. Its uncertainty is not considered.", "status")
            if before is not None:  # what was undecided with it may come out otherwise
                self._deviate("meter not known", f"after {plate(before)}; its uncertainty is not considered")
        else:
            self._use(meter)
        if not self._path:
            self._first_step()
            return
        self._phase = Phase.STEP
        self._use_for(self._here())
        self._step_said = self._words_of(self._here())
        self._say_again(Command(Word.SAY_AGAIN))

    def _use(self, meter: Meter) -> None:
        """Says and records which meter is used from now on."""
        data, overdue = self._meters.use(meter, self._moment.date())
        self._record(Mark.METER, data)
        self._say(f"Meter: {plate(meter)}.", "status")
        if overdue:
            due = meter.calibration_due.isoformat()
            self._deviate("calibration overdue", f"{meter.name}, serial {meter.serial}, was due {due}")
            self._say(f"Its calibration is overdue by {number_of(overdue, 'day')}.", "status")

    def _use_for(self, step: SpokenStep) -> None:
        """Says which meter a step is for where it is not the one that was said last."""
        for asked in measures_of(step):
            meter = self._meters.of(asked)
            if meter is not None and meter is not self._meters.told:
                self._use(meter)

    def _unfit(self, step: SpokenStep) -> str | None:
        """Why the meter forbids this step; None where it does not."""
        reasons = (self._meters.unfit(asked, self._readings.zero(asked)) for asked in measures_of(step))
        return next(filter(None, reasons), None)

    def _means(self, step: Measure) -> Means:
        """By what a step is judged now."""
        return Means(*self.procedure.rule_of(step), self._meters.of(step), self._readings.zero(step))

    def _means_of(self, taken: Taken) -> Means:
        """By what a reading was judged, and is judged again when it is corrected: it is the same display."""
        assessment = taken.assessment
        return Means(*self.procedure.rule_of(self._readings.asked(taken)), assessment.meter, assessment.zero)

    def _hear(self, event: Heard) -> None:
        self._confidence, self._reception = event.confidence, event.reception
        if self._phase is Phase.NOTE:
            self._take_note(event)
            return
        meaning = understand(event.text, self.open)
        unsure = self._policy.unsure(event.confidence)
        if self._phase is Phase.PAUSED and (isinstance(meaning, Refusal) or unsure):
            return  # talk in the room: it stands in the record, and nobody is interrupted
        follows = self._lately.follows(
            event, unclear=isinstance(meaning, Refusal) or unsure, rest=isinstance(meaning, Refusal | Reading)
        )
        if follows is Follows.READING and not self._between:
            self._hear_rest(event.text)
            return
        if event.confidence is not None and event.confidence < _TALK and not self._between:
            self._hear_talk(event.text)
            return
        harmless = isinstance(meaning, Command) and meaning.word in _HARMLESS
        if self._between and (isinstance(meaning, Refusal) or (unsure and not harmless)):
            self._hear_between(event.text, unsure=unsure)
            return
        if isinstance(meaning, Refusal):
            self._ask_again(event.text, _UNCLEAR if unsure else meaning.reason)
        elif event.confidence is not None and event.confidence < self._policy.reject:
            self._ask_again(event.text, _UNCLEAR)
        elif self._too_early(meaning, event, follows):
            self._ask_again(event.text, _TOO_EARLY)
        elif isinstance(meaning, Spelled | Respelled):
            self._spell(meaning)  # it is read back and affirmed in any case
        elif isinstance(meaning, Reading):
            self._hear_reading(meaning, event)
        elif unsure and not harmless and not self._counts_on(meaning):
            # An answer or a command is short: saying it again costs less than confirming it.
            self._ask_again(event.text, _UNCLEAR)
        elif isinstance(meaning, Answer):
            self._again = 0
            self._answer(meaning.key, event.text)
        elif meaning.reading is not None and (self._phase is Phase.DOUBT or self._asked_anew):
            self._hear_reading(meaning.reading, event)
        elif meaning.reading is not None:
            self._hear_correction(meaning.reading, event)
        else:
            self._again = 0
            _WORDS[self._phase, meaning.word](self, meaning)

    # -- readings and answers ------------------------------------------------------------------------------------------

    def _too_early(self, meaning: Meaning, event: Heard, follows: Follows | None) -> bool:
        """Whether it may be meant for what was open before: nobody has understood yet what is asked now."""
        if self.asking and event.early and meaning == Command(Word.AFFIRM):
            return True
        return follows is Follows.TOO_EARLY and self._would_answer(meaning, event) and not self._counts_on(meaning)

    def _would_answer(self, meaning: Meaning, event: Heard) -> bool:
        """Whether it would move the step on that is open now. Whoever cut an answer off after it had begun may well put
        right what that answered.
        """
        if not isinstance(meaning, Command):
            return True
        ends = self._phase is Phase.ENDING and meaning.word is Word.AFFIRM
        return meaning.word not in _HARMLESS and (event.early or meaning.word in _MOVES_ON or ends)

    def _hear_talk(self, text: str) -> None:
        """What was most likely not said to the tool is answered by its tone alone, and now and then by what to say."""
        self._again += 1
        self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": text, "reason": _UNCLEAR})
        if self._again % _TALKED == 0:
            self._say(f"Say again. {self._question.text if self.asking else self._hint()}", "asked again")

    def _hear_rest(self, text: str) -> None:
        """What may be the rest of the reading before is not taken for anything else."""
        before = self._lately.reading
        assert before is not None
        said = say_reading(before.reading)
        self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": text, "reason": f"said right after {said}"})
        again = self._question.text if self.asking else self._hint()
        self._say(
            f"Something followed {said}. If it belongs to it, say correction and all of it. If not: {again}",
            "asked again",
        )

    def _hear_reading(self, reading: Reading, event: Heard) -> None:
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
        again, torn = (
            self._phase is Phase.DOUBT,
            self._lately.follows(event, unclear=False, rest=True) is Follows.UNCLEAR,
        )
        query = self._doubts.of_reading(event, reading, step, means, self._vigil, again=again, torn=torn)
        if query is None:
            self._take(reading)
            return
        if query.reason is not None:
            self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": event.text, "reason": query.reason})
        self._ask(Phase.DOUBT, query.question)

    def _hear_correction(self, reading: Reading, event: Heard) -> None:
        """A reading said after CORRECTION."""
        old = self._wrong()
        assert old is not None  # CORRECTION is not open otherwise
        step, means = self._readings.asked(old), self._means_of(old)
        if not self._may_be(reading, step, means):
            return
        self._again = 0
        query = self._doubts.of_correction(event, reading, step, means, self._vigil)
        if query is None:
            self._correct_to(reading)
            return
        self._record(Mark.ASKED_AGAIN, {"step": self._at, "text": event.text, "reason": query.reason})
        if self._phase is not Phase.CORRECTING:
            self._correcting_from = self._phase, self._question
        asked = f"I heard correction, {say_reading(reading, by_digits=True)}. Affirm, or say correction and the digits"
        self._ask(Phase.CORRECTING, f"{asked} once more. Until then {self._how_it_stands(old)}.")

    def _how_it_stands(self, taken: Taken) -> str:
        if taken.standing:
            return f"{say_reading(taken.reading)} stands"
        return f"{spaced(taken.step)} is still to be done again"

    def _correct_to(self, reading: Reading) -> None:
        if self._phase is Phase.CORRECTING:
            self._phase, self._question = self._correcting_from
        self._correct(Command(Word.CORRECTION, reading=reading))

    def _affirm_correction(self, command: Command) -> None:
        assert self._doubts.correction is not None
        self._correct_to(self._doubts.correction)

    def _deny_correction(self, command: Command) -> None:
        old = self._wrong()
        assert old is not None
        self._doubts.forget_correction()
        self._phase, self._question = self._correcting_from
        self._say(sentence(self._how_it_stands(old)), "reading")
        self._repeat()

    def _may_be(self, reading: Reading, step: Measure, means: Means) -> bool:
        """Whether a reading can be taken at a step at all; asks again, or refuses it, where it cannot."""
        if reading.kind is not Kind.READING and isinstance(self.procedure.step(step.id), Watch):
            self._ask_again(say_reading(reading), "only a value can be followed over time")
            return False
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

    def _write_reading(self, step: Measure, reading: Reading, means: Means) -> Taken:
        assessment = assess(reading, step, means)
        before = self._readings.undecided(step, assessment.meter)
        taken = Taken(self._readings.next_id, step.id, assessment)
        self._readings.add(taken)
        self._settle()
        self._record(Mark.READING, taken.data(step))
        self._note_implausible(taken, step)
        self._worn.pop(step.id, None)
        self._acts += self._equipment.measured(step, taken.outcome, assessment.meter)
        self._say(sentence(taken.words), "reading")
        again = taken.outcome == Verdict.UNDECIDED and self.procedure.target(step.id, taken.outcome) == step.id
        if again and assessment.decision is not None:
            self._say(_BETTER_METER if before or assessment.too_coarse else _MEASURE_AGAIN, "reading")
        return taken

    def _settle(self, *, asked_anew: bool = False) -> None:
        """What was denied, or doubted after CORRECTION, is not spoken of any more."""
        self._asked_anew = asked_anew
        self._doubts.forget_correction()

    def _note_implausible(self, taken: Taken, step: Measure) -> None:
        """What was affirmed though the procedure calls it implausible departs from the procedure."""
        if not plausible(taken.reading, step):
            said = f"{step.reading}, {say_reading(taken.reading)}, plausible is {plausible_range(step)}"
            self._deviate("outside the plausible range, affirmed", said, reading=taken.id)

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
            return sentence(f"{step.series[vigil.series].reading}, now")
        assert self._now is not None
        return f"Next reading in {say_span(vigil.wait(self._now))}: {step.series[0].reading}."

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
        before = self._readings.of_watch(self._vigil)
        assert self._heard_at is not None and self._now is not None  # noqa: PT018
        seconds = self._vigil.seconds(self._heard_at)
        if before and seconds <= before[-1].seconds:
            seconds = before[-1].seconds + 0.001  # a clock that was set back does not turn the order round
        self._write_point(step, self._vigil.series, reading, seconds, self._means(self._asking()))
        if self._vigil.series + 1 < len(step.series):
            self._vigil.series += 1
            self._say_when()
        else:
            self._vigil.end_round(self._now)
            self._look(step)

    def _write_point(
        self, step: Watch, series: int, reading: Reading, seconds: float, means: Means, *, corrects: bool = False
    ) -> Taken:
        """Puts a reading of a series on record."""
        number = self._readings.next_id
        asked = step.asks(series)
        # Each reading of a series has a last digit of its own, so each is named as itself.
        assessment = assess(reading, asked.model_copy(update={"id": f"{step.id} {number}"}), means)
        taken = Taken(number, step.id, assessment, series=series, seconds=seconds)
        self._readings.add(taken)
        self._settle()
        data = taken.data(asked)
        self._record(Mark.READING, data | {"series": asked.reading, "seconds": round(seconds, 3)})
        self._note_implausible(taken, asked)
        named = f"Correction, {asked.reading}" if corrects else asked.reading
        self._say(sentence(f"{named}: {say_reading(reading)}"), "reading")
        return taken

    def _progress(self, vigil: Vigil) -> progress.Progress:
        rule, ratio = self.procedure.decision_rule, self.procedure.guard_ratio
        return progress.progress(vigil.watch, self._readings.points(vigil), vigil.rounds, rule, ratio)

    def _look(self, step: Watch) -> None:
        """After a round: what the series say so far, and either the end of the watch or the next time."""
        assert self._vigil is not None
        found = self._progress(self._vigil)
        for course in found.courses:
            news, revised = progress.news(course, self._vigil.courses.get(course.reading))
            self._vigil.courses[course.reading] = course
            if news and self._vigil.told.get(course.reading) != news:
                self._vigil.told[course.reading] = news
                self._say(sentence(f"{course.reading}{', revised:' if revised else ''} {news}"), "reading")
        if found.order is not None and found.order.verdict is not None and found.over:
            self._say(sentence(f"{found.order.reason}: {found.order.verdict}"), "reading")
        if not found.over:
            self._say_when()
            return
        self._record(Mark.WATCHED, {"step": step.id, **progress.data(found), "verdict": _verdict(found.verdict)})
        last = self._readings.of_watch(self._vigil)[-1].id
        self._ended[step.id], self._vigil = self._vigil, None
        self._complete(step, _verdict(found.verdict), last)

    def _take_point_back(self, step: Watch, why: str) -> None:
        """The last reading of the watch under way does not stand; it is asked for again at once."""
        assert self._vigil is not None
        taken = self._readings.of_watch(self._vigil)[-1]
        self._withdraw(taken, None, why)
        self._say_withdrawn(taken)
        assert taken.series is not None
        if self._vigil.series is None or taken.series >= self._vigil.series:  # it was the last one of a round
            self._vigil.rounds -= 1
        self._vigil.series = taken.series
        self._settle(asked_anew=True)
        if not self._barred(step):
            self._say_when()

    # -- figures from earlier readings ---------------------------------------------------------------------------------

    def _work_out(self, step: Calculate, after: str) -> str | None:
        """Works a figure out from what stands now, says and records it, and gives its outcome."""
        found = self._figures.work_out(step, after)
        self._record(Mark.CALCULATED, found.data)
        again = not found.known and self.procedure.target(step.id, found.verdict) is not None
        self._say(found.words, "reading" if found.known else "asked again" if again else "status")
        return found.verdict

    def _work_out_again(self, changed: str) -> bool:
        """After a correction: figures made from that reading are worked out anew; True where one leads elsewhere."""
        path = list(self._path)
        for step, after in self._figures.made_from(changed):
            if after not in path:
                continue
            outcome = self._work_out(step, after)
            if outcome != self._outcomes.get(step.id):
                left_by = self._outcomes.get(after)
                self._outcomes[step.id] = outcome
                self._lead(after, left_by, self.procedure.target(step.id, outcome))
                return True
        return False

    # -- what a visit, a part or a meter is known by -------------------------------------------------------------------

    def _open_visit(self) -> None:
        """Records what was given with the start, and asks for what the procedure wants to know besides."""
        assert isinstance(self._event, Started)
        given: Mapping[str, str] = self._event.data.get("visit", {})
        self._know(given)
        self._ask_identities(of_visit(self.procedure, given), self._ask_meters)

    def _know(self, given: Mapping[str, str]) -> None:
        for what in (name for name in OPENING if name in given):  # a record has them in another order
            value = given[what]
            words = said_as(value) if what in self.procedure.opening else value
            self._record(Mark.IDENTIFIED, identified(what, value, words))
            self._say(f"{capital(OPENING[what])}: {words}.", "status")

    def _ask_identities(self, wanted: Iterable[Wanted], then: Callable[[], None]) -> None:
        self._spelling.begin(wanted)
        self._after_spelling = then
        self._ask_to_spell()

    def _ask_to_spell(self) -> None:
        question = self._spelling.ask()
        if question is None:
            self._phase = Phase.STEP
            self._after_spelling()
        else:
            self._ask(Phase.IDENTITY, question)

    def _spell(self, meaning: Spelled | Respelled) -> None:
        question = self._spelling.hear(meaning)
        if isinstance(question, Misheard):
            self._ask_again(meaning.text, question.reason)
            return
        self._again = 0
        self._ask(Phase.IDENTITY, question)

    def _affirm_spelled(self, command: Command) -> None:
        doubt = self._spelling.doubt()
        if doubt is not None:
            self._ask(Phase.IDENTITY, doubt)
            return
        self._record(Mark.IDENTIFIED, self._spelling.affirm())
        self._ask_to_spell()

    def _deny_spelled(self, command: Command) -> None:
        self._ask_to_spell()

    def _spell_before(self, command: Command) -> None:
        """GO BACK while something is spelled: the one before is asked for again."""
        if self._spelling.go_back():
            self._ask_to_spell()
        else:
            self._refuse("nothing was spelled before this")

    def _unidentified(self, reason: str) -> None:
        left_out = self._spelling.leave_out()
        self._deviate("unable", reason, left_out.called)
        self._say(f"No {left_out.called}, {reason}. Recorded.", "answer")
        self._ask_to_spell()

    # -- long instructions, counts and what stands against "done" ------------------------------------------------------

    def _next_piece(self, command: Command) -> None:
        """GO AHEAD, or DONE before the last piece: the next of what is counted, or the next piece."""
        if self._barred(self._here()):
            return
        within = self._within
        if within.next_number is not None and command.word is Word.DONE:
            self._count_short()
        elif within.next_number is not None:
            self._count_on(within.next_number)
        elif within.more:
            self._record(Mark.PIECE, within.go_on())
            assert within.piece is not None
            said = Say(within.piece.say, "instruction")
            self._step_said[-1] = said
            self._speak(said)
        else:
            self._say(f"That was the last piece. Say {PHRASES[Word.DONE][0]} when it is.", "status")

    def _count_short(self) -> None:
        """DONE before everything that is counted was: it may be so, for a reason."""
        within = self._within

        def then() -> None:
            within.let_pass()
            if within.more:
                self._next_piece(Command(Word.GO_AHEAD))
            else:
                self._finish()

        self._override = _Override("count differs", within.missing, then)
        self._ask_again("done", f"{within.so_far}; or override and the reason")

    def _count_on(self, number: int) -> None:
        self._override = None
        self._counted(self._within.count_on(number))
        if self._within.next_number is None and self._within.more:
            self._next_piece(Command(Word.GO_AHEAD))

    def _counts_on(self, meaning: Meaning) -> bool:
        """Whether this is the next number of a count: it is said back, and counts no more than one."""
        number = self._within.next_number
        return number is not None and meaning == Answer(str(number))

    def _hear_count(self, number: int, text: str) -> None:
        """A number where something is counted."""
        within = self._within
        if within.next_number is not None:
            if within.may_be(number):
                self._again = 0
                self._count_on(number)
            else:
                self._ask_again(text, within.so_far)
        elif within.uncounted is not None:
            self._count_back(within.uncounted, number, done=self._phase is Phase.COUNT)
        else:
            self._counted(within.count_off(number))

    def _counted(self, count: Count) -> None:
        self._record(Mark.COUNTED, count.data)
        self._say(count.words, "answer")

    def _finish(self) -> None:
        """The instruction is done, unless something stands against it that is to be answered or overridden first."""
        step = self._here()
        assert isinstance(step, Do)
        self._phase = Phase.STEP
        self._override = None
        if self._barred(step):  # the session may have been left since DONE was said
            return
        within = self._within
        against = within.against(self._timers, self._moment)
        if against is not None:
            self._stands_against(against)
        elif within.uncounted is not None:
            self._ask(Phase.COUNT, f"{capital(within.uncounted.counted)} came off. How many are back?")
        elif step.replaces is not None and (wanted := of_part(step.replaces)) and "serial" not in within.passed:
            within.passed.add("serial")
            self._ask_identities(wanted, self._finish)
        else:
            self._record(Mark.DONE, {"step": step.id})
            self._complete(step, None)

    def _stands_against(self, against: Against) -> None:
        """Refuses DONE for something that may be overridden."""
        self._refuse(f"{against.reason}. Or say override and the reason")

        def then() -> None:
            self._within.passed.add(against.what)
            self._finish()

        self._override = _Override(against.what, against.about, then)

    def _count_back(self, off: Off, number: int, *, done: bool) -> None:
        """How many went back; ``done`` is whether DONE was said and this was asked for."""
        within, count = self._within, self._within.count_back(off, number)

        def then() -> None:
            within.take(count)
            if done:
                self._finish()
            else:
                self._phase = Phase.STEP

        if count.differs is None:
            self._override = None  # which a wrong number may have left open
            self._counted(count)
            then()
            return
        self._record(Mark.COUNTED, count.data)
        self._override = _Override("count differs", count.differs, then)
        if done:
            self._ask(Phase.COUNT, count.words)
        else:
            self._say(count.words, "asked again")

    # -- parts and limits ----------------------------------------------------------------------------------------------

    def _replace(self, step: Do, part: Replacement) -> None:
        bad = self._readings.last_nonconforming()
        why = None if bad is None else f"{self._readings.asked(bad).reading}: {bad.words}"
        old, new = self._spelling.take_serials()
        self._equipment.replace(part.part, part.verified_by)
        self._record(
            Mark.REPLACED,
            {
                "step": step.id,
                "part": part.part,
                "old": old,
                "new": new,
                "reading": None if bad is None else bad.id,
                "reason": why,
                "verified_by": part.verified_by,
            },
        )
        self._say(f"{capital(part.part)} replaced. It is to be verified by {spaced(part.verified_by)}.", "answer")

    def _against_limit(self, step: SpokenStep, outcome: str | None, reading: str | None) -> _Override | None:
        """What OVERRIDE would do about a reading that did not conform: none where safety hangs on it."""
        if not isinstance(step, Measure) or outcome != _BAD or reading is None:
            return None
        if step.binding_limit or step.isolates or step.proves_dead or step.energises or step.lead_zero:
            return None
        if step.id in self._equipment.unverified.values() or self._equipment.found_voltage(step):
            return None
        target = self.procedure.target(step.id, Verdict.CONFORMING)
        if target == self.procedure.target(step.id, outcome):
            return None
        taken = self._readings.of_id(reading)
        assert taken is not None

        def then() -> None:
            self._outcomes[step.id] = str(Verdict.CONFORMING)
            self._apply(step)
            self._lead(step.id, outcome, target)

        about = f"{step.reading}, {say_reading(taken.reading)}"
        return _Override("limit overridden", about, then, {"step": step.id, "reading": reading})

    # -- the ledger, notes and timers ----------------------------------------------------------------------------------

    def _what_is_off(self, command: Command) -> None:
        part = self._within.partly_off
        self._say(self._equipment.off.what_is_off() + (f" Coming off: {part}." if part else ""), "status")

    def _meant(self, command: Command) -> list[Off]:
        """What is off and was asked about; asked about nothing, what came off last."""
        if command.item is not None:
            return self._equipment.off.named(command.item)
        last = self._equipment.off.last
        return [] if last is None else [last]

    def _where_goes(self, command: Command) -> None:
        meant = self._meant(command)
        if not meant:
            part = self._within.partly_off
            not_off = _NOT_OFF if command.item is None else f"{capital(command.item)}: not off."
            self._say(f"Coming off: {part}." if part else not_off, "status")
        for off in meant:
            self._say(f"{capital(off.name)}: {off.whereabouts}", "status")

    def _how_many(self, command: Command) -> None:
        ledger = self._equipment.off
        counted = self._meant(command) if command.item is not None else [ledger[name] for name in ledger]
        counted = [off for off in counted if off.count is not None or command.item is not None]
        part = self._within.partly_off
        if part:
            self._say(f"{capital(part)} off.", "status")
        elif not counted:
            self._say(_NOT_OFF if command.item is None else f"{capital(command.item)}: not off.", "status")
        for off in counted:
            self._say(f"{capital(off.counted)}{' off' if off.count is not None else ': not counted'}.", "status")

    def _mark(self, command: Command) -> None:
        self._record(Mark.MARKED, {"step": self._at})
        self._say("Marked.", "status")

    def _note(self, command: Command) -> None:
        self._begin_note(_Noting("note"), "Note.")

    def _orientation_note(self, command: Command) -> None:
        last = self._equipment.off.last
        here = self._here()
        about = here.off_here[-1] if here.off_here else None if last is None else last.name
        if about is None:
            self._refuse("nothing is off that a note could be about. Say note")
            return
        self._begin_note(_Noting("orientation", about), f"Note on {about}.")

    def _begin_note(self, noting: _Noting, prompt: str) -> None:
        self._noting, self._note_from = noting, (self._phase, self._question)
        self._ask(Phase.NOTE, prompt)

    def _take_note(self, event: Heard) -> None:
        """Keeps what was said as it was said. What a recogniser made of it is marked as not checked by anybody."""
        noting, text = self._noting, " ".join(event.text.split())
        if not text and event.clip is None:
            self._ask_again(text, "nothing was understood")
            return
        if text.lower() in PHRASES[Word.STAND_BY]:
            self._stand_by(Command(Word.STAND_BY))
            return
        self._phase, self._question = self._note_from
        if text.lower() in PHRASES[Word.DISREGARD]:
            self._say("No note.", "status")
            if noting.kind == "reason":
                self._say_again(Command(Word.SAY_AGAIN))
            return
        self._notes += 1
        checked = event.confidence is None and event.clip is None
        about = {} if noting.item is None else {"item": noting.item}
        self._record(
            Mark.NOTED,
            {
                "id": f"n{self._notes}",
                "step": self._at,
                "kind": noting.kind,
                **about,
                "text": text,
                "checked": checked,
                "clip": event.clip,
            },
        )
        if noting.item is not None and text:
            self._equipment.off.remark(noting.item, text)
        if noting.kind == "reason":
            assert self._cause is not None
            self._phase, self._question = self._reason_from
            self._cause.then(text or f"kept as sound, note {self._notes}")
        else:
            self._say(f"Noted: {shortened(text)}." if text else "Noted, as sound only.", "answer")

    @property
    def _moment(self) -> Moment:
        assert self._now is not None  # every event has a time
        return self._now

    def _start_timer(self, timer: Timer) -> None:
        marks = tuple(float(minutes * 60) for minutes in timer.tell_after)
        self._say_started(self._timers.start(timer.timer, float(timer.minutes * 60), self._moment, marks))

    def _say_started(self, timer: Running) -> None:
        self._record_timer(timer, "started")
        self._say(f"{capital(spaced(timer.name))}: {say_span(timer.seconds)} from now.", "status")

    def _record_timer(self, timer: Running, state: str) -> None:
        self._record(
            Mark.TIMER,
            {"step": self._at, "timer": timer.name, "state": state, "seconds": timer.seconds}
            | {"left": round(timer.left(self._moment), 3)},
        )

    def _set_timer(self, command: Command) -> None:
        if command.seconds is None:
            self._ask_again("timer", "say timer and how long, as in timer ten minutes")
            return
        self._say_started(self._timers.start_own(float(command.seconds), self._moment))

    def _cancel_timer(self, command: Command) -> None:
        timer = self._timers.cancel_own(self._moment)
        if timer is None:
            self._refuse("no timer of yours is running")
            return
        self._record_timer(timer, "cancelled")
        self._say(f"{capital(spaced(timer.name))} cancelled.", "status")

    def _how_long(self, command: Command) -> None:
        waiting = self._timers.how_long(self._moment)
        if self._vigil is not None:
            waiting = f"{waiting} {self._when(self._vigil)}".strip()
        self._say(waiting or "No timer is running.", "status")

    def _come_due(self, now: Moment) -> None:
        """What timers have to say, and the next round of a watch."""
        for timer in self._timers.take(now):
            self._record_timer(timer, "over" if timer.left(now) <= 0 else "told")
            self._say(news(timer, now), "status")
        if self._between and self._vigil is not None and self._vigil.due <= now:
            self._begin_round()

    # -- answers -------------------------------------------------------------------------------------------------------

    def _answer(self, key: str, text: str) -> None:
        if self._phase is Phase.REASON:
            self._give_reason(key)
            return
        if self._phase is Phase.METER:
            self._choose_meter(key)
            return
        step = self._here()
        if self._barred(step):
            return
        if isinstance(step, Do):
            self._hear_count(int(key), text)
            return
        self._record(Mark.ANSWERED, {"step": step.id, "answer": key, "text": text})
        self._say(sentence(spaced(key)), "answer")
        self._complete(step, key)

    # -- completing and entering steps ---------------------------------------------------------------------------------

    def _complete(self, step: SpokenStep, outcome: str | None, reading: str | None = None) -> None:
        """The step is done: its effects happen, and we go where it leads."""
        self._last = (step.id, reading)
        self._outcomes[step.id] = outcome
        if self._return is not None and (step.id == self._return.step or leaves_the_way(step, self._equipment.off)):
            self._return = None
        target = self.procedure.target(step.id, outcome)
        if not isinstance(step, Measure | Watch) or outcome in (None, Verdict.CONFORMING):
            self._apply(step)
            unproved = [source for source in step.proves_dead if self._equipment.energy[source] is Energy.ISOLATED]
            if unproved and target is not None and self._prove_again(target, unproved):
                return
        else:
            self._acts += self._equipment.disprove(step, outcome)
        for timer in step.starts:
            self._start_timer(timer)
        if self._return is not None and self._may_return(self._return):
            self._say("Proved dead. We go on where we were.", "status")
            target = self._return.step
            if not isinstance(self.procedure.step(target), SpokenStep):
                self._return = None  # what is completed next is another step
        if self._go(target, affirmed=isinstance(step, Do)):
            self._override = self._against_limit(step, outcome, reading)

    def _apply(self, step: SpokenStep) -> None:
        """What a completed step makes of the equipment."""
        equipment = self._equipment
        self._acts += equipment.isolate(step)
        found = equipment.against(step)
        if step.proves_dead and not equipment.one_meter:
            self._refuse(_TWO_METERS)
        elif step.proves_dead and equipment.stale:
            self._refuse(_STALE)
        else:
            if not found and (unshown := equipment.not_shown_dead(step)):
                self._refuse(f"that is no proof: {' and '.join(unshown)} was not measured since it was isolated")
            self._acts += equipment.prove_dead(step)
        if found:
            readings = " and ".join(self._measure(other).reading for other in found)
            self._refuse(f"that is no proof: {readings} did not conform, and was not measured again")
        self._acts += equipment.energise(step)
        self._acts += equipment.take_off(step, self._within.counted)
        self._acts += equipment.put_back(step, self._within.counted)
        if isinstance(step, Do) and step.replaces is not None:
            self._replace(step, step.replaces)
        self._acts += equipment.verify(step)

    def _prove_again(self, place: str, sources: Iterable[str]) -> bool:
        """Leads through the proof that sources are dead, and from there back to ``place``.

        False where the way so far has no such proof.
        """
        wanted = frozenset(sources)
        start = first_step(self.procedure, self._path, self._equipment.energy, wanted)
        if start is None:
            return False
        within = self._within if place == self._at else None
        back = self._return or Return(place, wanted, len(self._path), within)
        names = " and ".join(source.name for key, source in self.procedure.sources.items() if key in wanted)
        self._equipment.begin_proof()
        self._say(f"Dead is to be proved again: {names}. Then we go on where we were.", "status")
        if not self._go(start):
            return False
        self._return = replace(back, sources=back.sources | wanted)
        return True

    def _prove_first(self, step: SpokenStep) -> bool:
        """Leads through the proof where that is all that hands inside wait for."""
        return step.hands_inside and self._prove_again(step.id, self._equipment.unproved)

    def _may_return(self, back: Return) -> bool:
        step = self.procedure.step(back.step)
        proved = back.sources.isdisjoint(self._equipment.unproved)
        return proved and not (isinstance(step, SpokenStep) and self._equipment.blocked(step))

    def _go(self, id: str | None, *, affirmed: bool = False) -> bool:
        """Enters a step, or refuses to and stays. Before a conclusion it asks, unless that was ``affirmed``."""
        if self._return is not None and len(self._path) <= self._return.depth:
            self._return = None  # what came before it was taken back
        if id is None:
            return self._refuse("the procedure does not say what follows. Say go back, or end session")
        step = self._next_to_do(id)
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
                return self._refuse(f"{spaced(asked)} does not say what follows. Say go back, or end session")
            step = self._next_to_do(target)
        if isinstance(step, Conclude):
            if self._owed:
                missing = ", ".join(spaced(owed) for owed in self._owed)
                return self._refuse(f"no finding before this is done again: {missing}. Say go back, or end session")
            if step.condition == "sound" and self._equipment.unverified:
                part, missing = min(self._equipment.unverified.items())
                return self._refuse(
                    f"the new {part} is not verified: that is done by {spaced(missing)}. Say go back, or end session"
                )
            if affirmed:
                self._conclude(step)
            else:
                self._ask_to_end(step)
            return True
        reason = self._equipment.blocked(step)
        if reason is not None:
            return self._prove_first(step) or self._refuse(reason)
        self._keep_begun()
        self._at = step.id
        self._phase, self._asked_anew = Phase.STEP, False
        self._again = 0
        self._owed.pop(step.id, None)
        if not self._path or self._path[-1] != step.id:
            self._path.append(step.id)
        self._record(Mark.ENTERED, {"step": step.id, "kind": step.kind, "text": step.say})
        self._doubts.forget_correction()
        self._vigil = None
        self._within, self._override = Within(step, self._equipment.off), None
        if self._return is not None and self._return.step == step.id and self._return.within is not None:
            self._within = self._return.within
        self._use_for(step)
        self._step_said = self._words_of(step)
        unfit = self._unfit(step)
        if unfit is not None:
            self._refuse(unfit)
            return True
        for said in self._step_said:
            self._speak(said)
        self._remind(step)
        if isinstance(step, Watch):
            self._begin_watch(step)
        if isinstance(step, Do) and step.wait is not None:
            self._start_timer(step.wait)
        return True

    def _remind(self, step: SpokenStep) -> None:
        """Says how what goes back here was turned, and what was remarked about it."""
        for off in (self._equipment.off[name] for name in step.puts_back if name in self._equipment.off):
            if off.remembered:
                self._say(f"{capital(off.name)}: {off.remembered}", "instruction")

    def _keep_begun(self) -> None:
        """What came off at the step that is left, which may not be done, is off."""
        left = self.procedure.step(self._at)
        if isinstance(left, SpokenStep):
            self._acts += self._equipment.take_partly_off(left, self._within.coming_off)

    def _next_to_do(self, id: str) -> Step:
        """The step of this id, or on the way through a proof the first after it that has anything left to do.

        Timers run anew that start at what is passed over: what they are for (something discharges) begins anew too.
        """
        step = self.procedure.step(id)
        back = self._return
        while back is not None and step.id != back.step and opens_only_what_is_off(step, self._equipment.off):
            assert isinstance(step, SpokenStep)  # the only ones that take anything off
            for timer in step.starts:
                self._start_timer(timer)
            step = self.procedure.step(self.procedure.target(step.id) or back.step)
        return step

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
        self._phase = Phase.STEP
        self._owed.setdefault(taken_back, left_by)
        self._say(f"There is no finding before this is done again: {spaced(taken_back)}.", "refused")
        self._barred(self._here())

    def _here(self) -> SpokenStep:
        step = self.procedure.step(self._at)
        assert isinstance(step, SpokenStep)
        return step

    def _barred(self, step: SpokenStep) -> bool:
        """Refuses to go on with the step we are at where the machine's state does not allow it any more."""
        blocked = self._equipment.blocked(step)
        if blocked is not None and self._prove_first(step):
            return True
        reason = blocked or self._unfit(step)
        if reason is not None:
            self._refuse(reason)
        return reason is not None

    def _words_of(self, step: SpokenStep) -> list[Say]:
        gravest_first = sorted(step.cautions, key=lambda caution: list(Signal).index(caution.signal))
        said = [Say(warning(caution), "caution") for caution in gravest_first]
        if isinstance(step, Measure) and step.needs_rating is not None and self._meters.of(step) is None:
            said.append(Say(f"Use a meter of {rating(step.needs_rating)}.", "instruction"))
        said.append(Say(step.say, "instruction"))
        if self._within.piece is not None:
            said.append(Say(self._within.piece.say, "instruction"))
        return said

    def _ask_to_end(self, step: Conclude) -> None:
        """What leads to a conclusion was only heard. Until it is affirmed we are where it was heard."""
        self._keep_begun()
        self._settle()
        self._at, self._vigil = self._path[-1], None
        self._within = Within(self._here(), self._equipment.off)
        taken = self._readings.of_step(self._at)
        self._last = (self._at, None if taken is None else taken.id)
        self._again = 0
        self._conclusion = step
        self._ask(Phase.ENDING, self._question_of_end)

    @property
    def _question_of_end(self) -> str:
        assert self._conclusion is not None
        read = isinstance(self._here(), Measure | Watch)
        how = "Affirm, negative or correction." if read else "Affirm or negative."
        return f"That ends the visit. Finding: {self._conclusion.finding} {how}"

    def _end(self, command: Command) -> None:
        assert self._conclusion is not None
        self._conclude(self._conclusion)

    def _conclude(self, step: Conclude) -> None:
        self._record(Mark.ENTERED, {"step": step.id, "kind": step.kind, "text": step.finding})
        self._keep_begun()
        self._at = step.id
        self._within = Within(step, self._equipment.off)
        for caution in step.cautions:
            self._say(warning(caution), "caution")
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
        against = self._readings.out_of_limits if step.condition == "sound" else []
        if against:
            self._say(f"Out of limits on record: {', '.join(against)}.", "finding")
        self._close("concluded")

    def _close(self, outcome: str) -> None:
        standing = self.standing
        off, live, part = self._equipment.off, self._equipment.live, self._within.partly_off
        if off or part:
            left = ", ".join([*(off[name].counted for name in off), *([part] if part else [])])
            self._deviate("left off", left)
            self._say(f"Still off: {left}.", "status")
        for differs in self._equipment.off.differing:
            self._say(differs, "status")
        for refused in self._worn.values():
            self._deviate("leads refused", refused)
        if outcome == "stopped":
            self._note_unaffirmed()
        if outcome == "stopped" and live:
            self._say(f"Still live: {', '.join(live)}.", "status")
        for source in self._equipment.not_found_dead:
            self._deviate("not found dead", source)
            self._say(f"Isolated, and not found dead: {source}. Treat it as live.", "status")
        deviations = "no deviations" if not self._deviations else figure_of(self._deviations, "deviation")
        self._say(f"Session closed. {figure_of(standing, 'reading')}, {deviations}.", "status")
        self._record(
            Mark.CLOSED, {"outcome": outcome, "readings": standing, "deviations": self._deviations, "off": list(off)}
        )
        self._resume, self._phase = self._left_in(), Phase.CLOSED
        self._acts.append(Close(outcome))

    def _note_unaffirmed(self) -> None:
        """What was asked about when the session was left, and is not taken for done."""
        asked = self._asked_last()
        if asked is Phase.CORRECTING and self._doubts.correction is not None:
            self._deviate("correction not affirmed", say_reading(self._doubts.correction))
        if asked is Phase.LEAVING and self._leaving_out is not None:
            what, reason = self._leaving_out
            self._deviate(f"{what}, not affirmed", reason)
        if self._left_in() is Phase.ENDING:
            assert self._conclusion is not None
            self._deviate("finding not affirmed", self._conclusion.finding)
            self._say(f"Not affirmed, so no finding: {self._conclusion.finding}", "status")

    # -- procedure words -----------------------------------------------------------------------------------------------

    def _done(self, command: Command) -> None:
        step = self._here()
        if self._barred(step):
            return
        assert isinstance(step, Do)  # DONE is not open otherwise
        if self._within.next_number is not None or self._within.more:
            self._next_piece(command)
        else:
            self._finish()

    def _not_done(self, command: Command) -> None:
        self._say(f"Waiting. Say {PHRASES[Word.DONE][0]} when it is, or unable and the reason.", "status")

    def _affirm_doubted(self, command: Command) -> None:
        assert self._doubts.reading is not None
        self._take(self._doubts.reading)

    def _deny_doubted(self, command: Command) -> None:
        self._phase, self._asked_anew = Phase.STEP, True
        self._say("Say the reading again.", "asked again")

    def _say_again(self, command: Command) -> None:
        if self._phase is not Phase.STEP:
            self._speak(self._question)
        elif not self._barred(self._here()):
            for said in self._step_said:
                self._speak(said)
            here = self._here()
            self._remind(here)
            if isinstance(here, Watch) and self._vigil is None:
                self._begin_watch(here)
            elif self._vigil is not None:
                for reading, news in self._vigil.told.items():
                    self._say(sentence(f"{reading} {news}"), "status")
                self._say_when()

    def _read_back(self, command: Command) -> None:
        taken = self._readings.last(self._path)
        if taken is None:
            self._say("No reading yet.", "status")
            return
        self._asked_anew = False  # CORRECTION is of what was read back
        self._say(sentence(f"{self._readings.asked(taken).reading}: {taken.words}"), "reading")

    def _stand_by(self, command: Command) -> None:
        self._resume, self._phase = self._phase, Phase.PAUSED
        self._record(Mark.PAUSED, {"step": self._at})
        self._say("Standing by.", "status")

    def _go_ahead(self, command: Command) -> None:
        self._phase = self._resume
        self._record(Mark.RESUMED, {"step": self._at})
        self._say_again(command)

    def _correct(self, command: Command) -> None:
        if self._asked_anew:  # said once more; with a reading it is that one, and another one stays
            self._say(self._hint(), "asked again")
            return
        old = self._wrong()
        assert old is not None  # CORRECTION is not open otherwise
        if old.series is not None:
            self._correct_point(old, command)
            return
        step = self._measure(old.step)
        left = self._left_step()
        if command.reading is None and isinstance(left, Observe):
            self._disregard(command)  # what was wrong is the answer just given, not a reading before it
            return
        was = self._outcomes.get(step.id, old.outcome)  # conforming as well where its limit was overridden
        if command.reading is None:
            self._withdraw(old, None, "correction")
            self._say_withdrawn(old)
            if was == Verdict.CONFORMING:
                self._acts += self._equipment.take_back(step)
            self._lead(step.id, self._owed.get(step.id, was), step.id)
            if step.id in self._owed:
                self._say("Say correction and the right reading.", "asked again")
            else:
                self._asked_anew = self._at == step.id
            return
        self._say(f"Correction, {step.reading}:", "reading")
        new = self._write_reading(step, command.reading, self._means_of(old))
        self._withdraw(old, new.id, "correction")
        if self._at == step.id and self._phase is not Phase.ENDING:  # its reading is awaited, and this is it
            if not self._barred(step):
                self._complete(step, new.outcome, new.id)
            return
        self._outcomes[step.id] = new.outcome
        left_by = self._owed.pop(step.id, was)
        if new.outcome != was:
            if was == Verdict.CONFORMING:
                self._acts += self._equipment.take_back(step)
            self._acts += self._equipment.disprove(step, new.outcome)
        if new.outcome != left_by:
            self._lead(step.id, left_by, self.procedure.target(step.id, new.outcome))
            return
        if self._override is not None and self._override.more.get("step") == step.id:
            self._override = self._against_limit(step, new.outcome, new.id)  # it would be of the reading that stands
        if self._work_out_again(step.id):
            return
        if self._last == (step.id, old.id):
            self._last = (step.id, new.id)
        self._repeat()

    def _watch_on(self, step: Watch) -> None:
        """The watch that would end the visit is under way again: only what is said of its last reading changes."""
        if self._outcomes.pop(step.id, None) == Verdict.CONFORMING:
            self._acts += self._equipment.take_back(step)
        self._record(Mark.TAKEN_BACK, {"step": step.id})
        self._phase, self._vigil = Phase.STEP, self._ended.pop(step.id)

    def _left_step(self) -> Step | None:
        return self.procedure.step(self._last[0]) if self._last is not None else None

    def _correct_point(self, old: Taken, command: Command) -> None:
        """A reading of a series: another at its time, or it is asked for again."""
        step = self._watch(old.step)
        assert old.series is not None
        if self._phase is Phase.ENDING and old.step == self._at:
            self._watch_on(step)
        under_way = any(taken.id == old.id for taken in self._readings.of_watch(self._vigil))
        left_by = self._owed.get(step.id, self._outcomes.get(step.id))
        if command.reading is None:
            if under_way:
                self._take_point_back(step, "correction")
            elif isinstance(self._left_step(), Observe):
                self._disregard(command)
            else:
                self._withdraw(old, None, "correction")
                self._record(Mark.TAKEN_BACK, {"step": step.id})
                self._say_withdrawn(old)
                if left_by == Verdict.CONFORMING:
                    self._acts += self._equipment.take_back(step)
                self._lead(step.id, left_by, step.id)
            return
        new = self._write_point(step, old.series, command.reading, old.seconds, self._means_of(old), corrects=True)
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
        found = self._progress(vigil)
        outcome = str(found.verdict or Verdict.UNDECIDED)
        self._record(Mark.WATCHED, {"step": step.id, **progress.data(found), "verdict": outcome})
        self._outcomes[step.id] = outcome
        self._owed.pop(step.id, None)
        if outcome == left_by:
            self._repeat()
            return
        if left_by == Verdict.CONFORMING:
            self._acts += self._equipment.take_back(step)
        self._acts += self._equipment.disprove(step, outcome)
        self._say(sentence(f"{found.reason}: {outcome}"), "reading")
        self._lead(step.id, left_by, self.procedure.target(step.id, outcome))

    def _repeat(self) -> None:
        """The instruction of the step we are at, after something that did not move us."""
        if self._phase is Phase.ENDING:
            self._speak(self._question)
        elif not self._barred(self._here()):
            if self._vigil is None:
                self._speak(self._step_said[-1])
            else:
                self._say_when()

    def _say_withdrawn(self, taken: Taken) -> None:
        name = self._readings.asked(taken).reading
        self._say(f"Corrected: {name}, {say_reading(taken.reading)}, does not stand.", "reading")

    def _withdraw(self, taken: Taken, by: str | None, why: str) -> None:
        """The reading stays on record and no longer stands."""
        self._outcomes.pop(taken.step, None)
        if taken.standing:
            self._readings.withdraw(taken)
            self._record(Mark.CORRECTED, {"reading": taken.id, "by": by, "why": why})

    def _disregard(self, command: Command) -> None:
        """Takes the last step back, which may have been completed or left by UNABLE."""
        here, why = self._here(), str(command.word)
        if isinstance(here, Watch) and self._phase is Phase.ENDING:
            self._watch_on(here)
        if isinstance(here, Watch) and self._readings.of_watch(self._vigil):
            self._take_point_back(here, why)
            return
        assert self._last is not None  # DISREGARD is not open otherwise
        left, reading = self._last
        step = self.procedure.step(left)
        assert isinstance(step, SpokenStep)
        left_by = self._outcomes.pop(left, None)
        taken = self._readings.of_id(reading)
        if taken is not None:
            self._withdraw(taken, None, why)
        self._record(Mark.TAKEN_BACK, {"step": left})
        self._acts += self._equipment.take_back(step)
        self._say("Disregarded.", "status")
        self._lead(left, left_by, left)
        self._asked_anew = isinstance(step, Measure) and self._at == left and left not in self._owed

    def _unable(self, command: Command) -> None:
        if self._phase is Phase.IDENTITY:
            self._because(_Cause(Word.UNABLE, self._unidentified), command.reason)
        else:
            self._because(_Cause(Word.UNABLE, self._unable_because), command.reason)

    def _skip(self, command: Command) -> None:
        if self._way_round(self._here()) is None:
            self._refuse("this step cannot be left out")
        else:
            self._because(_Cause(Word.SKIP, self._skip_because), command.reason)

    def _override_because(self, command: Command) -> None:
        override = self._override
        assert override is not None  # OVERRIDE is not open otherwise

        def then(reason: str) -> None:
            self._override = None
            self._deviate(override.what, reason, override.about, **override.more)
            self._say(f"{capital(override.what)}: {override.about}. {capital(reason)}. Recorded.", "answer")
            override.then()

        self._because(_Cause(Word.OVERRIDE, then), command.reason)

    def _because(self, cause: _Cause, reason: str | None) -> None:
        """Asks for the reason of a deviation where it was not said with it."""
        if self._phase is not Phase.REASON:
            self._reason_from = self._phase, self._question
        self._cause = cause
        if reason is None:
            self._ask(Phase.REASON, f"Say the reason: {', '.join(REASONS_AFTER[cause.word])}; or disregard.")
        else:
            self._give_reason(reason)

    def _give_reason(self, reason: str) -> None:
        assert self._cause is not None
        if reason == OTHER_REASON:
            self._begin_note(_Noting("reason"), "Say the reason in your own words.")
            return
        self._phase, self._question = self._reason_from
        self._cause.then(reason)

    def _reason_again(self, command: Command) -> None:
        """UNABLE and the like once more, while their reason is awaited."""
        assert self._cause is not None
        if command.word is self._cause.word:
            self._because(self._cause, command.reason)
        else:
            self._ask_again(str(command.word), "the reason is awaited")

    def _no_reason(self, command: Command) -> None:
        """The reason was not given: nothing has happened."""
        self._phase, self._question = self._reason_from
        self._say_again(command)

    def _unable_because(self, reason: str) -> None:
        self._leave_out_surely("unable", reason)

    def _skip_because(self, reason: str) -> None:
        self._leave_out_surely("skipped", reason)

    def _leave_out_surely(self, what: str, reason: str) -> None:
        """Leaves a step out; where that ends the visit, only when it was affirmed, since nothing leads back."""
        self._phase = Phase.STEP
        if not self._may_conclude(self._way_round(self._here())):
            self._leave_out(what, reason)
            return
        self._asked_in, self._leaving_out = Phase.STEP, (what, reason)
        self._ask(Phase.LEAVING, f"{capital(what)}, {reason}: that ends the visit. Affirm or negative.")

    def _may_conclude(self, target: str | None) -> bool:
        """Whether nothing is done any more where this way leads; it may be so past a figure, which is not known yet."""
        step = self.procedure.step(target) if target is not None else None
        while isinstance(step, Choose):
            target = self.procedure.target(step.id, self._outcomes.get(step.by))
            step = self.procedure.step(target) if target is not None else None
        return isinstance(step, Conclude | Calculate)

    def _leave_out(self, what: str, reason: str) -> None:
        step = self._here()
        self._phase = Phase.STEP
        self._deviate(what, reason, still_waited_for(step, self._timers, self._moment))
        self._say(f"{capital(what)}, {reason}. Recorded.", "answer")
        target = self._way_round(step)
        if target is None:
            refusal = "the procedure has no way round this step"
            self._record(Mark.REFUSED, {"step": self._at, "reason": refusal})
            self._say(f"{capital(refusal)}. Do it, say go back, or end session.", "refused")
            return
        self._last = (step.id, None)
        self._outcomes.pop(step.id, None)
        if self._return is not None and self._return.step == step.id:
            self._return = None
        self._go(target, affirmed=True)

    def _way_round(self, step: SpokenStep) -> str | None:
        if step.unable is not None:
            return step.unable
        effects = (step.isolates, step.proves_dead, step.energises, step.takes_off, step.puts_back, step.starts)
        if isinstance(step, Do) and not any(effects) and step.replaces is None:
            return self.procedure.target(step.id)
        return None

    def _go_back(self, command: Command) -> None:
        *before, back, here = self._path
        self._path = [*before, back]
        if not self._go(back):
            self._path.append(here)
            return
        self._last = None
        returned = self.procedure.step(back)
        assert isinstance(returned, SpokenStep)
        self._acts += self._equipment.take_back(returned)
        self._remind(returned)
        if self._unfit(self._here()) is None:  # that was said on entering
            self._barred(self._here())

    def _how_far(self, command: Command) -> None:
        spoken = [step.id for step in self.procedure.steps if isinstance(step, SpokenStep)]
        parts = [f"Step {spoken.index(self._at) + 1} of {len(spoken)}", figure_of(self.standing, "reading")]
        parts += self._equipment.states
        if self._equipment.off:
            parts.append(f"off: {', '.join(self._equipment.off)}")
        running = self._timers.how_long(self._moment)
        if running:
            parts.append(running.removesuffix("."))
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
        self._asked_in, self._leaving_out = self._phase, None
        self._ask(Phase.LEAVING, "End the session here? Affirm or negative.")

    def _left(self, command: Command) -> None:
        if self._leaving_out is not None:
            self._leave_out(*self._leaving_out)
            return
        self._deviate("ended early", "the technician ended the session")
        self._close("stopped")

    def _stay(self, command: Command) -> None:
        if self._phase is Phase.LEAVING and self._asked_in is Phase.METER:
            self._ask_meter()
            return
        if self._phase is Phase.LEAVING and self._asked_in is Phase.IDENTITY:
            self._ask_to_spell()
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
        wordless = isinstance(self._event, Heard) and self._event.clip is not None and not text
        if wordless and self._again > 1:
            return  # a machine, or what comes back of this voice: to speak would only feed it. The tone says enough
        if self._phase is Phase.ENDING:  # whoever meant to put it right must know that it stands
            self._say(f"Not taken: {reason}. {self._question.text}", "asked again")
        elif self.asking:
            self._say(f"Say again. {self._question.text}", "asked again")
        elif self._again == 1 or reason != self._why:
            self._why = reason
            self._say(f"Say again. {sentence(reason)}", "asked again")
        else:
            self._say(f"Say again. {self._hint()}", "asked again")

    def _hint(self) -> str:
        step = self.procedure.step(self._at)
        if self._phase is Phase.METER:
            return f"Say {' or '.join(phrases[0] for phrases in self._meters.answers.values())}."
        if self._phase is Phase.REASON:
            assert self._cause is not None
            return f"The reasons are: {', '.join(REASONS_AFTER[self._cause.word])}."
        if self._phase is Phase.IDENTITY:
            return self._spelling.hint
        if self._phase is Phase.COUNT:
            return "Say the number, or override and the reason."
        if self._phase is Phase.NOTE:
            return "Say it in your own words, or disregard."
        if self.asking:
            return "Affirm or negative."
        if self._vigil is not None and self._vigil.series is None:
            return self._when(self._vigil)
        if isinstance(step, Measure | Watch):
            return "Say the digits one by one, then the unit."
        if isinstance(step, Observe):
            return f"Say {' or '.join(phrases[0] for phrases in step.answers.values())}."
        if self._within.next_number is not None:
            return sentence(self._within.so_far)
        return "Say done, or unable and the reason."

    def _refuse(self, reason: str) -> Literal[False]:
        self._record(Mark.REFUSED, {"step": self._at, "reason": reason})
        self._say(sentence(f"not possible: {reason}"), "refused")
        return False

    def _deviate(self, what: str, reason: str, about: str | None = None, **more: str) -> None:
        self._deviations += 1
        known = {} if about is None else {"about": about}
        self._record(Mark.DEVIATION, {"step": self._at, "what": what, "reason": reason, **known, **more})

    def _record(self, mark: Mark, data: Mapping[str, object]) -> None:
        self._acts.append(Record(mark, data))


_HARMLESS = frozenset(
    {
        *(Word.SAY_AGAIN, Word.READ_BACK, Word.HOW_FAR, Word.HOW_DO_YOU_READ, Word.ROGER, Word.STAND_BY, Word.MARK),
        *(Word.WHAT_IS_OFF, Word.WHERE_GOES, Word.HOW_MANY, Word.HOW_LONG),
    }
)

_MOVES_ON = frozenset({Word.DONE, Word.GO_AHEAD, Word.UNABLE, Word.SKIP, Word.OVERRIDE})


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
        Word.WHAT_IS_OFF: Session._what_is_off,
        Word.WHERE_GOES: Session._where_goes,
        Word.HOW_MANY: Session._how_many,
        Word.HOW_LONG: Session._how_long,
        Word.MARK: Session._mark,
        Word.NOTE: Session._note,
    }
    moves: dict[Word, Callable[[Session, Command], None]] = {
        Word.UNABLE: Session._unable,
        Word.GO_BACK: Session._go_back,
        Word.CORRECTION: Session._correct,
        Word.DISREGARD: Session._disregard,
        Word.END_SESSION: Session._leave,
        Word.CHANGE_METER: Session._change_meter,
        Word.SKIP: Session._skip,
        Word.OVERRIDE: Session._override_because,
        Word.ORIENTATION_NOTE: Session._orientation_note,
        Word.TIMER: Session._set_timer,
        Word.CANCEL_TIMER: Session._cancel_timer,
    }
    table: dict[Phase, dict[Word, Callable[[Session, Command], None]]] = {
        Phase.STEP: {
            **status,
            **moves,
            Word.DONE: Session._done,
            Word.AFFIRM: Session._roger,  # answers questions only: a second "affirm" must not complete the next step
            Word.NEGATIVE: Session._not_done,
            Word.GO_AHEAD: Session._next_piece,
        },
        Phase.IDENTITY: {
            **status,
            Word.AFFIRM: Session._affirm_spelled,
            Word.NEGATIVE: Session._deny_spelled,
            Word.DISREGARD: Session._deny_spelled,
            Word.UNABLE: Session._unable,
            Word.GO_BACK: Session._spell_before,
            Word.END_SESSION: Session._leave,
        },
        Phase.COUNT: {
            **status,
            Word.OVERRIDE: Session._override_because,
            Word.DISREGARD: Session._stay,
            Word.END_SESSION: Session._leave,
        },
        Phase.METER: {**status, Word.DISREGARD: Session._stay, Word.END_SESSION: Session._leave},
        Phase.DOUBT: {
            **status,
            Word.AFFIRM: Session._affirm_doubted,
            Word.CORRECTION: Session._deny_doubted,
            Word.NEGATIVE: Session._deny_doubted,
            Word.DISREGARD: Session._deny_doubted,
        },
        Phase.CORRECTING: {
            **status,
            Word.AFFIRM: Session._affirm_correction,
            Word.CORRECTION: Session._say_again,
            Word.NEGATIVE: Session._deny_correction,
            Word.DISREGARD: Session._deny_correction,
        },
        Phase.REASON: {
            **status,
            Word.UNABLE: Session._reason_again,
            Word.SKIP: Session._reason_again,
            Word.OVERRIDE: Session._reason_again,
            Word.DISREGARD: Session._no_reason,
        },
        Phase.LEAVING: {
            **status,
            Word.AFFIRM: Session._left,
            Word.NEGATIVE: Session._stay,
            Word.DISREGARD: Session._stay,
        },
        Phase.ENDING: {
            **status,
            Word.AFFIRM: Session._end,
            Word.CORRECTION: Session._correct,
            Word.NEGATIVE: Session._disregard,
            Word.DISREGARD: Session._disregard,
        },
        Phase.PAUSED: {Word.GO_AHEAD: Session._go_ahead},
    }
    return {(phase, word): act for phase, row in table.items() for word, act in row.items()}


_WORDS = _words()


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
    if event.early:
        data["early"] = True
    if event.unasked:
        data["unasked"] = True
    if event.left_off:
        data["left_off"] = list(event.left_off)
    if event.said_again:
        data["said_again"] = list(event.said_again)
    return data


def _verdict(verdict: Verdict | None) -> str | None:
    return None if verdict is None else str(verdict)


def _is_broken_count(reading: Reading, step: Measure) -> bool:
    return step.quantity is Quantity.COUNT and reading.value is not None and not reading.value.isdecimal()
