"""Timers: what is waited for, and when something is to be said of it.

The one rule: time only comes in with events. A timer is the moment it began and how long it runs, so it goes on through
pauses, and a session that is taken up again finds it where it would be.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from handsfree.session.vigil import Moment
from handsfree.session.wording import capital, spaced
from handsfree.spoken.numbers import say_number
from handsfree.spoken.span import say_span


@dataclass(frozen=True, slots=True)
class Running:
    """A timer. ``seconds`` is how long it runs, ``tell_after`` when it is spoken of on the way; ``own`` is one that the
    technician set. ``told`` is how much of this has been said; a timer that is over has said all of it.
    """

    name: str
    began: Moment
    seconds: float
    tell_after: tuple[float, ...] = ()
    own: bool = False
    told: int = 0

    @property
    def due(self) -> Moment | None:
        """When it has something to say next."""
        marks = (*self.tell_after, self.seconds)
        return self.began + timedelta(seconds=marks[self.told]) if self.told < len(marks) else None

    @property
    def ends(self) -> Moment:
        return self.began + timedelta(seconds=self.seconds)

    def left(self, now: Moment) -> float:
        """Seconds to go; below zero it has been over for so long."""
        return (self.ends - now).total_seconds()


class Timers:
    """All timers of a session by name; those that are over are kept, since a step may wait for one."""

    def __init__(self) -> None:
        self._by_name: dict[str, Running] = {}
        self._own = 0

    def start(self, name: str, seconds: float, now: Moment, tell_after: tuple[float, ...] = ()) -> Running:
        """Starts a timer; one of the same name begins anew."""
        timer = Running(name, now, seconds, tuple(sorted(tell_after)))
        self._by_name[name] = timer
        return timer

    def start_own(self, seconds: float, now: Moment) -> Running:
        """Starts a timer of the technician's own, which gets a number for a name."""
        self._own += 1
        timer = Running(f"timer {say_number(str(self._own))}", now, seconds, own=True)
        self._by_name[timer.name] = timer
        return timer

    def cancel_own(self, now: Moment) -> Running | None:
        """Takes back the technician's own timer that was set last and still runs; None where none does."""
        running = [timer for timer in self._by_name.values() if timer.own and timer.left(now) > 0]
        return self._by_name.pop(running[-1].name) if running else None

    @property
    def due(self) -> Moment | None:
        """When the next has something to say; None where none will."""
        return min((timer.due for timer in self._by_name.values() if timer.due is not None), default=None)

    def take(self, now: Moment) -> list[Running]:
        """The timers that have something to say by now, the longest due first.

        Of several remarks of one timer that were missed, the last stands for all.
        """
        speaking = []
        for timer in sorted(self._by_name.values(), key=lambda each: each.due or now):
            told = timer
            while told.due is not None and told.due <= now:
                told = replace(told, told=told.told + 1)
            if told is not timer:
                self._by_name[timer.name] = told
                speaking.append(told)
        return speaking

    def left(self, name: str, now: Moment) -> float:
        """Seconds that a timer has to go, 0 where it is over or was never started."""
        timer = self._by_name.get(name)
        return 0.0 if timer is None else max(timer.left(now), 0.0)

    def how_long(self, now: Moment) -> str:
        """What is running, the soonest over first."""
        running = sorted((timer.left(now), timer.name) for timer in self._by_name.values() if timer.left(now) > 0)
        return " ".join(f"{capital(spaced(name))}: {say_span(left)} to go." for left, name in running)


def news(timer: Running, now: Moment) -> str:
    """What a timer has to say now."""
    left = timer.left(now)
    if left > 0:
        return f"{capital(spaced(timer.name))}: {say_span(timer.seconds - left)} gone, {say_span(left)} to go."
    late = f", since {say_span(-left)}" if -left >= LATE else ""
    return f"{capital(spaced(timer.name))} is over: {say_span(timer.seconds)}{late}."


LATE = 10.0  # seconds by which a timer that was not spoken of in time says so
