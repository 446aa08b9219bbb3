"""PocketSphinx, the embedded recogniser: hears what a JSGF grammar allows and says how far to trust it.

The one rule: a grammar turns whatever it is given into one of its sentences, so nothing is believed before a second
opinion. A free decoding of the same audio into phones, which no grammar binds, tells how well it could be explained;
where the grammar's words explain it much worse, they were not said.

Decoder settings and rejection measure were chosen by trial on synthetic and human speech, with hum and fan noise: a
low language weight, beams tighter than the engine's own, fillers and noise removal on, and cepstral means over whole
utterances. The shipped model's ``feat.params``, which overrides settings, already asks for the last two. Nothing is
put around an utterance: where silence changes to hum, a "one" or a "nine" is heard that was not said.
"""

from __future__ import annotations

import math
import os
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import numpy as np
import pocketsphinx
from numpy.typing import NDArray

from handsfree.sound.audio import dither
from handsfree.sound.automaton import Automaton, smallest
from handsfree.sound.pronounce import Pronunciations, pronounce
from handsfree.sound.protocol import Alternative, Audio, HeardWord, Utterance
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Open

FRAMES_PER_SECOND = 100
GRAMMARS_KEPT = 32  # about 0.3 MB each; a procedure has one for each kind of question
ALTERNATIVES = 5
NBEST_LOOKED_AT = 40  # the list mostly repeats one sentence with other fillers

GRAMMAR_WEIGHT = 3.0
PHONE_WEIGHT = 2.0
BEAMS = {"beam": 1e-36, "pbeam": 1e-36, "wbeam": 1e-24}
# Twice the time at the same accuracy; for the one utterance in a hundred that the others lose, mostly a short word.
WIDE_BEAMS = {"beam": 1e-60, "pbeam": 1e-60, "wbeam": 1e-40}
PHONES = "phones"  # the name of the free phone search

# The operating point: an utterance is as likely as not to be what was said where its worst measure stands at its gate.
ACCEPT = 0.5
RATIO_GATE = -2.0  # natural-log likelihood ratio per frame, grammar against free phones, over all, fillers too
WORST_GATE = -3.0  # the same for the worst word
PACE_GATE = 24.0  # frames a phone: nobody speaks slower than this, a grammar stretched over a noise does
PACE_SCALE = 4.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for a hearing. Ratios are natural logarithms per frame of 10 ms (0: as good as free phones)."""

    ratio: float
    worst: float
    pace: float  # frames a phone

    @property
    def confidence(self) -> float:
        """0 to 1, ``ACCEPT`` at the gates; led by the weakest of the three measures."""
        return _logistic(
            min(self.ratio - RATIO_GATE, self.worst - WORST_GATE, (PACE_GATE - self.pace) / PACE_SCALE),
        )


class SphinxRecogniser:
    """The ``Recogniser`` that needs nothing but this package and its dependencies."""

    name = "pocketsphinx"

    def __init__(self) -> None:
        folder = Path(pocketsphinx.get_model_path()) / "en-us"
        self._dictionary = folder / "cmudict-en-us.dict"
        self._decoder = pocketsphinx.Decoder(
            hmm=str(folder / "en-us"),
            lm=None,
            dict=None,  # the full one holds 134 000 words and takes ten times as long to load as all the rest
            logfn=os.devnull,
            lw=GRAMMAR_WEIGHT,
            wip=0.05,
            **BEAMS,
            fsgusefiller=True,
            bestpath=False,  # the lattice forgets where the grammar may end, and hears "volts a" for "volts"
            compallsen=True,  # scores are relative to the frame's best senone: all must count for both searches alike
        )
        self._decoder.config["lw"] = PHONE_WEIGHT
        self._decoder.add_allphone_file(PHONES, str(folder / "en-us-phone.lm.bin"))
        self._decoder.config["lw"] = GRAMMAR_WEIGHT
        self._known: Pronunciations = {}
        self._unknown: set[str] = set()
        self._grammars: OrderedDict[str, _Grammar] = OrderedDict()  # by JSGF text, latest used last
        self._widened: list[_Grammar] = []  # those that have a second search with wide beams
        self._numbered = 0
        self._what: Open | None = None
        self._open: _Grammar | None = None
        self._missing: frozenset[str] = frozenset()

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that nobody could pronounce; answers that hold one cannot be heard."""
        return self._missing

    def open(self, what: Open) -> None:
        """Narrow the grammar. Answers with a word that cannot be pronounced are left out (see ``missing_words``)."""
        if what == self._what:
            return
        self._what = what
        wanted = grammar.words(what)
        self._learn(wanted)
        self._missing = frozenset(wanted & self._unknown)
        if self._missing:
            what = replace(what, answers=_sayable(what, self._missing))
        self._open = self._grammar(what) if what.reading or what.answers or what.words else None

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        nothing = Utterance("", 0.0, self.name, audio)
        if self._open is None or not len(audio.samples):
            return nothing
        samples = dither(audio.samples)
        self._decoder.reinit_feat()  # forgets the noise of utterances before: a clip is heard alike at any time
        # The phones go first, and the front end learns this utterance's noise for the grammar's turn.
        self._decode(PHONES, samples)
        free = _per_frame(self._decoder.seg() or (), self._decoder.n_frames() + 1)
        hypothesis = self._decode(self._open.name, samples) or self._decode(self._wide(self._open), samples)
        if not hypothesis:
            return nothing
        segments = [_Segment.of(segment, free) for segment in self._decoder.seg() if segment.word != "(NULL)"]
        return Utterance(
            text=hypothesis,
            confidence=self._evidence(segments).confidence,
            engine=self.name,
            audio=audio,
            alternatives=self._others(hypothesis, self._open.automaton),
            words=tuple(
                HeardWord(
                    text=word.text,
                    confidence=_logistic(word.ratio - WORST_GATE),
                    start=word.first / FRAMES_PER_SECOND,
                    end=min((word.first + word.frames) / FRAMES_PER_SECOND, audio.seconds),
                )
                for word in segments
                if word.is_word
            ),
        )

    def _learn(self, words: Iterable[str]) -> None:
        new = set(words) - self._known.keys() - self._unknown
        if not new:
            return
        found = pronounce(new, self._dictionary)
        self._known |= found
        self._unknown |= new - found.keys()
        for word, pronunciations in found.items():
            for number, phones in enumerate(pronunciations, start=1):
                # Searches made later see the word without the update, which would rebuild all those made before.
                self._decoder.add_word(word if number == 1 else f"{word}({number})", phones, False)

    def _grammar(self, what: Open) -> _Grammar:
        key = grammar.jsgf(what)
        if key not in self._grammars:
            self._numbered += 1
            made = self._grammars[key] = _Grammar(f"grammar-{self._numbered}", smallest(grammar.tree(what)))
            self._add(made, made.name)
            if len(self._grammars) > GRAMMARS_KEPT:
                _, oldest = self._grammars.popitem(last=False)
                self._decoder.remove_search(oldest.name)
                if oldest in self._widened:
                    self._widened.remove(oldest)
                    self._decoder.remove_search(oldest.wide)
        self._grammars.move_to_end(key)
        return self._grammars[key]

    def _add(self, made: _Grammar, search: str) -> None:
        fsg = self._decoder.create_fsg(search, made.automaton.start, made.automaton.final, made.arcs())
        self._decoder.add_fsg(search, fsg)

    def _wide(self, made: _Grammar) -> str:
        """The grammar's search with wide beams, which a search takes from the settings when it is made."""
        if made not in self._widened:
            for name, beam in WIDE_BEAMS.items():
                self._decoder.config[name] = beam
            self._add(made, made.wide)
            for name, beam in BEAMS.items():
                self._decoder.config[name] = beam
            self._widened.append(made)
        return made.wide

    def _decode(self, search: str, samples: NDArray[np.int16]) -> str:
        self._decoder.activate_search(search)
        self._decoder.start_utt()
        self._decoder.process_raw(samples.tobytes(), full_utt=True)
        self._decoder.end_utt()
        hypothesis = self._decoder.hyp()
        return hypothesis.hypstr if hypothesis else ""

    def _others(self, best: str, automaton: Automaton) -> tuple[Alternative, ...]:
        """Other sentences of the grammar with their likelihood against the best one's, as ``Alternative`` wants it."""
        scores: dict[str, float] = {}
        for hypothesis in islice(self._decoder.nbest() or (), NBEST_LOOKED_AT):
            text = hypothesis.hypstr if hypothesis else ""
            # The lattice forgets where sentences may end.
            if text and (text == best or automaton.accepts(text.split())):
                scores.setdefault(text, 1024 * _log(hypothesis.score))
        first = scores.pop(best, max(scores.values(), default=0.0))
        return tuple(Alternative(text, min(0.0, score - first)) for text, score in islice(scores.items(), ALTERNATIVES))

    def _evidence(self, segments: list[_Segment]) -> Evidence:
        words = [segment for segment in segments if segment.is_word]
        phones = sum(len(self._known[word.text][0].split()) for word in words)
        return Evidence(
            ratio=sum(part.ratio * part.frames for part in segments) / sum(part.frames for part in segments),
            worst=min(word.ratio for word in words),
            pace=sum(word.frames for word in words) / phones,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Grammar:
    name: str
    automaton: Automaton

    @property
    def wide(self) -> str:
        return f"{self.name}-wide"

    def arcs(self) -> list[tuple[int, int, float] | tuple[int, int, float, str]]:
        """As the engine takes them; it knows one final state, which the other ends reach without a word."""
        steps = [(state, target, 1.0, word) for (state, word), target in self.automaton.steps.items()]
        final = self.automaton.final
        return [*steps, *((end, final, 1.0) for end in sorted(self.automaton.ends - {final}))]


@dataclass(frozen=True, slots=True)
class _Segment:
    text: str
    first: int
    frames: int
    ratio: float

    @property
    def is_word(self) -> bool:
        """Whether it is a word of the grammar, not a filler: silence, noise."""
        return self.text[0] not in "<["

    @classmethod
    def of(cls, segment: pocketsphinx.Segment, free: NDArray[np.float64]) -> _Segment:
        frames = segment.end_frame - segment.start_frame + 1
        free_score = float(free[segment.start_frame : segment.end_frame + 1].sum())
        return cls(
            text=segment.word.partition("(")[0],
            first=segment.start_frame,
            frames=frames,
            ratio=(_score(segment) - free_score) / frames,
        )


def _per_frame(phones: Iterable[pocketsphinx.Segment], frames: int) -> NDArray[np.float64]:
    """The free phones' log score spread over their frames."""
    scores = np.zeros(frames)
    for phone in phones:
        span = slice(phone.start_frame, phone.end_frame + 1)
        scores[span] = _score(phone) / (phone.end_frame + 1 - phone.start_frame)
    return scores


def _score(segment: pocketsphinx.Segment) -> float:
    """The natural logarithm of a segment's acoustic likelihood; the engine hands it out shifted down by ten bits."""
    return 1024 * _log(segment.ascore)


def _log(probability: float) -> float:
    """Natural logarithm; the smallest number stands for what the engine's double could not hold."""
    return math.log(max(probability, math.ulp(0.0)))


def _logistic(margin: float) -> float:
    return 1 / (1 + math.exp(-max(margin, -500.0)))


def _sayable(what: Open, missing: frozenset[str]) -> dict[str, tuple[str, ...]]:
    kept = {
        key: tuple(phrase for phrase in phrases if not missing.intersection(phrase.split()))
        for key, phrases in what.answers.items()
    }
    return {key: phrases for key, phrases in kept.items() if phrases}
