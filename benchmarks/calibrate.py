"""Makes the weights of ``handsfree/sound/evidence.py``: ``python benchmarks/calibrate.py CORPUS [--engine NAME]``.

A logistic regression over hearings of the corpus's split "tune" of which it is known whether they were right: readings
and words as said, clean and in noise; readings that are guessed or put right, chatter, noises and the tool's own
prompts, which are never right. The one rule: the split "held-out" is never looked at here. A wrong hearing that is
accepted is worse than a right one that is asked again, so wrong ones count ``WRONG`` times; with that, 0.5 is the
operating point.
"""

from __future__ import annotations

import argparse
import os
import pickle
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import hearing
import numpy as np
from scipy.optimize import minimize

from handsfree.sound.endpoint import Endpointer
from handsfree.sound.hum import taken_off
from handsfree.spoken.grammar import understand
from handsfree.spoken.meaning import Answer, Command, Reading

WRONG = 8.0
RIDGE = 0.001
CONDITIONS = ("clean", "hum 15", "hum 10", "hum 5", "fan 15", "fan 10")
AROUND_CHATTER = ("clean", "hum 10", "fan 10")


# Which way each measure of an engine may speak: no accident of the sample may turn one round.
SIGNS = {
    "moonshine": (1, 1, 1, -1, 1),
    "pocketsphinx": (1, -1, 1, 1),
    "vosk": (1, -1, 1, 1, 1),
    "both": (1, 1, 1, -1, 1, 1, 1, 1),
}


def measured(job: tuple[hearing.Make, int, Path, hearing.Row, str]) -> list[tuple[str, str, bool, tuple[float, ...]]]:
    """Condition, speaker, whether it was right, and the measures, of each hearing that means something."""
    make, signs, folder, row, condition = job
    what = hearing.situation(row)
    audio = hearing.sound(folder, row, condition)
    endpointer = Endpointer()
    recogniser: Any = hearing.recogniser(make)
    found = []
    for speech in [*endpointer.feed(audio.samples), *endpointer.flush(tight=True)]:
        recogniser.open(what)
        weighed = recogniser.weigh(taken_off(speech))
        if weighed is None or len(weighed[1].measures) != signs:  # of a word that Vosk lacks one alone is asked
            continue
        text = weighed[0] if isinstance(weighed[0], str) else weighed[0].text
        meant = understand(text, what)
        if isinstance(meant, Reading | Command | Answer):
            right = "means" in row and hearing.same(meant, hearing.means(row))
            found.append((condition, row["speaker"], right, weighed[1].measures))
    return found


def fitted(measures: np.ndarray, right: np.ndarray, signs: Sequence[int]) -> tuple[float, list[float]]:
    """Bias and weights that lose least, in natural units of the measures."""
    weight = np.where(right, 1.0, WRONG)
    sign = np.where(right, 1.0, -1.0)

    def loss(parameters: np.ndarray) -> float:
        margin = sign * (parameters[0] + measures @ parameters[1:])
        return float(np.sum(weight * np.logaddexp(0, -margin)) / np.sum(weight) + RIDGE * np.sum(parameters[1:] ** 2))

    bounds = [(None, None), *((0, None) if way > 0 else (None, 0) for way in signs)]
    best = minimize(loss, np.zeros(measures.shape[1] + 1), method="L-BFGS-B", bounds=bounds).x
    return float(best[0]), [float(each) for each in best[1:]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("corpus", type=Path)
    hearing.add_engine(parser)
    parser.add_argument("--clips", type=int, help="at most so many of each set (default: all)")
    parser.add_argument(
        "--kept", type=Path, help="file to keep the measures in, or to take them from where it is there"
    )
    options = parser.parse_args()
    if options.engine not in SIGNS:
        parser.error(f"no recogniser {options.engine!r}: choose from {', '.join(SIGNS)}")
    if options.kept and options.kept.exists():
        found = pickle.loads(options.kept.read_bytes())
    else:
        make = hearing.made_by(options)
        jobs = [
            (make, len(SIGNS[options.engine]), options.corpus, row, condition)
            for name in ("said", "led", "loose", "chatter", "noise", "prompt")
            for row in hearing.rows(options.corpus, "tune", [name])[: options.clips]
            for condition in (CONDITIONS if "means" in row else AROUND_CHATTER)
        ]
        found = []
        with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
            for number, each in enumerate(pool.map(measured, jobs, chunksize=4)):
                found += each
                if number % 100 == 0:
                    print(number, "of", len(jobs), flush=True)
        if options.kept:
            options.kept.write_bytes(pickle.dumps(found))
    show(found, SIGNS[options.engine])


def show(found: Sequence[tuple[str, str, bool, tuple[float, ...]]], signs: Sequence[int]) -> None:
    measures, right = np.array([each[3] for each in found]), np.array([each[2] for each in found])
    bias, weights = fitted(measures, right, signs)
    print(f"WEIGHTS = ({', '.join(f'{weight:.3f}' for weight in weights)})\nBIAS = {bias:.3f}")
    accepted = bias + measures @ np.array(weights) >= 0
    for condition in dict.fromkeys(each[0] for each in found):
        at = np.array([each[0] == condition for each in found])
        print(
            f"{condition:8} right accepted {np.sum(at & right & accepted)} of {np.sum(at & right)}, "
            f"wrong accepted {np.sum(at & ~right & accepted)} of {np.sum(at & ~right)}"
        )


if __name__ == "__main__":
    main()
