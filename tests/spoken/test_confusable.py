"""Words that sound alike."""

from handsfree.spoken.confusable import neighbours, twins


def said(sentences: object) -> set[str]:
    return {" ".join(words) for words in sentences}  # type: ignore[attr-defined]


def test_teens_and_tens_are_twins() -> None:
    assert said(twins(["four", "fifteen", "volts"])) == {"four fifty volts"}
    assert said(twins(["forty"])) == {"fourteen"}


def test_a_four_at_the_end_may_have_been_bar() -> None:
    assert said(twins(["six", "point", "three", "five", "four"])) == {"six point three five bar"}
    assert said(twins(["four", "point", "five"])) == set()
    assert said(twins(["four"])) == set()


def test_the_neighbours_of_a_number_are_its_twins_and_what_recognisers_take_it_for() -> None:
    assert said(neighbours(["one", "fifteen", "ohms"])) == {"one fifty ohms", "one fifteen volts", "one fifteen volt"}
    assert "point two ohms" in said(neighbours(["eight", "point", "two", "ohms"]))
    assert said(neighbours(["two"])) == set()
