"""The ear: where utterances end by what they mean, alike in a recording and live, on real speech."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from virtual_card import in_room_noise

from handsfree.sound.apart import Apart
from handsfree.sound.audio import read
from handsfree.sound.ear import Ear, Hearing
from handsfree.sound.endpoint import A_BREATH, ENOUGH, HANG, UNFINISHED
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE, Audio, Recogniser, Utterance
from handsfree.spoken.grammar import half_said
from handsfree.spoken.meaning import Expectation, Open, Quantity, Word

SPEECH = Path(__file__).parent / "speech"
BLOCK = 512
OHMS = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=frozenset({Word.SAY_AGAIN, Word.STAND_BY}))
VOLTS = Open(reading=Expectation(Quantity.VOLTAGE, "volt"), words=OHMS.words)


@pytest.fixture(scope="module")
def recogniser() -> MoonshineRecogniser:
    return MoonshineRecogniser()


@pytest.fixture(scope="module")
def apart() -> Iterator[Apart]:
    apart = Apart("moonshine", "handsfree.sound.moonshine:MoonshineRecogniser")
    yield apart
    apart.close()


def said(*parts: str | float) -> Audio:
    """Clips by name and silences in seconds, in the faint noise of a room."""
    return Audio(in_room_noise([clip(part) if isinstance(part, str) else quiet(part) for part in parts]))


def clip(name: str) -> NDArray[np.int16]:
    return read(SPEECH / f"{name}.flac")[0].samples


def quiet(seconds: float) -> NDArray[np.int16]:
    return np.zeros(round(seconds * RATE), np.int16)


def heard(audio: Audio, recogniser: Recogniser, what: Open = OHMS, *, sure: float = 0.5) -> list[Hearing]:
    ear = Ear(recogniser, sure)
    ear.open(what)
    found = list(ear.all(audio))
    ear.close()
    return found


def ends(audio: Audio, recogniser: Recogniser, what: Open = OHMS, *, sure: float = 0.5) -> list[tuple[str, float]]:
    """What was heard, and how many seconds of the stream had gone by when that was known."""
    ear, found = Ear(recogniser, sure), []
    ear.open(what)
    for at in range(0, len(audio.samples), BLOCK):
        for hearing in ear.feed(audio.samples[at : at + BLOCK]):
            found.append((hearing.utterance.text, (at + BLOCK) / RATE))
    ear.close()
    return found


def texts(hearings: list[Hearing]) -> list[str]:
    return [hearing.utterance.text for hearing in hearings]


def test_a_whole_reading_ends_at_a_short_silence_and_one_that_may_go_on_at_a_longer_one(
    recogniser: MoonshineRecogniser,
) -> None:
    spoken = 1.0 + len(clip("fifteen_ohms")) / RATE
    ((text, at),) = ends(said(1.0, "fifteen_ohms", 1.5), recogniser)
    assert text == "fifteen ohms"
    assert at < spoken + ENOUGH + 0.1
    spoken = 1.0 + len(clip("four_hundred_eighty_volts")) / RATE
    ((text, at),) = ends(said(1.0, "four_hundred_eighty_volts", 1.5), recogniser, VOLTS)
    assert text.startswith("four hundred eighty volt")
    assert spoken + A_BREATH - 0.2 < at < spoken + A_BREATH + 0.1


def test_what_is_not_heard_surely_ends_by_silence_alone(recogniser: MoonshineRecogniser) -> None:
    spoken = 1.0 + len(clip("fifteen_ohms")) / RATE
    ((_, at),) = ends(said(1.0, "fifteen_ohms", 2.0), recogniser, sure=1.0)
    assert at > spoken + HANG - 0.2


@pytest.mark.parametrize("pause", [0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 1.0, 1.3])
def test_a_pause_before_the_point_does_not_end_a_reading(pause: float, recogniser: MoonshineRecogniser) -> None:
    (hearing,) = heard(said(1.0, "five", pause, "point_two_ohms", 1.5), recogniser)
    assert hearing.utterance.text.split()[-3:] == ["point", "two", "ohms"]
    assert hearing.utterance.text.split()[0] in ("five", "fife")


@pytest.mark.parametrize(
    ("text", "half"),
    [
        ("five", True),
        ("it's twelve", True),
        ("five ohms", True),  # which may be the beginning of "five ohms point two", as some say it
        ("it's", False),
        ("about twelve", False),
        ("say again", False),
        ("five volts", False),
    ],
)
def test_what_may_be_half_of_a_reading_is_waited_for(text: str, half: bool) -> None:
    assert half_said(text, Open(reading=Expectation(Quantity.RESISTANCE), words=frozenset(Word))) is half


def test_two_whole_sentences_in_quick_succession_are_two(recogniser: MoonshineRecogniser) -> None:
    audio = said(1.0, "fifteen_ohms", 0.45, "say_again", 1.0)
    assert texts(heard(audio, recogniser)) == ["fifteen ohms", "say again"]


def test_an_answer_may_open_another_grammar_before_the_next_utterance(recogniser: MoonshineRecogniser) -> None:
    ear, found = Ear(recogniser, 0.5), []
    ear.open(OHMS)
    for hearing in ear.all(said(1.0, "fifteen_ohms", 0.45, "four_hundred_eighty_volts", 1.0)):
        found.append(hearing.utterance.text)
        ear.open(VOLTS)
    ear.close()
    assert found in (["fifteen ohms", f"four hundred eighty {unit}"] for unit in ("volt", "volts"))


@pytest.mark.parametrize("block", [BLOCK, 2000, RATE // 4])
def test_a_stream_in_blocks_is_cut_and_heard_as_a_recording_of_it_is(
    block: int, recogniser: MoonshineRecogniser, apart: Apart
) -> None:
    audio = said(
        1.0, "fifteen_ohms", 0.5, "five", 0.6, "point_two_ohms", 0.4, "say_again", 0.6, "novel_cold_hearted", 2.0
    )
    recorded = heard(audio, recogniser)
    assert len(recorded) >= 4
    ear, live = Ear(apart, 0.5), []
    ear.open(OHMS)
    for at in range(0, len(audio.samples), block):
        live += ear.feed(audio.samples[at : at + block])
    ear.close()
    assert texts(live) == texts(recorded)
    for one, other in zip(live, recorded, strict=True):
        assert (one.speech.start, one.speech.cut) == (other.speech.start, other.speech.cut)
        assert np.array_equal(one.speech.samples, other.speech.samples)
        assert one.utterance.confidence == other.utterance.confidence


class Counting:
    """A recogniser that is told how often it was asked."""

    def __init__(self, recogniser: Recogniser) -> None:
        self.name = recogniser.name
        self._recogniser = recogniser
        self.asked: list[float] = []

    def open(self, what: Open) -> None:
        self._recogniser.open(what)

    def hear(self, audio: Audio) -> Utterance:
        self.asked.append(audio.seconds)
        return self._recogniser.hear(audio)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        return self._recogniser.hear_again(audio, first)

    @property
    def missing_words(self) -> frozenset[str]:
        return self._recogniser.missing_words


def test_an_utterance_is_recognised_once_however_it_ends(recogniser: MoonshineRecogniser) -> None:
    counting = Counting(recogniser)
    assert len(heard(said(1.0, "fifteen_ohms", 1.5, "four_hundred_eighty_volts", 1.5), counting)) == 2
    assert len(counting.asked) == 2
    assert len(heard(said(1.0, "five", 0.5, "point_two_ohms", 1.5), counting)) == 1
    assert len(counting.asked) == 4  # once for what was said before the pause


class Doubtful(Counting):
    """A recogniser that is as sure as it is told to be, at first and when it looks again."""

    def __init__(self, recogniser: Recogniser, first: float, again: float) -> None:
        super().__init__(recogniser)
        self._first, self._again = first, again
        self.looked_again: list[tuple[float, str]] = []

    def hear(self, audio: Audio) -> Utterance:
        return replace(super().hear(audio), confidence=self._first)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        self.looked_again.append((audio.seconds, first.text))
        return replace(first, confidence=self._again)


def test_what_was_not_heard_surely_is_looked_at_again_and_once(recogniser: MoonshineRecogniser) -> None:
    doubtful = Doubtful(recogniser, 0.3, 0.8)
    (hearing,) = heard(said(1.0, "fifteen_ohms", 3.0), doubtful)
    assert (hearing.utterance.text, hearing.utterance.confidence) == ("fifteen ohms", 0.8)
    assert doubtful.looked_again == [(doubtful.asked[0], "fifteen ohms")]
    assert len(doubtful.asked) == 1


@pytest.mark.parametrize("first", [0.001, 0.9])
def test_what_was_heard_surely_and_what_was_hardly_speech_is_not_looked_at_again(
    recogniser: MoonshineRecogniser, first: float
) -> None:
    doubtful = Doubtful(recogniser, first, 0.8)
    (hearing,) = heard(said(1.0, "fifteen_ohms", 3.0), doubtful)
    assert hearing.utterance.confidence == first
    assert doubtful.looked_again == []


@pytest.mark.parametrize(
    ("clip", "what", "enough"), [("fifteen_ohms", OHMS, ENOUGH), ("four_hundred_eighty_volts", VOLTS, A_BREATH)]
)
@pytest.mark.parametrize("again", [0.6, 0.4])
def test_what_was_sure_and_not_plain_is_looked_at_again_before_it_ends(
    recogniser: MoonshineRecogniser, clip: str, what: Open, enough: float, again: float
) -> None:
    """It ends where it would have, if the second look bears it out; if not, the whole silence is waited for."""
    audio, doubtful = said(1.0, clip, 3.0), Doubtful(recogniser, 0.7, again)
    ((_, plainly),) = ends(audio, Doubtful(recogniser, 0.9, 0.9), what)
    ((_, ended),) = ends(audio, doubtful, what)
    assert len(doubtful.looked_again) == 1
    assert ended - plainly == pytest.approx(0.0 if again > 0.5 else UNFINISHED - enough, abs=2 * BLOCK / RATE)


def test_what_is_sure_at_the_second_look_ends_sooner_than_what_is_not(recogniser: MoonshineRecogniser) -> None:
    audio = said(1.0, "fifteen_ohms", 3.0)
    ((_, sooner),) = ends(audio, Doubtful(recogniser, 0.3, 0.8))
    ((_, later),) = ends(audio, Doubtful(recogniser, 0.3, 0.4))
    assert later - sooner == pytest.approx(UNFINISHED - HANG, abs=2 * BLOCK / RATE)


def test_a_cut_utterance_is_not_even_tried(recogniser: MoonshineRecogniser) -> None:
    counting = Counting(recogniser)
    (hearing,) = heard(Audio(said(1.0, "four_hundred_eighty_volts").samples[: RATE * 7 // 4]), counting)
    assert hearing.speech.cut
    assert hearing.utterance == Utterance("", None, "moonshine")
    assert counting.asked == []


def test_what_a_recogniser_raises_reaches_whoever_listens(recogniser: MoonshineRecogniser) -> None:
    class Failing(Counting):
        def open(self, what: Open) -> None:
            raise ValueError("no such grammar")

    with pytest.raises(ValueError, match="no such grammar"):
        heard(said(1.0, "fifteen_ohms", 1.0), Failing(recogniser))


class Keeps:
    """A recogniser that keeps what it gets, and hears nothing."""

    name = "keeps"
    missing_words = frozenset[str]()

    def __init__(self) -> None:
        self.kept: list[Audio] = []

    def open(self, what: Open) -> None:
        pass

    def hear(self, audio: Audio) -> Utterance:
        self.kept.append(audio)
        return Utterance("", 0.0, self.name)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        raise AssertionError("there is nothing to look at again where nothing was heard")


def test_the_recogniser_gets_an_utterance_without_the_hum_around_it_and_the_record_gets_it_as_it_was() -> None:
    plain = said(1.5, "five_point_two_ohms", 1.5).samples
    time = np.arange(len(plain)) / RATE
    hum = 250 * sum(np.sin(2 * np.pi * 60 * order * time + order) for order in (1, 2, 3, 4))
    heard_in_hum, recogniser = Audio((plain + hum).astype(np.int16)), Keeps()
    (hearing,) = heard(heard_in_hum, recogniser)
    speech = hearing.speech
    place = slice(round(speech.start * RATE), round(speech.start * RATE) + len(speech.samples))
    assert np.array_equal(speech.samples, heard_in_hum.samples[place])
    assert np.std(recogniser.kept[-1].samples - plain[place]) < np.std(hum) / 4
