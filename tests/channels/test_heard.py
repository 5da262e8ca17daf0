"""What was understood and why, as the command shows it."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest

from chatkey.channels.base import UsageError
from chatkey.channels.heard import hear_lines, heard_text, heard_view
from chatkey.cli import main
from chatkey.dialog import Mind

TEXT = "its kinda soft n flat w/ 2 wite lines underneath, not sharp, and glimmery"


def lines(mind: Mind, text: str) -> list[dict[str, Any]]:
    target = io.StringIO()
    hear_lines(mind, io.StringIO(text), target)
    return [json.loads(line) for line in target.getvalue().splitlines()]


def test_a_claim_tells_its_phrase_its_score_and_its_scope(mind: Mind) -> None:
    view = heard_view(mind, TEXT)
    claims = {claim["character"]: claim for claim in view["claims"]}
    assert claims["leaf_stiffness"]["hedged"]
    assert claims["leaf_stiffness"]["why"]["scope"] == [{"kind": "hedged", "words": "kinda", "span": [4, 9]}]
    assert claims["leaf_tip"]["negated"]
    assert claims["leaf_tip"]["why"]["scope"][0]["kind"] == "denied"
    assert claims["leaf_section"]["score"] == 1
    assert claims["bands_below"]["why"]["phrase"]
    assert view["not_understood"] == ["glimmery"]
    assert (view["language"], view["intent"], view["intents"]) == ("en", "describe", ["describe"])
    for claim in view["claims"]:
        start, end = claim["span"]
        assert TEXT[start:end] == claim["text"]


def test_a_word_typed_wrong_scores_less(mind: Mind) -> None:
    (claim,) = heard_view(mind, "sharpp")["claims"]
    assert 0.7 < claim["score"] < 1


def test_a_length_carries_both_ends_and_how_it_was_measured(mind: Mind) -> None:
    (claim,) = [c for c in heard_view(mind, "needles 2-3 in")["claims"] if c["character"] == "needle_length"]
    assert (claim["low"], claim["high"], claim["unit"], claim["measured_by"]) == (50.8, 76.2, "mm", "eye")


def test_the_words_that_spoke_for_an_intent_are_told(mind: Mind) -> None:
    view = heard_view(mind, "flat. why do you ask")
    assert view["intents"] == ["why", "describe"]
    assert any("why" in words for row in view["why"] if row["intent"] == "why" for words in row["words"])


def test_an_answer_is_read_by_the_question_asked(mind: Mind) -> None:
    (claim,) = heard_view(mind, "the 2nd one", "leaf_tip")["claims"]
    assert claim["states"] == ["pointed"]
    with pytest.raises(UsageError, match="no character"):
        heard_view(mind, "flat", "leaf_tipp")


def test_every_line_gives_one_line(mind: Mind) -> None:
    found = lines(
        mind, 'flat\n{"text": "2", "asked": "leaf_tip"}\n\n{"text": 3}\n{"asked": "zz", "text": "a"}\n{oops\n'
    )
    assert len(found) == 6
    assert found[0]["claims"][0]["states"] == ["flat"]
    assert found[1]["claims"][0]["states"] == ["pointed"]
    assert found[2]["intents"] == ["other"]
    assert ["error" in row for row in found] == [False, False, False, True, True, False]


def test_the_text_for_people_names_all_of_it(mind: Mind) -> None:
    text = heard_text(mind, heard_view(mind, f"{TEXT}, is it a hemlock, near Marquette MI"))
    for piece in ("leaf_stiffness = soft", "hedged by 'kinda'", "denied by 'not'", "names:", "place: MI", "'glimmery'"):
        assert piece in text


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["understand", "flat"], 0),
        (["understand", "--json", "flat"], 0),
        (["understand"], 2),
        (["understand", "flat", "--lines"], 2),
    ],
)
def test_the_command_ends_with_its_code(arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == code
    shown = capsys.readouterr()
    assert (shown.err == "") == (code == 0)
    if "--json" in arguments:
        assert json.loads(shown.out)["claims"][0]["character"] == "leaf_section"
