"""Files that cannot be used: each problem has its place, says what is wrong, and says what to write instead."""

from __future__ import annotations

import hashlib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from handsfree.procedure.load import ProcedureError, load, loads
from handsfree.procedure.model import AtMost, Between, Measure, Nominal
from handsfree.procedure.proof import prove

SHIPPED = sorted((Path(__file__).parents[2] / "procedures").glob("*.yaml"))

GOOD = """\
procedure: check-relay
title: Check the relay
edition: 1.10
purpose: Find out whether the relay is good
equipment: Example cooler
local_rules: The rules of the site come first
sources:
  mains: {name: supply cord, kind: electrical}
steps:
  - id: unplug
    kind: do
    say: Pull the plug.
    isolates: [mains]
  - id: relay
    kind: measure
    say: Measure the relay.
    reading: relay
    quantity: resistance
    unit: ohm
    limit: {at_most: 7}
    next: {nonconforming: bad}
  - id: look
    kind: observe
    say: Look at the relay.
    answers: {black: [it is black], clean: [it is clean]}
    next: {black: bad, clean: good}
  - id: good
    kind: conclude
    finding: The relay is good.
    condition: sound
    action: Nothing.
  - id: bad
    kind: conclude
    finding: The relay is bad.
    condition: faulty
    part: relay
    action: Replace it.
"""


def told(text: str | bytes) -> list[str]:
    """The problems of a file as the writer reads them."""
    with pytest.raises(ProcedureError) as caught:
        loads(text if isinstance(text, bytes) else text.encode(), "file.yaml")
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.problems)
    return lines


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) == 1, old
    return GOOD.replace(old, new)


def test_a_good_file_loads_with_its_bytes_digest_and_places() -> None:
    loaded = loads(GOOD.encode(), "file.yaml")
    assert loaded.procedure.procedure == "check-relay"
    assert loaded.source == GOOD.encode()
    assert loaded.sha256 == hashlib.sha256(GOOD.encode()).hexdigest()
    assert loaded.path is None
    assert loaded.place(("title",)) == (2, 8)
    assert loaded.place(("steps", 1, "limit", "at_most")) == (20, 22)
    assert loaded.place(("steps", 1, "waveform")) == loaded.place(("steps", 1)) == (14, 5)


def test_a_file_on_disk_is_kept_exactly_as_read(tmp_path: Path) -> None:
    path = tmp_path / "relay.yaml"
    path.write_bytes(GOOD.replace("\n", "\r\n").encode())
    loaded = load(path)
    assert loaded.source == path.read_bytes()
    assert loaded.path == path
    assert loaded.place(("steps", 1, "limit", "at_most")) == (20, 22)


def test_text_that_looks_like_a_number_or_a_boolean_stays_text() -> None:
    text = changed("Check the relay", "yes").replace("Example cooler", "on")
    procedure = loads(text.encode(), "file.yaml").procedure
    assert (procedure.edition, procedure.title, procedure.equipment) == ("1.10", "yes", "on")


@pytest.mark.parametrize("written", ["7", "7.0", "0.10", "-3.5", "+5", ".5", "123456789.123456789"])
def test_a_limit_is_the_decimal_that_was_written(written: str) -> None:
    text = changed("at_most: 7", f"between: [{written}, 200000000]")
    step = loads(text.encode(), "file.yaml").procedure.step("relay")
    assert isinstance(step, Measure)
    assert step.limit is not None
    value = getattr(step.limit, "between")[0]  # noqa: B009
    assert type(value) is Decimal
    assert str(value) == str(Decimal(written))


def test_every_kind_of_limit_can_be_written() -> None:
    def limit(text: str) -> object:
        step = loads(changed("{at_most: 7}", text).encode(), "file.yaml").procedure.step("relay")
        assert isinstance(step, Measure)
        return step.limit

    assert limit("{at_most: 7.5}") == AtMost(at_most=Decimal("7.5"))
    assert limit("{between: [2, 7]}") == Between(between=(Decimal(2), Decimal(7)))
    assert limit("{nominal: 5, plus_minus: 1}") == Nominal(nominal=Decimal(5), plus_minus=Decimal(1))
    assert limit("{nominal: 5, plus_minus_percent: 6}") == Nominal(nominal=Decimal(5), plus_minus_percent=Decimal(6))


# One change to the good file, and the one line that tells of it.
ONE_FAULT = [
    (
        "limit: {at_most: 7}",
        "limits: {at_most: 7}",
        '20:5: unknown key "limits"; write "limit"; still allowed here: cautions, hands_inside, needs_isolated, '
        "needs_live, isolates, proves_dead, energises, takes_off, puts_back, any_order, starts, "
        "waits_for, unable, waveform, limit, over_range, "
        "plausible, needs_rating, decision_rule, guard_ratio, lead_zero, minus_leads, nameplate, binding_limit",
    ),
    (
        "title: Check the relay\n",
        "",
        '1:1: the procedure has no "title"; add "title: The cooler does not cool"',
    ),
    (
        "    reading: relay\n",
        "",
        '14:5: the step "relay" has no "reading"; add "reading: start relay"',
    ),
    (
        "    kind: observe\n",
        "",
        '22:5: the step "look" has no "kind"; add kind: and one of do, measure, observe, watch, '
        "calculate, choose, conclude",
    ),
    (
        "kind: observe",
        "kind: obsrve",
        '22:5: "obsrve" is not a kind of step; write "observe"; allowed here: do, measure, observe, watch, '
        "calculate, choose, conclude",
    ),
    (
        "kind: electrical",
        "kind: electric",
        '8:36: "electric" is not a value of "kind"; write "electrical"; '
        "allowed here: electrical, stored, pressure, mechanical, thermal",
    ),
    (
        "condition: sound",
        "condition: fine",
        '30:16: "fine" is not a value of "condition"; write one of faulty, sound, unresolved',
    ),
    ("say: Pull the plug.", "say: true", '12:10: "say" is true, not a text; write "true" in quotes'),
    (
        "say: Pull the plug.",
        "say: [Pull, the plug]",
        '12:10: "say" is a list; write a text, such as "Measure the resistance of the start relay."',
    ),
    (
        "say: Pull the plug.",
        "say:",
        '12:9: "say" has no value; write a text, such as "Measure the resistance of the start relay.", '
        "or remove the key",
    ),
    (
        "say: Pull the plug.",
        'say: "  "',
        '12:10: "say" is empty; write a text, such as "Measure the resistance of the start relay."',
    ),
    (
        "say: Pull the plug.",
        f"say: {'x' * 1001}",
        '12:10: "say" has 1001 characters, too many to be spoken; shorten it to 1000 characters',
    ),
    ("isolates: [mains]", "isolates: mains", '13:15: "isolates" is "mains"; write a list, such as [mains]'),
    (
        "    isolates: [mains]\n",
        "    isolates: [mains]\n    hands_inside: yes\n",
        '14:19: "hands_inside" is "yes"; write true or false',
    ),
    (
        "kind: electrical}",
        "kind: electrical}\n  oil: pressure",
        '9:8: "oil" is "pressure"; write each source\'s name with its own keys, '
        "such as mains: {name: supply cord, kind: electrical}",
    ),
    ("at_most: 7", "at_most: 1e3", '20:22: "1e3" is not a plain number; write 1000'),
    ("at_most: 7", "at_most: 1_000", '20:22: "1_000" is not a plain number; write 1000'),
    ("at_most: 7", "at_most: 017", '20:22: "017" is not a plain number; write 17'),
    (
        "at_most: 7",
        "at_most: 0x1F",
        '20:22: "0x1F" is not a plain number; write digits with a decimal point, such as 7 or 0.25',
    ),
    (
        "at_most: 7",
        "at_most: 1:30",
        '20:22: "1:30" is not a plain number; write digits with a decimal point, such as 7 or 0.25',
    ),
    (
        "at_most: 7",
        "at_most: .nan",
        '20:22: ".nan" is not a plain number; write digits with a decimal point, such as 7 or 0.25',
    ),
    (
        "at_most: 7",
        "at_most: 7 ohm",
        '20:22: "7 ohm" is not a plain number; write digits with a decimal point, such as 7 or 0.25',
    ),
    (
        "at_most: 7",
        "at_most: true",
        "20:22: true is not a plain number; write digits with a decimal point, such as 7 or 0.25",
    ),
    (
        "{at_most: 7}",
        "7",
        '20:12: "7" is not a limit; write one of at_most: 7, at_least: 2, between: [2, 7], '
        "or nominal: 45 with plus_minus_percent: 6",
    ),
    (
        "{at_most: 7}",
        "{max: 7}",
        '20:12: "max" is not a limit; write one of at_most: 7, at_least: 2, between: [2, 7], '
        "or nominal: 45 with plus_minus_percent: 6",
    ),
    (
        "{at_most: 7}",
        "{at_most: 7, at_least: 2}",
        '20:25: the limit has both "at_most" and "at_least"; keep one; write one of at_most: 7, at_least: 2, '
        "between: [2, 7], or nominal: 45 with plus_minus_percent: 6",
    ),
    ("{at_most: 7}", "{between: [2]}", '20:22: "between" needs two numbers; write [lower, upper]'),
    ("{at_most: 7}", "{between: [2, 5, 7]}", '20:22: "between" needs two numbers; write [lower, upper]'),
    (
        "{at_most: 7}",
        "{nominal: 7, plus_minus: -1}",
        '20:37: "plus_minus" is -1; write a number above zero',
    ),
    (
        "next: {nonconforming: bad}",
        "next: {nonconfirming: bad}",
        '21:12: "nonconfirming" is not a verdict; write "nonconforming"; '
        "allowed here: conforming, nonconforming, undecided",
    ),
    (
        "answers: {black: [it is black], clean: [it is clean]}\n    next: {black: bad, clean: good}",
        "answers: {black: [it is black]}",
        '25:14: "answers" needs at least 2; "answers" holds 1; add what is missing',
    ),
    (
        "[it is clean]",
        "[it is clean, 5 volts]",
        '25:58: "5 volts" cannot be a phrase to say; write words of letters only, numbers as words too',
    ),
    (
        "procedure: check-relay",
        "procedure: Check Relay",
        '1:12: "Check Relay" cannot be a name for other steps to use; '
        'write small letters, digits and dashes, such as "check-relay"',
    ),
    (
        "procedure: check-relay",
        "procedure: check-r\u0435lay",
        '1:12: "check-r\u0435lay" has a letter "\u0435" that is not Latin (cyrillic small letter ie); '
        "write it in Latin letters",
    ),
    (
        "  - id: relay",
        "    id: relay",
        '14:5: a dash is missing before this step; open each step with a dash, as in "- id: a-step"',
    ),
    (
        "say: Pull the plug.",
        "say: 'Pull the bench's plug.'",
        "12:25: a quote inside the text in quotes ends it here; write it twice ('') there, or put the text in double "
        "quotes",
    ),
    (
        "say: Pull the plug.",
        'say: "Pull the "grey" plug."',
        '12:20: a quote inside the text in quotes ends it here; put the text in single quotes, or write \\" there',
    ),
    (
        "    say: Pull the plug.",
        "\u00a0\u00a0\u00a0\u00a0say: Pull the plug.",
        "12:1: a no-break space (U+00A0) stands where YAML wants a plain space; write a plain space",
    ),
    (
        "title: Check the relay",
        "title: a\ntitle: b",
        '3:1: the key "title" stands already at 2:1; keep one of the two',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    unit: volt\n",
        '20:5: the key "unit" stands already at 19:5; keep one of the two',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    needs_rating: {category: CAT V, volts: 600}\n",
        '20:30: "V" is not a value of "category"; write one of CAT II, CAT III, CAT IV',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    needs_rating: CAT III\n",
        '20:19: "needs_rating" is "CAT III"; write its keys, each on a line of its own: category, volts',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    needs_rating: {category: III}\n",
        '20:19: "needs_rating" has no "volts"; add "volts: 600"',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    needs_rating: {category: III, volt: 600, volts: 300}\n",
        '20:35: unknown key "volt"; write "volts"',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    needs_rating: {category: III, volts: 300,5}\n",
        "20:46: a number is written with a comma before 5; write a point, as in 0.3; a comma parts two keys",
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    needs_rating: {category: III, volts: 0}\n",
        '20:42: "volts" is 0; write a number above zero',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    lead_zero: true\n",
        '20:16: "lead_zero" is true; write its keys, each on a line of its own: worn_above',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    lead_zero: {worn_above: -1}\n",
        '20:29: "worn_above" is -1; write a number above zero',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    plausible: [1]\n",
        '20:16: "plausible" needs two numbers; write [lower, upper]',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    plausible: [1, 2, 3]\n",
        '20:16: "plausible" needs two numbers; write [lower, upper]',
    ),
    (
        "    unit: ohm\n",
        "    unit: ohm\n    plausible: [1, many]\n",
        '20:20: "many" is not a plain number; write digits with a decimal point, such as 7 or 0.25',
    ),
    (
        "{at_most: 7}",
        "{}",
        '20:12: "limit" is empty; write one of at_most: 7, at_least: 2, between: [2, 7], '
        "or nominal: 45 with plus_minus_percent: 6",
    ),
    (
        "at_most: 7",
        "at_most: \u22127",
        '20:22: "\u22127" has a minus sign (U+2212); write it with the plain minus of the keyboard: -7',
    ),
    (
        "    isolates: [mains]\n",
        "    isolates: [mains]\n    unable: {no access: good}\n",
        '14:13: "unable" is a set of keys; write the id of a step',
    ),
    (
        "say: Pull the plug.",
        "say: Pull plug #4 out.",
        '12:20: the text "Pull plug" ends before "#": a comment begins there; put the text in quotes, or the '
        "comment on a line of its own",
    ),
    (
        "action: Nothing.",
        "action: Nothing.   # for now",
        '31:24: the text "Nothing." ends before "#": a comment begins there; put the text in quotes, or the '
        "comment on a line of its own",
    ),
    (
        "    say: Pull the plug.",
        "    pieces: [Switch off, {say: Pull the plug, then lock it.}]\n    say: Pull the plug.",
        '12:47: a comma parts "then lock it." from the text before it; put the whole text in quotes',
    ),
    (
        "kind: do",
        "kind:\u00a0do",
        "11:10: a no-break space (U+00A0) stands where YAML wants a plain space; write a plain space",
    ),
    (
        "say: Pull the plug.",
        "say: \u0412\u044b\u043a\u043b.",
        '12:10: no English voice can say "\u0412" (cyrillic capital letter ve) in '
        '"\u0412\u044b\u043a\u043b."; write it in Latin letters',
    ),
    (
        "[it is clean]",
        "[it is clean, affirm]",
        '25:58: "affirm" is a procedure word; choose words that say what is seen, heard or felt',
    ),
    (
        "[it is clean]",
        "[it is clean, five ohms]",
        '25:58: "five ohms" is a reading; choose words that say what is seen, heard or felt, or make it a measure step',
    ),
    (
        "edition: 1.10",
        "edition: 1.10\ndecision_rule: guarded",
        '4:16: "guarded" is not a value of "decision_rule"; write one of simple acceptance, guarded acceptance, '
        "guarded rejection, ISO 14253-1",
    ),
    (
        "edition: 1.10",
        "edition: 1.10\nguard_ratio: 0",
        '4:14: "guard_ratio" is 0; write a number above zero',
    ),
    (
        "title: Check the relay",
        "title: &t Check the relay",
        "2:8: anchors such as &t are not allowed; remove it, and write the value out wherever it is wanted",
    ),
    (
        "title: Check the relay",
        "title: *t",
        "2:8: aliases such as *t are not allowed; write the value out wherever it is wanted",
    ),
    (
        "title: Check the relay",
        "title: !!python/name:os.system x",
        '2:8: the tag "tag:yaml.org,2002:python/name:os.system" is not used here; '
        "remove it; write a text in quotes, a number and a list as they are",
    ),
    (
        "title: Check the relay",
        "title: Check the\u200brelay",
        "2:8: the text holds the invisible character U+200B; remove it, or write a plain space",
    ),
    (
        "title: Check the relay",
        'title: "a \\uD800 b"',
        "2:8: the text holds the invisible character U+D800; remove it, or write a plain space",
    ),
]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("say: Pull the plug.", 'say: "Pull plug #4 out." # a comment'),
        ("say: Pull the plug.", "say: Pull plug#4 out."),
        ("say: Pull the plug.", "# a comment\n    say: Pull the plug."),
        ("unit: ohm", "unit: ohm # a comment"),
        ("limit: {at_most: 7}", "limit: {at_most: 7} # a comment"),
        ("id: relay", "id: relay # a comment"),
        ("clean: [it is clean]}", "clean: [it is clean]} # a comment"),
    ],
)
def test_a_comment_that_cuts_no_text_is_fine(old: str, new: str) -> None:
    loads(changed(old, new).encode(), "file.yaml")


@pytest.mark.parametrize(
    "said",
    [
        "Read 5 \u03a9 and 3 \u00b5F.",
        "Read 5 \u00b5\u03a9 or 5 \u03bc\u03a9.",
        "At 20 \u00b0C \u2014 \u00b1 1 \u0394.",
        "Pr\u00fcfe \u0141.",
        "Stop \u2460 \u00b2.",
    ],
)
def test_latin_letters_and_signs_may_be_spoken(said: str) -> None:
    loads(changed("say: Pull the plug.", f"say: {said}").encode(), "file.yaml")


def test_a_sight_glass_may_be_half_full() -> None:
    loads(changed("[it is clean]", "[it is clean, half]").encode(), "file.yaml")


@pytest.mark.parametrize("said", ["\u6d4b\u91cf", "\u0395\u03bb\u03bb", "Read \u0665.", "\u05d0"])
@pytest.mark.parametrize("key", ["say: Pull the plug.", "reading: relay", "finding: The relay is bad."])
def test_other_scripts_cannot_be_spoken(key: str, said: str) -> None:
    (line,) = told(changed(key, f"{key.partition(' ')[0]} {said}"))
    assert "no English voice can say" in line


@pytest.mark.parametrize(("old", "new", "line"), [case for case in ONE_FAULT if case[2] is not None])
def test_a_fault_is_told_at_its_place_with_its_remedy(old: str, new: str, line: str) -> None:
    assert told(changed(old, new)) == [f"file.yaml:{line}"]


# What stops the reading of the file itself.
UNREADABLE = [
    (b"", '1:1: the file is empty; begin it with "procedure: name-of-the-procedure"'),
    (b" \n\n", '1:1: the file is empty; begin it with "procedure: name-of-the-procedure"'),
    (b"# x\n", '1:1: the file holds only comments; begin with "procedure: name-of-the-procedure"'),
    (
        b"just words\n",
        '1:1: the file does not hold a procedure\'s keys; begin it with "procedure: cooler-does-not-cool"',
    ),
    (b"- a\n", '1:1: the file does not hold a procedure\'s keys; begin it with "procedure: cooler-does-not-cool"'),
    (b"a: 1\nb: \xff\n", "2:4: byte 0xff is not UTF-8; save the file as UTF-8"),
    ("größe: 1".encode("latin-1"), "1:3: byte 0xf6 is not UTF-8; save the file as UTF-8"),
    (b"\xef\xbb\xbfa: 1", "1:1: the file opens with a byte order mark; save it as UTF-8 without BOM"),
    ("a: 1".encode("utf-16"), "1:1: the file is UTF-16; save it as UTF-8"),
    (b"a:\n\tb: 1", "2:1: a tab stands where YAML wants spaces; indent with spaces"),
    (b"a: 1\n---\nb: 2\n", '2:1: a second document begins here; keep one procedure in a file and remove the "---"'),
    (b"a: 'open\nb: 1\n", "1:4: a quote is opened and never closed; close the quote"),
    (
        b"say: Warning: hot\n",
        '1:13: a ":" stands where no key can end; '
        "put a text that holds a colon in quotes, and see that the key before it has its own",
    ),
    (b"a:\n  b: 1\n c: 2\n", "3:2: this line does not line up with those before it; indent it as its neighbours"),
    (b"a: [1, 2\n", "2:1: a list is opened with [ and never closed; close it with ]"),
    (b"a: @x\n", "1:4: a text may not open with this character; put the text in quotes"),
    (b"a: x\x00y\n", "1:5: the file holds a control character; remove it"),
    (b'a: "\\UFFFFFFFF"\n', "1:1: the file holds a code that is no character; write the character itself"),
    (b"? [a]\n: b\n", "1:3: a key may not be a list or a set of keys; write a plain word before the colon"),
    (b"a: " + b"[" * 100_000, "1:19: more than 16 levels inside each other; a procedure needs six at most"),
    (b"- " * 100_000, "1:33: more than 16 levels inside each other; a procedure needs six at most"),
    (b"a: b\n" * 300_000, "1:1: the file is larger than 1024 KiB; check that it is a procedure, or divide it"),
]


@pytest.mark.parametrize(("source", "line"), UNREADABLE)
def test_a_file_that_cannot_be_read_says_where_and_what_to_do(source: bytes, line: str) -> None:
    assert told(source) == [f"file.yaml:{line}"]


def test_an_alias_bomb_is_refused_without_being_expanded() -> None:
    bomb = "a0: &a0 [x, x]\n" + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 40))
    lines = told(GOOD + bomb)
    first = f"file.yaml:{GOOD.count(chr(10)) + 1}:5: anchors such as &a0 are not allowed"
    assert any(line.startswith(first) for line in lines)
    assert sum("are not allowed; write the value out" in line for line in lines) == 390


def test_a_merge_key_is_refused() -> None:
    lines = told(changed("kind: electrical}", "kind: electrical, <<: *mains}"))
    assert lines == [
        'file.yaml:8:48: the merge key "<<" is not used here; write the keys out',
        "file.yaml:8:52: aliases such as *mains are not allowed; write the value out wherever it is wanted",
    ]


def test_all_problems_are_told_together_in_the_order_of_the_file() -> None:
    text = (
        changed("title: Check the relay", "title: *t")
        .replace("isolates: [mains]", "isolates: [main]")
        .replace("unit: ohm", "unit: volt")
        .replace("next: {nonconforming: bad}", "next: {nonconforming: bed}")
        .replace("say: Look at the relay.", "sai: Look at the relay.")
        .replace("    part: relay\n", "")
    )
    lines = told(text)
    assert [line.split(": ", 1)[0].removeprefix("file.yaml:") for line in lines] == [
        "2:8",
        "13:16",
        "19:11",
        "21:27",
        "22:5",
        "24:5",
        "35:16",
    ]


def test_no_message_speaks_the_language_of_a_library() -> None:
    for old, new, line in ONE_FAULT:
        for said in told(changed(old, new)) if line is not None else ():
            for jargon in ("Input should", "valid ", "pydantic", "union", "tuple", "http", "Decimal"):
                assert jargon not in said, said


def test_a_missing_file_a_folder_and_a_bad_name_are_told(tmp_path: Path) -> None:
    cases = {
        tmp_path / "none.yaml": "there is no such file; check the name and the folder",
        tmp_path: "this is a folder; name a file in it, such as procedure.yaml",
        tmp_path / "a\0b": "the file cannot be read (the name is not a file's name); check the name and the disk",
    }
    for path, message in cases.items():
        with pytest.raises(ProcedureError) as caught:
            load(path)
        assert str(caught.value) == f"{path}:1:1: {message}"


def test_a_file_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.yaml"
    path.write_text(GOOD, encoding="utf-8")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # rights differ between systems, and root has them all
    with pytest.raises(ProcedureError) as caught:
        load(path)
    assert (
        str(caught.value)
        == f"{path}:1:1: you may not read this file; ask its owner, or copy it to a folder of your own"
    )


def loads_or_refuses(source: bytes) -> None:
    """What any file may do: load and then be walked, or be refused with at least one problem that has a place."""
    try:
        procedure = loads(source, "file.yaml").procedure
    except ProcedureError as error:
        problems = error.problems
    else:
        prove(procedure)
        return
    assert problems
    for problem in problems:
        assert problem.line >= 1
        assert problem.column >= 1
        assert problem.message
        assert problem.remedy
        assert "\n" not in str(problem)


@settings(deadline=None)
@given(st.binary(max_size=300))
@example(b"%YAML 1." + b"9" * 5000 + b"\n---\na: 1")
@example(b"steps:\n- [1]\n- id: x\n  kind: [do]\n")
@example(b"steps: {a: b}\nsources: [1]\n")
@example(b"\x85a: 1")
def test_no_bytes_get_past_the_errors(source: bytes) -> None:
    loads_or_refuses(source)


@settings(deadline=None)
@given(st.text(alphabet="ab:-[]{}&*!|>'\"%@`#?, \n\t~<0.", max_size=120))
def test_no_yaml_gets_past_the_errors(text: str) -> None:
    loads_or_refuses(text.encode())


LINES = [path.read_bytes().splitlines(keepends=True) for path in SHIPPED]
PIECES = st.sampled_from(
    rb"\t,- ,: ,~,[,],{,},',\",&a ,*a,!t ,|\n,<<: ,true,0x10,1e9,.inf,[],{},null,kind: do\n,next: \n,\n---\n".decode(
        "unicode_escape"
    ).split(",")
).map(str.encode) | st.sampled_from([b"", b"\xff", "\u200b".encode()])


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_no_mutation_of_a_shipped_procedure_gets_past_the_errors(data: st.DataObject) -> None:
    lines = list(data.draw(st.sampled_from(LINES)))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        match data.draw(st.sampled_from(["insert", "replace", "drop", "swap", "indent"])):
            case "insert":
                column = data.draw(st.integers(0, len(lines[at])))
                lines[at] = lines[at][:column] + data.draw(PIECES) + lines[at][column:]
            case "replace":
                column = data.draw(st.integers(0, len(lines[at])))
                lines[at] = lines[at][:column] + data.draw(PIECES) + b"\n"
            case "drop":
                lines[at] = b""
            case "swap":
                other = data.draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
            case _:
                lines[at] = b"  " + lines[at]
    loads_or_refuses(b"".join(lines))


VISIT = (Path(__file__).parents[2] / "procedures" / "display-cabinet-ices-up.yaml").read_text(encoding="utf-8")


# One change to the shipped visit, and what is told of it.
VISIT_FAULTS = [
    ("times: 6", "times: 500", '"times" is 500; write at most 200'),
    ("times: 6", "times: six", '"times" is "six"; write a whole number, such as 8'),
    ("each: panel screws", "eech: panel screws", 'unknown key "eech"; write "each"; still allowed here: each'),
    ("count: 6", "count: 1", '"count" is 1; write at least 2'),
    ("place: Three on", "plase: Three on", 'unknown key "plase"; write "place"; still allowed here: place'),
    ("waits_for: [pull-down]", "waits_for: [pul-down]", 'no step starts a timer "pul-down"; did you mean "pull-down"?'),
    (
        "tell_after: [15]",
        "tell_after: [45]",
        "the timer is over after 30 minutes, so 45 is never told; write less than 30",
    ),
    (
        "waits_for: [pull-down]",
        "waits_for: [pull-down]\n    wait: {timer: pull-down, minutes: 2}",
        'the timer "pull-down" runs 30 minutes elsewhere: one ends the other; give this one a name of its own',
    ),
    ("minutes: 30", "minutes: 0", '"minutes" is 0; write a number above zero'),
    ("minutes: 30", "minutes: 2000", '"minutes" is 2000; write at most 1440'),
    (
        "verified_by: fan-current",
        "verified_by: fan-curent",
        'there is no step "fan-curent"; did you mean "fan-current"?',
    ),
    (
        "verified_by: fan-current",
        "verified_by: fan",
        'the step "fan" cannot verify a part: it judges nothing; name a measure or watch step with a limit',
    ),
    (
        "pattern: A-9999",
        "pattern: A-1234",
        '"A-1234" is no pattern; write A for a letter, 9 for a digit and X for either, as in AA-9999',
    ),
    ("check: luhn", "check: lunn", '"lunn" is not a value of "check"; write "luhn"; allowed here: mod 11-2, mod 37-2'),
    ("check: luhn", "check: mod10", '"mod10" is not a value of "check"; write "luhn", which is the one of modulus 10'),
    ("check: luhn", "check: mod 10", '"mod 10" is not a value of "check"; write "luhn", which is the one of modulus'),
    (
        "opening:\n",
        "opening: [work_order]\nclosing:\n",
        '"opening" is a list; write its keys, each on a line of its own: work_order, asset, serial, site, technician',
    ),
    ("work_order:", "order:", 'a visit is not known by "order"; write "work_order"; allowed here: work_order, asset'),
    (
        "{pattern: AA-9999}",
        "{least: 9, most: 3}",
        "the least before the most; write pattern: AA-9999, or least and most",
    ),
    (
        "{pattern: AA-9999}",
        "AA-9999",
        '"serial" is "AA-9999"; write its keys, each on a line of its own: pattern, least',
    ),
    ("starts: [{timer: pull-down", "starts: [{timr: pull-down", 'entry 1 of "starts" has no "timer"; add "timer: ..."'),
    (
        "    say: Measure the air in the middle of the cabinet again.\n",
        "    say: Measure it.\n    waits_for: [pull-down]\n",
        "only an instruction can wait for a timer",
    ),
    (
        "takes_off:\n      - {item: fan plug,",
        "takes_off:\n      - fan plug\n      - {item: fan plug,",
        '"fan plug" comes off twice at this step; name each item once, with its count',
    ),
    ("answers:\n      runs: [the fan runs", "answers:\n      runs: [how many turns", "how many"),
]


@pytest.mark.parametrize(("old", "new", "line"), VISIT_FAULTS)
def test_a_fault_in_what_surrounds_the_measurements_is_told_with_its_remedy(old: str, new: str, line: str) -> None:
    assert old in VISIT
    lines = told(VISIT.replace(old, new, 1))
    assert any(line in each for each in lines)
