"""A visit of twelve hours: does a session slow down or swell as it goes on? ``python benchmarks/long_visit.py``

Needs nothing but the package and psutil (extra ``bench``); seeded. A procedure of its own, proved like any other, goes
round until the day is over: something comes off by count, is measured, corrected, remarked, waited for, put back by
count, gone back to, and so on. The clock is the events' own, so twelve hours take half a minute. Session and journal
are the real ones, and every entry is on disk before the next event. The day is run twice: in one go, and left and
resumed.

A time is that of one event: what the session makes of it, and writing that down with the disk's word that it has it.
Flat is a ratio of about 1 between the last hour and the first. Resuming replays the record, so its time, which is told
apart, and the memory that it once took grow with the record: the second run begins with the memory of the first.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
from rich.console import Console
from rich.table import Table

from handsfree.procedure.load import loads
from handsfree.session.events import Due, Ended, Event, Heard, Record, Reopened, Started
from handsfree.session.journal import JOURNAL, Journal, digest
from handsfree.session.machine import Session
from handsfree.session.replay import verify
from handsfree.session.resume import resume
from handsfree.spoken.meaning import Word

UTTERANCES, HOURS, RESUMES, SEED = 5_000, 12, 3, 17
BEGIN = datetime(2031, 5, 6, 6, 0, tzinfo=UTC)

PROCEDURE = b"""
procedure: long-visit
title: Filter bank is cleaned
edition: "1"
purpose: Clean one filter after the other.
equipment: Tarnholm FB-90 filter bank
local_rules: The rules of the site come first.
steps:
  - id: lid-off
    kind: do
    say: Take the lid of the next filter off.
    pieces:
      - Hold the lid.
      - {say: Turn the screws out., times: 3, each: lid screws}
    takes_off: [{item: lid screws, count: 3, place: At the rim.}]
  - id: before
    kind: measure
    say: Measure the pressure drop.
    reading: drop before
    quantity: pressure
    unit: kilopascal
    limit: {at_most: 3}
    next: {conforming: settle, nonconforming: settle}
  - id: settle
    kind: do
    say: Clean the filter and let it settle.
    wait: {timer: settling, minutes: 1}
  - id: series
    kind: watch
    say: Read the pressure each half minute.
    every_minutes: 0.5
    for_minutes: 1
    series:
      - {reading: pressure, quantity: pressure, unit: kilopascal, falls_to: 0.5}
    next: {conforming: lid-on, nonconforming: lid-on}
    unable: lid-on
  - id: lid-on
    kind: do
    say: Put the lid on.
    puts_back: [lid screws]
  - id: another
    kind: observe
    say: Is there another filter?
    answers:
      more: [there is another]
      none: [that was the last]
    next: {more: lid-off, none: clean}
  - id: clean
    kind: conclude
    finding: The filters are clean.
    condition: sound
    action: Write the date on the bank.
"""


BESIDES = (
    *("what is off", "how many", "how far", "say again", "read back", "mark", "note", "orientation note", "how long"),
    *("stand by", "go back", "disregard", "timer two minutes", "cancel timer", "override", "skip it", "roger"),
    *("where do the lid screws go", "correction", "talk in the room"),
)


def utterance(session: Session, chance: random.Random) -> str:
    """What is said next: mostly what is asked for, at times anything else."""
    what = session.open
    drop = f"{chance.uniform(1, 5):.1f} kilopascals"
    if what.dictation:
        return "the gasket is worn and wants to be replaced"
    if what.words == {Word.GO_AHEAD}:
        return chance.choice(("go ahead", "talk in the room"))
    if chance.random() < 0.3:
        return chance.choice((*BESIDES, f"correction {drop}"))
    if session.at == "another" and "more" in what.answers:
        return "there is another"
    if "3" in what.answers:
        return chance.choice(("two", "three", "go ahead", "done"))
    if what.answers:
        return chance.choice([phrases[0] for phrases in what.answers.values()])
    if what.reading is not None:
        return drop
    return chance.choice(("go ahead", "done"))


@dataclass
class Hour:
    """What an hour took: seconds for each event, and the memory at its end in bytes."""

    session: list[float] = field(default_factory=list)
    journal: list[float] = field(default_factory=list)
    memory: int = 0

    @property
    def whole(self) -> list[float]:
        return [one + other for one, other in zip(self.session, self.journal, strict=True)]


class Visit:
    """A session with its journal, and what its hours took."""

    def __init__(self, folder: Path, session: Session) -> None:
        self.folder, self.session = folder, session
        self.journal = Journal.create(folder, PROCEDURE)
        self.hours = [Hour() for _ in range(HOURS)]
        self.resumed: list[float] = []
        self.entries = self.events = 0
        self.last = BEGIN

    def handle(self, event: Event) -> None:
        self.last = event.time
        begun = time.perf_counter()
        acts = self.session.handle(event)
        handled = time.perf_counter()
        for act in acts:
            if isinstance(act, Record):
                self.journal.append(event.time, act.mark, act.data)
                self.entries += 1
        self.journal.flush()
        written = time.perf_counter()
        if isinstance(event, Started | Reopened | Ended):
            return
        hour = self.hours[min(int((event.time - BEGIN) / timedelta(hours=1)), HOURS - 1)]
        hour.session.append(handled - begun)
        hour.journal.append(written - handled)
        hour.memory = psutil.Process().memory_info().rss
        self.events += 1

    def until(self, moment: datetime) -> None:
        """Whatever is due by then is told, what fell due in a pause at the end of it."""
        while (due := self.session.due) is not None and due <= moment:
            self.handle(Due(max(due, self.last)))

    def leave_and_resume(self, moment: datetime) -> None:
        self.journal.close()
        begun = time.perf_counter()
        found = resume(self.folder)
        self.resumed.append(time.perf_counter() - begun)
        self.journal, self.session = found.journal, found.rebuilt.session
        self.handle(Reopened(moment, {"handsfree": "benchmark", "settings": {}, "set_aside": []}))


def run(folder: Path, utterances: int, resumes: int) -> Visit:
    procedure = loads(PROCEDURE, "the benchmark's procedure").procedure
    visit, chance = Visit(folder, Session(procedure)), random.Random(SEED)
    opened = {"id": procedure.procedure, "title": procedure.title, "edition": procedure.edition}
    opened |= {"equipment": procedure.equipment, "sha256": digest(PROCEDURE)}
    visit.handle(Started(BEGIN, {"handsfree": "benchmark", "procedure": opened}))
    for number in range(1, utterances + 1):
        moment = BEGIN + timedelta(hours=HOURS) * ((number - chance.random() / 2) / utterances)
        visit.until(moment)
        visit.handle(Heard(moment, utterance(visit.session, chance)))
        if number % (utterances // (resumes + 1)) == 0 and number < utterances:
            visit.leave_and_resume(moment)
    visit.handle(Ended(BEGIN + timedelta(hours=HOURS), "the day is over"))
    visit.journal.close()
    return visit


def table(visit: Visit) -> Table:
    first, last = visit.hours[0], visit.hours[-1]
    rows: list[tuple[str, Callable[[Hour], float]]] = [
        ("events", lambda hour: len(hour.session)),
        ("session, median ms", lambda hour: 1000 * statistics.median(hour.session)),
        ("session, 95 of 100 below, ms", lambda hour: 1000 * statistics.quantiles(hour.session, n=20)[-1]),
        ("journal, median ms", lambda hour: 1000 * statistics.median(hour.journal)),
        ("both, median ms", lambda hour: 1000 * statistics.median(hour.whole)),
        ("memory at its end, MB", lambda hour: hour.memory / 1e6),
    ]
    shown = Table("", "first hour", "last hour", "last to first")
    for name, of in rows:
        shown.add_row(name, f"{of(first):.2f}", f"{of(last):.2f}", f"{of(last) / of(first):.2f}")
    return shown


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--utterances", type=int, default=UTTERANCES)
    options = parser.parse_args()
    for title, resumes in (("in one go", 0), (f"left and resumed {RESUMES} times", RESUMES)):
        report(title, options.utterances, resumes)


def report(title: str, utterances: int, resumes: int) -> None:
    console = Console()
    with tempfile.TemporaryDirectory() as folder:
        session = Path(folder) / "session"
        visit = run(session, utterances, resumes)
        size = (session / JOURNAL).stat().st_size
        begun = time.perf_counter()
        problems = verify(session)
        checked = time.perf_counter() - begun
    console.print(f"\n[bold]{title}[/bold]", table(visit))
    console.print(
        f"{visit.events} events, {visit.entries} entries, {visit.session.standing} readings that stand, "
        f"{size / 1e6:.1f} MB; verified in {checked:.1f} s"
    )
    if visit.resumed:
        console.print(f"resumed in {', '.join(f'{spent:.1f}' for spent in visit.resumed)} s")
    if problems:
        raise SystemExit(f"the record does not hold: {problems[0]}")


if __name__ == "__main__":
    main()
