"""Typed text as it would be spoken: "5.2 kΩ" becomes "five point two kilo ohms".

The one rule: only spelling changes here, never a value; figures become digit words one by one, so that typed and spoken
readings go through the same grammar. What may part two readings (a comma between two numbers) or is not known is kept
as a word, which the grammar refuses.
"""

from __future__ import annotations

import re

from handsfree.spoken import numbers
from handsfree.spoken.numbers import say_digits

# Case matters in symbols (mΩ, MΩ), so they are replaced before the text is lowered. A symbol is understood after
# figures only ("A hundred" has no amperes), or where it has a character that no word has ("twelve kΩ").
_PREFIX = {
    "p": "pico",
    "n": "nano",
    "u": "micro",
    "\u00b5": "micro",
    "\u03bc": "micro",
    "m": "milli",
    "c": "centi",
    "k": "kilo",
}
_PREFIX |= {"K": "kilo", "h": "hecto", "M": "mega", "G": "giga"}
_SYMBOL = {"\u03a9": "ohms", "\u2126": "ohms", "ohm": "ohms", "ohms": "ohms", "V": "volts", "A": "amps", "F": "farads"}
_SYMBOL |= {"Pa": "pascals", "bar": "bar", "Hz": "hertz", "W": "watts", "g": "grams", "m": "meters", "s": "seconds"}
_WHOLE = {
    "°": "degrees",
    "°C": "degrees celsius",
    "℃": "degrees celsius",
    "°F": "degrees fahrenheit",
    "℉": "degrees fahrenheit",
    "C": "celsius",
    "F": "f",  # farads or Fahrenheit: the expected quantity says which
    "%": "percent",
    "N·m": "newton meters",
    "Nm": "newton meters",
    "inHg": "inches of mercury",
    "mmHg": "millimeters of mercury",
    "lb": "pounds",
    "lbs": "pounds",
    "in": "inches",
    "ft": "feet",
    "min": "minutes",
    "h": "hours",
    "hp": "horsepower",
    "K": "k",
    "k": "k",
    "VAC": "volts a c",
    "VDC": "volts d c",
}
# Words run together, in any case, as a recogniser's grammar never has them.
_TOGETHER = {
    "ol": "o l",
    "overrange": "over range",
    "overlimit": "over limit",
    "ac": "a c",
    "dc": "d c",
    "vac": "volts a c",
    "vdc": "volts d c",
    "psi": "p s i",
    "mfd": "m f d",
    "uf": "microfarads",
    "hz": "hertz",
    "khz": "kilohertz",
    "kpa": "k p a",
    "deg": "degrees",
    "standby": "stand by",
    "readback": "read back",
}
_TOGETHER |= {f"{tens}-{digit}": f"{tens} {digit}" for tens in numbers.TENS.values for digit in numbers.DIGIT.values}
_FILLERS = frozenset({"um", "uh", "er", "erm"})
_FIGURE = frozenset(
    word
    for words in (numbers.DIGIT, numbers.NOUGHT, numbers.OH, numbers.TEN, numbers.TEEN, numbers.TENS)
    for word in words.values
)
_COUNTED = frozenset({"hundred", "thousand", "k", "meg"})  # "two hundred, uh, thirty" may be two numbers
_FIGURE_OR_POINT = _FIGURE | numbers.POINT.values.keys()
_PAUSE = re.compile(r"[.,;:!?]+|-+")
_HYPHEN = "-"

# Each is looked for where its first part stands in the text.
_MARKS: tuple[tuple[str, re.Pattern[str], str], ...] = tuple(
    (mark, re.compile(pattern), instead)
    for mark, pattern, instead in (
        ("\u00a0", "\u00a0", " "),
        ("\u2009", "\u2009", " "),
        ("\u202f", "\u202f", " "),
        ("L", r"\b[O0]\.?L\b\.?", " o l "),  # as a meter's display has it
        (".", r"\b([A-Za-z])\.(?=[A-Za-z]\b)", r"\1 "),  # a.c., p.s.i.
        ("N m", r"\bN m\b", "Nm"),
        ("in Hg", r"\bin Hg\b", "inHg"),
        ("°", r"°\s*[Cc]\b", "°C"),
        ("°", r"°\s*[Ff]\b", "°F"),
        (">", ">(?!=)", " greater than "),
        ("<", "<(?!=)", " less than "),
        # Two signs say nothing sure; the grammar refuses them.
        *((dash, rf"{re.escape(dash)}\s*[-−+–—](?=\s*[\w.])", " minus minus ") for dash in "-−–—+"),
        *((dash, rf"(?:(?<=\s)|^){dash}(?=\s*[\w.])", "minus ") for dash in "-−–—"),  # also "- 5" and "-five"
    )
)
_AMOUNT = re.compile(
    r"([-−+]?)"
    r"((?:\d{1,3}(?:,\d{3})+(?![\d,])|\d+)(?:\.\d+)?|\.\d+)"
    r"(?: ?(?!(?i:m f d)\b)([^\s\d.,;:!?+−–—-]+)(\d+)?)?"
)
_TOKEN = re.compile(rf"{_PAUSE.pattern}|[^\s.,;:!?-]+")


def spoken_words(text: str) -> list[str]:
    """The words of a phrase, lower case, figures and symbols spelt out, punctuation and hesitations gone.

    A pause between two figures ("5, 6", "five uh six", "five-six") stays, as the word ",".
    """
    if text.isascii() and text.replace(" ", "").replace(_HYPHEN, "").isalpha():
        words = _apart(text.lower().split())
        if _HYPHEN not in text or _HYPHEN not in "".join(words):
            return words if _FILLERS.isdisjoint(words) else _without_pauses(words)
    return _without_pauses(_apart(_spell_out(text)))


def _apart(words: list[str]) -> list[str]:
    if _TOGETHER.keys().isdisjoint(words):
        return words
    return [part for word in words for part in _TOGETHER.get(word, word).split()]


def _without_pauses(words: list[str]) -> list[str]:
    kept: list[str] = []
    pause = ""
    for word in words:
        if word in _FILLERS or _PAUSE.fullmatch(word):
            pause = pause if pause in _FILLERS else word
            continue
        if pause and kept and _may_part(kept[-1], pause, word):
            kept.append(",")
        kept.append(word)
        pause = ""
    return kept


def _may_part(before: str, pause: str, after: str) -> bool:
    if pause in _FILLERS and before in _COUNTED:
        return after in _FIGURE_OR_POINT
    if pause == _HYPHEN:  # "five-six" may be a range, "twenty-five" and "two-oh-eight" are not
        return before in numbers.DIGIT.values and after in numbers.DIGIT.values
    return before in _FIGURE and after in _FIGURE_OR_POINT


def _spell_out(text: str) -> list[str]:
    for mark, pattern, instead in _MARKS:
        if mark in text:
            text = pattern.sub(instead, text)
    words: list[str] = []
    for token in _TOKEN.findall(_AMOUNT.sub(_amount, text)):
        words += ((None if token.isascii() and token != "%" else _symbol(token)) or token.lower()).split()
    return words


def _amount(match: re.Match[str]) -> str:
    sign, figures, symbol, after = match.groups()
    whole, point, part = figures.replace(",", "").partition(".")
    said = {"": "", "+": "plus "}.get(sign, "minus ")
    said += (say_digits(whole) if whole else "") + (f" point {say_digits(part)}" if point else "")
    if after is not None:  # 4k7
        return f" , {said} {'meg' if symbol == 'M' else symbol.lower()} {say_digits(after)} "
    # The pause keeps two numbers apart that stand side by side.
    return f" , {said} {_symbol(symbol) or symbol if symbol else ''} "


def _symbol(token: str) -> str | None:
    if token in _WHOLE:
        return _WHOLE[token]
    if token in _SYMBOL:
        return _SYMBOL[token]
    if token[:1] in _PREFIX and token[1:] in _SYMBOL:
        return f"{_PREFIX[token[0]]} {_SYMBOL[token[1:]]}"
    return None
