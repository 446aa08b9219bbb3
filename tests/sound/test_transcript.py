"""Whole sessions on a shipped procedure from transcripts: what was said, and when, from the session's start.

Times come from the transcript, so a watch of ten minutes is over at once and says the same every time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from handsfree.judge.meterfile import load_meters
from handsfree.procedure.load import load
from handsfree.review.report import render
from handsfree.session.events import Mark
from handsfree.session.journal import Entry, read
from handsfree.session.replay import verify
from handsfree.sound.loop import begin, from_text
from handsfree.sound.voice import SilentVoice

ROOT = Path(__file__).parents[2]
PROOFER = ROOT / "procedures" / "retarder-proofer-is-off-temperature.yaml"
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)

WARM, COLD = (
    tuple(
        line
        for line in (ROOT / "demo_sessions" / name / "script.txt").read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    )
    for name in ("cabinet-warms", "cabinet-cools")
)


def played(lines: Sequence[str], folder: Path, procedure: Path = PROOFER) -> list[Entry]:
    """The record of a session; it is what its own events produce."""
    conversation, opened = begin(
        load(procedure),
        folder,
        SilentVoice(),
        lambda event, acts: None,
        None,
        source="transcript",
        meters=load_meters([ROOT / "meters" / "ostrel-61.yaml"]),
        time=START,
    )
    from_text(conversation, lines, opened)
    conversation.close()
    assert verify(folder) == []
    return read(folder)


def data(entries: list[Entry], mark: Mark) -> list[Mapping[str, Any]]:
    return [entry.data for entry in entries if entry.kind is mark]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "session"


def test_a_cabinet_that_does_not_get_warm_is_followed_until_it_does(folder: Path) -> None:
    entries = played(WARM, folder)
    assert data(entries, Mark.CONCLUDED)[0]["finding"] == "The cabinet heats as it must."
    figures = {figure["step"]: figure for figure in data(entries, Mark.CALCULATED)}
    assert {step: figure["verdict"] for step, figure in figures.items()} == {
        "elements-alike": "conforming",
        "elements-as-on-plate": "conforming",
        "probe-error": "conforming",
    }
    # The plate is exact, the elements are not: 52.9 ohms by the plate, 53.03 measured.
    plate = figures["elements-as-on-plate"]
    assert plate["value"] == "0.2520478891"
    # 0.5 percent and two counts of 0.1: the three may err alike, so their mean is no surer than one of them.
    assert float(plate["uncertainty"]) == pytest.approx(2 * (0.265 + 0.2) / math.sqrt(3) / 52.9 * 100, rel=0.1)
    assert [used["value"] for used in plate["inputs"]] == ["53.2", "52.8", "53.1", "230", "1000"]
    (watched,) = data(entries, Mark.WATCHED)
    assert watched["series"][0]["reason"] == "at thirty four degrees celsius after three minutes"
    said = [each["text"] for each in data(entries, Mark.SAID)]
    assert any(text.startswith("Chamber air on track: thirty four degrees celsius in about ") for text in said)
    dues = [entry.time - START for entry in entries if entry.kind is Mark.DUE]
    assert all(due - dues[0] == timedelta(seconds=30 * number) for number, due in enumerate(dues))


def test_a_cabinet_that_does_not_get_cold_shows_windings_insulation_pull_down_and_superheat(folder: Path) -> None:
    entries = played(COLD, folder)
    assert data(entries, Mark.CONCLUDED)[0]["finding"] == "The cabinet cools as it must."
    figures = {figure["step"]: figure for figure in data(entries, Mark.CALCULATED)}
    assert {step: (figure["words"], figure["verdict"]) for step, figure in figures.items()} == {
        "windings-add-up": ("minus zero point one ohms", "conforming"),  # each without the leads
        "start-to-run": ("two point six seven", "conforming"),
        "run-at-twenty": ("eight point one eight ohms", "conforming"),
        "superheat": (figures["superheat"]["words"], "conforming"),
    }
    assert figures["windings-add-up"]["inputs"][0]["value"] == "30"
    insulation, pull_down = data(entries, Mark.WATCHED)
    assert insulation["series"][0]["reason"] == "at one minute is one point five times that at thirty seconds"
    assert pull_down["verdict"] == "conforming"
    assert pull_down["order"]["verdict"] == "conforming"


def test_a_broken_element_shows_over_range_and_is_the_bad_part(folder: Path) -> None:
    broken = WARM.index("[1:30] fifty two point eight ohms")
    entries = played([*WARM[:broken], "[1:30] o l", "[1:55] done"], folder)
    assert data(entries, Mark.CONCLUDED)[0]["part"] == "heating element"


def test_the_report_shows_figures_with_their_inputs_and_a_series_with_its_curve(folder: Path) -> None:
    played(WARM, folder)
    page = render(folder)
    assert "elements against their plate" in page
    assert "(mean of element one, element two, element three) − (plate voltage² / plate power)" in page
    assert "class B: ± 0.4" in page
    assert "Watched over time" in page
    assert page.count("<circle ") == 8
    assert 'class="fit"' in page
    assert 'class="goal"' in page
    assert "must rise to thirty four degrees celsius" in page
    assert "<script" not in page


def test_a_reading_before_its_time_is_refused_and_the_record_says_when(folder: Path) -> None:
    early = WARM.index("[2:36] twenty four point four degrees")
    entries = played([*WARM[:early], "[2:20] twenty three", *WARM[early:]], folder)
    assert [each["reason"] for each in data(entries, Mark.ASKED_AGAIN)] == ["the reading is not due yet"]
    assert data(entries, Mark.CONCLUDED)[0]["finding"] == "The cabinet heats as it must."


def test_a_line_without_a_time_follows_a_second_later_and_none_goes_back(folder: Path) -> None:
    entries = played(["[0:05] it does not get warm", "two hundred thirty volts", "[0:02] one thousand watts"], folder)
    heard = [entry.time - START for entry in entries if entry.kind is Mark.HEARD]
    assert heard == [timedelta(seconds=5), timedelta(seconds=6), timedelta(seconds=6)]
    assert {each["engine"] for each in data(entries, Mark.HEARD)} == {"transcript"}
    assert entries[-1].kind is Mark.CLOSED


def test_while_nothing_is_typed_a_reading_that_is_due_is_asked_for(folder: Path) -> None:
    lines: list[str | None] = [*WARM[:17], None, *WARM[17:19], None]
    conversation, opened = begin(
        load(PROOFER), folder, SilentVoice(), lambda event, acts: None, None, source="transcript", time=START
    )
    from_text(conversation, lines, opened)
    conversation.close()
    assert [each["step"] for each in data(read(folder), Mark.DUE)] == ["warm-up", "warm-up"]


def test_timers_between_two_lines_tell_each_at_its_own_time(folder: Path) -> None:
    lines = ["[0:05] timer two minutes", "[0:10] timer ninety seconds", "[5:00] how far"]
    entries = played(lines, folder)
    over = [entry.time - START for entry in entries if entry.kind is Mark.TIMER and entry.data["state"] == "over"]
    assert over == [timedelta(seconds=100), timedelta(seconds=125)]
