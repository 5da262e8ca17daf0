"""The dense arrays: what sums to one, what applies, what a blank means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chatkey.identify import believe, build_table
from chatkey.knowledge.model import Group, Names
from chatkey.terms import Claim

YES_NO = ("yes", "no")


def of(table, name):
    return table.columns[name]


def test_what_is_shown_sums_to_one_where_it_applies_and_to_the_mixture_where_not(table):
    for c, name in enumerate(table.characters):
        total = table.frequency[:, of(table, name)].sum(axis=1)
        assert total == pytest.approx(np.where(table.applies[:, c] > 0, 1.0, 0.05), abs=1e-12), name


def test_what_is_heard_sums_to_one_for_every_true_state_and_every_plant(table):
    for name in table.characters:
        assert table.hearing[name].sum(axis=0) == pytest.approx(1, abs=1e-12), name
        assert table.heard[:, table.options[name]].sum(axis=1) == pytest.approx(1, abs=1e-6), name


def test_the_stored_information_is_h_ln_h(table):
    heard = table.heard.astype(float)
    assert table.information == pytest.approx(np.add.reduceat(heard * np.log(heard), table.starts, axis=1), abs=1e-6)
    assert table.heard.min() > 0


def test_the_arrays_can_not_be_written_to(table):
    for array in (table.frequency, table.heard, table.information, table.applies, table.alike, table.edges):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


def test_no_answer_is_ever_fatal(table):
    """Under each plant and state, any answer has at least the mixture's share."""
    for c, name in enumerate(table.characters):
        shown = table.frequency[:, of(table, name)]
        assert shown[table.applies[:, c] > 0].min() >= 0.05 / shown.shape[1] - 1e-12


@pytest.mark.parametrize(
    ("taxon", "character", "applies"),
    [
        ("pinus_strobus", "needles_per_bundle", 1),
        ("tsuga_canadensis", "needles_per_bundle", 0),
        ("thuja_occidentalis", "needle_place", 0),
        ("thuja_occidentalis", "needles_per_bundle", 0),  # a condition of a condition
        ("tsuga_canadensis", "needle_length", 1),
        ("thuja_occidentalis", "needle_length", 0),
        ("pinus_strobus", "leaf_setting", 0),  # written n/a for pines
    ],
)
def test_a_character_applies_where_its_conditions_hold(table, taxon, character, applies):
    assert table.applies[table.row(taxon), table.characters.index(character)] == applies


def test_every_shipped_character_stands_after_those_it_depends_on(table):
    for c, name in enumerate(table.characters):
        for parent in table.knowledge.characters[name].only_if:
            assert table.characters.index(parent) < c, f"{name} needs {parent}"


def test_a_condition_of_a_condition_holds_in_whatever_order_the_characters_stand(grow, character):
    top = character("top", YES_NO)
    middle = character("middle", YES_NO, only_if={"top": ("yes",)})
    low = character("low", YES_NO, only_if={"middle": ("yes",)})
    plants = {"a": {"top": {"yes": 1}, "middle": {"yes": 1}}, "b": {"top": {"no": 1}}}
    found = []
    for order in ((top, middle, low), (low, middle, top)):
        small = grow(plants, order)
        found.append([small.applies[1, small.characters.index(name)] for name in ("top", "middle", "low")])
    assert found[0] == [1, 0, 0]
    assert found[1] == found[0]


def test_a_condition_that_is_rarely_met_still_makes_the_character_apply(grow, character):
    top, low = character("top", YES_NO), character("low", YES_NO, only_if={"top": ("yes",)})
    small = grow(
        {"often": {"top": {"yes": 0.11, "no": 0.89}}, "hardly": {"top": {"yes": 0.09, "no": 0.91}}}, (top, low)
    )
    assert small.applies[:, 1].tolist() == [1, 0]


def test_a_condition_of_which_nothing_is_known_holds(grow, character):
    top, low = character("top", YES_NO), character("low", YES_NO, only_if={"top": ("yes",)})
    assert grow({"a": {}, "b": {"top": {"yes": 1}}}, (top, low)).applies[0].tolist() == [1, 1]


def test_a_blank_is_the_mean_of_what_the_others_show_and_so_no_evidence(grow, character):
    small = grow({"a": {"x": {"yes": 1}}, "b": {"x": {"no": 1}}, "blank": {}}, (character("x", YES_NO),))
    assert small.frequency[2] == pytest.approx([0.5, 0.5])
    before, after = believe(small, []), believe(small, [Claim("x", ("yes",))])
    assert after.of(["blank"]) == pytest.approx(before.of(["blank"]))


def test_a_cell_that_does_not_apply_speaks_against_the_plant(grow, character):
    small = grow({"a": {"x": {"yes": 1}}, "without": {"x": None}}, (character("x", YES_NO),))
    assert small.applies[:, 0].tolist() == [1, 0]
    for state in YES_NO:
        belief = believe(small, [Claim("x", (state,))])
        assert belief.of(["a"]) > belief.of(["without"])


def test_each_plant_is_in_one_class_and_a_group_with_one_advice_is_one(table):
    classes = dict(zip(table.taxa, table.alike.tolist(), strict=True))
    assert classes["taxus_baccata"] == classes["taxus_cuspidata"] == classes["taxus_x_media"]
    assert classes["taxus_canadensis"] != classes["taxus_baccata"]
    assert classes["juniperus_horizontalis"] != classes["juniperus_sabina"]  # a group, but not one advice


def test_a_plant_of_two_groups_with_one_advice_is_in_the_first(grow, character):
    groups = tuple(Group(id, members, True, (), Names(id)) for id, members in (("g", ("a", "b")), ("h", ("b", "c"))))
    small = grow({"a": {}, "b": {}, "c": {}}, (character("x", YES_NO),), groups=groups)
    assert small.alike.tolist() == [0, 0, 1]


def test_a_class_of_lengths_is_heard_as_a_whole(table):
    """A question about a length is answered by its class: one answer for all bins of the class."""
    classes = table.knowledge.characters["needle_length"].classes
    answers = table.heard[:, table.options["needle_length"]]
    assert answers.shape[1] == len(classes)
    strobus = dict(zip(classes, answers[table.row("pinus_strobus")], strict=True))
    assert max(strobus, key=strobus.get) in ("medium", "long")
    assert strobus["tiny"] < 0.05


def test_slips_of_a_character_are_those_of_its_confusion_table(table):
    hearing = table.hearing["needles_per_bundle"]  # rows heard, columns true
    states = table.knowledge.characters["needles_per_bundle"].states
    five = hearing[:, states.index("five")]
    slips = table.knowledge.characters["needles_per_bundle"].confusion["five"]
    assert five[states.index("four")] == slips["four"]
    assert five[states.index("five")] == pytest.approx(1 - sum(slips.values()))


def test_the_table_of_one_plant_can_be_built(knowledge):
    assert build_table(replace(knowledge, leaves=("tsuga_canadensis",))).frequency.shape[0] == 1


def test_no_number_of_the_shipped_table_is_missing(table):
    for array in (table.frequency, table.heard, table.information, table.applies):
        assert np.isfinite(array).all()
