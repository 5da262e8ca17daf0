"""Intents told by words alone, and messages in other languages."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from chatkey.dialog import Mind
from chatkey.understand import Understanding
from chatkey.understand.intent import find_intents
from chatkey.understand.likeness import likeliest
from chatkey.understand.match import mend
from chatkey.understand.normalise import normalise
from chatkey.understand.tongue import is_spoken


def test_the_words_of_an_intents_phrases_speak_for_it(mind: Mind) -> None:
    tokens = mend(normalise("could some human being get in touch with me", mind.knowledge.language), mind.lexicon)
    (intent, _), score, lead = likeliest(tokens, mind.lexicon.hints)
    assert intent == "person"
    assert score > 0
    assert lead > 0


def test_words_that_tell_of_a_plant_speak_for_no_intent(mind: Mind) -> None:
    tokens = normalise("soft flat needles, two white lines underneath", mind.knowledge.language)
    assert likeliest(tokens, mind.lexicon.hints)[0][0] == "plain"


def test_a_denied_danger_is_no_alarm(heard: Callable[[str], Understanding]) -> None:
    assert heard("no poison ivy around").intent != "unsafe"


@pytest.mark.parametrize(
    "text",
    [
        "¿Qué árbol es este? tiene agujas planas",
        "hola necesito ayuda con un arbol",
        "bonjour quel est cet arbre avec des aiguilles plates",
        "Was ist das für ein Baum mit weichen Nadeln?",
        "obrigado, que arvore e esta",
        "это ель?",
        "この木は何ですか",
    ],
)
def test_a_message_in_another_language_gets_no_claim(heard: Callable[[str], Understanding], text: str) -> None:
    understood = heard(text)
    assert not understood.spoken
    assert understood.claims == ()
    assert understood.intents == ("other",)


@pytest.mark.parametrize(
    "text",
    [
        "soft flat needles",
        "oui 2 lignes white under, sorry my english, the needle is flat",
        "as a man in the woods",
        "no me neither, its a la mode",
        "hi",
        "",
    ],
)
def test_english_with_a_foreign_word_is_english(mind: Mind, text: str) -> None:
    assert is_spoken(text, normalise(text, mind.knowledge.language), mind.lexicon)


def test_a_pattern_found_leaves_nothing_to_guess(mind: Mind) -> None:
    tokens = mend(normalise("why do you ask", mind.knowledge.language), mind.lexicon)
    assert [found.intent for found in find_intents(tokens, mind.lexicon)][:1] == ["why"]
