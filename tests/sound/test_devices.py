"""Microphone and loudspeaker on a virtual sound card: what the voice plays is what the microphone hears.

Whatever uses the sound card runs in a child process (the second half of this file), so that nothing of it reaches the
other tests.
"""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray
from virtual_card import LOUD, SoundCard

from handsfree.sound.devices import Block, DeviceError, Microphone, Pace, microphone, sounddevice
from handsfree.sound.protocol import RATE
from handsfree.sound.voice import AloudVoice, Renderer

PROMPT = "Measure the resistance of the heating element."
LONG = " ".join([PROMPT] * 4)


def run(card: SoundCard, function: str, *arguments: str | Path) -> Any:
    """Run a function of this file in a child process and return what it printed as JSON."""
    done = subprocess.run(
        [sys.executable, __file__, function, *map(str, arguments)],
        env=card.environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_microphone_hears_a_prompt_whole_and_loses_nothing(sound_card: SoundCard) -> None:
    heard = run(sound_card, "hear_prompt", sound_card.folder)
    assert heard["overruns"] == 0
    assert heard["seconds"] == pytest.approx(heard["prompt"], rel=0.1)
    assert heard["likeness"] > 0.9


def test_a_file_played_by_another_program_arrives_at_16_khz(sound_card: SoundCard) -> None:
    tone = np.round(8000 * np.sin(2 * np.pi * 440 * np.arange(3 * 48_000) / 48_000)).astype(np.int16)
    soundfile.write(sound_card.folder / "tone.wav", tone, 48_000)
    heard = run(sound_card, "hear_file", sound_card.folder / "tone.wav")
    assert heard["overruns"] == 0
    assert heard["pitch"] == pytest.approx(440, abs=3)


def test_a_device_that_only_has_its_own_rate_and_channels_is_heard_at_16_khz_mono(sound_card: SoundCard) -> None:
    tone = np.round(8000 * np.sin(2 * np.pi * 440 * np.arange(3 * 48_000) / 48_000)).astype(np.int16)
    soundfile.write(sound_card.folder / "tone.wav", tone, 48_000)
    heard = run(sound_card, "hear_file", sound_card.folder / "tone.wav", "48000", "2")
    assert heard["overruns"] == 0
    assert heard["pitch"] == pytest.approx(440, abs=3)


def test_a_prompt_that_is_cut_off_is_not_heard_any_further(sound_card: SoundCard) -> None:
    heard = run(sound_card, "cut_off", sound_card.folder)
    assert heard["before"] > 1  # seconds: it was heard
    assert heard["after"] < 0.3  # seconds: 0.1 s for the loudspeaker and what was under way to the microphone
    assert heard["before"] + heard["after"] < heard["prompt"] / 2
    assert heard["next"] == pytest.approx(
        heard["next prompt"], rel=0.1
    )  # and the next prompt begins with its first word


def test_a_deaf_microphone_hears_nothing_of_a_prompt_to_its_last_sample(sound_card: SoundCard) -> None:
    heard = run(sound_card, "speak_while_deaf", sound_card.folder)
    assert heard["deaf"] == 0
    assert heard["deaf for"] > heard["prompt"]
    assert heard["after"] < LOUD
    assert heard["hearing"] > LOUD


def test_a_microphone_that_is_lost_is_reported_in_a_sentence(own_card: SoundCard) -> None:
    told = run(own_card, "lose_device", str(own_card.process))
    assert "stopped delivering sound" in told
    assert "plug it in again" in told


def test_a_microphone_that_nobody_has_is_refused_with_the_names_of_those_there_are(sound_card: SoundCard) -> None:
    told = run(sound_card, "ask_for", "no such microphone")
    assert "'no such microphone'" in told
    assert "pulse" in told


def test_sound_that_nobody_reads_is_dropped_and_counted(sound_card: SoundCard) -> None:
    heard = run(sound_card, "read_nothing")
    assert heard["overruns"] > 0
    assert heard["blocks"] == 10


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="sounddevice brings PortAudio along on this system")
def test_without_portaudio_the_error_says_what_to_install() -> None:
    probe = """
import ctypes.util
ctypes.util.find_library = lambda name: None
from handsfree.sound.devices import DeviceError, microphone
try:
    microphone()
except DeviceError as error:
    print(error)
"""
    run = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert "PortAudio" in run.stdout
    assert "libportaudio2" in run.stdout


def missed(times: Iterable[float]) -> int:
    """Blocks that Pace finds missing in a stream of 0.032 s blocks that arrive at ``times``."""
    pace = Pace()
    return sum(pace.missed(time, 0.032) for time in times)


def test_blocks_that_come_late_or_in_bursts_are_no_loss() -> None:
    jitter = np.random.default_rng(1).uniform(0, 0.1, 10_000)
    assert missed(5 + 0.032 * number + jitter[number] for number in range(10_000)) == 0
    assert missed(5 + 0.5 * math.ceil(0.032 * number / 0.5) for number in range(10_000)) == 0


def test_a_device_clock_that_drifts_for_hours_is_no_loss() -> None:
    for parts_per_million in (-500, 500):
        assert missed(0.032 * number * (1 + parts_per_million / 1e6) for number in range(300_000)) == 0


def test_lost_blocks_are_counted_though_the_driver_says_nothing() -> None:
    assert missed(0.032 * number for number in range(1000) if not 500 <= number < 510) == 10
    every_other = missed(0.032 * number for number in range(0, 2000, 2))
    assert 700 < every_other <= 1000


# What runs in the child process. Time is counted in samples from the microphone.


def _take(blocks: Iterator[Block], seconds: float) -> NDArray[np.int16]:
    taken: list[NDArray[np.int16]] = []
    while sum(map(len, taken)) < seconds * RATE:
        taken.append(next(blocks).samples)
    return np.concatenate(taken)


def _span(samples: NDArray[np.int16]) -> float:
    """Seconds from the first loud sample to the last."""
    loud = np.flatnonzero(np.abs(samples) > LOUD)
    return float(loud[-1] - loud[0]) / RATE if len(loud) else 0.0


def _at_16_khz(renderer: Renderer, text: str) -> NDArray[np.int16]:
    sound = renderer.render(text)
    resampled: NDArray[np.int16] = soxr.resample(sound.samples, sound.rate, RATE)
    return resampled


def _likeness(heard: NDArray[np.int16], prompt: NDArray[np.int16]) -> float:
    """The peak of the normalised cross-correlation: 1 where the prompt was heard exactly."""
    size = len(heard) + len(prompt)
    correlation = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(prompt, size)), size)
    energy = np.sqrt(np.sum(heard.astype(float) ** 2) * np.sum(prompt.astype(float) ** 2))
    return float(np.max(correlation) / energy)


def hear_prompt(folder: str) -> object:
    renderer = Renderer(Path(folder, "cache"))
    prompt = _at_16_khz(renderer, PROMPT)
    voice = AloudVoice(renderer)
    with microphone() as opened:
        blocks = iter(opened)
        _take(blocks, 1)
        voice.say(PROMPT)
        heard = _take(blocks, len(prompt) / RATE + 1)
        voice.close()
    return {
        "overruns": opened.overruns,
        "seconds": _span(heard),
        "prompt": _span(prompt),
        "likeness": _likeness(heard, prompt),
    }


def hear_file(file: str, rate: str = "", channels: str = "") -> object:
    if rate:
        sd = sounddevice()
        device = sd.query_devices(None, "input")["index"]
        opened = Microphone(sd, "own rate", device=device, samplerate=float(rate), channels=int(channels))
    else:
        opened = microphone()
    with opened, subprocess.Popen(["paplay", file]) as player:
        blocks = iter(opened)
        heard = _take(blocks, 1)
        while np.abs(heard).max() < LOUD:
            heard = _take(blocks, 1)
        heard = _take(blocks, 1)
        player.terminate()
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    return {"overruns": opened.overruns, "pitch": float(np.argmax(spectrum)) * RATE / len(heard)}


def cut_off(folder: str) -> object:
    renderer = Renderer(Path(folder, "cache"))
    prompt, following = _at_16_khz(renderer, LONG), _at_16_khz(renderer, PROMPT)
    voice = AloudVoice(renderer)
    with microphone() as opened:
        blocks = iter(opened)
        _take(blocks, 1)
        voice.say(LONG)
        before = _take(blocks, 2)
        voice.stop()
        after = _take(blocks, 1)
        voice.say(PROMPT)
        heard = _take(blocks, len(following) / RATE + 1)
        voice.close()
    loud = np.flatnonzero(np.abs(after) > LOUD)
    return {
        "before": _span(before),
        "after": float(loud[-1]) / RATE if len(loud) else 0.0,
        "prompt": _span(prompt),
        "next": _span(heard),
        "next prompt": _span(following),
    }


def speak_while_deaf(folder: str) -> object:
    renderer = Renderer(Path(folder, "cache"))
    prompt = _at_16_khz(renderer, PROMPT)
    voice = AloudVoice(renderer)
    gated = True
    with microphone(deaf=lambda: gated and voice.speaking) as opened:
        blocks = iter(opened)
        before = next(blocks)
        while before.gap:
            before = next(blocks)
        voice.say(PROMPT)
        deaf = next(blocks)
        while not deaf.gap:
            deaf = next(blocks)
        heard, gaps = 0, 0
        while deaf.gap:
            heard, gaps = max(heard, int(np.abs(deaf.samples).max())), gaps + 1
            deaf = next(blocks)
        after = _take(blocks, 1)
        gated = False
        voice.say(PROMPT)
        hearing = _take(blocks, len(prompt) / RATE + 1)
        voice.close()
    return {
        "deaf": heard,
        "deaf for": gaps * 0.032,
        "prompt": len(prompt) / RATE,
        "after": int(np.abs(after).max()),
        "hearing": int(np.abs(hearing).max()),
    }


def lose_device(server: str) -> object:
    with microphone() as opened:
        blocks = iter(opened)
        _take(blocks, 1)
        os.kill(int(server), signal.SIGKILL)
        try:
            _take(blocks, 60)
        except DeviceError as error:
            return str(error)
    return "nothing was noticed"


def ask_for(name: str) -> object:
    try:
        microphone(name)
    except DeviceError as error:
        return str(error)
    return "nothing was noticed"


def read_nothing() -> object:
    sd = sounddevice()
    device = sd.query_devices(None, "input")["index"]
    with Microphone(sd, "short", device=device, samplerate=RATE, channels=1, backlog=10) as opened:
        while not opened.overruns:
            sd.sleep(32)
    return {"overruns": opened.overruns, "blocks": len(list(opened))}


if __name__ == "__main__":
    print(json.dumps(globals()[sys.argv[1]](*sys.argv[2:])))
