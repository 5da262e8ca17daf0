"""One sender has one address, however the gateway writes it; what is no sender is refused without being shown."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.numbers import LONGEST, address


@pytest.mark.parametrize(
    "raw",
    [
        "+19065550123",
        "(906) 555-0123",
        "906.555.0123",
        "9065550123",
        "19065550123",
        "1-906-555-0123",
        "+1 906-555-0123",
        "0019065550123",
        "01119065550123",
        " +19065550123\n",
    ],
)
def test_every_way_to_write_a_number_gives_one_address(raw: str) -> None:
    assert address(raw, "US") == "+19065550123"


@pytest.mark.parametrize("line", [f"{n:02d}" for n in range(100)])
@pytest.mark.parametrize("area", ["906", "231", "999"])
def test_numbers_that_nobody_has_are_numbers_too(area: str, line: str) -> None:
    assert address(f"({area}) 555-01{line}", "US") == f"+1{area}55501{line}"


@pytest.mark.parametrize(
    ("raw", "region", "expected"),
    [
        ("9065550123", "CA", "+19065550123"),
        ("19065550123", "GB", "+19065550123"),
        ("+442079460018", "US", "+442079460018"),
        ("442079460018", "US", "+442079460018"),
        ("00442079460018", "US", "+442079460018"),
        ("020 7946 0018", "GB", "+442079460018"),
        ("+19065550123", "", "+19065550123"),
    ],
)
def test_a_number_without_its_country_is_one_of_the_region_where_it_fits(raw: str, region: str, expected: str) -> None:
    assert address(raw, region) == expected


@pytest.mark.parametrize("raw", ["123", "12345", "12345678", "LARKWATER", "Lark 4 U", "+12345", "9" * 30])
def test_short_codes_names_and_what_is_no_number_stay_as_they_are(raw: str) -> None:
    assert address(raw, "US") == raw


@pytest.mark.parametrize(
    ("raw", "what", "mend"),
    [
        ("", "is empty", "send the number or name that the message came from"),
        (" +()- ", "is empty", "send the number or name that the message came from"),
        ("1906" + "5550123" * 6, f"is longer than {LONGEST} letters", "send one number or name"),
        ("+1906\n5550123", "has control characters in it", "send digits, or letters and digits"),
        ("+1906\x005550123", "has control characters in it", "send digits, or letters and digits"),
        ("\u202e+19065550123", "has control characters in it", "send digits, or letters and digits"),
    ],
)
def test_what_is_no_sender_is_refused_without_being_shown(raw: str, what: str, mend: str) -> None:
    with pytest.raises(ChannelError) as error:
        address(raw, "US")
    assert error.value.args == ("sender", what, mend)
    assert not re.search("906|555", str(error.value))


@given(st.text(max_size=50), st.sampled_from(["US", "CA", "GB", "", "nowhere"]))
def test_any_text_is_an_address_or_refused_and_an_address_stays_itself(raw: str, region: str) -> None:
    try:
        found = address(raw, region)
    except ChannelError:
        return
    assert 1 <= len(found) <= LONGEST
    assert address(found, region) == found
