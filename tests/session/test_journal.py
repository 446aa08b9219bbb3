"""The journal on disk: what is written stays as written, and what is not shows."""

from __future__ import annotations

import json
import os
import string
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.session.events import Mark
from handsfree.session.journal import (
    Grade,
    Journal,
    JournalError,
    canonical,
    digest,
    read,
    scan,
    seal,
    verify_chain,
)

PROCEDURE = b"procedure: invented\r\ntitle: As it was used, line ends and all\n"
START = datetime(2031, 5, 6, 7, 8, 9, 123_456, UTC)
OPENING = {"procedure": {"sha256": digest(PROCEDURE)}}


def write(folder: Path, middle: list[tuple[Mark, dict[str, Any]]], close: bool = True) -> Path:
    with Journal.create(folder, PROCEDURE) as journal:
        journal.append(START, Mark.OPENED, OPENING)
        for place, (mark, data) in enumerate(middle, 1):
            journal.append(START + timedelta(seconds=place), mark, data)
        if close:
            journal.append(START + timedelta(hours=1), Mark.CLOSED, {"outcome": "concluded"})
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Six entries, two of them with a clip."""
    with Journal.create(tmp_path / "session", PROCEDURE) as journal:
        journal.append(START, Mark.OPENED, OPENING)
        for place, text in enumerate(("five point two zero ohms", "done"), 1):
            clip, sha256 = journal.keep_clip(f"fLaC {text}".encode())
            data = {"text": text, "confidence": 0.93, "clip": clip, "clip_sha256": sha256}
            journal.append(START + timedelta(seconds=2 * place), Mark.HEARD, data)
            journal.append(
                START + timedelta(seconds=2 * place), Mark.SAID, {"text": f"{text}: heard", "about": "answer"}
            )
        journal.append(START + timedelta(seconds=9), Mark.CLOSED, {"outcome": "concluded"})
    return tmp_path / "session"


def journal_lines(folder: Path) -> list[bytes]:
    return (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)


def rewrite(folder: Path, lines: list[bytes]) -> Path:
    (folder / "journal.jsonl").write_bytes(b"".join(lines))
    return folder


def messages(folder: Path, noted: str | None = None) -> str:
    return "\n".join(str(problem) for problem in verify_chain(folder, noted))


# What is written


def test_what_was_appended_is_what_is_read(folder: Path) -> None:
    entries = read(folder)
    assert [entry.kind for entry in entries] == ["opened", "heard", "said", "heard", "said", "closed"]
    assert [entry.n for entry in entries] == [1, 2, 3, 4, 5, 6]
    assert entries[1].data["text"] == "five point two zero ohms"
    assert entries[1].time == datetime(2031, 5, 6, 7, 8, 11, 123_000, UTC)
    assert verify_chain(folder) == []


def test_each_line_is_canonical_json_carrying_the_hash_of_the_line_before(folder: Path) -> None:
    before = "0" * 64
    for line in journal_lines(folder):
        assert line.endswith(b"\n")
        fields = json.loads(line)
        assert sorted(fields) == ["data", "kind", "n", "previous", "time"]
        assert canonical(fields) + b"\n" == line
        assert fields["previous"] == before
        before = digest(line[:-1])
    assert seal(folder) == before


def test_times_are_utc_to_the_millisecond_whatever_zone_they_came_in(tmp_path: Path) -> None:
    zone = datetime.fromisoformat("2031-05-06T01:38:09.123999-05:30")
    with Journal.create(tmp_path / "s", PROCEDURE) as journal:
        journal.append(zone, Mark.OPENED, OPENING)
    assert json.loads(journal_lines(tmp_path / "s")[0])["time"] == "2031-05-06T07:08:09.123Z"


def test_a_time_without_zone_is_refused(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "s", PROCEDURE) as journal, pytest.raises(JournalError, match="no time zone"):
        journal.append(datetime(2031, 1, 1), Mark.OPENED, OPENING)


def test_the_entry_given_back_is_the_entry_that_will_be_read(tmp_path: Path) -> None:
    data = {"alternatives": ({"text": "nine", "score": 1.0},), "kind": Mark.SAID, "big": 1e20, "small": -0.0}
    with Journal.create(tmp_path / "s", PROCEDURE) as journal:
        entry = journal.append(START, Mark.OPENED, data)
        journal.flush()
        assert read(tmp_path / "s") == [entry]
    assert entry.data == {"alternatives": [{"text": "nine", "score": 1}], "kind": "said", "big": 1e20, "small": 0}
    assert entry.hash == seal(tmp_path / "s")


def test_the_procedure_is_kept_byte_for_byte(folder: Path) -> None:
    assert (folder / "procedure.yaml").read_bytes() == PROCEDURE


def test_clips_are_numbered_and_leave_no_half_written_file(folder: Path) -> None:
    assert sorted(path.name for path in (folder / "clips").iterdir()) == ["0001.flac", "0002.flac"]
    assert (folder / "clips" / "0002.flac").read_bytes() == b"fLaC done"


def test_entries_reach_the_disk_with_flush_and_survive_a_killed_program(tmp_path: Path) -> None:
    program = f"""
import os
from datetime import datetime, UTC
from pathlib import Path
from handsfree.session.journal import Journal
from handsfree.session.events import Mark
journal = Journal.create(Path({str(tmp_path / "s")!r}), b"")
journal.append(datetime.now(UTC), Mark.OPENED, {{}})
journal.append(datetime.now(UTC), Mark.HEARD, {{"text": "kept"}})
journal.flush()
journal.append(datetime.now(UTC), Mark.HEARD, {{"text": "not yet promised"}})
os._exit(9)
"""
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 9
    assert [entry.data.get("text") for entry in read(tmp_path / "s")] == [None, "kept"]
    assert "the session was not closed: the end may be missing" in messages(tmp_path / "s")


def test_flush_asks_the_system_to_put_on_the_disk_what_is_already_in_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Losing power cannot be tried here; that the real call is made, and after the last byte, can.
    synced: list[bytes] = []
    fsync = os.fsync

    def watched(handle: int) -> None:
        synced.append((tmp_path / "s" / "journal.jsonl").read_bytes())
        fsync(handle)

    with Journal.create(tmp_path / "s", PROCEDURE) as journal:
        entry = journal.append(START, Mark.OPENED, OPENING)
        monkeypatch.setattr(os, "fsync", watched)
        journal.flush()
        assert synced == [entry.line + b"\n"]


# What is refused


@pytest.mark.parametrize("name", ["journal.jsonl", "procedure.yaml", "clips"])
def test_a_folder_that_holds_a_record_or_part_of_one_is_refused_and_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"someone's work")
    with pytest.raises(JournalError, match=rf"already holds {name}\. Choose a new folder"):
        Journal.create(tmp_path, PROCEDURE)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [(name, b"someone's work")]


@pytest.mark.parametrize(
    "value",
    [Decimal("5.20"), 2**53, float("nan"), float("inf"), b"bytes", {1: "key"}, "\ud800", START],
    ids=["decimal", "integer beyond 2^53", "nan", "infinity", "bytes", "numeric key", "lone surrogate", "datetime"],
)
def test_what_json_cannot_carry_is_refused_and_nothing_is_added(tmp_path: Path, value: Any) -> None:
    with Journal.create(tmp_path / "s", PROCEDURE) as journal:
        journal.append(START, Mark.OPENED, OPENING)
        with pytest.raises(JournalError, match="Write decimals and integers beyond 2\\^53 as strings"):
            journal.append(START, Mark.HEARD, {"value": value})
        journal.append(START, Mark.CLOSED, {})
    assert verify_chain(tmp_path / "s") == []
    assert len(read(tmp_path / "s")) == 2


def test_a_closed_journal_takes_nothing_more(tmp_path: Path) -> None:
    journal = Journal.create(tmp_path / "s", PROCEDURE)
    journal.close()
    journal.close()
    with pytest.raises(JournalError, match="closed"):
        journal.append(START, Mark.OPENED, OPENING)
    with pytest.raises(JournalError, match="closed"):
        journal.flush()


def test_a_folder_that_cannot_be_made_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(JournalError, match="cannot be written"):
        Journal.create(tmp_path / "file" / "session", PROCEDURE)


@pytest.mark.skipif(os.name != "posix", reason="limits the size of files through a POSIX call")
def test_a_full_disk_is_a_sentence_and_loses_nothing_once_there_is_room(tmp_path: Path) -> None:
    program = f"""
import resource
from datetime import datetime, UTC
from pathlib import Path
from handsfree.session.journal import Journal, JournalError
from handsfree.session.events import Mark
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
with Journal.create(Path({str(tmp_path / "s")!r}), b"") as journal:
    resource.setrlimit(resource.RLIMIT_FSIZE, (300, hard))
    for text in "abcd":
        journal.append(datetime.now(UTC), Mark.HEARD, {{"text": text * 100}})
    for attempt in (journal.flush, lambda: journal.keep_clip(bytes(400))):
        try:
            attempt()
        except JournalError as error:
            print(error)
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
"""
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    assert done.stdout.count("cannot be written: File too large. Free space on the disk or choose another folder.") == 2
    assert [entry.data["text"][0] for entry in scan(tmp_path / "s").entries] == ["a", "b", "c", "d"]
    assert list((tmp_path / "s" / "clips").glob("*.flac")) == []


def test_a_folder_that_is_no_session_is_named_as_such(tmp_path: Path) -> None:
    for what in (read, scan, seal, verify_chain):
        with pytest.raises(JournalError, match=r"is not a session's folder: it has no journal\.jsonl"):
            what(tmp_path)
        with pytest.raises(JournalError, match="is not a session's folder"):
            what(tmp_path / "missing")


# What shows


def test_an_altered_entry_is_named_by_its_line(folder: Path) -> None:
    lines = journal_lines(folder)
    lines[1] = lines[1].replace(b"five point two zero", b"nine point two zero")
    rewrite(folder, lines)
    assert (
        messages(folder)
        == "journal.jsonl:2: this line was altered: line 3 does not carry its hash, or was altered itself"
    )
    with pytest.raises(JournalError, match=r"journal\.jsonl:2: this line was altered"):
        read(folder)


def test_a_removed_line_is_named(folder: Path) -> None:
    lines = journal_lines(folder)
    rewrite(folder, lines[:2] + lines[3:])
    assert messages(folder) == (
        "journal.jsonl:3: entry 4 stands where entry 3 belongs: a line was taken out, put in or moved"
    )


def test_a_torn_last_line_is_reported_with_the_last_entry_that_holds(folder: Path) -> None:
    data = (folder / "journal.jsonl").read_bytes()
    (folder / "journal.jsonl").write_bytes(data[:-40])
    problems = scan(folder).problems
    assert [problem.grade for problem in problems] == [Grade.INCOMPLETE, Grade.INCOMPLETE]
    assert "the last line is torn" in problems[0].message
    assert "what came after entry 5 is lost" in problems[0].message
    assert len(scan(folder).entries) == 5
    with pytest.raises(JournalError, match="the last line is torn"):
        read(folder)


def test_lines_cut_off_the_end_show_as_a_session_not_closed_and_against_the_seal(folder: Path) -> None:
    noted = seal(folder)
    rewrite(folder, journal_lines(folder)[:4])
    assert messages(folder).splitlines()[0] == "the session was not closed: the end may be missing"
    assert "does not end as it did when the seal was noted" in messages(folder, noted)


def test_the_seal_is_accepted_as_a_person_copies_it(folder: Path) -> None:
    noted = seal(folder).upper()
    assert messages(folder, f" {noted[:32]} {noted[32:]}\n") == ""


def test_a_clock_that_goes_back_is_a_remark(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "s", PROCEDURE) as journal:
        journal.append(START, Mark.OPENED, OPENING)
        journal.append(START - timedelta(seconds=1), Mark.CLOSED, {})
    (problem,) = verify_chain(tmp_path / "s")
    assert (problem.line, problem.grade) == (2, Grade.REMARK)
    assert len(read(tmp_path / "s")) == 2


def test_altered_missing_and_unnamed_clips_show(folder: Path) -> None:
    (folder / "clips" / "0001.flac").write_bytes(b"fLaC nine")
    (folder / "clips" / "0002.flac").rename(folder / "clips" / "0009.flac")
    problems = verify_chain(folder)
    assert [(problem.line, problem.message, problem.grade) for problem in problems] == [
        (2, "clips/0001.flac was altered", Grade.BROKEN),
        (4, "clips/0002.flac is missing", Grade.BROKEN),
        (None, "clips/0009.flac is named by no entry", Grade.REMARK),
    ]


@pytest.mark.parametrize("name", ["../outside.flac", "/etc/passwd", "clips/../../x.flac", "clips\\0001.flac", 7])
def test_a_clip_name_that_leads_elsewhere_is_not_followed(tmp_path: Path, name: Any) -> None:
    write(tmp_path / "s", [(Mark.HEARD, {"text": "done", "clip": name, "clip_sha256": "0" * 64})])
    assert messages(tmp_path / "s") == f"journal.jsonl:2: {name!r} is no name of a clip"


def test_a_clip_without_its_hash_shows(tmp_path: Path) -> None:
    write(tmp_path / "s", [(Mark.HEARD, {"text": "done", "clip": "clips/0001.flac"})])
    assert messages(tmp_path / "s") == "journal.jsonl:2: the entry holds no SHA-256 of clips/0001.flac"


def test_an_altered_or_missing_procedure_shows(folder: Path) -> None:
    (folder / "procedure.yaml").write_bytes(PROCEDURE.replace(b"\r\n", b"\n"))
    assert messages(folder) == "procedure.yaml was altered"
    (folder / "procedure.yaml").unlink()
    assert messages(folder) == "procedure.yaml is missing"


def test_entries_after_the_closing_one_show(tmp_path: Path) -> None:
    write(tmp_path / "s", [(Mark.CLOSED, {"outcome": "stopped"}), (Mark.HEARD, {"text": "more"})])
    assert "journal.jsonl:3: the session goes on after it was closed" in messages(tmp_path / "s")


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b'{"n":NaN}', "not JSON"),
        (b"\xff\xfe", "not UTF-8"),
        (b"[]", "not a journal entry"),
        (b"{}", "not a journal entry"),
        (b'{"data":{},"kind":"sung","n":3,"previous":"HASH","time":"2031-05-06T07:08:09.123Z"}', "not a journal entry"),
        (
            b'{"data":{},"kind":"said","n":true,"previous":"HASH","time":"2031-05-06T07:08:09.123Z"}',
            "not a journal entry",
        ),
        (b'{"data":{},"kind":"said","n":3,"previous":"0","time":"2031-05-06T07:08:09.123Z"}', "not a journal entry"),
        (b'{"data":{},"kind":"said","n":3,"previous":"HASH","time":"yesterday"}', "not an RFC 3339 time"),
        (b'{"data":{},"kind":"said","n":3,"previous":"HASH","time":"2031-05-06T07:08:09Z"}', "canonical form"),
        (b'{"n":3,"data":{},"kind":"said","previous":"HASH","time":"2031-05-06T07:08:09.123Z"}', "canonical form"),
        (
            b'{"data":{},"data":{},"kind":"said","n":3,"previous":"HASH","time":"2031-05-06T07:08:09.123Z"}',
            "canonical form",
        ),
        (b'{"data":{"a":NINES},"kind":"said","n":3,"previous":"HASH","time":"2031-05-06T07:08:09.123Z"}', "not JSON"),
    ],
)
def test_a_line_that_is_no_entry_is_named_and_the_rest_is_still_read(folder: Path, line: bytes, complaint: str) -> None:
    lines = journal_lines(folder)
    line = line.replace(b"HASH", digest(lines[1][:-1]).encode()).replace(b"NINES", b"9" * 400)
    rewrite(folder, [*lines[:2], line + b"\n", *lines[3:]])
    problems = [problem for problem in verify_chain(folder) if problem.line == 3]
    assert complaint in problems[0].message
    assert [entry.n for entry in scan(folder).entries] == [1, 2, 4, 5, 6]


def test_one_clip_is_the_sound_of_one_entry(folder: Path, tmp_path: Path) -> None:
    with Journal.create(tmp_path / "s", PROCEDURE) as journal:
        for entry in read(folder):
            first = {name: value for name, value in read(folder)[1].data.items() if name.startswith("clip")}
            journal.append(entry.time, entry.kind, {**entry.data, **(first if entry.kind is Mark.HEARD else {})})
        journal.keep_clip((folder / "clips" / "0001.flac").read_bytes())
    assert "journal.jsonl:4: clips/0001.flac is the sound of line 2, and of no other" in messages(tmp_path / "s")


def test_line_ends_changed_by_another_program_are_told_once_with_the_remedy(folder: Path) -> None:
    lines = journal_lines(folder)
    rewrite(folder, [line.replace(b"\n", b"\r\n") for line in lines])
    (told,) = verify_chain(folder, seal(folder))
    assert told.grade is Grade.BROKEN
    assert told.message.startswith("the line ends of journal.jsonl were changed from LF to CR LF")
    assert "zip file" in told.message
    with pytest.raises(JournalError, match="line ends"):
        Journal.reopen(folder)
    rewrite(folder, [lines[0].replace(b"\n", b"\r\n"), *lines[1:]])
    assert messages(folder).startswith(f"1 of {len(lines)} line ends of journal.jsonl were changed")


def test_line_ends_of_the_procedure_changed_by_another_program_are_told_as_such(tmp_path: Path) -> None:
    procedure = b"procedure: invented\ntitle: Sent by mail\n"
    with Journal.create(tmp_path / "session", procedure) as journal:
        journal.append(START, Mark.OPENED, {"procedure": {"sha256": digest(procedure)}})
        journal.append(START, Mark.CLOSED, {"outcome": "concluded"})
    (tmp_path / "session" / "procedure.yaml").write_bytes(procedure.replace(b"\n", b"\r\n"))
    assert messages(tmp_path / "session").startswith("the line ends of procedure.yaml were changed")


def test_changed_line_ends_hide_no_altered_entry(folder: Path) -> None:
    lines = [
        line.replace(b"\n", b"\r\n").replace(b"five point two", b"nine point two") for line in journal_lines(folder)
    ]
    rewrite(folder, lines)
    assert "this line was altered" in messages(folder)


def test_a_journal_without_an_entry_has_nothing_to_seal(tmp_path: Path) -> None:
    Journal.create(tmp_path / "s", PROCEDURE).close()
    with pytest.raises(JournalError, match="nothing to seal"):
        seal(tmp_path / "s")
    assert "the session was not closed" in messages(tmp_path / "s")


# Whatever was written, whatever is done to it

# Numbers and texts that JSON carries; surrogates have no UTF-8 form.
_plain = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]))
)
_value = st.recursive(
    _plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(string.printable), inner, max_size=3)
)
_data = st.dictionaries(
    st.text(string.ascii_lowercase, min_size=1, max_size=5).filter(lambda key: key != "clip"), _value, max_size=3
)
_middle = st.lists(st.tuples(st.sampled_from([mark for mark in Mark if mark is not Mark.CLOSED]), _data), max_size=6)


@settings(deadline=None, max_examples=60)
@given(_middle)
def test_any_sequence_of_entries_reads_back_and_verifies(middle: list[tuple[Mark, dict[str, Any]]]) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = write(Path(place) / "s", middle)
        assert verify_chain(folder, seal(folder)) == []
        assert [(entry.kind, entry.data) for entry in read(folder)[1:-1]] == middle


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_any_byte_changed_shows_and_in_the_last_entry_at_the_latest_against_the_seal(draw: st.DataObject) -> None:
    """Before the last line every change of a byte is found by the chain alone.

    In the last line it is found by the chain alone where it breaks UTF-8, JSON, the canonical form, the entry's fields,
    its number or its link. What stays a well-formed entry (another letter in a text, another digit in the time) is
    found only against the seal, and always is.
    """
    with tempfile.TemporaryDirectory() as place:
        folder = write(
            Path(place) / "s", [(Mark.HEARD, {"text": "five point two zero ohms"}), (Mark.DONE, {"step": "a"})]
        )
        noted = seal(folder)
        data = bytearray((folder / "journal.jsonl").read_bytes())
        last_line = data.rindex(b"\n", 0, len(data) - 1) + 1
        where = draw.draw(st.integers(0, len(data) - 1))
        data[where] ^= draw.draw(st.integers(1, 255))
        (folder / "journal.jsonl").write_bytes(data)
        before_the_seal = [problem for problem in verify_chain(folder) if problem.grade is not Grade.REMARK]
        if where < last_line:
            assert before_the_seal != []
        elif not before_the_seal:
            assert scan(folder).entries[-1].line == bytes(data[last_line:-1])
        assert [problem for problem in verify_chain(folder, noted) if problem.grade is not Grade.REMARK] != []


@settings(deadline=None, max_examples=100)
@given(st.data())
def test_any_line_removed_doubled_moved_or_swapped_shows(draw: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as place:
        # Lines alike in all but number and hash, so that nothing else gives the change away.
        folder = write(Path(place) / "s", [(Mark.HEARD, {"text": "done"})] * 5)
        lines = journal_lines(folder)
        first = draw.draw(st.integers(0, len(lines) - 1))
        second = draw.draw(st.integers(0, len(lines) - 1).filter(lambda place: place != first))
        change = draw.draw(st.sampled_from(["remove", "double", "move", "swap"]))
        if change == "remove":
            del lines[first]
        elif change == "double":
            lines.insert(second, lines[first])
        elif change == "move":
            lines.insert(second, lines.pop(first))
        else:
            lines[first], lines[second] = lines[second], lines[first]
        problems = verify_chain(rewrite(folder, lines))
        assert any(problem.grade is not Grade.REMARK for problem in problems), change


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_wherever_a_kill_cuts_the_journal_the_whole_lines_before_are_read(draw: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = write(Path(place) / "s", [(Mark.HEARD, {"text": "zwölf µF"})] * 3)
        data = (folder / "journal.jsonl").read_bytes()
        cut = draw.draw(st.integers(0, len(data) - 1))
        (folder / "journal.jsonl").write_bytes(data[:cut])
        contents = scan(folder)
        assert len(contents.entries) == data[:cut].count(b"\n")
        assert {problem.grade for problem in contents.problems} == {Grade.INCOMPLETE}
        assert any("torn" in problem.message for problem in contents.problems) is (
            cut > 0 and data[cut - 1 : cut] != b"\n"
        )
