"""The main job on real audio: the recorded sessions through the real recogniser, to the end."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

from handsfree.judge.meterfile import load_meters
from handsfree.procedure.load import load
from handsfree.session.events import Mark
from handsfree.session.journal import Entry, read
from handsfree.session.replay import verify
from handsfree.sound import audio
from handsfree.sound.joint import JointRecogniser
from handsfree.sound.loop import begin, from_recording
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import Recogniser
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


@pytest.fixture(scope="module", params=["moonshine", "both"])
def recogniser(request: pytest.FixtureRequest) -> Recogniser:
    if request.param == "moonshine":
        return MoonshineRecogniser()
    return JointRecogniser(None, request.getfixturevalue("english_vosk"))


def played(
    name: str,
    recogniser: Recogniser,
    folder: Path,
    procedure: str = "bottle-cooler-does-not-cool",
    *meters: str,
) -> list[Entry]:
    """The journal of a recorded session."""
    recording, remarks = audio.read(ROOT / "demo_sessions" / name / "technician.flac")
    assert remarks == ()
    conversation, opened = begin(
        load(ROOT / "procedures" / f"{procedure}.yaml"),
        folder,
        SilentVoice(),
        lambda event, acts: None,
        recogniser,
        source=name,
        meters=load_meters([ROOT / "meters" / meter for meter in meters]),
        time=datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC),
    )
    from_recording(conversation, recording, opened)
    conversation.close()
    return read(folder)


Visits = Callable[[str], Path]


@pytest.fixture(scope="module")
def visit(recogniser: Recogniser, tmp_path_factory: pytest.TempPathFactory) -> Visits:
    """The folder of a recorded session's record; each is held once."""

    @cache
    def folder(name: str) -> Path:
        made = tmp_path_factory.mktemp(name) / "session"
        played(name, recogniser, made)
        return made

    return folder


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
    visit: Visits,
) -> None:
    entries = read(visit(name))

    taken = [entry.data for entry in of_kind(entries, Mark.READING)]
    assert [(each["step"], each["value"], each["unit"], each["verdict"]) for each in taken] == readings
    walked = [entry.data["step"] for entry in of_kind(entries, Mark.ENTERED)]
    assert walked == path.split()
    concluded = of_kind(entries, Mark.CONCLUDED)[-1].data
    assert (concluded["condition"], concluded["part"]) == (condition, part)
    assert of_kind(entries, Mark.CLOSED)[-1].data["off"] == []
    assert verify(visit(name)) == []


def test_a_corrected_reading_stays_on_record(visit: Visits) -> None:
    entries = read(visit("start-relay"))

    (corrected,) = of_kind(entries, Mark.CORRECTED)
    values = {entry.data["id"]: entry.data["value"] for entry in of_kind(entries, Mark.READING)}
    assert values[corrected.data["reading"]] == "9.4"
    assert values[corrected.data["by"]] == "9.6"


def test_every_utterance_is_kept_as_a_clip(visit: Visits) -> None:
    entries = read(visit("start-relay"))

    said = (ROOT / "demo_sessions" / "start-relay" / "script.txt").read_text(encoding="utf-8").split("\n")
    heard = of_kind(entries, Mark.HEARD)
    assert len(heard) == len([line for line in said if line.strip()])
    for entry in heard:
        clip, _ = audio.read(visit("start-relay") / entry.data["clip"])
        assert clip.seconds == pytest.approx(entry.data["seconds"], abs=0.001)


def test_a_recorded_session_is_judged_with_the_meter_its_leads_and_the_rule(
    recogniser: Recogniser, tmp_path: Path
) -> None:
    entries = played("air-curtain", recogniser, tmp_path / "session", "air-curtain-blows-cold", "ostrel-61.yaml")

    *_, heater, cut_out = [entry.data for entry in of_kind(entries, Mark.READING)]
    assert (heater["value"], heater["leads"]["corrected"], heater["verdict"]) == ("26.90", "26.59", "conforming")
    assert (cut_out["value"], cut_out["leads"]["corrected"], cut_out["verdict"]) == ("1.62", "1.31", "nonconforming")
    assert cut_out["decision"]["rule"] == "guarded acceptance"
    assert float(cut_out["decision"]["conformity"]) < 0.001
    assert of_kind(entries, Mark.CONCLUDED)[0].data["finding"] == "The thermal cut-out does not close."
    assert verify(tmp_path / "session") == []


CABINET = "retarder-proofer-is-off-temperature"


def test_a_recorded_cabinet_is_judged_by_its_plate_its_elements_and_how_it_warms(
    recogniser: Recogniser, tmp_path: Path
) -> None:
    entries = played("cabinet-warms", recogniser, tmp_path / "session", CABINET, "ostrel-61.yaml")

    figures = {entry.data["step"]: entry.data for entry in of_kind(entries, Mark.CALCULATED)}
    # R = V^2/P is 52.9 ohms for 230 V and 1000 W; the elements read 53.2, 52.8 and 53.1 ohms, mean 53.03
    assert [figure["verdict"] for figure in figures.values()] == ["conforming"] * 3
    assert [round(float(figure["value"]), 2) for figure in figures.values()] == [0.44, 0.25, 0.03]
    (watched,) = of_kind(entries, Mark.WATCHED)
    assert watched.data["verdict"] == "conforming"
    (series,) = watched.data["series"]
    taken = [entry.data for entry in of_kind(entries, Mark.READING) if entry.data.get("series") == "chamber air"]
    seconds, values = zip(*((data["seconds"], float(data["value"])) for data in taken), strict=True)
    # scipy's least squares on the same readings, as a general-purpose library has it
    (settles, starts, tau), _ = curve_fit(
        lambda t, settles, starts, tau: settles + (starts - settles) * np.exp(-t / tau),
        np.array(seconds, float),
        np.array(values),
        (40.0, 20.0, 100.0),
    )
    fit = {name: float(value) for name, value in series["fit"].items()}
    assert (fit["settles"], fit["starts"], fit["tau"]) == pytest.approx((settles, starts, tau), rel=0.03)
    assert of_kind(entries, Mark.CONCLUDED)[0].data["finding"] == "The cabinet heats as it must."
    assert verify(tmp_path / "session") == []


def test_a_recorded_cabinet_is_judged_by_its_windings_and_how_its_coil_and_air_cool(
    recogniser: Recogniser, tmp_path: Path
) -> None:
    entries = played("cabinet-cools", recogniser, tmp_path / "session", CABINET, "ostrel-61.yaml")

    readings = [entry.data for entry in of_kind(entries, Mark.READING)]
    assert [data["value"] for data in readings if data.get("series") == "coil"] == [
        *("12.2", "6.1", "0.5", "-3", "-5.2", "-6.6", "-7.5")
    ]
    assert of_kind(entries, Mark.CONCLUDED)[0].data["finding"] == "The cabinet cools as it must."
    assert verify(tmp_path / "session") == []


def test_a_recorded_visit_keeps_serials_counts_notes_and_a_new_part(recogniser: Recogniser, tmp_path: Path) -> None:
    entries = played("cabinet-motor", recogniser, tmp_path / "session", "display-cabinet-ices-up")

    known = {entry.data["what"]: entry.data["value"] for entry in of_kind(entries, Mark.IDENTIFIED)}
    assert known == {"work_order": "123455", "serial": "AB-4091", "old serial": "K-7712", "new serial": "K-8031"}
    (motor,) = of_kind(entries, Mark.REPLACED)
    assert (motor.data["old"], motor.data["new"]) == ("K-7712", "K-8031")  # corrected by place: "last is one"
    assert "motor winding: four point two ohms" in motor.data["reason"]
    assert len(of_kind(entries, Mark.VERIFIED)) == 1
    notes = [(entry.data["kind"], entry.data.get("item"), entry.data["text"]) for entry in of_kind(entries, Mark.NOTED)]
    assert notes == [
        ("orientation", "rear panel", "the label on the panel faces the wall"),
        ("note", None, "the old motor smells burnt and its shaft is loose"),
    ]
    assert not any(entry.data["checked"] for entry in of_kind(entries, Mark.NOTED))
    back = [
        entry.data["count"] for entry in of_kind(entries, Mark.COUNTED) if entry.data["step"] == "panel-screws-back"
    ]
    assert back == [5, 6]  # five back of six is asked about, and counted again
    (early,) = of_kind(entries, Mark.DEVIATION)
    assert (early.data["what"], early.data["reason"]) == ("too early", "wish of the site")
    assert of_kind(entries, Mark.CLOSED)[-1].data["off"] == []
    assert of_kind(entries, Mark.CONCLUDED)[0].data["finding"] == "The evaporator fan runs and the cabinet pulls down."
    assert verify(tmp_path / "session") == []
