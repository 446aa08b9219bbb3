"""Moonshine, the embedded recogniser: a speech-to-text network bound to the grammar of the step.

The network has heard hundreds of thousands of hours of people, in noise too, and knows no grammar; the grammar knows
what may be said at this step. The one rule: nothing is believed for being the likeliest sentence of the grammar, which
there always is. What counts is how much likelier the network would find some other text if nothing bound it, how far
behind the nearest sentence is that means something else, and whether there is as much sound as so many words take.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from handsfree.sound.beam import BEAM, BEHIND, Net, score, search, together
from handsfree.sound.denoise import denoised
from handsfree.sound.dictation import Pieces, words
from handsfree.sound.engines import MOONSHINE, network_folder
from handsfree.sound.evidence import TEXT_PLAINLY, JointEvidence, TextEvidence, at_second_look
from handsfree.sound.latest import Latest
from handsfree.sound.protocol import Alternative, Audio, Utterance
from handsfree.sound.spelling import FIGURE_WORDS
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.transformer import Heard, Network
from handsfree.sound.views import Meanings, averaged, share, slowed, straight, words_of
from handsfree.spoken import grammar
from handsfree.spoken.automaton import Automaton, smallest
from handsfree.spoken.confusable import neighbours
from handsfree.spoken.expression import Alt, spoken
from handsfree.spoken.grammar import Sense
from handsfree.spoken.meaning import Open
from handsfree.spoken.numbers import ON_THE_RADIO

if TYPE_CHECKING:
    from handsfree.sound.enrolment import Speaker

Evidence = TypeVar("Evidence", bound=TextEvidence | JointEvidence)
Weighed = tuple[str, Evidence, tuple[Alternative, ...]]  # the likeliest hearing, what speaks for it, and the others

GRAMMARS_KEPT = 4
# A spelled identifier is a long row of words, each of which may be any of forty, and the network read few such texts.
# Of 45 in hum at 10 dB on the tuning set these get 33 right at the first try, and those of other sentences 29.
SPELLING_BEAM, SPELLING_BEHIND = 12, 18.0
ALTERNATIVES = 5
_SAID_BY_RADIO = {plain: radio for radio, plain in ON_THE_RADIO.items()}
COMPARED = 8  # sentences, beside those that the likeliest is often taken for
# Nats that must speak for a word that is listened for only to be refused (``grammar.decoys``), beside the others.
DECOY = math.log(0.01)
UNIT_UNSAID = -2.0  # nats
OUT_OF_SIGHT = 25.0  # nats behind; more says nothing
GIVEN_UP = 8.0  # nats behind the likeliest, for what one view found and the other gave up
# A first view this plain needs no second one, with the noise taken off.
PLAIN_FIT, PLAIN_MARGIN, PLAIN_DOUBT = -1.0, 6.0, -0.4


class MoonshineRecogniser:
    """The embedded ``Recogniser``. Raises OSError where the network is not there."""

    name = MOONSHINE

    def __init__(
        self, speaker: Speaker | None = None, *, second_view: bool = True, second_opinion: bool = True
    ) -> None:
        """``second_view``: hear what is not plain once more, denoised; ``second_opinion``: ask PocketSphinx of it."""
        model = network_folder()
        if model is None:
            raise OSError("the package moonshine-voice with its English model is not installed")
        self._speaker = speaker
        self._second_view = second_view
        self._network = Network(model)  # on one processor: on two it is no faster, and one is left for the denoiser
        self._second = SphinxRecogniser(second_view=False) if second_opinion else None
        self._beside = ThreadPoolExecutor(1, "denoiser")
        self._grammars = Latest[_Grammar](GRAMMARS_KEPT)  # by JSGF text
        self._what = Open()
        self._open: _Grammar | None = None
        self._missing: frozenset[str] = frozenset()
        self._note = Pieces(self._network.write)
        self._looked: _Looked | None = None
        self._first: tuple[Sense | None, float] = None, 0.0  # what the last utterance was heard as, and how surely

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that an English network does not write; answers with one are not heard."""
        return self._missing

    @property
    def listening(self) -> bool:
        """Whether anything of what is open can be heard: not where every sentence has a word that is missing."""
        return self._open is not None

    def open(self, what: Open) -> None:
        """Narrow the grammar."""
        if what == self._what:
            return
        self._what, self._looked = what, None
        if what.dictation:
            self._open, self._missing = None, frozenset()
            return
        self._missing = frozenset(word for phrase in _phrases(what) for word in phrase.split() if not word.isascii())
        if self._missing:
            what = grammar.without(what, self._missing)
        self._open = self._grammar(what) if not what.nothing else None

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        if self._what.dictation:
            return self._dictated(audio)
        return self.utterance(self.weigh(audio), self.name, audio)

    def utterance(
        self,
        weighed: Weighed[TextEvidence] | Weighed[JointEvidence] | None,
        engine: str,
        audio: Audio,
        *,
        again: bool = False,
    ) -> Utterance:
        """What was weighed, ``again`` or for the first time, as far as it is to be trusted of this speaker."""
        if weighed is None:
            self._first = None, 0.0
            return Utterance("", 0.0, engine, audio)
        text, evidence, others = weighed
        meant, confidence = self._sense(text), evidence.confidence
        if again:
            before, first = self._first
            confidence = at_second_look(confidence, first, same=meant == before)
        else:
            self._first = meant, confidence
        return Utterance(
            text, confidence if self._speaker is None else self._speaker.trust(confidence), engine, audio, others
        )

    def _dictated(self, audio: Audio) -> Utterance:
        """What the network writes when nothing binds it."""
        written = [free for _, free in self._note.heard(audio.samples)]
        text = words(" ".join(free.text for free in written))
        # The probability of a token, the geometric mean over all of them.
        sure = math.exp(sum(free.log for free in written) / sum(free.tokens for free in written))
        return Utterance(text, sure if text else 0.0, self.name, audio)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        """Look at it as if it had been spoken more slowly too."""
        looked = self._looked
        if looked is None or not np.array_equal(looked.audio.samples, audio.samples):
            return first
        _, sure = self._first
        if sure >= TEXT_PLAINLY:
            return first
        sounds = [audio.samples] if looked.cleaned is None else [audio.samples, looked.cleaned.result()]
        missed = sounds[len(looked.views) :]
        views = [*looked.views, *(self.view(samples) for samples in (*missed, *map(slowed, sounds)))]
        return self.utterance(self._weighed(replace(looked, views=views, plain=False)), self.name, audio, again=True)

    def weigh(self, audio: Audio) -> Weighed[TextEvidence] | None:
        """The likeliest hearing, what speaks for it, and the others; None where nothing was heard."""
        self._looked = None
        if self._open is None or not len(audio.samples):
            return None
        # The noise is taken off meanwhile, which takes about as long as one view and mostly turns out to be needless.
        cleaned = self._beside.submit(denoised, audio) if self._second_view else None
        views = [self.view(audio.samples)]
        plain = views[0].plain
        if cleaned is not None and not plain:
            views.append(self.view(cleaned.result()))
        self._looked = _Looked(audio, cleaned, views, plain)
        return self._weighed(self._looked)

    def _weighed(self, looked: _Looked) -> Weighed[TextEvidence] | None:
        views = [view for view in looked.views if view.logs]
        if not views:
            return None
        fits, texts = averaged(views), words_of(views)
        likeliest = sorted(fits, key=lambda meant: -fits[meant])[:COMPARED]
        near = self.near(texts[likeliest[0]])
        unseen = {meant: text for meant, text in near.items() if meant not in fits}
        fits |= dict.fromkeys(unseen, max(fits.values()) - OUT_OF_SIGHT) | self.forced(unseen, views)
        texts = near | texts
        logs = {meant: fits[meant] for meant in (*likeliest, *near)}
        if not looked.plain and len(logs) > 1 and self._second is not None:
            clearest = looked.audio.samples if looked.cleaned is None else looked.cleaned.result()
            behind = _behind(self._second, {meant: texts[meant] for meant in logs}, clearest)
            logs = {meant: log + TextEvidence.second_opinion(behind[meant]) for meant, log in logs.items()}
        best, *rest = sorted(logs, key=lambda meant: -logs[meant])
        evidence = TextEvidence(
            fit=fits[best],
            doubt=sum(view.doubt for view in views) / len(views),
            margin=logs[best] - logs[rest[0]] if rest else OUT_OF_SIGHT,
            pace=looked.audio.seconds / len(texts[best]),
            agreement=share(views, best),
            straight=straight(texts[best], {texts[meant]: logs[best] - logs[meant] for meant in rest}),
        )
        told = [meant for number, meant in enumerate(rest) if number < ALTERNATIVES or meant in near]
        return (
            texts[best],
            evidence,
            tuple(Alternative(texts[meant], TextEvidence.rivalry(logs[meant] - logs[best])) for meant in told),
        )

    def near(self, text: str) -> dict[Sense, str]:
        """Sentences that ``text`` is often taken for, or it for them. Something must be open."""
        assert self._open is not None
        words = text.split()
        wanted = [*neighbours(words), *(self._speaker.neighbours(words) if self._speaker else ())]
        near = [" ".join(other) for other in wanted if self._open.automaton.accepts(other)]
        return {self._sense(other): other for other in reversed(near)}

    def forced(self, sentences: Mapping[Sense, str], views: Sequence[View]) -> dict[Sense, float]:
        """How well sentences fit that the search gave up on the way, without those that are out of the question."""
        assert self._open is not None
        if not sentences:
            return {}
        automaton = smallest(Alt(tuple(spoken(text) for text in sentences.values())))
        net = Net(automaton, self._network.tokens, self._open.costs)
        found = [(score(self._network, net, view.heard), view.free) for view in views]
        return {
            meant: sum(logs[text] - free + self._unsaid(text) for logs, free in found) / len(found)
            for meant, text in sentences.items()
            if all(text in logs for logs, _ in found)
        }

    def view(self, samples: NDArray[np.int16]) -> View:
        """What the sound may have been. Something must be open."""
        assert self._open is not None
        beam, behind = (SPELLING_BEAM, SPELLING_BEHIND) if self._spelled else (BEAM, BEHIND)
        heard = self._network.listen(samples, beam + 1)
        found = search(self._network, self._open.net, heard, beam, behind)
        logs: dict[Sense, list[float]] = {}
        texts: dict[Sense, str] = {}
        for text, log in sorted(
            ((text, log + self._unsaid(text)) for text, log in found.sentences), key=lambda each: -each[1]
        ):
            meant = self._sense(text)
            logs.setdefault(meant, []).append(log - found.free)
            texts.setdefault(meant, text)
        summed = {meant: together(each) for meant, each in logs.items()}
        return View(summed, texts, heard, found.free, found.free / (found.tokens + 1))

    @property
    def _spelled(self) -> bool:
        return self._what.identifier is not None or self._what.change

    def _unsaid(self, text: str) -> float:
        """Nats against a number without its unit: in noise "bar" becomes "four", and "ohms" becomes "one"."""
        return UNIT_UNSAID if not self._spelled and text.split()[-1] in FIGURE_WORDS else 0.0

    def _sense(self, text: str) -> Sense:
        return grammar.sense(text, self._what)

    def _grammar(self, what: Open) -> _Grammar:
        def make() -> _Grammar:
            automaton = grammar.listened(what)
            costs = dict.fromkeys(automaton.words - grammar.words(what), DECOY)
            if self._second is not None:
                self._second.learn(automaton.words)
            return _Grammar(automaton, costs, Net(automaton, self._network.tokens, costs))

        return self._grammars.get(grammar.jsgf(what), make)


def _behind(second: SphinxRecogniser, texts: Mapping[Sense, str], samples: NDArray[np.int16]) -> dict[Sense, float]:
    """How many of its nats PocketSphinx finds each meaning behind the one that fits best.

    It goes by sound, and the network writes "9" for "nine" and "niner": a meaning is heard both ways.
    """
    ways = {
        meant: {text, " ".join(_SAID_BY_RADIO.get(word, word) for word in text.split())}
        for meant, text in texts.items()
    }
    behind = second.compare(sorted(set().union(*ways.values())), samples)
    return {meant: min(behind[way] for way in each) for meant, each in ways.items()}


def _phrases(what: Open) -> list[str]:
    return [phrase for phrases in what.answers.values() for phrase in phrases]


@dataclass(frozen=True, slots=True, eq=False)
class View(Meanings):
    """One view of an utterance's sound; a meaning's logarithm is less that of the free text."""

    heard: Heard
    free: float  # the logarithm of the probability of the free text
    doubt: float  # the same by token

    @property
    def plain(self) -> bool:
        """Whether it needs no second view."""
        if not self.logs or self.doubt < PLAIN_DOUBT:
            return False
        first, *rest = sorted(self.logs.values(), reverse=True)
        return first >= PLAIN_FIT and first - max(rest, default=-math.inf) >= PLAIN_MARGIN

    def log(self, meant: Sense) -> float:
        """What the search gave up on the way is at least somewhat less likely than what it kept."""
        least = max(-OUT_OF_SIGHT, min(*self.logs.values(), max(self.logs.values()) - GIVEN_UP))
        return max(least, self.logs.get(meant, least))


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """What was seen of the last utterance, should it be looked at again."""

    audio: Audio
    cleaned: Future[NDArray[np.int16]] | None  # the sound with its noise taken off
    views: Sequence[View]
    plain: bool  # there is no need of a second opinion


@dataclass(frozen=True, slots=True, eq=False)
class _Grammar:
    automaton: Automaton
    costs: Mapping[str, float]
    net: Net
