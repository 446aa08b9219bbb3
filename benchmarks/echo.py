"""Hearing on an open loudspeaker: deaf while speaking, or an echo canceller? ``python benchmarks/echo.py``

Real prompts of the voice come back into a simulated microphone: through a loudspeaker that distorts a little, a room
(delay 20 to 150 ms, reverberation of 0.2 to 0.5 s), as loud as the technician or 10 dB louder, with a hum 25 dB below
the technician. A technician's clip comes in the middle of a prompt, soon after it, or not at all. Each way of listening
gets the same sound, one room after the other without a break, so a canceller has time to adapt; both of its inputs are
on one clock, which flatters it. The endpointer and the embedded recogniser judge: a clip is intact where an utterance
that was not cut is understood, with confidence, as the clean clip is. "Cutting in" stops the prompt CUT after the clip
began, as a tool would that noticed speech; "in the middle" lets it go on.

The cancellers are measured where they are installed: ``pip install pywebrtc-audio pyaec``.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soxr
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from handsfree.sound import audio
from handsfree.sound.devices import TAIL
from handsfree.sound.endpoint import Endpointer, Speech
from handsfree.sound.hum import taken_off
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE, Audio, Recogniser
from handsfree.sound.voice import Renderer
from handsfree.spoken.meaning import Expectation, Open, Word

Samples = NDArray[np.float64]

SPEECH = Path(__file__).parents[1] / "tests" / "sound" / "speech"
CLIPS = ["five_point_two_ohms", "four_hundred_eighty_volts", "fifteen_ohms", "say_again", "stand_by", "o_l"]
PROMPTS = [
    "Measure the resistance of the heating element. Say the reading.",
    "Five point two ohms, at most seven: conforming.",
    "Set the meter to direct voltage, and put the probes on terminals three and four of the contactor.",
    "Danger. Capacitors can hold a charge after the supply is off.",
]
WHEN = {
    "never": None,
    "in the middle": -1.5,
    "cutting in": -1.5,
    "0.1 s after": 0.1,
    "0.3 s after": 0.3,
    "0.6 s after": 0.6,
}
CUT = 0.25  # seconds: 0.1 until speech is noticed, 0.05 until the loudspeaker is silent, and some
DELAYS = [0.02, 0.06, 0.10, 0.15]  # seconds
LOUDER = [0.0, 10.0]  # dB, the echo over the technician
LEVEL = 2000.0  # of 32768, the technician's
HUM = -25.0  # dB, under the technician
BLOCK = 512
FRAME = 160
ACTED_ON = 0.5  # confidence: a recogniser's operating point


class Trial(NamedTuple):
    """A prompt from ``start`` to ``end``, and what a technician says with it; places in samples."""

    start: int
    end: int
    over: int
    when: str
    clip: str


class Room(NamedTuple):
    """What the loudspeaker plays and what the microphone hears."""

    far: NDArray[np.int16]
    near: NDArray[np.int16]
    trials: list[Trial]


def at_level(sound: Samples, level: float) -> Samples:
    """``sound`` with this root mean square where it is loud."""
    loud = sound[np.abs(sound) > np.abs(sound).max() / 50]
    return sound * level / float(np.sqrt(np.mean(loud**2)))


def response(rng: np.random.Generator, delay: float) -> Samples:
    """The direct sound after ``delay`` seconds and a tail that falls by 60 dB in 0.2 to 0.5 s."""
    seconds = rng.uniform(0.2, 0.5)
    time_ = np.arange(round(seconds * RATE)) / RATE
    tail = 0.15 * rng.normal(size=len(time_)) * 10 ** (-3 * time_ / seconds)
    tail[0] = 1.0
    return np.concatenate([np.zeros(round(delay * RATE)), tail])


def a_room(
    rng: np.random.Generator,
    prompts: list[Samples],
    clips: dict[str, Samples],
    delay: float,
    louder: float,
    trials: int,
) -> Room:
    whens = [list(WHEN)[number % len(WHEN)] for number in range(trials)]
    rng.shuffle(whens)
    far: list[Samples] = []
    said: list[tuple[int, Samples]] = []
    places: list[Trial] = []
    at = 0
    for when in whens:
        prompt, clip = prompts[rng.integers(len(prompts))], str(rng.choice(list(clips)))
        start, end = at, at + len(prompt)
        over = end + round(1.5 * RATE)  # a pause between two trials
        if (later := WHEN[when]) is not None:
            said.append((end + round(later * RATE), clips[clip]))
            if when == "cutting in":
                prompt = prompt[: said[-1][0] - at + round(CUT * RATE)]
                end = at + len(prompt)
            over = max(over, said[-1][0] + len(clips[clip]) + RATE)
        far.append(np.concatenate([prompt, np.zeros(over - end)]))
        places.append(Trial(start, end, over, when, clip))
        at = over
    played = np.concatenate(far)
    distorted = np.tanh(1.5 * played / np.abs(played).max())
    echo = np.fft.irfft(
        np.fft.rfft(distorted, 2 * len(played)) * np.fft.rfft(response(rng, delay), 2 * len(played)), 2 * len(played)
    )[: len(played)]
    near = at_level(echo, LEVEL * 10 ** (louder / 20))
    for place, clip_samples in said:
        near[place : place + len(clip_samples)] += clip_samples
    seconds = np.arange(len(near)) / RATE
    hum = sum(np.sin(2 * np.pi * 60 * each * seconds + each) / each for each in range(1, 12))
    near += at_level(np.asarray(hum), LEVEL * 10 ** (HUM / 20)) + rng.normal(0, 8, len(near))
    return Room(to_int16(at_level(played, 3000.0)), to_int16(near), places)


def to_int16(sound: Samples) -> NDArray[np.int16]:
    return np.clip(np.round(sound), -32768, 32767).astype(np.int16)


Heard = Iterator[tuple[NDArray[np.int16], bool]]  # blocks, and whether there was a gap
Way = Callable[[Room], Heard]


def gated(room: Room) -> Heard:
    deaf = np.zeros(len(room.near), bool)
    for trial in room.trials:
        deaf[trial.start : trial.end + round(TAIL * RATE)] = True
    for at in range(0, len(room.near), BLOCK):
        silenced = bool(deaf[at : at + BLOCK].any())
        block = room.near[at : at + BLOCK]
        yield (np.zeros_like(block) if silenced else block), silenced


def cancelled_by(process: Callable[[NDArray[np.int16], NDArray[np.int16]], NDArray[np.int16]]) -> Way:
    def way(room: Room) -> Heard:
        whole = len(room.near) // FRAME * FRAME
        frames = [process(room.near[at : at + FRAME], room.far[at : at + FRAME]) for at in range(0, whole, FRAME)]
        clean = np.concatenate(frames)
        for at in range(0, whole, BLOCK):
            yield clean[at : at + BLOCK], False

    return way


def webrtc() -> Way:
    from pywebrtc_audio import EchoCanceller

    return cancelled_by(EchoCanceller(sample_rate=RATE).process)


def speex() -> Way:
    from pyaec import Aec

    canceller = Aec(FRAME, round(0.4 * RATE), RATE, True)
    return cancelled_by(lambda near, far: np.array(canceller.cancel_echo(near.tolist(), far.tolist()), np.int16))


def ways() -> dict[str, Callable[[], Way]]:
    """Those that can be measured here."""
    found: dict[str, Callable[[], Way]] = {"deaf while speaking": lambda: gated}
    if importlib.util.find_spec("pywebrtc_audio"):
        found["WebRTC's canceller"] = webrtc
    if importlib.util.find_spec("pyaec"):
        found["Speex's canceller"] = speex
    return found


class Count:
    """What a way of listening came to."""

    def __init__(self) -> None:
        self.intact = dict.fromkeys(WHEN, 0)
        self.tried = dict.fromkeys(WHEN, 0)
        self.other = 0  # utterances understood as what nobody said
        self.of_prompt = 0  # utterances made of nothing but the tool's own voice
        self.leak = 0.0  # seconds of prompts that got through the endpointer, in trials where nobody else spoke
        self.prompts = 0.0  # seconds of prompts in those
        self.seconds = 0.0  # of processor time, without the recogniser
        self.sound = 0.0


def understood(recogniser: Recogniser, speech: Audio) -> str:
    """What would be acted on; empty where the tool would ask again."""
    utterance = recogniser.hear(taken_off(speech))
    return utterance.text if (utterance.confidence or 0) >= ACTED_ON else ""


def judge(count: Count, room: Room, found: list[Speech], recogniser: Recogniser, clean: dict[str, str]) -> None:
    texts = ["" if speech.cut else understood(recogniser, speech) for speech in found]
    for trial in room.trials:
        count.tried[trial.when] += 1
        mine = [
            (speech, text)
            for speech, text in zip(found, texts, strict=True)
            if trial.start <= (speech.start + speech.seconds / 2) * RATE < trial.over
        ]
        words = [text for _, text in mine if text]
        expected = clean[trial.clip] if trial.when != "never" else None
        count.intact[trial.when] += expected in words if expected else not mine
        count.other += sum(text != expected for text in words)
        if expected is None:
            count.of_prompt += len(mine)
            count.leak += sum(speech.seconds for speech, _ in mine)
            count.prompts += (trial.end - trial.start) / RATE


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=12, help=f"in each of {len(DELAYS) * len(LOUDER)} rooms")
    options = parser.parse_args()
    renderer = Renderer()
    sounds = [renderer.render(text) for text in PROMPTS]
    prompts = [soxr.resample(sound.samples, sound.rate, RATE).astype(float) for sound in sounds]
    renderer.close()
    clips = {name: audio.read(SPEECH / f"{name}.flac")[0].samples for name in CLIPS}
    recogniser = MoonshineRecogniser()
    recogniser.open(Open(reading=Expectation(), words=frozenset(Word)))
    clean = {name: understood(recogniser, Audio(samples)) for name, samples in clips.items()}
    voices = {name: at_level(samples.astype(float), LEVEL) for name, samples in clips.items()}
    counts = {name: Count() for name in ways()}
    for louder in LOUDER:
        rng = np.random.default_rng(7)
        for room in [a_room(rng, prompts, voices, delay, louder, options.trials) for delay in DELAYS]:
            for name, make in ways().items():
                count, endpointer, found = counts[name], Endpointer(), []
                before = time.process_time()
                for block, gap in make()(room):
                    found += endpointer.feed(block, gap=gap)
                found += endpointer.flush()
                count.seconds += time.process_time() - before
                count.sound += len(room.near) / RATE
                judge(count, room, found, recogniser, clean)
    table = Table("", *counts)
    table.add_row(
        "prompts alone that were taken for speech, utterances", *(str(each.of_prompt) for each in counts.values())
    )
    table.add_row(
        "of these prompts' time, got through", *(f"{each.leak / each.prompts:.0%}" for each in counts.values())
    )
    for when, later in WHEN.items():
        label = (
            "prompts alone with no utterance"
            if later is None
            else f"clips intact, {when} of a prompt".replace("after of", "after the end of")
        )
        table.add_row(label, *(f"{each.intact[when]} of {each.tried[when]}" for each in counts.values()))
    table.add_row("understood, but nobody said it", *(str(each.other) for each in counts.values()))
    table.add_row("processor, of one core", *(f"{each.seconds / each.sound:.1%}" for each in counts.values()))
    Console(width=120).print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
