"""Proving dead once more: where to begin, what to pass over, and when the way back to where we were is open no longer.

The one rule: it only looks at the procedure, the way gone so far and what the machine is like; the session does the
rest.

A proof is lost where somebody else may have closed a switch since (the session was left), or where it proved nothing
(the meter was changed in the middle of it). A step with hands inside then waits until dead is proved again: the session
leads from the beginning of the proof along the procedure's own steps, and as soon as the step may be entered, back
to it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from handsfree.procedure.dead import Energy, is_voltage
from handsfree.procedure.model import Do, Item, Procedure, SpokenStep, Step
from handsfree.session.instruction import Within
from handsfree.session.ledger import Ledger


@dataclass(frozen=True, slots=True)
class Return:
    """The step to go back to once ``sources`` are proved dead.

    ``depth`` is how long the way was when the proof began: while it is longer, what came before stands as it was.
    ``within`` is how far it had come, if it was begun.
    """

    step: str
    sources: frozenset[str]
    depth: int
    within: Within | None = None


def first_step(
    procedure: Procedure, path: Sequence[str], energy: Mapping[str, Energy], sources: Collection[str]
) -> str | None:
    """Where the proof begins that ``sources`` are dead: the first step on ``path`` that isolates or proves one of them,
    since any was switched on last. None where one of them is live, or the way so far did not prove them all.

    Sources that were isolated from the start have no step that isolates them: then it begins with the first of the
    voltages measured in a row before one is proved dead, for those show that the meter works.
    """
    wanted = set(sources)
    if any(energy[source] is Energy.LIVE for source in wanted):
        return None
    steps = [step for step in map(procedure.step, path) if isinstance(step, SpokenStep)]
    switched_on = [place for place, step in enumerate(steps, 1) if wanted & set(step.energises)]
    steps = steps[max(switched_on, default=0) :]
    if not wanted or not wanted <= {source for step in steps for source in step.proves_dead}:
        return None
    place = next(place for place, step in enumerate(steps) if wanted & {*step.isolates, *step.proves_dead})
    if not wanted & set(steps[place].isolates):
        while place and is_voltage(steps[place - 1]):
            place -= 1
    return steps[place].id


def opens_only_what_is_off(step: Step, off: Ledger) -> bool:
    """Whether a step has nothing left to do: all that it does is take off what is off already."""
    if (
        not isinstance(step, Do)
        or step.isolates
        or step.proves_dead
        or step.energises
        or step.puts_back
        or step.replaces
        or step.wait
        or step.waits_for
    ):
        return False
    return bool(step.takes_off) and all(_is_off(item, off) for item in step.takes_off)


def _is_off(item: Item, off: Ledger) -> bool:
    """Whether all of an item is off, as far as that was counted."""
    if item.item not in off:
        return False
    count = off[item.item].count
    return item.count is None or count is None or count >= item.count


def leaves_the_way(step: SpokenStep, off: Collection[str]) -> bool:
    """Whether completing a step makes the machine another than the one we were to go back to."""
    return bool(step.energises or step.puts_back or _replaces(step) or not set(step.off_here) <= set(off))


def _replaces(step: SpokenStep) -> bool:
    return isinstance(step, Do) and step.replaces is not None
