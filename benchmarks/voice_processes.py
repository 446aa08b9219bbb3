"""How many fresh processes render a bad first prompt: ``python benchmarks/voice_processes.py [--processes 200]``.

Each process has its own engine and no cache, and renders three prompts. A bad one is missing, empty, or more than 5 %
off the median of all. ``--plainly`` drives pyttsx3 as its documentation shows, with the same engine, to compare;
``--at-once`` runs several processes together, as on a busy machine.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

PROMPTS = [
    "Set the meter to resistance.",
    "Five point two ohms, at most seven: conforming.",
    "Danger. Capacitors can hold a charge after the supply is off.",
]

OURS = """
import sys
from pathlib import Path
from handsfree.sound.voice import Renderer
renderer = Renderer(Path(sys.argv[1]))
for text in sys.argv[2:]:
    sound = renderer.render(text)
    print(len(sound.samples) / sound.rate)
renderer.close()
"""

PLAINLY = """
import sys, wave
import pyttsx3
from handsfree.sound.render import load_bundled_espeak
load_bundled_espeak()
engine = pyttsx3.init()
engine.setProperty("rate", 150)
lengths = []
for number, text in enumerate(sys.argv[2:]):
    file = f"{sys.argv[1]}/{number}.wav"
    engine.save_to_file(text, file)
    engine.runAndWait()
    try:
        with wave.open(file) as sound:
            lengths.append(sound.getnframes() / sound.getframerate())
    except (OSError, EOFError, wave.Error):
        lengths.append(0.0)
print(*lengths, sep="\\n")
"""


def one(script: str) -> list[float]:
    """The seconds of each prompt of one process; 0 for a missing one."""
    with tempfile.TemporaryDirectory() as folder:
        run = subprocess.run([sys.executable, "-c", script, folder, *PROMPTS], capture_output=True, text=True)
    lengths = [float(line) for line in run.stdout.splitlines() if line[:1].isdigit()]
    return lengths + [0.0] * (len(PROMPTS) - len(lengths))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--processes", type=int, default=200)
    parser.add_argument("--at-once", type=int, default=1)
    parser.add_argument("--plainly", action="store_true")
    options = parser.parse_args()
    started = time.perf_counter()
    with ThreadPoolExecutor(options.at_once) as pool:
        runs = list(pool.map(one, [PLAINLY if options.plainly else OURS] * options.processes))
    seconds = time.perf_counter() - started
    print(f"{options.processes} processes, {options.at_once} at once, {seconds:.0f} s")
    print("prompt  good  missing or empty  wrong length  median s")
    bad = 0
    for number, lengths in enumerate(zip(*runs, strict=True), start=1):
        median = statistics.median(lengths)
        kinds = Counter(
            "missing" if not each else "wrong" if abs(each - median) > 0.05 * median else "good" for each in lengths
        )
        bad += kinds["missing"] + kinds["wrong"]
        print(f"{number:6}{kinds['good']:6}{kinds['missing']:18}{kinds['wrong']:14}{median:10.2f}")
    spoilt = sum(1 for lengths in runs if not all(lengths))
    print(f"bad prompts: {bad} of {options.processes * len(PROMPTS)}; processes with a missing one: {spoilt}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
