"""Serial and part numbers: letters by the ICAO spelling alphabet, digits one by one, and what puts a mishearing right.

The one rule: every letter and digit is said by itself, and what is said back parses to the very identifier it was made
from. Whatever may be two identifiers is none.

Spelling alphabet: ICAO Annex 10 Vol. II, 5.2.1.3, figure 5-1.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, lru_cache
from itertools import pairwise
from typing import Any

from handsfree.spoken import numbers
from handsfree.spoken.checkdigits import Check, fits, takes
from handsfree.spoken.expression import Alt, Expression, Opt, Parser, Rule, Seq, Some, Words, literal, meaning

MOST = 40  # characters of an identifier

# The first word for each letter is what the tool says.
_SPELT = {
    **{"alfa": "A", "bravo": "B", "charlie": "C", "delta": "D", "echo": "E", "foxtrot": "F", "golf": "G", "hotel": "H"},
    **{"india": "I", "juliett": "J", "kilo": "K", "lima": "L", "mike": "M", "november": "N", "oscar": "O", "papa": "P"},
    **{"quebec": "Q", "romeo": "R", "sierra": "S", "tango": "T", "uniform": "U", "victor": "V", "whiskey": "W"},
    **{"x-ray": "X", "yankee": "Y", "zulu": "Z", "alpha": "A", "juliet": "J", "whisky": "W", "xray": "X"},
}
_EITHER = "?"  # "oh": the letter O or the digit 0
_FIGURES = {word: str(value) for word, value in {**numbers.NOUGHT.values, **numbers.DIGIT.values}.items()}
_SIGNS = {"dash": "-", "hyphen": "-", "slash": "/", "stroke": "/", "point": ".", "dot": "."}
_SEPARATORS = frozenset(_SIGNS.values())

LETTER = Words(_SPELT, "spelt-letter")
X_RAY = meaning("x ray", "X")
# One word for each letter is enough to listen for: how else it is written, or pronounced, is the recogniser's business.
_HEARD_LETTER = Words({word: letter for letter, word in sorted({v: k for k, v in reversed(_SPELT.items())}.items())})
FIGURE = Words(_FIGURES, "figure")
SIGN = Words(_SIGNS, "sign")
STAR = Words({"star": "*", "asterisk": "*"})
_PLAIN = Words({letter: letter.upper() for letter in "abcdefghijklmnpqrstuvwxyz"})
_OH = Words({"oh": _EITHER, "o": _EITHER})
# "Double u" is a letter of its own, so it is no two of another.
_REPEATED = Words({word: value for word, value in _PLAIN.values.items() if word != "u"})
_TIMES = Words({"double": 2, "triple": 3}, "times")


class Problem(StrEnum):
    """What is wrong with what was heard."""

    WORDS = "words"  # something that is no letter or digit, or may be two
    LENGTH = "length"
    PATTERN = "pattern"
    CHECK = "check"  # the check character does not fit


@dataclass(frozen=True, slots=True)
class Misheard:
    """Nothing that can be taken; ``reason`` says why and, where it can, what to say instead."""

    problem: Problem
    reason: str


@dataclass(frozen=True, slots=True)
class Form:
    """How an identifier is printed.

    In ``pattern`` A is a letter, 9 a digit and X either; dashes, slashes and points stand for themselves and need not
    be said. Without a pattern it has ``least`` to ``most`` letters and digits. ``check`` is the system of its check
    characters. Raises ValueError for a form that nothing can have.
    """

    pattern: str | None = None
    least: int = 1
    most: int = MOST
    check: Check | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.least <= self.most <= MOST:
            raise ValueError(f"an identifier has 1 to {MOST} letters and digits, the least before the most")
        if self.pattern is not None and not (
            re.fullmatch(r"[A9X./-]+", self.pattern) and 1 <= len(_places(self.pattern)) <= MOST
        ):
            raise ValueError("write the pattern as A for a letter, 9 for a digit and X for either, as in AA-9999")


ANY = Form()


def _places(pattern: str) -> str:
    return "".join(place for place in pattern if place not in _SEPARATORS)


# -- the sentences -----------------------------------------------------------------------------------------------------


@cache
def tree(form: Form = ANY, *, heard: bool = False) -> Expression:
    """What may be said of an identifier of this form.

    ``heard`` keeps what a recogniser should listen for: plain letters, which sound alike, and "oh" are left out; the
    letters and digits stand where the pattern has them, are as many as the form has, and none is said as "double".
    """
    if heard and form.pattern is not None:
        last = len(form.pattern) - 1
        return Rule(Seq(tuple(_heard_at(form, at, at == last) for at in range(len(form.pattern)))), "".join)
    if heard:
        each = Alt((_HEARD_LETTER, FIGURE, *((STAR,) if form.check is Check.MOD_37_2 else ())))
        more = Some(Seq((Opt(SIGN), each)), form.least - 1, form.most - 1)
        return Rule(Seq((each, more)), "".join, "identifier")
    single = Alt((LETTER, X_RAY, FIGURE, SIGN, STAR, _PLAIN, _OH))
    several = Rule(Seq((_TIMES, Alt((LETTER, X_RAY, FIGURE, _REPEATED, _OH)))), lambda values: values[1] * values[0])
    # A sign may stand between any two; two or three in one word only make the sentence shorter.
    return Rule(Some(Alt((single, several)), 1, 2 * MOST), "".join, "identifier")


def _heard_at(form: Form, at: int, last: bool) -> Expression:
    assert form.pattern is not None
    place = form.pattern[at]
    if place in _SEPARATORS:
        return Opt(Words({word: sign for word, sign in _SIGNS.items() if sign == place}))
    letters = (_HEARD_LETTER,) if place in "AX" else ()
    figures: tuple[Expression, ...] = (FIGURE,) if place in "9X" else ()
    star: tuple[Expression, ...] = (STAR,) if last and place == "X" and form.check is Check.MOD_37_2 else ()
    return Alt((*letters, *figures, *star))


_ORDINALS = (
    *("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth", "eleventh"),
    *("twelfth", "thirteenth", "fourteenth", "fifteenth", "sixteenth", "seventeenth", "eighteenth", "nineteenth"),
    "twentieth",
)
_CARDINALS = {**numbers.DIGIT.values, **numbers.TEN.values, **numbers.TEEN.values, "twenty": 20}
_ORDINAL = Words({**{word: number for number, word in enumerate(_ORDINALS, 1)}, "last": -1}, "ordinal")
_AT = Alt((_ORDINAL, Words(_CARDINALS, "place")))
_MOST_AT_ONCE = 4


@dataclass(frozen=True, slots=True)
class Change:
    """Other letters or digits in these places, counted from 1; -1 is the last."""

    places: tuple[int, ...]
    characters: str


@cache
def correction_tree(*, heard: bool = False) -> Expression:
    """What may be said of an identifier that was read back: "third is papa", "two and three are papa four"."""
    single = Alt((_HEARD_LETTER, FIGURE, STAR) if heard else (LETTER, X_RAY, FIGURE, STAR, _PLAIN, _OH))
    options: list[Expression] = [Rule(Seq((_AT, literal("is"), single)), _change)]
    for count in range(2, _MOST_AT_ONCE + 1):
        # The last "and" is never left out: "last two" is two places at the end.
        several: list[Expression] = [_AT]
        for _ in range(2, count):
            several += [Opt(literal("and")), _AT]
        several += [literal("and"), _AT]
        options.append(Rule(Seq((*several, literal("are"), *[single] * count)), _change))
        number = Words({word: None for word, value in _CARDINALS.items() if value == count})
        ends = Words({"first": tuple(range(1, count + 1)), "last": tuple(range(-count, 0))})
        options.append(Rule(Seq((ends, number, literal("are"), *[single] * count)), _change_at_end))
    return Rule(Alt(tuple(options)), lambda values: values[0], "identifier-correction")


def _change(values: list[Any]) -> Change:
    return Change(tuple(each for each in values if isinstance(each, int)), _characters(values))


def _change_at_end(values: list[Any]) -> Change:
    return Change(values[0], _characters(values))


def _characters(values: list[Any]) -> str:
    return "".join(each for each in values if isinstance(each, str))


# -- reading -----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=2)
def _parser(*, correction: bool) -> Parser:
    return Parser(correction_tree() if correction else tree())


def parse_identifier(text: str, form: Form = ANY) -> str | Misheard:
    """The identifier that was said or typed, in capitals and with the pattern's separators; or why there is none."""
    words = _words(text)
    found = _parser(correction=False).meanings(words)
    if len(found) != 1:
        return Misheard(Problem.WORDS, _not_read(words))
    return _fitted(found[0], form)


def as_printed(text: str, form: Form = ANY) -> str | Misheard:
    """The identifier that was typed as it is printed ("bx-409"), as an option or a file has it."""
    written = "".join(text.split())
    if strange := re.search(r"[^A-Za-z0-9./*-]", written):
        return Misheard(Problem.WORDS, f"{strange[0]!r} is no letter or digit: write it as in BX-409")
    return _fitted(written.upper(), form) if written else Misheard(Problem.WORDS, "nothing was written")


SAY_A_CHANGE = "say the place and what stands there, as in third is papa, or last two are four five"


def is_correction(text: str) -> bool:
    """Whether it says other letters or digits for some places, and in one way only."""
    return len(_parser(correction=True).meanings(_words(text))) == 1


def correct(identifier: str, text: str, form: Form = ANY) -> str | Misheard:
    """The identifier with what ``text`` changes in it ("third is papa"), or why that cannot be taken.

    Dashes, slashes and points may have been counted or not: where both ways are possible and lead to two identifiers,
    neither is taken.
    """
    found: list[Change] = _parser(correction=True).meanings(_words(text))
    if len(found) != 1:
        return Misheard(Problem.WORDS, SAY_A_CHANGE)
    change = found[0]
    bare = [at for at, character in enumerate(identifier) if character not in _SEPARATORS]
    outcomes = [_changed(identifier, change, places, form) for places in (bare, list(range(len(identifier))))]
    taken = list(dict.fromkeys(outcome for outcome in outcomes if isinstance(outcome, str)))
    if len(taken) == 1:
        return taken[0]
    if taken:
        return Misheard(Problem.WORDS, "with the dashes counted it is another place than without: say all of it again")
    return outcomes[0]


def _changed(identifier: str, change: Change, counted: Sequence[int], form: Form) -> str | Misheard:
    said = [place if place > 0 else len(counted) + 1 + place for place in change.places]
    if any(not 1 <= place <= len(counted) for place in said):
        return Misheard(Problem.LENGTH, f"there are {len(counted)} letters and digits")
    if len(set(said)) < len(said):
        return Misheard(Problem.WORDS, "the same place was said twice")
    characters = list(identifier)
    for place, character in zip(said, change.characters, strict=True):
        if characters[counted[place - 1]] in _SEPARATORS:
            return Misheard(Problem.PATTERN, f"the {_ordinal(place)} is no letter or digit")
        characters[counted[place - 1]] = character
    return _fitted("".join(characters), form)


def _words(text: str) -> list[str]:
    """The words of a sentence; what was typed as it is printed, "BX-409", character by character."""
    words: list[str] = []
    for part in text.lower().split():
        if part in LETTER.values:  # "x-ray"
            words.append(part)
            continue
        for piece in re.findall(r"[^\W\d_]+|[0-9]|\S", part):
            words.append(_TYPED.get(piece, piece))
    return words


_TYPED = {figure: word for word, figure in reversed(_FIGURES.items())} | {
    "-": "dash",
    "/": "slash",
    ".": "point",
    "*": "star",
}


def _not_read(words: list[str]) -> str:
    if not words:
        return "nothing was understood"
    if words_of_many := [word for word in words if word in _MANY]:
        return f"{words_of_many[0]!r} is more than one digit: say the digits one by one"
    if ("double", "u") in pairwise(words):
        return "double u may be one letter or two: say whiskey, or uniform uniform"
    known = _parser(correction=False).vocabulary
    strange = next((word for word in words if word not in known), None)
    if strange is None:
        return "this is no row of letters and digits: say them one by one"
    return f"{strange!r} is no letter or digit: spell letters as alfa, bravo, charlie, and say digits one by one"


_MANY = {*numbers.TEN.values, *numbers.TEEN.values, *numbers.TENS.values, "hundred", "thousand"}


# -- fitting -----------------------------------------------------------------------------------------------------------


def _fitted(said: str, form: Form) -> str | Misheard:
    """What was said where it has the form; in it ``?`` is the letter O or the digit 0."""
    bare = "".join(character for character in said if character not in _SEPARATORS)
    places = _places(form.pattern) if form.pattern is not None else "X" * len(bare)
    least, most = (len(places), len(places)) if form.pattern is not None else (form.least, form.most)
    if not least <= len(bare) <= most:
        wanted = str(least) if least == most else f"{least} to {most}"
        return Misheard(Problem.LENGTH, f"{len(bare)} letters and digits were heard, and it has {wanted}")
    resolved = ""
    for number, (character, place) in enumerate(zip(bare, places, strict=True), 1):
        if character == _EITHER and place == "X":
            return Misheard(Problem.WORDS, f"the {_ordinal(number)} may be the letter or the digit: say oscar, or zero")
        known = {"A": "O", "9": "0"}[place] if character == _EITHER else character
        star = known == "*" and number == len(bare) and form.check is Check.MOD_37_2
        if (
            not (star or known.isalnum())
            or (place == "A" and not known.isalpha())
            or (place == "9" and not known.isdecimal())
        ):
            kind = {"A": "a letter", "9": "a digit", "X": "a letter or a digit"}[place]
            return Misheard(Problem.PATTERN, f"the {_ordinal(number)} is {kind}, and {say_identifier(known)} was heard")
        resolved += known
    if form.check is not None and not fits(form.check, resolved):
        if not takes(form.check, resolved):
            return Misheard(Problem.CHECK, "there is a letter where only a digit can be: say all of it again")
        return Misheard(Problem.CHECK, "the check digit does not fit, so one of them was misheard: say all of it again")
    if form.pattern is not None and not _separators(said) <= _separators(form.pattern):
        return Misheard(Problem.PATTERN, f"its dashes, slashes or points stand elsewhere: it is printed {form.pattern}")
    characters = iter(resolved)
    shape = said if form.pattern is None else form.pattern
    return "".join(each if each in _SEPARATORS else next(characters) for each in shape)


def _separators(shape: str) -> set[tuple[int, str]]:
    """Each separator with the number of letters and digits before it."""
    before = 0
    found = set()
    for each in shape:
        if each in _SEPARATORS:
            found.add((before, each))
        else:
            before += 1
    return found


def _ordinal(number: int) -> str:
    return _ORDINALS[number - 1] if number <= len(_ORDINALS) else f"{number}th"


# -- and back ----------------------------------------------------------------------------------------------------------

_SAID: dict[str, str] = {
    character: word
    for words in (_SPELT, _FIGURES, _SIGNS, STAR.values)
    for word, character in reversed(list(words.items()))
} | {"9": "niner"}  # "nine" is taken for "five" (Annex 10 Vol. II, 5.2.1.4.3.1)


def say_identifier(identifier: str) -> str:
    """An identifier in words, one for each character: "bravo x-ray dash four zero niner".

    Raises ValueError for a character that has no word.
    """
    try:
        return " ".join(_SAID[character] for character in identifier)
    except KeyError as error:
        raise ValueError(
            f"{error.args[0]!r} has no word: an identifier is made of capitals, digits, - / . and *"
        ) from None
