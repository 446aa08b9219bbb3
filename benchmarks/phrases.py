"""Accuracy and time of reading field phrases, side by side with two general-purpose spoken-number parsers.

Run: ``python benchmarks/phrases.py`` (needs the extras ``bench`` and ``test``).

text2num and word2number read numbers only, so each is judged on the number: the value is right where its decimal value
is that of the list; a phrase that the list refuses is "refused rightly" where no number comes out; "wrong" is a number
that is not the right one, or a number where there should be none. A refusal where a value was to be had is "missed".
Whatever can be done for the two is done: they get the phrase as it is and also without its unit words, waveform and
prefix words ("bare"). text2num's ``alpha2digit`` rewrites running text, so its answer counts only where one number (and
nothing but known unit words) is left; ``text2num`` and ``word_to_num`` get the bare phrase, and an exception is a
refusal. Not counted against them: over range, which has no number; the unit, the bound and the sign of a phrase whose
sign was said before the number ("minus") is put back for them.

Times are the median and the best over repeats of the mean time of a whole list, in one run, the contestants taking
turns; on a machine that has other work the best is the figure to compare. ``parse`` keeps no phrases; it keeps, for
each sequence of word classes it has met ("digit point digit digit ohms"), how to work out the value. So the first pass
over a list of new sequences is timed by itself. text2num from version 3 on is compiled (Rust); handsfree and
word2number are Python.
"""

from __future__ import annotations

import random
import re
import statistics
import time
from collections import Counter
from collections.abc import Callable, Sequence
from decimal import Decimal, InvalidOperation
from pathlib import Path

from num2words import num2words
from rich.console import Console
from rich.table import Table
from text_to_num import alpha2digit, text2num
from word2number import w2n

from handsfree.spoken import units
from handsfree.spoken.meaning import Expectation, Quantity, Reading
from handsfree.spoken.reading import parse

LIST = Path(__file__).with_name("field_phrases.tsv")
REPEATS = 41
_BOUND_AND_WAVEFORM = "greater more less than over above below under a c d c degree degrees pounds"
UNIT_WORDS = {word for said in (*units.spellings(), _BOUND_AND_WAVEFORM) for word in said.split()} | {
    word for said in units.PREFIXES.values() for word in said
}

Number = Decimal | None


def field_phrases() -> list[tuple[str, Expectation, Number]]:
    """Phrase, what is expected, and the number to come out (None: none may)."""
    phrases = []
    for line in LIST.read_text(encoding="utf-8").splitlines()[1:]:
        if line.startswith("# "):
            continue
        phrase, quantity, kind, value, *_ = [*line.split("\t"), "", "", ""]
        expected = Expectation(Quantity(quantity) if quantity else None)
        if kind != "over-range":
            phrases.append((phrase, expected, Decimal(value) if value else None))
    return phrases


def bare(phrase: str) -> str:
    return " ".join(word for word in phrase.split() if word not in UNIT_WORDS)


def ours(phrase: str, expected: Expectation) -> Number:
    outcome = parse(phrase, expected)
    return Decimal(outcome.value) if isinstance(outcome, Reading) and outcome.value else None


def by_alpha2digit(phrase: str, _: Expectation) -> Number:
    rewritten = alpha2digit(phrase, "en", 0.0)
    numbers = re.findall(r"[-+]?\d+(?:\.\d+)?", rewritten)
    left = re.sub(r"[-+]?\d+(?:\.\d+)?", " ", rewritten).split()
    if len(numbers) != 1 or not set(left) <= UNIT_WORDS | {"minus", "negative"}:
        return None
    return -Decimal(numbers[0]) if left[:1] in (["minus"], ["negative"]) else Decimal(numbers[0])


def by_text2num(phrase: str, _: Expectation) -> Number:
    return signed(lambda words: text2num(words, "en"), phrase)


def by_word2number(phrase: str, _: Expectation) -> Number:
    return signed(w2n.word_to_num, phrase)


def signed(read: Callable[[str], object], phrase: str) -> Number:
    words = bare(phrase)
    minus = re.match(r"(minus|negative) ", words)
    try:
        number = Decimal(str(read(words[minus.end() :] if minus else words)))
    except (ValueError, IndexError, InvalidOperation):
        return None
    return -number if minus else number


CONTESTANTS: dict[str, Callable[[str, Expectation], Number]] = {
    "handsfree": ours,
    "text2num: alpha2digit": by_alpha2digit,
    "text2num: text2num": by_text2num,
    "word2number": by_word2number,
}


def verdict(found: Number, right: Number) -> str:
    if found == right:
        return "value right" if right is not None else "refused rightly"
    return "wrong" if found is not None else "missed"


def accuracy(console: Console) -> None:
    phrases = field_phrases()
    table = Table(title=f"{len(phrases)} field phrases")
    outcomes = ("value right", "refused rightly", "missed", "wrong")
    for column in ("parser", *outcomes):
        table.add_column(column, justify="left" if column == "parser" else "right")
    for name, read in CONTESTANTS.items():
        count = Counter(verdict(read(phrase, expected), right) for phrase, expected, right in phrases)
        table.add_row(name, *(str(count[outcome]) for outcome in outcomes))
    console.print(table)


# -- time --------------------------------------------------------------------------------------------------------------


def quietly(read: Callable[[str], object]) -> Callable[[str], object]:
    def attempt(phrase: str) -> object:
        try:
            return read(phrase)
        except (ValueError, IndexError):
            return None

    return attempt


READERS: dict[str, Callable[[str], object]] = {
    "handsfree": parse,
    "text2num: alpha2digit": lambda phrase: alpha2digit(phrase, "en", 0.0),
    "text2num: text2num": quietly(lambda phrase: text2num(phrase, "en")),
    "word2number": quietly(w2n.word_to_num),
}


def microseconds(read: Callable[[str], object], phrases: Sequence[str]) -> float:
    start = time.perf_counter()
    for phrase in phrases:
        read(phrase)
    return (time.perf_counter() - start) / len(phrases) * 1e6


def timings(console: Console) -> None:
    choose = random.Random(5)
    numbers = choose.sample(range(1_000_000), 400)
    spoken = [num2words(number).replace(",", "").replace("-", " ") for number in numbers]
    phrases = [phrase for phrase, _, _ in field_phrases()]
    as_heard = [phrase for phrase in phrases if phrase.replace(" ", "").isalpha() and phrase.islower()]
    read = [phrase for phrase in as_heard if isinstance(parse(phrase), Reading)]
    lists = {
        "spoken, with a value": read,
        "the same, unit words taken off": [bare(phrase) for phrase in read],
        "spoken, refused": [phrase for phrase in as_heard if phrase not in read],
        "typed (figures, symbols, capitals)": [phrase for phrase in phrases if phrase not in as_heard],
        "400 different numbers of num2words": spoken,
    }
    table = Table(title=f"microseconds a phrase: median / best of {REPEATS} (best of handsfree over best of this)")
    table.add_column("list")
    for name in READERS:
        table.add_column(name, justify="right")
    for title, phrases in lists.items():
        first = microseconds(READERS["handsfree"], phrases) if title.startswith("400") else None
        taken: dict[str, list[float]] = {name: [] for name in READERS}
        for _ in range(REPEATS):
            for name, reader in READERS.items():
                taken[name].append(microseconds(reader, phrases))
        own = min(taken["handsfree"])
        table.add_row(
            title,
            *(
                f"{statistics.median(times):.2f} / {min(times):.2f} ({own / min(times):.2f})"
                for times in taken.values()
            ),
        )
        if first is not None:
            table.add_row("the same, first pass (new shapes)", f"{first:.0f}", "", "", "")
    console.print(table)


if __name__ == "__main__":
    screen = Console()
    accuracy(screen)
    timings(screen)
