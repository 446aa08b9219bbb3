"""Half an hour beside a running machine in which nobody speaks to the tool: what does it take for a reading or a word?

``python benchmarks/workshop.py CORPUS [--minutes 30]``; CORPUS is made by ``benchmarks/corpus.py``.
Chatter, noises and the tool's own prompts follow one another at random, with pauses, over a compressor's hum 20 dB
below them. The stream goes through the ear as a microphone's does; every minute another step is open. A session would
do better: it is deaf while it speaks, and paused after STAND BY.
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import corpus
import hearing
import numpy as np
import soundfile
from rich.console import Console
from rich.table import Table

from handsfree.session.doubt import Policy
from handsfree.sound.ear import Ear
from handsfree.sound.protocol import RATE, Audio
from handsfree.spoken.meaning import Expectation, Open, Reading

BELOW = 20.0  # dB from the clips' level to the hum
PAUSE = (0.3, 2.5)  # seconds between two sounds


def minute(folder: Path, split: str, seed: int) -> np.ndarray:
    """One minute of sounds and hum, at full scale 1."""
    choose = np.random.default_rng(seed)
    rows = hearing.rows(folder, split, ["chatter", "noise", "prompt"])
    kinds = {kind: [row for row in rows if row["set"] == kind] for kind in ("chatter", "noise", "prompt")}
    parts: list[np.ndarray] = []
    while sum(map(len, parts)) < 60 * RATE:
        kind = str(choose.choice(list(kinds), p=[0.6, 0.25, 0.15]))
        row = kinds[kind][choose.integers(len(kinds[kind]))]
        parts += [soundfile.read(folder / row["file"])[0], np.zeros(round(choose.uniform(*PAUSE) * RATE))]
    sounds = np.concatenate(parts)[: 60 * RATE]
    return np.asarray(corpus.mix(sounds, corpus.hum(60, seed), BELOW))


def taken(job: tuple[hearing.Make, Path, str, int]) -> list[tuple[str, str, float]]:
    """Kind, text and confidence of everything that is accepted in one minute; kind "utterance" for each that is not."""
    make, folder, split, number = job
    samples = np.clip(np.round(minute(folder, split, number) * 32768), -32768, 32767).astype(np.int16)
    asked = hearing.ASKED_FOR[number % len(hearing.ASKED_FOR)]
    expect = Expectation(asked)
    what = hearing.AT_A_TASK if number % 4 == 3 else Open(expect, {}, hearing.AT_A_READING, expect)
    ear = Ear(hearing.recogniser(make), Policy().doubt)
    ear.open(what)
    found = []
    for each in ear.all(Audio(samples)):
        meant = hearing.taken(each, what, Policy())
        kind = "utterance" if meant is None else "reading" if isinstance(meant, Reading) else "word"
        found.append((kind, each.utterance.text, each.utterance.confidence or 0.0))
    ear.close()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--minutes", type=int, default=30)
    parser.add_argument("--split", default="held-out", choices=("held-out", "tune"))
    hearing.add_engine(parser)
    options = parser.parse_args()
    jobs = [(hearing.made_by(options), options.corpus, options.split, number) for number in range(options.minutes)]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        found = [each for minute in pool.map(taken, jobs) for each in minute]
    count = Counter(kind for kind, _, _ in found)
    table = Table("minutes", "utterances", "false readings", "false words")
    table.add_row(str(options.minutes), str(len(found)), str(count["reading"]), str(count["word"]))
    console = Console(width=120)
    console.print(table)
    for kind, text, confidence in found:
        if kind != "utterance":
            console.print(f"{kind}: {text!r} {confidence:.2f}", markup=False)


if __name__ == "__main__":
    main()
