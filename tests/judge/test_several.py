"""One figure from several readings."""

from __future__ import annotations

from decimal import Decimal
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.judge.decision import decide
from handsfree.judge.several import difference, imbalance, ratio, together
from handsfree.judge.uncertain import JudgingError, exact, with_source
from handsfree.procedure.model import Verdict


def test_two_to_four_ohms_above_a_sibling() -> None:
    sibling = exact("3.1")
    limits = (Decimal(2), Decimal(4))
    for value, verdict in (
        ("5.0", "nonconforming"),
        ("5.1", "conforming"),
        ("7.1", "conforming"),
        ("7.2", "nonconforming"),
    ):
        assert decide(difference(exact(value), sibling), limits).verdict == verdict


def test_a_sibling_within_the_doubt_leaves_the_difference_undecided() -> None:
    above = difference(with_source("5.1", 0.1, "path"), with_source("3.1", 0.1, "sibling"))
    assert decide(above, (Decimal(2), Decimal(4))).verdict is Verdict.UNDECIDED


def test_dividing_by_what_may_be_zero_is_refused() -> None:
    with pytest.raises(JudgingError, match="measure it again"):
        ratio(exact(5), exact(0))
    with pytest.raises(JudgingError, match="measure it again"):
        ratio(exact(5), with_source("0.1", 0.06, "other"))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.decimals("1", "500", places=1), min_size=2, max_size=6))
def test_imbalance_is_that_of_the_phase_furthest_from_the_mean(values: list[Decimal]) -> None:
    found = imbalance({str(place): exact(value) for place, value in enumerate(values)})
    mean = sum(values) / len(values)
    assert found.percent.value == pytest.approx(max(abs(value - mean) for value in values) / mean * 100)
    assert abs(values[int(found.worst)] - mean) == pytest.approx(max(abs(value - mean) for value in values))


def test_imbalance_of_one_phase_or_of_both_signs_is_refused() -> None:
    with pytest.raises(JudgingError, match="measure the others"):
        imbalance({"a": exact(1)})
    with pytest.raises(ValueError, match="one sign"):
        imbalance({"a": exact(1), "b": exact(-1)})
    with pytest.raises(JudgingError, match="zero as far as the meter can tell"):
        imbalance({"a": exact(0), "b": exact(0)})


def test_several_verdicts_are_as_good_as_the_worst() -> None:
    order = [Verdict.CONFORMING, Verdict.UNDECIDED, Verdict.NONCONFORMING]
    for several in product(order, repeat=3):
        assert together(several) is max(several, key=order.index)
    with pytest.raises(ValueError, match="no verdicts"):
        together([])
