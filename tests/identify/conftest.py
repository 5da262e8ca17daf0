"""Tables to reckon with by hand: `grow` makes one of a few plants; `claim_lists` draws claims for the shipped one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest
from hypothesis import strategies as st

from chatkey.dialog import Mind
from chatkey.identify import Table, build_table
from chatkey.knowledge import Character, Group, Knowledge, Taxon
from chatkey.knowledge.model import Cell, Names, Range
from chatkey.terms import Claim, Quantity

Cells = Mapping[str, Mapping[str, float] | tuple[float, float, float, float] | None]


@pytest.fixture(scope="session")
def table(mind: Mind) -> Table:
    return mind.table


@pytest.fixture(scope="session")
def character(knowledge: Knowledge) -> Callable[..., Character]:
    """Makes a character of some states (none: a length), each in a family of its own unless one is named."""

    def make(id: str, states: tuple[str, ...] = (), **rest: object) -> Character:
        plain = {"kind": "choice" if states else "length", "family": id, "effort": 1, "error": 0.1, "classes": {}}
        plain |= {"offer": states, "confusion": {}, "only_if": {}, "lacking": "", "denied_is_weak": False, "derive": ""}
        return replace(knowledge.characters["leaf_kind"], id=id, states=states, **{**plain, **rest})

    return make


@pytest.fixture(scope="session")
def grow(knowledge: Knowledge) -> Callable[..., Table]:
    """Makes a table of some plants and characters. Each plant is as often met as its weight says (no place known)."""

    def make(
        plants: Mapping[str, Cells],
        characters: tuple[Character, ...],
        weights: Mapping[str, float] | None = None,
        groups: tuple[Group, ...] = (),
        **numbers: Mapping[str, float],
    ) -> Table:
        planted = {id: (weights or {}).get(id, 1.0) for id in plants}
        changed = {
            "prior": {"elsewhere": 0.0},
            "met_planted": planted,
            "evidence": {"sharpness": 1.0},  # so that the figures can be worked out by hand
            "discount": {"other": 0.85},
        }
        for section, values in numbers.items():
            changed[section] = {**changed.get(section, {}), **values}
        taxa = {id: _taxon(id, cells) for id, cells in plants.items()}
        return build_table(
            replace(
                knowledge,
                characters={one.id: one for one in characters},
                taxa=taxa,
                leaves=tuple(taxa),
                lineages={id: (id,) for id in taxa},
                groups={group.id: group for group in groups},
                numbers={key: {**old, **changed.get(key, {})} for key, old in knowledge.numbers.items()},
            )
        )

    return make


def _taxon(id: str, cells: Cells) -> Taxon:
    made = {}
    for name, shown in cells.items():
        if isinstance(shown, tuple):
            made[name] = Cell(range=shown)
        else:
            total = sum((shown or {}).values())
            made[name] = Cell(weights={state: weight / total for state, weight in (shown or {}).items()})
    return Taxon(id, id, "", "species", "", (), True, made, Range(), id, "common", Names(id), True)


@pytest.fixture(scope="session")
def claim_lists(table: Table) -> st.SearchStrategy[list[Claim]]:
    """Claims about different characters of the shipped knowledge, one a message."""
    any_claim = st.one_of([_claims(one) for one in table.knowledge.characters.values()])
    several = st.lists(any_claim, unique_by=lambda claim: claim.character, max_size=8)
    return several.map(lambda claims: [replace(claim, message=str(n), sequence=n) for n, claim in enumerate(claims)])


def _claims(character: Character) -> st.SearchStrategy[Claim]:
    hedges = st.sampled_from([0.0, 0.0, 0.5, 1.0])
    if not character.states:
        lengths = st.builds(
            lambda low, wider, by: Quantity(low, low * wider, by),
            st.floats(0.5, 600),
            st.floats(1, 2),
            st.sampled_from(["eye", "thumb", "ruler"]),
        )
        return st.builds(Claim, st.just(character.id), quantity=lengths, negated=st.booleans(), hedge=hedges)
    most = 2 if len(character.states) > 2 else 1
    states = st.lists(st.sampled_from(character.states), unique=True, min_size=1, max_size=most).map(tuple)
    return st.builds(Claim, st.just(character.id), states, negated=st.booleans(), hedge=hedges)
