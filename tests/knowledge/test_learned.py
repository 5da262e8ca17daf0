"""learned.yaml: read with every fault at its place, applied to the characters, written whole or not at all."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

from chatkey.app import check, open_mind
from chatkey.data import remembered, shipped
from chatkey.identify import build_table
from chatkey.knowledge import load_knowledge
from chatkey.knowledge.learned import (
    FILE,
    NotWrittenError,
    as_yaml,
    highest_rate,
    mean_slip,
    same_words,
    taught,
    with_rate,
    write_learned,
)
from chatkey.knowledge.model import Learned, LearnedError, LearnedPhrase

FULL = Learned(
    "2026-11-26",
    34,
    {"leaf_kind": LearnedError(0.123, 12, 90.5), "needle_place": LearnedError(0.25, 10, 30)},
    {'in tufts, "sort of"': LearnedPhrase(0.7, 4, 9), "écailles: oui": LearnedPhrase(0.905, 0, 12345678.5)},
)
HEAD = 'date: "2026-11-26"\nfrom: 3\n'


def test_the_shipped_file_holds_nothing_learned_and_is_as_it_would_be_written(knowledge):
    assert knowledge.learned == Learned()
    assert knowledge.untaught == {}
    assert (shipped("knowledge") / FILE).read_text(encoding="utf-8") == as_yaml(Learned())


def test_a_folder_without_the_file_has_learned_nothing(small):
    assert not (small.path / FILE).exists()
    knowledge, problems = small.read()
    assert (problems.errors, knowledge.learned) == ([], Learned())


def test_what_is_written_is_read_again(small):
    assert write_learned(small.path, FULL) == small.path / FILE
    knowledge, problems = small.read()
    assert problems.errors == []
    assert knowledge.learned == FULL


def test_a_learned_rate_takes_the_place_of_the_plain_error_and_the_shipped_one_is_kept(small):
    before = small.read()[0]
    write_learned(small.path, FULL)
    knowledge = small.read()[0]
    assert [knowledge.characters[id].error for id in ("leaf_kind", "needle_place", "needle_length")] == [0.123, 0.25, 0]
    assert knowledge.untaught == {id: before.characters[id] for id in FULL.errors}
    assert build_table(knowledge).hearing["needle_place"] == pytest.approx(np.array([[0.75, 0.25], [0.25, 0.75]]))


def test_a_table_of_confusion_is_scaled_to_the_rate_as_a_whole(knowledge):
    character = knowledge.characters["cones_present"]  # present: {absent: 0.5}, absent: {present: 0.03}
    assert mean_slip(character) == pytest.approx(0.265)
    scaled = with_rate(character, 0.106)
    assert scaled.confusion["present"]["absent"] == pytest.approx(0.2)
    assert scaled.confusion["absent"]["present"] == pytest.approx(0.012)
    assert mean_slip(scaled) == pytest.approx(0.106)


def test_a_state_without_a_row_of_confusion_is_scaled_by_its_plain_error(knowledge):
    character = knowledge.characters["cone_kind"]  # rows for three of its five states
    scaled = with_rate(character, 2 * mean_slip(character))
    assert scaled.error == pytest.approx(2 * character.error)
    assert mean_slip(scaled) == pytest.approx(2 * mean_slip(character))


def test_at_the_highest_rate_every_character_has_a_table_that_sums_to_one(knowledge):
    rates = {
        id: LearnedError(highest_rate(character, 0.5), 1, 1)
        for id, character in knowledge.characters.items()
        if character.kind != "length"
    }
    table = build_table(taught(knowledge, Learned("2026-11-26", 1, rates)))
    for id in rates:
        assert table.hearing[id].min() >= 0
        assert np.diag(table.hearing[id]).min() >= 0.1 - 1e-9
        assert table.hearing[id].sum(axis=0) == pytest.approx(1)


def test_learning_anew_forgets_what_was_learned_before(knowledge):
    once = taught(knowledge, Learned("2026-11-26", 9, {"leaf_base": LearnedError(0.4, 9, 9)}))
    assert once.characters["leaf_base"].error == 0.4
    again = taught(once, Learned("2026-11-27", 9, {"bark": LearnedError(0.4, 9, 9)}))
    assert again.characters["leaf_base"] == knowledge.characters["leaf_base"]
    assert list(again.untaught) == ["bark"]
    assert taught(again, Learned()) == knowledge


def error_of(character: str, row: str, head: str = HEAD) -> str:
    return f"{head}errors: {{{character}: {{{row}}}}}\nphrases: {{}}\n"


def phrase_of(words: str, row: str) -> str:
    return f"{HEAD}errors: {{}}\nphrases: {{{words}: {{{row}}}}}\n"


ROW = "rate: 0.1, wrong: 1, right: 9"
WITHIN = "write a number within"


@pytest.mark.parametrize(
    ("text", "at", "what", "mend"),
    [  # `at`: what stands at the place that is named
        (error_of("leaf_knd", ROW), "{rate", "'leaf_knd' is no character", "did you mean 'leaf_kind'?"),
        (error_of("needle_length", ROW), "{rate", "'needle_length' has no error rate", "take the line out"),
        (error_of("leaf_kind", ROW.replace("0.1", "0.6")), "0.6", "0.6 lies outside 0.005 to 0.5", WITHIN),
        (error_of("leaf_kind", ROW.replace("0.1", "0.004")), "0.004", "0.004 lies outside 0.005 to 0.5", WITHIN),
        (error_of("leaf_kind", ROW.replace(": 1,", ": -1,")), "-1,", "-1 lies outside 0", WITHIN),
        (error_of("leaf_kind", "rate: 0.1, wrong: 1"), "{rate", "'right' is missing", "add a line"),
        (error_of("leaf_kind", ROW, "date: 26 Nov\nfrom: 1\n"), "26 Nov", "'26 Nov' is no date", "as 2026-11-26"),
        (error_of("leaf_kind", ROW, "date: 20261126\nfrom: 1\n"), "20261126", "is no date", "as 2026-11-26"),
        (error_of("leaf_kind", ROW, 'date: ""\nfrom: 1\n'), '""', "the text is empty", "write it"),
        (phrase_of("soft", "reliability: 1.5, wrong: 1, right: 9"), "1.5", "1.5 lies outside 0 to 1", WITHIN),
        (phrase_of("Soft one", "reliability: 0.5, wrong: 1, right: 9"), "{rel", "not how words stand", "small letters"),
        (phrase_of("s" * 61, "reliability: 0.5, wrong: 1, right: 9"), "{rel", "not how words stand", "60 letters"),
        (HEAD + "phrases: {}\n", "date", "'errors' is missing", "add a line"),
        (HEAD + "errors: []\nphrases: {}\n", "[]", "a list stands where a mapping is wanted", "key: value"),
        (HEAD.replace("3", "few") + "errors: {}\nphrases: {}\n", "few", "is not a number", "write digits"),
    ],
)
def test_a_fault_is_named_with_its_place_and_mend(small, text, at, what, mend):
    small.write(FILE, text)
    where, said, how = small.the_error()
    assert where == f"knowledge/{FILE}:{small.place(FILE, at)}"
    assert what in said
    assert mend in how


def test_a_rate_at_which_a_state_would_be_misread_nearly_always_is_an_error(whole):
    """cones_present: 0.5 is its worst slip, 0.265 the mean, so 0.9 · 0.265 / 0.5 = 0.477 is the highest."""
    text = HEAD + "errors: {{cones_present: {{rate: {}, wrong: 1, right: 9}}}}\nphrases: {{}}\n"
    whole.write(FILE, text.format(0.478))
    assert "0.478 lies outside 0.005 to 0.477" in whole.the_error()[1]
    whole.write(FILE, text.format(0.477))
    assert whole.errors() == []


def test_the_check_proves_a_folder_with_the_file_and_counts_its_faults(whole):
    write_learned(whole.path, replace(FULL, phrases={}))
    assert check(whole.path)["errors"] == []
    whole.edit(FILE, "needle_place", "needle_plaec")
    (error,) = check(whole.path)["errors"]
    assert error["where"].startswith(f"knowledge/{FILE}:")
    assert error["mend"] == "did you mean 'needle_place'?"


def test_the_hash_and_the_memory_on_disk_see_the_file(whole, tmp_path, monkeypatch):
    monkeypatch.setenv("CHATKEY_CACHE", str(tmp_path / "cache"))
    built = []

    def rates() -> float:
        def build() -> float:
            built.append(1)
            return load_knowledge(whole.path).characters["needle_place"].error

        return remembered((whole.path,), build)

    before = load_knowledge(whole.path)
    assert (rates(), rates(), len(built)) == (before.characters["needle_place"].error, 0.1, 1)
    write_learned(whole.path, FULL)
    assert (rates(), len(built)) == (0.25, 2)
    assert load_knowledge(whole.path).hash != before.hash


def test_a_taught_mind_can_be_kept_and_hears_by_the_learned_rates(whole, mind):
    write_learned(whole.path, FULL)
    ours = open_mind(whole.path)
    assert pickle.loads(pickle.dumps(ours.knowledge)) == ours.knowledge
    assert np.diag(ours.table.hearing["needle_place"]) == pytest.approx([0.75] * 4)
    assert np.diag(mind.table.hearing["needle_place"]) == pytest.approx([0.9] * 4)


def test_nothing_is_left_behind_where_the_file_can_not_be_put(tmp_path):
    with pytest.raises(NotWrittenError, match=r"learned\.yaml: can't be written \(.+\); copy the folder"):
        write_learned(tmp_path / "nowhere", FULL)
    (tmp_path / FILE / "in the way").mkdir(parents=True)
    with pytest.raises(NotWrittenError, match=r"learned\.yaml: can't be written"):
        write_learned(tmp_path, FULL)
    assert [path.name for path in tmp_path.iterdir()] == [FILE]


def test_the_rights_of_the_file_stay_as_they_were(tmp_path):
    write_learned(tmp_path, FULL)
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o644
    (tmp_path / FILE).chmod(0o664)
    write_learned(tmp_path, Learned())
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o664
    assert (tmp_path / FILE).read_text(encoding="utf-8") == as_yaml(Learned())


@pytest.mark.parametrize(
    ("text", "words"), [("Soft", "soft"), (" Two  white\nLINES ", "two white lines"), ("flat", "flat"), ("", "")]
)
def test_words_are_compared_in_small_letters_with_single_spaces(text, words):
    assert same_words(text) == words
