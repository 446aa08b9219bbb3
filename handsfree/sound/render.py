"""The process that renders prompts with pyttsx3: one JSON request a line in, one JSON reply a line out.

The one rule: the engine is idle before it is told anything and idle before its file is read. A speech engine is a
C library or an operating system's service with threads of its own; here it can hang, print or crash without taking a
session with it. Started by ``handsfree.sound.voice`` as ``python -m handsfree.sound.render``.

Request: ``{"text", "path", "words_per_minute", "voice"}``; reply: ``{}`` or ``{"error": sentence}``. The file at
``path`` is in the engine's own format (WAV, or AIFF on macOS). The process ends when its standard input does.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import sys
from collections.abc import Callable
from typing import Any


def render(text: str, path: str, words_per_minute: int, voice: str | None) -> None:
    """Render one prompt. The engine is made anew for each: the state a prompt leaves behind differs between drivers."""
    import pyttsx3

    engine = pyttsx3.init()
    settle = _settling(engine)
    settle()
    for name, value in (("voice", voice or _english(engine)), ("rate", words_per_minute)):
        if value is not None:
            engine.setProperty(name, value)
            settle()
    engine.save_to_file(text, path)
    engine.runAndWait()
    settle()


def _settling(engine: Any) -> Callable[[], object]:
    """A function that returns once the engine is idle; to be had before anything is asked of a new engine.

    espeak works in a thread of its own. When a prompt starts, pyttsx3 cancels whatever that thread still has to do, a
    change of rate included; and it does not wait for the first prompt of an engine, which counts as busy from the
    beginning. That is where missing, cut and wrongly paced prompts come from.
    """
    if engine.driver_name != "espeak":
        return lambda: None
    from pyttsx3.drivers import _espeak

    engine.proxy.setBusy(False)
    synchronize: Callable[[], object] = _espeak.Synchronize
    return synchronize


def _english(engine: Any) -> str | None:
    """The identifier of an English voice where the system's own one speaks another language, else None."""
    if engine.driver_name == "espeak":  # starts in English everywhere
        return None
    languages = {voice.id: str((voice.languages or [""])[0]).lower() for voice in engine.getProperty("voices")}
    if languages.get(engine.getProperty("voice"), "en").startswith("en"):
        return None
    return next((voice for voice, language in languages.items() if language.startswith("en")), None)


def load_bundled_espeak() -> None:
    """Load espeakng-loader's library, so that pyttsx3 finds it by the name it asks for on Linux.

    It is preferred to the system's: a prompt is then the same on every machine. Where it cannot be loaded (built for
    another processor, an older C library) pyttsx3 looks for the system's.
    """
    import espeakng_loader

    with contextlib.suppress(OSError):
        ctypes.CDLL(espeakng_loader.get_library_path(), ctypes.RTLD_GLOBAL)
        os.environ["ESPEAK_DATA_PATH"] = espeakng_loader.get_data_path()


def main() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the session, which then closes this input
    replies, sys.stdout = sys.stdout, sys.stderr  # pyttsx3 prints
    if sys.platform.startswith("linux"):
        load_bundled_espeak()
    for line in sys.stdin:
        try:
            render(**json.loads(line))
            reply = {}
        except Exception as error:  # whatever an engine raises has to become a sentence on the other side
            reply = {"error": f"{error}" or type(error).__name__}
        print(json.dumps(reply), file=replies, flush=True)


if __name__ == "__main__":
    main()
