"""Units: how each is said, which quantity it measures, and pint's name for it.

The one rule: a unit stands here once, and everything that hears it, reads it or says it looks here. To add a unit, add
a row; the tests check it against pint.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import cache

from handsfree.spoken.meaning import Quantity

# SI Brochure, table 7; only those that stand on a meter. The spoken short forms belong to the trade (IEC 60062 writes
# 4k7 for 4.7 kilo).
PREFIXES = {
    "pico": ("pico",),
    "nano": ("nano",),
    "micro": ("micro",),
    "milli": ("milli",),
    "centi": ("centi",),
    "hecto": ("hecto",),
    "kilo": ("kilo", "k"),
    "mega": ("mega", "meg"),
    "giga": ("giga", "gig"),
}
_EXPONENT = {"pico": -12, "nano": -9, "micro": -6, "milli": -3, "centi": -2, "": 0}
_EXPONENT |= {"hecto": 2, "kilo": 3, "mega": 6, "giga": 9}
# Where prefix and unit are said as one word and a vowel is dropped (NIST SP 811, 9.3).
_JOINED = {"kiloohm": "kilohm", "megaohm": "megohm", "microohm": "microhm"}


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit. ``name`` is pint's; the first of ``singular`` and of ``plural`` is what the tool itself says.

    ``prefixes`` are those that stand before it in the trade. ``short`` forms are understood only where this quantity is
    expected ("pounds" is a mass, unless a pressure is asked for). A ``rare`` unit is not listened for where a step asks
    for another one.
    """

    name: str
    quantity: Quantity
    singular: tuple[str, ...]
    plural: tuple[str, ...]
    prefixes: tuple[str, ...] = ()
    short: tuple[str, ...] = ()
    rare: bool = False


UNITS = (
    Unit("ohm", Quantity.RESISTANCE, ("ohm",), ("ohms",), ("micro", "milli", "kilo", "mega", "giga")),
    Unit("volt", Quantity.VOLTAGE, ("volt",), ("volts",), ("micro", "milli", "kilo")),
    Unit("ampere", Quantity.CURRENT, ("amp", "ampere"), ("amps", "amperes"), ("micro", "milli", "kilo")),
    Unit("farad", Quantity.CAPACITANCE, ("farad",), ("farads",), ("pico", "nano", "micro"), short=("f",)),
    Unit("microfarad", Quantity.CAPACITANCE, ("m f d",), ("m f d",)),
    Unit(
        "degree_Celsius",
        Quantity.TEMPERATURE,
        ("degree celsius", "degree centigrade", "degree c"),
        ("degrees celsius", "degrees centigrade", "degrees c", "celsius", "centigrade"),
        short=("degree", "degrees", "c"),
    ),
    Unit(
        "degree_Fahrenheit",
        Quantity.TEMPERATURE,
        ("degree fahrenheit", "degree f"),
        ("degrees fahrenheit", "degrees f", "fahrenheit"),
        short=("degree", "degrees", "f"),
    ),
    Unit("kelvin", Quantity.TEMPERATURE, ("kelvin",), ("kelvin", "kelvins"), rare=True),
    Unit(
        "pound_force_per_square_inch",
        Quantity.PRESSURE,
        ("p s i", "pound per square inch"),
        ("p s i", "pounds per square inch"),
        short=("pounds",),
    ),
    Unit("pascal", Quantity.PRESSURE, ("pascal",), ("pascals",), ("hecto", "kilo", "mega")),
    Unit("kilopascal", Quantity.PRESSURE, ("k p a",), ("k p a",)),
    Unit("bar", Quantity.PRESSURE, ("bar",), ("bar", "bars"), ("milli",)),
    Unit(
        "inch_Hg",
        Quantity.PRESSURE,
        ("inch of mercury", "inch mercury"),
        ("inches of mercury", "inches mercury"),
    ),
    Unit(
        "millimeter_Hg",
        Quantity.PRESSURE,
        ("millimeter of mercury", "millimetre of mercury"),
        ("millimeters of mercury", "millimetres of mercury"),
        rare=True,
    ),
    # A micron of mercury is a thousandth of a millimetre of mercury, which is the torr
    # to within 1.4e-7 (NIST SP 811, B.8).
    Unit("millitorr", Quantity.PRESSURE, ("micron", "micron of mercury"), ("microns", "microns of mercury")),
    Unit("torr", Quantity.PRESSURE, ("torr",), ("torr",), rare=True),
    Unit(
        "inch_H2O",
        Quantity.PRESSURE,
        ("inch of water", "inch of water column"),
        ("inches of water", "inches of water column"),
    ),
    Unit("standard_atmosphere", Quantity.PRESSURE, ("atmosphere",), ("atmospheres",), rare=True),
    Unit("hertz", Quantity.FREQUENCY, ("hertz",), ("hertz",), ("kilo", "mega")),
    Unit("percent", Quantity.RATIO, ("percent", "per cent"), ("percent", "per cent")),
    Unit("meter * newton", Quantity.TORQUE, ("newton meter", "newton metre"), ("newton meters", "newton metres")),
    Unit("foot_pound", Quantity.TORQUE, ("foot pound", "pound foot"), ("foot pounds", "pound feet")),
    Unit("force_pound * inch", Quantity.TORQUE, ("inch pound", "pound inch"), ("inch pounds", "pound inches")),
    Unit("gram", Quantity.MASS, ("gram",), ("grams",), ("milli", "kilo")),
    Unit("kilogram", Quantity.MASS, (), ("kilos",)),
    Unit("pound", Quantity.MASS, ("pound",), ("pounds",)),
    Unit("ounce", Quantity.MASS, ("ounce",), ("ounces",)),
    Unit("metric_ton", Quantity.MASS, ("tonne",), ("tonnes",), rare=True),
    Unit(
        "meter",
        Quantity.LENGTH,
        ("meter", "metre"),
        ("meters", "metres"),
        ("micro", "milli", "centi", "kilo"),
    ),
    Unit("inch", Quantity.LENGTH, ("inch",), ("inches",)),
    Unit("foot", Quantity.LENGTH, ("foot",), ("feet", "foot")),
    Unit("second", Quantity.TIME, ("second",), ("seconds",), ("micro", "milli")),
    Unit("minute", Quantity.TIME, ("minute",), ("minutes",)),
    Unit("hour", Quantity.TIME, ("hour",), ("hours",)),
    Unit("watt", Quantity.POWER, ("watt",), ("watts",), ("milli", "kilo", "mega")),
    Unit("horsepower", Quantity.POWER, ("horsepower", "horse power"), ("horsepower", "horse power"), rare=True),
)

# What a bare number means where only the quantity is known: the SI unit, or the one that stands on every meter.
DEFAULT_UNIT = {
    Quantity.RESISTANCE: "ohm",
    Quantity.VOLTAGE: "volt",
    Quantity.CURRENT: "ampere",
    Quantity.CAPACITANCE: "microfarad",
    Quantity.TEMPERATURE: "degree_Celsius",
    Quantity.PRESSURE: "pascal",
    Quantity.FREQUENCY: "hertz",
    Quantity.RATIO: "percent",
    Quantity.TORQUE: "meter * newton",
    Quantity.MASS: "kilogram",
    Quantity.LENGTH: "meter",
    Quantity.TIME: "second",
    Quantity.POWER: "watt",
    Quantity.COUNT: None,
}

# Quantities that are never below zero, whatever the meter: a minus sign there is a misheard word.
NEVER_NEGATIVE = frozenset(
    {Quantity.RESISTANCE, Quantity.CAPACITANCE, Quantity.FREQUENCY, Quantity.MASS, Quantity.TIME}
)
# Absolute zero: SI Brochure, 9th edition, 2.3.1 (degrees Celsius), NIST SP 811, B.8 (Fahrenheit), both from memory.
# Nothing is colder, whatever the meter. Kelvins are differences as well, which may be below zero.
ABSOLUTE_ZERO = {"degree_Celsius": Decimal("-273.15"), "degree_Fahrenheit": Decimal("-459.67")}
# What the meters on a service bench show; mass, length and the like are said too, but rarely by mistake.
METERED = frozenset(
    {
        Quantity.RESISTANCE,
        Quantity.VOLTAGE,
        Quantity.CURRENT,
        Quantity.CAPACITANCE,
        Quantity.TEMPERATURE,
        Quantity.PRESSURE,
        Quantity.FREQUENCY,
        Quantity.RATIO,
        Quantity.POWER,
    }
)
WITH_WAVEFORM = frozenset({Quantity.VOLTAGE, Quantity.CURRENT})


@dataclass(frozen=True, slots=True)
class Named:
    """A pint name with its quantity: what a spoken unit turns out to be."""

    name: str
    quantity: Quantity


@cache
def spellings(expected: Quantity | None = None) -> dict[str, tuple[Named, ...]]:
    """Every way to say a unit, prefixes included, with what it can mean.

    With an expected quantity the short forms of its units are understood too, and may have two meanings ("degrees").
    """
    found: dict[str, dict[str, Named]] = {}

    def add(said: str, name: str, quantity: Quantity) -> None:
        found.setdefault(said, {})[name] = Named(name, quantity)

    for unit in UNITS:
        short = unit.short if unit.quantity is expected else ()
        for said in unit.singular + unit.plural + short:
            add(said, unit.name, unit.quantity)
            for prefix in unit.prefixes:
                name = prefix + unit.name
                add(prefix + said, name, unit.quantity)
                add(_joined(prefix, said), name, unit.quantity)
                for spoken_prefix in PREFIXES[prefix]:
                    add(f"{spoken_prefix} {said}", name, unit.quantity)
    return {said: tuple(units.values()) for said, units in found.items()}


def _joined(prefix: str, said: str) -> str:
    joined = prefix + said
    for full, dropped in _JOINED.items():
        joined = joined.replace(full, dropped)
    return joined


@cache
def prefixed(name: str | None, prefix: str) -> str | None:
    """The unit that a bare prefix makes of an expected unit ("k" while ohms are expected); None where there is none."""
    for unit in UNITS:
        if (
            name is not None
            and prefix in unit.prefixes
            and name in (unit.name, *(p + unit.name for p in unit.prefixes))
        ):
            return prefix + unit.name
    return None


@cache
def near(name: str | None) -> frozenset[str]:
    """The units a meter is likely to switch to while ``name`` is expected: from a thousandth to a million times it.

    Only prefixes are judged; the other units of the same quantity all count as near, but for the rare ones.
    """
    for unit in UNITS:
        for own in ("", *unit.prefixes):
            if own + unit.name == name:
                places = {prefix: _EXPONENT[prefix] - _EXPONENT[own] for prefix in ("", *unit.prefixes)}
                far = {prefix + unit.name for prefix, place in places.items() if not -3 <= place <= 6}
                own_names = {prefix + unit.name for prefix in places}
                return (_common_names(unit.quantity) | own_names) - far
    return frozenset()


@cache
def _common_names(quantity: Quantity) -> frozenset[str]:
    return frozenset(
        prefix + unit.name
        for unit in UNITS
        if unit.quantity is quantity and not unit.rare
        for prefix in ("", *unit.prefixes)
    )


@cache
def quantity_of(name: str) -> Quantity | None:
    """The quantity that a unit measures, None for a unit that nobody can say."""
    for units in spellings().values():
        for unit in units:
            if unit.name == name:
                return unit.quantity
    return None


@cache
def say_unit(name: str, *, one: bool = False) -> str:
    """A unit in words as the tool says it; KeyError for a unit that is not in the table."""
    for unit in UNITS:
        for prefix in ("", *unit.prefixes):
            if prefix + unit.name == name:
                return _joined(prefix, (unit.singular if one else unit.plural)[0])
    raise KeyError(name)
