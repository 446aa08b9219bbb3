"""What a procedure's file says must make sense: names, outcomes, units, limits and phrases, each told at its place."""

from __future__ import annotations

import pytest

from handsfree.procedure.load import ProcedureError, loads
from handsfree.spoken.meaning import Quantity
from handsfree.spoken.units import DEFAULT_UNIT, spellings
from handsfree.spoken.words import reserved

HEAD = """\
procedure: example
title: Example
edition: "1"
purpose: Example
equipment: Example
local_rules: The rules of the site come first
sources:
  mains: {name: supply cord, kind: electrical}
steps:
"""
END = """\
  - {id: end, kind: conclude, finding: Found, condition: sound, action: Nothing}
"""
FIRST = HEAD.count("\n") + 1  # the line of the first step


def told(steps: str) -> list[str]:
    """The problems of a procedure with these steps; lines count from the first step."""
    try:
        loads((HEAD + steps + END).encode(), "f")
    except ProcedureError as error:
        return [
            f"{problem.line - FIRST + 1}:{problem.column}: {problem.message}; {problem.remedy}"
            for problem in error.problems
        ]
    return []


def at(step: str, marker: str) -> str:
    """Where a marker stands in a step that is written on the first line."""
    return f"1:{step.index(marker) + 1}"


def measure(rest: str, id: str = "m") -> str:
    return f"  - {{id: {id}, kind: measure, say: Measure., reading: reading, {rest}}}\n"


def test_ids_are_unique() -> None:
    step = "  - {id: a, kind: do, say: Work.}\n"
    assert told(step) == []
    assert told(step + step) == [
        '2:10: the id "a" belongs already to the step at 10:10; give each step an id of its own'
    ]


@pytest.mark.parametrize("key", ["next", "unable"])
def test_every_target_exists(key: str) -> None:
    assert told(f"  - {{id: a, kind: do, say: Work., {key}: end}}\n") == []
    column = len(f"  - {{id: a, kind: do, say: Work., {key}: ") + 1
    assert told(f"  - {{id: a, kind: do, say: Work., {key}: edn}}\n") == [
        f'1:{column}: there is no step "edn"; did you mean "end"?'
    ]
    assert told(f"  - {{id: a, kind: do, say: Work., {key}: xyz}}\n") == [
        f'1:{column}: there is no step "xyz"; the steps are a, end'
    ]


def test_a_step_with_faults_of_its_own_can_still_be_a_target() -> None:
    steps = "  - {id: a, kind: do, say: Work., next: b}\n  - {id: b, kind: do, sai: Work., next: end}\n"
    assert [line.split(":")[0] for line in told(steps)] == ["2", "2"]  # the two faults of b, none of a


@pytest.mark.parametrize("key", ["isolates", "energises", "needs_isolated", "needs_live"])
def test_every_source_that_is_spoken_of_exists(key: str) -> None:
    assert told(f"  - {{id: a, kind: do, say: Work., {key}: [mains]}}\n") == []
    column = len(f"  - {{id: a, kind: do, say: Work., {key}: [mains, ") + 1
    assert told(f"  - {{id: a, kind: do, say: Work., {key}: [mains, main]}}\n") == [
        f'1:{column}: there is no source "main"; did you mean "mains"?'
    ]


def test_an_observe_step_leads_on_by_its_own_answers() -> None:
    answers = "answers: {{red: [it is red], blue: [it is blue]}}"
    step = f"  - {{{{id: a, kind: observe, say: Look., {answers}, next: {{{{{{}}: end}}}}}}}}\n"
    assert told(step.format("red")) == []
    assert told(step.format("read")) == ['1:96: "read" is no outcome of the step "a"; did you mean "red"?']


def test_a_choose_step_leads_on_by_the_outcomes_of_the_step_it_asks() -> None:
    ask = "  - {id: a, kind: observe, say: Look., answers: {red: [it is red], blue: [it is blue]}}\n"
    read = measure("quantity: resistance, unit: ohm, limit: {at_most: 7}")
    unjudged = measure("quantity: resistance, unit: ohm")
    choose = "  - {{id: c, kind: choose, by: {}, next: {{{}: end}}}}\n"
    assert told(ask + choose.format("a", "red")) == []
    assert told(read + choose.format("m", "undecided")) == []
    assert told(ask + choose.format("a", "conforming")) == [
        '2:41: "conforming" is no outcome of the step "a"; the outcomes are red, blue'
    ]
    assert told(read + choose.format("m", "red")) == [
        '2:41: "red" is no outcome of the step "m"; the outcomes are conforming, nonconforming, undecided'
    ]
    assert told(unjudged + choose.format("m", "conforming")) == [
        '2:31: the step "m" has no verdict and no answer; name an observe step, or another that has a limit'
    ]
    assert told(ask + choose.format("b", "red")) == ['2:31: there is no step "b"; the steps are a, c, end']


def test_a_reading_without_a_limit_has_no_verdict_to_lead_on_by() -> None:
    step = measure("quantity: resistance, unit: ohm, next: {conforming: end}")
    assert told(step) == [
        f'{at(step, "{conforming")}: the step "m" has no verdict and no answer; '
        "add a limit, or write one step: next: step-id"
    ]
    step = measure("quantity: resistance, unit: ohm, over_range: nonconforming")
    assert told(step) == [
        f"{at(step, 'over_range')}: a reading without a limit is not judged, over range or not; "
        "add a limit, or remove this"
    ]


@pytest.mark.parametrize("quantity", [quantity for quantity in Quantity if quantity is not Quantity.COUNT])
def test_every_unit_that_can_be_said_for_a_quantity_can_be_written(quantity: Quantity) -> None:
    names = {unit.name for units in spellings().values() for unit in units if unit.quantity is quantity}
    assert DEFAULT_UNIT[quantity] in names
    for name in names:
        assert told(measure(f"quantity: {quantity}, unit: {name}")) == []


@pytest.mark.parametrize(
    ("quantity", "unit", "fault"),
    [
        ("temperature", "degC", '"degC" is no name of a unit of temperature; write "degree_Celsius"'),
        ("resistance", "megohm", '"megohm" is no name of a unit of resistance; write "megaohm"'),
        ("resistance", "Mohm", '"Mohm" is no name of a unit of resistance; write "megaohm"'),
        ("resistance", "kOhm", '"kOhm" is no name of a unit of resistance; write "kiloohm"'),
        ("resistance", "Kohm", '"Kohm" is no name of a unit of resistance; write "kiloohm"'),
        ("resistance", "KOHM", '"KOHM" is no name of a unit of resistance; write "kiloohm"'),
        ("resistance", "k\N{GREEK CAPITAL LETTER OMEGA}", '"kΩ" is no name of a unit of resistance; write "kiloohm"'),
        ("resistance", "MOhm", '"MOhm" is no name of a unit of resistance; write "megaohm"'),
        ("resistance", "mOhm", '"mOhm" is no name of a unit of resistance; write "milliohm"'),
        ("resistance", "Ohm", '"Ohm" is no name of a unit of resistance; write "ohm"'),
        ("resistance", "kilo-Ohm", '"kilo-Ohm" is no name of a unit of resistance; write "kiloohm"'),
        ("resistance", "zOhm", '"zOhm" is no name of a unit of resistance; write one of gigaohm, kiloohm, '),
        ("voltage", "KV", '"KV" is no name of a unit of voltage; write "kilovolt"'),
        ("voltage", "milivolt", '"milivolt" is no name of a unit of voltage; write "millivolt"'),
        ("voltage", "megavolt", '"megavolt" is no name of a unit of voltage; write one of kilovolt, microvolt, '),
        ("frequency", "KHZ", '"KHZ" is no name of a unit of frequency; write "kilohertz"'),
        ("capacitance", "\N{MICRO SIGN}F", '"µF" is no name of a unit of capacitance; write "microfarad"'),
        ("resistance", "ohms", '"ohms" is no name of a unit of resistance; write "ohm"'),
        ("pressure", "psi", '"psi" is no name of a unit of pressure; write "pound_force_per_square_inch"'),
        ("torque", "newton * meter", '"newton * meter" is no name of a unit of torque; write "meter * newton"'),
        ("frequency", "9**9**9**9", '"9**9**9**9" is no name of a unit of frequency; '),
        ("voltage", "ohm", '"ohm" measures resistance, not voltage; write one of kilovolt, microvolt, millivolt, volt'),
    ],
)
def test_a_unit_is_written_by_its_name(quantity: str, unit: str, fault: str) -> None:
    (line,) = told(measure(f'quantity: {quantity}, unit: "{unit}"'))
    column = len(measure(f"quantity: {quantity}, unit: ").rstrip("}\n")) + 1
    assert line.startswith(f"1:{column}: {fault}")


def test_every_quantity_but_a_count_has_a_unit() -> None:
    assert told(measure("quantity: count")) == []
    count, bare = measure("quantity: count, unit: percent"), measure("quantity: resistance")
    assert told(count) == [f"{at(count, 'unit')}: a count has no unit; remove the unit"]
    assert told(bare) == [f'{at(bare, "resistance")}: the step "m" has no unit; add "unit: ohm"']


def test_only_voltage_and_current_have_a_waveform() -> None:
    assert told(measure("quantity: voltage, unit: volt, waveform: ac")) == []
    assert told(measure("quantity: current, unit: ampere, waveform: dc")) == []
    step = measure("quantity: resistance, unit: ohm, waveform: dc")
    assert told(step) == [
        f"{at(step, 'waveform')}: resistance has no waveform; remove it; it is for voltage and current"
    ]


BOTH_OR_NONE = (
    "nominal needs one of plus_minus and plus_minus_percent; "
    "write plus_minus: a number in ohm, or plus_minus_percent: 6"
)


@pytest.mark.parametrize(
    ("limit", "marker", "fault"),
    [
        ("{between: [7, 2]}", "[7", "the lower value is not below the upper; write [2, 7]"),
        ("{between: [2, 2]}", "[2", "the lower value is not below the upper; write two numbers with room between them"),
        ("{nominal: 45}", "nominal", BOTH_OR_NONE),
        ("{nominal: 45, plus_minus: 1, plus_minus_percent: 2}", "nominal", BOTH_OR_NONE),
        ("{nominal: 45, plus_minus_percent: 100}", "100}", "100 percent allows zero; write less than 100"),
        ("{nominal: 0, plus_minus_percent: 5}", "0, ", "a percentage of zero is nothing; write plus_minus instead"),
        ("{at_most: -1}", "{at", "resistance is never below zero, so no reading conforms; write a limit above zero"),
    ],
)
def test_a_limit_leaves_room_for_a_reading(limit: str, marker: str, fault: str) -> None:
    step = measure(f"quantity: resistance, unit: ohm, limit: {limit}")
    assert told(step) == [f"{at(step, marker)}: {fault}"]


def test_a_temperature_may_be_below_zero() -> None:
    assert told(measure("quantity: temperature, unit: degree_Celsius, limit: {between: [-15, -4]}")) == []
    assert told(measure("quantity: temperature, unit: degree_Celsius, limit: {nominal: 0, plus_minus: 1}")) == []


def observe(red: str, blue: str = "it is blue") -> str:
    return f"  - {{id: a, kind: observe, say: Look., answers: {{red: [{red}], blue: [{blue}]}}}}\n"


def test_two_answers_do_not_share_a_phrase() -> None:
    assert told(observe("red, red")) == []
    step = observe("light on", "dark, Light  on")
    first = at(step, "light").replace("1:", f"{FIRST}:")
    assert told(step) == [
        f'{at(step, "Light")}: "light on" means the answer "red" already, at {first}; '
        "give each answer phrases of its own"
    ]


@pytest.mark.parametrize("phrase", sorted(reserved()))
def test_no_answer_is_a_procedure_word(phrase: str) -> None:
    remedy = "choose words that say what is seen, heard or felt"
    assert told(observe(phrase)) == [f'1:56: "{phrase}" is a procedure word; {remedy}']


def test_no_answer_opens_with_a_word_that_takes_a_reason() -> None:
    assert told(observe("unable to see")) == [
        '1:56: "unable to see" is a procedure word; choose words that say what is seen, heard or felt'
    ]


def test_a_faulty_conclusion_names_the_part() -> None:
    step = "  - {id: a, kind: conclude, finding: Found, condition: faulty, action: Replace it}\n"
    assert told(step) == [
        f'{at(step, "faulty")}: the step "a" concludes "faulty" and names no part; add "part: the part that is bad"'
    ]
    assert told(step.replace("action", "part: relay, action")) == []


@pytest.mark.parametrize("effect", ["isolates", "proves_dead", "puts_back"])
def test_an_answer_is_no_proof_that_something_was_done(effect: str) -> None:
    step = observe("red").replace("say:", f"{effect}: [mains], say:")
    assert told(step) == [
        f'1:28: an observe step is complete with any answer, so it cannot have "{effect}"; '
        "move it to a do or measure step that an answer leads to"
    ]


@pytest.mark.parametrize("effect", ["energises", "takes_off"])
def test_a_reading_cannot_hide_that_something_was_done(effect: str) -> None:
    step = measure(f"quantity: resistance, unit: ohm, limit: {{at_most: 7}}, {effect}: [mains]")
    assert told(step) == [
        f'1:115: "{effect}" would be forgotten where this reading does not conform; '
        "move it to a do step before the measurement"
    ]


def test_a_reading_without_a_limit_changes_nothing() -> None:
    step = measure("quantity: voltage, unit: volt, proves_dead: [mains]")
    assert told(step) == [
        f'{at(step, "proves_dead")}: "proves_dead" waits for a conforming reading, and this step has no limit; '
        "add a limit, such as limit: {at_most: 1}"
    ]


VOLTS = "quantity: voltage, unit: volt"


@pytest.mark.parametrize(
    ("step", "dead"),
    [
        ("  - {id: a, kind: do, say: Work., proves_dead: [mains]}\n", False),
        (measure("quantity: resistance, unit: ohm, limit: {at_most: 1}, proves_dead: [mains]"), False),
        (measure(f"{VOLTS}, nameplate: true, limit: {{at_most: 1}}, proves_dead: [mains]"), False),
        (measure(f"{VOLTS}, limit: {{at_most: 1}}, proves_dead: [mains]"), True),
        (measure(f"{VOLTS}, limit: {{between: [207, 253]}}, proves_dead: [mains]"), True),
    ],
)
def test_an_electrical_source_is_proved_dead_by_a_voltage(step: str, dead: bool) -> None:
    problem = (
        f'{at(step, "mains]")}: "mains" is electrical, and this step measures no voltage that could prove it dead; '
        "move it to the measure step of the voltage, or to the one after it that proves the tester again"
    )
    assert told(step) == ([] if dead else [problem])


def test_another_source_may_be_proved_dead_by_hand() -> None:
    step = "  - {id: a, kind: do, say: Push., proves_dead: [mains]}\n"
    loads((HEAD.replace("electrical", "mechanical") + step + END).encode(), "f")


def test_no_hands_are_inside_when_a_source_comes_on() -> None:
    step = "  - {id: a, kind: do, say: Switch it on., hands_inside: true, energises: [mains]}\n"
    assert told(step) == [
        f'{at(step, "hands_inside")}: hands are inside while "mains" comes on; take the hands out: remove it, or '
        "energise in a step of its own"
    ]
    assert told(step.replace("hands_inside: true, ", "")) == []


def test_a_binding_limit_does_not_just_go_on() -> None:
    step = measure(f"{VOLTS}, limit: {{at_most: 1}}, binding_limit: true, next: {{undecided: end}}")
    problem = 'the limit is binding, and a nonconforming reading simply goes on to "end"'
    assert told(step) == [f'{at(step, "binding_limit")}: {problem}; add "nonconforming: a-step" to its next']
    assert len(told(step.replace(", next: {undecided: end}", ""))) == 1
    assert told(step.replace("undecided", "nonconforming")) == []
    assert told(step.replace("{undecided: end}", "end")) == []
    unjudged = measure(f"{VOLTS}, binding_limit: true")
    assert told(unjudged) == [
        f"{at(unjudged, 'binding_limit')}: there is no limit to be binding; add a limit, or remove this"
    ]


@pytest.mark.parametrize(
    ("form", "message"),
    [
        ("pattern: AA-99, check: luhn", 'nothing that looks like "AA-99" can have check characters of "luhn"'),
        ("pattern: AA-99, check: mod 11-2", 'nothing that looks like "AA-99" can have check characters of "mod 11-2"'),
        (
            "pattern: AA-AA, check: mod 97-10",
            'nothing that looks like "AA-AA" can have check characters of "mod 97-10"',
        ),
        ('pattern: "9", check: luhn', 'nothing that looks like "9" can have check characters of "luhn"'),
        ("most: 2, check: mod 97-10", 'nothing that looks like "99" can have check characters of "mod 97-10"'),
        ('pattern: "9999", check: luhn', None),
        ("pattern: XX-99, check: luhn", None),
        ('pattern: "9999A", check: mod 11-2', None),  # the last may be an X
        ("pattern: AA-99, check: mod 97-10", None),
        ("pattern: AA-AA, check: mod 37-2", None),
        ("most: 8, check: luhn", None),
    ],
)
def test_an_opening_form_is_one_that_something_can_have(form: str, message: str | None) -> None:
    head = HEAD.replace("sources:", f"opening:\n  serial: {{{form}}}\nsources:")
    if message is None:
        loads((head + END).encode(), "f")
        return
    with pytest.raises(ProcedureError) as caught:
        loads((head + END).encode(), "f")
    (problem,) = caught.value.problems
    assert problem.message == message
    assert ("mod 37-2 and mod 97-10 take letters" in problem.remedy) == ("A" in form)


def test_as_many_are_counted_as_come_off() -> None:
    def screws(times: int, each: str = "screws") -> str:
        piece = f"pieces: [{{say: Out with them., times: {times}, each: {each}}}]"
        return f"  - {{id: a, kind: do, say: Work., takes_off: [{{item: screws, count: 4}}], {piece}}}\n"

    step = screws(6)
    assert told(step) == [
        f"{at(step, '6')}: 6 screws are counted here, and 4 come off at this step; write the same number at both places"
    ]
    assert told(screws(4)) == []
    assert told(screws(6, "turns")) == []


OHMS = "quantity: resistance, unit: ohm"


@pytest.mark.parametrize(
    ("rest", "marker", "said"),
    [
        (f"{OHMS}, plausible: [50, 2]", "[50", "the lower value is not below the upper; write [2, 50]"),
        (
            f"{OHMS}, plausible: [2, 2]",
            "[2",
            "the lower value is not below the upper; write two numbers with room between them",
        ),
        (
            f"{OHMS}, plausible: [-3, -2]",
            "[-3",
            "resistance is never below zero, so no reading is plausible; write a range above zero",
        ),
        (
            f"{OHMS}, guard_ratio: 2",
            "guard_ratio",
            "a reading without a limit is not judged; add a limit, or remove this",
        ),
        (
            f"{OHMS}, decision_rule: ISO 14253-1",
            "decision_rule",
            "a reading without a limit is not judged; add a limit, or remove this",
        ),
        (
            f"{OHMS}, limit: {{at_most: 7}}, decision_rule: simple acceptance, guard_ratio: 2",
            "guard_ratio",
            "simple acceptance has no guard band; remove it, or write decision_rule: ISO 14253-1",
        ),
        (
            "quantity: voltage, unit: volt, lead_zero: {worn_above: 1}",
            "lead_zero",
            '"lead_zero" is for a resistance in ohms; write quantity: resistance and unit: ohm, or remove this',
        ),
        (
            "quantity: resistance, unit: kiloohm, lead_zero: {worn_above: 1}",
            "lead_zero",
            '"lead_zero" is for a resistance in ohms; write quantity: resistance and unit: ohm, or remove this',
        ),
        (
            f"{OHMS}, lead_zero: {{worn_above: 1}}, limit: {{at_most: 1}}",
            "limit",
            'the shorted leads have no "limit"; remove it; worn_above is their limit',
        ),
        (
            f"{OHMS}, minus_leads: end",
            "end",
            'there is no step "end" that measures the shorted leads; add a measure step with lead_zero: '
            "{worn_above: 1}",
        ),
        (
            f"{OHMS}, minus_leads: zero",
            "zero",
            'there is no step "zero" that measures the shorted leads; add a measure step with lead_zero: '
            "{worn_above: 1}",
        ),
    ],
)
def test_what_is_asked_of_the_meter_makes_sense(rest: str, marker: str, said: str) -> None:
    step = measure(rest)
    assert told(step) == [f"{at(step, marker)}: {said}"]


def test_leads_are_taken_off_only_as_a_step_measured_them() -> None:
    zero = measure(f"{OHMS}, lead_zero: {{worn_above: 1}}", "leads")
    assert told(zero + measure(f"{OHMS}, minus_leads: leads")) == []
    (problem,) = told(zero + measure(f"{OHMS}, minus_leads: end"))
    assert problem.endswith('there is no step "end" that measures the shorted leads; write one of leads')


def test_simple_acceptance_has_no_guard_band() -> None:
    head = HEAD.replace("sources:", "decision_rule: simple acceptance\nguard_ratio: 2\nsources:")
    step = "  - {id: a, kind: do, say: Work.}\n"
    with pytest.raises(ProcedureError, match="simple acceptance has no guard band; remove it"):
        loads((head + step + END).encode(), "f")
