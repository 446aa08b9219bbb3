"""Doubt: why a reading is asked about before it is taken, and what is in doubt meanwhile.

The one rule: nothing is taken for being the likeliest. A reading is confirmed where it was not heard surely, where
something else that was likely enough would be judged otherwise, where it makes no sense, and where the answer to such a
question is neither what was in doubt nor what that may have been.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from handsfree.judge import progress
from handsfree.judge.assess import Means, assess, doubt_about, plausible
from handsfree.procedure.model import Measure, Procedure, Watch
from handsfree.session.events import Heard
from handsfree.session.figures import Figures
from handsfree.session.readings import Readings
from handsfree.session.vigil import Vigil
from handsfree.session.wording import capital, plausible_range
from handsfree.spoken.confusable import TWIN
from handsfree.spoken.grammar import after_correction
from handsfree.spoken.meaning import Reading
from handsfree.spoken.numbers import DIGIT, OH
from handsfree.spoken.readback import say_reading
from handsfree.spoken.written import spoken_words


@dataclass(frozen=True, slots=True)
class Policy:
    """How sure a hearing must be. Both are confidences from 0 to 1; typed input has none and is taken as it is.

    Below ``reject`` the technician is asked again; below ``doubt`` a reading is only taken after AFFIRM. Raises
    ValueError where they are not in this order.
    """

    reject: float = 0.3
    doubt: float = 0.5
    rival: float = 15.0

    def __post_init__(self) -> None:
        if not 0 <= self.reject <= self.doubt <= 1:
            raise ValueError("a policy needs 0 <= reject <= doubt <= 1")

    def unsure(self, confidence: float | None) -> bool:
        """Whether a hearing is too doubtful to be taken without a question; what was typed never is."""
        return confidence is not None and confidence < self.doubt

    def likely(self, alternatives: Iterable[tuple[str, float]]) -> list[str]:
        """The sentences among a hearing's alternatives that come within ``rival`` nats of it."""
        return [text for text, score in alternatives if score >= -self.rival]

    def unlikely(self, alternatives: Iterable[tuple[str, float]]) -> list[str]:
        """The other alternatives: sentences that were compared with the sound and found far less likely."""
        return [text for text, score in alternatives if score < -self.rival]


_LIKE_UH = frozenset({*OH.values, "r"})  # "eight r six" is 8.6 ohms
_BEFORE_OH = frozenset({*DIGIT.values, "point", "decimal"})
_TORN = "said right after something that was not understood"


@dataclass(frozen=True, slots=True)
class Query:
    """Why a reading is not taken at once, and the question that settles it.

    ``reason`` goes on record; None where it only was not heard surely, which the record shows by itself. ``rivals`` are
    the readings that it may have been as well, where that is why.
    """

    reason: str | None
    question: str
    rivals: tuple[Reading, ...] = ()


class Doubts:
    """The reading in doubt, and what it may have been instead; ``correction`` is what was said after CORRECTION."""

    def __init__(self, policy: Policy, procedure: Procedure, readings: Readings, figures: Figures) -> None:
        self._policy = policy
        self._procedure = procedure
        self._readings = readings
        self._figures = figures
        self.reading: Reading | None = None
        self._rivals: tuple[Reading, ...] = ()
        self.correction: Reading | None = None

    def forget(self) -> None:
        """Nothing is in doubt."""
        self.reading, self._rivals = None, ()
        self.forget_correction()

    def forget_correction(self) -> None:
        """What was said after CORRECTION is said for the first time when it is said again."""
        self.correction = None

    def of_reading(
        self,
        event: Heard,
        reading: Reading,
        step: Measure,
        means: Means,
        vigil: Vigil | None,
        *,
        again: bool,
        torn: bool = False,
    ) -> Query | None:
        """Why a reading is to be confirmed, which then is in doubt; None where it can be taken.

        ``again`` where it answers the question about another, ``torn`` where it may be the end of something that was
        not understood.
        """
        doubted, rivals = (self.reading, self._rivals) if again else (None, ())
        unsure = self._policy.unsure(event.confidence)
        query = self._query(event, reading, step, means, vigil, None if unsure else doubted)
        if query is None and unsure:
            # Heard unsurely a second time is no surer: who says it again may do so because it was wrong.
            query = Query(None, f"I heard {say_reading(reading)}. Affirm, or say it again.", rivals)
        elif query is None and doubted is not None and rivals:
            query = _contradiction(reading, doubted, rivals)
        if torn and reading != doubted and (query is None or not query.rivals):
            reason = _TORN if query is None or query.reason is None else f"{_TORN}, and {query.reason}"
            query = Query(reason, f"I heard {say_reading(reading)}, and something before it. Affirm, or say all of it.")
        if query is not None:
            self.reading, self._rivals = reading, query.rivals
        return query

    def of_correction(
        self, event: Heard, reading: Reading, step: Measure, means: Means, vigil: Vigil | None
    ) -> Query | None:
        """Why a reading that was said after CORRECTION is to be confirmed; None where it can be taken."""
        query = self._query(event, reading, step, means, vigil, self.correction)
        self.correction = None if query is None else reading
        return query

    def _query(
        self, event: Heard, reading: Reading, step: Measure, means: Means, vigil: Vigil | None, doubted: Reading | None
    ) -> Query | None:
        """Why a reading is to be confirmed, None where it is not; ``doubted`` is what was confirmed by saying it again.

        What was typed was not misheard, but it may be wrong.
        """
        words = _words(event.text)
        digits = say_reading(reading, by_digits=True)
        by_digits = _by_digits(digits)
        likely = [_words(text) for text in self._policy.likely(event.alternatives)]
        unlikely = [_words(text) for text in self._policy.unlikely(event.alternatives)]
        doubt = None
        followed = isinstance(self._procedure.step(step.id), Watch)  # one of a series is judged by those before it
        if event.confidence is not None and not followed:
            doubt = doubt_about(
                words, reading, step, means, likely, unlikely, lambda of: self._figures.verdict_with(of, step, means)
            )
        misheard = doubt is not None and doubt.asks
        if reading == doubted and not (misheard and any(word in TWIN for word in words)):
            return None  # said again, and not with the words that sound alike
        if doubt is not None and misheard:
            rivals = tuple(other.reading for other in doubt.others)
            return Query(doubt.reason, by_digits, rivals)
        if event.confidence is not None and followed:
            other = progress.likelier(words, reading, step, self._readings.before(step, vigil), likely, unlikely)
            if other is not None:
                reason = f"may have been {say_reading(other.reading)} ({other.why})"
                return Query(reason, by_digits)
        if event.confidence is not None and reading != doubted and (figures := _two_figures(words, reading)):
            return Query(f"may have been {figures}", by_digits)
        if not plausible(reading, step):
            why = f"outside the plausible range, {plausible_range(step)}"
            return Query(why, f"{capital(say_reading(reading))}: say again or affirm.")
        shown = assess(reading, step, means).shown
        if means.meter is not None and shown is not None and shown.finer:
            reason = f"more digits than the {means.meter.name} shows"
            return Query(reason, f"I heard {digits}: {reason}. Affirm, or say it again.")
        return None


def _contradiction(reading: Reading, doubted: Reading, rivals: tuple[Reading, ...]) -> Query | None:
    """Why an answer is to be confirmed that is neither what was in doubt nor what that may have been."""
    if reading == doubted or reading in rivals:
        return None
    question = _by_digits(say_reading(reading, by_digits=True))
    return Query(f"neither {say_reading(doubted)} nor what that may have been", question, (doubted, *rivals))


def _by_digits(digits: str) -> str:
    return f"I heard {digits}. Affirm, or say the digits one by one."


def _two_figures(words: Sequence[str], reading: Reading) -> str | None:
    """What sounds like the reading and is two figures, or one that is put right while it is said.

    "Five to six" sounds like "five two six", "four, uh, five" like "four o five" or "four r five", and a recogniser may
    leave the "or" of "nine or ten" out. The first and the last are asked about where the figures are neighbours.
    """
    first, second, third = (DIGIT.values.get(word) for word in [*words, "", "", ""][:3])
    if first is not None and second == 2 and third == first + 1 and reading.value == f"{first}{second}{third}":
        return f"{words[0]} to {words[2]}"
    if first == 9 and words[1:2] == ["ten"]:
        return f"{words[0]} or ten"
    for place, word in enumerate(words[1:-1], 1):
        if word in _LIKE_UH and words[place - 1] in _BEFORE_OH and words[place + 1] in DIGIT.values:
            return f"{' '.join(words[:place])}, uh, {' '.join(words[place + 1 :])}"
    return None


def _words(text: str) -> list[str]:
    """The words of a reading, those before it that make it a correction left out."""
    words = spoken_words(text)
    return after_correction(words) or words
