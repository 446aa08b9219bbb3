"""The ear: samples go in, utterances come out with what was heard in them.

The one rule: where an utterance ends is decided by the samples and by what they mean, never by how long that took to
find out. A recording and a microphone are cut alike; what comes in while the recogniser is at work waits its turn.

Silence of HANG ends an utterance, but for what may be half of a reading, which UNFINISHED ends: a number without its
unit, or what was not heard surely where a reading is awaited. Silence of ENOUGH ends one that was heard plainly and
cannot go on: after "five point two ohms" nothing can be meant but that, after "five point two" a digit or a unit may
follow. A_BREATH ends "twelve volts", which only "a c" or "d c" can change, and "five degrees Celsius", which "below
zero" can. A note, which is free speech, ends by a silence of THINKING. The recogniser begins sooner still, in a thread
of its own: by the time that silence has lasted long enough, it has mostly finished. It looks again at what was not
heard plainly; where that was not even sure, while the silence lasts that must follow it, which is mostly long enough.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from handsfree.sound.endpoint import (
    A_BREATH,
    ENOUGH,
    HANG,
    LONGEST,
    LONGEST_NOTE,
    THINKING,
    UNFINISHED,
    Endpointer,
    Pause,
    Speech,
)
from handsfree.sound.evidence import PLAINLY
from handsfree.sound.hum import taken_off
from handsfree.sound.protocol import RATE, Audio, Recogniser, Utterance
from handsfree.spoken.grammar import Rest, half_said, prepare, rest
from handsfree.spoken.meaning import Open


class Hearing(NamedTuple):
    """An utterance that has ended, and what the recogniser made of it."""

    speech: Speech
    utterance: Utterance


WORTH_IT = 0.01  # confidence below which to look again would be in vain

Also = Callable[..., None]  # called with samples and ``gap``, as ``Ear.feed`` is


def nobody(samples: NDArray[np.int16], *, gap: bool) -> None:
    """For an ear alone."""


@dataclass
class _Begun:
    """What an utterance may be the whole of, and what the recogniser makes of it: at first, and when asked again."""

    speech: Speech
    first: Future[Utterance]
    again: Future[Utterance] | None = None


class Ear:
    """Hears one stream. Below a confidence of ``sure`` an utterance ends by silence alone.

    The recogniser is only used in the ear's own thread. What it raises is raised by ``feed`` and ``all``.
    """

    def __init__(
        self, recogniser: Recogniser, sure: float, also: Also = nobody, *, unfinished: float = UNFINISHED
    ) -> None:
        """``also`` gets whatever ``feed`` gets, before it is looked at.

        A silence of ``unfinished`` seconds ends what may be half of a reading.
        """
        self._unfinished = unfinished
        self._recogniser = recogniser
        self._sure = sure
        self._also = also
        self._endpointer = Endpointer()
        self._thread = ThreadPoolExecutor(1, "ear")
        self._what = Open()
        self._opened: Future[None] | None = None
        self._begun: _Begun | None = None

    @property
    def speaking(self) -> bool:
        """Whether somebody is in the middle of an utterance."""
        return self._endpointer.speaking

    @property
    def heard_until(self) -> float:
        """Up to where the stream was gone through, in seconds: when an utterance is handed out, where it ended."""
        return self._endpointer.heard_until

    def open(self, what: Open) -> None:
        """Narrow the grammar for what is heard from now on; returns at once."""
        self._what = what
        self._begun = None
        if what.dictation:
            self._endpointer.expect(hang=THINKING, longest=LONGEST_NOTE)
        else:
            self._endpointer.expect(hang=HANG if what.reading is None else self._unfinished, longest=LONGEST)
        self._opened = self._thread.submit(self._recogniser.open, what)

    def feed(self, samples: NDArray[np.int16], *, gap: bool = False) -> Iterator[Hearing]:
        """The utterances that end within these samples. Each may be answered, and another grammar opened, before the
        next is looked for. ``gap`` is as ``Endpointer.moments`` has it.
        """
        self._also(samples, gap=gap)
        for moment in self._endpointer.moments(samples, gap=gap):
            match moment:
                case Pause(speech, lasted) if self._what.dictation:
                    if lasted >= A_BREATH:  # not at every one: it is all heard again
                        self._begin(speech)
                case Pause(speech, lasted):
                    begun = self._begin(speech)
                    whole = lasted >= ENOUGH and self._is_whole(self._latest(begun), lasted)
                    if whole or lasted >= A_BREATH:
                        self._look_again(begun)
                    if whole and self._is_whole(self._latest(begun), lasted):
                        self._endpointer.end()
                        yield self._hearing(speech)
                case Speech():
                    yield self._hearing(moment)

    def all(
        self, audio: Audio, *, tight: bool = False, before: Callable[[float], None] = lambda seconds: None
    ) -> Iterator[Hearing]:
        """The utterances of a whole recording.

        One that begins at its very beginning, or goes on to its very end, is cut, unless it is a clip that was made so
        (``tight``). ``before`` is called before each second of it with the time it begins at.
        """
        if not tight:
            yield from self.feed(audio.samples[:0], gap=True)
        for start in range(0, len(audio.samples), RATE):
            before(start / RATE)
            yield from self.feed(audio.samples[start : start + RATE])
        for speech in self._endpointer.flush(tight=tight):
            yield self._hearing(speech)

    def close(self) -> None:
        """Let the thread go; the recogniser may be used elsewhere afterwards."""
        self._thread.shutdown(cancel_futures=True)

    def _begin(self, speech: Speech) -> _Begun:
        """Recognise it in the ear's thread, unless that has begun already."""
        if self._begun is not None:
            if np.array_equal(self._begun.speech.samples, speech.samples):
                return self._begun
            self._begun.first.cancel()
            if self._begun.again is not None:
                self._begun.again.cancel()
        self._begun = _Begun(speech, self._thread.submit(self._hear, speech, self._opened))
        prepare(self._what)  # meanwhile; at ``open`` it would be in the way of the prompt that is spoken then
        return self._begun

    def _look_again(self, begun: _Begun) -> None:
        """Have the recogniser look again, unless it heard that plainly, or has."""
        first = begun.first.result()
        enough = max(PLAINLY, self._sure) if self._sure <= 1 else PLAINLY  # above 1, nothing is to end but by silence
        unsure = first.confidence is not None and WORTH_IT <= first.confidence < enough
        if begun.again is None and unsure and first.text:
            begun.again = self._thread.submit(self._hear_again, begun.speech, first)

    @staticmethod
    def _latest(begun: _Begun) -> Utterance:
        """What was made of it, waiting for the last look."""
        return (begun.first if begun.again is None else begun.again).result()

    def _hear(self, speech: Speech, opened: Future[None] | None) -> Utterance:
        """What the thread does."""
        if opened is not None:
            opened.result()  # raises what went wrong
        return self._recogniser.hear(taken_off(speech))

    def _hear_again(self, speech: Speech, first: Utterance) -> Utterance:
        """What the thread does where that was not plain. What was heard stands, whatever becomes of the second look."""
        try:
            return self._recogniser.hear_again(taken_off(speech), first)
        except Exception:  # a recogniser that cannot go on says so when it hears the next utterance
            return first

    def _hearing(self, speech: Speech) -> Hearing:
        # What was cut is not even tried: its words may be half of something else. Half a note is worth keeping.
        if speech.cut and not self._what.dictation:
            utterance = Utterance("", None, self._recogniser.name)
        else:
            begun = self._begin(speech)
            if not self._what.dictation:
                self._look_again(begun)
            utterance = self._latest(begun)
        self._begun = None
        return Hearing(speech, utterance)

    def _is_whole(self, utterance: Utterance, silence: float) -> bool:
        sure = utterance.confidence is not None and utterance.confidence >= self._sure
        if not sure or not utterance.text:
            return False
        if silence >= HANG and not half_said(utterance.text, self._what):
            return True
        return rest(utterance.text, self._what) <= (Rest.A_BREATH if silence >= A_BREATH else Rest.NOTHING)
