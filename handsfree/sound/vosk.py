"""Vosk, the recogniser for those who put a model folder in place: hears a list of phrases, with a confidence a word.

The one rule: the engine aborts or says nothing on what it does not like, so everything is looked at before it gets it:
the model's files, and whether the model knows each word.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import vosk

from handsfree.errors import PlainError
from handsfree.sound.protocol import RATE, Audio, HeardWord, Utterance
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Open

VARIABLE = "HANDSFREE_MODEL"
UNKNOWN = "[unk]"
BESIDE_THE_PACKAGE = Path(__file__).parents[2] / "models"

# What a model that can be narrowed at run time is made of; one with a fixed graph (HCLG.fst) would ignore the grammar.
MODEL_FILES = ("am/final.mdl", "conf/model.conf", "graph/HCLr.fst", "graph/Gr.fst")
FIXED_GRAPH = "graph/HCLG.fst"


class ModelError(PlainError):
    """A model folder that cannot be used; the text says which, why and what to put there."""


def find_model(setting: Path | None = None) -> Path | None:
    """The model folder: ``setting``, else what HANDSFREE_MODEL names, else the first by name in a models folder.

    Models folders are ``models`` in the current directory and beside the package. The first two are handed back as they
    are, for ``VoskRecogniser`` to complain about; None where nothing is set and no models folder holds a model.
    """
    if setting is not None:
        return setting
    if named := os.environ.get(VARIABLE):
        return Path(named)
    for models in (Path("models"), BESIDE_THE_PACKAGE):
        if models.is_dir():
            for folder in sorted(models.iterdir()):
                if not _wanting(folder):
                    return folder
    return None


class VoskRecogniser:
    """The ``Recogniser`` over a Vosk model folder.

    An utterance's confidence is that of its least certain word: a reading is as wrong as its worst word. The engine
    gives either word confidences or alternatives, never both, and its alternatives carry no comparable score: words
    win, and ``alternatives`` stays empty. Where the model knows ``[unk]``, speech outside the grammar comes
    back as no text.
    """

    name = "vosk"

    def __init__(self, model_folder: Path) -> None:
        """Load the model (seconds, and several times its size in memory). Raises ``ModelError``."""
        check_model(model_folder)
        vosk.SetLogLevel(-1)
        try:
            self._model = vosk.Model(str(model_folder))
            vosk.KaldiRecognizer(self._model, RATE)  # reads what the model has put off
        except Exception as error:  # the library raises nothing narrower
            raise ModelError(_advice(model_folder, "is damaged: Vosk cannot load it")) from error
        self._rejects = self._knows(UNKNOWN)
        self._what: Open | None = None
        self._phrases: str | None = None  # as the engine takes them; None where nothing can be heard
        self._missing: frozenset[str] = frozenset()

    @property
    def missing_words(self) -> frozenset[str]:
        """Words of the grammar last opened that the model does not know; sentences that hold one cannot be heard."""
        return self._missing

    def open(self, what: Open) -> None:
        """Narrow the grammar; phrases with a word that the model lacks are left out (see ``missing_words``)."""
        if what == self._what:
            return
        self._what = what
        phrases = grammar.phrases(what)
        self._missing = frozenset(
            word for word in {word for phrase in phrases for word in phrase.split()} if not self._knows(word)
        )
        heard = [phrase for phrase in phrases if self._missing.isdisjoint(phrase.split())]
        if heard and self._rejects:
            heard.append(UNKNOWN)
        self._phrases = json.dumps(heard, ensure_ascii=False) if heard else None

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance; the text is empty where nothing of the grammar was heard."""
        if self._phrases is None:
            return Utterance("", 0.0, self.name, audio)
        # A new one costs milliseconds; one used again adapts to the voices before and hears the same clip otherwise.
        recogniser = vosk.KaldiRecognizer(self._model, RATE, self._phrases)
        recogniser.SetWords(True)
        parts = []
        if recogniser.AcceptWaveform(audio.samples.tobytes()):  # it ends an utterance at a pause of its own choice
            parts.append(json.loads(recogniser.Result()))
        parts.append(json.loads(recogniser.FinalResult()))
        words = tuple(
            HeardWord(word["word"], min(1.0, float(word["conf"])), word["start"], word["end"])
            for part in parts
            for word in part.get("result", ())
        )
        outside = not words or any(word.text == UNKNOWN for word in words)
        return Utterance(
            text="" if outside else " ".join(word.text for word in words),
            confidence=0.0 if outside else min(word.confidence for word in words),
            engine=self.name,
            audio=audio,
            words=words,
        )

    def _knows(self, word: str) -> bool:
        return bool(self._model.vosk_model_find_word(word) >= 0)


def check_model(folder: Path) -> None:
    """Raise ``ModelError`` unless ``folder`` holds what a model that can be narrowed is made of."""
    if not folder.is_dir():
        raise ModelError(_advice(folder, "is not a folder" if folder.exists() else "does not exist"))
    wanting = _wanting(folder)
    if wanting and (folder / FIXED_GRAPH).is_file():
        raise ModelError(_advice(folder, f"has a fixed graph ({FIXED_GRAPH}), which cannot be narrowed to a step"))
    if wanting:
        raise ModelError(_advice(folder, f"is not a Vosk model: {', '.join(wanting)} missing or empty"))


def _wanting(folder: Path) -> list[str]:
    return [name for name in MODEL_FILES if not (folder / name).is_file() or not (folder / name).stat().st_size]


def _advice(folder: Path, wrong: str) -> str:
    return (
        f"{folder}: {wrong}; unpack a small or lgraph Vosk model there, so that {MODEL_FILES[0]} lies in it"
        " (models/README.md says which and from where), or leave the setting out to use the embedded recogniser"
    )
