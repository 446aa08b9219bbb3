"""A reading in words, as the tool says it back.

The one rule: what is said back parses to the very reading it was made from, so a technician hears what will stand in
the record and nothing else.
"""

from __future__ import annotations

from handsfree.spoken.meaning import Kind, Reading
from handsfree.spoken.numbers import say_number
from handsfree.spoken.units import say_unit

_KIND = {Kind.READING: "", Kind.ABOVE: "greater than ", Kind.BELOW: "less than "}


def say_reading(reading: Reading, *, by_digits: bool = False) -> str:
    """A reading in words: "five point two zero ohms", "greater than five hundred megohms", "over range megohms".

    ``by_digits`` says every digit by itself ("one six zero volts"), so that fifteen and fifty cannot be confused.
    """
    if reading.value is None:
        return "over range" if reading.unit is None else f"over range {say_unit(reading.unit)}"
    said = say_value(reading.value, reading.unit, waveform=reading.waveform, by_digits=by_digits)
    return _KIND[reading.kind] + said


def say_value(value: str, unit: str | None, *, waveform: str | None = None, by_digits: bool = False) -> str:
    """A decimal string and its unit in words; a unit that is not in the table is refused with KeyError."""
    words = say_number(value, by_digits=by_digits)
    if unit not in (None, "dimensionless"):
        words += f" {say_unit(unit, one=value == '1')}"
    if waveform is not None:
        words += f" {' '.join(waveform)}"
    return words
