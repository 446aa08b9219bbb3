"""A recogniser in a process of its own: the same results, and what happens when the process does not survive."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import psutil
import pytest

from handsfree.sound import apart, audio
from handsfree.sound.apart import Apart, RecogniserError
from handsfree.sound.protocol import RATE, Audio
from handsfree.sound.sphinx import SphinxRecogniser
from handsfree.spoken.meaning import Expectation, Open, Quantity, Word

HERE = Path(__file__).parent
CLIP = audio.read(HERE / "speech" / "fifteen_ohms.flac")[0]
OHMS = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=frozenset(Word))
WORDS = Open(words=frozenset({Word.AFFIRM, Word.NEGATIVE}))

Make = Callable[..., tuple[Apart, list[str]]]


@pytest.fixture
def fragile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Make]:
    """Makes a recogniser that fails in one way at its first hearings, and the list of what it tells."""
    monkeypatch.setenv("PYTHONPATH", str(HERE))
    made: list[Apart] = []

    def make(how: str, times: int = 1) -> tuple[Apart, list[str]]:
        made.append(Apart("fragile", "fragile:Fragile", how, str(tmp_path / "tally"), times))
        told: list[str] = []
        made[-1].tell = told.append
        return made[-1], told

    yield make
    for each in made:
        each.close()


def test_it_hears_what_the_recogniser_hears_in_this_process() -> None:
    here, there = SphinxRecogniser(), Apart("pocketsphinx", "handsfree.sound.sphinx:SphinxRecogniser")
    here.open(OHMS)
    there.open(OHMS)
    expected, found = here.hear(CLIP), there.hear(CLIP)
    assert expected.text == "fifteen ohms"
    assert found == expected
    assert found.audio is CLIP
    assert there.missing_words == here.missing_words
    here.open(WORDS)
    there.open(WORDS)
    silence = Audio(np.zeros(RATE // 2, np.int16))
    assert there.hear(silence) == replace(here.hear(silence), audio=silence)
    there.close()


def test_it_looks_again_at_what_it_heard_there(fragile: Make) -> None:
    recogniser, told = fragile("crashes", 0)
    recogniser.open(WORDS)
    again = recogniser.hear_again(CLIP, recogniser.hear(CLIP))
    assert (again.text, again.confidence) == ("affirm negative again", 0.9)
    assert again.audio is CLIP
    assert told == []


def test_the_missing_words_are_those_of_the_recogniser(fragile: Make) -> None:
    apart, _ = fragile("crashes", times=0)
    apart.open(WORDS)
    assert apart.missing_words == {"henweigh"}


def test_a_process_that_dies_is_told_and_the_clip_is_heard_again_with_the_same_grammar(fragile: Make) -> None:
    apart, told = fragile("crashes")
    apart.open(WORDS)
    assert apart.hear(CLIP).text == "affirm negative"
    assert told == ["The recogniser stopped and was started again."]
    assert apart.hear(CLIP).text == "affirm negative"
    assert len(told) == 1


def test_a_process_that_hangs_is_ended_and_told(fragile: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    hanging, told = fragile("hangs")
    hanging.open(WORDS)
    patience = apart.PATIENCE

    def tell(text: str) -> None:
        monkeypatch.setattr(apart, "PATIENCE", patience)
        told.append(text)

    hanging.tell = tell
    monkeypatch.setattr(apart, "PATIENCE", 0.2)
    monkeypatch.setattr(apart, "PATIENCE_PER_SECOND", 0.2)
    assert hanging.hear(CLIP).text == "affirm negative"
    assert told == ["The recogniser did not answer and was started again."]


def test_a_process_that_dies_twice_over_one_clip_is_given_up_with_what_to_do(fragile: Make) -> None:
    apart, told = fragile("crashes", times=2)
    apart.open(WORDS)
    with pytest.raises(RecogniserError, match=r"stopped again; choose another with --engine"):
        apart.hear(CLIP)
    assert len(told) == 1


def test_what_the_recogniser_raises_is_raised_here_and_it_goes_on(fragile: Make) -> None:
    apart, told = fragile("raises")
    apart.open(WORDS)
    with pytest.raises(ValueError, match="the clip is odd"):
        apart.hear(CLIP)
    assert apart.hear(CLIP).text == "affirm negative"
    assert told == []


def test_a_recogniser_that_cannot_be_loaded_says_why(fragile: Make) -> None:
    apart, _ = fragile("cannot load")
    with pytest.raises(ValueError, match="the model is damaged"):
        apart.open(WORDS)


def test_the_process_ends_with_the_program_however_that_ends() -> None:
    code = (
        "from handsfree.sound.apart import Apart\n"
        "from handsfree.spoken.meaning import Open, Word\n"
        "import sys, threading\n"
        "apart = Apart('pocketsphinx', 'handsfree.sound.sphinx:SphinxRecogniser')\n"
        "apart.open(Open(words=frozenset(Word)))\n"
        "print(apart._process.pid, flush=True)\n"
        "threading.Event().wait()\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        recogniser = psutil.Process(int(program.stdout.readline()))
        program.kill()
    assert recogniser.wait(30) is None or not recogniser.is_running()
