"""Whether what a procedure says makes sense before anyone walks through it: names, units, limits, phrases.

The one rule: each check looks at what is written in one step and at the names of the others. Whatever depends on the
way through the steps is ``proof``'s.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from handsfree.procedure.document import Document, PathInFile, Problem, shown
from handsfree.procedure.model import (
    AtMost,
    Between,
    Choose,
    Conclude,
    DecisionRule,
    Do,
    Measure,
    Nominal,
    Observe,
    SpokenStep,
    Step,
    Verdict,
)
from handsfree.spoken.meaning import Quantity, Word
from handsfree.spoken.units import DEFAULT_UNIT, NEVER_NEGATIVE, WITH_WAVEFORM, quantity_of, spellings
from handsfree.spoken.words import PHRASES

if TYPE_CHECKING:
    from pint import UnitRegistry

# These take words of the speaker's own after them, so no answer may open with them.
_TAKES_MORE = (*PHRASES[Word.UNABLE], *PHRASES[Word.CORRECTION])

_CLAIMS = ("isolates", "proves_dead", "energises", "needs_isolated", "needs_live")
_EFFECTS = ("isolates", "proves_dead", "energises", "takes_off", "puts_back")


@dataclass(frozen=True, slots=True)
class Draft:
    """What could be read of a procedure, faults elsewhere in the file notwithstanding.

    ``steps`` are the steps that hold together, by their number in the file; ``ids`` are all that were written.
    """

    steps: Mapping[int, Step]
    ids: tuple[tuple[int, str], ...]
    sources: tuple[str, ...]

    def step(self, id: str) -> Step | None:
        """The step with this id, None where it is missing or has faults of its own."""
        return next((step for step in self.steps.values() if step.id == id), None)


def problems_of(draft: Draft, document: Document, reserved: Iterable[str]) -> Iterator[Problem]:
    """All that does not make sense; ``reserved`` are the phrases that no answer may use."""
    taken = frozenset(reserved)
    yield from _repeated_ids(draft, document)
    yield from _guard_band(document, (), document.data)
    for index, step in draft.steps.items():
        at: PathInFile = ("steps", index)
        yield from _names(draft, document, at, step)
        if isinstance(step, Do | Measure | Observe):
            yield from _effects(document, at, step)
        if isinstance(step, Measure):
            yield from _unit(document, at, step)
            yield from _limit(document, at, step)
            yield from _meter(document, at, step)
            yield from _leads(draft, document, at, step)
        if isinstance(step, Observe):
            yield from _phrases(document, at, step, taken)
        if isinstance(step, Conclude) and step.condition == "faulty" and step.part is None:
            message = f'the step "{step.id}" concludes "faulty" and names no part'
            yield document.problem((*at, "condition"), message, 'add "part: the part that is bad"')


def _repeated_ids(draft: Draft, document: Document) -> Iterator[Problem]:
    first: dict[str, int] = {}
    for index, name in draft.ids:
        if name in first:
            line, column = document.place(("steps", first[name], "id"))
            message = f"the id {shown(name)} belongs already to the step at {line}:{column}"
            yield document.problem(("steps", index, "id"), message, "give each step an id of its own")
        first.setdefault(name, index)


def _names(draft: Draft, document: Document, at: PathInFile, step: Step) -> Iterator[Problem]:
    """Steps, sources and outcomes that a step speaks of."""
    ids = tuple(name for _, name in draft.ids)

    def target(path: PathInFile, id: str) -> Iterator[Problem]:
        if id not in ids:
            yield document.problem(path, f"there is no step {shown(id)}", _did_you_mean(id, ids, "steps"))

    if isinstance(step, Do | Measure | Observe):
        if step.unable is not None:
            yield from target((*at, "unable"), step.unable)
        for claim in _CLAIMS:
            for number, source in enumerate(getattr(step, claim)):
                if source not in draft.sources:
                    remedy = _did_you_mean(source, draft.sources, "sources")
                    yield document.problem((*at, claim, number), f"there is no source {shown(source)}", remedy)
    if isinstance(step, Choose):
        yield from target((*at, "by"), step.by)
    if isinstance(step, Conclude) or step.next is None:
        return
    if isinstance(step.next, str):
        yield from target((*at, "next"), step.next)
        return
    asked = draft.step(step.by) if isinstance(step, Choose) else step
    outcomes = () if asked is None else outcomes_of(asked)
    for outcome, following in step.next.items():
        path = (*at, "next", str(outcome))
        yield from target(path, following)
        if asked is not None and outcomes and outcome not in outcomes:
            message = f'{shown(outcome)} is no outcome of the step "{asked.id}"'
            yield document.problem(path, message, _did_you_mean(outcome, outcomes, "outcomes"), key=True)
    if asked is not None and not outcomes:
        message = f'the step "{asked.id}" has no verdict and no answer'
        if isinstance(step, Choose):
            remedy = "name an observe step, or a measure step that has a limit"
            yield document.problem((*at, "by"), message, remedy)
        else:
            yield document.problem((*at, "next"), message, "add a limit, or write one step: next: step-id")


def outcomes_of(step: Step) -> tuple[str, ...]:
    """The verdicts or answers that a step can end with; a reading without a limit is recorded and has none."""
    if isinstance(step, Observe):
        return tuple(step.answers)
    return tuple(Verdict) if isinstance(step, Measure) and step.limit is not None else ()


def _did_you_mean(given: str, names: Iterable[str], what: str) -> str:
    known = list(dict.fromkeys(map(str, names)))
    near = difflib.get_close_matches(given, known, 1)
    if near:
        return f'did you mean "{near[0]}"?'
    if not known:
        return f"there are no {what}; add it or remove this"
    listed = ", ".join(known[:12]) + (", …" if len(known) > 12 else "")
    return f"the {what} are {listed}"


def _effects(document: Document, at: PathInFile, step: SpokenStep) -> Iterator[Problem]:
    """Effects that would be believed without having happened."""
    for effect in _EFFECTS:
        if not getattr(step, effect):
            continue
        if isinstance(step, Observe) and effect in ("isolates", "proves_dead", "puts_back"):
            message = f'an observe step is complete with any answer, so it cannot have "{effect}"'
            yield document.problem(
                (*at, effect), message, "move it to a do or measure step that an answer leads to", key=True
            )
        if isinstance(step, Measure) and effect in ("energises", "takes_off"):
            message = f'"{effect}" would be forgotten where this reading does not conform'
            yield document.problem((*at, effect), message, "move it to a do step before the measurement", key=True)
        elif isinstance(step, Measure) and step.limit is None:
            message = f'"{effect}" waits for a conforming reading, and this step has no limit'
            yield document.problem((*at, effect), message, "add a limit, such as limit: {at_most: 1}", key=True)


@cache
def _registry() -> UnitRegistry[float]:
    from pint import UnitRegistry  # takes half a second, so only where a unit is wrong

    return UnitRegistry()


def _pint_name(text: str) -> str | None:
    """Pint's own name for a unit however written (degC, kohm), None where it knows none."""
    if not re.fullmatch(r"[A-Za-z_]+( ?\* ?[A-Za-z_]+)?", text):
        return None  # pint would evaluate an expression; a unit is a name
    try:
        return str(_registry().Unit(text))
    except Exception:  # pint raises errors of many kinds, its tokenizer's among them
        return None


def _unit(document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    quantity, unit = step.quantity, step.unit
    if step.waveform is not None and quantity not in WITH_WAVEFORM:
        message = f"{quantity} has no waveform"
        yield document.problem((*at, "waveform"), message, "remove it; it is for voltage and current", key=True)
    if quantity is Quantity.COUNT:
        if unit is not None:
            yield document.problem((*at, "unit"), "a count has no unit", "remove the unit", key=True)
        return
    if unit is None:
        message = f'the step "{step.id}" has no unit'
        yield document.problem((*at, "quantity"), message, f'add "unit: {DEFAULT_UNIT[quantity]}"')
        return
    measured = quantity_of(unit)
    if measured is quantity:
        return
    units = sorted({named.name for said in spellings().values() for named in said if named.quantity is quantity})
    if measured is not None:
        message = f"{shown(unit)} measures {measured}, not {quantity}"
        yield document.problem((*at, "unit"), message, f"write one of {', '.join(units)}")
        return
    proper = _pint_name(unit)
    said = [named.name for named in spellings().get(unit.lower(), ()) if named.quantity is quantity]
    near = [proper] if proper in units else said or difflib.get_close_matches(unit.lower(), units, 1)
    remedy = f'write "{near[0]}"' if near else f"write one of {', '.join(units)}"
    yield document.problem((*at, "unit"), f"{shown(unit)} is no name of a unit of {quantity}", remedy)


def _limit(document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    limit = step.limit
    if limit is None and step.over_range is not None:
        message = "a reading without a limit is not judged, over range or not"
        yield document.problem((*at, "over_range"), message, "add a limit, or remove this", key=True)
    at = (*at, "limit")
    if isinstance(limit, Between) and limit.between[0] >= limit.between[1]:
        low, high = sorted(limit.between)
        remedy = f"write [{low}, {high}]" if low != high else "write two numbers with room between them"
        yield document.problem((*at, "between"), "the lower value is not below the upper", remedy)
    if isinstance(limit, Nominal):
        percent = limit.plus_minus_percent
        if (limit.plus_minus is None) == (percent is None):
            message = "nominal needs one of plus_minus and plus_minus_percent"
            yield document.problem(
                (*at, "nominal"),
                message,
                f"write plus_minus: a number in {step.unit}, or plus_minus_percent: 6",
                key=True,
            )
        if percent is not None and limit.nominal == 0:
            yield document.problem((*at, "nominal"), "a percentage of zero is nothing", "write plus_minus instead")
        if percent is not None and percent >= 100:
            yield document.problem((*at, "plus_minus_percent"), f"{percent} percent allows zero", "write less than 100")
    match limit:
        case AtMost(at_most=upper) | Between(between=(_, upper)) if upper < 0 and step.quantity in NEVER_NEGATIVE:
            message = f"{step.quantity} is never below zero, so no reading conforms"
            yield document.problem(at, message, "write a limit above zero")


def _guard_band(document: Document, at: PathInFile, written: Mapping[str, object]) -> Iterator[Problem]:
    if "guard_ratio" in written and written.get("decision_rule") == DecisionRule.SIMPLE_ACCEPTANCE:
        message = "simple acceptance has no guard band"
        remedy = f"remove it, or write decision_rule: {DecisionRule.ISO_14253_1}"
        yield document.problem((*at, "guard_ratio"), message, remedy, key=True)


def _meter(document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    """What is asked of the meter's reading before it is judged, and of the judging."""
    if step.plausible is not None and step.plausible[0] >= step.plausible[1]:
        low, high = sorted(step.plausible)
        remedy = f"write [{low}, {high}]" if low != high else "write two numbers with room between them"
        yield document.problem((*at, "plausible"), "the lower value is not below the upper", remedy)
    elif step.plausible is not None and step.plausible[1] < 0 and step.quantity in NEVER_NEGATIVE:
        message = f"{step.quantity} is never below zero, so no reading is plausible"
        yield document.problem((*at, "plausible"), message, "write a range above zero")
    for key in ("decision_rule", "guard_ratio"):
        if getattr(step, key) is not None and step.limit is None:
            message = "a reading without a limit is not judged"
            yield document.problem((*at, key), message, "add a limit, or remove this", key=True)
    written = {"decision_rule": step.decision_rule}
    yield from _guard_band(document, at, written | ({} if step.guard_ratio is None else {"guard_ratio": 1}))


def _leads(draft: Draft, document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    """The step that measures the shorted leads, and those that take its reading off."""
    for key in ("lead_zero", "minus_leads"):
        if getattr(step, key) is not None and (step.quantity, step.unit) != (Quantity.RESISTANCE, "ohm"):
            message = f'"{key}" is for a resistance in ohms'
            remedy = "write quantity: resistance and unit: ohm, or remove this"
            yield document.problem((*at, key), message, remedy, key=True)
    if step.lead_zero is not None:
        for key in ("limit", "minus_leads"):
            if getattr(step, key) is not None:
                message = f'the shorted leads have no "{key}"'
                yield document.problem((*at, key), message, "remove it; worn_above is their limit", key=True)
    if step.minus_leads is None:
        return
    ids = tuple(name for _, name in draft.ids)
    measured = draft.step(step.minus_leads)
    zeros = [other.id for other in draft.steps.values() if isinstance(other, Measure) and other.lead_zero is not None]
    if step.minus_leads not in ids or (measured is not None and measured.id not in zeros):
        message = f"there is no step {shown(step.minus_leads)} that measures the shorted leads"
        remedy = f"write one of {', '.join(zeros)}" if zeros else "add a measure step with lead_zero: {worn_above: 1}"
        yield document.problem((*at, "minus_leads"), message, remedy)


def _phrases(document: Document, at: PathInFile, step: Observe, reserved: frozenset[str]) -> Iterator[Problem]:
    first: dict[str, tuple[str, PathInFile]] = {}
    for key, phrases in step.answers.items():
        for number, phrase in enumerate(phrases):
            path = (*at, "answers", key, number)
            said = " ".join(phrase.split())
            if said in reserved or said.startswith(tuple(f"{word} " for word in _TAKES_MORE)):
                message = f"{shown(said)} is a procedure word"
                yield document.problem(path, message, "choose words that say what is seen, heard or felt")
            elif said in first and first[said][0] != key:
                line, column = document.place(first[said][1])
                message = f'{shown(said)} means the answer "{first[said][0]}" already, at {line}:{column}'
                yield document.problem(path, message, "give each answer phrases of its own")
            first.setdefault(said, (key, path))
