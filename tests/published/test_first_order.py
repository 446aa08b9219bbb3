"""The first-order curve against its own figures, against scipy, and in simulated coolings with noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from handsfree.judge.firstorder import FirstOrder, fit, odd_ones_out, student
from handsfree.judge.uncertain import JudgingError

Floats = NDArray[np.float64]
DIGIT = 0.1 / math.sqrt(12)


def curve(t: Floats, settles: float, starts: float, tau: float) -> Floats:
    return settles + (starts - settles) * np.exp(-t / tau)


def cooling(rng: np.random.Generator, noise: float, minutes: int = 60, every: int = 6) -> tuple[Floats, Floats]:
    """A store from 24 towards 4 degC with a time constant of 45 min, read to a tenth."""
    t = np.arange(0, minutes + 1, every) * 60.0
    return t, np.round(curve(t, 4, 24, 2700) + rng.normal(0, noise, len(t)), 1)


@pytest.mark.parametrize(("constants", "percent"), [(1, 63.2), (2, 86.5), (3, 95.0), (5, 99.3)])
def test_the_response_after_so_many_time_constants(constants: int, percent: float) -> None:
    # Newton's law of cooling; every handbook of measurement.
    t = np.linspace(0, 300, 11)
    found = fit(list(t), list(curve(t, 100, 0, 60)), 1e-9)
    assert found.at(60 * constants) == pytest.approx(percent, abs=0.05)


def test_the_worked_example_of_a_chamber() -> None:
    # 24 to 4 degC with 45 min: 11.36, 6.71, 5.00 and 4.37 degC; at 6 degC after tau ln 10 = 103.6 min.
    found = FirstOrder(4, 24, 45 * 60, ((0.0,) * 3,) * 3, 0, 5, None)
    assert [round(found.at(minutes * 60), 2) for minutes in (45, 90, 135, 180)] == [11.36, 6.71, 5.00, 4.37]
    there = found.reaches(6)
    assert there is not None
    assert there.seconds / 60 == pytest.approx(103.6, abs=0.05)


@pytest.mark.parametrize("seed", range(8))
def test_the_fit_and_its_covariance_are_those_of_scipy(seed: int) -> None:
    t, y = cooling(np.random.default_rng(seed), 0.15)
    found = fit(list(t), list(y), 0.0)
    t, y = np.delete(t, found.odd), np.delete(y, found.odd)
    best, covariance = optimize.curve_fit(curve, t, y, p0=(5, 20, 2000))
    assert (found.settles, found.starts, found.tau) == pytest.approx(tuple(best), rel=1e-3)
    assert np.array(found.covariance) == pytest.approx(covariance, rel=1e-2)


def test_the_interval_of_the_projected_time_holds_it_nineteen_times_of_twenty() -> None:
    rng = np.random.default_rng(1)
    truth = 2700 * math.log(10)
    runs = 300
    held = 0
    for _ in range(runs):
        t, y = cooling(rng, 0.1)
        there = fit(list(t), list(y), DIGIT).reaches(6.0)
        assert there is not None
        held += there.earliest <= truth <= there.latest
    # Four standard deviations of a count of 300 at 95 percent.
    assert abs(held / runs - 0.95) < 4 * math.sqrt(0.95 * 0.05 / runs)


def test_a_misheard_reading_is_found_left_out_and_named() -> None:
    rng = np.random.default_rng(2)
    found = 0
    for _ in range(60):
        t, y = cooling(rng, 0.1)
        place = int(rng.integers(len(t)))
        y[place] += rng.choice([-9, -4, 3, 10, 40])  # five for nine, -teen for -ty, a figure lost or added
        fitted = fit(list(t), list(y), DIGIT)
        found += fitted.odd == (place,)
        assert fitted.tau == pytest.approx(2700, rel=0.3)
    assert found == 60


def test_a_sound_series_has_an_odd_reading_in_about_one_of_a_hundred() -> None:
    rng = np.random.default_rng(3)
    runs = 400
    odd = sum(odd_ones_out(*map(list, cooling(rng, 0.1)), DIGIT) != () for _ in range(runs))
    assert odd / runs < 0.01 + 4 * math.sqrt(0.01 * 0.99 / runs)


@pytest.mark.parametrize("confidence", [0.6827, 0.95, 0.99])
@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 7, 10, 30])
def test_student_t_is_that_of_scipy(confidence: float, freedom: int) -> None:
    # JCGM 100:2008, table G.2, is made of the same.
    assert student(confidence, freedom) == pytest.approx(stats.t.ppf((1 + confidence) / 2, freedom), rel=1e-9)


def test_table_g_2_of_the_gum() -> None:
    # JCGM 100:2008, table G.2 (from memory): 95 percent for 1, 5 and 10 degrees of freedom.
    assert [round(student(0.95, freedom), 2) for freedom in (1, 5, 10)] == [12.71, 2.57, 2.23]


def test_a_straight_line_does_not_tell_where_it_settles() -> None:
    with pytest.raises(JudgingError, match="show no curve yet, go on reading"):
        fit([0, 60, 120, 180, 240], [24.0, 23.0, 22.0, 21.0, 20.0], DIGIT)


def test_readings_that_do_not_change_have_no_curve() -> None:
    with pytest.raises(JudgingError):
        fit([0, 60, 120, 180, 240], [4.0] * 5, DIGIT)


def test_three_readings_are_too_few() -> None:
    with pytest.raises(JudgingError, match="a curve needs 4 readings, and there are 3"):
        fit([0, 60, 120], [24.0, 20.0, 18.0], DIGIT)


def test_times_that_do_not_rise_are_refused() -> None:
    with pytest.raises(ValueError, match="times that rise"):
        fit([0, 60, 60, 180], [24.0, 20.0, 18.0, 17.0], DIGIT)
