"""Spans of time in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.spoken.span import say_span


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "no time"),
        (0.4, "no time"),
        (1, "one second"),
        (59.6, "one minute"),
        (100, "one minute forty seconds"),
        (3600, "one hour"),
        (3601, "one hour"),
        (-3600, "one hour"),
        (7384, "two hours three minutes"),
        (86_400 * 2 + 3 * 3600 + 59 * 60, "two days three hours"),
        (86_400 * 21 + 59, "twenty one days"),
    ],
)
def test_a_span_is_said_in_its_two_largest_units(seconds: float, said: str) -> None:
    assert say_span(seconds) == said


@given(st.floats(0.5, 1e9), st.sampled_from([2.0, 60.0, 3600.0]))
def test_a_longer_span_by_whole_units_is_never_said_alike(seconds: float, factor: float) -> None:
    assert say_span(seconds) != say_span(seconds * factor + 1)
