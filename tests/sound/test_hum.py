"""Tones of a machine taken off real speech: the hum goes, the voice and whatever is no steady tone stays."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from handsfree.sound.audio import read
from handsfree.sound.endpoint import PRE_ROLL
from handsfree.sound.hum import GROWS, LEAST, UNSPOKEN, taken_off
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
    for end in (quiet.samples - speech)[: RATE // 4], (quiet.samples - speech)[-RATE // 4 :]:
        assert level(end) < level(hum) / 10**0.4


@pytest.mark.parametrize("seconds", [0.1, 0.3, 0.5])
def test_less_than_a_second_before_an_utterance_is_enough(seconds: float) -> None:
    """As where somebody answers soon after a prompt, and the microphone was deaf before."""
    speech, lead = np.concatenate([np.zeros(round(PRE_ROLL * RATE)), spoken("fifteen_ohms")]), round(seconds * RATE)
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


def without_tones() -> dict[str, NDArray[np.float64]]:
    """Two seconds of noise each, some of which ends steeply at a frequency, as over a narrow link."""
    spectrum = np.fft.rfft(np.random.default_rng(5).normal(0, 1, 2 * RATE))
    frequency = np.fft.rfftfreq(2 * RATE, 1 / RATE)
    shapes = {
        "white": np.ones(len(frequency)),
        "brown": 1 / np.maximum(frequency, 20.0),
        "from 60 Hz on": frequency > 60,
        "300 to 3400 Hz": (frequency > 300) & (frequency < 3400),
    }
    made = {name: np.fft.irfft(spectrum * shape) for name, shape in shapes.items()}
    return {name: noise / level(noise) for name, noise in made.items()}


@pytest.mark.parametrize(("name", "noise"), without_tones().items())
@pytest.mark.parametrize("loud", [16, 1000])
def test_noise_without_a_tone_is_left_as_it_is(name: str, noise: NDArray[np.float64], loud: float) -> None:
    speech = spoken("fifteen_ohms")
    mixed = loud * np.resize(noise, RATE + len(speech))
    mixed[RATE + RATE // 5 :] += speech[: -RATE // 5]
    assert taken_off(heard := after(mixed[:RATE], mixed[RATE:])) is heard


def test_a_tone_that_begins_with_the_utterance_is_not_the_machine_s() -> None:
    speech, room = spoken("fifteen_ohms"), np.random.default_rng(5).normal(0, 16, RATE)
    whistle = tones(len(speech), 60, level(speech))
    whistle[: round(UNSPOKEN * RATE)] = 0
    assert taken_off(heard := after(room, speech + whistle)) is heard


@pytest.mark.parametrize("seconds", [0.1, 0.3, 1.0])
def test_a_tone_that_was_not_there_all_the_time_before_is_left(seconds: float) -> None:
    """A beep, and whatever else began or ended before the utterance, and may be the beginning of speech."""
    time = np.arange(round((seconds + 1.0) * RATE)) / RATE
    beep = 800 * np.sin(2 * np.pi * 440 * time) * (time > (seconds + UNSPOKEN) / 3)
    lead = round(seconds * RATE)
    quiet = taken_off(after(beep[:lead], beep[lead:])).samples
    assert np.array_equal(quiet, after(beep[:lead], beep[lead:]).samples)


@pytest.mark.parametrize("seconds", [0.1, 0.3, 0.5, 1.0])
@pytest.mark.parametrize("name", NAMES)
def test_somebody_who_spoke_before_takes_next_to_nothing_away(name: str, seconds: float) -> None:
    """Vowels before an utterance are tones, but no even ones."""
    speech = spoken(name)
    for end in range(RATE // 4, 2 * RATE, RATE // 4):
        before = np.resize(spoken("five_point_two_ohms"), 2 * RATE + end)[-round(seconds * RATE) :]
        left = taken_off(after(before, speech)).samples - speech
        assert level(left) < level(speech) / 10


def test_hardly_more_is_taken_off_than_there_was_before() -> None:
    time = np.arange(3 * RATE) / RATE
    tone = 500 * np.sin(2 * np.pi * 120 * time)
    heard = np.where(time < 1 + UNSPOKEN, 1.0, 10.0) * tone
    taken = (heard[RATE:] - taken_off(after(heard[:RATE], heard[RATE:])).samples)[RATE // 2 : -RATE // 2]
    assert level(taken) == pytest.approx(GROWS * level(tone), rel=0.02)


@pytest.mark.parametrize("length", [0, 1, 79, 80, 81, RATE])
def test_any_length_does(length: int) -> None:
    hum = tones(2 * RATE, 50, 800)
    quiet = taken_off(after(hum[:RATE], hum[RATE : RATE + length]))
    assert len(quiet.samples) == length


def test_too_little_before_the_speech_tells_nothing() -> None:
    hum, least = tones(2 * RATE, 50, 800), round((LEAST - UNSPOKEN) * RATE)
    enough, less = (after(hum[:lead], hum[lead:]) for lead in (least, least - 1))
    assert taken_off(enough) is not enough
    assert taken_off(less) is less
    assert taken_off(bare := after(hum[:0], hum)) is bare  # a clip that may begin with a word


def test_what_leaves_the_range_of_samples_is_cut_off_there() -> None:
    """A hum as loud as can be, against which something else swings: without it the sound would be too loud."""
    hum = tones(2 * RATE, 50, 9_000)
    against = np.where(np.arange(RATE) % 400 < 200, 32_000.0, -32_000.0)
    audio = after(hum[:RATE], against)
    quiet = taken_off(audio).samples
    assert quiet.max() == 32767
    assert quiet.min() == -32768
    assert np.mean(np.sign(quiet) == np.sign(against)) > 0.99  # nothing wrapped round
