"""A grammar tree as the smallest automaton that accepts the same sentences.

PocketSphinx turns JSGF into an automaton by copying every rule wherever it is used, which makes tens of thousands of
arcs of a number grammar and decodes slower than real time. The smallest one has hundreds. The one rule: a tree has no
recursion, so its automaton has no loops, and states with the same future are found and merged in one pass.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, replace

from handsfree.spoken.expression import Expression, Places

START_PLACE = -1


@dataclass(frozen=True, slots=True)
class Automaton:
    """States are numbers; ``steps`` says where a word leads; nothing follows ``final``, one of the ``ends``."""

    start: int
    final: int
    ends: frozenset[int]
    steps: Mapping[tuple[int, str], int]

    def accepts(self, words: Iterable[str]) -> bool:
        """Whether the words are a whole sentence."""
        state: int | None = self.start
        for word in words:
            state = self.steps.get((state, word)) if state is not None else None
        return state in self.ends

    def without(self, words: Set[str]) -> Automaton:
        """The same without the sentences that hold one of ``words``."""
        return replace(self, steps={(at, word): to for (at, word), to in self.steps.items() if word not in words})


def smallest(tree: Expression) -> Automaton:
    """The automaton of ``tree``: subset construction over its places, merging states that have the same future."""
    places = Places(tree)
    words_of, classes_at = _classes(places)
    numbers: dict[tuple[bool, tuple[tuple[int, int], ...]], int] = {(True, ()): 0}  # the final state: nothing follows
    known: dict[frozenset[int], int] = {}

    def number(state: frozenset[int]) -> int:
        """The number of the state in which any of these places has just been spoken."""
        if state not in known:
            after: defaultdict[int, set[int]] = defaultdict(set)
            for place in state:
                for follower in places.first if place == START_PLACE else places.follow[place]:
                    for kind in classes_at[follower]:
                        after[kind].add(follower)
            ways = tuple(sorted((kind, number(frozenset(reached))) for kind, reached in after.items()))
            may_end = not places.last.isdisjoint(state)
            known[state] = numbers.setdefault((may_end, ways), len(numbers))
        return known[state]

    start = number(frozenset({START_PLACE}))
    return Automaton(
        start=start,
        final=0,
        ends=frozenset(state for (may_end, _), state in numbers.items() if may_end),
        steps={
            (state, word): target
            for (_, ways), state in numbers.items()
            for kind, target in ways
            for word in words_of[kind]
        },
    )


def _classes(places: Places) -> tuple[list[list[str]], list[list[int]]]:
    """Words that stand in the same nodes behave alike: the words of each class, and the classes each place takes."""
    nodes = list(dict.fromkeys(places.words))
    members: defaultdict[str, list[int]] = defaultdict(list)
    for index, node in enumerate(nodes):
        for word in node.values:
            members[word].append(index)
    words_of: defaultdict[tuple[int, ...], list[str]] = defaultdict(list)
    for word, where in members.items():
        words_of[tuple(where)].append(word)
    of_node: defaultdict[int, list[int]] = defaultdict(list)
    for kind, owners in enumerate(words_of):
        for index in owners:
            of_node[index].append(kind)
    place_of = {node: index for index, node in enumerate(nodes)}
    return list(words_of.values()), [of_node[place_of[node]] for node in places.words]
