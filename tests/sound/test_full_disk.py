"""A session whose record cannot be written for a while: what is said aloud, what is taken, and what is told later.

The disk is full through a real limit of the system on the size of files.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from handsfree.procedure.load import load
from handsfree.session.events import Act, Event, Fault, Heard, Mark, Started
from handsfree.session.journal import JOURNAL, JournalError, read
from handsfree.session.replay import verify
from handsfree.sound.audio import read as read_sound
from handsfree.sound.clock import Clock
from handsfree.sound.loop import begin, from_recording, from_text
from handsfree.sound.protocol import RATE, Audio, Recogniser, Utterance
from handsfree.sound.voice import SilentVoice
from handsfree.spoken.meaning import Open

if sys.platform != "win32":
    import resource

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits the size of files through a POSIX call")
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
FULL = "cannot be written: File too large. Free space, then say go ahead."
SOURCE = """\
procedure: lamp-is-dark
title: The lamp is dark
edition: "1"
purpose: Find out why the lamp does not light.
equipment: Norrvik L4 lamp
local_rules: Local rules come first.
steps:
  - {id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {at_most: 7}, next: {nonconforming: bad}}
  - {id: wire, kind: measure, say: Measure the wire., reading: wire, quantity: resistance, unit: ohm,
     limit: {at_most: 7}, next: {nonconforming: bad}}
  - {id: sound, kind: conclude, finding: It is sound., condition: sound, action: Use it.}
  - {id: bad, kind: conclude, finding: It is bad., condition: faulty, part: coil, action: Replace it.}
"""


@contextmanager
def full_disk(size: int) -> Iterator[None]:
    """No file may become larger than this."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


class Ears(SilentVoice):
    """What somebody hears who listens."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    def say(self, text: str) -> None:
        self.heard.append(text)


class Held:
    """A session that has been opened, with what was heard of it and what its screen showed."""

    def __init__(self, folder: Path, recogniser: Recogniser | None = None, *, opened: bool = True) -> None:
        path = folder / "lamp.yaml"
        path.write_text(SOURCE, encoding="utf-8")
        self.folder, self.voice, self.time = folder / "session", Ears(), START
        self.shown: list[tuple[Event, list[Act]]] = []
        self.conversation, self.opened = begin(
            load(path), self.folder, self.voice, self.show, recogniser, source="test", time=START
        )
        if opened:
            self.conversation.handle(self.opened)

    def show(self, event: Event, acts: Any) -> None:
        self.shown.append((event, list(acts)))

    @property
    def size(self) -> int:
        return (self.folder / JOURNAL).stat().st_size

    def hear(self, text: str) -> list[str]:
        """What is said aloud in answer."""
        self.time += timedelta(seconds=5)
        self.voice.heard.clear()
        self.conversation.handle(Heard(self.time, text))
        return list(self.voice.heard)

    def data(self, mark: Mark) -> list[Any]:
        return [entry.data for entry in read(self.folder) if entry.kind is mark]


@pytest.fixture
def held(tmp_path: Path) -> Held:
    return Held(tmp_path)


def test_nothing_of_an_answer_is_spoken_or_shown_before_it_is_on_record(held: Held) -> None:
    size = held.size
    with full_disk(size + 300):  # room for the utterance, not for its answer
        assert held.hear("five point two ohms") == [f"The record {FULL}"]
        event, acts = held.shown[-1]
        assert (event, acts) == (Fault(held.time, f"The record {FULL}"), [])
        assert held.size == size  # no piece of it either: what is there is whole
        assert held.hear("three ohms") == [f"Not taken: the record {FULL}"]
        assert held.hear("go ahead") == [f"Not taken: the record {FULL}"]
    said = held.hear("go ahead")
    assert said[0] == "Five point two ohms, at most seven: conforming."
    assert said[1] == "Measure the wire."
    assert said[2].startswith("For a while the record could not be written. Now it is complete.")
    assert said[2].endswith("Not taken meanwhile: 1 utterance. Say it again.")
    assert [data["what"] for data in held.data(Mark.FAULT)] == [said[2]]
    assert [data["text"] for data in held.data(Mark.HEARD)] == ["five point two ohms"]
    held.hear("three ohms")
    held.hear("affirm")
    assert held.conversation.over
    held.conversation.close()
    assert verify(held.folder) == []


def test_while_nobody_speaks_it_is_tried_again_once_a_second(held: Held) -> None:
    with full_disk(held.size):
        held.hear("five point two ohms")
        held.voice.heard.clear()
        held.conversation.tell(held.time + timedelta(seconds=2))
        assert held.voice.heard == []
    held.conversation.tell(held.time + timedelta(seconds=2.5))
    assert held.voice.heard == []
    held.conversation.tell(held.time + timedelta(seconds=3))
    assert held.voice.heard[0] == "Five point two ohms, at most seven: conforming."
    assert len(held.data(Mark.FAULT)) == 1


def test_a_device_lost_meanwhile_is_told_afterwards(held: Held) -> None:
    with full_disk(held.size):
        held.hear("five point two ohms")
        held.conversation.handle(Fault(held.time, "The microphone was unplugged."))
    held.hear("go ahead")
    faults = [data["what"] for data in held.data(Mark.FAULT)]
    assert len(faults) == 2
    assert "The microphone was unplugged." in faults


def test_a_finding_is_not_over_before_it_is_on_record(held: Held) -> None:
    held.hear("five ohms")
    held.hear("five ohms")
    with full_disk(held.size + 10):
        assert held.hear("affirm") == [f"The record {FULL}"]
        assert held.conversation.session.closed
        assert not held.conversation.over
    said = held.hear("go ahead")
    assert "Finding: It is sound." in said
    assert held.conversation.over
    held.conversation.close()
    assert verify(held.folder) == []


def test_a_session_whose_input_ends_on_a_full_disk_says_what_is_not_on_record(tmp_path: Path) -> None:
    held = Held(tmp_path, opened=False)

    def lines() -> Iterator[str]:
        yield "nonsense"
        before.append((held.folder / JOURNAL).read_bytes())
        resource.setrlimit(resource.RLIMIT_FSIZE, (held.size + 100, limits[1]))
        yield "five point two ohms"
        yield "three ohms"

    before, limits = list[bytes](), resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        with pytest.raises(JournalError) as told:
            from_text(held.conversation, lines(), held.opened)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    entries = read(held.folder)
    assert f"after entry {entries[-1].n} are not in it, among them what was said last: 'five point two ohms'. " in str(
        told.value
    )
    assert "Not taken after that: 1 utterance." in str(told.value)
    assert (held.folder / JOURNAL).read_bytes() == before[0]


class Fixed:
    """A recogniser that always understands the same: what becomes of it is what is tested."""

    name = "fixed"
    missing_words: frozenset[str] = frozenset()

    def open(self, what: Open) -> None:
        """Understands the same whatever is open."""

    def hear(self, audio: Audio) -> Utterance:
        return Utterance("five point two ohms", 0.9, self.name)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        return first


def test_an_utterance_whose_sound_finds_no_room_is_not_taken(tmp_path: Path) -> None:
    held = Held(tmp_path, Fixed(), opened=False)
    speech = read_sound(Path(__file__).parent / "speech" / "five_point_two_ohms.flac")[0].samples
    quiet = np.random.default_rng(1).integers(-20, 20, RATE, np.int16)
    recording = Audio(np.concatenate([quiet, speech, quiet, quiet]))
    with full_disk(8000):  # room for entries, and none for a clip
        from_recording(held.conversation, recording, held.opened)
    told = "The record cannot be written: File too large. What was said is not taken. Free space, then say it again."
    assert told in held.voice.heard
    assert [data["what"] for data in held.data(Mark.FAULT)] == [told]
    assert held.data(Mark.READING) == held.data(Mark.HEARD) == []
    assert list((held.folder / "clips").iterdir()) == []
    held.conversation.close()
    assert verify(held.folder) == []


def test_a_finding_that_waited_for_the_disk_ends_the_session_by_itself(tmp_path: Path) -> None:
    held, seconds, limits = Held(tmp_path, opened=False), [0.0], resource.getrlimit(resource.RLIMIT_FSIZE)

    def lines() -> Iterator[str | None]:
        yield "nine ohms"
        resource.setrlimit(resource.RLIMIT_FSIZE, (held.size, limits[1]))
        yield "affirm"
        assert not held.conversation.over
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        seconds[0] += 2
        yield None
        raise AssertionError("the session goes on")

    clock = Clock(lambda: START + timedelta(seconds=seconds[0]), lambda: seconds[0])
    held.conversation.handle(held.opened)
    try:
        from_text(held.conversation, lines(), Started(START), clock)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert "Finding: It is bad." in held.voice.heard
    held.conversation.close()
    assert verify(held.folder) == []
