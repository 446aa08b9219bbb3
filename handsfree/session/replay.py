"""Replay: a record is what its own events produce.

The one rule: only the events are taken from the journal; everything else is worked out again by a fresh session and
must come out the same, so a reading, verdict or answer that was put in, taken out or altered does not fit.
"""

from __future__ import annotations

from pathlib import Path

from handsfree.procedure.load import loads
from handsfree.session.events import EVENT_MARKS, Ended, Event, Fault, Heard, Mark, Record, Started
from handsfree.session.journal import PROCEDURE, Entry, Grade, JournalError, Problem, canonical, scan, verify_chain
from handsfree.session.machine import Policy, Session


def event_of(entry: Entry) -> Event:
    """The event that an entry holds. Raises JournalError for an entry that holds none."""
    data = entry.data
    try:
        match entry.kind:
            case Mark.OPENED:
                return Started(entry.time, data)
            case Mark.HEARD:
                return Heard(
                    time=entry.time,
                    text=data["text"],
                    confidence=data["confidence"],
                    engine=data["engine"],
                    alternatives=tuple((other["text"], other["score"]) for other in data["alternatives"]),
                    clip=data["clip"],
                    clip_sha256=data["clip_sha256"],
                    offset=data["offset"],
                    seconds=data["seconds"],
                )
            case Mark.FAULT:
                return Fault(entry.time, data["what"])
            case Mark.ENDED:
                return Ended(entry.time, data["why"])
    except (KeyError, TypeError):
        raise JournalError(f"entry {entry.n} ({entry.kind}) does not hold what such an entry holds") from None
    raise JournalError(f"entry {entry.n} ({entry.kind}) is not an event")


def replay(entries: list[Entry], procedure: bytes) -> list[Problem]:
    """Feeds the events to a fresh session and compares what it records with what stands in the journal.

    Raises JournalError where the entries hold no event to begin with, ProcedureError where the procedure cannot be read.
    """
    if not entries or entries[0].kind is not Mark.OPENED:
        raise JournalError("the journal does not start with 'opened'")
    settings = entries[0].data.get("settings")
    policy = settings.get("policy") if isinstance(settings, dict) else None
    session = Session(loads(procedure, PROCEDURE).procedure, Policy(**policy) if isinstance(policy, dict) else None)
    problems: list[Problem] = []
    at = 0
    while at < len(entries):
        entry = entries[at]
        if entry.kind not in EVENT_MARKS:
            problems.append(Problem(entry.n, f"{entry.kind!s} follows from nothing that was heard"))
            at += 1
            continue
        expected = [act for act in session.handle(event_of(entry)) if isinstance(act, Record)]
        for record in expected:
            if at == len(entries):
                problems.append(Problem(None, f"{record.mark} is missing at the end", Grade.INCOMPLETE))
                break
            found = entries[at]
            if found.kind is not record.mark or canonical(dict(found.data)) != canonical(dict(record.data)):
                problems.append(Problem(found.n, f"replay gives {record.mark} {dict(record.data)} here"))
                return problems  # what follows cannot be compared any more
            at += 1
    return problems


def verify(folder: Path, seal: str | None = None) -> list[Problem]:
    """Everything that can be checked of a session's folder: chain, clips, procedure, seal, replay; empty where all holds.

    Raises JournalError where the folder is no session's or its journal cannot be read at all.
    """
    problems = verify_chain(folder, seal)
    if any(problem.grade is Grade.BROKEN for problem in problems):
        return problems
    return problems + replay(scan(folder).entries, (folder / PROCEDURE).read_bytes())
