"""Propagated uncertainty against Monte Carlo (JCGM 101:2008) and against the package ``uncertainties``."""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from handsfree.judge.curves import heater_ohms, platinum_celsius, winding_at
from handsfree.judge.insulation import polarization_index
from handsfree.judge.several import disagreement, imbalance
from handsfree.judge.uncertain import Uncertain, exact, rectangular, total, with_source
from handsfree.judge.zero import correct

Floats = NDArray[np.float64]
TRIALS = 200_000


def inputs(**bands: tuple[str, float]) -> dict[str, Uncertain]:
    """Readings with the half width of their rectangular band."""
    return {name: with_source(value, rectangular(half), name) for name, (value, half) in bands.items()}


def platinum_by_table(ohms: Floats) -> Floats:
    celsius = np.linspace(-10, 60, 70_001)
    return np.interp(ohms, 100 * (1 + 3.9083e-3 * celsius - 5.775e-7 * celsius**2), celsius)


def greatest_deviation(a: Floats, b: Floats, c: Floats) -> Floats:
    mean = (a + b + c) / 3
    return 100 * (mean - c) / mean


CASES: list[tuple[str, dict[str, Uncertain], Callable[..., Uncertain], Callable[..., Floats]]] = [
    (
        "low ohms less the leads",
        inputs(raw=("0.83", 0.03), zero=("0.31", 0.02)),
        lambda raw, zero: correct(raw, zero).corrected,
        lambda raw, zero: raw - zero,
    ),
    (
        "start and run less both",
        inputs(start=("11.0", 0.3), run=("4.0", 0.2), both=("15.0", 0.4)),
        lambda start, run, both: disagreement([start, run], both),
        lambda start, run, both: start + run - both,
    ),
    (
        "polarization index",
        inputs(one=("400", 12), ten=("860", 26)),
        lambda one, ten: polarization_index(one, ten),
        lambda one, ten: ten / one,
    ),
    (
        "winding at 20 degrees",
        inputs(ohms=("5.20", 0.07), celsius=("35", 1.0)),
        lambda ohms, celsius: winding_at(ohms, celsius),
        lambda ohms, celsius: ohms * 254.5 / (celsius + 234.5),
    ),
    (
        "heater from its plate: one voltage twice",
        inputs(volts=("120", 2.0), watts=("200", 4.0)),
        lambda volts, watts: heater_ohms(volts, watts),
        lambda volts, watts: volts**2 / watts,
    ),
    ("Pt100", inputs(ohms=("108.2", 0.4)), lambda ohms: platinum_celsius(ohms), lambda ohms: platinum_by_table(ohms)),
    (
        "imbalance: each phase is in the mean as well",
        inputs(a=("460", 3), b=("467", 3), c=("450", 3)),
        lambda a, b, c: imbalance({"a": a, "b": b, "c": c}).percent,
        greatest_deviation,
    ),
]


@pytest.mark.parametrize(("name", "readings", "propagated", "sampled"), CASES, ids=[case[0] for case in CASES])
def test_propagated_uncertainty_is_that_of_monte_carlo(
    name: str,
    readings: dict[str, Uncertain],
    propagated: Callable[..., Uncertain],
    sampled: Callable[..., Floats],
) -> None:
    rng = np.random.default_rng(101)
    draws = {
        name: float(reading.value) + rng.uniform(-1, 1, TRIALS) * reading.standard * math.sqrt(3)
        for name, reading in readings.items()
    }
    found, trials = propagated(**readings), sampled(**draws)
    # JCGM 101:2008, 8.1: alike within the figures that matter, two of the uncertainty.
    assert found.standard == pytest.approx(float(trials.std()), rel=0.02)
    assert float(found.value) == pytest.approx(float(trials.mean()), abs=0.1 * found.standard)


def test_readings_of_one_range_count_as_one_error_or_several_whichever_is_worse() -> None:
    # JCGM 100:2008, F.1.2.3: an instrument used twice. A sum adds the errors, a difference does not cancel them.
    phases = [with_source("5.0", 0.1, name, family="meter, up to 60") for name in ("a", "b", "c")]
    assert total(phases).standard == pytest.approx(0.3)
    assert (phases[0] - phases[1]).standard == pytest.approx(0.1 * math.sqrt(2))


value = st.decimals("0.5", "50", places=2)
spread = st.floats(0.001, 0.01)
operation = st.sampled_from(["add", "subtract", "multiply", "divide", "square", "negate"])


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(value, spread), min_size=2, max_size=4),
    st.lists(st.tuples(operation, st.integers(0, 3)), max_size=6),
)
def test_propagation_is_that_of_the_uncertainties_package(
    readings: list[tuple[Decimal, float]], steps: list[tuple[str, int]]
) -> None:
    """Any expression, each reading used as often as it comes."""
    ours = [with_source(value, spread, f"reading {place}") for place, (value, spread) in enumerate(readings)]
    theirs = [uncertainties.ufloat(float(value), spread) for value, spread in readings]
    mine, other = ours[0], theirs[0]
    largest = abs(other.nominal_value)  # on the way: what floats lose when it cancels, the decimals here keep
    for name, place in steps:
        reading, their_reading = ours[place % len(ours)], theirs[place % len(ours)]
        match name:
            case "add":
                mine, other = mine + reading, other + their_reading
            case "subtract":
                mine, other = mine - reading, other - their_reading
            case "multiply":
                mine, other = mine * reading, other * their_reading
            case "divide":
                mine, other = mine / reading, other / their_reading
            case "square":
                mine, other = mine * mine, other * other
            case "negate":
                mine, other = -mine, -other
        largest = max(largest, abs(other.nominal_value), other.std_dev)
    assert float(mine.value) == pytest.approx(other.nominal_value, rel=1e-9, abs=1e-9 * largest)
    assert mine.standard == pytest.approx(other.std_dev, rel=1e-6, abs=1e-9 * largest)


def test_a_reading_used_twice_is_one_error() -> None:
    reading = with_source("5.2", 0.1, "reading")
    assert (reading - reading).standard == 0
    assert (reading + reading).standard == pytest.approx(0.2)
    assert (reading / reading).standard == pytest.approx(0, abs=1e-12)
    assert (reading - exact("0.2")).value == Decimal("5.0")
