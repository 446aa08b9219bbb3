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


def twins(words: Sequence[str]) -> Iterator[list[str]]:
    """The sentences that differ from this one by one number word that sounds like another."""
    for place, word in enumerate(words):
        if word in TWIN:
            yield [*words[:place], TWIN[word], *words[place + 1 :]]
