"""Shorted leads: what is taken off, what is refused."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from handsfree.judge.uncertain import JudgingError, exact, with_source
from handsfree.judge.zero import correct, lead_zero
from handsfree.spoken.readback import say_value


def test_raw_and_corrected_are_both_kept_and_the_zero_brings_its_uncertainty() -> None:
    zero = lead_zero(with_source("0.31", 0.02, "zero"))
    found = correct(with_source("0.83", 0.03, "contact"), zero)
    assert (found.raw.value, found.zero.value, found.corrected.value) == (
        Decimal("0.83"),
        Decimal("0.31"),
        Decimal("0.52"),
    )
    assert found.corrected.standard == pytest.approx(math.hypot(0.02, 0.03))


def test_one_zero_taken_off_two_readings_cancels_between_them() -> None:
    zero = lead_zero(with_source("0.31", 0.02, "zero"))
    one, other = (correct(with_source(value, 0.03, value), zero).corrected for value in ("5.83", "4.10"))
    assert (one - other).standard == pytest.approx(math.hypot(0.03, 0.03))


@pytest.mark.parametrize(("ohms", "worn"), [("1.01", "1"), ("0.51", "0.5")])
def test_worn_leads_are_refused(ohms: str, worn: str) -> None:
    with pytest.raises(
        JudgingError,
        match=f"{say_value(ohms, 'ohm')}, more than {say_value(worn, 'ohm')}: clean the tips or replace the leads",
    ):
        lead_zero(exact(ohms), Decimal(worn))


def test_leads_at_the_limit_are_good() -> None:
    assert lead_zero(exact("1.00")).value == 1


def test_leads_below_zero_are_refused() -> None:
    with pytest.raises(JudgingError, match="clear the zero that the meter holds"):
        lead_zero(exact("-0.02"))


def test_less_than_the_leads_alone_is_refused_unless_the_meter_cannot_tell() -> None:
    zero = with_source("0.31", 0.02, "zero")
    assert correct(with_source("0.28", 0.02, "contact"), zero).corrected.value == Decimal("-0.03")
    with pytest.raises(
        JudgingError, match="zero point one zero ohms is less than the leads alone read, zero point three one"
    ):
        correct(with_source("0.10", 0.02, "contact"), zero)


def test_a_limit_of_zero_for_the_leads_is_refused() -> None:
    with pytest.raises(ValueError, match="greater than zero"):
        lead_zero(exact("0.1"), Decimal(0))
