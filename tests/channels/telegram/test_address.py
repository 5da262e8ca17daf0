"""Addresses of chats and topics, written and read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.channels.base import ChannelError
from chatkey.channels.telegram.address import LARGEST_ID, Address, read_address

ids = st.integers(1, LARGEST_ID)


@given(chat=ids | ids.map(lambda id: -id), topic=ids | st.none())
def test_an_address_is_read_as_it_was_written(chat: int, topic: int | None) -> None:
    assert read_address(str(Address(chat, topic))) == Address(chat, topic)


@pytest.mark.parametrize(("text", "is_group"), [("101", False), ("-1001", True), ("-1001/40", True)])
def test_a_group_has_an_id_below_zero(text: str, is_group: bool) -> None:
    assert read_address(text).is_group is is_group


@pytest.mark.parametrize(
    "text",
    ["", "0", "007", "-0", "+1", "1/", "/1", "1/-2", "1/2/3", " 1", "1\n", "1e3", "٣", str(LARGEST_ID + 1), "9" * 40],
)
def test_what_is_no_address_is_told(text: str) -> None:
    with pytest.raises(ChannelError, match="CHAT/TOPIC"):
        read_address(text)
