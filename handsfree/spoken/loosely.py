"""How people say a reading when they do not say it straight out.

The one rule: what adds nothing is passed over, and what makes a reading a guess, or two readings of it, is listened for
so that it is refused. "About five ohms", if nobody listened for "about", would be taken for "above five ohms", and
"eight, uh, nine" for eighty-nine. The words are common practice, no source.
"""

from __future__ import annotations

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
)
GUESSED_AFTER = ("or so", "i think", "i guess", "maybe", "roughly")
# Before a reading that puts the last one right; and with "or" between two of them, or two parts of one.
AGAIN = ("uh", "um", "er", "sorry", "wait", "i mean", "make that")
PUT_RIGHT = (*AGAIN, "or")


def reason(word: str) -> str | None:
    """Why a reading with this word in it is none, and what to say instead; None where it is no such word."""
    if word in _GUESSING:
        return f"{word!r} makes it a guess: say what the meter shows"
    if word in _PUTTING_RIGHT:
        return (
            f"with {word!r} in it this may be two readings: say one (after correction, if it puts the last one right)"
        )
    return None


def _words(*phrases: str) -> frozenset[str]:
    return frozenset(word for phrase in phrases for word in phrase.split())


_PUTTING_RIGHT = _words(*PUT_RIGHT)
_GUESSING = _words(*GUESSED, *GUESSED_AFTER) - _PUTTING_RIGHT
