"""How well spelled serial numbers are heard: ``python benchmarks/identifiers.py [--split tune] [--conditions ...]``.

Serial numbers of 5 to 8 letters and digits, made at random, are spoken by the voices of ``corpus.py`` in the words of
radiotelephony, some with the pauses of a list and some with "serial number" before them. ``bounds``: the form says 5 to
8 characters; ``pattern``: it says where letters and digits stand. Columns are those of ``hearing.py``; a read-back
follows every one of them in a session. Spellings were found on the split "tune", which shares no voice but one with
"held-out", and no serial number. With ``--clips`` clips of each voice.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import corpus
import hearing
import numpy as np
import platformdirs
from rich.console import Console
from rich.table import Table

from handsfree.session.doubt import Policy
from handsfree.sound.ear import Ear
from handsfree.sound.protocol import RATE, Audio
from handsfree.spoken.grammar import understand
from handsfree.spoken.identifiers import Form, say_identifier
from handsfree.spoken.meaning import Open, Spelled, Word

SPEAKERS = {"tune": ("joe", "rms", "heart"), "held-out": ("joe", "slt", "michael", "emma")}
CHARACTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ" + 2 * "0123456789"
NAMES = ("serial", "serial number", "part number", "work order")
RESPELT = {"alfa": "alpha", "juliett": "juliet"}  # voices know English, not the alphabet
LENGTHS = (5, 8)


@dataclass(frozen=True)
class Clip:
    identifier: str
    text: str
    speaker: str
    samples: corpus.Samples


def clips(split: str, number: int, cache: Path) -> Iterator[Clip]:
    shelf = corpus.Shelf(cache.resolve())
    for speaker in SPEAKERS[split]:
        choose = random.Random(f"{split} {speaker}")
        jobs, identifiers = [], []
        for _ in range(number):
            identifier = "".join(choose.choices(CHARACTERS, k=choose.randint(*LENGTHS)))
            words = say_identifier(identifier).split()
            if choose.random() < 0.5:
                words = ["nine" if word == "niner" else word for word in words]
            name = choose.choice(("", "", "serial ", "serial number "))
            said = name + (", " if choose.random() < 0.5 else " ").join(RESPELT.get(word, word) for word in words)
            jobs.append((said, round(choose.uniform(0.9, 1.1), 2)))
            identifiers.append(identifier)
        for identifier, (text, _), samples in zip(
            identifiers, jobs, corpus.speak(shelf, corpus.VOICES[speaker], jobs), strict=True
        ):
            yield Clip(identifier, text, speaker, corpus.placed(samples, corpus.seed_of(identifier)))


def form(identifier: str, kind: str) -> Form:
    if kind == "bounds":
        return Form(least=LENGTHS[0], most=LENGTHS[1])
    return Form("".join("A" if character.isalpha() else "9" for character in identifier))


def judged(job: tuple[hearing.Make, Clip, str, str]) -> tuple[str, list[tuple[str, float | None]]]:
    make, clip, condition, kind = job
    what = Open(
        identifier=form(clip.identifier, kind),
        identifier_named=NAMES,
        words=frozenset(Word) - {Word.DONE, Word.GO_AHEAD},
    )
    samples = np.concatenate([np.zeros(RATE), clip.samples, np.zeros(RATE)])
    noisy = hearing.in_noise(samples, condition, clip.identifier)
    ear = Ear(hearing.recogniser(make), Policy().doubt)
    ear.open(what)
    hearings = list(ear.all(Audio(noisy)))
    ear.close()
    sure = [each for each in hearings if (each.utterance.confidence or 0.0) >= Policy().doubt]
    meant = [understand(each.utterance.text, what) for each in sure]
    taken = [each for each in meant if isinstance(each, Spelled)]
    wrong = any(each.text != clip.identifier for each in taken)
    outcome = "wrong" if wrong else "right" if taken else "asked"
    return outcome, [(each.utterance.text, each.utterance.confidence) for each in hearings]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--split", default="held-out", choices=sorted(SPEAKERS))
    parser.add_argument("--clips", type=int, default=15, help="of each voice (default: %(default)s)")
    parser.add_argument("--conditions", default="clean,hum 10")
    parser.add_argument("--kinds", default="bounds,pattern")
    parser.add_argument("--cache", type=Path, default=platformdirs.user_cache_path("handsfree") / "corpus")
    parser.add_argument("--misheard", action="store_true", help="list what was not right")
    hearing.add_engine(parser)
    options = parser.parse_args()
    make = hearing.made_by(options)
    console, table = Console(width=160), Table("", "clips", "right", "asked", "wrong")
    spoken = list(clips(options.split, options.clips, options.cache))
    with ProcessPoolExecutor(2) as pool:
        for kind in options.kinds.split(","):
            for condition in options.conditions.split(","):
                found = list(pool.map(judged, [(make, clip, condition, kind) for clip in spoken]))
                count = Counter(outcome for outcome, _ in found)
                table.add_row(
                    f"{kind}, {condition}",
                    str(len(found)),
                    hearing.rate(count["right"], len(found), low=True),
                    hearing.rate(count["asked"], len(found)),
                    hearing.rate(count["wrong"], len(found)),
                )
                for clip, (outcome, heard) in zip(spoken, found, strict=True):
                    if options.misheard and outcome != "right":
                        console.print(outcome, clip.identifier, clip.speaker, clip.text, heard, soft_wrap=True)
    console.print(table)


if __name__ == "__main__":
    main()
