"""A reading at its step: what holds for every meter, limit and rule."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.judge.assess import Assessment, Means, Zero, assess, doubt_about
from handsfree.judge.meter import Meter
from handsfree.judge.uncertain import JudgingError
from handsfree.judge.verdict import judge
from handsfree.procedure.model import DecisionRule, Measure, Verdict
from handsfree.spoken.meaning import Kind, Quantity, Reading

METER = Meter.model_validate(
    {
        "meter": "bench",
        "name": "Bench",
        "serial": "1",
        "calibration_due": "2031-01-01",
        "functions": [
            {
                "quantity": "resistance",
                "unit": "ohm",
                "ranges": [
                    {"up_to": "60", "resolution": "0.01", "percent": "0.5", "counts": "2"},
                    {"up_to": "6000", "resolution": "1", "percent": "0.5", "counts": "2"},
                ],
            }
        ],
    }
)


def step(**more: object) -> Measure:
    plain = {
        "id": "m",
        "kind": "measure",
        "say": "Measure.",
        "reading": "coil",
        "quantity": "resistance",
        "unit": "ohm",
    }
    return Measure.model_validate(plain | more)


COIL = step(limit={"between": ["4.00", "5.50"]})
LEADS = step(minus_leads="leads", limit={"at_most": "0.6"})


def reading(value: str, unit: str = "ohm", kind: Kind = Kind.READING) -> Reading:
    return Reading(kind, value, unit)


def judged(
    one: Reading, at: Measure = COIL, rule: DecisionRule = DecisionRule.ISO_14253_1, **more: object
) -> Assessment:
    return assess(one, at, Means(rule, Decimal(1), **more))  # type: ignore[arg-type]


@settings(max_examples=150, deadline=None)
@given(st.decimals("0.01", "20", places=2), st.sampled_from(list(Kind)), st.sampled_from(list(DecisionRule)))
def test_a_guard_band_leaves_open_what_the_limits_alone_decide_and_turns_nothing_round(
    value: Decimal, kind: Kind, rule: DecisionRule
) -> None:
    one = Reading(kind, None if kind is Kind.OVER_RANGE else format(value, "f"), "ohm")
    plain = judge(one, COIL).verdict
    found = judged(one, rule=rule, meter=METER)
    assert judged(one, rule=rule).judgement.verdict is plain
    assert found.judgement.verdict in (plain, Verdict.UNDECIDED)
    if rule is DecisionRule.SIMPLE_ACCEPTANCE:
        assert found.judgement.verdict is plain
    if found.judgement.verdict is Verdict.UNDECIDED:
        assert found.doubt()
    if kind is not Kind.READING:
        assert found.data().get("decision", {}).get("conformity") is None  # type: ignore[attr-defined]


def test_a_unit_said_instead_of_the_steps_changes_no_verdict() -> None:
    ohms, milliohms = judged(reading("5.48"), meter=METER), judged(reading("5480", "milliohm"), meter=METER)
    assert ohms.judgement.verdict is milliohms.judgement.verdict is Verdict.UNDECIDED
    assert ohms.expanded == "0.056"
    assert milliohms.judgement.limit == "between four point zero zero and five point five zero ohms"


def test_a_meter_that_does_not_measure_the_quantity_is_left_out() -> None:
    volts = step(quantity="voltage", unit="volt", limit={"at_most": 1})
    found = judged(reading("0.5", "volt"), volts, meter=METER)
    assert (found.meter, found.expanded, found.data()) == (None, None, {})


@pytest.mark.parametrize("meter", [None, METER])
@pytest.mark.parametrize(
    ("value", "unit", "verdict"),
    [
        ("0.83", "ohm", Verdict.CONFORMING),
        ("830", "milliohm", Verdict.CONFORMING),
        ("1.20", "ohm", Verdict.NONCONFORMING),
        ("0.30", "ohm", Verdict.CONFORMING),  # below zero by a digit
    ],
)
def test_leads_come_off_in_any_unit(meter: Meter | None, value: str, unit: str, verdict: Verdict) -> None:
    found = judged(reading(value, unit), LEADS, meter=meter, zero=Zero("r1", reading("0.31"), meter))
    assert found.judgement.verdict is verdict
    assert found.leads == Decimal("0.31")
    assert found.reading == reading(value, unit)


@pytest.mark.parametrize("meter", [None, METER])
@pytest.mark.parametrize(("value", "unit"), [("0.20", "ohm"), ("200", "milliohm")])
def test_less_than_the_leads_is_no_reading(meter: Meter | None, value: str, unit: str) -> None:
    with pytest.raises(JudgingError, match="is less than the leads alone read"):
        judged(reading(value, unit), LEADS, meter=meter, zero=Zero("r1", reading("0.31"), meter))


def test_over_range_has_no_leads_to_take_off() -> None:
    found = judged(Reading(Kind.OVER_RANGE, None, "ohm"), LEADS, meter=METER, zero=Zero("r1", reading("0.31"), METER))
    assert found.judgement.verdict is Verdict.NONCONFORMING
    assert found.data() == {"meter": "bench"}


def test_a_meter_that_tells_ac_from_dc_takes_the_steps_word_for_it() -> None:
    one = {"quantity": "voltage", "unit": "volt", "ranges": [{"up_to": "600", "resolution": "0.1", "percent": "1"}]}
    both = Meter.model_validate(
        METER.model_dump(mode="json") | {"functions": [one | {"waveform": "ac"}, one | {"waveform": "dc"}]}
    )
    asked = step(quantity=Quantity.VOLTAGE, unit="volt", waveform="ac", limit={"at_most": 250})
    assert judged(reading("230.0", "volt"), asked, meter=both).expanded == "2.7"
    with pytest.raises(JudgingError, match="say a c or d c"):
        judged(reading("230.0", "volt"), asked.model_copy(update={"waveform": None}), meter=both)


def test_a_nameplate_states_more_than_zero() -> None:
    plate = step(quantity="power", unit="watt", nameplate=True)
    with pytest.raises(JudgingError, match="read the plate again"):
        judged(reading("0", "watt"), plate)
    assert judged(reading("1000", "watt"), plate).judgement.verdict is None


def test_a_reading_within_its_own_limit_is_questioned_where_a_figure_made_of_it_would_turn() -> None:
    element, means = step(limit={"at_most": 200}), Means(DecisionRule.SIMPLE_ACCEPTANCE, Decimal(1))

    def imbalance(of: Reading) -> Verdict:
        return Verdict.CONFORMING if of.value == "15" else Verdict.NONCONFORMING

    assert doubt_about(["fifteen", "ohms"], reading("15"), element, means, worked=imbalance).asks
    assert not doubt_about(["fifteen", "ohms"], reading("15"), element, means).asks
