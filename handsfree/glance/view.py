"""What a glance at the session shows, worked out from its events and acts.

The one rule: a view is data, and ``follow`` makes the next one out of the last and what has just happened; there is no
clock, thread or page in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import count
from typing import Any, Literal

from handsfree.judge import progress
from handsfree.procedure.model import Calculate, Caution, Choose, Conclude, Do, Procedure, Signal, SpokenStep, Watch
from handsfree.review.report import limit_text, reading_text, symbol
from handsfree.session.events import Act, Ended, Event, Fault, Heard, Listen, Mark, Record, Reopened
from handsfree.spoken.meaning import Open, Word

_NEXT = "next reading"  # the timer of a watch


@dataclass(frozen=True, slots=True)
class Step:
    """The step we are at. ``number`` of ``of`` counts the steps that are read aloud; None for a conclusion, and where a
    question comes before the first step. ``piece`` is which one of how many, where the instruction has pieces.
    """

    id: str
    text: str
    cautions: tuple[tuple[str, str], ...]  # signal word and text, gravest first
    number: int | None
    of: int
    piece: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of what was heard.

    ``kind`` is the verdict of a reading or "noted" where it is not judged, "done", "again", "refused", "over" for
    a timer that is, or "said" for any other answer.
    """

    kind: Literal["conforming", "nonconforming", "undecided", "noted", "done", "again", "refused", "over", "said"]
    text: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Timer:
    """A running timer and when it will be over."""

    name: str
    over: datetime


@dataclass(frozen=True, slots=True)
class View:
    """The session at a moment. ``heard`` is None before anything was; empty where nothing was understood."""

    procedure: Procedure
    step: Step | None = None
    heard: str | None = None
    outcomes: tuple[Outcome, ...] = ()
    may_say: tuple[str, ...] = ()
    energy: Mapping[str, str] = field(default_factory=dict)
    off: tuple[str, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)  # of what is off, where it is counted
    timers: tuple[Timer, ...] = ()
    watched: float = -1.0  # seconds from the beginning of a watch to its last reading
    fault: str = ""
    readings: int = 0
    deviations: int = 0
    paused: bool = False
    action: str = ""
    closed: str = ""  # "concluded" or "stopped"


def follow(view: View, event: Event, acts: Sequence[Act]) -> View:
    """The view after an event and the acts that answered it."""
    if isinstance(event, Heard):
        view = replace(view, heard=event.text, outcomes=(), fault="")
    elif isinstance(event, Fault):
        view = replace(view, fault=event.what)
    elif isinstance(event, Ended):
        view = replace(view, outcomes=(Outcome("said", event.why),))
    elif isinstance(event, Reopened):
        view = replace(view, heard=None, outcomes=(), fault="", paused=False, closed="")
    for act in acts:
        match act:
            case Record(mark=mark, data=data):
                view = _recorded(view, mark, data, event)
            case Listen(what=what):
                view = replace(view, may_say=_may_say(what))
            case _:
                pass
    return replace(view, may_say=()) if view.closed else view


def _recorded(view: View, mark: Mark, data: Mapping[str, Any], event: Event) -> View:
    match mark:
        case Mark.ENTERED:
            running = tuple(timer for timer in view.timers if timer.over > event.time and timer.name != _NEXT)
            return _entered(replace(view, timers=running, watched=-1.0), data["step"])
        case Mark.PIECE:
            return replace(view, step=_at_piece(view, data["piece"]))
        case Mark.COUNTED if view.step is not None and view.step.piece is not None:
            return replace(view, step=_at_piece(view, view.step.piece[0], data["count"]))
        case Mark.DUE | Mark.WATCHED:
            return replace(view, timers=tuple(timer for timer in view.timers if timer.name != _NEXT))
        case Mark.TIMER:
            name = data["timer"].replace("-", " ")
            others = tuple(timer for timer in view.timers if timer.name != name)
            if data["state"] == "cancelled":
                return replace(view, timers=others)
            timer = Timer(name, event.time + timedelta(seconds=data["left"]))
            if data["state"] == "over":
                view = _with(view, Outcome("over", f"{name}: over"))
            return replace(view, timers=(*others, timer))
        case Mark.READING:
            limit = limit_text(data["limit"])
            detail = ": ".join(part for part in (data["reading"], limit) if part)
            if data["reason"]:
                detail += f" ({data['reason']})"
            better = tuple(outcome for outcome in view.outcomes if outcome.kind != "said")
            view = _with_next(replace(view, readings=view.readings + 1, outcomes=better), data, event)
            return _with(view, Outcome(data["verdict"] or "noted", reading_text(data), detail))
        case Mark.CORRECTED:
            return replace(view, readings=view.readings - 1)
        case Mark.DONE:
            return _with(view, Outcome("done", "done"))
        case Mark.SAID if data["about"] == "asked again" and (view.step is None or not view.step.id):
            return replace(view, step=Step("", data["text"], (), None, 0))  # before the first step there are questions
        case Mark.SAID if isinstance(event, Heard | Reopened):
            return _said(view, data["text"], data["about"])
        case Mark.ENERGY:
            return replace(view, energy={**view.energy, data["name"]: data["state"]})
        case Mark.TAKEN_OFF:
            counts = {**view.counts, data["item"]: data["count"]} if "count" in data else view.counts
            off = tuple(item for item in view.off if item != data["item"])  # more of it may have come off
            return replace(view, off=(*off, data["item"]), counts=counts)
        case Mark.PUT_BACK:
            return replace(view, off=tuple(item for item in view.off if item != data["item"]))
        case Mark.PAUSED | Mark.RESUMED:
            return replace(view, paused=mark is Mark.PAUSED)
        case Mark.DEVIATION:
            return replace(view, deviations=view.deviations + 1)
        case Mark.CONCLUDED:
            return replace(view, action=data["action"])
        case Mark.CLOSED:
            return replace(view, closed=data["outcome"], paused=False)
        case _:
            return view


def _entered(view: View, id: str) -> View:
    step = view.procedure.step(id)
    spoken = [each.id for each in view.procedure.steps if isinstance(each, SpokenStep)]
    match step:
        case Choose() | Calculate():
            return view
        case Conclude():
            return replace(view, step=Step(id, step.finding, _cautions(step.cautions), None, len(spoken)))
        case _:
            number = spoken.index(id) + 1
            view = replace(view, step=Step(id, step.say, _cautions(step.cautions), number, len(spoken)))
            return replace(view, step=_at_piece(view, 1)) if isinstance(step, Do) and step.pieces else view


def _at_piece(view: View, number: int, done: int = 0) -> Step | None:
    """A piece of a long instruction, with how often it is done; the first one after what all of them are for."""
    assert view.step is not None
    step = view.procedure.step(view.step.id)
    assert isinstance(step, Do)
    piece = step.pieces[number - 1]
    text = f"{step.say} {piece.say}" if number == 1 else piece.say
    if piece.times:
        text += f" ({done} of {piece.times})"
    return replace(view.step, text=text, piece=(number, len(step.pieces)))


def _with_next(view: View, data: Mapping[str, Any], event: Event) -> View:
    """A reading of a watch: after a whole round, the time until the next one runs. A correction moves nothing."""
    if "series" not in data or data["seconds"] <= view.watched:
        return view
    step = view.procedure.step(data["step"])
    assert isinstance(step, Watch)
    seconds = data["seconds"]
    timers = tuple(timer for timer in view.timers if timer.name != _NEXT)
    if data["series"] == step.series[-1].reading:
        due = next(due for due in (progress.due(step, rounds) for rounds in count()) if due > seconds)
        timers = (*timers, Timer(_NEXT, event.time + timedelta(seconds=due - seconds)))
    return replace(view, timers=timers, watched=seconds)


def _cautions(cautions: Sequence[Caution]) -> tuple[tuple[str, str], ...]:
    gravest_first = sorted(cautions, key=lambda caution: list(Signal).index(caution.signal))
    return tuple((caution.signal.value, caution.text) for caution in gravest_first)


def _said(view: View, text: str, about: str) -> View:
    """An answer in words, where nothing that is shown already says it better."""
    match about:
        case "asked again":
            return _with(view, Outcome("again", text))
        case "refused":
            return _with(view, Outcome("refused", text))
        case "answer" | "status":
            return _with(view, Outcome("said", text))
        case "reading" if not any(outcome.kind not in ("said", "done") for outcome in view.outcomes):
            return _with(view, Outcome("said", text))
        case _:  # the step's own cautions and instruction, and the finding
            return view


def _with(view: View, outcome: Outcome) -> View:
    return replace(view, outcomes=(*view.outcomes, outcome))


def _may_say(what: Open) -> tuple[str, ...]:
    """What moves the session on from here; the words that are open everywhere are not shown."""
    if what.words == {Word.GO_AHEAD}:
        return ("go ahead",)
    if what.dictation:
        return ("speak: it is kept as it is said",)
    if what.change:
        return ("affirm", "negative", "third is papa")
    if what.identifier is not None:
        return ("spell it: alfa, bravo, one, two",)
    numbers = bool(what.answers) and all(key.isdecimal() for key in what.answers)
    phrases = ["the number"] if numbers else [said[0] for said in what.answers.values()]
    if what.reading is not None:
        phrases.append(f"the reading in {symbol(what.reading.unit)}" if what.reading.unit else "the reading")
    if Word.GO_AHEAD in what.words:
        phrases.append("go ahead")
    if Word.DONE in what.words:
        phrases.append("done")
    elif Word.AFFIRM in what.words:
        phrases += ["affirm", "negative"]
    return tuple(phrases)


def state(view: View, now: datetime) -> dict[str, Any]:
    """The view as the page takes it (JSON). A timer is told in seconds left, so that no two clocks need agree."""
    return {
        "title": view.procedure.title,
        "equipment": view.procedure.equipment,
        "step": None
        if view.step is None
        else {
            "id": view.step.id,
            "text": view.step.text,
            "cautions": [{"signal": signal, "text": text} for signal, text in view.step.cautions],
            "number": view.step.number,
            "of": view.step.of,
            "piece": view.step.piece,
        },
        "heard": view.heard,
        "outcomes": [
            {"kind": outcome.kind, "text": outcome.text, "detail": outcome.detail} for outcome in view.outcomes
        ],
        "may_say": _not_asked(view),
        "energy": [{"name": name, "state": state} for name, state in view.energy.items()],
        "off": [f"{view.counts[item]} {item}" if item in view.counts else item for item in reversed(view.off)],
        "timers": [
            {"name": timer.name, "left": max(0, round((timer.over - now).total_seconds()))} for timer in view.timers
        ],
        "fault": view.fault,
        "readings": view.readings,
        "deviations": view.deviations,
        "paused": view.paused,
        "action": view.action,
        "closed": view.closed,
    }


def _not_asked(view: View) -> list[str]:
    """What may be said, but for a list that a question on the page names already."""
    asked = " ".join(outcome.text for outcome in view.outcomes if outcome.kind == "again").lower()
    told = all(phrase in asked for phrase in view.may_say)
    return [] if told else list(view.may_say)
