"""Meter files: what is wrong has its place and its remedy; what is right is a meter."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.judge.meterfile import load_meters, loads_meter
from handsfree.procedure.document import Problem, ProcedureError
from handsfree.procedure.load import loads
from handsfree.spoken.meaning import Quantity

ROOT = Path(__file__).parents[2]
GOOD = """\
meter: bench-two
name: Ostrel 61
serial: 0417
called: [the yellow one]
calibration_due: 2031-05-31
ratings:
  - {category: CAT III, volts: 600}
functions:
  - quantity: resistance
    unit: ohm
    ranges:
      - {up_to: 60, resolution: 0.01, percent: 0.5, counts: 2}
      - {up_to: 600, resolution: 0.1, percent: 0.5, counts: 2}
"""


def told(source: str | bytes) -> list[str]:
    with pytest.raises(ProcedureError) as raised:
        loads_meter(source if isinstance(source, bytes) else source.encode(), "m.yaml")
    return str(raised.value).splitlines()


def test_a_meter_file_is_a_meter_with_every_figure_as_written() -> None:
    meter = loads_meter(GOOD.encode(), "m.yaml")
    assert (meter.meter, meter.serial, meter.called) == ("bench-two", "0417", ("the yellow one",))
    assert meter.functions[0].ranges[0].resolution == Decimal("0.01")


def test_a_record_holds_the_whole_meter() -> None:
    meter = loads_meter(GOOD.encode(), "m.yaml")
    assert type(meter).model_validate(meter.model_dump(mode="json")) == meter


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("meter: bench-two\n", "", '1:1: the meter has no "meter"; add "meter: bench-two"'),
        (
            "meter: bench-two",
            "meter: Bench 2",
            '1:8: "Bench 2" cannot be a name; write small letters, digits and dashes, such as "meter: bench-two"',
        ),
        ("2031-05-31", "31.5.2031", '5:18: "31.5.2031" is not a date; write year-month-day, such as "2031-05-31"'),
        ("2031-05-31", "2031-02-31", '5:18: "2031-02-31" is not a date; write year-month-day, such as "2031-05-31"'),
        ("2031-05-31", "20310531", '5:18: "20310531" is not a date; write year-month-day, such as "2031-05-31"'),
        ("2031-05-31", "", '5:17: "calibration_due" has no value; write "calibration_due: 2031-05-31"'),
        ("CAT III", "CAT I", '7:16: "I" is no measurement category; write one of CAT II, CAT III, CAT IV'),
        ("volts: 600", "volts: -600", '7:32: "volts" is -600; write a number above zero'),
        (", volts: 600", "", '7:5: the rating has no "volts"; add "volts: 600"'),
        (
            "quantity: resistance",
            "quantity: ohms",
            '9:15: "ohms" is not a value of "quantity"; write one of resistance, '
            "voltage, current, capacitance, temperature, pressure, frequency, ratio, torque, mass, length, time, "
            "power, count",
        ),
        (
            "unit: ohm",
            "unit: volt",
            "9:5: volt is not a unit of resistance; it measures voltage; write one of "
            "gigaohm, kiloohm, megaohm, microohm, milliohm, ohm",
        ),
        (
            "unit: ohm",
            "unit: Ω",
            "9:5: Ω is not a unit of resistance; write one of gigaohm, kiloohm, megaohm, microohm, milliohm, ohm",
        ),
        (
            "unit: ohm",
            "unit: ohm\n    waveform: sine",
            '11:15: "sine" is not a value of "waveform"; write one of ac, dc',
        ),
        (
            "percent: 0.5, counts: 2}\n      - {up_to: 600",
            "percent: 0.5%, counts: 2}\n      - {up_to: 600",
            '12:48: "0.5%" is not a plain number; write digits with a decimal point, such as 7 or 0.25',
        ),
        ("up_to: 60,", "up_to: 0,", '12:17: "up_to" is 0; write a number above zero'),
        (
            ", counts: 2}\n      - {up_to: 600",
            ", counts: -2}\n      - {up_to: 600",
            '12:61: "counts" is -2; write a number of zero or more',
        ),
        (
            "up_to: 60,",
            "upto: 60,",
            '12:10: unknown key "upto"; write "up_to"; allowed here: up_to, resolution, percent, counts',
        ),
        (
            "up_to: 60,",
            "up_to: 6000,",
            "9:5: ranges stand from the lowest to the highest, and 600 is after 6000; put the "
            "ranges in order, as the data sheet has them",
        ),
        (
            "resolution: 0.1,",
            "resolution: 1000,",
            "13:9: a last digit of 1000 is no smaller than the range, 600; the two may be swapped",
        ),
        (
            "[the yellow one]",
            "[meter 2]",
            '4:10: "meter 2" cannot be a phrase to say; write words of letters only, numbers as words too',
        ),
        (
            "[the yellow one]",
            "[stand by]",
            '4:10: "stand by" is a procedure word; choose words that say what it looks like',
        ),
        ("name: Ostrel 61", 'name: ""', '2:7: "name" is ""; write "name: the maker\'s name and the model"'),
    ],
)
def test_a_fault_is_told_at_its_place_with_its_remedy(old: str, new: str, line: str) -> None:
    assert old in GOOD
    found = told(GOOD.replace(old, new, 1))
    assert f"m.yaml:{line}" in found
    assert len(found) == 1 or "upto" in new


@pytest.mark.parametrize(
    ("source", "line"),
    [
        (b"", '1:1: the file is empty; begin it with "meter: bench-two"'),
        (b"# nothing\n", '1:1: the file holds only comments; begin with "meter: bench-two"'),
        (b"- a\n", '1:1: the file does not hold a meter\'s keys; begin it with "meter: bench-two"'),
        (b"meter: \xff", "1:8: byte 0xff is not UTF-8; save the file as UTF-8"),
    ],
)
def test_a_file_that_is_no_meter_says_how_one_begins(source: bytes, line: str) -> None:
    assert told(source) == [f"m.yaml:{line}"]


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.sampled_from(["", ":", "-", "{", "[", "'", " ", "\n", "x", "9", "\t", "~"]))
def test_no_mutation_gets_past_the_errors(place: int, new: str) -> None:
    source = (GOOD[:place] + new + GOOD[place + 1 :]).encode()
    problems: tuple[Problem, ...] = ()
    try:
        loads_meter(source, "m.yaml")
    except ProcedureError as error:
        problems = error.problems
    assert all("pydantic" not in str(problem) and "Input should" not in str(problem) for problem in problems)


def test_a_folder_is_all_the_meters_in_it(tmp_path: Path) -> None:
    (tmp_path / "b.yaml").write_text(GOOD, encoding="utf-8")
    other = GOOD.replace("bench-two", "bench-one").replace("the yellow one", "the old one")
    (tmp_path / "a.yaml").write_text(other, encoding="utf-8")
    assert [meter.meter for meter in load_meters([tmp_path])] == ["bench-one", "bench-two"]
    assert [meter.meter for meter in load_meters([tmp_path / "b.yaml"])] == ["bench-two"]


def test_meters_that_cannot_be_told_apart_are_refused(tmp_path: Path) -> None:
    for name, text in (("a", GOOD), ("b", GOOD), ("c", GOOD.replace("bench-two", "bench-one"))):
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(ProcedureError) as raised:
        load_meters([tmp_path])
    assert 'the meter "bench-two" is in another file already; give each meter a name of its own' in str(raised.value)
    assert '"the yellow one" is what the meter "bench-two" is called' in str(raised.value)


def test_a_folder_without_meters_and_a_missing_file_are_told(tmp_path: Path) -> None:
    with pytest.raises(ProcedureError, match="there is no meter file in this folder; put a file such as"):
        load_meters([tmp_path])
    with pytest.raises(ProcedureError, match="there is no such file"):
        load_meters([tmp_path / "none.yaml"])


def test_the_meters_that_come_with_the_program_are_two() -> None:
    meter, gauge = load_meters([ROOT / "meters"])
    assert meter.ratings
    assert {function.quantity for function in gauge.functions} == {Quantity.TEMPERATURE, Quantity.PRESSURE}
    assert not gauge.ratings  # not for circuits of the supply


def test_a_procedure_and_a_meter_are_not_taken_for_each_other() -> None:
    assert told("procedure: example\nsteps: []\n") == [
        "m.yaml:1:1: this is the file of a procedure, not of a meter; name a meter's file behind --meter, and the "
        "procedure without it"
    ]
    with pytest.raises(ProcedureError) as raised:
        loads(GOOD.encode(), "m.yaml")
    assert str(raised.value) == (
        "m.yaml:1:1: this is the file of a meter, not of a procedure; name a procedure; a meter's file is named with "
        "it: PROCEDURE --meter m.yaml"
    )
