"""What several views of an utterance's sound (as it is, denoised) make of its meanings, whichever engine looked.

The one rule: a view that does not list a meaning has an opinion of it all the same: it is at least so far behind.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from handsfree.spoken.grammar import Sense


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
