"""The session on a terminal: what is said stands there once, under the step it belongs to."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from rich.console import Console

from handsfree.console import Screen
from handsfree.procedure.load import load
from handsfree.session.events import Heard, Started
from handsfree.session.machine import Session

CABINET = load(Path(__file__).parents[1] / "procedures" / "display-cabinet-ices-up.yaml").procedure
OPENING = ("one two three four five five", "affirm", "alfa bravo four zero niner one", "affirm")
TO_THE_SCREWS = (*OPENING, "done", "minus 4.5 degrees", "the fan is silent", "done")


class Terminal:
    """A session with somebody who types, and what has been printed since it was last looked at."""

    def __init__(self) -> None:
        self._file = io.StringIO()
        self._screen = Screen(Console(file=self._file, width=100, highlight=False))
        self._session = Session(CABINET)
        self._time = datetime(2031, 5, 6, 9, 15, tzinfo=UTC)
        started = Started(self._time)
        self._screen(started, self._session.handle(started))

    def after(self, *said: str, confidence: float | None = None) -> str:
        """What the last of these makes the terminal print, without the frames."""
        for text in said:
            self._file.truncate(self._file.seek(0))
            self._time += timedelta(seconds=5)
            heard = Heard(self._time, text, confidence)
            self._screen(heard, self._session.handle(heard))
        return " ".join(self._file.getvalue().translate(dict.fromkeys(map(ord, "─╭╮╰╯│"), " ")).split())


@pytest.fixture
def terminal() -> Terminal:
    return Terminal()


def test_an_instruction_and_its_first_piece_stand_in_one_panel(terminal: Terminal) -> None:
    printed = terminal.after(*TO_THE_SCREWS)
    assert printed.endswith("panel-screws-off Take the screws out of the rear panel. Hold the panel with one hand.")
    assert printed.count("panel-screws-off") == 1


def test_a_piece_has_its_number_and_how_many_there_are_in_its_title(terminal: Terminal) -> None:
    printed = terminal.after(*TO_THE_SCREWS, "go ahead")
    assert "panel-screws-off, piece 2 of 2 Remove the screws one by one." in printed
    assert "panel-screws-off, piece 2 of 2" in terminal.after("say again")
    assert "piece" not in terminal.after("six", "done")


def test_a_note_a_mark_a_timer_and_a_deviation_stand_out_by_a_word(terminal: Terminal) -> None:
    assert terminal.after(*OPENING, "mark").endswith("» MARK Marked.")
    assert terminal.after("note", "the drain is cracked").endswith("» NOTE Noted: the drain is cracked.")
    assert terminal.after("timer two minutes").endswith("» TIMER Timer one: two minutes from now.")
    printed = terminal.after("skip it", "not needed")
    assert "» DEVIATION Skipped, not needed. Recorded." in printed


def test_a_note_that_a_recogniser_heard_is_said_not_to_be_checked(terminal: Terminal) -> None:
    terminal.after(*OPENING, "note")
    assert terminal.after("the drain is cracked", confidence=0.9).endswith("cracked. (as heard, not checked)")
