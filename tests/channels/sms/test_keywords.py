"""A keyword is a whole message, whatever its case and what stands around it; the lines that answer it are short."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.channels.sms.keywords import LONGEST, Keyword, keyword
from chatkey.channels.sms.segments import plain, segments
from chatkey.data import shipped
from chatkey.dialog import EFFECT_NAMES, GUARD_NAMES, Mind, read_script
from chatkey.dialog.script import KEYWORD_KINDS
from chatkey.knowledge import Problems

GROUP = "Larkwater Stewards of the Upper Peninsula"  # 41 letters, more than most groups have
PERSON = "Type PERSON for a person."


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("STOP", "stop"),
        ("stop all", "stop"),
        ("Stop  all", "stop"),
        ("Opt-Out.", "stop"),
        ("arrêt", "stop"),
        ('"STOP"', "stop"),
        ("stop 🛑", "stop"),
        ("Start", "start"),
        ("Yes", "yes"),
        ("info?", "help"),
        ("more", "more"),
        ("MORE.", "more"),
        ("?", None),
        ("", None),
        ("yep", None),
        ("more cones than last year", None),
        ("the end is blunt", None),
        ("stop." + " " * LONGEST + "it is blunt", None),
    ],
)
def test_a_keyword_is_the_whole_message(mind: Mind, text: str, expected: Keyword | None) -> None:
    assert keyword(text, mind.script.tables["keywords"]) == expected


@given(st.text(max_size=60))
def test_no_text_is_too_odd_to_be_looked_at(mind: Mind, text: str) -> None:
    assert keyword(text, mind.script.tables["keywords"]) in (None, *get_args(Keyword))


def test_the_kinds_in_the_script_are_those_of_the_channel() -> None:
    assert set(KEYWORD_KINDS) == set(get_args(Keyword))


def test_a_kind_that_nobody_knows_is_a_fault_of_the_dialogs(tmp_path: Path) -> None:
    shutil.copytree(shipped("dialogs"), tmp_path / "dialogs")
    file = tmp_path / "dialogs" / "en" / "sms.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace('"quit": stop', '"quit": stpo'), encoding="utf-8")
    problems = Problems()
    read_script(tmp_path / "dialogs", GUARD_NAMES, EFFECT_NAMES, problems)
    assert [str(error).split(": ", 1)[1] for error in problems.errors] == [
        "'stpo' is not known here; did you mean 'stop'?"
    ]


def test_no_choice_of_a_question_is_a_keyword(mind: Mind) -> None:
    words = mind.script.tables["keywords"]
    labels = {
        state.label for character in mind.knowledge.characters.values() for state in character.words.states.values()
    }
    assert {label for label in labels if keyword(label, words)} == set()


def test_each_line_of_the_channel_goes_out_in_one_segment(mind: Mind) -> None:
    names = [name for name in mind.script.lines if name.startswith("sms_")]
    assert len(names) == 7
    for offices in mind.knowledge.lines.values():
        lines = {**mind.knowledge.lines["unknown"], **offices}
        for name in names:
            text = mind.script.say(name, group=GROUP, person=PERSON, **lines)
            assert segments(text) == 1, name
            assert plain(text) == text
            assert "{" not in text


@pytest.mark.parametrize("name", ["sms_stopped", "sms_started", "sms_help", "sms_fault"])
def test_the_lines_of_a_group_name_it(mind: Mind, name: str) -> None:
    assert GROUP in mind.script.say(name, group=GROUP, person=PERSON)


def test_help_tells_of_a_person_and_how_to_stop_and_stop_how_to_return(mind: Mind) -> None:
    said = mind.script.say("sms_help", group=GROUP, person=PERSON)
    assert PERSON in said
    assert "STOP" in said
    assert "START" in mind.script.say("sms_stopped", group=GROUP)


def test_too_many_messages_get_the_lines_for_an_emergency(mind: Mind) -> None:
    said = mind.script.say("sms_too_many", **mind.knowledge.lines["unknown"])
    assert "911" in said
    assert "1-800-222-1222" in said
