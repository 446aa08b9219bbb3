"""What holds for every decision, whatever the figures."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.judge.decision import Rule, can_ever_conform, conformity, decide
from handsfree.judge.uncertain import exact, with_source
from handsfree.procedure.model import Verdict

FAR = Decimal("Infinity")
values = st.decimals("-100", "100", places=2)
spreads = st.floats(0.001, 20)
rules = st.sampled_from(list(Rule))


@st.composite
def limits(draw: st.DrawFn) -> tuple[Decimal, Decimal]:
    low, high = sorted((draw(values), draw(values)))
    return draw(st.sampled_from([(low, high), (-FAR, high), (low, FAR)]))


@settings(max_examples=100, deadline=None)
@given(values, spreads, limits(), rules)
def test_a_guarded_verdict_is_surer_than_its_limit(
    value: Decimal, spread: float, ends: tuple[Decimal, Decimal], rule: Rule
) -> None:
    found = decide(with_source(value, spread, "reading"), ends, rule)
    inside = ends[0] <= value <= ends[1]
    if found.verdict is Verdict.CONFORMING:
        assert inside
    if found.verdict is Verdict.NONCONFORMING:
        assert not inside
    if rule is Rule.SIMPLE_ACCEPTANCE:
        assert found.verdict is not Verdict.UNDECIDED
    if found.verdict is Verdict.UNDECIDED:
        assert found.reason
        assert found.risk is None
    if rule is Rule.ISO_14253_1 and found.risk is not None:
        # g = 2 u on each side: at most 2.275 percent on the near side and less on the far one.
        assert found.risk <= 0.0228 * 2


@settings(max_examples=100, deadline=None)
@given(values, limits(), rules)
def test_without_uncertainty_every_rule_is_simple_acceptance(
    value: Decimal, ends: tuple[Decimal, Decimal], rule: Rule
) -> None:
    found = decide(exact(value), ends, rule)
    assert found.verdict is (Verdict.CONFORMING if ends[0] <= value <= ends[1] else Verdict.NONCONFORMING)
    assert found.risk == 0
    assert found.conformity in (0, 1)


@settings(max_examples=100, deadline=None)
@given(values, spreads, limits())
def test_conformity_is_a_probability(value: Decimal, spread: float, ends: tuple[Decimal, Decimal]) -> None:
    probability = conformity(with_source(value, spread, "reading"), ends)
    assert 0 <= probability <= 1
    turned = conformity(with_source(-value, spread, "reading"), (-ends[1], -ends[0]))
    assert probability == pytest.approx(turned, abs=1e-15)


def test_far_off_the_probability_keeps_its_figures() -> None:
    far = conformity(with_source("10", 1.0, "reading"), (-FAR, Decimal(0)))
    assert far == pytest.approx(7.6198530241605e-24, rel=1e-9)  # the normal tail at ten deviations
    assert math.isclose(conformity(with_source("10", 1.0, "r"), (Decimal(-1), Decimal(0))), far, rel_tol=1e-3)


def test_sums_of_digits_stay_on_the_limit() -> None:
    # In binary 0.3 - 0.1 is less than 0.2.
    corrected = exact("0.3") - exact("0.1")
    assert decide(corrected, (Decimal("0.2"), FAR)).verdict is Verdict.CONFORMING


def test_a_meter_too_coarse_for_a_tolerance_is_called_so() -> None:
    tolerance = (Decimal("4.9"), Decimal("5.1"))
    found = decide(with_source("5.0", 0.1, "reading"), tolerance)
    assert found.verdict is Verdict.UNDECIDED
    assert "too coarse for this tolerance" in found.reason
    assert not can_ever_conform(0.1, tolerance, Rule.ISO_14253_1)
    assert can_ever_conform(0.05, tolerance, Rule.ISO_14253_1)
    assert can_ever_conform(0.1, tolerance, Rule.SIMPLE_ACCEPTANCE)
    assert can_ever_conform(0.1, (Decimal("4.9"), FAR), Rule.ISO_14253_1)


def test_an_undecided_reading_is_said_to_be_inside_or_outside() -> None:
    limit = (-FAR, Decimal("5.5"))
    assert decide(with_source("5.4", 0.1, "reading"), limit).reason.startswith("inside the limit by less than")
    assert decide(with_source("5.6", 0.1, "reading"), limit).reason.startswith("outside the limit by less than")


@pytest.mark.parametrize("ends", [(Decimal(2), Decimal(1)), (-FAR, FAR)])
def test_limits_that_are_none_are_refused(ends: tuple[Decimal, Decimal]) -> None:
    with pytest.raises(ValueError, match="no interval to conform to"):
        decide(exact(1), ends)


def test_a_negative_guard_band_is_refused() -> None:
    with pytest.raises(ValueError, match="r zero or more"):
        decide(exact(1), (-FAR, Decimal(2)), ratio=Decimal(-1))
