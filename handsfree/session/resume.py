"""Going on with a session that was left, killed, or ended by the end of its input.

The one rule: the session is what its record makes of it, by the same replay that verifies the record; nothing else is
kept of a session that ended.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from handsfree.procedure.document import ProcedureError
from handsfree.procedure.load import load
from handsfree.session.journal import PROCEDURE, Grade, Journal, JournalError, Problem, Torn
from handsfree.session.replay import Rebuilt, not_taken, rebuild


@dataclass(frozen=True, slots=True)
class Resumed:
    """A session that may go on. ``set_aside`` are pieces of torn lines that its next entry is to name."""

    journal: Journal
    rebuilt: Rebuilt
    set_aside: list[Torn]


def resume(folder: Path) -> Resumed:
    """Opens a session's record again and rebuilds the session from it.

    What followed from the last event and was not written any more is written now: what was said aloud is on record
    anyway, and the rest follows in any case. The entry that tells of the resumption is the caller's to write.

    Raises JournalError where the record cannot be gone on with, ProcedureError where its procedure cannot be read.
    """
    journal, entries, set_aside = Journal.reopen(folder)
    try:
        try:
            rebuilt = rebuild(entries, load(folder / PROCEDURE).procedure)
        except ProcedureError as error:
            problem = not_taken(error, entries)
            if problem.grade is not Grade.UNPROVED:
                raise
            raise _by_its_version(folder, problem) from None
        for problem in rebuilt.problems:
            if problem.grade is Grade.BROKEN:
                raise JournalError(f"{folder} cannot be gone on with, for its record does not hold: {problem}.")
            if problem.grade is Grade.UNPROVED:
                raise _by_its_version(folder, problem)
        last, _ = rebuilt.happened[-1]
        for record in rebuilt.missing:
            journal.append(last.time, record.mark, record.data)
        journal.flush()
        if rebuilt.session.finding is not None:
            pieces = "".join(f" What was torn is in the file {torn.name}." for torn in set_aside)
            raise JournalError(
                f"{folder} is concluded, and its record is complete: {rebuilt.session.finding}{pieces} Begin a new "
                "session with handsfree run."
            )
    except BaseException:
        journal.close()
        raise
    return Resumed(journal, rebuilt, set_aside)


def _by_its_version(folder: Path, problem: Problem) -> JournalError:
    return JournalError(
        f"{folder} cannot be gone on with by this version: {problem}. Go on with the version that made it, or begin a "
        "new session with handsfree run; what is off, isolated and live is on the page that handsfree report makes."
    )
