"""Segments, letters, keywords and numbers of text messages against published standards."""

from __future__ import annotations

import re

import pytest
import smsutil

from chatkey.channels.sms.keywords import keyword
from chatkey.channels.sms.numbers import address
from chatkey.channels.sms.segments import ALPHABET, plain, room, segments
from chatkey.dialog import Mind

# 3GPP TS 23.038 clause 6.2.1, default alphabet, code 0x00 to 0x7F in order; 0x1B is the escape to the extension table.
GSM7_BASIC = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
GSM7_EXTENSION = "\f^{}\\[~]|€"  # 3GPP TS 23.038 clause 6.2.1.1: two septets each
FORCES_UCS2 = "‘’“”–—…°½¼¾×±•™©®`´′″áíóúâêîôûãõçÀÁ\u00a0\t\u200d\ufe0f🌲👍✓→≥"  # in neither table

# Text -> segments, units left in the last one; by hand from 3GPP TS 23.040, 9.2.3.24.1: 140 octets, a header of 6 of
# them where a message is joined, so 160 septets or 70 units alone, 153 or 67 in a part; a pair is never cut.
SEGMENTS = [
    ("", 1, 160),
    ("OK", 1, 158),
    ("Roll one needle between your fingers. Does it roll or is it flat?", 1, 95),
    ("a" * 160, 1, 0),
    ("a" * 161, 2, 145),
    ("a" * 306, 2, 0),
    ("a" * 307, 3, 152),
    ("é" * 160, 1, 0),
    ("Señor, ¿5 needles?", 1, 142),
    ("[a] {b}", 1, 149),
    ("€" * 80, 1, 0),
    ("a" * 159 + "€", 2, 145),
    ("a" * 152 + "€" + "a" * 10, 2, 141),  # the escape pair is not cut: part 1 carries 152 septets
    ("It’s a pine", 1, 59),
    ("2–3 cm", 1, 64),
    ("-20°C", 1, 65),
    ("Taxus ×media", 1, 58),
    ("Thanks 🌲", 1, 61),  # two units
    ("…" * 71, 2, 63),
    ("x" * 66 + "🌲" + "x" * 10, 2, 55),  # the surrogate pair is not cut: part 1 carries 66 units
]

# Whole-message keywords. STOP END CANCEL UNSUBSCRIBE QUIT, HELP INFO: CTIA's handbook. stop, quit, end, revoke, opt
# out, cancel, unsubscribe: 47 CFR 64.1200(a)(10), FCC 24-24. START YES UNSTOP and the others: what gateways document.
KEYWORDS = {
    "stop": [
        *("stop", "end", "cancel", "unsubscribe", "quit", "stopall", "stop all"),
        *("revoke", "optout", "opt-out", "opt out", "remove", "arret"),
    ],
    "start": ["start", "unstop", "yes"],
    "help": ["help", "info"],
}
MESSAGES = [
    ("STOP", "stop"),
    ("Stop.", "stop"),
    (" quit ", "stop"),
    ("END", "stop"),
    ("Unsubscribe!", "stop"),
    ("opt out", "stop"),
    ("START", "start"),
    ("unstop", "start"),
    ("YES", "start"),
    ("Help", "help"),
    ("info?", "help"),
    ("the end is blunt", None),
    ("yes it does", None),
    ("it stops halfway", None),
    ("Y", None),
    ("1", None),
    ("", None),
]


def meant(mind: Mind, text: str) -> str | None:
    """The kind of a keyword; "yes" starts a number that has stopped."""
    found = keyword(text, mind.script.tables["keywords"])
    return "start" if found == "yes" else found


@pytest.mark.parametrize(("text", "count", "left"), SEGMENTS)
def test_a_text_takes_as_many_segments_as_the_standard_says(text: str, count: int, left: int) -> None:
    assert (segments(text), room(text)) == (count, left)


@pytest.mark.parametrize(("text", "size"), [("a" * 152 + "€" + "a" * 10, 152), ("x" * 66 + "🌲" + "x" * 10, 66)])
def test_a_pair_is_never_cut(text: str, size: int) -> None:
    assert len(smsutil.split(text).parts[0].content) == size


def test_plain_letters_are_letters_of_the_standard() -> None:
    assert set(GSM7_BASIC + GSM7_EXTENSION) >= ALPHABET
    assert all(plain(letter) == letter for letter in GSM7_BASIC if letter not in " \n\r\x1b")


def test_what_would_force_sixteen_bits_is_gone() -> None:
    assert set(plain(FORCES_UCS2)) <= set(GSM7_BASIC)
    assert segments(plain("’" * 160)) == 1


@pytest.mark.parametrize(("text", "kind"), MESSAGES)
def test_a_message_is_a_keyword_as_published(mind: Mind, text: str, kind: str | None) -> None:
    assert meant(mind, text) == kind


@pytest.mark.parametrize("kind", KEYWORDS)
def test_every_published_keyword_is_obeyed_in_any_case(mind: Mind, kind: str) -> None:
    for word in KEYWORDS[kind]:
        assert {meant(mind, form) for form in (word, word.upper(), word.title(), f" {word}. ")} == {kind}


# ITU-T E.164: up to 15 digits, the country's code first. 555-0100 to 555-0199 are kept for invented numbers.
@pytest.mark.parametrize("number", ["+12315550123", "+14165550199", "+442079460018"])
def test_a_number_in_its_international_form_stays_as_it_is(number: str) -> None:
    assert re.fullmatch(r"\+[1-9][0-9]{1,14}", number)
    assert address(number, "US") == number
    assert address(number[1:], "US") == number
