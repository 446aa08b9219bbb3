"""A span of time in words.

The one rule: it is said as coarsely as a person would say it, in its two largest units.
"""

from __future__ import annotations

from handsfree.spoken.numbers import say_number

_UNITS = ((86_400, "day"), (3_600, "hour"), (60, "minute"), (1, "second"))


def say_span(seconds: float) -> str:
    """ "two days three hours", "one minute forty seconds"; what is finer than its two largest units is cut off."""
    left, words = round(abs(seconds)), list[str]()
    for size, name in _UNITS:
        count, rest = divmod(left, size)
        if words and not count:
            break
        if count:
            words.append(f"{say_number(str(count))} {name}" + ("" if count == 1 else "s"))
            left = rest
        if len(words) == 2:
            break
    return " ".join(words) or "no time"
