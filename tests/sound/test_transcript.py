"""Whole sessions on a shipped procedure from transcripts: what was said, and when, from the session's start.

Times come from the transcript, so a watch of ten minutes is over at once and says the same every time.
"""

from __future__ import annotations

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

OPENING = """\
[0:40] twenty point five degrees
[1:30] done
[2:40] done
[3:00] two hundred thirty one volts
[3:20] zero point one volts
[3:35] zero volts
[3:50] two hundred thirty point five volts
"""
WARM = f"""\
[0:05] it does not get warm
[0:15] two hundred thirty volts
[0:25] one thousand watts
{OPENING}[4:30] fifty three point two
[4:50] fifty two point eight
[5:10] fifty three point one
[5:50] one zero eight point zero
[6:40] done
[7:20] done
[7:28] twenty one point four
[8:26] twenty five point two
[9:27] twenty eight point one
[10:26] thirty point four
[11:26] thirty two point one
[12:26] thirty three point four
[13:27] thirty four point five
[14:27] thirty five point three
"""
COLD = f"""\
[0:05] it stays warm
{OPENING}[4:05] zero point two ohms
[4:40] eight point four
[5:00] twenty two point one
[5:20] thirty point two
[5:30] change meter
[5:35] none of these
[5:45] done
[6:16] four hundred megohms
[6:47] six hundred megohms
[7:30] done
[8:00] done
[8:06] fifteen point two
[8:11] twenty point one
[9:06] six point one
[9:11] eighteen point three
[10:06] zero point five
[10:11] sixteen point nine
[11:06] three degrees below zero
[11:11] fifteen point seven
[12:06] minus five point two
[12:11] fourteen point eight
[13:06] minus six point six
[13:11] thirteen point nine
[14:06] minus seven point five
[14:11] thirteen point three
[15:00] two point eight bar
[15:30] minus two
"""


def played(transcript: str | Sequence[str], folder: Path, procedure: Path = PROOFER) -> list[Entry]:
    """The record of a session; it is what its own events produce."""
    lines = transcript.splitlines() if isinstance(transcript, str) else transcript
    conversation, opened = begin(
        load(procedure),
        folder,
        SilentVoice(),
        lambda event, acts: None,
        None,
        source="transcript",
        meters=load_meters([ROOT / "meters"]),
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
    assert 0.3 < float(plate["uncertainty"]) < 0.9
    assert [used["value"] for used in plate["inputs"]] == ["53.2", "52.8", "53.1", "230", "1000"]
    (watched,) = data(entries, Mark.WATCHED)
    assert watched["series"][0]["reason"] == "at thirty four degrees celsius after six minutes"
    said = [each["text"] for each in data(entries, Mark.SAID)]
    assert any(text.startswith("Chamber air on track: thirty four degrees celsius in about ") for text in said)
    dues = [entry.time - START for entry in entries if entry.kind is Mark.DUE]
    assert dues[:2] == [timedelta(minutes=8, seconds=20), timedelta(minutes=9, seconds=20)]


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
    lines = WARM.splitlines()
    broken = [*lines[: lines.index("[4:50] fifty two point eight")], "[4:50] o l", "[6:40] done"]
    entries = played(broken, folder)
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
    lines = WARM.splitlines()
    early = lines.index("[8:26] twenty five point two")
    entries = played([*lines[:early], "[7:50] twenty three", *lines[early:]], folder)
    assert [each["reason"] for each in data(entries, Mark.ASKED_AGAIN)] == ["the reading is not due yet"]
    assert data(entries, Mark.CONCLUDED)[0]["finding"] == "The cabinet heats as it must."


def test_a_line_without_a_time_follows_a_second_later_and_none_goes_back(folder: Path) -> None:
    entries = played(["[0:05] it does not get warm", "two hundred thirty volts", "[0:02] one thousand watts"], folder)
    heard = [entry.time - START for entry in entries if entry.kind is Mark.HEARD]
    assert heard == [timedelta(seconds=5), timedelta(seconds=6), timedelta(seconds=6)]
    assert {each["engine"] for each in data(entries, Mark.HEARD)} == {"transcript"}
    assert entries[-1].kind is Mark.CLOSED


def test_while_nothing_is_typed_a_reading_that_is_due_is_asked_for(folder: Path) -> None:
    lines: list[str | None] = [*WARM.splitlines()[:17], None, "[8:26] twenty five point two", None]
    conversation, opened = begin(
        load(PROOFER), folder, SilentVoice(), lambda event, acts: None, None, source="transcript", time=START
    )
    from_text(conversation, lines, opened)
    conversation.close()
    assert [each["step"] for each in data(read(folder), Mark.DUE)] == ["warm-up"]
