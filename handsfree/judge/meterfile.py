"""From a file to a meter, or to a list of what its writer has to change and where.

The one rule: as for a procedure's file, every problem is a sentence with the place in the file and what to write
instead. A figure that is left out is never guessed: a meter without its data is no meter file at all, and the record
then says that no uncertainty was considered.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from pathlib import Path

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from handsfree.judge.meter import Function, Meter, Range
from handsfree.procedure.document import Document, PathInFile, Problem, ProcedureError, read, shown
from handsfree.procedure.load import choice, file_bytes, given, plain_number
from handsfree.procedure.model import Category, Rating
from handsfree.spoken.meaning import Quantity
from handsfree.spoken.units import quantity_of, spellings
from handsfree.spoken.words import reserved

_OPENING = "meter: bench-two"
# A line to copy for every key that may not be missing.
_EXAMPLES = {
    "meter": _OPENING,
    "name": "name: the maker's name and the model",
    "serial": "serial: the number on its plate",
    "called": "called: [the yellow one]",
    "calibration_due": "calibration_due: 2031-05-31",
    "ratings": "ratings: [{category: CAT III, volts: 600}]",
    "functions": "functions: and under it the functions, each opened by a dash",
    "category": "category: CAT III",
    "volts": "volts: 600",
    "quantity": "quantity: resistance",
    "unit": "unit: ohm",
    "waveform": "waveform: ac",
    "ranges": "ranges: [{up_to: 600, resolution: 0.1, percent: 0.9, counts: 2}]",
    "up_to": "up_to: 600",
    "resolution": "resolution: 0.1",
    "percent": "percent: 0.9",
    "counts": "counts: 2",
}


def load_meters(paths: Iterable[Path]) -> tuple[Meter, ...]:
    """The meters of some files, and of the files in some folders, in the order given.

    Raises ProcedureError with all that is wrong, a file that cannot be read and a meter that stands twice included.
    """
    problems: list[Problem] = []
    meters: dict[str, Meter] = {}
    for path in paths:
        files = sorted(path.glob("*.yaml")) if path.is_dir() else [path]
        if not files:
            remedy = "put a file such as bench-two.yaml into it, or name another"
            problems.append(Problem(str(path), 1, 1, "there is no meter file in this folder", remedy))
        for file in files:
            try:
                meter = loads_meter(file_bytes(file, "bench-two.yaml"), str(file))
            except ProcedureError as error:
                problems += error.problems
                continue
            if meter.meter in meters:
                message = f"the meter {shown(meter.meter)} is in another file already"
                problems.append(Problem(str(file), 1, 1, message, "give each meter a name of its own"))
            known = {phrase: other.meter for other in meters.values() for phrase in other.called}
            for phrase in sorted(known.keys() & set(meter.called)):
                message = f"{shown(phrase)} is what the meter {shown(known[phrase])} is called"
                problems.append(Problem(str(file), 1, 1, message, "give each meter phrases of its own"))
            meters[meter.meter] = meter
    if problems:
        raise ProcedureError(tuple(problems))
    return tuple(meters.values())


def loads_meter(source: bytes, name: str) -> Meter:
    """Read a meter from a file's bytes; ``name`` stands for the file in messages. Raises ProcedureError."""
    document = read(source, name, _OPENING)
    problems = list(document.problems)
    if isinstance(document.data, dict) and "procedure" in document.data and "meter" not in document.data:
        remedy = "name a meter's file behind --meter, and the procedure without it"
        raise ProcedureError((document.problem((), "this is the file of a procedure, not of a meter", remedy),))
    if not isinstance(document.data, dict):
        problems.append(document.problem((), "the file does not hold a meter's keys", f'begin it with "{_OPENING}"'))
        raise ProcedureError(tuple(sorted(problems)))
    meter = None
    try:
        meter = Meter.model_validate(document.data)
    except ValidationError as error:
        problems += _sentences(error, document)
    if meter is not None:
        for number, phrase in enumerate(meter.called):
            if phrase in reserved():
                remedy = "choose words that say what it looks like"
                problems.append(document.problem(("called", number), f"{shown(phrase)} is a procedure word", remedy))
    if problems or meter is None:
        raise ProcedureError(tuple(sorted(set(problems))))
    return meter


def _sentences(error: ValidationError, document: Document) -> Iterator[Problem]:
    for detail in error.errors(include_url=False):
        path: PathInFile = tuple(detail["loc"])
        if any(path[:length] in document.spoiled for length in range(len(path) + 1)):
            continue
        on_key = detail["type"] == "extra_forbidden"
        if detail["type"] == "too_short" and detail["input"]:
            continue  # its items were refused, and each has its own sentence
        yield document.problem(path, *_sentence(detail, path), key=on_key)


def _sentence(detail: ErrorDetails, path: PathInFile) -> tuple[str, str]:
    """Message and remedy for one of pydantic's errors."""
    value, context = detail["input"], detail.get("ctx", {})
    key = next((str(part) for part in reversed(path) if isinstance(part, str)), "the file")
    example = _EXAMPLES.get(key, f"{key}: ...")
    match detail["type"]:
        case "missing":
            whose = {"functions": "the function", "ranges": "the range", "ratings": "the rating"}
            owner = next((whose[part] for part in reversed(path[:-1]) if isinstance(part, str)), "the meter")
            return f'{owner} has no "{key}"', f'add "{example}"'
        case "extra_forbidden":
            allowed = _allowed(path[:-1])
            near = difflib.get_close_matches(key, allowed, 1)
            hint = f'write "{near[0]}"' if near else "remove it"
            return f"unknown key {shown(key)}", f"{hint}; allowed here: {', '.join(allowed)}"
        case "enum" | "literal_error" if key == "category":
            categories = ", ".join(f"CAT {category}" for category in Category)
            return f"{shown(value)} is no measurement category", f"write one of {categories}"
        case "enum" | "literal_error":
            names = [str(quantity) for quantity in Quantity] if key == "quantity" else ["ac", "dc"]
            return f'{shown(value)} is not a value of "{key}"', choice(str(value), names)
        case "too_short":
            return f'"{key}" is empty', f'write "{example}"'
        case _ if value is None:
            return f'"{key}" has no value', f'write "{example}"'
        case "value_error" if key == "calibration_due" and isinstance(value, str):
            return f"{shown(value)} is not a date", 'write year-month-day, such as "2031-05-31"'
        case "value_error" if isinstance(value, dict):
            return _unsound(str(context.get("error", detail["msg"])), value)
        case "value_error" | "decimal_parsing" | "finite_number" | "decimal_type":
            return f"{given(value)} is not a plain number", plain_number(value)
        case "greater_than" | "greater_than_equal":
            least = "above zero" if detail["type"] == "greater_than" else "of zero or more"
            return f'"{key}" is {value}', f"write a number {least}"
        case "string_pattern_mismatch" if key == "called":
            return f"{shown(value)} cannot be a phrase to say", "write words of letters only, numbers as words too"
        case "string_pattern_mismatch":
            return f"{shown(value)} cannot be a name", f'write small letters, digits and dashes, such as "{example}"'
        case kind if kind.startswith("date"):
            return f"{given(value)} is not a date", 'write year-month-day, such as "2031-05-31"'
        case _:
            return f'"{key}" is {given(value)}', f'write "{example}"'


def _unsound(message: str, value: dict[str, object]) -> tuple[str, str]:
    """Where the parts of a range, a function or a meter do not go together: message, and what to do."""
    said, _, remedy = message.partition(": ")
    if remedy:
        return said, remedy
    quantity = value.get("quantity")
    if "is not a unit of" in message:
        units = sorted({unit.name for named in spellings().values() for unit in named if unit.quantity == quantity})
        known = quantity_of(str(value.get("unit")))
        return message, ("it measures " + known + "; " if known else "") + f"write one of {', '.join(units)}"
    return message, "put the ranges in order, as the data sheet has them"


def _allowed(path: PathInFile) -> tuple[str, ...]:
    """The keys that may stand at a path."""
    kinds: dict[str, type[BaseModel]] = {"functions": Function, "ranges": Range, "ratings": Rating}
    kind = next((kinds[part] for part in reversed(path) if isinstance(part, str) and part in kinds), Meter)
    return tuple(kind.model_fields)
