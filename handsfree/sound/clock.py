"""The time of a live session.

The one rule: it never jumps. It is the wall clock's time at the start and what a steady clock has counted since; a wall
clock that is set meanwhile is told, and changes nothing.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from handsfree.spoken.span import say_span

SET = 2.0  # seconds by which the two clocks part at once when one is set; what is corrected bit by bit stays below


def steady() -> float:
    """Seconds of a clock that nobody can set and that goes on while the computer sleeps, where there is one."""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC)  # time.monotonic stands still there during sleep
    return time.monotonic()


def _wall() -> datetime:
    return datetime.now(UTC)


class Clock:
    """Counts from the moment it is made. ``wall`` and ``seconds`` are the clocks it is made from."""

    def __init__(self, wall: Callable[[], datetime] = _wall, seconds: Callable[[], float] = steady) -> None:
        self._wall, self._seconds = wall, seconds
        self._start, self._zero = wall(), seconds()
        self._ahead = 0.0  # seconds by which the wall clock was ahead of this one when it was looked at last

    def now(self) -> datetime:
        return self._start + timedelta(seconds=self._seconds() - self._zero)

    def was_set(self) -> str | None:
        """A sentence where the wall clock was set since the last look at it, None where it was not."""
        ahead = (self._wall() - self.now()).total_seconds()
        jump, self._ahead = ahead - self._ahead, ahead
        if abs(jump) <= SET:
            return None
        way = "forward" if jump > 0 else "back"
        return (
            f"The clock of this computer was set {way} by {say_span(jump)}; times in the record go on without the jump."
        )
