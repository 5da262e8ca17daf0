"""Tables to reckon with by hand: `grow` makes a Table of a few plants; `claim_lists` draws claims for the shipped one."""

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
LENGTHS = st.floats(0.5, 600)


@pytest.fixture(scope="session")
def table(mind: Mind) -> Table:
    return mind.table


@pytest.fixture(scope="session")
def character(knowledge: Knowledge) -> Callable[..., Character]:
    """Makes a character of some states (none: a length), each in a family of its own unless one is named."""

    def make(id: str, states: tuple[str, ...] = (), **rest: object) -> Character:
        plain = {"kind": "choice" if states else "length", "family": id, "effort": 1, "error": 0.1, "classes": {}}
        plain |= {"offer": states, "confusion": {}, "only_if": {}, "denied_is_weak": False, "derive": ""}
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
        changed = {"prior": {"elsewhere": 0.0}, "met_planted": planted}
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

    @st.composite
    def claims(draw: st.DrawFn) -> list[Claim]:
        names = draw(st.lists(st.sampled_from(table.characters), unique=True, max_size=8))
        return [draw(_claim(table, name, n)) for n, name in enumerate(names)]

    return claims()


@st.composite
def _claim(draw: st.DrawFn, table: Table, name: str, n: int) -> Claim:
    character = table.knowledge.characters[name]
    rest = {"hedge": draw(st.sampled_from([0.0, 0.0, 0.5, 1.0])), "message": str(n), "sequence": n}
    if not character.states:
        low = draw(LENGTHS)
        by = draw(st.sampled_from(["eye", "thumb", "ruler"]))
        return Claim(name, quantity=Quantity(low, low * draw(st.floats(1, 2)), by), **rest)
    most = 2 if len(character.states) > 2 else 1
    states = draw(st.lists(st.sampled_from(character.states), unique=True, min_size=1, max_size=most))
    return Claim(name, states=tuple(states), negated=draw(st.booleans()), **rest)
