"""The loop that joins session, journal, voice and ear: on recordings, on typed lines, and live on a virtual sound card.

Live, the whole program runs in a process of its own. A technician's part is played to it, and the technician does what
one does: listens until the tool has finished, then speaks.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from virtual_card import SoundCard, Visit, in_room_noise

from handsfree.procedure.load import load
from handsfree.procedure.proof import check
from handsfree.session.events import Mark, Started
from handsfree.session.journal import JOURNAL, Entry, read
from handsfree.session.replay import verify
from handsfree.sound import audio
from handsfree.sound.endpoint import LONGEST
from handsfree.sound.loop import Conversation, begin, from_recording, from_text
from handsfree.sound.protocol import RATE, Audio
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.voice import Renderer, SilentVoice, Voice, VoiceError

SPEECH = Path(__file__).parent / "speech"
START = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)

PROCEDURE = """\
procedure: seal-is-iced
title: Ice on the seal
edition: "1"
purpose: Find out why ice builds up on the door seal of a chest freezer.
equipment: Ostrava Nill chest freezer
local_rules: Local rules come first.
steps:
  - id: heater
    kind: measure
    say: Measure the seal heater.
    reading: seal heater
    quantity: resistance
    unit: ohm
    limit: {at_most: 7}
    next: {nonconforming: heater-bad}
  - id: supply
    kind: measure
    say: Measure the supply.
    reading: supply
    quantity: voltage
    unit: volt
    limit: {nominal: 480, plus_minus_percent: 15} # 418 is within it: what may be misheard changes nothing
    next: {nonconforming: heater-bad}
  - id: coil
    kind: observe
    say: Look at the coil.
    answers:
      frosted: [frosted over]
      clear: [clear]
    next: {frosted: coil-iced, clear: heater-bad}
  - id: coil-iced
    kind: conclude
    finding: The coil is iced up.
    condition: faulty
    part: defrost timer
    action: Replace the defrost timer.
  - id: heater-bad
    kind: conclude
    finding: The heater or its supply is bad.
    condition: unresolved
    action: Call for help.
"""
FINDING = "The coil is iced up."
TAKEN = [("heater", "5.2", "ohm", "conforming"), ("supply", "480", "volt", "conforming")]
SAID = ("five_point_two_ohms", "four_hundred_eighty_volts", "frosted_over")
WORDS = ["five point two ohms", "four hundred eighty volts", "frosted over"]
LONG_RULES = " ".join(["The rules of this site and the code for electrical work come before this procedure."] * 4)


@pytest.fixture(scope="module")
def recogniser() -> SphinxRecogniser:
    return SphinxRecogniser()


@pytest.fixture
def procedure(tmp_path: Path) -> Path:
    path = tmp_path / "seal.yaml"
    path.write_text(PROCEDURE, encoding="utf-8")
    assert check(path) == []
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "session"


def clip(name: str) -> NDArray[np.int16]:
    return audio.read(SPEECH / f"{name}.flac")[0].samples


def quiet(seconds: float) -> NDArray[np.int16]:
    return np.zeros(round(seconds * RATE), np.int16)


def recording(*parts: NDArray[np.int16]) -> Audio:
    return Audio(in_room_noise(parts))


def begun(
    procedure: Path, folder: Path, recogniser: SphinxRecogniser | None, voice: Voice | None = None
) -> tuple[Conversation, Started]:
    return begin(
        load(procedure),
        folder,
        voice or SilentVoice(),
        lambda event, acts: None,
        recogniser,
        source="test",
        time=START if recogniser else None,
    )


def played(procedure: Path, folder: Path, recogniser: SphinxRecogniser, heard: Audio) -> list[Entry]:
    """The record of a session on a recording."""
    conversation, opened = begun(procedure, folder, recogniser)
    from_recording(conversation, heard, opened)
    conversation.close()
    assert verify(folder) == []
    return read(folder)


def typed(procedure: Path, folder: Path, lines: Sequence[str], voice: Voice | None = None) -> list[Entry]:
    """The record of a typed session."""
    conversation, opened = begun(procedure, folder, None, voice)
    from_text(conversation, lines, opened)
    conversation.close()
    assert verify(folder) == []
    return read(folder)


def data(entries: list[Entry], mark: Mark) -> list[Any]:
    return [entry.data for entry in entries if entry.kind is mark]


def taken(entries: list[Entry]) -> list[tuple[str, ...]]:
    return [(each["step"], each["value"], each["unit"], each["verdict"]) for each in data(entries, Mark.READING)]


def understood(entries: list[Entry]) -> list[bool]:
    """Of each utterance, whether there were words in it."""
    return [bool(each["text"]) for each in data(entries, Mark.HEARD)]


def findings(entries: list[Entry]) -> list[str]:
    return [each["finding"] for each in data(entries, Mark.CONCLUDED)]


# -- from a recording ------------------------------------------------------------------------------------------------


def test_a_recording_leads_a_session_to_its_finding(
    procedure: Path, folder: Path, recogniser: SphinxRecogniser
) -> None:
    spoken = [part for name in SAID for part in (quiet(1), clip(name))]
    entries = played(procedure, folder, recogniser, recording(*spoken, quiet(1)))
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]
    assert data(entries, Mark.ENDED) == []


def test_a_recording_of_nothing_ends_a_session_that_heard_nothing(
    procedure: Path, folder: Path, recogniser: SphinxRecogniser
) -> None:
    entries = played(procedure, folder, recogniser, recording(quiet(5)))
    assert data(entries, Mark.HEARD) == []
    assert data(entries, Mark.ENDED) == [{"why": "the recording is over"}]
    assert entries[-1].kind is Mark.CLOSED
    assert entries[-1].data["outcome"] == "stopped"
    assert (entries[-1].time - START).total_seconds() == 5


def test_a_recording_that_ends_early_keeps_what_was_read(
    procedure: Path, folder: Path, recogniser: SphinxRecogniser
) -> None:
    entries = played(procedure, folder, recogniser, recording(quiet(1), clip(SAID[0]), quiet(0.3)))
    assert taken(entries) == TAKEN[:1]
    assert findings(entries) == []
    assert data(entries, Mark.ENDED) == [{"why": "the recording is over"}]
    assert "ended early" in [each["what"] for each in data(entries, Mark.DEVIATION)]


def test_a_reading_that_the_end_of_a_recording_cuts_off_is_never_taken(
    procedure: Path, folder: Path, recogniser: SphinxRecogniser
) -> None:
    whole = clip("four_hundred_eighty_volts")
    entries = played(
        procedure, folder, recogniser, recording(quiet(1), clip(SAID[0]), quiet(1), whole[: RATE * 3 // 4])
    )
    assert taken(entries) == TAKEN[:1]
    assert understood(entries) == [True, False]
    assert len(data(entries, Mark.ASKED_AGAIN)) == 1


def test_a_reading_in_speech_that_does_not_end_is_asked_again(
    procedure: Path, folder: Path, recogniser: SphinxRecogniser
) -> None:
    chatter = np.concatenate([clip("novel_ill_disposed"), clip("novel_cold_hearted")])
    endless = np.concatenate([clip("fifteen_ohms"), *[chatter] * 4])
    assert len(endless) > (LONGEST + 3) * RATE
    entries = played(
        procedure, folder, recogniser, recording(quiet(1), endless, quiet(2), clip("five_point_two_ohms"), quiet(1))
    )
    assert understood(entries) == [False, True]
    assert len(data(entries, Mark.ASKED_AGAIN)) == 1
    assert taken(entries) == TAKEN[:1]


# -- typed -----------------------------------------------------------------------------------------------------------


def test_typed_lines_lead_a_session_to_its_finding(procedure: Path, folder: Path) -> None:
    entries = typed(procedure, folder, [*(f"  {words}\r\n" for words in WORDS), "what comes after is not read"])
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]
    assert [each["text"] for each in data(entries, Mark.HEARD)] == WORDS


def test_typed_lines_that_end_early_are_recorded_as_that(procedure: Path, folder: Path) -> None:
    entries = typed(procedure, folder, ["five point two ohms", "", "nonsense"])
    assert taken(entries) == TAKEN[:1]
    assert len(data(entries, Mark.ASKED_AGAIN)) == 2
    assert data(entries, Mark.ENDED) == [{"why": "the input is over"}]


def test_an_interrupted_session_closes_its_record(procedure: Path, folder: Path) -> None:
    def lines() -> Iterator[str]:
        yield WORDS[0]
        raise KeyboardInterrupt

    conversation, opened = begun(procedure, folder, None)
    with pytest.raises(KeyboardInterrupt):
        from_text(conversation, lines(), opened)
    entries = read(folder)
    assert taken(entries) == TAKEN[:1]
    assert data(entries, Mark.ENDED) == [{"why": "interrupted"}]
    assert verify(folder) == []


# -- the voice -------------------------------------------------------------------------------------------------------


class Reader(SilentVoice):
    """Reads what stands in the journal's file whenever it is to speak."""

    def __init__(self, journal: Path, fails_at: int | None = None) -> None:
        self._journal = journal
        self._fails_at = fails_at
        self.spoken: list[str] = []
        self.on_disk: list[list[str]] = []
        self.closed = False

    def say(self, text: str) -> None:
        if len(self.spoken) == self._fails_at:
            raise VoiceError("the loudspeaker is gone; plug it in again")
        lines = [json.loads(line) for line in self._journal.read_text(encoding="utf-8").splitlines()]
        self.spoken.append(text)
        self.on_disk.append([line["data"]["text"] for line in lines if line["kind"] == "said"])

    def close(self) -> None:
        self.closed = True


def test_every_answer_is_on_disk_before_it_is_spoken(procedure: Path, folder: Path) -> None:
    voice = Reader(folder / JOURNAL)
    entries = typed(procedure, folder, WORDS, voice)
    assert len(voice.spoken) > 8
    for number, (text, there) in enumerate(zip(voice.spoken, voice.on_disk, strict=True)):
        assert there[number] == text
    assert voice.spoken == [each["text"] for each in data(entries, Mark.SAID)]


def test_a_voice_that_fails_is_put_on_record_and_the_session_goes_on_silently(procedure: Path, folder: Path) -> None:
    voice = Reader(folder / JOURNAL, fails_at=5)
    entries = typed(procedure, folder, WORDS, voice)
    (fault,) = data(entries, Mark.FAULT)
    assert fault["what"] == "Prompts are no longer spoken: the loudspeaker is gone; plug it in again."
    assert len(voice.spoken) == 5
    assert voice.closed
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]


# -- live ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("headset", [True, False], ids=["headset", "open room"])
def test_a_session_is_held_live_in_both_directions(
    headset: bool, sound_card: SoundCard, procedure: Path, folder: Path
) -> None:
    with Visit(sound_card, procedure, folder, headset=headset) as visit:
        for name in SAID:
            visit.listen()
            visit.say(clip(name))
        code, out, error = visit.end()
    assert code == 0
    assert [line for line in error.splitlines() if not line.startswith("ALSA lib ")] == []  # its own remarks on drivers
    assert FINDING in out
    assert verify(folder) == []
    entries = read(folder)
    # Nothing else was heard: not the tool's own voice either.
    assert understood(entries) == [True, True, True]
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]
    assert data(entries, Mark.FAULT) == []


def test_with_a_headset_speech_cuts_the_prompt_off(sound_card: SoundCard, procedure: Path, folder: Path) -> None:
    procedure.write_text(PROCEDURE.replace("Local rules come first.", LONG_RULES), encoding="utf-8")
    renderer = Renderer(sound_card.folder / "rules")
    sound = renderer.render(LONG_RULES)
    renderer.close()
    with Visit(sound_card, procedure, folder, headset=True) as visit:
        assert visit.ear.wait_for_speech(3)
        visit.say(clip(SAID[0]))
        visit.listen()
        spoken = visit.ear.spoken
    assert spoken < len(sound.samples) / sound.rate  # with the answer, which without the cut would have come after it
    entries = read(folder)
    assert understood(entries) == [True]
    assert taken(entries) == TAKEN[:1]


def test_what_is_said_into_the_tools_own_words_is_no_reading_in_an_open_room(
    sound_card: SoundCard, procedure: Path, folder: Path
) -> None:
    procedure.write_text(PROCEDURE.replace("Local rules come first.", LONG_RULES), encoding="utf-8")
    with Visit(sound_card, procedure, folder, headset=False) as visit:
        assert visit.ear.wait_for_speech(3)
        visit.say(clip("fifteen_ohms"), hears=False)
        visit.listen()
        visit.say(clip(SAID[0]))
        visit.wait_for("reading", 1)
    entries = read(folder)
    assert understood(entries) == [True]
    assert taken(entries) == TAKEN[:1]


def test_a_microphone_that_is_lost_ends_the_session_with_its_record_whole(
    own_card: SoundCard, procedure: Path, folder: Path
) -> None:
    with Visit(own_card, procedure, folder, headset=True) as visit:
        visit.listen()
        visit.say(clip(SAID[0]))
        visit.wait_for("reading", 1)
        own_card.kill()
        code, _, error = visit.end()
    assert code == 2
    assert "stopped delivering sound" in error
    assert "plug it in again" in error
    entries = read(folder)
    assert taken(entries) == TAKEN[:1]
    (ended,) = data(entries, Mark.ENDED)
    assert "stopped delivering sound" in ended["why"]
    assert entries[-1].kind is Mark.CLOSED
    assert verify(folder) == []


def test_a_live_session_that_is_interrupted_says_no_more_and_closes_its_record(
    sound_card: SoundCard, procedure: Path, folder: Path
) -> None:
    procedure.write_text(PROCEDURE.replace("Local rules come first.", LONG_RULES), encoding="utf-8")
    with Visit(sound_card, procedure, folder, headset=True) as visit:
        assert visit.ear.wait_for_speech(3)
        os.kill(visit.program.pid, signal.SIGINT)
        code, _, _ = visit.end()
        spoken = visit.ear.spoken
    assert code == 130
    assert spoken < 12  # seconds: the rules alone take 20
    entries = read(folder)
    assert data(entries, Mark.ENDED) == [{"why": "interrupted"}]
    assert verify(folder) == []
