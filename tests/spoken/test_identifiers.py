"""Serial and part numbers, said letter by letter and digit by digit."""

from __future__ import annotations

import random
import string
from pathlib import Path

import pocketsphinx
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from handsfree.sound.pronounce import pronounce
from handsfree.spoken.checkdigits import Check, fits
from handsfree.spoken.expression import Parser, jsgf, sample
from handsfree.spoken.identifiers import (
    ANY,
    LETTER,
    MOST,
    Form,
    Misheard,
    Problem,
    as_printed,
    correct,
    correction_tree,
    parse_identifier,
    say_identifier,
    tree,
)

FORMS = (
    ANY,
    Form(least=5, most=8),
    Form("AA-9999"),
    Form("9999-9999-9999-999X", check=Check.MOD_11_2),
    Form("X9999.99/XX", check=Check.MOD_37_2),
    Form("AX99X", check=Check.MOD_97_10),
    Form("9999 9999".replace(" ", "/"), check=Check.LUHN),
)


def problem(outcome: str | Misheard) -> Problem:
    assert isinstance(outcome, Misheard)
    assert outcome.reason
    return outcome.problem


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("bravo x-ray four zero niner", "BX409"),
        ("bravo x ray fower zero nine", "BX409"),
        ("alpha alfa juliet juliett whisky whiskey xray", "AAJJWWX"),
        ("b x 4 0 9", "BX409"),
        ("b 409", "B409"),
        ("papa dash four slash seven point one", "P-4/7.1"),
        ("papa hyphen four stroke seven dot one", "P-4/7.1"),
        ("double seven", "77"),
        ("triple lima double one", "LLL11"),
        ("double seven seven", "777"),
        ("double v", "VV"),
        ("tree nought fife", "305"),
        ("BRAVO  Four", "B4"),
    ],
)
def test_letters_are_spelt_and_digits_said_one_by_one(said: str, meant: str) -> None:
    assert parse_identifier(said) == meant


@pytest.mark.parametrize(
    ("said", "remedy"),
    [
        ("forty nine", "say the digits one by one"),
        ("bravo fifteen", "say the digits one by one"),
        ("double u", "say whiskey, or uniform uniform"),
        ("oh four", "say oscar, or zero"),
        ("double oh seven", "say oscar, or zero"),
        ("bravo banana", "'banana' is no letter or digit: spell letters as alfa"),
        ("bx409", "'bx' is no letter or digit"),
        ("double", "say them one by one"),
        ("double dash four", "say them one by one"),
        ("", "nothing was understood"),
        (" ".join(["one"] * 41), "it has 1 to 40"),
        ("four ?", "'?' is no letter or digit"),
    ],
)
def test_what_may_be_two_things_or_none_is_refused_with_what_to_say(said: str, remedy: str) -> None:
    outcome = parse_identifier(said)
    assert isinstance(outcome, Misheard)
    assert remedy in outcome.reason


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("bravo x-ray four zero niner one", "BX-4091"),
        ("bravo x-ray dash four zero niner one", "BX-4091"),
        ("oh x-ray four oh niner one", "OX-4091"),
        ("bravo x-ray four zero niner", Problem.LENGTH),
        ("bravo x-ray four zero niner one one", Problem.LENGTH),
        ("bravo eight four zero niner one", Problem.PATTERN),
        ("bravo x-ray four zero niner papa", Problem.PATTERN),
        ("bravo dash x-ray four zero niner one", Problem.PATTERN),
        ("bravo x-ray slash four zero niner one", Problem.PATTERN),
        ("bravo x-ray four zero niner star", Problem.PATTERN),
        ("bravo x-ray four zero ninety one", Problem.WORDS),
    ],
)
def test_a_misheard_one_is_refused_by_the_kind_of_problem(said: str, expected: str | Problem) -> None:
    outcome = parse_identifier(said, Form("AA-9999"))
    assert (problem(outcome) if isinstance(outcome, Misheard) else outcome) == expected


def test_a_place_that_does_not_fit_is_named_with_what_was_heard_there() -> None:
    outcome = parse_identifier("bravo eight four zero niner one", Form("AA-9999"))
    assert outcome == Misheard(Problem.PATTERN, "the second is a letter, and eight was heard")


def test_a_check_digit_refuses_one_digit_that_was_misheard() -> None:
    form = Form("9999-9999-9999-999X", check=Check.MOD_11_2)
    said = "zero zero zero zero zero zero zero two one eight two five zero zero niner seven"
    assert parse_identifier(said, form) == "0000-0002-1825-0097"
    assert problem(parse_identifier(said.replace("five", "niner"), form)) is Problem.CHECK
    assert problem(parse_identifier(said.replace("eight", "x-ray"), form)) is Problem.PATTERN
    assert problem(parse_identifier("bravo four", Form(check=Check.LUHN))) is Problem.CHECK


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("third is papa", "BXP09"),
        ("last is four", "BX404"),
        ("two and three are papa seven", "BP709"),
        ("first and last are alfa bravo", "AX40B"),
        ("one two and three are c d e", "CDE09"),
        ("last two are four five", "BX445"),
        ("first three are alfa bravo charlie", "ABC09"),
        ("five is double seven", Problem.WORDS),
        ("third is", Problem.WORDS),
        ("two and three are papa", Problem.WORDS),
        ("two and two are papa papa", Problem.WORDS),
        ("third is oh", Problem.WORDS),
        ("sixth is papa", Problem.LENGTH),
        ("last four is papa", Problem.WORDS),
    ],
)
def test_a_correction_names_the_place(said: str, expected: str | Problem) -> None:
    outcome = correct("BX409", said)
    assert (problem(outcome) if isinstance(outcome, Misheard) else outcome) == expected


def test_a_correction_is_only_taken_where_counting_the_dashes_makes_no_difference() -> None:
    assert correct("BX-409", "second is papa") == "BP-409"
    assert correct("BX-409", "last is papa") == "BX-40P"
    assert correct("BX-409", "third is papa") == "BX-P09"  # the third is a dash otherwise
    assert problem(correct("BX-409", "fourth is five")) is Problem.WORDS
    assert correct("AB-4X9", "fourth is five", Form("AA-9X9")) == Misheard(
        Problem.WORDS, "with the dashes counted it is another place than without: say all of it again"
    )
    assert correct("AB-4X9", "fourth is papa", Form("AA-9X9")) == "AB-4P9"  # the other place takes no letter


def test_a_correction_is_held_to_form_and_check_digit_again() -> None:
    form = Form("99999999999", check=Check.LUHN)
    assert correct("79927398713", "last is four", form) == Misheard(
        Problem.CHECK, "the check digit does not fit, so one of them was misheard: say all of it again"
    )
    assert problem(correct("79927398713", "last is papa", form)) is Problem.PATTERN
    assert correct("79927398713", "last is tree", form) == "79927398713"


def test_what_is_typed_as_it_is_printed_is_held_to_the_same_form() -> None:
    assert as_printed(" bx 4091 ", Form("AA-9999")) == "BX-4091"
    assert problem(as_printed("bx-409", Form("AA-9999"))) is Problem.LENGTH
    assert problem(as_printed("b?4091", Form("AA-9999"))) is Problem.WORDS
    assert problem(as_printed("")) is Problem.WORDS
    assert problem(as_printed("straße")) is Problem.WORDS  # whose capitals would be two letters


@pytest.mark.parametrize(
    "arguments", [{"pattern": "aa-99"}, {"pattern": "--"}, {"pattern": ""}, {"least": 0}, {"most": 41}]
)
def test_a_form_that_nothing_can_have_is_refused(arguments: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"pattern|letters and digits"):
        Form(**arguments)  # type: ignore[arg-type]


CHARACTERS = string.ascii_uppercase + string.digits


@given(st.text(CHARACTERS, min_size=1, max_size=MOST))
@settings(deadline=None)
def test_what_is_said_back_is_the_identifier_again(identifier: str) -> None:
    assert parse_identifier(say_identifier(identifier)) == identifier
    assert as_printed(identifier) == identifier


@given(st.text(CHARACTERS, min_size=6, max_size=6), st.data())
@settings(deadline=None)
def test_with_its_separators_too(characters: str, data: st.DataObject) -> None:
    pattern = "".join("A" if each.isalpha() else "9" for each in characters)
    cut = data.draw(st.integers(1, 5))
    separator = data.draw(st.sampled_from("-/."))
    printed, form = characters[:cut] + separator + characters[cut:], Form(pattern[:cut] + separator + pattern[cut:])
    for form_or_none in (form, ANY):
        assert parse_identifier(say_identifier(printed), form_or_none) == printed
    assert parse_identifier(say_identifier(characters), form) == printed


@given(st.text(CHARACTERS, min_size=1, max_size=20), st.data())
@settings(deadline=None)
def test_any_place_can_be_corrected(identifier: str, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(identifier) - 1))
    right = data.draw(st.sampled_from(CHARACTERS))
    words = "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth"
    ordinals = [*words.split(), "fifteenth", "sixteenth", "seventeenth", "eighteenth", "nineteenth", "twentieth"]
    expected = identifier[:at] + right + identifier[at + 1 :]
    assert correct(identifier, f"{ordinals[at]} is {say_identifier(right)}") == expected
    assert correct(identifier, f"last is {say_identifier(right)}") == identifier[:-1] + right


@pytest.mark.parametrize("form", FORMS, ids=lambda form: f"{form.pattern} {form.check}")
@given(chance=st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_whatever_can_be_heard_is_read_and_refused_at_most_by_length_or_check(
    form: Form, chance: random.Random
) -> None:
    sentence = " ".join(sample(tree(form, heard=True), chance))
    outcome = parse_identifier(sentence, form)
    if isinstance(outcome, str):
        assert parse_identifier(say_identifier(outcome), form) == outcome
        return
    allowed = {Problem.CHECK} if form.pattern else {Problem.LENGTH}
    assert outcome.problem in allowed, sentence


@given(chance=st.randoms(use_true_random=False))
@settings(deadline=None)
def test_every_correction_that_can_be_heard_is_read(chance: random.Random) -> None:
    sentence = sample(correction_tree(heard=True), chance)
    assert len(Parser(correction_tree()).meanings(sentence)) == 1, sentence
    outcome = correct("A" * 20, " ".join(sentence))
    assert isinstance(outcome, str) or "twice" in outcome.reason or "star" in outcome.reason


@given(st.text(max_size=40), st.sampled_from(FORMS))
@settings(deadline=None)
def test_any_text_is_an_identifier_of_the_form_or_is_refused_with_a_reason(text: str, form: Form) -> None:
    for outcome in (parse_identifier(text, form), as_printed(text, form), correct("BX-409", text)):
        assert outcome if isinstance(outcome, str) else outcome.reason


@given(st.sampled_from(FORMS[3:]), st.data())
@settings(deadline=None)
def test_no_single_misheard_character_passes_a_check_digit(form: Form, data: st.DataObject) -> None:
    """ISO 7064, clause 4, and ISO/IEC 7812-1, Annex B: every single substitution is found."""
    check = form.check
    assert check is not None
    body = data.draw(st.text(string.digits, min_size=3, max_size=12))
    ends = [end for end in (*string.digits, "X", "*", *(f"{n:02}" for n in range(100))) if fits(check, body + end)]
    assume(ends)
    right = body + data.draw(st.sampled_from(ends))
    at = data.draw(st.integers(0, len(right) - 1))
    wrong = data.draw(st.sampled_from([digit for digit in string.digits if digit != right[at]]))
    assert not fits(check, right[:at] + wrong + right[at + 1 :])


def test_a_recogniser_can_be_given_every_form_and_knows_every_word(tmp_path: Path) -> None:
    model = Path(pocketsphinx.get_model_path()) / "en-us"
    trees = [*(tree(form, heard=True) for form in FORMS), correction_tree(heard=True)]
    words = {word for each in trees for word in Parser(each).vocabulary}
    sounds = pronounce(words, model / "cmudict-en-us.dict")
    assert words - sounds.keys() == set()
    dictionary = tmp_path / "words.dict"
    dictionary.write_text("".join(f"{word} {said[0]}\n" for word, said in sounds.items()), encoding="utf-8")
    decoder = pocketsphinx.Decoder(hmm=str(model / "en-us"), dict=str(dictionary), lm=None, loglevel="FATAL")
    for number, each in enumerate(trees):
        decoder.add_jsgf_string(f"form-{number}", jsgf(each))


def test_every_letter_has_its_word_of_the_spelling_alphabet() -> None:
    """ICAO Annex 10 Vol. II, figure 5-1 (from memory)."""
    words = [
        *("alfa", "bravo", "charlie", "delta", "echo", "foxtrot", "golf", "hotel", "india", "juliett", "kilo", "lima"),
        *("mike", "november", "oscar", "papa", "quebec", "romeo", "sierra", "tango", "uniform", "victor", "whiskey"),
        *("x-ray", "yankee", "zulu"),
    ]
    assert say_identifier(string.ascii_uppercase).split() == words
    assert {LETTER.values[word] for word in words} == set(string.ascii_uppercase)
