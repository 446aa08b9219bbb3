"""What stands in the record after a reading that was not said straight out: ``python benchmarks/recorded.py CORPUS``.

CORPUS is made by ``benchmarks/corpus.py``. Each clip is the recording of a visit, played to a session whose steps ask
for readings of its quantity: a reading with a silence in it (``paused``), with "it's" or the like before it (``led``),
or guessed, put right, or one of two (``loose``), which is no reading. ``hearing.py`` cuts and hears the same clips, but
what a session makes of two utterances that belong together only shows here.

Columns: ``right`` was recorded as said and nothing else was; ``asked`` is asked again or to be affirmed, and nothing is
recorded; ``told`` was recorded wrong or in part, and the tool said so at once; ``silent`` was recorded wrong without a
word. With 95 % bounds (Clopper-Pearson).
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import hearing
import numpy as np
import soundfile
import yaml
from rich.console import Console
from rich.table import Table

from handsfree.procedure.load import Loaded, loads
from handsfree.session.events import Mark
from handsfree.session.journal import read
from handsfree.sound.loop import begin, from_recording
from handsfree.sound.protocol import RATE, Audio
from handsfree.sound.voice import SilentVoice

SETS = ("paused", "led", "loose")
MEASUREMENTS = 3  # more than a clip can be taken for
AROUND = 1.5  # seconds of quiet room on either side


def procedure(row: hearing.Row) -> Loaded:
    """One that asks for the row's quantity, time after time, and takes what it is told."""
    asked = {"kind": "measure", "quantity": row["quantity"], "unit": row["unit"]}
    if row["waveform"]:
        asked["waveform"] = row["waveform"]
    steps: list[dict[str, Any]] = [
        {**asked, "id": f"m{number}", "say": f"Measure number {number}.", "reading": f"value {number}"}
        for number in range(1, MEASUREMENTS + 1)
    ]
    over = {"id": "over", "kind": "conclude", "finding": "It was measured.", "condition": "sound", "action": "Go home."}
    head = {
        "procedure": "measure",
        "title": "Something is measured",
        "edition": "1",
        "purpose": "Measure.",
        "equipment": "Tarnholm T-1 test rig",
        "local_rules": "The rules of the site come first.",
    }
    return loads(yaml.safe_dump({**head, "steps": [*steps, over]}, sort_keys=False).encode(), "measure.yaml")


def sound(folder: Path, row: hearing.Row) -> Audio:
    samples, _ = soundfile.read(folder / row["file"])
    choose = np.random.default_rng(len(samples))
    padded = np.concatenate([np.zeros(round(AROUND * RATE)), samples, np.zeros(round(AROUND * RATE))])
    padded += choose.normal(0, hearing.corpus.ROOM, len(padded))
    return Audio(hearing.in_noise(padded, hearing.CLEAN, row["file"]))


def outcome(job: tuple[hearing.Make, Path, hearing.Row]) -> tuple[str, tuple[str, ...]]:
    """What became of a clip, and what was heard."""
    make, folder, row = job
    with tempfile.TemporaryDirectory() as kept:
        visit = Path(kept) / "visit"
        conversation, opened = begin(
            procedure(row), visit, SilentVoice(), lambda event, acts: None, hearing.recogniser(make), source=row["file"]
        )
        from_recording(conversation, sound(folder, row), opened)
        conversation.close()
        entries = read(visit)
    heard = tuple(
        f"{entry.data['text']!r} {entry.data['confidence'] or 0:.2f}" for entry in entries if entry.kind == Mark.HEARD
    )
    taken = {n: hearing.reading_of(entry.data) for n, entry in enumerate(entries) if entry.kind == Mark.READING}
    said = hearing.means(row) if "means" in row else None
    wrong = [number for number, reading in taken.items() if said is None or not hearing.same(reading, said)]
    if wrong or len(taken) > 1:
        last = (wrong or [*taken])[-1]
        told = any(entry.kind == Mark.ASKED_AGAIN for entry in entries[last:])
        return "told" if told else "silent", heard
    return "right" if taken else "asked", heard


def table(found: Sequence[tuple[hearing.Row, str]]) -> Table:
    made = Table("said", "clips", "right", "asked", "told", "silent")
    names = [(row, f"{row['set']} {row['pause']} s" if "pause" in row else row["set"]) for row, _ in found]
    for name in sorted({name for _, name in names}):
        count = Counter(became for (row, became), (_, own) in zip(found, names, strict=True) if own == name)
        of = count.total()
        made.add_row(name, str(of), *(hearing.rate(count[each], of) for each in ("right", "asked", "told", "silent")))
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--split", default="held-out", choices=("held-out", "tune"))
    parser.add_argument("--sets", default=",".join(SETS))
    parser.add_argument("--misheard", action="store_true", help="list what was recorded wrong")
    hearing.add_engine(parser)
    options = parser.parse_args()
    rows = [row for name in options.sets.split(",") for row in hearing.rows(options.corpus, options.split, [name])]
    jobs = [(hearing.made_by(options), options.corpus, row) for row in rows]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        found = list(pool.map(outcome, jobs, chunksize=2))
    console = Console(width=120)
    console.print(table([(row, became) for row, (became, _) in zip(rows, found, strict=True)]))
    for row, (became, heard) in zip(rows, found, strict=True):
        if options.misheard and became in ("told", "silent"):
            console.print(f"{became:6} {row['speaker']:10} {row.get('parts') or row['text']} -> {heard}", markup=False)


if __name__ == "__main__":
    main()
