"""The first sign of speech, on real speech and on noises of a workshop."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from handsfree.sound.audio import read
from handsfree.sound.endpoint import Endpointer
from handsfree.sound.onset import PATIENCE, Onset
from handsfree.sound.protocol import RATE

SPEECH = Path(__file__).parent / "speech"
BLOCK = 128
LOUD = 200  # of 32768, about -44 dB: speech has begun


def noise(seconds: float, level: float) -> NDArray[np.int16]:
    return np.random.default_rng(7).normal(0, level, round(seconds * RATE)).astype(np.int16)


def blocks(samples: NDArray[np.int16]) -> Iterator[tuple[int, NDArray[np.int16]]]:
    """With the time at which each ends, in samples."""
    for at in range(0, len(samples), BLOCK):
        yield at + BLOCK, samples[at : at + BLOCK]


def signs(samples: NDArray[np.int16]) -> list[bool]:
    onset = Onset()
    return [onset.begins(block, speech=False) for _, block in blocks(samples)]


@pytest.mark.parametrize("name", ["five_point_two_ohms", "say_again", "fifteen_ohms", "correction", "frosted_over"])
def test_speech_is_noticed_within_40_ms_and_before_it_is_known_as_speech(name: str) -> None:
    said = read(SPEECH / f"{name}.flac")[0].samples
    before = noise(1.0, 8)
    samples = np.concatenate([before, (said + noise(len(said) / RATE, 8)[: len(said)]).astype(np.int16)])
    began = len(before) + int(np.flatnonzero(np.abs(said.astype(np.int32)) > LOUD)[0])
    onset, endpointer = Onset(), Endpointer()
    noticed = known = 0
    for until, block in blocks(samples):
        endpointer.feed(block)
        known = known or until * endpointer.speaking
        noticed = noticed or until * onset.begins(block, speech=endpointer.speaking)
    assert began - RATE * 0.1 < noticed <= began + RATE * 0.04
    assert noticed <= known <= noticed + PATIENCE * RATE  # so what is held until then is not heard again for nothing


@pytest.mark.parametrize("rise", [250, 500, 1000])
def test_a_voice_that_sets_in_softly_is_noticed(rise: float) -> None:
    """It grows by so many dB a second, from the room's own noise on."""
    time = np.arange(RATE // 4) / RATE
    swell = 8 * 10 ** (np.minimum(rise * time, 50.0) / 20)
    voice = (swell * np.random.default_rng(8).normal(0, 1, len(time))).astype(np.int16)
    found = signs(np.concatenate([noise(1.0, 8), voice]))
    heard = (found.index(True) + 1) * BLOCK - RATE  # samples after the voice set in
    assert 0 < heard / RATE <= 0.02 + 10 / (rise - 60)


@pytest.mark.parametrize("level", [8, 150, 2000])
def test_steady_noise_is_no_sign(level: float) -> None:
    assert not any(signs(noise(5.0, level)))


def test_a_humming_compressor_that_swells_by_half_is_no_sign() -> None:
    time = np.arange(5 * RATE) / RATE
    swelling = 3000 * (1 + 0.5 * np.sin(2 * np.pi * 2 * time)) * np.sin(2 * np.pi * 120 * time)
    assert not any(signs((swelling + noise(5.0, 50)).astype(np.int16)))


def test_a_humming_compressor_that_swells_and_fades_is_no_sign() -> None:
    time = np.arange(8 * RATE) / RATE
    swelling = 3000 * 10 ** (np.sin(2 * np.pi * 0.5 * time) / 2) * np.sin(2 * np.pi * 120 * time)  # by 20 dB
    assert not any(signs((swelling + noise(8.0, 50)).astype(np.int16)))


@pytest.mark.parametrize("highest", [20, 80])
def test_rumble_is_no_sign_however_loud(highest: float) -> None:
    """Wind, footsteps, a hand at the cable: within 8 ms hardly anything of it goes round once."""
    spectrum = np.fft.rfft(np.random.default_rng(9).normal(0, 1, 20 * RATE))
    spectrum[round(highest * 20) :] = 0
    rumble = np.fft.irfft(spectrum)
    samples = rumble / np.std(rumble) * 2000 + noise(20.0, 20)
    assert not any(signs(samples.astype(np.int16)))


def test_a_machine_that_beats_is_a_sign_once_and_a_voice_over_it_is_another() -> None:
    time = np.arange(10 * RATE) / RATE
    beats = np.where(time * 3 % 1 < 0.5, 5.0, 1.0) * noise(10.0, 300)  # 14 dB, three times a second
    assert sum(signs(beats.astype(np.int16))) * BLOCK / RATE < PATIENCE * 2
    voice = np.where(time > 9.5, 10.0, 1.0) * beats
    assert any(signs(voice.astype(np.int16))[round(9.5 * RATE / BLOCK) :])


def test_what_was_speech_need_not_be_outdone() -> None:
    """Somebody who has just spoken speaks again, a little softer."""
    twice = np.concatenate([noise(1.0, 8), noise(0.5, 2000), noise(0.5, 8), noise(0.5, 1600)])
    for speech in (True, False):
        onset = Onset()
        found = [onset.begins(block, speech=speech) for _, block in blocks(twice)]
        assert any(found[round(1.9 * RATE / BLOCK) :]) == speech


def test_a_bang_is_a_sign_that_passes() -> None:
    samples = noise(3.0, 20)
    samples[RATE : RATE + RATE // 20] = noise(0.05, 5000)
    found = signs(samples)
    at = found.index(True)
    assert at * BLOCK == pytest.approx(RATE, abs=BLOCK)
    assert sum(found) * BLOCK / RATE == pytest.approx(PATIENCE, abs=0.02)


def test_a_machine_that_starts_is_one_sign_and_then_usual() -> None:
    samples = noise(4.0, 2000)
    samples[:RATE] //= 100
    found = signs(samples)
    assert 0 < sum(found) * BLOCK / RATE <= PATIENCE + 0.02
    assert not any(found[round(1.2 * RATE / BLOCK) :])
