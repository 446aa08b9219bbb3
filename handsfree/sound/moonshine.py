"""Moonshine, the embedded recogniser: a speech-to-text network bound to the grammar of the step.

The network has heard hundreds of thousands of hours of people, in noise too, and knows no grammar; the grammar knows
what may be said at this step. The one rule: nothing is believed for being the likeliest sentence of the grammar, which
there always is. What counts is how much likelier the network would find some other text if nothing bound it, how far
behind the nearest sentence is that means something else, and whether there is as much sound as so many words take.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from handsfree.sound import transformer
from handsfree.sound.automaton import Automaton, smallest
from handsfree.sound.beam import Found, Net, search, together
from handsfree.sound.evidence import Written
from handsfree.sound.protocol import Alternative, Audio, Utterance
from handsfree.spoken import grammar
from handsfree.spoken.expression import Alt, Parser
from handsfree.spoken.meaning import Meaning, Open, Refusal

if TYPE_CHECKING:
    from handsfree.sound.enrolment import Speaker

NAME = "moonshine"
GRAMMARS_KEPT = 8
ALTERNATIVES = 5
# Nats that must speak for a word that is listened for only to be refused (``grammar.decoys``), beside the others.
DECOY = math.log(0.01)
OUT_OF_SIGHT = 30.0  # nats behind; what the search gave up on the way is at least as far


def installed() -> bool:
    """Whether the network is there; a platform may have no package of it."""
    return transformer.folder() is not None


class MoonshineRecogniser:
    """The ``Recogniser`` that is used unless another is asked for. Raises OSError where the network is not there."""

    name = NAME

    def __init__(self, speaker: Speaker | None = None, *, threads: int = 2) -> None:
        model = transformer.folder()
        if model is None:
            raise OSError("the package moonshine-voice with its English model is not installed")
        self._speaker = speaker
        self._network = transformer.Network(model, threads)
        self._grammars: OrderedDict[str, _Grammar] = OrderedDict()  # by JSGF text, latest used last
        self._what = Open()
        self._open: _Grammar | None = None
        self._missing: frozenset[str] = frozenset()

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that an English network does not write; answers with one are not heard."""
        return self._missing

    def open(self, what: Open) -> None:
        """Narrow the grammar."""
        if what == self._what:
            return
        self._what = what
        self._missing = frozenset(word for phrase in _phrases(what) for word in phrase.split() if not word.isascii())
        if self._missing:
            what = grammar.without(what, self._missing)
        self._open = self._grammar(what) if what.reading or what.answers or what.words else None

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        heard = self.weigh(audio)
        if heard is None:
            return Utterance("", 0.0, self.name, audio)
        text, evidence, others = heard
        confidence = evidence.confidence
        return Utterance(
            text,
            confidence if self._speaker is None else self._speaker.trust(confidence),
            self.name,
            audio,
            others[:ALTERNATIVES],
        )

    def weigh(self, audio: Audio) -> tuple[str, Written, tuple[Alternative, ...]] | None:
        """The likeliest hearing, what speaks for it, and the others; None where nothing was heard."""
        if self._open is None or not len(audio.samples):
            return None
        found = search(self._network, self._open.net, audio.samples)
        if not found.sentences:
            return None
        return self._weighed(found, audio.seconds)

    def _weighed(self, found: Found, seconds: float) -> tuple[str, Written, tuple[Alternative, ...]]:
        by_meaning: dict[Meaning | str, list[tuple[str, float]]] = {}
        for text, log in found.sentences:
            meant = grammar.understand(text, self._what)
            by_meaning.setdefault(text if isinstance(meant, Refusal) else meant, []).append((text, log))
        ranked = sorted(
            ((sentences[0][0], together([log for _, log in sentences])) for sentences in by_meaning.values()),
            key=lambda each: -each[1],
        )
        (text, log), *rest = ranked
        evidence = Written(
            fit=log - found.free,
            doubt=found.free / (found.tokens + 1),
            margin=log - rest[0][1] if rest else OUT_OF_SIGHT,
            pace=seconds / max(1, len(text)),
        )
        others = tuple(Alternative(other, Written.rivalry(score - log)) for other, score in rest)
        return text, evidence, others

    def _grammar(self, what: Open) -> _Grammar:
        key = grammar.jsgf(what)
        if key not in self._grammars:
            decoys = grammar.decoys(what)
            automaton = smallest(Alt((grammar.tree(what), decoys)))
            costs = dict.fromkeys(Parser(decoys).vocabulary - grammar.words(what), DECOY)
            self._grammars[key] = _Grammar(automaton, Net(automaton, self._network.tokens, costs))
            if len(self._grammars) > GRAMMARS_KEPT:
                self._grammars.popitem(last=False)
        self._grammars.move_to_end(key)
        return self._grammars[key]


def _phrases(what: Open) -> list[str]:
    return [phrase for phrases in what.answers.values() for phrase in phrases]


@dataclass(frozen=True, slots=True, eq=False)
class _Grammar:
    automaton: Automaton
    net: Net
