"""What was said just before: whether an utterance is the rest of another, or came before what it would answer was said.

The one rule: a number is not torn. Whoever pauses in the middle of one says two utterances, and each may read like a
reading: "twenty", "five ohms". What follows another so closely that nobody can have listened in between does not
stand by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum, auto

from handsfree.session.events import Act, Heard, Say, comes_to_nothing
from handsfree.session.readings import Taken

# Seconds from the end of an utterance to the beginning of another. Nobody has understood an answer that soon after; and
# what was answered by a tone only, or not at all, may go on for a while longer.
SOON = 1.0
CLOSELY = 2.5


class Follows(Enum):
    """How an utterance follows the one before."""

    NOTHING = auto()  # it stands by itself
    READING = auto()  # it may be the rest of a reading that was taken
    UNCLEAR = auto()  # it may be the rest of what was not taken
    TOO_EARLY = auto()  # it was said before the instruction that is open now


class Lately:
    """The utterance before, and what became of it."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """What comes next follows nothing: it is of another stream."""
        self._began: float | None = None
        self._until = 0.0
        self.reading: Taken | None = None
        self._whole = True
        self._taken = True
        self._spoken = False
        self._instructed = False

    def follows(self, event: Heard, *, unclear: bool, rest: bool) -> Follows:
        """How an utterance, ``unclear`` or not, follows it; ``rest``: as a reading or without a meaning, it may be one.

        What was typed, or is in no stream, follows nothing.
        """
        if event.offset is None:
            return Follows.NOTHING
        if self._began is None:  # a reading is read back, so whoever knows what is asked for first need not wait
            return Follows.TOO_EARLY if (event.early or event.unasked) and not rest else Follows.NOTHING
        if event.offset <= self._began:
            return Follows.NOTHING
        after = event.offset - self._until  # below zero where the quiet that was kept with each of them overlaps
        soon, closely = event.early or after < SOON, event.early or after < CLOSELY
        if rest and self.reading is not None and closely and (unclear or event.early or not self._whole):
            return Follows.READING
        if event.unasked or (event.early and self._instructed):
            return Follows.TOO_EARLY
        if not self._taken and (soon or (closely and not self._spoken)):
            return Follows.UNCLEAR
        return Follows.NOTHING

    def heard(self, event: Heard, acts: Sequence[Act], reading: Taken | None, *, whole: bool) -> None:
        """Keeps what became of an utterance: the acts that answered it, and the reading that was taken, if one was.

        ``whole``: nothing that could follow would make it another reading.
        """
        said = {act.about for act in acts if isinstance(act, Say)}
        self._taken = not comes_to_nothing(acts) and bool(said)
        self._spoken, self._instructed = bool(said), "instruction" in said
        self.reading, self._whole = reading, whole
        self._began = event.offset
        self._until = (event.offset or 0.0) + (event.seconds or 0.0)
