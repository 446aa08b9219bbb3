"""A watch: readings asked for when they are due, judged as a series, and what a technician may say meanwhile.

No clock is waited for: the session says when it wants to be told, and the test tells it then.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta
from typing import Self

import pytest
from test_machine import START, Talk, ends, small

from handsfree.judge.meter import Meter
from handsfree.procedure.model import Procedure
from handsfree.session.events import Due, Heard, Mark, Started

ENDS = """
    next: {nonconforming: bad}
    unable: bad
  - {id: sound, kind: conclude, finding: It is sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: It is bad., condition: unresolved, action: Tell your supervisor.}
"""


def watching(series: str, times: str = "every_minutes: 2\n    for_minutes: 20") -> Procedure:
    steps = "steps:\n  - {id: begin, kind: do, say: Switch it on.}\n"
    steps += "  - id: pull-down\n    kind: watch\n    say: Watch it.\n"
    return small(f"{steps}    {times}\n    series:\n{series}{ENDS}")


def air(must: str) -> str:
    return f"      - {{reading: air, quantity: temperature, unit: degree_Celsius, {must}}}\n"


class Visit(Talk):
    """A technician who answers five seconds after being asked."""

    def begin(self) -> Self:
        return self.hear("done")

    def due(self) -> Self:
        """Lets the time pass until the next readings are due."""
        assert self.session.due is not None
        self.time = max(self.time, self.session.due)
        return self.event(Due(self.time))

    def read(self, *values: float, digits: int = 1) -> Self:
        for value in values:
            if self.session.due is not None:
                self.due()
            self.hear(f"{'minus ' if value < 0 else ''}{abs(value):.{digits}f}")
        return self

    def follow(self, curve: Callable[[float], float], readings: int, digits: int = 1) -> Self:
        """Reads a curve (of minutes) as it is at the moment of each answer."""
        began = self.time
        for _ in range(readings):
            if self.session.closed:
                break
            if self.session.due is not None:
                self.due()
            self.read(curve((self.time - began).total_seconds() / 60 + 5 / 60), digits=digits)
        return self

    @property
    def heard_aloud(self) -> list[str]:
        return [data["text"] for data in self.all(Mark.SAID)]

    @property
    def watched(self) -> dict[str, object]:
        return dict(self.all(Mark.WATCHED)[-1])


def cooling(start: float, settles: float, tau: float) -> Callable[[float], float]:
    """First-order cooling over minutes."""
    return lambda minutes: settles + (start - settles) * math.exp(-minutes / tau)


FALLS_TO = watching(air("falls_to: 4"))


def test_the_first_reading_is_asked_for_at_once_and_the_next_when_it_is_due() -> None:
    visit = Visit(FALLS_TO).begin()
    assert visit.said == ["Watch it.", "Air, now."]
    assert visit.session.due is None
    visit.hear("thirteen point five")
    assert visit.said == [
        "Air: thirteen point five degrees celsius.",
        "Next reading in one minute fifty five seconds: air.",
    ]
    assert visit.session.due == START + timedelta(seconds=5, minutes=2)
    visit.due()
    assert visit.said == ["Air, now."]
    assert visit.new == [Mark.DUE]


def test_told_too_early_the_session_does_nothing() -> None:
    visit = Visit(FALLS_TO).begin().hear("thirteen")
    assert visit.event(Due(visit.time)).acts == []
    fresh = Talk(FALLS_TO)
    assert fresh.event(Due(START + timedelta(days=1))).acts == []


def test_it_is_said_aloud_when_the_goal_will_be_reached() -> None:
    visit = Visit(FALLS_TO).begin().follow(cooling(14, 0, 12), 5)
    assert any(said.startswith("Air on track: four degrees celsius in about ") for said in visit.said)
    visit.follow(cooling(14, 0, 12), 20)


def test_air_that_comes_to_its_goal_in_time_conforms_with_the_reading_that_agrees() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5, 9.0, 6.0, 3.9)
    assert visit.session.at == "pull-down"  # one reading alone decides nothing
    visit.read(3.2)
    assert visit.hear("affirm").session.finding == "It is sound."
    row = visit.watched["series"][0]  # type: ignore[index]
    assert (row["verdict"], row["reason"]) == ("conforming", "at four degrees celsius after six minutes")


def test_the_last_reading_of_a_watch_can_be_put_right_before_it_ends_the_visit() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5, 9.0, 6.0, 3.9, 3.2)
    assert visit.said[-1] == ends("It is sound.")
    visit.hear("correction three point four degrees")
    assert visit.said[-1] == ends("It is sound.")
    assert visit.hear("affirm").session.finding == "It is sound."
    assert visit.standing["pull-down"] == "3.4"


@pytest.mark.parametrize("no", ["negative", "disregard", "correction"])
def test_a_watch_that_would_end_the_visit_goes_on_where_its_last_reading_was_not_so(no: str) -> None:
    visit = Visit(watching(air("falls_by: 8, within_minutes: 10"))).begin().read(20.0, 15.0, 11.5, 9.0)
    assert visit.said[-1] == ends("It is sound.")
    count = len(visit.all(Mark.ENTERED))
    visit.hear(no)
    assert visit.said[-1] == "Air, now."
    assert visit.all(Mark.TAKEN_BACK) == [{"step": "pull-down"}]
    assert visit.hear("nine point one degrees").said[-1] == ends("It is sound.")
    visit.hear("correction thirteen degrees")  # the last two do not agree any more
    assert visit.said[-1].startswith("Next reading in")
    assert len(visit.all(Mark.ENTERED)) == count  # it is the same watch
    assert visit.read(11.0).session.finding is None
    assert visit.read(10.0).hear("affirm").session.finding == "It is sound."
    assert visit.standing["pull-down"] == "10.0"


def test_after_a_correction_that_was_denied_the_reading_that_is_due_is_named() -> None:
    visit = Visit(watching(air("falls_to: 4, plausible: [-30, 40]"))).begin().read(13.5)
    visit.hear("correction ninety nine degrees", "negative")
    assert visit.said[0] == "Thirteen point five degrees celsius stands."
    assert visit.said[-1].startswith("Next reading in")
    asked = Visit(watching(air("falls_to: 4, plausible: [-30, 40]"))).begin().read(13.5)
    asked.hear("correction ninety nine degrees", "correction over range")
    assert asked.said[-1].startswith("Say again. I heard correction, nine nine degrees")
    assert asked.hear("affirm").standing["pull-down"] == "99"  # the question stands


def test_a_doubt_about_a_correction_in_a_watch_is_of_that_reading_only() -> None:
    visit = Visit(watching(air("falls_to: 4, plausible: [-30, 40]"))).begin().read(13.5)
    visit.hear("correction ninety nine degrees", "negative").read(9.0)
    visit.hear("correction ninety nine degrees")
    assert visit.standing["pull-down"] == "9.0"
    assert visit.all(Mark.DEVIATION) == []


def test_going_back_over_the_edge_of_a_round_leaves_no_reading_out() -> None:
    visit = Visit(COIL_FIRST).begin().read(10, 12, 8)
    visit.hear("disregard")
    assert visit.said[-1] == "Coil, now."
    visit.hear("disregard")
    assert visit.said[-1] == "Air, now."
    visit.hear("eleven degrees")
    assert visit.said[-1].startswith("Next reading in")
    visit.due()
    assert visit.said[-1] == "Coil, now."
    assert visit.session.due is None


def test_what_is_no_value_does_not_open_a_watch_that_is_at_its_end() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5, 9.0, 6.0, 3.9, 3.2).hear("correction over range")
    assert visit.said[-1] == f"Not taken: only a value can be followed over time. {ends('It is sound.')}"
    assert visit.hear("affirm").session.finding == "It is sound."


def test_air_that_settles_too_high_does_not_conform_and_this_is_foretold() -> None:
    visit = Visit(FALLS_TO).begin().follow(cooling(14, 7, 4), 8)
    assert any(said.startswith("Air not on track: it settles at about seven") for said in visit.heard_aloud)
    assert visit.hear("say again").said[1].startswith("Air not on track")
    visit.follow(cooling(14, 7, 4), 10)
    assert visit.hear("affirm").session.finding == "It is bad."
    assert visit.watched["verdict"] == "nonconforming"


def test_one_reading_that_was_misheard_is_left_out_and_named() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5, 10.9, 8.8, 7.1, 5.8, 47.0, 3.8)
    assert "forty seven point zero degrees celsius at ten minutes does not fit the others" in " ".join(visit.said)
    visit.read(3.1)
    assert visit.hear("affirm").session.finding == "It is sound."
    row = visit.watched["series"][0]  # type: ignore[index]
    assert row["left_out"] == [6]
    assert "was left out" in row["reason"]


def test_a_fall_must_be_large_enough_soon_enough() -> None:
    fast, slow = (watching(air("falls_by: 8, within_minutes: 10")) for _ in range(2))
    assert Visit(fast).begin().read(20.0, 15.0, 11.5, 9.0).hear("affirm").session.finding == "It is sound."
    assert Visit(slow).begin().read(20.0, 19.0, 18.0, 17.0, 16.0, 15.0).hear("affirm").session.finding == "It is bad."


def test_what_has_stalled_is_not_waited_for() -> None:
    procedure = watching(air("falls_to: 4, stalled_below: 0.3, stalled_over_minutes: 6"))
    visit = Visit(procedure).begin().read(13.5, 10.0, 9.4, 9.3, 9.3, 9.2)
    assert visit.hear("affirm").session.finding == "It is bad."
    assert "has stalled" in visit.watched["series"][0]["reason"]  # type: ignore[index]


COIL_FIRST = watching(
    "      - {reading: coil, quantity: temperature, unit: degree_Celsius, falls_to: 0}\n"
    + air("falls_to: 5")
    + "    before: [coil, air]\n"
)


def test_the_coil_must_be_cold_before_the_air() -> None:
    right = Visit(COIL_FIRST).begin().read(10, 12, -2, 9, -4, 7, -5, 4.5, -6, 4)
    assert right.hear("affirm").session.finding == "It is sound."
    assert right.watched["order"] == {"verdict": "conforming", "reason": "coil was there after two minutes"}
    wrong = Visit(COIL_FIRST).begin().read(10, 12, 8, 4.5, 6, 4.2)
    assert wrong.hear("affirm").session.finding == "It is bad."
    assert wrong.watched["order"]["verdict"] == "nonconforming"  # type: ignore[index]


INDEX = watching(
    "      - {reading: insulation, quantity: resistance, unit: megaohm, ratio: {at_least: 2}}\n", "at_minutes: [1, 10]"
)


@pytest.mark.parametrize(
    ("one", "ten", "verdict"),
    # IEEE 43-2013, table 2: at least 2.0 for thermal classes B, F and H; 12.2: no index above 5000 megohms.
    [(100, 250, "conforming"), (100, 150, "nonconforming"), (6000, 9000, "undecided")],
)
def test_the_polarization_index_is_the_reading_at_ten_minutes_over_that_at_one(
    one: float, ten: float, verdict: str
) -> None:
    visit = Visit(INDEX).begin()
    assert visit.said[-1] == "Next reading in one minute: insulation."
    visit.read(one, ten, digits=0)
    assert visit.watched["verdict"] == verdict


def test_a_reading_that_was_missed_makes_no_index_and_the_watch_begins_anew() -> None:
    visit = Visit(INDEX).begin().hear("stand by")
    visit.time += timedelta(minutes=6)
    visit.hear("go ahead").read(100, digits=0).read(250, digits=0)
    assert visit.watched["verdict"] == "undecided"
    assert "no reading was taken at one minute" in visit.watched["series"][0]["reason"]  # type: ignore[index]
    assert visit.said[-2:] == ["Watch it.", "Next reading in one minute: insulation."]


def test_standing_by_nothing_is_asked_for_and_going_ahead_says_what_is_next() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5).hear("stand by")
    assert visit.session.due is None
    visit.hear("go ahead")
    assert visit.said == ["Watch it.", "Next reading in one minute forty five seconds: air."]
    visit.hear("stand by")
    visit.time += timedelta(minutes=5)
    visit.hear("go ahead")
    assert visit.session.due is not None
    assert visit.session.due < visit.time  # whoever runs the session sends Due at once
    visit.due()
    assert visit.said == ["Air, now."]


def test_say_again_tells_what_is_next() -> None:
    visit = Visit(FALLS_TO).begin()
    assert visit.hear("say again").said == ["Watch it.", "Air, now."]
    assert visit.read(13.5).hear("say again").said[-1] == "Next reading in one minute forty five seconds: air."
    assert "Next reading in one minute forty seconds: air." in visit.hear("how far").said[-1]


def test_a_reading_before_its_time_is_not_taken_and_talk_meanwhile_is_not_answered() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5)
    visit.hear("nine point four")
    assert visit.new == [Mark.ASKED_AGAIN]
    assert visit.said == ["Next reading in one minute fifty seconds: air."]
    assert visit.hear("where is my torch").said == []
    assert visit.hear("nine point four", confidence=0.2).said == []
    assert visit.session.standing == 1


def test_unable_leaves_the_watch() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5).hear("unable meter failed", "affirm")
    assert visit.session.finding == "It is bad."
    assert visit.all(Mark.DEVIATION)[0]["reason"] == "meter failed"


def test_a_correction_counts_at_the_time_of_what_it_corrects() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5).hear("correction twelve point five")
    readings = visit.all(Mark.READING)
    assert readings[0]["seconds"] == readings[1]["seconds"] == 5
    assert visit.all(Mark.CORRECTED) == [{"reading": "r1", "by": "r2", "why": "correction"}]
    assert visit.said[0] == "Correction, air: twelve point five degrees celsius."
    assert visit.said[-1].startswith("Next reading in")


def with_steps_after(unable: str) -> Procedure:
    """The watch with an instruction after it, and another for who cannot watch."""
    written = FALLS_TO.model_dump(mode="json")
    begin, watch, sound, bad = written["steps"]
    note = {"id": "note", "kind": "do", "say": "Note the load."}
    left = {"id": "left", "kind": "do", "say": "Close the door.", "next": "bad"}
    return Procedure.model_validate(written | {"steps": [begin, watch | {"unable": unable}, note, sound, left, bad]})


NOTED, LEFT = with_steps_after("bad"), with_steps_after("left")


def test_a_correction_after_the_end_may_turn_the_verdict() -> None:
    visit = Visit(NOTED).begin().read(13.5, 9.0, 6.0, 3.9, 3.2)
    assert visit.session.at == "note"
    visit.hear("correction thirty two")
    assert visit.watched["verdict"] == "undecided"
    assert visit.session.at == "pull-down"
    assert visit.said[-1] == "Air, now."


def test_a_correction_after_the_end_that_turns_nothing_stays() -> None:
    visit = Visit(NOTED).begin().read(13.5, 9.0, 6.0, 3.9, 3.2).hear("correction three point three")
    assert visit.session.at == "note"
    assert visit.watched["verdict"] == "conforming"
    assert visit.said[-1] == "Note the load."


def test_a_reading_of_a_watch_that_was_left_can_be_corrected() -> None:
    visit = Visit(LEFT).begin().read(13.5).hear("unable meter failed", "correction twelve")
    assert visit.session.at == "left"
    assert visit.said[-1] == "Close the door."
    assert visit.standing == {"pull-down": "12"}
    visit.hear("correction")
    assert visit.session.at == "pull-down"
    assert visit.said[-1] == "Air, now."


def test_a_watch_begun_anew_has_nothing_of_its_own_to_take_back() -> None:
    visit = Visit(LEFT).begin().read(13.5).hear("unable meter failed", "go back")
    assert visit.session.at == "pull-down"
    visit.hear("correction twelve point five")
    assert visit.said[-1] == "Air, now."
    visit.hear("correction")
    assert visit.session.at == "pull-down"
    assert visit.said[-1] == "Air, now."
    assert visit.session.standing == 0


@pytest.mark.parametrize("word", ["disregard", "correction"])
def test_a_reading_taken_back_is_asked_for_again_at_once(word: str) -> None:
    visit = Visit(FALLS_TO).begin().read(13.5, 9.0).hear(word)
    assert visit.said == ["Corrected: air, nine point zero degrees celsius, does not stand.", "Air, now."]
    visit.hear("nine point four")
    assert visit.standing == {"pull-down": "9.4"}
    assert visit.session.due == START + timedelta(seconds=5, minutes=4)


def test_going_back_leaves_the_watch_and_it_begins_anew() -> None:
    visit = Visit(FALLS_TO).begin().read(13.5).hear("go back")
    assert visit.session.at == "begin"
    assert visit.session.due is None
    visit.time += timedelta(minutes=30)
    visit.hear("done")
    assert visit.said == ["Watch it.", "Air, now."]
    assert visit.hear("eleven").said[-1] == "Next reading in one minute fifty five seconds: air."


def test_an_unsure_reading_is_confirmed_and_counts_from_when_it_was_said() -> None:
    visit = Visit(FALLS_TO).begin().hear("twenty one point two", confidence=0.4)
    assert visit.said == ["I heard twenty one point two degrees celsius. Affirm, or say it again."]
    visit.hear("affirm")
    assert visit.all(Mark.READING)[0]["seconds"] == 5


def test_a_hearing_is_questioned_where_its_twin_lies_nearer_to_what_came_before() -> None:
    visit = Visit(FALLS_TO).begin().hear("thirteen point two").due()
    visit.event(Heard(visit.time + timedelta(seconds=5), "thirty point one", 0.9))
    assert visit.said == ["I heard three zero point one degrees celsius. Affirm, or say the digits one by one."]
    visit.hear("one three point one", confidence=0.9)
    assert visit.standing == {"pull-down": "13.1"}
    visit.due()
    visit.event(Heard(visit.time + timedelta(seconds=5), "thirteen point zero", 0.9))
    assert visit.standing == {"pull-down": "13.0"}  # thirty would be the stranger


THERMOMETER = Meter.model_validate(
    {
        "meter": "osk",
        "name": "Osk",
        "serial": "7",
        "calibration_due": "2040-01-01",
        "functions": [
            {
                "quantity": "temperature",
                "unit": "degree_Celsius",
                "ranges": [{"up_to": 100, "resolution": 0.1, "percent": 0, "counts": 5}],
            }
        ],
    }
)


def test_a_goal_within_the_error_of_the_thermometer_is_undecided() -> None:
    # Five counts of 0.1: half a degree is not known, so 3.7 may be more than 4.
    visit = Visit(FALLS_TO, meters=(THERMOMETER,)).begin().read(9, 6, 4.5, 3.8, 3.7, 3.7, 3.7, 3.7, 3.7, 3.7, 3.7)
    assert visit.watched["verdict"] == "undecided"
    assert "too near to tell with this meter" in visit.watched["series"][0]["reason"]  # type: ignore[index]
    assert all(reading["meter"] == "osk" for reading in visit.all(Mark.READING))
    sure = Visit(FALLS_TO, meters=(THERMOMETER,)).begin().read(9, 6, 4.5, 3.3, 3.2)
    assert sure.watched["verdict"] == "conforming"


def test_an_implausible_reading_is_queried_before_it_is_followed() -> None:
    visit = Visit(watching(air("falls_to: 4, plausible: [-30, 40]"))).begin().hear("ninety nine")
    assert visit.said == ["Ninety nine degrees celsius: say again or affirm."]
    visit.hear("nineteen")
    assert visit.standing == {"pull-down": "19"}


def test_over_range_is_no_point_of_a_series() -> None:
    visit = Visit(FALLS_TO).begin().hear("over range")
    assert visit.session.standing == 0
    assert visit.said == ["Say again. Only a value can be followed over time."]


def test_without_conditions_a_watch_records_and_goes_on() -> None:
    procedure = small(
        "steps:\n  - id: log\n    kind: watch\n    say: Log it.\n    at_minutes: [1, 2]\n    series:\n"
        "      - {reading: level, quantity: length, unit: millimeter}\n"
        "  - {id: sound, kind: conclude, finding: It is logged., condition: sound, action: Go on.}\n"
    )
    visit = Visit(procedure).read(10, 11, digits=0)
    assert visit.hear("affirm").session.finding == "It is logged."
    assert visit.watched["verdict"] is None


def test_a_watch_may_be_the_first_step() -> None:
    procedure = small(
        "steps:\n  - id: log\n    kind: watch\n    say: Log it.\n"
        "    every_minutes: 1\n    for_minutes: 1\n    series:\n"
        "      - {reading: count, quantity: count}\n"
        "  - {id: sound, kind: conclude, finding: It is logged., condition: sound, action: Go on.}\n"
    )
    visit = Visit(procedure)
    assert visit.heard_aloud[-1] == "Count, now."
    assert visit.read(3, 4, digits=0).hear("affirm").session.finding == "It is logged."
    assert Visit(procedure).event(Started(START)).acts == []


def test_a_goal_that_a_later_reading_takes_back_is_said_to_be_revised() -> None:
    coil = "      - {reading: coil, quantity: temperature, unit: degree_Celsius, falls_to: -9}\n"
    visit = Visit(watching(air("falls_to: 7") + coil)).begin()
    for value in (14.0, 11.4, 9.3, 6.9, 6.4, 5.4, 4.7, 4.1, 3.6):  # the fourth was seven point seven
        visit.read(value, value)
    told = [said for said in visit.heard_aloud if said.startswith("Air") and said.endswith("conforming.")]
    assert told == [
        "Air at seven degrees celsius after six minutes: conforming.",
        "Air, revised: at seven degrees celsius after eight minutes; six point nine degrees celsius at six minutes "
        "does not fit the others and was left out: conforming.",
    ]
