"""What each part of the hearing buys: ``python benchmarks/ablation.py CORPUS [--clips N] [--split held-out]``.

Each row leaves one part out, or puts another in its place, and hears the same clips in the same noise. Columns are
those of ``hearing.py``, over all conditions together. Chatter is heard clean.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

import hearing
from rich.console import Console
from rich.table import Table

from handsfree.session.doubt import Policy
from handsfree.sound import beam, ear, moonshine, spelling
from handsfree.sound.denoise import denoised
from handsfree.sound.engines import find_model
from handsfree.sound.joint import JointRecogniser
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import Audio, Recogniser, Utterance
from handsfree.sound.vosk import VoskRecogniser
from handsfree.spoken.meaning import Expectation, Open, Word

CONDITIONS = ("clean", "hum 10", "hum 5", "fan 10")


class WideOpen(MoonshineRecogniser):
    """Listens for every quantity and word at every step; what it hears is still understood as the step would."""

    def open(self, what: Open) -> None:
        super().open(Open(reading=Expectation(), answers=what.answers, words=frozenset(Word)))


class Denoised(MoonshineRecogniser):
    """Hears with the noise taken off."""

    def hear(self, audio: Audio) -> Utterance:
        self._cleaned = Audio(denoised(audio), audio.start, lead=audio.lead)
        return super().hear(self._cleaned)

    def hear_again(self, audio: Audio, first: Utterance) -> Utterance:
        return super().hear_again(self._cleaned, first)


class Unbound(MoonshineRecogniser):
    """Takes what the network writes by itself: no grammar in the search."""

    def hear(self, audio: Audio) -> Utterance:
        assert self._open is not None
        found = beam.search(self._network, self._open.net, self._network.listen(audio.samples, beam.BEAM + 1))
        return Utterance(found.text, 1.0 if found.text else 0.0, self.name, audio)


def without_spellings() -> MoonshineRecogniser:
    for table in (spelling.NEARLY, spelling.SAME_SOUND, spelling.TOGETHER, spelling.UNSPACED):
        table.clear()
    return MoonshineRecogniser()


def without_decoys() -> MoonshineRecogniser:
    moonshine.DECOY = -1000.0
    return MoonshineRecogniser()


def with_hum(make: Callable[[], Recogniser]) -> Recogniser:
    vars(ear)["taken_off"] = lambda speech: speech
    return make()


def narrow_beam() -> MoonshineRecogniser:
    vars(moonshine)["search"] = lambda network, net, heard, width, behind: beam.search(network, net, heard, 1, behind)
    return MoonshineRecogniser()


# What changes a module does so in the worker's process, which hears for this row alone.
ROWS: dict[str, tuple[Callable[[], Recogniser], Policy]] = {
    "all parts": (MoonshineRecogniser, Policy()),
    "no confidence: all is taken": (MoonshineRecogniser, Policy(reject=0.0, doubt=0.0)),
    "grammar of all steps": (WideOpen, Policy()),
    "no grammar in the search": (Unbound, Policy()),
    "no other spellings": (without_spellings, Policy()),
    "no decoys": (without_decoys, Policy()),
    "hum not taken off first": (partial(with_hum, MoonshineRecogniser), Policy()),
    "no second view, denoised": (partial(MoonshineRecogniser, second_view=False), Policy()),
    "no second opinion of PocketSphinx": (partial(MoonshineRecogniser, second_opinion=False), Policy()),
    "one text at a time (beam 1)": (narrow_beam, Policy()),
    "noise taken off first": (Denoised, Policy()),
    "PocketSphinx, with all its parts": (hearing.SphinxRecogniser, Policy()),
}


def with_a_model(folder: Path) -> dict[str, tuple[Callable[[], Recogniser], Policy]]:
    """The rows of a Vosk model."""
    return {
        "Vosk, with all its parts": (partial(VoskRecogniser, folder), Policy()),
        "Vosk, no second view": (partial(VoskRecogniser, folder, second_view=False), Policy()),
        "Moonshine and Vosk": (partial(JointRecogniser, None, folder), Policy()),
        "Moonshine and Vosk, hum not taken off first": (
            partial(with_hum, partial(JointRecogniser, None, folder)),
            Policy(),
        ),
        "Moonshine and Vosk, no second view": (partial(JointRecogniser, None, folder, second_view=False), Policy()),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--split", default="held-out", choices=("held-out", "tune"))
    parser.add_argument("--clips", type=int, default=60, help="of readings and words, and of chatter (default: 60)")
    parser.add_argument("--conditions", default=",".join(CONDITIONS))
    hearing.add_model(parser)
    parser.add_argument("--only", action="append", help="this row only; may be repeated")
    options = parser.parse_args()
    said = hearing.rows(options.corpus, options.split, ["said"])[: options.clips]
    chatter = hearing.rows(options.corpus, options.split, ["chatter"])[: options.clips]
    table = Table("", "right", "asked", "wrong", "unasked", "false readings")
    model = find_model(options.model)
    rows = ROWS if model is None else ROWS | with_a_model(model)
    for title in options.only or rows:
        make, policy = rows[title]
        found = list(hearing.results(options.corpus, said, options.conditions.split(","), {title: make}, policy))
        others = list(hearing.results(options.corpus, chatter, [hearing.CLEAN], {title: make}, policy))
        count = Counter(each.outcome for each in found)
        table.add_row(
            title,
            hearing.rate(count["right"], len(found), low=True),
            hearing.rate(count["asked"], len(found)),
            hearing.rate(count["wrong"], len(found)),
            hearing.rate(sum(each.unasked for each in found), len(found)),
            hearing.rate(sum(each.outcome == "reading" for each in others), len(others)),
        )
    Console(width=120).print(table)


if __name__ == "__main__":
    main()
