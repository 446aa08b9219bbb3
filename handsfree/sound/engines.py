"""Which recognisers there are, told without loading any of them.

The one rule: nothing here imports an engine. Whoever asks is the program at its start, and the engine is loaded in a
process of its own, which the program need not pay for twice.
"""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

from handsfree.errors import PlainError

MOONSHINE, POCKETSPHINX, VOSK, BOTH = "moonshine", "pocketsphinx", "vosk", "moonshine+vosk"
MAKE = {  # what makes each, for ``Apart``
    MOONSHINE: "handsfree.sound.moonshine:MoonshineRecogniser",
    POCKETSPHINX: "handsfree.sound.sphinx:SphinxRecogniser",
    VOSK: "handsfree.sound.vosk:VoskRecogniser",
    BOTH: "handsfree.sound.joint:JointRecogniser",
}
ASKED_FOR_AS = {BOTH: "both"}  # in the settings, where that is not its name
WITH_A_MODEL = frozenset({VOSK, BOTH})  # they need the folder of a Vosk model

VARIABLE = "HANDSFREE_MODEL"
BESIDE_THE_PACKAGE = Path(__file__).parents[2] / "models"

# What a model that can be narrowed at run time is made of; one with a fixed graph (HCLG.fst) would ignore the grammar.
MODEL_FILES = ("am/final.mdl", "conf/model.conf", "graph/HCLr.fst", "graph/Gr.fst")
FIXED_GRAPH = "graph/HCLG.fst"


class ModelError(PlainError):
    """A model folder that cannot be used; the text says which, why and what to put there."""


def network_folder() -> Path | None:
    """Where the package moonshine-voice keeps its English model; None where it is not installed, or has none in it."""
    found = importlib.util.find_spec("moonshine_voice")
    if found is None or not found.submodule_search_locations:
        return None
    model = Path(found.submodule_search_locations[0], "assets", "tiny-en")
    return model if (model / "decoder_model_merged.ort").exists() else None


def find_model(setting: Path | None = None) -> Path | None:
    """The model folder: ``setting``, else what HANDSFREE_MODEL names, else the first by name in a models folder.

    Models folders are ``models`` in the current directory and beside the package. The first two are handed back as they
    are, for the engine to complain about; None where nothing is set and no models folder holds a model, and where the
    variable is there and empty.
    """
    if setting is not None:
        return setting
    named = os.environ.get(VARIABLE, "default")
    if named != "default":
        return Path(named) if named else None
    for models in (Path("models"), BESIDE_THE_PACKAGE):
        if models.is_dir():
            for folder in sorted(models.iterdir()):
                if not lacking(folder):
                    return folder
    return None


def lacking(folder: Path) -> list[str]:
    """Which files of a Vosk model are not in a folder, or empty."""
    return [name for name in MODEL_FILES if not (folder / name).is_file() or not (folder / name).stat().st_size]


def check_model(folder: Path) -> None:
    """Raise ``ModelError`` unless ``folder`` holds what a model that can be narrowed is made of."""
    if not folder.is_dir():
        raise unusable(folder, "is not a folder" if folder.exists() else "does not exist")
    wanting = lacking(folder)
    if wanting and (folder / FIXED_GRAPH).is_file():
        raise unusable(folder, f"has a fixed graph ({FIXED_GRAPH}), which cannot be narrowed to a step")
    if wanting:
        raise unusable(folder, f"is not a Vosk model: {', '.join(wanting)} missing or empty")


def unusable(folder: Path, wrong: str) -> ModelError:
    """What to raise where a model folder cannot be used: the text says what to put there."""
    return ModelError(
        f"{folder}: {wrong}; unpack a small or lgraph Vosk model there, so that {MODEL_FILES[0]} lies in it "
        f"(models/README.md says which and from where), or do without: --engine {MOONSHINE}, or {POCKETSPHINX}"
    )


def default(model: Path | None) -> str:
    """The one that is used where none is asked for: the best for which everything is there.

    ``model`` is the folder of a Vosk model, if there is one. A platform may have no package of Moonshine.
    """
    if network_folder() is None:
        return POCKETSPHINX if model is None else VOSK
    return MOONSHINE if model is None else BOTH
