"""Enrolment on real audio with the embedded recogniser, and what its profile does to hearings that follow."""

from __future__ import annotations

import contextlib
import io
import json
import math
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path, PureWindowsPath
from typing import NamedTuple

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from virtual_card import OPEN_ROOM, Ear, SoundCard, in_room_noise

from handsfree.cli import main
from handsfree.session.journal import JOURNAL
from handsfree.sound import enrolment, soundcheck
from handsfree.sound.audio import read
from handsfree.sound.enrolment import (
    FARTHEST,
    SENTENCES,
    EnrolmentError,
    Found,
    Result,
    Sentence,
    Speaker,
    adapt,
    advise,
    measure,
    of_recording,
    offset,
)
from handsfree.sound.protocol import RATE, Audio, Utterance
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.spoken import grammar
from handsfree.spoken.expression import Parser
from handsfree.spoken.meaning import Expectation, Kind, Quantity, Reading
from handsfree.spoken.reading import parse

SPEECH = Path(__file__).parent / "speech"
WHOLE_LIST = SPEECH / "enrolment" / "joe.flac"
DIGITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TIES = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
UNITS = ["volts", "ohms", "kilohms", "megohms", "amps", "hertz", "bar", "p s i", "percent", "degrees celsius"]
ASKED = ["affirm", "negative", "done"]
SILENT = soundcheck.measure(Audio(np.zeros(RATE, np.int16)), ())
NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)

probabilities = st.floats(0, 1)


def clip(name: str) -> Audio:
    return read(SPEECH / f"{name}.flac")[0]


def asked(text: str, value: str, unit: str) -> Sentence:
    return Sentence(text, Reading(Kind.READING, value, unit))


def as_asked(sentence: Sentence, confidence: float = 0.9) -> Result:
    return Result(sentence, Utterance(sentence.text, confidence, "typed"))


@pytest.fixture(scope="module")
def plain() -> SphinxRecogniser:
    return SphinxRecogniser()


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Profiles go here, not into the folder of whoever runs the tests."""
    monkeypatch.setattr(enrolment, "folder", lambda: tmp_path / "speakers")
    return tmp_path / "speakers"


def a_speaker(name: str = "Anna", confusions: tuple[tuple[str, str], ...] = (), moved: float = 0.0) -> Speaker:
    speaker = adapt(name, measure(map(as_asked, SENTENCES)), SILENT, "headset", "pocketsphinx", NOON)
    return speaker.model_copy(update={"confusions": confusions, "offset": moved})


# -- the list ----------------------------------------------------------------------------------------------------------


def test_every_sentence_means_what_is_written_beside_it_and_can_be_heard_at_its_step() -> None:
    for sentence in SENTENCES:
        assert grammar.understand(sentence.text, sentence.open) == sentence.meant, sentence.text
        assert Parser(grammar.tree(sentence.open)).meanings(sentence.text.split()), sentence.text
        if isinstance(sentence.meant, Reading):
            assert parse(sentence.text, Expectation()) == sentence.meant


@pytest.mark.parametrize("word", [*DIGITS, *TEENS, *TIES, *UNITS, *ASKED, "hundred", "point"])
def test_every_important_word_is_asked_for_twice(word: str) -> None:
    assert Counter(each for sentence in SENTENCES for each in sentence.words)[word] >= 2


# -- a whole enrolment -------------------------------------------------------------------------------------------------


class Enrolled(NamedTuple):
    folder: Path
    code: int
    out: str


@pytest.fixture(scope="module")
def joe(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Enrolled]:
    """The command with the recording of the whole list."""
    folder = tmp_path_factory.mktemp("data") / "speakers"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(enrolment, "folder", lambda: folder)
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            code = main(["enrol", "Joe", "--audio", str(WHOLE_LIST)])
        yield Enrolled(folder, code, printed.getvalue())


def test_an_enrolment_tells_what_was_heard_and_keeps_a_profile(joe: Enrolled) -> None:
    speaker = Speaker.model_validate_json((joe.folder / "joe.json").read_bytes())
    assert (speaker.name, speaker.device, speaker.engine) == ("Joe", "joe.flac", "moonshine")
    assert speaker.sentences == len(SENTENCES)
    assert speaker.right >= 26
    assert speaker.received.readability == 5
    assert f"{speaker.right} of 32 sentences were heard right" in joe.out
    assert joe.code == (1 if speaker.advice else 0)
    for advice in speaker.advice:
        assert advice.partition(":")[0].split()[-1] in joe.out


def test_the_bar_is_not_lowered_for_a_speaker_with_a_sentence_taken_for_another(joe: Enrolled) -> None:
    speaker = Speaker.model_validate_json((joe.folder / "joe.json").read_bytes())
    assert speaker.offset <= 0 if speaker.confusions else speaker.offset >= 0


# -- an injected confusion ---------------------------------------------------------------------------------------------


def test_a_word_that_was_taken_for_another_is_found_and_weighed_from_then_on(plain: SphinxRecogniser) -> None:
    said = asked("seven point two ohms", "7.2", "ohm")  # but the clip says five: as if this speaker's seven were one
    plain.open(said.open)
    before = plain.hear(clip("five_point_two_ohms"))
    assert "seven point two ohms" not in [other.text for other in before.alternatives]

    findings = measure([Result(said, before), *map(as_asked, SENTENCES)])
    assert dict(findings.failing) == {"seven": Found(said=3, right=2, taken_for={"five": 1})}
    assert findings.confusions == (("seven", "five"),)
    assert findings.wrong == (before.confidence,)
    speaker = adapt("Anna", findings, SILENT, "headset", plain.name, NOON)
    assert speaker.advice == ("say it slower, with a short pause before it: seven was taken for five once",)
    assert speaker.offset == -FARTHEST  # it was heard with far more than even odds

    adapted = SphinxRecogniser(speaker)
    adapted.open(said.open)
    after = adapted.hear(clip("five_point_two_ohms"))
    assert after.text == before.text
    assert "seven point two ohms" in [other.text for other in after.alternatives]
    assert after.confidence is not None
    assert before.confidence is not None
    assert after.confidence < before.confidence


def test_many_confusions_of_a_speaker_leave_the_twin_of_a_number_among_the_alternatives() -> None:
    others = [word for word in (*TEENS, *TIES) if word not in ("fifteen", "fifty")]
    recogniser = SphinxRecogniser(a_speaker(confusions=tuple((other, "fifteen") for other in others)))
    recogniser.open(asked("fifteen ohms", "15", "ohm").open)
    heard = recogniser.hear(clip("fifteen_ohms"))
    assert heard.text == "fifteen ohms"
    assert "fifty ohms" in [other.text for other in heard.alternatives]


def test_an_enrolment_from_a_recording_takes_the_utterances_in_their_order(plain: SphinxRecogniser) -> None:
    silence = np.zeros(RATE, np.int16)
    names = ("fifty_ohms", "five_point_two_ohms", "stand_by")
    joined = np.concatenate([part for name in names for part in (silence, clip(name).samples)] + [silence])
    wanted = (
        asked("fifty ohms", "50", "ohm"),
        asked("nine point two ohms", "9.2", "ohm"),
        next(sentence for sentence in SENTENCES if sentence.text == "stand by"),
    )
    results, levels = of_recording(Audio(joined), plain, wanted)
    assert [result.right for result in results] == [True, False, True]
    assert dict(measure(results).failing) == {"nine": Found(1, 0, {"five": 1})}
    assert levels.speech is not None


def test_a_recording_with_too_few_utterances_is_refused(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["enrol", "Anna", "--audio", str(SPEECH / "five_point_two_ohms.flac")]) == 2
    assert "where the list has 32" in capsys.readouterr().err
    assert not kept.exists()


# -- what is measured --------------------------------------------------------------------------------------------------


def heard_as(sentence: Sentence, text: str, confidence: float = 0.9) -> Result:
    return Result(sentence, Utterance(text, confidence, "typed"))


def test_the_radio_figures_and_other_names_of_a_unit_are_the_same_word() -> None:
    said = asked("nine point five megohms", "9.5", "megaohm")
    assert not measure([heard_as(said, "niner point fife meg ohms")]).failing
    wrong = measure([heard_as(said, "niner point four meg ohms")])
    assert dict(wrong.failing) == {"five": Found(1, 0, {"four": 1})}


def test_words_left_out_and_words_that_came_out_of_nowhere_are_told_apart() -> None:
    said = asked("two hundred volts", "200", "volt")
    assert dict(measure([heard_as(said, "two volts")]).failing) == {"hundred": Found(1, 0, {"": 1})}
    added = measure([heard_as(said, "two hundred two volts")])
    assert not added.failing
    assert added.added == {"two": 1}
    assert len(added.wrong) == 1


def test_a_sentence_that_was_not_heard_is_missed_and_not_taken_for_another() -> None:
    findings = measure([Result(SENTENCES[0], None), heard_as(SENTENCES[1], "")])
    assert (findings.missed, findings.wrong, findings.right) == (2, (), ())
    assert all(found.right == 0 for found in findings.words.values())


@pytest.mark.parametrize(
    ("word", "other", "advice"),
    [
        ("nine", "five", "say it slower, with a short pause before it: nine was taken for five once"),
        ("fifteen", "fifty", "say its digits one by one: fifteen was taken for fifty once"),
        ("affirm", "", "say affirmative: affirm was not heard once"),
    ],
)
def test_the_advice_names_the_clearer_word(word: str, other: str, advice: str) -> None:
    assert advise(word, Found(2, 1, {other: 1})) == advice


# -- the offset --------------------------------------------------------------------------------------------------------


@given(st.lists(probabilities), st.lists(probabilities, min_size=1))
def test_the_bar_is_never_lowered_after_a_wrong_hearing(right: list[float], wrong: list[float]) -> None:
    assert -FARTHEST <= offset(right, wrong) <= 0


@given(st.lists(st.floats(0.001, 0.72), min_size=1, max_size=5))
def test_a_wrong_hearing_that_was_just_accepted_would_be_asked_again(wrong: list[float]) -> None:
    assert a_speaker(moved=offset([0.9] * 30, wrong)).trust(max(wrong)) < 0.5


def test_right_hearings_that_were_not_accepted_are_let_through_within_bounds() -> None:
    assert offset([0.9] * 20, []) == 0
    assert offset([0.4] * 20, []) == pytest.approx(math.log(0.6 / 0.4))
    assert offset([0.01] * 20, []) == FARTHEST
    assert offset([*[0.9] * 20, 0.1], []) == 0  # one in twenty may be asked again


@given(probabilities, st.floats(-FARTHEST, FARTHEST))
def test_a_confidence_stays_one_and_moves_with_the_offset(confidence: float, moved: float) -> None:
    trusted = a_speaker(moved=moved).trust(confidence)
    assert 0 <= trusted <= 1
    assert (trusted - confidence) * moved >= -1e-8


def test_too_few_right_sentences_are_no_speaker() -> None:
    results = [
        as_asked(sentence) if number < 15 else Result(sentence, None) for number, sentence in enumerate(SENTENCES)
    ]
    with pytest.raises(EnrolmentError, match="only 15 of 32 sentences"):
        adapt("Anna", measure(results), SILENT, "headset", "pocketsphinx")


def test_neighbours_hold_the_confusion_both_ways_and_the_sentence_without_an_added_word() -> None:
    speaker = a_speaker(confusions=(("seven", "five"), ("", "two"), ("say again", "stand by")))
    assert list(speaker.neighbours(["five", "two"])) == [["seven", "two"], ["five"]]
    assert list(speaker.neighbours(["seven"])) == [["five"]]
    assert list(speaker.neighbours(["fife", "volts"])) == [["seven", "volts"]]
    assert list(speaker.neighbours(["two"])) == []
    assert list(speaker.neighbours(["stand", "by"])) == [["say", "again"]]


# -- the profile -------------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("kept")
def test_a_profile_is_read_as_it_was_written_and_its_hash_is_that_of_the_file() -> None:
    speaker = a_speaker(confusions=(("seven", "five"),), moved=-0.25)
    path = enrolment.save(speaker)
    assert enrolment.load("anna") == speaker
    assert path.read_bytes().decode() == speaker.text
    assert enrolment.load("Anna").sha256 == speaker.sha256


def test_a_deleted_profile_is_gone(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrolment.save(a_speaker("Anna"))
    enrolment.save(a_speaker("Bert"))
    assert main(["enrol", "--list"]) == 0
    assert capsys.readouterr().out.split() == ["anna", "bert"]
    assert main(["enrol", "--delete", "Anna"]) == 0
    assert [path.name for path in kept.iterdir()] == ["bert.json"]
    assert main(["hear", "--speaker", "Anna", str(SPEECH / "five.flac")]) == 2
    assert main(["enrol", "--delete", "Anna"]) == 2
    assert "nothing was deleted" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "is damaged"),
        ("{", "is damaged"),
        ("[]", "is damaged"),
        (json.dumps({"version": 2}), "another version"),
        (json.dumps(json.loads(a_speaker().text) | {"offset": 3.0}), "offset"),
        (json.dumps(json.loads(a_speaker().text) | {"more": 1}), "more"),
    ],
)
def test_a_profile_that_cannot_be_used_is_refused_and_can_be_deleted(
    kept: Path, text: str, reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    kept.mkdir()
    (kept / "anna.json").write_text(text, encoding="utf-8")
    assert main(["hear", "--speaker", "Anna", str(SPEECH / "five.flac")]) == 2
    error = capsys.readouterr().err
    assert reason in error
    assert "--delete Anna" in error
    assert main(["enrol", "--delete", "Anna"]) == 0
    assert list(kept.iterdir()) == []


@given(st.text(max_size=20))
def test_the_file_of_any_name_is_one_that_every_system_takes(name: str) -> None:
    try:
        kept = enrolment.tidy(name)
    except EnrolmentError:
        return
    file = enrolment._file_name(kept)
    assert file.isascii()
    assert not set(file) & set('<>:"/\\|?*')
    assert not PureWindowsPath(file).is_reserved()
    assert not file.startswith(".")
    assert enrolment._file_name(kept.upper().casefold()) == enrolment._file_name(kept.casefold().upper())


@pytest.mark.parametrize("name", ["con", "COM1", "nul.x", "..", "../up", "a/b", "Jürgen", ".hidden"])
def test_an_awkward_name_is_kept_in_the_folder_and_listed(kept: Path, name: str) -> None:
    path = enrolment.save(a_speaker(name))
    assert path.resolve().parent == kept.resolve()
    assert enrolment.names() == [name.casefold()]
    enrolment.delete(name)


@pytest.mark.parametrize("name", ["", "  ", "a\x00b", "x" * 300])
def test_a_name_that_is_none_is_refused(name: str) -> None:
    with pytest.raises(EnrolmentError):
        enrolment.tidy(name)


# -- its use -----------------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("kept")
def test_a_command_with_a_speaker_hears_as_that_speaker(capsys: pytest.CaptureFixture[str]) -> None:
    enrolment.save(a_speaker(confusions=(("seven", "five"),), moved=-1.0))
    command = ["hear", "--engine", "pocketsphinx", "--expect", Quantity.RESISTANCE]
    found = []
    for options in ([], ["--speaker", "anna"]):
        assert main([*command, *options, str(SPEECH / "five_point_two_ohms.flac")]) == 0
        found.append(json.loads(capsys.readouterr().out))
    plain, adapted = found
    assert adapted["value"] == plain["value"] == "5.2"
    assert adapted["confidence"] < plain["confidence"]
    assert "seven point two ohms" in [other["text"] for other in adapted["alternatives"]]
    assert "seven point two ohms" not in [other["text"] for other in plain["alternatives"]]


@pytest.mark.usefixtures("kept")
def test_the_record_holds_which_profile_was_used(tmp_path: Path) -> None:
    speaker = a_speaker()
    enrolment.save(speaker)
    words = tmp_path / "words.flac"
    soundfile.write(words, np.concatenate([clip("stand_by").samples, np.zeros(RATE, np.int16)]), RATE)
    record = tmp_path / "record"
    options = ["--engine", "pocketsphinx", "--speaker", "Anna", "--audio", str(words), "--out", str(record)]
    main(["run", "bottle-cooler-does-not-cool", *options])
    first = json.loads((record / JOURNAL).read_text(encoding="utf-8").splitlines()[0])
    assert speaker.sha256 in json.dumps(first)
    assert main(["verify", str(record)]) == 0


def test_without_a_name_nobody_is_enrolled() -> None:
    assert main(["enrol"]) == 2


# -- live --------------------------------------------------------------------------------------------------------------

PROGRAM = """
import json, sys
from handsfree.sound.enrolment import SENTENCES, of_microphone
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.sound.voice import choose_voice

voice, _ = choose_voice("aloud")
wanted = [sentence for sentence in SENTENCES if sentence.text in ("stand by", "say again")]
results, levels, name = of_microphone(None, voice, SphinxRecogniser(), lambda text: print(text, flush=True), wanted)
voice.close()
print(json.dumps({"right": [result.right for result in results], "readability": levels.readability, "name": name}))
"""


def test_a_speaker_at_a_sound_card_is_asked_for_each_sentence_and_once_more_where_nothing_was_heard(
    sound_card: SoundCard,
) -> None:
    said, lines = {"Again: say again.": "say_again", "Say: stand by.": "stand_by"}, []
    with Ear(sound_card) as ear:
        program = subprocess.Popen(
            [sys.executable, "-c", PROGRAM],
            env=sound_card.environment | OPEN_ROOM,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        assert program.stdout is not None
        for line in map(str.strip, program.stdout):
            lines.append(line)
            if line in said:
                assert ear.wait_for_speech(ear.spoken + 0.2)
                assert ear.wait_for_quiet()
                sound_card.say(in_room_noise([clip(said[line]).samples]), headset=False)
        _, error = program.communicate(timeout=90)
    assert "Traceback" not in error
    assert "Say: say again." in lines
    assert lines.count("Say: stand by.") == 1
    assert "Again: stand by." not in lines
    found = json.loads(lines[-1])
    assert found["right"] == [True, True]
    assert found["readability"] is not None
    assert f"Microphone: {found['name']}." in lines
