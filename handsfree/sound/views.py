"""What several views of an utterance's sound (as it is, denoised) make of its meanings, whichever engine looked.

The one rule: a view that does not list a meaning has an opinion of it all the same: it is at least so far behind.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

from handsfree.sound.audio import whole
from handsfree.sound.protocol import RATE
from handsfree.spoken.grammar import Sense
from handsfree.spoken.loosely import reason

SLOWED = 1.07


@dataclass(frozen=True, slots=True, eq=False)
class Meanings(ABC):
    """One view: how likely each meaning is, as a natural logarithm, and its likeliest words."""

    logs: Mapping[Sense, float]
    texts: Mapping[Sense, str]

    @property
    def best(self) -> Sense | None:
        return max(self.logs, key=self.logs.__getitem__, default=None)

    @abstractmethod
    def log(self, meant: Sense) -> float:
        """Of any meaning, listed or not."""


def slowed(samples: NDArray[np.int16]) -> NDArray[np.int16]:
    """The same speech SLOWED times as slow, and as much lower: another view of it."""
    return whole(soxr.resample(samples.astype(np.float32), RATE, RATE * SLOWED))


def averaged(views: Sequence[Meanings]) -> dict[Sense, float]:
    """The mean logarithm of every meaning that a view lists."""
    return {
        meant: sum(view.log(meant) for view in views) / len(views)
        for meant in dict.fromkeys(meant for view in views for meant in view.logs)
    }


def words_of(views: Sequence[Meanings]) -> dict[Sense, str]:
    """The words of every meaning, those of the first view that has it."""
    return {meant: text for view in reversed(views) for meant, text in view.texts.items()}


def share(views: Sequence[Meanings], meant: Sense) -> float:
    """Of the views, 0 to 1, those that find it the likeliest."""
    return sum(view.best == meant for view in views) / len(views)


def straight(best: str, others: Mapping[str, float]) -> float:
    """How many nats ``best`` is ahead of the nearest of ``others`` that is the same, guessed or put right; infinite
    where it is so itself, and is refused for that.
    """
    words = best.split()
    if reason(words) is not None:
        return math.inf
    guesses = (ahead for text, ahead in others.items() if reason(text.split()) and _left_out_of(words, text.split()))
    return min(guesses, default=math.inf)


def _left_out_of(words: Sequence[str], more: Sequence[str]) -> bool:
    """Whether these are the other words, some left out."""
    following = iter(more)
    return all(word in following for word in words)
