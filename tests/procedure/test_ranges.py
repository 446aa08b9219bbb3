"""What nothing valid can come of, told before anybody goes to the machine."""

from __future__ import annotations

from decimal import Decimal

import pytest
from test_sense import HEAD, at, measure, told

from handsfree.judge import curves
from handsfree.judge.uncertain import exact
from handsfree.procedure.load import ProcedureError, loads
from handsfree.procedure.ranges import HALVING, PLATINUM, PLATINUM_OHMS

OHMS, CELSIUS = "quantity: resistance, unit: ohm", "quantity: temperature, unit: degree_Celsius"


def calculate(figure: str, rest: str = "") -> str:
    return f"  - {{id: c, kind: calculate, figure: figure, calculate: {figure}{rest}}}\n"


def problems(steps: str) -> list[str]:
    """Without their places."""
    return [problem.partition(": ")[2] for problem in told(steps)]


# -- plausible ranges --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "low", "coldest"),
    [("degree_Celsius", "-300", "-273.15"), ("degree_Fahrenheit", "-460", "-459.67"), ("kelvin", "-1", "0")],
)
def test_nothing_is_colder_than_absolute_zero(unit: str, low: str, coldest: str) -> None:
    step = measure(f"quantity: temperature, unit: {unit}, plausible: [{low}, 40]")
    assert told(step) == [
        f"{at(step, '[')}: nothing is colder than {coldest} {unit}; write the range that this part can have"
    ]
    assert told(measure(f"quantity: temperature, unit: {unit}, plausible: [{coldest}, 40]")) == []
    watch = (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, "
        f"quantity: temperature, unit: {unit}, falls_to: 4, plausible: [{low}, 40]}}]}}\n"
    )
    assert len(told(watch)) == 1


@pytest.mark.parametrize(
    ("quantity", "goal", "said"),
    [
        (CELSIUS, "falls_to: -400", "temperature is never below -273.15, so no reading conforms"),
        (CELSIUS, "rises_to: -300", "temperature is never below -273.15, so every reading conforms"),
        (CELSIUS, "falls_to: -270", ""),
        (OHMS, "falls_to: -1", "resistance is never below zero, so no reading conforms"),
        (OHMS, "rises_to: 0", "resistance is never below zero, so every reading conforms"),
        ("quantity: current, unit: ampere, waveform: ac", "falls_to: -1", "current of ac (r.m.s.) is never below zero"),
        ("quantity: current, unit: ampere, waveform: dc", "falls_to: -1", ""),
    ],
)
def test_the_goal_of_a_series_is_one_that_a_reading_can_come_to(quantity: str, goal: str, said: str) -> None:
    watch = (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, "
        f"{quantity}, {goal}}}]}}\n"
    )
    found = told(watch)
    assert len(found) == (1 if said else 0)
    for problem in found:
        assert problem.startswith(f"{at(watch, goal.partition(' ')[2])}: {said}")


# -- alternating voltages and currents ---------------------------------------------------------------------------------

ALTERNATING = "quantity: current, unit: ampere, waveform: ac"


def test_an_alternating_current_is_never_below_zero() -> None:
    never = "current of ac (r.m.s.) is never below zero, so "
    assert problems(measure(f"{ALTERNATING}, limit: {{at_most: -1}}")) == [
        f"{never}no reading conforms; write a limit above zero"
    ]
    assert problems(measure(f"{ALTERNATING}, limit: {{at_least: 0}}")) == [
        f"{never}every reading conforms; write a limit above zero, or remove it"
    ]
    assert problems(measure(f"{ALTERNATING}, plausible: [-5, -1]")) == [
        "current is never below zero, so no reading is plausible; write a range above zero"
    ]
    assert problems(measure(f"{ALTERNATING}, limit: {{between: [-1, 1]}}")) == []
    assert problems(measure(f"{ALTERNATING.replace(': ac', ': dc')}, limit: {{at_most: -1}}")) == []
    assert problems(measure(f"{ALTERNATING.removesuffix(', waveform: ac')}, limit: {{at_least: 0}}")) == []


# -- curves ------------------------------------------------------------------------------------------------------------

BETA = "ohms_at_25: 10000, beta: 3977, lowest: -40, highest: 85"
HART = "steinhart_hart: [0.001129148, 0.000234125, 0.0000000876741], lowest: -40, highest: 85"


@pytest.mark.parametrize(
    ("fed", "figure", "said"),
    [
        (
            f"{CELSIUS}, plausible: [90, 120]",
            f"{{thermistor_resistance: {{temperature: m, {BETA}}}}}, unit: ohm",
            'the curve is known from -40 to 85 degree_Celsius, and the plausible readings of "m" are 90 to 120 '
            'degree_Celsius; take the curve for that range, or look at the figures of "m"',
        ),
        (
            "quantity: temperature, unit: degree_Fahrenheit, plausible: [190, 240]",
            f"{{thermistor_resistance: {{temperature: m, {HART}}}}}, unit: ohm",
            "the curve is known from -40 to 85 degree_Celsius",
        ),
        (
            f"{OHMS}, plausible: [1, 500]",
            f"{{thermistor_temperature: {{resistance: m, {BETA}}}}}, unit: degree_Celsius",
            "the curve is known from 1070.3 to 412130 ohm",
        ),
        (
            "quantity: resistance, unit: kiloohm, plausible: [0.1, 0.5]",
            f"{{thermistor_temperature: {{resistance: m, {HART}}}}}, unit: degree_Celsius",
            "the curve is known from 10",
        ),
        (
            f"{OHMS}, plausible: [400, 1000]",
            "{platinum_temperature: {resistance: m}}, unit: degree_Celsius",
            "the curve is known from 18.52 to 390.48 ohm",
        ),
        (
            "quantity: temperature, unit: kelvin, plausible: [20, 60]",
            "{platinum_error: {resistance: other, temperature: m}}, unit: kelvin",
            "the curve is known from -200 to 850 degree_Celsius",
        ),
        (
            f"{CELSIUS}, plausible: [250, 300]",
            "{winding_resistance: {resistance: other, temperature: m}}, unit: ohm",
            "the curve is known from -50 to 200 degree_Celsius",
        ),
        (
            f"{CELSIUS}, plausible: [-20, 5]",
            "{insulation_at_40: {resistance: other, temperature: m}}, unit: megaohm",
            "the curve is known from 10 to 60 degree_Celsius",
        ),
    ],
)
def test_a_curve_is_fed_from_where_it_is_known(fed: str, figure: str, said: str) -> None:
    other = measure(OHMS, "other")
    (problem,) = problems(other + measure(fed) + calculate(figure))
    assert problem.startswith(said)
    wide = {"plausible: [90, 120]": "plausible: [80, 120]", "[190, 240]": "[180, 240]", "[1, 500]": "[1, 5000]"}
    wide |= {"[0.1, 0.5]": "[0.1, 5]", "[400, 1000]": "[300, 1000]", "[20, 60]": "[20, 80]"}
    wide |= {"[250, 300]": "[150, 300]", "[-20, 5]": "[-20, 15]"}
    for narrow, wider in wide.items():
        fed = fed.replace(narrow, wider)
    assert problems(other + measure(fed) + calculate(figure)) == []


def test_the_ends_told_are_those_that_the_curves_refuse_at() -> None:
    # IEC 60751:2022, table 1: 18.52 and 390.48 ohms of a Pt100.
    assert [float(curves.platinum_ohms(exact(int(end)), Decimal(1)).value) for end in PLATINUM] == pytest.approx(
        PLATINUM_OHMS, abs=5e-5
    )
    assert HALVING == (10.0, 60.0)
    hart = curves.SteinhartHart(
        Decimal("0.001129148"), Decimal("0.000234125"), Decimal("0.0000000876741"), Decimal(-40), Decimal(85)
    )
    ends = [float(hart.ohms(exact(end)).value) for end in (85, -40)]
    step = measure(f"{OHMS}, plausible: [1, 2]")
    (problem,) = problems(step + calculate(f"{{thermistor_temperature: {{resistance: m, {HART}}}}}, unit: kelvin"))
    assert problem.startswith(f"the curve is known from {ends[0]:.1f} to {round(ends[1] / 10) * 10} ohm")


# -- limits ------------------------------------------------------------------------------------------------------------

ONE, TWO, WARM = measure(OHMS, "one"), measure(OHMS, "two"), measure(CELSIUS, "warm")
NEVER, ALWAYS = "never below zero, so no reading conforms", "never below zero, so every reading conforms"
BELOW = f"this figure is {NEVER}; write a limit above zero"


@pytest.mark.parametrize(
    ("figure", "limit", "said"),
    [
        ("{imbalance_percent: [one, two]}", "{at_most: -2}", f"this figure is {NEVER}; write a limit above zero"),
        (
            "{imbalance_percent: [one, two]}",
            "{at_least: 0}",
            f"this figure is {ALWAYS}; write a limit above zero, or remove it",
        ),
        ("{ratio: [one, two]}", "{at_most: -0.5}", f"this figure is {NEVER}; write a limit above zero"),
        ("{ratio: [one, {sum: [one, two]}]}", "{between: [-2, -1]}", BELOW),
        ("{sum: [one, two]}, unit: ohm", "{nominal: -5, plus_minus: 1}", BELOW),
        (
            "{deviation_percent: [one, two]}",
            "{at_most: -120}",
            "this figure is never below -100, so no reading conforms; write a limit above -100",
        ),
        (
            "{deviation_percent: [one, two]}",
            "{at_least: -100}",
            "this figure is never below -100, so every reading conforms; write a limit above -100, or remove it",
        ),
    ],
)
def test_a_figure_that_is_never_negative_has_no_limit_below_zero(figure: str, limit: str, said: str) -> None:
    assert problems(ONE + TWO + calculate(figure, f", limit: {limit}")) == [said]


def test_a_figure_that_may_be_negative_may_be_limited_there() -> None:
    leads = measure(f"{OHMS}, lead_zero: {{worn_above: 1}}", "leads")
    less = measure(f"{OHMS}, minus_leads: leads", "less")
    for figure in (
        "{difference: [one, two]}, unit: ohm",
        "{deviation_percent: [one, two]}",
        "{ratio: [less, one]}",  # without its leads a reading may come out below zero
    ):
        assert problems(ONE + TWO + leads + less + calculate(figure, ", limit: {at_least: -0.5}")) == []


@pytest.mark.parametrize(
    ("quantity", "limit", "said"),
    [
        (OHMS, "{at_least: 0}", f"resistance is {ALWAYS}; write a limit above zero, or remove it"),
        (OHMS, "{nominal: -4, plus_minus: 2}", f"resistance is {NEVER}; write a limit above zero"),
        (
            CELSIUS,
            "{at_most: -280}",
            "temperature is never below -273.15, so no reading conforms; write a limit above -273.15",
        ),
    ],
)
def test_a_limit_decides_something(quantity: str, limit: str, said: str) -> None:
    assert problems(measure(f"{quantity}, limit: {limit}")) == [said]


@pytest.mark.parametrize("figure", ["imbalance_percent", "mean", "difference", "ratio", "deviation_percent"])
def test_a_reading_is_not_compared_with_itself(figure: str) -> None:
    unit = ", unit: ohm" if figure in ("mean", "difference") else ""
    step = calculate(f"{{{figure}: [one, one]}}", unit)
    assert problems(ONE + step) == [
        '"one" stands twice here, and compared with itself it says nothing; name another step'
    ]
    inner = calculate(f"{{{figure}: [{{sum: [one, two]}}, {{sum: [one, two]}}]}}", unit)
    (problem,) = problems(ONE + TWO + inner)
    assert problem.startswith("this figure stands twice here")


def test_two_equal_windings_may_be_added() -> None:
    assert problems(ONE + calculate("{sum: [one, one]}", ", unit: ohm")) == []


# -- times and guard bands ---------------------------------------------------------------------------------------------


def watch(times: str, within: str, must: str = "falls_to: 4") -> str:
    return (
        f"  - {{id: w, kind: watch, say: Watch., {times}, series: [{{reading: air, {CELSIUS}, {must}, "
        f"within_minutes: {within}}}]}}\n"
    )


def test_a_reading_falls_into_the_time_allowed() -> None:
    regular = "every_minutes: 2, for_minutes: 20"
    assert problems(watch(regular, "1")) == [
        "no reading is said within 1 minutes: the first after the start is asked for at 2; write 4 or more, or read "
        "more often"
    ]
    assert len(problems(watch(regular, "2"))) == 1  # it is said a little after it is asked for
    assert problems(watch(regular, "4")) == []
    assert problems(watch("at_minutes: [1, 10]", "0.5")) == [
        "no reading is said within 0.5 minutes: the first after the start is asked for at 1; write 10 or more, or "
        "read more often"
    ]


def test_a_watch_has_two_readings() -> None:
    step = watch("every_minutes: 2, for_minutes: 1", "0.5").replace(", within_minutes: 0.5", "")
    assert problems(step) == ["the watch ends after 1 minutes, before its second reading; write 2 or more"]


@pytest.mark.parametrize("ratio", ["11", "100"])
def test_a_guard_band_is_of_the_size_of_the_uncertainty(ratio: str) -> None:
    said = (
        f"a guard band of {ratio} times the uncertainty leaves nothing to conform; write 1, or 0.83 for 95 percent on "
        "one side"
    )
    assert problems(measure(f"{OHMS}, limit: {{at_most: 7}}, guard_ratio: {ratio}")) == [said]
    head = HEAD.replace("sources:", f"guard_ratio: {ratio}\nsources:")
    with pytest.raises(ProcedureError) as error:
        loads((head + measure(OHMS)).encode(), "f")
    assert said in str(error.value)


# -- IEEE 43 -----------------------------------------------------------------------------------------------------------


def test_the_minimum_of_ieee_43_is_for_a_resistance_at_forty_degrees() -> None:
    minimum = ", limit: {insulation_minimum: {winding: random-wound, rated_volts: 400}}"
    at_40 = "{insulation_at_40: {resistance: one, temperature: warm}}, unit: megaohm"
    assert problems(ONE + WARM + calculate(at_40, minimum)) == []
    assert problems(ONE + TWO + calculate("{sum: [one, two]}, unit: ohm", minimum)) == [
        "the minimum of IEEE 43 is for an insulation resistance at 40 degrees Celsius; calculate insulation_at_40, or "
        "write another limit"
    ]
    wrong = minimum.replace("random-wound", "random")
    (problem,) = problems(ONE + WARM + calculate(at_40, wrong))
    assert problem == (
        '"random" is not a value of "winding"; write "random-wound"; allowed here: before 1970, field winding, '
        "form-wound, random-wound, dc armature"
    )
    assert problems(ONE + WARM + calculate(at_40, minimum.replace(", rated_volts: 400", ""))) == [
        '"insulation_minimum" has no "rated_volts"; add "rated_volts: 400"'
    ]
    (problem,) = problems(ONE + WARM + calculate(at_40, minimum.replace("rated_volts", "volts")))[:1]
    assert "rated_volts" in problem


def test_a_writer_is_told_how_the_minimum_of_ieee_43_is_written() -> None:
    at_40 = "{insulation_at_40: {resistance: one, temperature: warm}}, unit: megaohm, limit: "
    example = "{winding: random-wound, rated_volts: 400}"
    assert problems(ONE + WARM + calculate(at_40 + "{insulation_minimum: random-wound}")) == [
        f'"insulation_minimum" is "random-wound"; write the winding and its voltage, such as {example}'
    ]
    (problem,) = problems(ONE + WARM + calculate(at_40 + "{minimum: 5}"))
    assert problem.endswith(f"platinum_class: B, or insulation_minimum: {example}")
    (problem,) = problems(ONE + WARM + calculate(at_40 + f"{{insulation_minimum: {example}, at_least: 5}}"))
    assert problem.startswith('the limit has both "insulation_minimum" and "at_least"; keep one')
