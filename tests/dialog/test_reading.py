"""Everything that is asked can be read after six years of school."""

from __future__ import annotations

import re

import pytest

from chatkey.dialog import Mind
from chatkey.knowledge.reading import grade

HIGHEST = 6.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("The cat sat on the mat.", -1.45),
        ("This sentence, taken as a reading passage unto itself, is being used to prove a point.", 7.61),
        ("The Australian platypus is seemingly a hybrid of a mammal and reptilian creature.", 11.26),
    ],
)
def test_the_grade_agrees_with_three_sentences_counted_by_hand(text: str, expected: float) -> None:
    assert grade(text) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("kind", ["ask", "again", "how"])
def test_every_question_and_how_to_reads_at_grade_six_or_lower(mind: Mind, kind: str) -> None:
    texts = {id: getattr(character.words, kind) for id, character in mind.knowledge.characters.items()}
    assert len(texts) >= 25
    assert all(texts.values())
    assert {id: round(grade(text), 1) for id, text in texts.items() if grade(text) > HIGHEST} == {}


def test_every_line_of_the_dialog_that_is_a_sentence_reads_at_grade_six_or_lower(mind: Mind) -> None:
    sentences = {
        text: grade(re.sub(r"\{\w+\}", "it", text))
        for name, wordings in mind.script.lines.items()
        for text in wordings
        if text.endswith((".", "?")) and len(re.findall(r"[A-Za-z]+", text)) >= 6 and name != "language"
    }
    assert len(sentences) >= 60
    assert {text: round(value, 1) for text, value in sentences.items() if value > HIGHEST} == {}


def test_questions_are_short(mind: Mind) -> None:
    long = {
        id: sentence
        for id, character in mind.knowledge.characters.items()
        for sentence in re.split(r"[.?] ", character.words.ask)
        if len(sentence.split()) > 20
    }
    assert long == {}
