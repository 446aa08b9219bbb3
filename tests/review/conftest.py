"""A session's folder as a finished session leaves it: written through the journal, with real FLAC clips."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from handsfree import __version__
from handsfree.session.events import Mark
from handsfree.session.journal import Journal, digest

PROCEDURE = b"procedure: booster-pump-hums\ntitle: Booster pump hums and does not start\n"
CLIP_SECONDS = 0.75


def flac(pitch: float) -> bytes:
    """A short tone at 16 kHz, as FLAC."""
    time = np.arange(int(16_000 * CLIP_SECONDS)) / 16_000
    file = io.BytesIO()
    soundfile.write(file, (8_000 * np.sin(2 * np.pi * pitch * time)).astype(np.int16), 16_000, format="FLAC")
    return file.getvalue()


@dataclass
class Writer:
    """Writes a session as the session machine would, one to nine seconds between entries."""

    journal: Journal
    time: datetime = datetime(2031, 3, 14, 9, 2, 11, 250_000, UTC)
    utterances: int = 0
    readings: int = 0

    def note(self, mark: Mark, **data: Any) -> None:
        self.time += timedelta(milliseconds=40)
        self.journal.append(self.time, mark, data)

    def say(self, text: str, about: str = "instruction", step: str | None = None) -> None:
        self.time += timedelta(seconds=1)
        self.note(Mark.SAID, text=text, about=about, step=step)

    def hear(self, text: str, confidence: float | None = 0.94, *others: str) -> None:
        self.time += timedelta(seconds=6)
        self.utterances += 1
        clip, sha256 = self.journal.keep_clip(flac(200 + 20 * self.utterances))
        alternatives = [{"text": other, "score": 0.4} for other in others]
        self.note(
            Mark.HEARD,
            text=text,
            confidence=confidence,
            engine="pocketsphinx",
            alternatives=alternatives,
            clip=clip,
            clip_sha256=sha256,
            offset=7.0 * self.utterances,
            seconds=CLIP_SECONDS,
        )

    def step(self, step: str, say: str, caution: str | None = None) -> None:
        self.note(Mark.ENTERED, step=step, kind="measure", text=say)
        if caution:
            self.say(caution, "caution", step)
        self.say(say, "instruction", step)

    def read(self, step: str, name: str, words: str, value: str | None, unit: str | None, **more: Any) -> str:
        """A reading heard, recorded and read back; ``more`` is what differs from an unjudged plain one."""
        self.hear(more.pop("heard", words), more.pop("confidence", 0.91), *more.pop("others", ()))
        number = self.record(step, name, words, value, unit, **more)
        self.say(f"{words}: {more.get('verdict') or 'noted'}.", "reading", step)
        return number

    def record(self, step: str, name: str, words: str, value: str | None, unit: str | None, **more: Any) -> str:
        self.readings += 1
        number = f"r{self.readings}"
        plain: dict[str, Any] = {"kind": "reading", "waveform": None, "limit": None, "verdict": None, "reason": None}
        of = {"id": number, "step": step, "reading": name, "value": value, "unit": unit, "words": words}
        self.note(Mark.READING, **of, **(plain | more))
        return number


def write_session(folder: Path, finish: bool = True) -> Path:
    """Twelve readings: one corrected, one over range, one undecided, one not judged; a deviation and a refusal."""
    with Journal.create(folder, PROCEDURE) as journal:
        w = Writer(journal)
        w.note(
            Mark.OPENED,
            handsfree=__version__,
            procedure={
                "id": "booster-pump-hums",
                "title": "Booster pump hums and does not start",
                "edition": "2031-02",
                "equipment": "Tarnholm VP-2 booster pump, 230 V, 1.1 kW",
                "sha256": digest(PROCEDURE),
            },
            settings={"recogniser": "pocketsphinx", "voice": "en-gb", "rate": 160},
        )
        w.note(Mark.ENERGY, source="supply", state="live")
        w.note(Mark.ENERGY, source="run capacitor charge", state="live")
        w.note(Mark.ENERGY, source="water pressure", state="live")
        supply = {"between": ["207", "253"], "unit": "volt"}
        w.step(
            "supply-voltage",
            "Measure the supply voltage at the isolator, line to neutral.",
            "Danger. Live terminals can kill. Use probes with finger guards and keep one hand away.",
        )
        judged = {"limit": supply, "verdict": "conforming", "waveform": "ac"}
        name, words = "supply voltage", "two hundred fifteen volts a c"
        unsure = {"confidence": 0.58, "others": ("two hundred fifty volts a c",)}
        first = w.read("supply-voltage", name, words, "215", "volt", **judged, **unsure)
        w.hear("correction two hundred fifty volts a c", 0.93)
        second = w.record("supply-voltage", name, "two hundred fifty volts a c", "250", "volt", **judged)
        w.note(Mark.CORRECTED, reading=first, by=second, why="misheard")
        w.say("Corrected. two hundred fifty volts A C: conforming.", "reading", "supply-voltage")

        w.step("isolate", "Switch the isolator off, lock it and tag it. Say done.")
        w.hear("go ahead", 0.71)
        w.note(Mark.REFUSED, step="isolate", reason="the supply is not isolated yet; the cover stays on")
        w.say("Not yet. The supply is not isolated. Switch off, lock and tag, then say done.", "refused", "isolate")
        w.hear("done")
        w.note(Mark.DONE, step="isolate")
        w.note(Mark.ENERGY, source="supply", state="isolated")
        w.note(Mark.ENERGY, source="water pressure", state="isolated")

        w.step(
            "prove-dead",
            "Prove your meter on a known source, then measure line to neutral.",
            "Warning. A meter that is broken also shows zero. Prove it before and after.",
        )
        judged = {"limit": {"at_most": "2", "unit": "volt"}, "verdict": "conforming", "waveform": "ac"}
        w.read("prove-dead", "residual voltage", "zero point three volts a c", "0.3", "volt", **judged)
        w.note(Mark.ENERGY, source="supply", state="proved dead")

        w.step("take-cover-off", "Take the terminal cover off. Say done.")
        w.hear("done", 0.97)
        w.note(Mark.DONE, step="take-cover-off")
        w.note(Mark.TAKEN_OFF, step="take-cover-off", item="terminal cover")
        w.step(
            "discharge",
            "Discharge the capacitor through the resistor and measure across it.",
            "Danger. A charged capacitor can kill. Do not touch its terminals.",
        )
        judged = {"limit": {"at_most": "5", "unit": "volt"}, "verdict": "conforming", "waveform": "dc"}
        w.read("discharge", "capacitor voltage", "zero volts d c", "0", "volt", **judged)
        w.note(Mark.ENERGY, source="run capacitor charge", state="proved dead")
        w.note(Mark.TAKEN_OFF, step="discharge", item="capacitor lead")

        w.step("capacitance", "Measure the run capacitor.")
        w.hear("stand by", 0.9)
        w.note(Mark.PAUSED, step="capacitance")
        w.hear("go ahead", 0.9)
        w.note(Mark.RESUMED, step="capacitance")
        limit: dict[str, Any] = {"nominal": "45", "plus_minus_percent": "6", "unit": "microfarad"}
        words = "forty five point three microfarads"
        w.read("capacitance", "run capacitor", words, "45.3", "microfarad", limit=limit, verdict="conforming")

        w.step("main-winding", "Measure the main winding.")
        w.hear("", None)
        w.note(Mark.ASKED_AGAIN, step="main-winding", text="", reason="no words were made out")
        w.say("Say again the main winding in ohms.", "asked again", "main-winding")
        judged = {"limit": {"at_most": "7", "unit": "ohm"}, "verdict": "conforming"}
        unsure = {"others": ("nine point two zero ohms",)}
        w.read("main-winding", "main winding", "five point two zero ohms", "5.20", "ohm", **judged, **unsure)

        w.step("start-winding", "Measure the start winding.")
        judged = {"limit": {"at_most": "30", "unit": "ohm"}, "verdict": "nonconforming", "kind": "over-range"}
        w.read("start-winding", "start winding", "over range", None, "ohm", **judged, heard="o l")

        w.step("lead", "Measure the winding lead.")
        judged = {"limit": {"at_most": "0.5", "unit": "ohm"}, "verdict": "undecided"}
        reason = "within 0.2 Ω of the limit, the meter's own accuracy"
        w.read("lead", "lead resistance", "zero point five ohms", "0.5", "ohm", **judged, reason=reason)

        w.step("insulation", "Measure the insulation to the frame at 500 volts.")
        judged = {"limit": {"at_least": "2", "unit": "megaohm"}, "verdict": "conforming", "kind": "above"}
        w.read("insulation", "insulation", "greater than five hundred megohms", "500", "megaohm", **judged)

        w.step("winding-temperature", "Measure the temperature of the winding.")
        words = "minus two point five degrees celsius"
        w.read("winding-temperature", "winding temperature", words, "-2.5", "degree_Celsius")

        w.step("bearing-play", "Measure the play of the shaft.")
        w.hear("unable the gauge is at the workshop", 0.8)
        w.note(Mark.DEVIATION, step="bearing-play", what="step not carried out", reason="the gauge is at the workshop")
        w.say("Noted as not carried out.", "answer", "bearing-play")

        w.step("starts", "Count the starts on the hour meter.")
        w.read("starts", "starts", "fifteen", "15", None)
        w.step("torque", "Tighten the terminal screws.")
        limit = {"nominal": "1.2", "plus_minus": "0.2", "unit": "newton * meter"}
        words = "one point two newton metres"
        w.read("torque", "screw torque", words, "1.2", "newton * meter", limit=limit, verdict="conforming")
        if finish:
            w.note(Mark.PUT_BACK, step="close-up", item="capacitor lead")
            w.note(Mark.PUT_BACK, step="close-up", item="terminal cover")
            w.say("Finding. The start winding is open. Replace the motor.", "finding", "motor-faulty")
            w.note(
                Mark.CONCLUDED,
                step="motor-faulty",
                finding="The start winding is open.",
                condition="faulty",
                part="pump motor, VP-2-310",
                action="Replace the motor. Keep the capacitor: it is within its limits.",
            )
            w.note(Mark.CLOSED, outcome="concluded", readings=w.readings, deviations=1)
    return folder


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    return write_session(tmp_path / "finished")


@pytest.fixture
def unfinished(tmp_path: Path) -> Path:
    return write_session(tmp_path / "unfinished", finish=False)


@pytest.fixture
def heard_one(tmp_path: Path) -> Callable[[str], Path]:
    """Makes a session in which one thing was heard."""

    def make(text: str) -> Path:
        folder = tmp_path / "heard-one"
        with Journal.create(folder, PROCEDURE) as journal:
            w = Writer(journal)
            w.note(Mark.OPENED, procedure={"title": text, "sha256": digest(PROCEDURE)})
            w.hear(text)
            w.note(Mark.CLOSED, outcome="stopped")
        return folder

    return make


METER = {"meter": "ostrel", "name": "Ostrel 61", "serial": "0417", "calibration_due": "2031-01-31"}
JUDGED_WITH_IT: dict[str, Any] = {
    "kind": "reading",
    "waveform": None,
    "limit": {"at_most": "0.6", "unit": "ohm"},
    "verdict": "undecided",
    "reason": "inside the limit by less than the meter can tell",
    "meter": "ostrel",
    "range": {"up_to": "60", "resolution": "0.01", "percent": "0.5", "counts": "2", "unit": "ohm"},
    "uncertainty": {"expanded": "0.039", "k": 2, "unit": "ohm"},
    "leads": {"zero": "r1", "taken_off": "0.31", "corrected": "0.57", "unit": "ohm"},
    "decision": {
        "rule": "guarded acceptance",
        "guard_ratio": "1",
        "guard": "0.039",
        "conformity": "0.9381",
        "risk": None,
    },
}


@pytest.fixture
def metered(tmp_path: Path) -> Path:
    """A session with a meter that is overdue for calibration, and then with one that is not known."""
    folder = tmp_path / "metered"
    with Journal.create(folder, PROCEDURE) as journal:
        w = Writer(journal)
        w.note(Mark.OPENED, procedure={"title": "Pump", "sha256": digest(PROCEDURE)})
        w.note(Mark.METER, **METER, days_overdue=42)
        w.record("contact", "contact", "zero point eight eight ohms", "0.88", "ohm", **JUDGED_WITH_IT)
        w.note(Mark.METER, meter=None)
        w.record("other", "other", "one ohm", "1", "ohm")
        w.note(Mark.CLOSED, outcome="stopped")
    return folder


@pytest.fixture
def put_right(tmp_path: Path) -> Path:
    """Nonconforming readings: one corrected, one withdrawn, one measured again twice, of which one was corrected."""
    folder = tmp_path / "put-right"
    bad, good = JUDGED_WITH_IT | {"verdict": "nonconforming"}, JUDGED_WITH_IT | {"verdict": "conforming"}
    with Journal.create(folder, PROCEDURE) as journal:
        w = Writer(journal)
        w.note(Mark.OPENED, procedure={"title": "Pump", "sha256": digest(PROCEDURE)})
        first = w.record("contact", "contact", "zero point eight eight ohms", "0.88", "ohm", **bad)
        second = w.record("contact", "contact", "zero point four ohms", "0.4", "ohm", **good)
        w.note(Mark.CORRECTED, reading=first, by=second, why="correction")
        third = w.record("relay", "relay", "nine ohms", "9", "ohm", **bad)
        w.note(Mark.CORRECTED, reading=third, by=None, why="withdrawn")
        w.record("klixon", "thermostat", "nine ohms", "9", "ohm", **bad)
        fifth = w.record("klixon", "thermostat", "five ohms", "5", "ohm", **bad)
        sixth = w.record("klixon", "thermostat", "zero point five ohms", "0.5", "ohm", **good)
        w.note(Mark.CORRECTED, reading=fifth, by=sixth, why="correction")
        w.note(Mark.CLOSED, outcome="stopped")
    return folder


@pytest.fixture
def wide(tmp_path: Path) -> Path:
    """A session in which everything is long."""
    folder = tmp_path / "wide"
    with Journal.create(folder, PROCEDURE) as journal:
        w = Writer(journal)
        title = "Booster pump of the second pressure zone hums and does not start in the morning"
        w.note(Mark.OPENED, procedure={"title": title, "sha256": digest(PROCEDURE)}, settings={"input": "typed"})
        w.note(Mark.METER, **METER, days_overdue=42)
        leads = {"zero": "r1", "taken_off": "0.3100", "corrected": "1234.5678", "unit": "ohm"}
        implausible = {"between": ["0.001", "1000"], "unit": "ohm"}
        insulation = {"insulation_minimum": {"winding": "random-wound", "rated_volts": "400"}}
        data = JUDGED_WITH_IT | {"leads": leads, "verdict": "nonconforming", "implausible": implausible}
        first = w.record("contact", "contact of the auxiliary starter", "words", "1234.8778", "ohm", **data)
        limit = {"nominal": "1234.5", "plus_minus_percent": "12.5", "unit": "ohm"}
        w.record("contact", "contact of the auxiliary starter", "words", "1234.8778", "ohm", **data | {"limit": limit})
        second = w.record("other", "other contact", "words", "1234.8778", "ohm", **data)
        w.note(Mark.CORRECTED, reading=second, by=first, why="correction")
        w.note(
            Mark.CALCULATED,
            step="insulation-of-the-winding-at-forty",
            figure="insulation of the main winding at forty degrees",
            formula="R multiplied by two to the power of (T less 40) over 10",
            inputs=[{"step": "contact", "reading": "contact", "id": first, "value": "1234.5678", "unit": "megaohm"}],
            value="1234.5678",
            unit="megaohm",
            uncertainty="12.345",
            limit=insulation,
            limits=["5", None],
            verdict="nonconforming",
            reason="inside the limit by less than the meter can tell",
        )
        w.note(Mark.COUNTED, step="screws", item="screws of the rear panel", count=5, expected=6)
        w.note(Mark.ENERGY, source="mains", name="isolator of the second pressure zone", state="live")
        w.note(Mark.ENERGY, source="mains", name="isolator of the second pressure zone", state="proved dead")
        w.note(Mark.CLOSED, outcome="stopped")
    return folder
