"""The procedure as a writer declares it: steps, limits, cautions, energy sources.

The one rule: the model only says what was written. Whether it holds together (targets exist, hands never meet a live
source) is ``proof``'s business; where a mistake stands in the file is ``load``'s.
"""

from __future__ import annotations

import re
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, StrictBool, StringConstraints, Tag

from handsfree.spoken.meaning import Expectation, Quantity, Waveform

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]{0,63}$")]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=1000)]
Phrase = Annotated[
    str,
    StringConstraints(
        strip_whitespace=True, to_lower=True, max_length=60, pattern=r"^[A-Za-z' -]*[A-Za-z][A-Za-z' -]*$"
    ),
]


def _plain(value: Any) -> Any:
    """Hold a number written as text to plain digits: 0x1F, 1_000, 1e3 and 017 read differently to different eyes."""
    if isinstance(value, str) and not re.fullmatch(r"[+-]?(0|[1-9][0-9]{0,14})?(\.[0-9]{1,15})?(?<=[0-9])", value):
        raise ValueError("not a plain number")
    return value


Finite = Annotated[Decimal, BeforeValidator(_plain), Field(allow_inf_nan=False)]
Positive = Annotated[Decimal, BeforeValidator(_plain), Field(gt=0, allow_inf_nan=False)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Signal(StrEnum):
    """Signal words of ANSI Z535.6, gravest first."""

    DANGER = "danger"
    WARNING = "warning"
    CAUTION = "caution"
    NOTICE = "notice"


class Verdict(StrEnum):
    """Outcome of judging a reading, in the words of ISO 14253-1 / JCGM 106."""

    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    UNDECIDED = "undecided"


class DecisionRule(StrEnum):
    """Who carries the doubt where a reading is nearer to its limit than the meter can tell."""

    SIMPLE_ACCEPTANCE = "simple acceptance"  # shared: the limits themselves decide (JCGM 106, 8.2)
    GUARDED_ACCEPTANCE = "guarded acceptance"  # conforming only beyond doubt (8.3.2)
    GUARDED_REJECTION = "guarded rejection"  # nonconforming only beyond doubt (8.3.3)
    ISO_14253_1 = "ISO 14253-1"  # either only beyond doubt: the default rule of ISO 14253-1


class Category(StrEnum):
    """Measurement categories of IEC 61010-2-030, by how near to the source of the supply a circuit is; lowest first."""

    II = "II"  # plugged into a socket outlet
    III = "III"  # fixed installation: distribution, breakers, fixed motors
    IV = "IV"  # source of the installation: service entrance, meter


def _category(value: Any) -> Any:
    """ "CAT III", "cat iii" and "III" are the same; what is no text is left for validation to refuse."""
    return value.upper().removeprefix("CAT").strip() if isinstance(value, str) else value


class Rating(_Part):
    """A measurement category with the voltage to earth that it holds for, as printed beside a meter's sockets."""

    category: Annotated[Category, BeforeValidator(_category)]
    volts: Positive

    def covers(self, needed: Rating) -> bool:
        """True where a meter of this rating may be used where ``needed`` is; a higher category covers a lower."""
        order = list(Category)
        return order.index(self.category) >= order.index(needed.category) and self.volts >= needed.volts


class LeadZero(_Part):
    """Marks the step that measures the shorted leads; above ``worn_above`` ohms they are refused."""

    worn_above: Positive


class Caution(_Part):
    """Spoken before the instruction of its step; opens with the command and names the risk (ASD-STE100)."""

    signal: Signal
    text: Text


class EnergySource(_Part):
    """Something that can hurt: supply, stored charge, pressure, moving part, heat or cold."""

    name: Text
    kind: Literal["electrical", "stored", "pressure", "mechanical", "thermal"]
    at_start: Literal["live", "isolated"] = "live"


class AtMost(_Part):
    """Conforming up to and including ``at_most``, in the step's unit."""

    at_most: Finite


class AtLeast(_Part):
    """Conforming from ``at_least`` on, in the step's unit."""

    at_least: Finite


class Between(_Part):
    """Conforming from the lower to the upper value, both included, in the step's unit."""

    between: tuple[Finite, Finite]


class Nominal(_Part):
    """Conforming within ``plus_minus`` (step's unit) or ``plus_minus_percent`` of ``nominal``; one of the two."""

    nominal: Finite
    plus_minus: Positive | None = None
    plus_minus_percent: Positive | None = None


def _limit_kind(value: Any) -> str | None:
    kinds = ("at_most", "at_least", "between", "nominal")
    if isinstance(value, dict):
        return next((kind for kind in kinds if kind in value), None)
    return next((kind for kind in kinds if hasattr(value, kind)), None)


Limit = Annotated[
    Annotated[AtMost, Tag("at_most")]
    | Annotated[AtLeast, Tag("at_least")]
    | Annotated[Between, Tag("between")]
    | Annotated[Nominal, Tag("nominal")],
    Discriminator(_limit_kind),
]


def _next_kind(value: Any) -> str:
    return "by outcome" if isinstance(value, dict) else "always"


class _Step(_Part):
    id: Identifier


class _SpokenStep(_Step):
    """What the steps that are read aloud have in common.

    ``hands_inside`` demands every energy source isolated and proved dead. ``isolates``, ``proves_dead``, ``energises``,
    ``takes_off`` and ``puts_back`` take effect when the step is completed (a measure step: when its verdict is
    conforming).
    ``unable`` is the step to go to when the technician cannot do this one.
    """

    say: Text
    cautions: tuple[Caution, ...] = ()
    hands_inside: StrictBool = False
    needs_isolated: tuple[Identifier, ...] = ()
    needs_live: tuple[Identifier, ...] = ()
    isolates: tuple[Identifier, ...] = ()
    proves_dead: tuple[Identifier, ...] = ()
    energises: tuple[Identifier, ...] = ()
    takes_off: tuple[Text, ...] = ()
    puts_back: tuple[Text, ...] = ()
    unable: Identifier | None = None


class Do(_SpokenStep):
    """An instruction; done when the technician says so."""

    kind: Literal["do"]
    next: Identifier | None = None


class Measure(_SpokenStep):
    """A reading, spoken by the technician and judged against a limit.

    ``reading`` names what is read ("overload"). Without ``limit`` the reading is recorded and not judged.
    ``over_range`` is the verdict for a display of OL; by default what the limit makes of it.
    A verdict missing from ``next`` goes to the following step, except undecided, which measures again.
    Outside ``plausible`` (step's unit, as the meter shows it) a reading is queried once. ``needs_rating`` is the least
    rating of a meter that may be used. ``decision_rule`` and ``guard_ratio`` override those of the procedure.
    ``minus_leads`` names the step with ``lead_zero`` whose reading is taken off before judging.
    """

    kind: Literal["measure"]
    reading: Text
    quantity: Quantity
    unit: str | None = None  # pint's name; a plain count has none
    waveform: Waveform | None = None
    limit: Limit | None = None
    over_range: Verdict | None = None
    plausible: tuple[Finite, Finite] | None = None
    needs_rating: Rating | None = None
    decision_rule: DecisionRule | None = None
    guard_ratio: Positive | None = None
    lead_zero: LeadZero | None = None
    minus_leads: Identifier | None = None
    next: (
        Annotated[
            Annotated[Identifier, Tag("always")] | Annotated[dict[Verdict, Identifier], Tag("by outcome")],
            Discriminator(_next_kind),
        ]
        | None
    ) = None

    @property
    def expectation(self) -> Expectation:
        """What a reading said at this step must be."""
        return Expectation(self.quantity, self.unit, self.waveform)


class Observe(_SpokenStep):
    """A closed question; each answer has the phrases that mean it."""

    kind: Literal["observe"]
    answers: Annotated[dict[Identifier, Annotated[tuple[Phrase, ...], Field(min_length=1)]], Field(min_length=2)]
    next: (
        Annotated[
            Annotated[Identifier, Tag("always")] | Annotated[dict[Identifier, Identifier], Tag("by outcome")],
            Discriminator(_next_kind),
        ]
        | None
    ) = None


class Choose(_Step):
    """Silent: picks the next step by the verdict or the answer of an earlier one."""

    kind: Literal["choose"]
    by: Identifier
    next: Annotated[dict[Identifier, Identifier], Field(min_length=1)]


class Conclude(_Step):
    """An end: what was found and what to do about it."""

    kind: Literal["conclude"]
    finding: Text
    condition: Literal["faulty", "sound", "unresolved"]
    part: Text | None = None
    action: Text
    cautions: tuple[Caution, ...] = ()


Step = Annotated[Do | Measure | Observe | Choose | Conclude, Field(discriminator="kind")]
SpokenStep = Do | Measure | Observe


class Procedure(_Part):
    """One procedure: what it is for, what can hurt, and its steps in the order they are usually taken.

    ``decision_rule`` says who carries the doubt where a meter's uncertainty is known; ``guard_ratio`` is r in the guard
    band r * U, with U for k = 2.
    """

    procedure: Identifier
    title: Text
    edition: Text
    purpose: Text
    equipment: Text
    local_rules: Text  # who may do this work and whose rules come first
    tools: tuple[Text, ...] = ()
    decision_rule: DecisionRule = DecisionRule.ISO_14253_1
    guard_ratio: Positive = Decimal(1)
    sources: dict[Identifier, EnergySource] = {}
    steps: Annotated[tuple[Step, ...], Field(min_length=1, max_length=500)]

    def step(self, id: str) -> Step:
        """The step with this id; KeyError where there is none."""
        for step in self.steps:
            if step.id == id:
                return step
        raise KeyError(id)

    def rule_of(self, step: Measure) -> tuple[DecisionRule, Decimal]:
        """The decision rule and the guard ratio that hold at a step."""
        return step.decision_rule or self.decision_rule, step.guard_ratio or self.guard_ratio

    def after(self, id: str) -> str | None:
        """The id of the step written after this one, None after the last."""
        ids = [step.id for step in self.steps]
        place = ids.index(id) + 1
        return ids[place] if place < len(ids) else None

    def target(self, id: str, outcome: str | None = None) -> str | None:
        """Where a step leads with an outcome (a verdict, an answer, or None when done); None where nowhere.

        This is the one place that knows the defaults: a missing ``next`` is the step written after, an undecided
        reading is measured again.
        """
        step = self.step(id)
        if isinstance(step, Conclude):
            return None
        if isinstance(step.next, str):
            # One target for all outcomes still does not let an undecided reading through.
            return id if isinstance(step, Measure) and outcome == Verdict.UNDECIDED else step.next
        if isinstance(step.next, dict):
            named = {str(key): value for key, value in step.next.items()}
            if outcome is not None and outcome in named:
                return named[outcome]
        if isinstance(step, Measure) and outcome == Verdict.UNDECIDED:
            return id
        if isinstance(step, Choose):
            return None
        return self.after(id)
