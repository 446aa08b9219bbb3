"""The main job on real audio: the recorded sessions through the real recogniser, to the end."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from handsfree.procedure.load import load
from handsfree.session.events import Mark
from handsfree.session.journal import Entry, read
from handsfree.session.replay import verify
from handsfree.sound import audio
from handsfree.sound.loop import begin, from_recording
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.voice import SilentVoice

ROOT = Path(__file__).parents[1]

# What the technician says in demo_sessions/*/script.txt, and what the procedure makes of it.
START_RELAY = [
    ("chamber-air", "11.4", "degree_Celsius", "nonconforming"),
    ("display", "11", "degree_Celsius", None),
    ("supply", "118", "volt", "conforming"),
    ("tester-before", "121.2", "volt", "conforming"),
    ("line-to-neutral", "0.2", "volt", "conforming"),
    ("line-to-ground", "0.1", "volt", "conforming"),
    ("tester-after", "121.4", "volt", "conforming"),
    ("capacitor-voltage", "1.3", "volt", "conforming"),
    ("sensor", "32.1", "kiloohm", "conforming"),
    ("overload", "0.3", "ohm", "conforming"),
    ("start-relay", "9.4", "ohm", "nonconforming"),
    ("start-relay", "9.6", "ohm", "nonconforming"),
]
ALL_SOUND = [
    ("chamber-air", "9.5", "degree_Celsius", "nonconforming"),
    ("display", "10", "degree_Celsius", None),
    ("supply", "121.5", "volt", "conforming"),
    ("tester-before", "121", "volt", "conforming"),
    ("line-to-neutral", "0.1", "volt", "conforming"),
    ("line-to-ground", "0", "volt", "conforming"),
    ("tester-after", "121.3", "volt", "conforming"),
    ("capacitor-voltage", "2.2", "volt", "conforming"),
    ("sensor", "33.4", "kiloohm", "conforming"),
    ("overload", "0.2", "ohm", "conforming"),
    ("start-relay", "5.1", "ohm", "conforming"),
    ("run-winding", "4.7", "ohm", "conforming"),
    ("start-winding", "11.5", "ohm", "conforming"),
    ("both-windings", "16.2", "ohm", "conforming"),
    ("insulation", "500", "megaohm", "conforming"),
    ("run-capacitor", "14.8", "microfarad", "conforming"),
    ("current-after", "1.9", "ampere", "conforming"),
    ("evaporator", "-9.5", "degree_Celsius", "conforming"),
    ("air-after", "6.8", "degree_Celsius", "conforming"),
]
OPENING = "prepare chamber-air display listen supply unplug panel-off tester-before line-to-neutral line-to-ground"
INSIDE = "tester-after discharge capacitor-voltage cover-off starter-off leads-off sensor-in-ice sensor overload"
BACK = "leads-back starter-back cover-back panel-back"
START_RELAY_PATH = f"{OPENING} {INSIDE} start-relay {BACK} by-sensor by-overload by-relay relay-bad"
ALL_SOUND_PATH = (
    f"{OPENING} {INSIDE} start-relay run-winding start-winding both-windings insulation run-capacitor condenser "
    f"clean-condenser {BACK} by-sensor by-overload by-relay by-run-winding by-start-winding by-windings by-insulation "
    "by-capacitor power-up starts current-after pull-down evaporator air-after sound"
)


@pytest.fixture(scope="module")
def recogniser() -> MoonshineRecogniser:
    return MoonshineRecogniser()


def played(name: str, recogniser: MoonshineRecogniser, folder: Path) -> list[Entry]:
    """The journal of a recorded session."""
    recording, remarks = audio.read(ROOT / "demo_sessions" / name / "technician.flac")
    assert remarks == ()
    conversation, opened = begin(
        load(ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml"),
        folder,
        SilentVoice(),
        lambda event, acts: None,
        recogniser,
        source=name,
        time=datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC),
    )
    from_recording(conversation, recording, opened)
    conversation.close()
    return read(folder)


def of_kind(entries: list[Entry], mark: Mark) -> list[Entry]:
    return [entry for entry in entries if entry.kind is mark]


@pytest.mark.parametrize(
    ("name", "readings", "path", "condition", "part"),
    [
        ("start-relay", START_RELAY, START_RELAY_PATH, "faulty", "start relay"),
        ("start-relay-hum", START_RELAY, START_RELAY_PATH, "faulty", "start relay"),
        ("all-sound", ALL_SOUND, ALL_SOUND_PATH, "sound", None),
    ],
)
def test_a_recorded_session_comes_to_its_finding(
    name: str,
    readings: list[tuple[str, str, str, str | None]],
    path: str,
    condition: str,
    part: str | None,
    recogniser: MoonshineRecogniser,
    tmp_path: Path,
) -> None:
    entries = played(name, recogniser, tmp_path / "session")

    taken = [entry.data for entry in of_kind(entries, Mark.READING)]
    assert [(each["step"], each["value"], each["unit"], each["verdict"]) for each in taken] == readings
    walked = [entry.data["step"] for entry in of_kind(entries, Mark.ENTERED)]
    assert walked == path.split()
    concluded = of_kind(entries, Mark.CONCLUDED)[-1].data
    assert (concluded["condition"], concluded["part"]) == (condition, part)
    assert of_kind(entries, Mark.CLOSED)[-1].data["off"] == []
    assert verify(tmp_path / "session") == []


def test_a_corrected_reading_stays_on_record(recogniser: MoonshineRecogniser, tmp_path: Path) -> None:
    entries = played("start-relay", recogniser, tmp_path / "session")

    (corrected,) = of_kind(entries, Mark.CORRECTED)
    values = {entry.data["id"]: entry.data["value"] for entry in of_kind(entries, Mark.READING)}
    assert values[corrected.data["reading"]] == "9.4"
    assert values[corrected.data["by"]] == "9.6"


def test_every_utterance_is_kept_as_a_clip(recogniser: MoonshineRecogniser, tmp_path: Path) -> None:
    entries = played("start-relay", recogniser, tmp_path / "session")

    said = (ROOT / "demo_sessions" / "start-relay" / "script.txt").read_text(encoding="utf-8").split("\n")
    heard = of_kind(entries, Mark.HEARD)
    assert len(heard) == len([line for line in said if line.strip()])
    for entry in heard:
        clip, _ = audio.read(tmp_path / "session" / entry.data["clip"])
        assert clip.seconds == pytest.approx(entry.data["seconds"], abs=0.001)
