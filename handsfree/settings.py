"""Everyday settings: what a technician sets once, in one file.

The one rule: a setting is declared once, as a field of ``Settings``; from it come its key in the file, its option, its
environment variable, its help and its line of the example. A value is read from the same text wherever it stands.

An option counts before the environment, the environment before the file, and the file before what is built in. The
word ``default`` takes a setting back to what is built in, wherever it is written.
"""

from __future__ import annotations

import argparse
import difflib
import os
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal

from handsfree.errors import PlainError

VARIABLE = "HANDSFREE_SETTINGS"  # names another file
PREFIX = "HANDSFREE_"
DEFAULT = "default"
GLANCE_HOST, GLANCE_PORT = "127.0.0.1", 8765


class SettingsError(PlainError):
    """A setting cannot be used. The text says where it stands and what to write instead."""


# -- forms -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Form:
    """How a setting is written: ``words`` completes "write ...", ``read`` raises ValueError for any other text."""

    words: str
    read: Callable[[str], Any]
    metavar: str
    quoted: bool = True  # whether TOML has its text in quotes


def _one_of(*choices: str) -> Form:
    def read(text: str) -> str:
        if text not in choices:
            raise ValueError
        return text

    return Form(f"{', '.join(choices[:-1])} or {choices[-1]}", read, f"{{{','.join(choices)}}}")


def _whole(low: int, high: int) -> Form:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdigit() and low <= int(text) <= high):
            raise ValueError
        return int(text)

    return Form(f"a whole number from {low} to {high}", read, "N", quoted=False)


def _share(low: float, high: float) -> Form:
    def read(text: str) -> float:
        if not re.fullmatch(r"[0-9]?\.?[0-9]{1,6}", text, re.ASCII) or not low <= float(text) <= high:
            raise ValueError
        return float(text)

    return Form(f"a number from {low} to {high}", read, "N", quoted=False)


def _switch(text: str) -> bool:
    return {"true": True, "yes": True, "on": True, "1": True, "false": False, "no": False, "off": False, "0": False}[
        text.lower()
    ]


def _text(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise ValueError
    return text.strip()


def read_address(text: str) -> tuple[str, int] | None:
    """HOST:PORT, a port alone, or "off"; the host stands in brackets where it holds colons (RFC 3986, 3.2.2)."""
    if text == "off":
        return None
    if text == "on":
        return GLANCE_HOST, GLANCE_PORT
    found = re.fullmatch(r"(?:(\[[0-9A-Fa-f:.]+\]|[0-9A-Za-z.-]+):)?([0-9]{1,5})", text, re.ASCII)
    if found is None or not 0 <= int(found[2]) <= 65535:
        raise ValueError
    return (found[1] or GLANCE_HOST).strip("[]"), int(found[2])


_NAME = Form("a name", _text, "NAME")
_DEVICE = Form("a number or part of a name", lambda text: int(text) if text.isdecimal() else _text(text), "NAME")
_SWITCH = Form("true or false", _switch, "", quoted=False)
_FOLDER = Form("the path of a folder", lambda text: Path(_text(text)).expanduser(), "DIR")
_ADDRESS = Form(f"HOST:PORT such as 0.0.0.0:{GLANCE_PORT}, a port, on or off", read_address, "HOST:PORT")


# -- the settings ------------------------------------------------------------------------------------------------------


def _setting(built_in: Any, form: Form, about: str, example: str) -> Any:
    return field(default=built_in, metadata={"form": form, "about": about, "example": example})


@dataclass(frozen=True, slots=True)
class Settings:
    """What is in force. A field's name is its key in the file; ``rate`` is in words a minute."""

    voice: Literal["auto", "aloud", "file", "silent"] = _setting(
        "auto",
        _one_of("auto", "aloud", "file", "silent"),
        "speak aloud, into files beside the record, or not at all; auto: aloud where there is a loudspeaker, silent "
        "with typed or recorded input",
        "aloud",
    )
    rate: int = _setting(150, _whole(80, 300), "rate of speech in words a minute, 80 to 300", "130")
    device: str | int | None = _setting(None, _DEVICE, "microphone, by number or part of its name", "USB headset")
    loudspeaker: str | int | None = _setting(None, _DEVICE, "loudspeaker, by number or part of its name", "USB headset")
    headset: bool = _setting(
        False,
        _SWITCH,
        "the microphone does not hear the voice, so speech may cut it off; not with an open loudspeaker",
        "true",
    )
    engine: Literal["auto", "moonshine", "pocketsphinx", "vosk", "both"] = _setting(
        "auto",
        _one_of("auto", "moonshine", "pocketsphinx", "vosk", "both"),
        "recogniser; auto: the embedded Moonshine, together with Vosk (both) where there is a Vosk model in models/; "
        "PocketSphinx, or Vosk alone, on a computer for which there is no Moonshine",
        "pocketsphinx",
    )
    model: Path | None = _setting(  # noqa: RUF009 (a field like the others)
        None, _FOLDER, "folder of a Vosk model", "~/models/english"
    )
    technician: str | None = _setting(None, _NAME, "who does the work, as it stands in the record", "anna")
    speaker: str | None = _setting(
        None, _NAME, "adapt to somebody who was enrolled (see 'handsfree enrol'); not with Vosk alone", "anna"
    )
    confirm_below: float = _setting(
        0.5,
        _share(0.5, 0.95),
        "a reading heard less surely than this, 0.5 to 0.95, is only taken after AFFIRM; 0.5 is what the recognisers "
        "are calibrated for, more asks more often",
        "0.7",
    )
    glance: tuple[str, int] | None = _setting(
        None,
        _ADDRESS,
        "show the session to a phone or tablet at this address; the port alone, or on, is for this computer only",
        "on",
    )


NAMES = tuple(each.name for each in fields(Settings))
_DECLARED = {each.name: each for each in fields(Settings)}
_BUILT_IN = Settings()


def form(name: str) -> Form:
    """How the setting is written."""
    written: Form = _DECLARED[name].metadata["form"]
    return written


def about(name: str) -> str:
    """What the setting does."""
    return str(_DECLARED[name].metadata["about"])


def option(name: str) -> str:
    """Its option on the command line."""
    return "--" + name.replace("_", "-")


def variable(name: str) -> str:
    """Its environment variable."""
    return PREFIX + name.upper()


def shown(value: object) -> str:
    """A value as it would be written; empty where none is set."""
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case (str(host), int(port)):
            return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        case _:
            return str(value)


def _read(name: str, text: str, where: str) -> Any:
    """The value that ``text`` is. Raises SettingsError naming ``where`` it stands."""
    if text.strip().lower() == DEFAULT:
        return getattr(_BUILT_IN, name)
    try:
        return form(name).read(text.strip())
    except (ValueError, KeyError):
        raise SettingsError(f"{where}: {text!r} is no {name}: write {form(name).words}, or {DEFAULT}") from None


# -- the file ----------------------------------------------------------------------------------------------------------


def path(environment: Mapping[str, str] = os.environ) -> Path:
    """Where the settings file is, or would be: what HANDSFREE_SETTINGS names, else the user's own settings folder."""
    if named := environment.get(VARIABLE):
        return Path(named).expanduser()
    import platformdirs

    return platformdirs.user_config_path("handsfree", appauthor=False) / "settings.toml"


@dataclass(frozen=True, slots=True)
class _Line:
    value: Any
    place: str


def _in_file(file: Path, *, must_be: bool) -> dict[str, _Line]:
    """The values of a file with their places; nothing where there is no file. Raises SettingsError."""
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        if must_be:
            raise SettingsError(f"{VARIABLE} names {file}, which does not exist: write it, or unset it") from None
        return {}
    except UnicodeDecodeError as error:
        raise SettingsError(f"{file}: byte {error.start + 1} is no text: save the file as UTF-8") from None
    except OSError as error:
        raise SettingsError(f"{file} cannot be read: {error.strerror}; make it a file that you may read") from None
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(_twice(file, text) or _no_toml(file, str(error))) from None
    found = {}
    for key, value in document.items():
        place = _place(file, text, key)
        if key not in _DECLARED:
            raise SettingsError(f"{place}: {_unknown(key, value)}")
        if not isinstance(value, str | bool | int | float):
            raise SettingsError(f"{place}: {key} takes a single value: write {_line(key, _example(key))}")
        found[key] = _Line(_read(key, shown(value), place), place)
    return found


def _no_toml(file: Path, error: str) -> str:
    at = re.search(r" \(at line (\d+), column (\d+)\)", error)
    place = f"{file}:{at[1]}:{at[2]}" if at else str(file)
    said = error.replace(at[0], "") if at else error
    return (
        f"{place}: {said[:1].lower()}{said[1:]}. Write one setting a line, text in quotes, as in "
        f"{_line('voice', 'aloud')}; a path with backslashes stands in single ones, as in model = 'C:\\models\\english'"
    )


def _twice(file: Path, text: str) -> str | None:
    for name in NAMES:
        if len(lines := _lines(text, name)) > 1:
            return f"{file}:{lines[1]}: {name} stands on line {lines[0]} already: take one of the two away"
    return None


def _place(file: Path, text: str, key: str) -> str:
    lines = _lines(text, key)
    return f"{file}:{lines[0]}" if len(lines) == 1 else str(file)


def _lines(text: str, key: str) -> list[int]:
    """The lines that a key opens: looked for in the text, since the reader of TOML does not tell."""
    opening = re.compile(rf"""\s*(?:\[\s*)?["']?{re.escape(key)}["']?\s*[\].=]""")
    return [number for number, line in enumerate(text.splitlines(), 1) if opening.match(line)]


def _unknown(key: str, value: Any) -> str:
    if isinstance(value, dict):
        return f"settings stand in no section: leave the heading [{key}] away, and write each setting on a line"
    near = difflib.get_close_matches(key.replace("-", "_"), NAMES, 1)
    return f"there is no setting {key!r}: write " + (near[0] if near else f"one of {', '.join(NAMES)}")


def _example(name: str) -> str:
    return str(_DECLARED[name].metadata["example"])


def _line(name: str, text: str) -> str:
    return f'{name} = "{text}"' if form(name).quoted else f"{name} = {text}"


def example() -> str:
    """A settings file with every setting explained and commented out."""
    import textwrap

    parts = ["# Settings of handsfree. Take the # away from a line to have it in force."]
    for name in NAMES:
        explained = textwrap.fill(about(name), 116, initial_indent="# ", subsequent_indent="# ")
        built_in = shown(getattr(_BUILT_IN, name)) or "none"
        parts.append(f"{explained}\n# Write {form(name).words}. Built in: {built_in}.\n# {_line(name, _example(name))}")
    return "\n\n".join(parts) + "\n"


# -- what is in force --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class InForce:
    """The settings with where each comes from: an option, a variable, a file's line, or "built in"."""

    settings: Settings
    origin: Mapping[str, str]


def in_force(options: Mapping[str, object], environment: Mapping[str, str] = os.environ) -> InForce:
    """The settings in force. ``options`` has those given on the command line, None where one was not.

    Raises SettingsError for a file or variable that cannot be used, also where an option would count before it: a
    mistake is told when it is made, not when the option is left out one day.
    """
    written = _in_file(path(environment), must_be=bool(environment.get(VARIABLE)))
    values: dict[str, Any] = {}
    origin: dict[str, str] = {}
    for name in NAMES:
        values[name], origin[name] = getattr(_BUILT_IN, name), "built in"
        if name in written:
            values[name], origin[name] = written[name].value, written[name].place
        if environment.get(variable(name)):
            values[name] = _read(name, environment[variable(name)], f"the variable {variable(name)}")
            origin[name] = variable(name)
        if options.get(name) is not None:
            given = options[name]
            values[name] = given if isinstance(given, bool) else _read(name, str(given), option(name))
            origin[name] = option(name)
    return InForce(Settings(**values), origin)


def add_options(parser: argparse.ArgumentParser, *names: str) -> None:
    """Gives a command the options of these settings. Their text is read by ``in_force``, as in the file."""
    for name in names:
        if form(name) is _SWITCH:
            parser.add_argument(option(name), action=argparse.BooleanOptionalAction, help=about(name))
        elif form(name) is _ADDRESS:
            parser.add_argument(option(name), nargs="?", const="on", metavar=form(name).metavar, help=about(name))
        else:
            parser.add_argument(option(name), metavar=form(name).metavar, help=about(name))
