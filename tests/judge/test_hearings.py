"""What else a spoken number may have been, and when it is asked for again."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.judge.hearings import Doubt, doubt, hearings, sentences, within
from handsfree.judge.verdict import judge
from handsfree.procedure.model import Measure
from handsfree.spoken.meaning import Reading
from handsfree.spoken.numbers import say_number
from handsfree.spoken.reading import parse_words


def measure(unit: str, limit: dict[str, Any] | None, quantity: str = "resistance") -> Measure:
    step = {"id": "reading", "kind": "measure", "say": "Measure.", "reading": "the part"}
    return Measure.model_validate(step | {"quantity": quantity, "unit": unit, "limit": limit})


OHMS = measure("ohm", {"between": ["4.2", "6.8"]})


def heard(phrase: str, step: Measure) -> tuple[list[str], Reading]:
    reading = parse_words(phrase.split(), step.expectation)
    assert isinstance(reading, Reading), reading
    return phrase.split(), reading


def others(phrase: str, step: Measure = OHMS) -> dict[str | None, str]:
    return {other.reading.value: other.why for other in hearings(*heard(phrase, step), step.expectation)}


def doubt_of(phrase: str, step: Measure, low: int = -1000, high: int = 1_000_000) -> Doubt:
    words, reading = heard(phrase, step)
    found = hearings(words, reading, step.expectation)
    return doubt(
        reading,
        found,
        lambda other: judge(other, step).verdict,
        lambda other: within(other, (Decimal(low), Decimal(high)), step.unit),
    )


@pytest.mark.parametrize(
    ("phrase", "value", "why"),
    [
        ("fifteen ohms", "50", "teen for ty"),
        ("fifty ohms", "15", "teen for ty"),
        ("five point two ohms", "9.2", "five for nine"),
        ("ninety ohms", "50", "five for nine"),
        ("five two ohms", "5.2", "the point lost"),
        ("fifty two ohms", "50.2", "the point lost"),
        ("five point two ohms", "25.2", "the first figure lost"),
        ("five point two ohms", "15.2", "the first figure lost"),
        ("point nine ohms", "3.9", "the first figure lost"),
        ("twenty ohms", "120", "the first figure lost"),
        ("twenty seven ohms", "127", "the first figure lost"),
        ("one six ohms", "165", "the last figure lost"),
        ("twenty ohms", "27", "the last figure lost"),
        ("five point oh two ohms", "5.2", "a zero too many"),
        ("five point two two ohms", "5.2", "a two too many"),
        ("five point two ohms", "5.02", "a zero lost"),
        ("one six ohms", "106", "a zero lost"),
    ],
)
def test_what_a_number_may_have_been(phrase: str, value: str, why: str) -> None:
    assert others(phrase)[value] == why


def test_milliohms_and_megohms_sound_alike() -> None:
    words, reading = heard("twenty milliohms", OHMS)
    units = {other.reading.unit for other in hearings(words, reading, OHMS.expectation)}
    assert units == {"milliohm", "megaohm"}


def test_the_recognisers_own_alternatives_are_the_likeliest() -> None:
    words, reading = heard("five point two ohms", OHMS)
    found = hearings(words, reading, OHMS.expectation, [["seven", "point", "two", "ohms"], ["static"]])
    assert found[0].reading.value == "7.2"
    assert found[0].why == "the recogniser's second choice"


@pytest.mark.parametrize("phrase", ["over range", "o l"])
def test_what_has_no_number_has_no_other_hearing(phrase: str) -> None:
    assert hearings(*heard(phrase, OHMS), OHMS.expectation) == ()


@settings(max_examples=100, deadline=None)
@given(st.decimals("0", "9999", places=2), st.booleans())
def test_every_other_hearing_is_another_value_with_a_prior(value: Decimal, by_digits: bool) -> None:
    words, reading = heard(say_number(format(value, "f"), by_digits=by_digits), OHMS)
    found = hearings(words, reading, OHMS.expectation)
    assert all(Decimal(other.reading.value or 0) != value for other in found)
    assert len({other.reading for other in found}) == len(found)
    assert all(other.prior > 0 for other in found)
    assert sum(other.prior for other in found) < 0.5
    assert [other.prior for other in found] == sorted((other.prior for other in found), reverse=True)
    assert tuple(sentences(words)) == tuple(sentences(words))


# -- when it matters ---------------------------------------------------------------------------------------------------


def test_a_confusion_that_changes_no_verdict_is_not_asked_about() -> None:
    high = measure("ohm", {"at_most": "500"})
    assert not doubt_of("fifteen ohms", high).asks
    low = measure("ohm", {"at_most": "5"})
    assert not doubt_of("fifty ohms", low).asks


@pytest.mark.parametrize("phrase", ["fifteen ohms", "fifty ohms"])
def test_fifteen_and_fifty_on_either_side_of_a_limit_are_asked_about(phrase: str) -> None:
    found = doubt_of(phrase, measure("ohm", {"at_most": "30"}))
    assert found.asks
    assert "teen for ty" in found.reason
    assert found.others[0].reading.value in ("15", "50")


@pytest.mark.parametrize(
    "phrase", ["five two ohms", "nine point two ohms", "five point two", "point two ohms", "five oh point two ohms"]
)
def test_a_sound_part_that_may_have_been_misheard_as_faulty_is_asked_about(phrase: str) -> None:
    _, reading = heard(phrase, OHMS)
    faulty = judge(reading, OHMS).verdict == "nonconforming"
    assert doubt_of(phrase, OHMS).asks is faulty


def test_a_fault_that_no_mishearing_explains_is_not_asked_about() -> None:
    assert not doubt_of("zero point zero one ohms", OHMS).asks
    assert not doubt_of("three hundred eighty ohms", OHMS).asks


def test_an_implausible_reading_is_asked_about_sooner() -> None:
    step = measure("ohm", {"at_least": "100"})
    assert doubt_of("two thousand ohms", step, 0, 100).probability >= doubt_of("two thousand ohms", step).probability
    # Nonconforming either way: the plausible hearing is conforming, the one understood is not plausible.
    within = measure("volt", {"between": ["108", "132"]}, "voltage")
    assert (
        doubt_of("one one five oh volts", within, 0, 150).probability
        > doubt_of("one one five oh volts", within).probability
    )


def test_without_a_limit_only_the_common_confusions_are_asked_about() -> None:
    free = measure("ohm", None)
    assert doubt_of("fifteen ohms", free).asks
    assert not doubt_of("seven point two ohms", free).asks


def test_the_reason_says_what_it_may_have_been_and_how_likely() -> None:
    found = doubt_of("fifty ohms", measure("ohm", {"at_most": "30"}))
    assert found.reason.startswith("may have been fifteen ohms (teen for ty); ")
    assert found.reason.endswith(" in 100 to be judged otherwise")
    nothing = doubt_of("over range", measure("ohm", {"at_most": "30"}))
    assert nothing.reason == "no likely hearing is judged otherwise"
    assert not nothing.asks
