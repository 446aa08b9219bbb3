"""Procedure words: the radiotelephony words of ICAO Annex 10 Vol. II, 5.2.1.5.8 (Doc 9432), and everyday synonyms.

The one rule: a word means the same at every step; which words are open depends on the step. ROGER is heard but is not a
yes, as the ICAO text says.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from handsfree.spoken import numbers
from handsfree.spoken.expression import Alt, Expression, Opt, Rule, Seq, Words, literal, meaning, spoken
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
    Word.SKIP: ("skip this step", "skip it"),
    Word.OVERRIDE: ("override",),
    Word.WHAT_IS_OFF: ("what is off", "what came off"),
    Word.WHERE_GOES: ("where does it go",),
    Word.HOW_MANY: ("how many",),
    Word.NOTE: ("take a note", "note"),
    Word.ORIENTATION_NOTE: ("orientation note",),
    Word.MARK: ("mark", "mark this"),
    Word.TIMER: ("timer", "set a timer"),
    Word.CANCEL_TIMER: ("cancel timer", "cancel the timer"),
    Word.HOW_LONG: ("how long", "how much longer"),
}

OTHER_REASON = "another reason"  # which is then said in the speaker's own words
_OTHER = {OTHER_REASON: ("another reason", "other reason")}

# UNABLE is followed by a reason. The list is closed, because a reason that was misheard would stand in the record.
REASONS: dict[str, tuple[str, ...]] = {
    "no access": ("no access", "cannot reach it"),
    "no tool": ("no tool", "tool missing"),
    "not fitted": ("not fitted", "there is none"),
    "it is stuck": ("it is stuck", "seized"),
    "not safe": ("not safe", "unsafe"),
    "it is damaged": ("it is damaged", "broken"),
    "meter failed": ("meter failed", "meter trouble"),
    **_OTHER,
}
# The same after SKIP and OVERRIDE, which are the technician's own decision.
DECISIONS: dict[str, tuple[str, ...]] = {
    "not needed": ("not needed", "not necessary"),
    "already done": ("already done", "done before"),
    "agreed with the office": ("agreed with the office", "the office agreed"),
    "wish of the site": ("wish of the site", "the site wants it"),
    "replaced next visit": ("replaced next visit", "next visit"),
    **_OTHER,
}
REASONS_AFTER = {Word.UNABLE: REASONS, Word.SKIP: DECISIONS, Word.OVERRIDE: DECISIONS}

_SPANS = {"second": 1, "minute": 60, "hour": 3600}


def _span() -> Expression:
    """ "ten minutes": a whole number up to ninety-nine of one unit, in seconds."""
    digits, tens = Words(dict(numbers.DIGIT.values)), Words(dict(numbers.TENS.values))
    below_twenty = Words({**numbers.DIGIT.values, **numbers.TEN.values, **numbers.TEEN.values})
    figures = Words({"zero": 0, **numbers.DIGIT.values})
    in_figures = Rule(Seq((digits, figures)), lambda values: 10 * values[0] + values[1])
    counts = Alt((below_twenty, tens, Rule(Seq((tens, digits)), sum), in_figures))
    units = Words({name + end: seconds for name, seconds in _SPANS.items() for end in ("", "s")})
    return Rule(Seq((counts, units)), lambda values: values[0] * values[1])


_SPAN = _span()


def _about_items(items: tuple[str, ...]) -> Expression:
    """What may be asked about something that is off, by the phrases that stand for it."""
    named = Alt(tuple(meaning(phrase, phrase) for phrase in items))
    goes = Seq((Alt((spoken("where does"), spoken("where do"))), Opt(literal("the")), named, literal("go")))
    many = Seq((spoken("how many"), named))
    return Alt(
        (
            Rule(goes, lambda values: Command(Word.WHERE_GOES, item=values[0])),
            Rule(many, lambda values: Command(Word.HOW_MANY, item=values[0])),
        )
    )


def reserved() -> frozenset[str]:
    """Phrases that a procedure may not use as an answer, since they are procedure words.

    Yes and no among them: said once more to a question of the tool, they would answer the next step.
    """
    return frozenset(phrase for phrases in PHRASES.values() for phrase in phrases)


def tree(open_words: Iterable[Word], correction: Expression | None, items: tuple[str, ...] = ()) -> Expression | None:
    """The commands that ``open_words`` allow, None where there are none.

    ``correction`` may follow CORRECTION; ``items`` are phrases for what is off.
    """
    options: list[Expression] = []
    allowed = sorted(open_words)
    for word in allowed:
        plain = Alt(tuple(meaning(phrase, Command(word)) for phrase in PHRASES[word]))
        options.append(plain)
        if word in REASONS_AFTER:
            known = REASONS_AFTER[word].items()
            reasons = Alt(tuple(meaning(said, reason) for reason, phrases in known for said in phrases))
            options.append(Rule(Seq((plain, reasons)), lambda values: replace(values[0], reason=values[1])))
        if word is Word.CORRECTION and correction is not None:
            options.append(Seq((plain, correction)))
        if word is Word.TIMER:
            options.append(Rule(Seq((plain, _SPAN)), lambda values: replace(values[0], seconds=values[1])))
    if items and Word.WHERE_GOES in allowed:
        options.append(_about_items(items))
    return Alt(tuple(options)) if options else None
