"""The page in a browser, at the sizes of a tablet and of a phone, in a light room and in a dark one."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.support.wait import WebDriverWait
from visit import CABINET, COOLER, RELAY, ROOT, TIME, Visit

from handsfree.glance.server import Glance
from handsfree.glance.view import Timer
from handsfree.procedure.load import load
from handsfree.procedure.model import SpokenStep
from handsfree.session.events import Mark, Record, Started

# CSS pixels, as common devices have them: 10-inch tablets and 6-inch phones.
SIZES = {"tablet": (1280, 800), "tablet upright": (800, 1280), "phone upright": (412, 915), "phone": (915, 412)}
# ISO 9241-303 (from memory): characters of 20 to 22 minutes of arc, 16 at the least, by the height of a capital.
# The CSS pixel of a tablet or phone is 1/160 inch, as Android defines it for its density-independent pixel.
VERDICTS = ("conforming", "nonconforming", "undecided")
MINUTE, PIXEL = math.tan(math.radians(1 / 60)), 0.0254 / 160


class Page:
    """What stands on the page."""

    def __init__(self, browser: Chrome, url: str) -> None:
        self.browser = browser
        self.at("tablet")
        browser.get(url)

    def at(self, size: str, *, dark: bool = False) -> None:
        self.size = width, height = SIZES[size]
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": True}
        self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        self.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
        # Two frames later the page has been laid out anew.
        self.browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")

    def run(self, script: str) -> Any:
        return self.browser.execute_script(f"return {script}")

    def text(self, id: str) -> str:
        return str(self.run(f"document.getElementById('{id}').innerText"))

    def until(self, id: str, wanted: str) -> None:
        waiting = WebDriverWait(self.browser, 60, 0.05)
        waiting.until(lambda _: re.search(wanted, self.text(id)), f"{wanted!r} does not come, but {self.text(id)!r}")

    def capital(self) -> float:
        """The height of the step's capital letters in CSS pixels."""
        return float(self.run("capital(parseFloat(getComputedStyle(document.getElementById('step')).fontSize))"))

    def cut_off(self) -> list[str]:
        """What does not stand on the screen whole. The title, and what was heard, may be cut short.

        A browser shrinks a page that is too wide for a phone, and then counts more pixels than the phone has.
        """
        width, height = self.size
        return list(
            self.run(
                "[...document.querySelectorAll('body *:not(#title, #heard b, noscript)')].filter(e => { const b = "
                f"e.getBoundingClientRect(); return b.width && (b.right > {width + 1} || b.bottom > {height + 1} "
                "|| e.scrollHeight > e.clientHeight + 2 && getComputedStyle(e).overflowY === 'hidden'); })"
                ".map(e => `${e.tagName}#${e.id}.${e.className}`)"
            )
        )


@pytest.fixture
def page(browser: Chrome, glance: Glance) -> Page:
    glance.show(COOLER)
    return Page(browser, glance.url)


def follow_relay(glance: Glance, till: str) -> Visit:
    visit = Visit(glance)
    for text in RELAY:
        if visit.session.at == till:
            break
        visit.say(text)
    return visit


def test_the_page_shows_step_hearing_verdict_and_what_is_off_and_has_nothing_to_complain_about(
    page: Page, glance: Glance
) -> None:
    visit = follow_relay(glance, "start-relay")
    visit.say("nine point six ohms")
    page.until("heard", "nine point six ohms")
    assert page.text("step") == visit.procedure.step(visit.session.at).say  # type: ignore[union-attr]
    assert re.sub(r"\s+", " ", page.text("outcomes")) == "✗ 9.6 Ω nonconforming start relay: at most 7 Ω"
    assert "start relay" in page.text("off")
    assert "proved dead" in page.text("energy")
    assert page.text("say") == "say done"
    assert page.text("place") == "step 33 of 46 · 11 readings"
    assert [entry for entry in page.browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []


def test_the_step_is_read_from_two_metres_on_a_tablet(page: Page, glance: Glance) -> None:
    """Every step that is shipped, as it is entered: with all its cautions and the answer before it."""
    steps = [
        (procedure, step)
        for name in ("bottle-cooler-does-not-cool", "lift-table-is-slow")
        for procedure in [load(ROOT / "procedures" / f"{name}.yaml").procedure]
        for step in procedure.steps
        if isinstance(step, SpokenStep)
    ]
    arcs = {}
    for procedure, step in steps:
        glance.show(procedure)
        glance(Started(TIME), [Record(Mark.ENTERED, {"step": step.id, "kind": step.kind, "text": step.say})])
        page.until("step", re.escape(step.say))
        assert page.cut_off() == []
        arcs[step.say] = page.capital() * PIXEL / 2 / MINUTE
    assert len(arcs) > 60
    assert min(arcs.values()) >= 20, arcs


@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_cut_off_at_any_size(page: Page, glance: Glance, size: str) -> None:
    page.at(size)
    visit = follow_relay(glance, "discharge")
    visit.say("how far")
    visit.fail("The microphone 'USB headset' is lost. Plug it in again.")
    page.until("outcomes", "is lost")
    assert page.cut_off() == []
    visit.say("unable no tool")
    page.until("outcomes", "no way round")
    assert page.cut_off() == []
    glance.show(COOLER)
    visit = follow_relay(glance, "start-relay")
    visit.say("nine point six ohms")
    page.until("outcomes", "nonconforming")
    assert page.cut_off() == []
    visit.say("stand by")
    page.until("say", "go ahead")
    assert page.cut_off() == []


def test_timers_are_told_in_minutes_and_seconds_left(page: Page, glance: Glance) -> None:
    Visit(glance)
    page.until("place", "step 1 of")
    running = (
        Timer("pull-down", datetime.now(UTC) + timedelta(hours=1, minutes=20, seconds=30)),
        Timer("bleed", datetime.now(UTC)),
    )
    assert glance._view is not None
    glance._hand_over(glance._take, replace(glance._view, timers=running))
    page.until("timers", r"pull-down 1:20:[0-3][0-9]\s*bleed over")
    assert page.cut_off() == []


VISIT = {  # what is said, and what then stands on the page
    "spelling": (("one two three four five five",), "step", "Work order: one two three"),
    "serial": (("affirm", "alfa bravo four zero niner one"), "step", "Serial number: alfa bravo"),
    "a piece": (("affirm", "done", "minus 4.5 degrees", "the fan is silent", "done"), "place", "piece 1 of 2"),
    "counting": (("go ahead", "one", "two"), "step", "2 of 6"),
    "a note": (("orientation note",), "outcomes", "Note on panel screws"),
    "noted": (("the two long screws are bent and one of them is rusty all over",), "outcomes", "Noted"),
    "many off": (
        ("six", "done", "done", "230 volts", "0 volts", "0 volts", "231 volts", "done", "done"),
        "off",
        "fan plug, earth strap, rear panel, 6 panel screws",
    ),
    "count short": (("OL", "I have one", "four", "go ahead", "go ahead", "three", "done"), "outcomes", "counted"),
    "a reason": (("override",), "outcomes", "Say the reason"),
    "own words": (("another reason", "one nut was missing before anybody came here"), "outcomes", "old fan motor"),
    "how many": (
        ("unable not fitted", "unable not fitted", "done", "done", "0.2 ohms", "done", "done"),
        "outcomes",
        "How many are back",
    ),
    "a deviation": (("five", "override agreed with the office"), "outcomes", "six out, five back"),
    "timers": (("done", "timer ten minutes", "timer one minute"), "timers", r"pull down 2\d:.*timer one \d:"),
}


@pytest.mark.parametrize("size", SIZES)
def test_a_whole_visit_is_shown_whole_and_large(page: Page, glance: Glance, size: str) -> None:
    glance.show(CABINET)
    visit = Visit(glance, CABINET, datetime.now(UTC) - timedelta(minutes=5))
    page.at(size)
    far = {}
    for name, (said, where, wanted) in VISIT.items():
        visit.say(*said)
        page.until(where, f"(?s){wanted}")
        assert page.cut_off() == [], name
        far[name] = page.capital() * PIXEL / (20 * MINUTE)
    visit.wait(timedelta(minutes=2))
    page.until("timers", "timer two over")
    page.until("outcomes", "timer two: over")
    assert page.cut_off() == []
    # At the arm's length of a phone in its holder less is needed than across a machine.
    assert min(far.values()) >= (2.0 if size.startswith("tablet") else 1.0), far


def test_a_dozen_things_that_are_off_stand_whole_on_a_phone(page: Page, glance: Glance) -> None:
    page.at("phone upright")
    Visit(glance)
    page.until("place", "step 1 of")
    assert glance._view is not None
    off = tuple(f"cover of the {side} {place} bearing" for side in ("left", "right") for place in "abcdef")
    glance._hand_over(glance._take, replace(glance._view, off=off, counts=dict.fromkeys(off, 8)))
    page.until("off", "^off, last first\\s+8 cover of the right f bearing, ")
    page.until("off", "8 cover of the left a bearing$")
    assert page.cut_off() == []


@pytest.mark.parametrize(("dark", "kind"), list(product((False, True), VERDICTS)))
def test_contrast_is_seven_to_one_in_a_light_room_and_in_a_dark_one(
    page: Page, glance: Glance, dark: bool, kind: str
) -> None:
    """WCAG 2, success criterion 1.4.6; relative luminance as defined there."""
    page.at("tablet", dark=dark)
    reading = {"reading": "start relay", "limit": None, "verdict": kind, "reason": "", "kind": "reading"}
    glance(Started(TIME), [Record(Mark.ENTERED, {"step": "panel-off", "kind": "do", "text": ""})])
    glance(Started(TIME), [Record(Mark.READING, {**reading, "value": "5", "unit": "ohm", "waveform": None})])
    page.until("outcomes", kind)
    pairs = page.run(
        "[...document.querySelectorAll('body *')].filter(e => e.childElementCount === 0 && e.innerText && "
        "e.getBoundingClientRect().width).map(e => { let g = e; while (g && getComputedStyle(g).backgroundColor "
        "=== 'rgba(0, 0, 0, 0)') g = g.parentElement; return [getComputedStyle(e).color, "
        "getComputedStyle(g || document.body).backgroundColor, e.innerText]; })"
    )
    assert len(pairs) > 8
    ratios = {text: contrast(ink, ground) for ink, ground, text in pairs}
    assert min(ratios.values()) >= 7, ratios
    grounds = {ground for _, ground, _ in pairs}
    assert ("rgb(0, 0, 0)" if dark else "rgb(255, 255, 255)") in grounds


def contrast(one: str, other: str) -> float:
    def luminance(color: str) -> float:
        channels = [int(each) / 255 for each in re.findall(r"\d+", color)[:3]]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_verdicts_are_told_apart_without_any_colour(page: Page, glance: Glance) -> None:
    told = set()
    for kind in (*VERDICTS, None):
        glance.show(COOLER)
        reading = {"reading": "start relay", "limit": None, "verdict": kind, "reason": "", "kind": "reading"}
        glance(Started(TIME), [Record(Mark.READING, {**reading, "value": "5", "unit": "ohm", "waveform": None})])
        page.until("outcomes", rf"\b{kind or 'noted'}\b")
        told.add(page.text("outcomes"))
    assert len(told) == 4


def test_the_page_says_that_the_program_has_gone_and_finds_the_next_one_by_itself(browser: Chrome) -> None:
    with closing(Glance("127.0.0.1", 0)) as first:
        first.show(COOLER)
        page = Page(browser, first.url)
        Visit(first).say("done")
        page.until("place", "step 2 of")
        assert page.text("link") == "connected"
    page.until("gone", "The program has ended")
    assert page.text("place").startswith("step 2 of")
    with closing(Glance("127.0.0.1", first.port)) as second:
        second.show(COOLER)
        Visit(second)
        page.until("place", "step 1 of")
        page.until("link", "^connected$")
        assert page.text("gone") == ""


def test_the_page_of_a_program_that_is_killed_says_since_when_there_is_no_connection(
    browser: Chrome, tmp_path: Path
) -> None:
    command = [sys.executable, "-m", "handsfree.cli", "run", "lift-table-is-slow", "--typed", "--glance", "0"]
    with subprocess.Popen(
        [*command, "--out", str(tmp_path / "session")],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    ) as program:
        assert program.stdout is not None
        url = program.stdout.readline().split()[-1]
        page = Page(browser, url)
        page.until("place", "step 1 of")
        program.kill()
    page.until("gone", r"No connection to the program since \d\d:\d\d:\d\d. What stands here may be old.")
    assert page.text("link") == "not connected"


def test_a_page_with_the_token_of_an_earlier_program_is_told_to_scan_again(browser: Chrome) -> None:
    with closing(Glance("0.0.0.0", 0)) as glance:
        page = Page(browser, f"http://127.0.0.1:{glance.port}/?token=of-an-earlier-one")
        page.until("gone", "scan the code that the terminal shows now")
