"""Readings that are not said straight out: what leads into one is passed over, what makes it a guess or two is refused.

The words are common practice, no source.
"""

import random

import pytest

from handsfree.spoken import grammar, reading
from handsfree.spoken.expression import Parser, sample
from handsfree.spoken.loosely import AGAIN, GUESSED, GUESSED_AFTER, LEAD_INS, PUT_RIGHT, SOMEWHAT, reason
from handsfree.spoken.meaning import Answer, Expectation, Kind, Open, Quantity, Reading, Refusal, Word

OHMS = Expectation(Quantity.RESISTANCE, "ohm")
FIVE_POINT_TWO = Reading(Kind.READING, "5.2", "ohm")
HESITATIONS = {"uh", "um", "er"}


@pytest.mark.parametrize("said", LEAD_INS)
def test_what_leads_into_a_reading_adds_nothing_to_it(said: str) -> None:
    what = Open(reading=OHMS)
    for text in (f"{said} five point two ohms", f"{said.capitalize()}, 5.2 ohms"):
        assert grammar.understand(text, what) == FIVE_POINT_TWO
    assert isinstance(grammar.understand(said, what), Refusal)


@pytest.mark.parametrize(
    ("text", "quantity", "value", "unit"),
    [
        ("it's half a volt", Quantity.VOLTAGE, "0.5", "volt"),
        ("i've got two minutes thirty seconds", Quantity.TIME, "150", "second"),
        ("it's four k seven", Quantity.RESISTANCE, "4.7", "kiloohm"),
        ("okay, it's 231 ac", Quantity.VOLTAGE, "231", "volt"),
        ("it is eighteen below zero celsius", Quantity.TEMPERATURE, "-18", "degree_Celsius"),
        ("it's over range", Quantity.RESISTANCE, None, None),
        ("i have four", Quantity.COUNT, "4", None),
    ],
)
def test_whatever_names_its_unit_may_be_led_into_and_so_may_a_count(
    text: str, quantity: Quantity, value: str | None, unit: str | None
) -> None:
    outcome = reading.parse(text, Expectation(quantity))
    assert isinstance(outcome, Reading)
    assert (outcome.value, outcome.unit) == (value, unit)


def test_a_reading_that_is_led_into_and_has_no_unit_is_refused_with_what_to_say() -> None:
    outcome = reading.parse("it's five point two", OHMS)
    assert outcome == Refusal('after "it\'s" a unit is needed: say the number and its unit')


def test_a_hesitation_after_hundreds_parts_two_numbers() -> None:
    for text in ("two hundred, uh, thirty ohms", "five k um six", "two thousand er three hundred"):
        outcome = reading.parse(text, OHMS)
        assert isinstance(outcome, Refusal)
        assert "two readings" in outcome.reason


@pytest.mark.parametrize("text", ["three quarters", "half", "a quarter", "one half"])
def test_a_part_of_a_whole_is_no_percentage(text: str) -> None:
    percent = reading.parse(text, Expectation(Quantity.RATIO, "percent"))
    assert isinstance(percent, Refusal)
    assert "say the percent" in percent.reason
    assert isinstance(reading.parse(text, Expectation(Quantity.RATIO, "dimensionless")), Reading)
    assert isinstance(reading.parse("two and a half", Expectation(Quantity.RATIO, "percent")), Reading)
    assert reading.parse("", Expectation(Quantity.RATIO, "percent")) == Refusal("nothing was said")


@pytest.mark.parametrize("text", ["its seal leaks", "it\u2019s wet", "ok"])
def test_the_words_of_an_answer_are_left_as_they_are(text: str) -> None:
    assert grammar.understand(text, Open(answers={"a": (text,)})) == Answer("a")


@pytest.mark.parametrize("text", ["i have one", "it is five point two", "that's two", "okay six"])
def test_a_reading_that_is_led_into_has_its_unit(text: str) -> None:
    assert Parser(reading.loose(OHMS)).meanings(text.split()) != []
    assert isinstance(grammar.understand(text, Open(reading=OHMS)), Refusal)
    assert isinstance(reading.parse(text), Refusal)


@pytest.mark.parametrize("said", sorted(HESITATIONS))
def test_a_hesitation_before_a_reading_is_passed_over(said: str) -> None:
    assert Parser(reading.loose(OHMS)).meanings([said, "six", "ohms"]) != []
    assert grammar.understand(f"{said}, six ohms", Open(reading=OHMS)) == Reading(Kind.READING, "6", "ohm")


def test_a_correction_may_be_led_into_as_well() -> None:
    what = Open(words=frozenset(Word), correction=OHMS)
    meant = grammar.understand("correction it's five point two ohms", what)
    assert getattr(meant, "reading", None) == FIVE_POINT_TWO


@pytest.mark.parametrize(
    "text",
    [
        *(f"{said} five ohms" for said in GUESSED),
        *(f"five ohms {said}" for said in GUESSED_AFTER),
        *(f"{said} over five ohms" for said in SOMEWHAT),
        *(f"five {said} six ohms" for said in PUT_RIGHT),
        *(f"{said} six ohms" for said in AGAIN if said not in HESITATIONS),
    ],
)
def test_a_guess_and_a_reading_put_right_are_listened_for_and_refused_with_what_to_say_instead(text: str) -> None:
    assert Parser(reading.loose(OHMS)).meanings(text.split()) != []
    outcome = grammar.understand(text, Open(reading=OHMS))
    assert isinstance(outcome, Refusal)
    assert "say what the meter shows" in outcome.reason or "say one" in outcome.reason


@pytest.mark.parametrize("quantity", Quantity)
def test_nothing_that_is_listened_for_as_loose_is_taken(quantity: Quantity) -> None:
    """But for what is led into with its unit, and hesitations that part nothing."""
    expect, chance = Expectation(quantity), random.Random(quantity.value)
    for _ in range(300):
        words = sample(reading.loose(expect), chance)
        meant = grammar.understand(" ".join(words), Open(reading=expect))
        if not isinstance(meant, Refusal):
            others = [word for word in words if word not in HESITATIONS]
            assert meant == reading.parse(" ".join(others), expect)
            assert reason(others) is None


def test_where_no_reading_is_asked_for_none_is_listened_for_as_loose() -> None:
    words = Parser(grammar.decoys(Open(words=frozenset(Word)))).vocabulary
    assert "about" not in words
    assert "about" in Parser(grammar.decoys(Open(reading=OHMS))).vocabulary
