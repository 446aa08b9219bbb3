"""The commands, run as a user runs them."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).parents[1]
COOLER = str(ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml")


def handsfree(*arguments: str | Path, said: str = "") -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "handsfree.cli", *map(str, arguments)],
        input=said,
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        check=False,
    )
    assert "Traceback" not in done.stderr
    return done


def lines(done: subprocess.CompletedProcess[str]) -> list[dict[str, object]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_help_lists_every_command() -> None:
    done = handsfree("--help")
    assert done.returncode == 0
    for command in ("demo", "run", "resume", "parse", "hear", "check", "verify", "report"):
        assert command in done.stdout


def test_parse_writes_one_object_a_line() -> None:
    done = handsfree("parse", "--expect", "resistance", said="five point two zero\no l\n\nfive volts\n")
    assert done.returncode == 1  # two of them were refused
    read = lines(done)
    assert [(each["kind"], each["value"], each["unit"]) for each in read] == [
        ("reading", "5.20", "ohm"),
        ("over-range", None, None),
        ("refuse", None, None),
        ("refuse", None, None),
    ]
    assert all(each["reason"] for each in read[2:])
    assert read[0]["text"] == "five point two zero"


def test_parse_without_a_quantity_takes_every_unit_and_counts() -> None:
    done = handsfree("parse", said="minus eighteen degrees celsius\nseven\ngreater than five hundred megohms\n")
    assert done.returncode == 0
    assert [(each["kind"], each["value"], each["unit"]) for each in lines(done)] == [
        ("reading", "-18", "degree_Celsius"),
        ("reading", "7", None),
        ("above", "500", "megaohm"),
    ]


def test_an_unknown_quantity_is_told_which_there_are() -> None:
    done = handsfree("parse", "--expect", "ohms")
    assert done.returncode == 2
    assert "resistance" in done.stderr


def test_a_typed_session_is_recorded_verified_and_reported(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    said = (ROOT / "demo_sessions" / "start-relay" / "script.txt").read_text(encoding="utf-8")
    done = handsfree("run", COOLER, "--typed", "--out", folder, said=said)
    assert done.returncode == 0
    assert "The resistance of the start relay is too high" in done.stdout
    verified = handsfree("verify", folder)
    assert verified.returncode == 0
    seal = verified.stdout.split()[-1]
    assert handsfree("verify", folder, "--seal", seal).returncode == 0
    report = handsfree("report", folder)
    page = Path(report.stdout.strip()).read_text(encoding="utf-8")
    assert "The resistance of the start relay is too high" in page
    journal = folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b'"value":"9.6"', b'"value":"5.6"'))
    assert handsfree("verify", folder).returncode == 1


def test_a_transcript_with_times_goes_through_a_watch_at_once(tmp_path: Path) -> None:
    said = (ROOT / "demo_sessions" / "cabinet-warms" / "script.txt").read_text(encoding="utf-8")
    folder = tmp_path / "session"
    spoken = said.partition("\n")[2]  # without the remark on the first line
    done = handsfree("run", "retarder-proofer-is-off-temperature", "--typed", "--out", folder, said=spoken)
    assert done.returncode == 0
    assert "on track: thirty four degrees celsius" in done.stdout
    assert handsfree("verify", folder).returncode == 0


def test_a_session_that_is_left_early_is_not_concluded(tmp_path: Path) -> None:
    done = handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    assert done.returncode == 1
    assert handsfree("verify", tmp_path / "session").returncode == 0


def test_the_report_of_a_recording_says_that_the_times_are_the_recordings(tmp_path: Path) -> None:
    noise = np.random.default_rng(4).normal(0, 300, 16_000).astype(np.int16)
    soundfile.write(tmp_path / "take", noise, 16_000, format="WAV")
    folder = tmp_path / "session"
    assert handsfree("run", COOLER, "--audio", tmp_path / "take", "--out", folder).returncode == 1
    assert handsfree("verify", folder).returncode == 0
    page = Path(handsfree("report", folder).stdout.strip()).read_text(encoding="utf-8")
    assert "from a recording, take; times are the recording" in page


def test_bytes_that_are_no_text_are_asked_again_and_the_session_goes_on(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "handsfree.cli", "run", COOLER, "--typed", "--out", str(tmp_path / "session")]
    done = subprocess.run(command, input=b"done\n\xff 5\n8\n", capture_output=True, cwd=ROOT, check=False)
    assert b"Traceback" not in done.stderr
    assert handsfree("verify", tmp_path / "session").returncode == 0


def test_a_screen_with_few_signs_does_not_stop_a_session(tmp_path: Path) -> None:
    narrow = os.environ | {"PYTHONUTF8": "0", "PYTHONIOENCODING": "cp1252"}
    command = [sys.executable, "-m", "handsfree.cli", "run", COOLER, "--typed", "--out", str(tmp_path / "session")]
    done = subprocess.run(command, input=b"done\n9\n", capture_output=True, cwd=ROOT, env=narrow, check=False)
    assert b"Traceback" not in done.stderr
    assert "nonconforming" in done.stdout.decode().lower()
    assert handsfree("verify", tmp_path / "session").returncode == 0


def test_two_signs_are_no_reading() -> None:
    done = handsfree("parse", "--expect", "temperature", said="-- 5\n--18\n- -5\n+-5\n")
    assert [each["kind"] for each in lines(done)] == ["refuse"] * 4


def test_the_seal_is_shown_when_the_session_ends(tmp_path: Path) -> None:
    done = handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    seal = done.stdout.split()[-1]
    assert handsfree("verify", tmp_path / "session", "--seal", seal).returncode == 0


@pytest.mark.parametrize("seal", ["", "0a1b2c3d", "z" * 64])
def test_what_is_no_seal_is_told_as_that(seal: str, tmp_path: Path) -> None:
    handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    done = handsfree("verify", tmp_path / "session", "--seal", seal)
    assert done.returncode == 2
    assert "is no seal: write the 64 figures and letters that the session printed" in done.stderr


def test_a_session_without_a_finding_says_how_it_is_gone_on_with(tmp_path: Path) -> None:
    folder = tmp_path / "a session"
    done = handsfree("run", COOLER, "--typed", "--out", folder, said="done\n")
    assert f"Go on with it: handsfree resume '{folder}'" in done.stdout
    said = (ROOT / "demo_sessions" / "start-relay" / "script.txt").read_text(encoding="utf-8")
    concluded = handsfree("run", COOLER, "--typed", "--out", tmp_path / "whole", said=said)
    assert "Go on with it" not in concluded.stdout


def test_who_goes_on_with_a_session_is_told_beside_who_began_it(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    handsfree("run", COOLER, "--typed", "--out", folder, "--technician", "Anna", said="done\n")
    assert (
        "Technician: Ben." in handsfree("resume", folder, "--typed", "--technician", "Ben", said="8 degrees\n").stdout
    )
    assert "Technician" not in handsfree("resume", folder, "--typed", "--technician", "Ben").stdout
    assert handsfree("verify", folder).returncode == 0
    handsfree("report", folder)
    assert re.search(r"Anna, from \d\d:\d\d UTC Ben<", (folder / "report.html").read_text(encoding="utf-8"))


@pytest.mark.skipif(os.name != "posix", reason="an interrupt is sent otherwise there")
@pytest.mark.usefixtures("interruptible")
@pytest.mark.parametrize("by", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_who_interrupts_a_session_is_told_where_it_is_its_seal_and_how_to_go_on(by: str, tmp_path: Path) -> None:
    folder = tmp_path / "session"
    command = [sys.executable, "-m", "handsfree.cli", "run", COOLER, "--typed", "--out", str(folder)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, cwd=ROOT) as running:
        assert running.stdin is not None
        assert running.stdout is not None
        print("mark", file=running.stdin, flush=True)
        assert any("Marked" in line for line in running.stdout)
        running.send_signal(getattr(signal, by))
        told, complaint = running.communicate(timeout=60)
    assert running.returncode == 130
    assert complaint == ""
    assert f"The record is in {folder}\nGo on with it: handsfree resume {folder}\n" in told
    assert handsfree("verify", folder, "--seal", told.split()[-1]).returncode == 0


def test_a_folder_in_use_is_not_told_to_be_the_record_of_a_session_that_did_not_begin(tmp_path: Path) -> None:
    handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    again = handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    assert "The record is in" not in again.stdout


def test_verify_remarks_a_report_that_is_not_the_one_the_record_gives(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    handsfree("run", COOLER, "--typed", "--out", folder, said="done\n9.5 degrees\n")
    page = Path(handsfree("report", folder).stdout.strip())
    assert handsfree("verify", folder).stderr == ""
    page.write_text(page.read_text(encoding="utf-8").replace("9.5", "4.5"), encoding="utf-8")
    verified = handsfree("verify", folder)
    assert verified.returncode == 0
    assert verified.stderr.startswith("remark: report.html is not the page that this record gives")


def test_a_folder_that_holds_a_record_is_not_written_over(tmp_path: Path) -> None:
    handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    again = handsfree("run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n")
    assert again.returncode == 2
    assert "new folder" in again.stderr


@pytest.mark.parametrize("name", ["bottle-cooler-does-not-cool", "lift-table-is-slow"])
def test_shipped_procedures_are_found_by_name_and_proved(name: str) -> None:
    assert handsfree("check", name).returncode == 0


def test_a_mistake_in_a_procedure_is_told_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(Path(COOLER).read_text(encoding="utf-8").replace("at_most: 7}", "at_moost: 7}"), encoding="utf-8")
    done = handsfree("check", path)
    assert done.returncode == 2
    assert "mine.yaml:" in done.stderr
    assert "at_most" in done.stderr
    assert handsfree("run", path, "--typed", "--out", tmp_path / "session").returncode == 2
    assert not (tmp_path / "session").exists()


def test_answers_that_sound_alike_keep_a_procedure_from_being_run(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    text = Path(COOLER).read_text(encoding="utf-8")
    path.write_text(text.replace("[blocked with dust,", "[air kan pass,"), encoding="utf-8")
    for command in (("check", path), ("run", path, "--typed", "--out", tmp_path / "session")):
        done = handsfree(*command)
        assert done.returncode == 2
        assert '"air can pass" sounds like "air kan pass", which means the answer "blocked"' in done.stderr


def write(path: Path, seconds: float, rate: int, channels: int, level: float) -> Path:
    noise = np.random.default_rng(1).normal(0, level, (round(seconds * rate), channels))
    soundfile.write(path, noise, rate, subtype="PCM_16")
    return path


def test_hear_tells_of_each_file_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "text.wav").write_text("not audio")
    whole = write(tmp_path / "whole.wav", 1, 16_000, 1, 0.01)
    (tmp_path / "short.wav").write_bytes(whole.read_bytes()[:9000])
    narrow = write(tmp_path / "narrow.wav", 1, 8_000, 1, 0.01)
    silent = write(tmp_path / "silent.wav", 1, 16_000, 1, 0.0)
    files = [tmp_path / "empty.wav", tmp_path / "text.wav", tmp_path / "short.wav", narrow, silent, tmp_path / "no.wav"]
    done = handsfree("hear", *files)
    assert done.returncode == 2
    told = lines(done)
    assert [each["file"] for each in told] == [str(file) for file in files]
    assert not any(each["accepted"] for each in told)
    for file in files:
        assert file.name in done.stderr


def test_hear_converts_stereo_at_48_khz_and_says_so(tmp_path: Path) -> None:
    wide = write(tmp_path / "wide.wav", 1, 48_000, 2, 0.01)
    done = handsfree("hear", wide)
    assert done.returncode != 0
    assert "48 kHz stereo was converted" in done.stderr


def test_noise_is_no_reading(tmp_path: Path) -> None:
    done = handsfree("hear", "--expect", "resistance", write(tmp_path / "noise.wav", 2, 16_000, 1, 0.05))
    assert done.returncode == 1
    (told,) = lines(done)
    assert (told["accepted"], told["kind"], told["value"]) == (False, "refuse", None)


SPEECH = Path(__file__).parent / "sound" / "speech"


def test_hear_tells_what_else_a_reading_may_have_been() -> None:
    done = handsfree("hear", "--expect", "resistance", SPEECH / "fifteen_ohms.flac")
    (told,) = lines(done)
    assert done.returncode == 0
    assert (told["accepted"], told["value"], told["unit"]) == (True, "15", "ohm")
    assert told["confidence"] >= 0.5
    assert "fifty ohms" in told["rivals"]
    assert all(set(other) == {"text", "score"} for other in told["alternatives"])
    assert told["reason"] is None


def test_hear_says_what_the_sound_of_a_refused_reading_lacked(tmp_path: Path) -> None:
    samples, rate = soundfile.read(SPEECH / "five_point_two_ohms.flac")
    soundfile.write(tmp_path / "loud.wav", np.clip(8 * samples / np.abs(samples).max(), -1, 1), rate)
    done = handsfree("hear", "--expect", "voltage", tmp_path / "loud.wav")
    assert done.returncode == 1
    assert "of the speech is clipped: lower the microphone's gain" in done.stderr


def test_a_recorded_visit_may_last_longer_than_a_reading(tmp_path: Path) -> None:
    room = np.random.default_rng(1).normal(0, 20, 601 * 16_000).astype(np.int16)
    soundfile.write(tmp_path / "visit.flac", room, 16_000)
    assert "601 s, more than the 600 s allowed" in handsfree("hear", tmp_path / "visit.flac").stderr
    done = handsfree("run", COOLER, "--audio", tmp_path / "visit.flac", "--out", tmp_path / "session")
    assert f"The record is in {tmp_path / 'session'}" in done.stdout


@pytest.mark.parametrize(
    ("options", "engine"),
    [
        (("--engine", "auto"), "moonshine+vosk"),
        (("--engine", "both"), "moonshine+vosk"),
        (("--engine", "vosk"), "vosk"),
        (("--engine", "moonshine"), "moonshine"),
    ],
)
def test_a_vosk_model_that_is_there_is_used_unless_another_recogniser_is_asked_for(
    english_vosk: Path, options: tuple[str, ...], engine: str
) -> None:
    done = handsfree(
        "hear", "--model", english_vosk, *options, "--expect", "resistance", SPEECH / "five_point_two_ohms.flac"
    )
    (told,) = lines(done)
    assert done.returncode == 0
    assert (told["engine"], told["accepted"], told["value"], told["unit"]) == (engine, True, "5.2", "ohm")


@pytest.mark.parametrize("engine", ["vosk", "both"])
def test_without_a_vosk_model_it_is_said_how_to_get_one(tmp_path: Path, engine: str) -> None:
    done = handsfree("hear", "--engine", engine, SPEECH / "five.flac")
    assert done.returncode == 2
    assert "models/fetch.py" in done.stderr
    done = handsfree("hear", "--engine", engine, "--model", tmp_path, SPEECH / "five.flac")
    assert done.returncode == 2
    assert "am/final.mdl" in done.stderr


def test_hear_parts_the_utterances_of_a_file_as_a_session_does(tmp_path: Path) -> None:
    room = np.random.default_rng(1).normal(0, 8, 5 * 16_000).astype(np.int16)
    parts = [soundfile.read(SPEECH / name, dtype="int16")[0] for name in ("fifteen_ohms.flac", "say_again.flac")]
    quiet = [np.zeros(16_000, np.int16), np.zeros(16_000, np.int16)]
    samples = np.concatenate([part for pair in zip(quiet, parts, strict=True) for part in pair])
    soundfile.write(tmp_path / "two.wav", samples + room[: len(samples)], 16_000, subtype="PCM_16")
    done = handsfree("hear", "--expect", "resistance", tmp_path / "two.wav")
    first, second = lines(done)
    assert done.returncode == 1
    assert first["file"] == second["file"]
    assert (first["accepted"], first["value"]) == (True, "15")
    assert second["accepted"] is False
    assert 0 < first["start"] < 1.1 < 1.8 < second["start"]
    assert first["seconds"] == second["seconds"]


CURTAIN = ROOT / "procedures" / "air-curtain-blows-cold.yaml"


def test_a_session_with_a_meter_is_verified_and_reported_without_the_meters_file(tmp_path: Path) -> None:
    folder, file = tmp_path / "session", tmp_path / "meter.yaml"
    text = (ROOT / "meters" / "ostrel-61.yaml").read_text(encoding="utf-8").replace("2032-03-31", "2020-03-31")
    file.write_text(text, encoding="utf-8")
    said = "0.31 ohms\nit blows cold air\n231.4\ndone\n230.9\n0.2\n0.1\n231.1\ndone\n26.90\n1.62\ndone\n"
    done = handsfree("run", CURTAIN, "--typed", "--meter", file, "--out", folder, said=said)
    assert done.returncode == 0
    assert "Its calibration is overdue by" in done.stdout
    assert "The thermal cut-out does not close." in done.stdout
    file.unlink()
    assert handsfree("verify", folder).returncode == 0
    page = Path(handsfree("report", folder).stdout.strip()).read_text(encoding="utf-8")
    assert "overdue by" in page
    assert "conforms with probability" in page
    journal = folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b'"taken_off":"0.31"', b'"taken_off":"0.21"'))
    assert handsfree("verify", folder).returncode == 1


def test_a_meter_file_that_cannot_be_used_is_told_at_its_place_before_a_session_begins(tmp_path: Path) -> None:
    file = tmp_path / "meter.yaml"
    file.write_text("meter: bench\nname: Bench\n", encoding="utf-8")
    done = handsfree("run", CURTAIN, "--typed", "--meter", file, "--out", tmp_path / "session")
    assert done.returncode == 2
    assert f'{file}:1:1: the meter has no "serial"; add "serial: ' in done.stderr
    assert not (tmp_path / "session").exists()


def test_check_tells_what_no_meter_at_hand_can_do() -> None:
    done = handsfree("check", "bottle-cooler-does-not-cool", "--meter", ROOT / "meters")
    assert done.returncode == 0
    assert "no meter of these measures capacitance: Ostrel 61" in done.stdout


CABINET = "display-cabinet-ices-up"


def identified(folder: Path) -> dict[str, str]:
    entries = [json.loads(line) for line in (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
    return {each["data"]["what"]: each["data"]["value"] for each in entries if each["kind"] == "identified"}


def test_what_a_visit_is_known_by_comes_from_options_a_job_file_and_the_settings(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(
        'work_order = "123455"\nserial = "ab4091"\nsite = "Hall 2"\nmeter = "meter.yaml"\n', encoding="utf-8"
    )
    (tmp_path / "meter.yaml").write_bytes((ROOT / "meters" / "ostrel-61.yaml").read_bytes())
    folder = tmp_path / "session"
    done = handsfree(
        *("run", CABINET, "--typed", "--out", folder, "--job", job, "--site", "Hall 3", "--technician", "J. Lund")
    )
    assert done.returncode == 1  # left before its end
    assert identified(folder) == {
        **{"work_order": "123455", "serial": "AB-4091", "site": "Hall 3", "technician": "J. Lund"}
    }
    assert "Spell it" not in done.stdout
    assert "Meter: Ostrel" in done.stdout
    assert handsfree("verify", folder).returncode == 0


def test_what_is_not_given_is_asked_for_and_spelled(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    said = "one two three four five five\naffirm\n"
    done = handsfree("run", CABINET, "--typed", "--out", folder, "--serial", "AB 4091", said=said)
    assert "Work order? Spell it." in done.stdout
    assert identified(folder) == {"serial": "AB-4091", "work_order": "123455"}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('work_order = "123456"', "the work order '123456' cannot be right: the check digit does not fit"),
        ('sreial = "AB-4091"', 'unknown key "sreial"; write "serial"'),
        ("work_order = 123455", '"work_order" is no text; write it in quotes, such as work_order = "4711"'),
        ("meter = 5", '"meter" is not a file\'s path'),
        ("work_order: 123455", "this is no TOML"),
        ('meter = "nowhere.yaml"', "nowhere.yaml"),
    ],
)
def test_a_job_file_that_cannot_be_used_is_told_before_a_session_begins(text: str, told: str, tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(text, encoding="utf-8")
    done = handsfree("run", CABINET, "--typed", "--out", tmp_path / "session", "--job", job)
    assert done.returncode == 2
    assert told in done.stderr
    assert not (tmp_path / "session").exists()


def test_a_job_file_that_is_missing_is_told() -> None:
    done = handsfree("run", CABINET, "--typed", "--job", "nowhere.toml")
    assert done.returncode == 2
    assert "nowhere.toml cannot be read" in done.stderr
