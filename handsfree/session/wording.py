"""How a session puts things into words, where it is not a reading or a number alone.

The one rule: text in, text out; nothing here knows what a session is.
"""

from __future__ import annotations

from handsfree.judge.meter import Meter
from handsfree.procedure.model import Caution, Measure, Rating
from handsfree.session.events import Reception
from handsfree.spoken.numbers import say_number
from handsfree.spoken.readback import say_value


def how_read(confidence: float | None, reception: Reception | None) -> str:
    """The answer to HOW DO YOU READ: a grade, what it means, and the figure that it mostly comes from.

    The grade is the lesser of what the recogniser's confidence and the sound itself are worth, on the scale of ICAO
    Annex 10 Vol. II, 5.2.1.8.4: 1 unreadable to 5 perfectly readable.
    """
    grades = [] if confidence is None else [1 + min(4, int(confidence * 5))]
    if reception is not None and reception.readability is not None:
        grades.append(reception.readability)
    if not grades:
        return "I read you in writing."
    grade = min(grades)
    said = f"I read you {say_number(str(grade))}, {_READABILITY[grade - 1]}"
    if reception is not None and reception.snr is not None:
        above = round(reception.snr)
        said += f": speech {say_number(str(abs(above)))} decibels {'above' if above >= 0 else 'below'} the noise"
    return f"{said}."


_READABILITY = (
    "unreadable",
    "readable now and then",
    "readable with difficulty",
    "readable",
    "perfectly readable",
)


def plausible_range(step: Measure) -> str:
    """ "between zero and ten ohms": the plausible range of a step that has one"""
    assert step.plausible is not None
    low, high = (format(end, "f") for end in step.plausible)
    return f"between {say_number(low)} and {say_value(high, step.unit)}"


def warning(caution: Caution) -> str:
    """ "Danger! Touch nothing." """
    return f"{caution.signal.value.capitalize()}! {caution.text}"


def plate(meter: Meter) -> str:
    """What is said to tell a meter from its like."""
    return f"{meter.name}, serial {' '.join(meter.serial)}"


def rating(asked: Rating) -> str:
    """ "category three, six hundred volts" """
    category = {"II": "two", "III": "three", "IV": "four"}[asked.category]
    return f"category {category}, {say_value(format(asked.volts, 'f'), 'volt')}"


def spaced(id: str) -> str:
    """The id of a step or an answer as it is said."""
    return id.replace("-", " ")


def capital(text: str) -> str:
    """Text as it opens a sentence."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Text as a sentence of its own."""
    return capital(closed(text))


def closed(text: str) -> str:
    """Text with the stop that ends a sentence."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


_WORDS_OF_A_NOTE = 25  # read back; the rest is in the record


def shortened(note: str) -> str:
    """A note as it is read back."""
    words = note.split()
    return " ".join(words[:_WORDS_OF_A_NOTE]) + (", and so on" if len(words) > _WORDS_OF_A_NOTE else "")


def number_of(number: int, noun: str) -> str:
    """ "two days" """
    return f"{say_number(str(number))} {noun}" + ("" if number == 1 else "s")


def figure_of(number: int, noun: str) -> str:
    """ "2 days" """
    return f"{number} {noun}" + ("" if number == 1 else "s")
