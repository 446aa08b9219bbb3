"""Short tones that say without words how the tool stands: heard, asked again, out of limits, attention.

The one rule: tones differ in their pattern, one, two or three beeps or one long one, so that they are told apart by
ears that hear no fine pitch, over any loudspeaker. They are too short and too pure to be taken for speech.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

Tone = Literal["heard", "again", "limit", "attention"]
TONES: tuple[Tone, ...] = get_args(Tone)

LONGEST = 0.12  # seconds
LEVEL = 0.18  # of full scale, -15 dB: below the peaks of a prompt
EDGE = 0.008  # seconds from silence to full level, and back: no click


class _Beep(NamedTuple):
    """A sine from ``low`` to ``high`` Hz for ``seconds``, after ``rest`` seconds of silence."""

    low: float
    high: float
    seconds: float
    rest: float = 0.0


# 500 to 1500 Hz, where workshop noise is weaker than below and ears dulled by noise are better than above.
_PATTERNS: dict[Tone, tuple[_Beep, ...]] = {
    "heard": (_Beep(1000, 1000, 0.040),),
    "again": (_Beep(750, 750, 0.035), _Beep(1125, 1125, 0.050, rest=0.030)),
    "limit": (_Beep(900, 550, 0.120),),
    "attention": (_Beep(1400, 1400, 0.024), _Beep(1400, 1400, 0.024, rest=0.024), _Beep(1400, 1400, 0.024, rest=0.024)),
}


def tone(which: Tone, rate: int) -> NDArray[np.int16]:
    """The samples of a tone at ``rate`` Hz, 8000 or more; at most LONGEST seconds, the same every time."""
    parts = [part for beep in _PATTERNS[which] for part in (np.zeros(round(beep.rest * rate)), _sine(beep, rate))]
    return np.round(LEVEL * 32767 * np.concatenate(parts)).astype(np.int16)


def _sine(beep: _Beep, rate: int) -> NDArray[np.float64]:
    time = np.arange(round(beep.seconds * rate)) / rate
    # The phase is the integral of a frequency that moves evenly from low to high.
    phase = 2 * math.pi * (beep.low * time + (beep.high - beep.low) * time**2 / (2 * beep.seconds))
    from_end = np.minimum(time, beep.seconds - time)
    edges: NDArray[np.float64] = np.sin(math.pi / 2 * np.minimum(1, from_end / EDGE)) ** 2
    return np.sin(phase) * edges
