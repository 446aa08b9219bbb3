"""Spoken numbers: the part of the grammar that makes a decimal string out of number words.

The one rule: a form is accepted only where it has one value. "One twenty" is 120 because nobody means anything else by
it; "twenty fifteen" is refused, because it may be a slip that was put right.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from handsfree.spoken.expression import TOTAL, Alt, Expression, Opt, Rule, Seq, Some, Times, Words, literal, only

# ICAO Annex 10 Vol. II, 5.2.1.4.3.1 spells its digit pronunciations TREE, FOW-er, FIFE, NIN-er.
DIGIT = Words(
    {
        "one": 1,
        "two": 2,
        "three": 3,
        "four": 4,
        "five": 5,
        "six": 6,
        "seven": 7,
        "eight": 8,
        "nine": 9,
        "tree": 3,
        "fower": 4,
        "fife": 5,
        "niner": 9,
    },
    "digit",
)
NOUGHT = Words({"zero": 0, "nought": 0, "naught": 0}, "nought")
OH = Words({"oh": 0, "o": 0}, "oh")
ZERO = Alt((NOUGHT, OH))
TEN = Words({"ten": 10})
TEEN = Words(
    {
        "eleven": 11,
        "twelve": 12,
        "thirteen": 13,
        "fourteen": 14,
        "fifteen": 15,
        "sixteen": 16,
        "seventeen": 17,
        "eighteen": 18,
        "nineteen": 19,
    },
    "teen",
)
TENS = Words(
    {
        "twenty": 20,
        "thirty": 30,
        "forty": 40,
        "fifty": 50,
        "sixty": 60,
        "seventy": 70,
        "eighty": 80,
        "ninety": 90,
    },
    "tens",
)
# The figures that radiotelephony says in its own way (ICAO Annex 10 Vol. II, 5.2.1.4.3.1), and as everybody says them.
ON_THE_RADIO = {"tree": "three", "fower": "four", "fife": "five", "niner": "nine"}
POINT = Words({"point": None, "decimal": None}, "point")
MINUS = Words({"minus": "-", "negative": "-"}, "minus")
PLUS = Words({"plus": "", "positive": ""})
A = Words({"a": 1})

_AND = Opt(literal("and"))
_TENS_AND_DIGIT = Rule(Seq((TENS, DIGIT)), TOTAL)


def _digits(values: list[Any]) -> str:
    return "".join(map(str, values))


_TWO_FIGURES = Alt((TEN, TEEN, TENS, _TENS_AND_DIGIT))
_BELOW_100 = Alt((DIGIT, _TWO_FIGURES))
_HUNDREDS = Rule(Seq((Alt((DIGIT, A)), literal("hundred"), Opt(Seq((_AND, _BELOW_100))))), Times(100), "hundreds")
_BELOW_1000 = Alt((_BELOW_100, _HUNDREDS))
_THOUSANDS = Rule(Seq((_BELOW_1000, literal("thousand"), Opt(Seq((_AND, _BELOW_1000))))), Times(1_000), "thousands")
_A_THOUSAND = Rule(Seq((A, literal("thousand"), Opt(Seq((_AND, _BELOW_1000))))), Times(1_000))
_MILLIONS = Rule(
    Seq((Alt((_BELOW_1000, A)), literal("million"), Opt(Seq((_AND, Alt((_THOUSANDS, _A_THOUSAND, _BELOW_1000))))))),
    Times(1_000_000),
    "millions",
)
# "twelve hundred": not for round tens, which nobody counts in hundreds.
_MANY_HUNDREDS = Rule(Seq((Alt((TEEN, _TENS_AND_DIGIT)), literal("hundred"), Opt(Seq((_AND, _BELOW_100))))), Times(100))
# "one twenty", "two thirty", "four eighty", "one twenty five".
_HUNDREDS_LEFT_OUT = Rule(Seq((DIGIT, _TWO_FIGURES)), Times(100))

_OF_A = Words({"a": None, "an": None})
_ONE = Opt(Words({"a": None, "one": None}))
_QUARTERS = Seq((literal("three"), Words({"quarters": None, "quarter": None})))
_HALVES = Alt(
    (
        Rule(Seq((_ONE, literal("half"))), lambda _: ".5"),
        Rule(Seq((_ONE, literal("quarter"))), lambda _: ".25"),
        Rule(_QUARTERS, lambda _: ".75"),
    )
)
# "half an ohm", "a quarter of an inch": a unit follows.
_PART_OF_A = Alt(
    (
        Rule(Seq((literal("half"), _OF_A)), lambda _: "0.5"),
        Rule(Seq((Opt(_OF_A), literal("quarter"), literal("of"), _OF_A)), lambda _: "0.25"),
        Rule(Seq((_QUARTERS, literal("of"), _OF_A)), lambda _: "0.75"),
    )
)

# Scopes: what a writer may type or a person may say, against the shorter numbers that a meter shows and that a
# recogniser is asked to tell apart. The second is a subset of the first.
_SAID_DIGITS, _HEARD_DIGITS = 12, 5
_SAID_DECIMALS, _HEARD_DECIMALS = 8, 3


@cache
def whole(*, heard: bool = False) -> Expression:
    """A whole number without sign, as a string of digits: cardinals and digit by digit.

    It does not begin with a zero: "zero five ohms" and "oh five ohms" have lost a point, and "oh" alone is a sigh.
    """
    more = Some(Alt((DIGIT, ZERO)), 1, (_HEARD_DIGITS if heard else _SAID_DIGITS) - 1)
    digits = Rule(Seq((DIGIT, more)), _digits, "digits")
    # "A thousand", if nobody listened for it, would be taken for "eight thousand".
    thousands = (_THOUSANDS, _A_THOUSAND)
    cardinals: tuple[Expression, ...] = (_BELOW_100, _HUNDREDS, *thousands, _MANY_HUNDREDS, _HUNDREDS_LEFT_OUT)
    if not heard:
        cardinals += (_MILLIONS,)
    return Alt((Rule(Alt((NOUGHT, *cardinals)), _digits, "cardinal"), digits))


@cache
def digits_from_zero(*, heard: bool = False) -> Expression:
    """Digits one by one that begin with a zero, as a code or a heading has them ("zero eight zero")."""
    more = Some(Alt((DIGIT, ZERO)), 1, (_HEARD_DIGITS if heard else _SAID_DIGITS) - 1)
    return Rule(Seq((NOUGHT, more)), _digits, "digits-from-zero")


@cache
def decimals(*, heard: bool = False) -> Expression:
    """The digits after the point; "point twenty five" is let pass as .25 because it has no other value."""
    return Alt((single_decimals(heard=heard), Rule(_TWO_FIGURES, _digits)))


@cache
def single_decimals(*, heard: bool = False) -> Expression:
    """The digits after the point, one by one."""
    return Rule(Some(Alt((DIGIT, ZERO)), 1, _HEARD_DECIMALS if heard else _SAID_DECIMALS), _digits, "decimals")


@cache
def number(*, heard: bool = False, parts: bool = True) -> Expression:
    """Any number without sign; its value is the decimal string as spoken ("5.20"). ``parts``: a half alone is one."""
    before = Alt((whole(heard=heard), digits_from_zero(heard=heard), Rule(Opt(OH), lambda _: "0")))
    point = Rule(Seq((before, POINT, decimals(heard=heard))), ".".join)
    mixed = Rule(Seq((whole(heard=heard), literal("and"), _HALVES)), "".join)
    fraction = Rule(_HALVES, lambda values: "0" + values[0])
    options = (whole(heard=heard), point, mixed, *((fraction,) if parts else ()))
    return Rule(Alt(options), only, "number" if parts else "number-without-part")


_TENS_BELOW_60 = Words({word: value for word, value in TENS.values.items() if value < 60}, "tens-below-60")
BELOW_60 = Rule(
    Alt((ZERO, Seq((Opt(ZERO), DIGIT)), TEN, TEEN, _TENS_BELOW_60, Seq((_TENS_BELOW_60, DIGIT)))),
    TOTAL,
    "below-60",
)
PART_OF_A = Rule(_PART_OF_A, only, "part-of-a")


# -- and back: a value in words ----------------------------------------------------------------------------------------

_NAMES: dict[int, str] = {
    value: word for words in (NOUGHT, DIGIT, TEN, TEEN, TENS) for word, value in reversed(list(words.values.items()))
}
_LONGEST_CARDINAL = 6  # beyond this many figures digits are said one by one


def say_whole(figures: str) -> str:
    """A string of digits in words: a cardinal ("four hundred eighty"), or digit by digit after a leading zero."""
    if len(figures) > _LONGEST_CARDINAL or (len(figures) > 1 and figures[0] == "0"):
        return say_digits(figures)
    return _cardinal(int(figures))


def say_digits(figures: str) -> str:
    """A string of digits in words, one by one."""
    return " ".join(_NAMES[int(figure)] for figure in figures)


def say_plainly(figures: str) -> str:
    """A string of digits in words that nobody takes for others: one by one, but for whole hundreds and thousands.

    These are said with the word, as radiotelephony does: 3400 is "three thousand four hundred" (ICAO Annex 10 Vol. II,
    5.2.1.4.1.2; Doc 9432, 2.4.3), and so are millions. Its "one two thousand" is not said, because in a workshop it may
    be one thousand put right to two.
    """
    value = int(figures)
    millions, rest = divmod(value, 1_000_000)
    thousands, rest = divmod(rest, 1_000)
    whole = value and figures[0] != "0" and not rest % 100 and millions < 10
    if not whole or (thousands > 9 and thousands % 100):
        return say_digits(figures)
    counted = ((millions, "million"), (thousands, "thousand"), (rest // 100, "hundred"))
    return " ".join(f"{_cardinal(count)} {name}" for count, name in counted if count)


def say_number(value: str, *, by_digits: bool = False) -> str:
    """A decimal string in words; every digit is kept ("-5.20" is "minus five point two zero").

    ``by_digits`` says the digits before the point one by one too, as ``say_plainly`` does where there is no point.

    Raises ValueError where ``value`` is not a plain decimal.
    """
    figures = value.removeprefix("-")
    before, point, after = figures.partition(".")
    if not (before.isdecimal() and (after.isdecimal() if point else True)):
        raise ValueError(f"{value!r} is not a plain decimal such as 5.20")
    whole = say_whole if not by_digits else say_digits if point else say_plainly
    words = whole(before) + (f" point {say_digits(after)}" if point else "")
    return f"minus {words}" if value.startswith("-") else words


def _cardinal(value: int) -> str:
    if value in _NAMES:
        return _NAMES[value]
    for size, name in ((1_000, "thousand"), (100, "hundred")):
        if value >= size:
            head, rest = divmod(value, size)
            return f"{_cardinal(head)} {name}" + (f" {_cardinal(rest)}" if rest else "")
    return f"{_NAMES[value // 10 * 10]} {_NAMES[value % 10]}"
