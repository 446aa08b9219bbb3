"""Moonshine and Vosk together, for those who put a Vosk model in place: one search for what both find likely.

The network knows how people talk, Vosk how words sound, and they err in different places. The one rule: neither is
asked only what it would choose. The sentences that one of them finds likely are weighed by the other too, in the sound
as it is and with its noise taken off, and the likeliest by both is heard; a word or two far behind what the network
would rather hear are asked again.

Vosk listens beside the network, on the other processor, and takes less time. Of free speech (a note) the network's
words are taken: its published word error rate is the lower one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from handsfree.sound.denoise import denoised
from handsfree.sound.engines import BOTH
from handsfree.sound.evidence import JointEvidence, TextEvidence
from handsfree.sound.moonshine import ALTERNATIVES, COMPARED, OUT_OF_SIGHT, MoonshineRecogniser, View, Weighed
from handsfree.sound.protocol import Alternative, Audio, Utterance
from handsfree.sound.views import averaged, share, slowed, straight, words_of
from handsfree.sound.vosk import PhraseView, VoskRecogniser
from handsfree.spoken.grammar import Sense
from handsfree.spoken.meaning import Open

if TYPE_CHECKING:
    from handsfree.sound.enrolment import Speaker

UNWRITTEN = 12.0  # nats behind the likeliest, at most, for what the network gave up on the way or would not write
PROPOSED = 6  # meanings that Vosk finds likely and the network is to weigh, for each view


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """What was seen of the last utterance, should it be looked at again."""

    audio: Audio
    cleaned: NDArray[np.int16] | None
    views: Sequence[View]
    phrases: Sequence[PhraseView]


class JointRecogniser:
    """The ``Recogniser`` that is used unless another is asked for, where there is a Vosk model.

    Raises ``ModelError``, and OSError where the network is not there.
    """

    name = BOTH

    def __init__(self, speaker: Speaker | None, model_folder: Path, *, second_view: bool = True) -> None:
        """``second_view``: hear what is not plain once more, denoised."""
        self._second_view = second_view
        self._moonshine = MoonshineRecogniser(speaker, second_view=second_view, second_opinion=False)
        self._vosk = VoskRecogniser(model_folder)
        self._beside = ThreadPoolExecutor(1, "vosk")
        self._what = Open()
        self._looked: _Looked | None = None

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that the network does not write; what Vosk lacks, it hears alone."""
        return self._moonshine.missing_words

    def open(self, what: Open) -> None:
        """Narrow both grammars."""
        self._what, self._looked = what, None
        self._moonshine.open(what)
        if not what.dictation:
            self._vosk.open(what)

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where the network heard nothing of the grammar."""
        if self._what.dictation:
            return self._moonshine.hear(audio)
        heard = self._moonshine.utterance(self.weigh(audio), self.name, audio)
        self._vosk.get_ready()
        return heard

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        """Look at it as if it had been spoken more slowly too."""
        looked = self._looked
        if self._what.dictation or looked is None or not np.array_equal(looked.audio.samples, audio.samples):
            return first
        cleaned = denoised(audio) if looked.cleaned is None else looked.cleaned
        views, phrases = list(looked.views), list(looked.phrases)
        for samples in [cleaned] * (len(views) == 1) + [slowed(audio.samples), slowed(cleaned)]:
            sounds = self._beside.submit(self._vosk.view, samples)
            views.append(self._moonshine.view(samples))
            phrases.append(sounds.result())
        weighed = self._weighed(audio, views, phrases)
        self._vosk.get_ready()
        if weighed is None or not isinstance(weighed[1], JointEvidence):
            return first  # the network's opinion alone, of one look
        return self._moonshine.utterance(weighed, self.name, audio, again=True)

    def weigh(self, audio: Audio) -> Weighed[JointEvidence] | Weighed[TextEvidence] | None:
        """The likeliest hearing, what speaks for it, and the others; None where nothing was heard."""
        self._looked = None
        if not self._moonshine.listening or not len(audio.samples):
            return None
        if not self._vosk.listening:
            return self._moonshine.weigh(audio)
        sounds = self._beside.submit(self._vosk.view, audio.samples)
        if not self._second_view:
            return self._weighed(audio, [self._moonshine.view(audio.samples)], [sounds.result()])
        # The noise is taken off meanwhile, and Vosk listens to that too, before it is known whether it is needed.
        cleaned = self._beside.submit(denoised, audio)
        sounds_cleaned = self._beside.submit(lambda: self._vosk.view(cleaned.result()))
        views, phrases = [self._moonshine.view(audio.samples)], [sounds.result()]
        if views[0].plain and phrases[0].plain and views[0].best == phrases[0].best:
            sounds_cleaned.cancel()
            cleaned.cancel()
        else:
            views.append(self._moonshine.view(cleaned.result()))
            phrases.append(sounds_cleaned.result())
        self._looked = _Looked(audio, cleaned.result() if len(views) > 1 else None, views, phrases)
        return self._weighed(audio, views, phrases)

    def _weighed(
        self, audio: Audio, views: Sequence[View], phrases: Sequence[PhraseView]
    ) -> Weighed[JointEvidence] | Weighed[TextEvidence] | None:
        views = [view for view in views if view.logs]
        if not views:
            return None
        texts, fits = words_of([*views, *phrases]), averaged(views)
        chosen = sorted(fits, key=lambda meant: -fits[meant])[:COMPARED]
        for phrase in phrases:
            chosen += sorted(phrase.logs, key=lambda meant: -phrase.logs[meant])[:PROPOSED]
        taken_for: dict[Sense, str] = {}
        for first in (chosen[0], *(phrase.best for phrase in phrases if phrase.best is not None)):
            taken_for |= self._moonshine.near(texts[first])
        texts = taken_for | texts
        candidates = dict.fromkeys((*chosen, *taken_for))
        unheard = self._vosk.unheard
        if unheard and any(not unheard.isdisjoint(texts[meant].split()) for meant in candidates):
            return self._moonshine.weigh(audio)  # Vosk has no opinion of a sentence with such a word
        preferred = max(fits.values())
        behind = {meant: -fmean(phrase.log(meant) for phrase in phrases) for meant in candidates}
        seen = max(JointEvidence.together(fits[meant], behind[meant]) for meant in candidates if meant in fits)
        unseen = [meant for meant in candidates if meant not in fits]
        # Of the others Vosk finds so far behind that nothing the network could say would make a difference.
        near = [meant for meant in unseen if JointEvidence.matters(preferred, behind[meant], seen)]
        forced = self._moonshine.forced({meant: texts[meant] for meant in near}, views)
        fits |= {meant: max(forced.get(meant, -math.inf), preferred - UNWRITTEN) for meant in unseen}
        logs = {meant: JointEvidence.together(fits[meant], behind[meant]) for meant in candidates}
        best, *rest = sorted(logs, key=lambda meant: -logs[meant])
        evidence = JointEvidence(
            fit=fits[best],
            preferred=max(fits.values()) - fits[best],
            doubt=fmean(view.doubt for view in views),
            margin=logs[best] - logs[rest[0]] if rest else OUT_OF_SIGHT,
            pace=audio.seconds / len(texts[best]),
            agreement=share(views, best),
            raw=phrases[0].against(best),
            cleaned=phrases[-1].against(best),
            favoured=share(phrases, best),
            words=len(texts[best].split()),
            straight=straight(texts[best], {texts[meant]: logs[best] - logs[meant] for meant in rest}),
        )
        told = [meant for number, meant in enumerate(rest) if number < ALTERNATIVES or meant in taken_for]
        others = tuple(Alternative(texts[meant], JointEvidence.rivalry(logs[meant] - logs[best])) for meant in told)
        return texts[best], evidence, others
