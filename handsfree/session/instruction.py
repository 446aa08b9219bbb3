"""An instruction under way: its pieces, what is counted in it, and what stands against DONE.

The one rule: what was counted or let pass holds for this one time at the step; one that is entered again begins anew.

Three things are counted aloud: how often a piece was done, by number or GO AHEAD for each; how many of something came
off that no piece counts, which is taken as it is said; and how many of it went back, where another number than came off
is only taken for a reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from handsfree.procedure.model import Do, Item, Piece, SpokenStep, Step
from handsfree.session.ledger import Ledger, Off, out_and_back
from handsfree.session.timers import Timers
from handsfree.session.vigil import Moment
from handsfree.session.wording import capital, spaced
from handsfree.spoken.numbers import say_number
from handsfree.spoken.span import say_span

_TOO_MANY = 20  # so many more than there are can be counted


@dataclass(frozen=True, slots=True)
class Count:
    """A number that was counted: what the record holds of it and what is said.

    ``differs`` is where it is not the number expected: what that deviation is about.
    """

    item: str | None
    number: int
    data: Mapping[str, object]
    words: str
    differs: str | None = None


@dataclass(frozen=True, slots=True)
class Against:
    """What stands against DONE and may be overridden: the deviation that is, what it is about, why DONE is refused."""

    what: str
    about: str
    reason: str


class Within:
    """Where we are within a step. What is no instruction has no pieces, and nothing is counted in it.

    ``off`` is what is off the machine now. ``counted`` is what was counted at this step, by item; ``passed`` is what
    stood against DONE and was answered or overridden.
    """

    def __init__(self, step: Step, off: Ledger) -> None:
        self._do, self._off = step if isinstance(step, Do) else None, off
        self._pieces = self._do.pieces if self._do is not None else ()
        self._place = 0  # among the pieces
        self._tally = self._off_already  # how often the piece has been done
        self.counted: dict[str, int] = {}
        self.passed: set[str] = set()

    # -- pieces --------------------------------------------------------------------------------------------------------

    @property
    def piece(self) -> Piece | None:
        """The piece we are at; None where the step has none."""
        return self._pieces[self._place] if self._pieces else None

    @property
    def more(self) -> bool:
        """Whether another piece follows."""
        return self._place + 1 < len(self._pieces)

    def go_on(self) -> Mapping[str, object]:
        """Begins the next piece. Gives what the record holds of it."""
        self._place += 1
        self._tally = self._off_already
        return {"step": self._instruction.id, "piece": self._place + 1, "of": len(self._pieces)}

    @property
    def _off_already(self) -> int:
        """How many of what is counted at the piece we are at are off, where the step was begun before and left."""
        each = None if self.piece is None else self.piece.each
        if self._do is None or each not in self._do.off_here or each not in self._off:
            return 0
        return self._off[each].count or 0

    # -- a piece that is counted ---------------------------------------------------------------------------------------

    @property
    def _short(self) -> Piece | None:
        """The piece we are at, where it is counted and not done as often as it is to be."""
        piece = self.piece
        return piece if piece is not None and self._tally < _times(piece) else None

    @property
    def next_number(self) -> int | None:
        """What is counted next; None where the piece we are at is not counted, or is counted out."""
        return None if self._short is None else self._tally + 1

    @property
    def so_far(self) -> str:
        """How much of a piece is counted, and what to say."""
        piece = self._to_count()
        what = f" {piece.each}" if piece.each else ""
        return (
            f"{say_number(str(piece.times))}{what} are asked for, {say_number(str(self._tally))} counted. "
            "Say go ahead for each, or the number"
        )

    @property
    def missing(self) -> str:
        """What it is about where DONE is said before a piece is counted out."""
        piece = self._to_count()
        asked, counted = say_number(str(piece.times)), say_number(str(self._tally))
        return f"{piece.each or 'times'}, {asked} asked for, {counted} counted"

    def may_be(self, number: int) -> bool:
        """Whether a piece can have been done so often; the count may leave numbers out."""
        return 0 < number <= _times(self._to_count())

    def count_on(self, number: int) -> Count:
        """So often a piece has been done by now."""
        piece = self._to_count()
        self._tally = number
        whole = self._short is None
        if whole:
            self._keep(piece)
        words = f"{capital(say_number(str(number)))}{': that is all' if whole else ''}."
        return self._count(piece.each, number, piece.times, words)

    def let_pass(self) -> None:
        """A piece is done though it is not counted out: so many it were."""
        piece = self._to_count()
        self._keep(piece)
        self._tally = _times(piece)

    def _to_count(self) -> Piece:
        """The piece we are at, of which it is known that it is counted and not counted out."""
        piece = self._short
        assert piece is not None
        return piece

    def _keep(self, piece: Piece) -> None:
        if piece.each is not None and piece.each in self._instruction.off_here:
            self.counted[piece.each] = self._tally

    # -- off and back --------------------------------------------------------------------------------------------------

    @property
    def numbers(self) -> Mapping[str, tuple[str, ...]]:
        """The numbers that may be said now, and how; none where nothing is counted."""
        if self._do is None:
            return {}
        if self._short is not None:
            there: list[int | None] = [self._short.times]
        elif self.uncounted is not None:
            there = [self.uncounted.count]
        else:
            there = [item.count for item in self._loose]
        most = max((count + _TOO_MANY for count in there if count is not None), default=0)
        where = "off" if self._do.takes_off else "back"
        numbers: dict[str, tuple[str, ...]] = {}
        for number in map(str, range(most + 1 if most else 0)):
            words, figures = say_number(number), say_number(number, by_digits=True)
            numbers[number] = (words, figures, f"{words} {where}")
        return numbers

    @property
    def _loose(self) -> list[Item]:
        """What comes off here by count and is not counted in a piece."""
        in_pieces = {piece.each for piece in self._pieces}
        return [item for item in self._instruction.takes_off if item.count is not None and item.item not in in_pieces]

    def count_off(self, number: int) -> Count:
        """How many of what comes off here were counted by the technician; that is taken whatever was expected.

        Of several things the first one that has no count yet is meant, or the last one, once more.
        """
        item = next((item for item in self._loose if item.item not in self.counted), self._loose[-1])
        self.counted[item.item] = number
        other = "" if number == item.count else f", and the procedure has {say_number(str(item.count))}"
        return self._count(item.item, number, item.count, f"{capital(say_number(str(number)))} {item.item}{other}.")

    @property
    def uncounted(self) -> Off | None:
        """What goes back here by count and has not been counted."""
        names = () if self._do is None else self._do.puts_back
        back = [self._off[name] for name in names if name in self._off and name not in self.counted]
        return next((off for off in back if off.count is not None), None)

    def count_back(self, off: Off, number: int) -> Count:
        """How many of something went back. It is not taken before ``take``: the number may be wrong."""
        assert off.count is not None
        if number == off.count:
            return self._count(off.name, number, off.count, f"{capital(off.counted)}: all back.")
        wrong = f"{say_number(str(abs(off.count - number)))} {'missing' if number < off.count else 'too many'}"
        differs = out_and_back(off, number)
        asked = f"{capital(differs)}, {wrong}. Say the number again, or override and the reason."
        return self._count(off.name, number, off.count, asked, differs)

    def take(self, count: Count) -> None:
        """A count stands as it was said."""
        assert count.item is not None
        self.counted[count.item] = count.number

    @property
    def coming_off(self) -> Mapping[str, int]:
        """How many of what is counted at this step have come off since it was begun, by item."""
        if self._do is None:
            return {}
        piece = self.piece
        tally = {piece.each: self._tally} if piece is not None and piece.each and piece.times else {}
        counted = {**tally, **self.counted}  # what was let pass is counted, and its tally is full
        return {
            item.item: counted[item.item]
            for item in self._instruction.takes_off
            if counted.get(item.item)
            and not (item.item in self._off and self._off[item.item].count == counted[item.item])
        }

    @property
    def partly_off(self) -> str | None:
        """The same in words; None where nothing has."""
        expected = {} if self._do is None else {item.item: item.count for item in self._do.takes_off}
        parts = [
            f"{say_number(str(count))} of {say_number(str(expected[name]))} {name}"
            for name, count in self.coming_off.items()
            if expected[name] is not None
        ]
        return ", ".join(parts) if parts else None

    def _count(
        self, item: str | None, number: int, expected: int | None, words: str, differs: str | None = None
    ) -> Count:
        data = {"step": self._instruction.id, "item": item, "count": number, "expected": expected}
        return Count(item, number, data, words, differs)

    # -- what stands against DONE --------------------------------------------------------------------------------------

    def against(self, timers: Timers, now: Moment) -> Against | None:
        """A timer that runs, or something that goes back first; None where neither does, or it was overridden."""
        step = self._instruction
        waits = still_waited_for(step, timers, now)
        if waits is not None and "too early" not in self.passed:
            return Against("too early", waits, f"wait, {waits}")
        if step.any_order or "out of order" in self.passed:
            return None
        first = ", ".join(name for name in self._off.before(step.puts_back) if name not in step.puts_back)
        if not first:
            return None
        return Against("out of order", f"{', '.join(step.puts_back)} before {first}", f"{first} goes back first")

    @property
    def _instruction(self) -> Do:
        assert self._do is not None  # nothing is counted, and DONE is not open, otherwise
        return self._do


def still_waited_for(step: SpokenStep, timers: Timers, now: Moment) -> str | None:
    """The timers of a step that still run, in words; None where none does."""
    wait = [step.wait.timer] if isinstance(step, Do) and step.wait else []
    left = {name: timers.left(name, now) for name in (*step.waits_for, *wait)}
    running = [spaced(name) for name, seconds in left.items() if seconds > 0]
    return f"{', '.join(running)}, {say_span(max(left.values()))} to go" if running else None


def _times(piece: Piece) -> int:
    """How often a piece is to be done and counted, 0 where it is not counted."""
    return piece.times or 0
