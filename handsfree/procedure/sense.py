"""Whether what a procedure says makes sense before anyone walks through it: names, units, limits, phrases.

The one rule: each check looks at what is written in one step and at the names of the others. Whatever depends on the
way through the steps is ``proof``'s.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import pairwise

from pydantic import ValidationError

from handsfree.procedure.dead import is_voltage
from handsfree.procedure.document import Document, PathInFile, Problem, shown
from handsfree.procedure.model import (
    Between,
    Calculate,
    Choose,
    Conclude,
    DecisionRule,
    DeviationPercent,
    Difference,
    Do,
    Figure,
    Identity,
    ImbalancePercent,
    InsulationAt40,
    InsulationMinimum,
    Mean,
    Measure,
    Nominal,
    Observe,
    PlatinumClass,
    PlatinumError,
    Ratio,
    Replacement,
    Series,
    SpokenStep,
    Step,
    Sum,
    Timer,
    Verdict,
    Watch,
)
from handsfree.procedure.ranges import least_figure, least_of, never_met, never_negative, registry, settled
from handsfree.spoken.checkdigits import Check, takes
from handsfree.spoken.meaning import Quantity, Reading, Word
from handsfree.spoken.reading import parse
from handsfree.spoken.units import DEFAULT_UNIT, WITH_WAVEFORM, quantity_of, spellings
from handsfree.spoken.words import PHRASES, REASONS_AFTER

_PARTS = ("half", "quarter", "three quarters")  # of a sight glass, say; no reading is open where something is observed
# These take words of the speaker's own after them, so no answer may open with them.
_TAKES_MORE = (
    *(phrase for word in (*REASONS_AFTER, Word.CORRECTION, Word.TIMER, Word.HOW_MANY) for phrase in PHRASES[word]),
    *("where does", "where do"),
)

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
    electrical: frozenset[str]  # of these

    def step(self, id: str) -> Step | None:
        """The step with this id, None where it is missing or has faults of its own."""
        return next((step for step in self.steps.values() if step.id == id), None)


def problems_of(draft: Draft, document: Document, reserved: Iterable[str]) -> Iterator[Problem]:
    """All that does not make sense; ``reserved`` are the phrases that no answer may use."""
    taken = frozenset(reserved)
    yield from _repeated_ids(draft, document)
    yield from _guard_band(document, (), document.data)
    yield from _opening(document)
    yield from _texts(document)
    yield from _timers(draft, document)
    for index, step in draft.steps.items():
        at: PathInFile = ("steps", index)
        yield from _names(draft, document, at, step)
        if isinstance(step, SpokenStep):
            yield from _effects(document, at, step)
            yield from _energy(draft, document, at, step)
            yield from _items(document, at, step)
        if isinstance(step, Do) and step.replaces is not None:
            yield from _replaces(draft, document, at, step.replaces)
        if isinstance(step, Measure):
            yield from _unit(document, at, f'the step "{step.id}"', step)
            yield from _limit(document, at, step)
            yield from _meter(document, at, step)
            yield from _leads(draft, document, at, step)
            yield from _binding(draft, document, at, step)
        if isinstance(step, Watch):
            yield from _watch(document, at, step)
        if isinstance(step, Calculate):
            yield from _calculate(draft, document, at, step)
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


# Keys of texts that are spoken or shown as they are written, in the words of the writer.
_FREE = frozenset(
    {
        *("title", "equipment", "edition", "local_rules", "tools", "purpose", "name"),
        *("say", "text", "reading", "figure", "finding", "part", "action"),
        *("item", "place", "orientation", "called", "each", "pieces", "takes_off"),
        *("puts_back", "answers", "before"),
    }
)
_SILENT = frozenset({"purpose"})  # only written
_MICRO = frozenset("\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}")  # which stand before other signs


def _texts(document: Document) -> Iterator[Problem]:
    """Texts of the writer's own words that a comment cuts off, or that no English voice can say."""
    for path, text in _free(document.data, ()):
        if path in document.cut:
            line, column = document.cut[path]
            message = f'the text {shown(text)} ends before "#": a comment begins there'
            remedy = "put the text in quotes, or the comment on a line of its own"
            yield Problem(document.name, line, column, message, remedy)
        odd = None if _key_of(path) in _SILENT else unsayable(text)
        if odd is not None:
            name = unicodedata.name(odd, "a letter").lower()
            message = f'no English voice can say "{odd}" ({name}) in {shown(text)}'
            yield document.problem(path, message, "write it in Latin letters")


def _key_of(path: PathInFile) -> str:
    return next((part for part in reversed(path) if isinstance(part, str)), "")


def _free(value: object, path: PathInFile) -> Iterator[tuple[PathInFile, str]]:
    """The texts of the writer's own words, with their paths."""
    if isinstance(value, str):
        if _key_of(path) in _FREE or "answers" in path[2:-1]:
            yield path, value
        return
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield from _free(inner, (*path, key))


def unsayable(text: str) -> str | None:
    """The first letter or digit of another script than Latin, None where there is none.

    A Greek letter by itself is a sign that a voice knows ("Ω", "Δ"); two of them are a word.
    """
    for place, character in enumerate(text):
        for plain in unicodedata.normalize("NFKC", character):
            kind, name = unicodedata.category(plain), unicodedata.name(plain, "")
            said = plain.isascii() or name.startswith("LATIN ") or character in _MICRO
            if said or kind not in ("Lu", "Ll", "Lt", "Lo", "Nd"):
                continue
            beside = {*text[max(place - 1, 0) : place], *text[place + 1 : place + 2]} - _MICRO
            if not name.startswith("GREEK ") or any(unicodedata.name(one, "").startswith("GREEK ") for one in beside):
                return character
    return None


def _names(draft: Draft, document: Document, at: PathInFile, step: Step) -> Iterator[Problem]:
    """Steps, sources and outcomes that a step speaks of."""
    ids = tuple(name for _, name in draft.ids)

    def target(path: PathInFile, id: str) -> Iterator[Problem]:
        if id not in ids:
            yield document.problem(path, f"there is no step {shown(id)}", _did_you_mean(id, ids, "steps"))

    if isinstance(step, SpokenStep):
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
            remedy = "name an observe step, or another that has a limit"
            yield document.problem((*at, "by"), message, remedy)
        else:
            yield document.problem((*at, "next"), message, "add a limit, or write one step: next: step-id")


def outcomes_of(step: Step) -> tuple[str, ...]:
    """The verdicts or answers that a step can end with; a reading without a limit is recorded and has none."""
    if isinstance(step, Observe):
        return tuple(step.answers)
    if isinstance(step, Watch):
        return tuple(Verdict) if any(series.conditions for series in step.series) else ()
    return tuple(Verdict) if isinstance(step, Measure | Calculate) and step.limit is not None else ()


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
        if isinstance(step, Measure | Watch) and effect in ("energises", "takes_off"):
            message = f'"{effect}" would be forgotten where this reading does not conform'
            yield document.problem((*at, effect), message, "move it to a do step before the measurement", key=True)
        elif isinstance(step, Measure | Watch) and not outcomes_of(step):
            message = f'"{effect}" waits for a conforming reading, and this step has no limit'
            remedy = "add a limit, such as limit: {at_most: 1}"
            if isinstance(step, Watch):
                remedy = "say in a series what must become of it, such as falls_to: 4"
            yield document.problem((*at, effect), message, remedy, key=True)


def _energy(draft: Draft, document: Document, at: PathInFile, step: SpokenStep) -> Iterator[Problem]:
    """Dead that nobody measured, and hands that are inside when the power comes."""
    for number, source in enumerate(step.proves_dead):
        if source in draft.electrical and not is_voltage(step) and not isinstance(step, Observe):
            message = f"{shown(source)} is electrical, and this step measures no voltage that could prove it dead"
            remedy = "move it to the measure step of the voltage, or to the one after it that proves the tester again"
            yield document.problem((*at, "proves_dead", number), message, remedy)
    if step.hands_inside and step.energises:
        message = f"hands are inside while {', '.join(map(shown, step.energises))} comes on"
        remedy = "take the hands out: remove it, or energise in a step of its own"
        yield document.problem((*at, "hands_inside"), message, remedy, key=True)


def _timers(draft: Draft, document: Document) -> Iterator[Problem]:
    """Timers that speak after they are over, end each other, or are waited for and started nowhere."""
    spoken = [(("steps", index), step) for index, step in draft.steps.items() if isinstance(step, SpokenStep)]
    minutes_of: dict[str, Decimal] = {}
    for path, timer in (each for at, step in spoken for each in _timers_of(at, step)):
        other = minutes_of.setdefault(timer.timer, timer.minutes)
        if other != timer.minutes:
            message = f"the timer {shown(timer.timer)} runs {other} minutes elsewhere: one ends the other"
            yield document.problem((*path, "minutes"), message, "give this one a name of its own")
        for number, minutes in enumerate(timer.tell_after):
            if minutes >= timer.minutes:
                message = f"the timer is over after {timer.minutes} minutes, so {minutes} is never told"
                yield document.problem((*path, "tell_after", number), message, f"write less than {timer.minutes}")
    started = [name for name in _started(document) if isinstance(name, str)]
    for at, step in spoken:
        for number, name in enumerate(step.waits_for):
            if name not in started:
                message = f"no step starts a timer {shown(name)}"
                yield document.problem((*at, "waits_for", number), message, _did_you_mean(name, started, "timers"))
        if step.waits_for and not isinstance(step, Do):
            message = "only an instruction can wait for a timer: a reading or an answer would have to be held back"
            yield document.problem((*at, "waits_for"), message, "move it to a do step before this one", key=True)


def _timers_of(at: PathInFile, step: SpokenStep) -> Iterator[tuple[PathInFile, Timer]]:
    """The timers that a step starts, each with its place."""
    for number, timer in enumerate(step.starts):
        yield (*at, "starts", number), timer
    if isinstance(step, Do) and step.wait is not None:
        yield (*at, "wait"), step.wait


def _started(document: Document) -> Iterator[object]:
    """The timers that steps start, as they are written; a fault elsewhere in a step does not stop its timers."""
    for step in document.data.get("steps") or ():
        starts = step.get("starts") if isinstance(step, dict) else None
        for timer in starts if isinstance(starts, list) else ():
            if isinstance(timer, dict):
                yield timer.get("timer")


def _items(document: Document, at: PathInFile, step: SpokenStep) -> Iterator[Problem]:
    """Items that one step takes off twice, or counts that nothing is said of."""
    for number, name in enumerate(step.off_here):
        if name in step.off_here[:number]:
            message = f"{shown(name)} comes off twice at this step"
            yield document.problem((*at, "takes_off", number), message, "name each item once, with its count")
    counts = {item.item: item.count for item in step.takes_off}
    for number, piece in enumerate(step.pieces if isinstance(step, Do) else ()):
        count = counts.get(piece.each or "")
        if count is not None and piece.times is not None and piece.times != count:
            message = f"{piece.times} {piece.each} are counted here, and {count} come off at this step"
            yield document.problem((*at, "pieces", number, "times"), message, "write the same number at both places")


def _replaces(draft: Draft, document: Document, at: PathInFile, part: Replacement) -> Iterator[Problem]:
    path = (*at, "replaces", "verified_by")
    ids = tuple(name for _, name in draft.ids)
    if part.verified_by not in ids:
        yield document.problem(
            path, f"there is no step {shown(part.verified_by)}", _did_you_mean(part.verified_by, ids, "steps")
        )
        return
    step = draft.step(part.verified_by)
    if step is not None and not (isinstance(step, Measure | Watch) and outcomes_of(step)):
        message = f'the step "{step.id}" cannot verify a part: it judges nothing'
        yield document.problem(path, message, "name a measure or watch step with a limit")
    if part.serial is not None:
        yield from _identity(document, (*at, "replaces", "serial"), part.serial)


def _opening(document: Document) -> Iterator[Problem]:
    written = document.data.get("opening")
    for name, value in written.items() if isinstance(written, dict) else ():
        try:
            identity = Identity.model_validate(value)
        except ValidationError:
            continue  # told already
        yield from _identity(document, ("opening", str(name)), identity)


def _identity(document: Document, at: PathInFile, identity: Identity) -> Iterator[Problem]:
    """A form that no identifier can have."""
    try:
        identity.form  # noqa: B018
    except ValueError as error:
        yield document.problem(at, str(error), "write pattern: AA-9999, or least and most")
        return
    check = identity.check
    if check is None:
        return
    # An X is a letter, and the check character ten of mod 11-2.
    places = re.sub(r"[./-]", "", identity.pattern) if identity.pattern else "9" * identity.most
    if not takes(check, places.replace("X", "0").replace("9", "0").replace("A", "X")):
        lettered = " and ".join(other for other in Check if takes(other, "XX00"))
        message = f'nothing that looks like {shown(identity.pattern or places)} can have check characters of "{check}"'
        remedy = f"{lettered} take letters, mod 97-10 none in its last two places; or write 9 for a digit"
        if "A" not in places:
            remedy = "write more places, the check characters among them"
        yield document.problem((*at, "check"), message, remedy)


def _pint_name(text: str) -> str | None:
    """Pint's own name for a unit however written (degC, kohm), None where it knows none."""
    if not re.fullmatch(r"[A-Za-z_]+( ?\* ?[A-Za-z_]+)?", text):
        return None  # pint would evaluate an expression; a unit is a name
    try:
        return str(registry().Unit(text))
    except Exception:  # pint raises errors of many kinds, its tokenizer's among them
        return None


_SIGNS = str.maketrans({"\N{OHM SIGN}": "ohm", "\N{GREEK CAPITAL LETTER OMEGA}": "ohm", "\N{DEGREE SIGN}": "deg"})
_SIGNS |= str.maketrans(dict.fromkeys(_MICRO, "u"))


def _as_symbols(text: str) -> Iterator[str]:
    """A unit as it is written, and with the case of the letters after its prefix as symbols have it (KOHM, KHZ)."""
    plain = text.translate(_SIGNS)
    yield plain
    first, rest = plain[:1].replace("K", "k"), plain[1:]
    yield from (first + rest.lower(), first + rest.capitalize())


def _unit(document: Document, at: PathInFile, whose: str, step: Measure | Series) -> Iterator[Problem]:
    quantity, unit = step.quantity, step.unit
    if step.waveform is not None and quantity not in WITH_WAVEFORM:
        message = f"{quantity} has no waveform"
        yield document.problem((*at, "waveform"), message, "remove it; it is for voltage and current", key=True)
    if quantity is Quantity.COUNT:
        if unit is not None:
            yield document.problem((*at, "unit"), "a count has no unit", "remove the unit", key=True)
        return
    if unit is None:
        message = f"{whose} has no unit"
        yield document.problem((*at, "quantity"), message, f'add "unit: {DEFAULT_UNIT[quantity]}"')
        return
    yield from _unit_name(document, at, unit, quantity)


def _unit_name(document: Document, at: PathInFile, unit: str, quantity: Quantity) -> Iterator[Problem]:
    measured = quantity_of(unit)
    if measured is quantity:
        return
    units = sorted({named.name for said in spellings().values() for named in said if named.quantity is quantity})
    if measured is not None:
        message = f"{shown(unit)} measures {measured}, not {quantity}"
        yield document.problem((*at, "unit"), message, f"write one of {', '.join(units)}")
        return
    known = [name for name in map(_pint_name, _as_symbols(unit)) if name is not None]
    said = [named.name for named in spellings().get(unit.lower(), ()) if named.quantity is quantity]
    near = [name for name in known if name in units] or said
    if not near and not known:
        # Another prefix is a thousand times more or less; no two that are near each other begin with the same letters.
        alike = difflib.get_close_matches(unit.lower(), units, len(units))
        near = [name for name in alike if name[:3] == unit.lower()[:3]]
    remedy = f'write "{near[0]}"' if near else f"write one of {', '.join(units)}"
    yield document.problem((*at, "unit"), f"{shown(unit)} is no name of a unit of {quantity}", remedy)


def _limit(document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    limit = step.limit
    if limit is None and step.over_range is not None:
        message = "a reading without a limit is not judged, over range or not"
        yield document.problem((*at, "over_range"), message, "add a limit, or remove this", key=True)
    yield from _limits(document, (*at, "limit"), limit, step.unit)
    if step.minus_leads is None:  # without its leads, a reading may be a little below zero
        yield from _settled(document, (*at, "limit"), step, limit)


def _settled(document: Document, at: PathInFile, step: Measure | Series, limit: object) -> Iterator[Problem]:
    """A limit of what is read that nothing can meet, or that everything meets."""
    known = quantity_of(step.unit or "") is step.quantity
    least = least_of(step.quantity, step.unit, step.waveform) if known else None
    if least is not None:
        what = f"{step.quantity} of ac (r.m.s.)" if step.waveform == "ac" else str(step.quantity)
        yield from settled(document, at, limit, least, what)


def _limits(document: Document, at: PathInFile, limit: object, unit: str | None) -> Iterator[Problem]:
    """The numbers of a limit, whatever it is a limit of."""
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
                f"write plus_minus: a number in {unit}, or plus_minus_percent: 6",
                key=True,
            )
        if percent is not None and limit.nominal == 0:
            yield document.problem((*at, "nominal"), "a percentage of zero is nothing", "write plus_minus instead")
        if percent is not None and percent >= 100:
            yield document.problem((*at, "plus_minus_percent"), f"{percent} percent allows zero", "write less than 100")


# -- figures worked out ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Known:
    """What a figure is: a quantity (a count for a plain ratio); ``difference`` of two temperatures is none itself."""

    quantity: Quantity
    difference: bool = False


_GIVES = {
    "heater_resistance": _Known(Quantity.RESISTANCE),
    "winding_resistance": _Known(Quantity.RESISTANCE),
    "platinum_temperature": _Known(Quantity.TEMPERATURE),
    "platinum_error": _Known(Quantity.TEMPERATURE, difference=True),
    "thermistor_resistance": _Known(Quantity.RESISTANCE),
    "thermistor_temperature": _Known(Quantity.TEMPERATURE),
    "saturation_temperature": _Known(Quantity.TEMPERATURE),
    "insulation_at_40": _Known(Quantity.RESISTANCE),
}


def _calculate(draft: Draft, document: Document, at: PathInFile, step: Calculate) -> Iterator[Problem]:
    figure = _Figure(draft, document, step.id)
    known = figure.of((*at, "calculate"), step.calculate)
    yield from figure.problems
    yield from _limits(document, (*at, "limit"), step.limit, step.unit)
    least = least_figure(step.calculate, draft.step)
    if least is not None:
        yield from settled(document, (*at, "limit"), step.limit, least, "this figure")
    if isinstance(step.limit, InsulationMinimum) and not isinstance(step.calculate, InsulationAt40):
        message = "the minimum of IEEE 43 is for an insulation resistance at 40 degrees Celsius"
        yield document.problem((*at, "limit"), message, "calculate insulation_at_40, or write another limit")
    if isinstance(step.limit, PlatinumClass) and not isinstance(step.calculate, PlatinumError):
        message = "a class of IEC 60751 limits the error of a platinum thermometer only"
        yield document.problem((*at, "limit"), message, "calculate platinum_error, or write another limit")
    targets = step.next.items() if isinstance(step.next, dict) else [(None, step.next)]
    for outcome, target in targets:
        if target == step.id:
            message = "the same readings give the same figure, so this would go round for ever"
            path = (*at, "next") if outcome is None else (*at, "next", str(outcome))
            yield document.problem(path, message, "lead to a step that measures again")
    if known is None:
        return
    if known.quantity is Quantity.COUNT or (known.quantity is Quantity.RATIO and step.unit is None):
        if step.unit is not None:
            yield document.problem((*at, "unit"), "a plain ratio has no unit", "remove the unit", key=True)
        return
    if step.unit is None:
        message = f'the step "{step.id}" has no unit, and its figure is a {known.quantity}'
        yield document.problem((*at, "calculate"), message, f'add "unit: {DEFAULT_UNIT[known.quantity]}"')
        return
    yield from _unit_name(document, at, step.unit, known.quantity)


class _Figure:
    """Finds what a figure is, and on the way all that does not fit together in it."""

    def __init__(self, draft: Draft, document: Document, step: str) -> None:
        self.problems: list[Problem] = []
        self._draft, self._document = draft, document
        self._through = [step]  # figures that we are inside of

    def of(self, path: PathInFile, figure: Figure) -> _Known | None:
        """None where it cannot be known for problems, here or elsewhere in the file."""
        match figure:
            case str():
                return self._reading(path, figure)
            case Sum(sum=parts):
                return self._alike((*path, "sum"), parts, "added", twice=True)
            case Mean(mean=parts):
                return self._alike((*path, "mean"), parts, None)
            case Difference(difference=parts):
                known = self._alike((*path, "difference"), parts, None)
                return known and _Known(known.quantity, difference=True)
            case Ratio(ratio=parts):
                return self._alike((*path, "ratio"), parts, "divided") and _Known(Quantity.COUNT)
            case DeviationPercent(deviation_percent=parts):
                return self._alike((*path, "deviation_percent"), parts, "divided") and _Known(Quantity.RATIO)
            case ImbalancePercent(imbalance_percent=parts):
                return self._alike((*path, "imbalance_percent"), parts, "divided") and _Known(Quantity.RATIO)
        ((kind, made_from),) = figure
        for name, part in made_from:
            if name in {str(quantity) for quantity in Quantity}:
                known = self.of((*path, kind, name), part)
                if known not in (None, _Known(Quantity(name))):
                    self._tell((*path, kind, name), f"this is no {name}", f"name a step that measures {name}")
        before = len(self.problems)
        if kind.startswith("thermistor"):
            self._thermistor((*path, kind), made_from)
        if len(self.problems) == before:
            self.problems += never_met(self._document, (*path, kind), figure, self._draft.step)
        return _GIVES[kind]

    def _tell(self, path: PathInFile, message: str, remedy: str) -> None:
        self.problems.append(self._document.problem(path, message, remedy))

    def _reading(self, path: PathInFile, id: str) -> _Known | None:
        ids = tuple(name for _, name in self._draft.ids)
        if id not in ids:
            self._tell(path, f"there is no step {shown(id)}", _did_you_mean(id, ids, "steps"))
            return None
        if id in self._through:
            self._tell(path, f"this figure is made from itself through {shown(id)}", "name steps that measure")
            return None
        step = self._draft.step(id)
        if isinstance(step, Measure):
            return _Known(step.quantity)
        if isinstance(step, Calculate):
            inner = _Figure(self._draft, self._document, id)
            inner._through += self._through
            known = inner.of((), step.calculate)
            looped = any("made from itself" in problem.message for problem in inner.problems)
            if looped:
                self._tell(path, f"this figure is made from itself through {shown(id)}", "name steps that measure")
            return None if inner.problems else known
        if step is not None:
            self._tell(path, f'the step "{id}" gives no reading', "name a measure or a calculate step")
        return None

    def _alike(
        self, path: PathInFile, parts: Sequence[Figure], done: str | None, *, twice: bool = False
    ) -> _Known | None:
        """Figures that are ``done`` something with together have one quantity; each counts once, or ``twice`` too."""
        found = [(number, self.of((*path, number), part)) for number, part in enumerate(parts)]
        known = [(number, one) for number, one in found if one is not None]
        if len(known) < len(found):
            return None
        first = known[0][1]
        for number, other in known[1:]:
            is_degrees = first.quantity is Quantity.TEMPERATURE  # only there a difference is something else
            if other.quantity is not first.quantity or (is_degrees and other != first):
                what = f"{other.quantity} beside {first.quantity}"
                if other.quantity is first.quantity:
                    what = "a temperature beside a difference of temperatures"
                self._tell((*path, number), f"{what} cannot be compared", f"name a step of {first.quantity}")
                return None
        if first == _Known(Quantity.TEMPERATURE) and done is not None:
            remedy = "use their difference"
            self._tell(path, f"temperatures cannot be {done}: the zero of their scale means nothing", remedy)
            return None
        for number, part in enumerate(parts):
            if not twice and part in parts[:number]:
                name = shown(part) if isinstance(part, str) else "this figure"
                message = f"{name} stands twice here, and compared with itself it says nothing"
                self._tell((*path, number), message, "name another step")
                return None
        return first

    def _thermistor(self, path: PathInFile, curve: object) -> None:
        by_beta = (getattr(curve, "ohms_at_25", None), getattr(curve, "beta", None))
        hart = getattr(curve, "steinhart_hart", None)
        if (hart is None) == (by_beta == (None, None)) or (hart is None and None in by_beta):
            message = "a thermistor's curve is ohms_at_25 with beta, or steinhart_hart, and one of the two"
            self._tell(path, message, "write ohms_at_25: 10000 and beta: 3977, or steinhart_hart: [a, b, c]")
        lowest, highest = getattr(curve, "lowest", Decimal(0)), getattr(curve, "highest", Decimal(0))
        if not Decimal("-273.15") < lowest < highest:
            self._tell((*path, "lowest"), "the curve ends where it begins, or before", "write lowest below highest")


# -- watching ----------------------------------------------------------------------------------------------------------

MAX_TIMES = 500


def _watch(document: Document, at: PathInFile, step: Watch) -> Iterator[Problem]:
    regular = (step.every_minutes, step.for_minutes)
    if bool(step.at_minutes) == (regular != (None, None)) or (not step.at_minutes and None in regular):
        message = "a watch reads every so many minutes, or at certain minutes"
        remedy = "write every_minutes: 2 and for_minutes: 20, or at_minutes: [1, 10]"
        yield document.problem(at, message, remedy)
        return
    if step.every_minutes is not None and step.for_minutes is not None:
        if step.for_minutes < step.every_minutes:
            message = f"the watch ends after {step.for_minutes} minutes, before its second reading"
            yield document.problem((*at, "for_minutes"), message, f"write {step.every_minutes} or more")
        elif step.for_minutes / step.every_minutes > MAX_TIMES:
            message = f"that is more than {MAX_TIMES} readings"
            yield document.problem((*at, "every_minutes"), message, "read less often, or watch for less long")
            return
    if any(later <= earlier for earlier, later in pairwise(step.at_minutes)):
        yield document.problem((*at, "at_minutes"), "the times do not rise", "write the earliest first")
        return
    last = Decimal(repr(step.times[-1])) / 60
    names = [series.reading for series in step.series]
    for number, series in enumerate(step.series):
        here: PathInFile = (*at, "series", number)
        if series.reading in names[:number]:
            message = f"two series are called {shown(series.reading)}"
            yield document.problem((*here, "reading"), message, "give each series a name of its own")
        yield from _plausible(document, here, series)
        yield from _unit(document, here, f"the series {shown(series.reading)}", series)
        yield from _condition(document, here, step, series, last)
    if step.before is not None:
        yield from _before(document, (*at, "before"), step, step.before)


def _condition(document: Document, at: PathInFile, step: Watch, series: Series, last: Decimal) -> Iterator[Problem]:
    conditions = series.conditions
    if len(conditions) > 1:
        message = f"the series {shown(series.reading)} has both {' and '.join(map(shown, conditions))}"
        yield document.problem((*at, conditions[1]), message, "keep one", key=True)
    for key, goal in series.goals.items():
        yield from _settled(document, (*at, key), series, goal)
    if series.ratio is not None:
        yield from _limits(document, (*at, "ratio"), series.ratio, None)
        if len(step.at_minutes) < 2:
            message = "a ratio is of the readings at two times"
            yield document.problem((*at, "ratio"), message, "write at_minutes: [1, 10] in the step", key=True)
        if series.quantity is Quantity.TEMPERATURE:
            message = "temperatures cannot be divided: the zero of their scale means nothing"
            yield document.problem((*at, "ratio"), message, "write falls_by or rises_by", key=True)
    if series.within_minutes is not None:
        if not conditions or series.ratio is not None:
            message = "within_minutes says by when something must have happened, and nothing must"
            yield document.problem((*at, "within_minutes"), message, "add falls_by, falls_to or the like", key=True)
        elif series.within_minutes > last:
            message = f"the watch is over after {last.normalize():f} minutes"
            yield document.problem((*at, "within_minutes"), message, "write no more than that, or watch for longer")
        else:
            yield from _in_time(document, (*at, "within_minutes"), step, series.within_minutes)
    if (series.stalled_below is None) != (series.stalled_over_minutes is None):
        message = "a stall is a change below something over some minutes"
        key = "stalled_below" if series.stalled_below is not None else "stalled_over_minutes"
        yield document.problem((*at, key), message, "write stalled_below and stalled_over_minutes", key=True)
    elif series.stalled_over_minutes is not None:
        spacing = step.every_minutes
        if not conditions or series.ratio is not None:
            message = "a stall matters where something must fall or rise"
            yield document.problem((*at, "stalled_below"), message, "add falls_to or the like", key=True)
        elif series.stalled_over_minutes > last or (spacing and series.stalled_over_minutes < 2 * spacing):
            message = "a stall is seen in three readings or more, within the watch"
            remedy = f"write a time between {2 * spacing if spacing else 0} and {last.normalize():f} minutes"
            yield document.problem((*at, "stalled_over_minutes"), message, remedy)


def _in_time(document: Document, at: PathInFile, step: Watch, within: Decimal) -> Iterator[Problem]:
    """A reading is said a little after it is asked for, so the time must be longer than until the one that counts."""
    times = [Decimal(repr(seconds)) / 60 for seconds in step.times]
    first = next((minutes for minutes in times if minutes > 0), times[-1])
    if within <= first:
        asked = f"the first after the start is asked for at {first.normalize():f}"
        message = f"no reading is said within {within} minutes: {asked}"
        later = next((minutes for minutes in times if minutes > first), None)
        remedy = "read more often" if later is None else f"write {later.normalize():f} or more, or read more often"
        yield document.problem(at, message, remedy)


def _before(document: Document, at: PathInFile, step: Watch, before: tuple[str, str]) -> Iterator[Problem]:
    by_name = {series.reading: series for series in step.series}
    for number, name in enumerate(before):
        if name not in by_name:
            message = f"there is no series {shown(name)}"
            yield document.problem((*at, number), message, _did_you_mean(name, by_name, "series"))
        elif not by_name[name].conditions or by_name[name].ratio is not None:
            message = f"nothing says where the series {shown(name)} is to be"
            yield document.problem((*at, number), message, "add falls_to, falls_by or the like to it")
    if before[0] == before[1]:
        yield document.problem(at, "a series cannot be there before itself", "name two series")


WIDEST_GUARD = 10  # of common use are 0 to 1 (JCGM 106:2012, 8.3; ILAC-G8:09/2019, table 1)


def _guard_band(document: Document, at: PathInFile, written: Mapping[str, object]) -> Iterator[Problem]:
    if "guard_ratio" not in written:
        return
    if written.get("decision_rule") == DecisionRule.SIMPLE_ACCEPTANCE:
        message = "simple acceptance has no guard band"
        remedy = f"remove it, or write decision_rule: {DecisionRule.ISO_14253_1}"
        yield document.problem((*at, "guard_ratio"), message, remedy, key=True)
        return
    try:
        ratio = Decimal(str(written["guard_ratio"]))
    except InvalidOperation:
        return  # told already: it is no number
    if ratio > WIDEST_GUARD:
        message = f"a guard band of {ratio} times the uncertainty leaves nothing to conform"
        yield document.problem((*at, "guard_ratio"), message, "write 1, or 0.83 for 95 percent on one side")


def _meter(document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    """What is asked of the meter's reading before it is judged, and of the judging."""
    yield from _plausible(document, at, step)
    for key in ("needs_rating", "lead_zero", "minus_leads"):
        if step.nameplate and getattr(step, key) is not None:
            message = "what is read from a plate is read without a meter"
            yield document.problem((*at, key), message, "remove it, or remove nameplate", key=True)
    for key in ("decision_rule", "guard_ratio"):
        if getattr(step, key) is not None and step.limit is None:
            message = "a reading without a limit is not judged"
            yield document.problem((*at, key), message, "add a limit, or remove this", key=True)
    written = {"decision_rule": step.decision_rule, "guard_ratio": step.guard_ratio}
    yield from _guard_band(document, at, {key: value for key, value in written.items() if value is not None})


def _binding(draft: Draft, document: Document, at: PathInFile, step: Measure) -> Iterator[Problem]:
    """A limit that nobody may override, and that holds nobody up."""
    if not step.binding_limit:
        return
    if step.limit is None:
        message = "there is no limit to be binding"
        yield document.problem((*at, "binding_limit"), message, "add a limit, or remove this", key=True)
    elif step.next is None or (isinstance(step.next, dict) and Verdict.NONCONFORMING not in step.next):
        ids = [name for _, name in draft.ids]
        following = ids[ids.index(step.id) + 1 :]
        on = f' to "{following[0]}"' if following else ""
        message = f"the limit is binding, and a nonconforming reading simply goes on{on}"
        remedy = 'add "nonconforming: a-step" to its next'
        yield document.problem((*at, "binding_limit"), message, remedy, key=True)


def _plausible(document: Document, at: PathInFile, step: Measure | Series) -> Iterator[Problem]:
    if step.plausible is not None and step.plausible[0] >= step.plausible[1]:
        low, high = sorted(step.plausible)
        remedy = f"write [{low}, {high}]" if low != high else "write two numbers with room between them"
        yield document.problem((*at, "plausible"), "the lower value is not below the upper", remedy)
    elif step.plausible is not None and step.plausible[1] < 0 and never_negative(step.quantity, step.waveform):
        message = f"{step.quantity} is never below zero, so no reading is plausible"
        yield document.problem((*at, "plausible"), message, "write a range above zero")
    elif step.plausible is not None and step.quantity is Quantity.TEMPERATURE and step.unit is not None:
        coldest = least_of(step.quantity, step.unit) if quantity_of(step.unit) is step.quantity else None
        if coldest is not None and step.plausible[0] < coldest:
            message = f"nothing is colder than {coldest.normalize():f} {step.unit}"
            yield document.problem((*at, "plausible"), message, "write the range that this part can have")


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
            elif isinstance(read := parse(said), Reading) and read.value is not None and said not in _PARTS:
                message = f"{shown(said)} is a reading"
                remedy = "choose words that say what is seen, heard or felt, or make it a measure step"
                yield document.problem(path, message, remedy)
            elif said in first and first[said][0] != key:
                line, column = document.place(first[said][1])
                message = f'{shown(said)} means the answer "{first[said][0]}" already, at {line}:{column}'
                yield document.problem(path, message, "give each answer phrases of its own")
            first.setdefault(said, (key, path))
