"""What technicians say, phrase by phrase: the list that benchmarks/phrases.py measures with.

Each line was written from what the words mean to the trade, not from what the program answers.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from handsfree.spoken import grammar
from handsfree.spoken.meaning import Expectation, Open, Quantity, Reading, Refusal
from handsfree.spoken.reading import parse

LIST = Path(__file__).parents[2] / "benchmarks" / "field_phrases.tsv"
LINES = [
    (line.split("\t") + [""] * 6)[:7]
    for line in LIST.read_text(encoding="utf-8").splitlines()[1:]
    if not line.startswith("# ")
]


@pytest.mark.parametrize(
    ("phrase", "expect", "kind", "value", "unit", "waveform", "why"),
    LINES,
    ids=[f"{line[0]} ({line[1] or 'anything'})" for line in LINES],
)
def test_field_phrase_has_its_meaning_or_is_refused(
    phrase: str, expect: str, kind: str, value: str, unit: str, waveform: str, why: str
) -> None:
    expectation = Expectation(Quantity(expect) if expect else None)
    outcome = parse(phrase, expectation)
    understood = grammar.understand(phrase, Open(reading=expectation))
    assert understood == outcome or (isinstance(understood, Refusal) and isinstance(outcome, Refusal))
    if kind == "refuse":
        assert isinstance(outcome, Refusal), why
        assert outcome.reason
    else:
        assert outcome == Reading(outcome.kind, value or None, unit or None, waveform or None), outcome
        assert outcome.kind == kind
        assert not value or Decimal(value).is_finite()


def test_the_list_is_long_enough_to_mean_something() -> None:
    assert len(LINES) >= 300
    assert sum(line[2] == "refuse" for line in LINES) >= 100
    assert {line[1] for line in LINES} >= {quantity.value for quantity in Quantity}
