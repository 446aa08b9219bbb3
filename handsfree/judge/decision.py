"""From a value with its uncertainty to a verdict, by a decision rule that was agreed beforehand.

The one rule: a rule is two intervals. Values in the first are called conforming, values outside the second
nonconforming, and what lies between is undecided; the guard band g = r * U is how far each is drawn in or out
(JCGM 106:2012, 8; ILAC-G8:09/2019, 4.2). Both intervals include their ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from handsfree.judge.uncertain import COVERAGE, Uncertain
from handsfree.procedure.model import DecisionRule, Verdict

Rule = DecisionRule
_FAR = Decimal("Infinity")


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict and what stands behind it, for the record; all in the unit of the value.

    ``conformity`` is the probability that the true value conforms. ``risk`` is the probability that this very verdict
    is wrong: the specific consumer's risk where it is conforming, the specific producer's risk where it is
    nonconforming (JCGM 106, 3.3.13 and 3.3.14), None where undecided. ``accepted`` and ``not_rejected`` are the two
    intervals; the first may be empty (its ends crossed), and then no reading of this meter can prove conformity.
    """

    verdict: Verdict
    rule: Rule
    conformity: float
    risk: float | None
    guard: Decimal
    accepted: tuple[Decimal, Decimal]
    not_rejected: tuple[Decimal, Decimal]
    reason: str = ""


def decide(
    measured: Uncertain,
    limits: tuple[Decimal, Decimal],
    rule: Rule = Rule.ISO_14253_1,
    ratio: Decimal = Decimal(1),
) -> Decision:
    """Judges a value against its limits (infinite where there is none on that side).

    ``ratio`` is r in g = r * U with U for k = 2. 1 is the choice of ILAC-G8 and of ISO 14253-1:2013; 0.83 gives the
    95 percent one-sided probability that ISO 14253-1:2017 takes as its default.
    Raises ValueError for limits the wrong way round, no limit at all, or a negative ratio.
    """
    low, high = limits
    if low > high or (low == -_FAR and high == _FAR):
        raise ValueError(f"{low} to {high} is no interval to conform to")
    if ratio < 0:
        raise ValueError(f"a guard band is r times the uncertainty with r zero or more, not {ratio}")
    guard = Decimal(0) if rule is Rule.SIMPLE_ACCEPTANCE else ratio * Decimal(repr(measured.expanded))
    inward = guard if rule in (Rule.GUARDED_ACCEPTANCE, Rule.ISO_14253_1) else Decimal(0)
    outward = guard if rule in (Rule.GUARDED_REJECTION, Rule.ISO_14253_1) else Decimal(0)
    accepted = low + inward, high - inward
    not_rejected = low - outward, high + outward
    probability = conformity(measured, limits)
    reason, risk = "", None
    if accepted[0] <= measured.value <= accepted[1]:
        verdict, risk = Verdict.CONFORMING, 1 - probability
    elif not not_rejected[0] <= measured.value <= not_rejected[1]:
        verdict, risk = Verdict.NONCONFORMING, probability
    else:
        verdict, reason = Verdict.UNDECIDED, _doubt(measured, low, high, accepted)
    return Decision(verdict, rule, probability, risk, guard, accepted, not_rejected, reason)


def conformity(measured: Uncertain, limits: tuple[Decimal, Decimal]) -> float:
    """Probability that the true value lies within the limits, for a normal distribution (JCGM 106, 7.2 to 7.5)."""
    low, high = limits
    value, deviation = measured.value, measured.standard
    if deviation == 0:
        return 1.0 if low <= value <= high else 0.0
    above_low = float(value - low) / deviation
    below_high = float(high - value) / deviation
    # From the nearer end outwards, so that small probabilities keep their figures.
    if above_low < below_high:
        return normal(above_low) - normal(-below_high)
    return normal(below_high) - normal(-above_low)


def normal(z: float) -> float:
    """The standard normal distribution function."""
    return math.erfc(-z / math.sqrt(2)) / 2


def can_ever_conform(standard: float, limits: tuple[Decimal, Decimal], rule: Rule, ratio: Decimal = Decimal(1)) -> bool:
    """False where the guard bands fill a two-sided tolerance: whatever is read, this meter cannot prove conformity."""
    if rule in (Rule.SIMPLE_ACCEPTANCE, Rule.GUARDED_REJECTION):
        return True
    low, high = limits
    return high - low >= 2 * ratio * Decimal(repr(COVERAGE * standard))


def _doubt(measured: Uncertain, low: Decimal, high: Decimal, accepted: tuple[Decimal, Decimal]) -> str:
    if accepted[0] > accepted[1]:
        return "the meter is too coarse for this tolerance"
    side = "inside" if low <= measured.value <= high else "outside"
    return f"{side} the limit by less than the meter can tell"
