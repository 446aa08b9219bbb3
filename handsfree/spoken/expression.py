"""Expression trees: one declaration of what may be said, three uses.

From one tree come the parser (what does this sentence mean), the JSGF text (W3C note, 2000) that narrows a recogniser,
and example sentences (for phrase lists and for tests). The one rule: a tree is finite and has no recursion, so all
three see exactly the same language.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any


@dataclass(frozen=True, eq=False, slots=True)
class Words:
    """One word out of several, each with a value; where all values are None it adds nothing to the meaning."""

    values: Mapping[str, Any]
    name: str | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Seq:
    """All items, one after the other."""

    items: tuple[Expression, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Alt:
    """One of the options."""

    options: tuple[Expression, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Opt:
    """The item or nothing."""

    item: Expression


@dataclass(frozen=True, eq=False, slots=True)
class Some:
    """The item ``least`` to ``most`` times."""

    item: Expression
    least: int
    most: int


@dataclass(frozen=True, eq=False, slots=True)
class Rule:
    """The item, its values made into one value. A name makes it a rule of its own in the JSGF text."""

    item: Expression
    make: Callable[[list[Any]], Any]
    name: str | None = None


Expression = Words | Seq | Alt | Opt | Some | Rule


@cache
def literal(word: str) -> Words:
    """A word that adds nothing to the meaning by itself."""
    return Words({word: None})


def spoken(phrase: str) -> Expression:
    """The words of a phrase in order."""
    words = tuple(literal(word) for word in phrase.split())
    return words[0] if len(words) == 1 else Seq(words)


def only(values: list[Any]) -> Any:
    """Passes on the one value there is."""
    return values[0]


def meaning(phrase: str, value: Any) -> Rule:
    """A phrase that means ``value``."""
    return Rule(spoken(phrase), lambda _: value)


# -- parsing ---------------------------------------------------------------------------------------------------------
# Words that the same set of Words nodes accept are interchangeable, so a sentence is first reduced to its shape (one
# signature a word) and the tree is walked once for each shape. What the walk leaves is a derivation: nested tuples
# (make, children) over (values of a Words node, place of the word), with everything that does not depend on the very
# word worked out beforehand. Evaluating that costs a few microseconds.

_Derivation = tuple[Any, Any]


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a sentence leaves the grammar: the words before ``at`` can begin a sentence, the next cannot follow them.

    ``at`` equal to the number of words means that the sentence is cut short.
    """

    at: int


class Parser:
    """Reads sentences of one tree."""

    def __init__(self, tree: Expression) -> None:
        self._tree = tree
        accepting: dict[str, set[Words]] = {}
        for node in _nodes(tree):
            if isinstance(node, Words):
                for word in node.values:
                    accepting.setdefault(word, set()).add(node)
        signatures: dict[frozenset[Words], int] = {}
        self._signature = {
            word: signatures.setdefault(frozenset(nodes), len(signatures)) for word, nodes in accepting.items()
        }
        self._accepting = list(signatures)
        self._plans: dict[tuple[int, ...], tuple[tuple[_Derivation, ...], ...]] = {}

    @property
    def vocabulary(self) -> frozenset[str]:
        return frozenset(self._signature)

    def meanings(self, words: Sequence[str]) -> list[Any]:
        """Every distinct meaning of a sentence; empty where the tree does not hold it."""
        try:
            shape = tuple([self._signature[word] for word in words])
        except KeyError:
            return []
        plans = self._plans.get(shape)
        if plans is None:
            nodes = tuple(self._accepting[signature] for signature in shape)
            plans = tuple(_fold(derived) for end, derived in _walk(self._tree, nodes, 0) if end == len(shape))
            self._plans[shape] = plans
        found: list[Any] = []
        for plan in plans:
            for value in _values(plan, words):
                if value not in found:
                    found.append(value)
        return found

    def stop(self, words: Sequence[str]) -> Stop:
        """Where a sentence that has no meaning leaves the grammar."""
        nothing: frozenset[Words] = frozenset()
        shape = tuple(self._accepting[self._signature[word]] if word in self._signature else nothing for word in words)
        furthest = [0]
        for _ in _walk(self._tree, shape, 0, furthest):
            pass
        return Stop(furthest[0])


def _walk(
    node: Expression, shape: tuple[frozenset[Words], ...], at: int, furthest: list[int] | None = None
) -> Iterator[tuple[int, tuple[_Derivation, ...]]]:
    if furthest is not None and at > furthest[0]:
        furthest[0] = at
    if isinstance(node, Words):
        if at < len(shape) and node in shape[at]:
            if furthest is not None and at + 1 > furthest[0]:
                furthest[0] = at + 1
            yield at + 1, ((node.values, at),)
    elif isinstance(node, Rule):
        for end, below in _walk(node.item, shape, at, furthest):
            yield end, ((node.make, below),)
    elif isinstance(node, Alt):
        for option in node.options:
            yield from _walk(option, shape, at, furthest)
    elif isinstance(node, Opt):
        yield from _walk(node.item, shape, at, furthest)
        yield at, ()
    elif isinstance(node, Seq):
        yield from _walk_items(node.items, shape, at, furthest)
    else:
        yield from _walk_some(node, 0, shape, at, furthest)


def _walk_items(
    items: tuple[Expression, ...], shape: tuple[frozenset[Words], ...], at: int, furthest: list[int] | None
) -> Iterator[tuple[int, tuple[_Derivation, ...]]]:
    for end, first in _walk(items[0], shape, at, furthest):
        if len(items) == 1:
            yield end, first
        else:
            for last, rest in _walk_items(items[1:], shape, end, furthest):
                yield last, first + rest


def _walk_some(
    node: Some, had: int, shape: tuple[frozenset[Words], ...], at: int, furthest: list[int] | None
) -> Iterator[tuple[int, tuple[_Derivation, ...]]]:
    if had >= node.least:
        yield at, ()
    if had < node.most:
        for end, first in _walk(node.item, shape, at, furthest):
            for last, rest in _walk_some(node, had + 1, shape, end, furthest):
                yield last, first + rest


def _values(nodes: tuple[_Derivation, ...], words: Sequence[str]) -> list[Any]:
    found = []
    for head, below in nodes:
        if type(below) is int:
            found.append(head[words[below]])
        elif head is None:
            found.append(below)
        else:
            found.append(head(_values(below, words)))
    return found


def _fold(nodes: tuple[_Derivation, ...]) -> tuple[_Derivation, ...]:
    """Leaves out words without value, puts known values in as (None, value) and skips rules that only pass one on."""
    folded: list[_Derivation] = []
    for head, below in nodes:
        if type(below) is int:
            if any(value is not None for value in head.values()):
                folded.append((head, below))
            continue
        children = _fold(below)
        if head is only and len(children) == 1:
            folded.append(children[0])
        elif all(child is None for child, _ in children):
            value = head([known for _, known in children])
            folded += [] if value is None else [(None, value)]
        else:
            folded.append((head, children))
    return tuple(folded)


def _nodes(tree: Expression) -> Iterator[Expression]:
    yield tree
    for child in _children(tree):
        yield from _nodes(child)


def _children(node: Expression) -> tuple[Expression, ...]:
    match node:
        case Seq(items):
            return items
        case Alt(options):
            return options
        case Opt(item) | Some(item, _, _) | Rule(item, _, _):
            return (item,)
        case _:
            return ()


# -- JSGF ------------------------------------------------------------------------------------------------------------


def jsgf(tree: Expression, name: str = "handsfree") -> str:
    """The tree as a JSGF 1.0 grammar with one public rule, <sentence>."""
    rules: dict[str, str] = {}
    owners: dict[str, Expression] = {}

    def named(node: Rule | Words, label: str, body: Callable[[], str]) -> str:
        label = next(free for free in _labels(label) if owners.setdefault(free, node) is node)
        if label not in rules:
            rules[label] = ""  # keeps its place: a rule stands before those it uses
            rules[label] = body()
        return f"<{label}>"

    def text(node: Expression) -> str:
        match node:
            case Words(values, label):
                words = " | ".join(values)
                if label is not None:
                    return named(node, label, lambda: words)
                return words if len(values) == 1 else f"({words})"
            case Rule(item, _, label):
                return text(item) if label is None else named(node, label, lambda: text(item))
            case Seq(items):
                return " ".join(text(item) for item in items)
            case Alt(options):
                return "(" + " | ".join(text(option) for option in options) + ")"
            case Opt(item):
                return f"[{text(item)}]"
            case Some(item, least, most):
                # JSGF has no bounded repetition: nested options say the same.
                one = f"({text(item)})"
                tail = ""
                for _ in range(most - least):
                    tail = f"[{one}{' ' if tail else ''}{tail}]"
                return " ".join([one] * least + ([tail] if tail else []))

    body = text(tree)
    lines = [f"<{label}> = {rule};" for label, rule in rules.items()]
    return "\n".join(["#JSGF V1.0;", f"grammar {name};", f"public <sentence> = {body};", *lines, ""])


def _labels(label: str) -> Iterator[str]:
    yield label
    number = 2
    while True:
        yield f"{label}-{number}"
        number += 1


# -- sentences -------------------------------------------------------------------------------------------------------


def sample(tree: Expression, choose: random.Random) -> list[str]:
    """One sentence of the tree, picked at random."""
    match tree:
        case Words(values, _):
            return [choose.choice(list(values))]
        case Rule(item, _, _):
            return sample(item, choose)
        case Seq(items):
            return [word for item in items for word in sample(item, choose)]
        case Alt(options):
            return sample(choose.choice(options), choose)
        case Opt(item):
            return sample(item, choose) if choose.random() < 0.5 else []
        case Some(item, least, most):
            times = choose.randint(least, most)
            return [word for _ in range(times) for word in sample(item, choose)]


def cover(tree: Expression) -> list[list[str]]:
    """Few sentences in which every word of the tree stands, and every set of words follows each that it can follow.

    A recogniser that learns word pairs from a list of phrases learns the tree's pairs from these.
    """
    graph = _Places(tree)
    to = _shortest(graph.first, graph.follow)
    reverse: list[set[int]] = [set() for _ in graph.words]
    for place, nexts in enumerate(graph.follow):
        for after in nexts:
            reverse[after].add(place)
    # Shortest ways on to an end, walked backwards from the places that may end a sentence.
    on = {place: way[::-1] for place, way in _shortest(graph.last, reverse).items()}
    turns = dict.fromkeys(graph.words, 0)
    pairs: set[tuple[Words, Words]] = set()
    sentences: list[list[str]] = []

    def speak(path: Sequence[int]) -> None:
        nodes = [graph.words[place] for place in path]
        pairs.update(pairwise(nodes))
        sentence = []
        for node in nodes:
            words = list(node.values)
            sentence.append(words[turns[node] % len(words)])
            turns[node] += 1
        sentences.append(sentence)

    for place in sorted(graph.first):
        speak(on[place])
    for place, nexts in enumerate(graph.follow):
        for after in sorted(nexts):
            if (graph.words[place], graph.words[after]) not in pairs:
                speak([*to[place], *on[after]])
    for place, node in enumerate(graph.words):
        while turns[node] < len(node.values):
            speak([*to[place][:-1], *on[place]])
    unique = dict.fromkeys(tuple(sentence) for sentence in sentences)
    return [list(sentence) for sentence in unique]


class _Places:
    """The tree's Words nodes by occurrence, with which may begin, follow and end (Glushkov's construction)."""

    def __init__(self, tree: Expression) -> None:
        self.words: list[Words] = []
        self.follow: list[set[int]] = []
        _, self.first, self.last = self._visit(tree)

    def _visit(self, node: Expression) -> tuple[bool, set[int], set[int]]:
        match node:
            case Words():
                self.words.append(node)
                self.follow.append(set())
                place = len(self.words) - 1
                return False, {place}, {place}
            case Rule(item, _, _):
                return self._visit(item)
            case Opt(item):
                _, first, last = self._visit(item)
                return True, first, last
            case Alt(options):
                parts = [self._visit(option) for option in options]
                return (
                    any(empty for empty, _, _ in parts),
                    set().union(*(first for _, first, _ in parts)),
                    set().union(*(last for _, _, last in parts)),
                )
            case Seq(items):
                return self._join([self._visit(item) for item in items])
            case Some(item, least, most):
                parts = [self._visit(item) for _ in range(most)]
                return self._join(
                    [(empty or number >= least, first, last) for number, (empty, first, last) in enumerate(parts)]
                )

    def _join(self, parts: list[tuple[bool, set[int], set[int]]]) -> tuple[bool, set[int], set[int]]:
        empty, first, last = True, set[int](), set[int]()
        for part_empty, part_first, part_last in parts:
            for place in last:
                self.follow[place] |= part_first
            if empty:
                first = first | part_first
            last = last | part_last if part_empty else part_last
            empty = empty and part_empty
        return empty, first, last


def _shortest(begin: set[int], follow: Sequence[set[int]]) -> dict[int, list[int]]:
    """The shortest path from any of ``begin`` to each place that can be reached."""
    paths = {place: [place] for place in sorted(begin)}
    queue = deque(paths)
    while queue:
        place = queue.popleft()
        for after in sorted(follow[place]):
            if after not in paths:
                paths[after] = [*paths[place], after]
                queue.append(after)
    return paths
