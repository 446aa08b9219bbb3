"""The loop that joins session, journal, voice and ear: on recordings, on typed lines, and live on a virtual sound card.

Live, the whole program runs in a process of its own. A technician's part is played to it, and the technician does what
one does: listens until the tool has finished, then speaks.
"""

from __future__ import annotations

import json
import math
import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
import soxr
from numpy.typing import NDArray
from virtual_card import (
    HEADSET,
    SoundCard,
    Visit,
    in_room_noise,
    loud_seconds,
    mute,
    plug_in,
    so_far,
    unplug,
    until_instructed,
)

from handsfree.procedure.load import load
from handsfree.procedure.proof import check
from handsfree.session.events import Ended, Fault, Heard, Mark, Started
from handsfree.session.journal import JOURNAL, Entry, read
from handsfree.session.replay import verify
from handsfree.sound import audio, loop
from handsfree.sound.devices import Block, Change
from handsfree.sound.ear import Hearing
from handsfree.sound.endpoint import LONGEST, Endpointer, Speech
from handsfree.sound.loop import UNDERSTOOD, Conversation, begin, from_recording, from_text
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE, Audio, Utterance
from handsfree.sound.tones import Tone
from handsfree.sound.voice import Renderer, SilentVoice, Sound, Voice, VoiceError

SPEECH = Path(__file__).parent / "speech"
DEMO = Path(__file__).parents[2]
FAST = 230  # words a minute
HEARD_OUT = 1.0  # seconds for which a technician who knows the procedure listens to a prompt
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
SAID = ("five_point_two_ohms", "four_hundred_eighty_volts", "frosted_over", "affirm")
WORDS = ["five point two ohms", "four hundred eighty volts", "frosted over", "affirm"]
BANG = np.random.default_rng(11).normal(0, 6000, RATE // 20).astype(np.int16)  # a wrench falls
LOUD = 2000  # of 32768
LONG_RULES = " ".join(["The rules of this site and the code for electrical work come before this procedure."] * 4)


@pytest.fixture(scope="module")
def recogniser() -> MoonshineRecogniser:
    return MoonshineRecogniser()


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
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser | None, voice: Voice | None = None
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


def played(procedure: Path, folder: Path, recogniser: MoonshineRecogniser, heard: Audio) -> list[Entry]:
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
    """Of each utterance, whether there were words in it; those left out that were to be said again."""
    return [bool(heard["text"]) for heard, answer in answered(entries) if not unclear(answer)]


def answered(entries: list[Entry]) -> list[tuple[Mapping[str, Any], list[Entry]]]:
    """Each utterance, and what is on record between it and the next one."""
    places = [place for place, entry in enumerate(entries) if entry.kind is Mark.HEARD]
    return [
        (entries[place].data, entries[place + 1 : until])
        for place, until in zip(places, [*places[1:], len(entries)], strict=True)
    ]


def unclear(answer: list[Entry]) -> int:
    """How often something was to be said again because it was not heard clearly."""
    return sum(each["reason"] == "not heard clearly" for each in data(answer, Mark.ASKED_AGAIN))


def findings(entries: list[Entry]) -> list[str]:
    return [each["finding"] for each in data(entries, Mark.CONCLUDED)]


# -- from a recording ------------------------------------------------------------------------------------------------


def test_a_recording_leads_a_session_to_its_finding(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    spoken = [part for name in SAID for part in (quiet(1), clip(name))]
    entries = played(procedure, folder, recogniser, recording(*spoken, quiet(1)))
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]
    assert data(entries, Mark.ENDED) == []


def test_a_number_with_a_long_pause_in_it_is_not_two_readings(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    spoken = (quiet(1), clip("five"), quiet(1.8), clip("point_two_ohms"), quiet(2))
    entries = played(procedure, folder, recogniser, recording(*spoken))
    assert [value for _, value, *_ in taken(entries)] in ([], ["5"])
    told = [each["text"] for each in data(entries, Mark.SAID)]
    assert any("Something followed five ohms" in text or "and something before it" in text for text in told)


def test_a_recording_of_nothing_ends_a_session_that_heard_nothing(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    entries = played(procedure, folder, recogniser, recording(quiet(5)))
    assert data(entries, Mark.HEARD) == []
    assert data(entries, Mark.ENDED) == [{"why": "the recording is over"}]
    assert entries[-1].kind is Mark.CLOSED
    assert entries[-1].data["outcome"] == "stopped"
    assert (entries[-1].time - START).total_seconds() == 5


def test_a_recording_that_ends_early_keeps_what_was_read(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    entries = played(procedure, folder, recogniser, recording(quiet(1), clip(SAID[0]), quiet(0.3)))
    assert taken(entries) == TAKEN[:1]
    assert findings(entries) == []
    assert data(entries, Mark.ENDED) == [{"why": "the recording is over"}]
    assert "ended early" in [each["what"] for each in data(entries, Mark.DEVIATION)]


def test_a_reading_that_the_end_of_a_recording_cuts_off_is_never_taken(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    whole = clip("four_hundred_eighty_volts")
    entries = played(
        procedure, folder, recogniser, recording(quiet(1), clip(SAID[0]), quiet(1), whole[: RATE * 3 // 4])
    )
    assert taken(entries) == TAKEN[:1]
    assert understood(entries) == [True, False]
    assert len(data(entries, Mark.ASKED_AGAIN)) == 1


def test_a_reading_that_the_beginning_of_a_recording_cuts_off_is_never_taken(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    spoken = clip("five_point_two_ohms")
    loud = np.flatnonzero(np.abs(spoken.astype(int)) > 2000)[0]
    entries = played(procedure, folder, recogniser, recording(spoken[loud + RATE // 10 :], quiet(2)))
    assert taken(entries) == []
    (heard,) = data(entries, Mark.HEARD)
    assert heard["text"] == ""


def test_a_reading_in_speech_that_does_not_end_is_asked_again(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
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

    def __init__(self, journal: Path, fails_at: int | None = None, times: int = 1000) -> None:
        self._journal = journal
        self._fails_at, self._times = fails_at, times
        self.spoken: list[str] = []
        self.on_disk: list[list[str]] = []
        self.closed = False

    def say(self, text: str) -> None:
        if len(self.spoken) == self._fails_at and self._times:
            self._times -= 1
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
    _, fault = data(entries, Mark.FAULT)
    assert fault["what"] == "Prompts are no longer spoken: the loudspeaker is gone; plug it in again."
    assert len(voice.spoken) == 5
    assert voice.closed
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]


def test_one_prompt_that_cannot_be_spoken_is_told_and_the_others_are_spoken(procedure: Path, folder: Path) -> None:
    voice = Reader(folder / JOURNAL, fails_at=5, times=1)
    entries = typed(procedure, folder, WORDS, voice)
    (fault,) = data(entries, Mark.FAULT)
    assert fault["what"] == "A prompt could not be spoken. Read it on the screen."
    said = [each["text"] for each in data(entries, Mark.SAID)]
    assert voice.spoken == [*said[:5], *said[6:]]
    assert findings(entries) == [FINDING]


class Speaker(SilentVoice):
    """Keeps what it was given, in order; speaks until it is stopped, and loses and finds its loudspeaker."""

    def __init__(self) -> None:
        self.given: list[str] = []
        self.lost = False
        self._speaking = False
        self._changes: list[Change] = []

    def say(self, text: str) -> None:
        if self.lost:
            raise VoiceError("the loudspeaker is lost; plug it in again")
        self.given.append(text)
        self._speaking = True

    def tone(self, which: Tone) -> None:
        self.given.append(f"({which})")

    def stop(self) -> None:
        self._speaking = False

    @property
    def speaking(self) -> bool:
        return self._speaking

    def changes(self) -> list[Change]:
        changes, self._changes = self._changes, []
        return changes

    def lose(self) -> None:
        self.lost = True
        self._changes.append(Change("lost", "The loudspeaker is lost.", "horn"))

    def find(self) -> None:
        self.lost = False
        self._changes.append(Change("back", "The loudspeaker is back.", "horn"))


def test_tones_say_whether_it_was_heard_and_whether_it_is_within_limits(procedure: Path, folder: Path) -> None:
    speaker = Speaker()
    typed(procedure, folder, ["nonsense", "five point two ohms", "nine hundred volts"], speaker)
    tones = [given for given in speaker.given if given.startswith("(")]
    assert tones == ["(again)", "(heard)", "(heard)", "(limit)"]
    at = speaker.given.index("(limit)")
    assert "nonconforming" in speaker.given[at - 1]


def test_a_caution_is_announced_by_a_tone(procedure: Path, folder: Path) -> None:
    caution = "    cautions: [{signal: caution, text: The heater is hot.}]\n    reading: seal heater\n"
    procedure.write_text(PROCEDURE.replace("    reading: seal heater\n", caution), encoding="utf-8")
    speaker = Speaker()
    typed(procedure, folder, [], speaker)
    assert speaker.given[speaker.given.index("Caution! The heater is hot.") - 1] == "(attention)"


def test_what_a_noise_cut_off_is_said_again_and_what_an_answer_followed_is_not(procedure: Path, folder: Path) -> None:
    speaker = Speaker()
    conversation, opened = begun(procedure, folder, None, speaker)
    conversation.handle(opened)
    conversation.resume()
    opening = list(speaker.given)
    conversation.hush()
    assert not speaker.speaking
    conversation.resume()
    assert speaker.given == opening * 2
    conversation.resume()
    assert speaker.given == opening * 2
    conversation.hush()
    conversation.handle(Heard(START, "five point two ohms"))
    answered = list(speaker.given)
    conversation.resume()
    assert speaker.given == answered
    conversation.close()


def test_what_talk_in_the_room_cut_off_is_said_again(procedure: Path, folder: Path) -> None:
    speaker = Speaker()
    conversation, opened = begun(procedure, folder, None, speaker)
    conversation.handle(opened)
    opening = list(speaker.given)
    conversation.hush()
    conversation.handle(Heard(START, "five", 0.01))
    conversation.resume()
    assert speaker.given == [*opening, "(again)", *opening]
    conversation.close()


CAUTIONED = PROCEDURE.replace(
    "    reading: seal heater\n",
    "    cautions: [{signal: caution, text: The heater is hot.}]\n    reading: seal heater\n",
)


def cautioned(procedure: Path, folder: Path, recogniser: MoonshineRecogniser | None, voice: Voice) -> Conversation:
    """A session whose first step is read aloud, with its caution."""
    procedure.write_text(CAUTIONED, encoding="utf-8")
    conversation, opened = begun(procedure, folder, recogniser, voice)
    conversation.handle(opened)
    return conversation


@pytest.mark.parametrize("text", ["done", "nonsense"])
def test_a_caution_that_was_cut_off_by_what_came_to_nothing_is_said_again(
    text: str, procedure: Path, folder: Path
) -> None:
    speaker = Speaker()
    conversation = cautioned(procedure, folder, None, speaker)
    conversation.hush()
    before = len(speaker.given)
    conversation.handle(Heard(START, text, 0.9))
    conversation.resume()
    again, *rest = [given for given in speaker.given[before:] if not given.startswith("(")]
    assert again.startswith("Say again.")
    assert rest == ["Caution! The heater is hot.", "Measure the seal heater."]
    conversation.hush()
    conversation.handle(Fault(START, "The microphone is lost."))
    conversation.resume()
    assert speaker.given[-3:] == ["(attention)", "Caution! The heater is hot.", "Measure the seal heater."]
    conversation.close()


class Queueing(Speaker):
    """Speaks one prompt after the other, as far as it is told to."""

    def __init__(self) -> None:
        super().__init__()
        self.waiting: list[str] = []

    def say(self, text: str) -> None:
        super().say(text)
        self.waiting.append(text)

    def stop(self) -> None:
        super().stop()
        self.waiting.clear()

    @property
    def saying(self) -> str:
        return self.waiting[0] if self.waiting else ""

    def speak_until(self, text: str) -> None:
        del self.waiting[: self.waiting.index(text)]


def test_what_waits_to_be_spoken_when_a_fault_is_told_is_said_again_and_known_to_have_been_broken_off(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    speaker = Queueing()
    conversation = cautioned(procedure, folder, recogniser, speaker)
    speaker.speak_until("Caution! The heater is hot.")
    conversation.handle(Fault(START, "Sound was lost."))
    assert speaker.waiting == ["Caution! The heater is hot.", "Measure the seal heater.", "Sound was lost."]
    conversation.hush()
    conversation.resume()
    assert speaker.waiting == ["Caution! The heater is hot.", "Measure the seal heater.", "Sound was lost."]
    speaker.speak_until("Measure the seal heater.")
    conversation.hush()
    samples = np.random.default_rng(2).integers(-20, 20, RATE).astype(np.int16)
    assert conversation.ear is not None
    assert list(conversation.ear.feed(samples)) == []
    conversation.take(Hearing(Speech(samples), Utterance("five point two ohms", 0.9, "both")), START)
    conversation.handle(Ended(START, "over"))
    conversation.close()
    entries = read(folder)
    (heard,) = data(entries, Mark.HEARD)
    assert heard["left_off"] == ["Measure the seal heater.", "Sound was lost."]
    assert taken(entries) == TAKEN[:1]
    assert verify(folder) == []


def in_a_quiet_room(conversation: Conversation) -> Speech:
    """An utterance for a conversation whose microphone has been open for a while."""
    samples = np.random.default_rng(2).integers(-20, 20, 7 * RATE).astype(np.int16)
    assert conversation.ear is not None
    assert list(conversation.ear.feed(samples)) == []
    return Speech(samples[:RATE])


@pytest.mark.parametrize(("text", "somebody"), [("four hundred eighty volts", True), ("five point two ohms", False)])
def test_what_is_said_into_a_read_back_is_of_somebody_unless_it_is_the_read_back(
    text: str, somebody: bool, procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    speaker = Queueing()
    conversation = cautioned(procedure, folder, recogniser, speaker)
    quiet_room = in_a_quiet_room(conversation)
    speaker.waiting.clear()
    conversation.follow(0.0)
    conversation.take(Hearing(quiet_room, Utterance("five point two ohms", 0.9, "both")), START)
    read_back, *_, instruction = speaker.waiting
    assert read_back.startswith("Five point two ohms")
    conversation.follow(1.0)
    assert conversation.instructed == math.inf
    conversation.hush()
    late = Speech(quiet_room.samples, start=5.0)
    conversation.take(Hearing(late, Utterance(text, 0.9, "both")), START, unasked=True)
    assert conversation.understood is somebody
    conversation.resume()
    assert speaker.waiting[-1] == instruction  # it is still to be heard
    assert conversation.instructed == math.inf
    speaker.speak_until(instruction)
    conversation.follow(9.0)
    assert conversation.instructed == 9.0 + UNDERSTOOD
    conversation.close()
    assert taken(read(folder)) == TAKEN[:1]


def test_nobody_ends_the_visit_before_it_has_been_asked(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser
) -> None:
    """With a headset AFFIRM may be said into the read-back of the last reading, before it is said what follows."""
    speaker = Queueing()
    conversation, opened = begun(procedure, folder, recogniser, speaker)
    conversation.handle(opened)
    quiet_room = in_a_quiet_room(conversation)
    conversation.take(Hearing(quiet_room, Utterance("eleven point two ohms", 0.9, "both")), START)
    *_, question = speaker.waiting
    assert question.startswith("That ends the visit. Finding: The heater or its supply is bad.")
    conversation.follow(1.0)
    assert (conversation.session.instructing, conversation.instructed) == (True, math.inf)
    conversation.hush()
    affirm = Hearing(Speech(quiet_room.samples, start=5.0), Utterance("affirm", 0.9, "both"))
    conversation.take(affirm, START, unasked=True)
    assert not conversation.over
    assert speaker.waiting[-1].startswith("Not taken: that was said before I asked. That ends the visit.")
    speaker.speak_until(speaker.waiting[-1])
    conversation.follow(9.0)
    assert conversation.instructed == 9.0 + UNDERSTOOD
    conversation.take(affirm, START)
    assert conversation.over
    conversation.close()
    assert verify(folder) == []


def test_a_question_of_the_tool_is_not_talked_over_by_what_it_cut_off(procedure: Path, folder: Path) -> None:
    speaker = Speaker()
    conversation, opened = begun(procedure, folder, None, speaker)
    conversation.handle(opened)
    conversation.hush()
    conversation.handle(Heard(START, "five point two ohms", 0.4))
    conversation.resume()
    assert speaker.given[-1] == "I heard five point two ohms. Affirm, or say it again."
    conversation.close()


def test_a_loudspeaker_that_is_lost_is_on_record_and_used_again_when_it_is_back(procedure: Path, folder: Path) -> None:
    speaker = Speaker()
    conversation, opened = begun(procedure, folder, None, speaker)
    conversation.handle(opened)
    speaker.lose()
    conversation.handle(Heard(START, "five point two ohms"))
    before = len(speaker.given)
    speaker.find()
    conversation.tell(START)
    conversation.close()
    assert speaker.given[before:] == ["(attention)", "The loudspeaker is back."]
    entries = read(folder)
    assert [each["what"] for each in data(entries, Mark.FAULT)] == [
        "The loudspeaker is lost.",
        "The loudspeaker is back.",
    ]
    assert taken(entries) == TAKEN[:1]


class Stream:
    """A microphone by what comes from it, and then no more; ``before`` is called between what comes."""

    lost, behind = 0.0, 0.0

    def __init__(self, what: Sequence[Block | Change], before: Callable[[], None]) -> None:
        self._what, self._before = what, before

    def __enter__(self) -> Stream:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is held."""

    def events(self) -> Iterator[Block | Change]:
        for each in self._what:
            yield each
            self._before()


class Held(Speaker):
    """Knows whether its prompt is held."""

    held = False

    def hold(self) -> None:
        self.held = True

    def go_on(self) -> None:
        self.held = False


def test_a_prompt_that_was_held_goes_on_when_the_microphone_is_lost(
    procedure: Path, folder: Path, recogniser: MoonshineRecogniser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing more comes from it that could let the prompt go on, and a loudspeaker that is busy is not disturbed to
    look for the microphone.
    """
    noise = np.random.default_rng(4).normal(0, 1, (4, 512))
    quiet, bang = (
        [Block(np.round(noise[at : at + 2] * loud).astype(np.int16).ravel(), False)] for at, loud in ((0, 3), (2, 3000))
    )
    speaker, held = Held(), list[bool]()
    coming = [*quiet, *bang, Change("lost", "The microphone is lost.", "boom")]
    stream = Stream(coming, lambda: held.append(speaker.held))
    monkeypatch.setattr(loop, "microphone", lambda *_: stream)
    conversation, opened = begun(procedure, folder, recogniser, speaker)
    loop.from_microphone(conversation, None, opened, headset=True)
    assert held == [False, True, False]
    assert speaker.given[-1] == "The microphone is lost."


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
    assert understood(entries) == [True, True, True, True]
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]
    assert data(entries, Mark.FAULT) == []


def test_with_a_headset_speech_cuts_the_prompt_off(sound_card: SoundCard, procedure: Path, folder: Path) -> None:
    procedure.write_text(PROCEDURE.replace("Local rules come first.", LONG_RULES), encoding="utf-8")
    with Visit(sound_card, procedure, folder, headset=True) as visit:
        assert visit.ear.wait_for_speech(2)
        visit.say(BANG, hears=False)
        assert visit.ear.wait_for_speech(4)
        visit.say(clip(SAID[0]))
        visit.listen()
        spoken, channels = visit.ear.spoken, visit.ear.recording()
    entries = read(folder)
    renderer = Renderer(sound_card.folder / ".cache" / "handsfree" / "voice")
    prompts = [renderer.render(said["text"]) for said in data(entries, Mark.SAID)]
    renderer.close()
    planned = np.concatenate([soxr.resample(each.samples, each.rate, RATE) for each in prompts])
    assert spoken < len(planned) / RATE / 2  # without the cut it would have been nearly all
    # At the bang the tool fell silent for a moment, and went on with the very sample at which it had.
    banged = int(np.flatnonzero(np.abs(channels[:, 1].astype(np.int32)) > LOUD)[0])
    loud = np.flatnonzero(np.abs(channels[:, 0].astype(np.int32)) > 20)
    after = loud[(loud > banged) & (loud < banged + 0.6 * RATE)]
    stops, goes_on = after[np.argmax(np.diff(after))], after[np.argmax(np.diff(after)) + 1]
    half = RATE // 2
    (before, sure), (then, sure_too) = (
        found(part, planned) for part in (channels[stops - half : stops, 0], channels[goes_on : goes_on + half, 0])
    )
    assert stops - banged < 0.3 * RATE
    assert min(sure, sure_too) > 0.8
    assert then - (before + half) == pytest.approx(0, abs=0.03 * RATE)  # what is too quiet to see is between them
    # What nobody could hear any more is on record: the prompt that was cut, and those behind it.
    said = [each["text"] for each in data(entries, Mark.SAID)]
    (left_off,) = (each["left_off"] for each in data(entries, Mark.HEARD))
    opening = said[: said.index("Measure the seal heater.") + 1]
    assert left_off == opening[opening.index(left_off[0]) :]
    assert understood(entries) == [True]
    assert taken(entries) == TAKEN[:1]


def test_a_headset_that_hears_the_loudspeaker_is_closed_while_the_tool_speaks(
    sound_card: SoundCard, procedure: Path, folder: Path
) -> None:
    with Visit(sound_card, procedure, folder, headset=True, bleeds=True) as visit:
        visit.wait_for("fault", 1, timeout=120)
        visit.listen()
        before = visit.kinds().count("heard")
        visit.say(clip(SAID[0]))
        visit.wait_for("reading", 1)
    entries = read(folder)
    assert taken(entries)[:1] == TAKEN[:1]
    (fault,) = (each["what"] for each in data(entries, Mark.FAULT))
    assert fault.startswith("The microphone hears the loudspeaker")
    spoken = data(entries, Mark.HEARD)
    assert [heard["text"] for heard in spoken[before:]] == ["five point two ohms"]  # not itself any more


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


def test_a_session_waits_for_a_microphone_that_is_lost_and_goes_on_with_it(
    own_card: SoundCard, procedure: Path, folder: Path
) -> None:
    environment = own_card.environment | HEADSET
    with Visit(own_card, procedure, folder, headset=True) as visit:
        visit.listen()
        visit.say(clip(SAID[0]))
        visit.listen()
        for happens in (unplug, plug_in):
            visit.has_heard()
            happens("boom", environment)
            visit.listen()
        for name in SAID[1:]:
            visit.say(clip(name))
            visit.listen()
        code, out, _ = visit.end()
    assert code == 0
    entries = read(folder)
    lost, back = (fault["what"] for fault in data(entries, Mark.FAULT))
    assert "microphone is lost" in lost
    assert "microphone is back" in back
    assert {lost, back} <= {said["text"] for said in data(entries, Mark.SAID)}
    assert lost in " ".join(out.split())
    assert understood(entries) == [True, True, True, True]
    assert taken(entries) == TAKEN
    assert findings(entries) == [FINDING]
    assert verify(folder) == []


def test_a_muted_microphone_is_told_and_the_session_goes_on(own_card: SoundCard, procedure: Path, folder: Path) -> None:
    environment = own_card.environment | HEADSET
    with Visit(own_card, procedure, folder, headset=True) as visit:
        visit.listen()
        for muted in (True, False):
            visit.has_heard()
            mute("boom", muted, environment)
            visit.listen()
        visit.say(clip(SAID[0]))
        visit.wait_for("reading", 1)
    entries = read(folder)
    muted, unmuted = (fault["what"] for fault in data(entries, Mark.FAULT))
    assert "unmute it" in muted
    assert "hears again" in unmuted
    assert taken(entries) == TAKEN[:1]


def test_a_whole_demo_session_is_held_live_with_a_technician_who_cuts_in(
    sound_card: SoundCard, recogniser: MoonshineRecogniser, tmp_path: Path
) -> None:
    """In real time and in both directions: each utterance of the recording is said into the prompt before it, once that
    has come to what is to be done, and again where it was not heard clearly.
    """
    cooler = DEMO / "procedures" / "bottle-cooler-does-not-cool.yaml"
    recorded = audio.read(DEMO / "demo_sessions" / "start-relay" / "technician.flac")[0]
    expected = played(cooler, tmp_path / "recorded", recogniser, recorded)
    endpointer = Endpointer()
    utterances = endpointer.feed(recorded.samples) + endpointer.flush()
    spoken_at = []
    # Not into the program's cache: it would then speak what was rendered here.
    renderer = Renderer(tmp_path / "voice", words_per_minute=FAST)
    lasting = {said["text"]: loud_seconds(renderer.render(said["text"])) for said in data(expected, Mark.SAID)}
    renderer.close()
    with Visit(sound_card, cooler, tmp_path / "live", headset=True, rate=FAST) as visit:
        again = 0
        visit.listen()  # nobody can answer an instruction before it has begun
        for utterance in utterances:
            for _ in range(3):
                visit.begin_to_listen(until_instructed(so_far(tmp_path / "live"), lasting) + HEARD_OUT)
                spoken_at.append(visit.ear.now)
                visit.say(utterance.samples)
                before, again = again, unclear(so_far(tmp_path / "live"))
                if again == before:
                    break
        code, _, _ = visit.end()
        channels = visit.ear.recording()
    assert code == 0
    entries = read(tmp_path / "live")
    assert verify(tmp_path / "live") == []
    assert findings(entries) == findings(expected) == ["The resistance of the start relay is too high."]
    assert taken(entries) == taken(expected)
    # The words may differ where the meaning does not: "eleven" and "one one", "volt" and "volts".
    assert understood(entries) == understood(expected)
    assert data(entries, Mark.FAULT) == []
    # What the record says was spoken came out of the loudspeaker, between two utterances of the technician.
    assert again <= 2
    answers = [data(answer, Mark.SAID) for _, answer in answered(entries)]
    renderer = Renderer(sound_card.folder / ".cache" / "handsfree" / "voice", words_per_minute=FAST)
    for answer, since, until in zip(answers, spoken_at, [*spoken_at[1:], len(channels) / RATE], strict=True):
        tool = channels[round(since * RATE) : round(until * RATE), 0]
        if answer:  # what was hardly heard has only its tone
            assert likeness(renderer.render(answer[0]["text"]), tool) > 0.8, answer[0]["text"]
    renderer.close()


def likeness(prompt: Sound, recorded: NDArray[np.int16]) -> float:
    """How well the beginning of a prompt is found in a recording: 1 is the very same.

    Of three pieces of it two are found that well: a prompt may be held for a moment, or stutter on a busy machine.
    """
    wanted = soxr.resample(prompt.samples, prompt.rate, RATE)
    begins = int(np.flatnonzero(np.abs(wanted.astype(np.int32)) > LOUD)[0])
    pieces = np.array_split(wanted[begins : begins + round(0.75 * HEARD_OUT * RATE)], 3)
    return sorted(found(piece, recorded)[1] for piece in pieces)[1]


def found(part: NDArray[np.int16], whole: NDArray[np.int16]) -> tuple[int, float]:
    """Where a part is in a whole, and how like it what is there."""
    wanted, heard = part.astype(np.float64), whole.astype(np.float64)
    products = scipy.signal.correlate(heard, wanted, "valid", "fft")
    power = scipy.signal.correlate(heard**2, np.ones(len(wanted)), "valid", "fft")
    likeness = products / np.sqrt(np.maximum(power, 1.0) * (wanted**2).sum())
    return int(likeness.argmax()), float(likeness.max())


@pytest.mark.usefixtures("interruptible")
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
