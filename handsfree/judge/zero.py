"""Low resistance without the leads: what the shorted leads read is taken off, and both are kept.

The one rule: raw and corrected stand side by side; a lead zero that is not believable is refused, never used quietly.
All values are in ohms.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from handsfree.judge.uncertain import JudgingError, Uncertain
from handsfree.spoken.readback import say_value

# Leads usually have 0.2 to 0.5 ohm and are replaced above 1 ohm (common practice of meter makers).
WORN_ABOVE = Decimal(1)


@dataclass(frozen=True, slots=True)
class Corrected:
    """A reading before and after the lead zero was taken off, and the zero itself."""

    raw: Uncertain
    zero: Uncertain
    corrected: Uncertain


def lead_zero(shorted: Uncertain, worn_above: Decimal = WORN_ABOVE) -> Uncertain:
    """The reading of the shorted leads, fit to be subtracted.

    Raises JudgingError where it is negative (the meter holds an old zero) or above ``worn_above``, and ValueError for a
    limit that is not above zero.
    """
    if not worn_above > 0:
        raise ValueError(f"leads are worn above some resistance greater than zero, not {worn_above}")
    if shorted.value < 0:
        raise JudgingError(
            "the shorted leads read below zero: clear the zero that the meter holds, then short them again"
        )
    if shorted.value > worn_above:
        raise JudgingError(
            f"the shorted leads read {_ohms(shorted.value)}, more than {_ohms(worn_above)}: "
            "clean the tips or replace the leads, then short them again"
        )
    return shorted


def correct(raw: Uncertain, zero: Uncertain) -> Corrected:
    """Takes the lead zero off a reading.

    A result below zero by less than the meter can tell is left as it is. Raises JudgingError where it is further below:
    the leads were changed, or one of the two readings was misheard.
    """
    corrected = raw - zero
    if float(corrected.value) < -corrected.expanded:
        raise JudgingError(
            f"{_ohms(raw.value)} is less than the leads alone read, {_ohms(zero.value)}: "
            "short the leads and measure both again"
        )
    return Corrected(raw, zero, corrected)


def _ohms(value: Decimal) -> str:
    return say_value(format(value, "f"), "ohm")
