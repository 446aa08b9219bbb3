"""What speaks for a hearing, and how far to trust it.

The one rule: a confidence is a probability. The weights below are those of a logistic regression over hearings of which
it is known whether they were right (``benchmarks/calibrate.py`` makes them). One thing is put in beside them: what lies
closer to another meaning than can be told is never sure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

ACCEPT = 0.5  # the operating point: from here on a hearing is taken without asking
MARGIN_COUNTED = 60.0  # nats; beyond it another hearing is out of the question and more says nothing


@dataclass(frozen=True, slots=True)
class TextEvidence:
    """Of a network that writes text, bound to a grammar. Logarithms are natural."""

    fit: float  # of the probability of the sentence, less that of what the network writes when nothing binds it
    doubt: float  # of the probability of that free text, by token: 0 is sure
    margin: float  # by which the sentence is likelier than the nearest that means something else, all opinions together
    pace: float  # seconds of sound for each letter of the sentence
    agreement: float  # share of the views of the sound (as it is, denoised) in which the same was understood
    straight: float = math.inf  # by which it is likelier than the same, guessed or put right (``loosely``)

    @property
    def confidence(self) -> float:
        """0 to 1. What is less than CLOSE ahead of something else is not told from it, however well both fit."""
        return min(
            _confidence(TEXT_BIAS, TEXT_WEIGHTS, self.measures),
            logistic(self.margin - CLOSE),
            logistic(self.straight - STRAIGHT),
        )

    @property
    def measures(self) -> tuple[float, ...]:
        """As the regression takes them, each on a scale of about one and bounded, so that none can outvote the rest."""
        return (
            min(max(self.fit, -12.0), 2.0) / 4,
            max(self.doubt, -3.0),
            min(self.margin, 10.0) / 4,
            min(self.pace, 0.6) * 5,
            self.agreement,
        )

    @staticmethod
    def second_opinion(behind: float) -> float:
        """What PocketSphinx adds to a sentence that it finds ``behind`` others by so many nats."""
        return -SECOND_OPINION * min(behind, BEHIND_AT_MOST)

    @staticmethod
    def rivalry(difference: float) -> float:
        """A difference of two sentences' logarithms on the scale of ``Alternative.score``, which is PocketSphinx's."""
        return difference * RIVALRY


@dataclass(frozen=True, slots=True)
class PhraseEvidence:
    """Of Vosk, which hears any words and is asked for sentences of a grammar. Logarithms are natural."""

    margin: float  # by which the sentence is likelier than the nearest that means something else
    pace: float  # seconds of sound for each letter of the sentence
    raw: float  # by which the likeliest words of any kind are ahead of the sentence, in the sound as it is
    cleaned: float  # the same, denoised
    favoured: float  # share of the views of the sound in which this meaning was the likeliest of the grammar's

    @property
    def confidence(self) -> float:
        """0 to 1."""
        return _confidence(PHRASE_BIAS, PHRASE_WEIGHTS, self.measures)

    @property
    def measures(self) -> tuple[float, ...]:
        """As the regression takes them, each on a scale of about one and bounded, so that none can outvote the rest."""
        return (
            min(self.margin, 10.0) / 4,
            min(self.pace, 0.6) * 5,
            -min(self.raw, AHEAD_COUNTED) / 5,
            -min(self.cleaned, AHEAD_COUNTED) / 5,
            self.favoured,
        )

    @staticmethod
    def rivalry(difference: float) -> float:
        """A difference of two sentences' logarithms on the scale of ``Alternative.score``."""
        return difference * PHRASE_RIVALRY


@dataclass(frozen=True, slots=True)
class JointEvidence:
    """Of a network that writes text and of Vosk, both asked for the sentences that either finds likely.

    Logarithms are natural; those of the network and of both are less that of what it writes when nothing binds it.
    """

    fit: float  # of the sentence, by the network
    preferred: float  # by which the network finds another sentence likelier
    doubt: float  # of the free text, by token: 0 is sure
    margin: float  # by which the sentence is likelier, by both, than the nearest that means something else
    pace: float  # seconds of sound for each letter of the sentence
    agreement: float  # share of the views (the sound as it is, denoised, slowed) in which the network understood this
    raw: float  # by which the likeliest words of any kind are ahead of the sentence, by Vosk, in the sound as it is
    cleaned: float  # the same in the last view: denoised, and slowed where it is looked at again
    favoured: float  # share of the views in which this meaning was the likeliest of the grammar's, by Vosk
    words: int  # of the sentence
    straight: float = math.inf  # by which it is likelier than the same, guessed or put right (``loosely``)

    @property
    def confidence(self) -> float:
        """0 to 1. What is hardly ahead of something else is not told from it, nor believed against the network."""
        return min(
            _confidence(JOINT_BIAS, JOINT_WEIGHTS, self.measures),
            logistic(self.margin - JOINT_CLOSE),
            logistic(self.straight - JOINT_STRAIGHT),
            logistic((JOINT_AGAINST if self.words < A_SENTENCE else JOINT_AGAINST_SENTENCE) - self.preferred),
        )

    @property
    def measures(self) -> tuple[float, ...]:
        """As the regression takes them, each on a scale of about one and bounded, so that none can outvote the rest."""
        return (
            min(max(self.fit, -12.0), 2.0) / 4,
            max(self.doubt, -3.0),
            min(self.margin, JOINT_MARGIN_COUNTED) / 8,
            min(self.pace, 0.6) * 5,
            self.agreement,
            -min(self.raw, AHEAD_COUNTED) / 5,
            -min(self.cleaned, AHEAD_COUNTED) / 5,
            self.favoured,
        )

    @staticmethod
    def together(log: float, behind: float) -> float:
        """The network's logarithm of a sentence and how far behind Vosk finds it, the mean over the views of both."""
        return log - JOINT_VOSK * behind

    @staticmethod
    def matters(most: float, behind: float, best: float) -> bool:
        """Whether a sentence with a logarithm of ``most`` by the network, at most, may come near one of ``best``."""
        return JointEvidence.together(most, behind) > best - JOINT_MARGIN_COUNTED

    @staticmethod
    def rivalry(difference: float) -> float:
        """A difference of two sentences' joint logarithms on the scale of ``Alternative.score``."""
        return difference * JOINT_RIVALRY


@dataclass(frozen=True, slots=True)
class Evidence:
    """Ratios are natural logarithms of likelihoods per frame of 10 ms, grammar against free phones: 0 is as good."""

    ratio: float  # over the whole utterance, silence and noise too
    pace: float  # frames a phone: nobody speaks slower than about 20, a grammar stretched over a noise does
    agreement: float  # share of the views of the sound (as it is, denoised) in which the same was understood
    margin: float  # nats a frame-independent likelihood is above that of the nearest hearing that means something else

    @property
    def confidence(self) -> float:
        """0 to 1."""
        return _confidence(BIAS, WEIGHTS, self.measures)

    def of_word(self, ratio: float) -> float:
        """The confidence if the whole fitted as this word does, whose ratio may be unknown (nan)."""
        return self.confidence if math.isnan(ratio) else replace(self, ratio=ratio).confidence

    @property
    def measures(self) -> tuple[float, ...]:
        """As the regression takes them, each on a scale of about one and bounded, so that none can outvote the rest."""
        return (
            max(self.ratio, -6.0),
            min(self.pace, 40.0) / 10,
            self.agreement,
            min(self.margin, MARGIN_COUNTED) / 10,
        )


# The hearings counted beside these constants had their hum left in, as it was before ``hum.py``. The weights are
# newer, but for those of PocketSphinx alone.

WEIGHTS = (1.414, -0.884, 1.373, 0.354)
BIAS = -0.328

# 4 nats of this network count as 15 of PocketSphinx, which takes frames for independent: of 289 likeliest sentences
# that were wrong, on the tuning set, 157 had the right one that near and 74 did not have it at all.
RIVALRY = 15 / 4

# PocketSphinx is asked too where a hearing is not plain. Of 1000 hearings of the tuning set, clean, in hum and beside a
# fan at 10 dB, the likeliest sentence was right in 902 without it and in 915 with it. It takes frames for independent,
# so its nats count for little.
SECOND_OPINION = 0.08
BEHIND_AT_MOST = 60.0

# Nats. Nearer than that to another meaning were 3 of the 24 hearings of the tuning set that were taken and wrong, and 2
# of the 1322 that were taken and right.
CLOSE = 2.0
# Nats. Of 26 right readings of the tuning set in hum at 10 dB that had a guess for a rival, of the same or of other
# figures, 25 were at least 8 ahead of it.
STRAIGHT = 7.0

AHEAD_COUNTED = 15.0  # nats

# Nats. Of 97 likeliest sentences of Vosk alone that were wrong, on the tuning set, 72 had the right one within 2.
PHRASE_RIVALRY = 15 / 2

PHRASE_WEIGHTS = (1.694, -2.167, 2.270, 1.961, 0.898)
PHRASE_BIAS = -0.548

# Of 1732 hearings of the tuning set, clean and in noise, the likeliest sentence was right in 89 % by the network alone,
# in 94 % by Vosk alone and in 96 % by both with this weight; from 2 to 4 it makes no difference.
JOINT_VOSK = 3.0
JOINT_MARGIN_COUNTED = 14.0  # nats; counted further, a word of talk would be believed for having no rival
# Nats. Of 16 readings that were taken and wrong, of the tuning phrases in noise and by voices that are hard to hear, 5
# had the right one within 8 and 10 within 12; of 1069 right ones, 12 and 54 had another reading that near, which is
# asked about only where it would be judged otherwise.
JOINT_RIVALRY = 15 / 12
# Nats. Nearer than that to another meaning were 2 of the 19 hearings of the tuning set that were taken and wrong, and
# 8 of the 2401 that were taken and right.
JOINT_CLOSE = 5.0
# Nats. Of the tuning set in hum at 10 and 5 dB and beside a fan no right reading was less than 20 ahead of itself as a
# guess ("twenty four, uh, point six"); wrong ones were 10 ("two forty" of "uh, two, uh, forty") and 14 ("eight six" of
# "eight, uh, six", on a processor on which the network's whole numbers come out otherwise) ahead.
JOINT_STRAIGHT = 17.0
# Nats behind what the network would rather hear, of less than A_SENTENCE words and of more. Of 2165 hearings of the
# tuning set, clean, in hum at 10 and 5 dB and beside a fan, 16 were further behind than the first and sure in all else,
# at most 14.4: all were sentences that the network had given up on the way, and all were right. One word of talk
# ("correction", 12 behind) was as sure as they.
JOINT_AGAINST, JOINT_AGAINST_SENTENCE = 7.5, 15.0
A_SENTENCE = 3  # words

# Made of hearings before guesses and the like were listened for. Of 3580 hearings since, by calibrate.py, they take
# 2503 right and 20 wrong ones at the operating point, and weights made of those hearings would take 2460 and 18.
JOINT_WEIGHTS = (0.792, 0.293, 1.711, -1.555, 0.222, 1.068, 1.062, 1.092)
JOINT_BIAS = -0.033

TEXT_WEIGHTS = (1.335, 1.056, 1.295, -1.555, 0.533)
TEXT_BIAS = -0.410


def _confidence(bias: float, weights: Sequence[float], measures: Sequence[float]) -> float:
    return logistic(bias + sum(weight * value for weight, value in zip(weights, measures, strict=True)))


# Of the tuning set in hum at 10 and 5 dB and beside a fan, 17 right hearings and 1 wrong one had at least 0.5 when they
# were looked at again; 12 and none had 0.6.
AT_SECOND_LOOK = 0.6
# Less sure than PLAINLY a hearing is looked at again before it is taken, and stands where the second look has BORNE_OUT
# for the same; of the network alone, less than TEXT_PLAINLY. Of 2165 hearings of the tuning set, clean, in hum at 10
# and 5 dB and beside a fan, both recognisers took 17 wrong ones and 1798 right ones at first look, and 14 and 1791 so;
# the network 31 and 1605, and 26 and 1600 so, but 26 and 1586 with the value of both.
PLAINLY, TEXT_PLAINLY = 0.8, 0.6
BORNE_OUT = 0.3


def at_second_look(confidence: float, first: float, *, same: bool) -> float:
    """A confidence as it counts where a hearing is looked at again that had ``first``, of the ``same`` meaning or not.

    What was not sure must be surer than others to be taken: AT_SECOND_LOOK counts as ACCEPT. What was sure is as sure
    as it was where it is borne out. Where two looks are sure of two meanings, neither is.
    """
    counted = logistic(log_odds(confidence) - log_odds(AT_SECOND_LOOK) + log_odds(ACCEPT))
    if first < ACCEPT:
        return counted
    if not same:
        return min(counted, 1 - first, math.nextafter(ACCEPT, 0))
    return max(counted, first) if confidence >= BORNE_OUT else counted


def log_odds(probability: float) -> float:
    """What ``logistic`` makes a probability of; finite for 0 and 1 too."""
    bounded = min(max(probability, 1e-9), 1 - 1e-9)
    return math.log(bounded / (1 - bounded))


def logistic(margin: float) -> float:
    """From the logarithm of odds to a probability."""
    return 1 / (1 + math.exp(-max(-500.0, margin)))
