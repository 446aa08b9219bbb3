"""What is known of a procedure and the meters at hand before anybody goes to the machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from handsfree.judge.fit import misfits
from handsfree.judge.meter import Meter
from handsfree.judge.meterfile import load_meters, loads_meter
from handsfree.procedure.load import load, loads

ROOT = Path(__file__).parents[2]
HEAD = """\
procedure: example
title: Example
edition: "1"
purpose: Example
equipment: Example
local_rules: The rules of the site come first
steps:
"""
END = "  - {id: end, kind: conclude, finding: Found, condition: sound, action: Nothing}\n"
METER = """\
meter: bench-two
name: Ostrel
serial: 0417
calibration_due: 2031-05-31
ratings: [{category: CAT II, volts: 300}]
functions:
  - {quantity: resistance, unit: ohm, ranges: [{up_to: 600, resolution: 0.1, percent: 1, counts: 2}]}
"""
OSTREL = loads_meter(METER.encode(), "m")


def found(rest: str, *meters: Meter) -> list[str]:
    step = f"  - {{id: m, kind: measure, say: Measure., reading: reading, {rest}}}\n"
    return [
        f"{problem.message}; {problem.remedy}" for problem in misfits(loads((HEAD + step + END).encode(), "f"), meters)
    ]


OHMS = "quantity: resistance, unit: ohm"


def test_a_meter_that_does_what_a_procedure_asks_is_silent() -> None:
    assert found(f"{OHMS}, limit: {{at_most: 7}}", OSTREL) == []
    assert found(f"{OHMS}, limit: {{between: [5, 7]}}, plausible: [0, 20]", OSTREL) == []
    assert found("quantity: mass, unit: kilogram", OSTREL) == []  # a scale is no meter
    assert misfits(load(ROOT / "procedures" / "air-curtain-blows-cold.yaml"), load_meters([ROOT / "meters"])) == []


@pytest.mark.parametrize(
    ("goal", "reached"),
    [("falls_to: -60", False), ("falls_to: -40", True), ("rises_to: 80", False), ("rises_to: 60", True)],
)
def test_a_goal_that_no_plausible_reading_comes_to_is_told(goal: str, reached: bool) -> None:
    step = (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, "
        f"quantity: temperature, unit: degree_Celsius, {goal}, plausible: [-40, 60]}}]}}\n"
    )
    told = [f"{problem.message}; {problem.remedy}" for problem in misfits(loads((HEAD + step + END).encode(), "f"), ())]
    key = goal.partition(":")[0]
    advice = (
        f'no plausible reading of the series "air" conforms; compare it with {key}; both are in the unit of the series'
    )
    assert told == ([] if reached else [advice])


def test_a_quantity_a_rating_and_a_tolerance_that_no_meter_has_are_told() -> None:
    assert found("quantity: voltage, unit: volt, waveform: ac", OSTREL) == [
        "no meter of these measures ac voltage: Ostrel; its reading is judged without uncertainty"
    ]
    assert found(f"{OHMS}, needs_rating: {{category: III, volts: 300}}", OSTREL) == [
        "no meter of these is rated CAT III 300 V: Ostrel; bring one that is"
    ]
    coarse = [
        'with these meters no reading of the step "m" can be called conforming: Ostrel; bring a finer meter, or choose '
        "another decision_rule"
    ]
    assert found(f"{OHMS}, limit: {{nominal: 10, plus_minus: 0.1}}", OSTREL) == coarse
    assert found(f"{OHMS}, limit: {{nominal: 10, plus_minus: 0.1}}, decision_rule: simple acceptance", OSTREL) == []


def test_a_plausible_range_beside_the_limit_is_told_without_any_meter() -> None:
    assert found(f"{OHMS}, limit: {{at_most: 7}}, plausible: [10, 20]") == [
        'no plausible reading of the step "m" conforms; compare it with the limit; both are in the unit of the step'
    ]


GAUGE = loads_meter(
    METER.partition("functions")[0].replace("Ostrel", "Tamsen").encode()
    + b"""functions:
  - {quantity: temperature, unit: degree_Celsius, ranges: [{up_to: 120, resolution: 0.1, counts: 5}]}
  - {quantity: pressure, unit: bar, ranges: [{up_to: 60, resolution: 0.1, counts: 3}]}
""",
    "g",
)


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (f"{OHMS}, limit: {{at_least: 5000}}", '5000 ohm at the step "m": Ostrel up to 600'),
        (f"{OHMS}, limit: {{at_most: 700}}", '700 ohm at the step "m": Ostrel up to 600'),
        ("quantity: resistance, unit: kiloohm, limit: {at_most: 4}", '4 kiloohm at the step "m": Ostrel up to 0.6'),
        ("quantity: resistance, unit: megaohm, limit: {at_least: 5}", '5 megaohm at the step "m": Ostrel up to 0.0006'),
        (
            "quantity: temperature, unit: degree_Fahrenheit, limit: {at_most: 300}",
            '300 degree_Fahrenheit at the step "m": Tamsen up to 248',
        ),
        (
            "quantity: temperature, unit: degree_Celsius, limit: {at_most: -130}",
            '-130 degree_Celsius at the step "m": Tamsen up to 120',
        ),
        ("quantity: pressure, unit: megapascal, limit: {at_most: 7}", '7 megapascal at the step "m": Tamsen up to 6'),
        (
            "quantity: pressure, unit: bar, limit: {nominal: 58, plus_minus: 4}",
            '62 bar at the step "m": Tamsen up to 60',
        ),
    ],
)
def test_a_limit_that_no_range_reaches_is_told_in_whatever_unit(step: str, said: str) -> None:
    assert found(step, OSTREL, GAUGE) == [
        f"no range of these meters reaches {said}; bring one of a higher range; there these show no value"
    ]


@pytest.mark.parametrize(
    "step",
    [
        "quantity: resistance, unit: kiloohm, limit: {at_most: 0.5}",
        "quantity: temperature, unit: degree_Fahrenheit, limit: {at_most: 248}",
        "quantity: temperature, unit: kelvin, limit: {at_least: 263}",
        "quantity: pressure, unit: kilopascal, limit: {at_most: 5900}",
    ],
)
def test_a_limit_within_a_range_is_no_matter_of_its_unit(step: str) -> None:
    assert found(step, OSTREL, GAUGE) == []


def test_the_goal_of_a_watch_is_reached_by_a_meter() -> None:
    step = (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: "
        "[{reading: oven, quantity: temperature, unit: degree_Celsius, rises_to: 180}]}\n"
    )
    (problem,) = misfits(loads((HEAD + step + END).encode(), "f"), (GAUGE,))
    assert problem.message == 'no range of these meters reaches 180 degree_Celsius at the step "w": Tamsen up to 120'
    assert step[problem.column - 1 :].startswith("180")


def of_figure(figure: str, limit: str, one: str = "[2, 4]", two: str = "[5, 7]") -> list[str]:
    steps = "".join(
        f"  - {{id: {name}, kind: measure, say: Measure., reading: {name}, {OHMS}, plausible: {plausible}}}\n"
        for name, plausible in (("one", one), ("two", two))
    )
    steps += f"  - {{id: c, kind: calculate, figure: figure, calculate: {figure}, limit: {limit}, next: end}}\n"
    return [f"{each.message}; {each.remedy}" for each in misfits(loads((HEAD + steps + END).encode(), "f"), ())]


PLAUSIBLY = ": with plausible readings it is between "
COMPARE = 'compare it with the plausible ranges of "one", "two"'


@pytest.mark.parametrize(
    ("figure", "limit", "said"),
    [
        (
            "{sum: [one, two]}, unit: ohm",
            "{at_most: 6}",
            "never conforms: 7 and 11",
        ),
        (
            "{sum: [one, two]}, unit: ohm",
            "{at_most: 12}",
            "always conforms: 7 and 11",
        ),
        (
            "{difference: [two, one]}, unit: ohm",
            "{at_least: 6}",
            "never conforms: 1 and 5",
        ),
        (
            "{difference: [one, two]}, unit: kiloohm",
            "{at_most: 0}",
            "always conforms: -0.005 and -0.001",
        ),
        ("{ratio: [two, one]}", "{at_least: 4}", "never conforms: 1.25 and 3.5"),
        (
            "{imbalance_percent: [one, two]}",
            "{at_most: 60}",
            "always conforms: 0 and 55.6",
        ),
    ],
)
def test_a_limit_of_a_figure_is_compared_with_what_plausible_readings_permit(
    figure: str, limit: str, said: str
) -> None:
    assert of_figure(figure, limit) == [f'the figure of the step "c" {said.replace(": ", PLAUSIBLY)}; {COMPARE}']


def test_a_limit_that_plausible_readings_can_meet_and_miss_is_silent() -> None:
    assert of_figure("{sum: [one, two]}, unit: ohm", "{at_most: 9}") == []
    assert of_figure("{ratio: [two, one]}", "{at_least: 2}") == []
    assert of_figure("{imbalance_percent: [one, two]}", "{at_most: 3}") == []
    assert of_figure("{difference: [two, {mean: [one, two]}]}, unit: ohm", "{at_most: 2}") == []
    assert of_figure("{ratio: [two, {difference: [one, two]}]}", "{at_most: 9}", "[2, 6]", "[5, 7]") == []


def test_a_reading_counted_twice_is_told() -> None:
    assert of_figure("{sum: [one, one]}, unit: ohm", "{at_most: 7}") == [
        '"one" is counted twice in this sum; name another step, if it is not there twice'
    ]
