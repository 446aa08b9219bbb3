"""Microphones: what they hear, as 16 kHz mono blocks in the order they were heard, and what happens to them.

The one rule: PortAudio's thread only copies. Resampling, noticing that a device was lost or muted, and opening it again
happen in the thread that reads the blocks; between the two stands a queue that is long enough for a slow recogniser.
What had to be dropped is counted, and the block that follows says so.

PortAudio lists the devices once, when it starts; where that list went stale it has to start again, which ends every
stream there is. So whoever keeps a stream open is a ``Holder``, and lets go of it when asked to.
"""

from __future__ import annotations

import os
import queue
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import chain, repeat
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, NamedTuple, Protocol, Self

import numpy as np
import soxr
from numpy.typing import NDArray

from handsfree.errors import PlainError
from handsfree.sound.protocol import RATE

BLOCK = 0.008  # seconds; a prompt that somebody speaks into ends the sooner, the shorter they are
WINDOW = 400  # blocks, 3.2 s, over which a stream may be late
LATE = 0.064  # seconds by which it may be
BACKLOG = 3600  # blocks, about 29 s of sound, kept for a reader that is busy
BUFFER = 0.2  # seconds PortAudio keeps; with two blocks or less some drivers lose every other one. It delays nothing
LOST_AFTER = 3.0  # seconds without a block, after which a device counts as lost
BACK_OFF = (0.25, 0.5, 1.0, 2.0, 4.0)  # seconds between attempts to open a lost device; the last one goes on
ELSEWHERE_AFTER = 10.0  # seconds for which a lost device that nobody named is waited for, before the default is taken
MUTED_AFTER = 5.0  # seconds of digital silence, after which a microphone counts as muted
SILENCE = 1  # of 32768: no converter of a microphone that is on is as quiet as its last bit
PROBE_WITHIN = 10.0  # seconds for another process to open a device
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
        return Microphone(sd, info["name"], deaf=deaf, named=device is not None, **_settings(sd, info))
    except (sd.PortAudioError, ValueError) as error:
        wanted = "the default microphone" if device is None else f"microphone {device!r}"
        names = ", ".join(device_names("input")) or "none"
        raise DeviceError(
            f"{wanted} cannot be opened ({error}); plug one in or choose another (found: {names})"
        ) from None


def full_name(sd: Any, info: Any) -> str:
    """The name by which a device is found again: several of the systems below PortAudio may know it."""
    return f"{info['name']}, {sd.query_hostapis(info['hostapi'])['name']}"


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


class Holder(Protocol):
    """Whoever keeps a stream open."""

    @property
    def busy(self) -> bool:
        """Whether its stream must not be ended now."""

    def let_go(self) -> None:
        """Close the stream, and open it again when it is next needed."""


@contextmanager
def quietly() -> Iterator[None]:
    """Keep what drivers print about a device that is not there off the technician's screen."""
    try:
        screen = os.dup(2)
    except OSError:  # there is none
        yield
        return
    with Path(os.devnull).open("wb") as nowhere:
        os.dup2(nowhere.fileno(), 2)
    try:
        yield
    finally:
        os.dup2(screen, 2)
        os.close(screen)


OPENING = threading.RLock()  # held while streams are opened and closed, so that none is open while PortAudio restarts
_holders: weakref.WeakSet[Holder] = weakref.WeakSet()


def register(holder: Holder) -> None:
    """Have ``holder`` asked to let go before PortAudio is started again."""
    _holders.add(holder)


def look_again(sd: Any, kind: Literal["input", "output"], device: str | None, asking: Holder) -> bool:
    """Have PortAudio list the devices anew if that helps to open ``device`` (None: the default one).

    It does where another process, which has only just looked, can open it. Returns whether the list is new; it stays as
    it is while a stream is busy. Whoever is ``asking`` has no stream open.
    """
    if not _opens_elsewhere(kind, device):
        return False
    with OPENING:
        others = [holder for holder in _holders if holder is not asking]
        if any(holder.busy for holder in others):
            return False
        for holder in others:
            holder.let_go()
        sd._terminate()
        sd._initialize()
    return True


_PROBE = """
import sys
import sounddevice
kind, device = sys.argv[1], sys.argv[2] or None
stream = {"input": sounddevice.RawInputStream, "output": sounddevice.RawOutputStream}[kind]
with stream(device=device, channels=1, dtype="int16"):
    pass
"""


def _opens_elsewhere(kind: Literal["input", "output"], device: str | None) -> bool:
    """Whether a process that has only just looked for devices can open this one."""
    try:
        command = [sys.executable, "-c", _PROBE, kind, device or ""]
        return subprocess.run(command, capture_output=True, timeout=PROBE_WITHIN).returncode == 0
    except subprocess.TimeoutExpired:
        return False


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
        return round(late / seconds) if late > LATE and not first else 0


class Block(NamedTuple):
    """int16 samples at 16 kHz. ``gap``: sound was lost or silenced in them or just before them.

    ``deaf``: they were silenced because the tool itself was speaking.
    """

    samples: NDArray[np.int16]
    gap: bool
    deaf: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """Something that happened to a sound device.

    "lost": it gives or takes no more sound. "back": it does again. "changed": another one is used instead. "muted": a
    microphone delivers digital silence; "unmuted": no longer. ``text`` tells a technician what happened and what to do,
    to be spoken or shown; ``device`` is the name of the device now meant.
    """

    kind: Literal["lost", "back", "changed", "muted", "unmuted"]
    text: str
    device: str


class Microphone:
    """An open microphone. ``events`` gives its blocks and what happens to it; iterating gives blocks only.

    ``overruns`` counts the blocks that were lost, in the drivers or because ``backlog`` of them had not been read; what
    was not heard while the device was lost is not among them. ``named`` says that it was asked for by name, so that
    no other may take its place.
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
        named: bool = True,
    ) -> None:
        self.name = name
        self.overruns = 0
        self._sd = sd
        self._known_as = full_name(sd, sd.query_devices(device))
        self._named = named
        self._deaf = deaf
        self._backlog = backlog
        self._closed = threading.Event()
        self._let_go = False
        self._silence = Silence()
        self._stream: Any = None
        register(self)
        self._open(device, samplerate, channels)

    def _open(self, device: int, samplerate: float, channels: int) -> None:
        with OPENING:
            # No callback of an earlier stream comes any more: these are the new one's.
            self._pace = Pace()
            self._gate = 0  # blocks still to be silenced
            self._gap = True  # nobody knows what was being said before the first block
            self._blocks: queue.Queue[Block | None] = queue.Queue(maxsize=self._backlog)  # None: the stream ended
            self._resampler = None if samplerate == RATE else soxr.ResampleStream(samplerate, RATE, 1, dtype="int16")
            self._stream = self._sd.InputStream(
                device=device,
                samplerate=samplerate,
                channels=channels,
                dtype="int16",
                blocksize=round(samplerate * BLOCK),
                latency=BUFFER,
                callback=self._take,
                finished_callback=self._finish,
            )
            self._stream.start()

    @property
    def behind(self) -> float:
        """Seconds of sound that have come in and were not read yet."""
        return self._blocks.qsize() * BLOCK

    @property
    def lost(self) -> float:
        """Seconds of sound that were lost."""
        return self.overruns * BLOCK

    @property
    def busy(self) -> bool:
        """Never: what is lost of a sentence is noticed, and it is asked for again."""
        return False

    def let_go(self) -> None:
        """Close the stream for a moment; whoever reads opens it again."""
        self._let_go = True
        self._drop()
        self._finish()

    def _drop(self) -> None:
        with OPENING:
            stream, self._stream = self._stream, None
            if stream is not None:
                stream.close(ignore_errors=True)

    def close(self) -> None:
        """Let go of the device; the iteration ends with what was heard so far. May be called from any thread."""
        self._closed.set()
        self._drop()
        self._finish()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def __iter__(self) -> Iterator[Block]:
        """Its blocks until it is closed. Raises DeviceError when the device is lost; muting is not told."""
        for event in self.events():
            if isinstance(event, Block):
                yield event
            elif event.kind == "lost":
                raise DeviceError(
                    f"the microphone {self.name!r} stopped delivering sound; plug it in again or choose another"
                )

    def events(self) -> Iterator[Block | Change]:
        """Its blocks and, between them, what happened to the device, in order, until it is closed.

        When the device is lost, that is said once, and the next item is that it is back, or that another one is used;
        the block after it has a gap. Until then the reader waits, however long it takes; ``close``, from another
        thread, ends that. A microphone that was opened by name is waited for; one that was the system's default is
        given up after ELSEWHERE_AFTER seconds for whatever is the default by then. Muting is said once each time.
        """
        block = self._next()
        while True:
            while block is not None:
                if change := self._silence.change(block, self.name):
                    yield change
                if self._resampler is not None:
                    block = block._replace(samples=self._resampler.resample_chunk(block.samples))
                yield block
                block = self._next()
            if self._closed.is_set():
                return
            self._drop()
            let_go, self._let_go = self._let_go, False
            if let_go and (block := self._first_block(self._known_as)):
                continue
            lost = self._known_as
            yield Change("lost", "The microphone is lost. Plug it in again, or switch it on again.", self.name)
            block = self._open_again()
            if block is None:
                return
            if self._known_as == lost:
                yield Change("back", "The microphone is back.", self.name)
            else:
                text = f"The microphone did not come back. {self.name} is used instead. Check that it hears you."
                yield Change("changed", text, self.name)

    def _next(self) -> Block | None:
        """The next block; None where the stream ended or nothing comes."""
        try:
            return self._blocks.get(timeout=0 if self._closed.is_set() else LOST_AFTER)
        except queue.Empty:
            return None

    def _open_again(self) -> Block | None:
        """The first block of a microphone that could be opened, however long it takes; None when closed before that."""
        since = time.monotonic()
        for pause in chain(BACK_OFF, repeat(BACK_OFF[-1])):
            if self._closed.wait(pause):
                break
            anything = not self._named and time.monotonic() - since > ELSEWHERE_AFTER
            for device in (self._known_as, None) if anything else (self._known_as,):
                if block := self._first_block(device):
                    return block
                if look_again(self._sd, "input", device, self) and (block := self._first_block(device)):
                    return block
        return None

    def _first_block(self, device: str | None) -> Block | None:
        """Open a microphone; None where that is not possible, or it opens and gives no sound."""
        with OPENING:
            if self._closed.is_set():
                return None
            try:
                with quietly():
                    info = self._sd.query_devices(device, "input")
                    self._open(**_settings(self._sd, info))
            except (self._sd.PortAudioError, ValueError):
                self._drop()
                return None
        block = self._next()
        if block is None:
            self._drop()
        else:
            self.name, self._known_as = info["name"], full_name(self._sd, info)
        return block

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
            self._blocks.put_nowait(Block(samples, self._gap or silenced or lost > 0, silenced))
            self._gap = False
        except queue.Full:
            self.overruns += 1
            self._gap = True

    def _finish(self) -> None:
        """Tell the reader that no block follows; a queue that is full ends as well, when it has been read."""
        with suppress(queue.Full):
            self._blocks.put_nowait(None)


class Silence:
    """Notices when a microphone is muted, and when it is not muted any more."""

    def __init__(self) -> None:
        self._muted = False
        self._silent = 0.0  # seconds without anything above SILENCE
        self._patience = MUTED_AFTER

    def change(self, block: Block, device: str) -> Change | None:
        """What a block, before it was resampled, shows."""
        if block.deaf:  # silenced by the tool itself: it shows nothing
            return None
        if np.any(np.abs(block.samples.astype(np.int32)) > SILENCE):
            self._silent = 0.0
            if not self._muted:
                return None
            self._muted = False
            # Some headsets and drivers deliver nothing between sentences; whoever uses one is told less and less.
            self._patience *= 2
            return Change("unmuted", "The microphone hears again.", device)
        self._silent += BLOCK
        if self._muted or self._silent < self._patience:
            return None
        self._muted = True
        text = "The microphone hears nothing at all. Switch it on, or unmute it in the system's sound settings."
        return Change("muted", text, device)
