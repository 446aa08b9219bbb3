"""Numbers that sound alike: what else a sentence may have been.

The one rule: only pairs that recognisers and people are known to confuse stand here; whether it matters is for whoever
knows the limit. The pairs differ in stress and one consonant (thirteen, thirty); they are a reason why radiotelephony
says digits one by one (ICAO Annex 10 Vol. II, 5.2.1.4.1).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

_STEMS = ("thir", "four", "fif", "six", "seven", "eigh", "nine")
_TY = {"four": "forty"}
_PAIRS = {f"{stem}teen": _TY.get(stem, f"{stem}ty") for stem in _STEMS}
TWIN = _PAIRS | {ty: teen for teen, ty in _PAIRS.items()}


# What recognisers take for one another in noise, found by trial: five and nine share their vowel, "bar" and "four" (and
# a drawled "volts" and "ohms") theirs, and a lone "oh" or "two" comes out of nowhere.
LIKE = {
    "five": ("nine",),
    "fife": ("nine",),
    "nine": ("five",),
    "niner": ("five",),
    "thirteen": ("fourteen",),
    "fourteen": ("thirteen",),
    "eight": ("a",),  # thousand
    "a": ("eight",),
    "bar": ("four",),
    "four": ("bar",),
    "fower": ("bar",),
    "ohm": ("volt",),
    "volt": ("ohm",),
    "ohms": ("volts", "volt"),
    "volts": ("ohms", "ohm"),
}
INSERTED = frozenset({"oh", "o", "two", "eight"})


def neighbours(words: Sequence[str]) -> Iterator[list[str]]:
    """The sentences that this one is taken for, or that are taken for it; twins first."""
    yield from twins(words)
    for place, word in enumerate(words):
        if word in INSERTED and len(words) > 1:
            yield [*words[:place], *words[place + 1 :]]
        for like in LIKE.get(word, ()):
            yield [*words[:place], like, *words[place + 1 :]]


def twins(words: Sequence[str]) -> Iterator[list[str]]:
    """The sentences that differ from this one by one word that sounds like another, whoever says it.

    A "four" at the end may have been "bar".
    """
    for place, word in enumerate(words):
        if word in TWIN:
            yield [*words[:place], TWIN[word], *words[place + 1 :]]
    if len(words) > 1 and words[-1] in ("four", "fower"):
        yield [*words[:-1], "bar"]
