"""The grammar: what can be heard can be read, and what is said back is what was read."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pocketsphinx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.spoken import grammar, units
from handsfree.spoken.automaton import Automaton, smallest
from handsfree.spoken.checkdigits import Check
from handsfree.spoken.expression import Parser
from handsfree.spoken.grammar import Rest
from handsfree.spoken.identifiers import Form
from handsfree.spoken.meaning import (
    Answer,
    Command,
    Expectation,
    Kind,
    Meaning,
    Open,
    Quantity,
    Reading,
    Refusal,
    Respelled,
    Spelled,
    Waveform,
    Word,
)
from handsfree.spoken.readback import say_reading
from handsfree.spoken.reading import parse, tree
from handsfree.spoken.words import REASONS
from handsfree.spoken.written import spoken_words

ANYTHING = Expectation()
EXPECTED = [ANYTHING, *(Expectation(quantity) for quantity in Quantity)]
EXPECTED += [
    Expectation(Quantity.RESISTANCE, "megaohm"),
    Expectation(Quantity.RESISTANCE, "milliohm"),
    Expectation(Quantity.VOLTAGE, "millivolt", "dc"),
    Expectation(Quantity.CURRENT, "milliampere"),
    Expectation(Quantity.TEMPERATURE, "degree_Fahrenheit"),
    Expectation(Quantity.PRESSURE, "pound_force_per_square_inch"),
    Expectation(Quantity.PRESSURE, "millitorr"),
    Expectation(Quantity.RATIO, "dimensionless"),
]
MOMENTS = [Open(reading=expected) for expected in EXPECTED] + [
    Open(words=frozenset(Word)),
    Open(answers={"humming": ("it hums", "humming"), "silent": ("it is silent", "no sound")}, words=frozenset(Word)),
    Open(
        reading=Expectation(Quantity.VOLTAGE, waveform="ac"),
        words=frozenset(Word),
        correction=Expectation(Quantity.RESISTANCE),
    ),
]


def name_of(moment: Open) -> str:
    asked = moment.reading
    reading = f"{asked.quantity or 'anything'} {asked.unit or ''}".strip() if asked else "no reading"
    return f"{reading}{', answers' if moment.answers else ''}{', words' if moment.words else ''}"


def is_read(sentence: str, moment: Open) -> bool:
    meant = grammar.understand(sentence, moment)
    if isinstance(meant, Reading | Command | Answer):
        return True
    # What a grammar of words cannot leave out, "less than zero ohms", which no display means, and what is colder than
    # absolute zero; a waveform that the meter was not to show; and procedure words that are not open, which are heard
    # so that they are not misheard.
    known = (
        *("is never below zero", "nothing is that cold"),
        *("is asked for: check the meter", "has no use at this step"),
    )
    return any(reason in meant.reason for reason in known)


@pytest.mark.parametrize("moment", MOMENTS, ids=name_of)
@given(chance=st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_every_sentence_that_can_be_heard_can_be_read(moment: Open, chance: random.Random) -> None:
    sentence = grammar.sentence(moment, chance)
    assert is_read(sentence, moment), sentence
    assert set(sentence.split()) <= grammar.words(moment)


@pytest.mark.parametrize("moment", MOMENTS, ids=name_of)
def test_every_phrase_of_the_phrase_list_can_be_read(moment: Open) -> None:
    phrases = grammar.phrases(moment)
    assert [phrase for phrase in phrases if not is_read(phrase, moment)] == []
    assert {word for phrase in phrases for word in phrase.split()} == grammar.words(moment)


@pytest.mark.parametrize("moment", MOMENTS, ids=name_of)
def test_jsgf_has_the_words_of_the_grammar_and_no_others(moment: Open) -> None:
    header, *rules = grammar.jsgf(moment).splitlines()
    assert header == "#JSGF V1.0;"
    bodies = [rule.partition("=")[2] for rule in rules if "=" in rule]
    tokens = re.findall(r"<[^>]*>|[^\s()|\[\];]+", " ".join(bodies))
    assert {token for token in tokens if not token.startswith("<")} == grammar.words(moment)
    defined = re.findall(r"^(?:public )?<([^>]+)> =", grammar.jsgf(moment), flags=re.MULTILINE)
    assert len(defined) == len(set(defined))
    assert {token[1:-1] for token in tokens if token.startswith("<")} | {"sentence"} == set(defined)


def test_nothing_open_is_nothing_to_listen_for() -> None:
    with pytest.raises(ValueError, match="nothing is open"):
        grammar.jsgf(Open())


@pytest.fixture(scope="module")
def decoder(tmp_path_factory: pytest.TempPathFactory) -> pocketsphinx.Decoder:
    """A decoder that knows every word; how a word sounds does not matter to whether a grammar is accepted."""
    words = sorted({word for moment in MOMENTS for word in grammar.words(moment)})
    dictionary = tmp_path_factory.mktemp("sphinx") / "words.dict"
    dictionary.write_text("".join(f"{word} AH\n" for word in words), encoding="utf-8")
    model = Path(pocketsphinx.get_model_path()) / "en-us" / "en-us"
    return pocketsphinx.Decoder(hmm=str(model), dict=str(dictionary), lm=None, loglevel="FATAL")


@pytest.mark.parametrize("moment", MOMENTS, ids=name_of)
def test_pocketsphinx_accepts_the_jsgf_as_it_stands(decoder: pocketsphinx.Decoder, moment: Open) -> None:
    decoder.add_jsgf_string("moment", grammar.jsgf(moment))
    decoder.activate_search("moment")
    assert decoder.current_search() == "moment"


def test_pocketsphinx_refuses_jsgf_that_is_not(decoder: pocketsphinx.Decoder) -> None:
    with pytest.raises(ValueError, match="JSGF"):
        decoder.add_jsgf_string("broken", grammar.jsgf(MOMENTS[0]).replace("<sentence> =", "<sentence>"))


# -- what the parser reads -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("expected", EXPECTED, ids=lambda expected: name_of(Open(reading=expected)))
def test_a_word_of_the_grammar_is_its_own_spelling(expected: Expectation) -> None:
    # Readings are first looked for among the words as they stand, without spelling anything out.
    for word in Parser(tree(expected)).vocabulary:
        assert spoken_words(word) == [word]


@given(st.text(max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_is_read_or_refused_with_a_reason(text: str) -> None:
    outcome = parse(text)
    assert isinstance(outcome, Reading) or outcome.reason


WORDS = sorted(Parser(tree(ANYTHING)).vocabulary)


@given(st.lists(st.sampled_from(WORDS), min_size=1, max_size=7).map(" ".join))
@settings(max_examples=500, deadline=None)
def test_any_words_of_the_grammar_are_read_or_refused_and_a_reading_says_itself_back(text: str) -> None:
    outcome = parse(text)
    if isinstance(outcome, Reading):
        assert parse(say_reading(outcome)) == outcome
    else:
        assert outcome.reason


@given(
    st.integers(0, 99_999),
    st.sampled_from([" ", ", ", "; ", ":", "-", "–", "—", " - ", " – ", "/", " / ", ". ", " . ", " or ", " uh ", "--"]),
    st.integers(0, 99_999),
    st.sampled_from(["", " ohms", " V", "%"]),
)
@settings(max_examples=300, deadline=None)
def test_two_typed_numbers_never_become_one(first: int, between: str, second: int, unit: str) -> None:
    assert isinstance(parse(f"{first}{between}{second}{unit}"), Refusal)


@given(st.integers(0, 999), st.integers(0, 99), st.integers(1, 2))
def test_a_comma_that_groups_no_thousands_is_refused(first: int, second: int, figures: int) -> None:
    assert isinstance(parse(f"{first},{second:0{figures}d}"[: len(str(first)) + 1 + 2]), Refusal)


# -- reading back ----------------------------------------------------------------------------------------------------

NAMES = {prefix + unit.name: unit.quantity for unit in units.UNITS for prefix in ("", *unit.prefixes)}


@st.composite
def values(draw: st.DrawFn, quantity: Quantity) -> str:
    whole = draw(st.integers(0, 10**9).map(str) | st.integers(0, 999).map(str))
    part = draw(st.just("") | st.text("0123456789", min_size=1, max_size=6).map(lambda digits: "." + digits))
    value = whole + part
    colder = quantity is Quantity.TEMPERATURE and Decimal(value) > 273
    negative = quantity not in units.NEVER_NEGATIVE and not colder and draw(st.booleans())
    return f"-{value}" if negative else value


@st.composite
def readings(draw: st.DrawFn) -> tuple[Reading, Quantity]:
    unit = draw(st.sampled_from(sorted(NAMES)) | st.none())
    quantity = NAMES[unit] if unit else Quantity.COUNT
    kind = draw(st.sampled_from(list(Kind)))
    if kind is Kind.OVER_RANGE:
        return Reading(kind, None, unit), quantity
    value = draw(values(quantity).filter(lambda value: kind is not Kind.BELOW or Decimal(value) != 0))
    waveform: Waveform | None = draw(st.sampled_from(["ac", "dc", None])) if quantity in units.WITH_WAVEFORM else None
    return Reading(kind, value, unit, waveform), quantity


@given(readings())
@settings(max_examples=500, deadline=None)
def test_what_is_read_back_is_the_reading_to_the_last_digit(said: tuple[Reading, Quantity]) -> None:
    reading, quantity = said
    spoken = say_reading(reading)
    assert parse(spoken) == reading
    assert parse(spoken, Expectation(quantity, reading.unit)) == reading
    assert grammar.understand(spoken, Open(reading=Expectation(quantity), words=frozenset(Word))) == reading


@pytest.mark.parametrize("unit", sorted(NAMES))
@pytest.mark.parametrize("value", ["1", "1.0", "0", "2"])
def test_one_of_a_unit_is_read_back_like_any_other_number_of_it(unit: str, value: str) -> None:
    reading = Reading(Kind.READING, value, unit)
    assert parse(say_reading(reading)) == reading


def test_read_back_keeps_trailing_zeros_and_the_unit_spoken() -> None:
    assert say_reading(Reading(Kind.READING, "5.20", "ohm")) == "five point two zero ohms"
    assert say_reading(Reading(Kind.READING, "1", "volt", "dc")) == "one volt d c"
    assert say_reading(Reading(Kind.ABOVE, "500", "megaohm")) == "greater than five hundred megohms"
    assert say_reading(Reading(Kind.OVER_RANGE, None, "megaohm")) == "over range megohms"
    assert say_reading(Reading(Kind.READING, "-18.0", "degree_Celsius")) == "minus eighteen point zero degrees celsius"


def test_a_unit_that_nobody_can_say_is_not_read_back_wrongly() -> None:
    with pytest.raises(KeyError):
        say_reading(Reading(Kind.READING, "5", "furlong"))
    with pytest.raises(ValueError, match="plain decimal"):
        say_reading(Reading(Kind.READING, "5e3", "ohm"))


# -- typed -----------------------------------------------------------------------------------------------------------

SYMBOLS = {
    "Ω": "ohm",
    "kΩ": "kiloohm",
    "MΩ": "megaohm",
    "mΩ": "milliohm",
    "V": "volt",
    "mV": "millivolt",
    "kV": "kilovolt",
    "A": "ampere",
    "mA": "milliampere",
    "µA": "microampere",
    "µF": "microfarad",
    "nF": "nanofarad",
    "pF": "picofarad",
    "°C": "degree_Celsius",
    "°F": "degree_Fahrenheit",
    "psi": "pound_force_per_square_inch",
    "Pa": "pascal",
    "kPa": "kilopascal",
    "bar": "bar",
    "mbar": "millibar",
    "inHg": "inch_Hg",
    "Hz": "hertz",
    "kHz": "kilohertz",
    "%": "percent",
    "N·m": "meter * newton",
    "kg": "kilogram",
    "g": "gram",
    "mm": "millimeter",
    "m": "meter",
    "s": "second",
    "ms": "millisecond",
    "min": "minute",
    "h": "hour",
    "W": "watt",
    "kW": "kilowatt",
}


@given(st.sampled_from(sorted(SYMBOLS)), st.data(), st.sampled_from(["", " ", "\u00a0"]), st.booleans())
@settings(max_examples=300, deadline=None)
def test_a_typed_amount_means_what_it_says(symbol: str, data: st.DataObject, space: str, grouped: bool) -> None:
    unit = SYMBOLS[symbol]
    value = data.draw(values(NAMES[unit]))
    whole, point, part = value.partition(".")
    typed = f"{int(whole):,}" if grouped and whole != "-0" else whole
    assert parse(f"{typed}{point}{part}{space}{symbol}") == Reading(Kind.READING, value, unit)


# -- answers and procedure words -------------------------------------------------------------------------------------


def test_words_mean_the_same_whatever_else_is_open() -> None:
    moment = MOMENTS[-1]
    assert grammar.understand("Say again.", moment) == Command(Word.SAY_AGAIN)
    assert grammar.understand("standby", moment) == Command(Word.STAND_BY)
    assert grammar.understand("negative", moment) == Command(Word.NEGATIVE)
    assert grammar.understand("negative five volts", moment) == Reading(Kind.READING, "-5", "volt")
    assert grammar.understand("unable, no access", moment) == Command(Word.UNABLE, reason="no access")
    assert grammar.understand("roger", moment) == Command(Word.ROGER)


def test_a_correction_carries_the_reading_that_it_corrects() -> None:
    moment = MOMENTS[-1]
    right = Reading(Kind.READING, "5.20", "ohm")
    assert grammar.understand("correction five point two zero", moment) == Command(Word.CORRECTION, reading=right)
    assert grammar.understand("Correction, 5.20 Ω", moment) == Command(Word.CORRECTION, reading=right)
    assert grammar.understand("correction", moment) == Command(Word.CORRECTION)
    for wrong in ("correction five volts", "correction five point", "five ohms correction six ohms"):
        assert isinstance(grammar.understand(wrong, moment), Refusal), wrong


def test_a_word_that_is_not_open_is_refused_by_its_name() -> None:
    moment = Open(reading=Expectation(Quantity.VOLTAGE), words=frozenset({Word.SAY_AGAIN}))
    refusal = grammar.understand("go back", moment)
    assert isinstance(refusal, Refusal)
    assert "'go back' has no use at this step" in refusal.reason


def test_answers_are_taken_only_as_they_were_written() -> None:
    moment = MOMENTS[-2]
    assert grammar.understand("it hums", moment) == Answer("humming")
    assert grammar.understand("No sound!", moment) == Answer("silent")
    for other in ("hums", "it is humming loudly", "five ohms", ""):
        assert isinstance(grammar.understand(other, moment), Refusal), other


def test_an_answer_with_two_meanings_is_refused() -> None:
    moment = Open(answers={"left": ("that one",), "right": ("that one",)})
    assert isinstance(grammar.understand("that one", moment), Refusal)


# -- whether a sentence may go on --------------------------------------------------------------------------------------

AT_WORK = frozenset(Word) - {Word.DONE, Word.AFFIRM, Word.NEGATIVE}
LISTENED = [moment for moment in MOMENTS if moment.reading != ANYTHING] + [
    Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=AT_WORK, correction=Expectation(Quantity.TEMPERATURE)),
    Open(answers=REASONS, words=frozenset({Word.UNABLE, Word.DISREGARD})),
]


@cache
def automaton(number: int) -> Automaton:
    """What a recogniser that listens at this moment accepts."""
    return smallest(grammar.tree(LISTENED[number]))


def sense(words: list[str], moment: Open) -> Meaning | None:
    meant = grammar.understand(" ".join(words), moment)
    return None if isinstance(meant, Refusal) else meant


@pytest.mark.parametrize("number", range(len(LISTENED)))
@given(chance=st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_what_a_longer_sentence_gives_another_meaning_may_go_on(number: int, chance: random.Random) -> None:
    moment = LISTENED[number]
    words = grammar.sentence(moment, chance).split()
    for length in range(1, len(words)):
        start = words[:length]
        if not automaton(number).accepts(start) or sense(start, moment) != sense(words, moment):
            assert grammar.rest(" ".join(start), moment) is not Rest.NOTHING, (start, words)


@pytest.mark.parametrize("number", range(len(LISTENED)))
@given(chance=st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_what_may_not_go_on_is_followed_by_nothing_that_changes_it(number: int, chance: random.Random) -> None:
    moment = LISTENED[number]
    words = grammar.sentence(moment, chance).split()
    if grammar.rest(" ".join(words), moment) is Rest.NOTHING:
        assert automaton(number).accepts(words)
        for word in {word for _, word in automaton(number).steps}:
            if automaton(number).accepts([*words, word]):
                assert sense([*words, word], moment) == sense(words, moment)


OHMS = Open(reading=Expectation(Quantity.RESISTANCE, "ohm"), words=AT_WORK)
DEGREES = Open(reading=Expectation(Quantity.TEMPERATURE, "degree_Celsius"), words=AT_WORK)
VOLTS = Open(reading=Expectation(Quantity.VOLTAGE, "volt"), words=AT_WORK)


@pytest.mark.parametrize(
    ("said", "moment", "follows"),
    [
        ("five point two ohms", OHMS, Rest.NOTHING),
        ("five point two", OHMS, Rest.MORE),
        ("two hundred ohm", OHMS, Rest.MORE),
        ("less than one ohm", OHMS, Rest.NOTHING),
        ("two hundred", OHMS, Rest.MORE),
        ("five kilo ohms", OHMS, Rest.NOTHING),
        ("say again", OHMS, Rest.NOTHING),
        ("end session", OHMS, Rest.NOTHING),
        ("unable", OHMS, Rest.MORE),
        ("unable no access", OHMS, Rest.NOTHING),
        ("negative", DEGREES, Rest.MORE),
        ("eighteen degrees", DEGREES, Rest.MORE),
        ("eighteen degrees celsius", DEGREES, Rest.A_BREATH),
        ("minus five degrees celsius", DEGREES, Rest.NOTHING),
        ("two hundred volts", VOLTS, Rest.A_BREATH),
        ("two hundred volts", replace(VOLTS, reading=Expectation(Quantity.VOLTAGE, "volt", "ac")), Rest.A_BREATH),
        ("two hundred", VOLTS, Rest.MORE),
        ("correction two hundred volts", replace(VOLTS, correction=VOLTS.reading), Rest.A_BREATH),
        ("two hundred volts a c", VOLTS, Rest.NOTHING),
        ("done", Open(words=frozenset(Word)), Rest.NOTHING),
        ("negative", Open(words=frozenset(Word)), Rest.NOTHING),
        ("correction", Open(words=frozenset(Word)), Rest.NOTHING),
        ("correction", Open(words=frozenset(Word), correction=OHMS.reading), Rest.MORE),
        ("no", Open(answers=REASONS, words=frozenset({Word.DISREGARD})), Rest.MORE),
        ("no sentence at all", OHMS, Rest.MORE),
        ("", OHMS, Rest.MORE),
        ("done", Open(), Rest.MORE),
    ],
)
def test_a_sentence_may_go_on_where_more_words_would_change_it(said: str, moment: Open, follows: Rest) -> None:
    assert grammar.rest(said, moment) is follows


def test_dictation_may_always_go_on_and_nothing_chokes_on_it() -> None:
    what = Open(dictation=True)
    assert not what.nothing
    assert grammar.rest("the bracket is cracked", what) is Rest.MORE
    assert grammar.jsgf(what).startswith("#JSGF")
    assert grammar.phrases(what)
    assert isinstance(grammar.understand("the bracket is cracked", what), Refusal)


@pytest.mark.parametrize(
    ("said", "asked", "reason"),
    [
        ("five point two degrees", Quantity.VOLTAGE, "the unit said is for a temperature, and a voltage is asked for"),
        ("five c", Quantity.TIME, "the unit said is for a temperature, and a time is asked for"),
        (
            "five f",
            Quantity.RESISTANCE,
            "the unit said is for a capacitance or a temperature, and a resistance is asked",
        ),
        ("five pounds", Quantity.VOLTAGE, "the unit said is for a mass, and a voltage is asked for"),
        ("five point", Quantity.VOLTAGE, "cut short after 'five point'"),
    ],
)
def test_a_short_unit_of_another_quantity_is_refused_as_that(said: str, asked: Quantity, reason: str) -> None:
    refusal = grammar.understand(said, Open(reading=Expectation(asked, units.DEFAULT_UNIT[asked])))
    assert isinstance(refusal, Refusal)
    assert refusal.reason.startswith(reason)


SERIAL = Open(
    identifier=Form("AA-9999"),
    identifier_named=("serial", "serial number"),
    words=frozenset({Word.SAY_AGAIN, Word.UNABLE}),
)
ORDER = Open(
    identifier=Form(least=5, most=8), identifier_named=("work order",), change=True, words=frozenset({Word.AFFIRM})
)
DOES_NOT_FIT = "the check digit does not fit, so one of them was misheard: say all of it again"
NO_LETTER = "'third' is no letter or digit: spell letters as alfa, bravo, charlie, and say digits one by one"
LUHN = Open(identifier=Form("999999", check=Check.LUHN))


@pytest.mark.parametrize(
    ("said", "what", "meant"),
    [
        ("bravo x-ray four zero niner one", SERIAL, Spelled("BX-4091")),
        ("serial number is bravo x-ray dash four zero nine one", SERIAL, Spelled("BX-4091")),
        ("Serial: BX-4091", SERIAL, Spelled("BX-4091")),
        ("say again", SERIAL, Command(Word.SAY_AGAIN)),
        ("work order five five kilo two one", ORDER, Spelled("55K21")),
        ("correction five five kilo two two", ORDER, Spelled("55K22")),
        ("third is papa", ORDER, Respelled("third is papa")),
        ("correction last two are four five", ORDER, Respelled("last two are four five")),
        ("affirm", ORDER, Command(Word.AFFIRM)),
        (
            "seven nine nine two seven three",
            LUHN,
            Refusal(DOES_NOT_FIT),
        ),
        ("disregard", SERIAL, Refusal("'disregard' has no use at this step")),
        (
            "third is papa",
            SERIAL,
            Refusal(NO_LETTER),
        ),
    ],
)
def test_what_is_spelled_is_understood_as_its_form_prints_it(said: str, what: Open, meant: Meaning) -> None:
    assert grammar.understand(said, what) == meant


def test_a_misheard_identifier_is_refused_with_what_is_wrong() -> None:
    meant = grammar.understand("bravo x-ray four zero nine", SERIAL)
    assert meant == Refusal("5 letters and digits were heard, and it has 6")


@pytest.mark.parametrize(
    "what", [SERIAL, ORDER, Open(change=True), Open(identifier=Form())], ids=["form", "change", "only change", "any"]
)
@given(seed=st.integers(0, 2**32))
@settings(deadline=None, max_examples=60)
def test_whatever_is_heard_of_an_identifier_is_understood(what: Open, seed: int) -> None:
    said = grammar.sentence(replace(what, words=frozenset(Word)), random.Random(seed))
    meant = grammar.understand(said, replace(what, words=frozenset(Word)))
    assert not isinstance(meant, Refusal), said


def test_of_one_with_a_check_digit_only_that_may_refuse_what_was_heard() -> None:
    choose, what = random.Random(1), replace(LUHN, words=frozenset(Word))
    meanings = [grammar.understand(grammar.sentence(what, choose), what) for _ in range(400)]
    reasons = {meant.reason for meant in meanings if isinstance(meant, Refusal)}
    assert any(isinstance(meant, Spelled) for meant in meanings)
    assert reasons == {DOES_NOT_FIT}


@pytest.mark.parametrize(
    ("said", "rest"),
    [
        ("bravo x-ray four zero niner", Rest.MORE),
        ("serial", Rest.MORE),
        ("bravo x-ray four zero niner one", Rest.NOTHING),
        ("serial bravo x-ray four zero niner one", Rest.NOTHING),
    ],
)
def test_a_spelled_identifier_ends_where_its_form_does(said: str, rest: Rest) -> None:
    assert grammar.rest(said, SERIAL) is rest


def test_one_without_a_pattern_may_go_on_until_it_is_as_long_as_it_can_be() -> None:
    digits = ["one", "two", "three", "four", "five", "six", "seven", "eight"]
    rests = [grammar.rest(" ".join(digits[:count]), ORDER) for count in range(1, 9)]
    assert rests == [Rest.MORE] * 7 + [Rest.NOTHING]


@pytest.mark.parametrize("extra", [{"identifier": Form()}, {"change": True}])
def test_what_is_spelled_is_not_asked_for_together_with_a_reading(extra: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="one after the other"):
        Open(reading=Expectation(), **extra)
