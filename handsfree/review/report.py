"""A session's record as one page for the supervisor.

The one rule: the page is made from the record alone and says first whether the record can be trusted. What is altered
or missing is shown as such, and what can still be read is shown beside it.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from functools import cache
from math import isfinite
from pathlib import Path
from typing import Any

import jinja2
import pint

from handsfree.procedure.model import Signal
from handsfree.review.chart import Chart, chart
from handsfree.session.events import Mark
from handsfree.session.journal import (
    CLIP_NAME,
    Contents,
    Entry,
    Grade,
    JournalError,
    Problem,
    digest,
    scan,
    verify_chain,
)
from handsfree.spoken.meaning import Kind

# Units whose short form in pint is not the one on a meter or in a data sheet.
_SYMBOLS = {
    "meter * newton": "N·m",
    "newton * meter": "N·m",
    "foot_pound": "ft·lb",
    "foot * force_pound": "ft·lb",
    "force_pound * inch": "in·lb",
    "micrometer_Hg": "µm Hg",
    "micron": "µm",
    "revolutions_per_minute": "r/min",
}
_LIMIT_WORDS = {"at_most": "at most", "at_least": "at least"}
_SPACE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True)
class Clip:
    """An utterance's audio; ``source`` is a data URI or a relative address, None where the clip cannot be played."""

    name: str
    source: str | None
    complaint: str | None


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """A reading as it stands on the page; ``corrected_by`` is the number of the reading that replaced it.

    ``value`` is what was judged: the leads taken off where that was asked for, and ``spoken`` is then what was said and
    what the leads read. ``implausible`` is the range that it was affirmed outside of. These, ``uncertainty``, ``meter``
    (with its range) and ``decision`` are empty where there was none.
    """

    number: int
    id: str
    time: datetime
    step: str
    name: str
    value: str
    limit: str
    verdict: str
    reason: str
    spoken: str = ""
    implausible: str = ""
    uncertainty: str = ""
    meter: str = ""
    decision: str = ""
    corrected: bool = False
    corrected_by: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class FigureRow:
    """A figure worked out from readings; ``inputs`` are name, value, and the reading's number where it is one."""

    time: datetime
    step: str
    name: str
    value: str
    formula: str
    inputs: tuple[tuple[str, str, int | None], ...]
    limit: str
    verdict: str
    reason: str


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One series of a watch. The chart marks readings that do not fit the others."""

    name: str
    must: str
    verdict: str
    reason: str
    fit: str
    points: int
    chart: Chart | None


@dataclass(frozen=True, slots=True)
class WatchRow:
    """A watch; ``verdict`` is empty where it judged nothing or did not come to its end."""

    step: str
    start: datetime
    over: bool
    verdict: str
    order: str
    series: tuple[SeriesRow, ...]


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened at a time: a deviation, a refusal, a caution, a change of energy."""

    time: datetime
    what: str
    step: str
    text: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the transcript; ``who`` is "technician", "handsfree", or empty for what nobody said."""

    time: datetime
    who: str
    text: str
    about: str = ""
    confidence: str = ""
    others: str = ""
    clip: Clip | None = None


@dataclass(frozen=True, slots=True)
class Passage:
    """The lines of the transcript between entering a step and entering the next."""

    step: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class OffItem:
    """Something taken off the machine; ``back`` is None while it is off."""

    item: str
    off: datetime
    back: datetime | None


@dataclass(frozen=True, slots=True)
class MeterRow:
    """A meter that was used, from a time on; without ``serial`` and ``due`` one that is not known."""

    time: datetime
    name: str
    serial: str = ""
    due: str = ""
    overdue: int = 0


@dataclass(frozen=True, slots=True)
class Finding:
    """What was concluded; ``condition`` is "faulty", "sound", "unresolved", or "none" where nothing was."""

    condition: str
    finding: str
    part: str = ""
    action: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """Everything the template shows."""

    title: str
    procedure: str
    edition: str
    equipment: str
    program: str
    settings: tuple[tuple[str, str], ...]
    start: datetime
    end: datetime
    duration: str
    outcome: str
    finding: Finding
    meters: tuple[MeterRow, ...]
    readings: tuple[ReadingRow, ...]
    figures: tuple[FigureRow, ...]
    watches: tuple[WatchRow, ...]
    considered: bool  # whether the uncertainty of any reading was
    tally: tuple[tuple[str, int], ...]
    deviations: tuple[EventRow, ...]
    cautions: tuple[EventRow, ...]
    energy: tuple[tuple[str, tuple[tuple[datetime, str], ...]], ...]
    off: tuple[OffItem, ...]
    transcript: tuple[Passage, ...]
    asked_again: int
    entries: int
    clips: int
    seal: str
    broken: tuple[Problem, ...]
    incomplete: tuple[Problem, ...]
    remarks: tuple[Problem, ...]


def render(folder: Path, embed: bool = True) -> str:
    """The page for the session recorded in ``folder``, finished or not, intact or not.

    With ``embed`` the clips are part of the page, so that it can be sent as one file; without, the page links to them
    and must stand in the session's folder. Raises JournalError where the folder is no session's or no entry
    can be read.
    """
    contents = scan(folder)
    if not contents.entries:
        raise JournalError(f"{folder} holds a journal without a readable entry; there is nothing to report.")
    return _template().render(page=_page(folder, contents, embed))


def write_report(folder: Path, out: Path | None = None, embed: bool = True) -> Path:
    """Write the page to ``out``, by default ``report.html`` in the session's folder, and return its path.

    A page already there is replaced. Raises JournalError as ``render`` does, and where the page cannot be written.
    """
    out = folder / "report.html" if out is None else out
    if not embed and out.parent.resolve() != folder.resolve():
        raise JournalError(f"A page outside {folder} cannot link to its clips; let the page carry them.")
    page = render(folder, embed)
    try:
        out.write_text(page, encoding="utf-8", newline="\n")
    except OSError as error:
        raise JournalError(f"{out} cannot be written: {error.strerror or error}. Choose another place.") from error
    return out


def symbol(unit: str | None, waveform: str | None = None) -> str:
    """The symbol of a unit given by pint's name ("microfarad" is µF), with AC or DC; the name itself where unknown."""
    if unit is None:
        text = ""
    elif unit in _SYMBOLS:
        text = _SYMBOLS[unit]
    else:
        try:
            text = f"{_units().Unit(unit):~P}"
        except (pint.PintError, ValueError, TypeError, AttributeError):
            text = unit
    return f"{text} {waveform.upper()}".strip() if waveform else text


def reading_text(data: Mapping[str, Any]) -> str:
    """A reading's value with the digits as spoken and its unit's symbol: "5.20 Ω", "OL (over range)", "> 500 MΩ"."""
    kind, value = _text(data, "kind"), _text(data, "value")
    unit = symbol(_text(data, "unit") or None, _text(data, "waveform") or None)
    if kind == Kind.OVER_RANGE:
        return f"OL{_SPACE}(over range)"
    before = {Kind.ABOVE.value: f">{_SPACE}", Kind.BELOW.value: f"<{_SPACE}"}.get(kind, "")
    return f"{before}{value.replace('-', '−')}{_SPACE}{unit}".strip(_SPACE + " ")


def limit_text(limit: Any) -> str:
    """A limit in words: "at most 7 Ω", "45 µF ± 6 %". Text is shown as it is; None is empty.

    A mapping has the keys of the procedure's limits and, where it has one, ``unit``.
    """
    if not isinstance(limit, Mapping):
        return "" if limit is None else str(limit)
    unit = symbol(_text(limit, "unit") or None, _text(limit, "waveform") or None)
    unit = f"{_SPACE}{unit}" if unit else ""
    for key, words in _LIMIT_WORDS.items():
        if limit.get(key) is not None:
            return f"{words} {limit[key]}{unit}"
    match limit:
        case {"insulation_minimum": {"winding": winding, "rated_volts": volts}}:
            return f"minimum of IEEE 43, {winding}, {volts}{_SPACE}V"
        case {"between": [low, high]}:
            return f"{low} to {high}{unit}"
        case {"nominal": nominal, "plus_minus": str() | int() | float() as by}:
            return f"{nominal} ± {by}{unit}"
        case {"nominal": nominal, "plus_minus_percent": str() | int() | float() as by}:
            return f"{nominal}{unit} ± {by}{_SPACE}%"
    return ", ".join(f"{key} {value}" for key, value in limit.items())


@cache
def _units() -> pint.UnitRegistry[Any]:
    return pint.UnitRegistry()


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("handsfree", "review"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["clock"] = lambda time: f"{time:%H:%M:%S}"
    environment.filters["day"] = lambda time: f"{time:%Y-%m-%d}"
    return environment.get_template("report.html.j2")


def _page(folder: Path, contents: Contents, embed: bool) -> Page:
    entries, problems = contents.entries, verify_chain(folder)
    opened = _last(entries, Mark.OPENED)
    procedure, settings = _mapping(opened, "procedure"), _mapping(opened, "settings")
    readings = _readings(entries)
    graded = {grade: tuple(problem for problem in problems if problem.grade is grade) for grade in Grade}
    return Page(
        title=_text(procedure, "title") or "Session record",
        procedure=_text(procedure, "id"),
        edition=_text(procedure, "edition"),
        equipment=_text(procedure, "equipment"),
        program=_text(opened, "handsfree"),
        settings=tuple((str(key), str(value)) for key, value in settings.items() if value is not None),
        start=entries[0].time,
        end=entries[-1].time,
        duration=_duration(entries[-1].time - entries[0].time),
        outcome=_outcome(entries),
        finding=_finding(entries),
        meters=tuple(_meters(entries)),
        readings=readings,
        figures=tuple(_figures(entries)),
        watches=tuple(_watches(entries)),
        considered=any(row.uncertainty for row in readings),
        tally=_tally(readings),
        deviations=tuple(_deviations(entries)),
        cautions=tuple(_cautions(entries)),
        energy=_energy(entries),
        off=_off(entries),
        transcript=tuple(_transcript(folder, entries, embed)),
        asked_again=sum(entry.kind is Mark.ASKED_AGAIN for entry in entries),
        entries=len(entries),
        clips=len({entry.data["clip"] for entry in entries if entry.kind is Mark.HEARD and _text(entry.data, "clip")}),
        seal=contents.seal or "",
        broken=graded[Grade.BROKEN],
        incomplete=graded[Grade.INCOMPLETE],
        remarks=graded[Grade.REMARK],
    )


def _finding(entries: Iterable[Entry]) -> Finding:
    data = _last(entries, Mark.CONCLUDED)
    if not data:
        return Finding("none", "The session ended before anything was concluded.")
    return Finding(_text(data, "condition"), _text(data, "finding"), _text(data, "part"), _text(data, "action"))


def _readings(entries: Iterable[Entry]) -> tuple[ReadingRow, ...]:
    rows: list[ReadingRow] = []
    entries = list(entries)
    names = {_text(entry.data, "meter"): _text(entry.data, "name") for entry in entries if entry.kind is Mark.METER}
    for entry in entries:
        data = entry.data
        if entry.kind is Mark.READING:
            rows.append(
                ReadingRow(
                    number=len(rows) + 1,
                    id=_text(data, "id"),
                    time=entry.time,
                    step=_text(data, "step"),
                    name=_text(data, "reading"),
                    value=_without_leads(data) or reading_text(data),
                    limit="watched over time" if data.get("series") else limit_text(data.get("limit")),
                    verdict=_text(data, "verdict"),
                    reason=_text(data, "reason"),
                    spoken=_spoken(data),
                    implausible=limit_text(data.get("implausible")),
                    uncertainty=_uncertainty(data),
                    meter=_meter(data, names),
                    decision=_decision(data),
                )
            )
    numbers = {row.id: row.number for row in rows}
    for entry in entries:
        number = numbers.get(_text(entry.data, "reading"))
        if entry.kind is Mark.CORRECTED and number is not None:
            by = numbers.get(_text(entry.data, "by"))
            why = _text(entry.data, "why")
            rows[number - 1] = replace(rows[number - 1], corrected=True, corrected_by=by, why=why)
    return tuple(rows)


def _figures(entries: Sequence[Entry]) -> Iterator[FigureRow]:
    ids = [_text(entry.data, "id") for entry in entries if entry.kind is Mark.READING]
    numbers = {name: number for number, name in enumerate(ids, 1)}
    last = {_text(entry.data, "step"): entry.n for entry in entries if entry.kind is Mark.CALCULATED}
    for entry in entries:
        data = entry.data
        if entry.kind is not Mark.CALCULATED or last[_text(data, "step")] != entry.n:
            continue  # worked out again after a correction: that one counts
        unit = symbol(_text(data, "unit") or None)
        value = _with_unit(_short(_text(data, "value")), unit)
        if data.get("uncertainty") is not None:
            value = f"{_short(_text(data, 'value'))} ± {_with_unit(_text(data, 'uncertainty'), unit)}"
        made_from = data.get("inputs")
        yield FigureRow(
            time=entry.time,
            step=_text(data, "step"),
            name=_text(data, "figure"),
            value=value or "not known",
            formula=_text(data, "formula"),
            inputs=tuple(
                (
                    _text(item, "reading"),
                    _with_unit(_short(_text(item, "value")), symbol(_text(item, "unit") or None)),
                    numbers.get(_text(item, "id")),
                )
                for item in (made_from if isinstance(made_from, list) else ())
                if isinstance(item, Mapping)
            ),
            limit=_figure_limit(data, unit),
            verdict=_text(data, "verdict"),
            reason=_text(data, "reason"),
        )


def _figure_limit(data: Mapping[str, Any], unit: str) -> str:
    limit = data.get("limit")
    ends = data.get("limits")
    if isinstance(limit, Mapping) and "insulation_minimum" in limit and isinstance(ends, list) and ends:
        return f"at least {_with_unit(_short(str(ends[0])), unit)} ({limit_text(limit)})"
    if not isinstance(limit, Mapping) or "platinum_class" not in limit:
        return limit_text(limit)
    width = f": ± {_with_unit(_short(str(ends[1])), unit)}" if isinstance(ends, list) and len(ends) == 2 else ""
    return f"class {limit['platinum_class']}{width}"


def _with_unit(value: str, unit: str) -> str:
    return f"{value.replace('-', '−')}{_SPACE}{unit}".strip(_SPACE + " ") if value else ""


def _short(value: str) -> str:
    """A decimal string with no more than five digits."""
    try:
        number = Decimal(value)
    except InvalidOperation:
        return value
    return value if len(number.as_tuple().digits) <= 5 else format(Decimal(f"{number:.4g}"), "f")


def _watches(entries: Sequence[Entry]) -> Iterator[WatchRow]:
    """Each time that a watch was begun, with what came of it."""
    begun = [
        (number, entry)
        for number, entry in enumerate(entries)
        if entry.kind is Mark.ENTERED and _text(entry.data, "kind") == "watch"
    ]
    withdrawn = {_text(entry.data, "reading") for entry in entries if entry.kind is Mark.CORRECTED}
    for place, (number, entered) in enumerate(begun):
        step = _text(entered.data, "step")
        until = next((at for at, other in begun[place + 1 :] if other.data.get("step") == step), len(entries))
        here = [entry for entry in entries[number:until] if entry.data.get("step") == step]
        found = _last(here, Mark.WATCHED)
        rows = found.get("series")
        told = {
            _text(row, "reading"): row for row in (rows if isinstance(rows, list) else ()) if isinstance(row, Mapping)
        }
        read: dict[str, list[Mapping[str, Any]]] = {}
        for entry in here:
            if entry.kind is Mark.READING and _text(entry.data, "id") not in withdrawn:
                read.setdefault(_text(entry.data, "series"), []).append(entry.data)
        order = _mapping(found, "order")
        if read:
            yield WatchRow(
                step=step,
                start=entered.time,
                over=bool(found),
                verdict=_text(found, "verdict"),
                order=f"{_text(order, 'reason')}: {_text(order, 'verdict')}" if order else "",
                series=tuple(_series(name, data, told.get(name, {})) for name, data in read.items()),
            )


def _series(name: str, readings: Sequence[Mapping[str, Any]], row: Mapping[str, Any]) -> SeriesRow:
    unit = symbol(_text(readings[0], "unit") or None)
    fit, left_out = _mapping(row, "fit"), row.get("left_out")
    points = sorted((_float(data, "seconds"), _float(data, "value")) for data in readings)
    curve = tuple(_float(fit, key) for key in ("settles", "starts", "tau")) if fit else ()
    goal = _float(row, "goal") if row.get("goal") is not None else None
    words = ""
    if fit:
        minutes = f"{_float(fit, 'tau') / 60:.3g}"
        words = f"settles at {_with_unit(_text(fit, 'settles'), unit)}, time constant {minutes} min"
        words += f", scatter {_with_unit(_text(fit, 'scatter'), unit)}"
    return SeriesRow(
        name=name,
        must=_text(row, "must"),
        verdict=_text(row, "verdict"),
        reason=_text(row, "reason"),
        fit=words,
        points=len(points),
        chart=chart(points, curve, goal, left_out if isinstance(left_out, list) else [], unit),
    )


def _float(data: Mapping[str, Any], key: str) -> float:
    try:
        value = float(_text(data, key))
    except ValueError:
        return 0.0
    return value if isfinite(value) else 0.0


def _figure(value: str, unit: str) -> str:
    return _with_unit(value, symbol(unit or None))


def _without_leads(data: Mapping[str, Any]) -> str:
    leads = _mapping(data, "leads")
    if not leads:
        return ""
    bound = {Kind.ABOVE.value: f">{_SPACE}", Kind.BELOW.value: f"<{_SPACE}"}.get(_text(data, "kind"), "")
    return bound + _figure(_text(leads, "corrected"), _text(leads, "unit"))


def _spoken(data: Mapping[str, Any]) -> str:
    leads = _mapping(data, "leads")
    off = _figure(_text(leads, "taken_off"), _text(leads, "unit"))
    return f"as spoken {reading_text(data)}, leads {off}" if leads else ""


def _uncertainty(data: Mapping[str, Any]) -> str:
    found = _mapping(data, "uncertainty")
    return f"±{_SPACE}{_figure(_text(found, 'expanded'), _text(found, 'unit'))}" if found else ""


def _meter(data: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """ "Ostrel 61, up to 60 Ω: 0.5 % + 2 counts" """
    meter, shown = _text(data, "meter"), _mapping(data, "range")
    name = names.get(meter) or meter
    if not meter or not shown:
        return name
    unit = symbol(_text(shown, "unit") or None)
    accuracy = f"{_text(shown, 'percent')}{_SPACE}% + {_text(shown, 'counts')} counts"
    return f"{name}, up to {_text(shown, 'up_to')}{_SPACE}{unit}: {accuracy}"


def _decision(data: Mapping[str, Any]) -> str:
    decision = _mapping(data, "decision")
    if not decision:
        return ""
    rule = _text(decision, "rule")
    conformity = _text(decision, "conformity")
    return f"{rule}; conforms with probability {conformity}" if conformity else f"{rule}; a bound"


def _meters(entries: Iterable[Entry]) -> Iterator[MeterRow]:
    for entry in entries:
        if entry.kind is Mark.METER:
            data, overdue = entry.data, entry.data.get("days_overdue")
            yield MeterRow(
                entry.time,
                _text(data, "name") or _text(data, "meter") or "not known",
                _text(data, "serial"),
                _text(data, "calibration_due"),
                overdue if isinstance(overdue, int) else 0,
            )


def _tally(readings: Iterable[ReadingRow]) -> tuple[tuple[str, int], ...]:
    counts = dict.fromkeys(("nonconforming", "undecided", "conforming", "not judged", "corrected"), 0)
    for row in readings:
        name = "corrected" if row.corrected else row.verdict or "not judged"
        counts[name] = counts.get(name, 0) + 1
    return tuple((name, count) for name, count in counts.items() if count)


def _outcome(entries: Sequence[Entry]) -> str:
    """How the session ended; empty where it was reopened and not closed since."""
    last = next((entry for entry in reversed(entries) if entry.kind in (Mark.CLOSED, Mark.REOPENED)), None)
    return _text(last.data, "outcome") if last is not None else ""


def _interruption(left: Entry | None, reopened: Entry) -> tuple[str, str]:
    """When a session was left and resumed, and what was set aside of its record."""
    since = "" if left is None else f"left {left.time:%Y-%m-%d %H:%M:%S}, "
    aside = reopened.data.get("set_aside")
    pieces = [piece for piece in aside if isinstance(piece, Mapping)] if isinstance(aside, list) else []
    torn = "; ".join(f"{_text(piece, 'bytes')} bytes in {_text(piece, 'name')}" for piece in pieces)
    return f"{since}resumed {reopened.time:%Y-%m-%d %H:%M:%S}", f"a torn line is set aside, {torn}" if torn else ""


def _deviations(entries: Iterable[Entry]) -> Iterator[EventRow]:
    before: Entry | None = None
    for entry in entries:
        data, step = entry.data, _text(entry.data, "step")
        if entry.kind is Mark.DEVIATION:
            yield EventRow(entry.time, "deviation", step, _text(data, "what"), _text(data, "reason"))
        elif entry.kind is Mark.REFUSED:
            yield EventRow(entry.time, "refused", step, _text(data, "reason"))
        elif entry.kind is Mark.FAULT:
            yield EventRow(entry.time, "fault", step, _text(data, "what"))
        elif entry.kind is Mark.REOPENED:
            yield EventRow(entry.time, "interruption", step, *_interruption(before, entry))
        before = entry


def _cautions(entries: Iterable[Entry]) -> Iterator[EventRow]:
    for entry in entries:
        if entry.kind is Mark.SAID and entry.data.get("about") == "caution":
            text = _text(entry.data, "text")
            word, _, rest = text.partition(" ")
            signal = word.strip(".,:;!").lower()
            if signal in set(Signal):
                yield EventRow(entry.time, signal, _text(entry.data, "step"), rest)
            else:
                yield EventRow(entry.time, "", _text(entry.data, "step"), text)


def _energy(entries: Iterable[Entry]) -> tuple[tuple[str, tuple[tuple[datetime, str], ...]], ...]:
    sources: dict[str, list[tuple[datetime, str]]] = {}
    for entry in entries:
        if entry.kind is Mark.ENERGY:
            sources.setdefault(_text(entry.data, "name") or _text(entry.data, "source"), []).append(
                (entry.time, _text(entry.data, "state"))
            )
    return tuple((source, tuple(states)) for source, states in sources.items())


def _off(entries: Iterable[Entry]) -> tuple[OffItem, ...]:
    items: list[OffItem] = []
    for entry in entries:
        item = _text(entry.data, "item")
        if entry.kind is Mark.TAKEN_OFF:
            items.append(OffItem(item, entry.time, None))
        elif entry.kind is Mark.PUT_BACK:
            for place, row in enumerate(items):
                if row.item == item and row.back is None:
                    items[place] = replace(row, back=entry.time)
                    break
    return tuple(items)


def _transcript(folder: Path, entries: Iterable[Entry], embed: bool) -> Iterator[Passage]:
    step, lines = "", list[Line]()
    for entry in entries:
        if entry.kind is Mark.ENTERED:
            if lines:
                yield Passage(step, tuple(lines))
            step, lines = _text(entry.data, "step"), []
        elif line := _line(folder, entry, embed):
            lines.append(line)
    if lines:
        yield Passage(step, tuple(lines))


def _line(folder: Path, entry: Entry, embed: bool) -> Line | None:
    data, time = entry.data, entry.time
    match entry.kind:
        case Mark.HEARD:
            return Line(
                time,
                "technician",
                _text(data, "text"),
                confidence=_confidence(data.get("confidence")),
                others=_others(data),
                clip=_clip(folder, data, embed),
            )
        case Mark.SAID:
            return Line(time, "handsfree", _text(data, "text"), about=_text(data, "about"))
        case Mark.ASKED_AGAIN:
            return Line(time, "", f"Asked again: {_text(data, 'reason')}")
        case Mark.FAULT:
            return Line(time, "", f"Fault: {_text(data, 'what')}", about="fault")
        case Mark.PAUSED | Mark.RESUMED:
            return Line(time, "", "Standing by" if entry.kind is Mark.PAUSED else "Going ahead")
        case Mark.ENDED:
            return Line(time, "", f"Input ended: {_text(data, 'why')}")
        case Mark.REOPENED:
            return Line(time, "", "Session resumed")
    return None


def _confidence(value: Any) -> str:
    return f"{value:.2f}" if isinstance(value, int | float) and not isinstance(value, bool) else ""


def _others(data: Mapping[str, Any]) -> str:
    found = data.get("alternatives")
    texts = [_text(other, "text") for other in found if isinstance(other, Mapping)] if isinstance(found, list) else []
    return "; ".join(text for text in texts[:3] if text and text != _text(data, "text"))


def _clip(folder: Path, data: Mapping[str, Any], embed: bool) -> Clip | None:
    name = data.get("clip")
    if name is None:
        return None
    if not isinstance(name, str) or not CLIP_NAME.fullmatch(name):
        return Clip(str(name), None, "not a clip's name")
    try:
        flac = (folder / name).read_bytes()
    except OSError:
        return Clip(name, None, "clip missing")
    source = f"data:audio/flac;base64,{base64.b64encode(flac).decode()}" if embed else name
    return Clip(name, source, None if digest(flac) == data.get("clip_sha256") else "clip altered")


def _last(entries: Iterable[Entry], kind: Mark) -> Mapping[str, Any]:
    return next((entry.data for entry in reversed(list(entries)) if entry.kind is kind), {})


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key)
    return "" if value is None else str(value)


def _mapping(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = data.get(key)
    return value if isinstance(value, Mapping) else {}


def _duration(span: timedelta) -> str:
    minutes, seconds = divmod(max(0, round(span.total_seconds())), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {seconds:02} s"
