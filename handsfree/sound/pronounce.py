"""How words sound: ARPAbet pronunciations for PocketSphinx, from its dictionary, our own table, or a guess.

The one rule: a word is looked up in the table here and in the model's dictionary, else taken apart as prefix and
unit, and only then guessed by espeak's letter-to-sound rules. A word that none of them can say is left out.
"""

from __future__ import annotations

import ctypes
import json
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

Pronunciations = dict[str, tuple[str, ...]]

# Words the CMU dictionary lacks or has in one form only. Digits as ICAO Doc 9432 (2.4.2) spells their sound; the other
# entries are common practice on the shop floor, no source.
TABLE: Pronunciations = {
    "fower": ("F OW ER", "F AW ER"),
    "fife": ("F AY F",),
    "tree": ("T R IY",),
    "niner": ("N AY N ER",),
    # The dictionary has the tapped t of American speech in "thirty" only; without it "ninety" is heard as "nineteen".
    "forty": ("F AO R D IY",),
    "seventy": ("S EH V AH N D IY",),
    "eighty": ("EY D IY",),
    "ninety": ("N AY N D IY", "N AY N IY"),
    "thousand": ("TH AW Z AH N D", "TH AW Z AH N", "T AW Z AE N D"),
    "nought": ("N AO T",),
    "naught": ("N AO T",),
    "wilco": ("W IH L K OW",),
    "affirm": ("AH F ER M", "AE F ER M"),
    "hertz": ("HH ER T S", "HH EH R T S"),
    "celsius": ("S EH L S IY AH S", "S EH L S IY Y AH S", "S EH L SH AH S"),
    "farad": ("F EH R AH D", "F EH R AE D", "F AE R AH D"),
    "farads": ("F EH R AH D Z", "F EH R AE D Z", "F AE R AH D Z"),
    "pascals": ("P AE S K AE L Z", "P AE S K AH L Z"),
    "pascal": ("P AE S K AE L", "P AE S K AH L"),
    "amps": ("AE M P S",),
    "kilohm": ("K IH L OW M", "K IH L AA M"),
    "kilohms": ("K IH L OW M Z", "K IH L AA M Z"),
    "megohm": ("M EH G OW M",),
    "megohms": ("M EH G OW M Z",),
    "microhm": ("M AY K R OW M",),
    "microhms": ("M AY K R OW M Z",),
}

# The SI prefixes a technician says, as they sound before a unit ("kilo" + "volts").
PREFIXES: Pronunciations = {
    "pico": ("P IY K OW",),
    "nano": ("N AE N OW",),
    "micro": ("M AY K R OW",),
    "milli": ("M IH L IY", "M IH L AH"),
    "centi": ("S EH N T IH",),
    "deci": ("D EH S IH",),
    "hecto": ("HH EH K T OW",),
    "kilo": ("K IH L OW", "K IY L OW"),
    "mega": ("M EH G AH",),
    "giga": ("G IH G AH",),
}

# espeak's en-us phonemes in IPA to the 39 phones of the CMU dictionary; the longest match counts.
ARPABET = {
    "aɪə": "AY ER", "aɪɚ": "AY ER", "aɪ": "AY", "aʊ": "AW", "eɪ": "EY", "oʊ": "OW", "əʊ": "OW", "ɔɪ": "OY",
    "oːɹ": "AO R", "tʃ": "CH", "dʒ": "JH", "ɑːɹ": "AA R", "ɔːɹ": "AO R", "ɪɹ": "IH R", "ɛɹ": "EH R", "ʊɹ": "UH R",
    "əl": "AH L", "iə": "IY AH", "ɑ": "AA", "ɐ": "AH", "æ": "AE", "ʌ": "AH", "ɔ": "AO", "o": "OW", "ə": "AH",
    "ɚ": "ER", "ɜ": "ER", "ɛ": "EH", "e": "EY", "ɪ": "IH", "ᵻ": "IH", "i": "IY", "ʊ": "UH", "u": "UW", "a": "AA",
    "b": "B", "d": "D", "ð": "DH", "f": "F", "ɡ": "G", "g": "G", "h": "HH", "j": "Y", "k": "K", "l": "L", "m": "M",
    "n": "N", "ŋ": "NG", "p": "P", "ɹ": "R", "r": "R", "s": "S", "ʃ": "SH", "t": "T", "ɾ": "T", "ʔ": "T", "θ": "TH",
    "v": "V", "w": "W", "x": "K", "z": "Z", "ʒ": "ZH",
}  # fmt: skip


def pronounce(words: Iterable[str], dictionary: Path) -> Pronunciations:
    """ARPAbet pronunciations of ``words`` (lower case), likeliest first; words nobody can say are left out.

    ``dictionary`` is a file in CMU format: a word, or ``word(2)`` for its second pronunciation, then its phones.
    """
    wanted = set(words)
    found = known(wanted, dictionary)
    return found | _guess(sorted(wanted - found.keys()))


def known(words: Iterable[str], dictionary: Path) -> Pronunciations:
    """The same of those words alone whose pronunciation need not be guessed."""
    wanted = set(words)
    stems = {stem for word in wanted for _, stem in _prefixed(word)}
    listed = _look_up(wanted | stems, dictionary)
    found: Pronunciations = {}
    for word in wanted:
        if word in TABLE or word in listed:
            found[word] = tuple(dict.fromkeys(TABLE.get(word, ()) + listed.get(word, ())))
            continue
        composed = tuple(
            f"{first} {second}"
            for prefix, stem in _prefixed(word)
            for first in PREFIXES[prefix]
            for second in TABLE.get(stem) or listed.get(stem, ())
        )
        if composed:
            found[word] = composed
    return found


def _prefixed(word: str) -> Iterator[tuple[str, str]]:
    return ((prefix, word.removeprefix(prefix)) for prefix in PREFIXES if word.startswith(prefix))


def _look_up(words: set[str], dictionary: Path) -> Pronunciations:
    found: Pronunciations = {}
    with dictionary.open(encoding="utf-8") as lines:
        for line in lines:
            entry, _, phones = line.partition(" ")
            word = entry if entry[-1:] != ")" else entry.partition("(")[0]
            if word in words:
                found[word] = (*found.get(word, ()), phones.strip())
    return found


def _guess(words: list[str]) -> Pronunciations:
    """Letter-to-sound by espeak, in a process of its own: the library has one global state, which the voice uses."""
    spelt = [word for word in words if re.fullmatch(r"[a-z]+(?:['-][a-z]+)*", word)]
    if not spelt:
        return {}
    command = [sys.executable, "-m", "handsfree.sound.pronounce", *spelt]
    try:
        output = subprocess.run(command, capture_output=True, check=True, timeout=30).stdout
    except (OSError, subprocess.SubprocessError):
        return {}
    guesses = {word: _arpabet(ipa) for word, ipa in json.loads(output).items()}
    return {word: (phones,) for word, phones in guesses.items() if phones}


def _arpabet(ipa: str) -> str | None:
    """CMU phones for espeak's phonemes, which ``_`` separates; None where one of them has no counterpart."""
    phones = []
    for phoneme in re.sub(r"[ˈˌː]", "", ipa).replace(" ", "_").split("_"):
        rest = phoneme
        while rest:
            head = next((part for part in sorted(ARPABET, key=len, reverse=True) if rest.startswith(part)), None)
            if head is None:
                return None
            phones.append(ARPABET[head])
            rest = rest.removeprefix(head)
    return " ".join(phones) or None


def _espeak(words: list[str]) -> dict[str, str]:
    """What espeak's American English voice makes of each word, in IPA. Only for the helper process of ``_guess``."""
    import espeakng_loader

    library = ctypes.CDLL(espeakng_loader.get_library_path())
    synchronous, ipa_with_underscores = 2, 0x02 | ord("_") << 8  # espeak's speak_lib.h
    library.espeak_Initialize(synchronous, 0, espeakng_loader.get_data_path().encode(), 0)
    library.espeak_SetVoiceByName(b"en-us")
    library.espeak_TextToPhonemes.restype = ctypes.c_char_p
    utf8 = 1
    return {
        word: library.espeak_TextToPhonemes(
            ctypes.byref(ctypes.c_char_p(word.encode())), utf8, ipa_with_underscores
        ).decode()
        for word in words
    }


if __name__ == "__main__":
    print(json.dumps(_espeak(sys.argv[1:])))
