"""The first sign that somebody may be about to speak: it became louder.

The one rule: it decides nothing. A voice-activity model is sure of speech after 50 ms (median; 115 ms for one in
twenty), loudness rises within 4 ms (9 ms); a prompt is held meanwhile, and goes on where it was where nobody spoke.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from handsfree.sound.protocol import RATE

FRAME = 128  # samples, 8 ms, in which loudness is measured
# What goes on as slowly as a frame is rumble, wind or a hand at the cable: a curve of the fourth order takes it off.
_SLOW = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, FRAME), 5))[0]
RISE = 10.0  # dB above what it was lately
FAINT = -60.0  # dB of full scale; what is less loud than this is nobody at a headset's microphone
PATIENCE = 0.16  # seconds; of 220 beginnings of speech 217 were known as speech by then
FORGETS = 40.0  # dB a second by which a loudness that has passed counts for less
USED_TO = 60.0  # dB a second by which more and more loudness is taken for usual: a compressor swells so, a voice faster
# A machine that beats is held for once: what was no speech has to be outdone by OUTDONE dB, REMEMBERS dB a second less.
OUTDONE, REMEMBERS = 3.0, 5.0


class Onset:
    """Give it all that a microphone hears."""

    def __init__(self) -> None:
        self._usual: float | None = None  # dB of full scale: how loud it was lately
        self._since: float | None = None  # seconds since it became louder
        self._loudest = -math.inf  # in that time
        self._nothing = -math.inf  # dB of full scale: how loud what was no speech has been

    def begins(self, samples: NDArray[np.int16], *, speech: bool) -> bool:
        """Whether it became louder in these samples, or no more than PATIENCE before.

        ``speech``: it is known by now that somebody speaks.
        """
        for at in range(0, len(samples), FRAME):
            frame = samples[at : at + FRAME].astype(np.float64)
            if len(frame) == FRAME:
                frame = frame - _SLOW @ (_SLOW.T @ frame)
            self._hear(10 * math.log10(max(1.0, float(np.mean(frame**2))) / 32768**2), len(frame) / RATE, speech)
        return self._since is not None

    def _hear(self, level: float, seconds: float, speech: bool) -> None:
        self._nothing -= REMEMBERS * seconds
        if self._usual is None:
            self._usual = level
        elif self._since is None and level >= max(self._usual + RISE, FAINT, self._nothing + OUTDONE):
            self._since, self._loudest = 0.0, level
        elif self._since is not None:
            self._since += seconds
            self._loudest = max(self._loudest, level)
            if self._since > PATIENCE:  # from now on it is what is usual here
                self._since, self._usual = None, self._loudest
                self._nothing = self._nothing if speech else self._loudest
        else:
            slowly = self._usual + USED_TO * seconds
            self._usual = min(level, slowly) if level > self._usual else max(level, self._usual - FORGETS * seconds)
