"""A whole visit, sentence by sentence: what it is known by, what is off, counts, timers, notes, new parts, reasons.

The shipped procedure for the display cabinet is used throughout; typed sentences are what a technician would say.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self

import pytest

from handsfree.procedure.load import load, loads
from handsfree.procedure.model import Procedure
from handsfree.procedure.proof import prove
from handsfree.procedure.visit import visit as given
from handsfree.session.events import Due, Ended, Event, Heard, Mark, Record, Reopened, Say, Started
from handsfree.session.journal import Journal, digest
from handsfree.session.machine import Session
from handsfree.session.replay import verify
from handsfree.spoken.meaning import Word

FOLDER = Path(__file__).parents[2] / "procedures"
CABINET = load(FOLDER / "display-cabinet-ices-up.yaml")
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
KNOWN = {"work_order": "123455", "serial": "AB-4091"}  # 123455: Luhn, worked by hand

# What is said on the way to a step, from the first step on.
TO_SCREWS = ("done", "minus four point five degrees", "the fan is silent", "done")
SCREWS_OFF = ("go ahead", "one", "two", "three", "four", "five", "six", "done")
DEAD = ("two hundred thirty volts", "zero volts", "zero volts", "two hundred thirty one volts")
TO_WINDING = (*TO_SCREWS, *SCREWS_OFF, "done", *DEAD, "done", "done")
MOTOR_OUT = (*TO_WINDING, "over range", "i have one", "four", "go ahead", "go ahead", "four", "done")
MOTOR_IN = (*MOTOR_OUT, "alfa one two three four", "affirm", "alfa one two three five", "affirm")
TO_SCREWS_BACK = (*MOTOR_IN, "done", "done", "zero point two ohms", "done")
TO_POWER = (*TO_SCREWS_BACK, "six", "done")
TO_WAIT = (*TO_POWER, "done", "zero point three amps", "cold air flows")


class Visit:
    """A visit under way; what was said last, and all that it put on record."""

    def __init__(self, procedure: Procedure = CABINET.procedure, known: Mapping[str, str] | None = KNOWN) -> None:
        self.session = Session(procedure)
        self.time = START
        self.events: list[Event] = []
        self.records: list[Record] = []
        self.acts: list[Any] = []
        visit = {} if known is None else {"visit": dict(known)}
        self.event(Started(START, {"procedure": {"sha256": digest(CABINET.source)}, **visit}))

    def event(self, event: Event) -> Self:
        self.acts = self.session.handle(event)
        self.events.append(event)
        self.records += [act for act in self.acts if isinstance(act, Record)]
        return self

    def hear(self, *sentences: str, confidence: float | None = None) -> Self:
        for sentence in sentences:
            self.time += timedelta(seconds=5)
            self.event(Heard(self.time, sentence, confidence))
        return self

    def wait(self, **span: float) -> Self:
        """Lets time pass; the session is woken as often as it asks to be."""
        end = self.time + timedelta(**span)
        said: list[Any] = []
        while (due := self.session.due) is not None and due <= end:
            self.time = max(due, self.time)
            self.event(Due(self.time))
            said += self.acts
        self.time, self.acts = end, said
        return self

    @property
    def said(self) -> list[str]:
        return [act.text for act in self.acts if isinstance(act, Say)]

    def all(self, mark: Mark) -> list[Mapping[str, Any]]:
        return [record.data for record in self.records if record.mark is mark]

    @property
    def deviations(self) -> list[tuple[str, str, str | None]]:
        return [(data["what"], data["reason"], data.get("about")) for data in self.all(Mark.DEVIATION)]


# -- the opening -------------------------------------------------------------------------------------------------------


def test_what_a_visit_is_known_by_is_spelled_read_back_and_corrected_by_place() -> None:
    visit = Visit(known=None)
    assert visit.said[-1] == "Work order? Spell it."
    visit.hear("one two three four five five")
    assert visit.said == [
        "Work order: one two three four five five. Affirm, or say what is wrong, as in third is papa."
    ]
    assert visit.hear("affirm").said == ["Serial number? Spell it."]
    visit.hear("serial number bravo alfa four zero niner one")
    assert "bravo alfa dash four zero niner one" in visit.said[0]
    assert "alfa alfa dash four" in visit.hear("first is alfa").said[0]
    assert "alfa bravo dash four" in visit.hear("second is bravo").said[0]
    visit.hear("affirm")
    assert visit.session.at == "prepare"
    assert visit.all(Mark.IDENTIFIED) == [
        {"what": "work_order", "value": "123455", "words": "one two three four five five"},
        {"what": "serial", "value": "AB-4091", "words": "alfa bravo dash four zero niner one"},
    ]


def test_what_is_read_back_is_asked_for_by_name_when_something_else_is_said_twice() -> None:
    visit = Visit(known=None).hear("one two three four five five", "rumble", "rumble")
    assert visit.said == ["Say again. Affirm the work order, or say what is wrong, as in third is papa."]


@pytest.mark.parametrize(("written", "words"), [("J. Lund", "J. Lund"), ("AB-12", "alfa bravo dash one two")])
def test_what_is_given_freely_is_spelled_where_it_can_be(written: str, words: str) -> None:
    source = CABINET.source.replace(b"opening:\n", b"opening:\n  technician: {}\n")
    procedure = loads(source, CABINET.path).procedure
    visit = Visit(procedure, KNOWN | given(procedure, {"technician": written}))
    assert f"Technician: {words}." in visit.said
    assert {"what": "technician", "value": written, "words": words} in visit.all(Mark.IDENTIFIED)


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ("one two three four five six", "The check digit does not fit, so one of them was misheard"),
        ("one two three four five", "5 letters and digits were heard, and it has 6"),
        ("done", "'done' has no use at this step"),
        ("affirm", "'affirm' has no use at this step"),
    ],
)
def test_a_number_that_cannot_be_right_is_refused_with_the_reason(said: str, reason: str) -> None:
    visit = Visit(known=None).hear(said)
    assert reason in visit.said[0]
    assert visit.all(Mark.IDENTIFIED) == []


def test_a_correction_that_breaks_the_check_digit_is_refused_and_the_number_stands() -> None:
    visit = Visit(known=None).hear("one two three four five five", "third is seven")
    assert "check digit does not fit" in visit.said[0]
    visit.hear("affirm")
    assert visit.all(Mark.IDENTIFIED)[0]["value"] == "123455"


def test_negative_asks_for_the_number_again_and_unable_leaves_it_out_with_its_reason() -> None:
    visit = Visit(known=None).hear("one two three four five five", "negative")
    assert visit.said == ["Work order? Spell it."]
    visit.hear("unable", "not fitted")
    assert visit.deviations == [("unable", "not fitted", "work order")]
    assert visit.said[-1] == "Serial number? Spell it."


def test_a_name_for_which_no_form_is_given_is_kept_as_it_is_written() -> None:
    text = CABINET.source.decode()
    opening = "opening:\n"
    assert opening in text
    procedure = loads(text.replace(opening, f"{opening}  technician: {{}}\n").encode(), "names.yaml").procedure
    assert given(procedure, {"technician": "Åsa Öberg-Lund, 2"}) == {"technician": "Åsa Öberg-Lund, 2"}


def test_what_is_given_with_the_start_is_said_and_not_asked_for() -> None:
    visit = Visit()
    assert "Serial number: alfa bravo dash four zero niner one." in visit.said
    assert visit.session.at == "prepare"
    half = Visit(known={"serial": "AB-4091", "site": "Hall 2"})
    assert "Site: Hall 2." in half.said
    assert half.said[-1] == "Work order? Spell it."


def test_in_the_opening_go_back_asks_for_what_was_spelled_before() -> None:
    visit = Visit(known=None).hear("go back")
    assert visit.said == ["Not possible: nothing was spelled before this."]
    visit.hear("one two three four five five", "affirm", "go back")
    assert visit.said == ["Work order? Spell it."]
    visit.hear("seven nine nine two seven zero", "affirm")
    assert [data["value"] for data in visit.all(Mark.IDENTIFIED)] == ["123455", "799270"]


def test_a_question_to_end_the_session_in_the_opening_can_be_denied() -> None:
    visit = Visit(known=None).hear("end session", "negative")
    assert visit.said[-1] == "Work order? Spell it."


# -- long instructions and counts --------------------------------------------------------------------------------------


def test_pieces_come_one_by_one_on_go_ahead_and_done_completes_the_last() -> None:
    visit = Visit().hear(*MOTOR_OUT[:-4])
    assert visit.session.at == "motor-new"
    assert visit.said == ["Four: that is all.", "Take the old motor out. Put the new one in."]
    assert visit.hear("say again").said == [
        "Replace the fan motor.",
        "Take the old motor out. Put the new one in.",
    ]
    assert visit.hear("go ahead").said == ["Check that the arrow on the motor points to the front."]
    assert visit.hear("done").said == ["Tighten the nuts crosswise."]  # a piece is done, the step is not
    assert visit.session.at == "motor-new"
    assert [data["piece"] for data in visit.all(Mark.PIECE) if data["step"] == "motor-new"] == [2, 3, 4]


def test_screws_are_counted_aloud_at_the_technicians_pace() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead")
    assert visit.said == ["Remove the screws one by one. Put them in the box."]
    assert visit.hear("go ahead").said == ["One."]
    assert visit.hear("two").said == ["Two."]
    assert visit.hear("five").said == ["Five."]
    assert visit.hear("four").said == ["Four."]  # five was wrong
    assert "four counted" in visit.hear("seven").said[0]
    assert visit.hear("six").said == ["Six: that is all."]
    visit.hear("done")
    assert visit.session.at == "panel-off"
    assert visit.all(Mark.TAKEN_OFF)[0]["count"] == 6


def test_done_before_all_are_counted_asks_for_the_count_or_a_reason() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead", "one", "two", "done")
    assert visit.session.at == "panel-screws-off"
    assert "six panel screws are asked for, two counted" in visit.said[0].lower()
    visit.hear("override not needed")
    assert visit.session.at == "panel-off"
    assert visit.deviations == [("count differs", "not needed", "panel screws, six asked for, two counted")]
    assert visit.all(Mark.TAKEN_OFF)[0]["count"] == 2


def test_nine_out_and_eight_back_is_asked_about_and_stands_out_with_its_reason() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done")
    assert visit.said == ["Six panel screws came off. How many are back?"]
    visit.hear("five")
    assert visit.said == [
        "Panel screws, six out, five back, one missing. Say the number again, or override and the reason."
    ]
    visit.hear("override", "another reason", "one fell into the drain")
    assert visit.deviations[-1] == ("count differs", "one fell into the drain", "panel screws, six out, five back")
    assert visit.session.at == "power-up"
    assert visit.all(Mark.NOTED)[-1] | {"clip": None} == {
        **{"id": "n1", "step": "panel-screws-back", "kind": "reason", "text": "one fell into the drain"},
        **{"checked": True, "clip": None},
    }


def test_what_did_not_all_come_back_is_told_when_asked_and_at_the_close() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done", "five", "override", "another reason", "one fell into the drain")
    assert visit.hear("what is off").said == ["Nothing is off. Panel screws, six out, five back."]
    visit.hear("end session", "affirm")
    assert "Panel screws, six out, five back." in visit.said


def test_what_was_found_after_all_is_not_told_at_the_close() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done", "five", "override", "another reason", "one fell into the drain")
    visit.hear("disregard", "done", "six")
    assert visit.session.at == "power-up"
    assert visit.hear("what is off").said == ["Nothing is off."]
    visit.hear("end session", "affirm")
    assert not any("five back" in said for said in visit.said)


def test_a_count_said_before_done_is_taken_and_not_asked_for_again() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "six")
    assert visit.said == ["Six panel screws: all back."]
    assert visit.session.at == "panel-screws-back"
    visit.hear("done")
    assert visit.session.at == "power-up"


def test_two_things_that_come_off_in_one_step_have_each_their_own_count() -> None:
    text = CABINET.source.decode()
    clips = "        called: [screws of the panel]\n      - {item: clips, count: 2}\n"
    text = text.replace("        called: [screws of the panel]\n", clips)
    text = text.replace("puts_back: [panel screws]", "puts_back: [panel screws, clips]")
    visit = Visit(loads(text.encode(), "clips.yaml").procedure).hear(*TO_SCREWS, *SCREWS_OFF[:-1], "two")
    assert visit.said == ["Two clips."]
    visit.hear("done")
    counts = {taken["item"]: taken["count"] for taken in visit.all(Mark.TAKEN_OFF)}
    assert counts == {"panel screws": 6, "clips": 2}


def test_what_is_off_knows_of_screws_that_are_being_counted() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead", "one", "two")
    assert visit.hear("what is off").said == ["Nothing is off. Coming off: two of six panel screws."]
    assert visit.hear("how many screws").said == ["Two of six panel screws off."]
    assert visit.hear("end session", "affirm").said[0] == "Still off: two of six panel screws."
    assert ("left off", "two of six panel screws", None) in visit.deviations


def test_what_came_off_before_going_back_stays_off_and_the_count_goes_on_from_there() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead", "one", "two", "go back")
    assert visit.session.at != "panel-screws-off"
    assert visit.hear("what is off").said == ["Off, the last first: two panel screws."]
    visit.hear("done", "go ahead")
    assert visit.session.at == "panel-screws-off"
    assert "Six panel screws are asked for, two counted." in visit.hear("done").said[0]
    visit.hear("three", "four", "five", "six", "done")
    assert visit.session.at == "panel-off"
    assert [taken["count"] for taken in visit.all(Mark.TAKEN_OFF)] == [2, 6]
    assert not visit.deviations


def test_a_visit_that_ends_after_going_back_from_a_count_tells_what_is_off() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead", "one", "two", "go back", "end session", "affirm")
    assert "Still off: two panel screws." in visit.said
    assert [(what, about or reason) for what, reason, about in visit.deviations][-1] == ("left off", "two panel screws")


def test_a_count_without_pieces_stays_too_and_one_that_was_let_pass_is_what_was_counted() -> None:
    text = CABINET.source.decode()
    begin, end = (
        text.index("    pieces:\n      - Hold the panel"),
        text.index("    takes_off:\n      - item: panel screws"),
    )
    pieces = text[begin:end]
    loose = Visit(loads(text.replace(pieces, "").encode(), "loose.yaml").procedure).hear(*TO_SCREWS, "four", "go back")
    assert loose.hear("what is off").said == ["Off, the last first: four panel screws."]
    passed = Visit().hear(*TO_SCREWS, "go ahead", "four", "done", "override", "already done")
    assert [taken["count"] for taken in passed.all(Mark.TAKEN_OFF)] == [4]
    assert passed.hear("what is off").said == ["Off, the last first: four panel screws."]


def test_proving_dead_again_passes_over_screws_that_are_off_and_runs_their_timer_anew() -> None:
    text = CABINET.source.decode()
    bleed = "    starts: [{timer: bleed, minutes: 5}]\n"
    before = "  - id: panel-screws-off\n    kind: do\n"
    assert before in text
    procedure = loads(text.replace(before, before + bleed).encode(), "bleed.yaml").procedure
    visit = Visit(procedure).hear(*TO_WINDING)
    visit.event(Reopened(visit.time + timedelta(hours=1), {"settings": {}, "set_aside": []}))
    timers = len(visit.all(Mark.TIMER))
    visit.hear("done")  # isolated once more
    assert visit.session.at == "tester-before"
    assert visit.all(Mark.TIMER)[timers:][0]["timer"] == "bleed"


def test_counting_on_after_a_refused_done_leaves_no_old_count_to_override() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead", "one", "done", "three")
    assert Word.OVERRIDE not in visit.session.open.words
    visit.hear("done", "override not needed")
    assert visit.deviations == [("count differs", "not needed", "panel screws, six asked for, three counted")]


def test_while_something_is_counted_correction_changes_no_reading() -> None:
    visit = Visit().hear(*TO_SCREWS, "go ahead", "one", "correction two")
    assert visit.all(Mark.CORRECTED) == []
    assert visit.hear("two").said == ["Two."]
    pieces = Visit().hear(*TO_SCREWS, "two")  # not the piece that is counted
    assert pieces.all(Mark.COUNTED) == []


def test_a_wrong_count_that_was_put_right_leaves_nothing_to_override() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "five", "six")
    assert Word.OVERRIDE not in visit.session.open.words
    assert visit.hear("done").session.at == "power-up"
    assert visit.deviations == []


def test_a_session_can_be_ended_while_a_count_is_asked_for() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done", "end session", "negative")
    assert visit.said == ["Fasten the screws of the rear panel.", "Panel screws: The two long ones go at the bottom."]
    assert visit.hear("done", "end session", "affirm").session.closed


@pytest.mark.parametrize("said", ["minus two", "five point five", "over range", "greater than five"])
def test_a_count_is_a_whole_number(said: str) -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done", said)
    assert visit.all(Mark.COUNTED)[-1]["item"] != "panel screws"
    assert visit.session.at == "panel-screws-back"


def test_a_count_that_was_not_heard_surely_is_asked_for_again() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done").hear("six", confidence=0.4)
    assert visit.said == ["Say again. Not heard clearly."]
    assert visit.session.at == "panel-screws-back"


# -- the ledger --------------------------------------------------------------------------------------------------------


def test_what_is_off_where_it_goes_and_how_many_are_answered_at_any_time() -> None:
    visit = Visit().hear(*TO_WINDING)
    assert visit.hear("what is off").said == [
        "Off, the last first: fan plug, earth strap, rear panel, six panel screws."
    ]
    assert visit.hear("where does the earth strap go").said == [
        "Earth strap: On the left stud of the motor plate. The lug points down."
    ]
    assert visit.hear("how many screws").said == ["Six panel screws off."]
    assert visit.hear("how many").said == ["Six panel screws off."]
    assert visit.hear("where does it go").said[0].startswith("Fan plug: In the white socket")
    assert visit.hear("where do the screws of the panel go").said[0].startswith("Panel screws: Three on each side")
    assert visit.session.at == "winding"
    assert visit.hear("one hundred eighty ohms").session.at == "hub"


def test_what_is_not_off_is_said_to_be_on() -> None:
    visit = Visit()
    assert visit.hear("what is off").said == ["Nothing is off."]
    assert visit.hear("where does the rear panel go").said == ["Rear panel: not off."]
    assert visit.hear("how many").said == ["Nothing is off that is counted."]


def test_a_remark_on_how_a_part_was_turned_is_told_when_its_place_is_asked_for() -> None:
    visit = Visit().hear(*TO_SCREWS, *SCREWS_OFF)
    assert visit.hear("orientation note").said == ["Note on rear panel."]  # which is just coming off
    assert visit.session.open.dictation
    visit.hear("The label faces the wall", "done", "where does the rear panel go")
    assert visit.said == [
        "Rear panel: Its lower edge stands in the rail. The arrow points up. You remarked: The label faces the wall."
    ]
    assert visit.all(Mark.NOTED)[0]["item"] == "rear panel"
    visit.hear("orientation note", "it is bent")  # nothing comes off here: what came off last is meant
    assert visit.all(Mark.NOTED)[1]["item"] == "rear panel"


def test_how_a_part_was_turned_and_what_was_remarked_is_told_where_it_goes_back() -> None:
    remark = ("orientation note", "one long screw is bent")
    visit = Visit().hear(*TO_SCREWS, *SCREWS_OFF[:-1], *remark, *TO_SCREWS_BACK[len(TO_SCREWS) + len(SCREWS_OFF) - 1 :])
    assert visit.session.at == "panel-screws-back"
    told = "Panel screws: The two long ones go at the bottom. You remarked: one long screw is bent."
    assert visit.said[-1] == told
    assert visit.hear("say again").said == ["Fasten the screws of the rear panel.", told]


def test_an_orientation_note_with_nothing_off_is_refused() -> None:
    visit = Visit().hear("orientation note")
    assert visit.said[0].startswith("Not possible: nothing is off")
    assert not visit.session.open.dictation


REVERSED = """
procedure: two-covers
title: Two covers
edition: "1"
purpose: Show the order
equipment: An invented machine
local_rules: The rules of the site come first.
steps:
  - {id: outer-off, kind: do, say: Take the outer cover off., takes_off: [outer cover]}
  - {id: inner-off, kind: do, say: Take the inner cover off., takes_off: [inner cover]}
  - {id: outer-back, kind: do, say: Put the outer cover back., puts_back: [outer cover]}
  - {id: inner-back, kind: do, say: Put the inner cover back., puts_back: [inner cover]}
  - {id: end, kind: conclude, finding: It was closed., condition: sound, action: Nothing.}
"""


def test_a_procedure_that_puts_back_in_the_wrong_order_is_not_proved() -> None:
    findings = prove(loads(REVERSED.encode(), "file.yaml").procedure)
    assert [(finding.step, finding.rule.name) for finding in findings] == [("outer-back", "REVERSE")]
    any_order = REVERSED.replace("puts_back: [outer cover]", "puts_back: [outer cover], any_order: true")
    assert prove(loads(any_order.encode(), "file.yaml").procedure) == ()


def test_putting_back_out_of_order_is_refused_or_done_for_a_reason() -> None:
    visit = Visit(loads(REVERSED.encode(), "file.yaml").procedure, None).hear("done", "done", "done")
    assert visit.said == ["Not possible: inner cover goes back first. Or say override and the reason."]
    visit.hear("override agreed with the office")
    assert visit.deviations == [("out of order", "agreed with the office", "outer cover before inner cover")]
    assert visit.session.at == "inner-back"


def test_nothing_is_energised_while_something_is_off_whatever_is_said() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK)
    visit.session._go("power-up")
    assert visit.session.at == "panel-screws-back"
    assert Word.OVERRIDE not in visit.session.open.words


def test_a_visit_that_ends_with_something_off_says_so_and_it_is_a_deviation() -> None:
    visit = Visit().hear(*TO_WINDING, "end session", "affirm")
    assert visit.said[0] == "Still off: six panel screws, rear panel, earth strap, fan plug."
    assert visit.deviations[-1][0] == "left off"


# -- timers ------------------------------------------------------------------------------------------------------------


def test_a_timer_speaks_at_its_milestone_and_at_its_end() -> None:
    visit = Visit().hear(*TO_POWER, "done")
    assert visit.said[0] == "Pull down: thirty minutes from now."
    visit.wait(minutes=15)
    assert visit.said == ["Pull down: fifteen minutes gone, fifteen minutes to go."]
    visit.wait(minutes=20)
    assert visit.said == ["Pull down is over: thirty minutes."]
    assert [data["state"] for data in visit.all(Mark.TIMER)] == ["started", "told", "over"]


def test_several_timers_run_at_once_and_tell_how_long() -> None:
    visit = Visit().hear(*TO_POWER, "done", "timer ten minutes", "timer ninety seconds")
    assert visit.hear("how long").said == [
        "Timer two: one minute twenty five seconds to go. Timer one: nine minutes fifty seconds to go. "
        "Pull down: twenty nine minutes forty five seconds to go."
    ]
    assert visit.hear("cancel timer").said == ["Timer two cancelled."]
    visit.wait(minutes=11)
    assert visit.said == ["Timer one is over: ten minutes."]
    assert visit.hear("cancel timer").said[0] == "Not possible: no timer of yours is running."


def test_a_step_that_waits_is_not_done_before_its_timer_is_over_but_for_a_reason() -> None:
    visit = Visit().hear(*TO_WAIT, "done")
    assert visit.said[0].startswith("Not possible: wait, pull down, twenty nine minutes")
    early = Visit().hear(*TO_WAIT, "done", "override", "wish of the site")
    assert early.deviations[0][:2] == ("too early", "wish of the site")
    assert early.session.at == "air-after"
    visit.wait(minutes=30)
    assert visit.hear("done").session.at == "air-after"
    assert visit.deviations == []


def test_a_timer_keeps_its_tongue_while_standing_by_and_tells_afterwards_how_long_ago_it_was_over() -> None:
    visit = Visit().hear(*TO_WAIT, "stand by").wait(minutes=45)
    assert visit.session.due is None
    assert visit.said == []
    visit.hear("go ahead").wait(seconds=0)
    assert visit.said == ["Pull down is over: thirty minutes, since fifteen minutes twenty seconds."]


def test_a_timer_goes_on_by_the_clock_on_the_wall_while_nobody_is_there() -> None:
    visit = Visit().hear(*TO_WAIT)
    visit.event(Ended(visit.time, "the terminal was closed"))
    visit.time += timedelta(minutes=20)
    visit.event(Reopened(visit.time, {"handsfree": "0", "set_aside": []}))
    assert any("Pull down: nine minutes" in said for said in visit.said)
    visit.wait(seconds=0)
    assert visit.said == ["Pull down: twenty minutes ten seconds gone, nine minutes fifty seconds to go."]
    visit.wait(minutes=10)
    assert visit.said == ["Pull down is over: thirty minutes."]


def test_timer_alone_asks_how_long() -> None:
    visit = Visit().hear("timer")
    assert visit.said == ["Say again. Say timer and how long, as in timer ten minutes."]


WATCHED = """
procedure: watched
title: Watched
edition: "1"
purpose: Show a watch
equipment: An invented machine
local_rules: The rules of the site come first.
steps:
  - {id: watch, kind: watch, say: Watch the air., every_minutes: 2, for_minutes: 10,
     series: [{reading: air, quantity: temperature, unit: degree_Celsius}]}
  - {id: end, kind: conclude, finding: It was watched., condition: sound, action: Nothing.}
"""


def test_a_timer_beside_a_watch_tells_its_end_between_two_readings() -> None:
    visit = Visit(loads(WATCHED.encode(), "file.yaml").procedure, None).hear("twenty degrees", "timer one minute")
    assert visit.hear("how long").said == [
        "Timer one: fifty five seconds to go. Next reading in one minute forty five seconds: air."
    ]
    visit.wait(minutes=2)
    assert visit.said == ["Timer one is over: one minute.", "Air, now."]


# -- notes and marks ---------------------------------------------------------------------------------------------------


def test_a_note_is_kept_as_it_was_said_and_hangs_on_its_step() -> None:
    visit = Visit().hear("done", "note")
    assert visit.said == ["Note."]
    visit.event(Heard(visit.time, "five point two ohms and a cracked hose", 0.4, clip="clips/0003.flac"))
    assert visit.said == ["Noted: five point two ohms and a cracked hose."]
    assert visit.all(Mark.NOTED) == [
        {
            **{"id": "n1", "step": "air-before", "kind": "note", "text": "five point two ohms and a cracked hose"},
            **{"checked": False, "clip": "clips/0003.flac"},
        }
    ]
    assert visit.all(Mark.READING) == []
    assert visit.session.open.reading is not None  # and the step goes on where it was


def test_a_note_that_could_not_be_written_down_is_kept_as_sound() -> None:
    visit = Visit().hear("note")
    visit.event(Heard(visit.time, "", None, clip="clips/0001.flac"))
    assert visit.said == ["Noted, as sound only."]


def test_stand_by_instead_of_a_note_stands_by_and_the_note_is_asked_for_again() -> None:
    visit = Visit().hear("take a note", "stand by", "talk in the room")
    assert visit.all(Mark.NOTED) == []
    assert visit.hear("go ahead").said == ["Note."]
    visit.hear("the hose is cracked")
    assert visit.all(Mark.NOTED)[0]["text"] == "the hose is cracked"


def test_disregard_instead_of_a_note_keeps_none() -> None:
    visit = Visit().hear("note", "disregard")
    assert visit.said == ["No note."]
    assert visit.all(Mark.NOTED) == []


def test_a_mark_flags_the_moment_and_moves_nothing() -> None:
    visit = Visit().hear("mark")
    assert visit.all(Mark.MARKED) == [{"step": "prepare"}]
    assert visit.session.at == "prepare"


# -- parts and reasons -------------------------------------------------------------------------------------------------


def test_a_part_is_replaced_with_both_serials_its_reason_and_what_must_verify_it() -> None:
    visit = Visit().hear(*MOTOR_IN)
    assert visit.all(Mark.REPLACED) == [
        {
            **{"step": "motor-new", "part": "fan motor", "old": "A-1234", "new": "A-1235", "reading": "r6"},
            "reason": "motor winding: over range, one hundred eighty ohms plus or minus twenty percent: nonconforming",
            "verified_by": "fan-current",
        }
    ]
    assert "Fan motor replaced. It is to be verified by fan current." in visit.said
    visit.hear(*TO_WAIT[len(MOTOR_IN) :])
    assert visit.all(Mark.VERIFIED) == [{"step": "fan-current", "part": "fan motor", "stands": True}]


def test_a_replacement_that_is_taken_back_is_on_record_as_that() -> None:
    visit = Visit().hear(*MOTOR_IN)
    visit.hear("disregard")
    assert visit.all(Mark.REPLACED)[1:] == [{"step": "motor-new", "part": "fan motor", "stands": False}]
    visit.hear("four", "go ahead", "go ahead", "four", "done")
    visit.hear("alfa one two three four", "affirm", "alfa one two three six", "affirm")
    assert [data.get("new") for data in visit.all(Mark.REPLACED)] == ["A-1235", None, "A-1236"]


def test_a_serial_that_cannot_be_read_is_a_deviation_and_the_part_is_still_replaced() -> None:
    visit = Visit().hear(*MOTOR_OUT, "unable it is damaged", "alfa one two three five", "affirm")
    assert visit.deviations == [("unable", "it is damaged", "serial of the old fan motor")]
    assert (visit.all(Mark.REPLACED)[0]["old"], visit.all(Mark.REPLACED)[0]["new"]) == (None, "A-1235")


def test_a_new_part_with_the_serial_of_the_old_one_is_asked_about_once() -> None:
    visit = Visit().hear(*MOTOR_OUT, "alfa one two three four", "affirm", "alfa one two three four", "affirm")
    assert visit.said == ["Serial of the new fan motor: the old one has the same. Affirm, or spell it again."]
    visit.hear("alfa one two three five", "affirm")
    assert visit.all(Mark.REPLACED)[0]["new"] == "A-1235"


def test_there_is_no_sound_finding_before_a_new_part_is_verified() -> None:
    visit = Visit().hear(*TO_WAIT).wait(minutes=30).hear("done")
    visit.session._equipment.replace("fan motor", "fan-current")
    visit.hear("minus fourteen degrees")
    assert visit.session.finding is None
    assert visit.said[-1].startswith("Not possible: the new fan motor is not verified")


def test_the_proof_asks_for_the_verification_of_a_new_part() -> None:
    text = CABINET.source.decode()
    past = text.replace("energises: [mains]\n", "energises: [mains]\n    next: air-flow\n")
    rules = {finding.rule.name for finding in prove(loads(past.encode(), "file.yaml").procedure)}
    assert {"VERIFIED", "REACHED"} <= rules


def test_a_limit_may_be_overridden_for_a_reason_and_the_reading_stays_as_it_was() -> None:
    visit = Visit().hear(*TO_WINDING, "one hundred forty ohms")
    assert visit.session.at == "motor-at-hand"
    visit.hear("override")
    assert visit.said[0].startswith("Say the reason: not needed, already done")
    visit.hear("agreed with the office")
    assert visit.said[0] == (
        "Limit overridden: motor winding, one hundred forty ohms. Agreed with the office. Recorded."
    )
    assert visit.session.at == "hub"
    assert visit.all(Mark.READING)[-1]["verdict"] == "nonconforming"
    assert visit.all(Mark.DEVIATION) == [
        {
            **{"step": "winding", "what": "limit overridden", "reason": "agreed with the office", "reading": "r6"},
            "about": "motor winding, one hundred forty ohms",
        }
    ]


@pytest.mark.parametrize(
    ("way", "reading", "at"),
    [
        (TO_SCREWS_BACK[:-2], "two point two ohms", "earth-strap-tight"),  # its limit is binding
        ((*TO_POWER, "done"), "zero point six amps", "unplug-fan"),  # it verifies the new motor
    ],
)
def test_a_binding_limit_and_one_that_verifies_a_new_part_cannot_be_overridden(
    way: tuple[str, ...], reading: str, at: str
) -> None:
    visit = Visit().hear(*way, reading)
    assert visit.session.at == at
    assert Word.OVERRIDE not in visit.session.open.words


def test_a_verification_that_is_gone_back_to_is_to_be_done_again() -> None:
    visit = Visit().hear(*TO_WAIT, "go back", "go back")
    assert visit.session.at == "fan-current"
    assert [data["stands"] for data in visit.all(Mark.VERIFIED)] == [True, False]
    visit.hear("zero point three amps")
    assert [data["stands"] for data in visit.all(Mark.VERIFIED)] == [True, False, True]


def test_what_goes_back_and_is_taken_back_is_off_with_its_count_and_place() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "six", "done", "go back")
    assert visit.all(Mark.TAKEN_OFF)[-1]["count"] == 6
    assert visit.hear("where do the screws go").said[0].startswith("Panel screws: Three on each side")


def test_a_reading_that_proves_a_source_dead_cannot_be_overridden() -> None:
    visit = Visit().hear(*TO_SCREWS, *SCREWS_OFF, "done", *DEAD[:3], "two hundred volts")
    assert visit.session.at == "isolate-again"
    assert Word.OVERRIDE not in visit.session.open.words
    assert "no use at this step" in visit.hear("override not needed").said[0]


def test_skipping_is_for_instructions_that_nothing_hangs_on_and_has_a_reason() -> None:
    visit = Visit().hear("skip this step")
    assert visit.said[0].startswith("Say the reason: not needed")
    visit.hear("already done")
    assert visit.deviations == [("skipped", "already done", None)]
    assert visit.session.at == "air-before"
    visit.hear("minus four point five degrees", "the fan is silent")
    # The plug is the way to safety; leaving it out only leads to the end that says so.
    assert visit.hear("skip this step not needed", "affirm").session.finding == "The cabinet cannot be isolated."


def test_a_step_that_takes_something_off_cannot_be_skipped() -> None:
    visit = Visit().hear(*TO_SCREWS, "skip this step")
    assert visit.said == ["Not possible: this step cannot be left out."]


def test_disregard_instead_of_a_reason_leaves_all_as_it_was() -> None:
    visit = Visit().hear("skip this step", "disregard")
    assert visit.session.at == "prepare"
    assert visit.deviations == []
    assert visit.said[-1].startswith("Put on the gloves")


def test_another_reason_is_said_in_ones_own_words_and_disregard_takes_it_back() -> None:
    visit = Visit().hear("skip this step", "another reason")
    assert visit.said == ["Say the reason in your own words."]
    visit.hear("disregard")
    assert visit.deviations == []
    visit.hear("skip this step another reason", "the cabinet was empty")
    assert visit.deviations == [("skipped", "the cabinet was empty", None)]


def test_a_note_in_between_leaves_what_was_asked_as_it_was() -> None:
    visit = Visit().hear(*TO_SCREWS_BACK, "done", "five", "override", "take a note", "one is bent", "disregard")
    assert visit.said[0].startswith("Panel screws, six out, five back, one missing.")
    visit.hear("take a note", "another is bent", "say again")
    assert visit.said[0].startswith("Panel screws, six out, five back, one missing.")
    assert visit.hear("six back").session.at == "power-up"
    assert visit.deviations == []


def test_a_note_of_which_nothing_came_is_asked_for_again() -> None:
    visit = Visit().hear("skip this step another reason", "")
    assert visit.said == ["Say again. Nothing was understood."]
    assert visit.hear("it was empty").deviations == [("skipped", "it was empty", None)]


def left(visit: Visit) -> Visit:
    """The session is left, and taken up five minutes later."""
    visit.event(Ended(visit.time, "the terminal was closed"))
    visit.time += timedelta(minutes=5)
    return visit.event(Reopened(visit.time, {"handsfree": "0", "set_aside": []}))


def test_a_visit_that_is_taken_up_goes_on_at_the_very_piece_once_dead_is_proved_again() -> None:
    visit = left(Visit().hear(*MOTOR_OUT[:-2]))
    assert visit.session.at == "unplug"
    visit.hear("done", *DEAD)
    assert visit.said[-1] == "Tighten the nuts crosswise."
    assert visit.session.at == "motor-new"


def test_a_new_part_is_on_record_only_after_dead_was_proved_again() -> None:
    visit = left(Visit().hear(*MOTOR_OUT)).hear(
        "alfa one two three four", "affirm", "alfa one two three five", "affirm"
    )
    assert visit.all(Mark.REPLACED) == []
    visit.hear("done", *DEAD, "done")
    (motor,) = visit.all(Mark.REPLACED)
    assert (motor["old"], motor["new"]) == ("A-1234", "A-1235")


@pytest.mark.parametrize("words", [("take a note",), ("skip this step",), ("skip this step", "another reason")])
def test_a_visit_left_in_the_middle_of_a_note_or_a_reason_is_taken_up_at_its_step(words: tuple[str, ...]) -> None:
    visit = left(Visit().hear(*words))
    assert visit.said[-1].startswith("Put on the gloves")
    assert visit.hear("done").session.at == "air-before"


# -- the whole ---------------------------------------------------------------------------------------------------------


def test_a_whole_visit_comes_to_its_finding_and_its_record_is_what_its_events_produce(tmp_path: Path) -> None:
    visit = Visit(known=None)
    visit.hear("one two three four five five", "affirm", "alfa bravo four zero niner one", "affirm")
    visit.hear(*MOTOR_OUT, "note", "the old motor smells burnt", "alfa one two three four", "affirm")
    visit.hear("alfa one two three five", "affirm", *TO_WAIT[len(MOTOR_IN) :], "stand by")
    visit.wait(minutes=12)
    visit.hear("go ahead").wait(minutes=20)
    visit.hear("mark", "done", "minus thirteen point five degrees", "affirm")
    assert visit.session.finding == "The evaporator fan runs and the cabinet pulls down."
    assert visit.said[-1] == "Session closed. 9 readings, no deviations."
    session = Session(CABINET.procedure)
    with Journal.create(tmp_path / "session", CABINET.source) as journal:
        for event in visit.events:
            for act in session.handle(event):
                if isinstance(act, Record):
                    journal.append(event.time, act.mark, act.data)
    assert verify(tmp_path / "session") == []


@pytest.mark.parametrize("left_after", range(1, 4))
def test_voltages_from_before_the_session_was_left_prove_nothing(left_after: int) -> None:
    visit = Visit().hear(*TO_SCREWS, *SCREWS_OFF, "done", *DEAD[:left_after])
    left = visit.session.at
    visit.event(Ended(visit.time, "the input is over"))
    visit.event(Reopened(visit.time, {"handsfree": "0.1.0", "settings": {}, "set_aside": []}))
    assert visit.session.at == left
    visit.hear(*DEAD[left_after:])
    assert visit.all(Mark.ENERGY)[-1]["state"] == "isolated"
    assert any("from before the session was left show nothing any more" in text for text in visit.said)
    assert visit.session.at == "unplug"
    visit.hear("done", *DEAD)
    assert visit.all(Mark.ENERGY)[-1]["state"] == "proved dead"
