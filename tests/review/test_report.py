"""The supervisor's page: what the record says is on it, as it was said, and nothing else gets in."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver

from handsfree.procedure.load import loads
from handsfree.review.report import check_page, limit_text, reading_text, render, symbol, write_report
from handsfree.session.events import Heard, Mark, Record, Started
from handsfree.session.journal import Grade, Journal, JournalError, digest
from handsfree.session.machine import Session

VOID = {"meta", "br", "link", "img", "hr", "input", "source"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str | None]
    children: list[Element | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """The text as read, white space folded; a no-break space counts as a space."""
        inner = "".join(child if isinstance(child, str) else child.text + " " for child in self.children)
        return " ".join(inner.split())

    def all(self, tag: str, **wanted: str) -> list[Element]:
        found: list[Element] = []
        for child in self.children:
            if isinstance(child, Element):
                classes = (child.attributes.get("class") or "").split()
                fits = all(
                    value in classes if name == "class_" else child.attributes.get(name) == value
                    for name, value in wanted.items()
                )
                found += [child] if child.tag == tag and fits else []
                found += child.all(tag, **wanted)
        return found


class Page(HTMLParser):
    """A page as a tree; a tag left open or closed out of order is an error."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.root = Element("document", {})
        self.stack = [self.root]
        self.feed(source)
        self.close()
        assert self.stack == [self.root], f"<{self.stack[-1].tag}> is not closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, dict(attrs))
        self.stack[-1].children.append(element)
        if tag not in VOID:
            self.stack.append(element)

    def handle_endtag(self, tag: str) -> None:
        assert self.stack[-1].tag == tag, f"</{tag}> closes <{self.stack[-1].tag}>"
        self.stack.pop()

    def handle_data(self, data: str) -> None:
        self.stack[-1].children.append(data)


def page(folder: Path, embed: bool = True) -> Element:
    return Page(render(folder, embed)).root


def section(root: Element, id: str) -> Element:
    (found,) = root.all("section", **{"aria-labelledby": id})
    return found


def rows(table: Element) -> list[list[str]]:
    (body,) = table.all("tbody")
    return [[cell.text for cell in row.children if isinstance(cell, Element)] for row in body.all("tr")]


def test_the_finding_comes_first_with_its_condition_in_a_word(finished: Path) -> None:
    root = page(finished)
    assert root.all("h1")[0].text == "Booster pump hums and does not start"
    (finding,) = root.all("div", class_="finding")
    assert finding.all("p")[0].text == "FAULTY"
    assert finding.all("p")[1].text == "The start winding is open."
    assert finding.all("dl")[0].text == (
        "Part pump motor, VP-2-310 "
        "Recommended Replace the motor. Keep the capacitor: it is within its limits. "
        "Nonconforming start winding OL (over range), limit at most 30 Ω (reading 7 ) "
        "Deviations 1, with their reasons"
    )
    assert root.all("title")[0].text == "FAULTY: Booster pump hums and does not start, 2031-03-14"


def test_the_head_says_what_was_worked_on_by_which_edition_and_when(finished: Path) -> None:
    facts = page(finished).all("dl", class_="facts")[0].text
    assert "Equipment Tarnholm VP-2 booster pump, 230 V, 1.1 kW" in facts
    assert "Procedure booster-pump-hums, edition 2031-02" in facts
    assert re.search(r"Session 2031-03-14, 09:02:11 to 09:0\d:\d\d UTC \(\d min \d\d s\), concluded", facts)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ([({"input": "microphone"}, "moonshine")], ""),
        ([({}, "moonshine")], ""),
        ([({"input": "typed"}, "typed")], "typed; times are the computer's"),
        ([({"input": "typed"}, "transcript")], "typed; times are as typed, counted from the start"),
        (
            [({"input": "visit.FLAC"}, "moonshine")],
            "from a recording, visit.FLAC; times are the recording's, counted from the start",
        ),
        (
            [({"input": "take 1", "times": "recording"}, "moonshine")],
            "from a recording, take 1; times are the recording's, counted from the start",
        ),
        (
            [({"input": "2"}, "moonshine"), ({"input": "typed"}, "transcript"), ({"input": "2"}, "moonshine")],
            "in part heard live; in part typed; times are as typed, counted from the start",
        ),
    ],
    ids=["live", "not known", "typed", "typed with times", "recording", "recording by its setting", "in parts"],
)
def test_the_head_says_whose_the_times_are(parts: list[tuple[dict[str, str], str]], words: str, tmp_path: Path) -> None:
    time = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
    with Journal.create(tmp_path / "session", b"") as journal:
        for place, (settings, engine) in enumerate(parts):
            journal.append(time, Mark.REOPENED if place else Mark.OPENED, {"settings": settings})
            journal.append(time, Mark.HEARD, {"text": "done", "engine": engine})
    facts = page(tmp_path / "session").all("dl", class_="facts")[0].all("div")
    assert [fact.text for fact in facts if fact.text.startswith("Input")] == ([f"Input {words}"] if words else [])


def test_every_reading_stands_with_the_digits_spoken_its_unit_its_limit_and_its_verdict(finished: Path) -> None:
    (table,) = section(page(finished), "readings").all("table")
    assert [row[:5] for row in rows(table)] == [
        ["1", "supply voltage supply-voltage", "215 V AC", "207 to 253 V",
         "conforming corrected: see reading 2 misheard"],
        ["2", "supply voltage supply-voltage", "250 V AC", "207 to 253 V", "conforming"],
        ["3", "residual voltage prove-dead", "0.3 V AC", "at most 2 V", "conforming"],
        ["4", "capacitor voltage discharge", "0 V DC", "at most 5 V", "conforming"],
        ["5", "run capacitor capacitance", "45.3 µF", "45 µF ± 6 %", "conforming"],
        ["6", "main winding main-winding", "5.20 Ω", "at most 7 Ω", "conforming"],
        ["7", "start winding start-winding", "OL (over range)", "at most 30 Ω", "nonconforming"],
        ["8", "lead resistance lead", "0.5 Ω", "at most 0.5 Ω",
         "undecided within 0.2 Ω of the limit, the meter's own accuracy"],
        ["9", "insulation insulation", "> 500 MΩ", "at least 2 MΩ", "conforming"],
        ["10", "winding temperature winding-temperature", "−2.5 °C", "none", "not judged"],
        ["11", "starts starts", "15", "none", "not judged"],
        ["12", "screw torque torque", "1.2 N·m", "1.2 ± 0.2 N·m", "conforming"],
    ]  # fmt: skip
    assert "1 nonconforming, 1 undecided, 7 conforming, 2 not judged, 1 corrected. 1 time asked again." in (
        section(page(finished), "readings").text
    )


WITH_A_PLATE = b"""
procedure: fan-is-slow
title: The fan is slow
edition: "1"
purpose: Find out whether the fan has its voltage
equipment: An invented fan
local_rules: The rules of the site come first.
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - {id: plate, kind: measure, say: Read the plate., reading: plate voltage, quantity: voltage, unit: volt,
     nameplate: true}
  - {id: before, kind: measure, say: Measure., reading: before, quantity: voltage, unit: volt, waveform: dc}
  - {id: supply, kind: measure, say: Measure., reading: supply, quantity: voltage, unit: volt, waveform: ac,
     limit: {at_least: 207}, next: {nonconforming: sound}}
  - {id: sound, kind: conclude, finding: The fan is sound., condition: sound, action: Use it.}
"""


def test_what_was_asked_for_stands_beside_a_reading(tmp_path: Path) -> None:
    folder, time = tmp_path / "session", datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
    session = Session(loads(WITH_A_PLATE, "procedure.yaml").procedure)
    said = (Heard(time, text) for text in ("400 volts", "12 volts", "230 volts"))
    with Journal.create(folder, WITH_A_PLATE) as journal:
        for event in (Started(time, {"procedure": {"sha256": digest(WITH_A_PLATE)}}), *said):
            for act in session.handle(event):
                if isinstance(act, Record):
                    journal.append(time, act.mark, act.data)
    (table,) = section(page(folder), "readings").all("table")
    assert [(row[1], row[3]) for row in rows(table)] == [
        ("plate voltage plate from the nameplate", "none"),
        ("before before DC voltage", "none"),
        ("supply supply", "at least 207 V AC"),
    ]
    # A procedure that is not the one used tells nothing.
    (folder / "procedure.yaml").write_bytes(WITH_A_PLATE.replace(b"waveform: ac", b"waveform: dc"))
    (table,) = section(page(folder), "readings").all("table")
    assert [(row[1], row[3]) for row in rows(table)][2] == ("supply supply", "at least 207 V")


@pytest.mark.parametrize(
    ("up_to", "unit", "words"),
    [
        ("6000000", "ohm", "6 MΩ"),
        ("600", "ohm", "600 Ω"),
        ("0.06", "ampere", "60 mA"),
        ("4.5", "volt", "4.5 V"),
        ("10000", "hertz", "10 kHz"),
        ("0.0002", "farad", "200 µF"),
        ("60000", "kiloohm", "60 000 kΩ"),
        ("200", "degree_Celsius", "200 °C"),
        ("much", "ohm", "much Ω"),
    ],
)
def test_a_range_is_told_as_a_data_sheet_has_it(up_to: str, unit: str, words: str, tmp_path: Path) -> None:
    shown = {"up_to": up_to, "percent": "1", "counts": "3", "unit": unit}
    told = reading_of(tmp_path, {"meter": "ostrel", "range": shown})[1]
    assert told == f"coil coil ostrel, up to {words}: 1 % + 3 counts"


@pytest.mark.parametrize(
    ("conformity", "words"),
    [
        ("9.523e-11", "less than 0.0001"),
        ("0", "less than 0.0001"),
        ("0.0001", "0.0001"),
        ("0.009213", "0.0092"),
        ("0.9381", "0.9381"),
        ("0.99991", "more than 0.9999"),
        ("1", "more than 0.9999"),
        ("likely", "likely"),
    ],
)
def test_a_probability_is_told_to_four_places_and_nothing_is_certain(
    conformity: str, words: str, tmp_path: Path
) -> None:
    decision = {"rule": "simple acceptance", "conformity": conformity}
    told = reading_of(tmp_path, {"decision": decision})[4]
    assert told == f"not judged simple acceptance; conforms with probability {words}"


def reading_of(folder: Path, data: dict[str, object]) -> list[str]:
    """The row of a reading that holds this."""
    with Journal.create(folder / "session", b"") as journal:
        known = {"step": "coil", "reading": "coil", "value": "1", "unit": "ohm"}
        journal.append(datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC), Mark.READING, known | data)
    (table,) = section(page(folder / "session"), "readings").all("table")
    return rows(table)[0]


@pytest.mark.parametrize("title", ["Fan", 'A"; } body { display: none } </style><script>', "Kühlzelle \\ \n 5"])
def test_a_printed_page_says_which_session_and_which_page_it_is(
    heard_one: Callable[[str], Path], title: str, browser: webdriver.Chrome
) -> None:
    browser.get(write_report(heard_one(title)).as_uri())
    rules = "return [...document.styleSheets[0].cssRules].find(rule => rule instanceof CSSPageRule).cssText"
    printed = browser.execute_script(rules)
    assert '"page " counter(page) " of " counter(pages)' in printed
    shown = title.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\a ")
    assert f'"{shown}, 2031-03-14 09:02:11 UTC"' in printed
    assert browser.execute_script("return getComputedStyle(document.body).display") == "block"


def test_a_corrected_reading_is_struck_through_and_leads_to_the_one_that_replaced_it(finished: Path) -> None:
    root = page(finished)
    assert [struck.text for struck in root.all("del")] == ["215 V AC", "conforming"]
    (row,) = root.all("tr", class_="corrected")
    (link,) = row.all("a")
    (target,) = root.all("tr", id=(link.attributes["href"] or "").removeprefix("#"))
    assert "250 V AC" in target.text


def test_a_corrected_reading_keeps_what_was_said_of_it_struck_through(put_right: Path) -> None:
    root = page(put_right)
    row, *_ = root.all("tr", class_="corrected")
    assert [struck.text for struck in row.all("del")] == [
        "0.57 Ω", "as spoken 0.88 Ω, leads 0.31 Ω", "± 0.039 Ω", "nonconforming",
        "inside the limit by less than the meter can tell", "guarded acceptance; conforms with probability 0.9381",
    ]  # fmt: skip


def test_the_head_says_that_a_nonconforming_reading_was_corrected_or_withdrawn(put_right: Path) -> None:
    head = page(put_right).all("div", class_="finding")[0].text.replace(" ,", ",")
    limit = "limit at most 0.6 Ω"
    assert (
        f"Corrected a nonconforming reading was corrected: reading 1, contact 0.57 Ω, {limit}; "
        "see reading 2, 0.57 Ω, conforming" in head
    )
    assert f"a nonconforming reading was withdrawn: reading 3, relay 0.57 Ω, {limit} a" in head
    assert f"reading 5, thermostat 0.57 Ω, {limit}; see reading 6" in head


def test_a_reading_measured_again_leads_to_the_one_that_stands_and_back(put_right: Path) -> None:
    root = page(put_right)
    (table,) = section(root, "readings").all("table")
    read = [row[4].replace(" ,", ",") for row in rows(table)]
    words = "measured again: see reading 6, 0.57 Ω, conforming, which stands"
    assert [number for number, row in enumerate(read, 1) if words in row] == [4]
    assert read[3].startswith("nonconforming measured again")
    assert "measured again" not in read[4]
    assert "stands; measured before: reading 4" in read[5]
    assert "stands" not in read[1]
    head = root.all("div", class_="finding")[0].text.replace(" ,", ",")
    assert (
        f"Nonconforming thermostat 0.57 Ω (as spoken 9 Ω, leads 0.31 Ω), limit at most 0.6 Ω (reading 4 ), {words}"
        in head
    )


def written(folder: Path, *entries: tuple[Mark, dict[str, Any]]) -> Path:
    with Journal.create(folder, b"") as journal:
        for place, (mark, data) in enumerate(((Mark.OPENED, {}), *entries)):
            journal.append(datetime(2031, 5, 6, 7, 8, place, tzinfo=UTC), mark, data)
    return folder


def reading(id: str, value: str, verdict: str, **more: Any) -> tuple[Mark, dict[str, Any]]:
    data = {"id": id, "step": "winding", "reading": "winding", "kind": "reading", "unit": "ohm", "value": value}
    return Mark.READING, data | {"verdict": verdict} | more


def corrected(id: str, by: str | None) -> tuple[Mark, dict[str, Any]]:
    return Mark.CORRECTED, {"reading": id, "by": by, "why": "correction"}


@pytest.mark.parametrize(
    ("then", "told"),
    [
        ((), "see reading 2, 19 Ω, nonconforming"),
        ((reading("c", "12", "conforming"), corrected("b", "c")), "see reading 3, 12 Ω, conforming, which stands"),
        ((corrected("b", None), reading("c", "11", "conforming")), "see reading 3, 11 Ω, conforming, which stands"),
        ((corrected("b", None),), "winding 14 Ω a nonconforming"),
        ((corrected("b", "a"),), "winding 14 Ω a nonconforming"),
    ],
    ids=["once", "twice", "withdrawn and measured again", "withdrawn", "in a circle"],
)
def test_the_head_leads_from_a_corrected_reading_to_the_one_that_stands_in_the_end(
    then: tuple[tuple[Mark, dict[str, Any]], ...], told: str, tmp_path: Path
) -> None:
    first, second = reading("a", "14", "nonconforming"), reading("b", "19", "nonconforming")
    folder = written(tmp_path / "session", first, second, corrected("a", "b"), *then)
    assert told in page(folder).all("div", class_="finding")[0].text.replace(" ,", ",")


@pytest.mark.parametrize(
    ("unit", "width", "shown"),
    [
        ("ohm", {"expanded": "0.00026", "unit": "kiloohm"}, "± 0.26 Ω"),
        ("degree_Fahrenheit", {"expanded": "0.5", "unit": "degree_Celsius"}, "± 0.9 °F"),
        ("ohm", {"expanded": "0.5", "unit": "volt"}, "± 0.5 V"),
    ],
    ids=["prefix", "degrees", "another quantity"],
)
def test_an_uncertainty_is_in_the_unit_of_its_reading(
    unit: str, width: dict[str, str], shown: str, tmp_path: Path
) -> None:
    folder = written(tmp_path / "session", reading("a", "3.4", "conforming", unit=unit, uncertainty=width))
    assert shown in section(page(folder), "readings").text


COIL = {"reading": "coil", "must": "fall by 12 °C in 8 min", "verdict": "nonconforming", "reason": "fell by 3 °C"}
TOO_SLOW: list[tuple[Mark, dict[str, Any]]] = [
    (Mark.ENTERED, {"step": "pull-down", "kind": "watch"}),
    reading("a", "8", "", step="pull-down", series="coil"),
    (Mark.WATCHED, {"step": "pull-down", "verdict": "nonconforming", "series": [COIL]}),
]


def test_a_watch_and_a_figure_that_do_not_conform_stand_beside_the_finding(tmp_path: Path) -> None:
    folder = written(
        tmp_path / "session",
        *TOO_SLOW,
        (Mark.CALCULATED, {"step": "x", "figure": "imbalance", "value": "4", "unit": "percent", "inputs": []}
         | {"verdict": "nonconforming", "limit": {"at_most": "2", "unit": "percent"}}),
    )  # fmt: skip
    head = page(folder).all("div", class_="finding")[0].text
    assert "Nonconforming figure imbalance 4 %, limit at most 2 %" in head
    assert "Nonconforming watch coil must fall by 12 °C in 8 min, fell by 3 °C" in head


def test_a_figure_made_from_a_reading_that_was_withdrawn_has_no_verdict_any_more(tmp_path: Path) -> None:
    made_from = [{"step": "a", "reading": "plate", "id": "a", "value": "8", "unit": "ohm"}]
    figure = {"step": "x", "figure": "imbalance", "value": "4", "unit": "percent", "inputs": made_from}
    told = {"verdict": "nonconforming", "limit": {"at_most": "2", "unit": "percent"}, "reason": "furthest: plate"}
    entries = [reading("a", "8", ""), (Mark.CALCULATED, figure | told)]
    stands, gone = (
        page(written(tmp_path / "stands", *entries)),
        page(written(tmp_path / "gone", *entries, corrected("a", None))),
    )
    assert "Nonconforming figure imbalance" in stands.all("div", class_="finding")[0].text
    assert "Nonconforming figure" not in gone.all("div", class_="finding")[0].text
    assert "made from a reading that does not stand" in section(gone, "figures").text


def test_a_watch_that_was_taken_back_has_no_verdict_any_more(tmp_path: Path) -> None:
    root = page(written(tmp_path / "session", *TOO_SLOW, (Mark.TAKEN_BACK, {"step": "pull-down"})))
    assert "Nonconforming watch" not in root.all("div", class_="finding")[0].text
    assert "fell by 3 °C" not in root.text


def test_what_nobody_stated_is_said_not_to_be_known(metered: Path) -> None:
    root = page(metered)
    assert "Technician not given" in root.all("dl", class_="facts")[0].text
    (table,) = section(root, "readings").all("table")
    assert [row[1] for row in rows(table)] == [
        "contact contact Ostrel 61, up to 60 Ω: 0.5 % + 2 counts",
        "other other meter not known",
    ]


@pytest.mark.parametrize("session", ["finished", "put_right"])
def test_every_link_inside_the_page_has_its_target(session: str, request: pytest.FixtureRequest) -> None:
    root = page(request.getfixturevalue(session))
    targets = {element.attributes.get("id") for tag in ("tr", "h2") for element in root.all(tag)}
    links = [link.attributes["href"] or "" for link in root.all("a")]
    assert links
    assert {link.removeprefix("#") for link in links} <= targets


def test_what_was_observed_stands_with_its_question(tmp_path: Path) -> None:
    asked = {"step": "prop", "kind": "observe", "text": "Does the prop hold?"}
    folder = written(
        tmp_path / "session",
        (Mark.ENTERED, asked),
        (Mark.ANSWERED, {"step": "prop", "answer": "no", "text": "it slips"}),
        (Mark.ENTERED, asked),
        (Mark.ANSWERED, {"step": "prop", "answer": "yes", "text": "it holds"}),
    )
    (table,) = section(page(folder), "observed").all("table")
    assert [row[1:] for row in rows(table)] == [
        ["Does the prop hold?", "it slips , answered again later", "prop"],
        ["Does the prop hold?", "it holds", "prop"],
    ]


def test_an_answer_that_was_taken_back_says_so(tmp_path: Path) -> None:
    folder = written(
        tmp_path / "session",
        (Mark.ENTERED, {"step": "prop", "kind": "observe", "text": "Does the prop hold?"}),
        (Mark.ANSWERED, {"step": "prop", "answer": "no", "text": "it slips"}),
        (Mark.TAKEN_BACK, {"step": "prop"}),
    )
    (table,) = section(page(folder), "observed").all("table")
    assert [row[1:] for row in rows(table)] == [["Does the prop hold?", "it slips , taken back", "prop"]]


@pytest.mark.parametrize(("condition", "told"), [("sound", True), ("faulty", False)])
def test_a_machine_found_sound_with_a_reading_out_of_limits_says_so_first(
    condition: str, told: bool, tmp_path: Path
) -> None:
    concluded = {"step": "over", "finding": "It heats.", "condition": condition, "part": None, "action": "Go."}
    folder = written(
        tmp_path / "session",
        reading("a", "0.2", "nonconforming"),
        (Mark.CONCLUDED, concluded),
    )
    head = page(folder).all("div", class_="finding")[0].text
    assert ("1 reading out of limits stands on record" in head) is told


def test_deviations_and_refusals_stand_with_their_reasons(finished: Path) -> None:
    root = page(finished)
    (deviation,) = section(root, "deviations").all("li")
    assert deviation.text.startswith("step not carried out . Reason: the gauge is at the workshop")
    assert deviation.text.endswith("bearing-play")
    (table,) = section(root, "refusals").all("table")
    assert [row[1:] for row in rows(table)] == [
        ["refused", "the supply is not isolated yet; the cover stays on", "isolate"],
    ]


def test_energy_sources_stand_with_every_state_they_had(finished: Path) -> None:
    (table,) = section(page(finished), "energy").all("table")
    found = {source: re.sub(r" *\d\d:\d\d:\d\d *", ", ", states) for source, states in rows(table)}
    assert found == {
        "supply": "live, isolated, proved dead, ",
        "run capacitor charge": "live, proved dead, ",
        "water pressure": "live, isolated, ",
    }


def test_what_is_still_off_the_machine_is_said(finished: Path, unfinished: Path) -> None:
    assert "STILL OFF" not in section(page(finished), "off").text
    (table,) = section(page(unfinished), "off").all("table")
    assert [(row[0], row[3]) for row in rows(table)] == [
        ("terminal cover", "STILL OFF"),
        ("capacitor lead", "STILL OFF"),
    ]


def test_the_cautions_that_were_spoken_stand_with_their_signal_words(finished: Path) -> None:
    (table,) = section(page(finished), "cautions").all("table")
    assert [row[1].split()[0] for row in rows(table)] == ["danger", "warning", "danger"]
    assert rows(table)[2][1:] == ["danger A charged capacitor can kill. Do not touch its terminals.", "discharge"]


BROKEN_OFF, UNSPOKEN = "broken off before its end", "not spoken, for somebody spoke"


@pytest.mark.parametrize(
    ("left_off", "told"),
    [
        (["Danger. It is live.", "Lift the cover."], BROKEN_OFF),
        (["The title.", "Danger. It is live.", "Lift the cover."], UNSPOKEN),
        (["Lift the cover."], None),
        (None, None),
        ({"text": "Danger. It is live."}, None),
        ([{"text": "Danger. It is live."}, 7], None),
    ],
)
def test_a_caution_that_was_broken_off_is_not_said_to_have_been_heard_out(
    left_off: object, told: str | None, tmp_path: Path
) -> None:
    def said(text: str, about: str) -> tuple[Mark, dict[str, Any]]:
        return Mark.SAID, {"text": text, "about": about, "step": "cover"}

    then = {"text": "done", "confidence": 0.9} | ({} if left_off is None else {"left_off": left_off})
    folder = written(
        tmp_path / "session",
        said("Danger. It is live.", "caution"),  # heard out the first time
        (Mark.HEARD, {"text": "say again", "confidence": 0.9}),
        said("Danger. It is live.", "caution"),
        said("Lift the cover.", "instruction"),
        (Mark.HEARD, then),
    )
    root = page(folder)
    (table,) = section(root, "cautions").all("table")
    lines = section(root, "transcript").all("tr", class_="handsfree")
    for remark in (BROKEN_OFF, UNSPOKEN):
        assert [remark in row[1] for row in rows(table)] == [False, remark == told]
        assert [remark in line.text for line in lines[:2]] == [False, remark == told]


def test_a_source_that_was_not_found_dead_is_not_only_isolated_on_the_page(tmp_path: Path) -> None:
    folder = written(
        tmp_path / "session",
        (Mark.ENERGY, {"source": "mains", "name": "supply cord", "state": "isolated"}),
        (Mark.DEVIATION, {"step": "probe", "what": "not found dead", "reason": "supply cord"}),
    )
    root = page(folder)
    (table,) = section(root, "energy").all("table")
    assert rows(table) == [["supply cord", "isolated 07:08:01 not found dead 07:08:02"]]
    assert "not found dead : supply cord" in section(root, "deviations").text


def identity(what: str, value: str) -> tuple[Mark, dict[str, Any]]:
    return Mark.IDENTIFIED, {"what": what, "value": value, "words": value}


def test_who_goes_on_with_a_visit_is_not_given_as_the_one_who_began_it(tmp_path: Path) -> None:
    again = (Mark.REOPENED, {"settings": {}})
    named = (again, identity("technician", "BEN"), identity("site", "Quay 3"))
    (known,) = page(written(tmp_path / "unnamed", *named)).all("dl", class_="known")
    assert known.text == "Technician not given, from 07:08 UTC BEN Site Quay 3"
    first = (identity("technician", "ANN"), *named)
    (known,) = page(written(tmp_path / "named", *first)).all("dl", class_="known")
    assert known.text == "Technician ANN, from 07:08 UTC BEN Site Quay 3"


@pytest.mark.parametrize(
    ("voices", "heading", "remarks"),
    [
        (["aloud"], "Cautions read aloud", [""]),
        (["silent"], "Cautions shown, none read aloud", [""]),
        (["file", "aloud"], "Cautions read aloud", ["shown, not read aloud", ""]),
        ([None], "Cautions read aloud", [""]),  # a record from before the settings said so
    ],
)
def test_a_caution_that_nobody_could_hear_is_not_said_to_have_been_read_aloud(
    voices: list[str | None], heading: str, remarks: list[str], tmp_path: Path
) -> None:
    entries: list[tuple[Mark, dict[str, Any]]] = []
    for place, voice in enumerate(voices):
        settings = {} if voice is None else {"voice": voice}
        entries.append((Mark.REOPENED if place else Mark.OPENED, {"settings": settings}))
        entries.append((Mark.SAID, {"text": "Danger. It is live.", "about": "caution", "step": "cover"}))
    cautions = section(page(written(tmp_path / "session", *entries)), "cautions")
    assert heading in cautions.text
    (table,) = cautions.all("table")
    assert [row[1].removeprefix("danger It is live.").strip() for row in rows(table)] == remarks


def test_a_caution_that_was_spoken_again_after_it_was_broken_off_is_known_to_have_been(tmp_path: Path) -> None:
    danger, lift = "Danger. It is live.", "Lift the cover."
    folder = written(
        tmp_path / "session",
        *(
            (Mark.SAID, {"text": text, "about": about, "step": "cover"})
            for text, about in ((danger, "caution"), (lift, "instruction"))
        ),
        (Mark.HEARD, {"text": "", "confidence": 0.1, "left_off": [danger, lift]}),
        (Mark.HEARD, {"text": "done", "confidence": 0.9, "said_again": [danger, lift], "left_off": [lift]}),
    )
    root = page(folder)
    (table,) = section(root, "cautions").all("table")
    assert [row[1] for row in rows(table)] == ["danger It is live. broken off, and said again after that"]
    assert BROKEN_OFF in section(root, "transcript").all("tr", class_="handsfree")[1].text


def test_the_transcript_has_each_line_with_who_said_it_its_confidence_and_its_clip(finished: Path) -> None:
    transcript = section(page(finished), "transcript")
    heard = transcript.all("tr", class_="technician")
    assert heard[0].text == (
        "09:02:19 technician two hundred fifteen volts a c "
        "also heard as: two hundred fifty volts a c 0.58 clips/0001.flac"
    )
    assert len(transcript.all("audio")) == len(heard) == len(list((finished / "clips").iterdir()))
    assert "(no words made out)" in transcript.text
    said = transcript.all("tr", class_="handsfree")
    assert "Danger. A charged capacitor can kill. Do not touch its terminals." in [
        row.all("span", class_="words")[0].text for row in said
    ]


def test_each_clip_is_carried_in_the_page_as_recorded(finished: Path) -> None:
    sources = [audio.attributes["src"] or "" for audio in page(finished).all("audio")]
    clips = [path.read_bytes() for path in sorted((finished / "clips").iterdir())]
    assert [base64.b64decode(source.removeprefix("data:audio/flac;base64,")) for source in sources] == clips


def test_linked_clips_are_named_relative_to_the_session_folder(finished: Path) -> None:
    sources = [audio.attributes["src"] for audio in page(finished, embed=False).all("audio")]
    assert sources[:2] == ["clips/0001.flac", "clips/0002.flac"]


def test_the_page_asks_for_nothing_from_outside_itself_and_runs_nothing(finished: Path) -> None:
    source = render(finished)
    root = Page(source).root
    assert root.all("script") + root.all("link") + root.all("img") + root.all("iframe") == []
    assert not re.search(r"url\(|@import|https?:", re.sub(r"base64,[A-Za-z0-9+/=]+", "", source))
    assert [a.attributes["href"] or "" for a in root.all("a") if not (a.attributes["href"] or "").startswith("#")] == []
    policy = root.all("meta", **{"http-equiv": "Content-Security-Policy"})[0].attributes["content"] or ""
    assert policy.startswith("default-src 'none';")


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "' onmouseover='alert(1)",
        "</title></style></td></table><h1>SOUND</h1>",
        "{{ 7 * 7 }}{% raw %}",
    ],
)
def test_hostile_text_is_shown_as_text(heard_one: Callable[[str], Path], text: str) -> None:
    root = page(heard_one(text))
    assert [words.text for words in root.all("span", class_="words")] == [text]
    assert [title.text for title in root.all("h1")] == [text]
    assert root.all("script") + root.all("img") == []


def test_headings_tables_and_players_carry_what_a_screen_reader_needs(finished: Path) -> None:
    root = page(finished)
    assert root.all("html")[0].attributes["lang"] == "en"
    assert len(root.all("h1")) == 1
    headers = root.all("th")
    assert headers
    assert {header.attributes.get("scope") for header in headers} <= {"col", "row", "rowgroup"}
    assert None not in {header.attributes.get("scope") for header in headers}
    assert all((audio.attributes["aria-label"] or "").startswith("Clip of ") for audio in root.all("audio"))
    for place in root.all("section"):
        (heading,) = place.all("h2")
        assert heading.attributes["id"] == place.attributes["aria-labelledby"]


def test_an_altered_record_says_so_before_anything_else_and_shows_what_can_be_read(finished: Path) -> None:
    journal = finished / "journal.jsonl"
    lines = journal.read_bytes().replace(b'"5.20"', b'"9.20"').split(b"\n")
    lines[4] = b"\xff"
    journal.write_bytes(b"\n".join(lines))
    (finished / "clips" / "0001.flac").write_bytes(b"something else")
    (finished / "clips" / "0002.flac").unlink()
    root = page(finished)
    body = [child for child in root.all("body")[0].children if isinstance(child, Element)]
    assert body[0].text.startswith("This record is not as it was written. Do not rely on it.")
    assert "journal.jsonl:5: the line is not UTF-8" in body[0].text
    assert len(body[0].all("li")) == 4
    assert "The record is not intact" in root.all("footer")[0].text
    complaints = [mark.text for mark in section(root, "transcript").all("span", class_="complaint")]
    assert complaints == ["clip altered", "clip missing"]
    assert "9.20 Ω" in section(root, "readings").text


def test_the_page_lies_in_the_session_folder_or_where_it_is_wanted(finished: Path, tmp_path: Path) -> None:
    assert write_report(finished) == finished / "report.html"
    assert write_report(finished, tmp_path / "for the file.html") == tmp_path / "for the file.html"
    assert (finished / "report.html").read_bytes() == (tmp_path / "for the file.html").read_bytes()


@pytest.mark.parametrize("embed", [True, False], ids=["carried in the page", "linked"])
def test_the_page_in_a_folder_is_held_to_the_record(finished: Path, embed: bool) -> None:
    assert check_page(finished) == []
    page = write_report(finished, embed=embed)
    assert check_page(finished) == []
    page.write_bytes(page.read_bytes().replace(b"5.20", b"4.20"))
    (told,) = check_page(finished)
    assert told.grade is Grade.REMARK
    assert "is not the page that this record gives" in str(told)


def test_a_page_beside_no_entry_cannot_be_compared(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "session", b""):
        pass
    (tmp_path / "session" / "report.html").touch()
    (told,) = check_page(tmp_path / "session")
    assert "cannot be compared" in str(told)


def test_a_page_that_would_lose_its_clips_or_has_no_place_is_refused(finished: Path, tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="let the page carry them"):
        write_report(finished, tmp_path / "report.html", embed=False)
    with pytest.raises(JournalError, match="cannot be written"):
        write_report(finished, tmp_path / "no such folder" / "report.html")


def test_what_is_no_session_or_holds_nothing_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="is not a session's folder"):
        render(tmp_path)
    Journal.create(tmp_path / "empty", b"").close()
    with pytest.raises(JournalError, match="without a readable entry"):
        render(tmp_path / "empty")


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        ("ohm", "Ω"),
        ("kiloohm", "kΩ"),
        ("megaohm", "MΩ"),
        ("microfarad", "µF"),
        ("millivolt", "mV"),
        ("degree_Celsius", "°C"),
        ("degree_Fahrenheit", "°F"),
        ("pound_force_per_square_inch", "psi"),
        ("inch_Hg", "inHg"),
        ("kilopascal", "kPa"),
        ("percent", "%"),
        ("newton * meter", "N·m"),
        ("foot_pound", "ft·lb"),
        ("hertz", "Hz"),
        ("furlongs of nothing", "furlongs of nothing"),
        (None, ""),
    ],
)
def test_units_are_written_with_their_symbols(unit: str | None, expected: str) -> None:
    # Symbols of SI units after the SI brochure (BIPM, 9th edition); the others are common practice, no source.
    assert symbol(unit) == expected


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        ({"at_most": "7", "unit": "ohm"}, "at most 7 Ω"),
        ({"at_least": "2.0", "unit": "megaohm"}, "at least 2.0 MΩ"),
        ({"between": ["207", "253"], "unit": "volt", "waveform": "ac"}, "207 to 253 V AC"),
        ({"nominal": "45", "plus_minus_percent": "6", "unit": "microfarad"}, "45 µF ± 6 %"),
        ({"nominal": "45", "plus_minus": "2", "plus_minus_percent": None, "unit": "microfarad"}, "45 ± 2 µF"),
        ({"at_most": "3", "unit": None}, "at most 3"),
        ("at most seven ohms", "at most seven ohms"),
        (None, ""),
        (
            {"insulation_minimum": {"winding": "random-wound", "rated_volts": "400"}, "unit": "megaohm"},
            "minimum of IEEE 43, random-wound, 400 V",
        ),
    ],
)
def test_limits_are_written_in_words_with_symbols(limit: object, expected: str) -> None:
    assert limit_text(limit).replace("\N{NO-BREAK SPACE}", " ") == expected


def test_a_value_below_what_the_meter_shows_keeps_its_sign_and_digits() -> None:
    data = {"kind": "below", "value": "0.10", "unit": "ohm"}
    assert reading_text(data).replace("\N{NO-BREAK SPACE}", " ") == "< 0.10 Ω"


@pytest.mark.parametrize("embed", [True, False], ids=["carried in the page", "linked"])
def test_a_browser_plays_every_clip_and_has_nothing_to_complain_about(
    finished: Path, tmp_path: Path, embed: bool
) -> None:
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("no Chromium is installed")
    page = write_report(finished, embed=embed)
    # The page itself runs no script. This copy lets one in, to write down what the browser made of the clips; clips
    # whose metadata are wanted hold back the load event, so that nothing need be waited for.
    script = (
        "onload = () => document.querySelectorAll('audio').forEach(a => a.title = a.duration + '/' + (a.error ? 1 : 0))"
    )
    copy = page.with_name("copy.html")
    copy.write_text(
        page.read_text(encoding="utf-8")
        .replace("default-src 'none';", "default-src 'none'; script-src 'unsafe-inline';")
        .replace('preload="none"', 'preload="metadata"')
        .replace("</head>", f"<script>{script}</script></head>"),
        encoding="utf-8",
    )
    command = [
        browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run",
        f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", "--dump-dom", copy.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, check=True, capture_output=True, text=True, encoding="utf-8", timeout=120)
    players = Page(done.stdout).root.all("audio")
    assert [player.attributes.get("title") for player in players] == ["0.75/0"] * 19
    assert [line for line in done.stderr.splitlines() if "CONSOLE" in line] == []


@pytest.mark.parametrize("width", [320, 360, 412, 800, 1280])
@pytest.mark.parametrize("session", ["finished", "put_right", "wide"])
def test_nothing_runs_off_the_page(
    session: str, width: int, request: pytest.FixtureRequest, browser: webdriver.Chrome
) -> None:
    metrics = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 800}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(write_report(request.getfixturevalue(session)).as_uri())
    outside = (
        "return [...document.querySelectorAll('body *')]"
        ".filter(e => e.getBoundingClientRect().right > arguments[0] + 1)"
        ".map(e => `${e.tagName}.${e.className} ${e.innerText}`)"
    )
    assert browser.execute_script(outside, width) == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_what_was_spoken_does_not_squeeze_the_names_of_the_readings(wide: Path, browser: webdriver.Chrome) -> None:
    metrics = {"width": 1280, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(write_report(wide).as_uri())
    widths = "return [...document.querySelectorAll('.readings tbody tr:first-child > *')].map(e => e.clientWidth)"
    _, name, value, *_ = browser.execute_script(widths)
    assert name >= value


def test_a_reading_of_a_known_meter_stands_with_its_uncertainty_its_leads_and_its_probability(metered: Path) -> None:
    root = page(metered)
    (table,) = section(root, "readings").all("table")
    contact, other = rows(table)
    assert contact[1] == "contact contact Ostrel 61, up to 60 Ω: 0.5 % + 2 counts"
    assert contact[2] == "0.57 Ω as spoken 0.88 Ω, leads 0.31 Ω ± 0.039 Ω"
    assert contact[4] == (
        "undecided inside the limit by less than the meter can tell "
        "guarded acceptance; conforms with probability 0.9381"
    )
    assert other[2] == "1 Ω"
    assert "where it is missing, none was considered" in section(root, "readings").text


def test_the_meters_used_stand_with_serial_and_calibration(metered: Path) -> None:
    (table,) = section(page(metered), "meters").all("table")
    assert [row[:3] for row in rows(table)] == [
        ["Ostrel 61", "0417", "2031-01-31 overdue by 42 days"],
        ["not known", "none known", "not known"],
    ]


def test_without_a_meter_the_page_says_that_no_uncertainty_was_considered(finished: Path) -> None:
    root = page(finished)
    assert "No measurement uncertainty was considered" in section(root, "readings").text
    assert not root.all("section", **{"aria-labelledby": "meters"})
