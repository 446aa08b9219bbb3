"""The denoiser on real speech with noise added: less noise, the same speech, in the same place."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from handsfree.sound.audio import read
from handsfree.sound.denoise import denoised
from handsfree.sound.protocol import RATE, Audio

SPEECH = Path(__file__).parent / "speech"


def with_hiss(name: str, level: float) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """A clip after a second of noise and in it, and the noise alone."""
    speech = read(SPEECH / f"{name}.flac")[0].samples
    hiss = np.random.default_rng(3).normal(0, level, RATE + len(speech)).round()
    mixed = hiss + np.concatenate([np.zeros(RATE), speech])
    return np.clip(mixed, -32768, 32767).astype(np.int16), hiss.astype(np.int16)


def level(samples: NDArray[np.int16]) -> float:
    return float(np.sqrt(np.mean(samples.astype(float) ** 2)))


def test_what_comes_out_is_as_long_as_what_went_in() -> None:
    for length in (1, 479, 480, 481, 16_000):
        audio = Audio(np.full(length, 100, np.int16))
        assert len(denoised(audio)) == length
        assert len(denoised(Audio(audio.samples, lead=audio.samples))) == length


def test_steady_noise_is_taken_off_by_more_than_ten_decibels() -> None:
    _, hiss = with_hiss("fifteen_ohms", 600)
    quiet = denoised(Audio(hiss[RATE:], lead=hiss[:RATE]))
    assert level(quiet) < level(hiss[RATE:]) / 10**0.5


def test_the_network_knows_the_noise_sooner_when_it_hears_what_came_before() -> None:
    _, hiss = with_hiss("fifteen_ohms", 600)
    begins = slice(0, RATE // 10)
    warm, cold = denoised(Audio(hiss[RATE:], lead=hiss[:RATE])), denoised(Audio(hiss[RATE:]))
    assert level(warm[begins]) < level(cold[begins]) * 0.8


@pytest.mark.parametrize("name", ["fifteen_ohms", "human_two_nine_three_four_zero"])
def test_speech_stays_where_it_was(name: str) -> None:
    mixed, _ = with_hiss(name, 300)
    speech = read(SPEECH / f"{name}.flac")[0].samples.astype(float)
    quiet = denoised(Audio(mixed[RATE:], lead=mixed[:RATE])).astype(float)
    lags = range(-320, 321)  # 20 ms
    likeness = [float(np.dot(np.roll(quiet, -lag), speech)) for lag in lags]
    assert abs(lags[int(np.argmax(likeness))]) <= RATE // 100  # within a frame of the recogniser's
