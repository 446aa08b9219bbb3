"""The procedure as a writer declares it: steps, limits, cautions, energy sources.

The one rule: the model only says what was written. Whether it holds together (targets exist, hands never meet a live
source) is ``proof``'s business; where a mistake stands in the file is ``load``'s.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, StrictBool, StringConstraints, Tag

from handsfree.spoken.checkdigits import Check
from handsfree.spoken.identifiers import Form
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


def _whole(value: Any) -> Any:
    """A whole number as it stands in a file; what is none is left for validation to refuse."""
    return int(value) if isinstance(value, str) and re.fullmatch(r"[1-9][0-9]{0,8}", value) else value


Whole = Annotated[int, BeforeValidator(_whole), Field(strict=True)]


_FAR = Decimal("Infinity")


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


def bounds(limit: Limit) -> tuple[Decimal, Decimal]:
    """The lowest and the highest conforming value, in the unit of the limit; infinite where there is no bound."""
    match limit:
        case AtMost(at_most=high):
            return -_FAR, high
        case AtLeast(at_least=low):
            return low, _FAR
        case Between(between=(low, high)):
            return low, high
        case Nominal(nominal=nominal, plus_minus=plus_minus, plus_minus_percent=percent):
            width = plus_minus if plus_minus is not None else abs(nominal) * (percent or Decimal(0)) / 100
            return nominal - width, nominal + width


class PlatinumClass(_Part):
    """Conforming within the tolerance of a class of IEC 60751 at the temperature that was measured beside it."""

    platinum_class: Literal["AA", "A", "B", "C"]


class Winding(StrEnum):
    """What table 3 of IEEE 43-2013 tells apart by its minimum insulation resistance."""

    BEFORE_1970 = "before 1970"  # most windings made before about 1970, and what is not described below
    FIELD = "field winding"  # of any age
    FORM_WOUND = "form-wound"  # ac windings made after about 1970
    RANDOM_WOUND = "random-wound"
    DC_ARMATURE = "dc armature"


class _RatedWinding(_Part):
    winding: Winding
    rated_volts: Positive


class InsulationMinimum(_Part):
    """Conforming from the minimum of IEEE 43-2013 on, for a resistance after one minute corrected to 40 degC."""

    insulation_minimum: _RatedWinding


def _figure_limit_kind(value: Any) -> str | None:
    for kind, model in {"platinum_class": PlatinumClass, "insulation_minimum": InsulationMinimum}.items():
        if kind in value if isinstance(value, dict) else isinstance(value, model):
            return kind
    return _limit_kind(value)


def _next_kind(value: Any) -> str:
    return "by outcome" if isinstance(value, dict) else "always"


# -- figures worked out from earlier readings --------------------------------------------------------------------------


class Sum(_Part):
    """All of them added: start + run."""

    sum: Annotated[tuple[Figure, ...], Field(min_length=2)]


class Mean(_Part):
    mean: Annotated[tuple[Figure, ...], Field(min_length=2)]


class Difference(_Part):
    """How much the first is above the second."""

    difference: tuple[Figure, Figure]


class Ratio(_Part):
    """How many times the second the first is."""

    ratio: tuple[Figure, Figure]


class DeviationPercent(_Part):
    """How much the first is above the second, in percent of the second."""

    deviation_percent: tuple[Figure, Figure]


class ImbalancePercent(_Part):
    """Greatest deviation from the mean in percent of the mean (NEMA MG 1, 14.36)."""

    imbalance_percent: Annotated[tuple[Figure, ...], Field(min_length=2)]


class _Heater(_Part):
    voltage: Figure
    power: Figure


class HeaterResistance(_Part):
    """What a heater of this nameplate has when hot: V^2 / P."""

    heater_resistance: _Heater


class _Winding(_Part):
    resistance: Figure
    temperature: Figure
    corrected_to: Annotated[Finite, Field(ge=-50, le=200)] = Decimal(20)  # degrees Celsius
    conductor: Literal["copper", "aluminium"] = "copper"


class WindingResistance(_Part):
    """A winding's resistance corrected from the temperature it was read at."""

    winding_resistance: _Winding


class _OhmsOfPlatinum(_Part):
    resistance: Figure
    nominal: Positive = Decimal(100)  # ohms at 0 degrees Celsius


class PlatinumTemperature(_Part):
    """What a platinum thermometer shows (IEC 60751)."""

    platinum_temperature: _OhmsOfPlatinum


class _PlatinumAt(_Part):
    resistance: Figure
    temperature: Figure
    nominal: Positive = Decimal(100)


class PlatinumError(_Part):
    """What a platinum thermometer shows less the temperature measured beside it."""

    platinum_error: _PlatinumAt


class Thermistor(_Part):
    """Either ``ohms_at_25`` with ``beta``, or ``steinhart_hart`` with its three coefficients."""

    ohms_at_25: Positive | None = None
    beta: Positive | None = None  # kelvins
    steinhart_hart: tuple[Finite, Positive, Positive] | None = None
    lowest: Finite  # degrees Celsius: the range that the curve was made for
    highest: Finite


class _ThermistorAt(Thermistor):
    temperature: Figure


class ThermistorResistance(_Part):
    """What a thermistor should have at a measured temperature."""

    thermistor_resistance: _ThermistorAt


class _ThermistorOf(Thermistor):
    resistance: Figure


class ThermistorTemperature(_Part):
    """The temperature that a thermistor shows."""

    thermistor_temperature: _ThermistorOf


Refrigerant = Literal["R32", "R134a", "R290", "R404A", "R407C", "R410A", "R507A", "R600a", "R744", "R1234yf"]


class _Boiling(_Part):
    pressure: Figure
    refrigerant: Refrigerant
    side: Literal["bubble", "dew"]  # liquid, vapour
    pressure_is: Literal["gauge", "absolute"] = "gauge"


class SaturationTemperature(_Part):
    """The temperature at which a refrigerant boils under a measured pressure."""

    saturation_temperature: _Boiling


class _Insulation(_Part):
    resistance: Figure
    temperature: Figure


class InsulationAt40(_Part):
    """Insulation resistance corrected to 40 degrees Celsius by the halving rule (IEEE 43)."""

    insulation_at_40: _Insulation


FIGURES: Mapping[str, type[BaseModel]] = {
    "sum": Sum,
    "mean": Mean,
    "difference": Difference,
    "ratio": Ratio,
    "deviation_percent": DeviationPercent,
    "imbalance_percent": ImbalancePercent,
    "heater_resistance": HeaterResistance,
    "winding_resistance": WindingResistance,
    "platinum_temperature": PlatinumTemperature,
    "platinum_error": PlatinumError,
    "thermistor_resistance": ThermistorResistance,
    "thermistor_temperature": ThermistorTemperature,
    "saturation_temperature": SaturationTemperature,
    "insulation_at_40": InsulationAt40,
}


def _figure_kind(value: Any) -> str | None:
    if isinstance(value, str):
        return "reading"
    if isinstance(value, dict):
        return next((kind for kind in FIGURES if kind in value), None)
    return next((kind for kind, model in FIGURES.items() if isinstance(value, model)), None)


# A step whose reading is meant, or a figure worked out from figures.
Figure = Annotated[
    Annotated[Identifier, Tag("reading")]
    | Annotated[Sum, Tag("sum")]
    | Annotated[Mean, Tag("mean")]
    | Annotated[Difference, Tag("difference")]
    | Annotated[Ratio, Tag("ratio")]
    | Annotated[DeviationPercent, Tag("deviation_percent")]
    | Annotated[ImbalancePercent, Tag("imbalance_percent")]
    | Annotated[HeaterResistance, Tag("heater_resistance")]
    | Annotated[WindingResistance, Tag("winding_resistance")]
    | Annotated[PlatinumTemperature, Tag("platinum_temperature")]
    | Annotated[PlatinumError, Tag("platinum_error")]
    | Annotated[ThermistorResistance, Tag("thermistor_resistance")]
    | Annotated[ThermistorTemperature, Tag("thermistor_temperature")]
    | Annotated[SaturationTemperature, Tag("saturation_temperature")]
    | Annotated[InsulationAt40, Tag("insulation_at_40")],
    Discriminator(_figure_kind),
]


def inputs(figure: Figure) -> tuple[str, ...]:
    """The steps whose readings or figures a figure is worked out from, each once, in the order they stand in it."""

    def found(part: object) -> Iterator[str]:
        if isinstance(part, str):
            yield part
        elif isinstance(part, tuple):
            for item in part:
                yield from found(item)
        elif isinstance(part, BaseModel):
            for name, value in part:
                if name not in _WORDS:
                    yield from found(value)

    return tuple(dict.fromkeys(found(figure)))


# Fields of figures that hold a word of the writer's choice and not a step.
_WORDS = frozenset({"conductor", "refrigerant", "side", "pressure_is"})


FigureLimit = Annotated[
    Annotated[AtMost, Tag("at_most")]
    | Annotated[AtLeast, Tag("at_least")]
    | Annotated[Between, Tag("between")]
    | Annotated[Nominal, Tag("nominal")]
    | Annotated[PlatinumClass, Tag("platinum_class")]
    | Annotated[InsulationMinimum, Tag("insulation_minimum")],
    Discriminator(_figure_limit_kind),
]
ByVerdict = (
    Annotated[
        Annotated[Identifier, Tag("always")] | Annotated[dict[Verdict, Identifier], Tag("by outcome")],
        Discriminator(_next_kind),
    ]
    | None
)


class Item(_Part):
    """Something that comes off, as the ledger keeps it.

    ``count`` is how many there are where they are counted ("screws"). ``place`` is where it sits and goes back to, and
    ``orientation`` how it is turned; both are said when somebody asks. ``called`` are other names to ask by.
    """

    item: Text
    count: Annotated[Whole, Field(ge=2, le=200)] | None = None
    place: Text | None = None
    orientation: Text | None = None
    called: tuple[Phrase, ...] = ()


class Piece(_Part):
    """A part of a long instruction, said when the one before is done.

    ``times`` is how often it is done, each counted aloud; ``each`` names what is counted ("screw").
    """

    say: Text
    times: Annotated[Whole, Field(ge=2, le=200)] | None = None
    each: Text | None = None


def _piece(value: Any) -> Any:
    return {"say": value} if isinstance(value, str) else value


class Timer(_Part):
    """A time to wait. ``tell_after`` are the minutes after which it is said how long there is to go."""

    timer: Identifier
    minutes: Annotated[Positive, Field(le=24 * 60)]
    tell_after: tuple[Positive, ...] = ()


class Identity(_Part):
    """How a serial number or the like is printed, so that one that was misheard can be told.

    ``pattern`` has A for a letter, 9 for a digit and X for either, with its dashes ("AA-9999"); without it there are
    ``least`` to ``most`` letters and digits. ``check`` is the system of check characters at its end.
    """

    pattern: Annotated[str, StringConstraints(pattern=r"^[A9X./-]{1,60}$")] | None = None
    least: Annotated[Whole, Field(ge=1, le=40)] = 1
    most: Annotated[Whole, Field(ge=1, le=40)] = 40
    check: Check | None = None

    @property
    def form(self) -> Form:
        return Form(self.pattern, self.least, self.most, self.check)


class Replacement(_Part):
    """A part that is replaced by another; its serial numbers are asked for where ``serial`` says how they are printed.

    ``verified_by`` is the step that shows that the new part works: no finding that the equipment is sound before.
    """

    part: Text
    serial: Identity | None = None
    verified_by: Identifier


def _item(value: Any) -> Any:
    """A name alone is an item of which nothing more is known."""
    return {"item": value} if isinstance(value, str) else value


class _Step(_Part):
    id: Identifier


class _SpokenStep(_Step):
    """What the steps that are read aloud have in common.

    ``hands_inside`` demands every energy source isolated and proved dead. ``isolates``, ``proves_dead``, ``energises``,
    ``takes_off`` and ``puts_back`` take effect when the step is completed (a measure step: when its verdict is
    conforming). What came off last goes back first; ``any_order`` says that here it does not matter.
    ``starts`` are timers that run from when the step is completed; it is not before those in ``waits_for`` are over.
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
    takes_off: tuple[Annotated[Item, BeforeValidator(_item)], ...] = ()
    puts_back: tuple[Text, ...] = ()
    any_order: StrictBool = False
    starts: tuple[Timer, ...] = ()
    waits_for: tuple[Identifier, ...] = ()
    unable: Identifier | None = None

    @property
    def off_here(self) -> tuple[str, ...]:
        """The names of what comes off at this step."""
        return tuple(item.item for item in self.takes_off)


class Do(_SpokenStep):
    """An instruction; done when the technician says so.

    ``pieces`` are said one by one. ``wait`` is a timer that starts with the step, which is not done before it is over.
    """

    kind: Literal["do"]
    pieces: tuple[Annotated[Piece, BeforeValidator(_piece)], ...] = ()
    wait: Timer | None = None
    replaces: Replacement | None = None
    next: Identifier | None = None


class Measure(_SpokenStep):
    """A reading, spoken by the technician and judged against a limit.

    ``reading`` names what is read ("overload"). Without ``limit`` the reading is recorded and not judged.
    ``over_range`` is the verdict for a display of OL; by default what the limit makes of it.
    ``nameplate`` marks what is read from a plate and not from a meter, and so is exact.
    A verdict missing from ``next`` goes to the following step, except undecided, which measures again.
    Outside ``plausible`` (step's unit, as the meter shows it) a reading is queried once. ``needs_rating`` is the least
    rating of a meter that may be used. ``decision_rule`` and ``guard_ratio`` override those of the procedure.
    ``minus_leads`` names the step with ``lead_zero`` whose reading is taken off before judging. ``binding_limit`` says
    that nobody may override the limit; where the step proves a source dead, nobody may in any case.
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
    nameplate: StrictBool = False
    binding_limit: StrictBool = False
    next: ByVerdict = None

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


class Calculate(_Step):
    """Silent: works a figure out from earlier readings, says it, and judges it.

    ``figure`` names it ("total less start and run"). ``unit`` is what it is said in and what ``limit`` counts in;
    a ratio has none and a percentage needs none. Without ``limit`` it is recorded and not judged. A figure that cannot
    be worked out is undecided; undecided leads to the input that stands last in the procedure, to measure it again.
    """

    kind: Literal["calculate"]
    figure: Text
    calculate: Figure
    unit: str | None = None
    limit: FigureLimit | None = None
    next: ByVerdict = None


class Series(_Part):
    """What is read at each time of a watch, and what must become of it: at most one of the five conditions.

    A change counts from the first reading on, in ``unit``. ``within_minutes`` is the time allowed, by default all of
    the watch. ``stalled_below`` is the change that ``stalled_over_minutes`` must bring at least.
    """

    reading: Text
    quantity: Quantity
    unit: str | None = None
    waveform: Waveform | None = None
    falls_by: Positive | None = None
    rises_by: Positive | None = None
    falls_to: Finite | None = None
    rises_to: Finite | None = None
    ratio: Limit | None = None  # the reading at the last of at_minutes over that at the first
    within_minutes: Positive | None = None
    plausible: tuple[Finite, Finite] | None = None
    stalled_below: Positive | None = None
    stalled_over_minutes: Positive | None = None

    @property
    def expectation(self) -> Expectation:
        """What a reading of this series must be."""
        return Expectation(self.quantity, self.unit, self.waveform)

    @property
    def conditions(self) -> tuple[str, ...]:
        """The keys of what must become of it."""
        return tuple(key for key in CONDITIONS if getattr(self, key) is not None)

    @property
    def goals(self) -> Mapping[str, AtMost | AtLeast]:
        """What a reading must come to, by key, as the limit that it then meets."""
        below = {} if self.falls_to is None else {"falls_to": AtMost(at_most=self.falls_to)}
        above = {} if self.rises_to is None else {"rises_to": AtLeast(at_least=self.rises_to)}
        return {**below, **above}


CONDITIONS = ("falls_by", "rises_by", "falls_to", "rises_to", "ratio")


class Watch(_SpokenStep):
    """Readings over time: the tool asks for each when it is due and says where they are going.

    Either ``every_minutes`` until ``for_minutes`` are over, from the moment the step is entered, or ``at_minutes``.
    ``before`` names two series: the first must be where it is to be before the second is. Conforming once everything
    that must happen has; nonconforming as soon as something cannot any more.
    """

    kind: Literal["watch"]
    series: Annotated[tuple[Series, ...], Field(min_length=1, max_length=6)]
    every_minutes: Positive | None = None
    for_minutes: Positive | None = None
    at_minutes: tuple[Positive, ...] = ()
    before: tuple[Text, Text] | None = None
    needs_rating: Rating | None = None
    next: ByVerdict = None

    def asks(self, place: int) -> Measure:
        """One reading of a series, as the measure step that it is apart from being one of several."""
        series = self.series[place]
        return Measure.model_construct(
            id=self.id,
            kind="measure",
            say=self.say,
            reading=series.reading,
            quantity=series.quantity,
            unit=series.unit,
            waveform=series.waveform,
            plausible=series.plausible,
            needs_rating=self.needs_rating,
        )

    @property
    def times(self) -> tuple[float, ...]:
        """When readings are due, in seconds from the step's start."""
        if self.every_minutes is None or self.for_minutes is None:
            return tuple(float(minutes * 60) for minutes in self.at_minutes)
        count = int(self.for_minutes / self.every_minutes)
        return tuple(float(self.every_minutes * 60 * number) for number in range(count + 1))


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


Step = Annotated[Do | Measure | Observe | Watch | Calculate | Choose | Conclude, Field(discriminator="kind")]
SpokenStep = Do | Measure | Observe | Watch


# What a visit is known by; whose form a procedure does not give is taken as it is written.
OpeningField = Literal["work_order", "asset", "serial", "site", "technician"]
OPENING: Mapping[OpeningField, str] = {  # in the order in which they are asked for, with what they are called
    "work_order": "work order",
    "asset": "asset number",
    "serial": "serial number",
    "site": "site",
    "technician": "technician",
}


class Procedure(_Part):
    """One procedure: what it is for, what can hurt, and its steps in the order they are usually taken.

    ``opening`` is what is asked for at the start of a visit. ``decision_rule`` says who carries the doubt where a
    meter's uncertainty is known; ``guard_ratio`` is r in the guard band r * U, with U for k = 2.
    """

    procedure: Identifier
    title: Text
    edition: Text
    purpose: Text
    equipment: Text
    local_rules: Text  # who may do this work and whose rules come first
    tools: tuple[Text, ...] = ()
    opening: dict[OpeningField, Identity] = {}
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

    @property
    def items(self) -> Mapping[str, Item]:
        """Everything that ever comes off, by name; what is known of it at the first step that takes it off."""
        taken = [item for step in self.steps if isinstance(step, SpokenStep) for item in step.takes_off]
        return {item.item: item for item in reversed(taken)}

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
        reading is measured again, and so is the last input of an undecided figure.
        """
        step = self.step(id)
        if isinstance(step, Conclude):
            return None
        unsettled = outcome == Verdict.UNDECIDED and isinstance(step, Measure | Watch | Calculate)
        if isinstance(step.next, str):
            # One target for all outcomes still does not let an undecided reading through.
            return self._again(step) if unsettled else step.next
        if isinstance(step.next, dict):
            named = {str(key): value for key, value in step.next.items()}
            if outcome is not None and outcome in named:
                return named[outcome]
        if unsettled:
            return self._again(step)
        if isinstance(step, Choose):
            return None
        return self.after(id)

    def _again(self, step: Step) -> str | None:
        """Where an undecided step is decided anew: at itself, or at the last reading that a figure is made from."""
        if isinstance(step, Calculate):
            used = self.readings_of(step)
            return next((other.id for other in reversed(self.steps) if other.id in used), None)
        return step.id

    def readings_of(self, step: Calculate) -> frozenset[str]:
        """The measure steps that a figure is worked out from, through other figures too."""
        found: set[str] = set()
        waiting, seen = list(inputs(step.calculate)), {step.id}
        while waiting:
            name = waiting.pop()
            if name in seen:
                continue
            seen.add(name)
            used = self.step(name)
            if isinstance(used, Calculate):
                waiting += inputs(used.calculate)
            else:
                found.add(name)
        return frozenset(found)
