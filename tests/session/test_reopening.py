"""A record that is opened again: what is kept of a torn line, who may write, and what may follow a closing entry."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from handsfree import __version__
from handsfree.procedure.load import loads
from handsfree.session.events import Ended, Event, Heard, Mark, Record, Reopened, Started
from handsfree.session.journal import (
    JOURNAL,
    PROCEDURE,
    Entry,
    Grade,
    Journal,
    JournalError,
    Problem,
    Torn,
    digest,
    read,
    scan,
    seal,
    verify_chain,
)
from handsfree.session.machine import Session
from handsfree.session.replay import verify
from handsfree.session.resume import resume

START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
SOURCE = b"""
procedure: bell-is-mute
title: The bell is mute
edition: "1"
purpose: Find out whether the coil is bad
equipment: An invented bell
local_rules: The rules of the site come first.
steps:
  - {id: cover, kind: do, say: Take the cover off., takes_off: [cover]}
  - {id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {at_most: 7}, next: {nonconforming: bad}}
  - {id: on, kind: do, say: Put the cover on., puts_back: [cover], next: sound}
  - {id: sound, kind: conclude, finding: The coil is sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: The coil is bad., condition: faulty, part: coil, action: Replace it.}
"""
OPENING = {"procedure": {"sha256": digest(SOURCE)}}


class Kept:
    """A session and its record, written as the loop does."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.time = folder, START
        self.session = Session(loads(SOURCE, PROCEDURE).procedure)
        self.journal = Journal.create(folder, SOURCE)
        self.take(Started(START, OPENING))

    def take(self, event: Event) -> None:
        for act in self.session.handle(event):
            if isinstance(act, Record):
                self.journal.append(event.time, act.mark, act.data)
        self.journal.flush()

    def hear(self, *sentences: str) -> None:
        for sentence in sentences:
            self.time += timedelta(seconds=5)
            self.take(Heard(self.time, sentence))

    def end(self) -> None:
        self.take(Ended(self.time, "the input is over"))

    def reopen(self) -> list[Torn]:
        """Closes the file as the end of a program does, and goes on."""
        self.journal.close()
        resumed = resume(self.folder)
        self.session, self.journal = resumed.rebuilt.session, resumed.journal
        pieces = [{"name": torn.name, "bytes": torn.bytes, "sha256": torn.sha256} for torn in resumed.set_aside]
        self.time += timedelta(hours=1)
        self.take(Reopened(self.time, {"handsfree": __version__, "settings": {}, "set_aside": pieces}))
        return resumed.set_aside


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept(tmp_path / "session")


def tear(folder: Path, piece: bytes) -> None:
    with (folder / JOURNAL).open("ab") as journal:
        journal.write(piece)


def graded(folder: Path, grade: Grade) -> list[str]:
    return [problem.message for problem in verify(folder) if problem.grade is grade]


# -- going on ---------------------------------------------------------------------------------------------------------


def test_a_record_goes_on_with_its_numbers_and_its_chain(kept: Kept) -> None:
    kept.hear("done")
    assert kept.reopen() == []
    kept.hear("five ohms")
    kept.end()
    kept.reopen()
    kept.hear("done")
    kept.journal.close()
    assert kept.session.finding == "The coil is sound."
    assert verify(kept.folder) == []
    assert [entry.n for entry in read(kept.folder)] == list(range(1, len(read(kept.folder)) + 1))
    assert [entry.kind for entry in read(kept.folder)].count(Mark.CLOSED) == 2


def test_a_record_cut_anywhere_between_two_lines_is_completed_with_what_followed(kept: Kept) -> None:
    kept.hear("done", "five ohms")
    kept.journal.close()
    whole = (kept.folder / JOURNAL).read_bytes().splitlines(keepends=True)
    last = max(n for n, entry in enumerate(read(kept.folder)) if entry.kind is Mark.HEARD)
    for lines in range(last + 1, len(whole) + 1):
        (kept.folder / JOURNAL).write_bytes(b"".join(whole[:lines]))
        resumed = resume(kept.folder)
        resumed.journal.close()
        assert (kept.folder / JOURNAL).read_bytes() == b"".join(whole)
        assert resumed.rebuilt.session.at == "on"


def test_clips_on_disk_that_no_entry_names_are_not_overwritten(kept: Kept) -> None:
    assert kept.journal.keep_clip(b"one")[0] == "clips/0001.flac"
    kept.reopen()
    assert kept.journal.keep_clip(b"two")[0] == "clips/0002.flac"
    (kept.folder / "clips" / "0007.flac").write_bytes(b"seven")
    kept.reopen()
    assert kept.journal.keep_clip(b"eight")[0] == "clips/0008.flac"
    assert (kept.folder / "clips" / "0001.flac").read_bytes() == b"one"


def test_a_session_that_was_concluded_when_it_was_killed_gets_its_last_lines_and_no_more(kept: Kept) -> None:
    kept.hear("done", "nine ohms", "affirm")
    kept.journal.close()
    whole = (kept.folder / JOURNAL).read_bytes()
    (kept.folder / JOURNAL).write_bytes(whole[: whole.rindex(b"\n", 0, -1) - 40])
    with pytest.raises(JournalError, match=r"concluded.*The coil is bad.*journal\.torn-1.*Begin a new session"):
        resume(kept.folder)
    assert (kept.folder / JOURNAL).read_bytes() == whole
    assert graded(kept.folder, Grade.BROKEN) == graded(kept.folder, Grade.INCOMPLETE) == []
    resume_again = pytest.raises(JournalError, match="concluded")
    with resume_again:
        resume(kept.folder)


# -- a torn line ------------------------------------------------------------------------------------------------------


def test_a_torn_line_is_set_aside_byte_for_byte_and_named_in_the_record(kept: Kept) -> None:
    kept.journal.close()
    tear(kept.folder, b'{"data":{"text":"five po')
    (torn,) = kept.reopen()
    assert (torn.name, torn.bytes) == ("journal.torn-1", 24)
    assert (kept.folder / torn.name).read_bytes() == b'{"data":{"text":"five po'
    kept.end()
    kept.journal.close()
    assert verify(kept.folder) == []


def test_a_program_killed_while_it_sets_a_line_aside_leaves_nothing_to_guess(kept: Kept) -> None:
    kept.journal.close()
    tear(kept.folder, b"half a li")
    resume(kept.folder).journal.close()  # killed before the entry that names it
    tear(kept.folder, b"another")
    (kept.folder / "journal.torn-2").write_bytes(b"another")  # killed before the journal was cut
    names = [torn.name for torn in kept.reopen()]
    assert names == ["journal.torn-1", "journal.torn-2"]
    assert kept.reopen() == []  # named by now
    kept.end()
    kept.journal.close()
    assert verify(kept.folder) == []


def test_what_was_set_aside_may_not_be_altered_or_lost_later(kept: Kept) -> None:
    kept.journal.close()
    tear(kept.folder, b"half a li")
    (torn,) = kept.reopen()
    kept.end()
    kept.journal.close()
    (kept.folder / torn.name).write_bytes(b"half a lie")
    assert graded(kept.folder, Grade.BROKEN) == ["journal.torn-1 was altered"]
    (kept.folder / torn.name).unlink()
    assert graded(kept.folder, Grade.BROKEN) == ["journal.torn-1 is missing"]


def test_what_lies_aside_and_is_named_by_no_entry_is_a_remark(kept: Kept) -> None:
    kept.end()
    (kept.folder / "journal.torn-1").write_bytes(b"half a li")
    assert [(problem.message, problem.grade) for problem in verify(kept.folder)] == [
        ("journal.torn-1 is named by no entry", Grade.REMARK)
    ]


# -- who may ----------------------------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_told_what_to_do(kept: Kept) -> None:
    for _ in range(2):
        with pytest.raises(JournalError, match=r"is open in another window or program. End the session there"):
            Journal.reopen(kept.folder)
    kept.hear("done")
    kept.reopen()
    with pytest.raises(JournalError, match="is open in another"):
        Journal.reopen(kept.folder)
    kept.journal.close()
    Journal.reopen(kept.folder)[0].close()


def test_a_record_that_does_not_hold_is_not_gone_on_with_and_left_alone(kept: Kept) -> None:
    kept.hear("done", "five ohms")
    kept.journal.close()
    path = kept.folder / JOURNAL
    altered = path.read_bytes().replace(b'"value":"5"', b'"value":"4"') + b"torn"
    path.write_bytes(altered)
    with pytest.raises(JournalError, match=r"its record does not hold: journal.jsonl:\d+: this line was altered"):
        resume(kept.folder)
    assert path.read_bytes() == altered
    assert list(kept.folder.glob("journal.torn*")) == []
    Journal.create(kept.folder.parent / "other", SOURCE).close()  # nothing is held


def test_an_altered_procedure_is_not_gone_on_with(kept: Kept) -> None:
    kept.journal.close()
    (kept.folder / PROCEDURE).write_bytes(SOURCE.replace(b"at_most: 7", b"at_most: 9"))
    with pytest.raises(JournalError, match=r"procedure.yaml was altered"):
        resume(kept.folder)


def test_a_record_that_is_not_what_its_events_produce_is_not_gone_on_with(tmp_path: Path) -> None:
    kept = Kept(tmp_path / "session")
    kept.journal.append(START, Mark.DONE, {"step": "cover"})
    kept.journal.close()
    with pytest.raises(JournalError, match="done follows from nothing that was heard"):
        resume(kept.folder)


@pytest.mark.parametrize("written", [b"", b'{"data":{"handsfree"'])
def test_a_session_left_before_its_first_entry_is_begun_anew(tmp_path: Path, written: bytes) -> None:
    Journal.create(tmp_path / "session", SOURCE).close()
    (tmp_path / "session" / JOURNAL).write_bytes(written)
    with pytest.raises(JournalError, match=r"left before its first entry was written. Begin a new session instead"):
        resume(tmp_path / "session")
    assert (tmp_path / "session" / JOURNAL).read_bytes() == written


def test_a_folder_that_is_no_session_stays_as_it_is(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="is not a session's folder"):
        resume(tmp_path)
    assert list(tmp_path.iterdir()) == []


# -- what may follow --------------------------------------------------------------------------------------------------


def chained(folder: Path, *more: tuple[Mark, dict[str, Any]]) -> None:
    """Puts entries after the last one, rightly numbered and chained."""
    entries = scan(folder).entries
    with (folder / JOURNAL).open("ab") as journal:
        for mark, data in more:
            last = Entry(entries[-1].n + 1, entries[-1].time, mark, data, entries[-1].hash)
            entries.append(last)
            journal.write(last.line + b"\n")


REOPENED: dict[str, Any] = {"handsfree": __version__, "settings": {}, "set_aside": []}


def concluded(kept: Kept) -> None:
    kept.hear("done", "nine ohms", "affirm")


def stopped(kept: Kept) -> None:
    kept.end()


def test_a_seal_from_before_the_session_was_resumed_vouches_up_to_there(kept: Kept) -> None:
    kept.hear("done")
    kept.end()
    before = seal(kept.folder)
    count = len(read(kept.folder))
    kept.reopen()
    kept.end()
    (told,) = verify_chain(kept.folder, before)
    assert told.grade is Grade.REMARK
    assert f"the seal is that of entry {count}, after which the session was resumed" in told.message
    earlier = read(kept.folder)[2].hash
    assert verify_chain(kept.folder, earlier)[0].grade is Grade.BROKEN


@pytest.mark.parametrize(
    ("end", "after", "complaint"),
    [
        (concluded, Mark.REOPENED, "the session goes on after it was closed"),
        (stopped, Mark.FAULT, "the session goes on after it was closed"),
        (stopped, Mark.SAID, "the session goes on after it was closed"),
        (stopped, Mark.REOPENED, "the session was not closed: the end may be missing"),
    ],
)
def test_only_what_was_stopped_is_reopened_and_by_that_entry(
    kept: Kept, end: Callable[[Kept], None], after: Mark, complaint: str
) -> None:
    end(kept)
    kept.journal.close()
    chained(kept.folder, (after, REOPENED))
    assert complaint in [problem.message for problem in verify_chain(kept.folder)]


def test_a_reopened_session_may_not_have_proved_or_read_what_it_did_not(kept: Kept) -> None:
    kept.hear("done")
    kept.journal.close()
    chained(kept.folder, (Mark.REOPENED, REOPENED), (Mark.SAID, {"text": "Go on.", "about": "status", "step": "coil"}))
    assert any("said at coil is not what its events give" in told for told in graded(kept.folder, Grade.BROKEN))


@pytest.mark.parametrize("aside", [None, "journal.torn-1", [1], [{"name": "journal.torn-1"}], [{"bytes": 5}]])
def test_a_reopening_that_no_session_writes_is_a_problem_and_no_crash(kept: Kept, aside: Any) -> None:
    kept.journal.close()
    chained(kept.folder, (Mark.REOPENED, REOPENED | {"set_aside": aside}))
    problems: list[Problem] = verify(kept.folder)
    assert any(
        problem.grade is Grade.BROKEN and "does not hold what such an entry" in str(problem) for problem in problems
    )
    with pytest.raises(JournalError, match="does not hold what such an entry holds"):
        resume(kept.folder)


@pytest.mark.parametrize("name", ["../elsewhere", "journal.jsonl", "journal.torn-0", "journal.torn-1/x"])
def test_a_name_of_what_was_set_aside_leads_nowhere_else(kept: Kept, name: str) -> None:
    kept.journal.close()
    chained(kept.folder, (Mark.REOPENED, REOPENED | {"set_aside": [{"name": name, "bytes": 3, "sha256": "0" * 64}]}))
    assert not any(
        name in problem.message and "was altered" in problem.message for problem in verify_chain(kept.folder)
    )
