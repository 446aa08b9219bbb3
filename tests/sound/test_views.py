"""What several views make of an utterance: how far a reading is ahead of one that is guessed or put right."""

import math

import pytest

from handsfree.sound.views import straight


@pytest.mark.parametrize(
    ("best", "others", "ahead"),
    [
        ("four five ohms", {"four or five ohms": 7.1, "four er five ohms": 19.0, "nine five ohms": 3.0}, 7.1),
        ("six ohms", {"about six ohms": 4.0, "six ohms i think": 2.5}, 2.5),
        ("four point nine ohms", {"sorry point nine ohms": 1.4, "four point er ohms": 2.0}, math.inf),  # other figures
        ("six ohms", {"six volts": 1.0, "five ohms": 2.0}, math.inf),
        ("six ohms", {}, math.inf),
        # It is refused as it is, and to be refused because of "or" says more than to be asked again.
        ("four or five ohms", {"four er five ohms": 0.8, "four five ohms": 1.0}, math.inf),
    ],
)
def test_a_reading_is_as_straight_as_it_is_ahead_of_the_nearest_guess(
    best: str, others: dict[str, float], ahead: float
) -> None:
    assert straight(best, others) == ahead
