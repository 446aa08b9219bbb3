"""Unit names, dimensions and conversions against pint, scipy.constants and the SI Brochure."""

from __future__ import annotations

import math
from decimal import Decimal

import pint
import pytest
import scipy.constants as si

from handsfree.judge.verdict import in_unit
from handsfree.spoken import units
from handsfree.spoken.meaning import Expectation, Kind, Quantity, Reading
from handsfree.spoken.reading import parse

REGISTRY = pint.UnitRegistry()

# SI Brochure, 9th edition, tables 2 to 4 and 8: each quantity in base units.
DIMENSIONS = {
    Quantity.RESISTANCE: "kg m^2 s^-3 A^-2",
    Quantity.VOLTAGE: "kg m^2 s^-3 A^-1",
    Quantity.CURRENT: "A",
    Quantity.CAPACITANCE: "kg^-1 m^-2 s^4 A^2",
    Quantity.TEMPERATURE: "K",
    Quantity.PRESSURE: "kg m^-1 s^-2",
    Quantity.FREQUENCY: "s^-1",
    Quantity.RATIO: "",
    Quantity.TORQUE: "kg m^2 s^-2",
    Quantity.MASS: "kg",
    Quantity.LENGTH: "m",
    Quantity.TIME: "s",
    Quantity.POWER: "kg m^2 s^-3",
}
NAMES = [(prefix + unit.name, unit.quantity) for unit in units.UNITS for prefix in ("", *unit.prefixes)]


def dimension_in_base_units(text: str) -> pint.util.UnitsContainer:
    dimension = REGISTRY.Unit("dimensionless")
    for factor in text.split():
        symbol, _, power = factor.partition("^")
        dimension *= REGISTRY.Unit(symbol) ** int(power or 1)
    return dimension.dimensionality


@pytest.mark.parametrize(("name", "quantity"), NAMES)
def test_every_unit_bears_pints_name_and_the_dimension_of_its_quantity(name: str, quantity: Quantity) -> None:
    unit = REGISTRY.Unit(name)
    assert str(unit) == name
    assert unit.dimensionality == dimension_in_base_units(DIMENSIONS[quantity])


def test_every_quantity_but_a_count_has_units_and_a_default_among_them() -> None:
    assert set(DIMENSIONS) == set(Quantity) - {Quantity.COUNT}
    assert units.DEFAULT_UNIT[Quantity.COUNT] is None
    for quantity in DIMENSIONS:
        assert (units.DEFAULT_UNIT[quantity], quantity) in NAMES


@pytest.mark.parametrize(("unit", "said"), [("degree_Celsius", "celsius"), ("degree_Fahrenheit", "fahrenheit")])
def test_nothing_is_read_that_is_colder_than_absolute_zero(unit: str, said: str) -> None:
    """What pint makes of 0 K: -273.15 degrees Celsius, -459.67 degrees Fahrenheit."""
    coldest = REGISTRY.Quantity(0, "kelvin").to(unit).magnitude
    assert math.isclose(coldest, units.ABSOLUTE_ZERO[unit])
    asked = Expectation(Quantity.TEMPERATURE)
    assert parse(f"{coldest:.2f} degrees {said}", asked) == Reading(Kind.READING, f"{coldest:.2f}", unit)
    colder = parse(f"minus three hundred degrees {said}", asked)
    assert isinstance(colder, Reading) is (unit == "degree_Fahrenheit")
    assert not isinstance(parse(f"{coldest - 0.01:.2f} degrees {said}", asked), Reading)


def test_kelvins_are_below_zero_only_as_a_difference() -> None:
    assert not isinstance(parse("minus five kelvin", Expectation(Quantity.TEMPERATURE, "degree_Celsius")), Reading)
    superheat = Expectation(Quantity.TEMPERATURE, "kelvin")
    assert parse("minus five kelvin", superheat) == Reading(Kind.READING, "-5", "kelvin")


# SI Brochure, 9th edition, table 7.
SI_PREFIXES = {
    "pico": "1e-12",
    "nano": "1e-9",
    "micro": "1e-6",
    "milli": "1e-3",
    "centi": "1e-2",
    "hecto": "1e2",
    "kilo": "1e3",
    "mega": "1e6",
    "giga": "1e9",
}


def test_the_prefixes_spoken_are_those_of_the_si_brochure() -> None:
    assert set(units.PREFIXES) == set(SI_PREFIXES)


@pytest.mark.parametrize(
    ("unit", "prefix"), [(unit, prefix) for unit in units.UNITS for prefix in unit.prefixes], ids=lambda part: str(part)
)
def test_a_prefix_spoken_before_a_unit_multiplies_by_its_power_of_ten(unit: units.Unit, prefix: str) -> None:
    for said in (f"five {prefix} {unit.plural[0]}", f"five {prefix}{unit.plural[0]}"):
        reading = parse(said)
        assert isinstance(reading, Reading), said
        assert in_unit(reading, unit.name) == 5 * Decimal(SI_PREFIXES[prefix])


def convert(value: str, unit: str, to: str) -> Decimal:
    return in_unit(Reading(Kind.READING, value, unit), to)


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        # (F - 32) * 5 / 9 (NIST SP 811, B.8), exact.
        ("-40", "degree_Fahrenheit", "degree_Celsius", "-40"),
        ("32", "degree_Fahrenheit", "degree_Celsius", "0"),
        ("39.2", "degree_Fahrenheit", "degree_Celsius", "4"),
        ("41.0", "degree_Fahrenheit", "degree_Celsius", "5"),
        ("212", "degree_Fahrenheit", "degree_Celsius", "100"),
        ("6", "degree_Celsius", "degree_Fahrenheit", "42.8"),
        ("8", "degree_Celsius", "degree_Fahrenheit", "46.4"),
        ("2", "degree_Celsius", "degree_Fahrenheit", "35.6"),
        ("0", "degree_Celsius", "kelvin", "273.15"),
        # SI Brochure, table 8, and the yard and pound agreement of 1959, exact.
        ("30", "minute", "hour", "0.5"),
        ("90", "second", "minute", "1.5"),
        ("1", "inch", "millimeter", "25.4"),
        ("1", "foot", "inch", "12"),
        ("1", "pound", "kilogram", "0.45359237"),
        ("1", "pound", "ounce", "16"),
        ("1", "metric_ton", "kilogram", "1000"),
        # NIST SP 811, B.8: pressure and torque, exact where the definitions are.
        ("1", "bar", "pascal", "100000"),
        ("1", "standard_atmosphere", "pascal", "101325"),
        ("760", "torr", "standard_atmosphere", "1"),
        ("760000", "millitorr", "standard_atmosphere", "1"),
        ("1", "foot_pound", "meter * newton", "1.3558179483314004"),
        ("1", "force_pound * inch", "meter * newton", "0.1129848290276167"),
        ("4.7", "kiloohm", "ohm", "4700"),
        ("0.0047", "megaohm", "kiloohm", "4.7"),
    ],
)
def test_exact_conversions_come_out_exact(value: str, unit: str, to: str, expected: str) -> None:
    assert convert(value, unit, to) == Decimal(expected)


@pytest.mark.parametrize(
    ("unit", "to", "expected", "tolerance"),
    [
        ("pound_force_per_square_inch", "pascal", si.psi, 1e-14),
        ("torr", "pascal", si.torr, 1e-14),
        ("standard_atmosphere", "pascal", si.atm, 1e-14),
        ("inch", "meter", si.inch, 1e-14),
        ("pound", "kilogram", si.pound, 1e-14),
        ("ounce", "kilogram", si.oz, 1e-14),
        ("horsepower", "watt", si.hp, 1e-14),
        # NIST SP 811, B.8: conventional inch of mercury 3386.389 Pa; its inch of water 249.0889 Pa.
        ("inch_Hg", "pascal", 3386.389, 1e-6),
        ("inch_H2O", "pascal", 249.0889, 1e-5),
        ("millimeter_Hg", "pascal", 133.3224, 1e-6),
        # A micron of mercury is a thousandth of a millimetre of mercury, 0.133322 Pa to the figures of handbooks.
        ("millitorr", "pascal", 0.133322, 1e-5),
    ],
)
def test_conversions_agree_with_published_factors(unit: str, to: str, expected: float, tolerance: float) -> None:
    assert math.isclose(float(convert("1", unit, to)), expected, rel_tol=tolerance)


@pytest.mark.parametrize(("name", "quantity"), NAMES)
def test_there_and_back_is_the_same_to_the_last_figure_shown(name: str, quantity: Quantity) -> None:
    default = units.DEFAULT_UNIT[quantity]
    assert default is not None
    there = convert("12.34", name, default)
    back = convert(format(there, "f"), default, name)
    assert abs(back - Decimal("12.34")) < Decimal("1e-15")


def test_other_dimensions_do_not_convert() -> None:
    with pytest.raises(pint.DimensionalityError):
        convert("5", "volt", "ohm")
