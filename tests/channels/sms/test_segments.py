"""Plain text is text in the letters of a text message, and its segments are counted as phones count them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.channels.sms.segments import ALPHABET, plain, room, segments


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("It’s a “pine”", 'It\'s a "pine"'),
        ("2–3 cm — or so…", "2-3 cm - or so..."),
        ("-20°C, a 45° slope", "-20 C, a 45 deg slope"),
        ("8 × 8 ft, Taxus ×media", "8 x 8 ft, Taxus x media"),
        ("2½ in, ¼ in", "2 1/2 in, 1/4 in"),
        ("one\u00a0needle\tand two", "one needle and two"),
        ("Señor Müller, für é è à", "Señor Müller, für é è à"),
        ("á í ó ú â ç ã À Œ", "a i o u a c a A Oe"),
        ("e\u0301pinette a\u0301", "épinette a"),
        ("[a] {b} c|d", "(a) (b) c/d"),
        ("Thanks 🌲 you 👍🏽", "Thanks you"),
        ("1️⃣ two ✓ ⤴", "1 two"),
        ("Тсуга, 松", "Tsuga, Song"),
        ("№ 5 ≠ 6", "No. 5 is not 6"),
        ("one\r\n\r\n two\u2028three\f", "one\ntwo\nthree"),
        ("half a letter \ud83d\x00\x1b here", "half a letter here"),
        ("🌲", ""),
    ],
)
def test_what_the_alphabet_lacks_is_said_by_a_plain_twin(text: str, expected: str) -> None:
    assert plain(text) == expected


@given(st.text(alphabet=st.characters()))
def test_any_text_becomes_plain_and_twice_plain_is_plain(text: str) -> None:
    found = plain(text)
    assert set(found) <= ALPHABET
    assert plain(found) == found


def test_no_letter_turns_into_a_question_that_was_not_asked() -> None:
    letters = [chr(code) for code in range(0x20, 0x2000)]
    asked = {letter for letter in letters if "?" in plain(letter)}
    assert all(plain(letter) in ("?", "??", "!?", "?!") for letter in asked)
    assert "~" not in asked


@given(st.text(alphabet="".join(sorted(ALPHABET)), max_size=400))
def test_plain_text_fits_as_many_segments_as_its_septets_need(text: str) -> None:
    septets = sum(2 if letter in "^~€" else 1 for letter in text)
    count = segments(text)
    assert (count == 1) == (septets <= 160)
    assert count == 1 or 153 * count >= septets > 153 * (count - 1) - count
    assert 0 <= room(text) <= 160


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=300))
def test_plain_text_takes_no_more_segments_than_its_letters_need(text: str) -> None:
    found = plain(text)
    assert segments(found) <= -(-len(found) * 2 // 152) + 1
