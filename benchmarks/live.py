"""How fast and how lightly the live loop answers: ``python benchmarks/live.py [--open-room] [--utterances 30]``.

Needs Linux with PulseAudio and the extra ``bench``. The whole program runs on a virtual sound card; a recorded
technician (``demo_sessions/all-sound``) is played to it, utterance by utterance, each after the tool has finished. Both
sides are recorded on one clock. An answer's delay runs from the last sample of speech above -44 dB of full scale to the
first sample of the answer; it holds the silence that ends an utterance, recognition, writing the record, rendering the
answer and the card's buffers. No prompt has been rendered before. Targets: p50 at most 0.6 s and p95 at most 1.0 s; at
most 10 % of one core while nobody speaks; at most 300 MB.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from itertools import islice
from pathlib import Path

import numpy as np
import psutil
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from handsfree.session.events import Mark
from handsfree.session.journal import read
from handsfree.sound import audio
from handsfree.sound.endpoint import HANG, Endpointer
from handsfree.sound.protocol import RATE

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "sound"))

from virtual_card import SoundCard, Visit, missing  # noqa: E402

PROCEDURE = ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml"
SPEECH = ROOT / "demo_sessions" / "all-sound" / "technician.flac"
IDLE = 20.0  # seconds over which the processor's share is taken
QUIET = 200  # of 32768: the recording's own room noise stays below, the end of a word does not


def utterances() -> list[NDArray[np.int16]]:
    recording, _ = audio.read(SPEECH)
    endpointer = Endpointer()
    return [speech.samples for speech in endpointer.feed(recording.samples) + endpointer.flush()]


def delays(recording: NDArray[np.int16], spoken_at: list[float], *, open_room: bool) -> list[float]:
    """Seconds from the end of each utterance to the first sample of its answer.

    ``spoken_at`` are times at which the technician was about to speak. In an open room both sides are on both channels,
    so what follows the first long silence is the answer.
    """
    tool, technician = np.abs(recording.astype(np.int32)).T > QUIET
    found = []
    for begin, end in zip(spoken_at, [*spoken_at[1:], len(recording) / RATE], strict=True):
        part = slice(round(begin * RATE), round(end * RATE))
        loud = np.flatnonzero(technician[part])
        if open_room:
            breaks = np.flatnonzero(np.diff(loud) > HANG * RATE / 2)
            last, answers = loud[breaks[0]], loud[breaks[0] + 1 :]
        else:
            last, answers = loud[-1], np.flatnonzero(tool[part])
            answers = answers[answers > last]
        if len(answers):
            found.append(float(answers[0] - last) / RATE)
    return found


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
            with Visit(card, PROCEDURE, record, headset=not options.open_room) as visit:
                visit.listen()
                share = idle_share(visit)
                for speech in islice(utterances(), options.utterances):
                    spoken_at.append(visit.ear.now)
                    visit.say(speech)
                    visit.listen()
                memory = [each.memory_info().rss / 1e6 for each in processes(visit)]
                recording = visit.ear.recording()
        finally:
            card.close()
        entries = read(record)
    answers = delays(recording, spoken_at, open_room=options.open_room)
    kinds = [entry.kind for entry in entries]
    p50, p95 = np.percentile(answers, [50, 95])
    print(f"{os.cpu_count()} cores, load average {load:.1f} before; {'open room' if options.open_room else 'headset'}")
    table = Table("figure", "measured", "target")
    table.add_row("answers", f"{len(answers)} to {len(spoken_at)} utterances", "all")
    table.add_row("asked again", str(kinds.count(Mark.ASKED_AGAIN)), "")
    table.add_row("faults (sound lost)", str(kinds.count(Mark.FAULT)), "0")
    table.add_row("end of speech to answer, p50", f"{p50:.2f} s", "at most 0.6 s")
    table.add_row("end of speech to answer, p95", f"{p95:.2f} s", "at most 1.0 s")
    table.add_row("longest and shortest", f"{max(answers):.2f} s, {min(answers):.2f} s", "")
    table.add_row("of it, the silence that ends an utterance", f"{HANG:.2f} s", "")
    table.add_row("processor while nobody speaks", f"{share:.1%} of one core", "at most 10 %")
    table.add_row("resident memory, program", f"{memory[0]:.0f} MB", "at most 300 MB")
    table.add_row("resident memory, with the speech engine", f"{sum(memory):.0f} MB", "at most 300 MB")
    Console().print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
