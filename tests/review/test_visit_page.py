"""The page of a whole visit: what it is known by, what departed, came off, was replaced, noted and waited for.

The records are made by real sessions of the display cabinet; somebody types, and notes have a clip.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
from test_report import Element, page, rows, section

from handsfree import __version__
from handsfree.procedure.load import load
from handsfree.session.events import Due, Ended, Event, Heard, Record, Reopened, Started
from handsfree.session.journal import Journal, digest
from handsfree.session.machine import Session
from handsfree.session.resume import resume

PROCEDURE = Path(__file__).parents[2] / "procedures" / "display-cabinet-ices-up.yaml"
TIME = datetime(2031, 5, 6, 9, 15, tzinfo=UTC)
LATER = timedelta(minutes=16)

OPENING: tuple[str, ...] = ("one two three four five five", "affirm", "alfa bravo four zero niner one", "affirm")
TO_THE_SCREWS = ("done", "minus 4.5 degrees", "the fan is silent", "done")
SCREWS = ("go ahead", "orientation note", "one long screw is bent", "six", "done")
TO_THE_MOTOR = ("done", "230 volts", "0 volts", "0 volts", "231 volts", "done", "mark", "done", "OL", "I have one")
NUTS: tuple[str, ...] = ("four", *["go ahead"] * 5, "done", "override", "another reason", "one nut was missing before")
SERIALS = ("alfa one two three four", "affirm", "unable not fitted")
BACK = ("done", "done", "0.2 ohms", "done", "done", "five", "override agreed with the office")
POWER = ("note", "the drain needs cleaning", "done")
TO_THE_POWER: tuple[str, ...] = (*OPENING, *TO_THE_SCREWS, *SCREWS, *TO_THE_MOTOR, *NUTS, *SERIALS, *BACK, *POWER)


def quiet() -> bytes:
    """A second of silence at 16 kHz, as FLAC."""
    file = io.BytesIO()
    soundfile.write(file, np.zeros(16_000, np.int16), 16_000, format="FLAC")
    return file.getvalue()


def record(folder: Path, said: Iterable[str | timedelta], *, heard: Iterable[str] = ()) -> Path:
    """The record of what was said, five seconds apart; texts of ``heard`` came by sound, and a timedelta passes."""
    session, content, time = Session(load(PROCEDURE).procedure), PROCEDURE.read_bytes(), TIME
    with Journal.create(folder, content) as journal:

        def handle(event: Event) -> None:
            for act in session.handle(event):
                if isinstance(act, Record):
                    journal.append(event.time, act.mark, act.data)

        title = session.procedure.title
        handle(Started(time, {"handsfree": __version__, "procedure": {"title": title, "sha256": digest(content)}}))
        for each in said:
            time += each if isinstance(each, timedelta) else timedelta(seconds=5)
            while session.due is not None and session.due <= time:
                handle(Due(session.due))
            if isinstance(each, str) and each in heard:
                clip, sha256 = journal.keep_clip(quiet())
                handle(Heard(time, each, 0.8, "moonshine", clip=clip, clip_sha256=sha256))
            elif isinstance(each, str):
                handle(Heard(time, each))
        handle(Ended(time, "the input is over"))
    return folder


def deviations(root: Element) -> list[str]:
    return [item.text for item in section(root, "deviations").all("li")]


@pytest.fixture
def visited(tmp_path: Path) -> Path:
    said = (*TO_THE_POWER, "timer two minutes", "0.3 amps", "cold air flows", LATER)
    return record(tmp_path / "visited", said, heard=("the drain needs cleaning", "one nut was missing before"))


def test_the_head_says_what_the_visit_is_known_by_and_how_it_was_spelled(visited: Path) -> None:
    (known,) = page(visited).all("dl", class_="known")
    assert known.text == (
        "Work order 123455 “one two three four five five” Serial number AB-4091 “alfa bravo dash four zero niner one”"
    )


def test_a_work_order_that_could_not_be_spelled_is_missed_in_the_head(tmp_path: Path) -> None:
    root = page(record(tmp_path / "visit", ("unable not fitted", *OPENING[2:])))
    assert root.all("dl", class_="known")[0].all("div")[0].text == "Work order not given: not fitted"
    assert deviations(root)[0].startswith("unable : work order. Reason: not fitted")


def test_a_deviation_stands_with_what_it_is_about_and_its_reason(visited: Path) -> None:
    found = deviations(page(visited))
    assert len(found) == 4
    assert found[2].startswith("count differs : panel screws, six out, five back. Reason: agreed with the office")
    assert "panel-screws-back" in found[2]
    (finding,) = page(visited).all("div", class_="finding")
    assert "Deviations 4, with their reasons" in finding.text


def test_what_was_left_off_is_what_the_deviation_is_about_and_no_reason(tmp_path: Path) -> None:
    root = page(record(tmp_path / "visit", (*OPENING, *TO_THE_SCREWS, *SCREWS)))
    early, left = deviations(root)
    assert early.startswith("ended early . Reason: the input is over")
    assert left.startswith("left off : six panel screws. ")
    assert "Reason" not in left


def test_what_a_session_was_left_with_is_said_to_have_been_resumed(tmp_path: Path) -> None:
    folder = record(tmp_path / "visit", (*OPENING, *TO_THE_SCREWS, *SCREWS))
    resumed = resume(folder)
    with closing(resumed.journal) as journal:
        for event in (Reopened(TIME + LATER, {"set_aside": []}), Ended(TIME + 2 * LATER, "the input is over")):
            for act in resumed.rebuilt.session.handle(event):
                if isinstance(act, Record):
                    journal.append(event.time, act.mark, act.data)
    root = page(folder)
    told = deviations(root)
    assert told[0].startswith("ended early , resumed later , 09:31:00 . Reason: the input is over")
    assert told[2].startswith("ended early . Reason")
    assert told[1].startswith("left off : six panel screws, resumed later , 09:31:00 .")
    assert "resumed" not in told[3]
    head = root.all("div", class_="finding")[0].text
    assert "Deviations 4, with their reasons (2 from before the session was resumed)" in head


def test_a_reason_in_own_words_stands_and_sounds_beside_its_deviation_and_is_not_among_the_notes(visited: Path) -> None:
    root = page(visited)
    own = next(item for item in section(root, "deviations").all("li") if "nuts" in item.text)
    assert "“one nut was missing before” as heard by the recogniser, not checked" in own.text
    assert len(own.all("audio")) == 1
    assert "one nut" not in section(root, "notes").text


def test_a_note_stands_with_its_clip_and_says_whether_it_was_checked(visited: Path) -> None:
    root = page(visited)
    bent, drain = section(root, "notes").all("tbody")[0].all("tr")
    assert bent.text.endswith("panel screws orientation “one long screw is bent” panel-screws-off")
    assert not bent.all("audio")
    assert "the step “the drain needs cleaning” as heard by the recogniser, not checked" in drain.text
    assert len(drain.all("audio")) == 1
    # The transcript leads to it, so that a page carries each sound once.
    links = [link.attributes["href"] for link in section(root, "transcript").all("a")]
    assert f"#{drain.attributes['id']}" in links
    assert not section(root, "transcript").all("audio")


def test_what_came_off_stands_with_count_place_remark_and_with_how_much_of_it_went_back(visited: Path) -> None:
    (table,) = section(page(visited), "off").all("table")
    screws, panel, _, plug = rows(table)
    assert screws[0] == "6 panel screws"
    assert screws[1].startswith("Three on each side of the rear panel. The two long ones go at the bottom. “one long")
    assert screws[3].startswith("5 ")
    assert screws[3].endswith("6 came off")
    assert panel[:2] == ["rear panel", "Its lower edge stands in the rail. The arrow points up."]
    assert "STILL OFF" not in section(page(visited), "off").text
    assert plug[2] < plug[3]


def test_what_is_still_off_stands_in_the_ledger_and_beside_the_finding(tmp_path: Path) -> None:
    root = page(record(tmp_path / "visit", (*OPENING, *TO_THE_SCREWS, *SCREWS)))
    (table,) = section(root, "off").all("table")
    assert rows(table)[0][3] == "STILL OFF"
    assert "Still off panel screws" in root.all("div", class_="finding")[0].text


def test_what_was_put_back_and_is_off_again_keeps_its_count_and_place(tmp_path: Path) -> None:
    root = page(record(tmp_path / "visit", (*TO_THE_POWER, "go back", "go back")))
    (table,) = section(root, "off").all("table")
    first, *_, again = rows(table)
    assert (first[0], again[0], again[3]) == ("6 panel screws", "6 panel screws", "STILL OFF")
    assert again[1].startswith("Three on each side")


def test_a_count_that_differs_stands_with_what_was_asked_for(visited: Path) -> None:
    (table,) = section(page(visited), "counts").all("table")
    assert [row[:3] for row in rows(table)] == [["nuts", "4", "3"], ["panel screws", "6", "5"]]


def test_a_new_part_stands_with_its_serials_the_reading_that_led_to_it_and_the_one_that_verified_it(
    visited: Path,
) -> None:
    (table,) = section(page(visited), "parts").all("table")
    ((part, serials, reason, verified, _),) = rows(table)
    assert part == "fan motor"
    assert serials == "old A-1234 new not known"
    assert reason.startswith("motor winding: over range")
    assert reason.endswith("(reading 6 )")
    assert "NOT VERIFIED" not in verified
    assert "fan current 0.3 A, conforming (reading 8 )" in verified


@pytest.mark.parametrize(
    ("then", "reading"),
    [
        ((), ""),
        (("0.6 amps",), "fan current 0.6 A, nonconforming"),
        (("0.3 amps", "correction 0.6 amps"), "fan current 0.6 A, nonconforming"),
        (("0.3 amps", "disregard"), ""),
        (("0.3 amps", "go back"), ""),
    ],
    ids=["not measured", "nonconforming", "corrected", "withdrawn", "gone back to"],
)
def test_a_new_part_that_nothing_shows_to_work_is_not_verified(
    tmp_path: Path, then: tuple[str, ...], reading: str
) -> None:
    root = page(record(tmp_path / "visit", (*TO_THE_POWER, *then)))
    (table,) = section(root, "parts").all("table")
    verified = rows(table)[0][3]
    assert verified.startswith("NOT VERIFIED")
    assert reading in verified
    assert "Not verified new fan motor" in root.all("div", class_="finding")[0].text


def test_a_step_that_was_left_out_and_done_after_all_says_so(tmp_path: Path) -> None:
    said = (*OPENING, "unable no tool", "go back", "done")
    told = [each.text for each in section(page(record(tmp_path / "visit", said)), "deviations").all("li")]
    assert told[0].startswith("unable , done later , 09:15:")
    for folder, words in (("left", said[:-2]), ("taken back", (*said, "disregard"))):
        left_out = [each.text for each in section(page(record(tmp_path / folder, words)), "deviations").all("li")]
        assert "done later" not in left_out[0]


def test_a_reason_in_own_words_stays_with_what_was_affirmed_after_it_and_is_a_note_where_nothing_was(
    tmp_path: Path,
) -> None:
    before = (*OPENING, *TO_THE_SCREWS[:-1], "unable", "another reason", "the plug is behind the wall")
    told = [each.text for each in section(page(record(tmp_path / "a", (*before, "affirm"))), "deviations").all("li")]
    assert told[0].startswith("unable . Reason: “the plug is behind the wall”")  # quoted, as a note is
    denied = page(record(tmp_path / "b", (*before, "negative")))
    assert "the plug is behind the wall" in section(denied, "notes").text


def test_a_replacement_that_was_taken_back_says_so(tmp_path: Path) -> None:
    through = TO_THE_POWER[: TO_THE_POWER.index("unable not fitted") + 1]
    root = page(record(tmp_path / "visit", (*through, "disregard")))
    (table,) = section(root, "parts").all("table")
    assert rows(table)[0][3].startswith("taken back")
    assert "Not verified" not in root.all("div", class_="finding")[0].text


def test_an_overridden_limit_stands_beside_its_reading_and_the_finding(tmp_path: Path) -> None:
    said = (*OPENING, *TO_THE_SCREWS, *SCREWS, *TO_THE_MOTOR[:-2], "140 ohms", "override agreed with the office")
    root = page(record(tmp_path / "visit", said))
    words = "limit overridden: agreed with the office"
    (table,) = section(root, "readings").all("table")
    assert rows(table)[-1][4] == f"nonconforming {words}"
    assert words in root.all("div", class_="finding")[0].text
    assert any(
        each.startswith("limit overridden : motor winding, one hundred forty ohms (reading 6 ). Reason")
        for each in deviations(root)
    )


@pytest.mark.parametrize(
    ("then", "words"),
    [
        (("0.6 amps", "correction 0.3 amps"), "reading was corrected: reading 8 , fan current 0.6 A"),
        (("0.6 amps", "disregard"), "reading was withdrawn: reading 8 , fan current 0.6 A"),
        (("0.6 amps", "go back", "0.3 amps"), "fan current 0.6 A, limit"),
    ],
    ids=["corrected", "withdrawn", "measured again"],
)
def test_a_nonconforming_reading_that_does_not_stand_is_told_beside_the_finding(
    tmp_path: Path, then: tuple[str, ...], words: str
) -> None:
    head = page(record(tmp_path / "visit", (*TO_THE_POWER, *then))).all("div", class_="finding")[0].text
    assert words in head
    assert ("measured again: see reading 9 , 0.3 A, conforming, which stands" in head) == ("go back" in then)


def test_a_marked_moment_leads_to_its_place_in_the_transcript(visited: Path) -> None:
    root = page(visited)
    (mark,) = section(root, "marked").all("li")
    assert "after “done”" in mark.text
    assert mark.text.endswith("fan-plug-off")
    (target,) = [row for row in root.all("tr") if f"#{row.attributes.get('id')}" == mark.all("a")[0].attributes["href"]]
    assert "Marked for the supervisor" in target.text


def test_a_timer_stands_with_how_it_ended_and_how_long_was_waited_there(tmp_path: Path) -> None:
    said = (*TO_THE_POWER, "timer two minutes", "timer one hour", "cancel timer", "0.3 amps", "cold air flows", LATER)
    (table,) = section(page(record(tmp_path / "visit", said)), "timers").all("table")
    pull_down, one, two = rows(table)
    assert pull_down[:2] == ["pull down", "30 min 00 s"]
    assert pull_down[3] == "still running"
    assert one[1] == "2 min 00 s"
    assert one[3].startswith("over ")
    assert one[4] == "wait-for-cold 16 min 00 s"
    assert two[3].startswith("cancelled ")


def test_a_page_without_a_visit_around_it_has_none_of_these_sections(finished: Path) -> None:
    root = page(finished)
    for name in ("marked", "parts", "notes", "counts", "timers"):
        assert not root.all("section", **{"aria-labelledby": name})
    assert not root.all("dl", class_="known")
