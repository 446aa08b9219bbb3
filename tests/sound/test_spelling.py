"""How the grammar's words may be written: every writing has one meaning, and figures are the number they show."""

from collections import defaultdict
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.sound.spelling import NEARLY, SAME_SOUND, TOGETHER, UNSPACED, figures, writings
from handsfree.spoken import grammar
from handsfree.spoken.identifiers import Form
from handsfree.spoken.meaning import Expectation, Open, Reading, Refusal, Word
from handsfree.spoken.reading import parse

EVERYTHING = grammar.words(
    Open(reading=Expectation(), words=frozenset(Word), correction=Expectation())
) | grammar.words(Open(identifier=Form(), identifier_named=("serial",), change=True))
SEQUENCES = [(word,) for word in sorted(EVERYTHING)] + [words for words in {**TOGETHER, **UNSPACED} if len(words) > 1]
# Words with one meaning: the radio's figures and a letter for zero.
SAME = [{"four", "fower"}, {"oh", "o"}, {"nine", "niner"}]


def test_no_writing_stands_for_words_of_different_meaning() -> None:
    stands_for: defaultdict[str, set[tuple[str, ...]]] = defaultdict(set)
    for words in SEQUENCES:
        for text, _ in writings(words):
            stands_for[text].add(words)
    for text, found in stands_for.items():
        plain = {" ".join(words) for words in found}
        as_unit = {parse(f"five {words}", Expectation()) for words in plain}  # "meg ohms" and "megohms" are the same
        refused = any(isinstance(meant, Refusal) for meant in as_unit)
        assert len(plain) == 1 or (len(as_unit) == 1 and not refused) or any(plain <= same for same in SAME), text


@pytest.mark.parametrize("table", [SAME_SOUND, NEARLY])
def test_only_words_that_can_be_heard_have_other_writings(table: dict[str, tuple[str, ...]]) -> None:
    assert table.keys() <= EVERYTHING | {"seized"}


def test_every_word_is_written_as_it_is_and_with_a_capital() -> None:
    for word in EVERYTHING:
        texts = {text for text, cost in writings([word]) if cost == 0}
        assert {f" {word}", f" {word.capitalize()}"} <= texts


def test_letters_run_together() -> None:
    assert " AC" in dict(writings(["a", "c"]))
    assert " PSI" in dict(writings(["p", "s", "i"]))


@given(st.decimals(min_value=-99999, max_value=99999, places=2, allow_nan=False))
def test_figures_are_the_number_they_show(value: Decimal) -> None:
    words = figures(f"{value:.2f}")
    assert words is not None
    meant = parse(" ".join(words), Expectation())
    assert isinstance(meant, Reading)
    assert meant.value is not None
    assert Decimal(meant.value) == value


@pytest.mark.parametrize("text", ["", "-", "5.", "12,", "1,5"])
def test_unfinished_figures_are_no_number(text: str) -> None:
    assert figures(text) is None


def test_a_comma_between_thousands_is_no_pause() -> None:
    assert figures("1,500") == figures("1500")
