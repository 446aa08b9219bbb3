"""The recognisers on real audio: readings, procedure words, answers, and chatter that is none of these.

Each fact is checked of all: Moonshine and PocketSphinx, which are embedded, and where the English model is in its place
Vosk, alone and together with Moonshine.
"""

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from test_joint import in_hum

from handsfree.sound.audio import read
from handsfree.sound.evidence import ACCEPT
from handsfree.sound.joint import JointRecogniser
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import Audio, Recogniser
from handsfree.sound.sphinx import GRAMMARS_KEPT, SphinxRecogniser
from handsfree.sound.vosk import VoskRecogniser
from handsfree.spoken import grammar
from handsfree.spoken.automaton import smallest
from handsfree.spoken.expression import Alt
from handsfree.spoken.identifiers import Form
from handsfree.spoken.meaning import (
    Answer,
    Command,
    Expectation,
    Kind,
    Open,
    Quantity,
    Reading,
    Refusal,
    Respelled,
    Spelled,
    Word,
)

SPEECH = Path(__file__).parent / "speech"
EVERYTHING = Open(reading=Expectation(), words=frozenset(Word))


def asked(quantity: Quantity) -> Open:
    return Open(reading=Expectation(quantity), words=frozenset(Word))


def clip(name: str) -> Audio:
    return read(SPEECH / f"{name}.flac")[0]


Make = Callable[[], Recogniser]


@pytest.fixture(scope="module", params=["moonshine", "pocketsphinx", "vosk", "both"])
def make(request: pytest.FixtureRequest) -> Make:
    match request.param:
        case "moonshine":
            return MoonshineRecogniser
        case "pocketsphinx":
            return SphinxRecogniser
    model: Path = request.getfixturevalue("english_vosk")
    return partial(VoskRecogniser, model) if request.param == "vosk" else partial(JointRecogniser, None, model)


@pytest.fixture(scope="module")
def ear(make: Make) -> Recogniser:
    return make()


READINGS = [
    ("five_point_two_ohms", Quantity.RESISTANCE, Reading(Kind.READING, "5.2", "ohm")),
    ("four_hundred_eighty_volts", Quantity.VOLTAGE, Reading(Kind.READING, "480", "volt")),
    ("o_l", Quantity.RESISTANCE, Reading(Kind.OVER_RANGE, None, None)),
    ("greater_than_five_hundred_megohms", Quantity.RESISTANCE, Reading(Kind.ABOVE, "500", "megaohm")),
    ("fifteen_ohms", Quantity.RESISTANCE, Reading(Kind.READING, "15", "ohm")),
    ("fifty_ohms", Quantity.RESISTANCE, Reading(Kind.READING, "50", "ohm")),
    ("human_two_nine_three_four_zero", Quantity.COUNT, Reading(Kind.READING, "29340", None)),
]


@pytest.mark.parametrize(("name", "quantity", "meant"), READINGS)
def test_a_spoken_reading_is_heard_with_confidence(
    ear: Recogniser, name: str, quantity: Quantity, meant: Reading
) -> None:
    what = asked(quantity)
    ear.open(what)
    utterance = ear.hear(clip(name))
    assert grammar.understand(utterance.text, what) == meant
    assert utterance.confidence is not None
    assert utterance.confidence > ACCEPT


def test_the_figures_of_radiotelephony_are_heard_or_asked_for_and_never_taken_for_others(ear: Recogniser) -> None:
    what = asked(Quantity.VOLTAGE)
    ear.open(what)
    utterance = ear.hear(clip("niner_point_fife_volts"))
    meant = grammar.understand(utterance.text, what)
    assert utterance.confidence is not None
    assert meant == Reading(Kind.READING, "9.5", "volt") or utterance.confidence < ACCEPT


@pytest.mark.parametrize(
    ("name", "meant"),
    [("a_thousand_ohms", Reading(Kind.READING, "1000", "ohm")), ("minus_zero_point_one_ohms", None)],
)
def test_what_is_easily_taken_for_another_figure_is_heard_as_it_is_or_not_at_all(
    ear: Recogniser, name: str, meant: Reading | None
) -> None:
    what = asked(Quantity.RESISTANCE)
    ear.open(what)
    utterance = ear.hear(clip(name))
    understood = grammar.understand(utterance.text, what)
    assert utterance.confidence is not None
    assert understood == meant or isinstance(understood, grammar.Refusal) or utterance.confidence < ACCEPT


@pytest.mark.parametrize("name", ["about_six_ohms", "two_ohms_sorry_three_ohms", "nine_or_ten_ohms"])
def test_a_reading_that_is_guessed_or_put_right_while_it_is_said_is_not_taken(ear: Recogniser, name: str) -> None:
    what = asked(Quantity.RESISTANCE)
    ear.open(what)
    utterance = ear.hear(clip(name))
    assert utterance.confidence is not None
    assert isinstance(grammar.understand(utterance.text, what), Refusal) or utterance.confidence < ACCEPT


@pytest.mark.parametrize(("name", "value"), [("its_six_point_four_ohms", "6.4"), ("i_get_forty_two_ohms", "42")])
def test_what_leads_into_a_reading_is_no_figure_of_it(ear: Recogniser, name: str, value: str) -> None:
    what = asked(Quantity.RESISTANCE)
    ear.open(what)
    utterance = ear.hear(clip(name))
    assert utterance.confidence is not None
    meant = grammar.understand(utterance.text, what)
    assert meant == Reading(Kind.READING, value, "ohm") or utterance.confidence < ACCEPT


@pytest.mark.parametrize("name", ["five_point_two_ohms", "four_hundred_eighty_volts"])
def test_a_reading_is_heard_with_every_unit_open(ear: Recogniser, name: str) -> None:
    ear.open(EVERYTHING)
    heard = grammar.understand(ear.hear(clip(name)).text, EVERYTHING)
    assert heard in [meant for _, _, meant in READINGS]


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("say_again", Word.SAY_AGAIN),
        ("correction", Word.CORRECTION),
        ("unable", Word.UNABLE),
        ("stand_by", Word.STAND_BY),
        ("read_back", Word.READ_BACK),
    ],
)
def test_a_procedure_word_is_heard_while_a_reading_is_asked_for(ear: Recogniser, name: str, word: Word) -> None:
    what = asked(Quantity.RESISTANCE)
    ear.open(what)
    utterance = ear.hear(clip(name))
    assert grammar.understand(utterance.text, what) == Command(word)
    assert utterance.confidence is not None
    assert utterance.confidence > ACCEPT


@pytest.mark.parametrize(
    "name",
    [
        "he_has_been_working_here_for",
        "she_said_the_delivery_was_late",
        "hand_me_that_wrench_would_you",
        "novel_ill_disposed",
        "novel_cold_hearted",
        "korean_hello",
    ],
)
def test_chatter_has_too_little_confidence_to_become_a_reading(ear: Recogniser, name: str) -> None:
    ear.open(asked(Quantity.RESISTANCE))
    utterance = ear.hear(clip(name))
    assert utterance.confidence is not None
    assert utterance.confidence < ACCEPT / 2


@pytest.mark.parametrize("name", ["four_hundred_eighty_volts", "niner_point_fife_volts"])
def test_volts_said_where_ohms_are_asked_for_are_refused(ear: Recogniser, name: str) -> None:
    what = asked(Quantity.RESISTANCE)
    ear.open(what)
    meant = grammar.understand(ear.hear(clip(name)).text, what)
    assert isinstance(meant, Refusal)
    assert "voltage" in meant.reason


SERIAL = Open(
    identifier=Form("AA-999"),
    identifier_named=("serial", "serial number"),
    change=True,
    words=frozenset({Word.AFFIRM, Word.NEGATIVE, Word.SAY_AGAIN}),
)


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("serial_number_bravo_x_ray_four_zero_niner", Spelled("BX-409")),
        ("third_is_papa", Respelled("third is papa")),
        ("say_again", Command(Word.SAY_AGAIN)),
    ],
)
def test_a_serial_number_that_is_spelled_is_heard_and_so_is_what_puts_it_right(
    ear: Recogniser, name: str, meant: Spelled | Respelled | Command
) -> None:
    ear.open(SERIAL)
    assert not ear.missing_words
    utterance = ear.hear(clip(name))
    assert grammar.understand(utterance.text, SERIAL) == meant
    assert utterance.confidence is not None
    assert utterance.confidence > ACCEPT


@pytest.mark.parametrize("name", ["five_point_two_ohms", "he_has_been_working_here_for", "novel_ill_disposed"])
def test_what_is_no_serial_number_does_not_become_one(ear: Recogniser, name: str) -> None:
    ear.open(SERIAL)
    utterance = ear.hear(clip(name))
    meant = grammar.understand(utterance.text, SERIAL)
    assert not isinstance(meant, Spelled | Respelled) or (utterance.confidence or 0.0) < ACCEPT


def test_noise_has_too_little_confidence_to_become_a_reading(ear: Recogniser) -> None:
    ear.open(asked(Quantity.RESISTANCE))
    rustle = Audio(np.random.default_rng(5).normal(0, 2000, 24_000).astype(np.int16))
    confidence = ear.hear(rustle).confidence
    assert confidence is not None
    assert confidence < ACCEPT / 2


def test_an_answer_is_heard_only_while_it_is_open(ear: Recogniser) -> None:
    what = Open(answers={"frosted": ("frosted over",), "clear": ("clear",)})
    ear.open(what)
    assert grammar.understand(ear.hear(clip("frosted_over")).text, what) == Answer("frosted")
    ear.open(asked(Quantity.RESISTANCE))
    assert "frosted" not in ear.hear(clip("frosted_over")).text


def test_alternatives_are_other_sentences_that_are_listened_for(ear: Recogniser) -> None:
    what = asked(Quantity.RESISTANCE)
    automaton = smallest(Alt((grammar.tree(what), grammar.decoys(what))))
    ear.open(what)
    utterance = ear.hear(clip("five_point_two_ohms"))
    assert utterance.alternatives or utterance.engine == "vosk"  # which finds nothing else likely
    texts = [alternative.text for alternative in utterance.alternatives]
    assert utterance.text not in texts
    assert len(set(texts)) == len(texts)
    assert all(automaton.accepts(text.split()) for text in texts)


def test_the_same_clip_is_heard_alike_whatever_was_heard_before(ear: Recogniser) -> None:
    ear.open(asked(Quantity.RESISTANCE))
    first = ear.hear(clip("fifteen_ohms"))
    ear.hear(clip("novel_cold_hearted"))
    again = ear.hear(clip("fifteen_ohms"))
    assert (again.text, again.confidence, again.words) == (first.text, first.confidence, first.words)


def test_a_word_nobody_can_pronounce_is_reported_and_its_answer_left_out(ear: Recogniser) -> None:
    what = Open(answers={"one": ("일",), "frosted": ("frosted over", "frosted 일")})
    ear.open(what)
    assert ear.missing_words == {"일"}
    assert ear.hear(clip("frosted_over")).text == "frosted over"


def test_where_nothing_can_be_heard_nothing_is(ear: Recogniser, make: Make) -> None:
    ear.open(Open(answers={"one": ("일",)}))
    assert ear.hear(clip("five")).text == ""
    assert make().hear(clip("five")).text == ""


def test_no_audio_is_no_words(ear: Recogniser) -> None:
    ear.open(EVERYTHING)
    utterance = ear.hear(Audio(np.empty(0, np.int16)))
    assert (utterance.text, utterance.confidence) == ("", 0.0)


def test_grammars_beyond_those_kept_are_made_anew(ear: Recogniser) -> None:
    first = asked(Quantity.RESISTANCE)
    ear.open(first)
    for number in range(GRAMMARS_KEPT + 2):
        ear.open(Open(answers={"a": ("five " * (number + 1),)}))
    ear.open(first)
    assert ear.hear(clip("fifty_ohms")).text == "fifty ohms"


def test_the_engine_keeps_quiet(ear: Recogniser, make: Make, capfd: pytest.CaptureFixture[str]) -> None:
    make().open(EVERYTHING)
    ear.open(asked(Quantity.RESISTANCE))
    ear.hear(clip("korean_three"))
    assert capfd.readouterr() == ("", "")


def test_what_was_heard_plainly_needs_no_second_look_and_is_as_plain_in_one(ear: Recogniser) -> None:
    what = asked(Quantity.RESISTANCE)
    ear.open(what)
    audio = clip("five_point_two_ohms")
    first = ear.hear(audio)
    again = ear.hear_again(audio, first)
    assert grammar.understand(again.text, what) == grammar.understand(first.text, what)
    assert (again.confidence or 0.0) >= (first.confidence or 0.0)


@pytest.mark.parametrize("name", ["fifteen_ohms", "four_hundred_eighty_volts", "five_point_two_ohms"])
@pytest.mark.parametrize("level", [10.0, 5.0])
def test_a_second_look_takes_nothing_that_was_not_said(ear: Recogniser, name: str, level: float) -> None:
    what = asked(Quantity.VOLTAGE if name.endswith("volts") else Quantity.RESISTANCE)
    ear.open(what)
    audio = in_hum(clip(name), level)
    again = ear.hear_again(audio, ear.hear(audio))
    if (again.confidence or 0.0) >= ACCEPT:
        assert grammar.understand(again.text, what) == grammar.understand(name.replace("_", " "), what)
