"""A YAML file as plain data with the place of everything in it.

The one rule: the file says only text, lists and keys. Nothing is guessed (``yes`` and ``1.10`` stay text, the model
says what a number is) and nothing is repeated (no anchors, merge keys, tags or second documents), so what stands in the
file is all there is, and every value has one place. Events are read one by one and nothing is expanded, so a hostile
file costs no more than its size.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import yaml

from handsfree.errors import PlainError

MAX_BYTES = 1024 * 1024
MAX_DEPTH = 16

PathInFile = tuple[str | int, ...]
Place = tuple[int, int]


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """Something a writer has to change. ``line`` and ``column`` count from 1, in characters."""

    file: str
    line: int
    column: int
    message: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.message}; {self.remedy}"


class ProcedureError(PlainError):
    """The file cannot be used. ``problems`` holds all that was found, in file order; str() gives one a line."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__(problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


@dataclass(frozen=True, slots=True)
class Document:
    """Plain data (text, bool, None, list, dict) and where each value and each key stands.

    ``spoiled`` holds the paths whose data is not what the writer meant (a repeated key, an alias): they have been
    reported, and what validation says of them is noise. ``cut`` holds the places at which a comment ends a text that is
    not in quotes, by the text's path.
    """

    name: str
    data: Any
    values: Mapping[PathInFile, Place]
    keys: Mapping[PathInFile, Place]
    spoiled: frozenset[PathInFile]
    problems: tuple[Problem, ...]
    cut: Mapping[PathInFile, Place] = field(default_factory=dict)

    def place(self, path: PathInFile, *, key: bool = False) -> Place:
        """Line and column of the value at a path, or of its key; of what is around it where the path is not there."""
        if key and path in self.keys:
            return self.keys[path]
        while path not in self.values and path:
            path = path[:-1]
        return self.values.get(path, (1, 1))

    def problem(self, path: PathInFile, message: str, remedy: str, *, key: bool = False) -> Problem:
        """A problem at the place of a path."""
        return Problem(self.name, *self.place(path, key=key), message, remedy)


def shown(value: object) -> str:
    """A value from the file as it can stand in a message: in quotes, on one line, cut where it is long."""
    text = " ".join(str(value).split())
    text = "".join(character if character.isprintable() else "?" for character in text)
    return f'"{text[:40]}…"' if len(text) > 41 else f'"{text}"'


# What PyYAML says, and what a writer can do about it. The first part found in its message counts.
_SYNTAX = (
    (r"character '\t'", "a tab stands where YAML wants spaces", "indent with spaces"),
    (
        "mapping values are not allowed",
        'a ":" stands where no key can end',
        "put a text that holds a colon in quotes, and see that the key before it has its own",
    ),
    ("found unexpected end of stream", "a quote is opened and never closed", "close the quote"),
    ("could not find expected ':'", "a key has no colon", 'write "key: value", or put a text that goes on in quotes'),
    ("expected <block end>", "this line does not line up with those before it", "indent it as its neighbours"),
    ("cannot start any token", "a text may not open with this character", "put the text in quotes"),
    ("found undefined tag handle", 'a text may not open with "!"', "put the text in quotes"),
    ("unknown escape character", "a backslash in double quotes is a code", "use single quotes"),
    ("expected ',' or ']'", "a list is opened with [ and never closed", "close it with ]"),
    ("expected ',' or '}'", "a set of keys is opened with { and never closed", "close it with }, or quote the text"),
    ("unexpected character", "this character may not stand here", "put the text in quotes"),
    ("expected alphabetic or numeric", 'a text may not open with "&" or "*"', "put the text in quotes"),
)


_OPENING = "procedure: name-of-the-procedure"


def read_text(source: bytes, name: str, opening: str = _OPENING) -> str:
    """The file's text; raises ProcedureError for what is not UTF-8, too large or empty."""

    def refuse(message: str, remedy: str, place: Place = (1, 1)) -> ProcedureError:
        return ProcedureError((Problem(name, *place, message, remedy),))

    if len(source) > MAX_BYTES:
        raise refuse(f"the file is larger than {MAX_BYTES // 1024} KiB", "check that it is a procedure, or divide it")
    if source.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise refuse("the file is UTF-16", "save it as UTF-8")
    if source.startswith(b"\xef\xbb\xbf"):
        raise refuse("the file opens with a byte order mark", "save it as UTF-8 without BOM")
    try:
        text = source.decode("utf-8")
    except UnicodeDecodeError as error:
        before = source[: error.start].decode("utf-8")
        place = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
        raise refuse(f"byte {source[error.start]:#04x} is not UTF-8", "save the file as UTF-8", place) from None
    if not text.strip():
        raise refuse("the file is empty", f'begin it with "{opening}"')
    return text


def _place(mark: Any) -> Place:
    return (mark.line + 1, mark.column + 1) if mark else (1, 1)


_COMMENT = re.compile(r"[ \t]+#")


def _is_step(path: PathInFile) -> bool:
    return len(path) == 2 and path[0] == "steps" and isinstance(path[1], int)


@dataclass(slots=True)
class _Level:
    """A list or a set of keys that is still open."""

    node: list[Any] | dict[str, Any]
    path: PathInFile
    key: str | None = None


@dataclass(slots=True)
class _Reading:
    name: str
    text: str
    root: Any = None
    open: list[_Level] = field(default_factory=list)
    values: dict[PathInFile, Place] = field(default_factory=dict)
    keys: dict[PathInFile, Place] = field(default_factory=dict)
    spoiled: set[PathInFile] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    cut: dict[PathInFile, Place] = field(default_factory=dict)

    def stop(self, place: Place, message: str, remedy: str) -> ProcedureError:
        self.report(place, message, remedy)
        return ProcedureError(tuple(sorted(self.problems)))

    def report(self, place: Place, message: str, remedy: str) -> None:
        self.problems.append(Problem(self.name, *place, message, remedy))

    def wants_key(self) -> bool:
        return bool(self.open) and isinstance(self.open[-1].node, dict) and self.open[-1].key is None

    def take_key(self, key: str, place: Place) -> None:
        level = self.open[-1]
        assert isinstance(level.node, dict)
        path = (*level.path, key)
        if key == "<<":
            self.report(place, 'the merge key "<<" is not used here', "write the keys out")
            self.spoiled.add(path)
        elif key == "id" and _is_step(level.path) and level.node.keys() > {"id", "kind"}:
            self.report(place, "a dash is missing before this step", 'open each step with a dash, as in "- id: a-step"')
            self.open.pop()
            self.enter({}, place)  # read on as if it were there
            level, path = self.open[-1], (*self.open[-1].path, key)
        elif key in level.node:
            line, column = self.keys[path]
            self.report(place, f"the key {shown(key)} stands already at {line}:{column}", "keep one of the two")
            # The second is kept apart, so that the places of the first stay those of the first.
            while key in level.node:
                key += " (again)"
            path = (*level.path, key)
            self.spoiled.add(path)
        self.keys[path] = place
        level.key = key

    def put(self, value: Any, place: Place) -> PathInFile:
        if not self.open:
            self.root = value
            path: PathInFile = ()
        else:
            level = self.open[-1]
            if isinstance(level.node, list):
                path = (*level.path, len(level.node))
                level.node.append(value)
            else:
                assert level.key is not None
                path = (*level.path, level.key)
                level.node[level.key] = value
                level.key = None
        self.values[path] = place
        return path

    def scalar(self, event: yaml.ScalarEvent, place: Place) -> None:
        text = event.value
        odd = next((c for c in text if not c.isprintable() and c not in "\n\t"), None)
        if odd is not None:
            self.report(
                place, f"the text holds the invisible character U+{ord(odd):04X}", "remove it, or write a plain space"
            )
        if self.wants_key():
            self.take_key(text, place)
            return
        value: str | bool | None = text
        if event.implicit[0]:  # not in quotes: the YAML 1.2 core schema's nulls and booleans, but no numbers
            if text in ("", "~", "null", "Null", "NULL"):
                value = None
            elif text in ("true", "True", "TRUE", "false", "False", "FALSE"):
                value = text.lower() == "true"
        path = self.put(value, place)
        if odd is not None:
            self.spoiled.add(path)
        end = event.end_mark
        if event.style is None and end and (comment := _COMMENT.match(self.text, end.index)):
            line, column = _place(end)
            self.cut[path] = line, column + comment.end() - comment.start() - 1

    def take(self, event: yaml.Event) -> None:
        place = _place(event.start_mark)
        if isinstance(event, yaml.DocumentStartEvent) and self.values:
            raise self.stop(place, "a second document begins here", 'keep one procedure in a file and remove the "---"')
        if isinstance(event, yaml.AliasEvent):
            remedy = "write the value out wherever it is wanted"
            self.report(place, f"aliases such as *{event.anchor} are not allowed", remedy)
            if self.wants_key():
                self.take_key(f"*{event.anchor}", place)
                self.spoiled.add((*self.open[-1].path, f"*{event.anchor}"))
            else:
                self.spoiled.add(self.put(None, place))
        elif isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent):
            if event.anchor is not None:
                remedy = "remove it, and write the value out wherever it is wanted"
                self.report(place, f"anchors such as &{event.anchor} are not allowed", remedy)
            if event.tag is not None:
                remedy = "remove it; write a text in quotes, a number and a list as they are"
                self.report(place, f"the tag {shown(event.tag)} is not used here", remedy)
            if isinstance(event, yaml.ScalarEvent):
                self.scalar(event, place)
            else:
                self.enter([] if isinstance(event, yaml.SequenceStartEvent) else {}, place)
        elif isinstance(event, yaml.CollectionEndEvent):
            self.open.pop()

    def enter(self, node: list[Any] | dict[str, Any], place: Place) -> None:
        if self.wants_key():
            raise self.stop(place, "a key may not be a list or a set of keys", "write a plain word before the colon")
        if len(self.open) >= MAX_DEPTH:
            raise self.stop(place, f"more than {MAX_DEPTH} levels inside each other", "a procedure needs six at most")
        self.open.append(_Level(node, self.put(node, place)))


def _odd_space(text: str, first: int, last: int) -> tuple[Place, str] | None:
    """The first space after a colon or a dash, or before a line, that only looks like one; its place and its name."""
    lines = text.split("\n")
    for number in range(min(first, last), max(first, last) + 1):
        for found in re.finditer(r"(?:^ *|[:-] *)([^\S \t\r\n])", lines[number - 1] if number <= len(lines) else ""):
            character = found.group(1)
            called = unicodedata.name(character, "space").lower()
            return (number, found.start(1) + 1), f"{called} (U+{ord(character):04X})"
    return None


_TWICE = {
    "'": "write it twice ('') there, or put the text in double quotes",
    '"': 'put the text in single quotes, or write \\" there',
}


def _inner_quote(text: str, end: int) -> tuple[Place, str] | None:
    """The quote that ends a text which goes on at ``end``; its place and what to do about it."""
    before = text[:end].rstrip(" ")
    apart = len(before) < end and text.startswith(('"', "'", "]", "}"), end)  # another text, and a comma is missing
    if before[-1:] not in _TWICE or apart:
        return None
    return (before.count("\n") + 1, len(before) - (before.rfind("\n") + 1)), _TWICE[before[-1]]


def read(source: bytes, name: str, opening: str = _OPENING) -> Document:
    """Read a file's bytes; ``opening`` is a line that such a file begins with.

    Raises ProcedureError where nothing can be built (not UTF-8, not YAML, too deep, two documents). Lesser problems are
    in the document's ``problems``, so that they can be reported with what else is found.
    """
    text = read_text(source, name, opening)
    reading = _Reading(name, text)
    try:
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            reading.take(event)
    except yaml.MarkedYAMLError as error:
        said = f"{error.problem or error.context}"
        # A quote that is never closed is found at the end of the file; the writer needs the place where it opens.
        unclosed = "found unexpected end of stream" in said
        runs_on = "mapping values are not allowed" in said  # a text, which may have begun on the line before
        place = _place(error.context_mark if unclosed else error.problem_mark or error.context_mark)
        space = _odd_space(text, _place(error.context_mark or error.problem_mark)[0] - runs_on, place[0])
        if space is not None:
            at, name_of_it = space
            reading.problems = [problem for problem in reading.problems if (problem.line, problem.column) != at]
            raise reading.stop(
                at, f"a {name_of_it} stands where YAML wants a plain space", "write a plain space"
            ) from None
        if error.problem_mark and "expected" in said and (quote := _inner_quote(text, error.problem_mark.index)):
            at, remedy = quote
            raise reading.stop(at, "a quote inside the text in quotes ends it here", remedy) from None
        for part, message, remedy in _SYNTAX:
            if part in said:
                raise reading.stop(place, message, remedy) from None
        raise reading.stop(place, f"this is not YAML ({said})", "compare it with the lines around it") from None
    except yaml.reader.ReaderError as error:
        before = text[: error.position]
        place = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
        raise reading.stop(place, "the file holds a control character", "remove it") from None
    except (ValueError, OverflowError):
        # PyYAML lets these through for an escape such as "\UFFFFFFFF" and for an absurd %YAML directive.
        raise reading.stop((1, 1), "the file holds a code that is no character", "write the character itself") from None
    if not reading.values:
        raise reading.stop((1, 1), "the file holds only comments", f'begin with "{opening}"')
    return Document(
        name,
        reading.root,
        reading.values,
        reading.keys,
        frozenset(reading.spoiled),
        tuple(reading.problems),
        reading.cut,
    )
