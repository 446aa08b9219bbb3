"""What is spelled by voice, one after the other: a work order, the serial numbers of a part that is replaced.

The one rule: nothing is known before it was read back and affirmed. Until then it may be changed by place, spelled
again, or left out; and what was affirmed is asked for again on going back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from handsfree.procedure.model import OPENING, Procedure, Replacement
from handsfree.session.events import Act, Mark, Record
from handsfree.session.wording import capital
from handsfree.spoken.identifiers import Form, Misheard, correct, say_identifier
from handsfree.spoken.meaning import Open, Respelled, Spelled, Word

HOW_TO_SPELL = "Spell letters as alfa, bravo, charlie, and say digits one by one; or unable and the reason."

_OLD, _NEW = "old serial", "new serial"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Something to be spelled: its key in the record, what it is called, how it is printed."""

    what: str
    called: str
    form: Form


def of_visit(procedure: Procedure, given: Collection[str]) -> list[Wanted]:
    """What a procedure wants to know of a visit, but for what was given with the start."""
    asked = procedure.opening
    return [Wanted(name, OPENING[name], asked[name].form) for name in asked if name not in given]


def of_part(part: Replacement) -> list[Wanted]:
    """The serial numbers of a part that is replaced and of the new one; none where they are not asked for."""
    if part.serial is None:
        return []
    called = {_OLD: f"serial of the old {part.part}", _NEW: f"serial of the new {part.part}"}
    return [Wanted(what, name, part.serial.form) for what, name in called.items()]


class Spelling:
    """What is to be spelled, how far that is, and all that was spelled so far."""

    def __init__(self) -> None:
        self._wanted: deque[Wanted] = deque()  # the one that is spelled now is the first
        self._before: list[Wanted] = []
        self._heard: str | None = None  # to be affirmed
        self._known: dict[str, str | None] = {}  # None where it could not be spelled
        self._told_same = False  # whether it was said that the new serial is that of the old one

    def begin(self, wanted: Iterable[Wanted]) -> None:
        """Other things are to be spelled from now on."""
        self._wanted, self._before = deque(wanted), []
        self._heard, self._told_same = None, False

    def ask(self) -> str | None:
        """Asks for what comes next from its first letter on, whatever was heard of it; None where nothing is left."""
        self._heard = None
        return f"{capital(self._wanted[0].called)}? Spell it." if self._wanted else None

    @property
    def hint(self) -> str:
        """What may be said now."""
        if self._heard is None:
            return HOW_TO_SPELL
        return f"Affirm the {self._wanted[0].called}, or say what is wrong, as in third is papa."

    def open(self, words: frozenset[Word]) -> Open:
        """What may be said now; ``words`` are the procedure words that this phase has."""
        wanted, heard = self._wanted[0], self._heard is not None
        words = words if heard else words - {Word.AFFIRM, Word.NEGATIVE}
        return Open(words=words, identifier=wanted.form, identifier_named=(wanted.called,), change=heard)

    def hear(self, meaning: Spelled | Respelled) -> str | Misheard:
        """Takes what was spelled, or what is wrong with it by its place, and reads it back; or why it is not taken."""
        wanted = self._wanted[0]
        found: str | Misheard = meaning.text
        if isinstance(meaning, Respelled):
            assert self._heard is not None  # nothing can be changed by place otherwise
            found = correct(self._heard, meaning.text, wanted.form)
        if isinstance(found, Misheard):
            return found
        self._heard = found
        said = f"{capital(wanted.called)}: {say_identifier(found)}"
        return f"{said}. Affirm, or say what is wrong, as in third is papa."

    def doubt(self) -> str | None:
        """What is asked once before what was affirmed is taken: a new part has not the serial number of the old one."""
        wanted = self._wanted[0]
        same = wanted.what == _NEW and self._heard == self._known.get(_OLD)
        if not same or self._told_same:
            return None
        self._told_same = True
        return f"{capital(wanted.called)}: the old one has the same. Affirm, or spell it again."

    def affirm(self) -> Mapping[str, str]:
        """It is known now. Gives what the record holds of it."""
        assert self._heard is not None  # AFFIRM is not open otherwise
        wanted = self._pass_on(self._heard)
        return identified(wanted.what, self._heard, say_identifier(self._heard))

    def leave_out(self) -> Wanted:
        """It cannot be spelled. Gives what it was."""
        return self._pass_on(None)

    def go_back(self) -> bool:
        """The one before is to be spelled again; False where there is none."""
        if not self._before:
            return False
        self._wanted.appendleft(self._before.pop())
        return True

    def take_serials(self) -> tuple[str | None, str | None]:
        """The serial numbers of the old part and the new, None where one is not known. The next part has others."""
        return self._known.pop(_OLD, None), self._known.pop(_NEW, None)

    def _pass_on(self, known: str | None) -> Wanted:
        wanted = self._wanted.popleft()
        self._before.append(wanted)
        self._known[wanted.what] = known
        return wanted


def said_as(value: str) -> str:
    """How something that was given with the start is said: spelled, or as it is written where it has no spelling."""
    try:
        return say_identifier(value)
    except ValueError:
        return value


def identified_by(acts: Iterable[Act]) -> dict[str, str]:
    """What a visit is known by after all these acts."""
    records = [act for act in acts if isinstance(act, Record) and act.mark is Mark.IDENTIFIED]
    return {record.data["what"]: record.data["value"] for record in records if record.data["what"] in OPENING}


def identified(what: str, value: str, words: str) -> Mapping[str, str]:
    """What the record holds of something a visit, or a part, is known by."""
    return {"what": what, "value": value, "words": words}
