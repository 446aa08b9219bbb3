"""Judgements a second, and what asking again brings: wrong verdicts and extra questions per 1000 readings.

Run: ``python benchmarks/judging.py`` (nothing but the package is needed; seeded, so it gives the same table each time).

The simulation. A step is drawn, then a true value of its part (sound, or faulty in one of four), which is rounded to
the digits of the display and said in words, naturally or digit by digit, half and half. A channel then corrupts the
words by ``CHANNEL``, each kind on its own, so two may come together. The channel is not the table of
``judge/hearings.py``: its rates are half to twice as large, and it has a confusion that the table knows nothing of (any
figure heard as any other). Words that mean nothing are refused and said again. Where a policy asks, the digits are said
again one by one through the same channel, until two hearings agree; each time is a question. A verdict is wrong where
it is not that of the value on the display: a faulty part passed or a sound one failed.

The figures hold for this channel, which nobody has measured; "noisy" is the same with every rate three times as large.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from rich.console import Console
from rich.table import Table

from handsfree.judge.decision import decide
from handsfree.judge.hearings import doubt, hearings, within
from handsfree.judge.meter import Meter, uncertain_reading
from handsfree.judge.verdict import judge
from handsfree.procedure.model import Measure, Verdict, bounds
from handsfree.spoken.confusable import TWIN
from handsfree.spoken.confusable import twins as confusable_twins
from handsfree.spoken.meaning import Reading
from handsfree.spoken.numbers import DIGIT, NOUGHT, TEEN, TENS, say_number
from handsfree.spoken.reading import parse_words
from handsfree.spoken.units import say_unit

READINGS = 10_000
SEED = 21  # the weights of judge/hearings.py were chosen on the first 4000 readings of seed 20
CHANNELS = {"as stated": 1.0, "noisy": 3.0}
FAULTY = 0.25

# Of a hundred words where it is possible.
CHANNEL = {
    "teen-ty": 0.03,
    "five-nine": 0.01,
    "point dropped": 0.006,
    "first figure dropped": 0.005,
    "last figure dropped": 0.004,
    "zero or two put in": 0.005,
    "zero dropped": 0.004,
    "any figure for any other": 0.002,
}
_NINE = {
    "five": "nine",
    "nine": "five",
    "fifteen": "nineteen",
    "nineteen": "fifteen",
    "fifty": "ninety",
    "ninety": "fifty",
}
_FIGURES = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_NUMBER = {*DIGIT.values, *NOUGHT.values, *TEEN.values, *TENS.values, "ten"}


@dataclass(frozen=True)
class Part:
    """A step with how its part reads when sound and when faulty, and what the writer calls plausible."""

    step: Measure
    decimals: int
    plausible: tuple[Decimal, Decimal]
    sound: Callable[[random.Random], float]
    faulty: Callable[[random.Random], float]

    def reads(self, rng: random.Random) -> Reading:
        """What the display shows."""
        shown = abs((self.faulty if rng.random() < FAULTY else self.sound)(rng))
        reading = parse_words(f"{say_number(f'{shown:.{self.decimals}f}')}".split(), self.step.expectation)
        assert isinstance(reading, Reading)
        return reading

    def is_plausible(self, reading: Reading) -> bool:
        return within(reading, self.plausible, self.step.unit)


def part(
    quantity: str,
    unit: str,
    limit: dict[str, Any],
    decimals: int,
    plausible: tuple[int, int],
    sound: Callable[[random.Random], float],
    faulty: Callable[[random.Random], float],
) -> Part:
    step = {"id": "reading", "kind": "measure", "say": "Measure.", "reading": "the part", "quantity": quantity}
    low, high = plausible
    model = Measure.model_validate(step | {"unit": unit, "limit": limit})
    return Part(model, decimals, (Decimal(low), Decimal(high)), sound, faulty)


PARTS = (
    # contact, winding, supply, insulation, run capacitor, cold store, heater, 24 volt transformer
    part(
        "resistance", "ohm", {"at_most": "1"}, 2, (0, 50), lambda r: r.uniform(0.1, 0.6), lambda r: r.uniform(1.1, 40)
    ),
    part(
        "resistance",
        "ohm",
        {"between": ["4.2", "6.8"]},
        2,
        (0, 60),
        lambda r: r.gauss(5.4, 0.4),
        lambda r: r.uniform(0, 40),
    ),
    part(
        "voltage",
        "volt",
        {"between": ["108", "132"]},
        1,
        (0, 150),
        lambda r: r.gauss(120, 4),
        lambda r: r.uniform(60, 107),
    ),
    part(
        "resistance",
        "megaohm",
        {"at_least": "5"},
        1,
        (0, 600),
        lambda r: 10 ** r.uniform(1, 2.7),
        lambda r: r.uniform(0, 4.9),
    ),
    part(
        "capacitance",
        "microfarad",
        {"nominal": "45", "plus_minus_percent": "6"},
        1,
        (0, 60),
        lambda r: r.gauss(45, 0.9),
        lambda r: r.uniform(15, 42),
    ),
    part(
        "temperature",
        "degree_Celsius",
        {"between": ["2", "6"]},
        1,
        (0, 40),
        lambda r: r.gauss(4, 0.7),
        lambda r: r.uniform(7, 25),
    ),
    part(
        "resistance",
        "ohm",
        {"nominal": "72", "plus_minus_percent": "10"},
        1,
        (0, 300),
        lambda r: r.gauss(72, 2),
        lambda r: r.uniform(10, 150),
    ),
    part(
        "voltage",
        "volt",
        {"between": ["24", "29"]},
        0,
        (0, 50),
        lambda r: r.uniform(24, 29),
        lambda r: r.uniform(0, 20),
    ),
)


def through(words: list[str], rng: random.Random, worse: float) -> list[str]:
    """The words after the channel, every rate ``worse`` times as large."""

    def happens(kind: str) -> bool:
        return rng.random() < CHANNEL[kind] * worse

    heard: list[str] = []
    for word in words:
        if word in TWIN and happens("teen-ty"):
            heard.append(TWIN[word])
        elif word in _NINE and happens("five-nine"):
            heard.append(_NINE[word])
        elif word in _FIGURES and happens("any figure for any other"):
            heard.append(rng.choice([other for other in _FIGURES if other != word]))
        elif (word == "zero" and happens("zero dropped")) or (word == "point" and happens("point dropped")):
            continue
        else:
            heard.append(word)
        if word in _NUMBER and happens("zero or two put in"):
            heard.append(rng.choice(["oh", "two"]))
    numbers = [place for place, word in enumerate(heard) if word in _NUMBER]
    if len(numbers) > 1 and happens("last figure dropped"):
        del heard[numbers[-1]]
    if len(numbers) > 1 and happens("first figure dropped"):
        del heard[0]
    return heard


def said(reading: Reading, *, by_digits: bool) -> list[str]:
    assert reading.value is not None
    assert reading.unit is not None
    return f"{say_number(reading.value, by_digits=by_digits)} {say_unit(reading.unit)}".split()


def hear(
    true: Reading, chosen: Part, rng: random.Random, worse: float, *, by_digits: bool
) -> tuple[list[str], Reading]:
    """Words as they arrive and what they mean; what means nothing is refused and said again, under every policy."""
    while True:
        words = through(said(true, by_digits=by_digits), rng, worse)
        reading = parse_words(words, chosen.step.expectation)
        if isinstance(reading, Reading):
            return words, reading


Asks = Callable[[list[str], Reading, Part], bool]


def never(words: list[str], reading: Reading, chosen: Part) -> bool:
    return False


def always(words: list[str], reading: Reading, chosen: Part) -> bool:
    return True


def twins(words: list[str], reading: Reading, chosen: Part) -> bool:
    """Asks where the number that differs in stress and a consonant would be judged otherwise."""
    verdict = judge(reading, chosen.step).verdict
    others = (parse_words(other, chosen.step.expectation) for other in confusable_twins(words))
    return any(isinstance(other, Reading) and judge(other, chosen.step).verdict is not verdict for other in others)


def confusable(words: list[str], reading: Reading, chosen: Part) -> bool:
    others = hearings(words, reading, chosen.step.expectation)
    return doubt(reading, others, lambda other: judge(other, chosen.step).verdict, chosen.is_plausible).asks


def confusable_without_plausible_range(words: list[str], reading: Reading, chosen: Part) -> bool:
    others = hearings(words, reading, chosen.step.expectation)
    return doubt(reading, others, lambda other: judge(other, chosen.step).verdict).asks


@dataclass(frozen=True)
class Figures:
    """Per 1000 readings."""

    passed_faulty: float
    failed_sound: float
    wrong_values: float
    questions: float


def simulate(asks: Asks, worse: float, seed: int) -> Figures:
    passed = failed = wrong = questions = 0
    for number in range(READINGS):
        rng = random.Random(seed * READINGS + number)  # the same reading and first hearing for every policy
        chosen = rng.choice(PARTS)
        true = chosen.reads(rng)
        words, reading = hear(true, chosen, rng, worse, by_digits=rng.random() < 0.5)
        if asks(words, reading, chosen):
            before = None
            while before != reading:
                before, reading = reading, hear(true, chosen, rng, worse, by_digits=True)[1]
                questions += 1
        verdict, right = (judge(one, chosen.step).verdict for one in (reading, true))
        passed += verdict is Verdict.CONFORMING and right is not verdict
        failed += verdict is not Verdict.CONFORMING and right is Verdict.CONFORMING
        wrong += Decimal(reading.value or 0) != Decimal(true.value or 0)
    return Figures(*(1000 * count / READINGS for count in (passed, failed, wrong, questions)))


METER = Meter.model_validate(
    {
        "meter": "bench-meter",
        "name": "bench meter",
        "serial": "1",
        "calibration_due": "2030-01-01",
        "functions": [
            {
                "quantity": "resistance",
                "unit": "ohm",
                "ranges": [{"up_to": "600", "resolution": "0.01", "percent": "0.9", "counts": "2"}],
            }
        ],
    }
)


def rate(what: Callable[[], object], seconds: float = 0.5) -> float:
    """Calls a second, the best of five."""
    best = 0.0
    for _ in range(5):
        count, start = 0, time.perf_counter()
        while (spent := time.perf_counter() - start) < seconds / 5:
            what()
            count += 1
        best = max(best, count / spent)
    return best


def main() -> None:
    console = Console()
    winding = PARTS[1]
    words = ["five", "point", "one", "five", "ohms"]
    reading = parse_words(words, winding.step.expectation)
    assert isinstance(reading, Reading)
    limit = winding.step.limit
    assert limit is not None
    others = hearings(words, reading, winding.step.expectation)

    def with_meter() -> Verdict:
        return decide(uncertain_reading(reading, METER, "ohm", "winding"), bounds(limit)).verdict

    speed = Table("computation", "a second", title="Judgements")
    for name, what in {
        "plain verdict": lambda: judge(reading, winding.step),
        "verdict with the meter's uncertainty": with_meter,
        f"the {len(others)} other hearings of a reading": lambda: hearings(words, reading, winding.step.expectation),
        "their doubt": lambda: doubt(reading, others, lambda other: judge(other, winding.step).verdict),
    }.items():
        speed.add_row(name, f"{rate(what):,.0f}")
    console.print(speed)

    policies: dict[str, Asks] = {
        "never ask": never,
        "ask for -teen/-ty": twins,
        "confusable": confusable,
        "confusable, no plausible range": confusable_without_plausible_range,
        "always ask": always,
    }
    title = f"Of 1000 readings ({READINGS} simulated)"
    table = Table("policy", "channel", "faulty passed", "sound failed", "wrong values", "questions", title=title)
    for channel, worse in CHANNELS.items():
        for name, asks in policies.items():
            found = simulate(asks, worse, SEED)
            figures = (found.passed_faulty, found.failed_sound, found.wrong_values, found.questions)
            table.add_row(name, channel, *(f"{figure:.1f}" for figure in figures))
    console.print(table)


if __name__ == "__main__":
    main()
