"""One session, sentence by sentence: what a technician may say, and what the session makes of it.

Nothing here is heard or spoken: a session takes typed sentences as events and gives acts.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self

import pytest

from handsfree.judge.meter import Meter
from handsfree.procedure.load import load, loads
from handsfree.procedure.model import Procedure
from handsfree.procedure.proof import Rule, prove
from handsfree.session.doubt import Policy
from handsfree.session.events import (
    Act,
    Close,
    Ended,
    Event,
    Fault,
    Heard,
    Listen,
    Mark,
    Reception,
    Record,
    Say,
    SpeakRate,
    Started,
)
from handsfree.session.machine import Session
from handsfree.spoken.confusable import neighbours
from handsfree.spoken.grammar import phrases
from handsfree.spoken.meaning import Word

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


def unproved(steps: str) -> Procedure:
    """A procedure that ``prove`` objects to, to be run all the same."""
    return loads((HEAD + steps).encode(), "small.yaml").procedure


def small(text: str) -> Procedure:
    """A procedure of a few lines, proved as every procedure is before it is run."""
    procedure = unproved(text)
    assert prove(procedure) == ()
    return procedure


# Isolate, prove dead, open, measure, close, switch on, listen: every kind of step and of effect.
HEATER = small("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: prepare, kind: do, say: Put on safety glasses.}
  - {id: supply, kind: measure, say: Measure the socket., needs_live: [mains], reading: supply,
     quantity: voltage, unit: volt, waveform: ac, limit: {between: [207, 253]}, next: {nonconforming: supply-bad}}
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains], unable: not-isolated}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1},
     next: {nonconforming: unplug}}
  - id: open
    kind: do
    say: Take the cover off.
    cautions:
      - {signal: caution, text: Wear gloves. The edges can cut you.}
      - {signal: danger, text: Touch nothing that is not proved dead. A shock can kill you.}
    hands_inside: true
    takes_off: [cover]
  - {id: coil, kind: measure, say: Measure the coil., hands_inside: true, reading: coil,
     quantity: resistance, unit: ohm, limit: {between: [20, 30]}, next: {nonconforming: close}}
  - {id: insulation, kind: measure, say: Measure the insulation., hands_inside: true, reading: insulation,
     quantity: resistance, unit: megaohm, limit: {at_least: 5}, next: {nonconforming: close}}
  - {id: close, kind: do, say: Put the cover on., hands_inside: true, puts_back: [cover]}
  - {id: by-coil, kind: choose, by: coil, next: {conforming: by-insulation, nonconforming: coil-bad}}
  - {id: by-insulation, kind: choose, by: insulation, next: {conforming: power, nonconforming: coil-bad}}
  - {id: power, kind: do, say: Push the plug into the socket., energises: [mains]}
  - id: listen
    kind: observe
    say: What does the heater do?
    answers: {warm: [it gets warm], cold: [it stays cold]}
    next: {warm: flashes, cold: unknown}
  - {id: flashes, kind: measure, say: Count the flashes of the lamp., reading: flashes,
     quantity: count, limit: {at_most: 3}, next: {conforming: sound, nonconforming: unknown}}
  - {id: sound, kind: conclude, finding: The heater is sound., condition: sound, action: Return it to service.}
  - {id: coil-bad, kind: conclude, finding: The coil is bad., condition: faulty, part: coil, action: Replace the coil.}
  - {id: supply-bad, kind: conclude, finding: The supply is bad., condition: unresolved, action: Call the electrician.}
  - {id: unknown, kind: conclude, finding: No fault was found., condition: unresolved, action: Tell your supervisor.}
  - {id: not-isolated, kind: conclude, finding: It cannot be isolated., condition: unresolved, action: Do not open it.}
""")

# The way to each step of the heater, along which everything conforms.
WAY = {
    "prepare": "done",
    "supply": "two hundred thirty volts",
    "unplug": "done",
    "dead": "zero point two volts",
    "open": "done",
    "coil": "twenty four point five ohms",
    "insulation": "fifty megohms",
    "close": "done",
    "power": "done",
    "listen": "it gets warm",
    "flashes": "two",
}

# A direct voltage that may be bounded by the meter's range.
DIRECT = small("""
steps:
  - {id: charge, kind: measure, say: Measure the battery., reading: battery,
     quantity: voltage, unit: volt, waveform: dc, limit: {at_most: 15}, next: {nonconforming: bad}}
  - {id: sound, kind: conclude, finding: The battery is sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: It is overcharged., condition: faulty, part: charger, action: Replace it.}
""")

# One step whatever the verdict, which only the silent choice after it looks at.
LATE_CHOICE = small("""
steps:
  - {id: speed, kind: measure, say: Measure the speed., reading: speed, quantity: frequency, unit: hertz,
     limit: {at_least: 10}, next: {conforming: note, nonconforming: note}}
  - {id: note, kind: do, say: Note the load.}
  - {id: by-speed, kind: choose, by: speed, next: {conforming: fast, nonconforming: slow}}
  - {id: fast, kind: do, say: Stop the drive., next: sound}
  - {id: slow, kind: do, say: Oil the bearing., next: bad}
  - {id: sound, kind: conclude, finding: It is fast., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: It is slow., condition: faulty, part: bearing, action: Replace it.}
""")


def ends(finding: str, how: str = "Affirm, negative or correction.") -> str:
    """The question about the end of the visit."""
    return f"That ends the visit. Finding: {finding} {how}"


class Talk:
    """A session being spoken to; ``acts`` are those of the last event, ``records`` all of them."""

    def __init__(self, procedure: Procedure, policy: Policy | None = None, meters: tuple[Meter, ...] = ()) -> None:
        self.session = Session(procedure, policy, meters)
        self.time = START
        self.records: list[Record] = []
        self.acts: list[Act] = []
        self.event(Started(START, {}))

    def event(self, event: Event) -> Self:
        self.acts = self.session.handle(event)
        self.records += [act for act in self.acts if isinstance(act, Record)]
        return self

    def hear(self, *sentences: str, confidence: float | None = None) -> Self:
        for sentence in sentences:
            self.time += timedelta(seconds=5)
            self.event(Heard(self.time, sentence, confidence))
        return self

    @property
    def said(self) -> list[str]:
        return [act.text for act in self.acts if isinstance(act, Say)]

    @property
    def new(self) -> list[Mark]:
        """What the last event put on record, what was heard and said aside."""
        return [act.mark for act in self.acts if isinstance(act, Record) and act.mark not in (Mark.HEARD, Mark.SAID)]

    def all(self, mark: Mark) -> list[Mapping[str, Any]]:
        return [record.data for record in self.records if record.mark is mark]

    @property
    def energy(self) -> str:
        """The last state on record of the one source there is."""
        return str(self.all(Mark.ENERGY)[-1]["state"])

    @property
    def off(self) -> set[str]:
        off: set[str] = set()
        for record in self.records:
            if record.mark is Mark.TAKEN_OFF:
                off.add(record.data["item"])
            if record.mark is Mark.PUT_BACK:
                off.remove(record.data["item"])
        return off

    @property
    def standing(self) -> dict[str, str | None]:
        """The standing readings' values by step; a later one of the same step counts."""
        withdrawn = {data["reading"] for data in self.all(Mark.CORRECTED)}
        return {data["step"]: data["value"] for data in self.all(Mark.READING) if data["id"] not in withdrawn}


def at(step: str) -> Talk:
    """A session on the heater that has come to a step without any trouble."""
    talk = Talk(HEATER)
    for passed, sentence in WAY.items():
        if passed == step:
            break
        talk.hear(sentence)
    assert talk.session.at == step
    return talk


def in_phase(phase: str) -> Talk:
    """A session at the step ``coil``, or for "ending" at the last, in one of the phases in which something is open."""
    talk = at("flashes" if phase == "ending" else "coil")
    match phase:
        case "ending":
            talk.hear("two")
        case "doubt":
            talk.hear("twenty five ohms", confidence=0.4)
        case "reason":
            talk.hear("unable")
        case "leaving":
            talk.hear("end session")
        case "paused":
            talk.hear("stand by")
    return talk


PHASES = ("step", "doubt", "reason", "leaving", "paused")
QUESTION = {
    "step": "Measure the coil.",
    "doubt": "I heard twenty five ohms. Affirm, or say it again.",
    "reason": (
        "Say the reason: no access, no tool, not fitted, it is stuck, not safe, it is damaged, meter failed, "
        "another reason; or disregard."
    ),
    "leaving": "End the session here? Affirm or negative.",
    "ending": ends("The heater is sound."),
}


# -- beginning, cautions and readings ---------------------------------------------------------------------------------


def test_the_local_rules_and_what_can_hurt_are_said_before_the_first_step() -> None:
    said = Talk(HEATER).said
    assert said[1:] == [
        "The rules of the site come first.",
        "What can hurt here: supply cord.",
        "Put on safety glasses.",
    ]


def test_the_gravest_caution_comes_first_and_all_come_before_the_instruction() -> None:
    assert at("open").said[-3:] == [
        "Danger! Touch nothing that is not proved dead. A shock can kill you.",
        "Caution! Wear gloves. The edges can cut you.",
        "Take the cover off.",
    ]


def test_a_reading_is_said_back_with_its_limit_and_its_verdict() -> None:
    talk = at("coil").hear("twenty four point five zero ohms")
    assert talk.said[0] == "Twenty four point five zero ohms, between twenty and thirty: conforming."
    reading = talk.all(Mark.READING)[-1]
    assert (reading["value"], reading["unit"], reading["verdict"]) == ("24.50", "ohm", "conforming")
    assert reading["limit"] == {"between": ["20", "30"], "unit": "ohm"}


def test_a_reading_in_kilohms_is_judged_in_ohms_and_kept_as_spoken() -> None:
    reading = at("coil").hear("zero point zero two five kilohms").all(Mark.READING)[-1]
    assert (reading["value"], reading["unit"], reading["verdict"]) == ("0.025", "kiloohm", "conforming")
    reading = at("coil").hear("twenty five kilohms").all(Mark.READING)[-1]
    assert (reading["value"], reading["unit"], reading["verdict"]) == ("25", "kiloohm", "nonconforming")


@pytest.mark.parametrize(
    ("procedure", "sentence", "reason"),
    [
        (DIRECT, "twelve volts a c", "AC was said and DC is asked for"),
        (DIRECT, "twelve ohms", "for a resistance, and a voltage is asked for"),
        (DIRECT, "twelve point", "cut short"),
        (DIRECT, "", "thing was"),
        (DIRECT, "the radio is on", "'the' is not a number"),
        (DIRECT, "done", "'done' has no use at this step"),
        (DIRECT, "affirm", "'affirm' has no use at this step"),
        (DIRECT, "go ahead", "'go ahead' has no use at this step"),
        (DIRECT, "read back", "'read back' has no use at this step"),
        (DIRECT, "correction twelve volts", "not a number"),
    ],
)
def test_what_cannot_be_taken_is_asked_again_with_the_reason_and_moves_nothing(
    procedure: Procedure, sentence: str, reason: str
) -> None:
    talk = Talk(procedure)
    before = talk.session.open
    talk.hear(sentence)
    assert talk.new == [Mark.ASKED_AGAIN]
    assert reason in talk.all(Mark.ASKED_AGAIN)[-1]["reason"]
    assert talk.said[0].startswith("Say again.")
    assert talk.session.open == before


def test_talk_in_the_room_is_answered_by_no_word_but_every_third_time() -> None:
    talk = at("coil")
    for said in ([], [], ["Say again. Say the digits one by one, then the unit."], []):
        talk.hear("eleven volts", confidence=0.01)
        assert talk.new == [Mark.ASKED_AGAIN]
        assert talk.said == said
    assert talk.session.at == "coil"


def test_who_is_not_understood_twice_is_told_how_to_say_it() -> None:
    assert at("coil").hear("mumble", "mumble").said == ["Say again. Say the digits one by one, then the unit."]
    assert at("listen").hear("mumble", "mumble").said == ["Say again. Say it gets warm or it stays cold."]
    assert at("open").hear("mumble", "mumble").said == ["Say again. Say done, or unable and the reason."]


@pytest.mark.parametrize("sentence", ["two point five", "two and a half"])
def test_a_count_with_a_fraction_is_no_count_not_even_as_a_correction(sentence: str) -> None:
    talk = at("flashes").hear(sentence)
    assert talk.new == [Mark.ASKED_AGAIN]
    counted = small("""
steps:
  - {id: flashes, kind: measure, say: Count., reading: flashes, quantity: count, limit: {at_most: 3}}
  - {id: wait, kind: do, say: Wait.}
  - {id: end, kind: conclude, finding: Counted., condition: sound, action: Go on.}
""")
    talk = Talk(counted).hear("two", f"correction {sentence}")
    assert talk.new == [Mark.ASKED_AGAIN]
    assert talk.standing == {"flashes": "2"}


def test_over_range_is_too_much_for_an_upper_limit_and_says_too_little_for_a_lower_one() -> None:
    talk = at("coil").hear("over range")
    assert talk.all(Mark.READING)[-1]["verdict"] == "nonconforming"
    assert talk.session.at == "close"
    talk = at("insulation").hear("o l")
    assert talk.all(Mark.READING)[-1]["verdict"] == "undecided"
    assert talk.session.at == "insulation"


def test_a_bound_that_leaves_the_verdict_open_is_measured_again_and_stays_on_record() -> None:
    talk = at("insulation").hear("greater than two megohms")
    assert talk.said[0].startswith("Greater than two megohms, at least five: undecided; the meter shows only a bound")
    assert talk.said[1:] == ["Measure the insulation."]
    talk.hear("greater than five hundred megohms")
    assert [data["verdict"] for data in talk.all(Mark.READING)[-2:]] == ["undecided", "conforming"]
    assert talk.all(Mark.CORRECTED) == []
    assert talk.session.at == "close"


# -- how surely it was heard ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("confidence", "new"),
    [
        (None, [Mark.READING, Mark.ENTERED]),
        (1.0, [Mark.READING, Mark.ENTERED]),
        (0.6, [Mark.READING, Mark.ENTERED]),
        (0.599, []),
        (0.2, []),
        (0.199, [Mark.ASKED_AGAIN]),
        (0.0, [Mark.ASKED_AGAIN]),
    ],
)
def test_a_reading_is_taken_from_the_one_threshold_on_and_doubted_from_the_other(
    confidence: float | None, new: list[Mark]
) -> None:
    talk = Talk(HEATER, Policy(reject=0.2, doubt=0.6)).hear("done")
    talk.hear(WAY["supply"], confidence=confidence)
    assert talk.new == new


@pytest.mark.parametrize(("reject", "doubt"), [(0.6, 0.5), (-0.1, 0.5), (0.3, 1.1), (float("nan"), 0.5)])
def test_thresholds_out_of_order_are_no_policy(reject: float, doubt: float) -> None:
    with pytest.raises(ValueError, match="0 <= reject <= doubt <= 1"):
        Policy(reject, doubt)


def test_a_doubted_reading_is_on_record_only_after_affirm() -> None:
    talk = in_phase("doubt")
    assert talk.said == [QUESTION["doubt"]]
    assert talk.new == []
    talk.hear("affirm")
    assert talk.standing["coil"] == "25"
    assert talk.session.at == "insulation"


@pytest.mark.parametrize("no", ["negative", "disregard"])
def test_a_doubted_reading_that_is_denied_was_never_read(no: str) -> None:
    talk = in_phase("doubt").hear(no)
    assert talk.new == []
    assert "coil" not in talk.standing
    assert talk.said == ["Say the reading again."]
    assert talk.hear("twenty nine ohms").standing["coil"] == "29"


def test_another_reading_heard_surely_takes_the_place_of_the_doubted_one() -> None:
    talk = in_phase("doubt").hear("twenty nine ohms", confidence=0.9)
    assert talk.standing["coil"] == "29"
    assert len(talk.all(Mark.READING)) == 3  # supply, dead, coil


def test_another_doubted_reading_is_the_one_that_affirm_takes() -> None:
    talk = in_phase("doubt").hear("twenty nine ohms", confidence=0.4).hear("affirm")
    assert talk.standing["coil"] == "29"


def test_the_same_reading_heard_unsurely_again_is_no_surer() -> None:
    talk = in_phase("doubt").hear("twenty five ohms", confidence=0.4)
    assert talk.new == []
    assert talk.said == [QUESTION["doubt"]]


@pytest.mark.parametrize("sentence", ["roger", "affirm", "negative", "mumble", "done", "correction thirty ohms"])
def test_a_doubted_reading_waits_for_a_clear_yes(sentence: str) -> None:
    talk = in_phase("doubt").hear(sentence, confidence=0.4)
    assert Mark.READING not in talk.new
    assert talk.hear("affirm").standing["coil"] == "25"


def test_an_answer_or_a_command_that_moves_something_must_be_heard_clearly() -> None:
    for step, sentence in (("open", "done"), ("listen", "it gets warm"), ("coil", "go back"), ("coil", "end session")):
        talk = at(step).hear(sentence, confidence=0.4)
        assert talk.new == [Mark.ASKED_AGAIN]
        assert talk.said == ["Say again. Not heard clearly."]
    assert at("coil").hear("stand by", confidence=0.4).new == [Mark.PAUSED]


# -- CORRECTION -------------------------------------------------------------------------------------------------------


def test_a_corrected_reading_stays_on_record_and_does_not_stand() -> None:
    talk = at("insulation").hear("correction twenty six ohms")
    assert talk.said == [
        "Correction, coil:",
        "Twenty six ohms, between twenty and thirty: conforming.",
        "Measure the insulation.",
    ]
    assert [data["value"] for data in talk.all(Mark.READING)] == ["230", "0.2", "24.5", "26"]
    assert talk.all(Mark.CORRECTED) == [{"reading": "r3", "by": "r4", "why": "correction"}]
    assert talk.standing["coil"] == "26"
    assert talk.session.standing == 3
    assert talk.session.at == "insulation"


def test_a_correction_can_be_corrected() -> None:
    talk = at("insulation").hear("correction twenty six ohms", "correction twenty seven ohms")
    assert [data["reading"] for data in talk.all(Mark.CORRECTED)] == ["r3", "r4"]
    assert talk.standing["coil"] == "27"


def test_a_correction_that_changes_the_verdict_leads_the_other_way() -> None:
    talk = at("insulation").hear("correction ninety ohms")
    assert talk.all(Mark.READING)[-1]["verdict"] == "nonconforming"
    assert talk.session.at == "close"
    talk.hear("done")
    assert talk.session.finding == "The coil is bad."


def test_a_correction_several_steps_later_goes_on_from_the_corrected_reading() -> None:
    talk = at("power").hear("correction one megohm")
    assert talk.session.at == "close"
    talk.hear("done")
    assert talk.session.finding == "The coil is bad."


def test_a_correction_after_a_silent_choice_makes_the_choice_again() -> None:
    talk = Talk(LATE_CHOICE).hear("twelve hertz", "done")
    assert talk.session.at == "fast"
    talk.hear("correction two hertz")
    assert talk.session.at == "note"
    talk.hear("done", "done")
    assert talk.session.finding == "It is slow."


def test_correction_alone_withdraws_the_reading_and_asks_for_it_again() -> None:
    talk = at("close").hear("correction")
    assert talk.said[0] == "Corrected: insulation, fifty megohms, does not stand."
    assert talk.all(Mark.CORRECTED) == [{"reading": "r4", "by": None, "why": "correction"}]
    assert talk.session.at == "insulation"
    talk.hear("that was wrong")  # nobody means the coil by saying it once more
    assert (talk.session.at, talk.said) == ("insulation", ["Say the digits one by one, then the unit."])
    assert talk.standing == {"supply": "230", "dead": "0.2", "coil": "24.5"}
    talk.hear("go back")
    assert talk.session.at == "coil"


def test_a_correction_is_of_the_corrected_readings_quantity() -> None:
    talk = at("listen").hear("correction two hundred volts")
    assert talk.new == [Mark.ASKED_AGAIN]
    assert talk.standing["insulation"] == "50"


def test_a_correction_at_a_step_that_is_measured_again_is_its_reading() -> None:
    talk = at("insulation").hear("greater than two megohms", "correction fifty megohms")
    assert talk.session.at == "close"
    assert talk.standing["insulation"] == "50"


def test_after_go_back_a_correction_is_of_the_step_gone_back_to() -> None:
    talk = at("close").hear("go back", "go back")
    assert talk.session.at == "coil"
    talk.hear("correction twenty six ohms")
    assert talk.all(Mark.CORRECTED) == [{"reading": "r3", "by": "r5", "why": "correction"}]
    assert talk.session.at == "insulation"


@pytest.mark.parametrize(
    ("correction", "energy", "place"),
    [
        ("correction zero point three volts", "proved dead", "open"),
        ("correction ninety volts", "live", "unplug"),
        ("correction less than ten volts", "isolated", "dead"),
        ("correction", "isolated", "dead"),
        ("disregard", "isolated", "dead"),
    ],
)
def test_a_source_is_dead_only_as_long_as_the_reading_that_proved_it_stands(
    correction: str, energy: str, place: str
) -> None:
    talk = at("open").hear(correction)
    assert talk.energy == energy
    assert talk.session.at == place


def test_a_correction_proves_nothing_dead_after_the_supply_was_found_live() -> None:
    talk = at("dead").hear("ninety volts")
    assert (talk.session.at, talk.energy) == ("unplug", "live")
    talk.hear("correction zero point nine volts")
    assert talk.energy == "live"
    assert talk.session.at == "unplug"
    assert "Not possible: hands stay out: supply cord is live." in talk.said
    talk.hear("done", "zero point nine volts")
    assert (talk.session.at, talk.energy) == ("open", "proved dead")


def test_there_is_no_finding_that_a_corrected_reading_contradicts() -> None:
    """The power is on again when the technician sees that the insulation was bad: nobody can go back inside."""
    talk = at("listen").hear("correction one megohm")
    assert talk.standing["insulation"] == "1"
    assert talk.session.at == "listen"
    assert talk.said[-2:] == [
        "Not possible: hands stay out: supply cord is live.",
        "There is no finding before this is done again: insulation.",
    ]
    talk.hear("it gets warm", "two")
    assert not talk.session.closed
    assert talk.said[-1].startswith("Not possible: no finding before this is done again: insulation.")
    talk.hear("end session", "affirm")
    assert talk.session.finding is None


def test_a_correction_that_is_put_right_again_leads_to_the_finding() -> None:
    talk = at("listen").hear("correction one megohm", "correction fifty one megohms", "it gets warm", "two", "affirm")
    assert talk.session.finding == "The heater is sound."


def test_a_withdrawn_reading_that_cannot_be_taken_again_leaves_no_finding() -> None:
    talk = at("listen").hear("correction", "it gets warm", "two")
    assert not talk.session.closed
    assert "no finding before this is done again: insulation" in talk.all(Mark.REFUSED)[-1]["reason"]
    assert talk.hear("read back").said == ["Flashes: two, at most three: conforming."]


def test_a_withdrawn_reading_that_cannot_be_taken_again_can_still_be_said() -> None:
    talk = at("listen").hear("correction")
    assert talk.said[-1] == "Say correction and the right reading."
    assert "insulation" not in talk.standing
    assert talk.hear("read back").said[0].startswith("Coil:")
    talk.hear("correction fifty one megohms", "it gets warm", "two", "affirm")
    assert talk.all(Mark.CORRECTED) == [{"reading": "r4", "by": None, "why": "correction"}]
    assert talk.standing["insulation"] == "51"
    assert talk.session.finding == "The heater is sound."


def test_hands_leave_the_machine_when_a_correction_shows_it_live_and_its_way_is_closed() -> None:
    """Two sources: the pump that would drain the tank is isolated by the time the tank turns out not to be empty."""
    tank = small("""
sources:
  tank: {name: tank pressure, kind: pressure}
  pump: {name: pump, kind: mechanical}
steps:
  - {id: vent, kind: do, say: Open the vent., isolates: [tank]}
  - {id: empty, kind: measure, say: Read the gauge., proves_dead: [tank], needs_isolated: [tank], reading: gauge,
     quantity: pressure, unit: bar, limit: {at_most: 1}, next: {nonconforming: drain}}
  - {id: block, kind: do, say: Block the pump., isolates: [pump]}
  - {id: blocked, kind: do, say: Push against the block., proves_dead: [pump], needs_isolated: [pump]}
  - {id: reach, kind: do, say: Reach into the tank., hands_inside: true, next: end}
  - {id: drain, kind: do, say: Run the pump until the tank is empty., needs_live: [pump], next: vent}
  - {id: end, kind: conclude, finding: The tank is clean., condition: sound, action: Close the vent.}
""")
    talk = Talk(tank).hear("done", "zero point four bar", "done", "done")
    assert talk.session.at == "reach"
    talk.hear("correction four bar")
    assert talk.said[-1] == "Not possible: hands stay out: tank pressure is live."
    for sentence in ("done", "say again"):
        talk.hear(sentence)
        assert talk.session.at == "reach"
        assert talk.said == ["Not possible: hands stay out: tank pressure is live."]
    assert talk.all(Mark.DONE)[-1]["step"] == "blocked"


# -- a voltage where there should be none ------------------------------------------------------------------------------


# What ``check`` refuses is not proved, and the session takes it for no proof either.
PASSED_OVER = unproved("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], reading: terminals,
     quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1}, next: {undecided: tester}}
  - {id: tester, kind: measure, say: Measure the live socket., proves_dead: [mains], reading: live socket,
     quantity: voltage, unit: volt, waveform: ac, limit: {between: [207, 253]}, next: {nonconforming: unplug}}
  - {id: open, kind: do, say: Take the cover off., hands_inside: true}
  - {id: recheck, kind: measure, say: Measure the terminals once more., reading: terminals again,
     quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1}, next: {nonconforming: coil}}
  - {id: coil, kind: do, say: Pull the coil., hands_inside: true}
  - {id: end, kind: conclude, finding: Done., condition: sound, action: Nothing.}
""")


def test_a_voltage_that_was_passed_over_is_no_proof_until_it_is_measured_again() -> None:
    assert prove(PASSED_OVER)
    talk = Talk(PASSED_OVER).hear("done", "two hundred thirty volts")
    assert talk.session.at == "tester"
    assert "supply cord isolated, but not found dead." in talk.hear("how far").said[0]
    talk.hear("two hundred thirty one volts")
    assert talk.energy == "isolated"
    assert talk.said[1:3] == [
        "Not possible: that is no proof: terminals did not conform, and was not measured again.",
        "Dead is to be proved again: supply cord. Then we go on where we were.",
    ]
    assert talk.session.at == "unplug"
    talk.hear("done", "zero point two volts", "two hundred thirty volts")
    assert (talk.session.at, talk.energy) == ("open", "proved dead")


def test_who_leaves_what_was_isolated_and_not_found_dead_is_told_and_it_is_on_record() -> None:
    talk = Talk(PASSED_OVER).hear("done", "two hundred thirty volts", "end session", "affirm")
    assert "Isolated, and not found dead: supply cord. Treat it as live." in talk.said
    assert ("not found dead", "supply cord") in [(each["what"], each["reason"]) for each in talk.all(Mark.DEVIATION)]
    dead = Talk(PASSED_OVER).hear("done", "two hundred thirty volts", "go back", "zero point two volts")
    dead.hear("end session", "affirm")
    assert "not found dead" not in [each["what"] for each in dead.all(Mark.DEVIATION)]


def test_an_undecided_voltage_that_was_passed_over_is_no_proof() -> None:
    talk = Talk(PASSED_OVER).hear("done", "less than three hundred volts")
    assert talk.all(Mark.READING)[-1]["verdict"] == "undecided"
    assert talk.session.at == "tester"
    assert talk.hear("two hundred thirty volts").energy == "isolated"


def test_a_corrected_voltage_is_measured_again() -> None:
    talk = Talk(PASSED_OVER).hear("done", "two hundred thirty volts", "correction zero point two volts")
    assert talk.hear("two hundred thirty volts").energy == "proved dead"


def test_nobody_overrides_a_voltage_that_was_found() -> None:
    procedure = small("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], reading: terminals,
     quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1}, next: {nonconforming: unplug}}
  - {id: tester, kind: measure, say: Measure the live socket., proves_dead: [mains], reading: live socket,
     quantity: voltage, unit: volt, waveform: ac, limit: {between: [207, 253]}, next: {nonconforming: unplug}}
  - {id: end, kind: conclude, finding: Done., condition: sound, action: Nothing.}
""")
    talk = Talk(procedure).hear("done", "two hundred thirty volts")
    assert talk.session.at == "unplug"
    assert "no use at this step" in talk.hear("override not needed").said[0]
    assert talk.session.at == "unplug"


def test_a_voltage_at_what_was_proved_dead_takes_the_proof_back() -> None:
    talk = Talk(PASSED_OVER).hear("done", "zero point two volts", "two hundred thirty volts", "done")
    assert (talk.session.at, talk.energy) == ("recheck", "proved dead")
    talk.hear("two hundred thirty volts")
    assert talk.energy == "isolated"
    assert talk.session.at == "unplug"
    talk.hear("done", "zero point two volts", "two hundred thirty volts")
    assert (talk.session.at, talk.energy) == ("coil", "proved dead")


TWICE = unproved("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], reading: terminals,
     quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1}, proves_dead: [mains],
     next: {nonconforming: unplug}}
  - {id: recheck, kind: measure, say: Measure the frame., reading: frame, quantity: voltage, unit: volt, waveform: ac,
     limit: {at_most: 1}, next: {nonconforming: once-more, undecided: coil}}
  - {id: coil, kind: do, say: Pull the coil., hands_inside: true, next: end}
  - {id: once-more, kind: measure, say: Measure the terminals again., needs_isolated: [mains], reading: terminals again,
     quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1}, proves_dead: [mains],
     next: {conforming: coil, nonconforming: unplug}}
  - {id: end, kind: conclude, finding: Done., condition: sound, action: Nothing.}
""")


@pytest.mark.parametrize("found", ["two hundred thirty volts", "less than five volts"])
def test_a_voltage_found_at_what_was_proved_dead_is_measured_again_before_hands_go_inside(found: str) -> None:
    assert {finding.rule for finding in prove(TWICE)} == {Rule.PASSED_OVER, Rule.HANDS_INSIDE}
    talk = Talk(TWICE).hear("done", "zero volts", found)
    assert talk.energy == "isolated"
    talk.hear("zero volts")
    assert talk.session.at != "coil"


# -- DISREGARD --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("done", "energy", "off"),
    [
        ("unplug", "live", set()),  # not isolated after all
        ("dead", "isolated", set()),  # not proved after all
        ("open", "proved dead", {"cover"}),  # who knows: it may well be off
        ("close", "proved dead", {"cover"}),  # not on after all
        ("power", "live", set()),  # who knows: it may well be live
    ],
)
def test_what_is_disregarded_leaves_the_machine_in_the_more_dangerous_state(
    done: str, energy: str, off: set[str]
) -> None:
    talk = at(done).hear(WAY[done], "disregard")
    assert "Disregarded." in talk.said
    assert talk.session.at == done
    assert talk.energy == energy
    assert talk.off == off


def test_a_disregarded_reading_stays_on_record_and_does_not_stand() -> None:
    talk = at("insulation").hear("disregard")
    assert talk.session.at == "coil"
    assert talk.all(Mark.CORRECTED) == [{"reading": "r3", "by": None, "why": "disregard"}]
    assert talk.hear("ninety ohms", "done").session.finding == "The coil is bad."


def test_a_disregarded_correction_takes_the_corrected_reading_with_it() -> None:
    talk = at("insulation").hear("correction twenty six ohms", "disregard")
    assert talk.all(Mark.CORRECTED)[-1] == {"reading": "r4", "by": None, "why": "disregard"}
    assert "coil" not in talk.standing


def test_disregard_takes_the_last_reading_of_a_step_and_no_earlier_one() -> None:
    talk = at("insulation").hear("greater than two megohms", "fifty megohms", "correction", "disregard")
    assert talk.new == [Mark.ASKED_AGAIN]  # the correction took it back already
    assert talk.standing["insulation"] == "2"


def test_a_disregarded_answer_is_asked_again() -> None:
    talk = at("flashes").hear("disregard")
    assert talk.session.at == "listen"
    assert talk.hear("it stays cold", "affirm").session.finding == "No fault was found."


def test_unable_can_be_disregarded_and_stays_on_record() -> None:
    talk = at("prepare").hear("unable no tool")
    assert talk.session.at == "supply"
    talk.hear("disregard")
    assert talk.session.at == "prepare"
    assert talk.all(Mark.DEVIATION) == [{"step": "prepare", "what": "unable", "reason": "no tool"}]


def test_one_step_can_be_disregarded_and_after_go_back_none() -> None:
    assert at("prepare").hear("disregard").new == [Mark.ASKED_AGAIN]
    assert at("insulation").hear("disregard", "disregard").new == [Mark.ASKED_AGAIN]
    assert at("insulation").hear("go back", "disregard").new == [Mark.ASKED_AGAIN]


def test_go_back_after_disregard_or_correction_goes_to_the_step_before() -> None:
    assert at("dead").hear("disregard", "go back").session.at == "supply"
    assert at("insulation").hear("correction", "go back").session.at == "open"


# -- GO BACK ----------------------------------------------------------------------------------------------------------


def test_go_back_repeated_reaches_the_first_step_and_no_further() -> None:
    talk = at("insulation")
    places = [talk.hear("go back").session.at for _ in range(6)]
    assert places == ["coil", "open", "dead", "unplug", "supply", "prepare"]
    assert Word.GO_BACK not in talk.session.open.words
    assert talk.hear("go back").new == [Mark.ASKED_AGAIN]
    assert talk.all(Mark.CORRECTED) == []


def test_nobody_goes_back_inside_over_the_step_that_switched_on() -> None:
    talk = at("listen").hear("go back")
    assert talk.session.at == "power"
    for _ in range(3):
        talk.hear("go back")
        assert talk.session.at == "power"
        assert talk.new == [Mark.REFUSED]
        assert talk.said == ["Not possible: hands stay out: supply cord is live."]
    talk.hear("done", "it gets warm", "two", "affirm")
    assert talk.session.finding == "The heater is sound."


def test_what_is_gone_back_to_has_made_nothing_safe_until_it_is_done_again() -> None:
    talk = at("open").hear("go back")
    assert (talk.session.at, talk.energy) == ("dead", "isolated")
    talk.hear("go back")
    assert (talk.session.at, talk.energy) == ("unplug", "live")
    talk.hear("unable it is stuck", "affirm")
    assert talk.session.finding == "It cannot be isolated."
    talk = at("power").hear("go back")
    assert (talk.session.at, talk.off) == ("close", {"cover"})
    assert talk.hear("done").off == set()


def test_a_source_found_live_after_going_back_is_live() -> None:
    talk = at("open").hear("go back", "eighty volts")
    assert (talk.session.at, talk.energy) == ("unplug", "live")


def test_a_source_isolated_again_is_not_proved_by_what_was_measured_before() -> None:
    """CORRECTION may lead past what is to be measured again."""
    two_ends = small("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: isolate, kind: do, say: Pull the plug., isolates: [mains], next: before}
  - {id: again, kind: do, say: See that the plug is out., isolates: [mains], next: before}
  - {id: before, kind: measure, say: Prove your tester., reading: tester before, quantity: voltage, unit: volt,
     waveform: ac, limit: {between: [207, 253]}, next: {nonconforming: again}}
  - {id: line, kind: measure, say: Measure the terminals., needs_isolated: [mains], reading: line, quantity: voltage,
     unit: volt, waveform: ac, limit: {at_most: 1}, next: {nonconforming: again}}
  - {id: after, kind: measure, say: Prove your tester again., proves_dead: [mains], reading: tester after,
     quantity: voltage, unit: volt, waveform: ac, limit: {between: [207, 253]}, next: {nonconforming: again}}
  - {id: reach, kind: do, say: Reach in., hands_inside: true}
  - {id: end, kind: conclude, finding: Clean., condition: sound, action: Go on.}
""")
    talk = Talk(two_ends).hear("done", "two hundred thirty volts", "zero volts", "one hundred volts", "done")
    assert (talk.session.at, talk.energy) == ("before", "isolated")
    talk.hear("correction", "two hundred thirty volts")
    assert talk.energy == "isolated"
    assert "Not possible: that is no proof: supply cord was not measured since it was isolated." in talk.said
    assert talk.session.at != "reach"


# -- UNABLE -----------------------------------------------------------------------------------------------------------


def test_unable_with_a_reason_goes_the_way_the_procedure_gives() -> None:
    talk = at("unplug").hear("unable it is stuck")
    assert talk.said == ["Unable, it is stuck: that ends the visit. Affirm or negative."]
    assert talk.all(Mark.DEVIATION) == []
    assert talk.hear("negative").session.at == "unplug"
    talk.hear("unable it is stuck", "affirm")
    assert talk.all(Mark.DEVIATION) == [{"step": "unplug", "what": "unable", "reason": "it is stuck"}]
    assert talk.session.finding == "It cannot be isolated."
    assert talk.said[-1] == "Session closed. 1 reading, 1 deviation."


@pytest.mark.parametrize("answer", ["no tool", "tool missing", "unable no tool"])
def test_unable_alone_is_asked_for_its_reason(answer: str) -> None:
    talk = at("prepare").hear("unable")
    assert talk.new == []
    talk.hear(answer)
    assert talk.all(Mark.DEVIATION) == [{"step": "prepare", "what": "unable", "reason": "no tool"}]
    assert talk.session.at == "supply"


def test_a_step_without_effects_may_be_left_out_and_the_record_says_so() -> None:
    assert at("prepare").hear("unable no tool").session.at == "supply"


@pytest.mark.parametrize("step", ["supply", "dead", "open", "coil", "close", "power", "listen", "flashes"])
def test_there_is_no_way_round_a_measurement_a_question_or_a_step_with_effects(step: str) -> None:
    talk = at(step).hear("unable not safe")
    assert talk.new == [Mark.DEVIATION, Mark.REFUSED]
    assert talk.session.at == step
    assert talk.hear(WAY[step], "affirm").session.at != step


def test_unable_may_be_thought_better_of_before_the_reason() -> None:
    talk = in_phase("reason").hear("disregard")
    assert talk.said == [QUESTION["step"]]
    assert talk.all(Mark.DEVIATION) == []


def test_nothing_is_chosen_by_a_reading_that_could_not_be_taken() -> None:
    gap = small("""
steps:
  - {id: speed, kind: measure, say: Measure., reading: speed, quantity: frequency, unit: hertz,
     limit: {at_least: 10}, next: {conforming: by-speed, nonconforming: by-speed}, unable: given-up}
  - {id: by-speed, kind: choose, by: speed, next: {conforming: wait, nonconforming: wait}}
  - {id: wait, kind: do, say: Wait., next: end}
  - {id: given-up, kind: conclude, finding: Not measured., condition: unresolved, action: Go on.}
  - {id: end, kind: conclude, finding: Measured., condition: sound, action: Go on.}
""")
    assert Talk(gap).hear("twelve hertz", "go back", "unable meter failed", "affirm").session.finding == "Not measured."


def test_unable_asks_before_it_ends_the_visit_past_a_choice_too() -> None:
    choice = small("""
steps:
  - {id: speed, kind: measure, say: Measure., reading: speed, quantity: frequency, unit: hertz,
     limit: {at_least: 10}, next: {nonconforming: bad}}
  - {id: wait, kind: do, say: Wait., unable: by-speed, next: by-speed}
  - {id: by-speed, kind: choose, by: speed, next: {conforming: end, nonconforming: bad}}
  - {id: end, kind: conclude, finding: Sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: Bad., condition: unresolved, action: Go on.}
""")
    talk = Talk(choice).hear("twelve hertz", "unable no access")
    assert talk.said == ["Unable, no access: that ends the visit. Affirm or negative."]
    assert not talk.session.closed


# -- what ends the visit ----------------------------------------------------------------------------------------------


def test_a_reading_that_ends_the_visit_can_be_put_right_before_it_does() -> None:
    talk = at("supply").hear("two hundred volts")
    assert talk.said[-1] == ends("The supply is bad.")
    assert (talk.session.closed, talk.all(Mark.CONCLUDED)) == (False, [])
    talk.hear("correction two hundred thirty volts")
    assert (talk.session.at, talk.standing["supply"]) == ("unplug", "230")


def test_a_correction_that_changes_nothing_about_the_end_has_it_asked_again() -> None:
    talk = at("supply").hear("two hundred volts", "correction two hundred one volts")
    assert talk.said[-1] == ends("The supply is bad.")
    assert talk.hear("affirm").session.finding == "The supply is bad."
    assert talk.standing == {"supply": "201"}


@pytest.mark.parametrize("no", ["negative", "disregard", "correction"])
def test_what_would_end_the_visit_is_asked_for_again_where_it_was_not_so(no: str) -> None:
    talk = at("supply").hear("two hundred volts", no)
    assert talk.said[-1] == "Measure the socket."
    assert (talk.session.at, talk.standing) == ("supply", {})
    assert talk.hear("two hundred thirty volts").session.at == "unplug"


@pytest.mark.parametrize("no", ["negative", "disregard", "correction"])
def test_an_answer_that_would_end_the_visit_is_taken_back_and_not_the_reading_before_it(no: str) -> None:
    talk = at("listen").hear("it stays cold")
    assert talk.said == ["Cold.", ends("No fault was found.", "Affirm or negative.")]
    talk.hear(no)
    assert (talk.session.at, talk.said[-1]) == ("listen", "What does the heater do?")
    assert talk.all(Mark.CORRECTED) == []
    assert talk.hear("it gets warm", "two", "affirm").session.finding == "The heater is sound."


def test_a_correction_from_a_later_step_that_ends_the_visit_is_asked_about_as_well() -> None:
    talk = at("unplug").hear("correction two hundred volts")
    assert talk.said[-1] == ends("The supply is bad.")
    assert talk.hear("negative").said[-1] == "Measure the socket."
    talk.hear("two hundred volts", "affirm")
    assert talk.session.finding == "The supply is bad."


def test_an_earlier_reading_may_still_be_put_right_before_the_end() -> None:
    talk = at("listen").hear("it stays cold", "correction fifty one megohms")
    assert talk.standing["insulation"] == "51"
    assert talk.said[-1] == ends("No fault was found.", "Affirm or negative.")
    talk.hear("correction one megohm")
    assert talk.said[-1] == "There is no finding before this is done again: insulation."
    assert talk.session.at == "listen"
    assert "no finding before" in talk.hear("it stays cold").said[-1]


@pytest.mark.parametrize("no", ["negative", "disregard", "correction"])
def test_a_correction_after_a_denial_is_the_reading_that_was_denied_and_no_other(no: str) -> None:
    """Whoever denies and then corrects means one and the same reading, also where the unit goes without saying."""
    talk = at("flashes").hear("nine", no, "correction two")
    assert talk.standing == {**at("flashes").standing, "flashes": "2"}
    assert talk.said[-1] == ends("The heater is sound.")
    doubted = at("insulation").hear("fifteen megohms", confidence=0.4).hear("negative", "correction fifty")
    assert doubted.standing == {**at("insulation").standing, "insulation": "50"}


def test_a_correction_where_nothing_is_left_to_correct_says_what_to_say() -> None:
    talk = at("supply").hear("two hundred volts", "disregard", "correction")
    assert talk.said == ["Say the digits one by one, then the unit."]
    assert talk.hear("two hundred thirty volts").session.at == "unplug"


def test_a_correction_after_a_read_back_is_of_what_was_read_back() -> None:
    talk = at("insulation").hear("fifteen megohms", confidence=0.4).hear("negative", "read back")
    assert talk.said == ["Coil: twenty four point five ohms, between twenty and thirty: conforming."]
    talk.hear("correction twenty five ohms")
    assert talk.standing == {**at("insulation").standing, "coil": "25"}
    assert talk.session.at == "insulation"


@pytest.mark.parametrize("then", [(), ("stand by",), ("note",)])
def test_a_visit_that_is_left_at_the_question_says_which_finding_was_not_affirmed(then: tuple[str, ...]) -> None:
    talk = at("supply").hear("two hundred volts", *then)
    talk.event(Ended(talk.time, "the recording is over"))
    assert "Not affirmed, so no finding: The supply is bad." in talk.said
    assert {"step": "supply", "what": "finding not affirmed", "reason": "The supply is bad."} in talk.all(
        Mark.DEVIATION
    )
    assert (talk.session.finding, talk.all(Mark.CLOSED)[-1]["deviations"]) == (None, 2)


def test_a_step_that_was_to_be_left_out_when_the_session_was_left_is_told() -> None:
    talk = at("unplug").hear("unable no access")
    assert talk.said[-1].endswith("that ends the visit. Affirm or negative.")
    talk.event(Ended(talk.time, "the recording is over"))
    assert {"step": "unplug", "what": "unable, not affirmed", "reason": "no access"} in talk.all(Mark.DEVIATION)
    ended = at("unplug").hear("unable no access", "negative", "end session", "affirm")
    assert [data["what"] for data in ended.all(Mark.DEVIATION)] == ["ended early"]


def test_an_affirm_said_before_the_question_had_begun_does_not_end_the_visit() -> None:
    talk = at("flashes").hear("two")
    talk.event(Heard(talk.time, "affirm", 0.9, offset=20.0, seconds=0.5, unasked=True))
    assert talk.said == [f"Not taken: that was said before I asked. {ends('The heater is sound.')}"]
    talk.event(Heard(talk.time, "correction nine", 0.9, offset=22.0, seconds=0.9, unasked=True))
    assert talk.said[-1] == ends("No fault was found.")


@pytest.mark.parametrize("heard", ["correction seven bar", "one hundred eighteen volts", "go back", ""])
def test_what_is_not_taken_at_the_end_is_told_with_its_reason(heard: str) -> None:
    talk = at("supply").hear("two hundred volts", heard)
    assert talk.said[-1].startswith("Not taken: ")
    assert talk.said[-1].endswith(ends("The supply is bad."))
    assert talk.standing == {"supply": "200"}


def test_a_doubt_about_a_correction_does_not_help_another_reading_through() -> None:
    two = small("""
steps:
  - {id: first, kind: measure, say: Measure the first., reading: first, quantity: voltage, unit: volt,
     plausible: [0, 300], limit: {between: [207, 253]}, next: {nonconforming: bad}}
  - {id: second, kind: measure, say: Measure the second., reading: second, quantity: voltage, unit: volt,
     plausible: [0, 300], limit: {between: [207, 253]}, next: {nonconforming: bad}}
  - {id: end, kind: conclude, finding: Sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: Bad., condition: unresolved, action: Go on.}
""")
    talk = Talk(two).hear("two hundred thirty volts", "correction three hundred fifty volts", "negative")
    talk.hear("two hundred forty volts", "correction three hundred fifty volts")
    assert talk.standing == {"first": "230", "second": "240"}


def test_of_a_reading_that_was_taken_back_nothing_says_that_it_stands() -> None:
    talk = at("dead").hear("correction").hear("correction two hundred sixteen volts", confidence=0.9)
    assert talk.said[-1].endswith("Until then supply is still to be done again.")
    assert talk.hear("negative").said == ["Supply is still to be done again.", "Measure the terminals."]
    taken = at("dead").hear("correction").hear("correction two hundred sixteen volts", confidence=0.9).hear("affirm")
    assert taken.standing == {"supply": "216"}


def test_who_goes_back_past_a_step_that_is_owed_corrects_nothing_of_it_from_there() -> None:
    talk = at("dead").hear("correction four hundred volts", "negative", "go back")
    assert talk.session.at == "prepare"
    assert talk.hear("correction two hundred thirty volts").standing == {}
    assert "needs power" in talk.hear("done").said[-1]


def test_a_correction_ends_the_override_of_the_reading_that_it_corrects() -> None:
    """An override is of one reading: another value of it was overridden by nobody."""
    drive = small("""
steps:
  - {id: speed, kind: measure, say: Measure the speed., reading: speed, quantity: frequency, unit: hertz,
     limit: {at_least: 10}, next: {conforming: go, nonconforming: oil}}
  - {id: go, kind: do, say: Start the drive., next: sound}
  - {id: oil, kind: do, say: Oil the bearing., next: bad}
  - {id: sound, kind: conclude, finding: It is fast., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: It is slow., condition: faulty, part: bearing, action: Replace it.}
""")
    talk = Talk(drive).hear("nine hertz", "override agreed with the office")
    assert talk.session.at == "go"
    assert talk.hear("correction two hertz").session.at == "oil"
    corrected = Talk(drive).hear("nine hertz", "correction two hertz")
    assert corrected.session.at == "oil"
    corrected.hear("override agreed with the office")  # which is of the reading that stands
    (deviation,) = corrected.all(Mark.DEVIATION)
    assert (deviation["about"], deviation["reading"]) == ("speed, two hertz", "r2")
    assert Talk(drive).hear("twelve hertz", "correction eleven hertz").session.at == "go"


def test_who_leaves_without_affirming_the_end_has_no_finding_on_record() -> None:
    talk = in_phase("ending").event(Ended(START, "the recording is over"))
    assert talk.new == [Mark.ENDED, Mark.DEVIATION, Mark.DEVIATION, Mark.CLOSED]
    assert [data["what"] for data in talk.all(Mark.DEVIATION)] == ["ended early", "finding not affirmed"]
    assert (talk.session.closed, talk.session.finding) == (True, None)
    assert talk.standing["flashes"] == "2"


def test_an_affirm_that_was_not_heard_surely_ends_nothing() -> None:
    assert not in_phase("ending").hear("affirm", confidence=0.3).session.closed


def test_the_last_instruction_ends_the_visit_without_a_question() -> None:
    talk = Talk(LATE_CHOICE).hear("twelve hertz", "done", "done")
    assert talk.session.finding == "It is fast."


# -- STAND BY and GO AHEAD --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ["step", "doubt", "reason", "leaving", "ending"])
def test_go_ahead_takes_up_what_stand_by_interrupted(phase: str) -> None:
    talk = in_phase(phase)
    before = talk.session.open
    talk.hear("stand by")
    assert talk.new == [Mark.PAUSED]
    assert talk.said == ["Standing by."]
    assert talk.session.open.words == {Word.GO_AHEAD}
    talk.hear("go ahead")
    assert talk.new == [Mark.RESUMED]
    assert talk.said == [QUESTION[phase]]
    assert talk.session.open == before


@pytest.mark.parametrize(
    ("sentence", "confidence"),
    [
        ("twenty five ohms", None),
        ("done", None),
        ("affirm", 0.99),
        ("end session", None),
        ("did you see the match", 0.8),
        ("", None),
        ("go ahead", 0.49),  # a recogniser that listens for nothing else makes this of any talk
        ("go ahead", 0.1),
    ],
)
def test_talk_in_the_room_is_recorded_and_not_answered_while_standing_by(
    sentence: str, confidence: float | None
) -> None:
    talk = in_phase("paused").hear(sentence, confidence=confidence)
    assert [type(act) for act in talk.acts] == [Record, Listen]
    assert talk.records[-1].mark is Mark.HEARD
    assert talk.hear("go ahead").said == [QUESTION["step"]]


# -- SAY AGAIN, READ BACK, ROGER and the other words that move nothing ------------------------------------------------


@pytest.mark.parametrize("phase", ["step", "doubt", "reason", "leaving", "ending"])
def test_say_again_repeats_what_is_asked_and_moves_nothing(phase: str) -> None:
    talk = in_phase(phase)
    before = talk.session.open
    assert talk.hear("say again").said == [QUESTION[phase]]
    assert talk.new == []
    assert talk.session.open == before


def test_say_again_repeats_the_cautions_as_well() -> None:
    talk = at("open")
    assert talk.hear("say again").said == talk.hear("say again").said
    assert [said.split("!")[0] for said in talk.said[:2]] == ["Danger", "Caution"]


@pytest.mark.parametrize("phase", ["doubt", "reason", "leaving", "ending"])
def test_roger_is_never_a_yes(phase: str) -> None:
    """ICAO Annex 10 Vol. II, 5.2.1.5.8, note to ROGER: under no circumstances in reply to a question that asks for
    AFFIRM or NEGATIVE (from memory)."""
    talk = in_phase(phase)
    before = talk.session.open
    assert talk.hear("roger").new == []
    assert talk.session.open == before


def test_roger_does_not_complete_a_step() -> None:
    talk = at("unplug").hear("roger")
    assert talk.new == []
    assert talk.said == ["Say done, or unable and the reason."]
    assert talk.hear("affirm").session.at == "unplug"  # nor does AFFIRM, which answers questions
    assert talk.hear("done").session.at == "dead"
    assert at("unplug").hear("negative").said == ["Waiting. Say done when it is, or unable and the reason."]


def test_read_back_says_the_last_standing_reading() -> None:
    assert at("supply").hear("read back").new == [Mark.ASKED_AGAIN]
    said = "Supply: two hundred thirty volts, between two hundred seven and two hundred fifty three: conforming."
    assert at("unplug").hear("read back").said == [said]
    assert at("open").hear("correction", "read back").said == [said]


def test_how_far_says_the_place_the_readings_the_sources_and_what_is_off() -> None:
    talk = at("coil").hear("how far")
    assert talk.said == ["Step 6 of 11. 2 readings. supply cord proved dead. off: cover."]
    assert talk.new == []


def test_speak_slower_changes_the_rate_and_says_it_again_and_faster_undoes_it() -> None:
    talk = at("coil").hear("speak slower")
    slower = [act.factor for act in talk.acts if isinstance(act, SpeakRate)]
    assert talk.said == [QUESTION["step"]]
    talk.hear("speak faster")
    faster = [act.factor for act in talk.acts if isinstance(act, SpeakRate)]
    assert slower[0] < 1
    assert slower[0] * faster[0] == pytest.approx(1)


@pytest.mark.parametrize(
    ("confidence", "grade"),
    [(None, "in writing"), (0.3, "two"), (0.5, "three"), (0.79, "four"), (0.8, "five"), (1.0, "five")],
)
def test_how_do_you_read_answers_on_the_scale_of_one_to_five(confidence: float | None, grade: str) -> None:
    talk = at("coil").hear("how do you read", confidence=confidence)
    assert talk.said[0].startswith(f"I read you {grade}")


def received(readability: int | None, snr: float | None, advice: str | None = None) -> Heard:
    return Heard(START, "how do you read", 0.9, reception=Reception(readability, -25.5, snr, 8000, advice))


@pytest.mark.parametrize(
    ("heard", "answer"),
    [
        (received(5, 21.7), "I read you five, perfectly readable: speech twenty two decibels above the noise."),
        (
            received(2, 9.4, "Go away from the fan."),
            "I read you two, readable now and then: speech nine decibels above the noise. Go away from the fan.",
        ),
        (received(1, -3.2), "I read you one, unreadable: speech three decibels below the noise."),
        (received(None, None), "I read you five, perfectly readable."),
    ],
)
def test_how_do_you_read_tells_how_that_very_utterance_was_received(heard: Heard, answer: str) -> None:
    assert at("coil").event(heard).said == [answer]


def test_a_doubtful_hearing_is_not_called_readable_however_good_the_sound() -> None:
    talk = at("coil").event(Heard(START, "how do you read", 0.45, reception=Reception(5, -20, 40, 8000, None)))
    assert talk.said[0].startswith("I read you three")


def test_how_an_utterance_was_received_is_on_record_where_it_was_measured_and_only_there() -> None:
    talk = at("coil").event(received(5, 21.7)).hear("how do you read", confidence=0.9)
    measured, unmeasured = talk.all(Mark.HEARD)[-2:]
    assert measured["reception"] == {
        "readability": 5,
        "level": -25.5,
        "snr": 21.7,
        "bandwidth": 8000,
        "advice": None,
    }
    assert "reception" not in unmeasured


# -- the end ----------------------------------------------------------------------------------------------------------


def test_a_session_ends_early_only_when_it_is_affirmed() -> None:
    talk = at("coil").hear("end session", "negative")
    assert talk.said == [QUESTION["step"]]
    assert not talk.session.closed
    talk.hear("end session", "affirm")
    assert talk.session.closed
    assert talk.session.finding is None
    assert talk.acts[-1] == Close("stopped")
    assert talk.said == ["Still off: cover.", "Session closed. 2 readings, 2 deviations."]
    assert talk.all(Mark.CLOSED) == [{"outcome": "stopped", "readings": 2, "deviations": 2, "off": ["cover"]}]


def test_who_stops_is_told_what_is_still_live() -> None:
    assert at("listen").hear("end session", "affirm").said[0] == "Still live: supply cord."


@pytest.mark.parametrize("phase", [*PHASES, "ending"])
def test_a_fault_outside_is_said_and_recorded_and_moves_nothing(phase: str) -> None:
    talk = in_phase(phase)
    before = talk.session.open
    talk.event(Fault(talk.time, "The microphone was unplugged."))
    assert talk.said[0] == "The microphone was unplugged."
    questions = 1 if phase in ("doubt", "leaving", "ending") else 0  # the one that stands is said again
    assert len(talk.said) == 1 + questions
    assert talk.new == [Mark.FAULT]
    assert talk.session.open == before


@pytest.mark.parametrize("phase", PHASES)
def test_a_session_whose_input_ends_is_closed_as_stopped(phase: str) -> None:
    talk = in_phase(phase).event(Ended(START, "the recording is over"))
    assert talk.session.closed
    assert talk.new == [Mark.ENDED, Mark.DEVIATION, Mark.DEVIATION, Mark.CLOSED]
    assert "coil" not in talk.standing  # a doubted reading is none


@pytest.mark.parametrize("end", [("end session", "affirm"), ("unable it is stuck", "affirm")])
def test_the_closing_entry_is_the_last(end: tuple[str, ...]) -> None:
    talk = at("unplug").hear(*end)
    assert talk.session.closed
    assert talk.acts[-1] == Close(talk.all(Mark.CLOSED)[0]["outcome"])
    for event in (Heard(START, "done"), Fault(START, "late"), Ended(START, "late"), Started(START, {})):
        assert talk.session.handle(event) == []


def test_nothing_happens_before_the_start_and_nothing_starts_twice() -> None:
    session = Session(HEATER)
    for early in (Heard(START, "done"), Fault(START, "early"), Ended(START, "early")):
        assert session.handle(early) == []
    assert session.handle(Started(START, {}))
    assert session.handle(Started(START, {})) == []
    assert session.at == "prepare"


def test_a_procedure_that_begins_inside_a_live_machine_is_not_begun() -> None:
    unproved = loads(
        (
            HEAD
            + """
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: reach, kind: do, say: Reach in., hands_inside: true}
  - {id: end, kind: conclude, finding: Done., condition: sound, action: Go on.}
"""
        ).encode(),
        "unproved.yaml",
    ).procedure
    talk = Talk(unproved)
    assert Mark.ENTERED not in talk.new
    assert talk.session.closed
    assert talk.session.finding is None


@pytest.mark.parametrize("phase", [*PHASES, "ending"])
def test_something_can_always_be_said(phase: str) -> None:
    assert phrases(in_phase(phase).session.open)


# -- the shipped procedure --------------------------------------------------------------------------------------------


def cooler(script: str, until: str | None = None) -> Talk:
    talk = Talk(load(ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml").procedure)
    said = (ROOT / "demo_sessions" / script / "script.txt").read_text(encoding="utf-8").splitlines()
    if until is not None:
        said = said[: said.index(until) + 1]
    for number, sentence in enumerate(said):  # as spoken: sixteen and sixty are asked about, five and nine compared
        others = tuple((" ".join(other), -100.0) for other in neighbours(sentence.split()))
        talk.event(Heard(START + timedelta(seconds=5 * number), sentence, 0.9, "invented", others))
    return talk


def readings(talk: Talk) -> list[tuple[str, str | None, str | None, str | None]]:
    withdrawn = {data["reading"] for data in talk.all(Mark.CORRECTED)}
    return [
        (data["step"], data["value"], data["unit"], data["verdict"])
        for data in talk.all(Mark.READING)
        if data["id"] not in withdrawn
    ]


def steps(talk: Talk, *kinds: str) -> list[str]:
    return [data["step"] for data in talk.all(Mark.ENTERED) if data["kind"] in kinds]


def test_correction_after_an_answer_takes_the_answer_back_and_no_reading() -> None:
    talk = cooler("start-relay", until="short hum").hear("correction", confidence=0.9)
    assert talk.session.at == "listen"
    assert talk.all(Mark.CORRECTED) == []


def test_the_cooler_with_a_high_start_relay_is_found_by_its_relay() -> None:
    talk = cooler("start-relay")
    assert readings(talk) == [
        ("chamber-air", "11.4", "degree_Celsius", "nonconforming"),
        ("display", "11", "degree_Celsius", None),
        ("supply", "118", "volt", "conforming"),
        ("tester-before", "121.2", "volt", "conforming"),
        ("line-to-neutral", "0.2", "volt", "conforming"),
        ("line-to-ground", "0.1", "volt", "conforming"),
        ("tester-after", "121.4", "volt", "conforming"),
        ("capacitor-voltage", "1.3", "volt", "conforming"),
        ("sensor", "32.1", "kiloohm", "conforming"),
        ("overload", "0.3", "ohm", "conforming"),
        ("start-relay", "9.6", "ohm", "nonconforming"),
    ]
    assert [data["value"] for data in talk.all(Mark.READING)][-2:] == ["9.4", "9.6"]
    assert talk.all(Mark.ANSWERED) == [{"step": "listen", "answer": "humming", "text": "short hum"}]
    assert steps(talk, "choose", "conclude") == ["by-sensor", "by-overload", "by-relay", "relay-bad"]
    assert [data["state"] for data in talk.all(Mark.ENERGY) if data["source"] == "mains"] == [
        "live",
        "isolated",
        "proved dead",
    ]
    assert talk.off == set()
    assert talk.session.finding == "The resistance of the start relay is too high."
    assert talk.all(Mark.CONCLUDED)[0]["part"] == "start relay"
    assert talk.all(Mark.CLOSED) == [{"outcome": "concluded", "readings": 11, "deviations": 0, "off": []}]


def test_the_cooler_with_a_dirty_condenser_is_found_sound() -> None:
    talk = cooler("all-sound")
    assert readings(talk) == [
        ("chamber-air", "9.5", "degree_Celsius", "nonconforming"),
        ("display", "10", "degree_Celsius", None),
        ("supply", "121.5", "volt", "conforming"),
        ("tester-before", "121", "volt", "conforming"),
        ("line-to-neutral", "0.1", "volt", "conforming"),
        ("line-to-ground", "0", "volt", "conforming"),
        ("tester-after", "121.3", "volt", "conforming"),
        ("capacitor-voltage", "2.2", "volt", "conforming"),
        ("sensor", "33.4", "kiloohm", "conforming"),
        ("overload", "0.2", "ohm", "conforming"),
        ("start-relay", "5.1", "ohm", "conforming"),
        ("run-winding", "4.7", "ohm", "conforming"),
        ("start-winding", "11.5", "ohm", "conforming"),
        ("both-windings", "16.2", "ohm", "conforming"),
        ("insulation", "500", "megaohm", "conforming"),
        ("run-capacitor", "14.8", "microfarad", "conforming"),
        ("current-after", "1.9", "ampere", "conforming"),
        ("evaporator", "-9.5", "degree_Celsius", "conforming"),
        ("air-after", "6.8", "degree_Celsius", "conforming"),
    ]
    assert [data["answer"] for data in talk.all(Mark.ANSWERED)] == ["silent", "blocked", "started"]
    assert "clean-condenser" in steps(talk, "do")
    assert steps(talk, "conclude") == ["sound"]
    assert [data["state"] for data in talk.all(Mark.ENERGY) if data["source"] == "mains"] == [
        "live",
        "isolated",
        "proved dead",
        "live",
    ]
    assert talk.off == set()
    assert talk.session.finding == "All electrical parts are within limits and the cooler pulls down."
    assert talk.all(Mark.CLOSED) == [{"outcome": "concluded", "readings": 19, "deviations": 0, "off": []}]
