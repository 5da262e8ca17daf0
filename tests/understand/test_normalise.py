"""Messages to tokens."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.understand.normalise import normalise, stem

MIND = open_mind()


def words(mind: Mind, text: str) -> list[str]:
    return [token.text for token in normalise(text, mind.knowledge.language)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Soft n FLAT", ["soft", "and", "flat"]),
        ("w/ 2 lines", ["with", "2", "lines"]),
        ("doesnt roll", ["doesn't", "roll"]),
        ("it’s “soft”", ["it", "is", '"', "soft", '"']),
        ("2½ in", ["2", "1/2", "in"]),
        ("3–4 cm", ["3", "-", "4", "cm"]),
        ("five per bundle", ["5", "per", "bundle"]),
        ("grey colour", ["gray", "color"]),
    ],
)
def test_texting_fractions_and_quotes_become_plain_tokens(mind: Mind, text: str, expected: list[str]) -> None:
    assert words(mind, text) == expected


def test_a_letter_that_is_the_whole_message_is_not_written_out(mind: Mind) -> None:
    assert words(mind, "b") == ["b"]
    assert words(mind, "it will b flat") == ["it", "will", "be", "flat"]


@pytest.mark.parametrize(
    ("word", "expected"),
    [("needles", "needle"), ("berries", "berry"), ("bunches", "bunch"), ("grass", "grass"), ("is", "is")],
)
def test_plurals_are_folded(mind: Mind, word: str, expected: str) -> None:
    assert stem(word, mind.knowledge.language) == expected


@given(text=st.text(max_size=300))
@settings(max_examples=200, deadline=None)
def test_any_text_gives_tokens_whose_spans_lie_in_it_in_order(text: str) -> None:
    tokens = normalise(text, MIND.knowledge.language)
    assert all(0 <= token.span[0] < token.span[1] <= len(text) for token in tokens)
    starts = [token.span[0] for token in tokens]
    assert starts == sorted(starts)
