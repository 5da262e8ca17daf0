"""Which part a run of words is said of."""

from __future__ import annotations

import pytest

from chatkey.dialog import Mind
from chatkey.understand import understand
from chatkey.understand.clause import clauses
from chatkey.understand.match import mend, phrase_spans
from chatkey.understand.normalise import normalise


def topic(mind: Mind, text: str, word: str) -> tuple[set[str], int]:
    """The parts a word of the text is said of, and how far off they were named."""
    tokens = mend(normalise(text, mind.knowledge.language), mind.lexicon)
    spans = [
        s for s in phrase_spans(tokens, mind.lexicon) if s.kind == "claim" and any(not m.asked_only for m in s.meanings)
    ]
    describing = frozenset(n for span in spans for n in range(span.first, span.last + 1))
    at = next(n for n, token in enumerate(tokens) if token.text == word)
    found = clauses(tokens, mind.lexicon, describing).topic(at, at)
    return set(found.parts), found.distance


@pytest.mark.parametrize(
    ("text", "word", "part"),
    [
        ("the twig is hairy", "hairy", "twig"),
        ("hairy twig, soft needles", "hairy", "twig"),
        ("hairy twig, soft needles", "soft", "leaf"),
        ("needles soft, twig rough", "rough", "twig"),
        ("needles soft twig rough", "soft", "leaf"),
        ("soft needles rough twig", "rough", "twig"),
        ("the needles are long but the cones are small", "small", "cone"),
        ("needles are sharp all round the twig", "sharp", "leaf"),
        ("cones hang down, scales are thin", "thin", "cone"),
    ],
)
def test_a_word_is_said_of_the_noun_of_its_clause(mind: Mind, text: str, word: str, part: str) -> None:
    parts, distance = topic(mind, text, word)
    assert part in parts
    assert distance == 0


def test_a_noun_in_front_goes_on_through_the_sentence_and_one_behind_its_adjective_less_so(mind: Mind) -> None:
    assert topic(mind, "cones are hanging, round", "round") == ({"cone"}, 1)
    assert topic(mind, "small cones, round", "round") == ({"cone"}, 2)


def test_nothing_more_is_said_of_what_is_not_there(mind: Mind) -> None:
    assert topic(mind, "no cones, round", "round") == (set(), 0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("the needles are soft but the twig is hairy", {"leaf_stiffness", "twig_hair"}),
        ("cones prickly, needles not", {"cone_prickle"}),
        ("smooth bark and hairy twigs", {"bark", "twig_hair"}),
        ("bark smooth, twigs hairy", {"bark", "twig_hair"}),
    ],
)
def test_hairy_goes_to_the_twig_and_smooth_to_the_bark(mind: Mind, text: str, expected: set[str]) -> None:
    found = {claim.character for claim in understand(text, mind.knowledge, mind.lexicon).claims}
    assert expected <= found
    assert not found & ({"twig_surface"} if "bark" in expected else set())


def test_a_length_belongs_to_what_it_is_said_of(mind: Mind) -> None:
    found = understand("needles an inch long, cones 3 in", mind.knowledge, mind.lexicon).claims
    lengths = {claim.character: claim.quantity.high for claim in found if claim.quantity}
    assert lengths == {"needle_length": pytest.approx(25.4), "cone_length": pytest.approx(76.2)}


@pytest.mark.parametrize(
    ("text", "absent"),
    [
        ("needles flat and soft, twig rough where it is bare, cones small", "leaves_on"),
        ("cones have thin scales, needles square and stiff", "spray_shape"),
        ("3 needles to a bundle, a prickle on every scale, scales thick", "scale_length"),
        ("needles have a tiny notch at the tip", "needle_length"),
        ("sharp all round the twig", "leaf_section"),
        ("needles break clean when i bend one, 2 in a bundle", "needle_bend=bends"),
        ("as big as Cedar Lake", "names"),
    ],
)
def test_words_beside_the_point_say_nothing(mind: Mind, text: str, absent: str) -> None:
    understood = understand(text, mind.knowledge, mind.lexicon)
    said = {claim.character for claim in understood.claims}
    said |= {f"{claim.character}={state}" for claim in understood.claims for state in claim.states}
    assert absent not in said
    assert not understood.names


def test_who_tells_much_and_asks_nothing_describes(mind: Mind) -> None:
    text = "old needles dropping, flat, soft, two white lines under, twig brown and rough, cones small"
    assert understand(text, mind.knowledge, mind.lexicon).intents == ("describe",)
    assert "health" in understand("why are the needles turning brown", mind.knowledge, mind.lexicon).intents
