"""Invented floras: the same seed gives the same arrays, they are shared, and honest answers lead to the plant."""

from __future__ import annotations

import numpy as np
import pytest

from chatkey.identify import Asked, Belief, Table, believe, comparison, next_step, watch_yew
from chatkey.identify.doubt import Separator
from chatkey.knowledge import Knowledge
from chatkey.terms import Claim, Place
from chatkey.trial.synthetic import CLASSES, honest_answers, honest_claim, synthetic_table

ARRAYS = ("frequency", "heard", "information", "applies", "alike", "edges")
PLACE = Place("MI")


@pytest.fixture(scope="module")
def flora(knowledge: Knowledge) -> Table:
    return synthetic_table(knowledge, 500, 40, seed=1)


def talk(table: Table, taxon: str) -> tuple[Belief, str, int]:
    """Two facts, then questions to the end: the last belief, the last step, and how many questions there were."""
    told = [honest_claim(table, taxon, name, 0) for name in table.characters]
    claims: list[Claim] = [claim for claim in told if claim is not None][:2]
    asked: list[Asked] = []
    while True:
        belief = believe(table, claims, PLACE)
        step = next_step(belief, asked, watch_yew(belief, claims, PLACE), PLACE)
        if step.kind == "done" or len(asked) > 40:
            return belief, step.kind, len(asked)
        asked.append(Asked(step.kind, step.character, step.pair, step.free))
        claims += honest_answers(table, taxon, step, len(asked))


def test_the_same_seed_gives_the_same_table_and_another_seed_another(knowledge, flora):
    again, other = (synthetic_table(knowledge, 500, 40, seed) for seed in (1, 2))
    assert again.knowledge.characters == flora.knowledge.characters
    assert again.knowledge.taxa == flora.knowledge.taxa
    assert again.knowledge.hash == flora.knowledge.hash != other.knowledge.hash
    assert all(np.array_equal(getattr(again, name), getattr(flora, name)) for name in ARRAYS)
    assert other.frequency.shape != flora.frequency.shape or not np.array_equal(other.frequency, flora.frequency)


def test_the_shapes_are_those_of_the_characters(knowledge, flora):
    characters = flora.knowledge.characters.values()
    bins = int(knowledge.numbers["lengths"]["bins"])
    assert flora.frequency.shape == (500, sum(len(one.states) or bins for one in characters))
    assert flora.heard.shape == (500, sum(len(one.states) or len(CLASSES) for one in characters))
    assert flora.information.shape == flora.applies.shape == (500, 40)
    assert (flora.taxa[0], flora.taxa[-1], flora.characters[-1]) == ("taxon_00001", "taxon_00500", "character_040")
    genera = {flora.knowledge.lineage(leaf)[1] for leaf in flora.taxa}
    families = {flora.knowledge.lineage(leaf)[2] for leaf in flora.taxa}
    assert (len(genera), len(families)) == (42, 5)  # of 12 leaves and of 10 genera


def test_characters_are_of_all_kinds(knowledge):
    characters = list(synthetic_table(knowledge, 12, 300, seed=1).knowledge.characters.values())
    sizes = {len(one.states) for one in characters}
    together = np.unique([one.family for one in characters], return_counts=True)[1]
    earlier = [one.id for one in characters]
    assert sizes == {0, 2, 3, 4, 5, 6}
    assert 0.02 < np.mean([one.kind == "length" for one in characters]) < 0.1
    assert 0.05 < np.mean([bool(one.only_if) for one in characters]) < 0.15
    assert set(together) == {1, 2, 3, 4}
    assert {one.effort for one in characters} == {1, 2, 3, 4, 5}
    assert all(earlier.index(parent) < earlier.index(one.id) for one in characters for parent in one.only_if)


def test_what_a_taxon_shows_and_what_is_answered_sums_to_one(flora):
    for c, name in enumerate(flora.characters):
        does = flora.applies[:, c] > 0
        assert flora.frequency[does, flora.columns[name]].sum(axis=1) == pytest.approx(1)
        assert flora.heard[:, flora.options[name]].sum(axis=1) == pytest.approx(1, abs=1e-4)
    assert 0 < (flora.applies == 0).mean() < 0.2


def test_leaves_are_like_their_genus(flora):
    genus = np.arange(500) // 12
    same = genus[:, None] == genus[None, :]
    alike = np.zeros((500, 500))
    choices = [name for name in flora.characters if flora.knowledge.characters[name].states]
    for name in choices:
        usual = flora.frequency[:, flora.columns[name]].argmax(axis=1)
        alike += (usual[:, None] == usual[None, :]) / len(choices)
    np.fill_diagonal(same, False)
    assert alike[same].mean() > 1.3 * alike[genus[:, None] != genus[None, :]].mean()


def test_honest_answers_lead_to_the_plant_in_most_talks(flora):
    ends = [(taxon, *talk(flora, taxon)) for taxon in flora.taxa[::25]]
    assert len(ends) == 20
    assert all(kind == "done" for _, _, kind, _ in ends)
    assert sum(belief.ranked(1)[0][0] == taxon for taxon, belief, _, _ in ends) >= 16
    assert max(asked for _, _, _, asked in ends) <= 20


def test_arrays_are_read_only_and_shared_by_all_beliefs(flora):
    for name in ARRAYS:
        with pytest.raises(ValueError, match="read-only"):
            getattr(flora, name)[0] = 0
    claims = [honest_claim(flora, flora.taxa[0], flora.characters[0], n) for n in (1, 2)]
    first, second = (believe(flora, [claim]) for claim in claims if claim)
    assert first.table is second.table is flora


def test_memory_follows_from_the_shapes(knowledge):
    table = synthetic_table(knowledge, 10_000, 40, seed=1)
    states, answers = table.frequency.shape[1], table.heard.shape[1]
    characters = len(table.characters)
    bound = 10_000 * (8 * states + 4 * answers + (4 + 4) * characters + 8) + 8 * table.edges.size
    assert sum(getattr(table, name).nbytes for name in ARRAYS) <= bound
    assert answers <= characters * 6
    assert bound < 100e6


def test_two_leaders_are_set_side_by_side_by_what_their_rows_show(flora):
    belief = believe(flora, [])
    first, second = flora.taxa[0], flora.taxa[250]
    for separator in comparison(belief, first, second, most=40):
        shown = flora.frequency[flora.row(first), flora.columns[separator.character]]
        if isinstance(separator.first, str):
            states = flora.knowledge.characters[separator.character].states
            assert shown[states.index(separator.first)] == shown.max()
        else:
            low, high = separator.first
            inside = (np.exp(flora.edges[1:]) > low) & (np.exp(flora.edges[:-1]) < high)
            assert low < high
            assert shown[inside].sum() > 0.85
    kinds = {type(separator.first) for separator in comparison(belief, first, second, most=40)}
    assert kinds == {str, tuple}


def test_the_finder_chooses_the_plant_that_fits(flora):
    taxon, name = flora.taxa[0], flora.characters[0]
    seen = honest_claim(flora, taxon, name, 1)
    assert seen is not None
    states = flora.knowledge.characters[name].states
    other = next(state for state in states if state not in seen.states)
    step = next_step(believe(flora, []), [], watch_yew(believe(flora, []), [], PLACE), PLACE)
    compare = type(step)("compare", separators=(Separator(name, other, seen.states[0], 1.0),))
    assert [claim.states for claim in honest_answers(flora, taxon, compare, 2)] == [seen.states]
    neither = type(step)("compare", separators=(Separator(name, other, other, 1.0),))
    assert honest_answers(flora, taxon, neither, 2) == []


@pytest.mark.parametrize(("taxa", "characters"), [(0, 5), (5, 0)])
def test_an_empty_flora_is_refused(knowledge, taxa, characters):
    with pytest.raises(ValueError, match="at least one"):
        synthetic_table(knowledge, taxa, characters, seed=1)
