"""A recogniser that fails as real ones do, for the process that holds it to survive."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from handsfree.sound.protocol import Audio, Utterance
from handsfree.spoken.meaning import Open


class Fragile:
    """Fails at its first ``times`` hearings, counted in the file ``tally``, by ``how``; then says what is open."""

    name = "fragile"

    def __init__(self, how: str, tally: str, times: int) -> None:
        if how == "cannot load":
            raise ValueError("the model is damaged")
        self._how, self._tally, self._times = how, Path(tally), times
        self._words = ""

    @property
    def missing_words(self) -> frozenset[str]:
        return frozenset({"henweigh"})

    def open(self, what: Open) -> None:
        self._words = " ".join(sorted(what.words))

    def hear(self, audio: Audio) -> Utterance:
        asked = self._tally.stat().st_size if self._tally.exists() else 0
        self._tally.write_bytes(bytes(asked + 1))
        print("libraries print")
        if asked >= self._times:
            return Utterance(self._words, 0.75, self.name, audio)
        match self._how:
            case "crashes":
                os._exit(11)
            case "hangs":
                threading.Event().wait()
        raise ValueError("the clip is odd")

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        return Utterance(f"{first.text} again", 0.9, self.name, audio)
