"""One confidence from what speaks for a hearing: it moves the right way, and no single measure can carry it."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.session.doubt import Policy
from handsfree.sound.evidence import (
    ACCEPT,
    JOINT_MARGIN_COUNTED,
    TEXT_WEIGHTS,
    WEIGHTS,
    Evidence,
    JointEvidence,
    TextEvidence,
    at_second_look,
)

PLAIN = Evidence(ratio=0.5, pace=8.0, agreement=1.0, margin=80.0)
EVIDENCE = st.builds(
    Evidence,
    ratio=st.floats(-8, 2),
    pace=st.floats(3, 60),
    agreement=st.sampled_from([0.0, 0.5, 1.0]),
    margin=st.floats(0, 200),
)


PLAIN_TEXT = TextEvidence(fit=0.0, doubt=-0.1, margin=12.0, pace=0.09, agreement=1.0)
WRITTEN = st.builds(
    TextEvidence,
    fit=st.floats(-20, 4),
    doubt=st.floats(-5, 0),
    margin=st.floats(0, 25),
    pace=st.floats(0.03, 2),
    agreement=st.sampled_from([0.0, 0.5, 1.0]),
)


@pytest.mark.parametrize("evidence", [PLAIN, PLAIN_TEXT])
def test_a_plain_hearing_is_taken(evidence: Evidence | TextEvidence) -> None:
    assert evidence.confidence > ACCEPT


@pytest.mark.parametrize("name", ["fit", "doubt", "margin", "agreement"])
@given(evidence=WRITTEN, more=st.floats(0.1, 5))
def test_more_of_what_speaks_for_a_written_sentence_never_lowers_its_confidence(
    name: str, evidence: TextEvidence, more: float
) -> None:
    better = replace(evidence, **{name: getattr(evidence, name) + more})
    assert better.confidence >= evidence.confidence


@given(evidence=WRITTEN)
def test_a_sentence_too_short_for_its_sound_is_less_sure(evidence: TextEvidence) -> None:
    assert replace(evidence, pace=evidence.pace * 2).confidence <= evidence.confidence
    assert 0 <= evidence.confidence <= 1
    assert len(evidence.measures) == len(TEXT_WEIGHTS)


def test_the_nearer_another_sentence_the_more_of_a_rival_it_is() -> None:
    assert TextEvidence.rivalry(-1.0) > TextEvidence.rivalry(-5.0)
    assert TextEvidence.rivalry(0.0) == 0.0


SURE_OF_ALL_ELSE = (
    TextEvidence(fit=0.0, doubt=0.0, margin=25.0, pace=0.09, agreement=1.0),
    JointEvidence(
        fit=0.0,
        preferred=0.0,
        doubt=0.0,
        margin=25.0,
        pace=0.09,
        agreement=1.0,
        raw=0.0,
        cleaned=0.0,
        favoured=1.0,
        words=3,
    ),
)


@pytest.mark.parametrize("evidence", SURE_OF_ALL_ELSE)
@given(straight=st.floats(0, 40), more=st.floats(0, 40))
def test_the_nearer_a_guess_of_it_the_less_sure_is_a_reading(
    evidence: TextEvidence | JointEvidence, straight: float, more: float
) -> None:
    nearer, further = replace(evidence, straight=straight), replace(evidence, straight=straight + more)
    assert nearer.confidence <= further.confidence <= evidence.confidence
    assert replace(evidence, straight=0.5).confidence < ACCEPT < evidence.confidence


SURE, UNSURE = st.floats(ACCEPT, 1), st.floats(0, ACCEPT, exclude_max=True)


@given(confidence=st.floats(0, 1), more=st.floats(0, 1), first=UNSURE, same=st.booleans())
def test_what_was_not_sure_must_be_surer_at_a_second_look(
    confidence: float, more: float, first: float, same: bool
) -> None:
    counted = at_second_look(confidence, first, same=same)
    assert counted <= confidence + 1e-6
    assert at_second_look(min(1.0, confidence + more), first, same=same) >= counted
    assert (counted >= ACCEPT) == (confidence >= 0.6) or confidence == pytest.approx(0.6)


@given(confidence=st.floats(0, 1), first=SURE)
def test_what_was_sure_stands_at_a_second_look_that_bears_it_out(confidence: float, first: float) -> None:
    counted = at_second_look(confidence, first, same=True)
    assert counted <= max(confidence, first) + 1e-6
    assert counted >= first if confidence >= 0.3 else counted < ACCEPT


@given(confidence=st.floats(0, 1), first=SURE)
def test_two_looks_that_are_sure_of_two_meanings_are_sure_of_none(confidence: float, first: float) -> None:
    assert at_second_look(confidence, first, same=False) < ACCEPT


@given(preferred=st.floats(0, 30), words=st.integers(1, 12))
def test_against_the_network_a_sentence_is_believed_sooner_than_a_word_and_neither_without_end(
    preferred: float, words: int
) -> None:
    _, plain = SURE_OF_ALL_ELSE
    assert isinstance(plain, JointEvidence)
    one, other = (replace(plain, preferred=preferred, words=count).confidence for count in (words, words + 1))
    assert one <= other <= plain.confidence
    assert replace(plain, preferred=12.0, words=2).confidence < ACCEPT < replace(plain, preferred=12.0).confidence
    assert replace(plain, preferred=16.0).confidence < ACCEPT


@given(
    most=st.floats(-20, 2),
    less=st.floats(0, 20),
    behind=st.floats(0, 15),
    best=st.floats(-60, 2),
)
def test_a_sentence_that_is_not_asked_of_the_network_could_not_have_been_a_rival(
    most: float, less: float, behind: float, best: float
) -> None:
    if not JointEvidence.matters(most, behind, best):
        difference = JointEvidence.together(most - less, behind) - best
        assert difference <= -JOINT_MARGIN_COUNTED + 1e-9
        assert Policy().likely([("another", JointEvidence.rivalry(difference))]) == []
    assert JointEvidence.matters(most, 0.0, most)  # what both find as likely as the best always is


@pytest.mark.parametrize("name", ["ratio", "agreement", "margin"])
@given(evidence=EVIDENCE, more=st.floats(0.1, 5))
def test_more_of_what_speaks_for_it_never_lowers_the_confidence(name: str, evidence: Evidence, more: float) -> None:
    better = replace(evidence, **{name: getattr(evidence, name) + more})
    assert better.confidence >= evidence.confidence


@given(evidence=EVIDENCE)
def test_a_confidence_is_between_nothing_and_one(evidence: Evidence) -> None:
    assert 0 <= evidence.confidence <= 1
    assert len(evidence.measures) == len(WEIGHTS)


def test_where_the_sound_cannot_be_made_to_hold_the_words_nothing_speaks_for_them() -> None:
    assert Evidence(-math.inf, math.inf, 0.5, 0.0).confidence < ACCEPT / 2


def test_a_word_of_unknown_fit_is_as_sure_as_the_whole() -> None:
    assert PLAIN.of_word(math.nan) == PLAIN.confidence
    assert PLAIN.of_word(-3.0) < PLAIN.confidence
