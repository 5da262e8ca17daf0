"""What holds for any text: spans, order, denials, noise, and how the work grows with the length."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.app import open_mind
from chatkey.terms import INTENTS, Claim
from chatkey.understand import understand
from chatkey.understand.pending import question_about

MIND = open_mind()
QUESTIONS = [None, "place", *MIND.knowledge.characters]
# Sentences that each say one thing by themselves, of parts that are named.
FACTS = {
    "The needles are flat.": ("leaf_section", "flat"),
    "The twig is hairy.": ("twig_hair", "hairy"),
    "The bark is smooth.": ("bark", "smooth"),
    "The cones hang down.": ("cone_attitude", "hanging"),
    "It smells like orange.": ("smell", "fruit"),
    "The needles are sharp.": ("leaf_tip", "sharp"),
    "It grows in a bog.": ("ground", "wet"),
    "Two white lines under each needle.": ("bands_below", "two_lines"),
}
NOISE = ["\u200b", "\ufeff", "\u00ad", "\u0301", "\u202e", "🌲", "\t", "  "]


def said(claims: tuple[Claim, ...]) -> set[tuple[str, str, bool]]:
    return {(claim.character, claim.states[0], claim.negated) for claim in claims if claim.states}


def facts_of(text: str) -> set[tuple[str, str, bool]]:
    return said(understand(text, MIND.knowledge, MIND.lexicon).claims)


@given(text=st.text(max_size=400), asked=st.sampled_from(QUESTIONS))
@settings(max_examples=300, deadline=None)
def test_any_text_gives_an_answer_whose_spans_are_its_own(text: str, asked: str | None) -> None:
    pending = question_about(asked, MIND.knowledge) if asked else None
    understood = understand(text, MIND.knowledge, MIND.lexicon, pending)
    assert set(understood.intents) <= set(INTENTS)
    assert understood.intents
    assert len(understood.traces) == len(understood.claims)
    for claim in understood.claims:
        assert text[claim.span[0] : claim.span[1]] == claim.text
        assert claim.character in MIND.knowledge.characters
        assert 0 <= claim.hedge <= 1
    for words in understood.not_understood:
        assert words in text


@given(st.lists(st.sampled_from(sorted(FACTS)), min_size=1, max_size=5, unique=True), st.randoms(use_true_random=False))
@settings(max_examples=100, deadline=None)
def test_the_order_of_sentences_does_not_matter(sentences: list[str], chance: object) -> None:
    shuffled = list(sentences)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert facts_of(" ".join(sentences)) == facts_of(" ".join(shuffled))


@given(st.lists(st.sampled_from(sorted(FACTS)), min_size=1, max_size=4, unique=True), st.sampled_from(sorted(FACTS)))
@settings(max_examples=100, deadline=None)
def test_a_sentence_more_leaves_the_others_as_they_were(sentences: list[str], more: str) -> None:
    before = understand(" ".join(sentences), MIND.knowledge, MIND.lexicon).claims
    after = understand(" ".join([*sentences, more]), MIND.knowledge, MIND.lexicon).claims
    spans = {(claim.character, claim.span) for claim in after}
    repeated = FACTS[more][0] in {claim.character for claim in before}
    assert repeated or {(claim.character, claim.span) for claim in before} <= spans


@pytest.mark.parametrize("sentence", sorted(FACTS))
def test_each_sentence_says_its_fact(sentence: str) -> None:
    assert (*FACTS[sentence], False) in facts_of(sentence)


@pytest.mark.parametrize("word", ["sharp", "flat", "soft", "stiff", "square"])
def test_denying_twice_is_saying(word: str) -> None:
    found = [
        next(
            claim
            for claim in understand(f"needles are {text}", MIND.knowledge, MIND.lexicon).claims
            if claim.states != ("needle",)
        )
        for text in (word, f"not {word}", f"not not {word}")
    ]
    assert [claim.negated for claim in found] == [False, True, False]
    assert found[0].states == found[1].states == found[2].states


@given(st.sampled_from(sorted(FACTS)), st.lists(st.tuples(st.integers(0, 40), st.sampled_from(NOISE)), max_size=4))
@settings(max_examples=150, deadline=None)
def test_invisible_marks_and_pictures_between_words_change_nothing(sentence: str, noise: list[tuple[int, str]]) -> None:
    words = sentence.split(" ")
    for at, mark in noise:
        words.insert(1 + at % len(words), mark)
    assert facts_of(" ".join(words)) == facts_of(sentence)


@pytest.mark.parametrize("change", [str.upper, str.lower, lambda text: unicodedata.normalize("NFKD", text)])
@pytest.mark.parametrize("sentence", sorted(FACTS))
def test_capitals_and_composed_letters_change_nothing(sentence: str, change: Callable[[str], str]) -> None:
    assert facts_of(change(sentence)) == facts_of(sentence)


def steps(text: str) -> int:
    """Function calls that understanding a text takes: a measure of work that no noisy machine changes."""
    calls = 0

    def count(frame: object, event: str, argument: object) -> None:
        nonlocal calls
        calls += event == "call"

    understand(text, MIND.knowledge, MIND.lexicon)  # what is remembered between calls is remembered now
    before = sys.getprofile()
    sys.setprofile(count)
    try:
        understand(text, MIND.knowledge, MIND.lexicon)
    finally:
        sys.setprofile(before)
    return calls


@pytest.mark.parametrize(
    "piece", ["soft flat needles, two white lines under. ", "no not no ", "a ", "needle cone twig ", "1 "]
)
def test_the_work_grows_no_faster_than_the_text(piece: str) -> None:
    """Eight times the text takes at most some twelve times the work: a thousand letters stay within their share."""
    short, long = (piece * (letters // len(piece)) for letters in (450, 3600))
    assert steps(long) <= 12 * steps(short)
