"""Vosk, the recogniser for those who put a model folder in place: hears a list of phrases, with their likelihoods.

The one rule: the engine aborts or says nothing on what it does not like, and says more than it was asked for, so
everything is looked at on both ways: the model's files and whether the model knows each word before the engine gets
them, and whether the grammar holds the sentence afterwards.

How the engine takes phrases (its language_model.cc): it counts the word pairs in them, halves what it counted and gives
the other half to single words. So no phrase list binds it: any word may follow any other at a price, and begin and end
a sentence. What it gets here is every word pair of the grammar once, none dearer than another; what it hears is a list
of sentences, of which those count that the grammar holds. Of 60 synthetic Korean sentences of a number-like grammar, at
the gate that lets 8 wrong ones pass, this and a list of the single words got 33 right, example sentences 27.

A recogniser is made for each utterance: that takes 2 to 30 ms, and nothing of the utterance before is left in it. One
kept between them hears the same sentences but counts its times from the first. The engine dithers at random: of the
same clip, likelihoods come out a little different each time.
"""

from __future__ import annotations

import json
import math
import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice, product
from pathlib import Path
from typing import Any

import numpy as np
import vosk
from numpy.typing import NDArray

from handsfree.errors import PlainError
from handsfree.sound.automaton import Automaton, smallest
from handsfree.sound.dictation import Pieces
from handsfree.sound.protocol import RATE, Alternative, Audio, HeardWord, Utterance
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Meaning, Open
from handsfree.spoken.units import PREFIXES, UNITS

VARIABLE = "HANDSFREE_MODEL"
UNKNOWN = "[unk]"
BESIDE_THE_PACKAGE = Path(__file__).parents[2] / "models"

# What a model that can be narrowed at run time is made of; one with a fixed graph (HCLG.fst) would ignore the grammar.
MODEL_FILES = ("am/final.mdl", "conf/model.conf", "graph/HCLr.fst", "graph/Gr.fst")
FIXED_GRAPH = "graph/HCLG.fst"

HYPOTHESES = 20  # asked of the engine; it has fewer where none is near the best
ALTERNATIVES = 5
# The operating point: a share of the likelihood of all hypotheses. Of 60 sentences it lets pass 33 right and 8 wrong
# ones, no gate 36 and 18. Synthetic Korean, and the gate was picked on the same 60; no English model was at hand.
ACCEPTED_SHARE = 0.7

# Other ways to write what sounds the same, or nearly: for words that a model may lack. Common knowledge, no source.
# Whether a model lacks one of these words, and knows the other way, is looked up when a grammar is opened.
_LETTERS = {"a": "ay", "c": "see", "d": "dee", "f": "ef", "g": "gee", "i": "eye", "k": "kay", "l": "el", "m": "em"}
_LETTERS |= {"o": "oh", "p": "pea", "s": "es"}
SOUNDS_LIKE: dict[str, tuple[str, ...]] = {
    **{letter: (spelt,) for letter, spelt in _LETTERS.items()},
    "oh": ("o",),
    "alfa": ("alpha",),
    "juliett": ("juliet",),
    "whisky": ("whiskey",),
    "x-ray": ("x ray", "ex ray"),
    "xray": ("x ray", "ex ray"),
    "niner": ("nine er", "nine"),
    "fife": ("five",),
    "fower": ("four",),
    "tree": ("three",),
    "nought": ("naught", "not"),
    "naught": ("nought", "not"),
    "wilco": ("will co",),
    "ohm": ("om",),
    "megohm": ("meg ohm",),
    "kilohm": ("kill ohm",),
    "microhm": ("micro ohm",),
    "hertz": ("hurts",),
    "celsius": ("celcius", "sell see us"),
    "centigrade": ("centi grade", "cent a grade"),
    "fahrenheit": ("farenheit", "fair in height"),
    "farad": ("far ad", "fair add"),
    "pascal": ("pass cal",),
    "ampere": ("am pair",),
    "kelvin": ("kel vin",),
    "torr": ("tor", "tore"),
    "tonne": ("ton",),
    "horsepower": ("horse power",),
    "newton": ("new ton",),
    "pico": ("peek oh",),
    "nano": ("nan oh",),
    "micro": ("mike row",),
    "milli": ("milly", "mill e"),
    "kilo": ("key low",),
    "mega": ("meg a",),
    "giga": ("gig a",),
}


class ModelError(PlainError):
    """A model folder that cannot be used; the text says which, why and what to put there."""


def find_model(setting: Path | None = None) -> Path | None:
    """The model folder: ``setting``, else what HANDSFREE_MODEL names, else the first by name in a models folder.

    Models folders are ``models`` in the current directory and beside the package. The first two are handed back as they
    are, for ``VoskRecogniser`` to complain about; None where nothing is set and no models folder holds a model.
    """
    if setting is not None:
        return setting
    if named := os.environ.get(VARIABLE):
        return Path(named)
    for models in (Path("models"), BESIDE_THE_PACKAGE):
        if models.is_dir():
            for folder in sorted(models.iterdir()):
                if not _wanting(folder):
                    return folder
    return None


class VoskRecogniser:
    """The ``Recogniser`` over a Vosk model folder.

    The engine gives either word confidences or sentences with likelihoods, never both; the sentences are taken, since
    both can be had from them. Likelihoods are natural logarithms: the acoustic ones by the scale in the model's
    settings (1 in the model measured), those of the word pairs by 0.9; ``alternatives`` carry their differences. The
    engine lists only what is nearer to the best than the model's ``lattice-beam`` (2 in that model): all are likely.
    Where the model knows ``[unk]``, speech outside the grammar comes back as no text.

    A word that the model lacks is listened for as others that sound like it ("kilo ohm" for "kilohm"; ``heard_as``),
    and stands in the text as itself. Where what was heard may be read as two sentences of different meaning, the
    second is an alternative with score 0.
    """

    name = "vosk"

    def __init__(self, model_folder: Path) -> None:
        """Load the model (seconds, and several times its size in memory). Raises ``ModelError``."""
        check_model(model_folder)
        vosk.SetLogLevel(-1)
        try:
            self._model = vosk.Model(str(model_folder))
            vosk.KaldiRecognizer(self._model, RATE)  # reads what the model has put off
        except Exception as error:  # the library raises nothing narrower
            raise ModelError(_advice(model_folder, "is damaged: Vosk cannot load it")) from error
        self._rejects = self.knows(UNKNOWN)
        self._note = Pieces(self._words)
        self._grammars: dict[str, PhraseGrammar] = {}  # by JSGF text; a procedure has one for each kind of question
        self._what = Open()
        self._open: PhraseGrammar | None = None

    def knows(self, word: str) -> bool:
        """Whether the model has a pronunciation for a word."""
        return bool(self._model.vosk_model_find_word(word) >= 0)

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that the model can hear in no spelling; nor sentences that hold one."""
        return self._open.missing if self._open is not None else frozenset()

    def open(self, what: Open) -> None:
        """Narrow the grammar; sentences with a word that the model cannot hear are left out (see ``missing_words``)."""
        self._what = what
        if what.nothing or what.dictation:
            self._open = None
            return
        key = grammar.jsgf(what)
        if key not in self._grammars:
            self._grammars[key] = PhraseGrammar.of(what, self.knows, *[UNKNOWN] * self._rejects)
        self._open = self._grammars[key]

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        nothing = Utterance("", 0.0, self.name, audio)
        if self._what.dictation:
            return self._dictated(audio)
        if self._open is None or self._open.phrases is None:
            return nothing
        hypotheses = self._decode(self._open.phrases, audio)
        sentences = [
            (hypothesis, sentence) for hypothesis in hypotheses for sentence in self._open.sentences(hypothesis.words)
        ]
        if not sentences or UNKNOWN in hypotheses[0].words:
            return nothing
        best, sentence = sentences[0]
        meant = self._means(sentence)
        alike: set[int] = set()  # the hypotheses that may mean the same
        others: dict[str, float] = {}
        for hypothesis, read in sentences:
            if self._means(read) == meant:
                alike.add(id(hypothesis))
            else:
                others.setdefault(read.text, min(0.0, hypothesis.score - best.score))
        share = sum(hypothesis.share for hypothesis in hypotheses if id(hypothesis) in alike)
        return Utterance(
            text=sentence.text,
            confidence=confidence(share),
            engine=self.name,
            audio=audio,
            alternatives=tuple(Alternative(text, score) for text, score in islice(others.items(), ALTERNATIVES)),
            words=tuple(_heard_words(sentence, best, hypotheses)),
        )

    def _dictated(self, audio: Audio) -> Utterance:
        """The words of the whole model, which no phrases narrow; the confidence is the mean of theirs."""
        heard: list[HeardWord] = []
        start = 0.0
        for piece, found in self._note.heard(audio.samples):
            heard += [replace(word, start=start + word.start, end=start + word.end) for word in found]
            start += len(piece) / RATE
        sure = sum(word.confidence for word in heard) / len(heard) if heard else 0.0
        return Utterance(" ".join(word.text for word in heard), sure, self.name, audio, words=tuple(heard))

    def _words(self, samples: NDArray[np.int16]) -> list[HeardWord]:
        recogniser = vosk.KaldiRecognizer(self._model, RATE)
        recogniser.SetWords(True)
        parts: list[dict[str, Any]] = []
        for at in range(0, len(samples), RATE):
            if recogniser.AcceptWaveform(samples[at : at + RATE].tobytes()):  # the engine ended an utterance
                parts.append(json.loads(recogniser.Result()))
        parts.append(json.loads(recogniser.FinalResult()))
        return [
            HeardWord(each["word"], each["conf"], each["start"], each["end"])
            for part in parts
            for each in part.get("result", ())
        ]

    def _decode(self, phrases: str, audio: Audio) -> list[_Hypothesis]:
        """What the engine takes for possible, likeliest first."""
        recogniser = vosk.KaldiRecognizer(self._model, RATE, phrases)
        recogniser.SetWords(True)
        recogniser.SetMaxAlternatives(HYPOTHESES)
        recogniser.AcceptWaveform(audio.samples.tobytes())  # its opinion where the utterance ends is not asked for
        found = json.loads(recogniser.FinalResult())["alternatives"]
        most = max(each["confidence"] for each in found)
        whole = sum(math.exp(each["confidence"] - most) for each in found)
        return [_Hypothesis.of(each, math.exp(each["confidence"] - most) / whole) for each in found]

    def _means(self, sentence: _Sentence) -> Meaning:
        return grammar.understand(sentence.text, self._what)


def confidence(share: float) -> float:
    """From a share of the likelihood to 0 to 1, with 0.5 at ``ACCEPTED_SHARE``: the odds against those of the gate."""
    odds_of_gate = ACCEPTED_SHARE / (1 - ACCEPTED_SHARE)
    share = min(max(share, 0.0), 1.0)
    return share / (share + (1 - share) * odds_of_gate)


def heard_as(word: str, knows: Callable[[str], bool]) -> tuple[tuple[str, ...], ...]:
    """The sequences of words that a model knows and that sound like ``word``; the word alone where it is known.

    A word is taken as others of the same sound, with its plural's s or without, in the other spelling (metre, meter),
    and apart as prefix and unit (kilo pascals).
    """
    return _heard_as(word, knows, frozenset())


def _heard_as(word: str, knows: Callable[[str], bool], tried: frozenset[str]) -> tuple[tuple[str, ...], ...]:
    if knows(word):
        return ((word,),)
    if word in tried:
        return ()
    ways: dict[tuple[str, ...], None] = {}
    for other in _others(word):
        parts = [_heard_as(part, knows, tried | {word}) for part in other.split()]
        ways |= dict.fromkeys(sum(way, ()) for way in product(*parts))
    return tuple(ways)


def _others(word: str) -> Iterator[str]:
    """What sounds like a word, nearest first."""
    yield from SOUNDS_LIKE.get(word, ())
    for prefix in PREFIXES:
        # The prefix drops its vowel before another: kilohm, megohm (NIST SP 811, 9.3).
        for said in (prefix, prefix[:-1]):
            if word.startswith(said) and word[len(said) :].removesuffix("s") in _UNIT_WORDS:
                yield f"{prefix} {word[len(said) :]}"
    if "met" in word:
        yield word.replace("metre", "meter") if "metre" in word else word.replace("meter", "metre")
    if word in _UNIT_WORDS:
        yield f"{word}s"
    if word.removesuffix("s") in _UNIT_WORDS:
        yield word.removesuffix("s")


_UNIT_WORDS = frozenset(word for unit in UNITS for said in unit.singular for word in said.split() if len(word) > 1)


@dataclass(frozen=True)
class PhraseGrammar:
    """A grammar as the engine takes it, and the way back from what the engine heard to the grammar's sentences."""

    automaton: Automaton
    ways: Mapping[str, tuple[tuple[str, ...], ...]]  # how each word of the grammar is listened for
    phrases: str | None  # JSON; None where nothing can be heard
    missing: frozenset[str]

    @classmethod
    def of(cls, what: Open, knows: Callable[[str], bool], *besides: str) -> PhraseGrammar:
        """Of what is open, for a model that knows some words; ``besides`` are phrases that are no part of it."""
        whole = smallest(grammar.tree(what))
        ways = {word: heard_as(word, knows) for word in sorted({word for _, word in whole.steps})}
        missing = frozenset(word for word in ways if not ways[word])
        automaton = _ending(whole.without(missing))
        phrases = dict.fromkeys(
            " ".join(sum(said, ()))
            for words in sorted(_pairs(automaton))
            for said in product(*(ways[word] for word in words))
        )
        return cls(automaton, ways, json.dumps([*phrases, *besides], ensure_ascii=False) if phrases else None, missing)

    def sentences(self, heard: Sequence[str]) -> list[_Sentence]:
        """The sentences that may have been said where these words were heard, those in the same words first."""
        found: list[_Sentence] = []

        def read(state: int, at: int, words: tuple[tuple[str, int, int], ...]) -> None:
            if at == len(heard) and state in self.automaton.ends:
                found.append(_Sentence(words))
            for word, target in self._after[state] if at < len(heard) else ():
                for way in self.ways[word]:
                    if tuple(heard[at : at + len(way)]) == way:
                        read(target, at + len(way), (*words, (word, at, at + len(way))))

        read(self.automaton.start, 0, ())
        return sorted(found, key=lambda each: each.text != " ".join(heard))

    @cached_property
    def _after(self) -> Mapping[int, list[tuple[str, int]]]:
        after: defaultdict[int, list[tuple[str, int]]] = defaultdict(list)
        for (state, word), target in self.automaton.steps.items():
            after[state].append((word, target))
        return after


def _ending(automaton: Automaton) -> Automaton:
    """The same without the steps from which no sentence can be brought to an end, or that none can reach."""
    before: defaultdict[int, set[int]] = defaultdict(set)
    after: defaultdict[int, set[int]] = defaultdict(set)
    for (state, _), target in automaton.steps.items():
        before[target].add(state)
        after[state].add(target)
    kept = _reached({automaton.start}, after) & _reached(automaton.ends, before)
    return replace(
        automaton,
        steps={(at, word): to for (at, word), to in automaton.steps.items() if at in kept and to in kept},
    )


def _reached(begin: Iterable[int], after: Mapping[int, set[int]]) -> set[int]:
    reached, waiting = set[int](), list(begin)
    while waiting:
        state = waiting.pop()
        if state not in reached:
            reached.add(state)
            waiting += after.get(state, ())
    return reached


def _pairs(automaton: Automaton) -> set[tuple[str, ...]]:
    """Every two words that can stand side by side, and every word that is a sentence by itself."""
    following: defaultdict[int, list[str]] = defaultdict(list)
    for state, word in automaton.steps:
        following[state].append(word)
    pairs: set[tuple[str, ...]] = set()
    for (state, word), target in automaton.steps.items():
        pairs.update((word, after) for after in following.get(target, ()))
        if state == automaton.start and target in automaton.ends:
            pairs.add((word,))
    return pairs


@dataclass(frozen=True, slots=True)
class _Sentence:
    """A sentence of the grammar: each word, and which of the words heard it stands for (from, to)."""

    words: tuple[tuple[str, int, int], ...]

    @property
    def text(self) -> str:
        return " ".join(word for word, _, _ in self.words)


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """Words the engine may have heard, with their places in seconds, and their share of the likelihood of all."""

    words: tuple[str, ...]
    spans: tuple[tuple[float, float], ...]
    score: float
    share: float

    @classmethod
    def of(cls, said: Mapping[str, Any], share: float) -> _Hypothesis:
        result = said.get("result", ())  # there is none in a hypothesis of silence
        return cls(
            words=tuple(word["word"] for word in result),
            spans=tuple((float(word["start"]), float(word["end"])) for word in result),
            score=float(said["confidence"]),
            share=share,
        )

    def holds(self, word: str, middle: float) -> bool:
        """Whether it has this word at that time."""
        return any(
            own == word and start <= middle <= end for own, (start, end) in zip(self.words, self.spans, strict=True)
        )


def _heard_words(sentence: _Sentence, best: _Hypothesis, all: Sequence[_Hypothesis]) -> Iterator[HeardWord]:
    """The sentence's words; each is as sure as the part of it that the fewest hypotheses, by share, agree on."""
    for text, begin, end in sentence.words:
        parts = [(best.words[at], sum(best.spans[at]) / 2) for at in range(begin, end)]
        share = min(sum(each.share for each in all if each.holds(*part)) for part in parts)
        yield HeardWord(text, confidence(share), best.spans[begin][0], best.spans[end - 1][1])


def check_model(folder: Path) -> None:
    """Raise ``ModelError`` unless ``folder`` holds what a model that can be narrowed is made of."""
    if not folder.is_dir():
        raise ModelError(_advice(folder, "is not a folder" if folder.exists() else "does not exist"))
    wanting = _wanting(folder)
    if wanting and (folder / FIXED_GRAPH).is_file():
        raise ModelError(_advice(folder, f"has a fixed graph ({FIXED_GRAPH}), which cannot be narrowed to a step"))
    if wanting:
        raise ModelError(_advice(folder, f"is not a Vosk model: {', '.join(wanting)} missing or empty"))


def _wanting(folder: Path) -> list[str]:
    return [name for name in MODEL_FILES if not (folder / name).is_file() or not (folder / name).stat().st_size]


def _advice(folder: Path, wrong: str) -> str:
    return (
        f"{folder}: {wrong}; unpack a small or lgraph Vosk model there, so that {MODEL_FILES[0]} lies in it"
        " (models/README.md says which and from where), or leave the setting out to use the embedded recogniser"
    )
