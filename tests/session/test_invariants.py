"""What holds of a session whatever is said to it.

Sessions on the shipped procedures are driven by a technician who mostly does what is asked, often says something else,
is sometimes heard badly and sometimes not at all. After every event the acts are checked against what must hold.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from handsfree.judge.meterfile import load_meters
from handsfree.judge.verdict import judge
from handsfree.procedure.dead import shows_dead
from handsfree.procedure.load import load
from handsfree.procedure.model import (
    Calculate,
    Choose,
    Conclude,
    Do,
    Measure,
    Observe,
    Procedure,
    SpokenStep,
    Watch,
    bounds,
)
from handsfree.session.events import (
    EVENT_MARKS,
    Close,
    Due,
    Ended,
    Event,
    Fault,
    Heard,
    Listen,
    Mark,
    Record,
    Reopened,
    Say,
    Started,
)
from handsfree.session.journal import Entry, Journal, read_time, time_text
from handsfree.session.machine import Session
from handsfree.session.replay import rebuild, replay, verify
from handsfree.spoken.grammar import phrases, sentence, understand
from handsfree.spoken.meaning import Kind, Reading, Refusal, Word
from handsfree.spoken.readback import say_reading
from handsfree.spoken.words import PHRASES

PROCEDURES = sorted((Path(__file__).parents[2] / "procedures").glob("*.yaml"))
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
LOADED = {path.stem: load(path) for path in PROCEDURES}
(OSTREL,) = load_meters([Path(__file__).parents[2] / "meters" / "ostrel-61.yaml"])
NOTHING_TORN = {"handsfree": "0.0", "settings": {}, "set_aside": []}
METERS = (OSTREL, OSTREL.model_copy(update={"meter": "lowe", "name": "Lowe", "called": (), "ratings": ()}))


# Readings without a limit of their own from which figures that conform are worked out.
FITTING = {
    "leads": "0",
    "plate-voltage": "230",
    "plate-power": "1000",
    "element-one": "53",
    "element-two": "53",
    "element-three": "53",
    "probe": "101.9",
    "run-winding": "7.7",
    "start-winding": "20.4",
    "both-windings": "28.1",
    "suction": "3.7",
    "suction-pipe": "6",
}


def a_reading(step: Measure, *, conforming: bool) -> str:
    """What a technician says whose meter shows something within the limit, or something beyond it."""
    value = FITTING.get(step.id, "1")
    if step.limit is not None and (step.id not in FITTING or not conforming):
        low, high = bounds(step.limit)
        inside = low if low.is_finite() else high
        outside = 2 * high + 1 if high.is_finite() else low / 2
        leads = 1 if step.minus_leads is not None else 0  # what is said at a step that measures them
        value = format(((inside if conforming else outside) + leads).normalize(), "f")
    return say_reading(Reading(Kind.READING, value, step.unit, step.waveform))


def as_asked(session: Session, choose: random.Random, *, well: bool = True) -> str:
    """A sentence that takes the session on; ``well`` is whether a reading conforms."""
    if session.open.words == {Word.GO_AHEAD}:
        return "go ahead"
    if session.open.dictation:
        return choose.choice(["the latch is worn", "disregard", ""])
    if session.open.identifier is not None:
        spelled = {"999999": "one two three four five five", "AA-9999": "alfa bravo four five six seven"}
        known = spelled.get(session.open.identifier.pattern or "", "alfa one two three four")
        return "affirm" if Word.AFFIRM in session.open.words else known
    counts = [phrases[0] for number, phrases in session.open.answers.items() if number.isdecimal()]
    if counts and choose.random() < 0.9:
        return choose.choice([*counts[1:7], "go ahead", "override not needed", "done"])
    if "not needed" in session.open.answers:
        return "not needed"
    if Word.OVERRIDE in session.open.words and choose.random() < 0.3:
        return "override agreed with the office"
    step = session.procedure.step(session.at)
    if ("none of these", "another one") in session.open.answers.values():
        return choose.choice([phrase for phrases in session.open.answers.values() for phrase in phrases])
    if isinstance(step, Do):
        return "done" if Word.DONE in session.open.words else "negative"
    if isinstance(step, Watch):
        expected = session.open.reading
        if expected is None:
            return "affirm" if session.asking else "say again"
        series = next(one for one in step.series if one.expectation == expected)
        goal = series.rises_to or series.falls_to
        value = str(goal) if goal is not None and choose.random() < 0.7 else str(choose.randint(1, 40))
        return say_reading(Reading(Kind.READING, value if well else "900", expected.unit))
    if isinstance(step, Measure) and session.open.reading is not None:
        return a_reading(step, conforming=well)
    if isinstance(step, Observe) and session.open.answers.keys() == step.answers.keys():
        return choose.choice([phrase for phrases in step.answers.values() for phrase in phrases])
    if session.asking and session.open.reading is None:  # whether that ends the visit
        return "affirm"
    return "disregard" if Word.DISREGARD in session.open.words else "negative"


class Witness:
    """Sees every event and its acts, keeps its own account of the machine and of the readings, and compares."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.procedure: Procedure = session.procedure
        self.time = START
        self.energy: dict[str, str] = {}
        self.found: dict[str, str | None] = {}  # last verdicts of the steps that show a source dead, since it was live
        self.off: set[str] = set()
        self.readings: dict[str, str] = {}  # id -> step
        self.corrected: set[str] = set()
        self.left_by: dict[str, str | None] = {}  # the last outcome of each step that stands
        self.outcome_of: dict[str, str | None] = {}  # reading id -> verdict
        self.finding: str | None = None
        self.unverified: dict[str, str] = {}  # the steps that are to verify parts that were replaced
        self.entries: list[Entry] = []

    def take(self, event: Event) -> list[Record]:
        closed, paused = self.session.closed, self.session.open.words == {Word.GO_AHEAD}
        if isinstance(event, Reopened) and self.session.finding is None:
            closed = False
        acts = self.session.handle(event)
        if closed:
            assert acts == []
            return []
        records = [act for act in acts if isinstance(act, Record)]
        assert isinstance(acts[-1], Close if self.session.closed else Listen)
        assert sum(isinstance(act, Close | Listen) for act in acts) == 1
        for before, act in zip([None, *acts], acts, strict=False):
            if isinstance(act, Say):
                assert isinstance(before, Record)
                assert before.mark is Mark.SAID
                assert (before.data["text"], before.data["about"]) == (act.text, act.about)
                assert act.text.strip()
        marks = [record.mark for record in records]
        assert marks.count(Mark.SAID) == sum(isinstance(act, Say) for act in acts)
        assert (Mark.CLOSED in marks) is self.session.closed
        assert Mark.CLOSED not in marks[:-1]
        if paused and isinstance(event, Heard):
            assert marks == [Mark.HEARD] or marks[1] is Mark.RESUMED
        for record in records:
            self._account(record, records)
            self._keep(event, record)
        assert self.session.standing == len(self.readings.keys() - self.corrected)
        if self.session.closed:
            self._check_finding()
        else:
            assert self.session.open.dictation or phrases(self.session.open)
        return records

    def hear(self, text: str, confidence: float | None = None, *, waits: bool = True) -> None:
        """Somebody speaks; ``waits`` until a reading is due, where one will be."""
        self.time += timedelta(seconds=4)
        if self.session.due is not None and waits:
            self.time = max(self.time, self.session.due)
            self.take(Due(self.time))
        self.take(Heard(self.time, text, confidence))

    def _keep(self, event: Event, record: Record) -> None:
        """An entry as the journal keeps it."""
        previous = self.entries[-1].hash if self.entries else "0" * 64
        time = read_time(time_text(event.time))
        self.entries.append(Entry(len(self.entries) + 1, time, record.mark, record.data, previous))

    def resume(self, kept: int) -> None:
        """The program is killed after so many lines, and the session is rebuilt from what it had recorded."""
        before = self.session
        rebuilt = rebuild(self.entries[:kept], self.procedure)
        assert rebuilt.problems[1:] == []
        if not rebuilt.missing:
            assert rebuilt.problems == []
        assert [*self.entries[:kept], *rebuilt.missing][-1].data == self.entries[-1].data
        self.session = rebuilt.session
        assert self.session.at == before.at
        assert self.session.open == before.open
        assert self.session.standing == before.standing
        assert self.session.due == before.due
        assert (self.session.closed, self.session.finding) == (before.closed, before.finding)
        if self.session.finding is not None:
            assert self.take(Reopened(self.time, NOTHING_TORN)) == []
            return
        readings, off = before.standing, set(self.off)
        proved = {source for source, state in self.energy.items() if state == "proved dead"}
        records = self.take(Reopened(self.time, NOTHING_TORN))
        assert records[0].mark is Mark.REOPENED
        assert self.session.standing == readings
        assert self.off == off
        assert "proved dead" not in self.energy.values()
        assert {source for source, state in self.energy.items() if state == "isolated"} >= proved

    def _account(self, record: Record, records: list[Record]) -> None:
        data = record.data
        match record.mark:
            case Mark.ENERGY:
                self.energy[data["source"]] = data["state"]
                if data["state"] == "live":
                    self.found.clear()
                if data["state"] == "proved dead" and self.procedure.sources[data["source"]].kind == "electrical":
                    assert set(self.found.values()) == {"conforming"}
            case Mark.TAKEN_OFF:
                self.off.add(data["item"])
            case Mark.PUT_BACK:
                assert data["item"] in self.off
                self.off.remove(data["item"])
            case Mark.ENTERED:
                self._check_entry(data["step"])
            case Mark.READING:
                self._check_reading(data, records)
            case Mark.CORRECTED:
                assert data["reading"] in self.readings
                assert data["reading"] not in self.corrected
                assert data["by"] is None or self.readings[data["by"]] == self.readings[data["reading"]]
                self.corrected.add(data["reading"])
                if data["by"] is None:
                    self.left_by.pop(self.readings[data["reading"]], None)
            case Mark.ANSWERED:
                self._check_hands(data["step"])
                step = self.procedure.step(data["step"])
                assert isinstance(step, Observe)
                assert data["answer"] in step.answers
                self.left_by[data["step"]] = data["answer"]
            case Mark.DONE:
                self._check_hands(data["step"])
                self.left_by[data["step"]] = None
            case Mark.DEVIATION if data["what"] == "limit overridden":
                read = self.procedure.step(data["step"])
                assert isinstance(read, Measure)
                assert self.readings[data["reading"]] == read.id
                assert not read.proves_dead
                assert not read.binding_limit
                assert read.id not in self.unverified
                self.left_by[read.id] = "conforming"
            case Mark.COUNTED:
                assert data["count"] >= 0
            case Mark.TIMER:
                assert (data["state"] == "over") == (data["left"] <= 0 and data["state"] != "cancelled")
            case Mark.REPLACED if data.get("stands", True):
                self.unverified[data["verified_by"]] = data["part"]
            case Mark.VERIFIED if data["stands"]:
                del self.unverified[data["step"]]
            case Mark.VERIFIED:
                self.unverified[data["step"]] = data["part"]
            case Mark.DEVIATION if data["what"] in ("unable", "skipped") and "about" not in data:
                self.left_by[data["step"]] = "unable"
            case Mark.CALCULATED:
                self._check_figure(data)
            case Mark.WATCHED:
                self.left_by[data["step"]] = data["verdict"]
            case Mark.CONCLUDED:
                self.finding = data["step"]
                assert not (self.unverified and data["condition"] == "sound")
            case Mark.CLOSED:
                assert set(data["off"]) == self.off

    def _check_hands(self, id: str) -> None:
        step = self.procedure.step(id)
        assert isinstance(step, SpokenStep)
        if step.hands_inside:
            assert set(self.energy.values()) == {"proved dead"}

    def _check_entry(self, id: str) -> None:
        step = self.procedure.step(id)
        if isinstance(step, Choose | Calculate | Conclude):
            return
        self._check_hands(id)
        assert all(self.energy[source] != "live" for source in step.needs_isolated)
        assert all(self.energy[source] == "live" for source in step.needs_live)
        if step.energises:
            assert self.off <= set(step.puts_back)
        if step.takes_off:
            electrical = [name for name, source in self.procedure.sources.items() if source.kind == "electrical"]
            assert all(self.energy[name] != "live" for name in electrical)

    def _check_reading(self, data: Mapping[str, Any], records: list[Record]) -> None:
        step = self.procedure.step(data["step"])
        assert data["id"] not in self.readings
        if isinstance(step, Watch):
            self._check_point(step, data, records)
            return
        assert isinstance(step, Measure)
        reading = Reading(Kind(data["kind"]), data["value"], data["unit"], data["waveform"])
        if "leads" in data:
            reading = replace(reading, value=data["leads"]["corrected"], unit=data["leads"]["unit"])
        judged = judge(reading, step).verdict
        # A guard band leaves open what the limits alone would decide, and turns nothing round.
        open_too = {None, "undecided"} if "decision" in data else {None}
        assert data["verdict"] in {None if judged is None else judged.value, *open_too} - ({None} if judged else set())
        self.readings[data["id"]] = step.id
        self.left_by[step.id] = data["verdict"]
        if shows_dead(step) and not step.proves_dead:
            self.found[step.id] = data["verdict"]
        if all(record.mark is not Mark.CORRECTED for record in records):  # a correction is said from anywhere
            self._check_hands(step.id)

    def _check_point(self, step: Watch, data: Mapping[str, Any], records: list[Record]) -> None:
        assert data["verdict"] is None
        assert data["series"] in [series.reading for series in step.series]
        assert data["seconds"] >= 0
        self.readings[data["id"]] = step.id
        if all(record.mark is not Mark.CORRECTED for record in records):
            self._check_hands(step.id)

    def _check_figure(self, data: Mapping[str, Any]) -> None:
        """A figure is made from the last standing readings of its inputs, whose values it shows."""
        for used in data["inputs"]:
            if used["id"] is not None:
                assert used["id"] not in self.corrected
                later = [
                    read for read, step in self.readings.items() if step == used["step"] and read not in self.corrected
                ]
                assert later[-1] == used["id"]
        assert (data["value"] is None) <= (data["verdict"] in (None, "undecided"))
        self.left_by[data["step"]] = data["verdict"]

    def _check_finding(self) -> None:
        """A finding is where the procedure leads by the last standing outcome of each step on the way."""
        if self.finding is None:
            assert self.session.finding is None
            return
        at = self.procedure.steps[0].id
        for _ in self.procedure.steps:
            step = self.procedure.step(at)
            if isinstance(step, Conclude):
                break
            outcome = self.left_by[step.by if isinstance(step, Choose) else step.id]
            unable = outcome in ("unable", "skipped") and not isinstance(step, Choose)
            leads = self.procedure.target(step.id, None if unable else outcome)
            at = (getattr(step, "unable", None) if unable else None) or leads or ""
        assert at == self.finding


GARBAGE = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["", "  ", "five point", "volts", "minus", "correction", "unable unable", "zero " * 40, "5e9 ohms"]
    ),
    st.sampled_from([phrase for phrases in PHRASES.values() for phrase in phrases]),
)
CONFIDENCE = st.sampled_from([None, None, None, 0.0, 0.2, 0.3, 0.4, 0.5, 0.9, 1.0])


class Technician(RuleBasedStateMachine):
    """Says what is asked for, and everything else."""

    @initialize(name=st.sampled_from(sorted(LOADED)), seed=st.integers(0, 999), meters=st.integers(0, 2))
    def start(self, name: str, seed: int, meters: int) -> None:
        self.choose = random.Random(seed)
        known = {"meters": [meter.model_dump(mode="json") for meter in METERS[:meters]]} if meters else {}
        self.witness = Witness(Session(LOADED[name].procedure, None, METERS[:meters]))
        self.witness.take(Started(START, known))

    @property
    def session(self) -> Session:
        return self.witness.session

    def say(self, text: str, confidence: float | None = None) -> None:
        self.witness.hear(text, confidence, waits=self.choose.random() < 0.5)

    @rule(steps=st.integers(1, 12))
    def go_on(self, steps: int) -> None:
        for _ in range(steps):
            self.say(as_asked(self.session, self.choose))

    @rule()
    def find_a_fault(self) -> None:
        self.say(as_asked(self.session, self.choose, well=False))

    @rule(confidence=CONFIDENCE)
    def say_what_may_be_said(self, confidence: float | None) -> None:
        if not self.session.closed:
            said = "a worn latch" if self.session.open.dictation else sentence(self.session.open, self.choose)
            self.say(said, confidence)

    @rule(confidence=CONFIDENCE)
    def say_an_open_word(self, confidence: float | None) -> None:
        if self.session.open.words:
            word = self.choose.choice(sorted(self.session.open.words - {Word.END_SESSION}) or [Word.GO_AHEAD])
            self.say(PHRASES[word][0], confidence)

    @rule(well=st.booleans())
    def correct(self, well: bool) -> None:
        for step in self.session.procedure.steps:
            if isinstance(step, Measure) and self.session.open.correction is not None:
                said = f"correction {a_reading(step, conforming=well)}"
                if not isinstance(understand(said, self.session.open), Refusal):
                    self.say(said)
                    return

    @rule(word=st.sampled_from([Word.GO_BACK, Word.CORRECTION, Word.DISREGARD]), times=st.integers(1, 4))
    def take_back(self, word: Word, times: int) -> None:
        for _ in range(times):
            self.say(PHRASES[word][0])

    @rule(text=GARBAGE, confidence=CONFIDENCE)
    def say_anything(self, text: str, confidence: float | None) -> None:
        self.say(text, confidence)

    @rule()
    def lose_a_device(self) -> None:
        self.witness.take(Fault(self.witness.time, "The microphone was unplugged."))

    @rule(lines_lost=st.integers(0, 12), away=st.sampled_from([0.0, 40.0, 90_000.0]))
    def kill_and_resume(self, lines_lost: int, away: float) -> None:
        entries = self.witness.entries
        last = max(place for place, entry in enumerate(entries) if entry.kind in EVENT_MARKS)
        self.witness.time += timedelta(seconds=away)
        self.witness.resume(max(last + 1, len(entries) - lines_lost))

    @precondition(lambda self: self.session.finding is None)
    @rule()
    def end_the_input(self) -> None:
        self.witness.take(Ended(self.witness.time, "the input is over"))

    @precondition(lambda self: self.session.closed)
    @rule()
    def say_something_after_the_end(self) -> None:
        for event in (Ended(START, "late"), Started(START, {}), Fault(START, "late"), Heard(START, "done")):
            self.witness.take(event)


TestWhateverIsSaid = Technician.TestCase
TestWhateverIsSaid.settings = settings(
    max_examples=40, stateful_step_count=30, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


def test_a_session_killed_again_and_again_comes_to_its_finding() -> None:
    """After each kill it is where it was, or on the way through the proof from which it comes back there."""
    led = 0
    for loaded, seed in product(LOADED.values(), range(2)):
        choose = random.Random(seed)
        witness = Witness(Session(loaded.procedure))
        witness.take(Started(START, {}))
        back_to = ""
        for _ in range(400):
            if witness.session.closed:
                break
            at = witness.session.at
            if not back_to and choose.random() < 0.2:
                witness.resume(len(witness.entries))
                back_to = "" if witness.session.at == at else at
                led += witness.session.at != at
            elif at == back_to:
                back_to = ""
            else:
                witness.hear(as_asked(witness.session, choose))
        assert back_to == ""
        assert witness.session.finding is not None
        assert replay(witness.entries, loaded.source) == []
    assert led > 5


@pytest.mark.parametrize("name", sorted(LOADED))
@pytest.mark.parametrize(("seed", "meters"), [(0, 0), (1, 0), (2, 1), (3, 2)])
def test_a_record_of_whatever_was_said_is_what_its_events_produce(
    name: str, seed: int, meters: int, tmp_path: Path
) -> None:
    loaded, choose = LOADED[name], random.Random(seed)
    session = Session(loaded.procedure, None, METERS[:meters])
    known = {"meters": [meter.model_dump(mode="json") for meter in METERS[:meters]]}
    witness = Witness(session)
    with Journal.create(tmp_path / "session", loaded.source) as journal:

        def take(event: Event) -> None:
            for record in witness.take(event):
                journal.append(event.time, record.mark, record.data)

        take(Started(START, {"procedure": {"sha256": loaded.sha256}} | known))
        for step in range(200):
            if session.closed:
                break
            text = as_asked(session, choose) if choose.random() < 0.8 else sentence(session.open, choose)
            time = START + timedelta(seconds=20 * step)
            if session.due is not None and session.due <= time:
                take(Due(time))
                text = as_asked(session, choose)
            take(Heard(time, text, choose.choice([None, 0.25, 0.45, 0.95]), "made up", ((text, 0.5), ("", -3.25))))
            if choose.random() < 0.05:
                take(Fault(time, "The loudspeaker was unplugged."))
        take(Ended(START + timedelta(hours=3), "the input is over"))
    assert session.closed
    assert witness.readings
    assert verify(tmp_path / "session") == []
