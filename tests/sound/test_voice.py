"""Prompts: rendered whole, every time, and a plain sentence where they cannot be."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree.sound.voice import (
    FASTEST,
    SLOWEST,
    FileVoice,
    Renderer,
    SilentVoice,
    Sound,
    VoiceError,
    choose_voice,
    plausible,
    trimmed,
)

PROMPTS = [
    "Ready.",
    "Set the meter to resistance.",
    "Five point two ohms, at most seven: conforming.",
    "Danger. Capacitors can hold a charge after the supply is off.",
    "Measure the voltage between terminals 3 and 4 of the contactor. Say the reading.",
    "Is the contactor pulled in? Say yes, or no.",
    "230 V",
]

# Hides every speech engine of this machine from a child process: libraries on Linux, the system's own elsewhere.
NO_ENGINE = """
import ctypes, sys
load = ctypes.CDLL.__init__
def hidden(self, name, *args, **kwargs):
    if "espeak" in str(name):
        raise OSError(f"{name}: cannot open shared object file")
    load(self, name, *args, **kwargs)
ctypes.CDLL.__init__ = hidden
sys.modules["pyttsx3.drivers.nsss"] = sys.modules["pyttsx3.drivers.sapi5"] = None
"""


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("voice")


@pytest.fixture
def no_engine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python processes started by the test find no speech engine."""
    folder = tmp_path / "without an engine"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(NO_ENGINE, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(folder))


def seconds(sound: Sound) -> float:
    return len(sound.samples) / sound.rate


def test_the_first_prompt_of_a_process_is_as_long_as_any_later_one(tmp_path: Path) -> None:
    text = PROMPTS[2]
    lengths = []
    for process in range(3):
        renderer = Renderer(tmp_path / f"first {process}")
        lengths.append(seconds(renderer.render(text)))
        renderer.close()
    renderer = Renderer(tmp_path / "later")
    for other in PROMPTS[:2]:
        renderer.render(other)
    lengths.append(seconds(renderer.render(text)))
    renderer.close()
    assert max(lengths) - min(lengths) < 0.05 * max(lengths)


def test_prompts_of_a_procedure_are_of_a_length_that_their_words_can_have(cache: Path) -> None:
    renderer = Renderer(cache)
    for text in PROMPTS:
        sound = renderer.render(text)
        assert plausible(text, seconds(sound), renderer.words_per_minute)
    renderer.close()


def test_a_prompt_of_which_the_second_half_is_missing_is_noticed(cache: Path) -> None:
    renderer = Renderer(cache)
    text = "Discharge the capacitor through a twenty kilo ohm resistor, before you touch the terminals with the probes."
    whole = seconds(renderer.render(text))
    renderer.close()
    assert plausible(text, whole, renderer.words_per_minute)
    assert not plausible(text, whole * 0.4, renderer.words_per_minute)
    assert not plausible(text, whole * 2.5, renderer.words_per_minute)
    assert not plausible(text, 0, renderer.words_per_minute)


def test_a_prompt_is_spoken_at_about_150_words_a_minute(cache: Path) -> None:
    # Common practice for spoken instructions is 140 to 160 words a minute; from memory, no published source.
    text = "Measure the resistance of the winding between the two terminals, and then say the reading with its unit."
    renderer = Renderer(cache)
    length = seconds(renderer.render(text))
    renderer.close()
    assert 120 < len(text.split()) / length * 60 < 210


def test_speaking_slower_makes_the_same_prompt_longer(cache: Path) -> None:
    renderer = Renderer(cache)
    text = PROMPTS[4]
    usual = seconds(renderer.render(text))
    renderer.rate(0.8)
    slower = seconds(renderer.render(text))
    renderer.close()
    assert 1.1 < slower / usual < 1.4


def test_the_rate_stays_within_what_an_engine_can_speak(cache: Path) -> None:
    renderer = Renderer(cache)
    renderer.rate(0.01)
    assert renderer.words_per_minute == SLOWEST
    renderer.rate(100)
    assert renderer.words_per_minute == FASTEST
    with pytest.raises(ValueError, match="above 0"):
        renderer.rate(0)


@pytest.mark.usefixtures("no_engine")
def test_a_prompt_that_was_rendered_before_needs_no_engine(
    cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as with_engine:
        with_engine.delenv("PYTHONPATH")
        first = Renderer(cache)
        sound = first.render(PROMPTS[1])
        first.close()
    again = Renderer(cache)
    assert np.array_equal(again.render(PROMPTS[1]).samples, sound.samples)
    with pytest.raises(VoiceError):
        again.render("This prompt has not been rendered before.")


def test_a_damaged_prompt_in_the_cache_is_rendered_again(tmp_path: Path) -> None:
    renderer = Renderer(tmp_path)
    length = seconds(renderer.render(PROMPTS[1]))
    (kept,) = tmp_path.iterdir()
    kept.write_bytes(kept.read_bytes()[:1000])
    assert seconds(renderer.render(PROMPTS[1])) == pytest.approx(length, rel=0.05)
    renderer.close()
    assert soundfile.info(kept).frames > 0


def test_an_engine_that_died_is_started_again(tmp_path: Path) -> None:
    renderer = Renderer(tmp_path)
    renderer.render(PROMPTS[0])
    process = renderer._process
    assert process is not None
    process.kill()
    process.wait()
    assert seconds(renderer.render(PROMPTS[1])) > 1
    renderer.close()


def test_silence_around_a_prompt_is_cut_and_the_words_are_kept() -> None:
    word = np.full(1000, 5000, np.int16)
    silence = np.zeros(8000, np.int16)
    sound = trimmed(Sound(np.concatenate([silence, word, silence, word, silence]), 16_000))
    assert np.array_equal(sound.samples[:10_000], np.concatenate([word, silence, word]))
    assert not sound.samples[10_000:].any()
    assert len(sound.samples) < 10_000 + 8000


def test_the_loudest_negative_sample_counts_as_sound() -> None:
    assert trimmed(Sound(np.full(10, -32768, np.int16), 16_000)).samples[0] == -32768


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems have a speech engine of their own")
def test_on_linux_the_espeak_that_was_installed_with_the_program_is_used(tmp_path: Path) -> None:
    probe = """
import sys
from handsfree.sound.render import load_bundled_espeak, render
load_bundled_espeak()
render("Ready.", sys.argv[1], 150, None)
print(*{line.split()[-1] for line in open("/proc/self/maps") if "espeak-ng.so" in line}, sep="\\n")
"""
    target = tmp_path / "ready.wav"
    out = subprocess.run([sys.executable, "-c", probe, target], capture_output=True, text=True, check=True).stdout
    assert Path(out.splitlines()[-1]).parent.name == "espeakng_loader"
    assert soundfile.info(target).duration > 0.3


def test_prompts_are_written_to_numbered_files_after_those_already_there(cache: Path, tmp_path: Path) -> None:
    (tmp_path / "007.flac").touch()
    voice, remark = choose_voice("file", tmp_path, cache=cache)
    assert isinstance(voice, FileVoice)
    assert remark is None
    for text in PROMPTS[:2]:
        voice.say(text)
        voice.wait()
    voice.say(" ... ")
    voice.tone("heard")
    assert voice.changes() == []
    voice.close()
    assert sorted(file.name for file in tmp_path.iterdir()) == ["007.flac", "008.flac", "009.flac"]
    assert plausible(PROMPTS[1], soundfile.info(tmp_path / "009.flac").duration, 150)


def test_a_silent_voice_needs_nothing_and_says_nothing(tmp_path: Path) -> None:
    voice, remark = choose_voice("silent", cache=tmp_path / "unused")
    assert isinstance(voice, SilentVoice)
    assert remark is None
    voice.say("Nobody hears this.")
    voice.tone("attention")
    assert not voice.speaking
    assert voice.changes() == []
    voice.rate(0.8)
    voice.stop()
    voice.wait()
    voice.close()
    assert not (tmp_path / "unused").exists()


@pytest.mark.usefixtures("no_engine")
@pytest.mark.parametrize("kind", ["aloud", "file", "auto"])
def test_without_a_speech_engine_the_session_is_silent_and_told_what_to_install(kind: str, tmp_path: Path) -> None:
    voice, remark = choose_voice(kind, tmp_path / "prompts", cache=tmp_path / "cache")  # type: ignore[arg-type]
    assert isinstance(voice, SilentVoice)
    assert remark is not None
    assert "not spoken" in remark
    assert "espeak-ng" in remark or "English voice" in remark


def test_without_a_loudspeaker_prompts_go_to_files_with_a_remark(cache: Path, tmp_path: Path) -> None:
    voice, remark = choose_voice("aloud", tmp_path, device="no such loudspeaker", cache=cache)
    assert isinstance(voice, FileVoice)
    voice.close()
    assert remark is not None
    assert "not spoken aloud" in remark
    assert str(tmp_path) in remark


def test_without_a_loudspeaker_and_a_folder_the_session_is_silent_with_a_remark(cache: Path) -> None:
    voice, remark = choose_voice("auto", device="no such loudspeaker", cache=cache)
    assert isinstance(voice, SilentVoice)
    assert remark is not None
    assert "not spoken aloud" in remark


def test_a_cache_that_cannot_be_written_is_named_in_the_remark(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    voice, remark = choose_voice("file", tmp_path / "prompts", cache=tmp_path / "taken")
    assert isinstance(voice, SilentVoice)
    assert remark is not None
    assert "taken" in remark
    assert "writable" in remark


def test_a_folder_for_prompts_that_cannot_be_made_is_named_in_the_remark(cache: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    voice, remark = choose_voice("file", tmp_path / "taken", cache=cache)
    assert isinstance(voice, SilentVoice)
    assert remark is not None
    assert "taken" in remark


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="sounddevice brings PortAudio along on this system")
def test_without_portaudio_prompts_go_to_files_and_the_remark_says_what_to_install(cache: Path, tmp_path: Path) -> None:
    probe = """
import ctypes.util, sys
from pathlib import Path
ctypes.util.find_library = lambda name: None
from handsfree.sound.voice import choose_voice
voice, remark = choose_voice("aloud", Path(sys.argv[1]), cache=Path(sys.argv[2]))
voice.close()
print(type(voice).__name__, remark)
"""
    run = subprocess.run(
        [sys.executable, "-c", probe, tmp_path, cache], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert run.stdout.startswith("FileVoice")
    assert "libportaudio2" in run.stdout
    assert run.stderr == ""
