"""How the tool speaks: prompts rendered once into a cache, then played aloud, written to files, or kept silent.

The one rule: a prompt is a finished sound before its first sample is played, so it can be cut off at any sample and
sounds the same the next time. Engines work in a process of their own (``handsfree.sound.render``), and what they
return is measured before it is believed.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from itertools import chain, repeat
from pathlib import Path
from typing import Any, Literal, NamedTuple, Protocol

import numpy as np
import platformdirs
import soundfile
import soxr
from numpy.typing import NDArray

from handsfree.errors import PlainError
from handsfree.sound.devices import (
    BACK_OFF,
    ELSEWHERE_AFTER,
    OPENING,
    Change,
    DeviceError,
    full_name,
    look_again,
    quietly,
    register,
    sounddevice,
)
from handsfree.sound.protocol import RATE
from handsfree.sound.tones import Tone, tone

WORDS_PER_MINUTE = 150  # working figure for spoken instructions: 140 to 160
SLOWEST, FASTEST = 80, 300  # words per minute; espeak-ng takes no less than 80
ATTEMPTS = 3  # each in a fresh process
REPLY_WITHIN = 20.0  # seconds; a prompt takes about 0.03 s, the first one of a process about 0.3 s
LATENCY = 0.02  # seconds of sound handed out ahead: less stutters on a busy machine, more delays a cut by as much
TURN = 0.001  # seconds for which a thread may keep PortAudio's waiting: with Python's 0.005 a busy one makes it stutter
STALLED = 1.5  # seconds for which a loudspeaker may take no sound while there is some
GIVE_UP = 3.0  # seconds of attempts to open a lost loudspeaker, after which what waits to be spoken is dropped
LOOK_EVERY = 0.25  # seconds, while something is being spoken
TAIL = 0.15  # seconds of silence left after the last word, so that two prompts in a row do not run together

NO_ENGINE = {
    "linux": "install one with 'sudo apt install espeak-ng' (Debian, Ubuntu) or 'sudo dnf install espeak-ng' (Fedora)",
    "darwin": "add an English voice in System Settings, Accessibility, Spoken Content, System voice",
    "win32": "add an English voice in Settings, Time & language, Speech, Manage voices",
}


class VoiceError(PlainError):
    """A prompt cannot be rendered or played. The message is a sentence that says what to do about it."""


class Voice(Protocol):
    """Something that speaks one prompt after the other."""

    @property
    def medium(self) -> str:
        """Where prompts go, as the record has it: "aloud", "file" or "silent"."""

    def say(self, text: str) -> None:
        """Speak this after what is already waiting to be spoken, and return at once.

        Raises VoiceError when this prompt cannot be rendered or played.
        """

    def tone(self, which: Tone) -> None:
        """Sound a tone after what is already waiting, and return at once. Never raises: a tone says nothing new."""

    @property
    def speaking(self) -> bool:
        """Whether words are being spoken or wait to be. Tones are not: nobody takes them for words."""

    @property
    def saying(self) -> str:
        """The text that is being spoken now, or next; empty where there is none."""

    def changes(self) -> list[Change]:
        """What happened to the loudspeaker since this was last asked: "lost", then "back". Asking costs nothing.

        The text of "lost" says which prompts were not spoken to their end; ``say`` raises VoiceError until it is back.
        """

    def hold(self) -> None:
        """Fall silent where it is, as a speaker does who believes that somebody is about to speak."""

    def go_on(self) -> None:
        """Speak on from where it was held; nothing is lost. Where it was not held, nothing happens."""

    def wait(self) -> None:
        """Return when all has been spoken. Raises VoiceError when the loudspeaker stopped taking sound."""

    def stop(self) -> None:
        """Cut off what is spoken and what waits, within 100 ms at the loudspeaker; may be called from any thread."""

    def rate(self, factor: float) -> None:
        """Multiply the rate of speech; 0.8 is slower. Kept between 80 and 300 words a minute."""

    def close(self) -> None:
        """Cut off what is being spoken and let go of the loudspeaker and the engine."""


class Sound(NamedTuple):
    """Mono samples and their rate in Hz, which is the engine's own."""

    samples: NDArray[np.int16]
    rate: int


class Renderer:
    """Turns text into sound, at ``words_per_minute``, through a cache that all sessions of a user share.

    ``voice`` is an identifier of the engine, None for its English default. Raises VoiceError when ``cache`` cannot be
    written.
    """

    def __init__(
        self, cache: Path | None = None, voice: str | None = None, words_per_minute: int = WORDS_PER_MINUTE
    ) -> None:
        self.cache = cache or platformdirs.user_cache_path("handsfree") / "voice"
        self.voice = voice
        self.words_per_minute = words_per_minute
        self._process: subprocess.Popen[str] | None = None
        try:
            self.cache.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise VoiceError(f"the folder for rendered prompts cannot be made: {error}; make it writable") from None

    def rate(self, factor: float) -> None:
        """Multiply the rate, within SLOWEST and FASTEST."""
        if not factor > 0:
            raise ValueError(f"a rate of speech is multiplied by a number above 0, not by {factor}")
        self.words_per_minute = round(min(FASTEST, max(SLOWEST, self.words_per_minute * factor)))

    def render(self, text: str) -> Sound:
        """The sound of ``text``, from the cache or rendered now. Raises VoiceError."""
        key = json.dumps([text, self.voice, self.words_per_minute, _engine()], ensure_ascii=False)
        kept = self.cache / f"{hashlib.sha256(key.encode()).hexdigest()}.flac"
        sound = _read(kept)
        if sound is not None:
            return sound
        for _ in range(ATTEMPTS):
            sound = self._attempt(text)
            if sound is not None:
                _write(kept, sound)
                return sound
            self.close()
        raise VoiceError(
            f"the speech engine gave no usable sound for {text!r} in {ATTEMPTS} attempts; "
            f"use another voice or {_remedy()}"
        )

    def close(self) -> None:
        """End the engine's process; the next prompt starts another."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.communicate()

    def _attempt(self, text: str) -> Sound | None:
        with tempfile.TemporaryDirectory(prefix="handsfree-") as folder:
            path = Path(folder, "prompt.wav")
            self._ask({"text": text, "path": str(path), "words_per_minute": self.words_per_minute, "voice": self.voice})
            raw = _read(path)
        if raw is None:
            return None
        sound = trimmed(raw)
        return sound if plausible(text, len(sound.samples) / sound.rate, self.words_per_minute) else None

    def _ask(self, request: dict[str, Any]) -> None:
        """Have one prompt rendered. A process that hangs or dies leaves no file; the caller sees that."""
        process = self._process or subprocess.Popen(
            [sys.executable, "-m", "handsfree.sound.render"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            encoding="utf-8",
        )
        self._process = process
        assert process.stdin is not None
        assert process.stdout is not None
        watchdog = threading.Timer(REPLY_WITHIN, process.kill)
        watchdog.start()
        try:
            process.stdin.write(json.dumps(request) + "\n")
            process.stdin.flush()
            reply = process.stdout.readline()
        except OSError:
            return
        finally:
            watchdog.cancel()
        if error := reply and json.loads(reply).get("error"):
            self.close()
            raise VoiceError(f"no speech engine could be used ({error}); {_remedy()}")


def speakable(text: str) -> bool:
    """Whether there is anything in ``text`` that an engine would pronounce."""
    return re.search(r"\w", text) is not None


def plausible(text: str, seconds: float, words_per_minute: int) -> bool:
    """Whether ``seconds`` of sound can be ``text``: half what its letters and pauses take to 1.6 times that and 0.5 s.

    0.087 s a letter at 150 words a minute is the median of espeak-ng over sentences like those of a procedure (0.07 to
    0.1 for anything longer than one word); a digit or a sign is read as a word of five letters.
    """
    letters = sum(1 if character.isalpha() else 5 for character in re.findall(r"[^\s.,:;!?'\"()-]", text))
    expected = (0.087 * letters + 0.25 * len(re.findall(r"[.,:;!?]\s", text))) * WORDS_PER_MINUTE / words_per_minute
    return expected / 2 <= seconds <= expected * 1.6 + 0.5


def trimmed(sound: Sound) -> Sound:
    """``sound`` without the silence an engine puts around it, but for TAIL seconds after the last word.

    Engines end with up to 0.4 s of silence, in which a technician may already be answering.
    """
    loud = np.flatnonzero(np.abs(sound.samples.astype(np.int32)) > 100)  # -50 dB of full scale
    speech = sound.samples[loud[0] : loud[-1] + 1] if len(loud) else sound.samples[:0]
    return Sound(np.concatenate([speech, np.zeros(round(TAIL * sound.rate), np.int16)]), sound.rate)


@cache
def _engine() -> list[str]:
    """What a cached prompt depends on besides its text: another version may speak differently."""
    bundled = [version("espeakng-loader")] if sys.platform.startswith("linux") else []
    return [sys.platform, version("pyttsx3"), *bundled]


def _remedy() -> str:
    return NO_ENGINE.get(sys.platform, NO_ENGINE["linux"])


def _read(path: Path) -> Sound | None:
    """The first channel of a sound file; None where there is no such file, or none that can be read."""
    try:
        samples, rate = soundfile.read(path, dtype="int16", always_2d=True)
    except (soundfile.LibsndfileError, OSError):
        return None
    return Sound(samples[:, 0], rate)


def _write(target: Path, sound: Sound) -> None:
    """Write a FLAC file that is either whole or not there, also when two sessions write the same one."""
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, suffix=".part")
        os.close(handle)
        try:
            soundfile.write(name, sound.samples, sound.rate, format="FLAC", subtype="PCM_16")
            Path(name).replace(target)
        finally:
            Path(name).unlink(missing_ok=True)
    except (OSError, soundfile.LibsndfileError) as error:
        raise VoiceError(
            f"a prompt cannot be written to {target.parent} ({error}); free some space there and make it writable"
        ) from None


class _Prompt:
    """One prompt, or a tone, on its way to the loudspeaker; ``text`` is empty for a tone."""

    def __init__(self, text: str, sound: Sound) -> None:
        self.text = text
        self.sound = sound
        self.samples = np.empty(0, np.int16)  # as the stream now open takes them
        self.at = 0
        self.over = threading.Event()
        self.dropped = False  # because the loudspeaker was lost

    def fit(self, rate: float, latency: float) -> None:
        """Start from the first sample, on a stream of this rate in Hz.

        Its latency follows a prompt in silence, so that it is over when its last sample has left the loudspeaker. What
        follows a tone must not wait for that.
        """
        at_device = soxr.resample(self.sound.samples, self.sound.rate, rate)
        after = round(latency * rate) if self.text else 0
        self.samples = np.concatenate([at_device, np.zeros(after, np.int16)])
        self.at = 0


class AloudVoice:
    """Speaks through a loudspeaker whose stream stays open: a prompt starts and stops within one block of it.

    ``device`` is a name or number as sounddevice knows it, None for the system's default. Raises VoiceError when there
    is no PortAudio or no loudspeaker.

    A prompt is heard whole or it is reported: when the loudspeaker is lost, it is opened again and the prompt starts
    from its first word; after GIVE_UP seconds what waits is dropped and ``changes`` tells. A thread looks after that.
    """

    medium = "aloud"

    def __init__(self, renderer: Renderer, device: str | int | None = None) -> None:
        self._renderer = renderer
        self._device = device
        self._prompts: deque[_Prompt] = deque()  # the first one is being played
        self._stream: Any = None
        self._known_as: str | None = None
        self._lost = False
        self._held = False
        self._closed = threading.Event()
        self._changes: deque[Change] = deque()
        self._look = threading.Event()  # something to look after: a prompt, or the end of the stream
        self._played = time.monotonic()  # when PortAudio last asked for sound
        sys.setswitchinterval(min(TURN, sys.getswitchinterval()))
        try:
            self._sd = sounddevice()
            self._open()
        except DeviceError as error:
            raise VoiceError(str(error)) from None
        except (self._sd.PortAudioError, ValueError) as error:
            raise VoiceError(f"no loudspeaker can be opened ({error}); plug one in or choose another device") from None
        register(self)
        self._keeper = threading.Thread(target=self._keep, name="loudspeaker", daemon=True)
        self._keeper.start()

    def say(self, text: str) -> None:
        if speakable(text):
            self._enqueue(_Prompt(text, self._renderer.render(text)))

    def tone(self, which: Tone) -> None:
        with suppress(VoiceError):
            self._enqueue(_Prompt("", Sound(tone(which, RATE), RATE)))

    def _enqueue(self, prompt: _Prompt) -> None:
        if self._lost and not self._open_again(self._known_as):
            raise VoiceError("the loudspeaker is lost; plug it in again, or switch it on again")
        with OPENING:
            if self._stream is not None:
                prompt.fit(self._stream.samplerate, self._stream.latency)
            if not self._prompts:
                self._played = time.monotonic()
            self._prompts.append(prompt)
            if self._stream is None:
                self._open_again(self._known_as)
        self._look.set()

    @property
    def speaking(self) -> bool:
        return bool(self.saying)

    @property
    def saying(self) -> str:
        return next((prompt.text for prompt in self._prompts.copy() if prompt.text), "")

    def changes(self) -> list[Change]:
        found = []
        while self._changes:
            found.append(self._changes.popleft())
        return found

    def hold(self) -> None:
        self._held = True

    def go_on(self) -> None:
        self._held = False

    def wait(self) -> None:
        self.go_on()
        waiting = self._prompts.copy()
        for prompt in waiting:
            prompt.over.wait()
        if any(prompt.dropped for prompt in waiting):
            raise VoiceError("the loudspeaker stopped taking sound; plug it in again or choose another in the settings")

    def stop(self) -> None:
        prompts, self._prompts = self._prompts, deque()
        self._held = False
        for prompt in prompts:
            prompt.over.set()

    def rate(self, factor: float) -> None:
        self._renderer.rate(factor)

    def close(self) -> None:
        self._closed.set()
        self.stop()
        self._look.set()
        self._keeper.join()
        self._renderer.close()
        self.let_go()

    @property
    def busy(self) -> bool:
        return bool(self._prompts)

    def let_go(self) -> None:
        with OPENING:
            stream, self._stream = self._stream, None
            if stream is not None:
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)

    def _open(self, device: str | int | None = None) -> None:
        """Open the loudspeaker's stream; what waits starts from its beginning."""
        with OPENING:
            info = self._sd.query_devices(self._device if device is None else device, "output")
            stream = self._sd.OutputStream(
                samplerate=info["default_samplerate"],
                device=info["index"],
                channels=min(2, info["max_output_channels"]),
                dtype="int16",
                latency=max(LATENCY, info["default_low_output_latency"]),
                callback=self._play,
                finished_callback=self._look.set,
            )
            for prompt in self._prompts.copy():
                prompt.fit(stream.samplerate, stream.latency)
            self._played = time.monotonic()
            self._stream = stream
            stream.start()
            self.name, self._known_as = info["name"], full_name(self._sd, info)

    def _play(self, out: NDArray[np.int16], frames: int, _time: Any, _status: Any) -> None:
        """Hand the next ``frames`` samples to PortAudio, in its thread."""
        self._played = time.monotonic()
        out.fill(0)
        prompts = self._prompts  # ``stop`` puts another queue in its place
        if not prompts or self._held:
            return
        prompt = prompts[0]
        part = prompt.samples[prompt.at : prompt.at + frames]
        out[: len(part)] = part[:, np.newaxis]
        prompt.at += frames
        if prompt.at >= len(prompt.samples):
            prompts.popleft()
            prompt.over.set()

    def _plays(self) -> bool:
        """Whether the stream takes sound, or is closed because nobody needs it."""
        if self._stream is None:
            return not self._prompts
        stalled = bool(self._prompts) and time.monotonic() - self._played > STALLED
        return self._stream.active and not stalled

    def _open_again(self, device: str | None) -> bool:
        """Whether the loudspeaker could be opened, or has been meanwhile."""
        with OPENING:
            if self._stream is not None and self._plays():
                return True
            self.let_go()
            before = self._known_as
            try:
                with quietly():
                    self._open(device)
            except (self._sd.PortAudioError, ValueError):
                self.let_go()
                return False
            if self._known_as != before:
                self._changes.append(Change("changed", f"Prompts are spoken over {self.name} now.", self.name))
            elif self._lost:
                self._changes.append(Change("back", "The loudspeaker is back.", self.name))
            self._lost = False
            return True

    def _keep(self) -> None:
        """Look after the stream until the voice is closed, in a thread of its own."""
        while not self._closed.is_set():
            self._look.wait(LOOK_EVERY if self._prompts else None)
            self._look.clear()
            with OPENING:
                if self._closed.is_set() or self._plays():
                    continue
            self._recover()

    def _recover(self) -> None:
        """Try until the loudspeaker is open, or the voice is closed; what waits is given up on the way."""
        since = time.monotonic()
        for pause in chain(BACK_OFF, repeat(BACK_OFF[-1])):
            away = time.monotonic() - since
            for device in (
                (self._known_as, None) if self._device is None and away > ELSEWHERE_AFTER else (self._known_as,)
            ):
                if self._open_again(device):
                    return
                self._give_up_after(away)
                if look_again(self._sd, "output", device, self) and self._open_again(device):
                    return
            if self._closed.wait(pause):
                return

    def _give_up_after(self, away: float) -> None:
        """Drop what waits when the loudspeaker has been ``away`` for too many seconds, and say so once."""
        if self._lost or away < GIVE_UP:
            return
        self._lost = True
        prompts, self._prompts = self._prompts, deque()
        unsaid = [prompt.text for prompt in prompts if prompt.text]
        text = "The loudspeaker is lost. Plug it in again, or switch it on again."
        self._changes.append(
            Change("lost", " ".join([text, *["Not spoken to the end:"] * bool(unsaid), *unsaid]), self.name)
        )
        for prompt in prompts:
            prompt.dropped = True
            prompt.over.set()


class FileVoice:
    """Writes one FLAC file for each prompt into ``folder``, numbered from 001 on, after those already there.

    Raises VoiceError when the folder cannot be made.
    """

    medium = "file"

    def __init__(self, renderer: Renderer, folder: Path) -> None:
        self._renderer = renderer
        self._folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise VoiceError(f"the folder for prompts cannot be made: {error}; name another") from None
        self._count = max((int(file.stem) for file in folder.glob("*.flac") if file.stem.isdecimal()), default=0)

    def say(self, text: str) -> None:
        if not speakable(text):
            return
        self._count += 1
        _write(self._folder / f"{self._count:03}.flac", self._renderer.render(text))

    def tone(self, which: Tone) -> None:
        """Left out: whoever reads the folder wants the words."""

    def changes(self) -> list[Change]:
        return []

    @property
    def speaking(self) -> bool:
        return False

    @property
    def saying(self) -> str:
        return ""

    def hold(self) -> None:
        """Nothing is playing."""

    def go_on(self) -> None:
        """Nothing is playing."""

    def wait(self) -> None:
        """Nothing is playing."""

    def stop(self) -> None:
        """Nothing is playing."""

    def rate(self, factor: float) -> None:
        self._renderer.rate(factor)

    def close(self) -> None:
        self._renderer.close()


class SilentVoice:
    """Says nothing; for a session that is only read."""

    medium = "silent"

    def say(self, text: str) -> None:
        """Nothing is spoken."""

    def tone(self, which: Tone) -> None:
        """Nothing is sounded."""

    def changes(self) -> list[Change]:
        return []

    @property
    def speaking(self) -> bool:
        return False

    @property
    def saying(self) -> str:
        return ""

    def hold(self) -> None:
        """Nothing is playing."""

    def go_on(self) -> None:
        """Nothing is playing."""

    def wait(self) -> None:
        """Nothing is playing."""

    def stop(self) -> None:
        """Nothing is playing."""

    def rate(self, factor: float) -> None:
        """There is no rate."""

    def close(self) -> None:
        """Nothing is held."""


Kind = Literal["aloud", "file", "silent", "auto"]


def choose_voice(
    kind: Kind,
    folder: Path | None = None,
    *,
    device: str | int | None = None,
    cache: Path | None = None,
    words_per_minute: int = WORDS_PER_MINUTE,
) -> tuple[Voice, str | None]:
    """The voice asked for, or the nearest one that works here with a remark that says why and what to do.

    Without a loudspeaker prompts go to files in ``folder``; without a folder or an engine they are not spoken. "auto"
    is aloud where that works. Never raises VoiceError; ``say`` of the voice chosen still may.
    """
    if kind == "silent":
        return SilentVoice(), None
    if kind == "file" and folder is None:
        raise ValueError("a voice to files needs a folder")
    try:
        renderer = Renderer(cache, words_per_minute=words_per_minute)
        renderer.render("Ready.")
    except VoiceError as error:
        return SilentVoice(), f"Prompts are not spoken: {error}."
    reasons: list[str] = []
    if kind != "file":
        try:
            return AloudVoice(renderer, device), None
        except VoiceError as error:
            reasons.append(f"Prompts are not spoken aloud: {error}.")
    if folder is not None:
        try:
            voice = FileVoice(renderer, folder)
        except VoiceError as error:
            reasons.append(f"Prompts are not written to files: {error}.")
        else:
            return voice, " ".join([*reasons, f"They are written to {folder} instead."]) if reasons else None
    renderer.close()
    return SilentVoice(), " ".join(reasons)
