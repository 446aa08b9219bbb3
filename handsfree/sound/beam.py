"""Finds the sentences of a grammar that a speech model finds likeliest, and how likely each is.

The model writes token by token. Of all that it might write, only what stands for the beginning of a sentence of the
grammar is followed (``handsfree.sound.spelling`` says what that is), the likeliest few at a time, and beside them what
the model would write if nothing bound it. The one rule: a sentence is as likely as all its writings together, so
neither figures nor commas decide between two sentences.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from handsfree.sound.spelling import FIGURE_WORDS, FIGURES_AT_MOST, TOGETHER, UNSPACED, figures, writings
from handsfree.sound.transformer import END, TOKENS_A_SECOND, Heard, Network, Tokens, Written
from handsfree.spoken.automaton import Automaton

BEAM = 6  # texts followed at once, beside the free one
BEHIND = 12.0  # nats behind the likeliest text, or whole sentence, where one is given up
TOKENS_AT_MOST = 40  # of a short sound, which a sentence with odd spellings may take
PAUSES = (",", ".", "...", ";", " -")  # what may stand between two words
CLOSINGS = (".", ",", "?", "!", "...")


@dataclass(frozen=True, slots=True)
class Found:
    """What the model makes of an utterance; logarithms are natural, of probabilities."""

    sentences: tuple[tuple[str, float], ...]  # of the grammar, likeliest first
    text: str  # unbound
    free: float  # the logarithm of its probability
    tokens: int  # of it


@dataclass(slots=True, eq=False)
class _Node:
    """A place in the writings of the words that may follow at a state."""

    next: dict[int, _Node] = field(default_factory=dict)
    ends: list[tuple[tuple[str, ...], int, float]] = field(default_factory=list)  # words, the state after, their cost


class _Figures(NamedTuple):
    """A number being written in figures."""

    state: int
    text: str


class _Pause(NamedTuple):
    """A comma or the like has been written; a word must follow."""

    state: int


class _Place(NamedTuple):
    """Where a text stands in the grammar; one text may stand at several places."""

    words: tuple[str, ...]
    cost: float
    at: _Node | _Figures | _Pause


class _Text(NamedTuple):
    score: float
    places: tuple[_Place, ...]
    whole: tuple[tuple[tuple[str, ...], float], ...]  # sentences that it may be, with their cost
    row: int


class Net:
    """A grammar's automaton as the model would write it; made where it is first walked."""

    def __init__(self, automaton: Automaton, tokens: Tokens, costs: Mapping[str, float]) -> None:
        """``costs`` are nats (0 or less) for words that must fit better than the others to be heard."""
        self._automaton = automaton
        self._tokens = tokens
        self._costs = costs
        self._words: defaultdict[int, list[str]] = defaultdict(list)
        for state, word in automaton.steps:
            self._words[state].append(word)
        self._roots: dict[int, tuple[_Node, _Node]] = {}
        self._figures = {self._one(str(figure)): str(figure) for figure in range(10)}
        self._point, self._comma = self._one("."), self._one(",")
        self._begin_figures = {self._one("\u2581"): "", self._one(" -"): "-"}
        self._pauses = [self._one(pause) for pause in PAUSES]
        self._hyphen = self._one("-")
        self.closings = [self._one(closing) for closing in CLOSINGS]

    def beginning(self) -> tuple[_Place, ...]:
        return (_Place((), 0.0, _Node(ends=[((), self._automaton.start, 0.0)])),)

    def follow(self, places: Iterable[_Place], *, first: bool = False) -> dict[int, list[_Place]]:
        """The tokens that may come next, and where each leads."""
        found: defaultdict[int, list[_Place]] = defaultdict(list)
        for place in places:
            words, cost, at = place
            if isinstance(at, _Node):
                for token, node in at.next.items():
                    found[token].append(_Place(words, cost, node))
            elif isinstance(at, _Figures):
                self._more_figures(place, at, found)
            else:
                self._words_from(words, cost, at.state, found)
            for longer, spent, state in self._boundaries(place):
                self._words_from(longer, spent, state, found)
                if not first:
                    self._joined_from(longer, spent, state, found)
        return found

    def whole(self, places: Iterable[_Place]) -> tuple[tuple[tuple[str, ...], float], ...]:
        """The sentences that may end here."""
        ends = self._automaton.ends
        return tuple(
            (words, cost) for place in places for words, cost, state in self._boundaries(place) if state in ends
        )

    def _boundaries(self, place: _Place) -> Iterator[tuple[tuple[str, ...], float, int]]:
        """Where a word ends: the words, their cost and the state."""
        words, cost, at = place
        if isinstance(at, _Node):
            for more, state, spent in at.ends:
                yield (*words, *more), cost + spent, state
        elif isinstance(at, _Figures) and (number := figures(at.text)) is not None:
            after = self._automaton.after(number, at.state)
            if after is not None:
                yield (*words, *number), cost, after

    def _words_from(self, words: tuple[str, ...], cost: float, state: int, found: dict[int, list[_Place]]) -> None:
        spaced, _ = self._root(state)
        for token, node in spaced.next.items():
            found[token].append(_Place(words, cost, node))
        if not FIGURE_WORDS.isdisjoint(self._words[state]):
            for token, text in self._begin_figures.items():
                found[token].append(_Place(words, cost, _Figures(state, text)))

    def _joined_from(self, words: tuple[str, ...], cost: float, state: int, found: dict[int, list[_Place]]) -> None:
        _, joined = self._root(state)
        for token, node in joined.next.items():
            found[token].append(_Place(words, cost, node))
        if self._words[state]:
            for token in self._pauses:
                found[token].append(_Place(words, cost, _Pause(state)))

    def _more_figures(self, place: _Place, at: _Figures, found: dict[int, list[_Place]]) -> None:
        words, cost, _ = place
        state, text = at
        if len(text) >= FIGURES_AT_MOST:
            return
        for token, figure in self._figures.items():
            found[token].append(_Place(words, cost, _Figures(state, text + figure)))
        if "." not in text:
            found[self._point].append(_Place(words, cost, _Figures(state, text + ".")))
            if text[-1:].isdigit():
                found[self._comma].append(_Place(words, cost, _Figures(state, text + ",")))

    def _root(self, state: int) -> tuple[_Node, _Node]:
        """The writings of what may follow at a state: of words that stand by themselves, and of those joined on."""
        if state not in self._roots:
            spaced, joined = _Node(), _Node()
            self._roots[state] = spaced, joined
            after_hyphen = joined.next.setdefault(self._hyphen, _Node())
            sequences: list[tuple[str, ...]] = [(word,) for word in self._words[state]]
            for words in (*sequences, *(each for each in {**TOGETHER, **UNSPACED} if len(each) > 1)):
                target = self._automaton.after(words, state)
                if target is None:
                    continue
                prior = sum(self._costs.get(word, 0.0) for word in words)
                for text, cost in writings(words):
                    start = spaced if text[0] == " " else after_hyphen if text[0].isalpha() else joined
                    self._write(start, text, (words, target, prior + cost))
        return self._roots[state]

    def _write(self, node: _Node, text: str, end: tuple[tuple[str, ...], int, float]) -> None:
        for token in self._tokens.encode(text):
            node = node.next.setdefault(token, _Node())
        if end[:2] not in [known[:2] for known in node.ends]:
            node.ends.append(end)

    def _one(self, text: str) -> int:
        (token,) = self._tokens.encode(text)
        return token


def search(network: Network, net: Net, heard: Heard, beam: int = BEAM, behind: float = BEHIND) -> Found:
    """What of the grammar was said; ``heard`` must have ``beam`` + 1 rows."""
    free = _Free(network.tokens)
    sentences = _search(network, net, heard, beam, behind, free)
    return Found(sentences, network.tokens.decode(free.written), free.score, len(free.written))


def score(network: Network, net: Net, heard: Heard, beam: int = BEAM) -> dict[str, float]:
    """How likely the sentences of a small grammar are; those that are given up on the way are left out."""
    return dict(_search(network, net, heard, beam, BEHIND, None))


def _search(
    network: Network, net: Net, heard: Heard, beam: int, behind: float, free: _Free | None
) -> tuple[tuple[str, float], ...]:
    sound, written = heard
    sums: defaultdict[tuple[str, ...], list[float]] = defaultdict(list)
    texts = [_Text(0.0, net.beginning(), (), 0)]
    best = -math.inf
    for number in range(max(TOKENS_AT_MOST, math.ceil(sound.seconds * TOKENS_A_SECOND))):
        for text in texts:
            ending = float(written.logs[text.row, END])
            for words, cost in text.whole:
                sums[words].append(text.score + cost + ending)
                best = max(best, sums[words][-1])
        longer = _longer(net, written, texts, beam, behind, best, first=number == 0)
        rows, tokens = [text.row for text, _ in longer], [token for _, token in longer]
        if free is not None:
            free.go_on(written, rows, tokens)
        if not rows:
            break
        texts = [text._replace(row=row) for row, (text, _) in enumerate(longer)]
        written = network.go_on(sound, written, rows, tokens)
    sentences = [(" ".join(words), together(scores)) for words, scores in sums.items()]
    return tuple(sorted(sentences, key=lambda each: -each[1]))


def _longer(
    net: Net, written: Written, texts: list[_Text], beam: int, behind: float, best: float, *, first: bool
) -> list[tuple[_Text, int]]:
    """The likeliest texts that are one token longer, with that token; each still holds the row it comes from."""
    choice: list[tuple[float, int, _Text, list[_Place], bool]] = []
    for text in texts:
        logs = written.logs[text.row]
        after = net.follow(text.places, first=first)
        closings = net.closings if text.whole and text.places else []
        for token in {*after, *closings}:
            log = text.score + float(logs[token])
            if log >= best - behind:
                choice.append((log, token, text, after.get(token, []), token in closings))
    choice.sort(key=lambda each: -each[0])
    found = []
    for log, token, text, places, closed in choice[:beam]:
        if log < choice[0][0] - behind:
            break
        whole = net.whole(places) + (text.whole if closed else ())
        found.append((_Text(log, tuple(places), whole, text.row), token))
    return found


class _Free:
    """What the model writes when nothing binds it: each time the likeliest token."""

    def __init__(self, tokens: Tokens) -> None:
        self.score = 0.0
        self.written: list[int] = []
        self.done = False
        self._row = 0

    def go_on(self, written: Written, rows: list[int], tokens: list[int]) -> None:
        """Add the next token to ``rows`` and ``tokens``, unless the text is at its end."""
        if self.done:
            return
        logs = written.logs[self._row]
        token = int(logs.argmax())
        self.score += float(logs[token])
        self.done = token == END
        if not self.done:
            self.written.append(token)
            rows.append(self._row)
            tokens.append(token)
            self._row = len(rows) - 1


def together(logs: list[float]) -> float:
    most = max(logs)
    return most + math.log(sum(math.exp(each - most) for each in logs))
