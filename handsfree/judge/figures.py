"""Figures worked out from earlier readings: differences, ratios, nameplates, reference curves, imbalance.

The one rule: a figure is made from the readings themselves with their uncertainty, in the units that they were read in;
units are converted here and nowhere else. What cannot be worked out raises JudgingError, and the figure is undecided.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from handsfree.judge.curves import (
    Beta,
    Conductor,
    PlatinumClass,
    Saturation,
    SteinhartHart,
    absolute,
    heater_ohms,
    platinum_celsius,
    platinum_error,
    platinum_tolerance,
    saturation_celsius,
    winding_at,
)
from handsfree.judge.decision import Rule, decide
from handsfree.judge.insulation import at_40, minimum
from handsfree.judge.several import Imbalance, deviation_percent, imbalance
from handsfree.judge.uncertain import JudgingError, Uncertain, exact, total
from handsfree.judge.verdict import in_unit, say_limit
from handsfree.procedure import model
from handsfree.procedure.model import Calculate, Figure, Verdict, bounds
from handsfree.spoken.meaning import Kind, Reading
from handsfree.spoken.readback import say_reading, say_value

_CELSIUS, _OHM, _MEGOHM, _VOLT, _WATT, _KILOPASCAL = (
    "degree_Celsius",
    "ohm",
    "megaohm",
    "volt",
    "watt",
    "kilopascal",
)


@dataclass(frozen=True, slots=True)
class Known:
    """A reading, or a figure worked out. ``unit`` is pint's name, None for a plain ratio.

    ``difference`` marks a difference of temperatures, which is converted without the offset of the scale.
    """

    value: Uncertain
    unit: str | None
    difference: bool = False


@dataclass(frozen=True, slots=True)
class Worked:
    """What came of a calculate step. ``known`` is None where nothing could be worked out: ``reason`` says why.

    ``limits`` are the lowest and the highest conforming value in the step's unit, None without a limit; ``limit`` says
    the limit in words. ``conformity`` is the probability that the true value conforms.
    """

    known: Known | None
    verdict: Verdict | None
    limit: str
    reason: str
    limits: tuple[Decimal, Decimal] | None = None
    conformity: float | None = None


def known_reading(reading: Reading, value: Uncertain | None, unit: str | None) -> Known:
    """A reading to work with; ``value`` is what it is in ``unit``, with the uncertainty that is known of it.

    Raises JudgingError for over range and for bounds, which are no values.
    """
    if reading.kind is not Kind.READING or value is None:
        raise JudgingError(f"{say_reading(reading)} is only a bound, and nothing can be worked out from it")
    return Known(value, unit)


def judge_figure(
    step: Calculate, known: Mapping[str, Known], rule: Rule = Rule.ISO_14253_1, ratio: Decimal = Decimal(1)
) -> Worked:
    """Works the figure of a step out from what is known of others, by their ids, and judges it.

    What cannot be worked out is undecided where it would be judged. Raises KeyError for an input that is not there.
    """
    try:
        found = _of(step.calculate, known)
        if step.unit is not None:
            found = replace(found, value=_into(found, step.unit), unit=step.unit)
        limits = None if step.limit is None else _limits(step, known)
    except JudgingError as error:
        verdict = None if step.limit is None else Verdict.UNDECIDED
        return Worked(None, verdict, "" if step.limit is None else _words(step), str(error))
    if step.limit is None or limits is None:
        return Worked(found, None, "", "")
    decision = decide(found.value, limits, rule, ratio)
    reason = decision.reason
    if isinstance(step.calculate, model.ImbalancePercent) and decision.verdict is not Verdict.CONFORMING:
        values = {_named(part): _of(part, known) for part in step.calculate.imbalance_percent}
        worst = _imbalance(values).worst
        reason = "; ".join(filter(None, (f"furthest from the mean: {worst.replace('-', ' ')}", reason)))
    return Worked(found, decision.verdict, _words(step), reason, limits, decision.conformity)


def say_figure(step: Calculate, worked: Worked) -> str:
    """The value in words, with the digits that tell it from its limits; empty where nothing was worked out."""
    if worked.known is None:
        return ""
    limits = () if worked.limits is None else worked.limits
    value = worked.known.value
    return say_value(plain(value.value, limits, value.expanded), worked.known.unit or step.unit)


def plain(value: Decimal, limits: tuple[Decimal, ...] = (), expanded: float = 0.0) -> str:
    """A figure with three significant digits, or with all where it has few; more where it would else be on a limit.

    No finer than two digits of its expanded uncertainty, where that is known.
    """
    if value == 0:
        return "0"
    exactly = value.normalize()
    if len(exactly.as_tuple().digits) <= 4:
        return format(exactly, "f")
    finest = value.adjusted() - 2
    finest = min(finest, -1) if value.adjusted() <= 2 else finest
    if expanded:
        finest = max(finest, Decimal(repr(expanded)).adjusted() - 1)
    for exponent in range(finest, finest - 12, -1):
        rounded = value.quantize(Decimal(1).scaleb(exponent)) if exponent < 0 else round(value, -exponent)
        if rounded not in limits:
            return format(rounded.normalize() + 0, "f")
    return format(exactly, "f")


def ten_digits(value: Decimal) -> str:
    """For the record, as a decimal string: the last bits of a curve differ from one machine to another."""
    return format(Decimal(f"{value:.10g}").normalize(), "f")


def formula(figure: Figure, name: Callable[[str], str]) -> str:
    """How a figure is worked out, for the record; ``name`` gives the name of what a step reads."""

    def of(part: Figure) -> str:
        text = formula(part, name)
        return text if isinstance(part, str) else f"({text})"

    def shown(resistance: Figure, nominal: Decimal) -> str:
        return f"temperature at {of(resistance)} by IEC 60751, {nominal:f} Ω at 0 °C"

    match figure:
        case str():
            return name(figure)
        case model.Sum(sum=parts):
            return " + ".join(map(of, parts))
        case model.Mean(mean=parts):
            return f"mean of {', '.join(map(of, parts))}"
        case model.Difference(difference=(first, second)):
            return f"{of(first)} − {of(second)}"
        case model.Ratio(ratio=(first, second)):
            return f"{of(first)} / {of(second)}"
        case model.DeviationPercent(deviation_percent=(first, second)):
            return f"({of(first)} − {of(second)}) / {of(second)}, in percent"
        case model.ImbalancePercent(imbalance_percent=parts):
            return f"greatest deviation from the mean of {', '.join(map(of, parts))}, in percent of the mean"
        case model.HeaterResistance(heater_resistance=plate):
            return f"{of(plate.voltage)}² / {of(plate.power)}"
        case model.WindingResistance(winding_resistance=winding):
            nought = "234.5" if winding.conductor == "copper" else "225"
            to = f"{winding.corrected_to:f}"
            return f"{of(winding.resistance)} × ({nought} + {to}) / ({nought} + {of(winding.temperature)})"
        case model.PlatinumTemperature(platinum_temperature=sensor):
            return shown(sensor.resistance, sensor.nominal)
        case model.PlatinumError(platinum_error=sensor):
            return f"{shown(sensor.resistance, sensor.nominal)}, − {of(sensor.temperature)}"
        case model.ThermistorResistance(thermistor_resistance=sensor):
            return f"resistance at {of(sensor.temperature)} by {_curve_words(sensor)}"
        case model.ThermistorTemperature(thermistor_temperature=sensor):
            return f"temperature at {of(sensor.resistance)} by {_curve_words(sensor)}"
        case model.SaturationTemperature(saturation_temperature=boiling):
            point = f"{boiling.side} point of {boiling.refrigerant}"
            return f"{point} at {of(boiling.pressure)} ({boiling.pressure_is})"
        case model.InsulationAt40(insulation_at_40=insulation):
            return f"{of(insulation.resistance)} × 0.5^((40 − {of(insulation.temperature)}) / 10)"


def _of(figure: Figure, known: Mapping[str, Known]) -> Known:
    match figure:
        case str():
            return known[figure]
        case model.Sum(sum=parts):
            values, first = _alike(parts, known)
            return replace(first, value=total(values))
        case model.Mean(mean=parts):
            values, first = _alike(parts, known)
            return replace(first, value=total(values) / len(values))
        case model.Difference(difference=parts):
            (value, other), first = _alike(parts, known)
            return replace(first, value=value - other, difference=True)
        case model.Ratio(ratio=parts):
            (value, other), _ = _alike(parts, known)
            return Known(value / other, None)
        case model.DeviationPercent(deviation_percent=parts):
            (value, other), _ = _alike(parts, known)
            return Known(deviation_percent(value, other), "percent")
        case model.ImbalancePercent(imbalance_percent=parts):
            return Known(_imbalance({_named(part): _of(part, known) for part in parts}).percent, "percent")
        case model.HeaterResistance(heater_resistance=plate):
            volts, watts = _into(_of(plate.voltage, known), _VOLT), _into(_of(plate.power, known), _WATT)
            return Known(heater_ohms(volts, watts), _OHM)
        case model.WindingResistance(winding_resistance=winding):
            ohms = _into(_of(winding.resistance, known), _OHM)
            celsius = _into(_of(winding.temperature, known), _CELSIUS)
            return Known(winding_at(ohms, celsius, winding.corrected_to, Conductor(winding.conductor)), _OHM)
        case model.PlatinumTemperature(platinum_temperature=sensor):
            return Known(platinum_celsius(_into(_of(sensor.resistance, known), _OHM), sensor.nominal), _CELSIUS)
        case model.PlatinumError(platinum_error=sensor):
            ohms = _into(_of(sensor.resistance, known), _OHM)
            celsius = _into(_of(sensor.temperature, known), _CELSIUS)
            return Known(platinum_error(ohms, celsius, sensor.nominal), _CELSIUS, difference=True)
        case model.ThermistorResistance(thermistor_resistance=sensor):
            return Known(_curve(sensor).ohms(_into(_of(sensor.temperature, known), _CELSIUS)), _OHM)
        case model.ThermistorTemperature(thermistor_temperature=sensor):
            return Known(_curve(sensor).celsius(_into(_of(sensor.resistance, known), _OHM)), _CELSIUS)
        case model.SaturationTemperature(saturation_temperature=boiling):
            pressure = _into(_of(boiling.pressure, known), _KILOPASCAL)
            if boiling.pressure_is == "gauge":
                pressure = absolute(pressure)
            return Known(saturation_celsius(boiling.refrigerant, pressure, Saturation(boiling.side)), _CELSIUS)
        case model.InsulationAt40(insulation_at_40=insulation):
            megohms = _into(_of(insulation.resistance, known), _MEGOHM)
            return Known(at_40(megohms, _into(_of(insulation.temperature, known), _CELSIUS)), _MEGOHM)


def _alike(parts: tuple[Figure, ...], known: Mapping[str, Known]) -> tuple[list[Uncertain], Known]:
    """Figures in the unit of the first of them, and that first one."""
    found = [_of(part, known) for part in parts]
    return [_into(one, found[0].unit) for one in found], found[0]


def _imbalance(parts: Mapping[str, Known]) -> Imbalance:
    unit = next(iter(parts.values())).unit
    values = {name: _into(part, unit) for name, part in parts.items()}
    if min(value.value for value in values.values()) < 0 < max(value.value for value in values.values()):
        raise JudgingError("imbalance is for readings of one sign: measure them the same way round")
    return imbalance(values)


def _named(part: Figure) -> str:
    return part if isinstance(part, str) else formula(part, str)


def _into(known: Known, unit: str | None) -> Uncertain:
    """The value in another unit of the same dimension."""
    if known.unit == unit:
        return known.value
    nought = _number(Decimal(0), known.unit, unit)
    scale = _number(Decimal(1), known.unit, unit) - nought
    value = known.value.value
    moved = value * scale if known.difference else _number(value, known.unit, unit)
    return Uncertain(moved, {source: part * float(scale) for source, part in known.value.parts.items()})


def _number(value: Decimal, unit: str | None, into: str | None) -> Decimal:
    return in_unit(Reading(Kind.READING, format(value, "f"), unit), into)


def _curve(sensor: model.Thermistor) -> Beta | SteinhartHart:
    if sensor.steinhart_hart is not None:
        return SteinhartHart(*sensor.steinhart_hart, sensor.lowest, sensor.highest)
    assert sensor.ohms_at_25 is not None and sensor.beta is not None  # noqa: PT018
    return Beta(sensor.ohms_at_25, sensor.beta, sensor.lowest, sensor.highest)


def _curve_words(sensor: model.Thermistor) -> str:
    if sensor.steinhart_hart is not None:
        return f"Steinhart-Hart {', '.join(f'{part}' for part in sensor.steinhart_hart)}"
    return f"{sensor.ohms_at_25:f} Ω at 25 °C and B = {sensor.beta:f} K"


def _limits(step: Calculate, known: Mapping[str, Known]) -> tuple[Decimal, Decimal]:
    """The limits in the step's unit."""
    assert step.limit is not None
    if isinstance(step.limit, model.InsulationMinimum):
        rated = step.limit.insulation_minimum
        megohms = minimum(rated.winding, rated.rated_volts / 1000)
        return _number(megohms, _MEGOHM, step.unit), Decimal("Infinity")
    if not isinstance(step.limit, model.PlatinumClass):
        return bounds(step.limit)
    assert isinstance(step.calculate, model.PlatinumError)
    celsius = _into(_of(step.calculate.platinum_error.temperature, known), _CELSIUS)
    tolerance = platinum_tolerance(celsius.value, PlatinumClass(step.limit.platinum_class))
    width = _into(Known(exact(tolerance), _CELSIUS, difference=True), step.unit).value
    return -width, width


def _words(step: Calculate) -> str:
    assert step.limit is not None
    if isinstance(step.limit, model.PlatinumClass):
        return f"class {step.limit.platinum_class}"
    if isinstance(step.limit, model.InsulationMinimum):
        least, _ = _limits(step, {})
        return f"at least {say_value(format(least.normalize(), 'f'), step.unit)}"
    return say_limit(step.limit)
