"""What a visit is known by, where it is given with the start: work order, asset, serial number, site, technician.

The one rule: what the procedure says how it is printed must be printed so, since a wrong serial number sends the record
to another machine; the rest is taken as it is written.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handsfree.errors import PlainError
from handsfree.procedure.model import OPENING, Procedure
from handsfree.spoken.identifiers import ANY, Misheard, as_printed

LONGEST = 200  # characters


class VisitError(PlainError):
    """What was given does not fit; the message says what to write instead."""


@dataclass(frozen=True, slots=True)
class Job:
    """A job file: what the visit is known by, and the meters' files that it names."""

    known: Mapping[str, str]
    meters: tuple[Path, ...]


def read_job(source: bytes, path: Path) -> Job:
    """Reads a job file (TOML): its keys are those of a visit, and ``meter``. Raises VisitError naming what is wrong."""
    try:
        written = tomllib.loads(source.decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise VisitError(f'{path}: this is no TOML ({error}); write lines such as work_order = "4711"') from None
    known: dict[str, str] = {}
    for key, value in written.items():
        if key == "meter":
            continue
        if key not in OPENING:
            near = difflib.get_close_matches(key, (*OPENING, "meter"), 1)
            remedy = f'write "{near[0]}"' if near else f"the keys are {', '.join((*OPENING, 'meter'))}"
            raise VisitError(f'{path}: unknown key "{key}"; {remedy}')
        if not isinstance(value, str):
            raise VisitError(f'{path}: "{key}" is no text; write it in quotes, such as {key} = "4711"')
        known[key] = value
    return Job(known, tuple(path.parent / Path(meter).expanduser() for meter in _meters(written, path)))


def _meters(written: Mapping[str, Any], path: Path) -> list[str]:
    meters = written.get("meter", [])
    meters = [meters] if isinstance(meters, str) else meters
    if not isinstance(meters, list) or not all(isinstance(meter, str) for meter in meters):
        raise VisitError(f'{path}: "meter" is not a file\'s path; write meter = "meter.yaml", or several in [ ]')
    return meters


def visit(procedure: Procedure, given: Mapping[str, str]) -> dict[str, str]:
    """What a visit is known by, in the procedure's forms. Raises VisitError for what cannot be in its form."""
    known: dict[str, str] = {}
    for name in OPENING:
        written = given.get(name, "").strip()
        if not written:
            continue
        if len(written) > LONGEST or not written.isprintable():
            raise VisitError(f"{_called(name)} is not one line of text: write at most {LONGEST} characters")
        identity = procedure.opening.get(name)
        fitted = written if identity is None or identity.form == ANY else as_printed(written, identity.form)
        if isinstance(fitted, Misheard):
            raise VisitError(f"{_called(name)} {written!r} cannot be right: {fitted.reason}")
        known[name] = fitted
    return known


def _called(name: str) -> str:
    return f"the {name.replace('_', ' ')}"
