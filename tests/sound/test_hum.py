"""Tones of a machine taken off real speech: the hum goes, the voice and whatever is no steady tone stays."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from handsfree.sound.audio import read
from handsfree.sound.hum import GROWS, taken_off
from handsfree.sound.protocol import RATE, Audio

SPEECH = Path(__file__).parent / "speech"
NAMES = ("fifteen_ohms", "human_two_nine_three_four_zero")


def spoken(name: str) -> NDArray[np.float64]:
    return read(SPEECH / f"{name}.flac")[0].samples.astype(np.float64)


def tones(length: int, fundamental: float, power: float, *, swell: float = 0.2) -> NDArray[np.float64]:
    """Twelve harmonics of a fundamental in Hz, each of which swells by a part of it, at a root mean square."""
    time = np.arange(length) / RATE
    made = np.zeros(length)
    for order in range(1, 13):
        strength = (1 + swell * np.sin(2 * np.pi * (0.3 + 0.1 * order) * time)) / order
        made += strength * np.sin(2 * np.pi * order * fundamental * time + order)
    return np.asarray(made * power / level(made))


def level(samples: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(samples**2)))


def after(lead: NDArray[np.float64], samples: NDArray[np.float64]) -> Audio:
    both = [np.clip(np.round(part), -32768, 32767).astype(np.int16) for part in (samples, lead)]
    return Audio(both[0], 3.0, lead=both[1])


@pytest.mark.parametrize("fundamental", [50.0, 60.0, 47.3, 28.6, 71.2])  # mains, and motors that turn at any speed
@pytest.mark.parametrize("name", NAMES)
def test_nine_tenths_of_a_hum_are_taken_off(name: str, fundamental: float) -> None:
    speech = spoken(name)
    hum = tones(RATE + len(speech), fundamental, level(speech) / 2)
    quiet = taken_off(after(hum[:RATE], speech + hum[RATE:]))
    assert quiet.start == 3.0
    assert len(quiet.samples) == len(speech)
    assert len(quiet.lead) == RATE
    assert level(quiet.samples - speech) < level(hum) / 10**0.5
    assert level(quiet.lead.astype(np.float64)) < level(hum) / 10**0.5


@pytest.mark.parametrize("seconds", [0.3, 0.5])
def test_less_than_a_second_before_an_utterance_is_enough(seconds: float) -> None:
    """As where somebody answers soon after a prompt, and the microphone was deaf before."""
    speech, lead = spoken("fifteen_ohms"), round(seconds * RATE)
    hum = tones(lead + len(speech), 60, level(speech) / 2)
    quiet = taken_off(after(hum[:lead], speech + hum[lead:]))
    assert level(quiet.samples - speech) < level(hum) / 10**0.4


def test_what_is_left_of_a_hum_is_less_than_notch_filters_leave() -> None:
    """scipy's second-order notches, one for each tone, told its very frequency, at the quality that leaves least."""
    speech = spoken("fifteen_ohms")
    hum = tones(RATE + len(speech), 60, level(speech) / 2)
    mixed = np.concatenate([hum[:RATE], speech + hum[RATE:]])
    left = []
    for quality in (3, 10, 30, 100):
        notched = mixed
        for order in range(1, 13):
            notched = signal.lfilter(*signal.iirnotch(60 * order, quality * order, RATE), notched)
        left.append(level(notched[RATE:] - speech))
    ours = taken_off(after(mixed[:RATE], mixed[RATE:]))
    assert level(ours.samples - speech) < min(left)


@pytest.mark.parametrize("name", NAMES)
def test_without_a_tone_before_it_the_sound_is_the_same(name: str) -> None:
    speech = spoken(name)
    room = np.random.default_rng(5).normal(0, 16, RATE)
    assert taken_off(heard := after(room, speech)) is heard
    for seed in range(20):
        hiss = np.random.default_rng(seed).normal(0, level(speech), RATE + len(speech))
        assert taken_off(heard := after(hiss[:RATE], speech + hiss[RATE:])) is heard


def test_a_tone_that_begins_with_the_utterance_is_not_the_machine_s() -> None:
    speech, room = spoken("fifteen_ohms"), np.random.default_rng(5).normal(0, 16, RATE)
    whistle = tones(len(speech), 60, level(speech))
    assert taken_off(heard := after(room, speech + whistle)) is heard


@pytest.mark.parametrize("name", NAMES)
def test_somebody_who_spoke_before_takes_next_to_nothing_away(name: str) -> None:
    """Vowels before an utterance are tones, but no even ones."""
    speech = spoken(name)
    before = np.resize(spoken("five_point_two_ohms"), RATE)
    left = taken_off(after(before, speech)).samples - speech
    assert level(left) < level(speech) / 10


def test_no_more_is_taken_off_than_there_was_before() -> None:
    time = np.arange(3 * RATE) / RATE
    tone = 500 * np.sin(2 * np.pi * 120 * time)
    heard = np.where(time < 1, 1.0, 10.0) * tone
    taken = (heard[RATE:] - taken_off(after(heard[:RATE], heard[RATE:])).samples)[RATE // 2 : -RATE // 2]
    assert level(taken) == pytest.approx(GROWS * level(tone), rel=0.02)


@pytest.mark.parametrize("length", [0, 1, 79, 80, 81, RATE])
def test_any_length_does(length: int) -> None:
    hum = tones(2 * RATE, 50, 800)
    quiet = taken_off(after(hum[:RATE], hum[RATE : RATE + length]))
    assert len(quiet.samples) == length
    short = after(hum[:100], hum[100 : 100 + length])
    assert taken_off(short) is short


def test_the_loudest_sound_stays_within_what_samples_hold() -> None:
    hum = tones(2 * RATE, 50, 30_000)
    quiet = taken_off(after(hum[:RATE], hum[RATE:])).samples.astype(np.int64)
    assert max(abs(one - other) for one, other in pairwise(quiet.tolist())) < 32768  # nothing wrapped round
