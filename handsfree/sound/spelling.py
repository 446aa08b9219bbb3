"""How a speech model that writes ordinary text may write down a sentence of the grammar.

Such a model knows no grammar. For "eighteen point five volts a c" it writes "18.5 Volts AC", "Eighteen-point five
bolts, I see." or any mixture. The one rule: the grammar decides what may be said, and this module only says which
writings stand for one of its words: capitals, figures, hyphens, letters run together, and words that sound the same or
that the model is known to write for a unit it seldom read. None stands for two words that mean different things.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from handsfree.spoken import numbers
from handsfree.spoken.written import spoken_words

# Sounds like the word, and is more common in writing. Common English, no source.
SAME_SOUND = {
    "two": ("to", "too"),
    "four": ("for", "fore"),
    "eight": ("ate",),
    "one": ("won",),
    "oh": ("O",),
    "o": ("oh", "O"),
    "niner": ("nine-er", "nine are", "nine her"),  # "nine or" is no figure: "nine or ten ohms"
    "fower": ("four",),
    "fife": ("fife's",),
    "seized": ("ceased",),
    "affirm": ("a firm", "I firm", "firm"),
    "unable": ("enable", "an able", "on able"),
    "hertz": ("Hertz", "hurts", "Hz", "herts"),
    "percent": ("per cent",),
    "okay": ("OK", "ok"),
    "bar": ("barre",),
    "bars": ("barres",),
    "minus": ("minus the",),
    "alfa": ("alpha",),
    "juliett": ("juliet", "Juliette"),
    "whiskey": ("whisky",),
    "x-ray": ("x ray", "xray", "X-Ray", "ex-ray"),
}

# And for letters of the spelling alphabet: found on recordings for tuning, and others of the kind.
SPELT_NEARLY = {
    "bravo": ("brawl", "brava", "Bravos"),
    "delta": ("Delva", "Delphor", "Delts"),
    "echo": ("ecko", "Eko", "a co"),
    "foxtrot": ("fox-trot", "fox trot", "Fax threat", "fox-dry", "foxtra", "foxtrots"),
    "golf": ("gulf",),
    "juliett": ("Jillia", "gillette", "Jilla at", "Julia", "Juliets"),
    "kilo": ("keelo", "Keel of"),
    "lima": ("Lena", "Leema", "Lemur", "Lina"),
    "mike": ("might", "mic"),
    "oscar": ("Oscars", "Osker"),
    "papa": ("Pappa", "hopper", "popper", "pop up"),
    "quebec": ("Quebeck", "Kebec"),
    "romeo": ("Romio", "Romel", "Romeos", "Romeo's"),
    "sierra": ("Sierp", "seat air", "see era", "seer", "Siera"),
    "tango": ("ten goes", "ten go", "tangle"),
    "victor": ("vicar", "Vickter", "fitter", "Viktor"),
    "yankee": ("anty", "anti", "Yankees", "yanky"),
    "zulu": ("Zulloo", "Zoolu", "Zoo", "Zooloo"),
    "serial": ("cereal",),
}

# What the model writes for units, found on recordings for tuning: a word it seldom met becomes one it often did.
NEARLY = {
    "ohms": (
        "homes",
        "oems",
        "ohns",
        "ohm's",
        "o'ms",
        "oms",
        "omes",
        "owns",
        "alms",
        "arms",
        "ums",
        "oz",
        "loans",
        "bones",
    ),
    "ohm": ("home", "oem", "um"),
    "volts": ("bolts", "votes", "vaults", "bulbs", "folds", "goals", "bulls", "balls", "loaves", "bolds", "vols"),
    "volt": ("bolt", "vote", "vault", "bulb", "goal", "fold"),
    "amps": ("ants", "ends", "aps", "apps", "ams", "amp's"),
    "amp": ("ant",),
    "megohms": ("megomes", "megams", "megoms", "maggoms", "megons", "megalms", "mega homes", "meg homes"),
    "kilohms": ("kilomes", "kilo homes", "key loams", "killoms", "kiloms", "killed owns"),
    "microfarads": ("microphones", "microference", "micro ferts", "micro first", "micro ferrets", "microfarad"),
    "kilopascals": ("kilopascos", "kilo pastels", "kilopasples"),
    "milliamps": ("milliants", "milliamp", "milli ants"),
    "millivolts": ("millibolts", "milliballs", "milli bolts"),
    "hertz": ("harets", "hairts", "heart's"),
    "fahrenheit": ("fair and height", "Farron height"),
    "three": ("free",),
    "six": ("sixths",),
    "niner": ("minor", "miner", "Neiner"),
    "fower": ("Fowler", "Vour", "flower"),
    **SPELT_NEARLY,
}

# Words of the grammar that run together in writing, and what they become.
TOGETHER: dict[tuple[str, ...], tuple[str, ...]] = {
    ("a", "c"): ("AC", "A.C.", "ac", "A. C.", "I see", "a see", "I.C.", "IC", "ic"),
    ("d", "c"): ("DC", "D.C.", "dc", "D. C.", "to see", "d see"),
    ("p", "s", "i"): ("PSI", "psi", "P.S.I.", "P. S. I.", "PSI."),
    ("k", "p", "a"): ("kPa", "KPA", "K.P.A.", "KPI", "kpi"),
    ("m", "f", "d"): ("MFD", "M.F.D.", "M Fd", "MFd"),
    ("o", "l"): ("OL", "O.L.", "Oel", "oh well", "ol", "O. L."),
    ("meg", "ohms"): ("megohms", "mega ohms", "megaohms", *NEARLY["megohms"]),
    ("gig", "ohms"): ("gigohms", "gigaohms", "giga ohms", "gig homes"),
    ("kilo", "ohms"): ("kilohms", "kiloohms", *NEARLY["kilohms"]),
    ("micro", "farads"): ("microfarads", *NEARLY["microfarads"]),
    ("milli", "amps"): ("milliamps", *NEARLY["milliamps"]),
    ("milli", "volts"): ("millivolts", *NEARLY["millivolts"]),
    ("degrees", "celsius"): ("°C",),
    ("degrees", "fahrenheit"): ("°F",),
    ("over", "range"): ("overrange", "overranes"),
    ("over", "limit"): ("overlimit",),
    ("stand", "by"): ("standby",),
    ("speak", "slower"): ("speaks lower",),
}
UNSPACED: dict[tuple[str, ...], tuple[str, ...]] = {
    ("percent",): ("%",),
    ("degrees",): ("°",),
    ("degrees", "celsius"): ("°C",),
    ("degrees", "fahrenheit"): ("°F",),
}

# Nats in favour of a word that is said on the radio and hardly ever written: the network's own opinion of how often it
# comes is that of ordinary text. Not for "fower", which is written "four" too.
SELDOM_WRITTEN = {"niner": 2.0}

NEARLY_COSTS = 1.0  # nats, for a writing that has another meaning in ordinary text

FIGURE_WORDS = frozenset(
    word
    for words in (numbers.DIGIT, numbers.NOUGHT, numbers.OH, numbers.TEN, numbers.TEEN, numbers.TENS, numbers.POINT)
    for word in words.values
) | {"hundred", "thousand"}
FIGURES_AT_MOST = 9


def writings(words: Sequence[str]) -> Iterator[tuple[str, float]]:
    """What may be written for these words of the grammar, mostly one, and what that costs in nats.

    A writing that begins with a space stands by itself; one without is joined to what stands before it.
    """
    key = tuple(words)
    prior = SELDOM_WRITTEN.get(key[0], 0.0)
    plain = TOGETHER.get(key, ()) if len(key) > 1 else (key[0], *SAME_SOUND.get(key[0], ()))
    for text in plain:
        yield from ((f" {form}", prior) for form in _forms(text))
    if len(key) == 1:
        for text in NEARLY.get(key[0], ()):
            yield from ((f" {form}", prior - NEARLY_COSTS) for form in _forms(text))
        if key[0] in FIGURE_WORDS:
            yield from ((text, prior) for text in plain)  # "twenty-five", after the hyphen
    yield from ((text, 0.0) for text in UNSPACED.get(key, ()))


def _forms(text: str) -> tuple[str, ...]:
    """As in the middle and at the beginning of a sentence; single letters are written large."""
    return tuple(dict.fromkeys((text, text[0].upper() + text[1:], *((text.upper(),) if len(text) == 1 else ()))))


def figures(text: str) -> tuple[str, ...] | None:
    """The words of a number written in figures: "-12.5" is minus one two point five. None where it is not complete."""
    bare = text.removeprefix("-")
    if not bare or not bare[-1].isdigit():
        return None
    words = tuple(spoken_words(text))
    return words if "," not in words else None
