"""Which embedded recognisers there are, told without loading any of them.

The one rule: nothing here imports an engine. Whoever asks is the program at its start, and the engine is loaded in a
process of its own, which the program need not pay for twice.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

MOONSHINE, POCKETSPHINX = "moonshine", "pocketsphinx"
EMBEDDED = {  # what makes each, for ``Apart``
    MOONSHINE: "handsfree.sound.moonshine:MoonshineRecogniser",
    POCKETSPHINX: "handsfree.sound.sphinx:SphinxRecogniser",
}


def network_folder() -> Path | None:
    """Where the package moonshine-voice keeps its English model; None where it is not installed, or has none in it."""
    found = importlib.util.find_spec("moonshine_voice")
    if found is None or not found.submodule_search_locations:
        return None
    model = Path(found.submodule_search_locations[0], "assets", "tiny-en")
    return model if (model / "decoder_model_merged.ort").exists() else None


def default() -> str:
    """The one that is used where none is asked for; a platform may have no package of the better one."""
    return MOONSHINE if network_folder() is not None else POCKETSPHINX
