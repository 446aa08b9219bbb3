"""Going on with a session that was left, killed, or ended by the end of its input.

The one rule: the session is what its record makes of it, by the same replay that verifies the record; nothing else is
kept of a session that ended.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from handsfree.procedure.load import load
from handsfree.session.journal import PROCEDURE, Grade, Journal, JournalError, Torn
from handsfree.session.replay import Rebuilt, rebuild


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
        rebuilt = rebuild(entries, load(folder / PROCEDURE).procedure)
        for problem in rebuilt.problems:
            if problem.grade in (Grade.BROKEN, Grade.UNPROVED):
                raise JournalError(f"{folder} cannot be gone on with, for its record does not hold: {problem}.")
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
