"""The ledger: what is off the machine, how many of it, where it goes, and what was remarked about it.

The one rule: an item is off from the step that takes it off until all of it is back; what is not off is not in here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from handsfree.procedure.model import Item
from handsfree.session.wording import capital, closed
from handsfree.spoken.numbers import say_number


@dataclass(frozen=True, slots=True)
class Off:
    """Something that is off: ``count`` of it, None where it is not counted. ``remarks`` were spoken and not checked."""

    item: Item
    step: str
    count: int | None
    remarks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.item.item

    @property
    def counted(self) -> str:
        """ "nine rear panel screws" """
        return self.name if self.count is None else f"{say_number(str(self.count))} {self.name}"

    @property
    def whereabouts(self) -> str:
        """Where it goes and how, in sentences; what is not known is said to be so."""
        place = closed(self.item.place) if self.item.place else ""
        return " ".join(filter(None, (place, self.remembered))) or "Its place was not written down."

    @property
    def remembered(self) -> str:
        """What is easily forgotten when it goes back, in sentences: how it was turned, and what was remarked."""
        known = [self.item.orientation] if self.item.orientation else []
        known += [f"You remarked: {remark}" for remark in self.remarks]
        return " ".join(map(closed, known))


class Ledger:
    """What is off, in the order in which it came off."""

    def __init__(self) -> None:
        self._off: dict[str, Off] = {}
        self._back: dict[str, Off] = {}  # as it was when it went back
        self._differ: dict[str, str] = {}  # of what went back: how many of it, where that is not how many came off
        self._remarks: dict[str, tuple[str, ...]] = {}  # about what is just coming off

    def __len__(self) -> int:
        return len(self._off)

    def __iter__(self) -> Iterator[str]:
        return iter(self._off)

    def __contains__(self, name: object) -> bool:
        return name in self._off

    def __getitem__(self, name: str) -> Off:
        return self._off[name]

    @property
    def last(self) -> Off | None:
        """What came off last."""
        return next(reversed(self._off.values()), None)

    def take_off(self, item: Item, step: str, count: int | None = None) -> Off:
        """Puts an item down as off; ``count`` where it is another than the procedure says, or than was off before."""
        remarks = self._remarks.pop(item.item, ())
        if item.item in self._off:
            remarks = (*self._off[item.item].remarks, *remarks)
        off = Off(item, step, count if count is not None else item.count, remarks)
        self._differ.pop(item.item, None)
        self._off[item.item] = off
        return off

    def put_back(self, name: str, count: int | None = None) -> None:
        """Strikes an item out, since all of it is back or given up; ``count`` is how many were counted."""
        off = self._back[name] = self._off.pop(name)
        if count is not None and off.count is not None and count != off.count:
            self._differ[name] = out_and_back(off, count)

    def not_back(self, name: str, step: str) -> Off:
        """An item did not go back after all: it is off as it was before, now as the last."""
        off = self._back.pop(name, None) or Off(Item(item=name), step, None)
        self._off[name] = off
        self._differ.pop(name, None)
        return off

    def remark(self, name: str, text: str) -> None:
        """Adds what was said about an item, as it was heard; about one that is just coming off, once it is off."""
        off = self._off.get(name)
        if off is None:
            self._remarks[name] = (*self._remarks.get(name, ()), text)
        else:
            self._off[name] = replace(off, remarks=(*off.remarks, text))

    def before(self, names: Iterable[str]) -> list[str]:
        """What came off after any of ``names``, in a later step, and so goes back before it; the last first."""
        wanted = [self._off[name] for name in names if name in self._off]
        if not wanted:
            return []
        order = list(self._off)
        steps = {off.step for off in wanted}
        first = min(order.index(off.name) for off in wanted)
        later = [name for name in order[first:] if self._off[name].step not in steps]
        return later[::-1]

    @property
    def differing(self) -> list[str]:
        """Of what went back in another number than came off, a sentence each."""
        return [f"{capital(differs)}." for differs in self._differ.values()]

    def what_is_off(self) -> str:
        """Everything that is off, in the order in which it goes back."""
        listed = ", ".join(off.counted for off in reversed(self._off.values()))
        return " ".join([f"Off, the last first: {listed}." if listed else "Nothing is off.", *self.differing])

    def named(self, phrase: str) -> list[Off]:
        """What is off and may be meant by a phrase of ``phrases_of``."""
        return [off for off in self._off.values() if phrase in phrases_of(off.item)]


def out_and_back(off: Off, back: int) -> str:
    """ "panel screws, six out, five back" """
    assert off.count is not None
    return f"{off.name}, {say_number(str(off.count))} out, {say_number(str(back))} back"


def phrases_of(item: Item) -> tuple[str, ...]:
    """What an item may be called: its name, its other names, and the last word of its name."""
    name = " ".join(item.item.lower().split())
    phrases = (name, *item.called, name.split()[-1])
    return tuple(dict.fromkeys(phrase for phrase in phrases if all(word.isalpha() for word in phrase.split())))
