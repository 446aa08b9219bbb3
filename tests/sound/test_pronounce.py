"""How words sound: table, dictionary, prefix and unit, and the guess from spelling."""

import sys
from pathlib import Path

import pocketsphinx
import pytest

from handsfree.sound.pronounce import ARPABET, PREFIXES, TABLE, pronounce

MODEL = Path(pocketsphinx.get_model_path()) / "en-us"
DICTIONARY = MODEL / "cmudict-en-us.dict"


def phones(*words: str) -> dict[str, tuple[str, ...]]:
    return pronounce(words, DICTIONARY)


def test_a_listed_word_keeps_the_order_of_its_pronunciations() -> None:
    assert phones("zero") == {"zero": ("Z IH R OW", "Z IY R OW")}


def test_the_table_comes_before_the_dictionary_and_adds_to_it() -> None:
    assert phones("hertz") == {"hertz": ("HH ER T S", "HH EH R T S")}


def test_icao_digits_sound_as_doc_9432_spells_them() -> None:
    assert {word: sounds[0] for word, sounds in phones("tree", "fower", "fife", "niner").items()} == {
        "tree": "T R IY",
        "fower": "F OW ER",
        "fife": "F AY F",
        "niner": "N AY N ER",
    }


def test_a_prefixed_unit_is_its_prefix_and_its_unit() -> None:
    assert phones("kilovolts")["kilovolts"][0] == "K IH L OW V OW L T S"
    assert phones("microfarads")["microfarads"][0] == "M AY K R OW F EH R AH D Z"


@pytest.mark.parametrize(
    ("word", "sound"),
    [("superheater", "S UW P ER HH IY T ER"), ("triac", "T R AY AE K"), ("o'ring", "OW R IH NG")],
)
def test_a_word_in_no_list_is_guessed_from_its_spelling(word: str, sound: str) -> None:
    assert phones(word) == {word: (sound,)}


def test_what_is_no_english_word_is_left_out_and_the_rest_stays() -> None:
    assert phones("일", "42", "--help", "five").keys() == {"five"}


def test_where_the_guess_cannot_be_made_the_word_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "no such program")
    assert phones("desuperheater", "five").keys() == {"five"}


def test_only_phones_of_the_model_are_used() -> None:
    known = {phone for line in DICTIONARY.read_text(encoding="utf-8").splitlines() for phone in line.split()[1:]}
    used = {phone for sounds in (TABLE | PREFIXES).values() for sound in sounds for phone in sound.split()}
    used |= {phone for sound in ARPABET.values() for phone in sound.split()}
    assert used <= known
