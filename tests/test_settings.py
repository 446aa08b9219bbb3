"""Everyday settings: which of option, environment, file and built in counts, and what is said of a mistake."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import platformdirs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree import settings
from handsfree.session.doubt import Policy
from handsfree.settings import NAMES, InForce, Settings, SettingsError, in_force, variable
from handsfree.sound import voice

ROOT = Path(__file__).parents[1]
OTHER = {  # a value of each setting that is not built in, as text
    "voice": "file",
    "rate": "130",
    "device": "USB headset",
    "loudspeaker": "2",
    "headset": "true",
    "engine": "vosk",
    "model": "/opt/models/english",
    "technician": "J. Lund",
    "speaker": "anna",
    "confirm_below": "0.75",
    "glance": "0.0.0.0:9000",
}


def with_file(tmp_path: Path, text: str, **options: object) -> InForce:
    file = tmp_path / "settings.toml"
    file.write_text(text, encoding="utf-8")
    return in_force(options, {settings.VARIABLE: str(file)})


def refused(tmp_path: Path, text: str) -> str:
    with pytest.raises(SettingsError) as caught:
        with_file(tmp_path, text)
    return str(caught.value).replace(str(tmp_path), "")


def test_without_a_file_and_with_an_empty_one_everything_is_built_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(platformdirs, "user_config_path", lambda *_, **__: tmp_path / "nobody")
    for found in (in_force({}, {}), with_file(tmp_path, "")):
        assert found.settings == Settings()
        assert set(found.origin.values()) == {"built in"}


@pytest.mark.parametrize("name", NAMES)
def test_an_option_counts_before_the_environment_and_that_before_the_file(name: str, tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(f"# mine\n{name} = '{OTHER[name]}'\n", encoding="utf-8")
    where = {settings.VARIABLE: str(file)}
    built_in = getattr(Settings(), name)
    from_file = in_force({}, where)
    set_to = getattr(from_file.settings, name)
    assert set_to != built_in
    assert from_file.origin[name] == f"{file}:2"
    from_environment = in_force({}, where | {variable(name): "default"})
    assert getattr(from_environment.settings, name) == built_in
    assert from_environment.origin[name] == variable(name)
    from_option = in_force({name: OTHER[name]}, where | {variable(name): "default"})
    assert getattr(from_option.settings, name) == set_to
    assert from_option.origin[name] == settings.option(name)
    others = {other for other in NAMES if other != name}
    assert {from_option.origin[other] for other in others} == {"built in"}


@pytest.mark.parametrize("name", NAMES)
def test_what_is_shown_of_a_setting_may_be_written(name: str, tmp_path: Path) -> None:
    value = getattr(with_file(tmp_path, f"{name} = '{OTHER[name]}'").settings, name)
    assert getattr(in_force({}, {variable(name): settings.shown(value)}).settings, name) == value


def test_the_example_file_is_in_force_as_it_stands_once_its_lines_are_uncommented(tmp_path: Path) -> None:
    example = settings.example()
    assert tomllib.loads(example) == {}
    lines = [line.removeprefix("# ") for line in example.splitlines() if re.match(r"# [a-z_]+ = ", line)]
    assert [line.partition(" ")[0] for line in lines] == list(NAMES)
    found = with_file(tmp_path, "\n".join(lines))
    assert all(getattr(found.settings, name) != getattr(Settings(), name) for name in NAMES)
    assert found.settings.model == Path.home() / "models" / "english"


def test_the_rate_is_what_a_voice_can_speak_and_built_in_is_what_it_speaks() -> None:
    assert Settings().rate == voice.WORDS_PER_MINUTE
    for rate in (voice.SLOWEST, voice.FASTEST):
        assert in_force({"rate": str(rate)}, {}).settings.rate == rate
    for rate in (voice.SLOWEST - 1, voice.FASTEST + 1):
        with pytest.raises(SettingsError, match=f"from {voice.SLOWEST} to {voice.FASTEST}"):
            in_force({"rate": str(rate)}, {})


def test_nobody_can_set_the_tool_to_believe_more_than_it_is_calibrated_for() -> None:
    assert Settings().confirm_below == Policy().doubt
    with pytest.raises(SettingsError, match=r"a number from 0\.5 to 0\.95"):
        in_force({"confirm_below": "0.4"}, {})
    assert Policy(doubt=in_force({"confirm_below": "0.95"}, {}).settings.confirm_below).doubt == 0.95


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("\n\nvoice = 'loud'", "settings.toml:3: 'loud' is no voice: write auto, aloud, file or silent, or default"),
        ("rate = 20", "settings.toml:1: '20' is no rate: write a whole number from 80 to 300, or default"),
        ("rate = true", "'true' is no rate"),
        ("rate = 1.5e2", "'150.0' is no rate: write a whole number"),
        ("headset = 'perhaps'", "write true or false, or default"),
        ("speaker = ''", "'' is no speaker: write a name, or default"),
        ("glance = 'here'", "write HOST:PORT such as 0.0.0.0:8765, a port, on or off, or default"),
        ("glance = '0.0.0.0:70000'", "write HOST:PORT"),
        ("confirm_below = nan", "'nan' is no confirm_below: write a number from 0.5 to 0.95"),
        ("\nvioce = 'aloud'", "settings.toml:2: there is no setting 'vioce': write voice"),
        ("confirm-below = 0.6", "there is no setting 'confirm-below': write confirm_below"),
        ("colour = 'red'", "write one of voice, rate"),
        ("[sound]\nvoice = 'aloud'", "settings.toml:1: settings stand in no section: leave the heading [sound] away"),
        ("device = ['a', 'b']", 'device takes a single value: write device = "USB headset"'),
        ("rate = 2031-05-06", "rate takes a single value: write rate = 130"),
        ("voice = aloud", "settings.toml:1:9: invalid value. Write one setting a line, text in quotes, as in voice = "),
        ("model = \"C:\\Users\\anna\"", "a path with backslashes stands in single ones"),
        ("voice = 'aloud'\nvoice = 'file'", "settings.toml:2: voice stands on line 1 already: take one"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place_and_what_to_write(text: str, said: str, tmp_path: Path) -> None:
    assert said in refused(tmp_path, text)


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_bytes("speaker = 'Zoë'".encode("cp1252"))
    with pytest.raises(SettingsError, match="byte 14 is no text: save the file as UTF-8"):
        in_force({}, {settings.VARIABLE: str(file)})
    file.write_bytes("\N{ZERO WIDTH NO-BREAK SPACE}speaker = 'Zoë'".encode())  # as some editors begin a file
    assert in_force({}, {settings.VARIABLE: str(file)}).settings.speaker == "Zoë"


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        in_force({}, {settings.VARIABLE: str(tmp_path)})
    with pytest.raises(SettingsError, match=r"HANDSFREE_SETTINGS names .* does not exist: write it, or unset it"):
        in_force({}, {settings.VARIABLE: str(tmp_path / "none.toml")})


def test_a_mistake_in_the_environment_names_the_variable() -> None:
    with pytest.raises(SettingsError, match="the variable HANDSFREE_RATE: 'slow' is no rate"):
        in_force({}, {"HANDSFREE_RATE": "slow"})
    assert in_force({}, {"HANDSFREE_RATE": ""}).origin["rate"] == "built in"


@given(st.sampled_from(NAMES), st.text(max_size=30))
def test_any_text_is_a_value_or_is_refused_with_what_to_write(name: str, text: str) -> None:
    found, said = None, ""
    try:
        found = in_force({name: text}, {})
    except SettingsError as error:
        said = str(error)
    assert found is not None or ": write " in said


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("off", None),
        ("on", ("127.0.0.1", 8765)),
        ("9000", ("127.0.0.1", 9000)),
        ("0.0.0.0:9000", ("0.0.0.0", 9000)),
        ("tablet-stand.local:80", ("tablet-stand.local", 80)),
        ("[::1]:9000", ("::1", 9000)),
    ],
)
def test_an_address_is_a_host_and_a_port(text: str, address: tuple[str, int] | None) -> None:
    assert in_force({"glance": text}, {}).settings.glance == address


@pytest.mark.parametrize("name", NAMES)
def test_the_options_of_a_command_are_read_like_the_file(name: str) -> None:
    parser = argparse.ArgumentParser()
    settings.add_options(parser, *NAMES)
    flag = [settings.option(name)]
    given_text = [] if isinstance(getattr(Settings(), name), bool) else [OTHER[name]]
    found = in_force(vars(parser.parse_args(flag + given_text)), {})
    assert found.origin[name] == settings.option(name)
    assert getattr(found.settings, name) == getattr(in_force({}, {variable(name): OTHER[name]}).settings, name)


def test_every_setting_is_declared_with_its_form_its_help_and_an_example() -> None:
    for each in fields(Settings):
        metadata: Any = each.metadata
        assert metadata["about"]
        assert metadata["example"]
        assert settings.form(each.name).words


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "handsfree.cli", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", cwd=ROOT, check=False, input="")
    assert "Traceback" not in done.stderr
    return done


def test_the_command_shows_what_is_in_force_and_where_from(settings_file: Path) -> None:
    settings_file.write_text("rate = 120\nspeaker = 'anna'\nheadset = true\n", encoding="utf-8")
    done = run("settings", "--voice", "file", "--no-headset")
    assert done.returncode == 0
    rows = {line.split()[0]: line.split()[1:] for line in done.stdout.splitlines() if line}
    assert rows["voice"] == ["file", "--voice"]
    assert rows["headset"] == ["false", "--headset"]
    assert rows["rate"][0] == "120"
    assert rows["engine"] == ["auto", "built", "in"]
    assert "settings.toml:1" in done.stdout.replace("\n", "")
    assert str(settings_file) in done.stdout


def test_the_command_says_where_the_file_would_be(settings_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(settings.VARIABLE)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(settings_file.parent))
    expected = settings.path()
    done = run("settings")
    assert done.stdout.splitlines()[-1].endswith(str(expected))


def test_a_session_obeys_the_file_and_an_option_more(settings_file: Path, tmp_path: Path) -> None:
    settings_file.write_text("voice = 'file'\nconfirm_below = 0.9\n", encoding="utf-8")
    run("run", "lift-table-is-slow", "--typed", "--out", str(tmp_path / "first"))
    run("run", "lift-table-is-slow", "--typed", "--voice", "silent", "--out", str(tmp_path / "second"))
    assert any((tmp_path / "first" / "prompts").iterdir())
    assert not (tmp_path / "second" / "prompts").exists()
    assert '"doubt":0.9' in (tmp_path / "first" / "journal.jsonl").read_text(encoding="utf-8")
    assert run("verify", str(tmp_path / "first")).returncode == 0


def test_a_bad_setting_stops_a_command_before_it_begins(settings_file: Path, tmp_path: Path) -> None:
    settings_file.write_text("rate = 1000\n", encoding="utf-8")
    done = run("run", "lift-table-is-slow", "--typed", "--out", str(tmp_path / "session"))
    assert done.returncode == 2
    assert f"{settings_file}:1: '1000' is no rate" in done.stderr
    assert not (tmp_path / "session").exists()
