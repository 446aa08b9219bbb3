"""A grammar tree as the smallest automaton that accepts the same sentences.

PocketSphinx turns JSGF into an automaton by copying every rule wherever it is used, which makes tens of thousands of
arcs of a number grammar and decodes slower than real time. The smallest one has hundreds of states. The one rule: a
tree has no recursion, so its automaton has no loops; it is built from the ends of the sentences backwards, and states
with the same future are one state from the first.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Set
from dataclasses import dataclass
from functools import cached_property

from handsfree.spoken.expression import Alt, Expression, Opt, Rule, Seq, Some, Words, inside

Ways = tuple[tuple[tuple[str, ...], int], ...]  # words that lead to a state, and that state


@dataclass(frozen=True)
class Automaton:
    """States are numbers, ``ways`` says where words lead from each. The first is the start; nothing follows ``final``,
    one of the ``ends`` where there is any sentence.

    Two that accept the same sentences, as ``smallest`` makes them, are equal.
    """

    ways: tuple[Ways, ...]
    final: int
    ends: frozenset[int]

    @property
    def start(self) -> int:
        return 0

    @cached_property
    def steps(self) -> Mapping[tuple[int, str], int]:
        """Where a word leads from a state."""
        return {
            (state, word): target for state, ways in enumerate(self.ways) for words, target in ways for word in words
        }

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word of a sentence."""
        return frozenset(word for ways in self.ways for words, _ in ways for word in words)

    def accepts(self, words: Iterable[str]) -> bool:
        """Whether the words are a whole sentence."""
        return self.after(words) in self.ends

    def after(self, words: Iterable[str], state: int = 0) -> int | None:
        """Where words lead from a state, from the start where none is given; None where they lead to no sentence."""
        here: int | None = state
        for word in words:
            here = self.steps.get((here, word)) if here is not None else None
        return here

    def longer(self, state: int) -> Iterator[tuple[str, ...]]:
        """What leads from a state to an end, shortest first, without what has no words."""
        waiting = deque[tuple[tuple[str, ...], int]]([((), state)])
        while waiting:
            before, here = waiting.popleft()
            for words, target in self.ways[here]:
                for word in words:
                    if target in self.ends:
                        yield (*before, word)
                    waiting.append(((*before, word), target))

    def without(self, words: Set[str]) -> Automaton:
        """The same without the sentences that hold one of ``words``."""
        if words.isdisjoint(self.words):
            return self
        kept = {
            state: [(tuple(word for word in said if word not in words), target) for said, target in ways]
            for state, ways in enumerate(self.ways)
        }
        return _numbered(self.start, self.final, self.ends, kept)


def smallest(tree: Expression) -> Automaton:
    """The automaton of ``tree``."""
    futures = _Futures(tree)
    start = futures.before(tree, _Futures.OVER)
    ways = {state: futures.ways(state) for state in range(len(futures.states))}
    ends = {state for state, (may_end, _) in enumerate(futures.states) if may_end}
    return _numbered(start, _Futures.OVER, ends, ways)


class _Futures:
    """States by what may follow them; equal futures have one number.

    Words that stand in the same nodes of the tree behave alike, and are one kind.
    """

    OVER = 0  # the sentence ends here, and nothing follows

    def __init__(self, tree: Expression) -> None:
        nodes = [node for node in _different(tree) if isinstance(node, Words)]
        where: defaultdict[str, list[int]] = defaultdict(list)
        for number, node in enumerate(nodes):
            for word in node.values:
                where[word].append(number)
        alike: defaultdict[tuple[int, ...], list[str]] = defaultdict(list)
        for word, places in where.items():
            alike[tuple(places)].append(word)
        self._words = [tuple(words) for words in alike.values()]
        self._kinds: defaultdict[Words, list[int]] = defaultdict(list)
        for kind, numbers in enumerate(alike):
            for number in numbers:
                self._kinds[nodes[number]].append(kind)
        self.states: list[tuple[bool, tuple[tuple[int, int], ...]]] = []  # may end; the kinds that lead on, and where
        self._numbers: dict[tuple[bool, tuple[tuple[int, int], ...]], int] = {}
        self._before: dict[tuple[Expression, int], int] = {}
        self._either: dict[frozenset[int], int] = {}
        self._state(True, ())  # OVER

    def ways(self, state: int) -> list[tuple[tuple[str, ...], int]]:
        return [(self._words[kind], target) for kind, target in self.states[state][1]]

    def before(self, node: Expression, after: int) -> int:
        """The state from which what the node says leads to the state ``after``."""
        found = self._before.get((node, after))
        if found is None:
            found = self._before[node, after] = self._make(node, after)
        return found

    def _make(self, node: Expression, after: int) -> int:
        match node:
            case Words():
                return self._state(False, tuple((kind, after) for kind in self._kinds[node]))
            case Rule(item, _, _):
                return self.before(item, after)
            case Opt(item):
                return self._any(frozenset((self.before(item, after), after)))
            case Alt(options):
                return self._any(frozenset(self.before(option, after) for option in options))
            case Seq(items):
                for item in reversed(items):
                    after = self.before(item, after)
                return after
            case Some(item, least, most):
                state = after
                for _ in range(most - least):
                    state = self._any(frozenset((self.before(item, state), after)))
                for _ in range(least):
                    state = self.before(item, state)
                return state

    def _any(self, states: frozenset[int]) -> int:
        """The state that has the futures of all of these."""
        if len(states) == 1:
            (only,) = states
            return only
        found = self._either.get(states)
        if found is None:
            reached: dict[int, set[int]] = {}
            for state in states:
                for kind, target in self.states[state][1]:
                    reached.setdefault(kind, set()).add(target)
            may_end = any(self.states[state][0] for state in states)
            ways = ((kind, self._any(frozenset(targets))) for kind, targets in sorted(reached.items()))
            found = self._either[states] = self._state(may_end, tuple(ways))
        return found

    def _state(self, may_end: bool, ways: tuple[tuple[int, int], ...]) -> int:
        number = self._numbers.setdefault((may_end, ways), len(self.states))
        if number == len(self.states):
            self.states.append((may_end, ways))
        return number


def _different(tree: Expression) -> Iterator[Expression]:
    """The nodes of a tree, each once, wherever it stands."""
    seen, waiting = {tree}, [tree]
    while waiting:
        node = waiting.pop()
        yield node
        new = [each for each in dict.fromkeys(inside(node)) if each not in seen]
        seen.update(new)
        waiting += reversed(new)


def _numbered(
    start: int, final: int, ends: Set[int], ways: Mapping[int, Iterable[tuple[tuple[str, ...], int]]]
) -> Automaton:
    """States numbered as they are come upon from the start, without those that lead to no end."""
    into: defaultdict[int, list[int]] = defaultdict(list)
    for state, leading in ways.items():
        for words, target in leading:
            if words:
                into[target].append(state)
    ending, waiting = set(ends), list(ends)
    while waiting:
        new = [state for state in into[waiting.pop()] if state not in ending]
        ending.update(new)
        waiting += new
    numbers, order, found = {start: 0}, [start], list[Ways]()
    for state in order:
        leads: defaultdict[int, list[str]] = defaultdict(list)
        for words, target in ways[state]:
            if words and target in ending:
                leads[target] += words
        named = sorted((tuple(sorted(words)), target) for target, words in leads.items())
        for _, target in named:
            if target not in numbers:
                numbers[target] = len(order)
                order.append(target)
        found.append(tuple((words, numbers[target]) for words, target in named))
    if final not in numbers:  # where there is no sentence at all
        numbers[final] = len(found)
        found.append(())
    return Automaton(tuple(found), numbers[final], frozenset(numbers[state] for state in ends if state in numbers))
