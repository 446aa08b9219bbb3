"""Going on with a session that was left: the place, the machine, and dead proved again before hands go inside."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from test_machine import HEATER, START, WAY, Talk, at, ends, in_phase, small

from handsfree.judge.meterfile import load_meters
from handsfree.session.events import Due, Ended, Listen, Mark, Reopened
from handsfree.session.machine import Session

AWAY = timedelta(minutes=10)
NOTHING_TORN = {"handsfree": "0.0", "settings": {}, "set_aside": []}


def reopen(talk: Talk, away: timedelta = AWAY) -> Talk:
    talk.time += away
    return talk.event(Reopened(talk.time, NOTHING_TORN))


def prove(talk: Talk) -> Talk:
    """The way through the proof of the heater."""
    assert talk.session.at == "unplug"
    return talk.hear("done", "zero point two volts")


@pytest.mark.parametrize("phase", ["step", "doubt", "reason", "leaving", "paused"])
@pytest.mark.parametrize("ended", [False, True])
def test_a_session_goes_on_at_the_step_where_it_was_once_dead_is_proved_again(phase: str, ended: bool) -> None:
    talk = in_phase(phase)
    if ended:
        talk.event(Ended(talk.time, "the input is over"))
    readings = talk.standing
    reopen(talk)
    assert talk.said[0] == "Session resumed. It was left ten minutes ago."
    assert talk.said[1] == "Step 6 of 11. 2 readings. supply cord isolated. off: cover."
    assert talk.said[2] == "Terminals: zero point two volts, at most one: conforming."
    assert talk.said[3] == "Dead is to be proved again: supply cord. Then we go on where we were."
    assert talk.said[-1] == "Pull the plug and lock it."
    assert talk.new[:2] == [Mark.REOPENED, Mark.ENERGY]
    assert talk.energy == "isolated"
    assert talk.standing == readings
    prove(talk)
    assert talk.energy == "proved dead"
    assert "Proved dead. We go on where we were." in talk.said
    assert talk.said[-1] == "Measure the coil."
    assert talk.session.at == "coil"
    assert talk.off == {"cover"}
    talk.hear(*list(WAY.values())[5:])
    assert talk.hear("affirm").session.finding == "The heater is sound."


@pytest.mark.parametrize("ended", [False, True])
def test_a_session_that_was_left_at_its_end_asks_about_that_again(ended: bool) -> None:
    talk = in_phase("ending")
    if ended:
        talk.event(Ended(talk.time, "the input is over"))
    reopen(talk)
    assert talk.said[-2:] == ["Flashes: two, at most three: conforming.", ends("The heater is sound.")]
    assert talk.hear("affirm").session.finding == "The heater is sound."


@pytest.mark.parametrize("step", ["prepare", "supply", "unplug", "dead", "power", "listen", "flashes"])
def test_where_no_hands_are_inside_a_session_goes_on_at_once(step: str) -> None:
    talk = at(step)
    energy, off = talk.energy, talk.off
    reopen(talk)
    assert talk.session.at == step
    assert talk.said[-1] == HEATER.step(step).say  # type: ignore[union-attr]
    assert (talk.energy, talk.off) == ("isolated" if energy == "proved dead" else energy, off)
    for passed, sentence in list(WAY.items())[list(WAY).index(step) :]:
        assert talk.session.at == passed
        talk.hear(sentence)
    assert talk.hear("affirm").session.finding == "The heater is sound."


def test_a_step_with_hands_inside_later_on_waits_for_the_proof_as_well() -> None:
    talk = Talk(
        small("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1},
     next: {nonconforming: unplug}}
  - {id: note, kind: do, say: Note the date on the plate.}
  - {id: reach, kind: do, say: Reach in., hands_inside: true}
  - {id: end, kind: conclude, finding: It is clean., condition: sound, action: Go on.}
""")
    )
    reopen(talk.hear("done", "zero volts"))
    assert talk.session.at == "note"
    talk.hear("done")
    assert talk.session.at == "unplug"
    talk.hear("done", "zero volts")
    assert talk.session.at == "reach"  # not the note again
    assert talk.hear("done").session.finding == "It is clean."


def test_a_session_that_came_to_its_finding_is_not_reopened_and_one_that_never_began_neither() -> None:
    talk = at("flashes").hear("two", "affirm")
    assert talk.session.closed
    assert reopen(talk).acts == []
    assert Session(HEATER).handle(Reopened(START, NOTHING_TORN)) == []


def test_a_session_is_stopped_and_reopened_as_often_as_it_must() -> None:
    talk = at("coil")
    for times in range(1, 4):
        talk.event(Ended(talk.time, "the input is over"))
        assert talk.session.closed
        reopen(talk)
        assert isinstance(talk.acts[-1], Listen)
        assert len(talk.all(Mark.CLOSED)) == len(talk.all(Mark.REOPENED)) == times
    assert prove(talk).session.at == "coil"


def test_left_in_the_middle_of_the_proof_it_is_proved_from_the_beginning() -> None:
    talk = reopen(at("coil")).hear("done")
    assert talk.session.at == "dead"
    reopen(talk)
    assert talk.session.at == "dead"  # no hands inside: this is where it was
    talk.hear("zero point two volts")
    assert talk.session.at == "coil"


def test_a_reading_in_doubt_when_the_session_was_left_was_never_read() -> None:
    talk = prove(reopen(in_phase("doubt")))
    assert talk.session.at == "coil"
    assert "coil" not in talk.standing
    talk.hear("affirm")
    assert "coil" not in talk.standing


def test_a_source_found_live_in_the_proof_is_isolated_again_before_hands_go_inside() -> None:
    talk = reopen(at("coil")).hear("done", "two hundred thirty volts")
    assert (talk.energy, talk.session.at) == ("live", "unplug")
    assert prove(talk).session.at == "coil"


def test_what_is_off_already_is_not_taken_off_again_in_the_proof() -> None:
    talk = Talk(
        small("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}
  - {id: lid-off, kind: do, say: Take the lid off., takes_off: [lid]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1},
     next: {conforming: reach, nonconforming: again}}
  - {id: again, kind: do, say: Find the other plug and pull it., isolates: [mains], next: dead}
  - {id: reach, kind: do, say: Reach in., hands_inside: true}
  - {id: lid-on, kind: do, say: Put the lid on., puts_back: [lid]}
  - {id: end, kind: conclude, finding: It is clean., condition: sound, action: Go on.}
""")
    )
    reopen(talk.hear("done", "done", "zero volts"))
    talk.hear("done")
    assert talk.session.at == "dead"
    talk.hear("zero volts")
    assert talk.session.at == "reach"
    assert len(talk.all(Mark.TAKEN_OFF)) == 1


def test_a_source_that_was_isolated_from_the_start_is_proved_from_the_testers_own_proof_on() -> None:
    talk = Talk(
        small("""
sources:
  mains: {name: supply cord, kind: electrical, at_start: isolated}
steps:
  - {id: glasses, kind: do, say: Put on safety glasses.}
  - {id: tester, kind: measure, say: Measure the known live socket., reading: socket, quantity: voltage, unit: volt,
     limit: {at_least: 100}, next: {nonconforming: tester}}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1},
     next: {nonconforming: not-dead}}
  - {id: reach, kind: do, say: Reach in., hands_inside: true}
  - {id: end, kind: conclude, finding: It is clean., condition: sound, action: Go on.}
  - {id: not-dead, kind: conclude, finding: It is live., condition: unresolved, action: Call the electrician.}
""")
    )
    reopen(talk.hear("done", "two hundred thirty volts", "zero volts"))
    assert talk.session.at == "tester"
    talk.hear("two hundred thirty volts", "zero volts")
    assert talk.session.at == "reach"


def test_disregard_and_go_back_after_the_proof_lead_back_to_the_same_step() -> None:
    for words in (("disregard",), ("go back",), ("correction",)):
        talk = prove(reopen(at("insulation"))).hear(*words)
        assert talk.session.at == "dead"
        talk.hear("zero point three volts")
        assert talk.session.at == "insulation", words


def test_what_was_read_before_the_proof_can_be_gone_back_to_and_leads_on_by_the_procedure() -> None:
    talk = reopen(at("insulation"))
    talk.hear("disregard")  # the coil: it waits for the proof
    assert talk.session.at == "unplug"
    assert "coil" not in talk.standing
    prove(talk)
    assert talk.session.at == "coil"
    talk.hear("five ohms")
    assert talk.session.at == "close"


def test_go_back_from_the_beginning_of_the_proof_does_not_open_a_way_inside() -> None:
    talk = reopen(at("insulation"))
    for _ in range(6):
        talk.hear("go back")
        step = HEATER.step(talk.session.at)
        assert not getattr(step, "hands_inside", False)
    for _ in range(8):
        if talk.session.at in ("coil", "insulation"):
            break
        talk.hear(WAY[talk.session.at])
    assert talk.session.at in ("coil", "insulation")
    assert talk.energy == "proved dead"


def test_who_cannot_prove_it_dead_goes_the_way_of_the_procedure_or_ends_the_session() -> None:
    talk = reopen(at("coil")).hear("unable not safe", "affirm")
    assert talk.session.finding == "It cannot be isolated."
    talk = reopen(at("coil")).hear("end session", "affirm")
    assert talk.session.closed
    assert talk.all(Mark.CLOSED)[-1] == {"outcome": "stopped", "readings": 2, "deviations": 2, "off": ["cover"]}


def test_a_clock_before_the_last_entry_is_told() -> None:
    assert reopen(at("supply"), -AWAY).said[0] == (
        "Session resumed. The clock of this computer stands before the last entry of the record."
    )


def test_what_was_set_aside_of_the_record_is_told() -> None:
    talk = at("supply")
    pieces = [{"name": "journal.torn-1", "bytes": 17, "sha256": "0" * 64}]
    talk.event(Reopened(talk.time, NOTHING_TORN | {"set_aside": pieces}))
    assert talk.said[1] == "A line of the record was torn. What is left of it is in the file journal.torn-1."


def test_which_meter_is_used_is_asked_again_where_that_was_open() -> None:
    (ostrel,) = load_meters([Path(__file__).parents[2] / "meters" / "ostrel-61.yaml"])
    other = ostrel.model_copy(update={"meter": "lowe", "name": "Lowe", "called": ()})
    for ended in (False, True):
        talk = Talk(HEATER, None, (ostrel, other))
        if ended:
            talk.event(Ended(talk.time, "the input is over"))
        reopen(talk)
        assert talk.said[-1].startswith("Which meter do you use?")
        assert talk.hear("meter two").session.at == "prepare"
    reopen(talk.hear("done", "change meter"))
    assert talk.said[-1].startswith("Which meter do you use?")
    assert talk.hear("meter one").said[-1] == "Measure the socket."


def cooling(hands_inside: str) -> Talk:
    return Talk(
        small(f"""
sources:
  mains: {{name: supply cord, kind: electrical}}
steps:
  - {{id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}}
  - {{id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {{at_most: 1}},
     next: {{nonconforming: unplug}}}}
  - id: cooling
    kind: watch
    say: Follow the temperature of the winding.
    hands_inside: {hands_inside}
    every_minutes: 2
    for_minutes: 20
    series:
      - {{reading: winding, quantity: temperature, unit: degree_Celsius, falls_to: 30}}
    next: {{nonconforming: end}}
  - {{id: end, kind: conclude, finding: It is cold., condition: sound, action: Go on.}}
""")
    ).hear("done", "zero volts", "eighty")


def test_a_watch_goes_on_by_the_clock_on_the_wall() -> None:
    talk = reopen(cooling("false"), timedelta(seconds=30))
    assert talk.said[-1] == "Next reading in one minute twenty five seconds: winding."
    talk.event(Ended(talk.time, "the input is over"))
    reopen(talk)
    assert talk.session.due is not None
    assert talk.session.due < talk.time
    talk.event(Due(talk.time)).hear("forty")
    first, second = talk.all(Mark.READING)[-2:]
    assert second["seconds"] - first["seconds"] == AWAY.total_seconds() + 30 + 5


def test_a_watch_with_hands_inside_begins_anew_after_the_proof() -> None:
    talk = reopen(cooling("true"))
    assert talk.session.due is None
    talk.hear("done", "zero volts")
    assert talk.session.at == "cooling"
    assert talk.said[-1] == "Winding, now."
    talk.hear("seventy")
    assert talk.all(Mark.READING)[-1]["seconds"] == 5


WAITS = small("""
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug and lock it., isolates: [mains]}
  - {id: cover, kind: do, say: Take the cover off., needs_isolated: [mains], takes_off: [cover],
     starts: [{timer: discharge, minutes: 5}]}
  - {id: guard, kind: do, say: Take the guard off., needs_isolated: [mains], takes_off: [guard], waits_for: [discharge]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], reading: terminals,
     quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1}, proves_dead: [mains],
     next: {conforming: coil, nonconforming: again}}
  - {id: again, kind: do, say: Find the other plug. Pull it and lock it., isolates: [mains], next: dead}
  - {id: coil, kind: do, say: Pull the coil., hands_inside: true}
  - {id: back, kind: do, say: Put both on., puts_back: [guard, cover]}
  - {id: end, kind: conclude, finding: Done., condition: sound, action: Nothing.}
""")


def test_proving_dead_again_waits_for_what_discharges_once_more() -> None:
    talk = Talk(WAITS).hear("done", "done")
    talk.time += timedelta(minutes=6)
    talk.hear("done", "zero volts")
    assert talk.session.at == "coil"
    talk = reopen(talk).hear("done")
    assert talk.session.at == "guard"
    assert "wait" in talk.hear("done").said[0].lower()
    talk.time += timedelta(minutes=6)
    assert talk.hear("done", "zero volts").session.at == "coil"
