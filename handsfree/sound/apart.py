"""A recogniser in a process of its own: it may take all of a processor, or crash, and sound still goes in and out.

The one rule: one question at a time, and each is answered, or refused, within a time limit. A process that dies or
hangs is started again, once for each question, with what it was listening for; its end is told, never hidden.
"""

from __future__ import annotations

import ctypes
import gc
import importlib
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any, BinaryIO

from handsfree.errors import PlainError
from handsfree.sound.protocol import Audio, Recogniser, Utterance
from handsfree.spoken.grammar import prepare
from handsfree.spoken.meaning import Open

PATIENCE = 20.0  # seconds for any answer: a first one holds the loading of a model
PATIENCE_PER_SECOND = 5.0  # more for each second of sound; none takes as long as the sound itself


class RecogniserError(PlainError):
    """The recogniser cannot go on."""


class _GoneError(Exception):
    """The process is no longer there; the text says how it ended."""


def _on_stderr(text: str) -> None:
    print(text, file=sys.stderr)


class Apart:
    """The ``Recogniser`` that ``make``, a class or function written "module:name", gives for ``arguments``.

    It is loaded when it is first asked something. ``name`` must be the engine's own. ``tell`` is called, in whatever
    thread asked, when the process had to be started again. To be used by one thread at a time.
    """

    def __init__(self, name: str, make: str, *arguments: object) -> None:
        self.name = name
        self.tell: Callable[[str], None] = _on_stderr
        self._make = (make, arguments)
        self._what: Open | None = None
        self._missing: frozenset[str] = frozenset()
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False

    @property
    def missing_words(self) -> frozenset[str]:
        return self._missing

    def open(self, what: Open) -> None:
        """Narrow the grammar. Raises RecogniserError, and what the engine raises."""
        if what != self._what:
            self._what = what
            self._answer("open", what)

    def hear(self, audio: Audio) -> Utterance:
        """Recognise one utterance. Raises RecogniserError, and what the engine raises."""
        return self._heard("hear", audio)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        """Recognise it with more effort. Raises RecogniserError, and what the engine raises."""
        return self._heard("hear_again", audio, replace(first, audio=None))

    def close(self) -> None:
        """End the process, and whatever it is being asked, for good."""
        self._closed = True
        self._end()

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.communicate()

    def _start(self) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", "handsfree.sound.apart"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._send(process, self._make)
        return process

    def _send(self, process: subprocess.Popen[bytes], what: object) -> None:
        assert process.stdin is not None
        try:
            pickle.dump(what, process.stdin)
            process.stdin.flush()
        except OSError:
            pass  # it has gone: whoever waits for the answer will see

    def _heard(self, question: str, audio: Audio, *more: object) -> Utterance:
        bare = Audio(audio.samples, audio.start, lead=audio.lead)
        utterance: Utterance = self._answer(question, bare, *more, longer=PATIENCE_PER_SECOND * audio.seconds)
        return replace(utterance, audio=audio)

    def _answer(self, question: str, *arguments: object, longer: float = 0.0) -> Any:
        try:
            return self._exchange(question, arguments, PATIENCE + longer)
        except _GoneError as gone:
            if self._closed:
                raise RecogniserError(f"the recogniser {self.name} has been closed") from None
            self.tell(f"The recogniser {gone} and was started again.")
        self._end()
        try:
            if question != "open" and self._what is not None:
                self._exchange("open", (self._what,), PATIENCE)
            return self._exchange(question, arguments, PATIENCE + longer)
        except _GoneError as gone:
            raise RecogniserError(
                f"the recogniser {self.name} {gone} again; choose another with --engine, or install it again"
            ) from None

    def _exchange(self, question: str, arguments: tuple[object, ...], patience: float) -> Any:
        """One question and its answer. Raises ``_GoneError``, and what the engine raises."""
        process, hung = self._process or self._start(), threading.Event()
        self._process = process

        def kill() -> None:
            hung.set()
            process.kill()

        assert process.stdout is not None
        watchdog = threading.Timer(patience, kill)
        watchdog.start()
        try:
            self._send(process, (question, arguments))
            answer, missing = pickle.load(process.stdout)
        except (EOFError, OSError, pickle.UnpicklingError):
            raise _GoneError("did not answer" if hung.is_set() else "stopped") from None
        finally:
            watchdog.cancel()
        if isinstance(answer, Exception):
            raise answer
        self._missing = missing
        return answer


def _serve(questions: BinaryIO, answers: BinaryIO) -> None:
    """What the process does: answers questions until there are no more."""
    recogniser: Recogniser | None = None
    (make, arguments) = pickle.load(questions)
    failed: Exception | None = None
    frozen = False
    try:
        module, _, name = make.partition(":")
        recogniser = getattr(importlib.import_module(module), name)(*arguments)
    except Exception as error:  # it is told to whoever asks first
        failed = error
    while True:
        try:
            question, arguments = pickle.load(questions)
        except EOFError:
            return  # the program has ended
        answer: object = failed
        missing: frozenset[str] = frozenset()
        if recogniser is not None:
            try:
                answer = getattr(recogniser, question)(*arguments)
                missing = recogniser.missing_words
            except Exception as error:
                answer = error
        if isinstance(answer, Utterance):
            answer = replace(answer, audio=None)  # it is there already
        pickle.dump((answer, missing), answers)
        answers.flush()
        # Now nobody waits for an answer, and somebody is told what to do.
        if question == "open" and not isinstance(answer, Exception):
            prepare(*arguments)
        if not frozen:
            gc.collect()
            gc.freeze()  # to go through all of it again takes 0.05 s, in the middle of an answer
            frozen = True
        _give_back()


def _give_back() -> None:
    """Hand back to the system what loading or an utterance took: some 35 MB with glibc, which keeps it otherwise."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever is interrupted will end this process
    replies, sys.stdout = sys.stdout.buffer, sys.stderr  # a library that prints must not be taken for an answer
    _serve(sys.stdin.buffer, replies)
