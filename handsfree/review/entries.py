"""What is read out of a journal's entries for the page.

The one rule: an entry may have been altered, so nothing of it is taken for granted; what is missing or of another kind
is empty.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from handsfree.session.events import Mark
from handsfree.session.journal import CLIP_NAME, Entry, digest


@dataclass(frozen=True, slots=True)
class Clip:
    """An utterance's audio; ``source`` is a data URI or a relative address, None where the clip cannot be played."""

    name: str
    source: str | None
    complaint: str | None


def entry_text(data: Mapping[str, Any], key: str) -> str:
    """What stands at a key, as text; empty where nothing does."""
    value = data.get(key)
    return "" if value is None else str(value)


def entry_mapping(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    """The mapping at a key; empty where there is none."""
    value = data.get(key)
    return value if isinstance(value, Mapping) else {}


def entry_number(data: Mapping[str, Any], key: str) -> int | float | None:
    """The number at a key; None where there is none."""
    value = data.get(key)
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def last_of(entries: Iterable[Entry], kind: Mark) -> Mapping[str, Any]:
    """What the last entry of a kind holds; empty where there is none."""
    return next((entry.data for entry in reversed(list(entries)) if entry.kind is kind), {})


def withdrawn_of(entries: Iterable[Entry]) -> set[str]:
    """The ids of the readings that do not stand."""
    return {entry_text(entry.data, "reading") for entry in entries if entry.kind is Mark.CORRECTED}


def clip_of(folder: Path, data: Mapping[str, Any], embed: bool) -> Clip | None:
    """The clip of something heard, held to its hash; None where none was kept."""
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


def duration(span: timedelta) -> str:
    """ "1 h 05 min", "12 min 03 s" """
    minutes, seconds = divmod(max(0, round(span.total_seconds())), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {seconds:02} s"
