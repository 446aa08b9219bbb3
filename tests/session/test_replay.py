"""A record is what its own events produce: whoever alters one without the other is found out.

The forger here is a good one: after every change the numbers and the whole chain are worked out again, so that the
chain itself holds and only replay can tell.
"""

from __future__ import annotations

import copy
import json
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree import __version__
from handsfree.procedure.load import loads
from handsfree.session.doubt import Policy
from handsfree.session.events import EVENT_MARKS, Ended, Event, Fault, Heard, Mark, Reception, Record, Reopened, Started
from handsfree.session.journal import (
    JOURNAL,
    PROCEDURE,
    Entry,
    Grade,
    Journal,
    JournalError,
    Problem,
    digest,
    read,
    seal,
    verify_chain,
)
from handsfree.session.machine import Session
from handsfree.session.replay import event_of, replay, verify
from handsfree.session.resume import resume

START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
SOURCE = b"""
procedure: fan-is-slow
title: The fan is slow
edition: "3"
purpose: Find out whether the winding is bad
equipment: An invented fan
local_rules: The rules of the site come first.
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: unplug, kind: do, say: Pull the plug., isolates: [mains]}
  - {id: dead, kind: measure, say: Measure the terminals., needs_isolated: [mains], proves_dead: [mains],
     reading: terminals, quantity: voltage, unit: volt, waveform: ac, limit: {at_most: 1},
     next: {nonconforming: unplug}}
  - {id: open, kind: do, say: Take the cover off., hands_inside: true, takes_off: [cover]}
  - {id: winding, kind: measure, say: Measure the winding., hands_inside: true, reading: winding,
     quantity: resistance, unit: ohm, limit: {at_most: 7}, next: {conforming: close, nonconforming: close}}
  - {id: close, kind: do, say: Put the cover on., hands_inside: true, puts_back: [cover]}
  - {id: by-winding, kind: choose, by: winding, next: {conforming: turns, nonconforming: bad}}
  - id: turns
    kind: observe
    say: Turn the fan by hand. How does it turn?
    answers: {free: [it turns freely], hard: [it turns hard]}
    next: {free: sound, hard: bad}
  - {id: sound, kind: conclude, finding: The fan is sound., condition: sound, action: Use it.}
  - {id: bad, kind: conclude, finding: The fan is bad., condition: faulty, part: fan, action: Replace the fan.}
"""
OPENING = {
    "handsfree": __version__,
    "procedure": {
        "id": "fan-is-slow",
        "title": "The fan is slow",
        "edition": "3",
        "equipment": "An invented fan",
        "sha256": digest(SOURCE),
    },
    "settings": {"policy": {"reject": 0.3, "doubt": 0.5}},
}
SAID: list[tuple[str, float | None]] = [
    ("done", 0.91),
    ("zero point two volts", 0.87),
    ("", 0.0),
    ("done", None),
    ("five point two ohms", 0.41),  # doubted
    ("affirm", 0.93),
    ("correction five point three ohms", 0.88),
    ("stand by", 0.8),
    ("where is my torch", 0.12),
    ("go ahead", 0.9),
    ("done", 0.9),
]
END: list[tuple[str, float | None]] = [("it turns freely", 1), ("affirm", 0.95)]


def events(said: Iterable[tuple[str, float | None]], ended: str | None = None) -> list[Event]:
    events: list[Event] = [Started(START, OPENING)]
    for place, (text, confidence) in enumerate(said, 1):
        time = START + timedelta(seconds=5 * place)
        events.append(Heard(time, text, confidence, "invented", ((text, -1.5), ("five", -200.0)), offset=5.0 * place))
        if place == 3:
            events.append(Fault(time, "The loudspeaker was unplugged."))
    return events if ended is None else [*events, Ended(START + timedelta(hours=1), ended)]


def write(folder: Path, events: list[Event], policy: Policy | None = None) -> Path:
    """A session's folder as the loop leaves it."""
    session = Session(loads(SOURCE, PROCEDURE).procedure, policy)
    with Journal.create(folder, SOURCE) as journal:
        for event in events:
            for act in session.handle(event):
                if isinstance(act, Record):
                    journal.append(event.time, act.mark, act.data)
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A session that was heard out to its finding."""
    return write(tmp_path / "session", events(SAID + END))


def forge(folder: Path, change: Callable[[list[dict[str, Any]]], None]) -> None:
    """Lets ``change`` loose on the entries' kinds, times and data; then numbers and chains them as if nothing was."""
    entries: list[dict[str, Any]] = [
        {"kind": entry.kind, "time": entry.time, "data": copy.deepcopy(dict(entry.data))} for entry in read(folder)
    ]
    change(entries)
    lines, previous = [], "0" * 64
    for n, entry in enumerate(entries, 1):
        chained = Entry(n, entry["time"], Mark(entry["kind"]), entry["data"], previous)
        lines.append(chained.line + b"\n")
        previous = chained.hash
    (folder / JOURNAL).write_bytes(b"".join(lines))


def test_a_record_that_says_how_well_it_was_heard_verifies_and_may_not_be_bettered(tmp_path: Path) -> None:
    reception = Reception(2, -31.4, 9.0, 8000.0, "Go away from the fan.")
    heard = events([("how do you read", 0.9), *SAID, *END])
    folder = write(
        tmp_path / "session",
        [replace(event, reception=reception) if isinstance(event, Heard) else event for event in heard],
    )
    assert verify(folder) == []

    def better(entries: list[dict[str, Any]]) -> None:
        next(entry for entry in entries if entry["kind"] == Mark.HEARD)["data"]["reception"]["readability"] = 5

    forge(folder, better)
    assert verify(folder)


def of(entries: list[dict[str, Any]], mark: Mark, place: int = -1) -> dict[str, Any]:
    data: dict[str, Any] = [entry["data"] for entry in entries if entry["kind"] is mark][place]
    return data


def broken(problems: list[Problem]) -> list[Problem]:
    return [problem for problem in problems if problem.grade is Grade.BROKEN]


def test_a_record_as_it_was_written_holds(folder: Path) -> None:
    assert verify(folder) == []
    assert verify(folder, seal(folder)) == []


def test_the_same_events_give_the_same_bytes_again(folder: Path, tmp_path: Path) -> None:
    again = write(tmp_path / "again", [event_of(entry) for entry in read(folder) if entry.kind in EVENT_MARKS])
    assert (again / JOURNAL).read_bytes() == (folder / JOURNAL).read_bytes()


@pytest.mark.parametrize("mark", sorted(set(Mark) - EVENT_MARKS))
def test_what_the_session_made_of_an_event_is_no_event(mark: Mark) -> None:
    with pytest.raises(JournalError, match="is not an event"):
        event_of(Entry(1, START, mark, {}, "0" * 64))


# -- forged, and the chain worked out again ---------------------------------------------------------------------------


def a_value(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.READING)["value"] = "6.3"


def a_trailing_zero(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.READING)["value"] += "0"


def a_verdict(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.READING, 0)["verdict"] = "nonconforming"


def a_limit(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.READING)["limit"]["at_most"] = "9"


def what_was_said_back(entries: list[dict[str, Any]]) -> None:
    said = next(entry["data"] for entry in entries if str(entry["data"].get("text")).startswith("Five point three"))
    said["text"] = "Six point three ohms, at most seven: conforming."


def what_was_heard(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.HEARD, 1)["text"] = "zero point three volts"


def what_was_heard_to_something_that_leads_elsewhere(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.HEARD, 1)["text"] = "ninety volts"


def how_surely_it_was_heard(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.HEARD, 4)["confidence"] = 0.93


def the_thresholds(entries: list[dict[str, Any]]) -> None:
    entries[0]["data"]["settings"]["policy"]["doubt"] = 0.4


def the_correction(entries: list[dict[str, Any]]) -> None:
    place = next(place for place, entry in enumerate(entries) if entry["kind"] is Mark.CORRECTED)
    del entries[place]


def the_answer(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.ANSWERED)["answer"] = "hard"


def the_finding(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.CONCLUDED)["finding"] = "The fan is bad."


def the_count_of_deviations(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.CLOSED)["deviations"] = 1


def the_state_of_the_mains(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.ENERGY, 0)["state"] = "isolated"


def the_title(entries: list[dict[str, Any]]) -> None:
    entries[0]["data"]["procedure"]["title"] = "Another procedure"


def a_number_to_its_text(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.HEARD, 0)["confidence"] = "0.91"


def a_key_more(entries: list[dict[str, Any]]) -> None:
    of(entries, Mark.HEARD, 0)["heard_by"] = "me"


def a_key_less(entries: list[dict[str, Any]]) -> None:
    del of(entries, Mark.HEARD, 0)["confidence"]


def two_entries_to_each_others_place(entries: list[dict[str, Any]]) -> None:
    entries[5], entries[6] = entries[6], entries[5]


def a_second_opening(entries: list[dict[str, Any]]) -> None:
    place = next(place for place, entry in enumerate(entries) if entry["kind"] is Mark.HEARD)
    entries.insert(place, copy.deepcopy(entries[0]))


@pytest.mark.parametrize(
    "change",
    [
        a_value,
        a_trailing_zero,
        a_verdict,
        a_limit,
        what_was_said_back,
        what_was_heard,
        what_was_heard_to_something_that_leads_elsewhere,
        how_surely_it_was_heard,
        the_thresholds,
        the_correction,
        the_answer,
        the_finding,
        the_count_of_deviations,
        the_state_of_the_mains,
        the_title,
        a_number_to_its_text,
        a_key_more,
        a_key_less,
        two_entries_to_each_others_place,
        a_second_opening,
    ],
)
def test_a_change_that_was_chained_again_is_found_by_replay(
    folder: Path, change: Callable[[list[dict[str, Any]]], None]
) -> None:
    forge(folder, change)
    assert verify_chain(folder) == []
    assert broken(verify(folder))


def test_the_first_entry_that_does_not_follow_is_named(folder: Path) -> None:
    place = next(entry.n for entry in read(folder) if entry.kind is Mark.READING)
    forge(folder, a_verdict)
    (problem,) = verify(folder)
    assert problem.line == place
    assert problem.message == (
        "reading at dead is not what its events give: "
        'verdict: the record says "nonconforming", replay gives "conforming"'
    )


def test_what_another_version_made_is_unproved_here_and_nobody_is_accused(folder: Path) -> None:
    def of_another_version(entries: list[dict[str, Any]]) -> None:
        of(entries, Mark.OPENED)["handsfree"] = "0.0.1"

    forge(folder, of_another_version)
    assert verify(folder) == []  # what its rules and these make of the same events is the same

    def by_other_rules(entries: list[dict[str, Any]]) -> None:
        of_another_version(entries)
        a_verdict(entries)

    forge(folder, by_other_rules)
    (problem,) = verify(folder)
    assert problem.grade is Grade.UNPROVED
    assert "says it was made by handsfree 0.0.1" in problem.message
    with pytest.raises(JournalError, match=r"made by handsfree 0\.0\.1"):
        resume(folder)


def test_another_version_that_is_named_later_does_not_speak_for_what_was_recorded_before(tmp_path: Path) -> None:
    folder = write(tmp_path / "session", events(SAID, ended="the recording is over"))

    def resumed_by_another(entries: list[dict[str, Any]]) -> None:
        a_verdict(entries)
        reopened = {"handsfree": "9.9.9", "settings": {}, "set_aside": []}
        entries.append({"kind": Mark.REOPENED, "time": entries[-1]["time"], "data": reopened})

    forge(folder, resumed_by_another)
    assert "conforming" in broken(verify(folder))[0].message


def test_what_this_version_went_on_with_is_held_to_its_rules_whoever_began_it(tmp_path: Path) -> None:
    resumed = Reopened(START + timedelta(hours=2), {"handsfree": __version__, "settings": {}, "set_aside": []})
    heard = Heard(START + timedelta(hours=3), "mark", 0.9, "invented")
    folder = write(tmp_path / "session", [*events(SAID, ended="the recording is over"), resumed, heard])

    def begun_by_another(entries: list[dict[str, Any]]) -> None:
        of(entries, Mark.OPENED)["handsfree"] = "0.0.1"

    forge(folder, begun_by_another)
    assert {problem.grade for problem in verify(folder)} == {Grade.INCOMPLETE}

    def and_altered(entries: list[dict[str, Any]]) -> None:
        of(entries, Mark.SAID)["text"] = "Forged."

    forge(folder, and_altered)
    assert broken(verify(folder))


@pytest.mark.parametrize("named", [None, 5, [], "", "<b>", "later"])
def test_what_is_no_version_speaks_for_nothing(folder: Path, named: object) -> None:
    def change(entries: list[dict[str, Any]]) -> None:
        of(entries, Mark.OPENED)["handsfree"] = named
        a_verdict(entries)

    forge(folder, change)
    assert broken(verify(folder))


def test_an_entry_that_cannot_be_read_hides_nothing_that_was_found_before_it(tmp_path: Path) -> None:
    folder = write(tmp_path / "session", events(SAID))

    def change(entries: list[dict[str, Any]]) -> None:
        the_title(entries)
        entries.append({"kind": Mark.FAULT, "time": entries[-1]["time"], "data": {}})

    forge(folder, change)
    title, unreadable = broken(verify(folder))
    assert "title" in title.message
    assert "does not hold what such an entry holds" in unreadable.message


def test_a_record_that_names_this_version_is_held_to_its_rules(folder: Path) -> None:
    def change(entries: list[dict[str, Any]]) -> None:
        of(entries, Mark.OPENED)["handsfree"] = __version__
        a_verdict(entries)

    forge(folder, change)
    assert broken(verify(folder))


def test_a_procedure_that_another_version_took_is_no_sign_of_an_alteration(folder: Path) -> None:
    taken_then = SOURCE.replace(b"say:", b"speak:", 1)

    def change(entries: list[dict[str, Any]]) -> None:
        of(entries, Mark.OPENED)["handsfree"] = "0.0.1"
        of(entries, Mark.OPENED).setdefault("procedure", {})["sha256"] = digest(taken_then)

    (folder / PROCEDURE).write_bytes(taken_then)
    forge(folder, change)
    assert {problem.grade for problem in verify(folder)} == {Grade.UNPROVED}
    assert "speak" not in verify(folder)[0].message  # which nobody is to mend in a record
    with pytest.raises(JournalError, match=r"Go on with the version that made it"):
        resume(folder)


def test_what_does_not_follow_is_told_field_by_field_in_words(folder: Path) -> None:
    def change(lines: list[dict[str, Any]]) -> None:
        reading = next(line for line in lines if line["kind"] == "reading")["data"]
        reading["limit"] = {"at_most": "9", "between": ["1", "9"], "unit": "volt"}
        reading["waveform"] = "ac"
        reading["sure"] = True
        del reading["reason"]

    forge(folder, change)
    (problem,) = verify(folder)
    assert problem.message.split(": ", 1)[1].split("; ") == [
        'waveform: the record says "ac", replay gives none',
        'limit at_most: the record says "9", replay gives "1"',
        'limit between: the record says "1", "9", replay gives nothing',
        'reason: the record says nothing, replay gives ""',
        "sure: the record says yes, replay gives nothing",
    ]


def test_an_entry_of_another_kind_is_told_with_what_both_say(folder: Path) -> None:
    def change(lines: list[dict[str, Any]]) -> None:
        reading = next(line for line in lines if line["kind"] == "reading")
        reading["kind"], reading["data"] = "refused", {"step": "dead", "reason": "x" * 1000}

    forge(folder, change)
    (problem,) = verify(folder)
    assert problem.message.startswith('the record says refused (reason "xxx')
    assert ', replay gives reading (id "r1", step "dead", reading "terminals", kind "reading", value "0.2"' in (
        problem.message
    )
    assert len(problem.message) < 500


def test_a_forged_chain_that_is_left_alone_holds(folder: Path) -> None:
    before = (folder / JOURNAL).read_bytes()
    forge(folder, lambda entries: None)
    assert (folder / JOURNAL).read_bytes() == before


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_no_entry_can_be_taken_out_put_in_or_moved(data: st.DataObject) -> None:
    """The events are let alone here: who forges those as well, and everything after them, has made another record."""
    with tempfile.TemporaryDirectory() as name:
        folder = write(Path(name) / "session", events(SAID + END))
        consequences = [place for place, entry in enumerate(read(folder)) if entry.kind not in EVENT_MARKS]
        place = data.draw(st.sampled_from(consequences))
        kind = data.draw(st.sampled_from(["taken out", "doubled", "moved", "invented", "emptied"]))

        def change(entries: list[dict[str, Any]]) -> None:
            match kind:
                case "taken out":
                    del entries[place]
                case "doubled":
                    entries.insert(place, copy.deepcopy(entries[place]))
                case "moved":
                    to = data.draw(st.sampled_from([other for other in consequences if other != place]))
                    if entries[to] != entries[place]:
                        entries[to], entries[place] = entries[place], entries[to]
                    else:
                        del entries[to]
                case "invented":
                    mark = data.draw(st.sampled_from(sorted(set(Mark) - EVENT_MARKS)))
                    entries.insert(place, {"kind": mark, "time": START, "data": {"step": "unplug"}})
                case "emptied":
                    entries[place]["data"] = {}

        forge(folder, change)
        problems = verify(folder)
        # Only what is missing at the very end may be called that; everything else is broken.
        assert broken(problems) or (kind == "taken out" and place == consequences[-1] and problems)


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_no_part_of_a_reading_can_be_altered(data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = write(Path(name) / "session", events(SAID + END))
        place = data.draw(st.integers(0, 2))

        def change(entries: list[dict[str, Any]]) -> None:
            reading = of(entries, Mark.READING, place)
            key = data.draw(st.sampled_from(sorted(reading)))
            values = st.one_of(st.none(), st.text(max_size=5), st.sampled_from(["0.2", "5.2", "5.3", "conforming"]))
            reading[key] = data.draw(values.filter(lambda value: value != reading[key]))

        forge(folder, change)
        assert broken(verify(folder))


# -- unfinished -------------------------------------------------------------------------------------------------------


def test_a_session_that_was_cut_off_holds_as_far_as_it_goes(tmp_path: Path) -> None:
    folder = write(tmp_path / "session", events(SAID))
    problems = verify(folder)
    assert [problem.grade for problem in problems] == [Grade.INCOMPLETE]
    assert "not closed" in problems[0].message


def test_a_session_that_ended_early_is_complete(tmp_path: Path) -> None:
    assert verify(write(tmp_path / "session", events(SAID, ended="the recording is over"))) == []


def test_a_torn_last_line_leaves_the_record_incomplete_and_not_broken(folder: Path) -> None:
    path = folder / JOURNAL
    path.write_bytes(path.read_bytes()[:-20])
    problems = verify(folder)
    assert problems
    assert {problem.grade for problem in problems} == {Grade.INCOMPLETE}
    assert any("closed is missing at the end" in problem.message for problem in problems)


def test_whole_lines_cut_off_leave_the_record_incomplete(folder: Path) -> None:
    lines = (folder / JOURNAL).read_bytes().splitlines(keepends=True)
    for kept in range(1, len(lines), 3):
        (folder / JOURNAL).write_bytes(b"".join(lines[:kept]))
        problems = verify(folder)
        assert problems, f"{kept} lines kept"
        assert {problem.grade for problem in problems} == {Grade.INCOMPLETE}


# -- another procedure, other settings --------------------------------------------------------------------------------


def test_an_altered_copy_of_the_procedure_is_found(folder: Path) -> None:
    (folder / PROCEDURE).write_bytes(SOURCE.replace(b"at_most: 7", b"at_most: 5"))
    assert [problem.message for problem in verify(folder)] == [f"{PROCEDURE} was altered"]


def altered_with_its_hash(folder: Path, source: bytes) -> None:
    (folder / PROCEDURE).write_bytes(source)

    def change(entries: list[dict[str, Any]]) -> None:
        entries[0]["data"]["procedure"]["sha256"] = digest(source)

    forge(folder, change)
    assert verify_chain(folder) == []


def test_an_altered_procedure_with_its_hash_altered_too_gives_other_verdicts(folder: Path) -> None:
    altered_with_its_hash(folder, SOURCE.replace(b"at_most: 7", b"at_most: 5"))
    assert "reading at winding is not what its events give" in broken(verify(folder))[0].message


@pytest.mark.parametrize("source", [b"", b"procedure: [", b"\xff\xfe", SOURCE.replace(b"kind: do", b"kind: dance")])
def test_a_procedure_that_no_session_can_be_run_with_is_a_problem_and_no_crash(folder: Path, source: bytes) -> None:
    altered_with_its_hash(folder, source)
    (problem,) = verify(folder)
    assert problem.grade is Grade.BROKEN
    assert PROCEDURE in problem.message


def test_a_session_is_replayed_with_the_thresholds_it_was_run_with(tmp_path: Path) -> None:
    strict = {**OPENING, "settings": {"policy": {"reject": 0.6, "doubt": 0.95}}}
    sentences = [("done", 0.9), ("done", 0.96), ("zero point two volts", 0.94), ("affirm", 1.0)]
    heard = [Started(START, strict), *events(sentences)[1:], Ended(START + timedelta(hours=1), "over")]
    assert verify(write(tmp_path / "session", heard, Policy(0.6, 0.95))) == []
    assert broken(verify(write(tmp_path / "other", heard, Policy())))


@pytest.mark.parametrize("policy", ["strict", {"reject": 0.9, "doubt": 0.1}, {"reject": None}, [0.3, 0.5]])
def test_thresholds_that_no_session_has_are_a_problem_and_no_crash(folder: Path, policy: Any) -> None:
    def change(entries: list[dict[str, Any]]) -> None:
        entries[0]["data"]["settings"]["policy"] = policy

    forge(folder, change)
    assert [problem.grade for problem in verify(folder)] == [Grade.BROKEN]


@pytest.mark.parametrize(
    ("mark", "data"),
    [
        (Mark.HEARD, {}),
        (Mark.HEARD, {"text": 5, "alternatives": []}),
        (Mark.HEARD, {"text": "done", "alternatives": 5}),
        (Mark.HEARD, {"text": "done", "alternatives": ["one"]}),
        (Mark.HEARD, {"text": "done", "alternatives": [{"text": "done"}]}),
        (Mark.HEARD, {"text": "done", "alternatives": [], "confidence": "high"}),
        (Mark.FAULT, {}),
        (Mark.FAULT, {"what": None}),
        (Mark.ENDED, {"why": 5}),
    ],
)
def test_an_event_that_no_session_can_take_is_a_problem_and_no_crash(
    folder: Path, mark: Mark, data: dict[str, Any]
) -> None:
    def change(entries: list[dict[str, Any]]) -> None:
        place = next(place for place, entry in enumerate(entries) if entry["kind"] is Mark.HEARD)
        entries.insert(place, {"kind": mark, "time": START, "data": data})

    forge(folder, change)
    assert [problem.grade for problem in verify(folder)] == [Grade.BROKEN]


def test_an_event_after_the_closing_entry_is_found(folder: Path) -> None:
    """The chain's own check says so first; replay by itself says so too."""
    entries = read(folder)
    late = Entry(len(entries) + 1, entries[-1].time, Mark.FAULT, {"what": "late"}, entries[-1].hash)
    assert [str(problem) for problem in replay([*entries, late], SOURCE)] == [
        f"{JOURNAL}:{late.n}: fault has no place here"
    ]


def test_nothing_is_no_record(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="not a session's folder"):
        verify(tmp_path)
    with pytest.raises(JournalError, match="does not start with 'opened'"):
        replay([], SOURCE)


def test_a_line_altered_in_place_is_found_by_the_chain(folder: Path) -> None:
    lines = (folder / JOURNAL).read_bytes().splitlines(keepends=True)
    place = next(place for place, line in enumerate(lines) if json.loads(line)["kind"] == "reading")
    lines[place] = lines[place].replace(b'"0.2"', b'"0.9"')
    (folder / JOURNAL).write_bytes(b"".join(lines))
    (problem,) = verify(folder)
    assert problem.line == place + 1
    assert "altered" in problem.message
