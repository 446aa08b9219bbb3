"""The automaton of a tree against every sentence of it, written out by other means."""

from __future__ import annotations

from itertools import product
from math import prod

from hypothesis import given
from hypothesis import strategies as st

from handsfree.spoken.automaton import smallest
from handsfree.spoken.expression import Alt, Expression, Opt, Rule, Seq, Some, Words, inside

Sentences = frozenset[tuple[str, ...]]

WORDS = st.lists(st.sampled_from("abcd"), min_size=1, max_size=2, unique=True).map(
    lambda said: Words(dict.fromkeys(said))
)
TREES = st.recursive(
    WORDS,
    lambda trees: st.one_of(
        st.lists(trees, min_size=1, max_size=3).map(lambda items: Seq(tuple(items))),
        st.lists(trees, min_size=1, max_size=3).map(lambda options: Alt(tuple(options))),
        trees.map(Opt),
        trees.map(lambda item: Rule(item, list)),
        trees.map(lambda item: Seq((item, item))),  # the same node in two places
        st.tuples(trees, st.integers(0, 1), st.integers(1, 2)).map(lambda said: Some(*said)),
    ),
    max_leaves=6,
).filter(lambda tree: sentence_count(tree) <= MANY)

MANY = 500  # sentences, which are compared with each other


def sentence_count(tree: Expression) -> int:
    """How many sentences a tree has at most, two ways to the same counted twice."""
    below = [sentence_count(each) for each in inside(tree)]
    match tree:
        case Words(values, _):
            return len(values)
        case Seq():
            return prod(below)
        case Opt():
            return below[0] + 1
        case Some(_, least, most):
            return sum(below[0] ** times for times in range(least, most + 1))
        case _:
            return sum(below)


def sentences(tree: Expression) -> Sentences:
    """All of them, by the definition of each node."""

    def joined(parts: list[Sentences]) -> Sentences:
        return frozenset(sum(said, ()) for said in product(*parts))

    below = [sentences(each) for each in inside(tree)]
    match tree:
        case Words(values, _):
            return frozenset((word,) for word in values)
        case Seq():
            return joined(below)
        case Alt():
            return frozenset[tuple[str, ...]]().union(*below)
        case Opt():
            return below[0] | {()}
        case Rule():
            return below[0]
        case Some(_, least, most):
            return frozenset[tuple[str, ...]]().union(*(joined(below * times) for times in range(least, most + 1)))


def futures(said: Sentences) -> set[Sentences]:
    """What may follow after each beginning of a sentence: one for each state of the smallest automaton (Nerode)."""
    beginnings = {sentence[:length] for sentence in said for length in range(len(sentence) + 1)}
    return {
        frozenset(sentence[len(begun) :] for sentence in said if sentence[: len(begun)] == begun)
        for begun in beginnings
    }


@given(TREES)
def test_it_accepts_the_sentences_of_the_tree_and_no_others_with_as_few_states_as_can_be(tree: Expression) -> None:
    said = sentences(tree)
    automaton = smallest(tree)
    assert set(automaton.longer(automaton.start)) == said - {()}
    assert (automaton.start in automaton.ends) == (() in said)
    assert len(automaton.ways) == len(futures(said))
    assert automaton.words == {word for sentence in said for word in sentence}
    assert all(automaton.accepts(sentence) for sentence in said)
    assert not any(automaton.accepts((*sentence, "e")) for sentence in said)
    assert not automaton.ways[automaton.final]
    assert automaton.final in automaton.ends


@given(TREES, st.sets(st.sampled_from("abcd")))
def test_without_some_words_it_has_the_sentences_that_hold_none_and_no_way_that_leads_nowhere(
    tree: Expression, left_out: set[str]
) -> None:
    kept = {sentence for sentence in sentences(tree) if left_out.isdisjoint(sentence)}
    automaton = smallest(tree).without(left_out)
    assert set(automaton.longer(automaton.start)) == kept - {()}
    assert automaton.words == {word for sentence in kept for word in sentence}
    assert all(automaton.accepts(sentence) for sentence in kept)


@given(TREES)
def test_sentences_come_shortest_first(tree: Expression) -> None:
    automaton = smallest(tree)
    lengths = [len(words) for words in automaton.longer(automaton.start)]
    assert lengths == sorted(lengths)
