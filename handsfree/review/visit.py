"""What surrounds the measurements of a visit, for the page: what it is known by, what departed from the procedure, what
came off and went back, what was replaced, noted, marked and waited for.

The one rule: whatever is open at the end of the record (still off, not verified, still running) is said to be so; no
row depends on the procedure, only on what was recorded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from handsfree.procedure.model import OPENING
from handsfree.review.entries import Clip, clip_of, duration, entry_number, entry_text, withdrawn_of
from handsfree.session.events import EVENT_MARKS, Mark
from handsfree.session.journal import Entry


@dataclass(frozen=True, slots=True)
class Known:
    """Something the visit is known by; ``words`` as it was spelled, ``missing`` why it could not be."""

    name: str
    value: str
    words: str = ""
    missing: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """A note as it was heard; ``checked`` where no recogniser had a part in it. ``line`` is its entry's number."""

    id: str
    time: datetime
    step: str
    kind: str
    item: str
    text: str
    checked: bool
    clip: Clip | None
    line: int

    @property
    def reason(self) -> str:
        """What a deviation says for which it is the reason."""
        return self.text or f"kept as sound, note {self.id.removeprefix('n')}"


@dataclass(frozen=True, slots=True)
class Deviation:
    """A departure from the procedure; ``about`` is empty where it is the step. ``note`` is the reason in own words,
    ``reading`` the number of the reading whose limit was overridden, or that is not plausible; ``corrected`` where that
    does not stand any more. ``reasoned`` where a reason belongs to it,
    ``resumed`` where it is what a session was left with that was gone on with, and ``done_later`` where a step that was
    left out was done after all.
    """

    time: datetime
    step: str
    what: str
    about: str
    reason: str
    note: Note | None
    reading: int | None = None
    corrected: bool = False
    reasoned: bool = True
    resumed: datetime | None = None
    done_later: datetime | None = None


# What the session itself finds out: it stands where a reason would, and is what the deviation is about.
_FOUND = (
    *("left off", "not found dead", "leads refused", "calibration overdue", "meter not known"),
    *("outside the plausible range, affirmed", "finding not affirmed", "correction not affirmed"),
)


@dataclass(frozen=True, slots=True)
class OffItem:
    """Something taken off the machine. ``back`` is None while it is off; counts are None where it is not counted."""

    item: str
    count: int | None
    place: str
    orientation: str
    remarks: tuple[Note, ...]
    off: datetime
    back: datetime | None = None
    count_back: int | None = None

    @property
    def short(self) -> bool:
        """Whether another number went back than came off."""
        return self.back is not None and None not in (self.count, self.count_back) and self.count != self.count_back


@dataclass(frozen=True, slots=True)
class Count:
    """What was counted and came out other than asked for; ``item`` is empty for times that something was done."""

    time: datetime
    step: str
    item: str
    expected: int
    count: int


@dataclass(frozen=True, slots=True)
class Part:
    """A part that was replaced. ``because`` and ``by`` are numbers of readings: why it was, and what shows that the new
    one works; ``verified`` is when that was, None where it was not, or holds no longer.
    """

    time: datetime
    part: str
    old: str
    new: str
    reason: str
    because: int | None
    verifying: str
    verified: datetime | None
    by: int | None
    taken_back: datetime | None = None  # when it was said that it was not replaced after all


@dataclass(frozen=True, slots=True)
class Marked:
    """A moment for the supervisor; ``line`` is its entry's number, ``heard`` what was said last before it."""

    time: datetime
    step: str
    line: int
    heard: str


@dataclass(frozen=True, slots=True)
class TimerRow:
    """A timer, how it ended and when; ``step`` is where it ended, ``waited`` how long was spent there in all."""

    name: str
    started: datetime
    runs: str
    state: str
    ended: datetime | None = None
    step: str = ""
    waited: str = ""


def known_by(entries: Iterable[Entry]) -> tuple[Known, ...]:
    """What the visit is known by, in the order in which that became known."""
    found: dict[str, Known] = {}
    reopened = False  # whether what is told was given when the session was resumed
    called = {str(what): name for what, name in OPENING.items()}
    missing = {name: what for what, name in called.items()}
    for entry in entries:
        data = entry.data
        what = entry_text(data, "what")
        if entry.kind in EVENT_MARKS:
            reopened = entry.kind is Mark.REOPENED
        elif entry.kind is Mark.IDENTIFIED and what in called:
            value, words = entry_text(data, "value"), entry_text(data, "words")
            before = found[what].value if what in found else ""
            if not before and what == "technician":
                before = "not given"  # and what was done until then was not done by whoever goes on
            if reopened and before:
                value = f"{before}, from {entry.time:%H:%M} UTC {value}"
            found[what] = Known(called[what], value, words if words != entry_text(data, "value") else "")
        elif entry.kind is Mark.DEVIATION and (about := entry_text(data, "about")) in missing:
            found.setdefault(missing[about], Known(about, "", missing=entry_text(data, "reason")))
    return tuple(found.values())


def notes_of(folder: Path, entries: Iterable[Entry], embed: bool) -> tuple[Note, ...]:
    """Every note with its clip, in order."""
    notes: list[Note] = []
    heard: Mapping[str, Any] = {}
    for entry in entries:
        data = entry.data
        if entry.kind is Mark.HEARD:
            heard = data
        elif entry.kind is Mark.NOTED:
            kept = heard if heard.get("clip") == data.get("clip") else data  # what was heard has the clip's hash
            notes.append(
                Note(
                    id=entry_text(data, "id"),
                    time=entry.time,
                    step=entry_text(data, "step"),
                    kind=entry_text(data, "kind"),
                    item=entry_text(data, "item"),
                    text=entry_text(data, "text"),
                    checked=data.get("checked") is True,
                    clip=clip_of(folder, kept, embed),
                    line=entry.n,
                )
            )
    return tuple(notes)


def deviations(entries: Sequence[Entry], notes: Sequence[Note], numbers: Mapping[str, int]) -> Iterator[Deviation]:
    """What departed from the procedure; a reason in own words is the note before, of the same words.

    ``numbers`` are those of the readings by their ids.
    """
    by_line, noted = {note.line: note for note in notes if note.kind == "reason"}, None
    withdrawn = withdrawn_of(entries)
    for at, entry in enumerate(entries):
        data = entry.data
        if entry.kind is Mark.NOTED:
            noted = by_line.get(entry.n, noted)
        elif entry.kind is Mark.DEVIATION:
            what, found = entry_text(data, "what"), entry_text(data, "reason")
            reasoned = what not in _FOUND
            reason = noted if noted is not None and found == noted.reason else None
            yield Deviation(
                time=entry.time,
                step=entry_text(data, "step"),
                what=what,
                about=entry_text(data, "about") or ("" if reasoned else found),
                reason=found if reasoned else "",
                note=reason,
                reading=numbers.get(entry_text(data, "reading")),
                corrected=entry_text(data, "reading") in withdrawn,
                reasoned=reasoned,
                resumed=_resumed(entries[at + 1 :]),
                done_later=_done_later(entries[at + 1 :], entry_text(data, "step")) if _left_out(data) else None,
            )
            noted = None if reason is not None else noted


def _left_out(data: Mapping[str, Any]) -> bool:
    return data.get("what") in ("unable", "skipped") and "about" not in data


def _done_later(later: Sequence[Entry], step: str) -> datetime | None:
    """When a step was carried out after all, and that was not taken back."""
    carried_out, withdrawn, done = (Mark.DONE, Mark.READING, Mark.ANSWERED), withdrawn_of(later), None
    for entry in (entry for entry in later if entry.data.get("step") == step):
        if entry.kind is Mark.TAKEN_BACK:
            done = None
        elif entry.kind in carried_out and done is None and entry_text(entry.data, "id") not in withdrawn:
            done = entry.time
    return done


def _resumed(later: Sequence[Entry]) -> datetime | None:
    """When a session was resumed that was closed in the same answer, None where nothing of that is so."""
    for before, entry in pairwise(later):
        if before.kind is Mark.CLOSED:
            return entry.time if entry.kind is Mark.REOPENED else None
        if before.kind in EVENT_MARKS:
            return None
    return None


def overridden(entries: Iterable[Entry]) -> dict[str, str]:
    """Why the limit of a reading was overridden, by the reading's id."""
    return {
        entry_text(entry.data, "reading"): entry_text(entry.data, "reason")
        for entry in entries
        if entry.kind is Mark.DEVIATION and "reading" in entry.data
    }


def ledger(entries: Iterable[Entry], notes: Sequence[Note]) -> tuple[OffItem, ...]:
    """Each thing that came off, with what was remarked about it until it went back."""
    items: list[OffItem] = []
    by_line = {note.line: note for note in notes if note.item}
    waiting: list[Note] = []  # said of something before the step that takes it off was done
    counted: dict[tuple[str, str], int] = {}
    for entry in entries:
        data = entry.data
        item, step = entry_text(data, "item"), entry_text(data, "step")
        place = next((at for at in reversed(range(len(items))) if items[at].item == item), None)
        is_off = place is not None and items[place].back is None
        count = entry_number(data, "count")
        if entry.kind is Mark.TAKEN_OFF and place is not None and is_off:  # more of it came off
            items[place] = replace(items[place], count=None if count is None else int(count))
        elif entry.kind is Mark.TAKEN_OFF:
            items.append(
                OffItem(
                    item=item,
                    count=None if count is None else int(count),
                    place=entry_text(data, "place"),
                    orientation=entry_text(data, "orientation"),
                    remarks=tuple(note for note in waiting if note.item == item),
                    off=entry.time,
                )
            )
            waiting = [note for note in waiting if note.item != item]
        elif entry.kind is Mark.NOTED and entry.n in by_line:
            if place is not None and is_off:
                items[place] = replace(items[place], remarks=(*items[place].remarks, by_line[entry.n]))
            else:
                waiting.append(by_line[entry.n])
        elif entry.kind is Mark.COUNTED and count is not None:
            counted[step, item] = int(count)
        elif entry.kind is Mark.PUT_BACK and place is not None and is_off:
            items[place] = replace(items[place], back=entry.time, count_back=counted.get((step, item)))
    return tuple(items)


def counts(entries: Iterable[Entry]) -> tuple[Count, ...]:
    """What was counted last of something at a step and is not what was asked for there."""
    last: dict[tuple[str, str, int], Count] = {}
    visit = 0
    for entry in entries:
        data = entry.data
        visit += entry.kind in (Mark.ENTERED, Mark.PIECE)
        count, expected = entry_number(data, "count"), entry_number(data, "expected")
        if entry.kind is Mark.COUNTED and count is not None and expected is not None:
            step, item = entry_text(data, "step"), entry_text(data, "item")
            last[step, item, visit] = Count(entry.time, step, item, int(expected), int(count))
    return tuple(row for row in last.values() if row.count != row.expected)


def parts(entries: Sequence[Entry], numbers: Mapping[str, int]) -> tuple[Part, ...]:
    """Every part that was replaced; ``numbers`` are those of the readings by their ids."""
    withdrawn = withdrawn_of(entries)
    rows: list[Part] = []
    for at, entry in enumerate(entries):
        data = entry.data
        if entry.kind is Mark.REPLACED and data.get("stands") is False:
            taken_back = [number for number, row in enumerate(rows) if row.part == entry_text(data, "part")]
            if taken_back:
                rows[taken_back[-1]] = replace(rows[taken_back[-1]], taken_back=entry.time)
        elif entry.kind is Mark.REPLACED:
            verifying = entry_text(data, "verified_by")
            verified, by = _verified(entries[at + 1 :], entry_text(data, "part"), verifying, withdrawn)
            rows.append(
                Part(
                    time=entry.time,
                    part=entry_text(data, "part"),
                    old=entry_text(data, "old"),
                    new=entry_text(data, "new"),
                    reason=entry_text(data, "reason"),
                    because=numbers.get(entry_text(data, "reading")),
                    verifying=verifying,
                    verified=verified,
                    by=numbers.get(by),
                )
            )
    return tuple(rows)


def _verified(later: Sequence[Entry], part: str, step: str, withdrawn: set[str]) -> tuple[datetime | None, str]:
    """When a part was verified, None where it is not or what did it was taken back, and the id of the reading."""
    verified: datetime | None = None
    reading = ""
    for entry in later:
        data = entry.data
        if entry.kind is Mark.REPLACED and data.get("part") == part:
            break  # and the new one was replaced, or this was taken back
        if entry.kind is Mark.VERIFIED and data.get("part") == part:
            verified = entry.time if data.get("stands") else None
        elif entry.kind is Mark.READING and data.get("step") == step and data.get("id") not in withdrawn:
            reading = entry_text(data, "id")
    return verified, reading


def marked(entries: Iterable[Entry]) -> Iterator[Marked]:
    """The moments that the supervisor should look at."""
    heard: list[str] = ["", ""]
    for entry in entries:
        if entry.kind is Mark.HEARD:
            heard = [heard[1], entry_text(entry.data, "text")]
        elif entry.kind is Mark.MARKED:
            yield Marked(entry.time, entry_text(entry.data, "step"), entry.n, heard[0])


def timers(entries: Sequence[Entry]) -> tuple[TimerRow, ...]:
    """Every timer that was started, with how it ended."""
    rows: list[TimerRow] = []
    running: dict[str, int] = {}
    for at, entry in enumerate(entries):
        data = entry.data
        name, state = entry_text(data, "timer"), entry_text(data, "state")
        if entry.kind is not Mark.TIMER:
            continue
        if state == "started":
            seconds = entry_number(data, "seconds") or 0
            if name in running:
                rows[running[name]] = replace(rows[running[name]], state="begun anew", ended=entry.time)
            running[name] = len(rows)
            row = TimerRow(name.replace("-", " "), entry.time, duration(timedelta(seconds=seconds)), "still running")
            rows.append(row)
        elif state in ("over", "cancelled") and name in running:
            step, spent = _stay(entries, at)
            place = running.pop(name)
            rows[place] = replace(rows[place], state=state, ended=entry.time, step=step, waited=duration(spent))
    return tuple(rows)


def _stay(entries: Sequence[Entry], at: int) -> tuple[str, timedelta]:
    """The step during which an entry was made, and how long was spent at it."""
    begun = next((entry for entry in reversed(entries[: at + 1]) if entry.kind is Mark.ENTERED), entries[0])
    left = next((entry for entry in entries[at + 1 :] if entry.kind is Mark.ENTERED), entries[-1])
    return entry_text(begun.data, "step"), left.time - begun.time
