"""What a glance shows of a session, worked out from what the session itself did."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st
from visit import CABINET, COOLER, RELAY, ROOT, TIME, Visit

from handsfree.glance.view import Outcome, Timer, View, follow, state
from handsfree.procedure.load import load
from handsfree.procedure.model import Procedure, SpokenStep
from handsfree.session.events import Act, Due, Event, Heard, Mark, Record
from handsfree.spoken.words import PHRASES, REASONS


class Watched:
    """A visit with the view that follows it."""

    def __init__(self, procedure: Procedure = COOLER) -> None:
        self.view = View(procedure)
        self.visit = Visit(self.watch, procedure)

    def watch(self, event: Event, acts: list[Act]) -> None:
        self.view = follow(self.view, event, acts)

    def say(self, *texts: str, confidence: float | None = None) -> View:
        self.visit.say(*texts, confidence=confidence)
        return self.view

    def till(self, step: str) -> Watched:
        """Goes on along the way that finds the start relay until this step is reached."""
        for text in RELAY:
            if self.visit.session.at == step:
                return self
            self.say(text)
        raise AssertionError(f"the way does not lead to {step}")


def test_the_step_stands_there_with_its_place_its_cautions_and_what_may_be_said() -> None:
    watched = Watched()
    assert watched.view.step is not None
    first = COOLER.steps[0]
    assert isinstance(first, SpokenStep)
    assert (watched.view.step.text, watched.view.step.number) == (first.say, 1)
    assert watched.view.step.cautions == tuple((each.signal.value, each.text) for each in first.cautions)
    assert watched.view.step.of == sum(isinstance(step, SpokenStep) for step in COOLER.steps)
    assert watched.view.may_say == ("done",)
    assert watched.view.heard is None
    assert watched.till("start-relay").view.may_say == ("the reading in Ω",)


def test_a_reading_stands_there_with_its_digits_its_limit_and_its_verdict() -> None:
    view = Watched().till("start-relay").say("nine point six zero ohms")
    assert view.heard == "nine point six zero ohms"
    assert view.outcomes == (
        Outcome("nonconforming", "9.60\N{NO-BREAK SPACE}Ω", "start relay: at most 7\N{NO-BREAK SPACE}Ω"),
    )


def test_a_corrected_reading_is_followed_by_the_right_one_alone() -> None:
    watched = Watched().till("start-relay")
    before = watched.say("nine point four ohms").readings
    view = watched.say("correction five point two ohms")
    assert view.readings == before
    assert [(outcome.kind, outcome.text) for outcome in view.outcomes] == [("conforming", "5.2\N{NO-BREAK SPACE}Ω")]


def test_what_is_asked_again_stands_there_as_it_is_asked() -> None:
    watched = Watched().till("start-relay")
    view = watched.say("five volts")
    assert [outcome.kind for outcome in view.outcomes] == ["again"]
    assert "a resistance is asked for" in view.outcomes[0].text
    view = watched.say("five ohms", confidence=0.4)
    assert view.outcomes == (Outcome("again", "I heard five ohms. Affirm, or say it again."),)
    assert {"affirm", "negative"} <= set(view.may_say)


def test_what_is_refused_stands_there_with_the_reason() -> None:
    view = Watched().till("discharge").say("unable no tool")
    assert [outcome.kind for outcome in view.outcomes] == ["said", "refused"]
    assert "no way round" in view.outcomes[-1].text
    assert view.deviations == 1


def test_what_is_off_and_what_is_live_is_what_the_session_says_it_is() -> None:
    watched = Watched().till("start-relay")
    assert set(watched.view.off) == set(watched.visit.session._equipment.off)
    assert watched.view.off
    assert set(watched.view.energy.values()) == {"proved dead"}
    watched.say(*RELAY[RELAY.index("nine point four ohms") :])
    assert watched.view.off == ()


def test_standing_by_says_what_ends_it_and_talk_in_the_room_moves_nothing() -> None:
    watched = Watched()
    step = watched.view.step
    assert watched.say("stand by").paused
    view = watched.say("the delivery was late")
    assert view.paused
    assert view.step == step
    assert view.may_say == ("go ahead",)
    assert not watched.say("go ahead").paused


def test_a_fault_stands_there_until_something_is_heard() -> None:
    watched = Watched()
    watched.visit.fail("The microphone is lost.")
    assert watched.view.fault == "The microphone is lost."
    assert watched.say("done").fault == ""


def test_the_finding_takes_the_place_of_the_step_and_says_what_to_do() -> None:
    watched = Watched()
    watched.say(*RELAY)
    view = watched.view
    assert view.step is not None
    assert (view.closed, view.step.number) == ("concluded", None)
    assert "start relay" in view.step.text
    assert view.action
    assert view.may_say == ()


def test_a_session_that_is_ended_early_says_why() -> None:
    watched = Watched()
    watched.visit.end()
    assert watched.view.closed == "stopped"
    assert watched.view.outcomes[0] == Outcome("said", "the terminal was closed")


def test_a_timer_is_told_in_seconds_left_and_never_below_none() -> None:
    view = replace(View(COOLER), timers=(Timer("pull-down", TIME + timedelta(minutes=20)), Timer("bleed", TIME)))
    told = state(view, TIME + timedelta(seconds=90.4))["timers"]
    assert told == [{"name": "pull-down", "left": 1110}, {"name": "bleed", "left": 0}]


OPENING = ("one two three four five five", "affirm", "alfa bravo four zero niner one", "affirm")
SCREWS = ("done", "minus 4.5 degrees", "the fan is silent", "done")


def test_what_is_asked_before_the_first_step_stands_in_its_place() -> None:
    watched = Watched(CABINET)
    assert watched.view.step is not None
    assert (watched.view.step.text, watched.view.step.number) == ("Work order? Spell it.", None)
    assert watched.say("one two three four five five").step is not None
    assert watched.view.step.text.startswith("Work order: one two three four five five. Affirm")
    assert watched.say(*OPENING[1:]).step is not None
    assert watched.view.step.number == 1


def test_a_piece_stands_there_with_its_number_and_how_much_of_it_is_done() -> None:
    watched = Watched(CABINET)
    step = watched.say(*OPENING, *SCREWS).step
    assert step is not None
    assert (step.text, step.piece) == ("Take the screws out of the rear panel. Hold the panel with one hand.", (1, 2))
    step = watched.say("go ahead", "go ahead", "two").step
    assert step is not None
    assert (step.text, step.piece) == ("Remove the screws one by one. Put them in the box. (2 of 6)", (2, 2))
    assert "the number" in watched.view.may_say


def test_what_is_off_is_told_with_its_count_and_the_last_first_as_it_goes_back() -> None:
    view = Watched(CABINET).say(*OPENING, *SCREWS, "go ahead", "six", "done", "done")
    assert state(view, TIME)["off"] == ["rear panel", "6 panel screws"]


def test_the_reasons_are_listed_once() -> None:
    watched = Watched()
    watched.say("unable")
    (asked,) = watched.view.outcomes
    assert "no tool" in asked.text
    assert state(watched.view, TIME)["may_say"] == []
    watched.say("stand by", "go ahead", "roger")
    assert state(watched.view, TIME)["may_say"]


def test_a_timer_has_one_line_from_its_start_to_its_end_and_says_that_it_is_over() -> None:
    watched = Watched(CABINET)
    watched.say(*OPENING, "timer ten minutes", "timer one minute")
    assert [timer.name for timer in watched.view.timers] == ["timer one", "timer two"]
    watched.visit.wait(timedelta(minutes=2))
    assert [timer.name for timer in watched.view.timers] == ["timer one", "timer two"]
    assert watched.view.outcomes[-1] == Outcome("over", "timer two: over")
    watched.say("cancel timer")
    assert [timer.name for timer in watched.view.timers] == ["timer two"]
    assert [timer.name for timer in watched.say("done").timers] == []


def test_a_timer_that_speaks_on_the_way_keeps_its_one_line() -> None:
    pull_down = {"step": "power-up", "timer": "pull-down", "seconds": 1800.0}
    view = View(CABINET)
    for minutes, said, left in ((0, "started", 1800.0), (15, "told", 900.0)):
        time = TIME + timedelta(minutes=minutes)
        view = follow(view, Due(time), [Record(Mark.TIMER, {**pull_down, "state": said, "left": left})])
    assert view.timers == (Timer("pull down", TIME + timedelta(minutes=30)),)


def test_between_two_rounds_of_a_watch_the_time_to_the_next_one_runs() -> None:
    proofer = load(ROOT / "procedures" / "retarder-proofer-is-off-temperature.yaml").procedure
    point = {"step": "warm-up", "reading": "chamber air", "series": "chamber air", "kind": "reading", "value": "20"}
    point |= {"unit": "degree_Celsius", "waveform": None, "limit": None, "verdict": None, "reason": ""}

    def read(view: View, seconds: float) -> View:
        event = Heard(TIME + timedelta(seconds=seconds), "twenty degrees")
        return follow(view, event, [Record(Mark.READING, {**point, "seconds": seconds})])

    entered = Record(Mark.ENTERED, {"step": "warm-up", "kind": "watch", "text": ""})
    view = follow(View(proofer), Heard(TIME, "done"), [entered])
    view = read(view, 34.0)
    assert view.timers == (Timer("next reading", TIME + timedelta(seconds=60)),)
    corrected = read(view, 34.0)  # at its own time
    assert corrected.timers == view.timers
    due = follow(view, Due(TIME + timedelta(seconds=60)), [Record(Mark.DUE, {"step": "warm-up"})])
    assert due.timers == ()
    assert read(due, 65.0).timers == (Timer("next reading", TIME + timedelta(seconds=90)),)


SAID = sorted({phrase for phrases in PHRASES.values() for phrase in phrases} | {f"unable {why}" for why in REASONS})


@given(st.lists(st.sampled_from([*SAID, *RELAY, "", "five volts"]), max_size=60))
@settings(max_examples=60, deadline=None)
def test_whatever_is_said_the_view_follows_the_session(texts: list[str]) -> None:
    watched, recorded = Watched(), list[Record]()
    for text in texts:
        watched.say(text)
        recorded += [act for act in watched.visit.session._acts if isinstance(act, Record)]
        view, session = watched.view, watched.visit.session
        assert json.loads(json.dumps(state(view, TIME))) == state(view, TIME)
        assert (view.closed != "") == session.closed
        assert view.readings == session.standing
        assert list(view.off) == list(session._equipment.off)
        assert list(view.energy.values()) == [energy.value for energy in session._equipment.energy.values()]
        assert view.step is not None
        assert view.step.id == session.at
        assert view.deviations == sum(record.mark is Mark.DEVIATION for record in recorded)


def test_a_session_that_goes_on_stands_there_as_it_was_left_with_nothing_proved_dead() -> None:
    watched = Watched().till("start-relay")
    watched.visit.end()
    assert watched.view.closed == "stopped"
    off = watched.view.off
    watched.visit.reopen()
    assert watched.view.closed == ""
    assert watched.view.off == off
    assert set(watched.view.energy.values()) == {"isolated"}
    assert watched.view.step is not None
    assert watched.view.step.id == "unplug"
    assert watched.view.may_say == ("done",)
    assert any("Session resumed." in outcome.text for outcome in watched.view.outcomes)
