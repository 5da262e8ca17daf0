"""What is said: every line is there, its gaps are known, and none of it calls a plant harmless."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from chatkey.data import shipped
from chatkey.dialog import Mind
from chatkey.dialog.script import LINES, TABLES
from chatkey.knowledge.check import NEVER_SAID, texts
from tests.dialog.conftest import Dialogs

# Wider than what `chatkey check` looks for: words that stand in no sentence we say, whatever is around them.
DANGEROUS = re.compile(
    r"\b(safe|safer|safely|edible|harmless|non-?toxic|dos(e|es|age)|in (large |small |great )?quantit\w*"
    r"|(not|n't|never|no longer) (poisonous|toxic|harmful|dangerous)"
    r"|(ok|okay|fine|good|all right|alright) to (eat|drink|taste|burn|climb|feed|cut|touch|spray|handle))\b",
    re.IGNORECASE,
)
HEARD = ("intents.yaml",)  # words of finders, not ours: "is it safe to eat" must be understood
CALLS_SAFE = (
    "It is safe.",
    "The red cup is edible.",
    "These needles are harmless.",
    "A non-toxic tree.",
    "Nontoxic to dogs.",
    "It is okay to burn it.",
    "It's fine to touch.",
    "Safe for horses.",
    "Poisonous in quantity.",
    "Harmful only in large quantities.",
)


def said(mind: Mind) -> Iterator[tuple[str, str]]:
    """Every sentence and word that can be sent, with where it stands."""
    for name, wordings in mind.script.lines.items():
        yield from ((f"dialogs: {name}", text) for text in wordings)
    for name, table in mind.script.tables.items():
        yield from ((f"dialogs: {name}", text) for text in table.values())
    yield from texts(mind.knowledge)
    for id, taxon in mind.knowledge.taxa.items():
        yield f"names: {id}", taxon.names.common
    for listing in mind.knowledge.listings:
        yield f"listings: {listing.body}", f"{listing.list} {listing.body}"


def written(folder: str, *, leave_out: tuple[str, ...] = ()) -> Iterator[tuple[str, str]]:
    """Every text of every YAML file of a folder, comments left out."""
    for path in sorted(Path(shipped(folder)).rglob("*.yaml")):
        if path.name in leave_out:
            continue
        waiting = [yaml.compose(path.read_text(encoding="utf-8"), Loader=yaml.CBaseLoader)]
        while waiting:
            node = waiting.pop()
            if isinstance(node, yaml.ScalarNode):
                yield f"{path.name}:{node.start_mark.line + 1}", node.value
            elif isinstance(node, yaml.MappingNode):
                waiting += [part for pair in node.value for part in pair]
            else:
                waiting += node.value


def test_the_shipped_dialogs_have_no_fault(dialogs: Dialogs) -> None:
    script, errors = dialogs.read()
    assert errors == []
    assert set(script.lines) == set(LINES)
    assert set(script.tables) == set(TABLES)


def test_no_sentence_that_can_be_sent_calls_anything_safe_or_names_a_dose(mind: Mind) -> None:
    sentences = list(said(mind))
    assert len(sentences) > 800
    assert [(where, text) for where, text in sentences if NEVER_SAID.search(text) or DANGEROUS.search(text)] == []


def test_no_text_in_the_dialog_files_or_our_word_files_calls_anything_safe() -> None:
    heard = {"safe"}  # alone: a word of a set in scope.yaml, for questions such as "is it safe"
    found = [(where, text) for where, text in written("knowledge", leave_out=HEARD) if text not in heard]
    found += written("dialogs")
    assert len(found) > 5000
    assert [(where, text) for where, text in found if NEVER_SAID.search(text) or DANGEROUS.search(text)] == []


@pytest.mark.parametrize("text", CALLS_SAFE)
def test_the_search_for_dangerous_words_finds_them(text: str) -> None:
    assert NEVER_SAID.search(text) or DANGEROUS.search(text)


def test_no_sentence_is_loud_or_uses_marks_that_a_text_message_can_t_carry(mind: Mind) -> None:
    assert [(where, text) for where, text in said(mind) if "!" in text or set(text) & set("“”‘’–—…")] == []


def test_no_sentence_uses_a_word_of_the_clerk(mind: Mind) -> None:
    clerk = re.compile(r"\b(invalid|unfortunately|please try again|error|input|submit)\b", re.IGNORECASE)
    assert [(where, text) for where, text in said(mind) if clerk.search(text)] == []


@pytest.mark.parametrize(
    ("file", "old", "new", "what", "mend"),
    [
        ("answers.yaml", "{facts}.", "{fact}.", "the field 'fact' is not known in 'took_in'", "did you mean 'facts'?"),
        ("talk.yaml", "Tree {number}", "Tree {nr}", "the field 'nr' is not known in 'new_tree'", "use one of: number"),
        ("talk.yaml", "That is fine.", "That {is} fine.", "the field 'is' is not known in 'skipped'", "take it out"),
        ("talk.yaml", "That is fine.", "That is {} fine.", "the field '' is not known in 'skipped'", "take it out"),
    ],
)
def test_a_line_that_names_an_unknown_field_is_an_error_with_place_and_mend(
    dialogs: Dialogs, file: str, old: str, new: str, what: str, mend: str
) -> None:
    dialogs.edit(f"en/{file}", old, new)
    (error,) = dialogs.read()[1]
    where, found, mended = error.args
    line = next(n for n, text in enumerate(dialogs.text(f"en/{file}").splitlines(), 1) if new in text)
    assert re.fullmatch(rf"dialogs/en/{file}:{line}:\d+", where)
    assert (found, mended) == (what, mend)


@pytest.mark.parametrize(
    "text", ["{place", "place}", "{place!x} is new.", "{place:d} is new.", "{place:%d} is new.", "{0}"]
)
def test_a_gap_that_could_not_be_filled_is_an_error_when_it_is_loaded(dialogs: Dialogs, text: str) -> None:
    dialogs.edit("en/answers.yaml", '"Place: {place}."', f'"{text}"')
    (error,) = dialogs.read()[1]
    assert error.args[0] == dialogs.place_of("en/answers.yaml", f'"{text}"')


@pytest.mark.parametrize("name", ["cant_tell", "place_unknown", "hold_yew", "odds"])
def test_a_missing_line_is_an_error_that_names_it(dialogs: Dialogs, name: str) -> None:
    for file in ("en/talk.yaml", "en/answers.yaml"):
        text = dialogs.text(file)
        if block := re.search(rf"(?m)^{name}:.*\n(?:  .*\n)*", text):
            dialogs.edit(file, block[0], "")
    (error,) = dialogs.read()[1]
    kind = "table" if name in TABLES else "line"
    assert error.args == ("dialogs/en", f"the {kind} {name!r} is missing", "write it in one of the files")


def test_an_unknown_line_is_an_error_with_the_nearest_known_one(dialogs: Dialogs) -> None:
    dialogs.edit("en/talk.yaml", "stopped:", "stoped: I stop.\nstopped:")
    (error,) = dialogs.read()[1]
    assert error.args[1:] == ("'stoped' is no line of the dialog", "did you mean 'stopped'?")
    assert error.args[0].startswith("dialogs/en/talk.yaml:")


def test_a_line_that_stands_in_two_files_is_an_error(dialogs: Dialogs) -> None:
    dialogs.edit("en/talk.yaml", "stopped:", "hold_yew: It is no yew.\nstopped:")
    errors = [error.args[0] for error in dialogs.read()[1]]
    assert errors == [dialogs.place_of("en/talk.yaml", "hold_yew: It is no yew.")] or errors == [
        dialogs.place_of("en/talk.yaml", "It is no yew.")
    ]


def test_odds_that_are_no_number_are_an_error_when_they_are_loaded(dialogs: Dialogs) -> None:
    dialogs.edit("en/answers.yaml", '  "0.5": 1 in 2', "  half: 1 in 2")
    (error,) = dialogs.read()[1]
    assert error.args[0].startswith("dialogs/en/answers.yaml:")


def test_a_file_that_is_no_yaml_is_one_error_and_the_rest_is_still_read(dialogs: Dialogs) -> None:
    dialogs.edit("en/talk.yaml", "question:", "question: [\n")
    script, errors = dialogs.read()
    assert any(re.fullmatch(r"dialogs/en/talk\.yaml:\d+:\d+", error.args[0]) for error in errors)
    assert script.lines["took_in"]


def test_all_faults_are_named_in_one_run(dialogs: Dialogs) -> None:
    dialogs.edit("en/talk.yaml", "Tree {number}", "Tree {nr}")
    dialogs.edit("en/answers.yaml", "{facts}.", "{fact}.")
    dialogs.edit("flow.yaml", "effects: [greet]", "effects: [greeet]")
    files = {re.split(r":\d", error.args[0])[0] for error in dialogs.read()[1]}
    assert files >= {"dialogs/en/answers.yaml", "dialogs/en/talk.yaml", "dialogs/flow.yaml"}


def test_wordings_are_used_in_turn(mind: Mind) -> None:
    wordings = mind.script.lines["took_in"]
    assert len(set(wordings)) > 1
    told = [mind.script.say("took_in", used, facts="soft") for used in range(len(wordings) + 1)]
    assert told[:-1] == [wording.replace("{facts}", "soft") for wording in wordings]
    assert told[-1] == told[0]
