"""Enrolment: which words the recogniser mishears from this speaker, headset and place, and what is done about it.

The one rule: enrolment may make the tool ask more often, and compare more hearings; it lets more through only for a
speaker of whom not one sentence was taken for another. A profile never changes what a word means.

A speaker says a fixed list of sentences, each heard by the ear with the grammar of a step that asks for it. What was
heard is laid beside what was asked for. Three things come of it: advice in words; pairs of words that were confused,
which are weighed against each other from then on in every hearing of this speaker; and an offset of the confidence.

Not done: pronunciations are not learned from a free decoding into phones. A pronunciation that two repetitions share
may be nearer to another word than to its own, and there were no voices at hand to show that it helps.
"""

from __future__ import annotations

import hashlib
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import SequenceMatcher
from itertools import islice
from pathlib import Path
from typing import Literal
from urllib.parse import quote, unquote

import numpy as np
import platformdirs
from numpy.typing import NDArray
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from handsfree.errors import PlainError
from handsfree.session.doubt import Policy
from handsfree.sound import soundcheck
from handsfree.sound.devices import Block, microphone
from handsfree.sound.ear import Ear, Hearing
from handsfree.sound.endpoint import HANG
from handsfree.sound.evidence import log_odds, logistic
from handsfree.sound.protocol import RATE, Audio, Recogniser, Utterance
from handsfree.sound.soundcheck import Levels
from handsfree.sound.voice import Voice
from handsfree.spoken.confusable import TWIN
from handsfree.spoken.grammar import understand
from handsfree.spoken.meaning import Command, Expectation, Kind, Open, Reading, Word
from handsfree.spoken.numbers import ON_THE_RADIO
from handsfree.spoken.units import quantity_of, spellings
from handsfree.spoken.words import PHRASES

PATIENCE = 8.0  # seconds in which a sentence has to begin and end
TRIES = 2  # for a sentence of which nothing was heard
LEAST = 0.5  # share of the sentences heard right, below which a profile would describe a fault, not a speaker
FARTHEST = 1.0  # nats that the log-odds of a confidence are moved at most
STEP = 0.001  # nats to which an offset is kept, rounded down
ACCEPTED = 0.95  # share of right hearings that are to be accepted: one in twenty may be asked again
LONGEST_NAME = 200  # characters of a file name


class EnrolmentError(PlainError):
    """An enrolment, or the profile made by one, cannot be used. The text says what to do about it."""


# -- the sentences -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sentence:
    """What is asked for, and what it means at a step that asks for it."""

    text: str
    meant: Reading | Command

    @property
    def open(self) -> Open:
        """What such a step listens for."""
        words = frozenset(Word)
        if isinstance(self.meant, Command) or self.meant.unit is None:
            return Open(words=words)
        return Open(reading=Expectation(quantity_of(self.meant.unit), self.meant.unit), words=words)

    @property
    def words(self) -> list[str]:
        """What is counted: each word of a number, and its unit or a procedure word as a whole."""
        return _words(self.text, self.meant)


def _reading(text: str, value: str, unit: str) -> Sentence:
    return Sentence(text, Reading(Kind.READING, value, unit))


def _word(word: Word) -> Sentence:
    return Sentence(PHRASES[word][0], Command(word))


# Every digit, teen and ty beside its twin twice, in short sentences that a meter might show.
SENTENCES = (
    _reading("thirteen point thirty volts", "13.30", "volt"),
    _reading("thirty point fourteen volts", "30.14", "volt"),
    _word(Word.AFFIRM),
    _reading("one two three point four volts", "123.4", "volt"),
    _reading("fourteen point forty ohms", "14.40", "ohm"),
    _reading("forty point fifteen ohms", "40.15", "ohm"),
    _word(Word.DONE),
    _reading("five six seven point eight ohms", "567.8", "ohm"),
    _reading("fifteen point fifty amps", "15.50", "ampere"),
    _reading("fifty point sixteen amps", "50.16", "ampere"),
    _word(Word.NEGATIVE),
    _reading("nine zero one point two hertz", "901.2", "hertz"),
    _reading("sixteen point sixty hertz", "16.60", "hertz"),
    _reading("sixty point seventeen bar", "60.17", "bar"),
    _word(Word.SAY_AGAIN),
    _reading("three four five point six kilohms", "345.6", "kiloohm"),
    _reading("seventeen point seventy bar", "17.70", "bar"),
    _reading("seventy point eighteen percent", "70.18", "percent"),
    _word(Word.CORRECTION),
    _reading("seven eight nine point zero p s i", "789.0", "pound_force_per_square_inch"),
    _reading("eighteen point eighty percent", "18.80", "percent"),
    _reading("eighty point nineteen kilohms", "80.19", "kiloohm"),
    _word(Word.UNABLE),
    _reading("two hundred eleven degrees celsius", "211", "degree_Celsius"),
    _reading("nineteen point ninety p s i", "19.90", "pound_force_per_square_inch"),
    _reading("ninety point twelve megohms", "90.12", "megaohm"),
    _word(Word.STAND_BY),
    _reading("one hundred twenty degrees celsius", "120", "degree_Celsius"),
    _reading("twenty point thirteen megohms", "20.13", "megaohm"),
    _word(Word.AFFIRM),
    _word(Word.DONE),
    _word(Word.NEGATIVE),
)


def _words(text: str, meant: object) -> list[str]:
    if isinstance(meant, Command):
        return [text]
    words = text.split()
    for place in range(len(words)):
        unit = " ".join(words[place:])
        if unit in spellings():
            return [*words[:place], unit]
    return words


# -- listening ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Result:
    """A sentence, and what was made of it; None where nobody was heard."""

    sentence: Sentence
    heard: Utterance | None

    @property
    def meant(self) -> Reading | Command | None:
        """What was understood, None where that was nothing of use."""
        if self.heard is None or not self.heard.text:
            return None
        understood = understand(self.heard.text, self.sentence.open)
        return understood if isinstance(understood, Reading | Command) else None

    @property
    def right(self) -> bool:
        """Whether what was understood is what was asked for, in whatever words."""
        return self.meant == self.sentence.meant

    @property
    def taken_for_another(self) -> bool:
        """Whether something else was understood: the mistake that nobody notices."""
        return self.meant is not None and not self.right


def of_recording(
    audio: Audio, recogniser: Recogniser, sentences: Sequence[Sentence] = SENTENCES
) -> tuple[list[Result], Levels]:
    """An enrolment from a recording that holds the sentences in their order, a second of silence after each.

    Raises EnrolmentError where it holds more utterances, or fewer. Silence alone parts them: one that was misheard
    must not shift those that follow.
    """
    ear = Ear(recogniser, sure=math.inf, unfinished=HANG)  # whole sentences are read out
    with closing(ear):
        heard: list[Hearing] = []
        hearings = ear.all(audio)
        for sentence in sentences:
            ear.open(sentence.open)
            heard.extend(islice(hearings, 1))
        heard.extend(hearings)
    if len(heard) != len(sentences):
        raise EnrolmentError(
            f"the recording holds {len(heard)} utterances where the list has {len(sentences)}; record the sentences "
            "in their order (see 'handsfree enrol --sentences'), with a second of silence before and after each"
        )
    results = [
        Result(sentence, None if hearing.speech.cut else hearing.utterance)
        for sentence, hearing in zip(sentences, heard, strict=True)
    ]
    return results, soundcheck.measure(audio, [hearing.speech for hearing in heard])


def of_microphone(
    device: str | int | None,
    voice: Voice,
    recogniser: Recogniser,
    tell: Callable[[str], None],
    sentences: Sequence[Sentence] = SENTENCES,
) -> tuple[list[Result], Levels, str]:
    """An enrolment with whoever is at the microphone; the third of what it returns is the microphone's name.

    Each request is given to ``tell`` and spoken by ``voice``; once more where nothing was heard. Raises DeviceError
    where the microphone cannot be opened or is lost, VoiceError where the voice is.
    """

    def ask(text: str) -> None:
        tell(text)
        voice.say(text)
        voice.wait()

    stream, results, ear = _Stream(), list[Result](), Ear(recogniser, Policy().doubt, unfinished=HANG)
    with closing(ear), microphone(device, lambda: voice.speaking) as opened:
        tell(f"Microphone: {opened.name}.")
        blocks = iter(opened)
        ask("Enrolment. Say each sentence after me.")
        for number, sentence in enumerate(sentences, start=1):
            ear.open(sentence.open)
            heard = None
            for attempt in range(TRIES):
                tell(f"{number} of {len(sentences)}")
                ask(f"{'Say' if attempt == 0 else 'Again'}: {sentence.text}.")
                heard = stream.next(blocks, ear)
                if heard is not None and heard.text:
                    break
            results.append(Result(sentence, heard))
        return results, stream.levels, opened.name


class _Stream:
    """All that a microphone heard: two minutes are 4 MB."""

    def __init__(self) -> None:
        self._samples: list[NDArray[np.int16]] = []
        self._speeches: list[Audio] = []
        self._gaps: list[soundcheck.Span] = []
        self._seconds = 0.0

    def next(self, blocks: Iterator[Block], ear: Ear) -> Utterance | None:
        """The next whole utterance within PATIENCE; the time in which the microphone is deaf does not count."""
        left = PATIENCE
        for block in blocks:
            start, seconds = self._seconds, len(block.samples) / RATE
            self._seconds += seconds
            self._samples.append(block.samples)
            if block.gap:
                self._gaps.append((start, self._seconds))
            for hearing in ear.feed(block.samples, gap=block.gap):
                self._speeches.append(hearing.speech)
                if not hearing.speech.cut:  # one that is began before the request was over
                    return hearing.utterance
            left -= 0 if block.gap else seconds
            if left <= 0:
                break
        return None

    @property
    def levels(self) -> Levels:
        return soundcheck.measure(Audio(np.concatenate(self._samples)), self._speeches, self._gaps)


# -- what was found ----------------------------------------------------------------------------------------------------

NOTHING = ""  # what a word was taken for that was not heard, or what was said where a word was heard


@dataclass(frozen=True, slots=True)
class Found:
    """How often a word was said and heard right, and what else was heard in its place (NOTHING: it was left out)."""

    said: int
    right: int
    taken_for: Mapping[str, int]

    @property
    def fails(self) -> bool:
        return self.right < self.said


@dataclass(frozen=True, slots=True)
class Findings:
    """What an enrolment measured. ``words`` are in the order in which they were first asked for.

    ``added``: words that were heard where nothing was said. Confidences are those of whole sentences: ``right`` ones,
    ``wrong`` ones that were taken for another. ``missed`` counts sentences of which nothing, or nothing of use, was
    heard.
    """

    words: Mapping[str, Found]
    added: Mapping[str, int]
    right: tuple[float, ...]
    wrong: tuple[float, ...]
    missed: int

    @property
    def sentences(self) -> int:
        return len(self.right) + len(self.wrong) + self.missed

    @property
    def usable(self) -> bool:
        """Whether this describes a speaker rather than a fault."""
        return len(self.right) >= LEAST * max(1, self.sentences)

    @property
    def failing(self) -> dict[str, Found]:
        """The words that fail, worst first."""
        failing = {word: found for word, found in self.words.items() if found.fails}
        return dict(sorted(failing.items(), key=lambda each: each[1].right / each[1].said))

    @property
    def confusions(self) -> tuple[tuple[str, str], ...]:
        """What was said and what it was taken for, each pair once; what was said is NOTHING for an added word."""
        taken = [(word, other) for word, found in self.words.items() for other in found.taken_for if other != NOTHING]
        return tuple(dict.fromkeys([*taken, *((NOTHING, other) for other in self.added)]))


def measure(results: Iterable[Result]) -> Findings:
    """Lays what was heard beside what was asked for, word by word."""
    said, right, added = Counter[str](), Counter[str](), Counter[str]()
    taken: dict[str, Counter[str]] = {}
    sure: list[float] = []
    unsure: list[float] = []
    missed = 0
    for result in results:
        words = result.sentence.words
        said.update(words)
        for word in words:
            taken.setdefault(word, Counter())
        heard = result.heard.text if result.heard is not None else ""
        confidence = 0.0 if result.heard is None or result.heard.confidence is None else result.heard.confidence
        if result.right:
            right.update(words)
            sure.append(confidence)
            continue
        if result.taken_for_another:
            unsure.append(confidence)
        else:
            missed += 1
        for word, other in _beside(words, _words(" ".join(_plain(heard.split())), result.meant)):
            if word == NOTHING:
                added[other] += 1
            elif _same(word, other):
                right[word] += 1
            else:
                taken[word][other] += 1
    found = {word: Found(said[word], right[word], dict(taken[word].most_common())) for word in said}
    return Findings(found, dict(added.most_common()), tuple(sure), tuple(unsure), missed)


_FIGURES = ON_THE_RADIO | {"oh": "zero", "o": "zero"}


def _key(word: str) -> str:
    """The same for words that mean the same: "volt" and "volts"."""
    units = spellings().get(word, ())
    return units[0].name if len(units) == 1 else word


def _plain(words: Iterable[str]) -> list[str]:
    """The words with the radio's figures as everybody says them: which of the two was heard is a matter of chance."""
    return [_FIGURES.get(word, word) for word in words]


def _same(word: str, other: str) -> bool:
    return _key(word) == _key(other)


def _beside(said: Sequence[str], heard: Sequence[str]) -> Iterator[tuple[str, str]]:
    """The words of both side by side, NOTHING where the other has none."""
    matcher = SequenceMatcher(None, [_key(word) for word in said], [_key(word) for word in heard], autojunk=False)
    for _, first, last, start, stop in matcher.get_opcodes():
        for offset in range(max(last - first, stop - start)):
            word = said[first + offset] if first + offset < last else NOTHING
            other = heard[start + offset] if start + offset < stop else NOTHING
            yield word, other


def advise(word: str, found: Found) -> str:
    """What the speaker may do about a word that fails."""
    wrong = next((other for other in found.taken_for if other != NOTHING), None)
    happened = (
        f"{word} was " + (f"taken for {wrong}" if wrong else "not heard") + f" {_times(found.said - found.right)}"
    )
    others = [phrase for phrases in PHRASES.values() if word in phrases for phrase in phrases if phrase != word]
    if word in TWIN:
        return f"say its digits one by one: {happened}"
    if others:
        return f"say {others[0]}: {happened}"
    return f"say it slower, with a short pause before it: {happened}"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def offset(right: Sequence[float], wrong: Sequence[float]) -> float:
    """How far the log-odds of this speaker's confidences are moved, from -FARTHEST to FARTHEST.

    Upwards so far that ACCEPTED of the ``right`` hearings reach the operating point of 0.5, where nothing was taken
    for another. Where something was, never upwards, and downwards so far that the surest of the ``wrong`` hearings
    falls below that point. Without a wrong one in thirty sentences, up to one in ten may still be wrong (95 % bound,
    rule of three): this is why it is bounded, and small.
    """
    if wrong:
        return -min(FARTHEST, max(0.0, log_odds(max(wrong)) + STEP))
    if not right:
        return 0.0
    least = sorted(right)[math.floor((1 - ACCEPTED) * len(right))]
    return min(FARTHEST, max(0.0, -log_odds(least)))


# -- the profile -------------------------------------------------------------------------------------------------------


class Received(BaseModel):
    """How the speaker was received at enrolment: readability from 1 to 5, levels in dB, bandwidth in Hz."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    readability: int | None
    level: float | None
    snr: float | None
    bandwidth: float | None


class Speaker(BaseModel):
    """What is adapted for one speaker with one headset in one place."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    version: Literal[1] = 1
    name: str
    made: AwareDatetime
    device: str  # the microphone's name, or that of the recording
    engine: str
    received: Received
    sentences: int = Field(ge=1)
    right: int = Field(ge=0)
    confusions: tuple[tuple[str, str], ...]  # what was said ("" for nothing) and what it was taken for
    offset: float = Field(ge=-FARTHEST, le=FARTHEST, allow_inf_nan=False)  # of a confidence's log-odds
    advice: tuple[str, ...]

    def neighbours(self, words: Sequence[str]) -> Iterator[list[str]]:
        """The sentences that this one was taken for, or that were taken for it, with this speaker."""
        words = _plain(words)
        for said, heard in self.confusions:
            for one, other in ((heard, said), (said, heard)):
                old, new = one.split(), other.split()
                for place in range(len(words) - len(old) + 1) if old and (new or len(words) > len(old)) else ():
                    if words[place : place + len(old)] == old:
                        yield [*words[:place], *new, *words[place + len(old) :]]

    def trust(self, confidence: float) -> float:
        """A confidence from 0 to 1 as it holds for this speaker."""
        return logistic(log_odds(confidence) + self.offset) if self.offset else confidence

    @property
    def text(self) -> str:
        """As the file holds it."""
        return self.model_dump_json(indent=2) + "\n"

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.text.encode()).hexdigest()


def adapt(
    name: str, findings: Findings, levels: Levels, device: str, engine: str, made: datetime | None = None
) -> Speaker:
    """The profile that follows from the findings. Raises EnrolmentError where they tell of a fault instead."""
    if not findings.usable:
        raise EnrolmentError(
            f"only {len(findings.right)} of {findings.sentences} sentences were heard right, too few to adapt to; "
            "run 'handsfree sound-check' and put right what it says, then enrol again"
        )
    received = soundcheck.reception(levels)
    return Speaker(
        name=tidy(name),
        made=made or datetime.now(UTC).replace(microsecond=0),
        device=device,
        engine=engine,
        received=Received(
            readability=received.readability, level=received.level, snr=received.snr, bandwidth=received.bandwidth
        ),
        sentences=findings.sentences,
        right=len(findings.right),
        confusions=findings.confusions,
        offset=max(-FARTHEST, round(math.floor(offset(findings.right, findings.wrong) / STEP) * STEP, 3)),
        advice=tuple(advise(word, found) for word, found in findings.failing.items()),
    )


# -- where profiles are kept -------------------------------------------------------------------------------------------

_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)")  # Windows keeps these names for devices


def folder() -> Path:
    """Where profiles are kept: the user's own data folder."""
    return platformdirs.user_data_path("handsfree") / "speakers"


def tidy(name: str) -> str:
    """A speaker's name as it is kept. Raises EnrolmentError for one that nobody can read, or that is too long."""
    kept = " ".join(unicodedata.normalize("NFC", name).split())
    if not kept or not kept.isprintable():
        raise EnrolmentError(f"{name!r} is no name for a speaker: give letters or digits, as in 'handsfree enrol anna'")
    if len(_file_name(kept)) > LONGEST_NAME:
        raise EnrolmentError(f"the name {kept[:20]!r}... is too long for a file: give a shorter one")
    return kept


def _file_name(name: str) -> str:
    """The same for names that differ in case only, as some file systems have it; safe on all of them."""
    safe = quote(name.casefold(), safe="")
    if _RESERVED.match(safe) or safe.startswith("."):
        safe = f"%{ord(safe[0]):02X}{safe[1:]}"
    return f"{safe}.json"


def _path(name: str) -> Path:
    return folder() / _file_name(tidy(name))


def save(speaker: Speaker) -> Path:
    """Writes a profile over an older one of the same name, whole or not at all, and returns its file."""
    path = _path(speaker.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(".part")
    unfinished.write_bytes(speaker.text.encode())
    unfinished.replace(path)
    return path


def load(name: str) -> Speaker:
    """The profile of this name. Raises EnrolmentError where there is none, or one that cannot be used."""
    path = _path(name)
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        known = ", ".join(names()) or "none yet"
        raise EnrolmentError(
            f"no speaker {name!r} is enrolled (known: {known}); enrol with 'handsfree enrol {name}'"
        ) from None
    try:
        return Speaker.model_validate_json(text)
    except ValidationError as error:
        again = f"delete it with 'handsfree enrol --delete {name}' and enrol again"
        if any(each["loc"] == ("version",) and each["type"] == "literal_error" for each in error.errors()):
            raise EnrolmentError(f"{path}: was written by another version of handsfree; update, or {again}") from None
        where = error.errors()[0]
        place = ".".join(map(str, where["loc"])) or "the whole file"
        raise EnrolmentError(f"{path}: is damaged ({place}: {where['msg']}); {again}") from None


def delete(name: str) -> None:
    """Deletes a profile, damaged or not. Raises EnrolmentError where there is none."""
    try:
        _path(name).unlink()
    except FileNotFoundError:
        raise EnrolmentError(
            f"no speaker {name!r} is enrolled (known: {', '.join(names()) or 'none yet'}); nothing was deleted"
        ) from None


def names() -> list[str]:
    """The names of those who are enrolled, as their files have them."""
    return sorted(unquote(path.stem) for path in folder().glob("*.json"))
