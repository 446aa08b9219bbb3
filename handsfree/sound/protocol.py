"""The shapes that pass through the sound room: audio, an utterance with what was heard in it, and a recogniser.

The one rule: everything behind these protocols may be swapped; nothing in front of them knows which engine is used.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from handsfree.spoken.meaning import Open

RATE = 16_000  # Hz; every recogniser here works on 16 kHz mono 16-bit samples


@dataclass(frozen=True, slots=True)
class Audio:
    """Mono 16-bit samples at ``RATE``; ``start`` is the offset in seconds from the beginning of its stream.

    ``lead`` is the sound just before, by which a noise is known; empty where nobody kept it.
    """

    samples: NDArray[np.int16]
    start: float = 0.0
    lead: NDArray[np.int16] = field(default_factory=lambda: np.empty(0, np.int16), kw_only=True)

    @property
    def seconds(self) -> float:
        return len(self.samples) / RATE


@dataclass(frozen=True, slots=True)
class HeardWord:
    """One recognised word, its confidence from 0 to 1 and its place in the utterance in seconds."""

    text: str
    confidence: float
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another hearing of the same utterance.

    ``score`` is the logarithm of its likelihood against that of the utterance's text: 0 as likely, -20 far less.
    """

    text: str
    score: float


@dataclass(frozen=True, slots=True)
class Utterance:
    """What an engine made of one stretch of speech.

    ``text`` is empty where nothing in the grammar was heard. ``confidence`` is 0 to 1, None where there is none.
    ``audio`` is None for typed input.
    """

    text: str
    confidence: float | None
    engine: str
    audio: Audio | None = None
    alternatives: tuple[Alternative, ...] = ()
    words: tuple[HeardWord, ...] = ()


class Recogniser(Protocol):
    """An engine that turns audio into the words that are open at the moment."""

    name: str

    def open(self, what: Open) -> None:
        """Narrow the grammar to ``what``; cheap to call again with the same value."""

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance with the grammar last opened."""

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        """The same utterance with more effort, ``first`` being what it was heard as, or that if there is no more to do.

        Takes about as long again, and is for what was not heard plainly: mostly it would be asked about otherwise.
        """

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that this engine's model cannot hear."""
