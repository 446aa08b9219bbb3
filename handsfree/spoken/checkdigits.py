"""Check characters: whether an identifier can be what was printed, or has been misheard.

The one rule: a system of check characters is a modulus, a radix and the characters it takes; nothing else differs.
"""

from __future__ import annotations

from enum import StrEnum

_DIGITS = "0123456789"
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class Check(StrEnum):
    """Systems of check characters, which stand at the end. The first three are pure systems of ISO 7064."""

    MOD_11_2 = "mod 11-2"  # digits; the check character may be X
    MOD_37_2 = "mod 37-2"  # digits and letters; the check character may be *
    MOD_97_10 = "mod 97-10"  # digits and letters, A as 10 to Z as 35 (ISO 13616, ISO 17442); two check digits
    LUHN = "luhn"  # digits (ISO/IEC 7812-1, Annex B)


# Modulus, radix, characters before the check characters, check characters and how many there are.
_PURE = {
    Check.MOD_11_2: (11, 2, _DIGITS, _DIGITS + "X", 1),
    Check.MOD_37_2: (37, 2, _DIGITS + _LETTERS, _DIGITS + _LETTERS + "*", 1),
    Check.MOD_97_10: (97, 10, _DIGITS + _LETTERS, _DIGITS, 2),
}


def takes(check: Check, text: str) -> bool:
    """Whether every character is one that may stand in its place, so that there is something to check."""
    if check is Check.LUHN:
        return len(text) > 1 and set(text) <= set(_DIGITS)
    _, _, before, last, count = _PURE[check]
    return len(text) > count and set(text[:-count]) <= set(before) and set(text[-count:]) <= set(last)


def fits(check: Check, text: str) -> bool:
    """Whether the check characters at the end of ``text`` are those of what stands before them."""
    if not takes(check, text):
        return False
    if check is Check.LUHN:
        doubled = [sum(divmod(2 * int(digit), 10)) for digit in text[-2::-2]]
        return (sum(doubled) + sum(map(int, text[::-2]))) % 10 == 0
    modulus, radix, before, last, count = _PURE[check]
    values = [before.index(character) for character in text[:-count]]
    values += [last.index(character) for character in text[-count:]]
    remainder = 0
    for value in values:
        # Of mod 97-10 a letter is two decimal digits.
        remainder = (remainder * (radix if value < 10 or radix == 2 else radix * radix) + value) % modulus
    return remainder == 1
