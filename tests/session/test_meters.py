"""Meters, leads, decision rules and doubtful hearings, sentence by sentence, as a technician meets them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self

import pytest

from handsfree.judge.meter import Meter
from handsfree.judge.meterfile import load_meters, loads_meter
from handsfree.procedure.load import Loaded, load, loads
from handsfree.procedure.proof import prove
from handsfree.review.report import render
from handsfree.session.events import Act, Ended, Event, Fault, Heard, Mark, Record, Say, Started
from handsfree.session.journal import JOURNAL, Journal, digest, read
from handsfree.session.machine import Session
from handsfree.session.replay import replay, verify
from handsfree.spoken.confusable import neighbours
from handsfree.spoken.grammar import phrases

ROOT = Path(__file__).parents[2]
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
HEAD = """
procedure: small
title: A small procedure
edition: "1"
purpose: Show one thing
equipment: An invented machine
local_rules: The rules of the site come first.
"""
ENDS = """
  - {id: sound, kind: conclude, finding: It is sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: It is bad., condition: faulty, part: coil, action: Replace it.}
"""
RESISTANCE = """
  - quantity: resistance
    unit: ohm
    ranges:
      - {up_to: 60, resolution: 0.01, percent: 0.5, counts: 2}
      - {up_to: 600, resolution: 0.1, percent: 0.5, counts: 2}
"""
VOLTAGE = """
  - quantity: voltage
    unit: volt
    waveform: ac
    ranges: [{up_to: 600, resolution: 0.1, percent: 1, counts: 3}]
"""
TEMPERATURE = """
  - quantity: temperature
    unit: degree_Celsius
    ranges: [{up_to: 200, resolution: 0.1, counts: 5}]
"""


def meter(name: str, *functions: str, due: str = "2031-12-31", rating: str = "CAT III", volts: int = 600) -> Meter:
    text = f"""
meter: {name}
name: {name.capitalize()}
serial: "07"
calibration_due: {due}
ratings: [{{category: {rating}, volts: {volts}}}]
functions:
{"".join(functions)}
"""
    return loads_meter(text.encode(), f"{name}.yaml")


OSTREL = meter("ostrel", RESISTANCE, VOLTAGE)
FINE = meter("velk", RESISTANCE.replace("percent: 0.5", "percent: 0.05"))
LOW = meter("lowe", VOLTAGE, rating="CAT II", volts=300)
PROBE = meter("probe", TEMPERATURE)


def small(steps: str, head: str = "") -> Loaded:
    loaded = loads((HEAD + head + "steps:" + steps + ENDS).encode(), "small.yaml")
    assert prove(loaded.procedure) == ()
    return loaded


def coil(
    extra: str = "", head: str = "", limit: str = "{at_most: 5.5}", following: str = "{nonconforming: bad}"
) -> Loaded:
    return small(
        f"""
  - {{id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {limit}, next: {following}{extra}}}""",
        head,
    )


class Talk:
    """A session being spoken to; what it said last, and all that it put on record."""

    def __init__(self, loaded: Loaded, *meters: Meter) -> None:
        self.loaded, self.meters = loaded, meters
        self.session = Session(loaded.procedure, None, meters)
        self.time = START
        self.events: list[Event] = []
        self.records: list[Record] = []
        self.acts: list[Act] = []
        known = {"meters": [each.model_dump(mode="json") for each in meters]} if meters else {}
        self.event(Started(START, {"procedure": {"sha256": digest(loaded.source)}, **known}))

    def event(self, event: Event) -> Self:
        self.acts = self.session.handle(event)
        self.events.append(event)
        self.records += [act for act in self.acts if isinstance(act, Record)]
        return self

    def hear(self, *sentences: str, confidence: float | None = None, others: Mapping[str, float] | None = None) -> Self:
        for sentence in sentences:
            self.time += timedelta(seconds=5)
            alternatives = tuple((others or {}).items())
            self.event(Heard(self.time, sentence, confidence, alternatives=alternatives))
        return self

    @property
    def said(self) -> list[str]:
        return [act.text for act in self.acts if isinstance(act, Say)]

    def all(self, mark: Mark) -> list[Mapping[str, Any]]:
        return [record.data for record in self.records if record.mark is mark]

    @property
    def last(self) -> Mapping[str, Any]:
        """The last reading on record."""
        return self.all(Mark.READING)[-1]

    def keep(self, folder: Path) -> Path:
        """The session on disk, as the loop writes it."""
        if not self.session.closed:
            self.event(Ended(self.time, "the test is over"))
        session = Session(self.loaded.procedure, None, self.meters)
        with Journal.create(folder, self.loaded.source) as journal:
            for event in self.events:
                for act in session.handle(event):
                    if isinstance(act, Record):
                        journal.append(event.time, act.mark, act.data)
        return folder


# -- which meter -------------------------------------------------------------------------------------------------------


def test_a_single_meter_is_stated_aloud_and_on_record() -> None:
    talk = Talk(coil(), OSTREL)
    assert "Meter: Ostrel, serial 0 7." in talk.said
    assert talk.all(Mark.METER) == [
        {"meter": "ostrel", "name": "Ostrel", "serial": "07", "calibration_due": "2031-12-31", "days_overdue": 0}
    ]
    assert talk.session.at == "coil"
    assert talk.all(Mark.DEVIATION) == []


def test_overdue_calibration_is_said_aloud_and_is_a_deviation() -> None:
    talk = Talk(coil(), meter("ostrel", RESISTANCE, due="2031-05-04"))
    assert "Its calibration is overdue by two days." in talk.said
    assert talk.all(Mark.METER)[0]["days_overdue"] == 2
    (deviation,) = talk.all(Mark.DEVIATION)
    assert deviation["what"] == "calibration overdue"
    assert "2031-05-04" in deviation["reason"]
    talk.hear("five point zero zero ohms", "affirm")
    assert talk.said[-1] == "Session closed. 1 reading, 1 deviation."


def test_of_several_meters_the_technician_names_the_one_in_hand_before_the_first_step() -> None:
    talk = Talk(coil(), OSTREL, FINE)
    assert talk.said[-1] == (
        "Which meter do you use? Meter one, Ostrel, serial 0 7; Meter two, Velk, serial 0 7; or none of these."
    )
    assert talk.all(Mark.ENTERED) == []
    assert phrases(talk.session.open)
    talk.hear("five ohms")
    assert talk.all(Mark.READING) == []
    assert talk.all(Mark.ASKED_AGAIN)
    talk.hear("meter two")
    assert talk.said == ["Meter: Velk, serial 0 7.", "Measure the coil."]
    assert talk.hear("five ohms").last["meter"] == "velk"


def test_a_meter_that_is_not_known_is_used_without_its_uncertainty() -> None:
    talk = Talk(coil(), OSTREL, FINE).hear("none of these", "five point four nine ohms")
    assert talk.all(Mark.METER) == [{"meter": None}]
    assert talk.last["verdict"] == "conforming"
    assert talk.last.keys() & {"meter", "uncertainty", "decision"} == set()


def test_going_on_with_a_meter_that_is_not_known_after_one_that_is_is_a_deviation() -> None:
    talk = Talk(coil(), OSTREL, FINE).hear("meter one", "five point four nine ohms")
    assert talk.last["verdict"] == "undecided"
    talk.hear("change meter", "none of these")
    assert [each["what"] for each in talk.all(Mark.DEVIATION)] == ["meter not known"]
    talk.hear("five point four nine ohms")
    assert talk.last["verdict"] == "conforming"
    talk.hear("affirm")
    assert talk.said[-1] == "Session closed. 2 readings, 1 deviation."


@pytest.mark.parametrize("answer", ["disregard", "negative"])
def test_the_question_for_the_meter_can_be_left_only_by_an_answer(answer: str) -> None:
    talk = Talk(coil(), OSTREL, FINE).hear(answer)
    assert talk.all(Mark.ENTERED) == []
    assert talk.hear("say again").said[0].startswith("Which meter do you use?")
    talk.hear("stand by", "go ahead")
    assert talk.said[0].startswith("Which meter do you use?")
    talk.hear("end session", "negative")
    assert talk.said[0].startswith("Which meter do you use?")
    assert talk.hear("end session", "affirm").session.closed


def test_the_meter_is_changed_by_voice_and_the_step_is_said_again() -> None:
    talk = Talk(coil(), OSTREL, FINE).hear("meter one", "change meter")
    assert talk.said[0].startswith("Which meter")
    assert talk.hear("disregard").said == ["Measure the coil."]
    assert talk.hear("change meter", "meter two").said == ["Meter: Velk, serial 0 7.", "Measure the coil."]
    assert [data["meter"] for data in talk.all(Mark.METER)] == ["ostrel", "velk"]
    assert Talk(coil()).hear("change meter").all(Mark.ASKED_AGAIN)  # there is none to change to


TWO_QUANTITIES = small("""
  - {id: air, kind: measure, say: Measure the air., reading: air, quantity: temperature, unit: degree_Celsius,
     limit: {at_most: 30}, next: {nonconforming: bad}}
  - {id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {at_most: 5.5}, next: {nonconforming: bad}}""")


def test_the_only_meter_at_hand_that_measures_a_quantity_is_used_for_it() -> None:
    talk = Talk(TWO_QUANTITIES, OSTREL, PROBE).hear("meter one")
    assert talk.said == ["Meter: Ostrel, serial 0 7.", "Meter: Probe, serial 0 7.", "Measure the air."]
    assert talk.hear("twenty point one degrees").last["meter"] == "probe"
    assert talk.said[-2:] == ["Meter: Ostrel, serial 0 7.", "Measure the coil."]


def test_where_several_could_be_meant_a_reading_waits_for_the_meter() -> None:
    talk = Talk(TWO_QUANTITIES, OSTREL, PROBE, meter("prode", TEMPERATURE)).hear("meter one")
    assert talk.said[-1] == "Not possible: the Ostrel does not measure temperature. Say change meter."
    talk.hear("twenty degrees")
    assert talk.all(Mark.READING) == []
    assert talk.hear("change meter", "meter three", "twenty point one degrees").last["meter"] == "prode"


def test_a_quantity_that_no_meter_at_hand_measures_is_judged_plainly() -> None:
    talk = Talk(TWO_QUANTITIES, OSTREL).hear("thirty degrees")
    assert talk.last["verdict"] == "conforming"
    assert "uncertainty" not in talk.last


# -- the measurement category ------------------------------------------------------------------------------------------

LIVE = small(
    """
  - {id: prepare, kind: do, say: Put on gloves.}
  - {id: supply, kind: measure, say: Measure the terminals., needs_live: [mains], reading: supply, quantity: voltage,
     unit: volt, waveform: ac, needs_rating: {category: CAT III, volts: 600}, limit: {between: [207, 253]},
     next: {nonconforming: bad}, unable: bad}""",
    "sources: {mains: {name: supply, kind: electrical}}\n",
)


def test_a_meter_of_a_lower_category_is_refused_before_the_instruction_is_said() -> None:
    talk = Talk(LIVE, LOW, OSTREL).hear("meter one", "done")
    assert talk.said == [
        "Not possible: this step needs a meter of category three, six hundred volts, and the Lowe is not. "
        "Do not connect it. Say change meter, or unable and the reason."
    ]
    assert talk.all(Mark.REFUSED)[-1]["step"] == "supply"
    for sentence in ("two hundred thirty point one volts", "say again"):
        assert talk.hear(sentence).said[0].startswith("Not possible: this step needs a meter of category three")
    assert talk.all(Mark.READING) == []
    assert talk.hear("change meter", "meter two").said[-1] == "Measure the terminals."
    assert talk.hear("two hundred thirty point one volts").last["verdict"] == "conforming"


def test_who_has_no_better_meter_can_leave_the_step() -> None:
    talk = Talk(LIVE, LOW).hear("done", "unable no tool", "affirm")
    assert talk.session.finding == "It is bad."


def test_where_the_meter_is_not_known_the_category_is_said_with_the_step() -> None:
    assert Talk(LIVE).hear("done").said == [
        "Use a meter of category three, six hundred volts.",
        "Measure the terminals.",
    ]


# -- verdicts with uncertainty -----------------------------------------------------------------------------------------


def test_a_reading_nearer_to_its_limit_than_the_meter_can_tell_is_undecided_then_wants_a_better_meter() -> None:
    talk = Talk(coil(), OSTREL, FINE).hear("meter one", "five point four eight ohms")
    # 0.5 % of 5.48 and 2 counts of 0.01: a = 0.0474, and 0.01 of rounding; U = 2 sqrt(a^2/3 + 0.01^2/12) = 0.0551
    assert talk.said == [
        "Five point four eight ohms, at most five point five: undecided; inside the limit by less than the meter can "
        "tell, plus or minus zero point zero five six ohms.",
        "Measure again.",
        "Measure the coil.",
    ]
    assert talk.last["verdict"] == "undecided"
    assert talk.last["uncertainty"] == {"expanded": "0.056", "k": 2, "unit": "ohm"}
    assert talk.last["range"] == {
        "up_to": "60",
        "resolution": "0.01",
        "percent": "0.5",
        "counts": "2",
        "unit": "ohm",
    }
    decision = talk.last["decision"]
    assert (decision["rule"], decision["guard_ratio"], decision["risk"]) == ("ISO 14253-1", "1", None)
    assert 0.5 < float(decision["conformity"]) < 0.8
    talk.hear("five point four eight ohms")
    assert talk.said[1:] == [
        "Take a better meter and say change meter, or say unable and the reason.",
        "Measure the coil.",
    ]
    talk.hear("change meter", "meter two", "five point four five ohms")
    assert talk.last["verdict"] == "conforming"
    assert float(talk.last["decision"]["conformity"]) > 0.95
    assert talk.hear("affirm").session.finding == "It is sound."


@pytest.mark.parametrize(
    ("head", "value", "verdict", "plain"),
    [
        ("decision_rule: simple acceptance\n", "five point four eight", "conforming", "conforming"),
        ("decision_rule: guarded acceptance\n", "five point four eight", "undecided", "conforming"),
        ("decision_rule: guarded acceptance\n", "five point five two", "nonconforming", "nonconforming"),
        ("decision_rule: guarded rejection\n", "five point five two", "undecided", "nonconforming"),
        ("decision_rule: guarded rejection\n", "five point four eight", "conforming", "conforming"),
        ("decision_rule: ISO 14253-1\n", "five point five two", "undecided", "nonconforming"),
        ("guard_ratio: 0.2\n", "five point four eight", "conforming", "conforming"),
        ("", "five point four zero", "conforming", "conforming"),
        ("", "five point six zero", "nonconforming", "nonconforming"),
    ],
)
def test_the_writer_chooses_who_carries_the_doubt_of_a_known_meter(
    head: str, value: str, verdict: str, plain: str
) -> None:
    assert Talk(coil(head=head), OSTREL).hear(f"{value} ohms").last["verdict"] == verdict
    assert Talk(coil(head=head)).hear(f"{value} ohms").last["verdict"] == plain


def test_a_step_may_have_a_rule_of_its_own() -> None:
    talk = Talk(coil(", decision_rule: simple acceptance"), OSTREL).hear("five point four eight ohms")
    assert (talk.last["verdict"], talk.last["decision"]["rule"]) == ("conforming", "simple acceptance")


def test_the_writer_says_what_follows_where_it_stays_undecided() -> None:
    talk = Talk(coil(following="{undecided: bad, nonconforming: bad}"), OSTREL).hear("five point four eight ohms")
    talk.hear("affirm")
    assert talk.said[:2] == ["Finding: It is bad.", "Action: Replace it."]


def test_a_meter_that_can_never_decide_is_told_at_once() -> None:
    talk = Talk(coil(limit="{between: [5.45, 5.50]}"), OSTREL).hear("five point four eight ohms")
    assert "the meter is too coarse for this tolerance, plus or minus" in talk.said[0]
    assert talk.said[1].startswith("Take a better meter")


def test_digits_left_out_make_a_reading_less_certain() -> None:
    assert Talk(coil(), OSTREL).hear("five point three zero ohms").last["verdict"] == "conforming"
    assert Talk(coil(), OSTREL).hear("five point three ohms").last["verdict"] == "undecided"


@pytest.mark.parametrize(
    ("sentence", "verdict", "conformity"),
    [
        ("over range", "nonconforming", False),
        ("greater than five point five eight ohms", "nonconforming", False),
        ("greater than five point five one ohms", "undecided", False),
        ("less than five point four zero ohms", "conforming", False),
        ("less than five point four nine ohms", "undecided", False),
        ("five point three zero ohms", "conforming", True),
    ],
)
def test_a_bound_is_as_good_as_the_meter_is_there_and_has_no_probability(
    sentence: str, verdict: str, conformity: bool
) -> None:
    reading = Talk(coil(), OSTREL).hear(sentence).last
    assert (reading["verdict"], reading["meter"]) == (verdict, "ostrel")
    assert bool(reading.get("decision", {}).get("conformity")) is conformity


def test_what_the_meter_cannot_show_is_asked_again_and_not_recorded() -> None:
    talk = Talk(coil(), OSTREL).hear("seven hundred ohms")
    assert talk.all(Mark.READING) == []
    reason = "seven hundred ohms is more than the Ostrel can show, six hundred ohms: say again or use another meter"
    assert talk.all(Mark.ASKED_AGAIN)[-1]["reason"] == reason
    assert talk.hear("five ohms").all(Mark.READING)


def test_more_digits_than_the_meter_has_are_confirmed_first() -> None:
    talk = Talk(coil(), OSTREL).hear("five point three zero two ohms")
    assert talk.said == [
        "I heard five point three zero two ohms: more digits than the Ostrel shows. Affirm, or say it again."
    ]
    assert talk.all(Mark.READING) == []
    assert talk.hear("affirm").last["value"] == "5.302"


def test_a_corrected_reading_is_judged_by_the_meter_that_showed_it() -> None:
    loaded = small("""
  - {id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {at_most: 5.5}, next: {nonconforming: bad}}
  - {id: wait, kind: do, say: Wait.}""")
    talk = Talk(loaded, OSTREL, FINE).hear("meter one", "five point three five ohms", "change meter", "meter two")
    assert talk.hear("correction five point three seven ohms").last["meter"] == "ostrel"


# -- leads -------------------------------------------------------------------------------------------------------------

CONTACT = small("""
  - {id: leads, kind: measure, say: Hold the probe tips together., reading: shorted leads, quantity: resistance,
     unit: ohm, lead_zero: {worn_above: 0.5}}
  - {id: contact, kind: measure, say: Measure the contact., reading: contact, quantity: resistance, unit: ohm,
     minus_leads: leads, limit: {at_most: 0.6}, next: {nonconforming: bad}}
  - {id: wait, kind: do, say: Wait.}""")


@pytest.mark.parametrize("meters", [(), (OSTREL,)], ids=["no meter", "meter"])
def test_what_the_leads_read_is_taken_off_and_both_are_kept(meters: tuple[Meter, ...]) -> None:
    talk = Talk(CONTACT, *meters).hear("zero point three one ohms", "zero point eight three ohms")
    assert talk.said[0] == (
        "Zero point eight three ohms, zero point five two ohms without the leads, "
        "at most zero point six ohms: conforming."
    )
    assert (talk.last["value"], talk.last["verdict"]) == ("0.83", "conforming")
    assert talk.last["leads"] == {"zero": "r1", "taken_off": "0.31", "corrected": "0.52", "unit": "ohm"}
    if meters:
        # Both readings bring their part: 0.5 % and 2 counts each, of one range, so they may cancel, or not.
        single = Talk(coil(), OSTREL).hear("zero point eight three ohms").last["uncertainty"]["expanded"]
        assert float(talk.last["uncertainty"]["expanded"]) > float(single)
    assert talk.hear("read back").said[0].startswith("Contact: zero point eight three ohms, zero point five two")


def test_worn_leads_are_refused_and_measured_again() -> None:
    talk = Talk(CONTACT, OSTREL).hear("zero point nine ohms")
    assert talk.said == [
        "Not possible: the shorted leads read zero point nine ohms, more than zero point five ohms: clean the tips or "
        "replace the leads, then short them again."
    ]
    assert (talk.session.at, talk.all(Mark.READING)) == ("leads", [])
    assert talk.all(Mark.REFUSED)[-1]["step"] == "leads"
    assert talk.hear("zero point three one ohms").session.at == "contact"


ROUND = small("""
  - {id: way, kind: observe, say: Look at the contact., answers: {free: [it is free], hidden: [it is hidden]},
     next: {free: leads, hidden: sound}}
  - {id: leads, kind: measure, say: Hold the probe tips together., reading: shorted leads, quantity: resistance,
     unit: ohm, lead_zero: {worn_above: 0.5}, unable: sound}
  - {id: contact, kind: measure, say: Measure the contact., reading: contact, quantity: resistance, unit: ohm,
     minus_leads: leads, limit: {at_most: 0.6}, next: {nonconforming: bad}}""")
REFUSED_LEADS = {
    "step": "leads",
    "what": "leads refused",
    "reason": "shorted leads, zero point nine ohms, and none that can be taken off followed",
}


@pytest.mark.parametrize(
    ("words", "deviations"),
    [(("go back", "it is hidden", "affirm"), "1 deviation"), (("unable no tool", "affirm"), "2 deviations")],
    ids=["another way", "unable"],
)
def test_worn_leads_that_the_work_went_on_without_are_a_deviation(words: tuple[str, ...], deviations: str) -> None:
    talk = Talk(ROUND, OSTREL).hear("it is free", "zero point nine ohms", *words)
    assert talk.session.finding == "It is sound."
    told = talk.all(Mark.DEVIATION)[-1]
    assert {**told, "step": "leads"} == REFUSED_LEADS
    assert talk.said[-1] == f"Session closed. 0 readings, {deviations}."


def test_leads_that_were_replaced_are_no_deviation() -> None:
    talk = Talk(ROUND, OSTREL).hear(
        "it is free", "zero point nine ohms", "zero point two one ohms", "zero point five ohms"
    )
    assert talk.hear("affirm").session.finding == "It is sound."
    assert talk.all(Mark.DEVIATION) == []


def test_less_than_the_leads_alone_is_refused() -> None:
    talk = Talk(CONTACT, OSTREL).hear("zero point three one ohms", "zero point zero one ohms")
    assert "is less than the leads alone read" in talk.all(Mark.REFUSED)[-1]["reason"]
    assert talk.session.at == "contact"


def test_a_corrected_zero_is_the_one_that_is_taken_off() -> None:
    talk = Talk(CONTACT).hear("zero point four one ohms", "correction zero point three one ohms")
    talk.hear("zero point eight three ohms")
    assert talk.last["leads"]["taken_off"] == "0.31"


def test_after_a_change_of_meter_the_leads_are_measured_again() -> None:
    talk = Talk(CONTACT, OSTREL, FINE).hear("meter one", "zero point three one ohms", "change meter", "meter two")
    assert talk.said[-1].startswith("Not possible: the leads were measured with another meter.")
    talk.hear("go back", "zero point three zero ohms", "zero point eight three ohms")
    assert talk.last["leads"]["taken_off"] == "0.30"


def test_a_zero_that_was_taken_back_is_not_taken_off() -> None:
    talk = Talk(CONTACT).hear("zero point three one ohms", "disregard")
    assert talk.session.at == "leads"
    talk.hear("zero point two one ohms", "zero point eight three ohms")
    assert talk.last["leads"]["taken_off"] == "0.21"


# -- what is plausible, and what may have been misheard ----------------------------------------------------------------

PLAUSIBLE = coil(", plausible: [0.5, 50]")


def test_a_reading_outside_the_plausible_range_is_queried_once() -> None:
    talk = Talk(PLAUSIBLE).hear("ninety nine ohms")
    assert talk.said == ["Ninety nine ohms: say again or affirm."]
    assert talk.all(Mark.ASKED_AGAIN)[-1]["reason"] == (
        "outside the plausible range, between zero point five and fifty ohms"
    )
    assert talk.all(Mark.READING) == []
    assert talk.hear("affirm").last["value"] == "99"


def test_saying_it_again_is_as_good_as_affirm_and_another_reading_is_another() -> None:
    assert Talk(PLAUSIBLE).hear("ninety nine ohms", "ninety nine ohms").last["value"] == "99"
    assert Talk(PLAUSIBLE).hear("ninety nine ohms", "five point one ohms").last["value"] == "5.1"
    assert Talk(PLAUSIBLE).hear("ninety nine ohms", "eighty eight ohms").all(Mark.READING) == []


@pytest.mark.parametrize("sentence", ["over range", "zero point five ohms", "fifty ohms"])
def test_the_ends_and_over_range_are_plausible(sentence: str) -> None:
    assert Talk(PLAUSIBLE).hear(sentence).all(Mark.READING)


@pytest.mark.parametrize("how", ["affirm", "ninety nine ohms"])
def test_what_was_affirmed_outside_the_plausible_range_is_a_deviation(how: str, tmp_path: Path) -> None:
    talk = Talk(PLAUSIBLE).hear("ninety nine ohms", how)
    assert talk.last["implausible"] == {"between": ["0.5", "50"], "unit": "ohm"}
    (deviation,) = talk.all(Mark.DEVIATION)
    assert deviation == {
        "step": "coil",
        "what": "outside the plausible range, affirmed",
        "reason": "coil, ninety nine ohms, plausible is between zero point five and fifty ohms",
        "reading": "r1",
    }
    assert talk.hear("affirm").said[-1] == "Session closed. 1 reading, 1 deviation."
    folder = talk.keep(tmp_path / "session")
    assert verify(folder) == []
    page = render(folder)
    assert "outside 0.5 to 50\N{NO-BREAK SPACE}Ω, affirmed" in page
    assert "coil, ninety nine ohms, plausible is between" in page


def test_the_deviation_of_a_reading_that_was_corrected_says_that_it_does_not_stand(tmp_path: Path) -> None:
    talk = Talk(PLAUSIBLE).hear("ninety nine ohms", "affirm", "correction five point three ohms")
    page = render(talk.keep(tmp_path / "session"))
    assert "which does not stand any more" in page
    assert "which does not stand" not in render(Talk(PLAUSIBLE).hear("ninety nine ohms", "affirm").keep(tmp_path / "b"))


def test_a_plausible_reading_is_no_deviation() -> None:
    talk = Talk(PLAUSIBLE).hear("five point three ohms")
    assert "implausible" not in talk.last
    assert talk.all(Mark.DEVIATION) == []


def test_an_implausible_correction_is_queried_too() -> None:
    loaded = small("""
  - {id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {at_most: 5.5}, plausible: [0.5, 50], next: {nonconforming: bad}}
  - {id: wait, kind: do, say: Wait.}""")
    talk = Talk(loaded).hear("five ohms", "correction ninety nine ohms")
    assert talk.last["value"] == "5"
    assert "outside the plausible range" in talk.all(Mark.ASKED_AGAIN)[-1]["reason"]
    assert talk.hear("correction ninety nine ohms").last["value"] == "99"


def test_a_hearing_that_would_be_judged_otherwise_is_asked_for_digit_by_digit_and_the_record_says_why() -> None:
    talk = Talk(coil(limit="{at_most: 30}")).hear("fifteen ohms", confidence=0.9)
    assert talk.said == ["I heard one five ohms. Affirm, or say the digits one by one."]
    assert talk.all(Mark.ASKED_AGAIN)[-1]["reason"].startswith("may have been fifty ohms (teen for ty); ")
    assert talk.hear("fifteen ohms", confidence=0.9).all(Mark.READING) == []  # the same words are no surer
    assert talk.hear("one five ohms", confidence=0.9).last["value"] == "15"


@pytest.mark.parametrize("confidence", [0.9, None])
def test_where_every_hearing_has_the_same_verdict_nobody_is_asked(confidence: float | None) -> None:
    assert Talk(coil(limit="{at_most: 300}")).hear("fifteen ohms", confidence=confidence).all(Mark.READING)


def test_what_was_typed_was_not_misheard() -> None:
    assert Talk(coil(limit="{at_most: 30}")).hear("fifteen ohms").last["value"] == "15"


def test_the_recognisers_own_comparison_counts_for_five_and_nine_and_not_for_teen_and_ty() -> None:
    nine = coil(limit="{at_most: 7}")
    assert Talk(nine).hear("nine point four ohms", confidence=0.9).all(Mark.READING) == []
    heard = Talk(nine).hear("nine point four ohms", confidence=0.9, others={"five point four ohms": -80.0})
    assert heard.last["value"] == "9.4"
    near = Talk(nine).hear("nine point four ohms", confidence=0.9, others={"five point four ohms": -8.0})
    assert near.all(Mark.READING) == []
    teen = Talk(coil(limit="{at_most: 30}")).hear("fifteen ohms", confidence=0.9, others={"fifty ohms": -80.0})
    assert teen.all(Mark.READING) == []


def test_the_same_digits_twice_are_believed_though_they_could_be_others() -> None:
    talk = Talk(coil(limit="{at_most: 7}")).hear("nine point four ohms", confidence=0.9)
    assert talk.said == ["I heard nine point four ohms. Affirm, or say the digits one by one."]
    assert talk.hear("nine point four ohms", confidence=0.9).last["value"] == "9.4"


def in_doubt() -> Talk:
    return Talk(coil(limit="{at_most: 30}")).hear("fifteen ohms", confidence=0.9)


def test_an_answer_that_is_neither_what_was_in_doubt_nor_what_that_may_have_been_is_confirmed_too() -> None:
    talk = in_doubt().hear("one two ohms", confidence=0.9)
    assert talk.all(Mark.READING) == []
    assert talk.said == ["I heard one two ohms. Affirm, or say the digits one by one."]
    assert talk.all(Mark.ASKED_AGAIN)[-1]["reason"] == "neither fifteen ohms nor what that may have been"
    other = in_doubt().hear("one two ohms", "one one ohms", confidence=0.9)
    assert other.all(Mark.READING) == []  # a third one is no surer
    assert talk.hear("one two ohms", confidence=0.9).last["value"] == "12"
    fifty = Talk(coil(limit="{at_most: 30}")).hear("fifty ohms", confidence=0.9)
    assert fifty.said == ["I heard five zero ohms. Affirm, or say the digits one by one."]
    assert fifty.hear("one five ohms", confidence=0.9).last["value"] == "15"  # what it may have been


def test_correction_puts_right_what_is_in_doubt() -> None:
    assert in_doubt().hear("correction one five ohms", confidence=0.9).last["value"] == "15"
    talk = in_doubt().hear("correction")
    assert talk.said == ["Say the reading again."]
    assert talk.hear("affirm").all(Mark.READING) == []


@pytest.mark.parametrize("aside", ["how far", "roger", "how do you read"])
def test_whatever_is_answered_beside_a_question_the_question_is_said_after_it(aside: str) -> None:
    question = "I heard one five ohms. Affirm, or say the digits one by one."
    assert in_doubt().hear(aside).said[-1] == question
    assert in_doubt().hear("rumble").said == [f"Say again. {question}"]


def test_a_correction_in_doubt_says_what_was_heard_and_what_stands() -> None:
    talk = Talk(small(CORRECTED)).hear("twelve ohms", "correction fifteen ohms", confidence=0.9)
    asked = (
        "I heard correction, one five ohms. Affirm, or say correction and the digits once more. "
        "Until then twelve ohms stands."
    )
    assert talk.said == [asked]
    assert talk.hear("correction one five ohms", confidence=0.9).last["value"] == "15"


CORRECTED = """
  - {id: coil, kind: measure, say: Measure the coil., reading: coil, quantity: resistance, unit: ohm,
     limit: {at_most: 30}, next: {nonconforming: bad}}
  - {id: wait, kind: do, say: Wait.}"""


@pytest.mark.parametrize(
    "then", [("affirm",), ("correction", "affirm"), ("correction one five ohms",), ("how far", "affirm")]
)
def test_a_correction_in_doubt_is_taken_where_it_is_affirmed_or_said_again(then: tuple[str, ...]) -> None:
    talk = Talk(small(CORRECTED)).hear("twelve ohms", "correction fifteen ohms", *then, confidence=0.9)
    assert (talk.last["value"], talk.session.at, talk.said[-1]) == ("15", "wait", "Wait.")
    assert [data["reading"] for data in talk.all(Mark.CORRECTED)] == ["r1"]


@pytest.mark.parametrize("no", ["negative", "disregard"])
def test_a_correction_in_doubt_that_is_denied_leaves_what_stood(no: str) -> None:
    talk = Talk(small(CORRECTED)).hear("twelve ohms", "correction fifteen ohms", no, confidence=0.9)
    assert talk.said == ["Twelve ohms stands.", "Wait."]
    assert talk.all(Mark.CORRECTED) == []
    assert talk.hear("done").session.finding is not None


@pytest.mark.parametrize("said", ["done", "one five ohms", "fourteen ohms"])
def test_nothing_else_is_done_before_a_correction_in_doubt_is_settled(said: str, tmp_path: Path) -> None:
    """A reading alone may be meant for the step that is open."""
    talk = Talk(small(CORRECTED)).hear("twelve ohms", "correction fifteen ohms", said, confidence=0.9)
    assert (talk.session.at, talk.last["value"]) == ("wait", "12")
    assert talk.said[-1].startswith("Say again. I heard correction, one five ohms. Affirm")
    page = render(talk.keep(tmp_path / "session"))
    assert {"step": "wait", "what": "correction not affirmed", "reason": "fifteen ohms"} in talk.all(Mark.DEVIATION)
    assert "correction not affirmed" in page


def test_affirm_at_the_question_about_the_end_is_of_the_correction_that_was_asked_about_last() -> None:
    ends = CORRECTED.rsplit("  - {id: wait", 1)[0]
    talk = Talk(small(ends)).hear("twelve ohms", "correction fifty ohms", confidence=0.9)
    assert talk.said[0].startswith("I heard correction, five zero ohms. Affirm")
    talk.hear("affirm", confidence=0.9)
    assert (talk.session.closed, talk.last["value"], talk.last["verdict"]) == (False, "50", "nonconforming")
    assert talk.said[-1].startswith("That ends the visit.")
    talk = Talk(small(ends)).hear("twelve ohms", "correction fifty ohms", "negative", confidence=0.9)
    assert talk.said[-1].startswith("That ends the visit.")
    talk.hear("affirm", confidence=0.9)
    assert (talk.session.closed, talk.last["value"]) == (True, "12")


def test_affirm_that_began_before_the_question_could_be_understood_takes_no_correction() -> None:
    ends = CORRECTED.rsplit("  - {id: wait", 1)[0]
    talk = Talk(small(ends)).hear("twelve ohms", "correction fifty ohms", confidence=0.9)
    talk.event(Heard(talk.time, "affirm", 0.9, offset=30.0, seconds=0.5, early=True))
    assert (talk.last["value"], talk.session.closed) == ("12", False)
    assert "I heard correction, five zero ohms" in talk.said[-1]
    talk.hear("affirm", confidence=0.9)
    talk.event(Heard(talk.time, "affirm", 0.9, offset=40.0, seconds=0.5, early=True))
    assert (talk.last["value"], talk.session.closed) == ("50", False)


@pytest.mark.parametrize("said", ["over limit", "open line", "less than zero point four ohms"])
def test_shorted_leads_that_show_no_value_are_no_zero(said: str) -> None:
    """What is no value cannot be taken off, and what is less than a bound is not known."""
    for meters in ((), (OSTREL,)):
        talk = Talk(CONTACT, *meters).hear(said)
        assert talk.all(Mark.READING) == []
        assert "look at the leads" in talk.said[-1]
        assert talk.hear("zero point three one ohms").last["value"] == "0.31"


def test_no_reason_is_given_about_words_that_were_not_heard_surely() -> None:
    assert Talk(coil()).hear("five volts", confidence=0.1).said == ["Say again. Not heard clearly."]
    assert "volt" in Talk(coil()).hear("five volts", confidence=0.9).said[0]


def test_what_the_meter_cannot_show_was_not_said() -> None:
    high = coil(limit="{at_least: 100}")
    assert Talk(high).hear("sixteen point zero ohms", confidence=0.9).all(Mark.READING) == []  # or one hundred sixteen
    low = meter("tiny", RESISTANCE.replace("up_to: 600,", "up_to: 61,"))
    assert Talk(high, low).hear("sixteen point zero ohms", confidence=0.9).last["verdict"] == "nonconforming"


# -- the record --------------------------------------------------------------------------------------------------------

SESSIONS = {
    "overdue": lambda: Talk(coil(), meter("ostrel", RESISTANCE, due="2030-01-01")).hear("five point four eight ohms"),
    "changed": lambda: Talk(coil(), OSTREL, FINE).hear(
        "meter one", "five point four eight ohms", "change meter", "meter two", "five point four ohms"
    ),
    "leads": lambda: Talk(CONTACT, OSTREL).hear("zero point three one ohms", "zero point eight three ohms", "done"),
    "category": lambda: Talk(LIVE, LOW, OSTREL).hear("meter one", "done", "change meter", "meter two"),
    "queried": lambda: Talk(PLAUSIBLE, OSTREL).hear("ninety nine ohms", "fifteen point zero ohms", confidence=0.9),
    "no meter": lambda: Talk(PLAUSIBLE).hear("five ohms"),
}


@pytest.mark.parametrize("name", SESSIONS)
def test_replay_gives_the_same_record_with_nothing_but_the_sessions_folder(name: str, tmp_path: Path) -> None:
    folder = SESSIONS[name]().keep(tmp_path / "session")
    assert verify(folder) == []


def test_another_meter_put_into_the_record_does_not_fit(tmp_path: Path) -> None:
    folder = SESSIONS["leads"]().keep(tmp_path / "session")
    entries = read(folder)
    forged = json.loads(json.dumps(dict(entries[0].data)).replace('"percent": "0.5"', '"percent": "0.1"'))
    opened = type(entries[0])(entries[0].n, entries[0].time, entries[0].kind, forged, entries[0].previous)
    problems = replay([opened, *entries[1:]], (folder / "procedure.yaml").read_bytes())
    assert any("is not what its events give" in str(problem) for problem in problems)
    bad = forged | {"meters": [{"meter": "ostrel"}]}
    opened = type(entries[0])(entries[0].n, entries[0].time, entries[0].kind, bad, entries[0].previous)
    (folder / JOURNAL).write_bytes(opened.line + b"\n")
    assert any("a meter that no session has" in str(problem) for problem in verify(folder))


# What a technician says who finds the thermal cut-out of the air curtain burnt.
CURTAIN = (
    "zero point three one ohms",
    "it blows cold air",
    "two three one point four volts",
    "done",
    "two three zero point nine volts",
    "zero point two volts",
    "zero point one volts",
    "two three one point one volts",
    "done",
    "two six point nine zero ohms",
    "one point six two ohms",
    "done",
)


def test_the_air_curtain_is_found_by_its_cut_out_with_meter_leads_and_rule(tmp_path: Path) -> None:
    ostrel = load_meters([ROOT / "meters" / "ostrel-61.yaml"])
    talk = Talk(load(ROOT / "procedures" / "air-curtain-blows-cold.yaml"), *ostrel)
    for sentence in CURTAIN:
        others = {" ".join(other): -100.0 for other in neighbours(sentence.split())}
        talk.hear(sentence, confidence=0.9, others=others)
    assert talk.all(Mark.ASKED_AGAIN) == []
    assert [(data["step"], data["verdict"]) for data in talk.all(Mark.READING)] == [
        ("leads", None),
        ("supply", "conforming"),
        ("tester-before", "conforming"),
        ("dead-line-neutral", "conforming"),
        ("dead-line-ground", "conforming"),
        ("tester-after", "conforming"),
        ("heater", "conforming"),
        ("cut-out", "nonconforming"),
    ]
    heater, cut_out = talk.all(Mark.READING)[-2:]
    assert (heater["value"], heater["leads"]["corrected"]) == ("26.90", "26.59")
    assert cut_out["leads"] == {"zero": "r1", "taken_off": "0.31", "corrected": "1.31", "unit": "ohm"}
    assert heater["decision"]["rule"] == "guarded acceptance"
    assert float(heater["decision"]["conformity"]) > 0.999
    assert float(cut_out["decision"]["conformity"]) < 0.001
    assert talk.session.finding == "The thermal cut-out does not close."
    assert verify(talk.keep(tmp_path / "session")) == []


def test_a_fault_while_the_meter_is_asked_for_moves_nothing() -> None:
    talk = Talk(coil(), OSTREL, FINE).event(Fault(START, "The loudspeaker was unplugged."))
    assert talk.hear("meter one").session.at == "coil"


def test_dead_is_proved_with_one_meter_throughout() -> None:
    (ostrel,) = load_meters([ROOT / "meters" / "ostrel-61.yaml"])
    brimm = ostrel.model_copy(update={"meter": "brimm", "name": "Brimm 2", "called": ("brimm",)})
    talk = Talk(load(ROOT / "procedures" / "air-curtain-blows-cold.yaml"), ostrel, brimm)
    talk.hear("meter one", *CURTAIN[:6], "change meter", "meter two", *CURTAIN[6:8])
    assert any(said.startswith("Not possible: the meter was changed while proving dead") for said in talk.said)
    assert "proved dead" not in [data["state"] for data in talk.all(Mark.ENERGY)]
    assert talk.session.at == "isolate"
    assert any(said.startswith("Dead is to be proved again: supply of the air curtain.") for said in talk.said)
    talk.hear(*CURTAIN[3:8])
    assert talk.all(Mark.ENERGY)[-1]["state"] == "proved dead"
    assert talk.session.at == "cover-off"
    assert talk.hear("done").all(Mark.TAKEN_OFF)


def test_a_lift_table_is_judged_with_the_shipped_gauge_where_the_meter_does_not_measure() -> None:
    meters = load_meters([ROOT / "meters"])
    talk = Talk(load(ROOT / "procedures" / "lift-table-is-slow.yaml"), *meters).hear(
        "meter one", "done", "800 kilograms"
    )
    talk.hear("done", "thirty four point five degrees celsius")
    assert (talk.last["step"], talk.last["meter"], talk.last["verdict"]) == (
        "oil-temperature",
        "tamsen-30",
        "conforming",
    )
    # (0.1 % of 34.5 + 5 counts of 0.1)/sqrt 3 and 0.1/sqrt 12, together, twice.
    assert talk.last["uncertainty"] == {"expanded": "0.62", "k": 2, "unit": "degree_Celsius"}
    talk.hear("three hundred ninety eight point zero volts", "fifty hertz", "twenty two seconds")
    assert [data["meter"] for data in talk.all(Mark.METER)] == ["ostrel-61", "tamsen-30"] * 2
    talk.hear("one hundred fifty four bar")
    # Half a percent of 600 bar is more than the two bar that are left to the limit, 152.
    assert (talk.last["meter"], talk.last["verdict"]) == ("tamsen-30", "undecided")
    assert talk.last["decision"]["conformity"] == "0.8726"
    talk.hear("one hundred fifty nine bar")
    assert (talk.last["verdict"], talk.session.at) == ("conforming", "motor-current")
