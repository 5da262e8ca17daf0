"""Invented floras of any size: tables to measure time and memory with, and people who answer from them truly.

Their plants have no cells; what they show is drawn straight into the arrays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from chatkey.identify import Step, Table
from chatkey.identify.table import APPLIES_FROM, Array, Labels, length_edges, side_by_side, table_of
from chatkey.knowledge.model import (
    PLANTED,
    WILD,
    Cell,
    Character,
    CharacterWords,
    Knowledge,
    Learned,
    Names,
    Range,
    Rank,
    StateWords,
    Taxon,
)
from chatkey.terms import Claim, Quantity

IN_GENUS = 12  # leaves
IN_FAMILY = 10  # genera
MOST_STATES = 6
LENGTHS = 0.05  # share of characters
DEPENDENT = 0.1  # share of characters that apply only where another is of some state
MOST_TOGETHER = 4  # characters in a family of evidence
EFFORTS = (0.4, 0.25, 0.15, 0.15, 0.05)  # share of characters by effort, 1 to 5
LIKE_FAMILY = 0.5  # share of genera that show what their family shows
LIKE_GENUS = 0.75  # share of leaves that show what their genus shows
VARIED = 0.3  # share of leaves that show a second state
CLASSES = {"tiny": (0.4, 8.0), "short": (8.0, 25.0), "long": (25.0, 80.0), "longest": (80.0, 700.0)}  # mm
SPREADS = {"family": 1.0, "genus": 0.5, "leaf": 0.3, "plant": 0.2}  # standard deviation of ln(length)
EVERYWHERE = 0.3  # chance that a plant is native in a region


@dataclass(frozen=True, slots=True, eq=False)
class _Kinship:
    """The genus of each leaf, (T,), and the family of each genus, (G,)."""

    genus: Labels
    family: Labels


def synthetic_table(knowledge: Knowledge, taxa: int, characters: int, seed: int) -> Table:
    """The table of an invented flora with the numbers and regions of `knowledge`. The same seed gives the same table.

    Raises ValueError where there are no taxa or no characters.
    """
    if taxa < 1 or characters < 1:
        raise ValueError(f"{taxa} taxa and {characters} characters: at least one of each is needed")
    random = np.random.default_rng(seed)
    genus = np.arange(taxa) // IN_GENUS
    kin = _Kinship(genus, np.arange(int(genus[-1]) + 1) // IN_FAMILY)
    flora = replace(_with_taxa(knowledge, kin, random), characters=_characters(characters, random))
    flora = replace(flora, hash=f"synthetic {taxa} x {characters}, seed {seed}")
    raw, applies = _shown(flora, kin, random)
    return table_of(flora, raw, applies.copy(), applies)


def honest_answers(table: Table, taxon: str, step: Step, number: int) -> list[Claim]:
    """What somebody says to a question who sees a plant of this taxon as it usually is. Empty where they can't tell."""
    if step.kind in ("character", "reask"):
        claims = [honest_claim(table, taxon, step.character, number)]
    else:
        claims = [_likelier(table, taxon, one.character, (one.first, one.second), number) for one in step.separators]
    return [claim for claim in claims if claim is not None]


def honest_claim(table: Table, taxon: str, name: str, number: int) -> Claim | None:
    """What is said of one character in the message `number`; None where it does not apply."""
    row = table.row(taxon)
    if not table.applies[row, table.order[name]]:
        return None
    best = int(np.argmax(table.frequency[row, table.columns[name]]))
    claim = Claim(name, sequence=number, message=str(number))
    states = table.knowledge.characters[name].states
    if states:
        return replace(claim, states=(states[best],))
    length = math.exp((table.edges[best] + table.edges[best + 1]) / 2)
    return replace(claim, quantity=Quantity(length * 0.9, length * 1.1, "thumb"))


def _likelier(
    table: Table, taxon: str, name: str, choices: Sequence[str | tuple[float, float]], number: int
) -> Claim | None:
    """The one of some choices that fits the plant; None where none does, or all."""
    seen = honest_claim(table, taxon, name, number)
    if seen is None:
        return None
    fits = [choice for choice in choices if _fits(seen, choice)]
    if len(fits) != 1:
        return None
    chosen = fits[0]
    said = replace(seen, source="compared")
    return replace(said, states=(chosen,)) if isinstance(chosen, str) else replace(said, quantity=Quantity(*chosen))


def _fits(seen: Claim, choice: str | tuple[float, float]) -> bool:
    if isinstance(choice, str) or seen.quantity is None:
        return choice in seen.states
    return choice[0] <= math.sqrt(seen.quantity.low * seen.quantity.high) <= choice[1]


def _with_taxa(knowledge: Knowledge, kin: _Kinship, random: np.random.Generator) -> Knowledge:
    """The knowledge with invented plants and nothing else that speaks of plants."""
    ranges = [_range(knowledge, random) for _ in range(20)]
    families = [f"family_{number + 1:03}" for number in range(int(kin.family[-1]) + 1)]
    genera = [f"genus_{number + 1:04}" for number in range(len(kin.family))]
    leaves = tuple(f"taxon_{number + 1:05}" for number in range(len(kin.genus)))
    planted = random.choice(PLANTED, size=len(leaves)).tolist()
    wild = random.choice(WILD, size=len(leaves)).tolist()
    homes = random.integers(len(ranges), size=len(leaves)).tolist()
    taxa = {id: _taxon(id, "family", "") for id in families}
    taxa |= {id: _taxon(id, "genus", families[kin.family[g]]) for g, id in enumerate(genera)}
    for t, id in enumerate(leaves):
        taxon = _taxon(id, "species", genera[kin.genus[t]])
        taxa[id] = replace(taxon, range=ranges[homes[t]], planted=planted[t], wild=wild[t], is_leaf=True)
    lineages: dict[str, tuple[str, ...]] = {}
    for id, taxon in taxa.items():  # parents stand before their children
        lineages[id] = (id, *lineages.get(taxon.parent, ()))
    return replace(
        knowledge,
        taxa=taxa,
        leaves=leaves,
        lineages=lineages,
        groups={},
        listings=(),
        planting={},
        figures={},
        cautions={},
        retired={},
        learned=Learned(),
        untaught={},
    )


def _taxon(id: str, rank: Rank, parent: str) -> Taxon:
    name = f"invented {id.replace('_', ' ')}"
    no_cells: dict[str, Cell] = {}
    return Taxon(id, name, "", rank, parent, (), True, no_cells, Range(), "never", "rare", Names(name), False)


def _range(knowledge: Knowledge, random: np.random.Generator) -> Range:
    """Where some of the plants grow: in a part of the eastern regions."""
    east = [region.code for region in knowledge.regions.values() if region.side == "east"]
    native = frozenset(code for code in east if random.random() < EVERYWHERE)
    whole = {region.country: "complete" for region in knowledge.regions.values()}
    return Range("eastern_north_america", native, native_range=whole)


def _characters(count: int, random: np.random.Generator) -> dict[str, Character]:
    """Characters in their order; each depends on an earlier one or on none."""
    found: dict[str, Character] = {}
    family, left = 0, 0
    for number in range(count):
        if left == 0:
            family, left = family + 1, int(random.integers(1, MOST_TOGETHER + 1))
        left -= 1
        is_length = bool(random.random() < LENGTHS)
        size = 0 if is_length else int(random.integers(2, MOST_STATES + 1))
        states = tuple(f"state_{n + 1}" for n in range(size))
        choices = [one for one in found.values() if one.states]
        only_if: dict[str, tuple[str, ...]] = {}
        if choices and random.random() < DEPENDENT:
            parent = choices[int(random.integers(len(choices)))]
            only_if = {parent.id: parent.states[: (len(parent.states) + 1) // 2]}
        id = f"character_{number + 1:03}"
        found[id] = Character(
            id=id,
            kind="length" if is_length else "choice",
            part="needles",
            family=f"family_of_evidence_{family:03}",
            effort=1 + int(random.choice(len(EFFORTS), p=EFFORTS)),
            error=float(random.uniform(0.03, 0.15)),
            states=states,
            offer=states,
            classes=CLASSES if is_length else {},
            confusion={},
            only_if=only_if,
            lacking="",
            denied_is_weak=False,
            derive="",
            wild_only=False,
            months=(),
            by_month={},
            doubtful_if={},
            sources=(),
            words=_words(number + 1, states or tuple(CLASSES)),
        )
    return found


def _words(number: int, states: Sequence[str]) -> CharacterWords:
    name = f"mark {number}"
    told = {state: StateWords(state.replace("_", " "), f"{name}: {state}") for state in states}
    return CharacterWords(f"How is {name}?", f"Look again: how is {name}?", "", name, states=told)


def _shown(flora: Knowledge, kin: _Kinship, random: np.random.Generator) -> tuple[Array, Array]:
    """P(state | taxon) of every character, (T, N), and whether each applies, (T, C)."""
    names, edges = list(flora.characters), length_edges(flora)
    columns = side_by_side(names, [len(one.states) or len(edges) - 1 for one in flora.characters.values()])
    raw = np.zeros((len(kin.genus), columns[names[-1]].stop), order="F")
    applies = np.ones((len(kin.genus), len(names)))
    for c, (name, character) in enumerate(flora.characters.items()):
        part = columns[name]
        size = len(character.states)
        raw[:, part] = _choices(size, kin, random) if size else _lengths(edges, kin, random)
        for parent, states in character.only_if.items():
            wanted = [columns[parent].start + flora.characters[parent].states.index(state) for state in states]
            applies[:, c] = (raw[:, wanted].sum(axis=1) >= APPLIES_FROM) * applies[:, names.index(parent)]
        raw[:, part] *= applies[:, [c]]
    return raw, applies


def _choices(size: int, kin: _Kinship, random: np.random.Generator) -> Array:
    """One state of each leaf, mostly that of its genus, and of some a second. Shape (T, size)."""
    leaves, genera = len(kin.genus), len(kin.family)
    of_family = random.integers(size, size=int(kin.family[-1]) + 1)[kin.family]
    of_genus = np.where(random.random(genera) < LIKE_FAMILY, of_family, random.integers(size, size=genera))
    first = np.where(random.random(leaves) < LIKE_GENUS, of_genus[kin.genus], random.integers(size, size=leaves))
    second = (first + random.integers(1, size, size=leaves)) % size
    share = np.where(random.random(leaves) < VARIED, random.uniform(0.1, 0.45, leaves), 0.0)
    found = np.zeros((leaves, size))
    found[np.arange(leaves), first] = 1 - share
    found[np.arange(leaves), second] = share
    return found


def _lengths(edges: Array, kin: _Kinship, random: np.random.Generator) -> Array:
    """The lengths of each leaf, near those of its genus, in bins. Shape (T, B)."""
    centre = (edges[:-1] + edges[1:]) / 2
    middle = math.log(25) + random.normal(0, SPREADS["family"], int(kin.family[-1]) + 1)[kin.family]
    middle = middle + random.normal(0, SPREADS["genus"], len(kin.family))
    typical = middle[kin.genus] + random.normal(0, SPREADS["leaf"], len(kin.genus))
    off = (centre - np.clip(typical, centre[0], centre[-1])[:, None]) / SPREADS["plant"]
    mass = np.where(np.abs(off) < 3, np.exp(-(off**2) / 2), 0.0)
    return np.asarray(mass / mass.sum(axis=1, keepdims=True))
