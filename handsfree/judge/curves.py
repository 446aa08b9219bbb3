"""Reference curves: what a part should read at a measured temperature, and the other way round.

The one rule: a curve answers inside the range it was published for and refuses outside it with a sentence; the error of
a fit joins the uncertainty under its own name. Temperatures are in degrees Celsius, resistances in ohms, pressures
absolute and in kilopascals.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from handsfree.judge.uncertain import JudgingError, Source, Uncertain, rectangular
from handsfree.procedure.ranges import PLATINUM, WINDING

_KELVIN = 273.15  # of 0 degC

# -- platinum (IEC 60751:2022) -----------------------------------------------------------------------------------------

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12


@dataclass(frozen=True, slots=True)
class _Tolerance:
    at_zero: Decimal
    per_degree: Decimal
    lowest: Decimal
    highest: Decimal


class PlatinumClass(StrEnum):
    """Tolerance classes of IEC 60751:2008 on."""

    AA = "AA"
    A = "A"
    B = "B"
    C = "C"


# Ranges for wire-wound resistors, IEC 60751:2008, table 3 (from memory).
_TOLERANCE = {
    PlatinumClass.AA: _Tolerance(Decimal("0.1"), Decimal("0.0017"), Decimal(-50), Decimal(250)),
    PlatinumClass.A: _Tolerance(Decimal("0.15"), Decimal("0.002"), Decimal(-100), Decimal(450)),
    PlatinumClass.B: _Tolerance(Decimal("0.3"), Decimal("0.005"), Decimal(-196), Decimal(600)),
    PlatinumClass.C: _Tolerance(Decimal("0.6"), Decimal("0.01"), Decimal(-196), Decimal(600)),
}


def platinum_ohms(celsius: Uncertain, nominal: Decimal = Decimal(100)) -> Uncertain:
    """Resistance of a platinum thermometer at a temperature from -200 to 850 degC (Callendar-Van Dusen equation).

    ``nominal`` is the resistance at 0 degC: 100 for a Pt100, 1000 for a Pt1000. Raises JudgingError outside the range.
    """
    inside(celsius, PLATINUM, "a platinum thermometer", "degrees Celsius")
    scale, t = float(nominal), float(celsius.value)
    return celsius.through(lambda t: scale * _platinum(t), scale * _platinum_slope(t))


def platinum_celsius(ohms: Uncertain, nominal: Decimal = Decimal(100)) -> Uncertain:
    """Temperature of a platinum thermometer from its resistance, the inverse of ``platinum_ohms``, to 1e-9 K.

    Raises JudgingError for a resistance that belongs to no temperature from -200 to 850 degC.
    """
    scale = float(nominal)
    inside(ohms, (scale * _platinum(PLATINUM[0]), scale * _platinum(PLATINUM[1])), "a platinum thermometer", "ohms")

    def invert(ohms: float) -> float:
        wanted = ohms / scale
        if wanted >= 1:
            return (-_A + math.sqrt(_A * _A - 4 * _B * (1 - wanted))) / (2 * _B)
        return _newton(lambda t: _platinum(t) - wanted, _platinum_slope, (wanted - 1) / _A)

    return ohms.through(invert, 1 / (scale * _platinum_slope(invert(float(ohms.value)))))


def platinum_tolerance(celsius: Decimal, accuracy: PlatinumClass) -> Decimal:
    """The tolerance of a class at a temperature, plus or minus so many kelvins (IEC 60751, 5.1.3).

    Raises JudgingError outside the range of the class (that of wire-wound resistors).
    """
    tolerance = _TOLERANCE[accuracy]
    if not tolerance.lowest <= celsius <= tolerance.highest:
        raise JudgingError(
            f"class {accuracy} holds from {tolerance.lowest} to {tolerance.highest} degrees Celsius, "
            f"and this is {celsius}: compare at another temperature"
        )
    return tolerance.at_zero + tolerance.per_degree * abs(celsius)


def platinum_error(ohms: Uncertain, celsius: Uncertain, nominal: Decimal = Decimal(100)) -> Uncertain:
    """What a thermometer shows less what it should, in kelvins: to be judged within plus or minus its tolerance."""
    return platinum_celsius(ohms, nominal) - celsius


def _platinum(t: float) -> float:
    below = _C * (t - 100) * t**3 if t < 0 else 0.0
    return 1 + _A * t + _B * t * t + below


def _platinum_slope(t: float) -> float:
    below = _C * (4 * t**3 - 300 * t * t) if t < 0 else 0.0
    return _A + 2 * _B * t + below


# -- thermistors -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Beta:
    """R = R25 exp(B (1/T - 1/298.15)) (IEC 60539-1), T in kelvins.

    B is right at the two temperatures it was made from (``lowest`` and ``highest``, degC) and good between them only:
    a common 10 kilohm part with B 25/85 is 3.8 percent off its own table at 0 degC. Outside them the curve refuses.
    """

    ohms_at_25: Decimal
    beta: Decimal
    lowest: Decimal
    highest: Decimal

    def __post_init__(self) -> None:
        _above_zero(self.ohms_at_25, "the resistance at 25 degrees")
        _above_zero(self.beta, "B")
        _in_order(self.lowest, self.highest)

    def ohms(self, celsius: Uncertain) -> Uncertain:
        """Resistance at a temperature within the range; JudgingError outside."""
        inside(celsius, (float(self.lowest), float(self.highest)), "this thermistor curve", "degrees Celsius")
        ohms = self._ohms(float(celsius.value))
        return celsius.through(self._ohms, -ohms * float(self.beta) / (float(celsius.value) + _KELVIN) ** 2)

    def celsius(self, ohms: Uncertain) -> Uncertain:
        """Temperature from a resistance within the range; JudgingError outside."""
        ends = self._ohms(float(self.highest)), self._ohms(float(self.lowest))
        inside(ohms, ends, "this thermistor curve", "ohms")
        kelvins = self._kelvins(float(ohms.value))
        return ohms.through(
            lambda ohms: self._kelvins(ohms) - _KELVIN, -(kelvins**2) / (float(self.beta) * float(ohms.value))
        )

    def _ohms(self, celsius: float) -> float:
        return float(self.ohms_at_25) * math.exp(float(self.beta) * (1 / (celsius + _KELVIN) - 1 / 298.15))

    def _kelvins(self, ohms: float) -> float:
        return 1 / (1 / 298.15 + math.log(ohms / float(self.ohms_at_25)) / float(self.beta))


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """1/T = a + b ln R + c (ln R)^3, T in kelvins and R in ohms (Steinhart and Hart, Deep-Sea Research 15, 1968).

    Refuses outside ``lowest`` to ``highest`` (degC), the range that the coefficients were fitted over.
    """

    a: Decimal
    b: Decimal
    c: Decimal
    lowest: Decimal
    highest: Decimal

    def __post_init__(self) -> None:
        _above_zero(self.b, "b")
        _above_zero(self.c, "c")
        _in_order(self.lowest, self.highest)

    def ohms(self, celsius: Uncertain) -> Uncertain:
        """Resistance at a temperature within the range; JudgingError outside."""
        inside(celsius, (float(self.lowest), float(self.highest)), "this thermistor curve", "degrees Celsius")
        kelvins = float(celsius.value) + _KELVIN
        ohms = self._ohms(float(celsius.value))
        return celsius.through(self._ohms, -ohms / (self._slope(ohms) * kelvins**2))

    def celsius(self, ohms: Uncertain) -> Uncertain:
        """Temperature from a resistance within the range; JudgingError outside."""
        ends = self._ohms(float(self.highest)), self._ohms(float(self.lowest))
        inside(ohms, ends, "this thermistor curve", "ohms")
        value = float(ohms.value)
        kelvins = self._kelvins(value)
        return ohms.through(lambda ohms: self._kelvins(ohms) - _KELVIN, -(kelvins**2) * self._slope(value) / value)

    def _kelvins(self, ohms: float) -> float:
        log = math.log(ohms)
        return 1 / (float(self.a) + float(self.b) * log + float(self.c) * log**3)

    def _slope(self, ohms: float) -> float:
        """d(1/T) / d(ln R)."""
        return float(self.b) + 3 * float(self.c) * math.log(ohms) ** 2

    def _ohms(self, celsius: float) -> float:
        # The one real root of a cubic without a square term (Cardano); b and c above zero make it the only one.
        p = float(self.b) / float(self.c)
        q = (float(self.a) - 1 / (celsius + _KELVIN)) / float(self.c)
        root = math.sqrt((q / 2) ** 2 + (p / 3) ** 3)
        return math.exp(math.cbrt(root - q / 2) - math.cbrt(root + q / 2))


# -- windings and heaters ----------------------------------------------------------------------------------------------


class Conductor(StrEnum):
    """What a winding is made of."""

    COPPER = "copper"
    ALUMINIUM = "aluminium"


# The temperature, below zero, where the straight line of resistance would end (IEC 60034-1, 8.6.2; IEEE 118).
_NOUGHT = {Conductor.COPPER: Decimal("234.5"), Conductor.ALUMINIUM: Decimal(225)}


def winding_at(
    ohms: Uncertain, celsius: Uncertain, reference: Decimal = Decimal(20), conductor: Conductor = Conductor.COPPER
) -> Uncertain:
    """Resistance of a winding corrected from the temperature it was read at to ``reference`` (20 or 25 degC).

    R' = R (k + reference) / (k + t) with k = 234.5 for copper. Raises JudgingError outside -50 to 200 degC.
    """
    inside(celsius, WINDING, f"the {conductor} line", "degrees Celsius")
    nought = _NOUGHT[conductor]
    return ohms * (nought + reference) / (celsius + nought)


def heater_ohms(volts: Uncertain, watts: Uncertain) -> Uncertain:
    """Resistance of a heater from its nameplate, V^2 / P, hot; a cold one may read less.

    Raises JudgingError for a voltage or a power that is not above zero.
    """
    if volts.value <= 0 or watts.value <= 0:
        raise JudgingError("a nameplate has a voltage and a power above zero: read the plate again")
    return volts * volts / watts


# -- refrigerants ------------------------------------------------------------------------------------------------------

ATMOSPHERE = Decimal("101.325")  # kPa; a gauge reads above it, a vacuum below


class Saturation(StrEnum):
    """A blend boils over a span of temperatures: bubble point for liquid, dew point for vapour."""

    BUBBLE = "bubble"
    DEW = "dew"


@dataclass(frozen=True, slots=True)
class _Fit:
    """ln(p / kPa) = sum of c_k x^k with x = 273.15 K / T - 1, so exp(c_0) is the pressure at 0 degC."""

    lowest: float
    highest: float
    dew: tuple[float, ...]
    bubble: tuple[float, ...] | None = None  # None for a pure gas, where it is the same

    def coefficients(self, side: Saturation) -> tuple[float, ...]:
        return self.bubble if self.bubble is not None and side is Saturation.BUBBLE else self.dew


# Fitted to CoolProp 8.0.0 (MIT licence), which has its equations of state from the literature, by
# tests/published/fit_saturation.py. None is off by more than this, over its whole range; a test holds it.
SATURATION_ERROR = Decimal("0.02")  # percent of pressure
_SATURATION: dict[str, _Fit] = {
    "R32": _Fit(-50.0, 60.0, dew=(6.700919, -8.749508, -0.5244551, -1.746274, 5.106131, -9.995268)),
    "R134a": _Fit(-50.0, 60.0, dew=(5.679525, -9.896611, -1.411882, -1.228066, 3.216009, -4.899004)),
    "R290": _Fit(-50.0, 60.0, dew=(6.162197, -8.341165, -0.5496703, -1.214376, 2.87242, -4.713978)),
    "R404A": _Fit(
        -50.0,
        60.0,
        dew=(6.397485, -8.705064, -0.7399962, -2.069175, 6.162715, -13.52291),
        bubble=(6.413844, -8.631221, -0.6507095, -1.930542, 6.003772, -12.58839),
    ),
    "R407C": _Fit(
        -50.0,
        60.0,
        dew=(6.132879, -9.559992, -1.216043, -1.944136, 6.130908, -12.37092),
        bubble=(6.341945, -8.88258, -0.8196784, -1.238175, 3.034448, -4.524451),
    ),
    "R410A": _Fit(
        -50.0,
        60.0,
        dew=(6.682316, -8.709328, -0.6213284, -1.875712, 6.838999, -15.40496),
        bubble=(6.685568, -8.707049, -0.6094924, -1.903003, 6.127999, -12.40145),
    ),
    "R507A": _Fit(
        -50.0,
        60.0,
        dew=(6.436236, -8.617772, -0.6708625, -1.881309, 7.154079, -17.60447),
        bubble=(6.436903, -8.620261, -0.6730191, -1.889673, 6.963525, -16.48151),
    ),
    "R600a": _Fit(-50.0, 60.0, dew=(5.055974, -9.681261, -1.206295, -0.7765349, 2.005397, -2.329572)),
    "R744": _Fit(-50.0, 25.0, dew=(8.156235, -7.228078, 0.3932009, -5.374161, 19.12163, -33.09927)),
    "R1234yf": _Fit(-50.0, 60.0, dew=(5.755389, -9.265323, -1.038969, -1.423236, 3.61367, -5.593839)),
}
REFRIGERANTS = tuple(_SATURATION)  # designations of ISO 817


def saturation_pressure(refrigerant: str, celsius: Uncertain, side: Saturation) -> Uncertain:
    """Absolute saturation pressure in kPa at a temperature. Raises JudgingError outside the fit, KeyError for a gas
    that is not in ``REFRIGERANTS``."""
    fit = _SATURATION[refrigerant]
    inside(celsius, (fit.lowest, fit.highest), f"the curve of {refrigerant}", "degrees Celsius")
    coefficients = fit.coefficients(side)
    pressure = celsius.through(
        lambda t: math.exp(_log_pressure(coefficients, t)),
        math.exp(_log_pressure(coefficients, float(celsius.value)))
        * _log_pressure_slope(coefficients, float(celsius.value)),
    )
    error = rectangular(float(SATURATION_ERROR / 100 * pressure.value))
    return pressure.also(_fit_error(refrigerant, side, celsius.value), error)


def saturation_celsius(refrigerant: str, kilopascals: Uncertain, side: Saturation) -> Uncertain:
    """Saturation temperature at an absolute pressure in kPa. Raises as ``saturation_pressure``."""
    fit = _SATURATION[refrigerant]
    coefficients = fit.coefficients(side)
    ends = math.exp(_log_pressure(coefficients, fit.lowest)), math.exp(_log_pressure(coefficients, fit.highest))
    inside(kilopascals, ends, f"the curve of {refrigerant}", "kilopascals absolute")

    def invert(pressure: float) -> float:
        return _newton(
            lambda t: _log_pressure(coefficients, t) - math.log(pressure),
            lambda t: _log_pressure_slope(coefficients, t),
            0.0,
        )

    pressure = float(kilopascals.value)
    slope = 1 / (pressure * _log_pressure_slope(coefficients, invert(pressure)))
    error = rectangular(float(SATURATION_ERROR) / 100 * pressure) * slope
    found = kilopascals.through(invert, slope)
    return found.also(_fit_error(refrigerant, side, found.value), -error)


def absolute(gauge: Uncertain, atmosphere: Decimal | Uncertain = ATMOSPHERE) -> Uncertain:
    """Absolute pressure from gauge pressure, both in kPa. Raises JudgingError for less than nothing."""
    pressure = gauge + atmosphere
    if pressure.value < 0:
        raise JudgingError(f"{gauge.value} kilopascals gauge is below a perfect vacuum: say the reading again")
    return pressure


def _fit_error(refrigerant: str, side: Saturation, celsius: Decimal) -> Source:
    """One error for one temperature; at two of them it may be the same or not."""
    curve = f"fit of {refrigerant} {side} pressure"
    return Source(f"{curve} at {round(celsius, 3) + 0:f} degrees Celsius", family=curve)


def _log_pressure(coefficients: tuple[float, ...], celsius: float) -> float:
    x = _KELVIN / (celsius + _KELVIN) - 1
    return math.fsum(c * x**k for k, c in enumerate(coefficients))


def _log_pressure_slope(coefficients: tuple[float, ...], celsius: float) -> float:
    """d(ln p) / dT, per kelvin."""
    kelvins = celsius + _KELVIN
    x = _KELVIN / kelvins - 1
    return -_KELVIN / kelvins**2 * math.fsum(k * c * x ** (k - 1) for k, c in enumerate(coefficients) if k)


# -- what the curves share ---------------------------------------------------------------------------------------------


def _newton(function: Callable[[float], float], slope: Callable[[float], float], start: float) -> float:
    """The root of a function whose slope changes little over its range, so the first step already lands near."""
    x = start
    for _ in range(50):
        step = function(x) / slope(x)
        x -= step
        if abs(step) < 1e-10:
            return x
    raise ArithmeticError("no root was found within the range that the caller had checked")


def inside(value: Uncertain, ends: tuple[float, float], what: str, unit: str) -> None:
    """Refuses a value outside the range that a curve is known for."""
    slack = 1e-9 * (ends[1] - ends[0])  # what was computed from an end may lie beyond it by its last figure
    if not ends[0] - slack <= float(value.value) <= ends[1] + slack:
        raise JudgingError(
            f"{what} is known from {ends[0]:.5g} to {ends[1]:.5g} {unit}, and this is {value.value}: "
            "say the reading again or measure another way"
        )


def _above_zero(value: Decimal, what: str) -> None:
    if not value > 0:
        raise ValueError(f"{what} is above zero, not {value}")


def _in_order(lowest: Decimal, highest: Decimal) -> None:
    if not Decimal("-273.15") < lowest < highest:
        raise ValueError(f"a curve holds from a lower to a higher temperature, not from {lowest} to {highest}")
