"""What a procedure lets the technician say, by its sound: phrases that nobody can tell apart, and words to guess.

The one rule: only the same sounds from first to last count as alike, whatever the spelling and wherever a word ends;
what merely resembles is for the recogniser to weigh.
"""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice, product
from pathlib import Path

from handsfree.procedure.document import PathInFile, Problem, shown
from handsfree.procedure.load import Loaded
from handsfree.procedure.model import Observe, SpokenStep
from handsfree.session.ledger import phrases_of
from handsfree.sound.pronounce import Pronunciations, known, pronounce
from handsfree.spoken.words import PHRASES

_WAYS = 2000  # in which a phrase is said; more than a few words have by their weak forms
_Sounds = frozenset[str]


def _dictionary() -> Path:
    """CMU's, as the package pocketsphinx has it, which need not be loaded for that."""
    found = importlib.util.find_spec("pocketsphinx")
    assert found is not None  # handsfree cannot be installed without it
    assert found.submodule_search_locations
    return Path(found.submodule_search_locations[0], "model", "en-us", "cmudict-en-us.dict")


@dataclass(frozen=True, slots=True)
class _Phrase:
    """What may be said, what it means, and where it is written."""

    said: str
    meaning: str
    path: PathInFile
    full: bool = True  # not only the last word of a name

    @property
    def words(self) -> list[str]:
        return re.split(r"[\s-]+", self.said.strip(" -"))


def same_sound(loaded: Loaded) -> list[Problem]:
    """Answers and names of items that sound like another, or like a procedure word: the other would be understood."""
    answers, items = list(_answers(loaded)), _items(loaded)
    ours = [*(phrase for step in answers for phrase in step), *items]
    commands = [_Phrase(said, "", ()) for phrases in PHRASES.values() for said in phrases]
    pronounced = pronounce({word for phrase in (*ours, *commands) for word in phrase.words}, _dictionary())
    sounds = {phrase.said: _sounds(phrase, pronounced) for phrase in (*ours, *commands)}
    found: list[tuple[_Phrase, str]] = []
    for step in answers:
        found += [(one, f"the procedure word {shown(word.said)}") for one, word in _alike(step, commands, sounds)]
        found += [
            (later, f"{shown(first.said)}, which means the answer {shown(first.meaning)}")
            for later, first in _alike(step, step, sounds)
        ]
    found += [(later, f"{shown(first.said)}, which comes off too") for later, first in _alike(items, items, sounds)]
    name, remedy = loaded.document.name, "choose words that sound otherwise"
    return sorted(
        Problem(name, *loaded.place(phrase.path), f"{shown(phrase.said)} sounds like {other}", remedy)
        for phrase, other in found
    )


def _alike(
    phrases: list[_Phrase], others: list[_Phrase], sounds: Mapping[str, _Sounds]
) -> Iterator[tuple[_Phrase, _Phrase]]:
    """Each phrase that sounds like one of the others that means something else; of two phrases the later one."""
    for number, phrase in enumerate(phrases):
        for other in others[:number] if phrases is others else others:
            differ = phrase.said != other.said and phrase.meaning != other.meaning and (phrase.full or other.full)
            if differ and not sounds[phrase.said].isdisjoint(sounds[other.said]):
                yield phrase, other
                break


def _sounds(phrase: _Phrase, pronounced: Pronunciations) -> _Sounds:
    ways = product(*(pronounced.get(word, ()) for word in phrase.words))
    return frozenset(" ".join(way) for way in islice(ways, _WAYS))


def guessed(loaded: Loaded) -> list[Problem]:
    """Advice on words that the technician is to say and no dictionary has: how they sound is guessed from letters."""
    phrases = [*(phrase for step in _answers(loaded) for phrase in step), *_items(loaded)]
    words = {word: phrase.path for phrase in reversed(phrases) for word in phrase.words}
    parts = {half for word in words for halves in _halves(word) for half in halves}
    listed = known(words.keys() | {_stem(word) for word in words} | parts, _dictionary())
    advice = []
    for word, path in words.items():
        if word in listed or _stem(word) in listed:
            continue
        message = f"no dictionary has {shown(word)}: how it is pronounced must be guessed, and it may not be heard"
        two = next((f"{first} {second}" for first, second in _halves(word) if {first, second} <= listed.keys()), None)
        remedy = f'write "{two}"' if two else "write an everyday word for it"
        advice.append(Problem(loaded.document.name, *loaded.place(path), message, remedy))
    return sorted(advice)


def _stem(word: str) -> str:
    return word.removesuffix("'s").rstrip("'")


def _halves(word: str) -> Iterator[tuple[str, str]]:
    return ((word[:place], word[place:]) for place in range(3, len(word) - 2))


def _answers(loaded: Loaded) -> Iterator[list[_Phrase]]:
    for number, step in enumerate(loaded.procedure.steps):
        if isinstance(step, Observe):
            at: PathInFile = ("steps", number, "answers")
            yield [
                _Phrase(" ".join(said.split()), key, (*at, key, place))
                for key, phrases in step.answers.items()
                for place, said in enumerate(phrases)
            ]


def _items(loaded: Loaded) -> list[_Phrase]:
    """What may be said for each item, at the first place that takes it off."""
    found: dict[str, list[_Phrase]] = {}
    for number, step in enumerate(loaded.procedure.steps):
        for place, item in enumerate(step.takes_off if isinstance(step, SpokenStep) else ()):
            at: PathInFile = ("steps", number, "takes_off", place)
            names = (" ".join(item.item.lower().split()), *item.called)
            found.setdefault(item.item, [_Phrase(said, item.item, at, said in names) for said in phrases_of(item)])
    return [phrase for phrases in found.values() for phrase in phrases]
