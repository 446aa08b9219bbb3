"""Other things that may have been said: does it matter which?

The one rule: a hearing is only questioned where another likely one would be judged otherwise; where every likely
hearing leads to the same verdict, nobody's breath is wasted.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from handsfree.judge.verdict import in_unit, judge
from handsfree.procedure.model import Measure, Series
from handsfree.spoken.confusable import twins
from handsfree.spoken.grammar import after_correction
from handsfree.spoken.meaning import Reading
from handsfree.spoken.reading import parse_words
from handsfree.spoken.written import spoken_words


def rival(text: str, others: Iterable[str], reading: Reading, step: Measure) -> Reading | None:
    """Another reading that ``text`` may have been and that matters: another verdict, or another value without a limit.

    ``others`` are the recogniser's own likely alternatives; the number words that sound alike are added to them.
    """
    verdict = judge(reading, step).verdict
    for sentence in [*twins(_reading_words(text)), *map(_reading_words, others)]:
        other = parse_words(sentence, step.expectation)
        if not isinstance(other, Reading) or other == reading:
            continue
        if step.limit is None or judge(other, step).verdict is not verdict:
            return other
    return None


def nearer(
    text: str, others: Iterable[str], reading: Reading, series: Series, before: Reading | None
) -> Reading | None:
    """Another reading that ``text`` may have been and that lies nearer to the one ``before`` it in a series.

    What was heard is only questioned where the other would be the likelier to come next; the first of a series, where
    anything else might have been said.
    """
    for sentence in [*twins(_reading_words(text)), *map(_reading_words, others)]:
        other = parse_words(sentence, series.expectation)
        if not isinstance(other, Reading) or other.value is None or other == reading:
            continue
        if before is None or reading.value is None or _apart(other, before) < _apart(reading, before):
            return other
    return None


def _apart(reading: Reading, before: Reading) -> Decimal:
    return abs(in_unit(reading, before.unit) - in_unit(before, before.unit))


def _reading_words(text: str) -> list[str]:
    words = spoken_words(text)
    return after_correction(words) or words
