"""A watch on real speech: the recording's own time says when a reading is due, and only then is it listened for."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from virtual_card import SoundCard, Visit, in_room_noise

from handsfree.procedure.load import load
from handsfree.procedure.proof import check
from handsfree.session.events import Mark
from handsfree.session.journal import read
from handsfree.session.replay import verify
from handsfree.sound import audio
from handsfree.sound.loop import begin, from_recording
from handsfree.sound.protocol import RATE, Audio
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.voice import SilentVoice

START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
SPEECH = Path(__file__).parent / "speech"
PROCEDURE = """\
procedure: seal-warms
title: The seal heater warms up
edition: "1"
purpose: See whether the seal heater of a chest freezer comes to its resistance.
equipment: Ostrava Nill chest freezer
local_rules: Local rules come first.
steps:
  - id: warms
    kind: watch
    say: Watch the seal heater.
    every_minutes: 0.2
    for_minutes: 1
    series:
      - {reading: seal heater, quantity: resistance, unit: ohm, rises_to: 5}
    next: {nonconforming: bad}
  - {id: sound, kind: conclude, finding: The heater is sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: The heater is bad., condition: faulty, part: heater, action: Replace it.}
"""


def said_at(*said: tuple[float, str]) -> Audio:
    """A recording in which these clips begin at these seconds."""
    parts: list[NDArray[np.int16]] = []
    at = 0.0
    for second, name in said:
        clip = audio.read(SPEECH / f"{name}.flac")[0].samples
        parts += [np.zeros(round((second - at) * RATE), np.int16), clip]
        at = second + len(clip) / RATE
    return Audio(in_room_noise([*parts, np.zeros(2 * RATE, np.int16)]))


def test_a_recorded_watch_asks_when_the_recording_comes_to_the_time(tmp_path: Path) -> None:
    path = tmp_path / "warms.yaml"
    path.write_text(PROCEDURE, encoding="utf-8")
    assert check(path) == []
    recogniser = SphinxRecogniser()
    folder = tmp_path / "session"
    conversation, opened = begin(
        load(path), folder, SilentVoice(), lambda event, acts: None, recogniser, source="test", time=START
    )
    word = "five_point_two_ohms"
    # Asked at 0 s and 12 s; between them talk that is no reading, and a reading that comes too early.
    said = said_at((1, word), (5, "she_said_the_delivery_was_late"), (14, word), (18, "affirm"))
    from_recording(conversation, said, opened)
    conversation.close()
    entries = read(folder)
    assert [entry.data["value"] for entry in entries if entry.kind is Mark.READING] == ["5.2", "5.2"]
    (due,) = [entry.time - START for entry in entries if entry.kind is Mark.DUE]
    assert due == timedelta(seconds=12)
    seconds = [entry.data["seconds"] for entry in entries if entry.kind is Mark.READING]
    assert 1 < seconds[0] < 5
    assert 14 < seconds[1] < 18
    assert [entry.data["finding"] for entry in entries if entry.kind is Mark.CONCLUDED] == ["The heater is sound."]
    assert verify(folder) == []


def test_a_live_watch_asks_by_itself_when_the_time_has_come(sound_card: SoundCard, tmp_path: Path) -> None:
    path = tmp_path / "warms.yaml"
    path.write_text(PROCEDURE, encoding="utf-8")
    folder = tmp_path / "session"
    reading, affirm = (audio.read(SPEECH / f"{name}.flac")[0].samples for name in ("five_point_two_ohms", "affirm"))
    with Visit(sound_card, path, folder, headset=True) as visit:
        visit.listen()
        visit.say(reading)
        visit.wait_for("due", 1)
        visit.listen()
        visit.say(reading)
        visit.listen()
        visit.say(affirm)
        code, out, _ = visit.end()
    assert code == 0
    assert "The heater is sound." in out
    assert verify(folder) == []
    entries = read(folder)
    began = next(entry.time for entry in entries if entry.kind is Mark.ENTERED)
    (due,) = [entry.time for entry in entries if entry.kind is Mark.DUE]
    assert due - began >= timedelta(seconds=12)
    assert [entry.data["value"] for entry in entries if entry.kind is Mark.READING] == ["5.2", "5.2"]
