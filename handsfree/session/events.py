"""What can happen to a session, and what it answers with.

The one rule: events and acts are plain frozen data. A session takes events in and gives acts back; time comes in with
the event, so the same events always give the same acts.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from handsfree.spoken.meaning import Open


class Mark(StrEnum):
    """Kinds of journal entry. The first six are events; the others say what the session made of them."""

    OPENED = "opened"  # {handsfree, procedure: {id, title, edition, equipment, sha256}, settings: {...},
    #                     meters: [all that is known of each], visit: {work_order, ...}: each left out where none is}
    HEARD = "heard"  # {text, confidence, engine, alternatives: [{text, score}], clip, clip_sha256, offset, seconds,
    #                   reception: {readability, level, snr, bandwidth, advice}, left out where it was not measured,
    #                   early: true, unasked: true, left_off: [text], said_again: [text]: each left out where it
    #                   does not apply}
    FAULT = "fault"  # {what}
    DUE = "due"  # {step}: the time has come for the next readings of a watch
    ENDED = "ended"  # {why}: the input ended
    REOPENED = "reopened"  # {handsfree, settings: {...}, set_aside: [{name, bytes, sha256}]}: a session that was left
    #                        goes on; set_aside are files beside the journal, each a piece of a line that was torn

    SAID = "said"  # {text, about, step}
    ENTERED = "entered"  # {step, kind, text}
    READING = "reading"  # {id, step, reading, kind, value, unit, waveform, words, limit: {...}, verdict, reason,
    #                       meter, range: {...}, uncertainty: {expanded, k, unit}, decision: {rule, guard_ratio, guard,
    #                       conformity, risk}: where a meter is known; leads: {zero, taken_off, corrected, unit};
    #                       implausible: {between, unit}: the range that it was affirmed outside of;
    #                       series, seconds: where it is one of a watch, seconds since that began}
    CALCULATED = "calculated"  # {step, figure, formula, inputs: [{step, reading, id, value, unit}], value, unit,
    #                            uncertainty, words, limit: {...}, limits: [low, high], verdict, reason, conformity};
    #                            uncertainty is expanded (k = 2), null where none is known
    WATCHED = "watched"  # {step, series: [{reading, must, goal, verdict, reason, fit, left_out}], order, verdict};
    #                       left_out are the places, from 1, of readings that do not fit the others
    METER = "meter"  # {meter, name, serial, calibration_due, days_overdue}: used from now on; meter null: not known
    CORRECTED = "corrected"  # {reading, by, why}: reading id, id of the new one or null
    ANSWERED = "answered"  # {step, answer, text}
    TAKEN_BACK = "taken back"  # {step}: what was answered, done or watched there does not stand
    DONE = "done"  # {step}
    ASKED_AGAIN = "asked again"  # {step, text, reason}: nothing was recorded, the question stands
    REFUSED = "refused"  # {step, reason}: the session would not do what was asked
    DEVIATION = "deviation"  # {step, what, reason, about, reading}; about is left out where it is the step
    IDENTIFIED = "identified"  # {what, value, words}: a serial number or the like
    PIECE = "piece"  # {step, piece, of}: a piece of an instruction was begun
    COUNTED = "counted"  # {step, item, count, expected}
    NOTED = "noted"  # {id, step, kind: "note", "orientation" or "reason", item, text, checked, clip}
    #                  item left out where it is about none; checked is false where a recogniser made the text
    MARKED = "marked"  # {step}: a moment that the supervisor should look at
    TIMER = "timer"  # {step, timer, state: "started", "told", "over" or "cancelled", seconds, left}
    # {step, part, old, new, reading, reason, verified_by}: serial numbers old and new, or null. Where it is taken back,
    # {step, part, stands: false}
    REPLACED = "replaced"
    VERIFIED = "verified"  # {step, part, stands}: a part that was replaced was shown to work; or that was taken back
    ENERGY = "energy"  # {source, name, state}: "live", "isolated", "proved dead"; once for each source at the start
    TAKEN_OFF = "taken off"  # {step, item, count, place, orientation}; those that are not known are left out
    PUT_BACK = "put back"  # {step, item}
    PAUSED = "paused"  # {step}
    RESUMED = "resumed"  # {step}
    CONCLUDED = "concluded"  # {step, finding, condition, part, action}
    CLOSED = "closed"  # {outcome, readings, deviations, off}: "concluded" or "stopped"


EVENT_MARKS = frozenset({Mark.OPENED, Mark.HEARD, Mark.FAULT, Mark.DUE, Mark.ENDED, Mark.REOPENED})


@dataclass(frozen=True, slots=True)
class Started:
    """The session begins. ``data`` is what the journal's first entry holds."""

    time: datetime
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reception:
    """How an utterance was received, None where it could not be measured.

    ``readability`` is from 1, unreadable, to 5 (ICAO Annex 10 Vol. II, 5.2.1.8.4). ``level`` of the speech is in dB of
    full scale, ``snr`` over the noise in dB, ``bandwidth`` in Hz. ``advice`` is a sentence on the worst of it, if any.
    """

    readability: int | None
    level: float | None
    snr: float | None
    bandwidth: float | None
    advice: str | None


@dataclass(frozen=True, slots=True)
class Heard:
    """One utterance, or its failure to become words (``text`` empty).

    ``alternatives`` are other hearings with the logarithm of their likelihood against the text's (0: as likely).
    ``clip`` and ``clip_sha256`` name the audio kept in the session's folder; ``offset`` and ``seconds`` place it in its
    stream. ``early``: it began before the answer to the utterance before it did. ``unasked``: it began before anybody
    had heard the instruction that is open. ``left_off`` are the prompts that were not spoken to their end because of
    it: the first in the middle, the others not at all. ``said_again`` are those that were left off before that, and
    were spoken again before it.
    """

    time: datetime
    text: str
    confidence: float | None = None
    engine: str = "typed"
    alternatives: tuple[tuple[str, float], ...] = ()
    clip: str | None = None
    clip_sha256: str | None = None
    offset: float | None = None
    seconds: float | None = None
    reception: Reception | None = None
    early: bool = False
    unasked: bool = False
    left_off: tuple[str, ...] = ()
    said_again: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fault:
    """Something outside failed (a device was lost, a disk is full); the session says so and goes on."""

    time: datetime
    what: str


@dataclass(frozen=True, slots=True)
class Due:
    """The time that ``Session.due`` gave has come, and nobody is in the middle of speaking."""

    time: datetime


@dataclass(frozen=True, slots=True)
class Ended:
    """The input ended: the file is over, the terminal was closed, the technician stopped the program."""

    time: datetime
    why: str


@dataclass(frozen=True, slots=True)
class Reopened:
    """A session that was left goes on. ``data`` is what the journal's entry holds."""

    time: datetime
    data: Mapping[str, Any] = field(default_factory=dict)


Event = Started | Heard | Fault | Due | Ended | Reopened


@dataclass(frozen=True, slots=True)
class Record:
    """Write this to the journal before anything is spoken."""

    mark: Mark
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Say:
    """Speak this. It stands in the journal as well."""

    text: str
    about: str  # "caution", "instruction", "reading", "answer", "asked again", "refused", "finding", "status"


@dataclass(frozen=True, slots=True)
class Listen:
    """Narrow the recogniser to what may be said now."""

    what: Open


@dataclass(frozen=True, slots=True)
class SpeakRate:
    """Change the rate of speech by this factor from now on."""

    factor: float


@dataclass(frozen=True, slots=True)
class Close:
    """The session is over; ``outcome`` is "concluded" or "stopped"."""

    outcome: str


Act = Record | Say | Listen | SpeakRate | Close


def asks_again(acts: Iterable[Act]) -> bool:
    """Whether these acts ask for something to be said again, or to be affirmed."""
    return any(
        (isinstance(act, Record) and act.mark is Mark.ASKED_AGAIN)
        or (isinstance(act, Say) and act.about == "asked again")
        for act in acts
    )


def comes_to_nothing(acts: Collection[Act]) -> bool:
    """Whether these acts ask again, or refuse what was said."""
    return asks_again(acts) or any(isinstance(act, Record) and act.mark is Mark.REFUSED for act in acts)
