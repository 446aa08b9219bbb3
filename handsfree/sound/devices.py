"""Microphones: what they hear, as 16 kHz mono blocks in the order they were heard.

The one rule: PortAudio's thread only copies. Resampling and everything after it happen in the thread that reads the
blocks; between the two stands a queue that is long enough for a slow recogniser. What had to be dropped is counted, and
the block that follows says so.
"""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, Literal, NamedTuple, Self

import numpy as np
import soxr
from numpy.typing import NDArray

from handsfree.errors import PlainError
from handsfree.sound.protocol import RATE

BLOCK = 0.032  # seconds: 512 samples at 16 kHz, what a voice-activity detector takes at a time
WINDOW = 100  # blocks, 3.2 s, over which a stream may be late
BACKLOG = 900  # blocks, about 29 s of sound, kept for a reader that is busy
BUFFER = 0.2  # seconds PortAudio keeps; with two blocks or less some drivers lose every other one. It delays nothing
LOST_AFTER = 3.0  # seconds without a block, after which a device counts as lost
TAIL = 0.15  # seconds a microphone stays deaf after the voice: what is still under way in the room and the drivers

NO_PORTAUDIO = {
    "linux": "install it: 'sudo apt install libportaudio2' (Debian, Ubuntu) or 'sudo dnf install portaudio' (Fedora)",
    "darwin": "reinstall it with 'pip install --force-reinstall sounddevice'",
    "win32": "reinstall it with 'pip install --force-reinstall sounddevice'",
}


class DeviceError(PlainError):
    """A sound device cannot be used. The message is a sentence that says what to do about it."""


def sounddevice() -> Any:
    """The sounddevice module, imported when a device is first needed. Raises DeviceError where PortAudio is missing."""
    try:
        import sounddevice as module
    except OSError as error:
        remedy = NO_PORTAUDIO.get(sys.platform, NO_PORTAUDIO["linux"])
        raise DeviceError(f"sound devices cannot be used ({error}); {remedy}") from None
    return module


def device_names(kind: Literal["input", "output"]) -> list[str]:
    """The devices that can record ("input") or play ("output"), by name. Raises DeviceError without PortAudio."""
    return [each["name"] for each in sounddevice().query_devices() if each[f"max_{kind}_channels"] > 0]


def _never() -> bool:
    return False


def microphone(device: str | int | None = None, deaf: Callable[[], bool] = _never) -> Microphone:
    """Open a microphone by name (or a part of it) or number, None for the system's default; use it with ``with``.

    It hears silence while ``deaf`` says so and for TAIL seconds after; that is asked in PortAudio's thread, once a
    block, so that not one block of the tool's own voice gets through while the reader is busy. Raises DeviceError when
    there is none of that name, none at all, or it cannot be opened.
    """
    sd = sounddevice()
    try:
        info = sd.query_devices(device, "input")
        settings = _settings(sd, info)
        return Microphone(sd, info["name"], deaf=deaf, **settings)
    except (sd.PortAudioError, ValueError) as error:
        wanted = "the default microphone" if device is None else f"microphone {device!r}"
        names = ", ".join(device_names("input")) or "none"
        raise DeviceError(
            f"{wanted} cannot be opened ({error}); plug one in or choose another (found: {names})"
        ) from None


def _settings(sd: Any, info: Any) -> dict[str, Any]:
    """16 kHz mono where the device takes it; its own rate, and its own channels if need be, where it does not."""
    own = info["default_samplerate"]
    for rate, channels in ((RATE, 1), (own, 1), (own, info["max_input_channels"])):
        settings = {"device": info["index"], "samplerate": rate, "channels": channels}
        try:
            sd.check_input_settings(dtype="int16", **settings)
        except sd.PortAudioError:
            continue
        return settings
    return settings  # opening it will say what is wrong


class Pace:
    """Notices blocks that were lost without PortAudio saying so: the stream falls behind the clock and stays behind.

    A block that merely comes late is followed by others that catch up, so what counts is the most punctual of WINDOW
    blocks; it also becomes the measure for the next ones, which follows the drift between the two clocks.
    """

    def __init__(self) -> None:
        self._due = 0.0
        self._late: list[float] = []
        self._first = True

    def missed(self, at: float, seconds: float) -> int:
        """How many blocks were found missing when one of ``seconds`` arrived at ``at``, by a clock that never jumps."""
        self._late.append(at - self._due)
        self._due += seconds
        if len(self._late) < WINDOW:
            return 0
        late = min(self._late)
        self._late.clear()
        self._due += late
        first, self._first = self._first, False
        return round(late / seconds) if late > 2 * seconds and not first else 0


class Block(NamedTuple):
    """int16 samples at 16 kHz. ``gap``: sound was lost or silenced in them or just before them."""

    samples: NDArray[np.int16]
    gap: bool


class Microphone:
    """An open microphone; iterating gives its blocks until it is closed.

    ``overruns`` counts the blocks that were lost, in the drivers or because ``backlog`` of them had not been read.
    Iterating raises DeviceError when the device is lost.
    """

    def __init__(
        self,
        sd: Any,
        name: str,
        *,
        device: int,
        samplerate: float,
        channels: int,
        deaf: Callable[[], bool] = _never,
        backlog: int = BACKLOG,
    ) -> None:
        self.name = name
        self.overruns = 0
        self._pace = Pace()
        self._closed = False
        self._deaf = deaf
        self._gate = 0  # blocks still to be silenced
        self._gap = True  # nobody knows what was being said before the first block
        self._blocks: queue.Queue[Block] = queue.Queue(maxsize=backlog)
        self._resampler = None if samplerate == RATE else soxr.ResampleStream(samplerate, RATE, 1, dtype="int16")
        self._stream = sd.InputStream(
            device=device,
            samplerate=samplerate,
            channels=channels,
            dtype="int16",
            blocksize=round(samplerate * BLOCK),
            latency=BUFFER,
            callback=self._take,
        )
        self._stream.start()

    def close(self) -> None:
        """Let go of the device; the iteration ends with what was heard so far."""
        self._closed = True
        self._stream.close(ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def __iter__(self) -> Iterator[Block]:
        while True:
            try:
                block = self._blocks.get(timeout=0 if self._closed else LOST_AFTER)
            except queue.Empty:
                if self._closed:
                    return
                raise DeviceError(
                    f"the microphone {self.name!r} stopped delivering sound; plug it in again or choose another"
                ) from None
            if self._resampler is not None:
                block = block._replace(samples=self._resampler.resample_chunk(block.samples))
            yield block

    def _take(self, data: NDArray[np.int16], frames: int, _time: Any, status: Any) -> None:
        """Take a block from PortAudio, in its thread."""
        lost = self._pace.missed(time.monotonic(), BLOCK) or int(status.input_overflow)
        self.overruns += lost
        if self._deaf():
            self._gate = 1 + round(TAIL / BLOCK)
        silenced = self._gate > 0
        self._gate = max(0, self._gate - 1)
        samples = np.zeros(frames, np.int16) if silenced else data[:, 0].copy()
        try:
            # Silenced blocks go on, so that time in the stream stays true.
            self._blocks.put_nowait(Block(samples, self._gap or silenced or lost > 0))
            self._gap = False
        except queue.Full:
            self.overruns += 1
            self._gap = True
