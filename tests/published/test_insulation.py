"""Insulation resistance against IEEE 43-2013, as guides to it print its figures."""

from __future__ import annotations

from decimal import Decimal

import pytest

from handsfree.judge.decision import Rule, decide
from handsfree.judge.insulation import (
    InsulationClass,
    at_40,
    minimum,
    minimum_index,
    polarization_index,
)
from handsfree.judge.uncertain import JudgingError, exact, with_source
from handsfree.procedure.model import Verdict, Winding

FAR = Decimal("Infinity")


@pytest.mark.parametrize(
    ("winding", "kilovolts", "megohms"),
    [
        # IEEE 43-2013, 12.3 and table 3; 4160 V is the usual worked example of kV + 1.
        (Winding.BEFORE_1970, "4.16", "5.16"),
        (Winding.BEFORE_1970, "0.48", "1.48"),
        (Winding.FIELD, "0.125", "1.125"),
        (Winding.FORM_WOUND, "4.16", "100"),
        (Winding.FORM_WOUND, "0.69", "5"),
        (Winding.DC_ARMATURE, "0.5", "5"),  # 100 in the edition of 2000
        (Winding.RANDOM_WOUND, "0.48", "5"),
    ],
)
def test_minimum_insulation_resistance(winding: Winding, kilovolts: str, megohms: str) -> None:
    assert minimum(winding, Decimal(kilovolts)) == Decimal(megohms)


def test_a_rated_voltage_of_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        minimum(Winding.BEFORE_1970, Decimal(0))


@pytest.mark.parametrize(
    ("thermal", "least"), [("A", "1.5"), ("B", "2"), ("F", "2"), ("H", "2")]
)  # IEEE 43-2000 and 2013, table 2
def test_minimum_polarization_index(thermal: str, least: str) -> None:
    assert minimum_index(InsulationClass(thermal)) == Decimal(least)


@pytest.mark.parametrize(
    ("one", "ten", "index", "thermal", "verdict"),
    [
        ("200", "800", "4", "F", Verdict.CONFORMING),
        ("400", "800", "2", "F", Verdict.CONFORMING),
        ("500", "800", "1.6", "A", Verdict.CONFORMING),
        ("500", "800", "1.6", "B", Verdict.NONCONFORMING),
        ("800", "800", "1", "A", Verdict.NONCONFORMING),
    ],
)
def test_polarization_index_is_ten_minutes_over_one(
    one: str, ten: str, index: str, thermal: str, verdict: Verdict
) -> None:
    found = polarization_index(exact(one), exact(ten))
    assert found.value == Decimal(index)
    least = minimum_index(InsulationClass(thermal))
    assert decide(found, (least, FAR), Rule.SIMPLE_ACCEPTANCE).verdict is verdict


def test_no_index_above_five_gigohms_after_one_minute() -> None:
    # IEEE 43-2013, 12.2.
    assert polarization_index(exact(5000), exact(10000)).value == 2
    with pytest.raises(JudgingError, match="judge the resistance alone"):
        polarization_index(exact("5000.1"), exact(10000))
    with pytest.raises(JudgingError, match="zero as far as the meter can tell"):
        polarization_index(with_source("0.1", 0.1, "one minute"), exact(5))


@pytest.mark.parametrize(
    ("megohms", "celsius", "at40"),
    # IEEE 43, halving for each 10 K: 500 megohms at 25 degC is printed as 177 at 40.
    [("500", "25", 176.8), ("500", "40", 500), ("500", "30", 250), ("100", "50", 200)],
)
def test_insulation_halves_for_each_ten_kelvins(megohms: str, celsius: str, at40: float) -> None:
    assert float(at_40(exact(megohms), exact(celsius)).value) == pytest.approx(at40, abs=0.05)


def test_the_halving_rule_is_refused_far_from_its_range() -> None:
    with pytest.raises(JudgingError, match="from 10 to 60 degrees Celsius"):
        at_40(exact(500), exact(5))
