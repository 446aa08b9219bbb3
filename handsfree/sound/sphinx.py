"""PocketSphinx, the embedded recogniser: hears what a grammar allows and says how far to trust it.

The one rule: a grammar turns whatever it is given into one of its sentences, so nothing is believed for its own score.
Three things are asked of every hearing. A free decoding of the same audio into phones, which no grammar binds, tells
how well the audio could be explained; where the grammar's words explain it much worse, they were not said. The same
audio with its noise taken off is heard again; where the two hearings differ, one of them is wrong. And whatever else
may have been said (words that sound alike) is scored side by side with it, with beams so wide that none is lost on the
way. ``handsfree.sound.evidence`` makes one confidence of it.

Decoder settings were chosen by trial on synthetic and human speech, with hum and fan noise: a low language weight,
beams tighter than the engine's own, fillers and noise removal on, and cepstral means over whole utterances. The shipped
model's ``feat.params``, which overrides settings, already asks for the last two. Nothing is put around an utterance:
where silence changes to hum, a "one" or a "nine" is heard that was not said.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pocketsphinx
from numpy.typing import NDArray

from handsfree.sound.audio import dither
from handsfree.sound.denoise import denoised
from handsfree.sound.dictation import Pieces
from handsfree.sound.engines import POCKETSPHINX
from handsfree.sound.evidence import MARGIN_COUNTED, Evidence
from handsfree.sound.latest import Latest
from handsfree.sound.pronounce import Pronunciations, pronounce
from handsfree.sound.protocol import Alternative, Audio, HeardWord, Utterance
from handsfree.spoken import grammar
from handsfree.spoken.automaton import Automaton, smallest
from handsfree.spoken.confusable import neighbours
from handsfree.spoken.expression import Alt, Parser, spoken
from handsfree.spoken.meaning import Meaning, Open

if TYPE_CHECKING:
    from handsfree.sound.enrolment import Speaker

FRAMES_PER_SECOND = 100
GRAMMARS_KEPT = 8  # 10 to 20 MB each; a procedure asks few kinds of questions, and one is made anew in 0.1 s
ALTERNATIVES = 5
NBEST_LOOKED_AT = 40  # the list mostly repeats one sentence with other fillers

GRAMMAR_WEIGHT = 3.0
PHONE_WEIGHT = 2.0
SILENCE, FILLERS = 0.3, 0.01  # far more willingly than the engine would: noise must have something better than words
BEAMS = {"beam": 1e-36, "pbeam": 1e-36, "wbeam": 1e-24}
# Twice the time at the same accuracy; for the one utterance in a hundred that the others lose, mostly a short word.
WIDE_BEAMS = {"beam": 1e-60, "pbeam": 1e-60, "wbeam": 1e-40}
PHONES = "phones"  # the name of the free phone search

# How willingly a word is heard beside the others, as a probability; its logarithm is added to the word's score.
# What is listened for only to be refused (``grammar.decoys``) must fit clearly better. So must the words that noise is
# taken for at the edges of a sentence and few people say: the radio's figures, halves, and zero as a letter.
DECOY = 1e-9
RARE = dict.fromkeys(
    ("oh", "o", "fower", "fife", "tree", "half", "quarter", "quarters", "nought", "naught", "under"), 1e-6
)

CANDIDATES = 12  # sentences compared with one another
OUT_OF_SIGHT = 100.0  # nats behind the best, for a sentence that the comparison itself gave up

# A first hearing this plain is not heard a second time: it fits at least as well as free phones, and nothing is near.
PLAIN_RATIO, PLAIN_WORST = 0.0, -1.0


class SphinxRecogniser:
    """The ``Recogniser`` that needs nothing but this package and its dependencies."""

    name = POCKETSPHINX

    def __init__(self, speaker: Speaker | None = None, *, second_view: bool = True) -> None:
        """``speaker``: adapt to this one. ``second_view``: hear every utterance again with its noise taken off."""
        self._speaker = speaker
        self._second_view = second_view
        folder = Path(pocketsphinx.get_model_path()) / "en-us"
        self._dictionary = folder / "cmudict-en-us.dict"
        self._folder = folder
        self._free: pocketsphinx.Decoder | None = None  # for notes; made when one is first heard
        self._note = Pieces(self._dictated)
        self._decoder = pocketsphinx.Decoder(
            hmm=str(folder / "en-us"),
            lm=None,
            dict=None,  # the full one holds 134 000 words and takes ten times as long to load as all the rest
            logfn=os.devnull,
            lw=GRAMMAR_WEIGHT,
            wip=0.05,
            silprob=SILENCE,
            fillprob=FILLERS,
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
        self._grammars = Latest[_Grammar](GRAMMARS_KEPT, self._drop)  # by JSGF text
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
        if what.dictation:
            self._open, self._missing = None, frozenset()
            return
        wanted = grammar.words(what)
        self.learn(wanted | Parser(grammar.decoys(what)).vocabulary)
        self._missing = frozenset(wanted & self._unknown)
        if self._missing:
            what = grammar.without(what, self._missing)
        self._open = self._grammar(what) if not what.nothing else None

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        if self._what is not None and self._what.dictation:
            texts = [text for _, text in self._note.heard(audio.samples) if text]
            return Utterance(" ".join(texts), None, self.name, audio)
        heard = self.weigh(audio)
        if heard is None:
            return Utterance("", 0.0, self.name, audio)
        best, evidence, others = heard
        return Utterance(
            text=best.text,
            confidence=self._trust(evidence.confidence),
            engine=self.name,
            audio=audio,
            alternatives=others,
            words=tuple(
                HeardWord(
                    text=word.text,
                    confidence=self._trust(evidence.of_word(word.ratio)),
                    start=word.first / FRAMES_PER_SECOND,
                    end=min((word.first + word.frames) / FRAMES_PER_SECOND, audio.seconds),
                )
                for word in best.words
            ),
        )

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        """There is no more to do: it was looked at in all ways that help."""
        return first

    def _dictated(self, samples: NDArray[np.int16]) -> str:
        """What the shipped model of word triples makes of it; it does not say how sure that is."""
        model = self._folder / "en-us.lm.bin"
        if not model.is_file():
            return ""
        if self._free is None:
            self._free = pocketsphinx.Decoder(
                hmm=str(self._folder / "en-us"), lm=str(model), dict=str(self._dictionary), logfn=os.devnull
            )
        self._free.start_utt()
        self._free.process_raw(dither(samples).tobytes(), full_utt=True)
        self._free.end_utt()
        hypothesis = self._free.hyp()
        return hypothesis.hypstr if hypothesis else ""

    def compare(self, sentences: Sequence[str], samples: NDArray[np.int16]) -> dict[str, float]:
        """How many nats each of a few sentences is behind the one that fits best: 0 to OUT_OF_SIGHT.

        Where a word of them cannot be pronounced, none is behind another: nothing can be said of any.
        """
        words = {word for sentence in sentences for word in sentence.split()}
        self.learn(words)
        if words & self._unknown:
            return dict.fromkeys(sentences, 0.0)
        self._decoder.reinit_feat()
        decoding, scores = self._compare(list(sentences), _View(dither(samples), None, None))
        return {sentence: -scores.get(sentence, -OUT_OF_SIGHT) if decoding else 0.0 for sentence in sentences}

    def weigh(self, audio: Audio) -> tuple[_Decoding, Evidence, tuple[Alternative, ...]] | None:
        """The likeliest hearing, what speaks for it, and the others; None where nothing was heard."""
        if self._open is None or not len(audio.samples):
            return None
        raw = self._view(audio.samples, phones=True)
        if raw.best is not None and raw.best.ratio >= PLAIN_RATIO and raw.best.worst >= PLAIN_WORST:
            heard = self._weighed([raw])
            if heard is not None and heard[1].margin >= MARGIN_COUNTED:
                return heard
        return self._weighed([raw, self._view(denoised(audio))] if self._second_view else [raw])

    def _weighed(self, views: list[_View]) -> tuple[_Decoding, Evidence, tuple[Alternative, ...]] | None:
        assert self._open is not None
        heard = [view.best for view in views if view.best is not None]
        if not heard:
            return None
        candidates = self._candidates(heard, self._open.automaton)
        score = dict.fromkeys(candidates, 0.0)
        if len({self._meaning(text) for text in candidates}) > 1:
            compared = [self._compare(candidates, view) for view in views]
            heard += [decoding for decoding, _ in compared if decoding is not None]
            score = {
                text: sum(scores.get(text, -OUT_OF_SIGHT) for _, scores in compared) / len(views) for text in candidates
            }
        best = max(heard, key=lambda each: score[each.text])
        meant = self._meaning(best.text)
        others = tuple(
            Alternative(text, min(0.0, nats - score[best.text]))
            for text, nats in sorted(score.items(), key=lambda item: -item[1])
            if text != best.text
        )
        rivals = [-other.score for other in others if self._meaning(other.text) != meant]
        agreeing = sum(view.best is not None and self._meaning(view.best.text) == meant for view in views)
        # How well it fits is asked of the sound as it was, with the free phones of that to compare it with.
        in_raw = [each for each in heard if each.text == best.text and each.free]
        if not in_raw and (found := self._compare([best.text], views[0])[0]) is not None:
            in_raw = [found]
        evidence = self._evidence(in_raw, agreeing / len(views), min(rivals, default=MARGIN_COUNTED))
        return best, evidence, others[:ALTERNATIVES]

    def _view(self, samples: NDArray[np.int16], *, phones: bool = False) -> _View:
        assert self._open is not None
        dithered = dither(samples)
        self._decoder.reinit_feat()  # forgets the noise of utterances before: a clip is heard alike at any time
        free = None
        if phones:
            # The phones go first, and the front end learns this utterance's noise for the grammar's turn.
            self._decode(PHONES, dithered)
            free = _per_frame(self._decoder.seg() or (), self._decoder.n_frames() + 1)
        best = self._decoding(self._open.name, dithered, free) or self._decoding(self._wide(self._open), dithered, free)
        return _View(dithered, free, best)

    def _decoding(self, search: str, samples: NDArray[np.int16], free: NDArray[np.float64] | None) -> _Decoding | None:
        text = self._decode(search, samples)
        if not text:
            return None
        segments = tuple(_Segment.of(segment, free) for segment in self._decoder.seg() if segment.word != "(NULL)")
        return _Decoding(text, segments, self._scores() if search == "candidates" else {}, free is not None)

    def _candidates(self, heard: list[_Decoding], automaton: Automaton) -> list[str]:
        """What may have been said, likeliest first, without repeats."""

        def near(kind: Callable[[Sequence[str]], Iterable[list[str]]]) -> list[str]:
            sentences = (" ".join(words) for text in texts for words in kind(text.split()) if automaton.accepts(words))
            return list(dict.fromkeys([*texts, *sentences]))[:CANDIDATES]

        texts = list(dict.fromkeys(each.text for each in heard))
        # A speaker's own confusions come beside those of everybody, never instead of them.
        return list(dict.fromkeys([*near(neighbours), *(near(self._speaker.neighbours) if self._speaker else ())]))

    def _compare(self, candidates: list[str], view: _View) -> tuple[_Decoding | None, dict[str, float]]:
        """The candidates alone, with wide beams: the best of them, and how many nats each is behind it (0 or less)."""
        self._beams(WIDE_BEAMS)
        self._add("candidates", smallest(Alt(tuple(spoken(text) for text in candidates))))
        self._beams(BEAMS)
        decoding = self._decoding("candidates", view.samples, view.free)
        self._decoder.remove_search("candidates")
        if decoding is None:
            return None, {}
        most = max(decoding.scores.values(), default=0.0)
        return decoding, {text: max(-OUT_OF_SIGHT, score - most) for text, score in decoding.scores.items()}

    def _trust(self, confidence: float) -> float:
        return confidence if self._speaker is None else self._speaker.trust(confidence)

    def _meaning(self, text: str) -> Meaning:
        assert self._what is not None
        return grammar.understand(text, self._what)

    def learn(self, words: Iterable[str]) -> None:
        """Get ready to hear these words, or to compare sentences of them; new ones take a while."""
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
        def make() -> _Grammar:
            self._numbered += 1
            sayable = grammar.listened(what).without(self._unknown)
            made = _Grammar(f"grammar-{self._numbered}", sayable, grammar.words(what))
            self._add(made.name, made.automaton, made.words)
            return made

        return self._grammars.get(grammar.jsgf(what), make)

    def _drop(self, oldest: _Grammar) -> None:
        self._decoder.remove_search(oldest.name)
        if oldest in self._widened:
            self._widened.remove(oldest)
            self._decoder.remove_search(oldest.wide)

    def _add(self, search: str, automaton: Automaton, willingly: frozenset[str] | None = None) -> None:
        """Make a search of an automaton. Words that are not listened for ``willingly`` must fit better to be heard."""

        def prior(word: str, target: int) -> float:
            rare = 1.0 if (target, "l") in automaton.steps else RARE.get(word, 1.0)  # "o l" is no zero
            return rare if willingly is None or word in willingly else rare * DECOY

        arcs: list[tuple[int, int, float] | tuple[int, int, float, str]] = [
            (state, target, prior(word, target), word) for (state, word), target in automaton.steps.items()
        ]
        # The engine knows one final state, which the other ends reach without a word.
        arcs += [(end, automaton.final, 1.0) for end in sorted(automaton.ends - {automaton.final})]
        self._decoder.add_fsg(search, self._decoder.create_fsg(search, automaton.start, automaton.final, arcs))

    def _wide(self, made: _Grammar) -> str:
        """The grammar's search with wide beams."""
        if made not in self._widened:
            self._beams(WIDE_BEAMS)
            self._add(made.wide, made.automaton, made.words)
            self._beams(BEAMS)
            self._widened.append(made)
        return made.wide

    def _beams(self, beams: Mapping[str, float]) -> None:
        """A search takes its beams from the settings when it is made."""
        for name, beam in beams.items():
            self._decoder.config[name] = beam

    def _decode(self, search: str, samples: NDArray[np.int16]) -> str:
        self._decoder.activate_search(search)
        self._decoder.start_utt()
        self._decoder.process_raw(samples.tobytes(), full_utt=True)
        self._decoder.end_utt()
        hypothesis = self._decoder.hyp()
        return hypothesis.hypstr if hypothesis else ""

    def _scores(self) -> dict[str, float]:
        """The sentences of the latest decoding and their scores in nats, best first."""
        scores: dict[str, float] = {}
        for hypothesis in islice(self._decoder.nbest() or (), NBEST_LOOKED_AT):
            text = hypothesis.hypstr if hypothesis else ""
            if text:
                scores.setdefault(text, 1024 * _log(hypothesis.score))
        return scores

    def _evidence(self, heard: list[_Decoding], agreement: float, margin: float) -> Evidence:
        """Of one sentence, as it was heard in decodings of the raw sound; where it cannot be, nothing speaks for it."""
        if not heard:
            return Evidence(-math.inf, math.inf, agreement, margin)
        phones = sum(len(self._known[word.text][0].split()) for word in heard[0].words)
        return Evidence(
            ratio=max(each.ratio for each in heard),
            pace=min(sum(word.frames for word in each.words) for each in heard) / phones,
            agreement=agreement,
            margin=margin,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Grammar:
    name: str
    automaton: Automaton
    words: frozenset[str]  # the others are decoys

    @property
    def wide(self) -> str:
        return f"{self.name}-wide"


@dataclass(frozen=True, slots=True)
class _View:
    """One view of an utterance's sound, with what the free phones make of each frame and what was heard in it."""

    samples: NDArray[np.int16]
    free: NDArray[np.float64] | None
    best: _Decoding | None


@dataclass(frozen=True, slots=True)
class _Decoding:
    """One hearing: its sentence, and the scores of it and others in nats."""

    text: str
    segments: tuple[_Segment, ...]
    scores: Mapping[str, float]
    free: bool  # whether the free phones are there to compare with

    @property
    def words(self) -> list[_Segment]:
        return [segment for segment in self.segments if segment.is_word]

    @property
    def ratio(self) -> float:
        return sum(part.ratio * part.frames for part in self.segments) / sum(part.frames for part in self.segments)

    @property
    def worst(self) -> float:
        return min(word.ratio for word in self.words)


@dataclass(frozen=True, slots=True)
class _Segment:
    text: str
    first: int
    frames: int
    score: float  # nats, relative to the best that any sound could have scored in each frame
    free: float  # nats, of the free phones

    @property
    def ratio(self) -> float:
        return (self.score - self.free) / self.frames

    @property
    def is_word(self) -> bool:
        """Whether it is a word of the grammar, not a filler: silence, noise."""
        return self.text[0] not in "<["

    @classmethod
    def of(cls, segment: pocketsphinx.Segment, free: NDArray[np.float64] | None) -> _Segment:
        frames = segment.end_frame - segment.start_frame + 1
        return cls(
            text=segment.word.partition("(")[0],
            first=segment.start_frame,
            frames=frames,
            score=_score(segment),
            free=math.nan if free is None else float(free[segment.start_frame : segment.end_frame + 1].sum()),
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
