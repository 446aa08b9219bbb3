"""Replay: a record is what its own events produce.

The one rule: only the events are taken from the journal; everything else is worked out again by a fresh session and
must come out the same, so a reading, verdict or answer that was put in, taken out or altered does not fit. What another
version made may not fit either, and nobody has altered it: that version tells.

A session that is resumed is rebuilt in the same way: there is one account of what its events make of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from handsfree import __version__
from handsfree.errors import PlainError
from handsfree.judge.meter import Meter
from handsfree.procedure.document import ProcedureError
from handsfree.procedure.load import loads
from handsfree.procedure.model import Procedure
from handsfree.session.doubt import Policy
from handsfree.session.events import EVENT_MARKS, Act, Due, Ended, Event, Fault, Heard, Mark, Record, Reopened, Started
from handsfree.session.journal import (
    PROCEDURE,
    Entry,
    Grade,
    JournalError,
    Problem,
    Torn,
    canonical,
    scan,
    verify_chain,
)
from handsfree.session.machine import Session

# Where validation is lenient ("1" for 1), the replayed record differs from the entry, and that is reported.
_HEARD, _FAULT, _ENDED = TypeAdapter(Heard), TypeAdapter(Fault), TypeAdapter(Ended)
_POLICY = TypeAdapter(Policy)
_METERS = TypeAdapter(tuple[Meter, ...])
_SET_ASIDE = TypeAdapter(list[Torn])
_VERSION = re.compile(r"[0-9][0-9A-Za-z.+!-]{0,40}")  # as Python's packages write theirs
_BEGINNINGS = (Mark.OPENED, Mark.REOPENED)  # which name the version that went on from there


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """A session that has had its events again. ``happened`` are these with the acts that answered them.

    ``missing`` are what the last event gave and the journal does not hold: the program ended before it was written.
    """

    session: Session
    policy: Policy
    happened: list[tuple[Event, Sequence[Act]]]
    problems: list[Problem]
    missing: list[Record]


def event_of(entry: Entry) -> Event:
    """The event that an entry holds. Raises JournalError for an entry that holds none."""
    data = {**entry.data, "time": entry.time}
    try:
        match entry.kind:
            case Mark.OPENED:
                return Started(entry.time, entry.data)
            case Mark.HEARD:
                data["alternatives"] = tuple((other["text"], other["score"]) for other in data["alternatives"])
                return _HEARD.validate_python(data)
            case Mark.FAULT:
                return _FAULT.validate_python(data)
            case Mark.DUE:
                return Due(entry.time)
            case Mark.ENDED:
                return _ENDED.validate_python(data)
            case Mark.REOPENED:
                _SET_ASIDE.validate_python(entry.data["set_aside"])
                return Reopened(entry.time, entry.data)
    except (KeyError, TypeError, ValidationError):
        raise JournalError(f"entry {entry.n} ({entry.kind}) does not hold what such an entry holds") from None
    raise JournalError(f"entry {entry.n} ({entry.kind}) is not an event")


def replay(entries: list[Entry], procedure: bytes) -> list[Problem]:
    """Feeds the events to a fresh session and compares what it records with what stands in the journal.

    Raises JournalError where the entries are not those of a session, ProcedureError where the procedure cannot be read.
    """
    return rebuild(entries, loads(procedure, PROCEDURE).procedure).problems


def rebuild(entries: list[Entry], used: Procedure) -> Rebuilt:
    """The session that its events make, compared with its entries up to the first that does not follow.

    Raises JournalError where the entries are not those of a session.
    """
    if not entries or entries[0].kind is not Mark.OPENED:
        raise JournalError("the journal does not start with 'opened'")
    policy = _policy(entries[0]) or Policy()
    session = Session(used, policy, _meters(entries[0]))
    rebuilt = Rebuilt(session, policy, [], _check_heading(entries[0], used), [])
    for problem in _follow(rebuilt, entries):
        rebuilt.problems.append(_told_by_its_version(problem, entries))
    if rebuilt.missing:
        missing = f"{rebuilt.missing[0].mark} is missing at the end"
        rebuilt.problems.append(Problem(None, missing, Grade.INCOMPLETE))
    return rebuilt


def _follow(rebuilt: Rebuilt, entries: Sequence[Entry]) -> Iterator[Problem]:
    """Gives the session its events, and finds what does not follow from them."""
    at = 0
    while at < len(entries):
        entry = entries[at]
        if entry.kind not in EVENT_MARKS:
            yield Problem(entry.n, f"{entry.kind!s} follows from nothing that was heard")
            at += 1
            continue
        try:
            event = event_of(entry)
        except JournalError as error:
            yield Problem(entry.n, str(error))
            return
        acts = rebuilt.session.handle(event)
        rebuilt.happened.append((event, acts))
        expected = [act for act in acts if isinstance(act, Record)]
        if not expected:
            yield Problem(entry.n, f"{entry.kind!s} has no place here")
            at += 1
        for record, found in zip(expected, entries[at:], strict=False):
            if found.kind is not record.mark or canonical(dict(found.data)) != canonical(dict(record.data)):
                yield Problem(found.n, _mismatch(found, record))
                return  # what follows cannot be compared any more
        rebuilt.missing.extend(expected[len(entries) - at :])
        at += len(expected)


def made_by(entries: Sequence[Entry], line: int) -> str:
    """The version that recorded a line: the one that the session was begun or last gone on with before it."""
    named = [entry.data.get("handsfree") for entry in entries if entry.kind in _BEGINNINGS and entry.n <= line]
    version = named[-1] if named else None
    return version if isinstance(version, str) and _VERSION.fullmatch(version) else __version__


def _told_by_its_version(problem: Problem, entries: Sequence[Entry]) -> Problem:
    """A problem of what another version recorded, if that is what it was, is for that version to tell."""
    version = made_by(entries, 1 if problem.line is None else problem.line)
    if version == __version__:
        return problem
    told = (
        f"{problem.message}. It says it was made by handsfree {version}, and this is {__version__}, which may ask and "
        "judge otherwise: verify it with that version before anybody calls it altered. The seal that was noted shows "
        "whether anything was changed"
    )
    return replace(problem, message=told, grade=Grade.UNPROVED)


def _mismatch(found: Entry, record: Record) -> str:
    """What the record says and what replay gives, field by field."""
    if found.kind is not record.mark:
        return (
            f"the record says {found.kind} ({_words(found.data)}), replay gives {record.mark} ({_words(record.data)})"
        )
    step = found.data.get("step")
    where = f" at {step}" if isinstance(step, str) else ""
    return f"{found.kind}{where} is not what its events give: {'; '.join(_differences(found.data, record.data))}"


def _differences(says: Mapping[str, Any], gives: Mapping[str, Any], within: str = "") -> Iterator[str]:
    for key in {**gives, **says}:
        one, other = says.get(key, _NOTHING), gives.get(key, _NOTHING)
        if isinstance(one, Mapping) and isinstance(other, Mapping):
            yield from _differences(one, other, f"{within}{key} ")
        elif one is _NOTHING or other is _NOTHING or canonical(one) != canonical(other):
            yield f"{within}{key}: the record says {_words(one)}, replay gives {_words(other)}"


_NOTHING = object()
_LONG = 200  # characters of a value that are shown


def _words(value: Any) -> str:
    match value:
        case str():
            words = f'"{value}"'
        case None:
            words = "none"
        case bool():
            words = "yes" if value else "no"
        case Mapping():
            words = ", ".join(f"{key} {_words(inner)}" for key, inner in value.items()) or "nothing"
        case list() | tuple():
            words = ", ".join(map(_words, value)) or "nothing"
        case _:
            words = "nothing" if value is _NOTHING else str(value)
    return words if len(words) <= _LONG else f"{words[:_LONG]}..."


def _policy(opened: Entry) -> Policy | None:
    """The policy that the session was run with, None where the entry names none."""
    match opened.data:
        case {"settings": {"policy": policy}}:
            try:
                return _POLICY.validate_python(policy)
            except ValidationError:
                raise JournalError(f"entry {opened.n} ({opened.kind}) holds a policy that no session has") from None
    return None


def _meters(opened: Entry) -> tuple[Meter, ...]:
    """The meters that the session knew of; none in a record from before they were asked for."""
    try:
        return _METERS.validate_python(opened.data.get("meters", ()))
    except ValidationError:
        raise JournalError(f"entry {opened.n} ({opened.kind}) holds a meter that no session has") from None


def _check_heading(opened: Entry, procedure: Procedure) -> list[Problem]:
    """What the opening entry says of the procedure, against the procedure."""
    heading = opened.data.get("procedure")
    expected = {
        "id": procedure.procedure,
        "title": procedure.title,
        "edition": procedure.edition,
        "equipment": procedure.equipment,
    }
    return [
        Problem(opened.n, f"the {key} is not that of {PROCEDURE}")
        for key, value in expected.items()
        if isinstance(heading, dict) and heading.get(key, value) != value
    ]


def not_taken(error: ProcedureError, entries: Sequence[Entry]) -> Problem:
    """The problem that the procedure in the record is none that this version takes. Nobody is to mend it there."""
    told = _told_by_its_version(Problem(None, f"{PROCEDURE} is none that this version takes"), entries)
    return told if told.grade is Grade.UNPROVED else Problem(None, str(error))


def verify(folder: Path, seal: str | None = None) -> list[Problem]:
    """Everything that can be checked of a session's folder: chain, clips, procedure, seal, replay. Empty: all holds.

    Raises JournalError where the folder is no session's or its journal cannot be read at all.
    """
    problems = verify_chain(folder, seal)
    if any(problem.grade is Grade.BROKEN for problem in problems):
        return problems
    entries = scan(folder).entries
    try:
        return problems + replay(entries, (folder / PROCEDURE).read_bytes())
    except ProcedureError as error:
        return [*problems, not_taken(error, entries)]
    except PlainError as error:  # entries that no session was ever run with
        return [*problems, Problem(None, str(error))]
