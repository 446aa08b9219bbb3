"""Typed text as it would be spoken: "5.2 kΩ" becomes "five point two kilo ohms".

The one rule: only spelling changes here, never a value; figures become digit words one by one, so that typed and spoken
readings go through the same grammar.
"""

from __future__ import annotations

import re

from handsfree.spoken.numbers import say_digits

# Case matters in symbols (mΩ, MΩ), so they are replaced before the text is lowered.
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
    "°C": "degrees celsius",
    "℃": "degrees celsius",
    "°F": "degrees fahrenheit",
    "℉": "degrees fahrenheit",
    "C": "celsius",
    "F": "farads",
    "%": "percent",
    "N·m": "newton meters",
    "N m": "newton meters",
    "Nm": "newton meters",
    "inHg": "inches of mercury",
    "mmHg": "millimeters of mercury",
    "lb": "pounds",
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
# Letters run together, in any case, as a recogniser's grammar never has them.
_LETTERS = {
    "ol": "o l",
    "ac": "a c",
    "dc": "d c",
    "vac": "volts a c",
    "vdc": "volts d c",
    "psi": "p s i",
    "mfd": "m f d",
    "kpa": "k p a",
    "standby": "stand by",
    "readback": "read back",
}
_FILLERS = frozenset({"um", "uh", "er", "erm"})
_AMOUNT = re.compile(r"([-−+]?(?:\d[\d,]*(?:[.]\d+)?|[.]\d+))[ \t]*([^\s\d.,;:!?]*)(\d+)?")
_TOKEN = re.compile(r"[^\s,;:!?-]+")


def spoken_words(text: str) -> list[str]:
    """The words of a phrase, lower case, figures and symbols spelt out, punctuation and hesitations gone."""
    plain = text.isascii() and text.islower() and text.replace(" ", "").isalpha()  # as a recogniser writes it
    words = text.split() if plain else _spell_out(text)
    if any(word in _LETTERS or word in _FILLERS for word in words):
        words = [part for word in words if word not in _FILLERS for part in _LETTERS.get(word, word).split()]
    return words


def _spell_out(text: str) -> list[str]:
    text = re.sub(r"[>≥]", " greater than ", text)
    text = re.sub(r"[<≤]", " less than ", text)
    text = _AMOUNT.sub(_amount, text)
    text = "".join(f" {_WHOLE[mark]} " if mark in ("%", "℃", "℉") else mark for mark in text)
    text = re.sub(r"°\s*([CFcf])\b", lambda mark: f" {_WHOLE['°' + mark[1].upper()]} ", text)
    words: list[str] = []
    for token in _TOKEN.findall(text.replace("’", "'")):
        words += (_symbol(token) or token.lower()).strip(".'\"()").split()
    return [word for word in words if word]


def _amount(match: re.Match[str]) -> str:
    figures, symbol, after = match.groups()
    sign = {"-": "minus ", "−": "minus ", "+": "plus "}.get(figures[0], "")
    whole, point, part = figures.lstrip("-−+").replace(",", "").partition(".")
    said = sign + (say_digits(whole) if whole else "") + (f" point {say_digits(part)}" if point else "")
    if after is not None:  # 4k7
        return f" {said} {'meg' if symbol == 'M' else symbol.lower()} {say_digits(after)} "
    return f" {said} {_symbol(symbol) or symbol} "


def _symbol(token: str) -> str | None:
    if token in _WHOLE:
        return _WHOLE[token]
    if token in _SYMBOL:
        return _SYMBOL[token]
    if token[:1] in _PREFIX and token[1:] in _SYMBOL:
        return f"{_PREFIX[token[0]]} {_SYMBOL[token[1:]]}"
    return None
