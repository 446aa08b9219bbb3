# ruff: noqa: E501 - a problem stands on one line, as a writer sees it
"""What a writer is told of figures and watches that do not hold together.

Lines count from the first step, columns from 1.
"""

from __future__ import annotations

import pytest
from test_sense import told

READ = """\
  - {id: one, kind: measure, say: Measure., reading: one, quantity: resistance, unit: ohm}
  - {id: two, kind: measure, say: Measure., reading: two, quantity: resistance, unit: ohm}
  - {id: warm, kind: measure, say: Measure., reading: warm, quantity: temperature, unit: degree_Celsius, limit: {between: [60, 80]}}
  - {id: look, kind: do, say: Look.}
"""

FAULTS = [
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {difference: [one, too]}, unit: ohm}",
        True,
        [
            '5:76: there is no step "too"; did you mean "two"?',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {difference: [one, look]}, unit: ohm}",
        True,
        [
            '5:76: the step "look" gives no reading; name a measure or a calculate step',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {difference: [one, c]}, unit: ohm}",
        True,
        [
            '5:76: this figure is made from itself through "c"; name steps that measure',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {difference: [one, warm]}, unit: ohm}",
        True,
        [
            "5:76: temperature beside resistance cannot be compared; name a step of resistance",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [warm, warm]}, unit: degree_Celsius}",
        True,
        [
            "5:63: temperatures cannot be added: the zero of their scale means nothing; use their difference",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {ratio: [warm, warm]}, limit: {at_most: 1}}",
        True,
        [
            "5:65: temperatures cannot be divided: the zero of their scale means nothing; use their difference",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {ratio: [one, two]}, unit: ohm}",
        True,
        [
            "5:78: a plain ratio has no unit; remove the unit",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, limit: {at_most: 1}}",
        True,
        [
            '5:57: the step "c" has no unit, and its figure is a resistance; add "unit: ohm"',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: volt}",
        True,
        [
            '5:82: "volt" measures voltage, not resistance; write one of gigaohm, kiloohm, megaohm, microohm, milliohm, ohm',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: ohms}",
        True,
        [
            '5:82: "ohms" is no name of a unit of resistance; write "ohm"',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one]}, unit: ohm}",
        True,
        [
            '5:63: "sum" needs at least 2; "sum" holds 1; add what is missing',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {difference: [one]}, unit: ohm}",
        True,
        [
            '5:70: "difference" needs two entries; write [first, second]',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {difference: [one, two, one]}, unit: ohm}",
        True,
        [
            '5:70: "difference" needs two entries; write [first, second]',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {diference: [one, two]}, unit: ohm}",
        True,
        [
            '5:57: "diference" is not a figure; write "difference"',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: [one, two], unit: ohm}",
        True,
        [
            "5:57: a list is not a figure; write the id of a step, or one of sum: ..., mean: ..., difference: ..., ratio: ..., deviation_percent: ..., imbalance_percent: ..., heater_resistance: ..., winding_resistance: ..., platinum_temperature: ..., platinum_error: ..., thermistor_resistance: ..., thermistor_temperature: ..., saturation_temperature: ..., insulation_at_40: ...",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: 7, unit: ohm}",
        True,
        [
            '5:57: "7" is not the id of a step; write the id of a step, or one of sum: ..., mean: ..., difference: ..., ratio: ..., deviation_percent: ..., imbalance_percent: ..., heater_resistance: ..., winding_resistance: ..., platinum_temperature: ..., platinum_error: ..., thermistor_resistance: ..., thermistor_temperature: ..., saturation_temperature: ..., insulation_at_40: ...',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {platinum_error: {resistance: one, temperature: two}}, unit: kelvin}",
        True,
        [
            "5:105: this is no temperature; name a step that measures temperature",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {platinum_error: {resistance: one}}, unit: kelvin}",
        True,
        [
            '5:74: "platinum_error" has no "temperature"; add "temperature: ..."',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {platinum_error: {resistance: one, temperature: warm}}, unit: kelvin, limit: {platinum_class: D}}",
        True,
        [
            '5:151: "D" is not a value of "platinum_class"; write one of AA, A, B, C',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: ohm, limit: {platinum_class: B}}",
        True,
        [
            "5:94: a class of IEC 60751 limits the error of a platinum thermometer only; calculate platinum_error, or write another limit",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: ohm, limit: {between: [3, 2]}}",
        True,
        [
            "5:104: the lower value is not below the upper; write [2, 3]",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {thermistor_resistance: {temperature: warm, lowest: 0, highest: 50}}, unit: ohm}",
        True,
        [
            "5:81: a thermistor's curve is ohms_at_25 with beta, or steinhart_hart, and one of the two; write ohms_at_25: 10000 and beta: 3977, or steinhart_hart: [a, b, c]",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {thermistor_resistance: {temperature: warm, ohms_at_25: 10000, beta: 3977, lowest: 0, highest: 50}}, unit: ohm}",
        True,
        [
            '5:140: the curve is known from 0 to 50 degree_Celsius, and the limits of "warm" are 60 to 80 degree_Celsius; take the curve for that range, or look at the figures of "warm"',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {thermistor_resistance: {temperature: warm, ohms_at_25: -5, beta: 3977, lowest: 90, highest: 50}}, unit: ohm}",
        True,
        [
            '5:113: "ohms_at_25" is -5; write a number above zero',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {thermistor_resistance: {temperature: warm, steinhart_hart: [0.001, 0.0002], lowest: 0, highest: 100}}, unit: ohm}",
        True,
        [
            '5:117: "steinhart_hart" needs three numbers; write the coefficients [a, b, c]',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {saturation_temperature: {pressure: one, refrigerant: R22, side: dew}}, unit: degree_Celsius}",
        True,
        [
            '5:111: "R22" is not a value of "refrigerant"; write one of R32, R134a, R290, R404A, R407C, R410A, R507A, R600a, R744, R1234yf',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {winding_resistance: {resistance: one, temperature: warm, corected_to: 25}}, unit: ohm}",
        True,
        [
            '5:115: unknown key "corected_to"; write "corrected_to"; still allowed here: corrected_to, conductor',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, {sum: [two, {diff: [one, two]}]}]}, unit: ohm}",
        True,
        [
            '5:81: "diff" is not a figure; write the id of a step, or one of sum: ..., mean: ..., difference: ..., ratio: ..., deviation_percent: ..., imbalance_percent: ..., heater_resistance: ..., winding_resistance: ..., platinum_temperature: ..., platinum_error: ..., thermistor_resistance: ..., thermistor_temperature: ..., saturation_temperature: ..., insulation_at_40: ...',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: ohm, limit: {at_most: 5}, next: {undecided: c}}",
        True,
        [
            "5:126: the same readings give the same figure, so this would go round for ever; lead to a step that measures again",
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: ohm, next: {conforming: end}}",
        True,
        [
            '5:93: the step "c" has no verdict and no answer; add a limit, or write one step: next: step-id',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two], mean: [one, two]}, unit: ohm}",
        True,
        [
            '5:63: the figure has both "sum" and "mean"; keep one; a figure may stand inside the other',
        ],
    ),
    (
        "  - {id: c, kind: calculate, figure: figure, calculate: {sum: [one, two]}, unit: ohm, say: Add.}",
        True,
        [
            '5:87: unknown key "say"; remove it; still allowed here: limit, next',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            "1:5: a watch reads every so many minutes, or at certain minutes; write every_minutes: 2 and for_minutes: 20, or at_minutes: [1, 10]",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., at_minutes: [1, 10], every_minutes: 1, for_minutes: 3, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            "1:5: a watch reads every so many minutes, or at certain minutes; write every_minutes: 2 and for_minutes: 20, or at_minutes: [1, 10]",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., at_minutes: [10, 1], series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            "1:51: the times do not rise; write the earliest first",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 5, for_minutes: 2, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            "1:70: the watch ends after 2 minutes, before its second reading; write 5 or more",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 0.01, for_minutes: 60, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            "1:54: that is more than 500 readings; read less often, or watch for less long",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 0, for_minutes: 60, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            '1:54: "every_minutes" is 0; write a number above zero',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4, falls_by: 3}]}",
        False,
        [
            '1:142: the series "air" has both "falls_by" and "falls_to"; keep one',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, ratio: {at_least: 2}}]}",
        False,
        [
            "1:142: a ratio is of the readings at two times; write at_minutes: [1, 10] in the step",
            "1:142: temperatures cannot be divided: the zero of their scale means nothing; write falls_by or rises_by",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: r, quantity: resistance, unit: ohm, ratio: {at_least: 2}}]}",
        False,
        [
            "1:128: a ratio is of the readings at two times; write at_minutes: [1, 10] in the step",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., at_minutes: [1, 10], series: [{reading: r, quantity: resistance, unit: ohm, ratio: {at_leest: 2}}]}",
        False,
        [
            '1:122: "at_leest" is not a limit; write one of at_most: 7, at_least: 2, between: [2, 7], or nominal: 45 with plus_minus_percent: 6',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., at_minutes: [1, 10], series: [{reading: r, quantity: resistance, unit: ohm, ratio: {at_least: 2, at_most: 3}}]}",
        False,
        [
            '1:123: the limit has both "at_most" and "at_least"; keep one; write one of at_most: 7, at_least: 2, between: [2, 7], or nominal: 45 with plus_minus_percent: 6',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, within_minutes: 3}]}",
        False,
        [
            "1:142: within_minutes says by when something must have happened, and nothing must; add falls_by, falls_to or the like",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4, within_minutes: 30}]}",
        False,
        [
            "1:171: the watch is over after 5 minutes; write no more than that, or watch for longer",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4, stalled_below: 1}]}",
        False,
        [
            "1:155: a stall is a change below something over some minutes; write stalled_below and stalled_over_minutes",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4, stalled_below: 1, stalled_over_minutes: 1}]}",
        False,
        [
            "1:195: a stall is seen in three readings or more, within the watch; write a time between 2 and 5 minutes",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, stalled_below: 1, stalled_over_minutes: 3}]}",
        False,
        [
            "1:142: a stall matters where something must fall or rise; add falls_to or the like",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}, {reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}]}",
        False,
        [
            '1:166: two series are called "air"; give each series a name of its own',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}, {reading: coil, quantity: temperature, unit: degree_Celsius}], before: [coil, air]}",
        False,
        [
            '1:228: nothing says where the series "coil" is to be; add falls_to, falls_by or the like to it',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}], before: [air, cool]}",
        False,
        [
            '1:171: there is no series "cool"; the series are air',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4}], before: [air, air]}",
        False,
        [
            "1:165: a series cannot be there before itself; name two series",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_to: 4, plausible: [9, 3]}]}",
        False,
        [
            "1:166: the lower value is not below the upper; write [3, 9]",
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: ohm, falls_by: 1}]}",
        False,
        [
            '1:126: "ohm" measures resistance, not temperature; write one of degree_Celsius, degree_Fahrenheit, kelvin',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, falls_by: 1}]}",
        False,
        [
            '1:107: the series "air" has no unit; add "unit: degree_Celsius"',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, falls_by: -1}]}",
        False,
        [
            '1:152: "falls_by" is -1; write a number above zero',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius, fals_by: 1}]}",
        False,
        [
            '1:142: unknown key "fals_by"; write "falls_by"; still allowed here: waveform, falls_by, rises_by, falls_to, rises_to, ratio, within_minutes, plausible, stalled_below, stalled_over_minutes',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: []}",
        False,
        [
            '1:81: "series" needs at least 1; "series" holds 0; add what is missing',
        ],
    ),
    (
        "  - {id: w, kind: watch, say: Watch., every_minutes: 1, for_minutes: 5, series: [{reading: air, quantity: temperature, unit: degree_Celsius}], isolates: [mains]}",
        False,
        [
            '1:144: "isolates" waits for a conforming reading, and this step has no limit; say in a series what must become of it, such as falls_to: 4',
        ],
    ),
    (
        "  - {id: p, kind: measure, say: M., reading: r, quantity: resistance, unit: ohm, nameplate: true, minus_leads: q}",
        False,
        [
            "1:99: what is read from a plate is read without a meter; remove it, or remove nameplate",
            '1:112: there is no step "q" that measures the shorted leads; add a measure step with lead_zero: {worn_above: 1}',
        ],
    ),
]


@pytest.mark.parametrize(("step", "after_readings", "problems"), FAULTS)
def test_a_fault_in_a_figure_or_a_watch_is_told_with_its_remedy(
    step: str, after_readings: bool, problems: list[str]
) -> None:
    assert told(f"{READ if after_readings else ''}{step}\n") == problems


def test_figures_and_watches_that_hold_together_are_let_through() -> None:
    for figure in (
        "{difference: [one, {sum: [one, two]}]}, unit: kiloohm, limit: {at_most: 1}",
        "{winding_resistance: {resistance: one, temperature: warm, corrected_to: 25, conductor: aluminium}}, unit: ohm",
        "{thermistor_temperature: {resistance: one, steinhart_hart: [1e-3, 0.0002, 0.0000001], lowest: 0, highest: 99}}, "
        "unit: degree_Fahrenheit",
        "{insulation_at_40: {resistance: one, temperature: warm}}, unit: megaohm, limit: {at_least: 5}",
        "{difference: [warm, {platinum_temperature: {resistance: one, nominal: 1000}}]}, unit: kelvin",
    ):
        step = f"  - {{id: c, kind: calculate, figure: figure, calculate: {figure.replace('1e-3', '0.001')}}}\n"
        assert told(READ + step) == []


@pytest.mark.parametrize(
    ("written", "remedy"),
    [
        ("one / two", "write {ratio: [one, two]}"),
        ("one - two", "write {difference: [one, two]}"),
        ("one + two + three", "write {sum: [one, two, three]}"),
        ("(one - two) / two", "write a formula as keys: sum: ..., mean: ..., difference: ..., ratio: ..."),
        ("the ratio of both", "write the id of a step, or one of sum: ..., mean: ..."),
    ],
)
def test_a_formula_written_as_text_is_told_the_keys_to_write(written: str, remedy: str) -> None:
    (problem,) = told(f"{READ}  - {{id: c, kind: calculate, figure: figure, calculate: {written}, unit: ohm}}\n")
    assert problem.startswith(f'5:57: "{written}" is not the id of a step; {remedy}')


def test_a_formula_inside_a_figure_is_told_the_list_to_write() -> None:
    step = "  - {id: c, kind: calculate, figure: figure, calculate: {ratio: one / two}}\n"
    assert told(READ + step) == ['5:65: "ratio" is "one / two"; write a list, such as [one, two]']


def test_a_range_of_one_number_is_told_to_be_two() -> None:
    step = "  - {id: m, kind: measure, say: M., reading: r, quantity: resistance, unit: ohm, plausible: 20}\n"
    assert told(step) == ['1:93: "plausible" is "20"; write two numbers, [lower, upper]']
