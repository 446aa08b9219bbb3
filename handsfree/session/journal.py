"""The record of a session on disk: one folder, one append-only journal, everything it names beside it.

The one rule: a line is written once, and each line carries the hash of the line before, so that no line can be changed,
taken out or moved without the next one showing it.

A session's folder holds ``journal.jsonl``, ``procedure.yaml`` (the bytes that were used) and ``clips/0001.flac``, ...
``journal.lock`` is held by the one program that may write, and its lock ends with that program. Where a program was
killed in the middle of a line, that piece is set aside in ``journal.torn-1``, ... when the session is reopened.
A line of the journal is the RFC 8785 canonical form of::

    {"data": {...}, "kind": "heard", "n": 2, "previous": "<64 hex digits>", "time": "2031-05-06T07:08:09.123Z"}

``n`` counts from 1, ``time`` is RFC 3339 in UTC to the millisecond, ``previous`` is the SHA-256 (FIPS 180-4) of the
line before without its line feed, and 64 zeros in the first line. A line is complete with its line feed.

What the chain cannot show by itself is the end: the last line has no successor, so a last line rewritten in valid form,
or whole lines cut off, leave a chain that holds. A cut before the closing entry is seen because that entry is missing;
everything else at the end is seen by whoever kept the seal, the hash of the last line (``seal``).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from io import FileIO
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn, Self

import rfc8785
from filelock import FileLock, Timeout

from handsfree.errors import PlainError
from handsfree.session.events import Mark

JOURNAL = "journal.jsonl"
PROCEDURE = "procedure.yaml"
CLIPS = "clips"
LOCK = "journal.lock"
TORN_NAME = re.compile(r"journal\.torn-[1-9][0-9]{0,8}")  # what is set aside may lie nowhere else
CLIP_NAME = re.compile(r"clips/[0-9]{4,9}\.flac")  # a clip's name in the journal may lead nowhere else

_START = "0" * 64
_HASH = re.compile(r"[0-9a-f]{64}")
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_SAFE_INTEGER = 2**53 - 1
_BY_MAIL = (
    " from LF to CR LF, as a mail program or an editor does: have the folder sent again as one zip file, or save the "
    "file with the line ends LF (Unix), and verify again"
)


class JournalError(PlainError):
    """The record cannot be written or read; the message is a sentence for the technician."""


class DiskError(JournalError):
    """The disk does not take the record; ``reason`` is what the system says, as "No space left on device"."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(f"{path} cannot be written: {reason}. Free space on the disk or choose another folder.")
        self.reason = reason


class Grade(StrEnum):
    """How much a problem says against a record."""

    BROKEN = "broken"  # something is not as it was written
    UNPROVED = "unproved"  # it was made by another version, whose rules may be others than those it is checked by here
    INCOMPLETE = "incomplete"  # what is there holds, the end is missing
    REMARK = "remark"  # worth knowing, no ground for doubt


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong with a record; ``line`` counts the journal's lines from 1, None for the record as a whole."""

    line: int | None
    message: str
    grade: Grade = Grade.BROKEN

    def __str__(self) -> str:
        return self.message if self.line is None else f"{JOURNAL}:{self.line}: {self.message}"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal. ``time`` is aware, in UTC, of whole milliseconds; ``data`` is plain JSON."""

    n: int
    time: datetime
    kind: Mark
    data: Mapping[str, Any]
    previous: str

    @property
    def line(self) -> bytes:
        """The canonical bytes, without the line feed."""
        return canonical(
            {
                "n": self.n,
                "time": time_text(self.time),
                "kind": self.kind.value,
                "data": dict(self.data),
                "previous": self.previous,
            }
        )

    @property
    def hash(self) -> str:
        """What the next entry carries as ``previous``; the seal of a journal that ends here."""
        return digest(self.line)


@dataclass(frozen=True, slots=True)
class Contents:
    """What can be read of a journal: its entries, what is wrong with its lines, the hash of its last complete line."""

    entries: list[Entry]
    problems: list[Problem]
    seal: str | None


@dataclass(frozen=True, slots=True)
class Torn:
    """A piece of a line that was set aside: the file's name in the session's folder, its bytes and their SHA-256."""

    name: str
    bytes: int
    sha256: str


def canonical(value: Any) -> bytes:
    """The RFC 8785 canonical form. Raises JournalError for what JSON cannot carry without loss."""
    try:
        return rfc8785.dumps(value)
    except RecursionError:
        raise JournalError("The data is nested too deeply for the journal.") from None
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise JournalError(
            f"The journal cannot hold this: {error}. Write decimals and integers beyond 2^53 as strings."
        ) from None


def digest(data: bytes) -> str:
    """SHA-256 (FIPS 180-4) in lower-case hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def time_text(time: datetime) -> str:
    """RFC 3339 in UTC with milliseconds (what is finer is cut off) and Z. Raises JournalError without a time zone."""
    if time.utcoffset() is None:
        raise JournalError(f"The time {time.isoformat()} has no time zone; the journal's times are in UTC.")
    try:
        return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    except OverflowError:
        raise JournalError(f"The time {time.isoformat()} is outside the years 1 to 9999 in UTC.") from None


def read_time(text: str) -> datetime:
    """The instant that an RFC 3339 text names, in UTC. Raises JournalError for other forms and for leap seconds."""
    try:
        if not _RFC3339.fullmatch(text):
            raise ValueError
        return datetime.fromisoformat(text.upper()).astimezone(UTC)
    except (ValueError, OverflowError):
        raise JournalError(f"{text!r} is not an RFC 3339 time such as 2031-05-06T07:08:09.123Z.") from None


class Journal:
    """A journal being written. Made by ``create`` or ``reopen``; one writer, from the first entry to ``close``.

    Every method raises DiskError where the disk refuses. Entries that could not be written are kept, in order, and
    written by the next ``flush`` that succeeds; until then the file ends where the last one that succeeded left it.
    """

    def __init__(self, folder: Path, file: FileIO, lock: FileLock, last: Entry | None = None) -> None:
        """Goes on after ``last`` at the end of ``file``; use ``create`` or ``reopen``."""
        self.folder = folder
        self._file, self._lock = file, lock
        self._size = file.seek(0, os.SEEK_END)  # as far as is known to be on the disk
        self._pending: list[tuple[Entry, bytes]] = []
        self._n, self._previous = (0, _START) if last is None else (last.n, last.hash)
        self._clips = max(
            (int(path.stem) for path in (folder / CLIPS).glob("*.flac") if path.stem.isdecimal()), default=0
        )

    @classmethod
    def create(cls, folder: Path, procedure: bytes) -> Self:
        """Begin a record in ``folder`` (made where missing) with the bytes of the procedure that will be used.

        Raises JournalError where the folder already holds a record or a file that one would overwrite.
        """
        for name in (JOURNAL, PROCEDURE, CLIPS):
            if (folder / name).exists():
                raise JournalError(f"{folder} already holds {name}. Choose a new folder for this session.")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with ExitStack() as undo:
                lock = _lock(folder)
                undo.callback(lock.release)
                (folder / CLIPS).mkdir()
                _write_new(folder / PROCEDURE, procedure)
                file = undo.enter_context((folder / JOURNAL).open("xb", buffering=0))
                _sync_folder(folder)
                undo.pop_all()
        except OSError as error:
            _refuse(folder, error)
        return cls(folder, file, lock)

    @classmethod
    def reopen(cls, folder: Path) -> tuple[Self, list[Entry], list[Torn]]:
        """Go on with a record: the journal at its end, its entries, and what no entry names of what was set aside.

        A torn last line is set aside before the journal is cut to its last complete line. Raises JournalError where the
        folder is no session's, another program has the session open, no entry is complete, or the chain does not hold.
        """
        _read_file(folder, JOURNAL)  # a folder that is no session's is left as it is
        try:
            with ExitStack() as undo:
                lock = _lock(folder)
                undo.callback(lock.release)
                entries = _to_go_on_with(folder)
                file = undo.enter_context((folder / JOURNAL).open("r+b", buffering=0))
                whole, line_feed, tail = file.read().rpartition(b"\n")
                if tail:
                    _set_aside(folder, tail)
                    file.truncate(len(whole + line_feed))
                    os.fsync(file.fileno())
                undo.pop_all()
        except OSError as error:
            _refuse(folder / JOURNAL, error)
        named = {torn.name for torn in _named_torn(entries)}
        return cls(folder, file, lock, entries[-1]), entries, [torn for torn in _torn(folder) if torn.name not in named]

    def append(self, time: datetime, kind: Mark, data: Mapping[str, Any]) -> Entry:
        """Add an entry; it is on disk after ``flush``. For data JSON cannot carry: JournalError, nothing added."""
        self._must_be_open()
        # Through JSON and back, so that the entry is what a reader of the file will get.
        entry = Entry(
            n=self._n + 1,
            time=read_time(time_text(time)),
            kind=Mark(kind),
            data=_from_json(canonical(dict(data)).decode()),
            previous=self._previous,
        )
        line = entry.line
        self._pending.append((entry, line))
        self._n, self._previous = entry.n, digest(line)
        return entry

    @property
    def unwritten(self) -> list[Entry]:
        """Entries that are not on the disk, oldest first."""
        return [entry for entry, _ in self._pending]

    def flush(self) -> None:
        """Put every entry on the disk: when this returns, pulling the plug does not lose them."""
        self._must_be_open()
        left = b"".join(line + b"\n" for _, line in self._pending)
        size = self._size + len(left)
        try:
            if self._file.tell() != self._size:
                self._cut()
            while left:
                left = left[self._file.write(left) or 0 :]
            os.fsync(self._file.fileno())
        except OSError as error:
            # All of it is written again next time: after a failed fsync nobody knows what of it is on the disk.
            with suppress(OSError):
                self._cut()
            _refuse(self.folder / JOURNAL, error)
        self._size = size
        self._pending.clear()

    def _cut(self) -> None:
        self._file.truncate(self._size)
        self._file.seek(self._size)

    def keep_clip(self, flac: bytes) -> tuple[str, str]:
        """Keep an utterance's audio. Returns its name relative to the folder ("clips/0001.flac") and its SHA-256."""
        name = f"{CLIPS}/{self._clips + 1:04}.flac"
        path = self.folder / name
        try:
            _write_whole(path, flac)
        except OSError as error:
            _refuse(path, error)
        self._clips += 1
        return name, digest(flac)

    def close(self) -> None:
        """Flush and close the file; closing again does nothing. The closing entry is the session's to write."""
        if not self._file.closed:
            try:
                self.flush()
            finally:
                self._file.close()
                self._lock.release()

    def _must_be_open(self) -> None:
        if self._file.closed:
            raise JournalError(f"The journal in {self.folder} is closed; nothing can be added to it.")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def scan(folder: Path) -> Contents:
    """Read all that can be read of a journal and say what is wrong with its lines. Clips and procedure are not opened.

    Raises JournalError where the folder is no session's or cannot be read.
    """
    *lines, tail = _read_file(folder, JOURNAL).split(b"\n")
    changed = sum(line.endswith(b"\r") for line in lines)  # no entry ends so, nor has one inside it
    lines = [line.removesuffix(b"\r") for line in lines]
    chain = _Chain()
    for line in lines:
        chain.add(line)
    problems = chain.problems
    if changed:
        which = "the line ends" if changed == len(lines) else f"{changed} of {len(lines)} line ends"
        problems.append(Problem(None, f"{which} of {JOURNAL} were changed{_BY_MAIL}"))
    if tail:
        problems.append(
            Problem(
                len(lines) + 1,
                f"the last line is torn: it has {len(tail)} bytes and no end; what came after entry {chain.n} is lost",
                Grade.INCOMPLETE,
            )
        )
    late = [
        after for before, after in pairwise(chain.entries) if before.kind is Mark.CLOSED and not _reopens(after, before)
    ]
    if late:
        problems.append(Problem(late[0].n, "the session goes on after it was closed"))
    elif not chain.entries or chain.entries[-1].kind is not Mark.CLOSED:
        problems.append(Problem(None, "the session was not closed: the end may be missing", Grade.INCOMPLETE))
    if chain.entries and chain.entries[0].kind is not Mark.OPENED:
        problems.append(Problem(1, f"the journal starts with {chain.entries[0].kind.value!r}, not with 'opened'"))
    return Contents(chain.entries, problems, digest(lines[-1]) if lines else None)


def _to_go_on_with(folder: Path) -> list[Entry]:
    """The entries of a journal that may be gone on with; raises JournalError where it may not."""
    contents = scan(folder)
    if not contents.entries and not any(problem.grade is Grade.BROKEN for problem in contents.problems):
        raise JournalError(f"{folder} was left before its first entry was written. Begin a new session instead.")
    for problem in [*contents.problems, *_check_procedure(folder, contents.entries)]:
        if problem.grade is Grade.BROKEN:
            raise JournalError(f"{folder} cannot be gone on with, for its record does not hold: {problem}.")
    return contents.entries


def _reopens(entry: Entry, closed: Entry) -> bool:
    """Whether an entry may follow the closing one: what was left may be gone on with, what was concluded may not."""
    return entry.kind is Mark.REOPENED and closed.data.get("outcome") == "stopped"


def read(folder: Path) -> list[Entry]:
    """The entries of a journal whose chain holds to its last line; the session need not have been closed.

    Raises JournalError, naming the line, for a folder that is no session's and for a torn or altered journal.
    """
    contents = scan(folder)
    for problem in contents.problems:
        if problem.line is not None and problem.grade is not Grade.REMARK:
            raise JournalError(f"{folder / JOURNAL}:{problem.line}: {problem.message}")
    return contents.entries


def seal(folder: Path) -> str:
    """The hash of the last complete line. Kept apart from the record, it shows later whether the end is still the same.

    Raises JournalError where there is no complete line.
    """
    found = scan(folder).seal
    if found is None:
        raise JournalError(f"{folder / JOURNAL} has no entry; there is nothing to seal.")
    return found


def verify_chain(folder: Path, seal: str | None = None) -> list[Problem]:
    """All that is wrong with a record: its lines, its clips, its copy of the procedure; empty where it is intact.

    With the ``seal`` that was noted when the session ended, a changed or missing end is found as well; without it, a
    last line rewritten in valid form is not. One noted before the session was resumed vouches for what stands up to
    there. Raises JournalError where the folder is no session's or cannot be read.
    """
    contents = scan(folder)
    problems = [
        *contents.problems,
        *_check_procedure(folder, contents.entries),
        *_check_clips(folder, contents.entries),
        *_check_torn(folder, contents.entries),
    ]
    if seal is not None and (noted := "".join(seal.split()).lower()) != contents.seal:
        problems.append(_other_seal(noted, contents))
    return sorted(problems, key=lambda problem: (problem.line is None, problem.line or 0))


def _other_seal(noted: str, contents: Contents) -> Problem:
    """What a seal says that is not that of the end."""
    for entry, after in pairwise(contents.entries):
        if entry.hash == noted and after.kind is Mark.REOPENED:
            told = (
                f"the seal is that of entry {entry.n}, after which the session was resumed: it vouches for no later one"
            )
            return Problem(None, told, Grade.REMARK)
    now = contents.seal or "missing"
    return Problem(None, f"the record does not end as it did when the seal was noted: its seal is now {now}")


@dataclass(slots=True)
class _Chain:
    """Reads lines in order; ``before`` is the hash of the line before, None after a line that could not be read."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    lines: int = 0
    n: int = 0
    before: str | None = _START

    def add(self, line: bytes) -> None:
        self.lines += 1
        try:
            entry = _entry(line)
        except JournalError as error:
            self._problem(self.lines, str(error))
            self.n, self.before = self.n + 1, None
            return
        # A line that could not be read is reported already; what follows it cannot be held against it.
        if self.before is not None:
            self._check_link(entry)
        if self.entries and entry.time < self.entries[-1].time:
            self._problem(self.lines, "the clock went back before this entry", Grade.REMARK)
        self.entries.append(entry)
        self.n, self.before = entry.n, digest(line)

    def _check_link(self, entry: Entry) -> None:
        linked = entry.previous == self.before
        if entry.n != self.n + 1:
            how = "the entries were numbered wrongly" if linked else "a line was taken out, put in or moved"
            self._problem(self.lines, f"entry {entry.n} stands where entry {self.n + 1} belongs: {how}")
        elif not linked and self.lines == 1:
            self._problem(1, "the first entry does not start a chain: it was altered")
        elif not linked:
            self._problem(
                self.lines - 1,
                f"this line was altered: line {self.lines} does not carry its hash, or was altered itself",
            )

    def _problem(self, line: int, message: str, grade: Grade = Grade.BROKEN) -> None:
        self.problems.append(Problem(line, message, grade))


def _entry(line: bytes) -> Entry:
    try:
        fields = _from_json(line.decode())
    except UnicodeDecodeError:
        raise JournalError("the line is not UTF-8: it was altered") from None
    except (ValueError, RecursionError):
        raise JournalError("the line is not JSON: it was altered") from None
    match fields:
        case {
            "n": int(n),
            "time": str(time),
            "kind": str(kind),
            "data": dict(data),
            "previous": str(previous),
            **rest,
        } if not rest and not isinstance(n, bool) and kind in set(Mark) and _HASH.fullmatch(previous):
            entry = Entry(n, read_time(time), Mark(kind), data, previous)
        case _:
            raise JournalError("the line is not a journal entry: it was altered")
    try:
        same = entry.line == line
    except JournalError:
        same = False
    if not same:
        raise JournalError(
            "the line is not in canonical form (RFC 8785): it was altered or rewritten by another program"
        )
    return entry


def _from_json(text: str) -> Any:
    def integer(digits: str) -> int | float:
        # A float such as 1e20 has a canonical form without a point; it must come back as the float it was.
        number = int(digits)
        return number if abs(number) <= _SAFE_INTEGER else float(number)

    def no_number(name: str) -> NoReturn:
        raise ValueError(f"{name} is not JSON")

    try:
        return json.loads(text, parse_int=integer, parse_constant=no_number)
    except OverflowError:
        raise ValueError("a number is too large") from None


def _check_procedure(folder: Path, entries: list[Entry]) -> list[Problem]:
    opened = next((entry for entry in entries if entry.kind is Mark.OPENED), None)
    if opened is None:
        return [Problem(None, f"no opening entry can be read: whether {PROCEDURE} is the one used cannot be shown")]
    procedure = opened.data.get("procedure")
    expected = procedure.get("sha256") if isinstance(procedure, dict) else None
    if not isinstance(expected, str):
        return [Problem(opened.n, "the opening entry holds no SHA-256 of the procedure")]
    return _check_file(folder, PROCEDURE, expected, None)


def _check_clips(folder: Path, entries: list[Entry]) -> list[Problem]:
    problems: list[Problem] = []
    named: dict[str, int] = {}
    for entry in entries:
        name, expected = entry.data.get("clip"), entry.data.get("clip_sha256")
        if entry.kind is not Mark.HEARD or name is None:
            continue
        if not isinstance(name, str) or not CLIP_NAME.fullmatch(name):
            problems.append(Problem(entry.n, f"{name!r} is no name of a clip"))
        elif not isinstance(expected, str):
            problems.append(Problem(entry.n, f"the entry holds no SHA-256 of {name}"))
        elif name in named:
            problems.append(Problem(entry.n, f"{name} is the sound of line {named[name]}, and of no other"))
        else:
            named[name] = entry.n
            problems += _check_file(folder, name, expected, entry.n)
    for path in sorted((folder / CLIPS).glob("*.flac")):
        if f"{CLIPS}/{path.name}" not in named:
            problems.append(Problem(None, f"{CLIPS}/{path.name} is named by no entry", Grade.REMARK))
    return problems


def _check_torn(folder: Path, entries: list[Entry]) -> Iterator[Problem]:
    named = {torn.name: torn for torn in _named_torn(entries)}
    for torn in named.values():
        yield from _check_file(folder, torn.name, torn.sha256, None)
    for torn in _torn(folder):
        if torn.name not in named:
            yield Problem(None, f"{torn.name} is named by no entry", Grade.REMARK)


def _named_torn(entries: list[Entry]) -> Iterator[Torn]:
    """What the record says was set aside; what has another form is found by replay."""
    for entry in entries:
        aside = entry.data.get("set_aside") if entry.kind is Mark.REOPENED else None
        for piece in aside if isinstance(aside, list) else ():
            match piece:
                case {"name": str(name), "bytes": int(size), "sha256": str(sha256)} if TORN_NAME.fullmatch(name):
                    yield Torn(name, size, sha256)


def _torn(folder: Path) -> list[Torn]:
    """What lies beside the journal set aside, in the order of its numbers."""
    names = [path.name for path in folder.glob("journal.torn-*") if TORN_NAME.fullmatch(path.name)]
    pieces = {name: _read_file(folder, name) for name in sorted(names, key=lambda name: int(name.rpartition("-")[2]))}
    return [Torn(name, len(piece), digest(piece)) for name, piece in pieces.items()]


def _set_aside(folder: Path, tail: bytes) -> None:
    """Keeps a piece of a line in a file of its own; a program killed just after that finds it done."""
    aside = _torn(folder)
    if any(torn.sha256 == digest(tail) for torn in aside):
        return
    number = max((int(torn.name.rpartition("-")[2]) for torn in aside), default=0) + 1
    _write_whole(folder / f"journal.torn-{number}", tail)


def _check_file(folder: Path, name: str, expected: str, line: int | None) -> list[Problem]:
    path = folder / name
    if not path.is_file():
        return [Problem(line, f"{name} is missing")]
    content = _read_file(folder, name)
    if digest(content) == expected:
        return []
    if digest(content.replace(b"\r\n", b"\n")) == expected:
        return [Problem(line, f"the line ends of {name} were changed{_BY_MAIL}")]
    return [Problem(line, f"{name} was altered")]


def _read_file(folder: Path, name: str) -> bytes:
    try:
        return (folder / name).read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        raise JournalError(f"{folder} is not a session's folder: it has no {name}.") from None
    except OSError as error:
        raise JournalError(f"{folder / name} cannot be read: {error.strerror or error}.") from None


def _write_new(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _write_whole(path: Path, data: bytes) -> None:
    """A new file, which is there whole or not at all."""
    part = path.with_name(f"{path.name}.part")
    try:
        part.unlink(missing_ok=True)
        _write_new(part, data)
        part.replace(path)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)  # a piece of it would only fill the disk
        raise
    _sync_folder(path.parent)


def _lock(folder: Path) -> FileLock:
    """The right to write a session's record, for as long as this program runs or until it is released."""
    lock = FileLock(folder / LOCK, timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise JournalError(
            f"{folder} is open in another window or program. End the session there, or wait until it has ended."
        ) from None
    return lock


def _sync_folder(folder: Path) -> None:
    # A new file's name is safe only once its folder is; Windows has no such call and needs none.
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _refuse(path: Path, error: OSError) -> NoReturn:
    raise DiskError(path, error.strerror or str(error)) from error
