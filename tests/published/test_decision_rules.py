"""Decision rules against JCGM 106:2012, ILAC-G8:09/2019 and ISO 14253-1.

The worked examples of JCGM 106 are quoted from memory and their probabilities worked out again with scipy.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from scipy import stats

from handsfree.judge.decision import Rule, conformity, decide, normal
from handsfree.judge.uncertain import Uncertain, with_source
from handsfree.procedure.model import Verdict

CONFORMING, NONCONFORMING, UNDECIDED = Verdict.CONFORMING, Verdict.NONCONFORMING, Verdict.UNDECIDED
FAR = Decimal("Infinity")


def measured(value: str, standard: float) -> Uncertain:
    return with_source(value, standard, "reading")


@pytest.mark.parametrize(
    ("name", "value", "standard", "low", "high", "printed", "probability"),
    [
        # JCGM 106:2012, 7.3 and 7.4: printed there to two figures (from memory).
        ("breakdown voltage of a Zener diode, at most -5.40 V", "-5.47", 0.05, -FAR, Decimal("-5.40"), 0.92, 0.91924),
        ("burst pressure of a container, at least 490 kPa", "509.7", 8.6, Decimal(490), FAR, 0.99, 0.98901),
        ("viscosity of SAE 40 oil, 12.5 to 16.3 mm2/s", "13.6", 1.8, Decimal("12.5"), Decimal("16.3"), 0.66, 0.66263),
    ],
)
def test_conformance_probability_of_the_worked_examples(
    name: str, value: str, standard: float, low: Decimal, high: Decimal, printed: float, probability: float
) -> None:
    found = conformity(measured(value, standard), (low, high))
    assert found == pytest.approx(printed, abs=0.005), name
    assert found == pytest.approx(probability, abs=5e-6)
    assert found == pytest.approx(stats.norm(float(value), standard).cdf([float(low), float(high)]) @ [-1, 1])


@pytest.mark.parametrize(("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_table_1_gives_z_for_a_conformance_probability(probability: float, z: float) -> None:
    # JCGM 106:2012, table 1: the heading is known, the figures are normal quantiles.
    assert normal(z) == pytest.approx(probability, abs=0.0015)
    assert normal(float(stats.norm.ppf(probability))) == pytest.approx(probability, abs=1e-12)


@pytest.mark.parametrize(
    ("ratio", "below"),
    # ILAC-G8:09/2019, table 1 (from memory): risk of false acceptance on the acceptance limit for w = r U.
    [("3", 1e-6), ("1.5", 0.0016), ("1", 0.025), ("0.83", 0.05), ("0", 0.5)],
)
def test_the_guard_band_bounds_the_risk_of_false_acceptance(ratio: str, below: float) -> None:
    limit, expanded = Decimal("5.5"), Decimal("0.2")
    on_the_acceptance_limit = measured(str(limit - Decimal(ratio) * expanded), 0.1)
    found = decide(on_the_acceptance_limit, (-FAR, limit), Rule.GUARDED_ACCEPTANCE, Decimal(ratio))
    assert found.verdict is CONFORMING
    assert found.risk is not None
    assert found.risk <= below


@pytest.mark.parametrize(
    ("deviations", "probability"), [("0", 0.5), ("1.6448536", 0.95), ("2", 0.97725)], ids=["w=0", "w=1.645u", "w=2u"]
)
def test_a_reading_on_the_acceptance_limit(deviations: str, probability: float) -> None:
    value = Decimal("5.5") - Decimal(deviations) * Decimal("0.1")
    assert conformity(measured(str(value), 0.1), (-FAR, Decimal("5.5"))) == pytest.approx(probability, abs=1e-5)


@pytest.mark.parametrize(
    ("value", "simple", "acceptance", "rejection", "iso"),
    [
        # An upper limit of 5.50 ohm with U = 0.20 and w = U (ILAC-G8:09/2019, 4.2.2 and 4.2.3 applied): pass,
        # conditional pass, conditional fail, fail. The conditional ones are what is undecided here.
        ("5.20", CONFORMING, CONFORMING, CONFORMING, CONFORMING),
        ("5.30", CONFORMING, CONFORMING, CONFORMING, CONFORMING),
        ("5.40", CONFORMING, UNDECIDED, CONFORMING, UNDECIDED),
        ("5.50", CONFORMING, UNDECIDED, CONFORMING, UNDECIDED),
        ("5.60", NONCONFORMING, NONCONFORMING, UNDECIDED, UNDECIDED),
        ("5.70", NONCONFORMING, NONCONFORMING, UNDECIDED, UNDECIDED),
        ("5.80", NONCONFORMING, NONCONFORMING, NONCONFORMING, NONCONFORMING),
    ],
)
def test_an_upper_limit_under_each_rule(
    value: str, simple: Verdict, acceptance: Verdict, rejection: Verdict, iso: Verdict
) -> None:
    wanted = {
        Rule.SIMPLE_ACCEPTANCE: simple,
        Rule.GUARDED_ACCEPTANCE: acceptance,
        Rule.GUARDED_REJECTION: rejection,
        Rule.ISO_14253_1: iso,
    }
    assert {rule: decide(measured(value, 0.1), (-FAR, Decimal("5.50")), rule).verdict for rule in Rule} == wanted


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        ("5.20", CONFORMING),
        ("5.10", CONFORMING),
        ("5.30", CONFORMING),
        ("5.00", UNDECIDED),
        ("4.80", UNDECIDED),
        ("4.60", NONCONFORMING),
        ("5.71", NONCONFORMING),
    ],
)
def test_two_limits_are_drawn_in_from_both_sides(value: str, verdict: Verdict) -> None:
    # ILAC-G8:09/2019, 4.2.3 extended to 4.90 to 5.50 ohm with U = 0.20.
    assert decide(measured(value, 0.1), (Decimal("4.90"), Decimal("5.50"))).verdict is verdict


def test_iso_14253_1_of_2017_needs_a_probability_of_95_percent() -> None:
    # Edition 2013: g = U; edition 2017: 95 percent, g = 1.65 u = 0.83 U (both from memory).
    near = measured("5.33", 0.1)
    assert decide(near, (-FAR, Decimal("5.5")), Rule.ISO_14253_1).verdict is UNDECIDED
    later = decide(near, (-FAR, Decimal("5.5")), Rule.ISO_14253_1, Decimal("0.83"))
    assert later.verdict is CONFORMING
    assert later.conformity > 0.95
