"""Procedure words: the radiotelephony words of ICAO Annex 10 Vol. II, 5.2.1.5.8 (Doc 9432), and everyday synonyms.

The one rule: a word means the same at every step; which words are open depends on the step. ROGER is heard but is not a
yes, as the ICAO text says.
"""

from __future__ import annotations

from collections.abc import Iterable

from handsfree.spoken.expression import Alt, Expression, Rule, Seq, meaning
from handsfree.spoken.meaning import Command, Word

# The first phrase of each is what the tool itself says.
PHRASES: dict[Word, tuple[str, ...]] = {
    Word.AFFIRM: ("affirm", "affirmative", "yes"),
    Word.NEGATIVE: ("negative", "no"),
    Word.DONE: ("done", "completed", "that is done", "all done"),
    Word.SAY_AGAIN: ("say again", "repeat that", "come again"),
    Word.READ_BACK: ("read back", "read it back"),
    Word.CORRECTION: ("correction", "that was wrong"),
    Word.DISREGARD: ("disregard", "ignore that", "forget that"),
    Word.STAND_BY: ("stand by", "wait a moment", "hold on"),
    Word.GO_AHEAD: ("go ahead", "carry on", "continue"),
    Word.UNABLE: ("unable", "cannot do that"),
    Word.ROGER: ("roger", "wilco", "understood"),
    Word.SPEAK_SLOWER: ("speak slower", "slow down"),
    Word.SPEAK_FASTER: ("speak faster", "speed up"),
    Word.HOW_DO_YOU_READ: ("how do you read", "can you hear me"),
    Word.GO_BACK: ("go back", "one step back", "previous step"),
    Word.HOW_FAR: ("how far", "where are we", "how much is left"),
    Word.CHANGE_METER: ("change meter", "change the meter"),
    Word.END_SESSION: ("end session", "end the session"),
}

# UNABLE is followed by a reason. The list is closed, because a reason that was misheard would stand in the record.
REASONS: dict[str, tuple[str, ...]] = {
    "no access": ("no access", "cannot reach it"),
    "no tool": ("no tool", "tool missing"),
    "not fitted": ("not fitted", "there is none"),
    "it is stuck": ("it is stuck", "seized"),
    "not safe": ("not safe", "unsafe"),
    "it is damaged": ("it is damaged", "broken"),
    "meter failed": ("meter failed", "meter trouble"),
}


def reserved() -> frozenset[str]:
    """Phrases that a procedure may not use as an answer, since they are procedure words at every step."""
    yes_and_no = {*PHRASES[Word.AFFIRM], *PHRASES[Word.NEGATIVE]}
    return frozenset(phrase for phrases in PHRASES.values() for phrase in phrases) - yes_and_no


def tree(open_words: Iterable[Word], correction: Expression | None) -> Expression | None:
    """The commands that ``open_words`` allow, None where there are none; ``correction`` may follow CORRECTION."""
    options: list[Expression] = []
    for word in sorted(open_words):
        plain = Alt(tuple(meaning(phrase, Command(word)) for phrase in PHRASES[word]))
        options.append(plain)
        if word is Word.UNABLE:
            reasons = Alt(tuple(meaning(said, reason) for reason, phrases in REASONS.items() for said in phrases))
            options.append(Rule(Seq((plain, reasons)), lambda values: Command(Word.UNABLE, reason=values[1])))
        if word is Word.CORRECTION and correction is not None:
            options.append(Seq((plain, correction)))
    return Alt(tuple(options)) if options else None
