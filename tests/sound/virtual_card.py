"""A sound card that exists only in memory: a PulseAudio server of its own, so that nobody's real devices are touched.

It has one stereo output, ``bench``, and a microphone in two places:

    open room   the microphone hears all of the output: what the tool says and what the technician says
    headset     the tool speaks into the left channel and the technician into the right one, and the microphone hears
                the right one only

Either way a recording of ``bench`` holds both of them on one clock. There is always a faint noise at the technician's
place, as no room and no microphone is digitally silent. Parts of it are unplugged and plugged in again by name.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from handsfree.session.events import Mark
from handsfree.session.journal import JOURNAL, Entry, JournalError, read
from handsfree.sound.voice import WORDS_PER_MINUTE, Sound

RATE = 16_000
BLOCK = 320  # samples, 20 ms
LOUD = 500  # of 32768; the card itself is silent
ROOM_NOISE = 8.0  # of 32768, about -72 dB: no microphone is digitally silent

ALL_HEARD = {"PULSE_SINK": "tool", "PULSE_SOURCE": "bench.monitor"}  # the tool's loudspeaker alone can be unplugged
OPEN_ROOM = {"PULSE_SINK": "bench", "PULSE_SOURCE": "bench.monitor"}
HEADSET = {"PULSE_SINK": "tool", "PULSE_SOURCE": "boom"}

_ONE_CHANNEL = "remix=no channels=1 channel_map=mono master_channel_map=front-"
_PARTS = {
    "bench": "module-null-sink sink_name=bench rate=48000 channels=2 channel_map=front-left,front-right",
    "tool": f"module-remap-sink sink_name=tool master=bench {_ONE_CHANNEL}left",
    "mouth": f"module-remap-sink sink_name=mouth master=bench {_ONE_CHANNEL}right",
    "boom": f"module-remap-source source_name=boom master=bench.monitor {_ONE_CHANNEL}right",
}
_MODULES = ("module-native-protocol-unix", *_PARTS.values())
_DEVICES = "from handsfree.sound.devices import device_names; print(*device_names('input'), sep='\\n')"


def missing() -> str | None:
    """What a virtual sound card lacks here, None where it lacks nothing."""
    if not sys.platform.startswith("linux"):
        return "a virtual sound card needs Linux"
    if not all(shutil.which(program) for program in ("pulseaudio", "pactl", "pacmd", "paplay", "parec", "pacat")):
        return "a virtual sound card needs pulseaudio and its utilities: pactl, pacmd, paplay, parec, pacat"
    return None


def pactl(*command: str, environment: Mapping[str, str] | None = None) -> str:
    """Have the server of this environment, the process's own by default, do something."""
    return subprocess.run(["pactl", *command], env=environment, check=True, capture_output=True, text=True).stdout


def unplug(part: str, environment: Mapping[str, str] | None = None) -> None:
    """Take a part away with the streams on it: "boom" is the headset's microphone, "tool" its loudspeaker."""
    devices, streams = ("sources", "source-outputs") if part == "boom" else ("sinks", "sink-inputs")
    number = next(row[0] for row in _listed(devices, environment) if row[1] == part)
    cut = [row[0] for row in _listed(streams, environment) if row[1] == number]
    (module,) = (row[0] for row in _listed("modules", environment) if " ".join(row[1:]).strip() == _PARTS[part])
    pactl("unload-module", module, environment=environment)
    for stream in cut:  # the server has moved them to what is left
        subprocess.run(["pacmd", f"kill-{streams[:-1]}", stream], env=environment, check=True, capture_output=True)


def _listed(what: str, environment: Mapping[str, str] | None) -> list[list[str]]:
    return [row.split("\t") for row in pactl("list", "short", what, environment=environment).splitlines()]


def plug_in(part: str, environment: Mapping[str, str] | None = None) -> None:
    """Bring a part back that was taken away."""
    pactl("load-module", *_PARTS[part].split(), environment=environment)


def mute(source: str, muted: bool, environment: Mapping[str, str] | None = None) -> None:
    """Mute a microphone ("boom", "bench.monitor"), or unmute it."""
    pactl("set-source-mute", source, str(int(muted)), environment=environment)


class SoundCard:
    """The running server, and the environment in which programs use it; ``folder`` is its home, with a short path."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
        (folder / "client.conf").write_text("autospawn = no\n")  # a server that was killed stays away
        self.environment = {
            **{name: value for name, value in os.environ.items() if not name.startswith(("PULSE_", "ALSA_", "XDG_"))},
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
            "XDG_CONFIG_HOME": str(folder),
            "PULSE_CLIENTCONFIG": str(folder / "client.conf"),
            **OPEN_ROOM,
        }
        modules = [argument for module in _MODULES for argument in ("-L", module)]
        subprocess.run(
            ["pulseaudio", "-n", "--daemonize=yes", "--exit-idle-time=-1", "--use-pid-file=yes", *modules],
            env=self.environment,
            check=True,
            capture_output=True,
        )
        # A default that the server chose would be another one, and recordings of it move, when a part is plugged in.
        pactl("set-default-source", "bench.monitor", environment=self.environment)
        self._closed = threading.Event()
        self._noise = threading.Thread(target=self._make_noise, daemon=True)
        self._noise.start()

    @property
    def process(self) -> int:
        """The server's."""
        return int((self.folder / "pulse" / "pid").read_text())

    def _make_noise(self) -> None:
        """Again where its player ended with the server, or with the part that it plays to."""
        noise = in_room_noise([np.zeros(RATE, np.int16)]).tobytes()
        player = ["pacat", "--device=mouth", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=1"]
        while not self._closed.wait(0.2):
            pacat = subprocess.Popen(
                player,
                env=self.environment,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            assert pacat.stdin is not None
            with contextlib.suppress(OSError):
                while not self._closed.is_set():
                    pacat.stdin.write(noise)
                    pacat.stdin.flush()
            pacat.kill()
            pacat.communicate()

    def devices(self) -> list[str]:
        """The microphones that the program finds on it, none without PortAudio."""
        run = subprocess.run([sys.executable, "-c", _DEVICES], env=self.environment, capture_output=True, text=True)
        return run.stdout.splitlines()

    def say(self, speech: NDArray[np.int16], *, headset: bool) -> None:
        """Play a technician's words to their end."""
        path = self.folder / "said.wav"
        soundfile.write(path, speech, RATE)
        device = "mouth" if headset else "bench"
        subprocess.run(["paplay", f"--device={device}", str(path)], env=self.environment, check=True)

    def kill(self) -> None:
        """As if it were unplugged."""
        with contextlib.suppress(ProcessLookupError, FileNotFoundError):
            os.kill(self.process, signal.SIGKILL)

    def close(self) -> None:
        self._closed.set()
        self._noise.join()
        with contextlib.suppress(ProcessLookupError, FileNotFoundError):
            os.kill(self.process, signal.SIGTERM)


class Ear:
    """Listens to all of a card's output as a technician does: knows how much was said and whether it is quiet now.

    Amounts are in seconds of the card's own clock. In an open room both sides are heard on both channels.
    """

    def __init__(self, card: SoundCard) -> None:
        command = ["parec", "--device=bench.monitor", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=2"]
        self._recorder = subprocess.Popen(
            [*command, "--latency-msec=40"], env=card.environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        self._changed = threading.Condition()
        self._blocks: list[NDArray[np.int16]] = []
        self._loud = 0
        self._quiet = 0
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    @property
    def spoken(self) -> float:
        """How much the tool has said so far."""
        with self._changed:
            return self._loud * BLOCK / RATE

    @property
    def now(self) -> float:
        """How much has been recorded."""
        with self._changed:
            return len(self._blocks) * BLOCK / RATE

    def wait_for_speech(self, beyond: float, timeout: float = 30) -> bool:
        """Return when more than ``beyond`` seconds have been spoken in all; False where that does not come."""
        with self._changed:
            return self._changed.wait_for(lambda: self._loud * BLOCK / RATE > beyond, timeout)

    def wait_for_quiet(self, seconds: float = 1.0, timeout: float = 60) -> bool:
        """Return when the tool has been quiet for so long; False where it never is."""
        with self._changed:
            return self._changed.wait_for(lambda: self._quiet * BLOCK / RATE >= seconds, timeout)

    def wait_for_some(self, beyond: float, timeout: float = 30) -> bool:
        """As ``wait_for_speech``, and return as well when the tool has had time to say something and is quiet."""
        until = self.now + 2.0
        with self._changed:
            return self._changed.wait_for(
                lambda: (
                    self._loud * BLOCK / RATE > beyond
                    or (len(self._blocks) * BLOCK / RATE > until and self._quiet * BLOCK / RATE >= 1.0)
                ),
                timeout,
            )

    def recording(self) -> NDArray[np.int16]:
        """All that was heard: the tool's channel and the technician's."""
        with self._changed:
            return np.concatenate(self._blocks)

    def close(self) -> None:
        self._recorder.terminate()
        self._thread.join()
        self._recorder.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _listen(self) -> None:
        assert self._recorder.stdout is not None
        while len(data := self._recorder.stdout.read(4 * BLOCK)) == 4 * BLOCK:
            block = np.frombuffer(data, np.int16).reshape(-1, 2)
            loud = is_loud(block[:, 0])
            with self._changed:
                self._blocks.append(block)
                self._loud += loud
                self._quiet = 0 if loud else self._quiet + 1
                self._changed.notify_all()


class Visit:
    """The program at work on a sound card, and a technician who hears and answers it."""

    def __init__(
        self,
        card: SoundCard,
        procedure: Path,
        folder: Path,
        *,
        headset: bool,
        bleeds: bool = False,
        rate: int = WORDS_PER_MINUTE,
    ) -> None:
        """``bleeds``: the program takes an open room for a headset; ``rate``: of its speech, in words a minute."""
        self._card = card
        self._headset = headset and not bleeds
        self._journal = folder / JOURNAL
        self._unheard = 0.0  # how much the tool had said when the technician last spoke
        self.ear = Ear(card)
        options = ["--voice", "aloud", "--rate", str(rate), "--out", str(folder)]
        self.program = subprocess.Popen(
            [sys.executable, "-m", "handsfree.cli", "run", str(procedure), *options, *["--headset"] * headset],
            env=card.environment | (HEADSET if self._headset else OPEN_ROOM) | {"PYTHONFAULTHANDLER": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )

    def kinds(self) -> list[str]:
        """What stands in the journal now."""
        if not self._journal.exists():
            return []
        *lines, _ = self._journal.read_bytes().split(b"\n")
        return [json.loads(line)["kind"] for line in lines]

    def wait_for(self, kind: str, count: int, timeout: float = 60) -> None:
        """Return when the journal holds so many entries of this kind."""
        tick, until = threading.Event(), time.monotonic() + timeout
        while self.kinds().count(kind) < count:
            assert time.monotonic() < until, f"only {self.kinds()}"
            assert self.program.poll() is None, self.program.stderr.read() if self.program.stderr else ""
            tick.wait(0.05)

    def listen(self, timeout: float = 90) -> None:
        """Hear what the tool has to say, to its end."""
        assert self.ear.wait_for_speech(self._unheard), self.kinds()
        assert self.ear.wait_for_quiet(timeout=timeout)

    def has_heard(self) -> None:
        """What has been said up to now is not what the technician waits for."""
        self._unheard = self.ear.spoken

    def begin_to_listen(self, seconds: float) -> None:
        """Hear the tool out for so long only, as one does who knows what comes."""
        assert self.ear.wait_for_some(self._unheard + seconds), self.kinds()

    def say(self, speech: NDArray[np.int16], *, hears: bool = True) -> None:
        """Say something; ``hears`` says that it gets into the record, and returns when it is there."""
        heard = self.kinds().count("heard")
        self._card.say(in_room_noise([speech]), headset=self._headset)
        self._unheard = self.ear.spoken
        if hears:
            self.wait_for("heard", heard + 1)

    def end(self) -> tuple[int, str, str]:
        """Exit code, output and errors of the program when it is over."""
        try:
            out, error = self.program.communicate(timeout=90)
        except subprocess.TimeoutExpired:
            self.program.send_signal(signal.SIGABRT)  # and it says where each of its threads is
            raise AssertionError(f"the program does not end:\n{self.program.communicate()[1]}") from None
        assert "Traceback" not in error
        return self.program.returncode, out, error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.program.kill()
        self.program.communicate()
        self.ear.close()


def is_loud(block: NDArray[np.int16]) -> bool:
    """Whether somebody speaks in it."""
    return int(np.abs(block.astype(np.int32)).max()) > LOUD


def loud_seconds(sound: Sound) -> float:
    """How much an ``Ear`` would say was spoken of this."""
    block = BLOCK * sound.rate // RATE
    blocks = np.split(sound.samples, range(block, len(sound.samples), block))
    return sum(map(is_loud, blocks)) * BLOCK / RATE


def so_far(folder: Path) -> list[Entry]:
    """What is on record while the program goes on writing: a line may be half written."""
    for _ in range(1000):
        with contextlib.suppress(JournalError):
            return read(folder)
    return read(folder)


def until_instructed(entries: Sequence[Entry], lasting: Mapping[str, float] = MappingProxyType({})) -> float:
    """How much is spoken before the instruction in the last answer, in seconds; ``lasting`` is what is known of it."""
    last = max((place for place, entry in enumerate(entries) if entry.kind is Mark.HEARD), default=len(entries))
    said = [entry.data for entry in entries[last:] if entry.kind is Mark.SAID]
    instructions = [place for place, each in enumerate(said) if each["about"] == "instruction"]
    texts = [each["text"] for each in (said[: instructions[-1]] if instructions else ())]
    return sum(lasting.get(text, len(text.split()) * 60 / WORDS_PER_MINUTE) for text in texts)


def in_room_noise(parts: Iterable[NDArray[np.int16]]) -> NDArray[np.int16]:
    """Sounds one after the other in the same faint noise."""
    samples = np.concatenate(list(parts))
    noise = np.random.default_rng(5).normal(0, ROOM_NOISE, len(samples))
    return np.clip(np.round(samples + noise), -32768, 32767).astype(np.int16)
