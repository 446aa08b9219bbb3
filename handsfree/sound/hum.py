"""Takes the steady tones of a machine off an utterance: the hum of a compressor, a transformer, a motor's whine.

The one rule: only what sounded before the utterance, and sounded evenly, is taken off, and no more of it than there was
then. Where there was no such tone the samples are the same. A tone is a band a few hertz wide, and speech moves through
it: what a voice loses is next to nothing, while most of a hum's power stands in its tones.

Widrow et al., "Adaptive noise cancelling: principles and applications", Proc. IEEE 63 (1975), takes mains hum off an
electrocardiogram this way, by a reference; here the references are found in the sound before the utterance.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from handsfree.sound.protocol import RATE, Audio

LEAST_LEAD = 0.3  # seconds of sound before an utterance; with less of it neighbouring tones are not told apart
LOWEST, HIGHEST = 20.0, 4000.0  # Hz, between which tones are looked for
STANDS_OUT = 15.0  # dB of a tone above the median of the band around it
BAND = 40.0  # Hz, the width of such a band
FINENESS = 0.25  # Hz, between two places of the spectrum, at most
BLOCK = RATE // 200  # samples, 5 ms, over which a tone is taken to keep its strength
SMOOTHED = 0.5  # seconds over which its strength is averaged: how fast it may swell
EVEN = 0.25  # of the strongest, the weakest that an even tone is before the utterance
GROWS = 1.5  # times as strong as before the utterance, to which a tone may swell within it

Tones = NDArray[np.float64]  # Hz
Heard = TypeVar("Heard", bound=Audio)


def taken_off(audio: Heard) -> Heard:
    """``audio`` without the tones that are in its lead; the same object where there are none."""
    before = len(audio.lead)
    if before < LEAST_LEAD * RATE or not len(audio.samples):
        return audio
    tones = _tones(audio.lead)
    if not len(tones):
        return audio
    samples = np.concatenate([audio.lead, audio.samples])
    hum = _hum(samples, tones, before)
    quiet = np.clip(np.round(samples - hum), -32768, 32767).astype(np.int16)
    return replace(audio, samples=quiet[before:], lead=quiet[:before])


def _tones(lead: NDArray[np.int16]) -> Tones:
    """The frequencies that stand out of what is around them."""
    length = 1 << int(np.ceil(np.log2(RATE / FINENESS)))
    power = np.abs(np.fft.rfft(lead * np.hanning(len(lead)), length)) ** 2
    step = RATE / length
    width = round(BAND / step)
    first, last = round(LOWEST / step), round(HIGHEST / step)
    level = 10 * np.log10(power[: last // width * width + width] + 1.0)
    bands = np.median(level.reshape(-1, width), axis=1)
    around = np.interp(np.arange(len(level)), (np.arange(len(bands)) + 0.5) * width, bands)
    inner = np.arange(first, last)
    peak = (level[inner] >= level[inner - 1]) & (level[inner] > level[inner + 1])
    found = inner[peak & (level[inner] > around[inner] + STANDS_OUT)]
    # The side lobes of a strong tone are no tones.
    near = round(4 * RATE / len(lead) / step)  # bins: twice the width of a tone, side lobes and all
    own = [at for at in found if level[at] >= level[max(0, at - near) : at + near + 1].max()]
    return np.array(own, np.float64) * step


def _hum(samples: NDArray[np.int16], tones: Tones, before: int) -> NDArray[np.float64]:
    """What the tones make up of the samples, the first ``before`` of which tell how strong they are."""
    blocks = np.pad(samples.astype(np.float64), (0, -len(samples) % BLOCK)).reshape(-1, BLOCK)
    turn = -2j * np.pi * tones / RATE
    inside = np.exp(np.outer(np.arange(BLOCK), turn))  # of each sample in its block
    each = np.exp(np.outer(np.arange(len(blocks)) * BLOCK, turn))  # of each block
    found = (blocks @ inside) * each / BLOCK
    known = np.abs(_smoothed(found[: before // BLOCK]))
    even = known.min(axis=0) > EVEN * known.max(axis=0)
    limit = np.where(even, GROWS * known.max(axis=0), 0.0)
    strength = _smoothed(found)
    strength *= np.minimum(1.0, limit / np.maximum(np.abs(strength), 1e-9))
    hum = 2 * ((strength * each.conj()) @ inside.conj().T).real
    return np.asarray(hum.ravel()[: len(samples)])


def _smoothed(strength: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Averaged over SMOOTHED; towards the ends over what there is of it."""
    count = round(SMOOTHED * RATE / BLOCK) | 1
    window = np.hanning(count + 2)[1:-1]
    half = count // 2
    length = len(strength) + count - 1
    sums = np.fft.ifft(np.fft.fft(strength, length, axis=0) * np.fft.fft(window, length)[:, None], axis=0)[
        half : half + len(strength)
    ]
    weights = np.convolve(np.ones(len(strength)), window)[half : half + len(strength)]
    return np.asarray(sums / weights[:, None])
