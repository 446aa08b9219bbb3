"""From a file to a procedure, or to a list of what its writer has to change and where.

The one rule: every problem is a sentence for the writer, with the place in the file and what to write instead; what
the libraries say of themselves never gets through.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from handsfree.procedure import model
from handsfree.procedure.document import MAX_BYTES, Document, PathInFile, Place, Problem, ProcedureError, read, shown
from handsfree.procedure.sense import Draft, problems_of, unsayable
from handsfree.spoken.words import reserved

__all__ = ["Loaded", "Problem", "ProcedureError", "file_bytes", "load", "loads"]

_STEP_KINDS: Mapping[str, type[BaseModel]] = {
    "do": model.Do,
    "measure": model.Measure,
    "observe": model.Observe,
    "watch": model.Watch,
    "calculate": model.Calculate,
    "choose": model.Choose,
    "conclude": model.Conclude,
}
_LIMIT_KINDS: Mapping[str, type[BaseModel]] = {
    "at_most": model.AtMost,
    "at_least": model.AtLeast,
    "between": model.Between,
    "nominal": model.Nominal,
}
_FIGURE_LIMIT_KINDS: Mapping[str, type[BaseModel]] = {
    "platinum_class": model.PlatinumClass,  # these first, as the model looks for them
    "insulation_minimum": model.InsulationMinimum,
    **_LIMIT_KINDS,
}
_FIGURE_REMEDY = f"write the id of a step, or one of {', '.join(f'{kind}: ...' for kind in model.FIGURES)}"
_LIMIT_REMEDY = "write one of at_most: 7, at_least: 2, between: [2, 7], or nominal: 45 with plus_minus_percent: 6"
_INSULATION = "{winding: random-wound, rated_volts: 400}"
_PAIRS = ("between", "plausible")
_STEP: TypeAdapter[model.Step] = TypeAdapter(model.Step)

# A line to copy for every key that may not be missing.
_EXAMPLES = {
    "procedure": "procedure: cooler-does-not-cool",
    "title": "title: The cooler does not cool",
    "edition": "edition: 2",
    "purpose": "purpose: Find the part that stops the cooling",
    "equipment": "equipment: the maker's name and the model",
    "local_rules": "local_rules: who may do this work, and whose rules come first",
    "steps": "steps: and under it the steps, each opened by a dash",
    "name": "name: supply cord",
    "kind": "kind: electrical",
    "signal": "signal: warning",
    "text": "text: Keep your hands away. The fan can start.",
    "id": "id: measure-start-relay",
    "say": "say: Measure the resistance of the start relay.",
    "reading": "reading: start relay",
    "quantity": "quantity: resistance",
    "answers": "answers: {runs: [it runs], silent: [it is silent]}",
    "figure": "figure: total less start and run",
    "calculate": "calculate: {difference: [one-step, another-step]}",
    "series": "series: and under it what is read each time, each with reading, quantity and unit",
    "by": "by: the id of an earlier step",
    "next": "next: {conforming: one-step, nonconforming: another-step}",
    "finding": "finding: The start relay has a high resistance.",
    "condition": "condition: faulty",
    "action": "action: Replace the start relay.",
    "category": "category: CAT III",
    "volts": "volts: 600",
    "worn_above": "worn_above: 1",
    "winding": "winding: random-wound",
    "rated_volts": "rated_volts: 400",
}


@dataclass(frozen=True, slots=True)
class Loaded:
    """A procedure with the file it came from.

    ``source`` is the file's bytes exactly as read and ``sha256`` their digest in hexadecimal; ``path`` is None for a
    procedure that was not read from a file.
    """

    procedure: model.Procedure
    source: bytes
    sha256: str
    path: Path | None
    document: Document = field(repr=False)

    def place(self, path: PathInFile) -> Place:
        """Line and column, from 1, of a value such as ``("steps", 3, "limit")``; of what is around it if not there."""
        return self.document.place(path)


def file_bytes(path: Path, example: str = "procedure.yaml") -> bytes:
    """The bytes of a writer's file, ``MAX_BYTES`` and one more at most. Raises ProcedureError where it cannot be read.

    ``example`` is the name of a file such as is wanted.
    """

    def refuse(message: str, remedy: str) -> ProcedureError:
        return ProcedureError((Problem(str(path), 1, 1, message, remedy),))

    try:
        if path.is_dir():
            raise refuse("this is a folder", f"name a file in it, such as {example}")
        if path.exists() and not path.is_file():
            raise refuse("this is not an ordinary file", f"name a YAML file, such as {example}")
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise refuse("there is no such file", "check the name and the folder") from None
    except PermissionError:
        raise refuse("you may not read this file", "ask its owner, or copy it to a folder of your own") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "the name is not a file's name"
        raise refuse(f"the file cannot be read ({reason})", "check the name and the disk") from None


def load(path: Path) -> Loaded:
    """Read a procedure's file. Raises ProcedureError with all that is wrong, a file that cannot be read included."""
    return _load(file_bytes(path), str(path), path)


def loads(source: bytes, name: str) -> Loaded:
    """Read a procedure from bytes; ``name`` stands for the file in messages. Raises ProcedureError as ``load``."""
    return _load(source, name, None)


def _load(source: bytes, name: str, path: Path | None) -> Loaded:
    document = read(source, name)
    problems = list(document.problems)
    if isinstance(document.data, dict) and "meter" in document.data and "procedure" not in document.data:
        remedy = f"name a procedure; a meter's file is named with it: PROCEDURE --meter {name}"
        raise ProcedureError((document.problem((), "this is the file of a meter, not of a procedure", remedy),))
    if not isinstance(document.data, dict):
        remedy = f'begin it with "{_EXAMPLES["procedure"]}"'
        problems.append(document.problem((), "the file does not hold a procedure's keys", remedy))
        raise ProcedureError(tuple(sorted(problems)))
    procedure = None
    try:
        procedure = model.Procedure.model_validate(document.data)
    except ValidationError as error:
        problems += _sentences(error, document)
    problems += problems_of(_draft(document), document, reserved())
    if problems or procedure is None:
        raise ProcedureError(tuple(sorted(set(problems))))
    return Loaded(procedure, source, hashlib.sha256(source).hexdigest(), path, document)


def _draft(document: Document) -> Draft:
    """What of the file can be checked for sense, be the rest as it may."""
    steps: dict[int, model.Step] = {}
    ids: list[tuple[int, str]] = []
    written = document.data.get("steps")
    for index, item in enumerate(written if isinstance(written, list) else ()):
        if isinstance(item, dict) and isinstance(item.get("id"), str):
            ids.append((index, item["id"]))
        try:
            steps[index] = _STEP.validate_python(item)
        except ValidationError:
            continue  # told already, with the whole
    sources = document.data.get("sources")
    named = sources if isinstance(sources, dict) else {}
    electrical = {name for name, one in named.items() if isinstance(one, dict) and one.get("kind") == "electrical"}
    return Draft(steps, tuple(ids), tuple(named), frozenset(electrical))


def _sentences(error: ValidationError, document: Document) -> Iterator[Problem]:
    for detail in error.errors(include_url=False):
        path = _path_in_file(detail["loc"], document)
        on_key = path[-1:] == ("[key]",)
        if on_key:
            path = path[:-1]
        if any(path[:length] in document.spoiled for length in range(len(path) + 1)):
            continue
        told = _sentence(detail, path, document)
        if told is not None:
            yield document.problem(path, *told, key=on_key or detail["type"] == "extra_forbidden")


def plain_number(value: object) -> str:
    """What to write for a number in an odd notation."""
    try:
        number = Decimal(str(value))
        if number.is_finite() and abs(number.adjusted()) < 15:
            return f"write {number:f}"
    except InvalidOperation:
        pass
    return "write digits with a decimal point, such as 7 or 0.25"


def _path_in_file(loc: tuple[int | str, ...], document: Document) -> PathInFile:
    """The library's location without the names of union members, which stand nowhere in the file."""
    path = list(loc)
    if path[0] == "steps" and len(path) > 2:
        kind = path.pop(2)
        if path[2:3] == ["limit"] or (path[2:3] == ["next"] and kind not in ("do", "choose")):
            del path[3:4]
        elif path[2:3] == ["series"] and path[4:5] == ["ratio"]:
            del path[5:6]
        elif path[2:3] == ["calculate"]:
            path[3:] = _without_kinds(path[3:], _at((path[0], path[1]), document).get("calculate"))
    return tuple(path)


def _without_kinds(path: list[int | str], value: Any) -> Iterator[int | str]:
    """What leads into a figure: the kind of each figure stands twice in the library's path, and once in the file."""
    for number, part in enumerate(path, 1):
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            if number == len(path) and isinstance(value, dict | list):
                yield part  # what is missing there
            continue
        yield part


def _sentence(detail: ErrorDetails, path: PathInFile, document: Document) -> tuple[str, str] | None:
    """Message and remedy for one of pydantic's errors; None for one that only follows from another."""
    value, context, key = detail["input"], detail.get("ctx", {}), _key_name(path)
    match detail["type"]:
        case "missing":
            if isinstance(path[-1], int):
                return _two(path, _key_name(path[:-1]))
            return f'{_whose(path[:-1], document)} has no "{path[-1]}"', f"add {_example(path, document)}"
        case "extra_forbidden":
            return _unknown_key(path, document)
        case "union_tag_not_found" if "limit" in path or path[-1] == "ratio":
            written = ", ".join(map(shown, value)) if isinstance(value, dict) else shown(value)
            said = f"{written} is not a limit" if written else f"{key} is empty"
            return said, _limit_remedy(path, document)
        case "union_tag_not_found" if path[2:3] == ("calculate",):
            written = ", ".join(map(shown, value)) if isinstance(value, dict) else given(value)
            near = (
                difflib.get_close_matches(str(next(iter(value), "")), model.FIGURES, 1)
                if isinstance(value, dict)
                else []
            )
            return f"{written} is not a figure", f'write "{near[0]}"' if near else _FIGURE_REMEDY
        case "union_tag_not_found":
            return f'{_whose(path, document)} has no "kind"', f"add kind: and {_one_of(_STEP_KINDS)}"
        case "union_tag_invalid":
            return f"{shown(context['tag'])} is not a kind of step", choice(str(context["tag"]), _STEP_KINDS)
        case "enum" if key == '"category"':
            remedy = _one_of(f"CAT {category}" for category in model.Category)
            return f"{shown(value)} is not a value of {key}", f"write {remedy}"
        case "enum" if key == '"check"' and re.fullmatch(r"mod(ul(us|o))?[ -]?10", str(value).lower()):
            return f"{shown(value)} is not a value of {key}", 'write "luhn", which is the one of modulus 10'
        case "literal_error" if path[:1] == ("opening",) and len(path) == 2:
            return f"a visit is not known by {shown(value)}", choice(str(value), model.OPENING)
        case "literal_error" | "enum":
            allowed = [item.strip(" '") for item in str(context["expected"]).replace(" or ", ", ").split(",")]
            what = "a verdict" if path[-2:-1] == ("next",) else f"a value of {key}"
            return f"{shown(value)} is not {what}", choice(str(value), allowed)
        case "too_short" if isinstance(value, list | dict) and len(value) >= int(context["min_length"]):
            return None  # its items were refused, and each has its own sentence
        case "too_short":
            return f"{key} needs at least {context['min_length']}", f"{key} holds {len(value)}; add what is missing"
        case "too_long" if context["max_length"] == 2:
            return _two(path, key)
        case "too_long":
            return f"{key} has more than {context['max_length']} entries", "divide the procedure"
        case _ if value is None:
            return f"{key} has no value", f"write {_wanted(detail, path, document)}, or remove the key"
        case "string_pattern_mismatch" if key == '"pattern"':
            return (
                f"{shown(value)} is no pattern",
                "write A for a letter, 9 for a digit and X for either, as in AA-9999",
            )
        case "string_pattern_mismatch" if "answers" in path and isinstance(path[-1], int):
            return f"{shown(value)} cannot be a phrase to say", "write words of letters only, numbers as words too"
        case "string_pattern_mismatch" if path[2:3] == ("calculate",):
            return f"{shown(value)} is not the id of a step", _as_figure(str(value))
        case "string_pattern_mismatch" if (odd := unsayable(str(value))) is not None:
            name = unicodedata.name(odd, "a letter").lower()
            return f'{shown(value)} has a letter "{odd}" that is not Latin ({name})', "write it in Latin letters"
        case "string_pattern_mismatch":
            message = f"{shown(value)} cannot be a name for other steps to use"
            return message, f'write small letters, digits and dashes, such as "{_as_identifier(str(value))}"'
        case "string_too_short":
            return f"{key} is empty", f"write {_wanted(detail, path, document)}"
        case "string_too_long":
            remedy = f"shorten it to {context['max_length']} characters"
            return f"{key} has {len(str(value))} characters, too many to be spoken", remedy
        case "value_error" | "decimal_parsing" | "finite_number" | "decimal_type":
            minus = next((sign for sign in _MINUS_LIKE if sign in str(value)), None)
            if minus is not None and isinstance(value, str):
                message = f"{given(value)} has a {unicodedata.name(minus).lower()} (U+{ord(minus):04X})"
                return message, f"write it with the plain minus of the keyboard: {value.replace(minus, '-')}"
            return f"{given(value)} is not a plain number", plain_number(value)
        case "greater_than":
            return f"{key} is {value}", "write a number above zero"
        case "greater_than_equal" | "less_than_equal":
            bound = "at least" if "ge" in context else "at most"
            return f"{key} is {value}", f"write {bound} {context.get('ge', context.get('le'))}"
        case "int_type" | "int_parsing":
            return f"{key} is {given(value)}", "write a whole number, such as 8"
        case "string_type" if isinstance(value, bool):
            return f"{key} is {str(value).lower()}, not a text", f'write "{str(value).lower()}" in quotes'
        case _:
            return f"{key} is {given(value)}", f"write {_wanted(detail, path, document)}"


_MINUS_LIKE = "\N{MINUS SIGN}\N{EN DASH}\N{EM DASH}\N{HYPHEN}\N{NON-BREAKING HYPHEN}\N{FULLWIDTH HYPHEN-MINUS}"


def _limit_remedy(path: PathInFile, document: Document) -> str:
    """The limits to choose from; a figure has some more."""
    if _at(path[:2], document).get("kind") != "calculate":
        return _LIMIT_REMEDY
    return f"{_LIMIT_REMEDY}, platinum_class: B, or insulation_minimum: {_INSULATION}"


def _two(path: PathInFile, key: str) -> tuple[str, str]:
    if any(pair in path[-2:] for pair in _PAIRS):
        return f"{key} needs two numbers", "write [lower, upper]"
    if "steinhart_hart" in path:
        return f"{key} needs three numbers", "write the coefficients [a, b, c]"
    return f"{key} needs two entries", "write [first, second]"


_NAMES_A_STEP = ("unable", "next", "by", "minus_leads", "verified_by")


def _wanted(detail: ErrorDetails, path: PathInFile, document: Document) -> str:
    match detail["type"]:
        case "bool_type":
            return "true or false"
        case "tuple_type" if path[-1] in _PAIRS:
            return "two numbers, [lower, upper]"
        case "tuple_type" if path[2:3] == ("calculate",) and isinstance(detail["input"], str):
            steps = re.findall(r"[a-z][a-z0-9-]*", detail["input"])
            return f"a list, such as [{', '.join(steps if len(steps) > 1 else ('first', 'second'))}]"
        case "tuple_type":
            return f"a list, such as [{detail['input'] if isinstance(detail['input'], str) else 'first, second'}]"
        case "decimal_type":
            return "a number"
        case "dict_type" | "model_type" | "model_attributes_type" | "mapping_type":
            if path[-1] == "insulation_minimum":
                return f"the winding and its voltage, such as {_INSULATION}"
            if path[-1] == "answers":
                return "each answer's name with its phrases, such as {runs: [it runs], silent: [it is silent]}"
            if path[:1] == ("sources",):
                return "each source's name with its own keys, such as mains: {name: supply cord, kind: electrical}"
            if path[-1] == "next":
                return "each outcome with the step it leads to, such as {conforming: next-step}"
            return f"its keys, each on a line of its own: {', '.join(_allowed(path, document))}"
        case _ if path[-1] in _NAMES_A_STEP:
            return "the id of a step"
        case _:
            example = _EXAMPLES.get(str(path[-1]))
            return f'a text, such as "{example.partition(": ")[2]}"' if example else "a text"


_OPERATIONS = {"+": "sum", "-": "difference", "−": "difference", "/": "ratio"}


def _as_figure(text: str) -> str:
    """What to write for a formula that was written as text, such as "w1 / w2"."""
    for sign, kind in _OPERATIONS.items():
        parts = [part.strip() for part in re.split(rf"\s*{re.escape(sign)}\s*" if sign != "-" else r"\s+-\s+", text)]
        whole = all(re.fullmatch(r"[a-z][a-z0-9-]{0,63}", part) for part in parts)
        if whole and (len(parts) == 2 or (len(parts) > 2 and kind == "sum")):
            return f"write {{{kind}: [{', '.join(parts)}]}}"
    if re.search(r"[-+/*^()=\N{MINUS SIGN}]", text):
        return f"write a formula as keys: {', '.join(f'{kind}: ...' for kind in model.FIGURES)}"
    return _FIGURE_REMEDY


def given(value: object) -> str:
    """A value of the wrong kind, for a sentence."""
    match value:
        case dict():
            return "a set of keys"
        case list():
            return "a list"
        case None:
            return "nothing"
        case bool():
            return str(value).lower()
        case _:
            return shown(value)


def _key_name(path: PathInFile) -> str:
    """The key that a value belongs to, for a sentence."""
    names = [str(part) for part in path if isinstance(part, str)]
    if not names:
        return "the file"
    if path[0] == "steps" and len(path) == 2:
        return "the step"
    if isinstance(path[-1], int) and names[-1] not in _PAIRS:
        return f'entry {path[-1] + 1} of "{names[-1]}"'
    return f'"{names[-1]}"'


def _whose(path: PathInFile, document: Document) -> str:
    """What lacks a key, for a sentence."""
    if path[:1] == ("steps",) and len(path) == 2:
        step = _at(path, document)
        named = step.get("id") if isinstance(step, dict) else None
        return f"the step {shown(named)}" if isinstance(named, str) else "the step"
    if path[-2:-1] == ("cautions",):
        return "the caution"
    return "the procedure" if not path else _key_name(path)


def _at(path: PathInFile, document: Document) -> Any:
    value: Any = document.data
    for part in path:
        value = value[part]
    return value


# What stands under a key, or in the list under it.
_ENTRIES: dict[PathInFile, type[BaseModel]] = {
    ("takes_off",): model.Item,
    ("pieces",): model.Piece,
    ("starts",): model.Timer,
    ("wait",): model.Timer,
    ("replaces",): model.Replacement,
    ("serial",): model.Identity,
}


def _allowed(path: PathInFile, document: Document) -> tuple[str, ...]:
    """The keys that may stand at a path."""
    kind: type[BaseModel] | None = model.Procedure if not path else None
    if path[:1] == ("sources",):
        kind = model.EnergySource
    elif path[-2:-1] == ("cautions",):
        kind = model.Caution
    elif path[-1:] == ("needs_rating",):
        kind = model.Rating
    elif path[-1:] == ("lead_zero",):
        kind = model.LeadZero
    elif path[-2:-1] in _ENTRIES or path[-1:] in _ENTRIES:
        kind = _ENTRIES[path[-2:-1] if path[-2:-1] in _ENTRIES else path[-1:]]
    elif path == ("opening",):
        return tuple(model.OPENING)
    elif path[:1] == ("opening",):
        kind = model.Identity
    elif path[-1:] in (("limit",), ("ratio",)) and path[2:3] != ("calculate",):
        kind = next((_FIGURE_LIMIT_KINDS[key] for key in _FIGURE_LIMIT_KINDS if key in _at(path, document)), None)
    elif path[-1:] == ("insulation_minimum",):
        return ("winding", "rated_volts")
    elif path[2:3] == ("series",):
        kind = model.Series
    elif path[2:3] == ("calculate",):
        inside = [_at(path[:length], document) for length in range(3, len(path) + 1)]
        named = next(
            key for value in reversed(inside) for key in model.FIGURES if isinstance(value, dict) and key in value
        )
        held = model.FIGURES[named].model_fields[named].annotation
        inner = path[-1] == named and isinstance(held, type) and issubclass(held, BaseModel)
        return tuple(held.model_fields) if inner and isinstance(held, type) else (named,)
    elif path[:1] == ("steps",):
        step = _at(path[:2], document)
        kind = _STEP_KINDS.get(str(step.get("kind"))) if isinstance(step, dict) else None
    return tuple(kind.model_fields) if kind else ("id", "kind")


def _unknown_key(path: PathInFile, document: Document) -> tuple[str, str]:
    key, allowed = str(path[-1]), _allowed(path[:-1], document)
    if path[-2:-1] in (("limit",), ("ratio",)) and key in _FIGURE_LIMIT_KINDS:
        return f'the limit has both "{allowed[0]}" and "{key}"', f"keep one; {_limit_remedy(path[:-1], document)}"
    if path[2:3] == ("calculate",) and key in model.FIGURES and allowed[0] in model.FIGURES:
        return f'the figure has both "{allowed[0]}" and "{key}"', "keep one; a figure may stand inside the other"
    if key.isdigit():  # {at_most: 0,3} is 0, and a key 3
        return f"a number is written with a comma before {key}", "write a point, as in 0.3; a comma parts two keys"
    if _at(path, document) is None and (" " in key or key.endswith((".", "!", "?"))):  # {say: First, then second.}
        return f"a comma parts {shown(key)} from the text before it", "put the whole text in quotes"
    near = difflib.get_close_matches(key, allowed, 1)
    hint = f'write "{near[0]}"' if near else "remove it"
    present = set(_at(path[:-1], document))
    free = [name for name in allowed if name not in present]
    return f"unknown key {shown(key)}", hint + (f"; still allowed here: {', '.join(free)}" if free else "")


def _example(path: PathInFile, document: Document) -> str:
    key = str(path[-1])
    if key == "kind" and path[0] == "steps":
        return f"kind: and {_one_of(_STEP_KINDS)}"
    return f'"{_EXAMPLES[key]}"' if key in _EXAMPLES else f'"{key}: ..."'


def choice(written: str, allowed: Iterable[str]) -> str:
    """What to write instead of a word that is none of those allowed."""
    names = list(allowed)
    near = difflib.get_close_matches(written.lower(), names, 1)
    if near:
        return f'write "{near[0]}"; allowed here: {", ".join(names)}'
    return f"write {_one_of(names)}"


def _one_of(names: Iterable[str]) -> str:
    return "one of " + ", ".join(names)


def _as_identifier(text: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).lstrip("-0123456789").rstrip("-")
    return plain[:64].rstrip("-") or "step-one"
