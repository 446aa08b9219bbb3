"""Check characters against identifiers that their registrars publish, and against another library."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import luhn
from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_11_2, mod_37_2, mod_97_10

from handsfree.spoken.checkdigits import Check, fits

# Identifiers from memory; each is also put to the other library below.
PUBLISHED = [
    (Check.MOD_11_2, "0000000218250097"),  # ORCID, "Structure of the ORCID Identifier"
    (Check.MOD_11_2, "0000000151093700"),  # the same
    (Check.MOD_11_2, "000000021694233X"),  # the same
    (Check.MOD_11_2, "07940"),  # ISO 7064, example of mod 11-2
    (Check.MOD_11_2, "0000000121032683"),  # ISNI (ISO 27729)
    (Check.MOD_37_2, "A999914123456N"),  # ISBT 128 Standard Technical Specification, appendix on the check character
    (Check.MOD_37_2, "G123498654321H"),  # the same
    (Check.MOD_97_10, "5493001KJTIIGC8Y1R12"),  # LEI (ISO 17442), GLEIF
    (Check.MOD_97_10, "213800KUD8LAJWSQ9D15"),  # LEI (ISO 17442)
    # IBAN (ISO 13616, registry of examples), with the country and the check digits at the end as it is checked.
    (Check.MOD_97_10, "NWBK60161331926819GB29"),
    (Check.MOD_97_10, "370400440532013000DE89"),
    (Check.MOD_97_10, "20041010050500013M02606FR14"),
    (Check.LUHN, "79927398713"),  # the usual textbook example
    (Check.LUHN, "490154203237518"),  # IMEI (3GPP TS 23.003)
    (Check.LUHN, "4111111111111111"),  # test number of payment networks
]
OTHER = {
    Check.MOD_11_2: mod_11_2.validate,
    Check.MOD_37_2: mod_37_2.validate,
    Check.MOD_97_10: mod_97_10.validate,
    Check.LUHN: luhn.validate,
}


def passes(check: Check, text: str) -> bool:
    """What the other library says."""
    try:
        OTHER[check](text)
    except ValidationError:
        return False
    return True


@pytest.mark.parametrize(("check", "text"), PUBLISHED)
def test_published_identifiers_fit(check: Check, text: str) -> None:
    assert fits(check, text)
    assert passes(check, text)


@pytest.mark.parametrize(("check", "text"), PUBLISHED)
def test_two_neighbours_that_changed_places_do_not(check: Check, text: str) -> None:
    """ISO 7064 finds every such transposition; Luhn all but 09 and 90."""
    for at in range(len(text) - 2):
        one, other = text[at : at + 2]
        if one != other and {one, other} != {"0", "9"}:
            assert not fits(check, text[:at] + other + one + text[at + 2 :])


@given(st.text(string.digits, min_size=3, max_size=20), st.sampled_from([*string.digits, "X", "*"]))
def test_digits_are_judged_as_the_other_library_judges_them(body: str, end: str) -> None:
    for check in (Check.MOD_11_2, Check.MOD_37_2, Check.LUHN):
        if end in {Check.MOD_11_2: "X", Check.MOD_37_2: "X*", Check.LUHN: ""}[check] + string.digits:
            assert fits(check, body + end) == passes(check, body + end)


@given(
    st.text(string.digits + string.ascii_uppercase, min_size=1, max_size=20),
    st.text(string.digits, min_size=2, max_size=2),
)
def test_letters_are_judged_as_the_other_library_judges_them(body: str, end: str) -> None:
    assert fits(Check.MOD_97_10, body + end) == passes(Check.MOD_97_10, body + end)
    assert fits(Check.MOD_37_2, body + end) == passes(Check.MOD_37_2, body + end)
    right = body + mod_97_10.calc_check_digits(body)
    assert fits(Check.MOD_97_10, right)
    right = body + mod_37_2.calc_check_digit(body)
    assert fits(Check.MOD_37_2, right)
