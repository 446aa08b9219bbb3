"""How fast and how lightly the live loop answers: ``python benchmarks/live.py [--open-room] [--utterances 30]``.

Needs Linux with PulseAudio and the extra ``bench``. The whole program runs on a virtual sound card; a recorded
technician (``demo_sessions/all-sound``) is played to it, utterance by utterance: with a headset each into the prompt
before it, in an open room each after the tool has finished. Both sides are recorded on one clock. An answer's delay
runs from the last sample of speech above -44 dB of full scale to the first sample of the spoken answer; it holds the
silence that ends an utterance, recognition, writing the record, rendering the answer and the card's buffers. The tone
that comes before an answer is told apart by its shape. No prompt has been rendered before, and the card is awake, as a
real one always is. Targets: p50 at most 0.6 s and p95 at most 1.0 s; at most 10 % of one core while nobody speaks; at
most 300 MB; the first prompt within 2 s.

Memory is that of all processes: proportional (PSS), which counts shared pages once, and resident (RSS), which counts
them in every process.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import numpy as np
import psutil
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from handsfree.session.events import Mark
from handsfree.session.journal import read
from handsfree.sound import audio
from handsfree.sound.endpoint import ENOUGH, HANG, UNFINISHED, Endpointer
from handsfree.sound.protocol import RATE
from handsfree.sound.tones import TONES, tone

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "sound"))

from virtual_card import Ear, SoundCard, Visit, missing, so_far, until_instructed  # noqa: E402

PROCEDURE = ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml"
SPEECH = ROOT / "demo_sessions" / "all-sound" / "technician.flac"
AWAKE = 3.0  # seconds after which the server has left its sleep, in which it takes 2 s of sound at a time
IDLE = 20.0  # seconds over which the processor's share is taken
HEARD_OUT = 1.0  # seconds for which a technician with a headset listens to an answer
ALIKE = 0.7  # correlation with a tone's own shape, above which it is one
QUIET = 200  # of 32768: the recording's own room noise stays below, the end of a word does not


def utterances() -> list[NDArray[np.int16]]:
    recording, _ = audio.read(SPEECH)
    endpointer = Endpointer()
    return [speech.samples for speech in endpointer.feed(recording.samples) + endpointer.flush()]


class Answer(NamedTuple):
    """Seconds from the end of an utterance to its answer; the cut from its beginning to the end of the prompt."""

    tone: float | None
    spoken: float
    cut: float | None


def answers(recording: NDArray[np.int16], spoken_at: list[float], *, open_room: bool) -> list[Answer]:
    """What the recording says of each utterance that was answered.

    ``spoken_at`` are times at which the technician was about to speak. In an open room both sides are on both channels,
    so what follows the first long silence is the answer.
    """
    tool, technician = np.abs(recording.astype(np.int32)).T > QUIET
    found = []
    for begin, end in zip(spoken_at, [*spoken_at[1:], len(recording) / RATE], strict=True):
        part = slice(round(begin * RATE), round(end * RATE))
        loud, cut = np.flatnonzero(technician[part]), None
        if open_room:
            breaks = np.flatnonzero(np.diff(loud) > ENOUGH * RATE / 2)
            last, sounds = loud[breaks[0]], loud[breaks[0] + 1 :]
        else:
            last, sounds = loud[-1], np.flatnonzero(tool[part])
            before, sounds = sounds[sounds < last], sounds[sounds > last]
            if len(before[before > loud[0]]):
                cut = float(before[-1] - loud[0]) / RATE
        tone_at, words = _after_tone(recording[part, 0], sounds)
        if len(words):
            found.append(Answer(None if tone_at is None else (tone_at - last) / RATE, (words[0] - last) / RATE, cut))
    return found


def _after_tone(samples: NDArray[np.int16], sounds: NDArray[np.int64]) -> tuple[float | None, NDArray[np.int64]]:
    """Where a tone begins the ``sounds``, and the sounds after it."""
    if not len(sounds):
        return None, sounds
    start = max(0, int(sounds[0]) - RATE // 50)
    heard = samples[start : start + RATE // 4].astype(np.float64)
    for which in TONES:
        shape = tone(which, RATE).astype(np.float64)
        if len(heard) < len(shape):
            continue
        products = np.abs(np.correlate(heard, shape, "valid"))
        power = np.correlate(heard**2, np.ones(len(shape)), "valid")
        likeness = products / np.sqrt(np.maximum(power, 1.0) * (shape**2).sum())
        if likeness.max() > ALIKE:
            at = start + int(likeness.argmax())
            return float(sounds[0]), sounds[sounds > at + len(shape) + RATE // 500]
    return None, sounds


def processes(visit: Visit) -> list[psutil.Process]:
    program = psutil.Process(visit.program.pid)
    return [program, *program.children(recursive=True)]


def idle_share(visit: Visit) -> float:
    """Of one core, over IDLE seconds in which nobody speaks."""
    before = sum(sum(each.cpu_times()[:2]) for each in processes(visit))
    until = visit.ear.now + IDLE
    visit.ear.wait_for_quiet(IDLE)
    seconds = IDLE + visit.ear.now - until
    return (sum(sum(each.cpu_times()[:2]) for each in processes(visit)) - before) / seconds


def percentiles(values: list[float]) -> str:
    p50, p95 = np.percentile(values, [50, 95])
    return f"{p50:.2f} s, {p95:.2f} s (from {min(values):.2f} to {max(values):.2f}; {len(values)})"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--open-room", action="store_true", help="one loudspeaker that the microphone hears")
    parser.add_argument("--utterances", type=int, default=30)
    options = parser.parse_args()
    if lacks := missing():
        print(lacks, file=sys.stderr)
        return 2
    load = os.getloadavg()[0]
    spoken_at: list[float] = []
    with tempfile.TemporaryDirectory(prefix="card-", ignore_cleanup_errors=True) as folder:
        card, record = SoundCard(Path(folder)), Path(folder, "session")
        try:
            with Ear(card) as before:
                before.wait_for_quiet(AWAKE)
                launched = time.monotonic()
                with Visit(card, PROCEDURE, record, headset=not options.open_room) as visit:
                    visit.ear.wait_for_speech(0)
                    cold = time.monotonic() - launched
                    visit.listen()
                    share = idle_share(visit)
                    for speech in islice(utterances(), options.utterances):
                        spoken_at.append(visit.ear.now)
                        visit.say(speech)
                        if options.open_room:
                            visit.listen()
                        else:
                            visit.begin_to_listen(until_instructed(so_far(record)) + HEARD_OUT)
                    memory = [each.memory_full_info() for each in processes(visit)]
                    recording = visit.ear.recording()
        finally:
            card.close()
        entries = read(record)
    found = answers(recording, spoken_at, open_room=options.open_room)
    kinds = [entry.kind for entry in entries]
    lost = [entry.data["what"] for entry in entries if entry.kind is Mark.FAULT]
    heard_by = {entry.data["engine"] for entry in entries if entry.kind is Mark.HEARD}
    print(f"{', '.join(sorted(heard_by))} (with HANDSFREE_MODEL empty, without the model in models/)")
    print(f"{os.cpu_count()} cores, load average {load:.1f} before; {'open room' if options.open_room else 'headset'}")
    table = Table("figure", "measured", "target")
    table.add_row("answers", f"{len(found)} to {len(spoken_at)} utterances", "all")
    table.add_row("asked again", str(kinds.count(Mark.ASKED_AGAIN)), "")
    table.add_row("faults", f"{len(lost)} {lost[-1] if lost else ''}", "0")
    table.add_row(
        "end of speech to spoken answer, p50, p95", percentiles([each.spoken for each in found]), "0.6 s, 1.0 s"
    )
    if tones := [each.tone for each in found if each.tone is not None]:
        table.add_row("end of speech to the tone before it, p50, p95", percentiles(tones), "")
    if cuts := [each.cut for each in found if each.cut is not None]:
        table.add_row("beginning of speech to the end of the prompt, p50, p95", percentiles(cuts), "0.1 s")
    table.add_row("of it, the silence that ends an utterance", f"{ENOUGH:.2f}, {HANG:.2f} or {UNFINISHED:.2f} s", "")
    table.add_row("processor while nobody speaks", f"{share:.1%} of one core", "at most 10 %")
    for name, figures in (("proportional", [each.pss for each in memory]), ("resident", [each.rss for each in memory])):
        parts = " + ".join(f"{figure / 1e6:.0f}" for figure in figures)
        table.add_row(f"{name} memory of all processes", f"{sum(figures) / 1e6:.0f} MB ({parts})", "at most 300 MB")
    table.add_row("start to first sound, cold", f"{cold:.2f} s", "at most 2 s")
    Console().print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
