"""What the technician may say in a procedure, by its sound: what cannot be told apart, and what must be guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from handsfree.procedure.load import load, loads
from handsfree.sound.alike import guessed, same_sound

SHIPPED = sorted((Path(__file__).parents[2] / "procedures").glob("*.yaml"))
HEAD = """\
procedure: example
title: Example
edition: "1"
purpose: Example
equipment: Example
local_rules: The rules of the site come first
steps:
"""
END = """\
  - {id: end, kind: conclude, finding: Found, condition: sound, action: Nothing}
"""
REMEDY = "choose words that sound otherwise"


def observe(answers: str) -> str:
    return HEAD + f"  - {{id: look, kind: observe, say: Look., answers: {{{answers}}}}}\n" + END


def take_off(*items: str) -> str:
    steps = (f"  - {{id: s{number}, kind: do, say: Work., takes_off: [{item}]}}\n" for number, item in enumerate(items))
    return HEAD + "".join(steps) + END


def alike(text: str) -> list[str]:
    problems = same_sound(loads(text.encode(), "f"))
    assert all(problem.remedy == REMEDY for problem in problems)
    return [problem.message for problem in problems]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_a_shipped_procedure_has_words_to_tell_apart_and_none_to_guess(path: Path) -> None:
    loaded = load(path)
    assert same_sound(loaded) == []
    assert guessed(loaded) == []


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("the brake", "the break"),
        ("there", "their"),
        ("too hot", "to hot"),
        ("bare wire", "bear wire"),
        ("on the right", "on the write"),
        ("its red", "it's red"),
        ("an ice box", "a nice box"),
        ("thermistor", "thermister"),
    ],
)
def test_answers_of_one_sound_are_refused(first: str, second: str) -> None:
    assert alike(observe(f'one: [it runs, "{first}"], two: ["{second}"]')) == [
        f'"{second}" sounds like "{first}", which means the answer "one"'
    ]
    assert alike(observe(f'one: ["{first}", "{second}"], two: [it hums]')) == []  # both mean the same


@pytest.mark.parametrize(
    ("phrase", "word"), [("dun", "done"), ("a firm", "affirm"), ("know", "no"), ("stand buy", "stand by")]
)
def test_an_answer_that_sounds_like_a_procedure_word_is_refused(phrase: str, word: str) -> None:
    assert alike(observe(f"{word.replace(' ', '-')}: [{phrase}], red: [it is red]")) == [
        f'"{phrase}" sounds like the procedure word "{word}"'
    ]


def test_the_place_of_the_later_one_is_told() -> None:
    text = observe("one: [the brake], two: [it hums, the break]")
    (problem,) = same_sound(loads(text.encode(), "f"))
    line = text.splitlines()[problem.line - 1]
    assert line[problem.column - 1 :].startswith("the break")


def test_items_of_one_sound_are_refused() -> None:
    assert alike(take_off("right panel", "write panel")) == [
        '"write panel" sounds like "right panel", which comes off too'
    ]
    called = "{item: lower cover, called: [write panel]}"
    assert alike(take_off("right panel", called)) == ['"write panel" sounds like "right panel", which comes off too']
    assert alike(take_off("left panel", "right panel", "panel screw", "panel screws", "right panel")) == []


def test_what_merely_resembles_is_told_apart() -> None:
    assert alike(observe("one: [it is stuck], two: [it is struck]")) == []
    assert alike(observe("one: [the ship], two: [the chip], three: [the ships]")) == []


def test_words_that_no_dictionary_has_are_told_once() -> None:
    advice = guessed(loads(observe("one: [the zwirbler hums], two: [the zwirbler sings]").encode(), "f"))
    assert [str(each) for each in advice] == [
        'f:8:59: no dictionary has "zwirbler": how it is pronounced must be guessed, and it may not be heard; '
        "write an everyday word for it"
    ]
    (advised,) = guessed(loads(take_off("the zwirbelkranz").encode(), "f"))
    assert '"zwirbelkranz"' in advised.message


def test_two_words_written_as_one_are_told_apart() -> None:
    (advised,) = guessed(loads(take_off("baseplate").encode(), "f"))
    assert advised.remedy == 'write "base plate"'
    assert guessed(loads(take_off("o-ring", "compressor's lead", "kilovolts").encode(), "f")) == []
