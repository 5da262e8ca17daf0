"""Who sent a message: numbers in one way of writing (E.164), short codes and names of senders as they are."""

from __future__ import annotations

import re
import unicodedata

import phonenumbers

from chatkey.channels.base import ChannelError

LONGEST = 40  # letters of a sender
SHORT_CODE = range(3, 9)  # digits


def address(raw: str, region: str) -> str:
    """The sender's address: "+19065550123" for "(906) 555-0123" in "US". Raises ChannelError, which never shows it.

    A number without a plus is one of the region where its length fits there; else it begins with its country's code.
    """
    text = raw.strip()
    if not any(letter.isalnum() for letter in text):
        raise ChannelError("sender", "is empty", "send the number or name that the message came from")
    if len(text) > LONGEST:
        raise ChannelError("sender", f"is longer than {LONGEST} letters", "send one number or name")
    if any(unicodedata.category(letter)[0] == "C" for letter in text):
        raise ChannelError("sender", "has control characters in it", "send digits, or letters and digits")
    digits = re.sub(r"\D", "", text)
    international = text.startswith("+")
    if any(letter.isalpha() for letter in text) or (not international and len(digits) in SHORT_CODE):
        return text
    return _e164(text, region, digits) or text


def _e164(text: str, region: str, digits: str) -> str | None:
    """The first reading that can be a number: as dialled in the region, after 00, with a country's code."""
    readings = [text] if text.startswith("+") else [text, f"+{digits[2:]}" if digits.startswith("00") else f"+{digits}"]
    for reading in readings:
        try:
            number = phonenumbers.parse(reading, region)
        except phonenumbers.NumberParseException:
            continue
        # "possible" and no more: invented numbers (555-0100 to 555-0199) and new ones need not be valid yet
        if phonenumbers.is_possible_number(number):
            return phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    return None
