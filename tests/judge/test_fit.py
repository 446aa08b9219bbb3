"""What is known of a procedure and the meters at hand before anybody goes to the machine."""

from __future__ import annotations

from pathlib import Path

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


def test_a_quantity_a_rating_and_a_tolerance_that_no_meter_has_are_told() -> None:
    assert found("quantity: voltage, unit: volt, waveform: ac", OSTREL) == [
        "no meter of these measures ac voltage: Ostrel; its reading is judged without uncertainty"
    ]
    assert found(f"{OHMS}, needs_rating: {{category: III, volts: 300}}", OSTREL) == [
        "no meter of these is rated CAT III 300 V: Ostrel; bring one that is"
    ]
    coarse = [
        'with these meters no reading of the step "m" can be called conforming: Ostrel; bring a finer meter, one of a '
        "higher range, or choose another decision_rule"
    ]
    assert found(f"{OHMS}, limit: {{nominal: 10, plus_minus: 0.1}}", OSTREL) == coarse
    assert found(f"{OHMS}, limit: {{at_least: 5000}}", OSTREL) == coarse
    assert found(f"{OHMS}, limit: {{nominal: 10, plus_minus: 0.1}}, decision_rule: simple acceptance", OSTREL) == []


def test_a_plausible_range_beside_the_limit_is_told_without_any_meter() -> None:
    assert found(f"{OHMS}, limit: {{at_most: 7}}, plausible: [10, 20]") == [
        'no plausible reading of the step "m" conforms; compare it with the limit; both are in the unit of the step'
    ]
