"""What a technician says of the meter's display: the sentence, and what it means to a step that expects something.

The one rule: every parse of the words is tried against what is expected, and a reading comes out only where exactly one
survives. Everything else is refused with a reason.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, lru_cache

from handsfree.spoken import loosely, numbers, units
from handsfree.spoken.expression import (
    Alt,
    Evaluate,
    Expression,
    Opt,
    Parser,
    Plan,
    Rule,
    Seq,
    Shape,
    Unknown,
    literal,
    meaning,
    only,
    spoken,
)
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


class _Sign(str):
    __slots__ = ()


class _Prefix(str):
    __slots__ = ()


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


def _one_of(phrases: Sequence[str]) -> Expression:
    return Alt(tuple(map(spoken, phrases)))


_LEAD_IN = _one_of(loosely.LEAD_INS)
_SECOND, _MINUTE = Named("second", Quantity.TIME), Named("minute", Quantity.TIME)


def _time(whole: Expression) -> Expression:
    """Minutes and seconds, or hours and minutes: "two minutes thirty seconds" is 150 seconds."""

    def pair(large: tuple[str, str], small: tuple[str, str], unit: Named) -> Expression:
        count = Seq((whole, _one_of(large), Opt(literal("and")), numbers.BELOW_60))
        in_small = Rule(count, lambda values: str(int(values[0]) * 60 + values[1]))
        return Seq((in_small, Alt(tuple(meaning(word, (unit,)) for word in small))))

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
    return Rule(_sentences(expect, heard=heard), tuple, "reading")


def _sentences(expect: Expectation, *, heard: bool = False) -> Expression:
    """Plain ones, and those that are led into, whose unit must be said: "I have one" is no reading."""
    plain = _plain(expect, heard=heard)
    if _unit(expect, heard=heard) is None and expect.quantity is not Quantity.COUNT:
        return plain
    return Alt((plain, Seq((_LEAD_IN, _plain(expect, heard=heard, bare=False)))))


def _plain(expect: Expectation, *, heard: bool, bare: bool = True) -> Expression:
    """``bare``: a number without a unit is one too, as that of a count, which has none, always is."""
    quantity = expect.quantity if heard else None
    bare = bare or expect.quantity is Quantity.COUNT
    number, whole, part = numbers.number(heard=heard), numbers.whole(heard=heard), numbers.single_decimals(heard=heard)
    unit = _unit(expect, heard=heard)
    if unit is None:
        amount: Expression = number
    else:
        options: list[Expression] = [Seq((number, unit)), Seq((numbers.PART_OF_A, unit))]
        if bare:  # "three quarters" is not three quarters of a percent
            options.append(numbers.number(heard=heard, parts=not (heard and _in_percent(expect))))
        waved = _unit(expect, heard=heard, of=units.WITH_WAVEFORM)
        if waved is not None:
            options += [Seq((number, _WAVEFORM, waved)), Seq((number, waved, _WAVEFORM))]
        if expect.quantity in units.WITH_WAVEFORM:
            options.append(Seq((number, _WAVEFORM)))
        prefixes = _prefixes(expect, heard=heard)
        if prefixes:
            alone = Alt(tuple(meaning(said, _Prefix(prefix)) for prefix in prefixes for said in units.PREFIXES[prefix]))
            options += [Seq((number, alone)), Seq((numbers.PART_OF_A, alone))]
        if quantity in (None, Quantity.RESISTANCE):
            options.append(Seq((whole, _LETTER, part, Opt(_OHMS))))
        if quantity in (None, Quantity.TIME):
            options.append(_time(whole))
        amount = Alt(tuple(options))
    if quantity is None or quantity not in units.NEVER_NEGATIVE:
        amount = Seq((Opt(_SIGN), amount))
    sentences: list[Expression] = [Seq((Opt(_bound(quantity)), amount))]
    if bare and expect.quantity in (None, Quantity.COUNT):
        sentences.append(numbers.digits_from_zero(heard=heard))
    if quantity is not Quantity.COUNT:
        sentences.append(Seq((_OVER_RANGE, Opt(unit))) if unit is not None else _OVER_RANGE)
    if quantity in _BELOW_ZERO_IS_SAID and unit is not None:
        sentences += [Seq((number, _BELOW_ZERO, Opt(unit))), Seq((number, unit, _BELOW_ZERO))]
        scale = _unit(expect, heard=heard, of=frozenset({Quantity.TEMPERATURE}))
        if scale is not None:  # "five degrees below zero Celsius"
            degrees = Alt((literal("degree"), literal("degrees")))
            sentences.append(Seq((number, degrees, _BELOW_ZERO, scale)))
    return Alt(tuple(sentences))


def elsewhere(expect: Expectation) -> Expression:
    """Readings of the other quantities a meter shows, which a recogniser listens for so that they are refused.

    A volt said where ohms are asked for must be heard as a volt, not as the likeliest number of ohms, and "minus" where
    nothing is below zero as that, not as "niner". Only units that are one word: shorter ones ("c", "p s i") would be
    heard in any noise.
    """
    number = numbers.number(heard=True)
    said, own = set[str](), set[str]()
    for word, named in units.spellings().items():
        if any(unit.quantity is expect.quantity for unit in named):
            own.add(word)
        elif " " not in word and len(word) > 2 and any(unit.name in _SHOWN for unit in named):
            said.add(word)
    others: list[Expression] = [Seq((number, _one_of(sorted(said - own))))]
    unit = _unit(expect, heard=True)
    if expect.quantity in units.NEVER_NEGATIVE and unit is not None:
        others.append(Seq((numbers.MINUS, number, Opt(unit))))
    return Alt(tuple(others))


def loose(expect: Expectation) -> Expression:
    """Readings that are guessed, put right while they are said, or led into without a unit, which are all refused.

    A recogniser listens for them: "it's forty two" would be heard as 842 otherwise.
    """
    guessed, after = _one_of(loosely.GUESSED), _one_of(loosely.GUESSED_AFTER)
    put_right, again = _one_of(loosely.PUT_RIGHT), _one_of(loosely.AGAIN)
    unit = _unit(expect, heard=True)
    amount: Expression = numbers.number(heard=True)
    if unit is not None:
        amount = Seq((amount, Opt(unit)))
    if expect.quantity not in units.NEVER_NEGATIVE:
        amount = Seq((Opt(_SIGN), amount))
    somewhat = Seq((_one_of(loosely.SOMEWHAT), _bound(expect.quantity), amount))
    options: list[Expression] = [Seq((guessed, amount)), Seq((amount, after)), somewhat, Seq((again, amount))]
    if expect.quantity is not Quantity.COUNT:  # whose figures are often said one by one, with time in between
        options.append(Seq((amount, put_right, amount)))
    return Alt((*options, Seq((_LEAD_IN, Alt((*options, elsewhere(expect), _plain(expect, heard=True)))))))


_SHOWN = frozenset[str]().union(*(units.near(units.DEFAULT_UNIT[quantity]) for quantity in units.METERED))


def _bound(quantity: Quantity | None) -> Expression:
    """ "Below" is not listened for where it could be the rest of "five below zero"."""
    below = tuple(phrase for phrase in BELOW if phrase != "below" or quantity is not Quantity.TEMPERATURE)
    said = ((ABOVE, Kind.ABOVE), (below, Kind.BELOW))
    return Alt(tuple(meaning(phrase, kind) for phrases, kind in said for phrase in phrases))


def _unit(expect: Expectation, *, heard: bool, of: Set[Quantity] = frozenset(Quantity)) -> Expression | None:
    """The units of some quantities that may be said, as one rule; None where there are none."""
    near = None
    if heard and expect.quantity is not None:
        near = units.near(expect.unit or units.DEFAULT_UNIT[expect.quantity])
    said: list[Expression] = []
    for words, named in units.spellings(expect.quantity).items():
        kept = tuple(unit for unit in named if unit.quantity in of and (near is None or unit.name in near))
        if kept:
            said.append(meaning(words, kept))
    return Rule(Alt(tuple(said)), only, "unit") if said else None


def _prefixes(expect: Expectation, *, heard: bool) -> list[str]:
    """The prefixes that may stand alone, the expected unit being understood."""
    if expect.quantity is None:
        return []
    if not heard:
        return list(units.PREFIXES)
    unit = expect.unit or units.DEFAULT_UNIT[expect.quantity]
    near = units.near(unit)
    return [prefix for prefix in units.PREFIXES if units.prefixed(unit, prefix) in near]


# -- what it means where something is expected -----------------------------------------------------------------------

_SHAPES_KEPT = 4096  # of sentences, for each expectation; then the table starts afresh
_Finish = Callable[[Sequence[str]], Reading | Refusal]  # from a sentence's words to what they mean


def parse(text: str, expect: Expectation = Expectation()) -> Reading | Refusal:  # noqa: B008 (frozen)
    """Reads one phrase about a meter's display.

    The value of the reading is the decimal string as spoken, in the unit spoken; where none was spoken, in the unit of
    ``expect``. A phrase that is cut short, contradicts itself, has another dimension than expected or may mean two
    things is refused with the reason.
    """
    return _reader(expect.quantity, expect.unit, expect.waveform).read(text)


def parse_words(words: Sequence[str], expect: Expectation) -> Reading | Refusal:
    """As ``parse``, from the words that ``spoken_words`` makes of a phrase."""
    return _reader(expect.quantity, expect.unit, expect.waveform).read_words(words)


class _Reader:
    """Reads phrases for one expectation; what a shape of sentence means but for its figures is worked out once."""

    def __init__(self, expect: Expectation) -> None:
        self._expect = expect
        self._parser = _parser(expect.quantity)
        self._signature = self._parser.signature.__getitem__
        self._finish: dict[Shape, _Finish] = {}

    def read(self, text: str) -> Reading | Refusal:
        words = text.split()
        try:
            shape = tuple(map(self._signature, words))
        except KeyError:  # not as a recogniser writes it
            return self.read_words(spoken_words(text))
        return (self._finish.get(shape) or self._learn(shape, words))(words)

    def read_words(self, words: Sequence[str]) -> Reading | Refusal:
        try:
            shape = tuple(map(self._signature, words))
        except KeyError as unknown:
            return Refusal(loosely.reason(words) or _unknown(unknown.args[0]))
        return (self._finish.get(shape) or self._learn(shape, words))(words)

    def _learn(self, shape: Shape, words: Sequence[str]) -> _Finish:
        if len(self._finish) >= _SHAPES_KEPT:
            self._finish.clear()
        finish = self._finish[shape] = self._meaning(shape, words)
        return finish

    def _meaning(self, shape: Shape, words: Sequence[str]) -> _Finish:
        if self._expect.quantity in _BELOW_ZERO_IS_SAID and _lost_its_number(words):
            return _refuse("'below zero' needs a number before it: say how many below zero")
        if _in_percent(self._expect) and _is_part(words):
            return _refuse(f"{' '.join(words)!r} of what: say the percent, in figures")
        finishes = [_against(_said(plan), self._expect) for plan in self._parser.plans(shape)]
        match finishes:
            case []:
                return self._another(words) or _why_not(self._parser.stop(words))
            case [finish]:
                return finish
            case _:
                return lambda words: _the_one([finish(words) for finish in finishes])

    def _another(self, words: Sequence[str]) -> _Finish | None:
        """Refuses a whole reading that ends in the short form of a unit of another quantity ("five degrees")."""
        quantities = _SHORT.get(words[-1], ()) if len(words) > 1 else ()
        if not quantities or self._expect.quantity is None or isinstance(self.read_words(words[:-1]), Refusal):
            return None
        meant = " or ".join(map(_article, quantities))
        return _refuse(f"the unit said is for {meant}, and {_article(self._expect.quantity)} is asked for")


# What is short for a unit where its quantity is expected, with the quantities that it is short for.
_SHORT = {
    said: tuple(dict.fromkeys(unit.quantity for unit in units.UNITS if said in unit.short))
    for said in dict.fromkeys(said for unit in units.UNITS for said in unit.short)
}


@lru_cache(maxsize=64)
def _reader(quantity: Quantity | None, unit: str | None, waveform: Waveform | None) -> _Reader:
    return _Reader(Expectation(quantity, unit, waveform))


@cache
def _parser(quantity: Quantity | None) -> Parser:
    return Parser(_sentences(Expectation(quantity)))


def _the_one(outcomes: list[Reading | Refusal]) -> Reading | Refusal:
    readings = list(dict.fromkeys(outcome for outcome in outcomes if isinstance(outcome, Reading)))
    if len(readings) == 1:
        return readings[0]
    if not readings:
        return outcomes[0]
    listed = " or ".join(sorted(f"{reading.value} {reading.unit or ''}".strip() for reading in readings))
    return Refusal(f"this may mean {listed}: say the digits one by one, then the unit")


def _in_percent(expect: Expectation) -> bool:
    return expect.quantity is Quantity.RATIO and expect.unit != "dimensionless"


def _is_part(words: Sequence[str]) -> bool:
    """Whether it is a half or a quarter and nothing else: of a whole, that is fifty percent and not half a percent."""
    return bool(words) and _PARTS.issuperset(words) and words[-1] not in ("a", "an", "one", "three")


_PARTS = frozenset({"a", "an", "one", "three", "half", "quarter", "quarters"})


def _lost_its_number(words: Sequence[str]) -> bool:
    return list(words[:2]) == ["below", "zero"] and list(words[2:3]) not in (["point"], ["decimal"])


@dataclass(frozen=True, slots=True)
class _Said:
    """One parse: the words' own meaning, before anything is expected of them and but for the figures."""

    kind: Kind
    sign: str
    number: Evaluate | None
    units: tuple[Named, ...] | None
    prefix: str | None
    waveform: Waveform | None
    lettered: bool  # a letter was the point, as IEC 60062 marks resistors


def _said(plan: Plan) -> _Said:
    kind, sign = Kind.READING, ""
    figures: list[Evaluate] = []
    found: tuple[Named, ...] | None = None
    prefix: str | None = None
    waveform: Waveform | None = None
    for value in plan:
        match value:
            case Kind():
                kind = value
            case _Sign():
                sign = str(value)
            case _Prefix():
                prefix = str(value)
            case "ac" | "dc":
                waveform = value
            case Unknown(number):
                figures.append(number)
            case str():
                figures.append(_always(value))
            case tuple():
                found = value
    return _Said(kind, sign, _number(figures), found, prefix, waveform, lettered=len(figures) == 2)


def _always(number: str) -> Evaluate:
    return lambda _: number


def _number(figures: list[Evaluate]) -> Evaluate | None:
    match figures:
        case []:
            return None
        case [number]:
            return number
        case [before, after]:  # on either side of a letter that is the point ("four k seven")
            return lambda words: f"{before(words)}.{after(words)}"
    raise AssertionError("the grammar has no sentence with three numbers")


def _against(said: _Said, expect: Expectation) -> _Finish:
    """What a parse means to a step that expects something."""
    quantity = expect.quantity
    if said.waveform is not None and expect.waveform not in (None, said.waveform):
        return _refuse(
            f"{said.waveform.upper()} was said and {(expect.waveform or '').upper()} is asked for: check the meter"
        )
    supplied = expect.unit or (units.DEFAULT_UNIT[quantity] if quantity else "ohm" if said.lettered else None)
    unit: str | None = None
    if said.units is not None:
        fitting = [named for named in said.units if quantity in (None, named.quantity)]
        if not fitting:
            wanted = _article(quantity) if quantity else "something else"
            return _refuse(f"the unit said is for {_article(said.units[0].quantity)}, and {wanted} is asked for")
        names = [named.name for named in fitting]
        unit = supplied if supplied in names else names[0]
    elif said.kind is not Kind.OVER_RANGE:
        unit = supplied
    if said.prefix is not None:
        unit = units.prefixed(unit, said.prefix)
        if unit is None:
            return _refuse(f"{said.prefix} of what: say the unit")
    if unit == "dimensionless":
        unit = None
    measured = quantity or (units.quantity_of(unit) if unit else None)
    never_below = f"{_article(measured)} is never below zero: say the reading again" if measured else ""
    if said.sign and measured in units.NEVER_NEGATIVE:
        return _refuse(never_below)
    coldest = units.ABSOLUTE_ZERO.get(unit or "")
    if unit == "kelvin" and expect.unit in units.ABSOLUTE_ZERO:  # no difference: that is asked for in kelvins
        coldest = Decimal(0)
    return _finish(said, unit, never_below if measured in units.NEVER_NEGATIVE else None, coldest)


def _finish(said: _Said, unit: str | None, never_below: str | None, coldest: Decimal | None) -> _Finish:
    """Puts the figures in."""
    kind, sign, number, waveform = said.kind, said.sign, said.number, said.waveform
    if number is None:
        shown = Reading(kind, None, unit, waveform)
        return lambda _: shown
    if kind is Kind.BELOW and never_below is not None:

        def below(words: Sequence[str]) -> Reading | Refusal:
            value = number(words)
            return Reading(kind, value, unit, waveform) if Decimal(value) else Refusal(never_below)

        return below
    if sign:

        def signed(words: Sequence[str]) -> Reading | Refusal:
            value = sign + number(words)
            if coldest is not None and (Decimal(value) < coldest or (kind is Kind.BELOW and Decimal(value) == coldest)):
                return Refusal("nothing is that cold: say the reading again")
            return Reading(kind, value, unit, waveform)

        return signed
    return lambda words: Reading(kind, number(words), unit, waveform)


def _refuse(reason: str) -> _Finish:
    refusal = Refusal(reason)
    return lambda _: refusal


def _article(quantity: Quantity) -> str:
    return f"{'an' if quantity.value[0] in 'aeiou' else 'a'} {quantity.value}"


def _unknown(word: str) -> str:
    if word == ",":
        return "there may be two readings in this: say one, without a pause (in figures, with a decimal point: 5.2)"
    if not word.isalpha():
        return f"{word!r} cannot be read: write one reading such as '5.2 ohms'"
    return f"{word!r} is not a number, a unit or a display: say a reading such as 'five point two ohms'"


def _why_not(at: int) -> _Finish:
    """Why a sentence that leaves the grammar at this word is refused."""

    def refuse(words: Sequence[str]) -> Refusal:
        before = " ".join(words[:at])
        if not words:
            return Refusal("nothing was said")
        if at == len(words) and (led := loosely.lead_in(words)):
            return Refusal(f"after {led!r} a unit is needed: say the number and its unit")
        if at == len(words):
            return Refusal(f"cut short after {before!r}: say the whole reading")
        if at == 0:
            return Refusal(f"a reading cannot begin with {words[0]!r}: say the number, then the unit")
        if at == 1 and (words[0] in numbers.NOUGHT.values or words[0] in numbers.OH.values):
            return Refusal(f"after {before!r} a point is missing: say 'zero point', then the digits")
        return Refusal(f"{words[at]!r} cannot follow {before!r}: say one reading, number then unit")

    return refuse
