"""What a meter's data make of a reading: its range, its digits, its refusals."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from handsfree.judge.meter import Meter, days_overdue, on_meter, uncertain_reading
from handsfree.judge.uncertain import JudgingError
from handsfree.spoken.meaning import Kind, Reading


def ohms(**change: Any) -> dict[str, Any]:
    """A 6000-count meter's resistance function."""
    ranges = [
        {"up_to": up_to, "resolution": resolution, "percent": "0.9", "counts": "2"}
        for up_to, resolution in (("6", "0.001"), ("60", "0.01"), ("600", "0.1"), ("6000", "1"))
    ]
    return {"quantity": "resistance", "unit": "ohm", "ranges": ranges} | change


def meter(*functions: dict[str, Any], **change: Any) -> Meter:
    data = {
        "meter": "hall-3",
        "name": "Ostrel 61",
        "serial": "0417",
        "calibration_due": "2026-05-01",
        "ratings": [{"category": "CAT III", "volts": "600"}],
        "functions": list(functions) or [ohms()],
    }
    return Meter.model_validate(data | change)


def reading(value: str, unit: str = "ohm") -> Reading:
    return Reading(Kind.READING, value, unit)


@pytest.mark.parametrize(
    ("value", "up_to", "digit"),
    [
        ("5.200", "6", "0.001"),
        ("6.000", "6", "0.001"),
        ("6.001", "60", "0.001"),  # no range above 6 shows thousandths: flagged below
        ("52.00", "60", "0.01"),
        ("0.000", "6", "0.001"),
        # A digit left out, or a higher range: the one that has this digit is taken.
        ("5.20", "60", "0.01"),
        ("5.2", "600", "0.1"),
        ("5", "6000", "1"),
        ("5200", "6000", "1"),
    ],
)
def test_a_reading_is_in_the_smallest_range_that_holds_it_and_its_last_digit(
    value: str, up_to: str, digit: str
) -> None:
    found = on_meter(reading(value), meter())
    assert found.range.up_to == Decimal(up_to)
    assert found.digit == max(Decimal(digit), found.range.resolution)


def test_more_digits_than_any_range_shows_are_noticed() -> None:
    assert on_meter(reading("6.001"), meter()).finer
    assert on_meter(reading("5.2000"), meter()).finer
    assert not on_meter(reading("5.200"), meter()).finer
    assert not on_meter(reading("5.2"), meter()).finer


@settings(max_examples=100, deadline=None)
@given(st.decimals("0", "6", places=3))
def test_leaving_digits_out_never_makes_a_reading_more_certain(value: Decimal) -> None:
    full = on_meter(reading(format(value, "f")), meter()).standard
    for places in (2, 1, 0):
        assert on_meter(reading(format(round(value, places), "f")), meter()).standard >= full - 1e-12


def test_another_unit_than_the_meters_changes_nothing() -> None:
    in_ohms = uncertain_reading(reading("5.200"), meter(), "ohm", "start")
    in_milliohms = uncertain_reading(reading("5200", "milliohm"), meter(), "ohm", "start")
    assert in_milliohms.value == in_ohms.value
    assert in_milliohms.standard == pytest.approx(in_ohms.standard)
    asked = uncertain_reading(reading("5.200"), meter(), "kiloohm", "start")
    assert asked.value == Decimal("0.0052")
    assert asked.standard == pytest.approx(in_ohms.standard / 1000)


def test_degrees_fahrenheit_keep_their_size_not_their_zero() -> None:
    thermometer = meter(
        {
            "quantity": "temperature",
            "unit": "degree_Fahrenheit",
            "ranges": [{"up_to": "400", "resolution": "0.1", "counts": "18"}],
        }
    )
    found = uncertain_reading(reading("39.2", "degree_Fahrenheit"), thermometer, "degree_Celsius", "air")
    assert round(found.value, 9) == 4
    # 1.8 degrees Fahrenheit are one kelvin.
    assert found.standard == pytest.approx((1 / 3 + (0.1 / 1.8) ** 2 / 12) ** 0.5)
    assert on_meter(reading("4.0", "degree_Celsius"), thermometer).band == Decimal("1.8")


def test_the_same_name_is_the_same_reading_and_cancels() -> None:
    one, other = (uncertain_reading(reading("5.200"), meter(), "ohm", name) for name in ("start", "run"))
    assert (one - one).standard == 0
    assert (one - other).standard > one.standard


def test_readings_of_one_range_add_their_errors_at_the_worst() -> None:
    one, other = (uncertain_reading(reading("5.200"), meter(), "ohm", name) for name in ("start", "run"))
    elsewhere = uncertain_reading(reading("5.200"), meter(meter="hall-4"), "ohm", "run")
    assert (one + other).standard > (one + elsewhere).standard


@pytest.mark.parametrize(
    ("spoken", "says"),
    [
        (reading("120", "volt"), "the Ostrel 61 has no voltage range: use another meter"),
        (reading("12", "kiloohm"), "twelve kilohms is more than the Ostrel 61 can show, six thousand ohms"),
        (reading("3", None), "no count range"),  # type: ignore[arg-type]
        (Reading(Kind.ABOVE, "500", "ohm"), "greater than five hundred ohms is a bound and has no accuracy"),
        (Reading(Kind.OVER_RANGE, None, "ohm"), "over range ohms is a bound"),
    ],
)
def test_what_the_meter_cannot_have_shown_is_refused_in_words(spoken: Reading, says: str) -> None:
    with pytest.raises(JudgingError, match=says):
        on_meter(spoken, meter())


def volts(waveform: str) -> dict[str, Any]:
    return {
        "quantity": "voltage",
        "unit": "volt",
        "waveform": waveform,
        "ranges": [{"up_to": "600", "resolution": "0.1", "percent": "1", "counts": "3"}],
    }


def test_ac_and_dc_are_told_apart_where_the_meter_does() -> None:
    both = meter(volts("ac"), volts("dc"))
    assert on_meter(Reading(Kind.READING, "120.0", "volt", "ac"), both).band == Decimal("1.5")
    with pytest.raises(JudgingError, match="say a c or d c"):
        on_meter(reading("120.0", "volt"), both)
    with pytest.raises(JudgingError, match="no dc voltage range"):
        on_meter(Reading(Kind.READING, "24.0", "volt", "dc"), meter(volts("ac")))


@pytest.mark.parametrize(
    ("today", "days"), [("2026-04-30", 0), ("2026-05-01", 0), ("2026-05-02", 1), ("2027-05-01", 365)]
)
def test_calibration_is_overdue_from_the_day_after_it_was_due(today: str, days: int) -> None:
    assert days_overdue(meter(), date.fromisoformat(today)) == days


ONE_RANGE = {"up_to": "6", "resolution": "0.001", "percent": "0.9", "counts": "2"}


@pytest.mark.parametrize(
    ("functions", "says"),
    [
        ([ohms(unit="volt")], "volt is not a unit of resistance"),
        ([ohms(unit="ohmz")], "ohmz is not a unit of resistance"),
        ([ohms(ranges=[])], "at least 1 item"),
        ([ohms(), ohms()], "resistance stands twice"),
        ([ohms(ranges=[ONE_RANGE | {"percent": "0", "counts": "0"}])], "no meter is without error"),
        ([ohms(ranges=[ONE_RANGE | {"percent": "-1"}])], "greater than or equal to 0"),
        ([ohms(ranges=[ONE_RANGE | {"percent": "100"}])], "is no accuracy"),
        ([ohms(ranges=[ONE_RANGE | {"resolution": "0"}])], "greater than 0"),
        ([ohms(ranges=[ONE_RANGE | {"resolution": "6"}])], "no smaller than the range"),
        ([ohms(ranges=[ONE_RANGE, ONE_RANGE])], "from the lowest to the highest"),
        ([ohms(ranges=[ONE_RANGE, ONE_RANGE | {"up_to": "60", "resolution": "0.0001"}])], "finer than that of a lower"),
        ([ohms(accuracy="1")], "Extra inputs are not permitted"),
    ],
)
def test_data_that_no_meter_has_are_refused(functions: list[dict[str, Any]], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        meter(*functions) if functions else meter(functions=[])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"ratings": [{"category": "CAT V", "volts": "600"}]}, "'II', 'III' or 'IV'"),
        ({"ratings": [{"category": "III", "volts": "0"}]}, "greater than 0"),
        ({"calibration_due": "next spring"}, "not a date"),
        ({"calibration_due": "20310503"}, "not a date"),
        ({"calibration_due": "2031-02-30"}, "valid date"),
        ({"serial": ""}, "at least 1 character"),
    ],
)
def test_a_plate_that_no_meter_has_is_refused(change: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        meter(**change)
