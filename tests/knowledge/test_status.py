"""Native, introduced, not recorded or unknown, rule by rule, and in cases that a steward would look up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chatkey.knowledge import Knowledge, Taxon
from chatkey.knowledge.model import Range, Region
from chatkey.knowledge.status import listings_for, status_in
from chatkey.terms import Place

REGIONS = {
    "MI": Region("MI", "Michigan", "US", "east", "full"),
    "IA": Region("IA", "Iowa", "US", "east", "full"),
    "KS": Region("KS", "Kansas", "US", "plains", "edge"),
    "OR": Region("OR", "Oregon", "US", "west", "name_only"),
    "HI": Region("HI", "Hawaii", "US", "other", "name_only"),
    "ON": Region("ON", "Ontario", "CA", "east", "full"),
    "BC": Region("BC", "British Columbia", "CA", "west", "name_only"),
}
EASTERN = Range("eastern_north_america", frozenset({"MI"}), frozenset({"IA"}), frozenset({"ON"}), {"US": "complete"})


@pytest.fixture(scope="module")
def small(knowledge: Knowledge) -> Knowledge:
    return replace(knowledge, regions=REGIONS)


def tree(knowledge: Knowledge, where: Range) -> Taxon:
    return replace(knowledge.taxa["tsuga_canadensis"], range=where)


@pytest.mark.parametrize(
    ("where", "code", "status"),
    [
        (EASTERN, "MI", "native"),
        (EASTERN, "IA", "introduced"),  # recorded outside its native places
        (EASTERN, "OR", "introduced"),  # the other side of this continent
        (EASTERN, "KS", "not recorded"),  # the plains are no other side of the east
        (EASTERN, "HI", "not recorded"),
        (EASTERN, "ON", "unknown"),  # recorded, wild or escaped not told apart
        (EASTERN, "BC", "introduced"),
        (replace(EASTERN, unsettled=frozenset()), "ON", "unknown"),  # nothing is said of Canada
        (replace(EASTERN, unsettled=frozenset({"KS"})), "KS", "unknown"),  # a doubtful record beats a whole list
        (replace(EASTERN, native_range={"US": "partial"}), "KS", "unknown"),
        (replace(EASTERN, native_range={"US": "unknown"}), "KS", "unknown"),
        (replace(EASTERN, native_range={}), "KS", "unknown"),
        (replace(EASTERN, native_range={"CA": "complete"}), "KS", "unknown"),
        (replace(EASTERN, native_range={"CA": "complete"}, unsettled=frozenset()), "ON", "not recorded"),
        (Range("western_north_america", frozenset({"OR"})), "OR", "native"),
        (Range("western_north_america", frozenset({"OR"})), "MI", "introduced"),
        (Range("western_north_america", frozenset({"OR"})), "KS", "introduced"),
        (Range("western_north_america", frozenset({"OR", "KS"})), "KS", "native"),
        (Range("western_north_america", frozenset({"OR"})), "BC", "unknown"),  # its own side, no list
        (Range("north_america", frozenset({"OR", "MI"}), native_range={"US": "complete"}), "IA", "not recorded"),
        (Range("north_america", frozenset({"OR", "MI"})), "IA", "unknown"),
        (Range(), "MI", "unknown"),  # a blank is never an absence
        (Range(native_range={"US": "complete"}), "MI", "unknown"),
        (EASTERN, "XX", "unknown"),
        (EASTERN, "", "unknown"),
    ],
)
def test_the_status_follows_the_rules(small, where, code, status):
    assert status_in(small, tree(small, where), code) == status


@pytest.mark.parametrize("origin", ["europe", "asia", "africa", "australia", "garden"])
@pytest.mark.parametrize("code", ["MI", "OR", "ON", "HI"])
def test_a_tree_of_another_continent_is_introduced_wherever_it_stands(small, origin, code):
    assert status_in(small, tree(small, Range(origin)), code) == "introduced"


@pytest.mark.parametrize(
    ("taxon", "code", "status"),
    [
        ("tsuga_canadensis", "MI", "native"),
        ("tsuga_canadensis", "ON", "native"),
        ("tsuga_canadensis", "OR", "introduced"),
        ("thuja_occidentalis", "MI", "native"),
        ("thuja_occidentalis", "IA", "unknown"),
        ("thuja_plicata", "MI", "introduced"),
        ("thuja_plicata", "BC", "native"),
        ("chamaecyparis_thyoides", "MI", "not recorded"),
        ("chamaecyparis_thyoides", "NJ", "native"),
        ("picea_abies", "MI", "introduced"),
        ("taxus_cuspidata", "MI", "introduced"),
        ("taxus_canadensis", "MI", "native"),
        ("pinus_sylvestris", "MI", "introduced"),
        ("pinus_banksiana", "MI", "native"),
        ("pseudotsuga_menziesii", "MI", "introduced"),
        ("larix_decidua", "ON", "introduced"),
    ],
)
def test_the_shipped_status_is_what_the_floras_say(knowledge, taxon, code, status):
    assert status_in(knowledge, knowledge.taxa[taxon], code) == status


def test_no_shipped_leaf_is_called_not_recorded_without_a_whole_list(knowledge):
    for leaf in knowledge.leaves:
        taxon = knowledge.taxa[leaf]
        for code, region in knowledge.regions.items():
            if status_in(knowledge, taxon, code) == "not recorded":
                assert taxon.range.native_range[region.country] == "complete"


def test_every_shipped_leaf_is_native_in_exactly_its_native_places(knowledge):
    for leaf in knowledge.leaves:
        taxon = knowledge.taxa[leaf]
        native = {code for code in knowledge.regions if status_in(knowledge, taxon, code) == "native"}
        assert native == taxon.range.native, leaf


def test_a_list_of_a_genus_counts_for_its_species_and_only_in_its_places(knowledge):
    for listing in knowledge.listings:
        leaf = next(leaf for leaf in knowledge.leaves if listing.taxon in knowledge.lineage(leaf))
        rules = listing.kind == "quarantine"
        assert listing in listings_for(knowledge, (leaf,), Place(listing.places[0]), rules=rules)
        assert listing in listings_for(knowledge, (leaf,), None, rules=rules)
        assert listing not in listings_for(knowledge, (leaf,), None, rules=not rules)
        elsewhere = next(code for code in knowledge.regions if code not in listing.places)
        assert listing not in listings_for(knowledge, (leaf,), Place(elsewhere), rules=rules)
