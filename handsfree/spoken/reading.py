"""What a technician says of the meter's display: the sentence, and what it means to a step that expects something.

The one rule: every parse of the words is tried against what is expected, and a reading comes out only where exactly one
survives. Everything else is refused with a reason.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from handsfree.spoken import numbers, units
from handsfree.spoken.expression import Alt, Expression, Opt, Parser, Rule, Seq, literal, meaning, only
from handsfree.spoken.meaning import Expectation, Kind, Quantity, Reading, Refusal, Waveform
from handsfree.spoken.units import Named
from handsfree.spoken.written import spoken_words

OVER_RANGE = (
    "o l",
    "oh l",
    "over range",
    "out of range",
    "over limit",
    "overload",
    "open line",
    "open loop",
    "open circuit",
    "infinity",
    "infinite",
)
ABOVE = ("greater than", "more than", "over", "above")
BELOW = ("less than", "below", "under")


@dataclass(frozen=True, slots=True)
class _Said:
    """One parse: the words' own meaning, before anything is expected of them."""

    kind: Kind
    number: str | None = None
    units: tuple[Named, ...] | None = None
    prefix: str | None = None
    waveform: Waveform | None = None
    lettered: bool = False  # a letter was the point, as IEC 60062 marks resistors


class _Sign(str):
    __slots__ = ()


class _Prefix(str):
    __slots__ = ()


@dataclass(frozen=True, slots=True)
class _Amount:
    """A number that already has its unit: "two minutes thirty seconds" is 150 seconds."""

    number: str
    unit: Named


def _said(values: Sequence[object]) -> _Said:
    kind, sign = Kind.READING, ""
    number: str | None = None
    found: tuple[Named, ...] | None = None
    prefix: str | None = None
    waveform: Waveform | None = None
    lettered = False
    for value in values:
        match value:
            case Kind():
                kind = value
            case _Sign():
                sign = str(value)
            case _Prefix():
                prefix = str(value)
            case "ac" | "dc":
                waveform = value
            case str():
                # Two numbers stand only on either side of a letter that is the point ("four k seven").
                lettered = number is not None
                number = f"{number}.{value}" if lettered else value
            case _Amount():
                number, found = value.number, (value.unit,)
            case tuple():
                found = value
    return _Said(kind, None if number is None else sign + number, found, prefix, waveform, lettered)


# -- the sentence ----------------------------------------------------------------------------------------------------

_WAVEFORM = Alt((meaning("a c", "ac"), meaning("d c", "dc")))
_SIGN = Alt((Rule(numbers.MINUS, lambda values: _Sign("-")), Rule(numbers.PLUS, lambda values: _Sign(""))))
_BELOW_ZERO = meaning("below zero", _Sign("-"))
_OHM = Named("ohm", Quantity.RESISTANCE)
# IEC 60062: the letter stands where the point would be.
_LETTER = Alt(
    (
        meaning("k", _Prefix("kilo")),
        meaning("meg", _Prefix("mega")),
        meaning("r", (_OHM,)),
    )
)


_OHMS = Alt((meaning("ohm", (_OHM,)), meaning("ohms", (_OHM,))))
# Where "five below zero" may be said, "below zero" alone has lost its number.
_BELOW_ZERO_IS_SAID = (None, Quantity.TEMPERATURE)
_OVER_RANGE = Alt(tuple(meaning(phrase, Kind.OVER_RANGE) for phrase in OVER_RANGE))
_SECOND, _MINUTE = Named("second", Quantity.TIME), Named("minute", Quantity.TIME)


def _sixty(unit: Named) -> Callable[[list[str]], _Amount]:
    """Minutes and seconds, or hours and minutes, in the smaller unit."""
    return lambda values: _Amount(str(int(values[0]) * 60 + int(values[1])), unit)


def _time(whole: Expression) -> Expression:
    def pair(large: tuple[str, str], small: tuple[str, str], unit: Named) -> Expression:
        names = [Alt(tuple(meaning(word, None) for word in words)) for words in (large, small)]
        return Rule(Seq((whole, names[0], Opt(literal("and")), numbers.BELOW_60, names[1])), _sixty(unit))

    return Alt(
        (
            pair(("minute", "minutes"), ("second", "seconds"), _SECOND),
            pair(("hour", "hours"), ("minute", "minutes"), _MINUTE),
        )
    )


def tree(expect: Expectation, *, heard: bool = False) -> Expression:
    """All sentences about a display; ``heard`` keeps those that a recogniser should listen for in this step.

    What is left out when heard: other quantities' units, prefixes far from the expected unit, signs where the quantity
    has none, very long numbers.
    """
    quantity = expect.quantity if heard else None
    number, whole, part = numbers.number(heard=heard), numbers.whole(heard=heard), numbers.decimals(heard=heard)
    unit = _unit(expect, heard=heard)
    if unit is None:
        amount: Expression = number
    else:
        options: list[Expression] = [Seq((number, Opt(unit))), Seq((numbers.PART_OF_A, unit))]
        if quantity is None or quantity in units.WITH_WAVEFORM:
            options += [Seq((number, _WAVEFORM, Opt(unit))), Seq((number, unit, _WAVEFORM))]
        prefixes = _prefixes(expect, heard=heard)
        if prefixes:
            bare = Alt(tuple(meaning(said, _Prefix(prefix)) for prefix in prefixes for said in units.PREFIXES[prefix]))
            options += [Seq((number, bare)), Seq((numbers.PART_OF_A, bare))]
        if quantity in (None, Quantity.RESISTANCE):
            options.append(Seq((whole, _LETTER, part, Opt(_OHMS))))
        if quantity in (None, Quantity.TIME):
            options.append(_time(whole))
        amount = Alt(tuple(options))
    if quantity is None or quantity not in units.NEVER_NEGATIVE:
        amount = Seq((Opt(_SIGN), amount))
    sentences: list[Expression] = [Seq((Opt(_bound(quantity)), amount))]
    if quantity is not Quantity.COUNT:
        sentences.append(Seq((_OVER_RANGE, Opt(unit))) if unit is not None else _OVER_RANGE)
    if quantity in _BELOW_ZERO_IS_SAID and unit is not None:
        sentences.append(Seq((number, Opt(unit), _BELOW_ZERO, Opt(unit))))
    return Rule(Alt(tuple(sentences)), _said, "reading")


def _bound(quantity: Quantity | None) -> Expression:
    """ "Below" is not listened for where it could be the rest of "five below zero"."""
    below = tuple(phrase for phrase in BELOW if phrase != "below" or quantity is not Quantity.TEMPERATURE)
    said = ((ABOVE, Kind.ABOVE), (below, Kind.BELOW))
    return Alt(tuple(meaning(phrase, kind) for phrases, kind in said for phrase in phrases))


def _unit(expect: Expectation, *, heard: bool) -> Expression | None:
    """The units that may be said, as one rule; None where there are none (a count)."""
    said = units.spellings(expect.quantity)
    if heard and expect.quantity is not None:
        near = units.near(expect.unit or units.DEFAULT_UNIT[expect.quantity])
        said = {words: kept for words, named in said.items() if (kept := tuple(n for n in named if n.name in near))}
    if not said:
        return None
    return Rule(Alt(tuple(meaning(words, named) for words, named in said.items())), only, "unit")


def _prefixes(expect: Expectation, *, heard: bool) -> list[str]:
    """The prefixes that may stand alone, the expected unit being understood."""
    if not heard or expect.quantity is None:
        return list(units.PREFIXES)
    unit = expect.unit or units.DEFAULT_UNIT[expect.quantity]
    near = units.near(unit)
    return [prefix for prefix in units.PREFIXES if units.prefixed(unit, prefix) in near]


# -- what it means where something is expected -----------------------------------------------------------------------


@cache
def _parser(quantity: Quantity | None) -> Parser:
    return Parser(tree(Expectation(quantity)))


def parse(text: str, expect: Expectation = Expectation()) -> Reading | Refusal:  # noqa: B008 (frozen)
    """Reads one phrase about a meter's display.

    The value of the reading is the decimal string as spoken, in the unit spoken; where none was spoken, in the unit of
    ``expect``. A phrase that is cut short, contradicts itself, has another dimension than expected or may mean two
    things is refused with the reason.
    """
    words = spoken_words(text)
    if expect.quantity in _BELOW_ZERO_IS_SAID and _lost_its_number(words):
        return Refusal("'below zero' needs a number before it: say how many below zero")
    parser = _parser(expect.quantity)
    outcomes = [_against(said, expect) for said in parser.meanings(words)]
    readings = list(dict.fromkeys(outcome for outcome in outcomes if isinstance(outcome, Reading)))
    if len(readings) == 1:
        return readings[0]
    if readings:
        listed = " or ".join(sorted(f"{reading.value} {reading.unit or ''}".strip() for reading in readings))
        return Refusal(f"this may mean {listed}: say the digits one by one, then the unit")
    if outcomes:
        return next(outcome for outcome in outcomes if isinstance(outcome, Refusal))
    return Refusal(_why_not(words, parser))


def _lost_its_number(words: Sequence[str]) -> bool:
    return list(words[:2]) == ["below", "zero"] and list(words[2:3]) not in (["point"], ["decimal"])


def _against(said: _Said, expect: Expectation) -> Reading | Refusal:
    quantity = expect.quantity
    if said.waveform is not None and expect.waveform not in (None, said.waveform):
        return Refusal(
            f"{said.waveform.upper()} was said and {(expect.waveform or '').upper()} is asked for: check the meter"
        )
    supplied = expect.unit or (units.DEFAULT_UNIT[quantity] if quantity else "ohm" if said.lettered else None)
    unit: str | None = None
    if said.units is not None:
        fitting = [named for named in said.units if quantity in (None, named.quantity)]
        if not fitting:
            wanted = _article(quantity) if quantity else "something else"
            return Refusal(f"the unit said is for {_article(said.units[0].quantity)}, and {wanted} is asked for")
        names = [named.name for named in fitting]
        unit = supplied if supplied in names else names[0]
    elif said.kind is not Kind.OVER_RANGE:
        unit = supplied
    if said.prefix is not None:
        unit = units.prefixed(unit, said.prefix)
        if unit is None:
            return Refusal(f"{said.prefix} of what: say the unit")
    if unit == "dimensionless":
        unit = None
    measured = quantity or (units.quantity_of(unit) if unit else None)
    if said.number is not None and said.number.startswith("-") and measured in units.NEVER_NEGATIVE:
        return Refusal(f"{_article(measured)} is never below zero: say the reading again")
    return Reading(said.kind, said.number, unit, said.waveform)


def _article(quantity: Quantity) -> str:
    return f"{'an' if quantity.value[0] in 'aeiou' else 'a'} {quantity.value}"


def _why_not(words: Sequence[str], parser: Parser) -> str:
    if not words:
        return "nothing was said"
    for word in words:
        if word not in parser.vocabulary:
            return f"{word!r} is not a number, a unit or a display: say a reading such as 'five point two ohms'"
    at = parser.stop(words).at
    if at == len(words):
        return f"cut short after {' '.join(words)!r}: say the whole reading"
    if at == 0:
        return f"a reading cannot begin with {words[0]!r}: say the number, then the unit"
    return f"{words[at]!r} cannot follow {' '.join(words[:at])!r}: say one reading, number then unit"
