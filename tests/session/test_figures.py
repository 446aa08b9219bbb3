"""Figures worked out from earlier readings: said, judged, recorded, and worked out anew when corrected."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from test_machine import Talk, small

from handsfree.judge.curves import REFRIGERANTS, Conductor, PlatinumClass
from handsfree.judge.meterfile import load_meters
from handsfree.procedure import model
from handsfree.session.events import Mark

ENDS = """
  - {id: sound, kind: conclude, finding: It is sound., condition: sound, action: Go on.}
  - {id: bad, kind: conclude, finding: It is bad., condition: faulty, part: part, action: Replace it.}
"""
OHMS = "quantity: resistance, unit: ohm"
CELSIUS = "quantity: temperature, unit: degree_Celsius"


def measure(id: str, what: str = OHMS, more: str = "") -> str:
    return f"  - {{id: {id}, kind: measure, say: Measure it., reading: {id.replace('-', ' ')}, {what}{more}}}\n"


def calculate(figure: str, limit: str, unit: str | None = "ohm", more: str = "") -> str:
    unit = "" if unit is None else f", unit: {unit}"
    return (
        f"  - {{id: figure, kind: calculate, figure: figure, calculate: {figure}{unit}, limit: {limit}{more}, "
        "next: {nonconforming: bad}}\n"
    )


def talk_on(steps: str, *said: str) -> Talk:
    return Talk(small("steps:\n" + steps + ENDS)).hear(*said)


def worked(talk: Talk) -> dict[str, Any]:
    return dict(talk.all(Mark.CALCULATED)[-1])


WINDINGS = (
    measure("run")
    + measure("start")
    + measure("both")
    + calculate("{difference: [both, {sum: [run, start]}]}", "{between: [-0.5, 0.5]}")
)


def test_run_and_start_must_add_up_to_both() -> None:
    talk = talk_on(WINDINGS, "four point seven", "eleven point five", "sixteen point four")
    assert "Figure: zero point two ohms, between minus zero point five and zero point five: conforming." in talk.said
    assert talk.hear("affirm").session.finding == "It is sound."
    figure = worked(talk)
    assert figure["value"] == "0.2"
    assert figure["formula"] == "both − (run + start)"
    assert [(used["reading"], used["id"], used["value"]) for used in figure["inputs"]] == [
        ("both", "r3", "16.4"),
        ("run", "r1", "4.7"),
        ("start", "r2", "11.5"),
    ]
    assert figure["uncertainty"] is None  # no meter is known


def test_windings_that_do_not_add_up_lead_to_the_bad_part() -> None:
    talk = talk_on(WINDINGS, "four point seven", "eleven point five", "eighteen")
    assert talk.hear("affirm").session.finding == "It is bad."
    assert worked(talk)["verdict"] == "nonconforming"


@pytest.mark.parametrize(
    ("winding", "megohms", "least", "verdict"),
    [
        # IEEE 43-2013, table 3; 4160 volts is the usual worked example of kV + 1. Read at 40 degrees Celsius.
        ("before 1970", "five point two", "five point one six", "conforming"),
        ("before 1970", "five point one", "five point one six", "nonconforming"),
        ("form-wound", "ninety nine", "one hundred", "nonconforming"),
        ("random-wound", "five point one", "five", "conforming"),
    ],
)
def test_insulation_is_judged_by_the_minimum_of_its_kind_of_winding(
    winding: str, megohms: str, least: str, verdict: str
) -> None:
    steps = measure("insulation", "quantity: resistance, unit: megaohm") + measure("winding", CELSIUS)
    minimum = f"{{insulation_minimum: {{winding: {winding}, rated_volts: 4160}}}}"
    steps += calculate("{insulation_at_40: {resistance: insulation, temperature: winding}}", minimum, "megaohm")
    talk = talk_on(steps, megohms, "forty")
    assert f"Figure: {megohms} megohms, at least {least} megohms: {verdict}." in talk.said
    assert worked(talk)["limits"] == [{"five point one six": "5.16", "one hundred": "100", "five": "5"}[least], None]
    assert worked(talk)["limit"] == {
        "insulation_minimum": {"winding": winding, "rated_volts": "4160"},
        "unit": "megaohm",
    }


def test_a_reading_in_another_unit_is_converted() -> None:
    talk = talk_on(WINDINGS, "four point seven", "zero point zero one one five kilo ohms", "sixteen point two")
    assert worked(talk)["value"] == "0"
    assert talk.hear("affirm").session.finding == "It is sound."


SIBLINGS = (
    measure("path-one") + measure("path-two") + calculate("{difference: [path-two, path-one]}", "{between: [2, 4]}")
)


@pytest.mark.parametrize(
    ("second", "verdict"),
    [("7", "conforming"), ("9", "conforming"), ("9.1", "nonconforming"), ("6.9", "nonconforming")],
)
def test_a_path_may_be_two_to_four_ohms_above_its_sibling(second: str, verdict: str) -> None:
    assert worked(talk_on(SIBLINGS, "five", second))["verdict"] == verdict


HEATER = (
    measure("volts", "quantity: voltage, unit: volt", ", nameplate: true")
    + measure("watts", "quantity: power, unit: watt", ", nameplate: true")
    + measure("heater")
    + calculate(
        "{deviation_percent: [heater, {heater_resistance: {voltage: volts, power: watts}}]}",
        "{between: [-10, 5]}",
        None,
    )
)


@pytest.mark.parametrize(
    ("ohms", "percent", "verdict"),
    # 230 V and 1000 W are 52.9 ohms.
    [("52.9", "0", "conforming"), ("47.6", "-10.01890359", "nonconforming"), ("55.5", "4.914933837", "conforming")],
)
def test_a_heater_is_judged_by_the_plate_that_was_read_before(ohms: str, percent: str, verdict: str) -> None:
    figure = worked(talk_on(HEATER, "two hundred thirty volts", "one thousand watts", ohms))
    assert (figure["value"], figure["verdict"], figure["unit"]) == (percent, verdict, "percent")


def test_a_plate_without_power_is_asked_for_again_where_it_is_read() -> None:
    talk = talk_on(HEATER, "two hundred thirty volts", "zero watts")
    assert "a nameplate states more than zero: read the plate again" in talk.said[-1].lower()
    assert talk.session.at == "watts"
    talk.hear("one thousand watts", "fifty two ohms")
    assert worked(talk)["verdict"] == "conforming"
    assert talk.hear("affirm").session.finding == "It is sound."


RATIO = measure("one") + measure("other") + calculate("{ratio: [one, other]}", "{at_least: 0.5}", None)


def test_a_figure_that_cannot_be_worked_out_is_told_and_its_last_input_asked_for_again() -> None:
    talk = talk_on(RATIO, "five ohms", "zero ohms")
    assert talk.said[-2].startswith("Figure cannot be worked out: ")
    assert (talk.said[-1], talk.session.at) == ("Measure it.", "other")
    assert worked(talk)["value"] is None
    talk.hear("four ohms")
    assert worked(talk)["verdict"] == "conforming"


def test_a_hearing_that_would_turn_a_figure_is_asked_for_digit_by_digit() -> None:
    talk = talk_on(SIBLINGS, "twelve").hear("fifty", confidence=0.9)
    assert talk.said == ["I heard five zero ohms. Affirm, or say the digits one by one."]
    talk.hear("one five", "affirm", confidence=0.9)  # nine for five would turn it too, so it is confirmed
    assert worked(talk)["verdict"] == "conforming"
    # Nothing hangs on it where neither would conform.
    assert worked(talk_on(SIBLINGS, "thirty two").hear("sixty", confidence=0.9))["verdict"] == "nonconforming"


def test_over_range_is_no_value_to_work_with() -> None:
    talk = talk_on(SIBLINGS, "five", "over range")
    assert worked(talk)["verdict"] == "undecided"
    assert talk.session.at == "path-two"
    talk.hear("eight")
    assert talk.hear("affirm").session.finding == "It is sound."


PHASES = (
    measure("one")
    + measure("two")
    + measure("three")
    + calculate("{imbalance_percent: [one, two, three]}", "{at_most: 2}", "percent")
)


def test_the_phase_that_is_furthest_from_the_mean_is_named() -> None:
    talk = talk_on(PHASES, "ten", "ten", "eleven")
    assert worked(talk)["reason"] == "furthest from the mean: three"
    assert worked(talk)["value"] == "6.451612903"
    assert talk.hear("affirm").session.finding == "It is bad."


PROBE = (
    measure("bath", CELSIUS)
    + measure("sensor")
    + calculate("{platinum_error: {resistance: sensor, temperature: bath}}", "{platinum_class: B}", "degree_Celsius")
)


@pytest.mark.parametrize(
    ("ohms", "verdict"),
    # IEC 60751: 107.79 ohms at 20 degrees; class B is plus or minus 0.4 kelvins there, which is 0.156 ohms.
    [("107.79", "conforming"), ("107.94", "conforming"), ("107.96", "nonconforming"), ("107.62", "nonconforming")],
)
def test_a_platinum_probe_is_judged_by_its_class_at_the_temperature_beside_it(ohms: str, verdict: str) -> None:
    figure = worked(talk_on(PROBE, "twenty", ohms))
    assert figure["verdict"] == verdict
    assert figure["limits"] == ["-0.4", "0.4"]


def test_a_temperature_in_fahrenheit_is_as_good() -> None:
    talk = talk_on(PROBE, "sixty eight degrees fahrenheit", "one zero seven point seven nine")
    assert worked(talk)["verdict"] == "conforming"
    assert abs(Decimal(worked(talk)["value"])) < Decimal("0.01")


NTC = (
    measure("bath", CELSIUS)
    + measure("sensor")
    + calculate(
        "{deviation_percent: [sensor, {thermistor_resistance: {temperature: bath, ohms_at_25: 10000, beta: 3977, "
        "lowest: 0, highest: 50}}]}",
        "{between: [-3, 3]}",
        "percent",
    )
)


def test_a_thermistor_is_judged_by_its_curve() -> None:
    assert worked(talk_on(NTC, "twenty five", "ten kilo ohms"))["value"] == "0"
    assert worked(talk_on(NTC, "ten", "twenty kilo ohms"))["verdict"] == "conforming"  # 20.27 kilohms


def test_outside_its_curve_a_figure_is_undecided_and_says_why() -> None:
    talk = talk_on(NTC, "eighty", "ten kilo ohms")
    assert worked(talk)["verdict"] == "undecided"
    assert "this thermistor curve is known from 0 to 50 degrees Celsius" in worked(talk)["reason"]
    assert talk.session.at == "sensor"


def test_a_winding_is_corrected_to_twenty_degrees() -> None:
    steps = measure("ambient", CELSIUS) + measure("coil")
    steps += calculate("{winding_resistance: {resistance: coil, temperature: ambient}}", "{between: [4.8, 5]}")
    figure = worked(talk_on(steps, "thirty five", "five point two"))
    assert figure["verdict"] == "conforming"
    assert figure["words"] == "four point nine one ohms"  # 5.2 * 254.5 / 269.5


def test_superheat_is_what_the_pipe_has_above_the_boiling_point() -> None:
    steps = measure("suction", "quantity: pressure, unit: bar") + measure("pipe", CELSIUS)
    steps += calculate(
        "{difference: [pipe, {saturation_temperature: {pressure: suction, refrigerant: R134a, side: dew}}]}",
        "{between: [4, 8]}",
        "kelvin",
    )
    # R134a boils at 0 degrees at 2.928 bar absolute (CoolProp 8.0.0), 1.915 bar by the gauge.
    figure = worked(talk_on(steps, "one point nine one five bar", "six"))
    assert figure["verdict"] == "conforming"
    assert float(figure["value"]) == pytest.approx(6, abs=0.02)


def test_near_a_limit_a_figure_is_undecided_by_as_much_as_its_readings_leave_open() -> None:
    (meter,) = load_meters([Path(__file__).parents[2] / "meters" / "ostrel-61.yaml"])
    procedure = small("steps:\n" + SIBLINGS + ENDS)
    talk = Talk(procedure, meters=(meter,)).hear("five point zero zero", "nine point zero one")
    figure = worked(talk)
    assert (figure["value"], figure["verdict"]) == ("4.01", "undecided")
    # 0.5 percent and two counts of 0.01: bands of 0.045 and 0.065 ohms, of which the roots of the squares add up.
    assert float(figure["uncertainty"]) == pytest.approx(2 * math.sqrt((0.045**2 + 0.06505**2) / 3), rel=0.05)
    assert talk.session.at == "path-two"
    assert Decimal(figure["conformity"]) < Decimal("0.5")
    assert worked(talk.hear("eight point five zero"))["verdict"] == "conforming"


def test_a_nameplate_is_exact_whatever_meter_is_in_use() -> None:
    (meter,) = load_meters([Path(__file__).parents[2] / "meters" / "ostrel-61.yaml"])
    talk = Talk(small("steps:\n" + HEATER + ENDS), meters=(meter,)).hear(
        "two hundred thirty volts", "one thousand watts"
    )
    assert all("meter" not in reading for reading in talk.all(Mark.READING))
    figure = worked(talk.hear("fifty two point nine zero"))
    # Only the heater's own reading is uncertain: 0.5 percent and two counts of 52.90 ohms, in percent of 52.9.
    assert float(figure["uncertainty"]) == pytest.approx(2 * (0.2645 + 0.02) / math.sqrt(3) / 52.9 * 100, rel=0.05)


def test_a_corrected_reading_has_the_figure_worked_out_anew_and_may_lead_elsewhere() -> None:
    steps = measure("one") + measure("two") + calculate("{difference: [two, one]}", "{between: [2, 4]}")
    steps += "  - {id: note, kind: do, say: Note the load., next: sound}\n"
    talk = talk_on(steps, "five", "eight")
    assert talk.session.at == "note"
    talk.hear("correction eight point five")
    assert "Figure: three point five ohms, between two and four: conforming." in talk.said
    assert talk.session.at == "note"
    talk.hear("correction nine point five")
    assert talk.hear("affirm").session.finding == "It is bad."
    assert [figure["value"] for figure in talk.all(Mark.CALCULATED)] == ["3", "3.5", "4.5"]


def test_a_figure_may_be_made_from_a_figure() -> None:
    steps = measure("one") + measure("two")
    steps += "  - {id: sum, kind: calculate, figure: sum, calculate: {sum: [one, two]}, unit: ohm}\n"
    steps += calculate("{ratio: [sum, one]}", "{at_least: 2}", None)
    figure = worked(talk_on(steps, "five", "ten"))
    assert (figure["value"], figure["unit"], figure["verdict"]) == ("3", None, "conforming")
    assert figure["inputs"][0]["reading"] == "sum"


def test_a_ratio_to_zero_is_undecided() -> None:
    steps = measure("one") + measure("two") + calculate("{ratio: [two, one]}", "{at_least: 2}", None)
    talk = talk_on(steps, "zero", "five")
    assert worked(talk)["verdict"] == "undecided"
    assert "zero as far as the meter can tell" in worked(talk)["reason"]


def test_what_a_writer_may_name_is_what_the_curves_know() -> None:
    assert model.Refrigerant.__args__ == REFRIGERANTS
    assert set(model.PlatinumClass.model_fields["platinum_class"].annotation.__args__) == set(PlatinumClass)
    fields = model.WindingResistance.model_fields["winding_resistance"].annotation.model_fields
    assert set(fields["conductor"].annotation.__args__) == set(Conductor)
