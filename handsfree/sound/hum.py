"""Takes the steady tones of a machine off an utterance: the hum of a compressor, a transformer, a motor's whine.

The one rule: only what sounded before the utterance, and sounded evenly, is taken off, and hardly more of it than there
was then. A tone is a band a few hertz wide, and speech moves through it: what a voice loses is next to nothing, while
most of a hum's power stands in its tones. One that stops is heard to do so over SMOOTHED.

Widrow et al., "Adaptive noise cancelling: principles and applications", Proc. IEEE 63 (1975), takes mains hum off an
electrocardiogram this way, by a reference; here the references are found in the sound before the utterance.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from handsfree.sound.audio import whole
from handsfree.sound.endpoint import PRE_ROLL
from handsfree.sound.protocol import RATE, Audio

LEAST = 0.3  # seconds of sound before the speech; with less of it neighbouring tones are not told apart
UNSPOKEN = PRE_ROLL - 0.1  # seconds at the beginning of an utterance in which nobody speaks yet, nor draws breath to it
LOWEST, HIGHEST = 20.0, 4000.0  # Hz, between which tones are looked for
STANDS_OUT = 15.0  # dB of a tone above the medians of the bands around it
BAND = 40.0  # Hz, the width of such a band
FINENESS = 0.25  # Hz, between two places of the spectrum, at most
BLOCK = RATE // 200  # samples, 5 ms, over which a tone is taken to keep its strength
SMOOTHED = 0.5  # seconds over which its strength is averaged: how fast it may swell
EVEN = 0.25  # of the strongest, the weakest that an even tone is before the speech
GROWS = 1.5  # times as strong as before the speech, to which a tone may swell within it
AT_ONCE = 16  # tones that are worked on together: memory is theirs times the length

Tones = NDArray[np.float64]  # Hz
Heard = TypeVar("Heard", bound=Audio)


def taken_off(audio: Heard) -> Heard:
    """``audio`` without the tones that sound before its speech; the same object where there are none, or is no lead."""
    before = len(audio.lead) + min(round(UNSPOKEN * RATE), len(audio.samples))
    if before < LEAST * RATE:
        return audio
    samples = np.concatenate([audio.lead, audio.samples])
    tones = _tones(samples[:before])
    if not len(tones):
        return audio
    hum = np.zeros(len(samples))
    for at in range(0, len(tones), AT_ONCE):
        hum += _hum(samples, tones[at : at + AT_ONCE], before)
    quiet = whole(samples - hum)
    return replace(audio, samples=quiet[len(audio.lead) :], lead=quiet[: len(audio.lead)])


def _tones(before: NDArray[np.int16]) -> Tones:
    """The frequencies that stand out of what is around them."""
    length = 1 << int(np.ceil(np.log2(RATE / FINENESS)))
    power = np.abs(np.fft.rfft(before * np.hanning(len(before)), length)) ** 2
    step = RATE / length
    width = round(BAND / step)
    inner = np.arange(round(LOWEST / step), round(HIGHEST / step))
    level = 10 * np.log10(power[: (inner[-1] // width + 2) * width] + 1.0)
    bands = np.median(level.reshape(-1, width), axis=1)
    beside = np.pad(bands, 1, mode="edge")  # noise may end steeply at a frequency, which is no tone
    around = np.repeat(np.maximum.reduce([bands, beside[:-2], beside[2:]]), width)
    peak = (level[inner] >= level[inner - 1]) & (level[inner] > level[inner + 1])
    found = inner[peak & (level[inner] > around[inner] + STANDS_OUT)]
    near = round(4 * RATE / len(before) / step)  # bins: twice the width of a tone, so that its side lobes are no tones
    own = [at for at in found if level[at] >= level[max(0, at - near) : at + near + 1].max()]
    return np.array(own, np.float64) * step


def _hum(samples: NDArray[np.int16], tones: Tones, before: int) -> NDArray[np.float64]:
    """What the tones make up of the samples, the first ``before`` of which tell how strong and how even they are."""
    blocks = np.pad(samples.astype(np.float64), (0, -len(samples) % BLOCK)).reshape(-1, BLOCK)
    turn = -2j * np.pi * tones / RATE
    inside = np.exp(np.outer(np.arange(BLOCK), turn))  # of each sample in its block
    each = np.exp(np.outer(np.arange(len(blocks)) * BLOCK, turn))  # of each block
    found = (blocks @ inside) * each / BLOCK
    known = found[: before // BLOCK]
    course = np.abs(_smoothed(known, min(SMOOTHED, before / RATE / 3)))
    even = course.min(axis=0) > EVEN * course.max(axis=0)
    limit = np.where(even, GROWS * np.abs(_smoothed(known, SMOOTHED)).max(axis=0), 0.0)
    strength = _smoothed(found, SMOOTHED)
    strength *= np.minimum(1.0, limit / np.maximum(np.abs(strength), 1e-9))
    hum = 2 * ((strength * each.conj()) @ inside.conj().T).real
    return np.asarray(hum.ravel()[: len(samples)])


def _smoothed(strength: NDArray[np.complex128], seconds: float) -> NDArray[np.complex128]:
    """Averaged over some seconds; towards the ends over what there is of them."""
    count = round(seconds * RATE / BLOCK) | 1
    window = np.hanning(count + 2)[1:-1]
    inside = slice(count // 2, count // 2 + len(strength))
    length = len(strength) + count - 1
    sums = np.fft.ifft(np.fft.fft(strength, length, axis=0) * np.fft.fft(window, length)[:, None], axis=0)[inside]
    weights = np.convolve(np.ones(len(strength)), window)[inside]
    return np.asarray(sums / weights[:, None])
