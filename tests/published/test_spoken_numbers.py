"""Spoken numbers against sources outside the project: two spell-out libraries and the radiotelephony standard."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icu4py.messageformat import MessageFormat
from num2words import num2words

from handsfree.spoken.meaning import Kind, Reading, Refusal
from handsfree.spoken.numbers import say_number
from handsfree.spoken.reading import parse

LARGEST = 999_999_999
INTEGERS = st.integers(0, LARGEST) | st.integers(0, 9_999) | st.sampled_from([0, 100, 1_000, 1_100, 10**6, LARGEST])


def reads_as(words: str, value: str) -> bool:
    return parse(words) == Reading(Kind.READING, value, None)


# -- num2words, English of both kinds ----------------------------------------------------------------------------------


@given(INTEGERS, st.sampled_from(["en", "en_GB"]), st.booleans(), st.booleans())
@settings(max_examples=500, deadline=None)
def test_what_num2words_spells_is_read_as_the_same_number(value: int, language: str, plain: bool, minus: bool) -> None:
    words = num2words(-value if minus and value else value, lang=language)  # with commas, hyphens and "and"
    if plain:
        words = words.replace(",", "").replace("-", " ").replace(" and ", " ")
    assert reads_as(words, str(-value if minus and value else value)), words


def test_every_number_below_two_thousand_that_num2words_spells_is_read() -> None:
    assert [value for value in range(2_000) if not reads_as(num2words(value), str(value))] == []


@given(st.integers(0, 9_999), st.text("0123456789", min_size=0, max_size=4), st.sampled_from("123456789"))
@settings(max_examples=300, deadline=None)
def test_decimals_that_num2words_spells_are_read(whole: int, digits: str, last: str) -> None:
    value = f"{whole}.{digits}{last}"  # num2words drops trailing zeros, so there are none
    assert reads_as(num2words(Decimal(value)), value)
    assert reads_as(f"minus {num2words(Decimal(value))}", f"-{value}")


@given(INTEGERS.filter(lambda value: value < 1_000_000))
@settings(max_examples=300, deadline=None)
def test_the_tool_says_numbers_as_num2words_does_without_and(value: int) -> None:
    expected = num2words(value).replace(",", "").replace("-", " ").replace(" and ", " ")
    assert say_number(str(value)) == expected


# -- ICU with the spell-out rules of the Unicode CLDR ------------------------------------------------------------------

RULES = {
    "cardinal": MessageFormat("{number,spellout,%spellout-cardinal}", "en"),  # "one hundred twenty-three"
    "cardinal-verbose": MessageFormat("{number,spellout,%spellout-cardinal-verbose}", "en"),  # "... and ..."
    "cardinal of Great Britain": MessageFormat("{number,spellout}", "en_GB"),
}


@pytest.mark.parametrize("rules", list(RULES.values()), ids=list(RULES))
@given(value=INTEGERS, minus=st.booleans())
@settings(max_examples=300, deadline=None)
def test_what_icu_spells_is_read_as_the_same_number(rules: MessageFormat, value: int, minus: bool) -> None:
    number = -value if minus and value else value
    words = rules.format({"number": number})
    assert reads_as(words, str(number)), words


@given(whole=st.integers(0, 9_999), part=st.integers(1, 99).filter(lambda part: part % 10))
@settings(max_examples=200, deadline=None)
def test_decimals_that_icu_spells_are_read(whole: int, part: int) -> None:
    value = Decimal(whole) + Decimal(part) / 100
    assert reads_as(RULES["cardinal"].format({"number": float(value)}), str(value))


def test_icu_year_pairs_are_not_numbers_of_a_meter() -> None:
    words = MessageFormat("{number,spellout,%spellout-numbering-year}", "en").format({"number": 1985})
    assert words == "nineteen eighty-five"
    assert isinstance(parse(words), Refusal)


# -- radiotelephony ----------------------------------------------------------------------------------------------------

# ICAO Annex 10 Vol. II, 5.2.1.4.3.1 (and Doc 9432, chapter 2): the words as pronounced, in the grammar's spelling.
ICAO_DIGITS = ["zero", "one", "two", "tree", "fower", "fife", "six", "seven", "eight", "niner"]


@pytest.mark.parametrize(("value", "word"), list(enumerate(ICAO_DIGITS)))
def test_icao_digit_words(value: int, word: str) -> None:
    assert reads_as(word, str(value))


@given(st.text("0123456789", min_size=2, max_size=6), st.text("0123456789", min_size=1, max_size=3))
def test_icao_numbers_are_said_digit_by_digit_around_decimal(before: str, after: str) -> None:
    # Annex 10 Vol. II, 5.2.1.4.1.1 and 5.2.1.4.3: every digit by itself, DECIMAL for the point.
    words = [ICAO_DIGITS[int(digit)] for digit in before]
    assert reads_as(" ".join(words), before)
    words += ["decimal", *(ICAO_DIGITS[int(digit)] for digit in after)]
    assert reads_as(" ".join(words), f"{before}.{after}")


@pytest.mark.parametrize(
    ("words", "value"),
    [
        # Annex 10 Vol. II, examples to 5.2.1.4.1.1: heading, flight level, altimeter setting, transponder code, wind.
        ("zero eight zero", "080"),
        ("one eight zero", "180"),
        ("one zero zero zero", "1000"),
        ("two four zero zero", "2400"),
        ("one six zero", "160"),
        ("one eight", "18"),
        ("three zero", "30"),
        # Annex 10 Vol. II, examples to 5.2.1.4.1.2: whole hundreds and thousands.
        ("eight hundred", "800"),
        ("three thousand four hundred", "3400"),
        # Annex 10 Vol. II, 5.2.1.4, frequencies.
        ("one two two decimal one", "122.1"),
        # The same rule applied by hand to readings.
        ("fife decimal two", "5.2"),
        ("one zero decimal zero fife", "10.05"),
        ("zero decimal fower seven", "0.47"),
    ],
)
def test_icao_check_strings(words: str, value: str) -> None:
    assert reads_as(words, value)


def test_digits_before_thousand_are_refused_since_only_aviation_says_them() -> None:
    # Annex 10 Vol. II, 5.2.1.4.1.2 allows "one two thousand" (12 000) for altitude, cloud height, visibility and runway
    # visual range only. At a meter the same words are a slip put right, or "one or two thousand".
    assert isinstance(parse("one two thousand"), Refusal)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        # Annex 10 Vol. II, examples to 5.2.1.4.1.2.
        ("800", "eight hundred"),
        ("3400", "three thousand four hundred"),
        # The same rule applied by hand to readings.
        ("5000", "five thousand"),
        ("600000", "six hundred thousand"),
        ("160000", "one six zero zero zero zero"),
        ("5600000", "five million six hundred thousand"),
        ("160", "one six zero"),
        ("1450", "one four five zero"),
        ("600.5", "six zero zero point five"),
    ],
)
def test_digits_are_said_one_by_one_but_for_whole_hundreds_and_thousands(value: str, words: str) -> None:
    assert say_number(value, by_digits=True) == words


@given(st.integers(1, 99_999).map(lambda hundreds: hundreds * 100) | INTEGERS)
def test_what_is_said_digit_by_digit_is_read_as_the_very_number(value: int) -> None:
    assert reads_as(say_number(str(value), by_digits=True), str(value))
