"""Accuracy of hand-held meters against worked examples that makers publish, and measurement categories."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from handsfree.judge.meter import Meter, may_measure, on_meter, uncertain_reading
from handsfree.procedure.model import Category, Rating
from handsfree.spoken.meaning import Kind, Reading


def meter(quantity: str, unit: str, percent: str, counts: str, resolution: str, up_to: str = "600") -> Meter:
    one = {"up_to": up_to, "resolution": resolution, "percent": percent, "counts": counts}
    return Meter.model_validate(
        {
            "meter": "meter",
            "name": "meter",
            "serial": "1",
            "calibration_due": "2030-01-01",
            "functions": [{"quantity": quantity, "unit": unit, "ranges": [one]}],
        }
    )


@pytest.mark.parametrize(
    ("value", "unit", "quantity", "percent", "counts", "digit", "band"),
    [
        # Makers' guides to accuracy figures, worked examples: +/-(percent of reading + counts).
        ("100.0", "volt", "voltage", "1", "2", "0.1", "1.2"),
        ("100.0", "volt", "voltage", "0.8", "2", "0.1", "1.0"),
        ("2.000", "volt", "voltage", "0.08", "2", "0.001", "0.0036"),
        ("2.000", "volt", "voltage", "0.5", "3", "0.001", "0.013"),
        ("1.755", "volt", "voltage", "0.5", "1", "0.001", "0.009775"),
        # The same form worked out by hand.
        ("5.2", "ohm", "resistance", "0.9", "2", "0.1", "0.2468"),
        ("5.20", "ohm", "resistance", "0.9", "2", "0.01", "0.0668"),
        ("115.3", "volt", "voltage", "1.0", "3", "0.1", "1.453"),
        ("24.05", "volt", "voltage", "0.5", "2", "0.01", "0.14025"),
        ("45.3", "microfarad", "capacitance", "1.9", "2", "0.1", "1.0607"),
    ],
)
def test_the_accuracy_band_of_a_reading(
    value: str, unit: str, quantity: str, percent: str, counts: str, digit: str, band: str
) -> None:
    reading = Reading(Kind.READING, value, unit)
    found = on_meter(reading, meter(quantity, unit, percent, counts, digit))
    assert found.band == Decimal(band)
    assert found.digit == Decimal(digit)
    # JCGM 100:2008, 4.3.7 (a / sqrt 3) and F.2.2.1 (d / sqrt 12).
    standard = math.sqrt(float(band) ** 2 / 3 + float(digit) ** 2 / 12)
    assert found.standard == pytest.approx(standard)
    named = uncertain_reading(reading, meter(quantity, unit, percent, counts, digit), unit, "reading")
    assert named.expanded == pytest.approx(2 * standard)


@pytest.mark.parametrize(
    ("rated", "asked", "volts", "may"),
    [
        # IEC 61010-2-030: a category covers those further from the source, at its own voltage at most.
        ("III", Category.III, "600", True),
        ("III", Category.II, "600", True),
        ("III", Category.IV, "300", False),
        ("III", Category.III, "601", False),
        ("IV", Category.III, "480", True),
        ("CAT II", Category.III, "120", False),
    ],
)
def test_a_meter_of_a_lower_category_is_refused(rated: str, asked: Category, volts: str, may: bool) -> None:
    data = meter("voltage", "volt", "1", "2", "0.1").model_dump() | {"ratings": [{"category": rated, "volts": "600"}]}
    assert may_measure(Meter.model_validate(data), Rating(category=asked, volts=Decimal(volts))) is may


def test_a_meter_without_a_category_is_for_no_circuit_of_the_supply() -> None:
    # IEC 61010-1:2010 on: what is not rated for a category is not for mains circuits (from memory).
    least = Rating(category=Category.II, volts=Decimal(1))
    assert not may_measure(meter("voltage", "volt", "1", "2", "0.1"), least)
