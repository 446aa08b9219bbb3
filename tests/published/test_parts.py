"""Parts made of several readings against printed examples: capacitors, windings with a common terminal, phases."""

from __future__ import annotations

from decimal import Decimal

import pytest

from handsfree.judge.decision import decide
from handsfree.judge.several import deviation_percent, difference, disagreement, imbalance, ratio
from handsfree.judge.uncertain import exact
from handsfree.procedure.model import Nominal, Verdict, bounds


@pytest.mark.parametrize(
    ("percent", "low", "high"),
    # 45 microfarads. 5, 10 and 15 percent are preferred in IEC 60252-1 (from memory); 6 percent is what motor-run
    # capacitors bear (common practice, no source).
    [("5", "42.75", "47.25"), ("6", "42.30", "47.70"), ("10", "40.50", "49.50"), ("15", "38.25", "51.75")],
)
def test_capacitor_tolerance_bands(percent: str, low: str, high: str) -> None:
    limits = bounds(Nominal(nominal=Decimal(45), plus_minus_percent=Decimal(percent)))
    assert limits == (Decimal(low), Decimal(high))
    for value, verdict in ((low, Verdict.CONFORMING), (high, Verdict.CONFORMING)):
        assert decide(exact(value), limits).verdict is verdict
    assert decide(exact(Decimal(low) - Decimal("0.01")), limits).verdict is Verdict.NONCONFORMING
    assert decide(exact(Decimal(high) + Decimal("0.01")), limits).verdict is Verdict.NONCONFORMING
    assert deviation_percent(exact(high), exact(45)).value == Decimal(percent)


@pytest.mark.parametrize(
    ("start", "run", "both", "off"),
    [
        # Published examples of single-phase compressors: the two windings add up to the third pair of terminals.
        ("11", "4", "15", "0"),
        ("0.5", "1.2", "1.7", "0"),
        ("11", "4", "18", "-3"),
    ],
)
def test_windings_with_a_common_terminal_add_up(start: str, run: str, both: str, off: str) -> None:
    assert disagreement([exact(start), exact(run)], exact(both)).value == Decimal(off)


def test_voltage_unbalance_of_three_phases() -> None:
    # NEMA MG 1, 14.36 (example from memory): 460, 467 and 450 V have a mean of 459 and an unbalance of 1.96 percent.
    found = imbalance({"A B": exact(460), "B C": exact(467), "C A": exact(450)})
    assert found.mean.value == 459
    assert found.worst == "C A"
    assert round(found.percent.value, 2) == Decimal("1.96")


def test_difference_and_ratio_are_those_of_arithmetic() -> None:
    assert difference(exact("7.2"), exact("4.9")).value == Decimal("2.3")
    assert ratio(exact("800"), exact("400")).value == 2
