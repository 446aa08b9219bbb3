"""What a technician sees when the disk is full, the folder is read-only, or the session is open elsewhere.

The real command in a process of its own, with real limits of the system.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import pytest

from handsfree.session.events import Mark
from handsfree.session.journal import JOURNAL, read, scan
from handsfree.session.replay import verify

if sys.platform != "win32":
    import resource

posix = pytest.mark.skipif(os.name != "posix", reason="limits a process through POSIX calls")
ROOT = Path(__file__).parents[1]
COOLER = ROOT / "procedures" / "bottle-cooler-does-not-cool.yaml"
SCRIPT = (ROOT / "demo_sessions" / "start-relay" / "script.txt").read_text(encoding="utf-8").splitlines()


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "handsfree.cli", *map(str, arguments)]


def handsfree(
    *arguments: str | Path, said: str = "", first: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        command(*arguments),
        input=said,
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        env=os.environ | {"COLUMNS": "500"},
        check=False,
        preexec_fn=first,
    )
    assert "Traceback" not in done.stderr
    return done


def full_at(size: int) -> Callable[[], None]:
    """No file may become larger than this: what a full disk is to a journal."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


@posix
@pytest.mark.parametrize("more", [1, 1000, 7777])
def test_on_a_full_disk_a_session_stops_safely_and_goes_on_when_there_is_room(tmp_path: Path, more: int) -> None:
    folder, size = tmp_path / "session", COOLER.stat().st_size + more  # there is room for the procedure
    done = handsfree("run", COOLER, "--typed", "--out", folder, said="\n".join(SCRIPT), first=full_at(size))
    assert done.returncode == 2
    assert "The record cannot be written: File too large. Free space, then say go ahead." in done.stdout
    assert "Not taken: the record cannot be written: File too large. Free space, then say go ahead." in done.stdout
    assert "The session was stopped, for its record cannot be written: File too large." in done.stderr
    assert "Not taken after that: " in done.stderr
    assert f"handsfree resume {folder}" in done.stderr
    journal = (folder / JOURNAL).read_bytes()
    assert journal.endswith(b"\n")
    assert len(journal) <= size
    on_record = [entry.data["text"] for entry in scan(folder).entries if entry.kind is Mark.SAID]
    answers = [line for line in done.stdout.splitlines() if line.startswith("  » ")]
    assert 0 < len(answers) <= len(on_record)  # nothing was shown that is not on record
    assert all(any(text in answer for text in on_record) for answer in answers)
    at = scan(folder).entries[-1].data["step"]
    resumed = handsfree("resume", folder, "--typed", said="how far\n")
    assert "Session resumed." in resumed.stdout
    assert resumed.returncode == 1
    entries = read(folder)
    after = next(place for place, entry in enumerate(entries) if entry.kind is Mark.REOPENED)
    assert next(entry for entry in entries[after:] if entry.kind is Mark.SAID).data["step"] == at
    assert verify(folder) == []


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux lets another process lift a limit")
def test_a_session_waits_for_room_on_the_disk_and_tells_what_it_did_not_take(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    with subprocess.Popen(
        command("run", COOLER, "--typed", "--out", folder),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        env=os.environ | {"COLUMNS": "500"},
        preexec_fn=full_at(COOLER.stat().st_size + 2000),
    ) as program:
        stdin, stdout = program.stdin, program.stdout
        assert stdin is not None
        assert stdout is not None
        spoken = iter(SCRIPT)
        refused = ""
        for line in spoken:
            if say(line, stdin, stdout, "«", "cannot be written"):
                refused = line
                break
        assert refused
        assert say("two amps", stdin, stdout, "nothing", "cannot be written")
        resource.prlimit(program.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        assert say(
            "go ahead", stdin, stdout, "nothing", "Now it is complete. Not taken meanwhile: 1 utterance. Say it again."
        )
        stdin.write("".join(f"{line}\n" for line in spoken))
        stdin.close()
        rest = stdout.read()
    assert program.returncode == 0
    assert "The resistance of the start relay is too high" in rest
    entries = read(folder)
    heard = [entry.data["text"] for entry in entries if entry.kind is Mark.HEARD]
    assert heard == [line.strip() for line in SCRIPT]
    (fault,) = [entry.data["what"] for entry in entries if entry.kind is Mark.FAULT]
    assert fault.startswith("For a while the record could not be written.")
    assert verify(folder) == []


def say(line: str, stdin: IO[str], stdout: IO[str], heard: str, wanted: str) -> bool:
    """Types a line and reads until it is heard, or until what is wanted was shown; tells which."""
    stdin.write(f"{line}\n")
    stdin.flush()
    for shown in stdout:
        if wanted in shown:
            return True
        if heard in shown:
            return False
    raise AssertionError("the program ended")


def without_privilege() -> None:
    """Root may write everywhere: it gives up that right (capabilities(7), CAP_DAC_OVERRIDE) before the program runs."""
    if os.geteuid() == 0 and ctypes.CDLL(None, use_errno=True).prctl(24, 1, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "the right to write everywhere cannot be given up")


@posix
def test_a_read_only_folder_is_told_before_anything_begins(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    try:
        done = handsfree(
            "run", COOLER, "--typed", "--out", tmp_path / "session", said="done\n", first=without_privilege
        )
    finally:
        tmp_path.chmod(0o755)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "cannot be written: Permission denied. Free space on the disk or choose another folder." in done.stderr
    assert list(tmp_path.iterdir()) == []


@posix
def test_a_record_that_is_read_only_is_not_gone_on_with(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    handsfree("run", COOLER, "--typed", "--out", folder, said="done\n")
    before = (folder / JOURNAL).read_bytes()
    (folder / JOURNAL).chmod(0o444)
    done = handsfree("resume", folder, "--typed", said="done\n", first=without_privilege)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "cannot be written: Permission denied" in done.stderr
    assert (folder / JOURNAL).read_bytes() == before


@pytest.fixture
def open_session(tmp_path: Path) -> Iterator[tuple[Path, subprocess.Popen[str]]]:
    """A session that somebody holds in another process, at its first step."""
    folder = tmp_path / "session"
    with subprocess.Popen(
        command("run", COOLER, "--typed", "--out", folder),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
    ) as program:
        assert program.stdin is not None
        assert program.stdout is not None
        assert not say("how far", program.stdin, program.stdout, "«", "no such thing")
        yield folder, program
        program.kill()


def test_a_session_that_is_open_in_another_process_is_refused(
    open_session: tuple[Path, subprocess.Popen[str]],
) -> None:
    folder, program = open_session
    done = handsfree("resume", folder, "--typed", said="done\n")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "is open in another window or program. End the session there, or wait until it has ended." in done.stderr
    program.communicate("end session\naffirm\n")
    assert program.returncode == 1
    assert verify(folder) == []


def test_a_session_whose_program_was_killed_is_free_at_once(open_session: tuple[Path, subprocess.Popen[str]]) -> None:
    folder, program = open_session
    program.kill()
    program.wait()
    done = handsfree("resume", folder, "--typed", said="how far\n")
    assert done.returncode == 1
    assert "Session resumed." in done.stdout
    assert verify(folder) == []


def test_a_concluded_session_and_a_folder_that_is_none_are_not_resumed(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    handsfree("run", COOLER, "--typed", "--out", folder, said="\n".join(SCRIPT))
    done = handsfree("resume", folder, "--typed", said="done\n")
    assert done.returncode == 2
    assert "is concluded, and its record is complete: The resistance of the start relay is too high" in done.stderr
    assert verify(folder) == []
    nothing = handsfree("resume", tmp_path, "--typed")
    assert nothing.returncode == 2
    assert "is not a session's folder" in nothing.stderr
    assert not (tmp_path / "journal.lock").exists()


def test_a_report_shows_when_the_session_was_left_and_resumed(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    half = len(SCRIPT) // 2
    handsfree("run", COOLER, "--typed", "--out", folder, said="\n".join(SCRIPT[:half]))
    journal = folder / JOURNAL
    journal.write_bytes(journal.read_bytes()[:-30])
    handsfree("resume", folder, "--typed", said="done\n")
    assert verify(folder) == []
    page = Path(handsfree("report", folder).stdout.strip()).read_text(encoding="utf-8")
    assert "interruption" in page
    assert "bytes in journal.torn-1" in page
