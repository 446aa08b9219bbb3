"""Vosk, the recogniser for those who put a model folder in place: hears a list of phrases, with their likelihoods.

The one rule: the engine aborts or says nothing on what it does not like, and says more than it was asked for, so
everything is looked at on both ways: the model's files and whether the model knows each word before the engine gets
them, and whether the grammar holds the sentence afterwards.

How the engine takes phrases (its language_model.cc): it counts the word pairs in them, halves what it counted and gives
the other half to single words. So no phrase list binds it: any word may follow any other at a price, and begin and end
a sentence. What it gets here is every word pair of the grammar once, none dearer than another; what it hears is a list
of hypotheses, of which those count that are sentences of the grammar. How far these are behind the likeliest hypothesis
tells how well the grammar fits.

A recogniser is made for each utterance, so that nothing of the utterance before is left in it: one kept between them
hears the same sentences but counts its times from the first. That takes 2 to 30 ms, and is done before somebody speaks.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import vosk
from numpy.typing import NDArray

from handsfree.sound.denoise import denoised
from handsfree.sound.dictation import Pieces
from handsfree.sound.engines import VOSK, check_model, unusable
from handsfree.sound.evidence import PhraseEvidence
from handsfree.sound.latest import Latest
from handsfree.sound.protocol import RATE, Alternative, Audio, HeardWord, Utterance
from handsfree.sound.views import Meanings, averaged, share, words_of
from handsfree.spoken import grammar
from handsfree.spoken.automaton import Automaton
from handsfree.spoken.grammar import Sense
from handsfree.spoken.meaning import Open
from handsfree.spoken.numbers import ON_THE_RADIO
from handsfree.spoken.units import PREFIXES, UNITS

UNKNOWN = "[unk]"

# What the engine is told beside what stands in the model's own settings. With a lattice beam of 2, as models come, it
# names next to nothing beside the likeliest. It dithers at random: without, a clip is heard alike every time.
SETTINGS = {
    "conf/model.conf": {"beam": "12.0", "max-active": "4000", "lattice-beam": "6.0"},
    "conf/mfcc.conf": {"dither": "0"},
}

HYPOTHESES = 40  # asked of the engine; it has fewer where few are near the best
# How many nats a sentence that the engine does not list is taken to be behind: at least UNLISTED, somewhat more than
# the lattice beam, or where the list is full as far as its last one, and at least CROWDED_OUT; OUT_OF_SIGHT at most.
UNLISTED, CROWDED_OUT, OUT_OF_SIGHT = 8.0, 2.0, 10.0
ALTERNATIVES = 5
GRAMMARS_KEPT = 4
# A first view whose sentence is the likeliest of all, this many nats ahead of every other meaning, needs no second one.
PLAIN_MARGIN = 5.0

# Other ways to write what sounds the same, or nearly: for words that a model may lack. Common knowledge, no source;
# some are what the small English model writes where nothing narrows it, of the benchmark's tuning set.
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
    "fower": ("four", "fowler", "bauer"),
    "tree": ("three",),
    "nought": ("naught", "not"),
    "naught": ("nought", "not"),
    "wilco": ("will co",),
    "ohm": ("om",),
    "megohm": ("meg ohm",),
    "megohms": ("meg ohms", "megan's"),
    "kilohm": ("kill ohm",),
    "microhm": ("micro ohm",),
    "hertz": ("hurts",),
    "celsius": ("celcius", "sell see us"),
    "centigrade": ("centi grade", "cent a grade"),
    "fahrenheit": ("farenheit", "fair in height"),
    "farad": ("far ad", "fair add", "ferret"),
    "farads": ("far ads", "fair ads", "ferrets", "for it's"),
    "pascal": ("pass cal",),
    "pascals": ("pascal's", "past goals"),
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
    "hecto": ("heck toe",),
}

# What sounds nearly like another word of the grammar and never stands where that does: "volts i c" is "volts a c".
TAKEN_FOR = {"a": "i"}


class VoskRecogniser:
    """The ``Recogniser`` over a Vosk model folder.

    The engine gives either word confidences or sentences with likelihoods, never both; the sentences are taken.
    Likelihoods are natural logarithms: the acoustic ones by the scale in the model's settings (1 in the models
    measured), those of the word pairs by 0.9. Where the model knows ``[unk]``, it is a hypothesis of its own for speech
    outside the grammar.

    A word that the model lacks is listened for as others that sound like it ("kilo ohm" for "kilohm"; ``heard_as``),
    and stands in the text as itself.
    """

    name = VOSK

    def __init__(self, model_folder: Path, *, second_view: bool = True) -> None:
        """Load the model; the small English one takes 0.3 s and 190 MB. Raises ``ModelError``.

        ``second_view``: hear what is not plain once more, denoised.
        """
        check_model(model_folder)
        vosk.SetLogLevel(-1)
        self._model = _loaded(model_folder)
        self._rejects = self.knows(UNKNOWN)
        self._note = Pieces(self._words)
        self._second_view = second_view
        # The phrases that recognisers were made for, and those that are not used yet.
        self._ready: tuple[str | None, deque[Future[vosk.KaldiRecognizer]]] = None, deque()
        self._maker = ThreadPoolExecutor(1, "vosk-maker")
        self._grammars = Latest[PhraseGrammar](GRAMMARS_KEPT)  # by JSGF text
        self._what = Open()
        self._open: PhraseGrammar | None = None
        self._missing: frozenset[str] = frozenset()

    def knows(self, word: str) -> bool:
        """Whether the model has a pronunciation for a word."""
        return bool(self._model.vosk_model_find_word(word) >= 0)

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that the model can hear in no spelling; nor sentences that hold one."""
        return self._missing

    @property
    def unheard(self) -> frozenset[str]:
        """The same, with words that are listened for only to be refused."""
        return self._open.missing if self._open is not None else frozenset()

    @property
    def listening(self) -> bool:
        """Whether anything of what is open can be heard: not where every sentence has a word that is missing."""
        return self._open is not None and self._open.phrases is not None

    def open(self, what: Open) -> None:
        """Narrow the grammar; sentences with a word that the model cannot hear are left out (see ``missing_words``)."""
        self._what, self._open, self._missing = what, None, frozenset[str]()
        if what.nothing or what.dictation:
            return
        self._open = self._grammars.get(
            grammar.jsgf(what), lambda: PhraseGrammar.of(what, self.knows, *[UNKNOWN] * self._rejects)
        )
        self._missing = self._open.missing and self._open.missing & grammar.words(what)
        self.get_ready()

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        if self._what.dictation:
            return self._dictated(audio)
        heard = self.weigh(audio)
        self.get_ready()
        if heard is None:
            return Utterance("", 0.0, self.name, audio)
        text, evidence, others, view = heard
        confidence = evidence.confidence
        return Utterance(text, confidence, self.name, audio, others, words=tuple(view.words(text, confidence)))

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        """There is no more to do: it was looked at in all ways that help."""
        return first

    def weigh(self, audio: Audio) -> tuple[str, PhraseEvidence, tuple[Alternative, ...], PhraseView] | None:
        """The likeliest hearing, what speaks for it, the others, and where it was heard; None where nothing was."""
        if not self.listening or not len(audio.samples):
            return None
        views = [self.view(audio.samples)]
        if self._second_view and not views[0].plain:
            views.append(self.view(denoised(audio)))
        logs, texts = averaged(views), words_of(views)
        if not logs:
            return None
        best, *rest = sorted(logs, key=lambda meant: -logs[meant])
        view = next(view for view in views if best in view.logs)
        evidence = PhraseEvidence(
            margin=logs[best] - logs[rest[0]] if rest else OUT_OF_SIGHT,
            pace=audio.seconds / len(texts[best]),
            raw=views[0].against(best),
            cleaned=views[-1].against(best),
            favoured=share(views, best),
        )
        others = tuple(
            Alternative(texts[meant], PhraseEvidence.rivalry(logs[meant] - logs[best])) for meant in rest[:ALTERNATIVES]
        )
        return texts[best], evidence, others, view

    def view(self, samples: NDArray[np.int16]) -> PhraseView:
        """What the sound may have been; ``listening`` must be true."""
        opened, what = self._open, self._what  # another may be opened meanwhile
        assert opened is not None
        assert opened.phrases is not None
        hypotheses = self._decode(opened.phrases, samples)
        ahead = max(hypothesis.score for hypothesis in hypotheses)
        logs: dict[Sense, float] = {}
        readings: dict[str, tuple[_Hypothesis, _Sentence]] = {}
        texts: dict[Sense, str] = {}
        for hypothesis in hypotheses:
            for sentence in opened.sentences(hypothesis.words):
                meant = grammar.sense(sentence.text, what)
                readings.setdefault(sentence.text, (hypothesis, sentence))
                texts.setdefault(meant, sentence.text)
                logs.setdefault(meant, hypothesis.score)
        likeliest = max(logs.values(), default=ahead)
        last = likeliest - min(hypothesis.score for hypothesis in hypotheses)
        unlisted = max(last, CROWDED_OUT if len(hypotheses) == HYPOTHESES else UNLISTED)
        return PhraseView(
            logs={meant: log - likeliest for meant, log in logs.items()},
            texts=texts,
            least=-min(unlisted, OUT_OF_SIGHT),
            beyond=ahead - likeliest,
            readings=readings,
            hypotheses=hypotheses,
        )

    def get_ready(self) -> None:
        """Begin to make what the next utterance needs, in another thread; best called when nobody waits for it."""
        phrases = self._open.phrases if self._open is not None else None
        made_for, ready = self._ready
        if phrases != made_for:
            for needless in ready:
                needless.cancel()
            ready = deque()
        while phrases is not None and len(ready) < (2 if self._second_view else 1):
            ready.append(self._maker.submit(self._make, phrases))
        self._ready = phrases, ready

    def _recogniser(self, phrases: str) -> vosk.KaldiRecognizer:
        """One that has heard nothing."""
        made_for, ready = self._ready
        if phrases == made_for:
            with suppress(IndexError, CancelledError):
                return ready.popleft().result()
        return self._make(phrases)

    def _make(self, phrases: str) -> vosk.KaldiRecognizer:
        recogniser = vosk.KaldiRecognizer(self._model, RATE, phrases)
        recogniser.SetWords(True)
        recogniser.SetMaxAlternatives(HYPOTHESES)
        return recogniser

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

    def _decode(self, phrases: str, samples: NDArray[np.int16]) -> list[_Hypothesis]:
        """What the engine takes for possible, likeliest first."""
        recogniser = self._recogniser(phrases)
        recogniser.AcceptWaveform(samples.tobytes())  # its opinion where the utterance ends is not asked for
        found = json.loads(recogniser.FinalResult())["alternatives"]
        most = max(each["confidence"] for each in found)
        whole = sum(math.exp(each["confidence"] - most) for each in found)
        return [_Hypothesis.of(each, math.exp(each["confidence"] - most) / whole) for each in found]


def _loaded(model_folder: Path) -> Any:
    """The engine's model, with ``SETTINGS`` in place of the folder's own, which is left as it is."""
    # On Windows the engine cannot open a path with letters beyond ASCII, as a user's own folder may have.
    beside = None if tempfile.gettempdir().isascii() else model_folder.parent
    with tempfile.TemporaryDirectory(dir=beside) as kept:
        folder = Path(kept)
        for inside in model_folder.iterdir():
            if inside.name != "conf":
                _linked(inside.absolute(), folder / inside.name)
        (folder / "conf").mkdir()
        for inside in (model_folder / "conf").iterdir():
            shutil.copyfile(inside, folder / "conf" / inside.name)
        for name, settings in SETTINGS.items():
            _set(folder / name, settings)
        try:
            model = vosk.Model(kept)
            vosk.KaldiRecognizer(model, RATE)  # reads what the model has put off
        except Exception as error:  # the library raises nothing narrower
            raise unusable(model_folder, "is damaged: Vosk cannot load it") from error
    return model


def _set(file: Path, settings: Mapping[str, str]) -> None:
    """Put settings into a file of the engine's in place of those that are there."""
    lines = file.read_text(encoding="utf-8", errors="surrogateescape").splitlines() if file.is_file() else []
    kept = [line for line in lines if line.strip().removeprefix("--").partition("=")[0] not in settings]
    told = [f"--{key}={value}" for key, value in settings.items()]
    file.write_text("\n".join([*kept, *told, ""]), encoding="utf-8", errors="surrogateescape")


def _linked(inside: Path, place: Path) -> None:
    """``inside`` at ``place`` too: linked, or copied where the system or the user may not link."""
    if inside.is_dir():
        place.mkdir()
        for each in inside.iterdir():
            _linked(each, place / each.name)
        return
    for link in (os.symlink, os.link):
        with suppress(OSError):
            link(inside, place)
            return
    shutil.copyfile(inside, place)


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
        whole = grammar.listened(what)
        ways = {word: heard_as(word, knows) for word in sorted(whole.words)}
        missing = frozenset(word for word in ways if not ways[word])
        for word, other in TAKEN_FOR.items():
            if word in ways and other in ways:
                ways[word] = (*ways[word], *ways[other])
        # Where a model lacks the radio's word, what sounds like both is taken for the plain figure. Else a row of n
        # figures could be read in two to the power of n ways, which all mean the same.
        for radio, plain in ON_THE_RADIO.items():
            if radio in ways and plain in ways:
                ways[radio] = tuple(way for way in ways[radio] if way not in ways[plain])
        automaton = whole.without(missing)
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
            following = self.automaton.ways[state] if at < len(heard) else ()
            for word, target in ((word, target) for said, target in following for word in said):
                for way in self.ways[word]:
                    if tuple(heard[at : at + len(way)]) == way:
                        read(target, at + len(way), (*words, (word, at, at + len(way))))

        read(self.automaton.start, 0, ())
        return sorted(found, key=lambda each: each.text != " ".join(heard))


def _pairs(automaton: Automaton) -> set[tuple[str, ...]]:
    """Every two words that can stand side by side, and every word that is a sentence by itself."""
    alike = {(words, after) for ways in automaton.ways for words, target in ways for after, _ in automaton.ways[target]}
    pairs: set[tuple[str, ...]] = {pair for words, after in alike for pair in product(words, after)}
    for words, target in automaton.ways[automaton.start]:
        if target in automaton.ends:
            pairs.update((word,) for word in words)
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


@dataclass(frozen=True, slots=True, eq=False)
class PhraseView(Meanings):
    """One view of an utterance's sound; a meaning's logarithm is less that of the grammar's likeliest: 0 or below.

    Where no hypothesis is of the grammar, its meanings are behind the likeliest hypothesis by what is not listed.
    """

    least: float  # what no hypothesis means is this far behind
    beyond: float  # by which the likeliest hypothesis of any kind is ahead of the grammar's, if there is one of it
    readings: Mapping[str, tuple[_Hypothesis, _Sentence]]  # what each text was read out of
    hypotheses: Sequence[_Hypothesis]

    @property
    def plain(self) -> bool:
        """Whether it needs no second view."""
        first, *rest = sorted(self.logs.values(), reverse=True) or [-math.inf]
        return self.beyond == 0 and first - max([self.least, *rest]) >= PLAIN_MARGIN

    def log(self, meant: Sense) -> float:
        return max(self.least, self.logs.get(meant, self.least))

    def against(self, meant: Sense) -> float:
        """By which the likeliest hypothesis of any kind is ahead of a meaning."""
        return self.beyond - self.log(meant)

    def words(self, text: str, least: float) -> Iterator[HeardWord]:
        """The words of a text that was heard.

        Each is as sure as the part of it that the fewest hypotheses, by share, agree on, and at ``least`` that sure.
        """
        heard, sentence = self.readings[text]
        for word, begin, end in sentence.words:
            parts = [(heard.words[at], sum(heard.spans[at]) / 2) for at in range(begin, end)]
            share = min(sum(each.share for each in self.hypotheses if each.holds(*part)) for part in parts)
            yield HeardWord(word, max(least, min(1.0, share)), heard.spans[begin][0], heard.spans[end - 1][1])
