"""How well a recogniser hears: ``python benchmarks/hearing.py CORPUS [--engine NAMES] [--split tune] [--clips N]``.

CORPUS is made by ``benchmarks/corpus.py``. Every clip goes the way of a recording or a microphone: endpointing, narrow
grammar of its step, recogniser, confidence, the session's policy. The one rule: the weights in
``handsfree/sound/evidence.py`` were made from the split "tune" (``benchmarks/calibrate.py``); figures to quote are from
"held-out", which shares no phrase with it.

Columns: ``right`` was recorded as said, at the first try; ``asked`` was asked again or to be affirmed; ``wrong`` was
taken for something else; ``unasked`` is what is left of those when the confusable rule has spoken and the limit is put
where it hurts most, between what was said and what was heard. Each rate comes with its 95 % bound (Clopper-Pearson,
upper for what should be rare, lower for ``right``). ``--engine moonshine,pocketsphinx,vosk,both`` runs the same on
each, side by side; Vosk needs a model in models/ (``python models/fetch.py``), or ``--model``.
"""

from __future__ import annotations

import argparse
import json
import os
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import corpus
import numpy as np
import soundfile
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table
from scipy.stats import beta

from handsfree.judge.assess import Means, doubt_about
from handsfree.procedure.model import AtMost, DecisionRule, Measure
from handsfree.session.doubt import Policy
from handsfree.sound.ear import Ear, Hearing
from handsfree.sound.engines import find_model
from handsfree.sound.joint import JointRecogniser
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE, Audio, Recogniser
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.vosk import VoskRecogniser
from handsfree.spoken.grammar import understand
from handsfree.spoken.meaning import Answer, Command, Expectation, Kind, Open, Quantity, Reading, Word
from handsfree.spoken.units import quantity_of
from handsfree.spoken.written import spoken_words

CLEAN = "clean"
CONDITIONS = (CLEAN, *(f"{kind} {level}" for kind in ("hum", "fan") for level in (20, 15, 10, 5)))
TO_BE_UNDERSTOOD = ("said", "led")
BEFORE = 1.5  # seconds of the noise before a clip: a compressor does not start when somebody speaks
AT_A_READING = frozenset(Word) - {Word.DONE, Word.AFFIRM, Word.NEGATIVE, Word.GO_AHEAD}
AT_A_TASK = Open(words=frozenset(Word))
ASKED_FOR = (
    Quantity.RESISTANCE,
    Quantity.VOLTAGE,
    Quantity.TEMPERATURE,
    Quantity.CAPACITANCE,
    Quantity.CURRENT,
)

Row = dict[str, Any]
Make = Callable[[], Recogniser]


@dataclass(frozen=True)
class Result:
    """What became of one clip in one condition."""

    engine: str
    row: Row
    condition: str
    outcome: str
    heard: tuple[tuple[str, float | None], ...]
    unasked: bool = False


def rows(folder: Path, split: str, sets: Iterable[str]) -> list[Row]:
    """The corpus's rows, different speakers and sources taking turns, so that the first N are a fair sample."""
    found = [json.loads(line) for line in (folder / "corpus.jsonl").read_text(encoding="utf-8").splitlines()]
    kept = [row for row in found if row["split"] == split and row["set"] in set(sets)]
    turns: Counter[str] = Counter()
    order = {}
    for row in sorted(kept, key=lambda row: zlib.crc32(row["file"].encode())):
        order[row["file"]] = turns[row["speaker"]]
        turns[row["speaker"]] += 1
    return sorted(kept, key=lambda row: (order[row["file"]], row["speaker"]))


def situation(row: Row) -> Open:
    """What is open when the clip is heard; things not meant for the tool meet one step after the other."""
    if "quantity" in row and row["quantity"] is None:
        put_right = row["means"].get("reading")  # what is put right is the reading just given
        return replace(AT_A_TASK, correction=Expectation(quantity_of(put_right["unit"]))) if put_right else AT_A_TASK
    place = zlib.crc32(row["file"].encode())
    if "quantity" not in row and place % 4 == 0:
        return AT_A_TASK
    quantity = Quantity(row["quantity"]) if "quantity" in row else ASKED_FOR[place // 4 % len(ASKED_FOR)]
    expect = Expectation(quantity, row.get("unit"), row.get("waveform"))
    return Open(expect, {}, AT_A_READING, expect)


def sound(folder: Path, row: Row, condition: str) -> Audio:
    """The clip in its noise, which has been there for a while."""
    samples, _ = soundfile.read(folder / row["file"])
    return Audio(in_noise(samples, condition, row["file"]))


def in_noise(samples: corpus.Samples, condition: str, name: str) -> NDArray[np.int16]:
    """Samples of full scale 1 in a noise, the same each time for the same name."""
    if condition != CLEAN:
        kind, level = condition.split()
        noise = {"hum": corpus.hum, "fan": corpus.fan}[kind]
        samples = np.concatenate([np.zeros(round(BEFORE * RATE)), samples])
        seed = zlib.crc32(f"{name} {condition}".encode())
        samples = corpus.mix(samples, noise(len(samples) / RATE, seed), float(level))
    return np.clip(np.round(samples * 32768), -32768, 32767).astype(np.int16)


def means(row: Row) -> Reading | Command:
    said = row["means"]
    if "word" in said:
        return Command(Word(said["word"]), said["reason"], reading_of(said["reading"]) if said["reading"] else None)
    return reading_of(said)


def reading_of(said: Row) -> Reading:
    return Reading(Kind(said["kind"]), said["value"], said["unit"], said["waveform"])


def taken(hearing: Hearing, what: Open, policy: Policy) -> Reading | Command | Answer | None:
    """What the session would take it for without a question; None where it asks."""
    utterance = hearing.utterance
    if utterance.confidence is None or utterance.confidence < policy.doubt:
        return None
    meant = understand(utterance.text, what)
    return meant if isinstance(meant, Reading | Command | Answer) else None


def same(one: Reading | Command | Answer, other: Reading | Command) -> bool:
    """Whether they put the same into the record. A waveform left out by the ear is supplied by the step."""
    if isinstance(one, Command) and isinstance(other, Command) and one.reading and other.reading:
        return one.word == other.word and same(one.reading, other.reading)
    if isinstance(one, Reading) and isinstance(other, Reading):
        values = [None if each.value is None else Decimal(each.value) for each in (one, other)]
        return (one.kind, one.unit, values[0]) == (other.kind, other.unit, values[1])
    return one == other


def would_ask(hearing: Hearing, what: Open, said: Reading, policy: Policy) -> bool:
    """Whether the confusable rule asks, with a limit between what was said and what was heard."""
    heard = understand(hearing.utterance.text, what)
    if not isinstance(heard, Reading) or heard.value is None or said.value is None or heard.unit != said.unit:
        return False
    low, high = sorted((Decimal(heard.value), Decimal(said.value)))
    assert what.reading is not None
    middle = (low + high) / 2
    step = Measure(
        id="limit",
        kind="measure",
        say="Measure.",
        reading="limit",
        quantity=what.reading.quantity,
        unit=heard.unit,
        limit=AtMost(at_most=middle),
    )
    alternatives = [(other.text, other.score) for other in hearing.utterance.alternatives]
    likely, unlikely = (
        [spoken_words(text) for text in texts] for texts in (policy.likely(alternatives), policy.unlikely(alternatives))
    )
    words, means = spoken_words(hearing.utterance.text), Means(DecisionRule.SIMPLE_ACCEPTANCE, Decimal(1))
    return doubt_about(words, heard, step, means, likely, unlikely).asks


_made: dict[str, Recogniser] = {}


def recogniser(make: Make) -> Recogniser:
    """What it makes, made once: a partial function is another one each time it reaches a worker, but looks the same."""
    if repr(make) not in _made:
        _made[repr(make)] = make()
    return _made[repr(make)]


def judged(folder: Path, row: Row, condition: str, make: Make, policy: Policy, name: str = "") -> Result:
    what = situation(row)
    ear = Ear(recogniser(make), policy.doubt)
    ear.open(what)
    hearings = list(ear.all(sound(folder, row, condition), tight=True))
    ear.close()
    heard = tuple((each.utterance.text, each.utterance.confidence) for each in hearings)
    took = [(each, meant) for each in hearings if (meant := taken(each, what, policy)) is not None]
    if "means" not in row:
        kinds = {"reading" if isinstance(meant, Reading) else "word" for _, meant in took}
        outcome = "reading" if "reading" in kinds else "word" if kinds else "nothing"
        return Result(name, row, condition, outcome, heard)
    said = means(row)
    wrong = [each for each, meant in took if not same(meant, said)]
    outcome = "wrong" if wrong else "right" if took else "asked"
    unasked = any(not isinstance(said, Reading) or not would_ask(each, what, said, policy) for each in wrong)
    return Result(name, row, condition, outcome, heard, unasked)


def _job(job: tuple[Path, Row, str, Make, Policy, str]) -> Result:
    return judged(*job)


def results(
    folder: Path, chosen: Sequence[Row], conditions: Sequence[str], makes: Mapping[str, Make], policy: Policy
) -> Iterator[Result]:
    jobs = [
        (folder, row, condition, make, policy, name)
        for name, make in makes.items()
        for row in chosen
        for condition in conditions
    ]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        yield from pool.map(_job, jobs, chunksize=4)


def upper(count: int, of: int) -> float:
    """The upper 95 % bound of a rate (one-sided Clopper-Pearson)."""
    return 1.0 if count >= of else float(beta.ppf(0.95, count + 1, of - count))


def rate(count: int, of: int, *, low: bool = False) -> str:
    bound = 1 - upper(of - count, of) if low else upper(count, of)
    return f"{count / of:.1%} ({'>' if low else '<'}{bound:.1%})" if of else "-"


def alone() -> MoonshineRecogniser:
    """Moonshine on one processor: the benchmark keeps all of them busy."""
    return MoonshineRecogniser()


def makes(names: Iterable[str], model: Path | None) -> dict[str, Make]:
    """How to make the recognisers of these names. Raises SystemExit with what to write instead."""
    known: dict[str, Make] = {"moonshine": alone, "pocketsphinx": SphinxRecogniser}
    if (folder := find_model(model)) is not None:
        known |= {"vosk": partial(VoskRecogniser, folder), "both": partial(JointRecogniser, None, folder)}
    if unknown := [name for name in names if name not in known]:
        raise SystemExit(f"no recogniser {unknown[0]!r} here: choose from {', '.join(known)}")
    return {name: known[name] for name in names}


def add_model(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--model", type=Path, help="folder of a Vosk model (default: the one in models/, if any)")


def add_engine(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--engine", default="moonshine", help="recogniser (default: %(default)s)")
    add_model(parser)


def made_by(options: argparse.Namespace) -> Make:
    """How to make the recogniser that ``add_engine`` was given."""
    (make,) = makes([options.engine], options.model).values()
    return make


def said_table(found: Sequence[Result], by: Callable[[Result], str], title: str) -> Table:
    table = Table(title, "clips", "right", "asked", "wrong", "unasked")
    for name in dict.fromkeys(map(by, found)):
        of = [each for each in found if by(each) == name]
        count = Counter(each.outcome for each in of)
        table.add_row(
            name,
            str(len(of)),
            rate(count["right"], len(of), low=True),
            rate(count["asked"], len(of)),
            rate(count["wrong"], len(of)),
            rate(sum(each.unasked for each in of), len(of)),
        )
    return table


def other_table(found: Sequence[Result]) -> Table:
    table = Table("to be refused", "clips", "false readings", "false words")
    for name in dict.fromkeys(f"{each.row['set']} {each.engine}" for each in found):
        of = [each for each in found if f"{each.row['set']} {each.engine}" == name]
        count = Counter(each.outcome for each in of)
        table.add_row(name, str(len(of)), rate(count["reading"], len(of)), rate(count["word"], len(of)))
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--split", default="held-out", choices=("held-out", "tune"))
    parser.add_argument("--clips", type=int, help="at most so many of each set (default: all)")
    parser.add_argument(
        "--conditions", default=",".join(CONDITIONS), help="comma-separated, of: " + ", ".join(CONDITIONS)
    )
    parser.add_argument("--sets", default="said,led,loose,chatter,noise,prompt")
    parser.add_argument("--misheard", action="store_true", help="list what was not right")
    parser.add_argument("--engine", default="moonshine", help="comma-separated (default: %(default)s)")
    add_model(parser)
    options = parser.parse_args()
    chosen_makes, policy, sets = makes(options.engine.split(","), options.model), Policy(), options.sets.split(",")
    console = Console(width=120)
    for name in [each for each in sets if each in TO_BE_UNDERSTOOD]:
        chosen = rows(options.corpus, options.split, [name])[: options.clips]
        found = list(results(options.corpus, chosen, options.conditions.split(","), chosen_makes, policy))
        found.sort(key=lambda each: options.conditions.split(",").index(each.condition))
        console.print(said_table(found, lambda each: f"{each.condition} {each.engine}", "condition"))
        console.print(said_table(found, lambda each: f"{each.row['speaker']} {each.engine}", "voice"))
        report(console, found, options.misheard, {"right"})
    others = [
        row
        for name in sets
        if name not in TO_BE_UNDERSTOOD
        for row in rows(options.corpus, options.split, [name])[: options.clips]
    ]
    if others:
        found = list(results(options.corpus, others, [CLEAN], chosen_makes, policy))
        console.print(other_table(found))
        report(console, found, True, {"nothing"})


def report(console: Console, found: Sequence[Result], wanted: bool, good: set[str]) -> None:
    for each in found if wanted else ():
        if each.outcome not in good:
            said = each.row.get("text") or each.row["file"]
            heard = "; ".join(f"{text!r} {confidence or 0:.2f}" for text, confidence in each.heard)
            console.print(
                f"{each.engine} {each.condition:7} {each.outcome:8} {each.row['speaker']:10} {said} -> {heard}",
                markup=False,
            )


if __name__ == "__main__":
    main()
