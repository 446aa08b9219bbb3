"""Insulation resistance as IEEE 43 judges it: minimum, correction to 40 degC, polarization index.

The one rule: figures of IEEE 43-2013 stand here once. Resistances are in megohms. The standard is for machines of
750 W and more; for smaller ones it is a guide.
"""

from __future__ import annotations

import math
from decimal import Decimal
from enum import StrEnum

from handsfree.judge.curves import inside
from handsfree.judge.uncertain import JudgingError, Uncertain
from handsfree.procedure.model import Winding
from handsfree.procedure.ranges import HALVING


class InsulationClass(StrEnum):
    """Thermal classes of IEC 60085 with a minimum polarization index of their own."""

    A = "A"
    B = "B"
    F = "F"
    H = "H"


# Above this the current is too small to read an index from (IEEE 43-2013, 12.2).
_NO_INDEX_ABOVE = Decimal(5000)


def minimum(winding: Winding, kilovolts: Decimal) -> Decimal:
    """Least resistance after one minute at 40 degC, in megohms; ``kilovolts`` is the rated voltage (12.3, table 3)."""
    if kilovolts <= 0:
        raise ValueError(f"a rated voltage is above zero, not {kilovolts}")
    match winding:
        case Winding.BEFORE_1970 | Winding.FIELD:
            return kilovolts + 1
        case Winding.FORM_WOUND if kilovolts >= 1:
            return Decimal(100)
        case Winding.FORM_WOUND | Winding.RANDOM_WOUND | Winding.DC_ARMATURE:
            return Decimal(5)


def at_40(megohms: Uncertain, celsius: Uncertain) -> Uncertain:
    """Resistance corrected to 40 degC: it halves for each 10 K more (IEEE 43, thermoplastic systems; a rule of thumb).

    Raises JudgingError outside 10 to 60 degC.
    """
    inside(celsius, HALVING, "the halving rule", "degrees Celsius")
    t = float(celsius.value)
    factor = celsius.through(lambda t: 0.5 ** ((40 - t) / 10), math.log(2) / 10 * 0.5 ** ((40 - t) / 10))
    return megohms * factor


def minimum_index(thermal: InsulationClass) -> Decimal:
    """Least polarization index of a class (IEEE 43, table 2)."""
    return Decimal("1.5") if thermal is InsulationClass.A else Decimal(2)


def polarization_index(one_minute: Uncertain, ten_minutes: Uncertain) -> Uncertain:
    """Resistance at ten minutes divided by that at one, both in megohms and under the same test voltage.

    Raises JudgingError where the first is above 5000 megohms (12.2) or is zero as far as the meter can tell.
    """
    if one_minute.value > _NO_INDEX_ABOVE:
        raise JudgingError(
            f"{one_minute.value} megohms after one minute is above {_NO_INDEX_ABOVE}: the index says nothing, "
            "judge the resistance alone"
        )
    return ten_minutes / one_minute
