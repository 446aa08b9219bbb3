"""Everything that may be said at a moment, as one tree: readings, identifiers, answers and procedure words.

The one rule: a recogniser's grammar and the parser are made from the same tree, so what can be heard can be read.
"""

from __future__ import annotations

import random
from collections.abc import Set
from dataclasses import replace
from enum import IntEnum
from functools import lru_cache

from handsfree.spoken import expression, identifiers, loosely
from handsfree.spoken import reading as readings
from handsfree.spoken import words as procedure_words
from handsfree.spoken.automaton import Automaton, smallest
from handsfree.spoken.expression import (
    Alt,
    Expression,
    Opt,
    Parser,
    Seq,
    cover,
    literal,
    meaning,
    sample,
    spoken,
)
from handsfree.spoken.meaning import (
    Answer,
    Command,
    Expectation,
    Meaning,
    Open,
    Reading,
    Refusal,
    Respelled,
    Spelled,
    Word,
)
from handsfree.spoken.written import spoken_words

Sense = Meaning | str  # what tells sentences apart: see ``sense``
KEPT = 8  # moments whose grammar is kept, should somebody go back a step; each takes a megabyte


def tree(what: Open) -> Expression:
    """The tree that a recogniser listens with; ValueError where nothing is open. Dictation has no part in it.

    Procedure words that are not open are in it too. A recogniser makes the nearest sentence it knows of whatever is
    said: "done" at a step that asks for volts must be heard as "done" and refused, not heard as "nine".
    """
    options: list[Expression] = []
    if what.reading is not None:
        options.append(readings.tree(what.reading, heard=True))
    options += _spelled(what)
    options += _closed(what, heard=True)
    if what.nothing:
        raise ValueError("nothing is open: there is nothing to listen for")
    answers = {phrase for phrases in what.answers.values() for phrase in phrases}
    for word in sorted(frozenset(Word) - what.words):
        options += [meaning(said, Command(word)) for said in procedure_words.PHRASES[word] if said not in answers]
    return Alt(tuple(options))


def decoys(what: Open) -> Expression:
    """Readings that this moment has no use for, which a recogniser should listen for all the same, less willingly."""
    others = readings.elsewhere(what.reading or Expectation())
    return Alt((others, readings.loose(what.reading))) if what.reading is not None else others


def _closed(what: Open, *, heard: bool) -> list[Expression]:
    """Answers and procedure words; the reading after CORRECTION only for listening, since it is read by itself."""
    answers = [meaning(phrase, Answer(key)) for key, phrases in what.answers.items() for phrase in phrases]
    after = readings.tree(what.correction, heard=True) if heard and what.correction is not None else None
    commands = procedure_words.tree(what.words, after, what.items)
    return answers + ([commands] if commands is not None else [])


def _spelled(what: Open) -> list[Expression]:
    """What may be said of an identifier; after CORRECTION too where there is one to be changed."""
    options: list[Expression] = []
    if what.identifier is not None:
        said = identifiers.tree(what.identifier, heard=True)
        if what.identifier_named:
            named = Alt(tuple(spoken(phrase) for phrase in what.identifier_named))
            said = Seq((Opt(Seq((named, Opt(literal("is"))))), said))
        options.append(said)
    if what.change:
        options.append(identifiers.correction_tree(heard=True))
        again = Alt(tuple(spoken(phrase) for phrase in procedure_words.PHRASES[Word.CORRECTION]))
        options = [Seq((Opt(again), option)) for option in options]
    return options


class _Key:
    """Open holds a mapping, which has no hash; its parts do."""

    __slots__ = ("key", "what")

    def __init__(self, what: Open) -> None:
        self.what = what
        said = (what.reading, what.correction, tuple(what.answers.items()), what.words, what.items)
        self.key = (*said, what.identifier, what.identifier_named, what.change, what.dictation)

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.key == other.key


def jsgf(what: Open) -> str:
    """The JSGF text for a recogniser that takes one."""
    return _jsgf(_Key(what))


@lru_cache(maxsize=KEPT)
def _jsgf(key: _Key) -> str:
    return expression.jsgf(tree(key.what))


def phrases(what: Open) -> tuple[str, ...]:
    """Sentences that between them hold every word and every word pair class of the grammar, for a phrase list."""
    return _phrases(_Key(what))


@lru_cache(maxsize=KEPT)
def _phrases(key: _Key) -> tuple[str, ...]:
    return tuple(" ".join(sentence) for sentence in cover(tree(key.what)))


def automaton(what: Open) -> Automaton:
    """The sentences of ``tree``."""
    return _automaton(_Key(what))


@lru_cache(maxsize=KEPT)
def _automaton(key: _Key) -> Automaton:
    return smallest(tree(key.what))


def listened(what: Open) -> Automaton:
    """The sentences of ``tree`` and of ``decoys``."""
    return _listened(_Key(what))


@lru_cache(maxsize=KEPT)
def _listened(key: _Key) -> Automaton:
    return smallest(Alt((tree(key.what), decoys(key.what))))


def words(what: Open) -> frozenset[str]:
    """Every word that can be heard."""
    return automaton(what).words


def without(what: Open, missing: Set[str]) -> Open:
    """The same without the answers and the names that hold one of these words."""
    kept = {
        key: tuple(phrase for phrase in phrases if missing.isdisjoint(phrase.split()))
        for key, phrases in what.answers.items()
    }
    items = tuple(phrase for phrase in what.items if missing.isdisjoint(phrase.split()))
    return replace(what, answers={key: phrases for key, phrases in kept.items() if phrases}, items=items)


def sentence(what: Open, choose: random.Random) -> str:
    """A sentence of the grammar, picked at random."""
    return " ".join(sample(tree(what), choose))


def prepare(what: Open) -> None:
    """Make what ``understand`` and ``rest`` need, which takes up to 0.2 s, before somebody waits for an answer."""
    if not what.nothing and not what.dictation:
        understand(_ANYTHING, what)
        rest(_ANYTHING, what)


_ANYTHING = "one"


@lru_cache(maxsize=KEPT)
def _closed_parser(key: _Key) -> Parser | None:
    options = _closed(key.what, heard=False)
    return Parser(Alt(tuple(options))) if options else None


def understand(text: str, what: Open) -> Meaning:
    """What a sentence means now: an answer, a procedure word, a reading, or a refusal with the reason."""
    words = spoken_words(text)
    parser = _closed_parser(_Key(what))
    if parser is not None:
        found = parser.meanings(words)
        if len(found) == 1:
            meant: Answer | Command = found[0]
            return meant
        if found:
            return Refusal("this may mean two things: say it in other words")
    if what.correction is not None and (corrected := after_correction(words)):
        outcome = readings.parse_words(corrected, what.correction)
        return Command(Word.CORRECTION, reading=outcome) if isinstance(outcome, Reading) else outcome
    if what.identifier is not None or what.change:
        spelled = _identifier([word.rstrip(",:;") for word in text.lower().split()], what)
        return Refusal(_closed_word(words) or spelled.reason) if isinstance(spelled, Refusal) else spelled
    if what.reading is not None:
        outcome = readings.parse_words(words, what.reading)
        return outcome if isinstance(outcome, Reading) else Refusal(_closed_word(words) or outcome.reason)
    return Refusal(_not_open(words))


def sense(text: str, what: Open) -> Sense:
    """What tells sentences apart: their meaning, or where they would be refused their words."""
    meant = understand(text, what)
    return text if isinstance(meant, Refusal) else meant


def _identifier(words: list[str], what: Open) -> Spelled | Respelled | Refusal:
    """An identifier, or a change of one. The words are as they were said or typed: "x-ray" is one of them."""
    if what.change:
        words = after_correction(words) or words
        if identifiers.is_correction(" ".join(words)):
            return Respelled(" ".join(words))
    if what.identifier is None:
        return Refusal(identifiers.SAY_A_CHANGE)
    for phrase in sorted(what.identifier_named, key=len, reverse=True):
        name = phrase.split()
        if words[: len(name)] == name:
            words = words[len(name) + (words[len(name) : len(name) + 1] == ["is"]) :]
            break
    typed = len(words) == 1 and not words[0].isalpha() and words[0] != "x-ray"  # as it is printed
    read = identifiers.as_printed if typed else identifiers.parse_identifier
    found = read(" ".join(words), what.identifier)
    return Spelled(found) if isinstance(found, str) else Refusal(found.reason)


_LONGER_LOOKED_AT = 200  # sentences; those that all mean the same are never so many


class Rest(IntEnum):
    """What may follow a sentence that would make it mean something else."""

    NOTHING = 0
    A_BREATH = 1  # only what is said in one breath with the unit: "a c", "d c", "below zero"
    MORE = 2


def half_said(text: str, what: Open) -> bool:
    """Whether it may be half of a reading: it is one, or "it's" and a number, which needs a unit."""
    words = spoken_words(text)
    led = loosely.lead_in(words)
    said = [text] if led is None else [text, " ".join(words[len(led.split()) :])]
    return any(isinstance(understand(each, what), Reading) for each in said)


def rest(text: str, what: Open) -> Rest:
    """What may follow ``text`` that makes it mean something else: "five" may become "five point two ohms".

    MORE too where it is no sentence of the tree that a recogniser listens with, and after "two hundred ohm", which may
    be "two hundred, um". After "five kilo" NOTHING, where "ohms"
    alone can follow and is understood anyway.
    """
    return _rest(tuple(text.split()), _Key(what))


@lru_cache(maxsize=1024)
def _rest(words: tuple[str, ...], key: _Key) -> Rest:
    if key.what.nothing or key.what.dictation:
        return Rest.MORE
    sentences = _automaton(key)
    here = sentences.after(words)
    if here is None or here not in sentences.ends or (words[-1] == "ohm" and words[-2:-1] not in _ONE_OHM):
        return Rest.MORE
    meant, found = _sense(words, key.what), Rest.NOTHING
    for number, more in enumerate(sentences.longer(here)):
        if number == _LONGER_LOOKED_AT:
            return Rest.MORE
        if _sense((*words, *more), key.what) == meant:
            continue
        if more not in _IN_ONE_BREATH:
            return Rest.MORE
        found = Rest.A_BREATH
    return found


_ONE_OHM = {("one",), ("an",), ("a",)}
_IN_ONE_BREATH = {("a", "c"), ("d", "c"), ("below", "zero")}


def _sense(words: tuple[str, ...], what: Open) -> Meaning | None:
    """What is meant; None where it would be refused, whatever the reason."""
    meant = understand(" ".join(words), what)
    return None if isinstance(meant, Refusal) else meant


def after_correction(words: list[str]) -> list[str] | None:
    """The words of the reading that follows CORRECTION; None where the sentence is something else."""
    for phrase in procedure_words.PHRASES[Word.CORRECTION]:
        start = phrase.split()
        if words[: len(start)] == start and len(words) > len(start):
            return words[len(start) :]
    return None


def _closed_word(words: list[str]) -> str | None:
    """The reason where a procedure word was said that is not open now."""
    parser = _closed_parser(_Key(Open(words=frozenset(Word))))
    return f"{' '.join(words)!r} has no use at this step" if parser is not None and parser.meanings(words) else None


def _not_open(words: list[str]) -> str:
    if not words:
        return "nothing was understood"
    said = " ".join(words)
    if isinstance(readings.parse_words(words, Expectation()), Reading):
        return "this step does not ask for a reading"
    return _closed_word(words) or f"{said!r} is not among what may be said now"
