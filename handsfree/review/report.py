"""A session's record as one page for the supervisor.

The one rule: the page is made from the record alone, of which the copy of the procedure is a part if it is the one that
was used, and says first whether the record can be trusted. What is altered or missing is shown as such, and what can
still be read is shown beside it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from functools import cache
from math import isfinite
from pathlib import Path
from typing import Any

import jinja2
import pint

from handsfree.errors import PlainError
from handsfree.procedure.load import loads
from handsfree.procedure.model import Measure, Signal, Watch
from handsfree.review import visit
from handsfree.review.chart import Chart, chart
from handsfree.review.entries import Clip, clip_of, duration, entry_mapping, entry_text, last_of, withdrawn_of
from handsfree.review.visit import Count, Deviation, Known, Marked, Note, OffItem, Part, TimerRow
from handsfree.session.events import Mark
from handsfree.session.journal import (
    PROCEDURE,
    Contents,
    Entry,
    Grade,
    JournalError,
    Problem,
    digest,
    scan,
)
from handsfree.session.readings import measures_of
from handsfree.session.replay import verify
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
PAGE = "report.html"
_SOUND_FILES = (".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".aif", ".aiff", ".au", ".caf")
_LIMIT_WORDS = {"at_most": "at most", "at_least": "at least"}
_SPACE = "\N{NO-BREAK SPACE}"
_THIN = "\N{NARROW NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """A reading as it stands on the page; ``corrected_by`` is the number of the reading that replaced it.

    ``again`` is the number of the reading of the same step that stands in its place, after GO BACK or where the step
    came again; ``before`` are those in whose place this one stands. ``stands`` is the one that stands in the end in the
    place of one that was corrected, if any does.

    ``value`` is what was judged: the leads taken off where that was asked for, and ``spoken`` is then what was said and
    what the leads read. ``source`` is a plate, or AC or DC where no limit says it. ``implausible`` is the range that it
    was affirmed outside of, ``overridden`` why its limit was.
    These, ``uncertainty``, ``meter`` (with its range) and ``decision`` are empty where there was none.
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
    source: str = ""
    spoken: str = ""
    implausible: str = ""
    uncertainty: str = ""
    meter: str = ""
    decision: str = ""
    overridden: str = ""
    corrected: bool = False
    corrected_by: int | None = None
    why: str = ""
    again: int | None = None
    before: tuple[int, ...] = ()
    stands: int | None = None


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
    """Something that happened at a time: a refusal, a fault, an interruption, a caution."""

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
    note: str = ""  # the note that plays this line's clip
    number: int = 0  # of the entry
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Passage:
    """The lines of the transcript between entering a step and entering the next, and how long that was.

    A stay of less than a minute is not worth a word: ``spent`` is empty.
    """

    step: str
    spent: str
    lines: tuple[Line, ...]


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
    times: str  # whose the times are, where no clock gave them
    known: tuple[Known, ...]
    identity: str  # for the foot of each page
    finding: Finding
    meters: tuple[MeterRow, ...]
    readings: tuple[ReadingRow, ...]
    figures: tuple[FigureRow, ...]
    watches: tuple[WatchRow, ...]
    considered: bool  # whether the uncertainty of any reading was
    tally: tuple[tuple[str, int], ...]
    deviations: tuple[Deviation, ...]
    marked: tuple[Marked, ...]
    parts: tuple[Part, ...]
    notes: tuple[Note, ...]  # those that are no deviation's reason
    timers: tuple[TimerRow, ...]
    counts: tuple[Count, ...]
    observed: tuple[EventRow, ...]
    refusals: tuple[EventRow, ...]
    cautions: tuple[EventRow, ...]
    cautions_read_aloud: bool  # whether any of them was
    energy: tuple[tuple[str, tuple[tuple[datetime, str], ...]], ...]
    off: tuple[OffItem, ...]
    transcript: tuple[Passage, ...]
    asked_again: int
    entries: int
    clips: int
    seal: str
    broken: tuple[Problem, ...]
    unproved: tuple[Problem, ...]
    incomplete: tuple[Problem, ...]
    remarks: tuple[Problem, ...]


def render(folder: Path, embed: bool = True) -> str:
    """The page for the session recorded in ``folder``, finished or not, intact or not.

    With ``embed`` the clips are part of the page, so that it can be sent as one file; without, the page links to them
    and must stand in the session's folder. Raises JournalError where the folder is no session's or no entry
    can be read.
    """
    return _render(folder, embed, verify(folder))


def _render(folder: Path, embed: bool, problems: Sequence[Problem]) -> str:
    """The same where it is known already what is wrong with the record."""
    contents = scan(folder)
    if not contents.entries:
        raise JournalError(f"{folder} holds a journal without a readable entry; there is nothing to report.")
    return _template().render(page=_page(folder, contents, embed, problems))


def write_report(folder: Path, out: Path | None = None, embed: bool = True) -> Path:
    """Write the page to ``out``, by default ``report.html`` in the session's folder, and return its path.

    A page already there is replaced. Raises JournalError as ``render`` does, and where the page cannot be written.
    """
    out = folder / PAGE if out is None else out
    if not embed and out.parent.resolve() != folder.resolve():
        raise JournalError(f"A page outside {folder} cannot link to its clips; let the page carry them.")
    page = render(folder, embed)
    try:
        out.write_text(page, encoding="utf-8", newline="\n")
    except OSError as error:
        raise JournalError(f"{out} cannot be written: {error.strerror or error}. Choose another place.") from error
    return out


def check_page(folder: Path) -> list[Problem]:
    """A remark where the page in a session's folder is not the one that its record gives; empty where there is none."""
    try:
        found = (folder / PAGE).read_bytes()
        problems = verify(folder)
        if any(found == _render(folder, embed, problems).encode() for embed in (True, False)):
            return []
    except FileNotFoundError:
        return []
    except (JournalError, OSError) as error:
        return [Problem(None, f"{PAGE} cannot be compared with the record: {error}", Grade.REMARK)]
    told = (
        f"{PAGE} is not the page that this record gives: it was edited, or made before the record was as it is now, or "
        "by another version of handsfree. Do not rely on it; 'handsfree report' makes it anew"
    )
    return [Problem(None, told, Grade.REMARK)]


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
    kind, value = entry_text(data, "kind"), entry_text(data, "value")
    unit = symbol(entry_text(data, "unit") or None, entry_text(data, "waveform") or None)
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
    unit = symbol(entry_text(limit, "unit") or None, entry_text(limit, "waveform") or None)
    unit = f"{_SPACE}{unit}" if unit else ""
    for key, words in _LIMIT_WORDS.items():
        if limit.get(key) is not None:
            return f"{words} {_minus(limit[key])}{unit}"
    match limit:
        case {"insulation_minimum": {"winding": winding, "rated_volts": volts}}:
            return f"minimum of IEEE 43, {winding}, {volts}{_SPACE}V"
        case {"between": [low, high]}:
            return f"{_minus(low)} to {_minus(high)}{unit}"
        case {"nominal": nominal, "plus_minus": str() | int() | float() as by}:
            return f"{_minus(nominal)} ± {by}{unit}"
        case {"nominal": nominal, "plus_minus_percent": str() | int() | float() as by}:
            return f"{_minus(nominal)}{unit} ± {by}{_SPACE}%"
    return ", ".join(f"{key} {value}" for key, value in limit.items())


def _minus(value: object) -> str:
    """A number with a minus that no line is broken at."""
    return str(value).replace("-", "−")


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
    environment.filters["css"] = _css
    environment.filters["day"] = lambda time: f"{time:%Y-%m-%d}"
    return environment.get_template("report.html.j2")


def _css(text: str) -> str:
    """A string of CSS. What is no plain letter or digit is escaped, so that nothing ends the string or the style."""
    plain = (sign if sign.isascii() and (sign.isalnum() or sign == " ") else f"\\{ord(sign):x} " for sign in text)
    return f'"{"".join(plain)}"'


def _page(folder: Path, contents: Contents, embed: bool, problems: Sequence[Problem]) -> Page:
    entries = contents.entries
    opened = last_of(entries, Mark.OPENED)
    procedure, settings = entry_mapping(opened, "procedure"), entry_mapping(opened, "settings")
    readings = _readings(entries, _asked(folder, procedure))
    numbers = {row.id: row.number for row in readings}
    notes = visit.notes_of(folder, entries, embed)
    deviations = tuple(visit.deviations(entries, notes, numbers))
    told = {row.note.id for row in deviations if row.note is not None}
    known = visit.known_by(entries)
    title = entry_text(procedure, "title") or "Session record"
    graded = {grade: tuple(problem for problem in problems if problem.grade is grade) for grade in Grade}
    broken_off = _broken_off(entries)
    cautions = tuple(_cautions(entries, broken_off))
    read_aloud = any(caution.reason != _NOT_ALOUD for caution in cautions)
    return Page(
        title=title,
        procedure=entry_text(procedure, "id"),
        edition=entry_text(procedure, "edition"),
        equipment=entry_text(procedure, "equipment"),
        program=entry_text(opened, "handsfree"),
        settings=tuple((str(key), _setting(value)) for key, value in settings.items() if value is not None),
        start=entries[0].time,
        end=entries[-1].time,
        duration=duration(entries[-1].time - entries[0].time),
        outcome=_outcome(entries),
        times=_times(entries),
        known=known,
        identity=", ".join(
            [
                title,
                f"{entries[0].time:%Y-%m-%d %H:%M:%S} UTC",
                *(f"{row.name} {row.value}" for row in known if row.value),
            ]
        ),
        finding=_finding(entries),
        meters=tuple(_meters(entries)),
        readings=readings,
        figures=tuple(_figures(entries)),
        watches=tuple(_watches(entries)),
        considered=any(row.uncertainty for row in readings),
        tally=_tally(readings),
        deviations=deviations,
        marked=tuple(visit.marked(entries)),
        parts=visit.parts(entries, numbers),
        notes=tuple(note for note in notes if note.id not in told),
        timers=visit.timers(entries),
        counts=visit.counts(entries),
        observed=tuple(_observed(entries)),
        refusals=tuple(_refusals(entries)),
        cautions=cautions if read_aloud else tuple(replace(caution, reason="") for caution in cautions),
        cautions_read_aloud=read_aloud,
        energy=_energy(entries),
        off=visit.ledger(entries, notes),
        transcript=tuple(_transcript(folder, entries, embed, notes, broken_off)),
        asked_again=sum(entry.kind is Mark.ASKED_AGAIN for entry in entries),
        entries=len(entries),
        clips=len({entry_text(entry.data, "clip") for entry in entries if entry.kind is Mark.HEARD} - {""}),
        seal=contents.seal or "",
        broken=graded[Grade.BROKEN],
        unproved=graded[Grade.UNPROVED],
        incomplete=graded[Grade.INCOMPLETE],
        remarks=graded[Grade.REMARK],
    )


def _setting(value: object) -> str:
    if not isinstance(value, Mapping):
        return str(value)
    return "; ".join(f"{key} {inner}" for key, inner in value.items())


def _finding(entries: Iterable[Entry]) -> Finding:
    data = last_of(entries, Mark.CONCLUDED)
    if not data:
        return Finding("none", "The session ended before anything was concluded.")
    return Finding(
        entry_text(data, "condition"), entry_text(data, "finding"), entry_text(data, "part"), entry_text(data, "action")
    )


def _asked(folder: Path, heading: Mapping[str, Any]) -> dict[tuple[str, str], Measure]:
    """What asked for a reading, by step and name; nothing where the copy of the procedure is not the one used."""
    try:
        source = (folder / PROCEDURE).read_bytes()
        if digest(source) != heading.get("sha256"):
            return {}
        steps = loads(source, PROCEDURE).procedure.steps
    except (OSError, PlainError):
        return {}
    return {
        (step.id, measure.reading): measure
        for step in steps
        if isinstance(step, Measure | Watch)
        for measure in measures_of(step)
    }


def _readings(entries: Sequence[Entry], asked: Mapping[tuple[str, str], Measure]) -> tuple[ReadingRow, ...]:
    rows: list[ReadingRow] = []
    forced = visit.overridden(entries)
    names = {
        entry_text(entry.data, "meter"): entry_text(entry.data, "name") for entry in entries if entry.kind is Mark.METER
    }
    for entry in entries:
        data = entry.data
        if entry.kind is Mark.READING:
            measure = asked.get((entry_text(data, "step"), entry_text(data, "reading")))
            waveform = None if measure is None else measure.waveform
            limit = data.get("limit")
            if isinstance(limit, Mapping) and waveform is not None:
                limit = {"waveform": waveform, **limit}
            rows.append(
                ReadingRow(
                    number=len(rows) + 1,
                    id=entry_text(data, "id"),
                    time=entry.time,
                    step=entry_text(data, "step"),
                    name=entry_text(data, "reading"),
                    value=_without_leads(data) or reading_text(data),
                    limit="watched over time" if data.get("series") else limit_text(limit),
                    verdict=entry_text(data, "verdict"),
                    reason=entry_text(data, "reason"),
                    source=_source(measure, limit),
                    spoken=_spoken(data),
                    implausible=limit_text(data.get("implausible")),
                    uncertainty=_uncertainty(data),
                    meter=_meter(data, names),
                    decision=_decision(data),
                    overridden=forced.get(entry_text(data, "id"), ""),
                )
            )
    numbers = {row.id: row.number for row in rows}
    for entry in entries:
        number = numbers.get(entry_text(entry.data, "reading"))
        if entry.kind is Mark.CORRECTED and number is not None:
            by = numbers.get(entry_text(entry.data, "by"))
            why = entry_text(entry.data, "why")
            rows[number - 1] = replace(rows[number - 1], corrected=True, corrected_by=by, why=why)
    watched = {entry_text(entry.data, "id") for entry in entries if entry.data.get("series")}
    return _measured_again(rows, watched)


def _source(measure: Measure | None, limit: object) -> str:
    """A plate; or the waveform that was asked for, where no limit says it."""
    if measure is not None and measure.nameplate:
        return "from the nameplate"
    if measure is None or measure.waveform is None or isinstance(limit, Mapping):
        return ""
    return f"{measure.waveform.upper()} {measure.quantity}"


def _measured_again(rows: Sequence[ReadingRow], watched: Collection[str]) -> tuple[ReadingRow, ...]:
    """The rows, each linked with the reading that stands for its step: the last that was not corrected."""
    of_step: dict[str, list[int]] = {}
    for row in rows:
        if not row.corrected and row.id not in watched:
            of_step.setdefault(row.step, []).append(row.number)
    linked = [replace(row, stands=_stands(row, rows, of_step)) if row.corrected else row for row in rows]
    for *before, stands in of_step.values():
        linked[stands - 1] = replace(linked[stands - 1], before=tuple(before))
        for number in before:
            linked[number - 1] = replace(linked[number - 1], again=stands)
    return tuple(linked)


def _stands(row: ReadingRow, rows: Sequence[ReadingRow], of_step: Mapping[str, Sequence[int]]) -> int | None:
    """What stands for a corrected reading: what it was corrected to in the end, or what was then measured anew."""
    while row.corrected and row.corrected_by is not None and row.corrected_by > row.number:  # as any session does
        row = rows[row.corrected_by - 1]
    later = [number for number in of_step.get(row.step, ()) if number >= row.number]
    return row.number if not row.corrected else later[-1] if later else None


def _figures(entries: Sequence[Entry]) -> Iterator[FigureRow]:
    ids = [entry_text(entry.data, "id") for entry in entries if entry.kind is Mark.READING]
    numbers = {name: number for number, name in enumerate(ids, 1)}
    last = {entry_text(entry.data, "step"): entry.n for entry in entries if entry.kind is Mark.CALCULATED}
    withdrawn = withdrawn_of(entries)
    for entry in entries:
        data = entry.data
        if entry.kind is not Mark.CALCULATED or last[entry_text(data, "step")] != entry.n:
            continue  # worked out again after a correction: that one counts
        unit = symbol(entry_text(data, "unit") or None)
        value = _with_unit(_short(entry_text(data, "value")), unit)
        if data.get("uncertainty") is not None:
            value = f"{_short(entry_text(data, 'value'))} ± {_with_unit(entry_text(data, 'uncertainty'), unit)}"
        made_from = data.get("inputs")
        inputs = [item for item in made_from if isinstance(item, Mapping)] if isinstance(made_from, list) else []
        stands = withdrawn.isdisjoint(entry_text(item, "id") for item in inputs)
        yield FigureRow(
            time=entry.time,
            step=entry_text(data, "step"),
            name=entry_text(data, "figure"),
            value=value or "not known",
            formula=entry_text(data, "formula"),
            inputs=tuple(
                (
                    entry_text(item, "reading"),
                    _with_unit(_short(entry_text(item, "value")), symbol(entry_text(item, "unit") or None)),
                    numbers.get(entry_text(item, "id")),
                )
                for item in inputs
            ),
            limit=_figure_limit(data, unit),
            verdict=entry_text(data, "verdict") if stands else "",
            reason=entry_text(data, "reason") if stands else "made from a reading that does not stand",
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
        if entry.kind is Mark.ENTERED and entry_text(entry.data, "kind") == "watch"
    ]
    withdrawn = withdrawn_of(entries)
    for place, (number, entered) in enumerate(begun):
        step = entry_text(entered.data, "step")
        until = next((at for at, other in begun[place + 1 :] if other.data.get("step") == step), len(entries))
        here = [entry for entry in entries[number:until] if entry.data.get("step") == step]
        back = max((at for at, entry in enumerate(here) if entry.kind is Mark.TAKEN_BACK), default=-1)
        found = last_of(here[back + 1 :], Mark.WATCHED)
        rows = found.get("series")
        told = {
            entry_text(row, "reading"): row
            for row in (rows if isinstance(rows, list) else ())
            if isinstance(row, Mapping)
        }
        read: dict[str, list[Mapping[str, Any]]] = {}
        for entry in here:
            if entry.kind is Mark.READING and entry_text(entry.data, "id") not in withdrawn:
                read.setdefault(entry_text(entry.data, "series"), []).append(entry.data)
        order = entry_mapping(found, "order")
        if read:
            yield WatchRow(
                step=step,
                start=entered.time,
                over=bool(found),
                verdict=entry_text(found, "verdict"),
                order=f"{entry_text(order, 'reason')}: {entry_text(order, 'verdict')}" if order else "",
                series=tuple(_series(name, data, told.get(name, {})) for name, data in read.items()),
            )


def _series(name: str, readings: Sequence[Mapping[str, Any]], row: Mapping[str, Any]) -> SeriesRow:
    unit = symbol(entry_text(readings[0], "unit") or None)
    fit, left_out = entry_mapping(row, "fit"), row.get("left_out")
    points = sorted((_float(data, "seconds"), _float(data, "value")) for data in readings)
    curve = tuple(_float(fit, key) for key in ("settles", "starts", "tau")) if fit else ()
    goal = _float(row, "goal") if row.get("goal") is not None else None
    words = ""
    if fit:
        minutes = f"{_float(fit, 'tau') / 60:.3g}"
        words = f"settles at {_with_unit(entry_text(fit, 'settles'), unit)}, time constant {minutes} min"
        words += f", scatter {_with_unit(entry_text(fit, 'scatter'), unit)}"
    return SeriesRow(
        name=name,
        must=entry_text(row, "must"),
        verdict=entry_text(row, "verdict"),
        reason=entry_text(row, "reason"),
        fit=words,
        points=len(points),
        chart=chart(points, curve, goal, left_out if isinstance(left_out, list) else [], unit),
    )


def _float(data: Mapping[str, Any], key: str) -> float:
    try:
        value = float(entry_text(data, key))
    except ValueError:
        return 0.0
    return value if isfinite(value) else 0.0


def _figure(value: str, unit: str) -> str:
    return _with_unit(value, symbol(unit or None))


def _without_leads(data: Mapping[str, Any]) -> str:
    leads = entry_mapping(data, "leads")
    if not leads:
        return ""
    bound = {Kind.ABOVE.value: f">{_SPACE}", Kind.BELOW.value: f"<{_SPACE}"}.get(entry_text(data, "kind"), "")
    return bound + _figure(entry_text(leads, "corrected"), entry_text(leads, "unit"))


def _spoken(data: Mapping[str, Any]) -> str:
    leads = entry_mapping(data, "leads")
    off = _figure(entry_text(leads, "taken_off"), entry_text(leads, "unit"))
    # A line is broken between the two, nowhere else.
    return f"as{_SPACE}spoken{_SPACE}{reading_text(data)}, leads{_SPACE}{off}" if leads else ""


def _uncertainty(data: Mapping[str, Any]) -> str:
    found = entry_mapping(data, "uncertainty")
    if not found:
        return ""
    shown = entry_text(entry_mapping(data, "leads") or data, "unit")  # that of the value it stands beside
    return f"±{_SPACE}{_figure(*_in_unit(entry_text(found, 'expanded'), entry_text(found, 'unit'), shown))}"


def _in_unit(value: str, unit: str, wanted: str) -> tuple[str, str]:
    """A width in another unit of its kind, and that unit; as it is where there is no such way."""
    if unit == wanted:
        return value, unit
    try:
        factor = _units().Quantity(1.0, _step_of(unit)).to(_step_of(wanted)).magnitude
        return format((Decimal(value) * Decimal(f"{factor:.12g}")).normalize(), "f"), wanted
    except (pint.PintError, InvalidOperation, AssertionError):
        return value, unit


def _step_of(unit: str) -> str:
    """The unit of a difference: a degree has no zero there."""
    return f"delta_{unit}" if unit.startswith("degree_") else unit


def _meter(data: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """ "Ostrel 61, up to 60 Ω: 0.5 % + 2 counts" """
    meter, shown = entry_text(data, "meter"), entry_mapping(data, "range")
    name = names.get(meter) or meter
    if not meter or not shown:
        return name
    accuracy = f"{entry_text(shown, 'percent')}{_SPACE}% + {entry_text(shown, 'counts')} counts"
    return f"{name}, up to {_prefixed(entry_text(shown, 'up_to'), entry_text(shown, 'unit'))}: {accuracy}"


# Units that take a prefix, and prefixes by the power of ten.
_TAKE_A_PREFIX = frozenset({"ampere", "farad", "hertz", "ohm", "pascal", "siemens", "volt", "watt"})
_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


def _prefixed(value: str, unit: str) -> str:
    """A round value as a data sheet has it: "6 MΩ", "60 mA"; where no prefix can be, in groups of three digits."""
    try:
        number = Decimal(value)
    except InvalidOperation:
        return _figure(value, unit)
    power = 3 * (number.adjusted() // 3)
    if unit in _TAKE_A_PREFIX and number and power in _PREFIXES:
        scaled = number.scaleb(-power)
        whole = format(scaled.to_integral_value() if scaled == scaled.to_integral_value() else scaled.normalize(), "f")
        return f"{whole}{_SPACE}{_PREFIXES[power]}{symbol(unit)}"
    grouped = f"{number:,f}".replace(",", _THIN) if abs(number) >= 10_000 else value
    return _figure(grouped, unit)


def _decision(data: Mapping[str, Any]) -> str:
    decision = entry_mapping(data, "decision")
    if not decision:
        return ""
    rule = entry_text(decision, "rule")
    conformity = entry_text(decision, "conformity")
    return f"{rule}; conforms with probability {_probability(conformity)}" if conformity else f"{rule}; a bound"


_LEAST = Decimal("0.0001")  # what a probability is told to


def _probability(text: str) -> str:
    """A probability to four places; nothing is certain."""
    try:
        value = Decimal(text)
    except InvalidOperation:
        return text
    if value < _LEAST:
        return f"less than {_LEAST}"
    return f"more than {1 - _LEAST}" if value > 1 - _LEAST else str(value.quantize(_LEAST))


def _meters(entries: Iterable[Entry]) -> Iterator[MeterRow]:
    for entry in entries:
        if entry.kind is Mark.METER:
            data, overdue = entry.data, entry.data.get("days_overdue")
            yield MeterRow(
                entry.time,
                entry_text(data, "name") or entry_text(data, "meter") or "not known",
                entry_text(data, "serial"),
                entry_text(data, "calibration_due"),
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
    return entry_text(last.data, "outcome") if last is not None else ""


def _times(entries: Iterable[Entry]) -> str:
    """How the words came in and whose the times are; empty where a clock gave them while somebody spoke."""
    ways: list[str] = []
    for entry in entries:
        if entry.kind in (Mark.OPENED, Mark.REOPENED):
            ways.append(_way(entry_mapping(entry.data, "settings")))
        elif entry.kind is Mark.HEARD and entry.data.get("engine") == "transcript":
            ways[-1:] = ["typed; times are as typed, counted from the start"]
    different = list(dict.fromkeys(ways))
    return different[0] if len(different) == 1 else "; ".join(f"in part {way or 'heard live'}" for way in different)


def _way(settings: Mapping[str, Any]) -> str:
    source = entry_text(settings, "input")
    if source == "typed":
        return "typed; times are the computer's"
    # Records from before the settings said so tell a recording by its file's name alone.
    if settings.get("times") == "recording" or source.lower().endswith(_SOUND_FILES):
        return f"from a recording, {source}; times are the recording's, counted from the start"
    return ""


def _interruption(left: Entry | None, reopened: Entry) -> tuple[str, str]:
    """When a session was left and resumed, and what was set aside of its record."""
    since = "" if left is None else f"left {left.time:%Y-%m-%d %H:%M:%S}, "
    aside = reopened.data.get("set_aside")
    pieces = [piece for piece in aside if isinstance(piece, Mapping)] if isinstance(aside, list) else []
    torn = "; ".join(f"{entry_text(piece, 'bytes')} bytes in {entry_text(piece, 'name')}" for piece in pieces)
    return f"{since}resumed {reopened.time:%Y-%m-%d %H:%M:%S}", f"a torn line is set aside, {torn}" if torn else ""


def _refusals(entries: Iterable[Entry]) -> Iterator[EventRow]:
    before: Entry | None = None
    for entry in entries:
        data, step = entry.data, entry_text(entry.data, "step")
        if entry.kind is Mark.REFUSED:
            yield EventRow(entry.time, "refused", step, entry_text(data, "reason"))
        elif entry.kind is Mark.FAULT:
            yield EventRow(entry.time, "fault", step, entry_text(data, "what"))
        elif entry.kind is Mark.REOPENED:
            yield EventRow(entry.time, "interruption", step, *_interruption(before, entry))
        before = entry


def _observed(entries: Sequence[Entry]) -> Iterator[EventRow]:
    """What was answered at steps that ask what is seen, heard or felt: the question, and the answer as it was said."""
    asked: dict[str, str] = {}
    last = {
        entry_text(entry.data, "step"): entry for entry in entries if entry.kind in (Mark.ANSWERED, Mark.TAKEN_BACK)
    }
    for entry in entries:
        step = entry_text(entry.data, "step")
        if entry.kind is Mark.ENTERED:
            asked[step] = entry_text(entry.data, "text")
        elif entry.kind is Mark.ANSWERED:
            later = last[step]
            again = "" if later is entry else "taken back" if later.kind is Mark.TAKEN_BACK else "answered again later"
            yield EventRow(entry.time, asked.get(step, ""), step, entry_text(entry.data, "text"), again)


def _broken_off(entries: Iterable[Entry]) -> Mapping[int, str]:
    """The remark on each entry of something said that was not spoken to its end, since somebody spoke into it."""
    last, found = dict[str, int](), dict[int, str]()

    def remark(texts: object, *remarks: str) -> None:
        for place, text in enumerate(texts if isinstance(texts, list) else ()):
            if isinstance(text, str) and text in last:
                found[last[text]] = remarks[min(place, len(remarks) - 1)]

    for entry in entries:
        if entry.kind is Mark.SAID:
            last[entry_text(entry.data, "text")] = entry.n
        elif entry.kind is Mark.HEARD:
            remark(entry.data.get("said_again"), "broken off, and said again after that")
            remark(entry.data.get("left_off"), "broken off before its end", "not spoken, for somebody spoke")
    return found


_NOT_ALOUD = "shown, not read aloud"


def _cautions(entries: Iterable[Entry], broken_off: Mapping[int, str]) -> Iterator[EventRow]:
    aloud = True
    for entry in entries:
        if entry.kind in (Mark.OPENED, Mark.REOPENED):
            # Records from before the settings said so were mostly of prompts that were spoken.
            aloud = entry_mapping(entry.data, "settings").get("voice", "aloud") == "aloud"
        elif entry.kind is Mark.SAID and entry.data.get("about") == "caution":
            text = entry_text(entry.data, "text")
            word, _, rest = text.partition(" ")
            signal = word.strip(".,:;!").lower()
            remark = broken_off.get(entry.n, "") if aloud else _NOT_ALOUD
            if signal in set(Signal):
                yield EventRow(entry.time, signal, entry_text(entry.data, "step"), rest, remark)
            else:
                yield EventRow(entry.time, "", entry_text(entry.data, "step"), text, remark)


def _energy(entries: Iterable[Entry]) -> tuple[tuple[str, tuple[tuple[datetime, str], ...]], ...]:
    sources: dict[str, list[tuple[datetime, str]]] = {}
    for entry in entries:
        if entry.kind is Mark.ENERGY:
            sources.setdefault(entry_text(entry.data, "name") or entry_text(entry.data, "source"), []).append(
                (entry.time, entry_text(entry.data, "state"))
            )
        elif entry.kind is Mark.DEVIATION and entry.data.get("what") == "not found dead":
            sources.setdefault(entry_text(entry.data, "reason"), []).append((entry.time, "not found dead"))
    return tuple((source, tuple(states)) for source, states in sources.items())


def _transcript(
    folder: Path, entries: Sequence[Entry], embed: bool, notes: Sequence[Note], broken_off: Mapping[int, str]
) -> Iterator[Passage]:
    played = {note.clip.name: note.id for note in notes if note.clip}
    step, lines, begun = "", list[Line](), entries[0].time
    for entry in entries:
        if entry.kind is Mark.ENTERED:
            if lines:
                yield Passage(step, _spent(entry.time - begun), tuple(lines))
            step, lines, begun = entry_text(entry.data, "step"), [], entry.time
        elif line := _line(folder, entry, embed, played):
            lines.append(replace(line, number=entry.n, remark=broken_off.get(entry.n, "")))
    if lines:
        yield Passage(step, _spent(entries[-1].time - begun), tuple(lines))


def _spent(span: timedelta) -> str:
    return duration(span) if span >= timedelta(minutes=1) else ""


def _line(folder: Path, entry: Entry, embed: bool, played: Mapping[str, str]) -> Line | None:
    data, time = entry.data, entry.time
    match entry.kind:
        case Mark.HEARD:
            note = played.get(entry_text(data, "clip"), "")
            return Line(
                time,
                "technician",
                entry_text(data, "text"),
                confidence=_confidence(data.get("confidence")),
                others=_others(data),
                clip=None if note else clip_of(folder, data, embed),
                note=note,
            )
        case Mark.SAID:
            return Line(time, "handsfree", entry_text(data, "text"), about=entry_text(data, "about"))
        case Mark.ASKED_AGAIN:
            return Line(time, "", f"Asked again: {entry_text(data, 'reason')}")
        case Mark.FAULT:
            return Line(time, "", f"Fault: {entry_text(data, 'what')}", about="fault")
        case Mark.MARKED:
            return Line(time, "", "Marked for the supervisor", about="marked")
        case Mark.PAUSED | Mark.RESUMED:
            return Line(time, "", "Standing by" if entry.kind is Mark.PAUSED else "Going ahead")
        case Mark.ENDED:
            return Line(time, "", f"Input ended: {entry_text(data, 'why')}")
        case Mark.REOPENED:
            return Line(time, "", "Session resumed")
    return None


def _confidence(value: Any) -> str:
    return f"{value:.2f}" if isinstance(value, int | float) and not isinstance(value, bool) else ""


def _others(data: Mapping[str, Any]) -> str:
    found = data.get("alternatives")
    texts = (
        [entry_text(other, "text") for other in found if isinstance(other, Mapping)] if isinstance(found, list) else []
    )
    return "; ".join(text for text in texts[:3] if text and text != entry_text(data, "text"))
