"""A watch that is under way: which of its readings is due next, and when.

The one rule: time only comes in with events, and is taken as the journal keeps it, to the millisecond; so a replay
comes to the same seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from handsfree.judge import progress
from handsfree.procedure.model import Watch

Moment = datetime  # under another name for the machine, which has no business with a module that has a clock


def as_kept(time: Moment) -> Moment:
    """A time as the journal keeps it."""
    return time.replace(microsecond=time.microsecond // 1000 * 1000)


@dataclass(slots=True)
class Vigil:
    """``first`` is the number of readings there were before it. ``rounds`` are read whole; ``series`` is the place of
    the one that is asked for, None between rounds. ``told`` is the news of each series that was said last.
    """

    watch: Watch
    began: Moment
    first: int
    rounds: int = 0
    series: int | None = None
    told: dict[str, str] = field(default_factory=dict)
    courses: dict[str, progress.Course] = field(default_factory=dict)  # of each series, as after the last round

    @property
    def due(self) -> Moment:
        """When the next round begins."""
        return self.began + timedelta(seconds=progress.due(self.watch, self.rounds))

    def seconds(self, at: Moment) -> float:
        """Since the watch began."""
        return (at - self.began).total_seconds()

    def wait(self, now: Moment) -> int:
        """Whole seconds until the next round, at least one."""
        return max(round((self.due - now).total_seconds()), 1)

    def end_round(self, now: Moment) -> None:
        """A round is read whole. One that was missed is not made up for: the next is the first that lies ahead."""
        self.series = None
        self.rounds += 1
        while self.rounds < len(self.watch.times) and self.due <= now:
            self.rounds += 1
