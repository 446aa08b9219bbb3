"""What is said closely after something else: a number with a pause in it is not recorded by halves."""

from __future__ import annotations

from datetime import timedelta
from typing import Self

import pytest
from test_machine import Talk, at
from test_resuming import prove, reopen

from handsfree.session.events import Heard, Mark


class Stream:
    """A session that is spoken to in a stream of sound; ``after`` is the silence before each utterance, in seconds."""

    def __init__(self, talk: Talk) -> None:
        self.talk, self.until = talk, 10.0

    def hear(
        self,
        text: str,
        after: float = 4.0,
        confidence: float | None = 0.9,
        *,
        early: bool = False,
        unasked: bool = False,
    ) -> Self:
        start = self.until + after
        self.until = start + 1.0
        time = self.talk.time + timedelta(seconds=after + 1.0)
        self.talk.time = time
        sound = {"clip": "clips/0001.flac", "clip_sha256": "0" * 64, "offset": start, "seconds": 1.0}
        self.talk.event(Heard(time, text, confidence, "moonshine", early=early, unasked=unasked, **sound))
        return self

    @property
    def said(self) -> list[str]:
        return self.talk.said

    @property
    def values(self) -> list[str]:
        """Of the resistances."""
        return [data["value"] for data in self.talk.all(Mark.READING) if data["unit"] != "volt"]


@pytest.fixture
def stream() -> Stream:
    return Stream(at("coil"))


def test_the_rest_of_a_number_is_not_the_next_reading(stream: Stream) -> None:
    stream.hear("twenty").hear("five ohms", after=2.0)
    assert stream.values == ["20"]
    assert stream.said[0].startswith(
        "Something followed twenty ohms. If it belongs to it, say correction and all of it. If not: "
    )
    assert stream.talk.all(Mark.ASKED_AGAIN)[-1]["reason"] == "said right after twenty ohms"
    stream.hear("correction twenty five ohms")
    assert stream.values[-1] == "25"


@pytest.mark.parametrize(("text", "confidence"), [("below zero", 0.9), ("", 0.0), ("rumble", 0.3)])
def test_something_unclear_right_after_a_reading_is_told(text: str, confidence: float, stream: Stream) -> None:
    stream.hear("twenty five ohms").hear(text, after=1.2, confidence=confidence)
    assert stream.said[0].startswith("Something followed twenty five ohms.")
    stream.hear(text, confidence=confidence)
    assert not any("Something followed" in told for told in stream.said)


def test_a_whole_reading_may_be_followed_closely_by_another(stream: Stream) -> None:
    stream.hear("twenty five ohms").hear("fifty megohms", after=1.2)
    assert stream.values == ["25", "50"]


@pytest.mark.parametrize("after", [1.2, -0.1])
def test_what_follows_a_whole_reading_before_its_answer_may_belong_to_it(after: float, stream: Stream) -> None:
    """ "Two hundred, um, thirty ohms" may be heard as "two hundred ohm". The quiet kept with two clips may overlap."""
    stream.hear("two hundred ohm").hear("thirty ohms", after=after, early=True)
    assert stream.values == ["200"]
    assert stream.said[0].startswith("Something followed two hundred ohms.")


def test_what_is_unclear_follows_a_reading_though_their_clips_overlap(stream: Stream) -> None:
    stream.hear("two hundred ohm").hear("thirty ohms", after=-0.1, confidence=0.13)
    assert stream.said[0].startswith("Something followed two hundred ohms.")


@pytest.mark.parametrize("confidence", [0.01, 0.2])
def test_a_reading_right_after_something_that_was_not_understood_is_confirmed(
    confidence: float, stream: Stream
) -> None:
    stream.hear("minus", confidence=confidence).hear("twenty five ohms", after=0.9)
    assert stream.values == []
    assert stream.said == ["I heard twenty five ohms, and something before it. Affirm, or say all of it."]
    assert stream.hear("affirm").values == ["25"]


def test_a_reading_that_is_said_again_when_asked_for_is_taken(stream: Stream) -> None:
    stream.hear("rumble", confidence=0.2).hear("twenty five ohms", after=3.0)
    assert stream.values == ["25"]


@pytest.mark.parametrize(("early", "then"), [(True, "power"), (False, "listen")])
def test_a_done_that_was_said_before_the_instruction_does_not_complete_it(early: bool, then: str) -> None:
    stream = Stream(at("close")).hear("done").hear("done", after=1.6, early=early)
    assert stream.talk.session.at == then
    assert ("Say again. That was said before I asked." in stream.said) is early
    assert stream.talk.all(Mark.HEARD)[-1].get("early", False) is early


def test_a_row_of_figures_that_sounds_like_a_range_is_confirmed(stream: Stream) -> None:
    """ "Five to six ohms" sounds like "five two six ohms"."""
    assert stream.hear("five two six ohms").said == ["I heard five two six ohms. Affirm, or say the digits one by one."]
    assert stream.hear("affirm").values == ["526"]
    assert Stream(at("coil")).hear("five two nine ohms").values == ["529"]


@pytest.mark.parametrize(
    ("heard", "asks"),
    [
        ("four o five ohms", "I heard four zero five ohms. Affirm, or say the digits one by one."),
        ("two point o one ohms", "I heard two point zero one ohms. Affirm, or say the digits one by one."),
        ("eight r six ohms", "I heard eight point six ohms. Affirm, or say the digits one by one."),
        ("nine ten ohms", "I heard nine one zero ohms. Affirm, or say the digits one by one."),
    ],
)
def test_what_sounds_like_two_figures_or_one_put_right_is_confirmed(heard: str, asks: str, stream: Stream) -> None:
    """ "Four, uh, five" sounds like "four o five": common practice, no source."""
    stream.hear(heard)
    assert (stream.values, stream.said) == ([], [asks])
    (asked,) = stream.talk.all(Mark.ASKED_AGAIN)
    assert asked["reason"].startswith("may have been ")
    assert stream.hear(heard).values != []  # who says the same once more means it


@pytest.mark.parametrize("heard", ["four zero five ohms", "o point five ohms", "four fifty ohms", "nine eleven ohms"])
def test_what_sounds_like_nothing_else_is_not_asked_about(heard: str, stream: Stream) -> None:
    assert len(stream.hear(heard).values) == 1


def test_the_end_of_a_reading_is_told_from_a_whole_one_though_it_is_not_plausible(stream: Stream) -> None:
    stream.hear("it's twelve", confidence=0.9).hear("point two ohms", after=0.9)
    assert stream.said == ["I heard zero point two ohms, and something before it. Affirm, or say all of it."]


@pytest.mark.parametrize("text", ["done", "unable it is damaged", "skip this step"])
def test_what_is_said_before_anybody_heard_the_instruction_does_not_move_its_step(text: str) -> None:
    stream = Stream(at("close")).hear("done").hear(text, unasked=True)
    assert (stream.talk.session.at, stream.said) == ("power", ["Say again. That was said before I asked."])
    assert stream.talk.all(Mark.HEARD)[-1]["unasked"] is True
    assert stream.hear("done").talk.session.at == "listen"


def test_a_reading_is_not_taken_for_what_nobody_has_been_asked_for(stream: Stream) -> None:
    stream.hear("twenty five ohms").hear("twenty five ohms", unasked=True)
    assert stream.values == ["25"]
    assert stream.said == ["Say again. That was said before I asked."]
    stream.hear("correction twenty six ohms", unasked=True)  # which is about the one before
    assert stream.values == ["25", "26"]


def test_what_conformed_when_it_was_measured_again_is_no_reason_for_a_new_part(stream: Stream) -> None:
    readings = stream.hear("ninety ohms").talk.session._readings
    bad = readings.last_nonconforming()
    assert bad is not None
    assert bad.step == "coil"
    stream.hear("go back").hear("twenty five ohms")
    assert stream.values == ["90", "25"]
    assert readings.last_nonconforming() is None


def test_the_first_reading_may_be_given_by_one_who_knows_what_is_asked_for(stream: Stream) -> None:
    assert stream.hear("twenty five ohms", unasked=True).values == ["25"]


def test_a_done_before_anything_was_instructed_completes_nothing() -> None:
    stream = Stream(at("close")).hear("done", early=True)
    assert stream.talk.session.at == "close"
    assert "Say again. That was said before I asked." in stream.said


def test_what_was_typed_follows_nothing() -> None:
    talk = at("coil").hear("twenty").hear("five ohms")
    assert not any("Something followed" in text for text in talk.said)


def test_the_stream_of_a_resumed_session_is_another() -> None:
    stream = Stream(at("coil")).hear("rumble", confidence=0.2)
    reopen(stream.talk)
    prove(stream.talk)
    stream.until = 10.0
    assert stream.hear("twenty five ohms", after=0.5).values == ["25"]


def test_sound_without_words_is_asked_about_once_in_a_row(stream: Stream) -> None:
    """What comes back late from a loudspeaker would have the tool talk to itself."""
    assert stream.hear("", confidence=None).said == ["Say again. Nothing was said."]
    for _ in range(5):
        assert stream.hear("", confidence=None).said == []
    assert [data["text"] for data in stream.talk.all(Mark.ASKED_AGAIN)] == [""] * 6
    assert stream.hear("twenty five ohms").values == ["25"]
