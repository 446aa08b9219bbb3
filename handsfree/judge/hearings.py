"""What else a spoken number may have been, how likely, and whether it matters.

The one rule: a reading is questioned where the other hearings that would be judged otherwise are together likelier than
a stated share, and never for any other reason. Everything here is a table, a parse and a sum: the same words give the
same question each time, and the record can say why.

Most mishearings make a sound part look faulty: values that conform lie close together and a lost point or figure throws
them anywhere. So a nonconforming reading is questioned as soon as another hearing of it conforms, and a conforming one
only where the other hearing is a common confusion; but then readily, because passing a faulty part costs more.

The priors are assumptions, not measurements: the order of size of what recognisers and people confuse in noise.
``benchmarks/judging.py`` shows what they bring.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from handsfree.judge.verdict import in_unit
from handsfree.procedure.model import Verdict
from handsfree.spoken.confusable import TWIN
from handsfree.spoken.meaning import Expectation, Reading
from handsfree.spoken.numbers import DIGIT, NOUGHT, OH, POINT, TEEN, TEN, TENS
from handsfree.spoken.readback import say_reading
from handsfree.spoken.reading import parse_words
from handsfree.spoken.units import near

# How often, of a hundred hearings where it is possible, something else had been said.
TEEN_FOR_TY = 0.02  # thirteen, thirty: they differ in stress and a consonant
TEEN_WHY = "teen for ty"
FIVE_FOR_NINE = 0.01  # the reason for FIFE and NINER (ICAO Annex 10 Vol. II, 5.2.1.4.3.1)
POINT_LOST = 0.005
FIRST_FIGURE_LOST = 0.004  # the microphone, or the endpointer, opened late
LAST_FIGURE_LOST = 0.002  # or closed early
ZERO_ADDED = 0.005  # breath and hum are heard as "oh"
TWO_ADDED = 0.002  # or as "two"
ZERO_LOST = 0.003
MEGA_FOR_MILLI = 0.005
ALTERNATIVE = 0.1  # what the recogniser itself held for likely

# How much likelier a single value is before anything was heard: conforming values crowd together, faults lie anywhere,
# and few readings lie outside what a writer calls plausible.
NONCONFORMING_VALUE = 0.05
IMPLAUSIBLE_VALUE = 0.05
# What a wrong verdict costs; a value without a limit is only recorded.
COST = {Verdict.CONFORMING: 5.0, Verdict.NONCONFORMING: 1.0, Verdict.UNDECIDED: 1.0, None: 0.2}
# The digits are asked for where probability times cost is above this.
ASK_ABOVE = 0.005

_NINE = {"five": "nine", "fifteen": "nineteen", "fifty": "ninety"}
_NINE |= {nine: five for five, nine in _NINE.items()}
_MEGA = {"milliohm": "megohm", "milliohms": "megohms", "milli": "mega"}
_MEGA |= {mega: milli for milli, mega in _MEGA.items()} | {"meg": "milli"}
_ZERO = frozenset(NOUGHT.values) | frozenset(OH.values)
_FIGURES = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_FIGURE = frozenset(DIGIT.values) | _ZERO
_NUMBER = _FIGURE | frozenset(TEN.values) | frozenset(TEEN.values) | frozenset(TENS.values) | {"hundred", "thousand"}


@dataclass(frozen=True, slots=True)
class Sentence:
    """Words that may have been said instead, with the prior of it and what would have happened."""

    words: tuple[str, ...]
    prior: float
    why: str


@dataclass(frozen=True, slots=True)
class Hearing:
    """A reading that may have been said instead."""

    reading: Reading
    prior: float
    why: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """``probability`` that what was said would be judged otherwise, ``cost`` of that verdict being wrong.

    ``others`` are the hearings that would be judged otherwise, likeliest first.
    """

    probability: float
    cost: float
    others: tuple[Hearing, ...]

    @property
    def asks(self) -> bool:
        """True where the digits are to be asked for one by one."""
        return self.probability * self.cost > ASK_ABOVE

    @property
    def reason(self) -> str:
        """For the record: "may have been fifty ohms (teen for ty); 2.1 in 100 to be judged otherwise"."""
        if not self.others:
            return "no likely hearing is judged otherwise"
        likeliest = self.others[0]
        return (
            f"may have been {say_reading(likeliest.reading)} ({likeliest.why}); "
            f"{100 * self.probability:.2g} in 100 to be judged otherwise"
        )


def sentences(words: Sequence[str]) -> Iterator[Sentence]:
    """What may have been said where ``words`` (of ``spoken_words``) were heard, by one confusion each.

    Not all of them are sentences of a reading; ``hearings`` keeps those that are.
    """
    numbers = [place for place, word in enumerate(words) if word in _NUMBER]
    if not numbers:
        return
    points = [place for place, word in enumerate(words) if word in POINT.values]
    first, last = min([numbers[0], *points]), numbers[-1]
    for place, word in enumerate(words):
        for table, prior, why in (
            (TWIN, TEEN_FOR_TY, TEEN_WHY),
            (_NINE, FIVE_FOR_NINE, "five for nine"),
            (_MEGA, MEGA_FOR_MILLI, "mega for milli"),
        ):
            if word in table:
                yield Sentence(_with(words, place, table[word], instead=1), prior, why)
        if len(numbers) > 1 and (word in _ZERO or word == "two"):
            prior, why = (ZERO_ADDED, "a zero too many") if word in _ZERO else (TWO_ADDED, "a two too many")
            yield Sentence(_with(words, place, instead=1), prior, why)
    if not points:
        places = range(first + 1, last + 1)
        for place in places:
            yield Sentence(_with(words, place, "point"), POINT_LOST / len(places), "the point lost")
    figures_end = points[0] if points else last + 1
    before = [*_FIGURES, *TENS.values] if first + 1 >= figures_end else list(_FIGURES)
    for figure in before:
        yield Sentence(_with(words, first, figure), FIRST_FIGURE_LOST / len(before), "the first figure lost")
    if words[first] in TENS.values or words[first] in TEEN.values or words[first] in TEN.values:
        yield Sentence(_with(words, first, "one", "hundred"), FIRST_FIGURE_LOST, "the hundred lost")
    if not points:
        for figure in ("zero", *_FIGURES):
            yield Sentence(_with(words, last + 1, figure), LAST_FIGURE_LOST / 10, "the last figure lost")
    for place in range(first + 1, last + 1):
        if words[place] in _FIGURE:
            yield Sentence(_with(words, place, "zero"), ZERO_LOST, "a zero lost")


def hearings(
    words: Sequence[str],
    reading: Reading,
    expect: Expectation,
    alternatives: Iterable[Sequence[str]] = (),
    unlikely: Iterable[Sequence[str]] = (),
) -> tuple[Hearing, ...]:
    """The other readings that ``words``, understood as ``reading``, may have been; likeliest first.

    ``alternatives`` are the words of the recogniser's own likely alternatives. ``unlikely`` are those that it compared
    with the sound and found far less likely; that counts for more than the table, except for teen and ty, which differ
    in so little that no recogniser's word is taken for it. A unit that no meter shows in place of the expected one was
    not said.
    """
    found: dict[Reading, Hearing] = {}
    own = (Sentence(tuple(other), ALTERNATIVE, "the recogniser's second choice") for other in alternatives)
    out = {tuple(other) for other in unlikely}
    shown = near(expect.unit) if expect.unit is not None else frozenset[str]()
    for sentence in (*own, *sentences(words)):
        if sentence.words in out and sentence.why != TEEN_WHY:
            continue
        other = parse_words(sentence.words, expect)
        if not isinstance(other, Reading) or _same(other, reading) or (shown and other.unit not in {None, *shown}):
            continue
        known = found.get(other)
        prior = sentence.prior + (known.prior if known else 0.0)
        found[other] = Hearing(other, prior, known.why if known else sentence.why)
    return tuple(sorted(found.values(), key=lambda hearing: -hearing.prior))


def doubt(
    reading: Reading,
    others: Sequence[Hearing],
    judged: Callable[[Reading], Verdict | None],
    plausible: Callable[[Reading], bool] = lambda _: True,
) -> Doubt:
    """How likely it is that what was said would be judged otherwise than what was heard, by Bayes' rule.

    ``judged`` gives the verdict on a reading, None where the step has no limit: then any other value counts as
    otherwise. ``plausible`` tells whether a reading lies in the range that the step calls plausible (``within``).
    """
    verdict = judged(reading)
    own = max(1 - sum(other.prior for other in others), 0.0) * _weight(verdict, plausible(reading))
    whole, against = own, []
    for other in others:
        its = judged(other.reading)
        weight = other.prior * _weight(its, plausible(other.reading))
        whole += weight
        if its is None or its is not verdict:
            against.append((weight, other))
    against.sort(key=lambda pair: -pair[0])
    probability = sum(weight for weight, _ in against) / whole
    return Doubt(probability, COST[verdict], tuple(other for _, other in against))


def within(reading: Reading, plausible: tuple[Decimal, Decimal], unit: str | None) -> bool:
    """True where a reading lies in the plausible range of a step (``unit``, ends included).

    Over range is always plausible: it says nothing about how much, and is a fault that is looked for.
    """
    return reading.value is None or plausible[0] <= in_unit(reading, unit) <= plausible[1]


def _weight(verdict: Verdict | None, plausible: bool) -> float:
    weight = NONCONFORMING_VALUE if verdict is Verdict.NONCONFORMING else 1.0
    return weight if plausible else weight * IMPLAUSIBLE_VALUE


def _with(words: Sequence[str], place: int, *new: str, instead: int = 0) -> tuple[str, ...]:
    """The words with some put in at a place, ``instead`` of so many that stood there."""
    return (*words[:place], *new, *words[place + instead :])


def _same(one: Reading, other: Reading) -> bool:
    if (one.kind, one.unit, one.waveform) != (other.kind, other.unit, other.waveform):
        return False
    if one.value is None or other.value is None:
        return one.value == other.value
    return Decimal(one.value) == Decimal(other.value)
