"""Two recognisers that listen to the same speech: where they understand the same, that is a third opinion.

The one rule: they are compared by what they understood, not by their words; and a difference is never settled in
silence. The session gets the other's hearing as an alternative that is as likely, and asks for single digits.

A confidence is the probability that a hearing is right, so opinions are added as logarithms of odds (naive Bayes):

- both understood the same: the two, and ``AGREEMENT``, because two that are wrong are seldom wrong in the same way;
- they understood different things: the surer one's less the other's, less ``FAR``: one has to be far surer than the
  other before it is believed against it, and is never believed more than it believes itself;
- the less sure one has no word for what the surer one heard: it has no opinion.

Of free speech (a note) there is no meaning to compare: the one whose published word error rate is lower hears it alone.

``AGREEMENT`` and ``FAR`` were set by judgement: no English model for a second engine was at hand to measure them with.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import replace

from handsfree.sound.engines import POCKETSPHINX
from handsfree.sound.evidence import log_odds, logistic
from handsfree.sound.protocol import Alternative, Audio, Recogniser, Utterance
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Open

AGREEMENT = 1.0  # two wrong hearings would have to be the same by chance: one in e, since both err towards like sounds
FAR = 3.0  # twenty times the odds
SURE = 4.0  # no opinion counts for more: odds of 55 to 1 are as far as any calibration here reaches
ALTERNATIVES = 5


class PairRecogniser:
    """The ``Recogniser`` made of two others, which hear at the same time where their engines let them.

    Vosk and a recogniser in a process of its own do; PocketSphinx in this process takes turns with the other. What
    either raises is raised here, after both have finished.
    """

    def __init__(self, first: Recogniser, second: Recogniser) -> None:
        self.name = f"{first.name}+{second.name}"
        self._first = first
        self._second = second
        self._beside = ThreadPoolExecutor(1, "second recogniser")
        self._what = Open()

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that neither can hear."""
        if self._what.dictation:
            return frozenset()
        return self._first.missing_words & self._second.missing_words

    def open(self, what: Open) -> None:
        """Narrow both grammars."""
        self._what = what
        for recogniser in self._listening:
            recogniser.open(what)

    @property
    def _listening(self) -> tuple[Recogniser, ...]:
        if not self._what.dictation:
            return self._first, self._second
        # Of two embedded ones, or an embedded one and Vosk, PocketSphinx is the worse at free speech.
        return (self._second if self._first.name == POCKETSPHINX else self._first,)

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where neither heard anything of the grammar."""
        if self._what.dictation:
            return self._listening[0].hear(audio)
        later = self._beside.submit(self._second.hear, audio)
        try:
            first = self._first.hear(audio)
        finally:
            wait((later,))
        return self._together(first, later.result())

    def _together(self, first: Utterance, second: Utterance) -> Utterance:
        best, other = (first, second) if _odds(first) >= _odds(second) else (second, first)
        if not best.text:
            return replace(best, engine=self.name)
        deaf = self._first.missing_words if other is first else self._second.missing_words
        rivals: dict[str, float] = {}
        for each in (*best.alternatives, *other.alternatives):
            rivals[each.text] = max(each.score, rivals.get(each.text, each.score))
        if self._same(best, other):
            odds = _odds(best) + _odds(other) + AGREEMENT
        elif not deaf.isdisjoint(best.text.split()):
            return replace(best, engine=self.name)
        else:
            # One that heard nothing speaks against it as one that is in two minds.
            odds = min(_odds(best), _odds(best) - (_odds(other) if other.text else 0.0) - FAR)
            if other.text:
                rivals[other.text] = 0.0
        likeliest = sorted((each for each in rivals.items() if each[0] != best.text), key=lambda each: -each[1])
        return replace(
            best,
            confidence=logistic(odds),
            engine=self.name,
            alternatives=tuple(Alternative(text, score) for text, score in likeliest[:ALTERNATIVES]),
        )

    def _same(self, one: Utterance, other: Utterance) -> bool:
        if not other.text:
            return False
        return grammar.understand(one.text, self._what) == grammar.understand(other.text, self._what)


def _odds(utterance: Utterance) -> float:
    """The logarithm of the odds that it is right, within ``SURE``; even where the engine does not say."""
    if not utterance.text:
        return -math.inf
    if utterance.confidence is None:
        return 0.0
    return max(-SURE, min(SURE, log_odds(utterance.confidence)))
