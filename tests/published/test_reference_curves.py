"""Reference curves against IEC 60751, IEC 60028, a published thermistor table and CoolProp."""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from handsfree.judge.curves import (
    REFRIGERANTS,
    SATURATION_ERROR,
    Beta,
    Conductor,
    PlatinumClass,
    Saturation,
    SteinhartHart,
    absolute,
    heater_ohms,
    platinum_celsius,
    platinum_error,
    platinum_ohms,
    platinum_tolerance,
    saturation_celsius,
    saturation_pressure,
    winding_at,
)
from handsfree.judge.uncertain import JudgingError, Uncertain, exact, with_source

PT100 = [
    # IEC 60751, table 1, as printed.
    ("-50", 80.31),
    ("-40", 84.27),
    ("-20", 92.16),
    ("0", 100.00),
    ("10", 103.90),
    ("20", 107.79),
    ("30", 111.67),
    ("50", 119.40),
    ("100", 138.51),
    ("150", 157.33),
    ("200", 175.86),
]


@pytest.mark.parametrize(("celsius", "ohms"), PT100)
def test_a_pt100_has_the_resistance_of_the_table(celsius: str, ohms: float) -> None:
    assert round(float(platinum_ohms(exact(celsius)).value), 2) == ohms
    assert float(platinum_celsius(exact(str(ohms))).value) == pytest.approx(float(celsius), abs=0.005 / 0.37)


@pytest.mark.parametrize("celsius", [-200, -196, -80, -0.5, 0, 0.5, 4, 120, 600, 850])
def test_a_pt100_goes_both_ways(celsius: float) -> None:
    there = platinum_ohms(exact(str(celsius)), Decimal(1000))
    assert float(platinum_celsius(there, Decimal(1000)).value) == pytest.approx(celsius, abs=1e-6)


def test_a_pt100_has_an_alpha_of_3_851e_3() -> None:
    # IEC 60751, 1: the mean coefficient between 0 and 100 degC.
    assert float(platinum_ohms(exact(100)).value - 100) / 1e4 == pytest.approx(3.851e-3, abs=5e-7)


@pytest.mark.parametrize(
    ("accuracy", "celsius", "kelvins"),
    [
        # IEC 60751 (1995 text): class A 0.15 + 0.002 |t|, class B 0.3 + 0.005 |t|.
        ("A", "0", "0.15"),
        ("A", "100", "0.35"),
        ("A", "200", "0.55"),
        ("A", "-100", "0.35"),
        ("B", "0", "0.3"),
        ("B", "100", "0.8"),
        ("B", "200", "1.3"),
        ("B", "-100", "0.8"),
        ("B", "-40", "0.50"),
        ("B", "5", "0.325"),
        # 2008 on: AA 0.1 + 0.0017 |t|, C 0.6 + 0.01 |t|.
        ("AA", "100", "0.27"),
        ("C", "100", "1.6"),
    ],
)
def test_tolerance_classes_of_platinum_thermometers(accuracy: str, celsius: str, kelvins: str) -> None:
    assert platinum_tolerance(Decimal(celsius), PlatinumClass(accuracy)) == Decimal(kelvins)


@pytest.mark.parametrize(
    ("accuracy", "celsius", "ohms"),
    # IEC 60751 (1995 text): the same tolerances as printed in ohms.
    [
        ("A", 0, 0.06),
        ("B", 0, 0.12),
        ("A", 100, 0.13),
        ("B", 100, 0.30),
        ("A", 200, 0.20),
        ("B", 200, 0.48),
        ("A", -100, 0.14),
        ("B", -100, 0.32),
    ],
)
def test_tolerances_in_ohms(accuracy: str, celsius: int, ohms: float) -> None:
    off = platinum_tolerance(Decimal(celsius), PlatinumClass(accuracy))
    right = platinum_ohms(exact(celsius))
    high = platinum_ohms(exact(celsius + off))
    assert float((high - right).value) == pytest.approx(ohms, abs=0.006)
    assert float(platinum_error(high, exact(celsius)).value) == pytest.approx(float(off), abs=1e-6)


# A common 10 kilohm thermistor: table C-1 of a published probe manual; the coefficients are from memory.
TABLE_10K = [("-40", 336103.2), ("-30", 176804.8), ("-20", 97006.9), ("-10", 55303.9), ("-5", 42316.7), ("0", 32650.9)]
THERMISTOR = SteinhartHart(
    Decimal("1.129241e-3"), Decimal("2.341077e-4"), Decimal("8.775468e-8"), Decimal(-50), Decimal(150)
)


@pytest.mark.parametrize(("celsius", "ohms"), TABLE_10K)
def test_steinhart_hart_follows_the_thermistor_table(celsius: str, ohms: float) -> None:
    assert float(THERMISTOR.celsius(exact(str(ohms))).value) == pytest.approx(float(celsius), abs=0.003)
    assert float(THERMISTOR.ohms(exact(celsius)).value) == pytest.approx(ohms, rel=2e-4)


@pytest.mark.parametrize("celsius", ["-50", "0", "4", "25", "85", "150"])
def test_steinhart_hart_goes_both_ways(celsius: str) -> None:
    assert float(THERMISTOR.celsius(THERMISTOR.ohms(exact(celsius))).value) == pytest.approx(float(celsius), abs=1e-6)


def test_beta_is_right_where_it_was_made_and_refuses_elsewhere() -> None:
    # B 25/85 = 3977 K of the same part (IEC 60539-1 form): 25 and 85 degC are met, 0 degC would be 3.8 percent off.
    beta = Beta(Decimal(10000), Decimal(3977), Decimal(25), Decimal(85))
    assert float(beta.ohms(exact(25)).value) == pytest.approx(10000)
    assert float(beta.ohms(exact(50)).value) == pytest.approx(3563.1, abs=0.1)
    assert float(beta.ohms(exact(85)).value) == pytest.approx(1070.3, abs=0.1)
    assert float(beta.celsius(beta.ohms(exact(60))).value) == pytest.approx(60, abs=1e-6)
    with pytest.raises(JudgingError, match="from 25 to 85 degrees Celsius, and this is 0"):
        beta.ohms(exact(0))
    wide = Beta(Decimal(10000), Decimal(3977), Decimal(-40), Decimal(125))
    assert float(wide.ohms(exact(0)).value) / 32650.9 - 1 == pytest.approx(0.038, abs=0.001)


@pytest.mark.parametrize(
    ("celsius", "factor"),
    # IEC 60028: 1 + 0.00393 (t - 20) for standard annealed copper.
    [("-10", 0.8821), ("0", 0.9214), ("25", 1.01965), ("40", 1.0786), ("50", 1.1179), ("75", 1.21615), ("90", 1.2751)],
)
def test_copper_has_the_temperature_coefficient_of_iec_60028(celsius: str, factor: float) -> None:
    # 234.5 (IEC 60034-1) is 1/0.00393 - 20 = 234.45 rounded.
    assert 1 / float(winding_at(exact(1), exact(celsius)).value) == pytest.approx(factor, rel=1e-4)


def test_a_winding_read_warm_is_corrected_to_20_or_25_degrees() -> None:
    assert float(winding_at(exact("5.2"), exact(35)).value) == pytest.approx(4.9105, abs=5e-4)
    assert winding_at(exact("5.2"), exact(25), Decimal(25)).value == Decimal("5.2")
    # IEC 60034-1, 8.6.2.3 (from memory): 225 for aluminium.
    assert float(winding_at(exact(1), exact(75), conductor=Conductor.ALUMINIUM).value) == pytest.approx(245 / 300)


@pytest.mark.parametrize(
    ("watts", "volts", "ohms"),
    [(200, 120, 72.0), (1000, 230, 52.9), (1500, 120, 9.6), (500, 230, 105.8), (350, 115, 37.79)],
)
def test_a_heater_has_the_resistance_of_its_nameplate(watts: int, volts: int, ohms: float) -> None:
    # Joule's law.
    assert float(heater_ohms(exact(volts), exact(watts)).value) == pytest.approx(ohms, abs=0.005)


@pytest.mark.parametrize("refrigerant", REFRIGERANTS)
@pytest.mark.parametrize("side", Saturation)
def test_saturation_is_within_its_stated_error_of_coolprop(refrigerant: str, side: Saturation) -> None:
    quality = 0 if side is Saturation.BUBBLE else 1
    for celsius in np.linspace(-50, 25 if refrigerant == "R744" else 60, 56):
        t = exact(f"{celsius:.3f}")
        pascals = PropsSI("P", "T", float(t.value) + 273.15, "Q", quality, refrigerant)
        found = saturation_pressure(refrigerant, t, side)
        assert float(found.value) == pytest.approx(pascals / 1000, rel=float(SATURATION_ERROR) / 100)
        assert float(saturation_celsius(refrigerant, found, side).value) == pytest.approx(float(t.value), abs=1e-6)


@pytest.mark.parametrize(
    ("refrigerant", "celsius", "kilopascals"),
    # Saturation tables in every refrigeration handbook (from memory).
    [("R134a", "0", 292.8), ("R290", "0", 474.5), ("R744", "0", 3485)],
)
def test_saturation_at_0_degrees(refrigerant: str, celsius: str, kilopascals: float) -> None:
    found = saturation_pressure(refrigerant, exact(celsius), Saturation.DEW)
    assert float(found.value) == pytest.approx(kilopascals, rel=1e-3)


def test_a_blend_has_a_dew_point_above_its_bubble_point() -> None:
    glide = saturation_celsius("R407C", exact(500), Saturation.DEW) - saturation_celsius(
        "R407C", exact(500), Saturation.BUBBLE
    )
    assert 5 < glide.value < 7  # handbook tables give about 6 K (from memory)


CURVES: list[tuple[str, Callable[[Uncertain], Uncertain], str]] = [
    ("platinum, to ohms", platinum_ohms, "-40"),
    ("platinum, to ohms", platinum_ohms, "60"),
    ("platinum, to degrees", platinum_celsius, "84.27"),
    ("platinum, to degrees", platinum_celsius, "120"),
    ("thermistor, to ohms", THERMISTOR.ohms, "4"),
    ("thermistor, to degrees", THERMISTOR.celsius, "26000"),
    ("beta, to ohms", Beta(Decimal(10000), Decimal(3977), Decimal(25), Decimal(85)).ohms, "40"),
    ("beta, to degrees", Beta(Decimal(10000), Decimal(3977), Decimal(25), Decimal(85)).celsius, "5000"),
    ("winding", lambda t: winding_at(exact(5), t), "35"),
    ("saturation, to kPa", lambda t: saturation_pressure("R134a", t, Saturation.DEW), "5"),
    ("saturation, to degrees", lambda p: saturation_celsius("R410A", p, Saturation.BUBBLE), "800"),
]


@pytest.mark.parametrize(("name", "curve", "value"), CURVES)
def test_every_curve_passes_uncertainty_on_by_its_slope(
    name: str, curve: Callable[[Uncertain], Uncertain], value: str
) -> None:
    near = with_source(value, 0.01, "reading")
    step = Decimal(value) * Decimal("1e-5")
    slope = float((curve(near + step).value - curve(near - step).value) / (2 * step))
    part = next(part for source, part in curve(near).parts.items() if source.name == "reading")
    assert part == pytest.approx(slope * 0.01, rel=1e-4), name


@pytest.mark.parametrize(
    ("curve", "value", "says"),
    [
        (platinum_ohms, "851", "from -200 to 850 degrees Celsius, and this is 851"),
        (platinum_ohms, "-201", "from -200"),
        (platinum_celsius, "18", "a platinum thermometer is known from 18.52 to 390.48 ohms, and this is 18"),
        (THERMISTOR.celsius, "0", "ohms, and this is 0"),
        (THERMISTOR.celsius, "-5", "say the reading again"),
        (lambda t: winding_at(exact(5), t), "-234.5", "the copper line is known from -50"),
        (lambda t: saturation_pressure("R744", t, Saturation.DEW), "30", "the curve of R744 is known from -50 to 25"),
        (lambda p: saturation_celsius("R134a", p, Saturation.DEW), "0", "kilopascals absolute, and this is 0"),
        (lambda p: absolute(p), "-102", "below a perfect vacuum"),
        (lambda v: heater_ohms(v, exact(0)), "120", "above zero: read the plate again"),
    ],
)
def test_every_curve_refuses_what_is_outside_its_range(
    curve: Callable[[Uncertain], Uncertain], value: str, says: str
) -> None:
    with pytest.raises(JudgingError, match=says):
        curve(exact(value))


def test_a_tolerance_class_ends_where_the_standard_ends_it() -> None:
    with pytest.raises(JudgingError, match="class AA holds from -50 to 250"):
        platinum_tolerance(Decimal(300), PlatinumClass.AA)


def test_the_error_of_the_fit_stands_in_the_budget_and_undoes_itself_there_and_back() -> None:
    pressure = saturation_pressure("R134a", exact(0), Saturation.DEW)
    assert [source.family for source in pressure.parts] == ["fit of R134a dew pressure"]
    assert pressure.standard == pytest.approx(float(pressure.value) * 2e-4 / math.sqrt(3))
    read = saturation_celsius("R134a", with_source("292.8", 0.5, "gauge"), Saturation.DEW)
    fitted, gauge = sorted(source.name for source in read.parts)
    assert fitted.startswith("fit of R134a dew pressure at ")
    assert gauge == "gauge"
    back = saturation_celsius("R134a", pressure, Saturation.DEW)
    assert back.standard == pytest.approx(0, abs=1e-9)


def test_constants_of_a_thermistor_that_make_no_curve_are_refused() -> None:
    with pytest.raises(ValueError, match="b is above zero"):
        SteinhartHart(Decimal("1e-3"), Decimal(0), Decimal("1e-7"), Decimal(0), Decimal(50))
    with pytest.raises(ValueError, match="B is above zero"):
        Beta(Decimal(10000), Decimal(-1), Decimal(0), Decimal(50))
    with pytest.raises(ValueError, match="from a lower to a higher temperature"):
        Beta(Decimal(10000), Decimal(3977), Decimal(50), Decimal(0))
