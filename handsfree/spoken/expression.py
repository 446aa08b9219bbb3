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
from functools import cache, lru_cache, partial
from itertools import pairwise
from operator import add, mul
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


@dataclass(frozen=True, slots=True)
class Times:
    """Multiplies the first value and adds what follows. The parser merges those that stand in each other."""

    factor: int

    def __call__(self, values: list[Any]) -> Any:
        return values[0] * self.factor + sum(values[1:])


TOTAL = Times(1)


def meaning(phrase: str, value: Any) -> Rule:
    """A phrase that means ``value``."""
    return Rule(spoken(phrase), lambda _: value)


# -- parsing ---------------------------------------------------------------------------------------------------------
# Words that the same set of Words nodes accept are interchangeable, so a sentence is first reduced to its shape (one
# signature a word) and the tree is walked once for each shape. What the walk leaves is a plan: the sentence's values,
# where only what depends on the very words is still to be worked out, by a function made beforehand.

Shape = tuple[int, ...]
Evaluate = Callable[[Sequence[str]], Any]
_Derivation = tuple[Any, Any]  # (make, children) of a Rule, (values, place in the sentence) of a Words node
_Ways = list[tuple[int, tuple[_Derivation, ...]]]  # where each way to read some words ends, and what it derives
_PLANS_KEPT = 4096  # far more shapes than anybody utters in a day; then the table starts afresh


@dataclass(frozen=True, eq=False, slots=True)
class Unknown:
    """A value that depends on the words of the sentence."""

    of: Evaluate


Plan = tuple[Any, ...]  # known values, and Unknown where one depends on the words


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
        self.signature = {
            word: signatures.setdefault(frozenset(nodes), len(signatures)) for word, nodes in accepting.items()
        }
        self._accepting = list(signatures)
        self._first: dict[Expression, tuple[frozenset[Words], bool]] = {}
        self._beginning: dict[Alt, dict[Words | None, set[int]]] = {}
        self._viable: dict[tuple[Alt, frozenset[Words]], tuple[Expression, ...]] = {}
        self._plans: dict[Shape, tuple[Plan, ...]] = {}

    @property
    def vocabulary(self) -> frozenset[str]:
        return frozenset(self.signature)

    def plans(self, shape: Shape) -> tuple[Plan, ...]:
        """Every way to read the sentences of a shape; empty where the tree does not hold them."""
        plans = self._plans.get(shape)
        if plans is None:
            if len(self._plans) >= _PLANS_KEPT:
                self._plans.clear()
            ways = self._walk(shape).ways(self._tree, 0)
            plans = tuple(tuple(map(_value, _fold(derived))) for end, derived in ways if end == len(shape))
            self._plans[shape] = plans
        return plans

    def meanings(self, words: Sequence[str]) -> list[Any]:
        """Every distinct meaning of a sentence; empty where the tree does not hold it."""
        try:
            shape = tuple([self.signature[word] for word in words])
        except KeyError:
            return []
        found: list[Any] = []
        for plan in self.plans(shape):
            for value in plan:
                meant = value.of(words) if isinstance(value, Unknown) else value
                if meant not in found:
                    found.append(meant)
        return found

    def stop(self, words: Sequence[str]) -> int:
        """Where a sentence of known words leaves the tree: those before can begin one, the next cannot follow them.

        The number of words means that the sentence is cut short.
        """
        walk = self._walk(tuple(self.signature[word] for word in words))
        walk.ways(self._tree, 0)
        return walk.furthest

    def _walk(self, shape: Shape) -> _Walk:
        return _Walk(self, tuple(self._accepting[signature] for signature in shape))

    def viable(self, node: Alt, accepting: frozenset[Words]) -> tuple[Expression, ...]:
        """The options that can begin with one of ``accepting`` or can be empty."""
        viable = self._viable.get((node, accepting))
        if viable is None:
            beginning = self._options_by_beginning(node)
            numbers = set().union(*(beginning.get(first, ()) for first in (*accepting, None)))
            viable = self._viable[node, accepting] = tuple(node.options[number] for number in sorted(numbers))
        return viable

    def _options_by_beginning(self, node: Alt) -> dict[Words | None, set[int]]:
        """The numbers of the options that can begin with each Words node; under None those that can be empty."""
        if node not in self._beginning:
            beginning: dict[Words | None, set[int]] = {}
            for number, option in enumerate(node.options):
                first, empty = self._begin(option)
                for words in (*first, None) if empty else first:
                    beginning.setdefault(words, set()).add(number)
            self._beginning[node] = beginning
        return self._beginning[node]

    def _begin(self, node: Expression) -> tuple[frozenset[Words], bool]:
        """The Words nodes that can come first in a node, and whether it can be empty."""
        if node not in self._first:
            first, empty = frozenset[Words](), True
            match node:
                case Words():
                    first, empty = frozenset((node,)), False
                case Alt(options):
                    parts = [self._begin(option) for option in options]
                    first = first.union(*(begin for begin, _ in parts))
                    empty = any(can_be for _, can_be in parts)
                case Seq(items):
                    for item in items:
                        begin, empty = self._begin(item)
                        first |= begin
                        if not empty:
                            break
                case Opt(item) | Some(item, _, _) | Rule(item, _, _):
                    first, empty = self._begin(item)
                    empty = empty or isinstance(node, Opt) or (isinstance(node, Some) and node.least == 0)
            self._first[node] = first, empty
        return self._first[node]


class _Walk:
    """One walk of a tree along a shape. A rule that stands in several places is walked once for each word."""

    def __init__(self, parser: Parser, shape: tuple[frozenset[Words], ...]) -> None:
        self._parser = parser
        self._shape = (*shape, frozenset[Words]())  # nothing is accepted after the end
        self._known: dict[tuple[Rule, int], _Ways] = {}
        self.furthest = 0

    def ways(self, node: Expression, at: int) -> _Ways:
        match node:
            case Words(values, _):
                if node not in self._shape[at]:
                    return []
                self.furthest = max(self.furthest, at + 1)
                return [(at + 1, ((values, at),))]
            case Rule(item, make, _):
                if (node, at) not in self._known:
                    self._known[node, at] = [(end, ((make, below),)) for end, below in self.ways(item, at)]
                return self._known[node, at]
            case Alt():
                return [way for option in self._parser.viable(node, self._shape[at]) for way in self.ways(option, at)]
            case Opt(item):
                return [*self.ways(item, at), (at, ())]
            case Seq(items):
                found: _Ways = [(at, ())]
                for item in items:
                    found = self._then(found, item)
                return found
            case Some(item, least, most):
                reached: _Ways = [(at, ())]
                found = list(reached) if least == 0 else []
                for times in range(1, most + 1):
                    reached = self._then(reached, item)
                    if times >= least:
                        found += reached
                return found

    def _then(self, ways: _Ways, item: Expression) -> _Ways:
        return [(end, before + derived) for middle, before in ways for end, derived in self.ways(item, middle)]


def _fold(nodes: tuple[_Derivation, ...]) -> tuple[_Derivation, ...]:
    """Works out beforehand what does not depend on the very words, as (None, value).

    A rule that depends on one word only becomes a table of that word's values.
    """
    folded: list[_Derivation] = []
    for head, below in nodes:
        if type(below) is int:
            values = set(head.values())
            if len(values) > 1:
                folded.append((head, below))
            else:
                folded += [(None, value) for value in values if value is not None]
            continue
        children = _fold(below)
        if isinstance(head, Times):
            children, head = _addends(head, children), TOTAL
        open_children = [child for child in children if child[0] is not None]
        if not open_children:
            value = head([known for _, known in children])
            folded += [] if value is None else [(None, value)]
        elif head is only:
            folded += children
        elif len(open_children) == 1 and type(open_children[0][1]) is int:
            folded.append(_table(head, children))
        else:
            folded.append((head, children))
    return tuple(folded)


def _addends(head: Times, children: tuple[_Derivation, ...]) -> tuple[_Derivation, ...]:
    """The parts of a sum, those of sums within it included, each multiplied as it must be; known parts are one."""
    known = 0
    addends: list[_Derivation] = []
    for number, (inner, below) in enumerate(children):
        factor = head.factor if number == 0 else 1
        for part, at in below if inner is TOTAL else ((inner, below),):
            if part is None:
                known += at * factor
            else:
                addends.append((_values(partial(mul, factor), part), at))
    if known and addends:
        part, at = addends[0]
        addends[0] = _values(partial(add, known), part), at
    return tuple(addends) or ((None, known),)


def _table(make: Callable[[list[Any]], Any], children: tuple[_Derivation, ...]) -> _Derivation:
    """The rule's value for each word that its one open child may be."""
    number, (values, place) = next((number, child) for number, child in enumerate(children) if child[0] is not None)
    known = [below for _, below in children]
    return _values(lambda value: make([*known[:number], value, *known[number + 1 :]]), values), place


def _values(make: Callable[[Any], Any], values: Mapping[str, Any]) -> Mapping[str, Any]:
    made = {word: make(value) for word, value in values.items()}
    return _shared(tuple(made.items()), tuple(map(type, made.values())))


@lru_cache(maxsize=1024)
def _shared(items: tuple[tuple[str, Any], ...], types: tuple[type, ...]) -> Mapping[str, Any]:
    """Plans of many shapes hold the same tables: one copy of each stays in the processor's cache.

    ``types`` keeps tables apart whose values are equal but not alike (1 and 1.0).
    """
    return dict(items)


def _value(node: _Derivation) -> Any:
    head, below = node
    return below if head is None else Unknown(_evaluation(node))


def _evaluation(node: _Derivation) -> Evaluate:
    """A function from the sentence's words to the value of a node."""
    head, below = node
    if head is None:
        return lambda _: below
    if type(below) is int:
        return lambda words: head[words[below]]
    if all(values is not None and type(at) is int for values, at in below):
        return lambda words: head([values[words[at]] for values, at in below])
    parts = [_evaluation(child) for child in below]
    if len(parts) == 1:
        part = parts[0]
        return lambda words: head([part(words)])
    return lambda words: head([part(words) for part in parts])


def _nodes(tree: Expression) -> Iterator[Expression]:
    yield tree
    for child in inside(tree):
        yield from _nodes(child)


def inside(node: Expression) -> tuple[Expression, ...]:
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
    graph = Places(tree)
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


class Places:
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
