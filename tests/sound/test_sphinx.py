"""PocketSphinx: what it alone does with words, their sounds and a grammar's text."""

import os
import random
from pathlib import Path

import pocketsphinx
import pytest

from handsfree.sound.audio import read
from handsfree.sound.pronounce import pronounce
from handsfree.sound.protocol import Audio
from handsfree.sound.sphinx import OUT_OF_SIGHT, SphinxRecogniser
from handsfree.spoken import grammar
from handsfree.spoken.automaton import smallest
from handsfree.spoken.meaning import Expectation, Open, Quantity, Word

SPEECH = Path(__file__).parent / "speech"
DICTIONARY = Path(pocketsphinx.get_model_path()) / "en-us" / "cmudict-en-us.dict"
EVERYTHING = Open(reading=Expectation(), words=frozenset(Word))


def asked(quantity: Quantity) -> Open:
    return Open(reading=Expectation(quantity), words=frozenset(Word))


def clip(name: str) -> Audio:
    return read(SPEECH / f"{name}.flac")[0]


@pytest.fixture(scope="module")
def ear() -> SphinxRecogniser:
    return SphinxRecogniser()


def test_words_come_with_their_places_and_confidence(ear: SphinxRecogniser) -> None:
    ear.open(asked(Quantity.VOLTAGE))
    utterance = ear.hear(clip("four_hundred_eighty_volts"))
    assert [word.text for word in utterance.words] == utterance.text.split()
    assert utterance.audio is not None
    edges = [edge for word in utterance.words for edge in (word.start, word.end)]
    assert edges == sorted(edges)
    assert edges[0] >= 0
    assert edges[-1] <= utterance.audio.seconds
    assert all(0 <= word.confidence <= 1 for word in utterance.words)


def test_a_word_in_no_dictionary_is_heard_by_its_spelling(ear: SphinxRecogniser) -> None:
    what = Open(answers={"odd": ("desuperheater",), "five": ("five",)})
    ear.open(what)
    assert ear.missing_words == frozenset()


@pytest.mark.parametrize(("said", "other"), [("fifteen ohms", "fifty ohms"), ("fifty ohms", "fifteen ohms")])
def test_of_sentences_compared_the_one_that_was_said_is_behind_none(
    ear: SphinxRecogniser, said: str, other: str
) -> None:
    behind = ear.compare([other, said, "nine volts"], clip(said.replace(" ", "_")).samples)
    assert behind[said] == 0
    assert 0 < behind[other] <= behind["nine volts"] <= OUT_OF_SIGHT


def test_no_sentence_is_behind_where_one_cannot_be_pronounced(ear: SphinxRecogniser) -> None:
    assert ear.compare(["five ohms", "five \u03a9"], clip("five").samples) == {"five ohms": 0, "five \u03a9": 0}


@pytest.mark.parametrize("quantity", [None, *Quantity])
def test_every_word_of_the_number_grammar_can_be_pronounced_without_guessing(quantity: Quantity | None) -> None:
    what = Open(reading=Expectation(quantity), words=frozenset(Word))
    words = grammar.words(what)
    assert pronounce(words, DICTIONARY).keys() == words


@pytest.mark.parametrize("quantity", [Quantity.RATIO, Quantity.FREQUENCY])
def test_the_automaton_accepts_what_pocketsphinx_makes_of_the_jsgf_text(quantity: Quantity) -> None:
    what = asked(quantity)
    automaton = smallest(grammar.tree(what))
    theirs = pocketsphinx.Decoder(lm=None, dict=None, logfn=os.devnull).parse_jsgf(grammar.jsgf(what))
    choose = random.Random(quantity)
    words = sorted(grammar.words(what))
    verdicts = []
    for _ in range(300):
        sentence = grammar.sentence(what, choose).split()
        assert automaton.accepts(sentence)
        assert theirs.accept(" ".join(sentence))
        sentence[choose.randrange(len(sentence))] = choose.choice(words)
        verdicts.append(automaton.accepts(sentence))
        assert verdicts[-1] == bool(theirs.accept(" ".join(sentence)))
    assert 10 < sum(verdicts) < 290  # sentences with a word changed are sometimes still sentences
