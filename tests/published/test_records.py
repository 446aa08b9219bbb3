"""Canonical JSON, times and hashes of the record against the documents that define them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from handsfree.session.events import Mark
from handsfree.session.journal import Journal, JournalError, canonical, digest, read_time, seal, time_text

# RFC 8785, 3.2.2: the sample input.
RFC8785_INPUT = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
# RFC 8785, 3.2.3: the sample after sorting; 3.2.4 gives the same as bytes.
RFC8785_OUTPUT = (
    '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
    '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
)


def test_canonical_form_is_that_of_rfc_8785_section_3_2() -> None:
    found = canonical(json.loads(RFC8785_INPUT))
    assert found == RFC8785_OUTPUT.encode()
    assert len(found) == 118
    # Computed from the published bytes of RFC 8785, 3.2.4.
    assert digest(found) == "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"


def test_canonical_form_of_arrays_is_that_of_the_published_test_data() -> None:
    # Test data of the author of RFC 8785 (cyberphone/json-canonicalization, testdata/input and output, arrays.json).
    assert canonical(json.loads('[56, {"d": true, "10": null, "1": [ ]}]')) == b'[56,{"1":[],"10":null,"d":true}]'


@pytest.mark.parametrize(
    ("number", "text"),
    [(0.000001, b"0.000001"), (9.999999999999997e-7, b"9.999999999999997e-7"), (1e21, b"1e+21"), (-0.0, b"0")],
)
def test_canonical_numbers_are_those_of_the_published_test_data(number: float, text: bytes) -> None:
    # Same repository, testdata/README.md (numbers after ECMAScript, RFC 8785 3.2.2.3).
    assert canonical(number) == text


def test_text_is_not_normalised() -> None:
    # Same repository, testdata unicode.json: A with combining ring stays two code points (RFC 8785 3.1).
    assert canonical("A\u030a") == b'"A\xcc\x8a"'


@pytest.mark.parametrize(
    ("text", "utc", "seconds"),
    [
        # RFC 3339, 5.8; seconds since 1970 computed from the values.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z", -1041337172.13),
    ],
)
def test_times_are_those_of_rfc_3339_section_5_8(text: str, utc: str, seconds: float) -> None:
    time = read_time(text)
    assert time_text(time) == utc
    assert (time - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() == pytest.approx(seconds, abs=1e-6)
    assert read_time(time_text(time)) == time


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
def test_the_leap_seconds_of_rfc_3339_section_5_8_are_refused_and_not_moved(text: str) -> None:
    # Valid in RFC 3339 (values from memory). A computer's clock does not give them: such a journal was altered.
    with pytest.raises(JournalError, match="is not an RFC 3339 time such as"):
        read_time(text)


@pytest.mark.parametrize(
    "text",
    [
        "1985-04-12",
        "1985-04-12 23:20:50Z",
        "1985-04-12T23:20Z",
        "19850412T232050Z",
        "1985-W15-5T23:20:50Z",
        "1985-04-12T23:20:50",
    ],
)
def test_iso_8601_forms_outside_rfc_3339_section_5_6_are_refused(text: str) -> None:
    with pytest.raises(JournalError):
        read_time(text)


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        # FIPS 180-2, B.1, B.2, B.3; also NIST's example values for FIPS 180-4.
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
        # Widely published; not among the standard's worked examples.
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_hashes_are_those_of_fips_180(message: bytes, expected: str, tmp_path: Path) -> None:
    assert digest(message) == expected
    with Journal.create(tmp_path / "session", b"") as journal:
        assert journal.keep_clip(message) == ("clips/0001.flac", expected)


def test_the_sample_of_rfc_8785_stands_in_a_journal_line_as_the_rfc_writes_it(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "session", b"") as journal:
        journal.append(read_time("1985-04-12T23:20:50.52Z"), Mark.OPENED, json.loads(RFC8785_INPUT))
    line = (
        f'{{"data":{RFC8785_OUTPUT},"kind":"opened","n":1,"previous":"{"0" * 64}","time":"1985-04-12T23:20:50.520Z"}}'
    ).encode()
    assert (tmp_path / "session" / "journal.jsonl").read_bytes() == line + b"\n"
    assert seal(tmp_path / "session") == digest(line)
