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
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from itertools import chain
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray
from virtual_card import ALL_HEARD, HEADSET, LOUD, OPEN_ROOM, SoundCard, mute, plug_in, unplug

from handsfree.sound import voice as voices
from handsfree.sound.devices import (
    BLOCK,
    MUTED_AFTER,
    Block,
    Change,
    DeviceError,
    Microphone,
    Pace,
    Silence,
    look_again,
    microphone,
    sounddevice,
)
from handsfree.sound.protocol import RATE
from handsfree.sound.voice import AloudVoice, Renderer, VoiceError

PROMPT = "Measure the resistance of the heating element."
LONG = " ".join([PROMPT] * 4)
PAUSE = 20  # blocks, 0.64 s: no pause in PROMPT is as long


def run(card: SoundCard, function: str, *arguments: str | Path, place: dict[str, str] = OPEN_ROOM) -> Any:
    """Run a function of this file in a child process and return what it printed as JSON."""
    done = subprocess.run(
        [sys.executable, __file__, function, *map(str, arguments)],
        env=card.environment | place,
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


def test_a_microphone_that_is_plugged_in_again_is_heard_again(own_card: SoundCard) -> None:
    heard = run(own_card, "plug_in_again", place=HEADSET)
    assert [change["kind"] for change in heard["changes"]] == ["lost", "back"]
    assert "Plug it in again" in heard["changes"][0]["text"]
    assert heard["gap"]  # what was said meanwhile is missing, and the first block says so
    assert heard["noise"] > 0  # and it is the microphone that is heard, not silence
    assert heard["overruns"] == 0


def test_a_microphone_that_stays_away_can_be_closed_by_another_thread(own_card: SoundCard) -> None:
    assert run(own_card, "close_while_lost", place=HEADSET) == ["lost"]


def test_a_microphone_that_was_muted_is_reported_once_and_so_is_its_return(own_card: SoundCard) -> None:
    changes = run(own_card, "mute_and_unmute", place=HEADSET)
    assert [change["kind"] for change in changes] == ["muted", "unmuted"]
    assert "unmute it" in changes[0]["text"]


def test_a_default_microphone_that_stays_away_is_replaced_by_what_is_the_default_by_then(own_card: SoundCard) -> None:
    change = run(own_card, "take_another", place=HEADSET)
    assert change["kind"] == "changed"
    assert change["device"] in change["text"]
    assert change["device"] != "gone"


def test_another_stream_survives_that_portaudio_looks_for_devices_again(own_card: SoundCard) -> None:
    heard = run(own_card, "look_for_devices", own_card.folder)
    assert heard["while speaking"] is False
    assert heard["looked"] is True
    assert heard["changes"] == []  # the microphone was opened again without a word about it
    assert heard["gap"]  # and the next prompt was spoken and heard: the child process waited for it


def test_a_prompt_that_was_torn_by_a_loose_plug_is_spoken_again_from_its_first_word(own_card: SoundCard) -> None:
    heard = run(own_card, "tear_prompt", own_card.folder, place=ALL_HEARD)
    assert heard["changes"] == []
    assert heard["seconds"] > 0.9 * heard["prompt"]


def test_prompts_that_a_lost_loudspeaker_cannot_speak_are_reported_and_it_is_used_again(own_card: SoundCard) -> None:
    heard = run(own_card, "lose_loudspeaker", own_card.folder, place=ALL_HEARD)
    assert heard["speaking"] is False  # a microphone that is deaf while the tool speaks must not stay deaf
    assert [change["kind"] for change in heard["changes"]] == ["lost", "back"]
    assert PROMPT in heard["changes"][0]["text"]
    assert "plug it in again" in heard["waiting"]
    assert "plug it in again" in heard["saying"]
    assert heard["seconds"] > 0.9 * heard["prompt"]


def test_a_tone_is_heard_and_is_no_speaking(sound_card: SoundCard) -> None:
    heard = run(sound_card, "sound_tone", sound_card.folder)
    assert heard["speaking"] is False
    assert heard["seconds"] == pytest.approx(0.09, abs=0.03)  # two beeps


def blocks_of(level: int, seconds: float, *, deaf: bool = False) -> Iterator[Block]:
    for _ in range(round(seconds / BLOCK)):
        yield Block(np.full(512, level, np.int16), False, deaf)


def told(*parts: Iterator[Block]) -> list[str]:
    silence = Silence()
    return [change.kind for block in chain(*parts) if (change := silence.change(block, "headset"))]


def test_silence_that_the_tool_makes_itself_is_no_muting() -> None:
    assert told(blocks_of(8, 1), blocks_of(0, 60, deaf=True), blocks_of(8, 1)) == []


def test_a_quiet_room_is_no_muting_and_the_last_bit_is() -> None:
    assert told(blocks_of(2, 60)) == []
    assert told(blocks_of(1, 60)) == ["muted"]
    assert told(blocks_of(-1, 60), blocks_of(-2, 1)) == ["muted", "unmuted"]


def test_a_headset_that_is_silent_between_sentences_is_complained_of_less_and_less() -> None:
    pause = MUTED_AFTER + 1
    assert told(*(part for _ in range(10) for part in (blocks_of(0, pause), blocks_of(500, 2)))) == ["muted", "unmuted"]
    assert told(blocks_of(0, pause), blocks_of(500, 2), blocks_of(0, 3 * pause)) == ["muted", "unmuted", "muted"]


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
    """How many blocks Pace finds missing where they arrive at ``times``."""
    pace = Pace()
    return sum(pace.missed(time, BLOCK) for time in times)


def test_blocks_that_come_late_or_in_bursts_are_no_loss() -> None:
    jitter = np.random.default_rng(1).uniform(0, 0.1, 10_000)
    assert missed(5 + BLOCK * number + jitter[number] for number in range(10_000)) == 0
    assert missed(5 + 0.5 * math.ceil(BLOCK * number / 0.5) for number in range(10_000)) == 0


def test_a_device_clock_that_drifts_for_hours_is_no_loss() -> None:
    for parts_per_million in (-500, 500):
        assert missed(BLOCK * number * (1 + parts_per_million / 1e6) for number in range(300_000)) == 0


def test_lost_blocks_are_counted_though_the_driver_says_nothing() -> None:
    assert missed(BLOCK * number for number in range(2000) if not 1000 <= number < 1010) == 10
    every_other = missed(BLOCK * number for number in range(0, 4000, 2))
    assert 1400 < every_other <= 2000


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


def _until(events: Iterator[Block | Change], *kinds: str) -> list[Change]:
    """Read on until these changes have come; a test that waits for ever is ended by its parent."""
    found: list[Change] = []
    while len(found) < len(kinds):
        event = next(events)
        if isinstance(event, Change):
            found.append(event)
    return found


def _hear_something(events: Iterator[Block | Change]) -> int:
    """The level of the first block that is not silent."""
    while True:
        event = next(events)
        if isinstance(event, Block) and event.samples.any():
            return int(np.abs(event.samples).max())


def plug_in_again() -> object:
    with microphone() as opened:
        events = opened.events()
        _hear_something(events)
        unplug("boom")
        changes = _until(events, "lost")
        plug_in("boom")
        changes += _until(events, "back")
        first = next(events)
        return {
            "changes": [asdict(change) for change in changes],
            "gap": isinstance(first, Block) and first.gap,
            "noise": _hear_something(events),
            "overruns": opened.overruns,
        }


def close_while_lost() -> object:
    with microphone() as opened:
        events = opened.events()
        _hear_something(events)
        unplug("boom")
        changes = _until(events, "lost")
        closer = threading.Timer(0, opened.close)
        closer.start()
        changes += [event for event in events if isinstance(event, Change)]
        closer.join()
        return [change.kind for change in changes]


def mute_and_unmute() -> object:
    with microphone() as opened:
        events = opened.events()
        _hear_something(events)
        mute("boom", True)
        changes = _until(events, "muted")
        mute("boom", False)
        changes += _until(events, "unmuted")
        return [asdict(change) for change in changes]


def take_another() -> object:
    """The device that was opened first is known under a name that nobody has any more."""
    with microphone() as opened:
        events = opened.events()
        _hear_something(events)
        opened._known_as = opened.name = "gone"
        unplug("boom")
        _until(events, "lost")
        plug_in("boom")
        (change,) = _until(events, "changed")
        _hear_something(events)
        return asdict(change)


def look_for_devices(folder: str) -> object:
    sd = sounddevice()
    voice = AloudVoice(Renderer(Path(folder, "cache")))
    asker = SimpleNamespace(busy=False, let_go=lambda: None)
    with microphone() as opened:
        events = opened.events()
        _hear_something(events)
        voice.say(PROMPT)
        while_speaking = look_again(sd, "input", None, asker)
        voice.wait()
        looked = look_again(sd, "input", None, asker)
        gap, changes = False, []
        while not gap:
            event = next(events)
            gap = isinstance(event, Block) and event.gap
            changes += [event.kind] if isinstance(event, Change) else []
        voice.say(PROMPT)
        spoke = 0.0
        while spoke <= 1:
            event = next(events)
            changes += [event.kind] if isinstance(event, Change) else []
            spoke += BLOCK * (isinstance(event, Block) and bool(np.abs(event.samples).max() > LOUD))
        voice.close()
    return {"while speaking": while_speaking, "looked": looked, "changes": changes, "gap": gap}


def _hear_prompt(events: Iterator[Block | Change]) -> float:
    """The seconds from the first to the last loud sample of what is spoken next, which has no long pauses."""
    blocks = (event for event in events if isinstance(event, Block))
    heard = [next(block for block in blocks if np.abs(block.samples).max() > LOUD).samples]
    while len(heard) < PAUSE or np.abs(np.concatenate(heard[-PAUSE:])).max() > LOUD:
        heard.append(next(blocks).samples)
    return _span(np.concatenate(heard))


def tear_prompt(folder: str) -> object:
    renderer = Renderer(Path(folder, "cache"))
    prompt = _at_16_khz(renderer, PROMPT)
    voices.GIVE_UP = 60  # however slow this machine is
    voice = AloudVoice(renderer)
    with microphone() as opened:
        events = opened.events()
        voice.say(PROMPT)
        while _hear_something(events) < LOUD:
            pass
        unplug("tool")
        _hear_prompt(chain([Block(prompt, False)], events))  # what was still under way, to its end
        plug_in("tool")
        seconds = _hear_prompt(events)
        voice.wait()
        changes = [change.kind for change in voice.changes()]
        voice.close()
    return {"seconds": seconds, "prompt": _span(prompt), "changes": changes}


def _failing(action: Callable[[], None]) -> str:
    try:
        action()
    except VoiceError as error:
        return str(error)
    return "nothing was noticed"


def lose_loudspeaker(folder: str) -> object:
    renderer = Renderer(Path(folder, "cache"))
    prompt = _at_16_khz(renderer, PROMPT)
    voice = AloudVoice(renderer)
    with microphone() as opened:
        events = opened.events()
        voice.say(PROMPT)
        while _hear_something(events) < LOUD:
            pass
        unplug("tool")
        waiting = _failing(voice.wait)
        speaking = voice.speaking
        saying = _failing(lambda: voice.say(PROMPT))
        changes = voice.changes()
        plug_in("tool")
        while len(changes) < 2:
            next(events)
            changes += voice.changes()
        _hear_prompt(chain([Block(prompt, False)], events))  # what was still to be read from before
        voice.say(PROMPT)
        seconds = _hear_prompt(events)
        voice.close()
    return {
        "waiting": waiting,
        "saying": saying,
        "speaking": speaking,
        "changes": [asdict(change) for change in changes],
        "seconds": seconds,
        "prompt": _span(prompt),
    }


def sound_tone(folder: str) -> object:
    voice = AloudVoice(Renderer(Path(folder, "cache")))
    with microphone() as opened:
        events = opened.events()
        _hear_something(events)
        voice.tone("again")
        speaking = voice.speaking
        blocks = (event for event in events if isinstance(event, Block))
        first = next(block for block in blocks if np.abs(block.samples).max() > LOUD)
        heard = np.concatenate([first.samples, _take(blocks, 0.5)])
        voice.close()
    return {"speaking": speaking, "seconds": _span(heard)}


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
