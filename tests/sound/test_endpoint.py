"""Where utterances begin and end, on real speech with seeded noise around it."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from handsfree.sound.audio import read
from handsfree.sound.endpoint import A_BREATH, ENOUGH, LEAD, LONGEST, PRE_ROLL, TAIL, Endpointer, Pause, Speech
from handsfree.sound.protocol import RATE

SPEECH = Path(__file__).parent / "speech"


def clip(name: str) -> NDArray[np.int16]:
    return read(SPEECH / f"{name}.flac")[0].samples


def noise(seconds: float, level: float = 150.0) -> NDArray[np.int16]:
    return np.random.default_rng(7).normal(0, level, round(seconds * RATE)).astype(np.int16)


def joined(*parts: NDArray[np.int16]) -> NDArray[np.int16]:
    """One after the other, in the same faint noise throughout."""
    samples = np.concatenate(parts)
    return (samples + np.random.default_rng(3).normal(0, 20, len(samples))).astype(np.int16)


def cut(samples: NDArray[np.int16], block: int = RATE, **settings: float) -> list[Speech]:
    endpointer = Endpointer(**settings)
    found = [speech for at in range(0, len(samples), block) for speech in endpointer.feed(samples[at : at + block])]
    return found + endpointer.flush()


TWO = joined(noise(1.5), clip("five_point_two_ohms"), noise(2.0), clip("say_again"), noise(1.5))
FIRST = 1.5
SECOND = 3.5 + len(clip("five_point_two_ohms")) / RATE


def test_two_utterances_with_noise_between_are_two() -> None:
    first, second = cut(TWO)
    assert first.start == pytest.approx(FIRST - PRE_ROLL, abs=0.25)
    assert second.start == pytest.approx(SECOND - PRE_ROLL, abs=0.25)
    assert not first.cut
    assert first.start + first.seconds < second.start


def test_an_utterance_holds_all_of_the_speech_and_some_quiet_around_it() -> None:
    first, _ = cut(TWO)
    spoken = len(clip("five_point_two_ohms")) / RATE
    assert first.start <= FIRST
    assert first.start + first.seconds >= FIRST + spoken - 0.15  # the recording itself ends in some quiet
    assert first.seconds <= spoken + PRE_ROLL + TAIL + 0.2
    at = round(first.start * RATE)
    assert np.array_equal(first.samples, TWO[at : at + len(first.samples)])


def test_what_came_just_before_is_handed_out_with_it() -> None:
    first, second = cut(TWO)
    for speech in (first, second):
        at = round(speech.start * RATE)
        assert len(speech.lead) == round(LEAD * RATE)
        assert np.array_equal(speech.lead, TWO[at - len(speech.lead) : at])


def test_what_stands_before_a_gap_is_not_what_came_just_before() -> None:
    """As where the microphone was deaf while the tool spoke."""
    endpointer, quiet = Endpointer(), round(0.7 * RATE)
    endpointer.feed(np.zeros(RATE, np.int16), gap=True)
    (first,) = endpointer.feed(TWO[round(FIRST * RATE) - quiet : round((SECOND - 0.5) * RATE)])
    assert not first.cut
    assert len(first.lead) == round((first.start - 1.0) * RATE)
    assert first.lead.any()


@pytest.mark.parametrize("block", [1, 137, 512, 4096, len(TWO)])
def test_the_size_of_the_blocks_changes_nothing(block: int) -> None:
    samples = TWO if block > 1 else TWO[: 3 * RATE]
    expected, found = cut(samples), cut(samples, block)
    assert [(speech.start, speech.cut) for speech in found] == [(speech.start, speech.cut) for speech in expected]
    assert all(np.array_equal(a.samples, b.samples) for a, b in zip(found, expected, strict=True))


@pytest.mark.parametrize("pause", [0.3, 0.5, 0.7])
def test_a_pause_inside_a_reading_does_not_end_it(pause: float) -> None:
    samples = joined(noise(1.0), clip("five"), noise(pause), clip("point_two_ohms"), noise(1.5))
    assert len(cut(samples)) == 1


def test_a_shorter_hang_time_ends_utterances_earlier() -> None:
    samples = joined(noise(1.0), clip("five"), noise(0.6), clip("point_two_ohms"), noise(1.5))
    assert len(cut(samples, hang=0.2)) == 2


def test_noise_alone_is_no_utterance() -> None:
    assert cut(noise(5.0, level=1000.0)) == []


@pytest.mark.parametrize("name", ["five", "unable", "o_l"])
def test_a_short_word_is_noticed_though_a_machine_has_hummed_for_minutes(name: str) -> None:
    seconds, word = 120, clip(name)
    time = np.arange(seconds * RATE) / RATE
    hum = sum(np.sin(2 * np.pi * 120 * place * time) / place for place in range(1, 6))
    level = np.sqrt(np.mean(word.astype(float) ** 2)) * 10 ** (-10 / 20)  # 10 dB below the word
    room = level * hum / np.std(hum) + np.random.default_rng(5).normal(0, 20, len(time))
    begun = [40 * RATE, 75 * RATE, 110 * RATE]
    for at in begun:
        room[at : at + len(word)] += word
    found = [speech.start for speech in cut(np.clip(room, -32768, 32767).astype(np.int16), block=512)]
    assert found == [pytest.approx(at / RATE, abs=0.6) for at in begun]


def test_a_click_is_no_utterance() -> None:
    samples = noise(3.0, level=20.0)
    samples[RATE : RATE + 160] = 20_000
    assert cut(samples) == []


def test_the_end_of_the_stream_ends_an_utterance() -> None:
    endpointer = Endpointer()
    assert endpointer.feed(joined(noise(0.5), clip("five_point_two_ohms"))) == []
    assert endpointer.speaking
    (speech,) = endpointer.flush()
    assert speech.seconds > 1.0
    assert not endpointer.speaking
    assert endpointer.flush() == []


def test_speech_that_never_ends_is_cut_once_and_the_rest_dropped() -> None:
    talk = np.concatenate(
        [clip("novel_ill_disposed"), clip("novel_cold_hearted"), clip("hand_me_that_wrench_would_you")]
    )
    long = joined(np.tile(talk, 3), noise(2.0), clip("say_again"), noise(1.5))
    assert len(talk) * 3 / RATE > LONGEST
    long_one, after = cut(long)
    assert long_one.cut
    assert long_one.seconds == pytest.approx(LONGEST + PRE_ROLL, abs=0.5)
    assert not after.cut
    assert after.seconds < 2.0


def with_gap(samples: NDArray[np.int16], begin: float, end: float) -> list[Speech]:
    """What is found where a microphone was deaf from ``begin`` to ``end``, in seconds."""
    endpointer, found, block = Endpointer(), [], 512
    for at in range(0, len(samples), block):
        gap = begin * RATE <= at < end * RATE
        part = samples[at : at + block]
        found += endpointer.feed(np.zeros_like(part) if gap else part, gap=gap)
    return found + endpointer.flush()


def test_speech_that_began_in_a_gap_is_not_whole() -> None:
    halfway = FIRST + 0.45  # "five" is lost, "point two ohms" is left
    first, second = with_gap(TWO, 0.5, halfway)
    assert (first.cut, second.cut) == (True, False)
    assert first.start > FIRST


def test_speech_that_goes_on_into_a_gap_is_not_whole() -> None:
    first, second = with_gap(TWO, FIRST + 0.8, FIRST + 2.5)
    assert (first.cut, second.cut) == (True, False)


def test_speech_some_time_after_a_gap_is_whole() -> None:
    first, second = with_gap(TWO, 0.5, FIRST - 0.4)
    assert (first.cut, second.cut) == (False, False)


def test_speech_that_the_end_of_the_stream_interrupts_is_not_whole() -> None:
    (interrupted,) = cut(joined(noise(1.0), clip("four_hundred_eighty_volts")[: RATE * 3 // 4]))
    (whole,) = cut(joined(noise(1.0), clip("four_hundred_eighty_volts"), noise(0.3)))
    assert (interrupted.cut, whole.cut) == (True, False)


# -- pauses ----------------------------------------------------------------------------------------------------------


def pauses(samples: NDArray[np.int16], block: int = RATE) -> list[Pause]:
    endpointer = Endpointer()
    moments = [each for at in range(0, len(samples), block) for each in endpointer.moments(samples[at : at + block])]
    return [moment for moment in moments if isinstance(moment, Pause)]


def test_the_silence_after_an_utterance_is_told_early_and_when_it_is_enough() -> None:
    told = pauses(joined(noise(1.0), clip("five_point_two_ohms"), noise(1.0)))
    assert [pause.lasted for pause in told] == [TAIL, ENOUGH, A_BREATH]
    assert all(np.array_equal(told[0].speech.samples, pause.speech.samples) for pause in told)


def test_a_pause_holds_the_same_samples_as_the_utterance_if_that_ends_there() -> None:
    samples = joined(noise(1.0), clip("five_point_two_ohms"), noise(1.5))
    (utterance,) = cut(samples)
    for pause in pauses(samples):
        assert pause.speech.start == utterance.start
        assert np.array_equal(pause.speech.samples, utterance.samples)


def test_a_pause_inside_a_reading_holds_what_was_said_so_far() -> None:
    samples = joined(noise(1.0), clip("five"), noise(0.5), clip("point_two_ohms"), noise(1.5))
    (utterance,) = cut(samples)
    first, again, last, *_ = (pause.speech for pause in pauses(samples))
    assert first.start == again.start == last.start == utterance.start
    assert first.seconds == again.seconds < utterance.seconds
    assert np.array_equal(first.samples, utterance.samples[: len(first.samples)])


def test_a_pause_too_short_to_matter_is_not_told() -> None:
    assert len(pauses(joined(noise(1.0), clip("five"), noise(0.1), clip("point_two_ohms"), noise(1.5)))) == 3


def test_a_click_makes_no_pause() -> None:
    samples = noise(3.0, level=20.0)
    samples[RATE : RATE + 160] = 20_000
    assert pauses(samples) == []


def test_the_size_of_the_blocks_changes_no_pause() -> None:
    expected, found = pauses(TWO), pauses(TWO, 137)
    assert [(each.speech.start, each.lasted) for each in found] == [
        (each.speech.start, each.lasted) for each in expected
    ]


def test_an_utterance_that_is_ended_at_a_pause_is_not_handed_out_again() -> None:
    endpointer, found = Endpointer(), []
    for moment in endpointer.moments(TWO):
        found.append(moment)
        if isinstance(moment, Pause) and moment.lasted >= ENOUGH:
            endpointer.end()
            assert not endpointer.speaking
    assert all(isinstance(moment, Pause) for moment in found)
    assert len(found) == 4
    assert endpointer.flush() == []


def test_nobody_is_asked_about_speech_that_began_in_a_gap() -> None:
    endpointer = Endpointer()
    samples = joined(clip("five_point_two_ohms"), noise(1.5))
    moments = list(endpointer.moments(samples[:512], gap=True)) + list(endpointer.moments(samples[512:]))
    (utterance,) = moments
    assert isinstance(utterance, Speech)
    assert utterance.cut


def test_a_clip_that_was_made_to_end_with_its_speech_is_whole() -> None:
    endpointer = Endpointer()
    endpointer.feed(clip("five_point_two_ohms"))
    (speech,) = endpointer.flush(tight=True)
    assert not speech.cut
