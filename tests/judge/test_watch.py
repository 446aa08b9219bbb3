"""Readings over time, as a technician says them every few minutes."""

from __future__ import annotations

import math
import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.judge.decision import Rule
from handsfree.judge.several import ratio
from handsfree.judge.uncertain import JudgingError, exact, with_source
from handsfree.judge.watch import (
    Direction,
    Point,
    at_time,
    came_first,
    has_changed,
    has_reached,
    has_stalled,
    outlook,
    say_duration,
    without_odd,
)
from handsfree.procedure.model import Verdict

MINUTE = 60.0
FALL, RISE = Direction.FALL, Direction.RISE
DIGIT = 0.1 / math.sqrt(12)
CELSIUS = "degree_Celsius"


def series(*values: str, every: float = 2, standard: float = 0.0) -> list[Point]:
    return [
        Point(place * every * MINUTE, with_source(value, standard, f"reading {place}") if standard else exact(value))
        for place, value in enumerate(values)
    ]


def cooling(*minutes: float, settles: float = 2.0, tau: float = 20.0) -> list[Point]:
    """From 24 degC, read to a tenth."""
    return [Point(at * MINUTE, exact(f"{settles + (24 - settles) * math.exp(-at / tau):.1f}")) for at in minutes]


# -- must fall ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "verdict", "says"),
    [
        ([], None, "no reading yet"),
        (["24.0"], None, "not yet fallen by five degrees celsius"),
        (["24.0", "21.0"], None, "not yet"),
        (["24.0", "21.0", "19.0"], None, "one reading is fallen by five degrees celsius: read once more"),
        (["24.0", "21.0", "19.0", "17.5"], Verdict.CONFORMING, "fallen by five degrees celsius after four minutes"),
        (["24.0", "23.8", "23.5", "23.4"], None, "not yet"),
        (
            ["24.0", "23.8", "23.5", "23.4", "23.4", "23.4"],
            Verdict.NONCONFORMING,
            "not fallen by five .* within ten min",
        ),
        (["24.0", "25.0", "26.0", "27.0", "28.0", "29.0"], Verdict.NONCONFORMING, "not fallen"),
        # One reading alone never decides.
        (["24.0", "15.0", "23.6"], None, "not yet"),
        (
            ["24.0", "15.0", "23.6", "23.5", "23.5", "23.5"],
            Verdict.NONCONFORMING,
            "; fifteen point zero .* at two minutes does not fit the others and was left out",
        ),
    ],
)
def test_must_fall_by_so_much_in_so_long(values: list[str], verdict: Verdict | None, says: str) -> None:
    found = has_changed(series(*values), FALL, Decimal(5), 10 * MINUTE, CELSIUS)
    assert found.verdict is verdict
    assert re.search(says, found.reason)


def test_one_reading_against_the_next_is_undecided_where_there_are_too_few_to_tell_which() -> None:
    found = has_changed(series("24.0", "15.0", "23.6", "23.5", every=4), FALL, Decimal(5), 12 * MINUTE, CELSIUS)
    assert found.verdict is Verdict.UNDECIDED
    assert found.reason == "one reading was fallen by five degrees celsius, the next was not"


def test_must_rise_is_the_same_the_other_way() -> None:
    found = has_changed(series("20", "24", "26", "27"), RISE, Decimal(5), 10 * MINUTE, CELSIUS)
    assert (found.verdict, found.seconds) == (Verdict.CONFORMING, 240)


def test_a_fall_smaller_than_the_meter_can_tell_is_undecided() -> None:
    points = series("24.0", "23.5", "23.2", "23.0", "22.9", "22.9", standard=0.4)
    found = has_changed(points, FALL, Decimal(1), 10 * MINUTE, CELSIUS)
    assert found.verdict is Verdict.UNDECIDED
    assert "too near to tell with this meter" in found.reason
    plain = has_changed(points, FALL, Decimal(1), 10 * MINUTE, CELSIUS, Rule.SIMPLE_ACCEPTANCE)
    assert plain.verdict is Verdict.CONFORMING


def test_a_change_of_nothing_cannot_be_waited_for() -> None:
    with pytest.raises(ValueError, match="above zero"):
        has_changed(series("24"), FALL, Decimal(0), MINUTE, CELSIUS)


# -- must reach --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "within", "verdict"),
    # 24 to 2 degC with 20 min is at 4 degC after 20 ln 11 = 48 min.
    [
        ([0, 10, 20, 30, 40], 60, None),
        ([0, 10, 20, 30, 40, 50], 60, None),
        ([0, 10, 20, 30, 40, 50, 60], 60, Verdict.CONFORMING),
        ([0, 10, 20, 30, 40], 40, Verdict.NONCONFORMING),
        ([0, 10, 20, 30, 40, 50, 60], 45, Verdict.NONCONFORMING),
    ],
)
def test_must_reach_a_value_in_time(minutes: list[float], within: float, verdict: Verdict | None) -> None:
    found = has_reached(cooling(*minutes), FALL, Decimal(4), within * MINUTE, CELSIUS, least_scatter=DIGIT)
    assert found.verdict is verdict


def test_a_reading_that_does_not_fit_is_left_out_before_it_can_decide() -> None:
    points = cooling(*range(0, 40, 4))
    points[3] = Point(points[3].seconds, exact("3.0"))  # thirteen heard as three
    kept, odd = without_odd(points, DIGIT)
    assert odd == (3,)
    assert [point for point in points if point not in kept] == [points[3]]
    found = has_reached(points, FALL, Decimal(4), 30 * MINUTE, CELSIUS, least_scatter=DIGIT)
    assert (found.verdict, found.odd) == (Verdict.NONCONFORMING, (3,))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 9), st.decimals("-30", "60", places=1))
def test_one_misheard_reading_never_makes_a_slow_store_conform(place: int, heard: Decimal) -> None:
    points = cooling(*range(0, 40, 4), settles=8)
    points[place] = Point(points[place].seconds, exact(heard))
    assert has_reached(points, FALL, Decimal(4), 36 * MINUTE, CELSIUS, least_scatter=DIGIT).verdict in (
        None,
        Verdict.UNDECIDED,
        Verdict.NONCONFORMING,
    )


# -- A before B, stalled, two times ------------------------------------------------------------------------------------

FREEZING = (lambda point: point.value.value <= 0, lambda point: point.value.value <= 6)


@pytest.mark.parametrize(
    ("evaporator", "air", "verdict"),
    [
        (["20", "5", "-2", "-6", "-9"], ["20", "15", "10", "7", "6"], Verdict.CONFORMING),
        (["20", "18", "16", "12", "8"], ["20", "9", "6", "5", "4"], Verdict.NONCONFORMING),
        (["20", "5", "-2", "-4"], ["20", "9", "5", "4"], Verdict.UNDECIDED),
        (["20", "12"], ["20", "15"], None),
        (["20", "5", "-2"], ["20", "15", "10"], None),  # one reading alone
    ],
)
def test_the_evaporator_is_cold_before_the_air(evaporator: list[str], air: list[str], verdict: Verdict | None) -> None:
    assert came_first(series(*evaporator), series(*air), FREEZING).verdict is verdict


@pytest.mark.parametrize(
    ("values", "stalled"),
    [
        (["9.0", "8.9", "8.9", "9.0", "8.9"], True),
        (["9.0", "8.5", "8.0", "7.5", "7.0"], False),
        (["9.0", "8.5", "18.0", "7.5", "7.0"], False),  # one misheard
        (["9.0", "8.9", "18.9", "9.0", "8.9"], True),
        (["9.0", "8.9", "8.9"], None),  # not eight minutes yet
        ([], None),
    ],
)
def test_a_stall_is_a_small_change_whatever_one_reading_says(values: list[str], stalled: bool | None) -> None:
    assert has_stalled(series(*values), 8 * MINUTE, Decimal("0.5")) is stalled


def test_the_ratio_of_readings_at_two_times() -> None:
    insulation = [Point(at, exact(value)) for at, value in ((15, "150"), (62, "400"), (300, "700"), (598, "860"))]
    assert ratio(at_time(insulation, 600, 10), at_time(insulation, 60, 10)).value == Decimal("2.15")
    with pytest.raises(JudgingError, match="no reading was taken at two minutes: begin again and read at that time"):
        at_time(insulation, 120, 10)
    with pytest.raises(JudgingError, match="no reading was taken at one minute"):
        at_time([], 60, 10)


# -- where it is going -------------------------------------------------------------------------------------------------


def test_the_outlook_is_said_as_a_colleague_would_say_it() -> None:
    points = cooling(*range(0, 32, 4))  # at 28 min; 4 degC at 48
    found = outlook(points, FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT)
    assert found.on_track is True
    assert found.words == "on track: four degrees celsius in about twenty minutes"


def test_the_outlook_of_a_store_that_is_too_slow() -> None:
    points = cooling(*range(0, 32, 4))
    assert outlook(points, FALL, Decimal(4), 35 * MINUTE, CELSIUS, DIGIT).words.startswith("not on track: four degrees")
    warm = outlook(cooling(*range(0, 60, 4), settles=8), FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT)
    assert warm.on_track is False
    assert warm.words.startswith("not on track: it settles at about eight point")
    assert warm.words.endswith("short of four degrees celsius")


def test_the_outlook_names_the_reading_that_was_left_out() -> None:
    points = cooling(*range(0, 32, 4))
    points[4] = Point(points[4].seconds, exact("90.4"))
    found = outlook(points, FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT)
    assert found.curve.odd == (4,)
    assert found.words.endswith(
        "; ninety point four degrees celsius at sixteen minutes does not fit the others and was left out"
    )


def test_every_reading_that_was_left_out_is_named() -> None:
    points = cooling(*range(0, 44, 4))
    points[2] = Point(points[2].seconds, exact("50.0"))
    points[7] = Point(points[7].seconds, exact("40.0"))
    kept, odd = without_odd(points, DIGIT)
    assert (odd, len(kept)) == ((2, 7), 9)
    for words in (
        outlook(points, FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT).words,
        has_reached(points, FALL, Decimal(4), 60 * MINUTE, CELSIUS, least_scatter=DIGIT).reason,
    ):
        assert words.endswith(
            "; fifty point zero degrees celsius at eight minutes and forty point zero degrees celsius at twenty eight "
            "minutes do not fit the others and were left out"
        )


def test_two_readings_in_a_row_are_believed() -> None:
    points = cooling(*range(0, 44, 4))
    for place in (8, 9):  # somebody opened the door
        points[place] = Point(points[place].seconds, exact("17.0"))
    assert len(without_odd(points, DIGIT)[1]) < 2


def test_late_in_a_watch_it_is_said_what_stands_against_it() -> None:
    scattered = [
        Point(point.seconds, exact(point.value.value + Decimal(number % 3 - 1) / 2))
        for number, point in enumerate(cooling(*range(0, 32, 4)))
    ]
    early = outlook(scattered, FALL, Decimal(4), 70 * MINUTE, CELSIUS, DIGIT)
    assert (early.on_track, early.words.partition(":")[0]) == (None, "too early to tell")
    late = outlook(scattered, FALL, Decimal(4), 45 * MINUTE, CELSIUS, DIGIT)
    assert late.on_track is None
    assert re.fullmatch(
        r"in doubt: four degrees celsius in about \w+( \w+)? minutes, and fifteen minutes are left", late.words
    )
    settling = outlook(cooling(*range(0, 64, 4), settles=4.05), FALL, Decimal(4), 80 * MINUTE, CELSIUS, DIGIT)
    assert settling.words == "in doubt: it settles near four degrees celsius, and may stay short of it"


def test_the_outlook_of_few_readings_is_not_yet_known() -> None:
    with pytest.raises(JudgingError, match="too early to tell"):
        outlook(cooling(0, 4, 8), FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT)
    near = outlook(cooling(0, 2, 4, 6), FALL, Decimal(4), 49 * MINUTE, CELSIUS, DIGIT)
    assert near.on_track is None
    assert near.words.startswith("too early to tell")


def test_a_value_that_has_been_reached_is_reported_so() -> None:
    found = outlook(cooling(*range(0, 64, 4)), FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT)
    assert (found.on_track, found.words) == (True, "at four degrees celsius")


def test_the_meters_own_error_widens_the_projection() -> None:
    points = cooling(*range(0, 32, 4))
    off = [
        Point(point.seconds, with_source(point.value.value, 0.5, f"at {point.seconds}", "thermometer"))
        for point in points
    ]
    plain, wide = (outlook(these, FALL, Decimal(4), 60 * MINUTE, CELSIUS, DIGIT).projection for these in (points, off))
    assert plain is not None
    assert wide is not None
    assert wide.seconds == plain.seconds
    assert wide.earliest < plain.earliest
    assert wide.latest > plain.latest


@pytest.mark.parametrize(
    ("seconds", "exactly", "about"),
    [
        (1, "one second", "one minute"),
        (45, "forty five seconds", "one minute"),
        (60, "one minute", "one minute"),
        (6 * 60 + 10, "six minutes", "six minutes"),
        (22 * 60, "twenty two minutes", "twenty minutes"),
        (58 * 60, "fifty eight minutes", "one hour"),
        (65 * 60, "one hour five minutes", "one hour"),
        (125 * 60, "two hours five minutes", "two hours"),
    ],
)
def test_durations_are_said_as_people_say_them(seconds: float, exactly: str, about: str) -> None:
    assert say_duration(seconds) == exactly
    assert say_duration(seconds, about=True) == about


def test_points_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="times that rise"):
        has_stalled([Point(60, exact(1)), Point(0, exact(1))], MINUTE, Decimal(1))
