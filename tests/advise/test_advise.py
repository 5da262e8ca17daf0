"""What a name means at a place: alternatives by rule, ground covered, phone lines, whose status it is."""

from __future__ import annotations

import pytest

from chatkey.advise import (
    alternatives,
    cautions_for,
    cover,
    filled,
    heel_in_days,
    lines_at,
    planting_facts,
    status_here,
    subject_cautions,
)
from chatkey.advise.planting import BANK
from chatkey.knowledge import Knowledge
from chatkey.knowledge.model import Card
from chatkey.knowledge.status import listings_for, status_in
from chatkey.terms import Place, Status

PLACES = [Place(code) for code in ("MI", "ME", "FL", "ON", "NC")]


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.code)
def test_what_is_offered_instead_is_native_there_and_neither_rare_nor_poisonous(
    knowledge: Knowledge, place: Place
) -> None:
    offered = 0
    for taxon in knowledge.planting:
        found = alternatives(knowledge, taxon, place)
        assert len(found) <= 3
        assert [one.score for one in found] == sorted((one.score for one in found), reverse=True)
        for one in found:
            offered += 1
            assert one.taxon != taxon
            assert "animals_or_children" not in one.beware
            if one.taxon in knowledge.taxa:
                assert status_in(knowledge, knowledge.taxa[one.taxon], place.code) == "native"
                kinds = {row.kind for row in listings_for(knowledge, (one.taxon,), place)}
                assert not kinds & {"rare", "endangered"}
    assert offered > 20


def test_without_a_place_nothing_is_offered(knowledge: Knowledge) -> None:
    assert alternatives(knowledge, "picea_abies", None) == ()


def test_the_ground_that_was_told_narrows_what_is_offered(knowledge: Knowledge) -> None:
    for kind in ("dry", "moist", "wet"):
        for one in alternatives(knowledge, "picea_abies", Place("MI"), (kind,)):
            assert kind in one.moisture
            assert kind in knowledge.planting[one.taxon].moisture


def test_for_a_bank_plants_of_banks_come_first(knowledge: Knowledge) -> None:
    found = alternatives(knowledge, "picea_abies", Place("MI"), ("wet",), by_water=True)
    assert found
    assert BANK in found[0].uses


@pytest.mark.parametrize(("feet", "per_acre"), [(6, "1210"), (8, "680"), (10, "435"), (12, "302")])
def test_plants_per_acre_are_those_of_the_handbooks(knowledge: Knowledge, feet: int, per_acre: str) -> None:
    """43,560 square feet over the square of the spacing, the fraction dropped, as handbook tables print it."""
    metres = feet * 0.3048
    found = cover(knowledge, 100, (metres, metres))
    assert (found.feet, found.per_acre.replace(",", "")) == (feet, per_acre)
    assert found.square_feet == 100 * feet**2


def test_bare_roots_have_a_number_of_days(knowledge: Knowledge) -> None:
    assert any(letter.isdigit() for letter in heel_in_days(knowledge))


def test_planting_facts_leave_out_what_is_not_known(knowledge: Knowledge) -> None:
    facts = planting_facts(knowledge, "tsuga_canadensis")
    assert facts["height_m"]
    assert "" not in facts.values()
    assert planting_facts(knowledge, "no_such_plant") == {}


def test_the_card_of_a_group_comes_before_the_country(knowledge: Knowledge) -> None:
    card = Card(lines={"extension_office": "the Larkwater desk"})
    assert lines_at(knowledge, Place("MI"), card)["extension_office"] == "the Larkwater desk"
    assert lines_at(knowledge, None, card)["extension_office"] == "the Larkwater desk"
    assert lines_at(knowledge, Place("MI"), Card())["extension_office"] != "the Larkwater desk"


@pytest.mark.parametrize("place", [None, *PLACES])
def test_no_gap_stays_open_in_a_caution_wherever_it_is_said(knowledge: Knowledge, place: Place | None) -> None:
    lines = lines_at(knowledge, place, Card())
    for caution in knowledge.cautions.values():
        assert "{" not in filled(caution, lines), caution.id


def test_a_likely_yew_is_cautioned_and_an_unlikely_one_is_not(knowledge: Knowledge) -> None:
    likely = cautions_for(knowledge, {"taxus_canadensis": 0.5, "tsuga_canadensis": 0.5}, Place("MI"))
    unlikely = cautions_for(knowledge, {"taxus_canadensis": 0.001, "tsuga_canadensis": 0.999}, Place("MI"))
    assert "yew" in {caution.id for caution in likely}
    assert "yew" not in {caution.id for caution in unlikely}
    assert [one.urgency for one in likely] == sorted(one.urgency for one in likely)


def test_what_was_swallowed_is_the_gravest_of_what_was_asked(knowledge: Knowledge) -> None:
    found = subject_cautions(knowledge, ("eat", "swallowed"), {})
    assert found[0].urgency == 1


def test_a_status_is_of_one_answer_of_all_that_remain_or_not_said(knowledge: Knowledge) -> None:
    place = Place("MI")
    one = status_here(knowledge, ("tsuga_canadensis",), {}, place, Card())
    assert one is not None
    assert (one.status, one.level, one.of_all) == ("native", "province", False)
    mixed = ("picea_glauca", "picea_abies")
    agreed = status_here(knowledge, mixed, {"native": 0.95, "introduced": 0.05}, place, Card())
    assert agreed is not None
    assert agreed.of_all
    assert status_here(knowledge, mixed, {"native": 0.6, "introduced": 0.4}, place, Card()) is None
    assert status_here(knowledge, ("tsuga_canadensis",), {}, None, Card()) is None


def test_what_is_not_native_in_any_case_is_said_to_be_so(knowledge: Knowledge) -> None:
    """Introduced here or not on record: either way not native."""
    shares: dict[Status, float] = {"native": 0.04, "introduced": 0.6, "not recorded": 0.34, "unknown": 0.02}
    found = status_here(knowledge, (), shares, Place("MI"), Card())
    assert found is not None
    assert (found.status, found.native, found.of_all) == (None, False, True)
    assert status_here(knowledge, (), {**shares, "native": 0.12, "introduced": 0.52}, Place("MI"), Card()) is None


def test_a_group_that_knows_its_county_says_so(knowledge: Knowledge) -> None:
    card = Card(counties={"Larkwater": frozenset({"tsuga_canadensis"})})
    found = status_here(knowledge, ("tsuga_canadensis",), {}, Place("MI", county="Larkwater"), card)
    assert found is not None
    assert (found.status, found.level) == ("native", "county")
