"""What `chatkey check` proves of a knowledge that can be read: sources, coverage, dangerous words, pairs alike."""

from __future__ import annotations

import pytest

from chatkey.identify import build_table
from chatkey.identify.check import prove_separation, separations
from chatkey.knowledge import Problems
from chatkey.knowledge.check import NEVER_SAID, prove, texts

TREES = "taxa/trees.yaml"


def proved(folder) -> tuple[dict[str, int], Problems]:
    knowledge, problems = folder.read()
    assert problems.errors == []
    counts = prove(knowledge, problems)
    return {**counts, **prove_separation(build_table(knowledge), problems)}, problems


def test_the_shipped_knowledge_passes(knowledge, mind):
    problems = Problems()
    counts = prove(knowledge, problems)
    prove_separation(mind.table, problems)
    assert [str(error) for error in problems.errors] == []
    assert counts["hypotheses"] == len(knowledge.leaves)
    assert counts["cells_from_memory"] < counts["cells"]


def test_the_small_knowledge_is_counted(small):
    counts, problems = proved(small)
    assert problems.errors == []
    assert counts["taxa"] == 7
    assert counts["hypotheses"] == 4
    assert counts["groups"] == 1
    assert counts["characters"] == 3
    assert counts["places"] == 1
    assert counts["sources"] == 1
    assert counts["pairs"] == 6


def test_two_taxa_that_score_the_same_everywhere_are_an_error(small):
    small.edit(TREES, "[10, 30, 40, 50]", "[5, 15, 20, 25]")
    (small.path / "taxa/groups.yaml").unlink()
    _, problems = proved(small)
    (error,) = problems.errors
    assert "tsuga_canadensis and tsuga_caroliniana score the same everywhere" in str(error)
    assert "groups.yaml" in error.args[2]


def test_two_taxa_that_score_the_same_and_share_a_group_are_none(small):
    small.edit(TREES, "[10, 30, 40, 50]", "[5, 15, 20, 25]")
    counts, problems = proved(small)
    assert problems.errors == []
    assert counts["pairs_hard_to_part"] == 1


def test_two_taxa_that_differ_a_little_are_a_warning_with_how_little(small):
    small.edit(TREES, "[10, 30, 40, 50]", "[5, 15, 28, 40]")
    (small.path / "taxa/groups.yaml").unlink()
    _, problems = proved(small)
    assert problems.errors == []
    (warning,) = [warning for warning in problems.warnings if "hard to part" in str(warning)]
    assert "tsuga_canadensis and tsuga_caroliniana are hard to part by hand (0." in str(warning)


def test_the_distance_of_two_taxa_is_the_same_both_ways_and_none_to_itself(mind):
    distance = separations(mind.table)
    assert distance == pytest.approx(distance.T, abs=1e-9)
    assert abs(distance.diagonal()).max() < 1e-9
    assert distance.min() > -1e-9


def test_a_genus_without_a_species_is_an_orphan(small):
    small.edit(TREES, "pinus:\n", "larix:\n  name: Larix\n  rank: genus\n  parent: pinaceae\npinus:\n")
    small.edit("words/en/names.yaml", "pinus:", "larix: {common: larch}\npinus:")
    _, problems = proved(small)
    assert [error.args[:2] for error in problems.errors] == [("taxa: larix", "is an orphan: no taxon stands under it")]


def test_a_conifer_without_a_parent_is_an_error(small):
    small.edit(TREES, "  conifer: false\n", "")
    _, problems = proved(small)
    assert [error.args[0] for error in problems.errors] == ["taxa: thuja_occidentalis"]
    assert "without a parent" in problems.errors[0].args[1]


def test_a_leaf_without_scores_is_an_error(small):
    small.edit(TREES, "    - sources: [survey]\n      scores:\n        leaf_kind: {scale: always}\n", "    []\n")
    _, problems = proved(small)
    assert ("taxa: thuja_occidentalis", "has no scores") in [error.args[:2] for error in problems.errors]


def test_an_unknown_source_of_a_character_is_an_error(small):
    small.edit("characters/leaf.yaml", "sources: [survey]", "sources: [survay]")
    _, problems = small.read()
    prove(small.read()[0], problems)
    assert any("'survay'" in str(error) for error in problems.errors)


def test_a_source_that_no_fact_uses_is_a_warning(small):
    small.edit("sources.yaml", "survey:", "diary: {cite: A diary}\nsurvey:")
    _, problems = proved(small)
    assert any("'diary'" in str(warning) for warning in problems.warnings)


def test_a_character_that_no_taxon_is_scored_for_is_an_error(small):
    for old in ("[5, 15, 20, 25]", "[10, 30, 40, 50]", "[50, 60, 130, 130]"):
        small.edit(TREES, f"needle_length: {old}", "needle_length: n/a")
    _, problems = proved(small)
    assert ("characters: needle_length", "no taxon is scored for it") in [error.args[:2] for error in problems.errors]


def test_a_state_that_no_taxon_shows_is_a_warning(small):
    small.edit(TREES, "{bundles: always}", "{single: always}")
    _, problems = proved(small)
    assert any("no taxon shows the state 'bundles'" in str(warning) for warning in problems.warnings)


def test_a_part_without_words_is_an_error(small):
    small.edit("characters/leaf.yaml", "part: leaf", "part: root")
    _, problems = proved(small)
    assert any("the part 'root' has no words" in str(error) for error in problems.errors)


@pytest.mark.parametrize(
    "text",
    [
        "The red cup is edible.",
        "It is safe to chew one needle.",
        "The smoke is harmless.",
        "It is non-toxic.",
        "It's okay to burn it.",
        "Toxic only in large quantities.",
    ],
)
def test_a_text_that_calls_something_safe_is_an_error_at_its_character(small, text):
    small.edit("words/en/leaf.yaml", "how: Look at one leaf.", f'how: "{text}"')
    _, problems = proved(small)
    (error,) = problems.errors
    assert "leaf_kind" in error.args[0]
    assert "calls something safe" in error.args[1]


@pytest.mark.parametrize(
    "text", ["Every part of a yew is poisonous.", "Ask a poison line.", "Do not eat it. We can't say what is food."]
)
def test_a_text_that_warns_is_no_error(text):
    assert not NEVER_SAID.search(text)


def test_every_sentence_of_the_small_knowledge_is_looked_at(small):
    said = [text for _, text in texts(small.read()[0])]
    assert "Look where a needle meets the twig." in said
    assert "needles about {length}" in said
    assert "in bundles" in said
