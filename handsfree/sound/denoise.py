"""Takes steady noise off an utterance with RNNoise: a second view of the same sound, never the only one.

The one rule: what comes out is as long as what went in, so that times in both agree. A part of the raw sound stays
mixed in: without it, speech that was clean to begin with is recognised worse.

RNNoise: J.-M. Valin, "A Hybrid DSP/Deep Learning Approach to Real-Time Full-Band Speech Enhancement", 2018.
"""

from __future__ import annotations

import ctypes
import importlib.util
import sys
from functools import cache
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from handsfree.sound.audio import whole
from handsfree.sound.protocol import RATE, Audio

OWN_RATE = 48_000  # Hz; the network knows no other
DELAY = 2  # frames by which what comes out is behind what goes in
KEPT = 0.1  # of the raw amplitude
_LIBRARY = {"win32": "rnnoise.dll", "darwin": "librnnoise.dylib"}


def denoised(audio: Audio) -> NDArray[np.int16]:
    """The samples of ``audio`` with less noise. Raises OSError where the library cannot be loaded.

    The network needs about a second of the noise before it knows it: the lead goes through it too.
    """
    samples = np.concatenate([audio.lead, audio.samples])
    library = _library()
    frame = library.rnnoise_get_frame_size()
    wide = soxr.resample(samples.astype(np.float32), RATE, OWN_RATE)
    frames = np.pad(wide, (0, -len(wide) % frame + DELAY * frame)).reshape(-1, frame)
    state = library.rnnoise_create(None)
    try:
        for each in frames:
            at = each.ctypes.data_as(ctypes.POINTER(ctypes.c_float))
            library.rnnoise_process_frame(state, at, at)
    finally:
        library.rnnoise_destroy(state)
    quiet = soxr.resample(frames[DELAY:].ravel(), OWN_RATE, RATE)[len(audio.lead) : len(samples)]
    return whole((1 - KEPT) * quiet + KEPT * audio.samples)


@cache
def _library() -> ctypes.CDLL:
    """The C library inside the package pyrnnoise, whose own modules would load a plotting and a video library."""
    found = importlib.util.find_spec("pyrnnoise")
    if found is None or not found.submodule_search_locations:
        raise OSError("the package pyrnnoise is not installed")
    library = ctypes.CDLL(str(Path(found.submodule_search_locations[0], _LIBRARY.get(sys.platform, "librnnoise.so"))))
    library.rnnoise_create.restype = ctypes.c_void_p
    library.rnnoise_create.argtypes = [ctypes.c_void_p]
    library.rnnoise_destroy.argtypes = [ctypes.c_void_p]
    library.rnnoise_process_frame.restype = ctypes.c_float
    library.rnnoise_process_frame.argtypes = [
        ctypes.c_void_p,
        ctypes.POINTER(ctypes.c_float),
        ctypes.POINTER(ctypes.c_float),
    ]
    return library
