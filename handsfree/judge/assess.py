"""A reading at its step: what the meter, the leads and the decision rule make of it.

The one rule: what was spoken is kept as it was; the leads come off a copy, and the uncertainty stands beside it.
Without a meter's data the verdict is plain and claims nothing about the meter.

A display that shows only a bound ("greater than 500") is good to what the meter promises at that value, so its guard
band is that of the bound; the probability of conformity is not known, because what lies beyond the bound is not. A
display of OL has no figure: its verdict is the plain one, whatever the meter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_UP, Context, Decimal

from handsfree.judge.decision import Decision, decide
from handsfree.judge.hearings import Doubt, Hearing, doubt, hearings, within
from handsfree.judge.meter import Meter, OnMeter, measures, on_meter, uncertain_reading
from handsfree.judge.uncertain import COVERAGE, JudgingError, Uncertain, exact, with_source
from handsfree.judge.verdict import Judgement, in_unit, judge, last_digit, say_limit
from handsfree.judge.zero import correct, lead_zero
from handsfree.procedure.model import DecisionRule, Measure, Verdict, bounds
from handsfree.spoken.meaning import Kind, Quantity, Reading
from handsfree.spoken.readback import say_reading, say_value
from handsfree.spoken.units import NEVER_NEGATIVE

_FAR = Decimal("Infinity")
_TWO_FIGURES = Context(prec=2, rounding=ROUND_UP)  # an uncertainty is never said to be smaller than it is


@dataclass(frozen=True, slots=True)
class Zero:
    """The reading of the shorted leads that is taken off, its name on record, and the meter that showed it."""

    id: str
    reading: Reading
    meter: Meter | None


@dataclass(frozen=True, slots=True)
class Means:
    """By what a reading is judged: a decision rule with its guard ratio, a meter, and what the shorted leads read.

    ``meter`` is None where its data are not known, ``zero`` where no leads are taken off.
    """

    rule: DecisionRule
    ratio: Decimal
    meter: Meter | None = None
    zero: Zero | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """A reading judged, with all that stands behind the verdict.

    ``value`` is in the step's unit, the leads off it where ``leads`` (what they read, in that unit) is given; it is
    without parts where no meter is known, and None over range. ``shown`` is where the meter's data place it.
    ``decision`` is None where nothing is decided by it: no meter, no limit, over range. ``probability`` is false where
    its probability of conformity means nothing.
    """

    reading: Reading
    unit: str | None
    judgement: Judgement
    meter: Meter | None = None
    shown: OnMeter | None = None
    value: Uncertain | None = None
    leads: Decimal | None = None
    zero: Zero | None = None
    decision: Decision | None = None
    ratio: Decimal | None = None
    probability: bool = True

    @property
    def too_coarse(self) -> bool:
        """True where no reading of this meter could be called conforming."""
        return self.decision is not None and self.decision.accepted[0] > self.decision.accepted[1]

    @property
    def expanded(self) -> str | None:
        """The expanded uncertainty (k = 2) in the step's unit to two figures; None where none is known."""
        if self.meter is None or self.value is None:
            return None
        return format(_TWO_FIGURES.create_decimal(repr(self.value.expanded)), "f")

    def words(self) -> str:
        """The reading as it is said back: "five point two ohms", "... , four point nine without the leads"."""
        words = say_reading(self.reading)
        if self.leads is not None and self.value is not None:
            words += f", {say_value(format(self.value.value, 'f'), self.unit)} without the leads"
        return words

    def doubt(self) -> str:
        """Why it is undecided, in a technician's words."""
        if self.expanded is None:
            return self.judgement.reason
        return f"{self.judgement.reason}, plus or minus {say_value(self.expanded, self.unit)}"

    def data(self) -> dict[str, object]:
        """What the record holds of it beside the reading and its verdict; nothing where no meter and no leads are."""
        data: dict[str, object] = {}
        if self.meter is not None:
            data["meter"] = self.meter.meter
        if self.shown is not None:
            range_ = self.shown.range
            data["range"] = {
                "up_to": format(range_.up_to, "f"),
                "resolution": format(range_.resolution, "f"),
                "percent": format(range_.percent, "f"),
                "counts": format(range_.counts, "f"),
                "unit": self.shown.unit,
            }
            data["uncertainty"] = {"expanded": self.expanded, "k": COVERAGE, "unit": self.unit}
        if self.zero is not None and self.leads is not None and self.value is not None:
            corrected = format(self.value.value, "f")
            data["leads"] = {
                "zero": self.zero.id,
                "taken_off": format(self.leads, "f"),
                "corrected": corrected,
                "unit": self.unit,
            }
        if self.decision is not None:
            decision = self.decision
            # As text of four figures: the last bits of a float differ from machine to machine.
            data["decision"] = {
                "rule": str(decision.rule),
                "guard_ratio": None if self.ratio is None else format(self.ratio, "f"),
                "guard": f"{decision.guard:.4g}",
                "conformity": f"{decision.conformity:.4g}" if self.probability else None,
                "risk": f"{decision.risk:.4g}" if decision.risk is not None and self.probability else None,
            }
        return data


def assess(reading: Reading, step: Measure, means: Means) -> Assessment:
    """Judges a reading at a step. A meter that is no instrument for this quantity is left out of it.

    Raises JudgingError where the meter cannot have shown this, where shorted leads are worn or show no value, where
    less was read than the leads alone have, and where a nameplate would state nothing or less.
    """
    if step.nameplate and step.quantity is not Quantity.TEMPERATURE and Decimal(reading.value or 1) <= 0:
        raise JudgingError("a nameplate states more than zero: read the plate again")
    if step.lead_zero is not None and reading.kind is not Kind.READING:
        raise JudgingError("shorted leads read a value: look at the leads and the range, and short them again")
    meter, zero = means.meter, means.zero
    if meter is not None and not measures(meter, step.quantity, step.waveform):
        meter = None
    if reading.value is None:
        return Assessment(reading, step.unit, judge(reading, step), meter, zero=zero)
    shown, value, leads = None, exact(in_unit(reading, step.unit)), None
    if meter is not None:
        asked = _asked(reading, step)
        shown = on_meter(asked, meter)
        value = uncertain_reading(asked, meter, step.unit or "", step.id)
    if step.lead_zero is not None:
        lead_zero(value, step.lead_zero.worn_above)
    if zero is not None:
        value, leads = _without_leads(reading, value, zero, meter, step)
    plain = replace(reading, value=format(value.value, "f"), unit=step.unit)
    judgement, decision, probability = judge(plain, step), None, True
    if step.limit is not None:
        words = say_limit(step.limit, step.unit if reading.unit != step.unit or zero is not None else None)
        judgement = replace(judgement, limit=words)
        if meter is not None:
            decision = decide(value, bounds(step.limit), means.rule, means.ratio)
            probability = reading.kind is Kind.READING
            verdict = decision.verdict if probability else _of_bound(reading.kind, decision, value.value, step)
            reason = decision.reason if probability or verdict is not Verdict.UNDECIDED else judgement.reason
            judgement = Judgement(verdict, words, reason or (_BEYOND if verdict is Verdict.UNDECIDED else ""))
    ratio = None if decision is None else means.ratio
    return Assessment(reading, step.unit, judgement, meter, shown, value, leads, zero, decision, ratio, probability)


_BEYOND = "the bound is nearer to the limit than the meter can tell"


def _asked(reading: Reading, step: Measure) -> Reading:
    """The value of a reading or a bound, of the waveform that the step asks for."""
    return replace(reading, kind=Kind.READING, waveform=reading.waveform or step.waveform)


def _without_leads(
    reading: Reading, raw: Uncertain, zero: Zero, meter: Meter | None, step: Measure
) -> tuple[Uncertain, Decimal]:
    """The reading without the leads, and what they read."""
    off = in_unit(zero.reading, step.unit)
    if meter is not None and zero.meter is not None:
        leads = uncertain_reading(zero.reading, zero.meter, step.unit or "", zero.id)
        return correct(raw, leads).corrected, off
    # What the meter can tell is not known: a digit on either side is let through as below zero, and claims nothing.
    correct(
        with_source(raw.value, _digit(reading, step.unit), "reading"),
        with_source(off, _digit(zero.reading, step.unit), "leads"),
    )
    return raw - off, off


def _digit(reading: Reading, unit: str | None) -> float:
    return float(in_unit(replace(reading, value=format(last_digit(reading), "f")), unit))


def _of_bound(kind: Kind, decision: Decision, value: Decimal, step: Measure) -> Verdict:
    """As for a bound without uncertainty, with the guard band at the bound."""
    assert step.limit is not None
    low, high = bounds(step.limit)
    least = Decimal(0) if step.quantity in NEVER_NEGATIVE else -_FAR
    if kind is Kind.ABOVE:
        inside, outside = value >= decision.accepted[0] and high == _FAR, value >= decision.not_rejected[1]
    else:
        inside, outside = value <= decision.accepted[1] and low <= least, value <= decision.not_rejected[0]
    if inside:
        return Verdict.CONFORMING
    return Verdict.NONCONFORMING if outside else Verdict.UNDECIDED


def plausible(reading: Reading, step: Measure) -> bool:
    """True where a reading lies in the step's plausible range, or the step has none."""
    return step.plausible is None or within(reading, step.plausible, step.unit)


_WORST_FIRST = (Verdict.NONCONFORMING, Verdict.UNDECIDED, Verdict.CONFORMING)


def doubt_about(
    words: Sequence[str],
    reading: Reading,
    step: Measure,
    means: Means,
    likely: Sequence[Sequence[str]] = (),
    unlikely: Sequence[Sequence[str]] = (),
    worked: Callable[[Reading], Verdict | None] = lambda _: None,
) -> Doubt:
    """Whether ``words``, understood as ``reading``, may have been something that would be judged otherwise.

    ``likely`` and ``unlikely`` are the recogniser's own alternatives. ``worked`` is the verdict on figures that are
    worked out from a reading; the worse of it and the reading's own counts. What the meter cannot show was not said.
    Raises JudgingError as ``assess`` does of the reading itself.
    """

    def verdict(of: Reading) -> Verdict | None:
        found = {assess(of, step, means).judgement.verdict, worked(of)}
        return next((each for each in _WORST_FIRST if each in found), None)

    def can_be(other: Hearing) -> bool:
        try:
            verdict(other.reading)
        except JudgingError:
            return False
        return True

    others = [other for other in hearings(words, reading, step.expectation, likely, unlikely) if can_be(other)]
    return doubt(reading, others, verdict, lambda of: plausible(of, step))
