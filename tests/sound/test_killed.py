"""A session that is killed at any moment of its writing goes on as if it had only been left.

Every kill is a real one (SIGKILL to a process of its own), before a write, in the middle of a line, and after a write
before it is put on the disk.
"""

from __future__ import annotations

import json
import os
import signal
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from io import FileIO
from itertools import accumulate
from pathlib import Path
from typing import Any, NoReturn

import pytest

from handsfree.procedure.load import Loaded, load
from handsfree.procedure.proof import check
from handsfree.session.events import EVENT_MARKS, Act, Event, Mark
from handsfree.session.journal import JOURNAL, JournalError, digest, read
from handsfree.session.replay import verify
from handsfree.session.resume import resume
from handsfree.sound.loop import Conversation, begin, from_text, go_on
from handsfree.sound.voice import SilentVoice

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills copies of itself, which only POSIX can make")

START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
SOURCE = """\
procedure: press-is-stuck
title: The baling press is stuck
edition: "1"
purpose: Find out why the ram does not move.
equipment: Ulverdal P3 baling press
local_rules: The rules of the site come first.
sources:
  mains: {name: supply of the press, kind: electrical}
steps:
  - {id: isolate, kind: do, say: Open the isolator. Put your lock on it., isolates: [mains]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1},
     next: {nonconforming: isolate}}
  - {id: cover-off, kind: do, say: Take the cover off., hands_inside: true, takes_off: [cover],
     cautions: [{signal: warning, text: The edges can cut you. Wear gloves.}]}
  - {id: coil, kind: measure, say: Measure the coil of the valve., hands_inside: true, reading: coil,
     quantity: resistance, unit: ohm, limit: {between: [20, 30]}, next: {nonconforming: cover-on}}
  - {id: plug, kind: observe, say: Look at the plug of the valve., hands_inside: true,
     answers: {clean: [it is clean], burnt: [it is burnt]}, next: {clean: cover-on, burnt: cover-on}}
  - {id: cover-on, kind: do, say: Put the cover on., hands_inside: true, puts_back: [cover]}
  - {id: by-coil, kind: choose, by: coil, next: {conforming: loose, nonconforming: coil-bad}}
  - {id: loose, kind: conclude, finding: The plug was loose., condition: sound, action: Return it to service.}
  - {id: coil-bad, kind: conclude, finding: The coil is bad., condition: faulty, part: valve, action: Replace it.}
"""
SAID = (
    "how far",
    "done",
    "five",
    "say again",
    "done",
    "zero point two volts",
    "done",
    "ninety ohms",
    "correction twenty five ohms",
    "read back",
    "go back",
    "twenty four ohms",
    "disregard",
    "twenty four point five ohms",
    "stand by",
    "where is my torch",
    "go ahead",
    "it is clean",
    "done",
)
ANSWERS = {
    "dead": "zero point two volts",
    "coil": "twenty four ohms",
    "plug": "it is clean",
}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    path = tmp_path_factory.mktemp("procedure") / "press.yaml"
    path.write_text(SOURCE, encoding="utf-8")
    assert check(path) == []
    return load(path)


def lines() -> Iterator[str]:
    """What is said, ten seconds after each other, so that every run writes the same bytes."""
    for place, text in enumerate(SAID, 1):
        yield f"[{place // 6:02}:{place % 6}0] {text}"


class Pipe(SilentVoice):
    """Speaks into a pipe: what came out of it was heard, whatever happens to the program then."""

    def __init__(self, end: int) -> None:
        self._end = end

    def say(self, text: str) -> None:
        os.write(self._end, f"{text}\n".encode())


class Deadly:
    """A journal's file that kills the program once it holds so many bytes; ``late``: when they are to be synced."""

    def __init__(self, file: FileIO, size: int, late: bool) -> None:
        self._file, self._left, self._late = file, size, late

    def write(self, data: bytes) -> int:
        if len(data) > self._left or (len(data) == self._left and not self._late):
            self._file.write(data[: self._left])
            kill()
        self._left -= len(data)
        return self._file.write(data)

    def fileno(self) -> int:
        if self._late and not self._left:
            kill()
        return self._file.fileno()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def kill() -> NoReturn:
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("still alive")


def begun(loaded: Loaded, folder: Path, voice: SilentVoice) -> tuple[Conversation, Any]:
    def watch(event: Event, acts: Sequence[Act]) -> None:
        """Nobody looks."""

    return begin(loaded, folder, voice, watch, None, source="test", time=START)


def killed(loaded: Loaded, folder: Path, size: int, late: bool) -> list[str]:
    """Runs the session in a process that is killed when its journal has this size; gives what it had said aloud."""
    out, end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            conversation, opened = begun(loaded, folder, Pipe(end))
            journal: Any = conversation._journal
            journal._file = Deadly(journal._file, size, late)
            from_text(conversation, lines(), opened)
        finally:
            os._exit(1)  # it was to be killed
    os.close(end)
    with os.fdopen(out, encoding="utf-8") as pipe:
        said = pipe.read().splitlines()
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)
    assert os.WTERMSIG(status) == signal.SIGKILL
    return said


@dataclass(frozen=True)
class Whole:
    """The session that nobody killed: its journal, and where its lines and the answers to its events end."""

    journal: bytes
    line_ends: list[int]
    answer_ends: list[int]
    events: list[int]  # places of the lines that hold an event


@pytest.fixture(scope="module")
def whole(loaded: Loaded, tmp_path_factory: pytest.TempPathFactory) -> Whole:
    folder = tmp_path_factory.mktemp("whole") / "session"
    conversation, opened = begun(loaded, folder, SilentVoice())
    from_text(conversation, lines(), opened)
    conversation.close()
    assert conversation.session.finding == "The plug was loose."
    journal, entries = (folder / JOURNAL).read_bytes(), read(folder)
    ends = list(accumulate(len(line) for line in journal.splitlines(keepends=True)))
    events = [place for place, entry in enumerate(entries) if entry.kind in EVENT_MARKS]
    return Whole(journal, ends, [ends[after - 1] for after in [*events[1:], len(ends)]], events)


def go_on_to_the_end(folder: Path) -> str | None:
    """Resumes the session and does what it asks until it is over; gives its finding."""
    resumed = resume(folder)
    conversation, reopened = go_on(
        resumed, SilentVoice(), lambda event, acts: None, None, source="test", time=START + timedelta(hours=1)
    )

    def answers() -> Iterator[str]:
        for place in range(40):
            yield f"[{place // 6:02}:{place % 6}0] {ANSWERS.get(conversation.session.at, 'done')}"

    from_text(conversation, answers(), reopened)
    conversation.close()
    return conversation.session.finding


@pytest.fixture
def quick() -> Iterator[Path]:
    """A folder in memory, where there is one: whether a disk is slow is not what is tested."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        yield Path(folder)


def test_whenever_it_is_killed_nothing_that_was_said_aloud_is_lost(loaded: Loaded, whole: Whole, quick: Path) -> None:
    middles = [(end + before) // 2 for before, end in zip([0, *whole.line_ends], whole.line_ends, strict=False)]
    points = [(size, False) for size in sorted({0, *whole.line_ends, *middles})]
    points += [(size, True) for size in whole.answer_ends]
    assert len(points) >= 200
    torn = 0
    for number, (size, late) in enumerate(points):
        folder = quick / str(number)
        said = killed(loaded, folder, size, late)
        assert (folder / JOURNAL).read_bytes() == whole.journal[:size]
        torn += check_resumed(folder, size, said, whole)
    assert torn == len(set(middles))


def data_in(journal: bytes) -> list[dict[str, Any]]:
    return [json.loads(line)["data"] for line in journal.splitlines()]


def check_resumed(folder: Path, size: int, said: list[str], whole: Whole) -> bool:
    """Resumes a session killed with a journal of this size; tells whether a line was torn."""
    complete = max((end for end in whole.line_ends if end <= size), default=0)
    happened = sum(whole.line_ends[place] <= size for place in whole.events)
    if not happened:
        assert said == []
        with pytest.raises(JournalError, match="left before its first entry"):
            resume(folder)
        return size > complete
    piece = whole.journal[complete:size]
    answered = whole.journal[: whole.answer_ends[happened - 1]]
    if happened == len(whole.events):
        with pytest.raises(JournalError, match=r"is concluded.*The plug was loose"):
            resume(folder)
        assert (folder / JOURNAL).read_bytes() == answered == whole.journal
    else:
        coil = [data["verdict"] for data in data_in(answered) if data.get("reading") == "coil"]
        to_be_corrected = coil[-1:] == ["nonconforming"]
        assert go_on_to_the_end(folder) == ("The coil is bad." if to_be_corrected else "The plug was loose.")
        assert (folder / JOURNAL).read_bytes().startswith(answered)
    entries = read(folder)
    on_record = [entry.data["text"] for entry in entries if entry.kind is Mark.SAID]
    assert on_record[: len(said)] == said
    problems = verify(folder)
    if piece:
        assert (folder / "journal.torn-1").read_bytes() == piece
        named = [entry.data["set_aside"] for entry in entries if entry.kind is Mark.REOPENED]
        assert all(
            pieces == [{"name": "journal.torn-1", "bytes": len(piece), "sha256": digest(piece)}] for pieces in named
        )
    assert [str(problem) for problem in problems] == (
        ["journal.torn-1 is named by no entry"] if piece and happened == len(whole.events) else []
    )
    return bool(piece)
