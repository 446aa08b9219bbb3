"""The page says first whether its record holds: as it was written, to its end, and following from what was heard."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from test_report import page, section
from test_visit_page import OPENING, SCREWS, TO_THE_POWER, TO_THE_SCREWS, record

from handsfree.cli import main
from handsfree.session.events import Mark
from handsfree.session.journal import Journal, read, seal, verify_chain


@pytest.fixture
def visited(tmp_path: Path) -> Path:
    said = (*TO_THE_POWER, "0.3 amps")
    return record(tmp_path / "visited", said, heard=("the drain needs cleaning", "one nut was missing before"))


def written_anew(folder: Path, changed: dict[Mark, dict[str, Any]], *, chained: bool = True) -> Path:
    """The record with other values in the first entry of a kind, and a chain of hashes that fits them."""
    entries, left = read(folder), dict(changed)
    anew = folder.with_name("anew")
    with Journal.create(anew, (folder / "procedure.yaml").read_bytes()) as journal:
        for entry in entries:
            journal.append(entry.time, entry.kind, {**entry.data, **left.pop(entry.kind, {})})
    shutil.copytree(folder / "clips", anew / "clips", dirs_exist_ok=True)
    assert (verify_chain(anew) == []) is chained
    return anew


def test_an_intact_record_says_so_with_its_seal(visited: Path) -> None:
    root = page(visited)
    (footer,) = root.all("footer")
    entries = (visited / "journal.jsonl").read_bytes().count(b"\n")
    assert f"The record is intact: {entries} entries" in footer.text
    assert "the procedure and 2 clips match" in footer.text
    assert root.all("span", class_="seal")[0].text == seal(visited)
    assert root.all("div", class_="alarm") == []


def test_an_unfinished_session_has_no_finding_and_says_it_is_incomplete(tmp_path: Path) -> None:
    unfinished = record(tmp_path / "visit", (*OPENING, *TO_THE_SCREWS, *SCREWS))
    journal = unfinished / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    ended = next(at for at, line in enumerate(lines) if b'"kind":"ended"' in line)
    journal.write_bytes(b"".join(lines[:ended]))
    root = page(unfinished)
    assert root.all("p", class_="condition")[0].text == "NO FINDING"
    (alarm,) = root.all("div", class_="alarm")
    assert alarm.text == "This record is incomplete. the session was not closed: the end may be missing"
    assert "What the record holds is intact" in root.all("footer")[0].text


def test_a_torn_record_is_shown_as_far_as_it_goes(visited: Path) -> None:
    journal = visited / "journal.jsonl"
    journal.write_bytes(journal.read_bytes()[:-1000])
    root = page(visited)
    assert "the last line is torn" in root.all("div", class_="alarm")[0].text
    assert "cabinet air before" in section(root, "readings").text


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({Mark.READING: {"value": "-2.5"}}, 'the record says "-2.5", replay gives "-4.5"'),
        ({Mark.READING: {"verdict": "conforming"}}, 'the record says "conforming"'),
        ({Mark.HEARD: {"text": "one two three four five seven"}}, "asked again"),
    ],
    ids=["value", "verdict", "what was heard"],
)
def test_a_record_that_was_written_anew_and_does_not_follow_from_what_was_heard_says_so(
    changed: dict[Mark, dict[str, Any]], told: str, visited: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    anew = written_anew(visited, changed)
    root = page(anew)
    (alarm,) = root.all("div", class_="alarm")
    assert alarm.text.startswith("This record is not as it was written. Do not rely on it.")
    assert told in alarm.text
    assert "The record is not intact" in root.all("footer")[0].text
    assert main(["report", str(anew)]) == 1
    assert "The record does not hold" in capsys.readouterr().err
    assert main(["report", str(visited)]) == 0


def test_what_this_version_cannot_prove_is_told_and_not_called_altered(
    visited: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    opened = {Mark.OPENED: {"handsfree": "0.0.1"}, Mark.READING: {"value": "-2.5"}}
    by_another = written_anew(visited, opened)
    root = page(by_another)
    (alarm,) = root.all("div", class_="alarm")
    assert alarm.text.startswith("This version cannot prove what follows from this record.")
    assert "says it was made by handsfree 0.0.1" in alarm.text
    assert "Unproved by this version" in root.all("footer")[0].text
    assert main(["report", str(by_another)]) == 1
    assert "Another version made the record" in capsys.readouterr().err


def test_a_seal_that_fits_shows_that_nothing_was_changed_where_this_version_cannot_prove_it(
    visited: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    by_another = written_anew(visited, {Mark.OPENED: {"handsfree": "0.0.1"}, Mark.READING: {"value": "-2.5"}})
    assert main(["verify", str(by_another), "--seal", seal(by_another)]) == 1
    assert "The seal fits: nothing has been changed" in capsys.readouterr().out
    assert main(["verify", str(by_another), "--seal", seal(visited)]) == 1
    assert "The seal fits" not in capsys.readouterr().out


def test_a_clip_whose_name_is_no_text_is_told_and_the_page_is_made(visited: Path) -> None:
    root = page(written_anew(visited, {Mark.HEARD: {"clip": []}}, chained=False))
    assert "[] is no name of a clip" in root.all("div", class_="alarm")[0].text
