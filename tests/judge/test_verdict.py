"""A reading against a limit. Limits include their ends; a bound or an over range is judged by what it may stand for."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.judge.verdict import in_unit, judge, say_limit
from handsfree.procedure.model import Measure, Verdict, bounds
from handsfree.spoken.meaning import Expectation, Kind, Reading
from handsfree.spoken.reading import parse

CONFORMING, NONCONFORMING, UNDECIDED = Verdict.CONFORMING, Verdict.NONCONFORMING, Verdict.UNDECIDED


def measure(quantity: str, unit: str | None, limit: dict[str, Any] | None, over_range: str | None = None) -> Measure:
    return Measure.model_validate(
        {
            "id": "reading",
            "kind": "measure",
            "say": "Measure.",
            "reading": "the part",
            "quantity": quantity,
            "unit": unit,
            "limit": limit,
            "over_range": over_range,
        }
    )


def verdict(step: Measure, spoken: str) -> Verdict | None:
    """The verdict on a phrase as a technician says it."""
    reading = parse(spoken, Expectation(step.quantity, step.unit))
    assert isinstance(reading, Reading), reading
    return judge(reading, step).verdict


FEW_OHMS = measure("resistance", "ohm", {"at_most": "7"})


@pytest.mark.parametrize(
    ("spoken", "expected"),
    [
        # A winding, an overload or a contact that passes current has few ohms; common practice, no source.
        ("five point two", CONFORMING),
        ("seven", CONFORMING),
        ("seven point zero zero", CONFORMING),
        ("seven point zero one", NONCONFORMING),
        ("zero point zero", CONFORMING),
        ("twelve kilohms", NONCONFORMING),
        ("seven thousand milliohms", CONFORMING),
        ("o l", NONCONFORMING),  # open: no meter shows over range at a few ohms
        ("open line", NONCONFORMING),
        ("over range megohms", NONCONFORMING),
        ("less than one ohm", CONFORMING),
        ("less than seven", CONFORMING),
        ("less than eight", UNDECIDED),
        ("greater than seven", NONCONFORMING),
        ("greater than five hundred megohms", NONCONFORMING),
        ("greater than five", UNDECIDED),
    ],
)
def test_at_most_is_for_what_must_conduct(spoken: str, expected: Verdict) -> None:
    assert verdict(FEW_OHMS, spoken) is expected


INSULATION = measure("resistance", "megaohm", {"at_least": "1"})


@pytest.mark.parametrize(
    ("spoken", "expected"),
    [
        ("one", CONFORMING),
        ("zero point nine nine", NONCONFORMING),
        ("one thousand kilohms", CONFORMING),
        ("nine hundred ninety nine k", NONCONFORMING),
        ("five hundred ohms", NONCONFORMING),
        ("greater than five hundred megohms", CONFORMING),
        ("greater than one", CONFORMING),
        ("greater than zero point five", UNDECIDED),
        ("less than zero point one", NONCONFORMING),
        ("less than one", NONCONFORMING),
        ("less than five", UNDECIDED),
        ("o l", UNDECIDED),  # more than the range, and the range may end below the limit
    ],
)
def test_at_least_is_for_what_must_insulate(spoken: str, expected: Verdict) -> None:
    assert verdict(INSULATION, spoken) is expected


@pytest.mark.parametrize(
    ("spoken", "expected"),
    [
        ("one hundred eight", CONFORMING),
        ("one hundred thirty two", CONFORMING),
        ("one hundred seven point nine", NONCONFORMING),
        ("one thirty two point one", NONCONFORMING),
        ("zero", NONCONFORMING),
        ("minus one twenty", NONCONFORMING),
        ("greater than one thirty two", NONCONFORMING),
        ("greater than one twenty", UNDECIDED),
        ("less than one hundred eight", NONCONFORMING),
        ("less than one twenty", UNDECIDED),
        ("less than two hundred", UNDECIDED),
        ("o l", NONCONFORMING),
        ("zero point one two kilovolts", CONFORMING),
    ],
)
def test_between_includes_both_ends(spoken: str, expected: Verdict) -> None:
    assert verdict(measure("voltage", "volt", {"between": ["108", "132"]}), spoken) is expected


def test_a_bound_below_takes_in_that_nothing_is_below_zero_ohms() -> None:
    step = measure("resistance", "ohm", {"between": ["0", "7"]})
    assert verdict(step, "less than one ohm") is CONFORMING
    assert verdict(measure("voltage", "volt", {"between": ["0", "7"]}), "less than one volt") is UNDECIDED


@pytest.mark.parametrize(
    ("limit", "low", "high"),
    [
        ({"nominal": "45", "plus_minus": "2.7"}, "42.3", "47.7"),
        ({"nominal": "45", "plus_minus_percent": "6"}, "42.3", "47.7"),
        ({"nominal": "-20", "plus_minus_percent": "10"}, "-22", "-18"),
        ({"between": ["-2", "8"]}, "-2", "8"),
        ({"at_most": "7"}, "-Infinity", "7"),
        ({"at_least": "1"}, "1", "Infinity"),
    ],
)
def test_limits_reach_to_their_ends(limit: dict[str, Any], low: str, high: str) -> None:
    step = measure("temperature", "degree_Celsius", limit)
    assert step.limit is not None
    assert bounds(step.limit) == (Decimal(low), Decimal(high))


def test_a_capacitor_within_six_percent_conforms() -> None:
    # The tolerance printed on most motor-run capacitors; common practice, no source.
    step = measure("capacitance", "microfarad", {"nominal": "45", "plus_minus_percent": "6"})
    assert verdict(step, "forty two point three") is CONFORMING
    assert verdict(step, "forty seven point seven m f d") is CONFORMING
    assert verdict(step, "forty two point two nine") is NONCONFORMING
    assert verdict(step, "forty seven thousand seven hundred nanofarads") is CONFORMING


def test_a_potential_relay_coil_open_or_an_overload_open_is_at_fault() -> None:
    # Common practice, no source: an overload is closed when cold and shows next to no ohms.
    overload = measure("resistance", "ohm", {"at_most": "2"})
    assert verdict(overload, "zero point three ohms") is CONFORMING
    assert verdict(overload, "overload") is NONCONFORMING
    assert verdict(overload, "seven point one") is NONCONFORMING


@pytest.mark.parametrize(
    ("quantity", "unit", "limit", "on_it", "over_it"),
    [
        # Limits met through another unit: the conversion is exact (NIST SP 811, B.8).
        ("temperature", "degree_Celsius", "5", "forty one point zero degrees fahrenheit", "forty one point one f"),
        ("temperature", "degree_Fahrenheit", "41", "five degrees celsius", "five point one celsius"),
        ("temperature", "degree_Celsius", "4", "thirty nine point two fahrenheit", "thirty nine point three f"),
        ("time", "hour", "0.5", "thirty minutes", "thirty one minutes"),
        ("time", "minute", "2.5", "two minutes thirty seconds", "two minutes thirty one seconds"),
        ("length", "foot", "1", "twelve inches", "twelve point one inches"),
        ("pressure", "standard_atmosphere", "1", "seven hundred sixty torr", "seven sixty one torr"),
        ("pressure", "bar", "1", "one hundred thousand pascals", "one hundred thousand one pascals"),
        ("resistance", "ohm", "7", "zero point zero zero seven k", "zero point zero zero seven one k"),
    ],
)
def test_a_reading_on_the_limit_in_another_unit_is_on_the_limit(
    quantity: str, unit: str, limit: str, on_it: str, over_it: str
) -> None:
    step = measure(quantity, unit, {"at_most": limit})
    assert verdict(step, on_it) is CONFORMING
    assert verdict(step, over_it) is NONCONFORMING
    at_least = measure(quantity, unit, {"at_least": limit})
    assert verdict(at_least, on_it) is CONFORMING


def test_the_procedure_may_say_what_over_range_means() -> None:
    open_is_good = measure("resistance", "ohm", {"at_least": "1000000"}, over_range="conforming")
    assert verdict(open_is_good, "o l") is CONFORMING
    judged = judge(Reading(Kind.OVER_RANGE, None, None), open_is_good)
    assert "the procedure says" in judged.reason
    assert verdict(measure("voltage", "volt", {"at_most": "5"}, over_range="undecided"), "over range") is UNDECIDED


def test_without_a_limit_there_is_no_verdict() -> None:
    step = measure("resistance", "ohm", None)
    judged = judge(Reading(Kind.READING, "5.20", "ohm"), step)
    assert (judged.verdict, judged.limit) == (None, "")


def test_undecided_says_why() -> None:
    assert judge(Reading(Kind.ABOVE, "5", "ohm"), FEW_OHMS).reason
    assert judge(Reading(Kind.OVER_RANGE, None, None), INSULATION).reason


@pytest.mark.parametrize(
    ("limit", "unit", "words"),
    [
        ({"at_most": "7"}, None, "at most seven"),
        ({"at_most": "7.50"}, "ohm", "at most seven point five zero ohms"),
        ({"at_least": "1"}, "megaohm", "at least one megohm"),
        ({"between": ["-2", "8"]}, "degree_Celsius", "between minus two and eight degrees celsius"),
        ({"nominal": "45", "plus_minus": "2.7"}, None, "forty five plus or minus two point seven"),
        (
            {"nominal": "45", "plus_minus_percent": "6"},
            "microfarad",
            "forty five microfarads plus or minus six percent",
        ),
        ({"at_most": "0"}, None, "at most zero"),
    ],
)
def test_a_limit_in_words(limit: dict[str, Any], unit: str | None, words: str) -> None:
    step = measure("resistance", "ohm", limit)
    assert step.limit is not None
    assert say_limit(step.limit, unit) == words


def test_the_limits_unit_is_said_when_the_reading_came_in_another() -> None:
    assert judge(Reading(Kind.READING, "5.2", "ohm"), FEW_OHMS).limit == "at most seven"
    assert judge(Reading(Kind.READING, "0.0052", "kiloohm"), FEW_OHMS).limit == "at most seven ohms"


def test_counts_and_plain_ratios_are_judged_without_a_unit() -> None:
    assert verdict(measure("count", None, {"nominal": "3", "plus_minus": "1"}), "four") is CONFORMING
    assert verdict(measure("count", None, {"nominal": "3", "plus_minus": "1"}), "five") is NONCONFORMING
    assert in_unit(Reading(Kind.READING, "85", "percent"), None) == Decimal("0.85")


plain = st.decimals(-10_000, 10_000, places=3)


@given(value=plain, low=plain, width=st.decimals(0, 100, places=3))
def test_a_reading_conforms_exactly_when_it_is_within_the_ends(value: Decimal, low: Decimal, width: Decimal) -> None:
    step = measure("voltage", "volt", {"between": [str(low), str(low + width)]})
    judged = judge(Reading(Kind.READING, format(value, "f"), "volt"), step)
    assert judged.verdict is (CONFORMING if low <= value <= low + width else NONCONFORMING)


@given(bound=plain, low=plain, width=st.decimals(0, 100, places=3), above=st.booleans())
def test_a_bound_is_decided_only_where_all_it_stands_for_agrees(
    bound: Decimal, low: Decimal, width: Decimal, above: bool
) -> None:
    high = low + width
    step = measure("voltage", "volt", {"between": [str(low), str(high)]})
    kind = Kind.ABOVE if above else Kind.BELOW
    judged = judge(Reading(kind, format(bound, "f"), "volt"), step)
    none_inside = bound >= high if above else bound <= low
    assert judged.verdict is (NONCONFORMING if none_inside else UNDECIDED)
