"""What a spoken phrase can mean: the data that the other rooms pass around.

The one rule: a meaning holds the digits as they were spoken. A value is a decimal string ("5.20"), never a float,
because the last digit spoken says what the meter could resolve.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from handsfree.spoken.identifiers import Form

Waveform = Literal["ac", "dc"]


class Quantity(StrEnum):
    """The kinds of quantity a step can ask for; names follow ISO 80000 where it has one."""

    RESISTANCE = "resistance"
    VOLTAGE = "voltage"
    CURRENT = "current"
    CAPACITANCE = "capacitance"
    TEMPERATURE = "temperature"
    PRESSURE = "pressure"
    FREQUENCY = "frequency"
    RATIO = "ratio"
    TORQUE = "torque"
    MASS = "mass"
    LENGTH = "length"
    TIME = "time"
    POWER = "power"
    COUNT = "count"


class Kind(StrEnum):
    """What sort of statement about the meter's display a reading is."""

    READING = "reading"  # the display shows a value
    OVER_RANGE = "over-range"  # the display shows OL: more than the range can show
    ABOVE = "above"  # "greater than five hundred megohms"
    BELOW = "below"  # "less than zero point one ohm"


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading as spoken.

    ``value`` is a decimal string in ``unit``, digits as spoken (trailing zeros kept); None only for over-range.
    ``unit`` is pint's canonical name; None for a plain count, and for an over-range with no unit spoken.
    ``waveform`` is set only where "a c" or "d c" was said.
    """

    kind: Kind
    value: str | None
    unit: str | None
    waveform: Waveform | None = None


@dataclass(frozen=True, slots=True)
class Refusal:
    """A phrase that has no single safe meaning; ``reason`` says why and, where it can, what to say instead."""

    reason: str


@dataclass(frozen=True, slots=True)
class Expectation:
    """The quantity a reading must have. ``unit`` (pint's name) is supplied where the speaker leaves it out.

    With no quantity every unit is allowed and a bare number is a count.
    """

    quantity: Quantity | None = None
    unit: str | None = None
    waveform: Waveform | None = None


class Word(StrEnum):
    """Procedure words. Meanings follow ICAO Annex 10 Vol. II, 5.2.1.5.8 and Doc 9432 unless marked as ours."""

    AFFIRM = "affirm"
    NEGATIVE = "negative"
    DONE = "done"  # ours: the instruction has been carried out
    SAY_AGAIN = "say again"
    READ_BACK = "read back"
    CORRECTION = "correction"
    DISREGARD = "disregard"
    STAND_BY = "stand by"
    GO_AHEAD = "go ahead"
    UNABLE = "unable"
    ROGER = "roger"
    SPEAK_SLOWER = "speak slower"
    SPEAK_FASTER = "speak faster"  # ours: undoes SPEAK SLOWER
    HOW_DO_YOU_READ = "how do you read"
    GO_BACK = "go back"  # ours: one step back
    HOW_FAR = "how far"  # ours: where are we
    CHANGE_METER = "change meter"  # ours: another meter is used from now on
    SKIP = "skip this step"  # ours: it is left out on purpose, for a reason
    OVERRIDE = "override"  # ours: go on against what was refused or judged, for a reason
    WHAT_IS_OFF = "what is off"  # ours
    WHERE_GOES = "where does it go"  # ours: of something that is off
    HOW_MANY = "how many"  # ours: of something that is off
    NOTE = "note"  # ours: what is said next is kept as it was said
    ORIENTATION_NOTE = "orientation note"  # ours: the same, about what came off last
    MARK = "mark"  # ours: the supervisor should look at this moment
    TIMER = "timer"  # ours: a timer of the technician's own
    CANCEL_TIMER = "cancel timer"  # ours
    HOW_LONG = "how long"  # ours: how long the timers have to run
    END_SESSION = "end session"  # ours: stop here, keep the record


@dataclass(frozen=True, slots=True)
class Command:
    """A procedure word, and what was said with it.

    ``reason`` may follow UNABLE, SKIP and OVERRIDE, ``reading`` CORRECTION, ``seconds`` TIMER; ``item`` is the phrase
    by which something that is off was asked for.
    """

    word: Word
    reason: str | None = None
    reading: Reading | None = None
    item: str | None = None
    seconds: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """One of the answers that an observe step offers, by its key in the procedure."""

    key: str


@dataclass(frozen=True, slots=True)
class Spelled:
    """A serial, part or order number; ``text`` is as its form prints it, in capitals ("BX-409")."""

    text: str


@dataclass(frozen=True, slots=True)
class Respelled:
    """Other letters or digits in some places of an identifier ("third is papa"): ``text`` is what
    ``identifiers.correct`` takes, for whoever knows the identifier.
    """

    text: str


Meaning = Reading | Command | Answer | Spelled | Respelled | Refusal


@dataclass(frozen=True, slots=True)
class Open:
    """What may be said at a moment: it narrows the recogniser's grammar and the parser alike.

    ``reading`` is None where no reading is open; ``correction`` is the expectation for a reading said after CORRECTION,
    None where there is nothing to correct. ``answers`` maps an answer's key to the phrases that mean it.
    ``identifier`` is the form of a number that may be spelled, None where none is asked for; one of the phrases in
    ``identifier_named`` may be said before it ("serial number"). ``change``: an identifier that was read back may be
    changed by place. It is not asked for together with a reading: digits one by one may be either (ValueError).
    ``items`` are the phrases by which what is off can be asked for.
    ``dictation``: free speech is taken as it is, no grammar; the rest does not count then.
    """

    reading: Expectation | None = None
    answers: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    words: frozenset[Word] = frozenset()
    correction: Expectation | None = None
    identifier: Form | None = None
    identifier_named: tuple[str, ...] = ()
    change: bool = False
    items: tuple[str, ...] = ()
    dictation: bool = False

    def __post_init__(self) -> None:
        if (self.identifier and self.reading) or (self.change and (self.reading or self.correction)):
            raise ValueError("what is spelled and a reading are asked for one after the other")

    @property
    def nothing(self) -> bool:
        """Whether there is nothing to listen for."""
        return not (self.reading or self.answers or self.words or self.identifier or self.change or self.dictation)
