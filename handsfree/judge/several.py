"""One figure from several readings: difference, ratio, sum, imbalance.

The one rule: every figure is an ``Uncertain`` made from the readings themselves, so it is judged as a reading is
(``decision.decide``), and a reading used twice counts as one. All readings of one call are in one unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from handsfree.judge.uncertain import JudgingError, Uncertain, total
from handsfree.procedure.model import Verdict


@dataclass(frozen=True, slots=True)
class Imbalance:
    """``percent`` is the greatest deviation from the mean in percent of the mean, never negative; ``worst`` has it."""

    mean: Uncertain
    worst: str
    percent: Uncertain


def difference(reading: Uncertain, other: Uncertain) -> Uncertain:
    """How much a reading is above another; "two to four ohms above its sibling" is this between 2 and 4."""
    return reading - other


def ratio(reading: Uncertain, other: Uncertain) -> Uncertain:
    """A reading divided by another. Raises JudgingError where the other is zero as far as the meter can tell."""
    return reading / other


def disagreement(parts: Iterable[Uncertain], whole: Uncertain) -> Uncertain:
    """The sum of parts less the whole: zero for the windings of a motor with a common terminal, start + run - total."""
    return total(parts) - whole


def imbalance(readings: Mapping[str, Uncertain]) -> Imbalance:
    """Greatest deviation from the mean, as NEMA MG 1, 14.36 defines unbalance of phases.

    Raises JudgingError for fewer than two readings or a mean of zero, ValueError where the readings have both signs
    (deviation in percent of such a mean says nothing).
    """
    if len(readings) < 2:
        raise JudgingError("one reading has nothing to be out of balance with: measure the others")
    values = [reading.value for reading in readings.values()]
    if min(values) < 0 < max(values):
        raise ValueError("imbalance is for readings of one sign")
    mean = total(readings.values()) / len(readings)
    deviations = {name: reading - mean for name, reading in readings.items()}
    worst = max(deviations, key=lambda name: abs(deviations[name].value))
    return Imbalance(mean, worst, abs(deviations[worst]) / abs(mean) * 100)


def deviation_percent(reading: Uncertain, nominal: Uncertain) -> Uncertain:
    """How far a reading is from a nominal that is itself measured or computed, in percent of it, with sign."""
    return (reading - nominal) / abs(nominal) * 100


def together(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict on several readings of one thing: the worst, nonconforming before undecided before conforming."""
    found = set(verdicts)
    for verdict in (Verdict.NONCONFORMING, Verdict.UNDECIDED, Verdict.CONFORMING):
        if verdict in found:
            return verdict
    raise ValueError("no verdicts to take together")
