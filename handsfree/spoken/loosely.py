"""How people say a reading when they do not say it straight out.

The one rule: what adds nothing is passed over, and what makes a reading a guess, or two readings of it, is listened for
so that it is refused. "About five ohms", if nobody listened for "about", would be taken for "above five ohms", and
"eight, uh, nine" for eighty-nine. The words are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

# Before a reading, and without a meaning of their own.
LEAD_INS = (
    "it's",
    "it is",
    "that's",
    "that is",
    "it reads",
    "it says",
    "it shows",
    "i get",
    "i have",
    "i've got",
    "i read",
    "okay",
    "okay it's",
)
# Before a reading, or after it: what is on the display is none of these.
GUESSED = (
    "about",
    "around",
    "roughly",
    "approximately",
    "nearly",
    "almost",
    "maybe",
    "perhaps",
    "probably",
    "at least",
    "at most",
    "call it",
)
GUESSED_AFTER = ("or so", "i think", "i guess", "maybe", "roughly", "ish")
# Before "over" or "under": what the meter says is without them.
SOMEWHAT = ("a bit", "a little", "just", "slightly", "well")
# Before a reading that puts the last one right; and with "or" between two of them, or two parts of one.
AGAIN = ("uh", "um", "er", "sorry", "wait", "i mean", "make that")
PUT_RIGHT = (*AGAIN, "or")


def reason(words: Sequence[str]) -> str | None:
    """Why a reading with such words in it is none, and what to say instead; None where none of them is in it."""
    text = f" {' '.join(words)} "
    for phrase in (*GUESSED, *GUESSED_AFTER, *SOMEWHAT):
        if f" {phrase} " in text:
            return f"{phrase!r} makes it a guess: say what the meter shows"
    for phrase in PUT_RIGHT:
        if f" {phrase} " in text:
            return (
                f"with {phrase!r} in it this may be two readings: say one (after correction, to put the last one right)"
            )
    return None


def lead_in(words: Sequence[str]) -> str | None:
    """The phrase that leads into a reading, where it begins with one."""
    text = f"{' '.join(words)} "
    return next((phrase for phrase in LEAD_INS if text.startswith(f"{phrase} ")), None)
