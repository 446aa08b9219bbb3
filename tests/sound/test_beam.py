"""The search in a grammar: what it finds, what it adds up, and that it stays inside."""

import math
from pathlib import Path

import numpy as np
import pytest

from handsfree.sound.audio import read
from handsfree.sound.beam import BEAM, Net, score, search
from handsfree.sound.engines import network_folder
from handsfree.sound.protocol import RATE
from handsfree.sound.transformer import Heard, Network
from handsfree.spoken import grammar
from handsfree.spoken.automaton import Automaton, smallest
from handsfree.spoken.expression import Alt, spoken
from handsfree.spoken.meaning import Expectation, Open, Quantity, Word

SPEECH = Path(__file__).parent / "speech"


@pytest.fixture(scope="module")
def network() -> Network:
    model = network_folder()
    assert model is not None
    return Network(model)


def heard(network: Network, name: str, beam: int = BEAM) -> Heard:
    return network.listen(read(SPEECH / f"{name}.flac")[0].samples, beam + 1)


def only(*sentences: str) -> Automaton:
    return smallest(Alt(tuple(spoken(sentence) for sentence in sentences)))


def test_the_text_that_nothing_binds_is_what_was_said(network: Network) -> None:
    found = search(network, Net(only("done"), network.tokens, {}), heard(network, "she_said_the_delivery_was_late"))
    assert found.text == "She said the delivery was late because of traffic."
    assert found.free < 0


def test_every_sentence_found_is_one_of_the_grammar(network: Network) -> None:
    what = Open(reading=Expectation(Quantity.RESISTANCE), words=frozenset(Word))
    automaton = smallest(grammar.tree(what))
    found = search(network, Net(automaton, network.tokens, {}), heard(network, "five_point_two_ohms"))
    assert found.sentences[0][0] == "five point two ohms"
    assert all(automaton.accepts(text.split()) for text, _ in found.sentences)
    assert [log for _, log in found.sentences] == sorted((log for _, log in found.sentences), reverse=True)
    assert math.fsum(math.exp(log) for _, log in found.sentences) <= 1 + 1e-6


def test_of_two_that_sound_alike_the_one_that_was_said_is_likelier(network: Network) -> None:
    net = Net(only("fifteen ohms", "fifty ohms"), network.tokens, {})
    assert search(network, net, heard(network, "fifteen_ohms")).sentences[0][0] == "fifteen ohms"
    assert search(network, net, heard(network, "fifty_ohms")).sentences[0][0] == "fifty ohms"


def test_a_cost_makes_a_word_less_likely_by_just_that(network: Network) -> None:
    automaton, clip = only("fifteen ohms", "fifty ohms"), heard(network, "fifteen_ohms")
    plain = dict(search(network, Net(automaton, network.tokens, {}), clip).sentences)
    dear = dict(search(network, Net(automaton, network.tokens, {"fifteen": -2.0}), clip).sentences)
    assert dear["fifteen ohms"] == pytest.approx(plain["fifteen ohms"] - 2.0, abs=0.01)


@pytest.mark.parametrize("text", ["Fifteen point two ohms.", "18.5 volts AC", "minus twenty-five °C, 45%"])
def test_text_comes_back_from_its_tokens(network: Network, text: str) -> None:
    assert network.tokens.decode(list(network.tokens.encode(f" {text}"))) == text


def test_tokens_are_those_the_network_writes_itself(network: Network) -> None:
    pieces = [network.tokens.pieces[token].decode() for token in network.tokens.encode(" Fifteen point two")]
    assert pieces == ["\u2581Fif", "teen", "\u2581point", "\u2581two"]


def test_the_same_sound_is_heard_alike_beside_any_number_of_other_texts(network: Network) -> None:
    net = Net(only("fifteen ohms"), network.tokens, {})
    ((_, narrow),) = search(network, net, heard(network, "fifteen_ohms", 1), 1).sentences
    ((_, wide),) = search(network, net, heard(network, "fifteen_ohms", 8), 8).sentences
    assert narrow <= wide + 0.01


def test_a_small_grammar_is_scored_as_in_the_search(network: Network) -> None:
    net, clip = Net(only("fifteen ohms", "fifty ohms"), network.tokens, {}), heard(network, "fifty_ohms")
    assert score(network, net, clip) == pytest.approx(dict(search(network, net, clip).sentences), abs=0.01)


@pytest.mark.parametrize("seconds", [0.05, 1.0, 9.0, 10.0, 15.0])
def test_sound_of_any_length_is_heard(network: Network, seconds: float) -> None:
    samples = read(SPEECH / "novel_cold_hearted.flac")[0].samples
    clip = network.listen(np.resize(samples, round(seconds * RATE)), BEAM + 1)
    assert search(network, Net(only("done"), network.tokens, {}), clip).free < 0
