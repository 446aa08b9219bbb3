"""A real session with somebody who types, watched by whatever shows it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from handsfree.procedure.load import load
from handsfree.procedure.model import Procedure
from handsfree.session.events import Act, Due, Ended, Event, Fault, Heard, Reopened, Started
from handsfree.session.machine import Session

ROOT = Path(__file__).parents[2]
TIME = datetime(2031, 5, 6, 9, 15, tzinfo=UTC)
COOLER = load(ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml").procedure
CABINET = load(ROOT / "procedures" / "display-cabinet-ices-up.yaml").procedure
RELAY = tuple((ROOT / "demo_sessions" / "start-relay" / "script.txt").read_text(encoding="utf-8").splitlines())


@dataclass
class Visit:
    """A session with somebody who types; ``watch`` is told of everything, as by a conversation."""

    watch: Callable[[Event, list[Act]], None]
    procedure: Procedure = COOLER
    time: datetime = TIME

    def __post_init__(self) -> None:
        self.session = Session(self.procedure)
        self.handle(Started(self.time))

    def handle(self, event: Event) -> None:
        self.watch(event, self.session.handle(event))

    def say(self, *texts: str, confidence: float | None = None) -> None:
        for text in texts:
            self.time += timedelta(seconds=5)
            self.handle(Heard(self.time, text, confidence))

    def wait(self, span: timedelta) -> None:
        """Time passes, and whatever is due in it is told."""
        self.time += span
        while (due := self.session.due) is not None and due <= self.time:
            self.handle(Due(due))

    def fail(self, what: str) -> None:
        self.handle(Fault(self.time, what))

    def end(self) -> None:
        self.handle(Ended(self.time, "the terminal was closed"))

    def reopen(self) -> None:
        self.handle(Reopened(self.time, {"handsfree": "0.0", "settings": {}, "set_aside": []}))
