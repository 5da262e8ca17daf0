"""Phrases found, typos mended, the best set of spans."""

from __future__ import annotations

import pytest

from chatkey.dialog import Mind
from chatkey.understand.match import Span, best_set, mend
from chatkey.understand.normalise import normalise


def mended(mind: Mind, text: str) -> list[str]:
    return [token.text for token in mend(normalise(text, mind.knowledge.language), mind.lexicon)]


@pytest.mark.parametrize(
    ("typo", "word"), [("neddles", "needles"), ("hemloc", "hemlock"), ("arborvitea", "arborvitae"), ("sprce", "spruce")]
)
def test_a_misspelt_word_is_mended(mind: Mind, typo: str, word: str) -> None:
    assert mended(mind, typo) == [word]


@pytest.mark.parametrize("word", ["soft", "short", "oak", "larkwater"])
def test_a_known_short_or_unlike_word_is_left_alone(mind: Mind, word: str) -> None:
    assert mended(mind, word) == [word]


def test_ish_weakens_the_word_it_hangs_on(mind: Mind) -> None:
    (token,) = mend(normalise("roughish", mind.knowledge.language), mind.lexicon)
    assert (token.text, token.ish) == ("rough", True)


def test_a_longer_span_wins_over_its_pieces() -> None:
    long = Span(0, 2, ("two", "white", "lines"), "claim")
    pieces = [Span(0, 0, ("two",), "claim"), Span(1, 1, ("white",), "claim"), Span(2, 2, ("lines",), "claim")]
    assert best_set([*pieces, long]) == (long,)


def test_spans_that_do_not_overlap_are_all_kept_in_order() -> None:
    spans = [Span(3, 3, ("flat",), "claim"), Span(0, 1, ("soft", "needles"), "claim")]
    assert best_set(spans) == (spans[1], spans[0])
