"""Times of a session when the clock of the computer is set, and when the computer sleeps.

The clock on the wall and the steady one are the test's own: setting those of the computer is not a test's to do.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from handsfree.procedure.load import load
from handsfree.procedure.proof import check
from handsfree.session.events import Mark
from handsfree.session.journal import Entry, read
from handsfree.session.replay import verify
from handsfree.sound.clock import Clock, steady
from handsfree.sound.loop import begin, from_text
from handsfree.sound.voice import SilentVoice

START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
SOURCE = """\
procedure: oven-is-slow
title: The oven is slow
edition: "1"
purpose: Find out whether the oven heats as it must.
equipment: Skovlund B2 oven
local_rules: The rules of the site come first.
steps:
  - {id: begin, kind: do, say: Switch it on.}
  - id: warm-up
    kind: watch
    say: Read the oven each two minutes.
    every_minutes: 2
    for_minutes: 30
    series:
      - {reading: oven, quantity: temperature, unit: degree_Celsius, rises_to: 200}
    next: {nonconforming: slow}
  - {id: sound, kind: conclude, finding: It heats as it must., condition: sound, action: Go on.}
  - {id: slow, kind: conclude, finding: It is slow., condition: unresolved, action: Call for help.}
"""


class Computer:
    """A computer whose clocks are moved by hand. While it sleeps, both go on."""

    def __init__(self) -> None:
        self.wall, self.seconds = START, 1000.0

    def passes(self, **time: float) -> None:
        self.wall += timedelta(**time)
        self.seconds += timedelta(**time).total_seconds()

    def clock(self) -> Clock:
        return Clock(lambda: self.wall, lambda: self.seconds)


def held(folder: Path, lines: Iterator[str | None], computer: Computer) -> list[Entry]:
    path = folder / "oven.yaml"
    path.write_text(SOURCE, encoding="utf-8")
    assert check(path) == []
    conversation, opened = begin(
        load(path), folder / "session", SilentVoice(), lambda event, acts: None, None, source="test", time=START
    )
    from_text(conversation, lines, opened, computer.clock())
    conversation.close()
    assert verify(folder / "session") == []
    entries = read(folder / "session")
    assert all(before.time <= after.time for before, after in pairwise(entries))
    return entries


def faults(entries: list[Entry]) -> list[str]:
    return [entry.data["what"] for entry in entries if entry.kind is Mark.FAULT]


@pytest.mark.parametrize(
    ("by", "told"),
    [
        (timedelta(hours=-1), "set back by one hour"),
        (timedelta(hours=1, minutes=2, seconds=3), "set forward by one hour two minutes"),
        (timedelta(seconds=-3), "set back by three seconds"),
        (timedelta(days=-365), "set back by three hundred sixty five days"),
    ],
)
def test_a_clock_that_is_set_is_told_and_recorded_and_times_go_on(tmp_path: Path, by: timedelta, told: str) -> None:
    computer = Computer()

    def lines() -> Iterator[str | None]:
        computer.passes(seconds=10)
        yield "done"
        computer.passes(seconds=5)
        yield "twenty"
        computer.wall += by
        computer.passes(seconds=20)
        yield None
        computer.passes(seconds=20)
        yield "how far"

    entries = held(tmp_path, lines(), computer)
    assert faults(entries) == [f"The clock of this computer was {told}; times in the record go on without the jump."]
    heard = [entry.time - START for entry in entries if entry.kind is Mark.HEARD]
    assert heard == [timedelta(seconds=seconds) for seconds in (10, 15, 55)]
    said = [entry.data["text"] for entry in entries if entry.kind is Mark.SAID]
    assert any(text.endswith("Next reading in one minute fifteen seconds: oven.") for text in said)


def test_a_clock_that_is_corrected_bit_by_bit_is_not_set(tmp_path: Path) -> None:
    computer = Computer()

    def lines() -> Iterator[str | None]:
        yield "done"
        for _ in range(20):
            computer.passes(seconds=3)
            computer.wall += timedelta(seconds=0.5)
            yield None

    assert faults(held(tmp_path, lines(), computer)) == []


def test_what_fell_due_while_the_computer_slept_is_asked_for_at_once(tmp_path: Path) -> None:
    computer = Computer()

    def lines() -> Iterator[str | None]:
        yield "done"
        computer.passes(seconds=5)
        yield "twenty"
        computer.passes(hours=9)
        yield None
        computer.passes(seconds=5)
        yield "one hundred ninety"

    entries = held(tmp_path, lines(), computer)
    assert faults(entries) == []
    assert [entry.time - START for entry in entries if entry.kind is Mark.DUE] == [timedelta(hours=9, seconds=5)]
    readings = [entry.data["seconds"] for entry in entries if entry.kind is Mark.READING]
    assert readings == [5, 9 * 3600 + 10]


def test_the_computers_own_clocks_agree_and_go_forward() -> None:
    clock = Clock()
    before = steady()
    assert abs((clock.now() - datetime.now(UTC)).total_seconds()) < 1
    assert clock.was_set() is None
    assert steady() >= before
