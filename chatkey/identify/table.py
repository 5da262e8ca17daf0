"""The dense arrays that stand for a Knowledge, built once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chatkey.knowledge.model import Cell, Character, Knowledge
from chatkey.terms import Quantity

Array = NDArray[np.float64]
APPLIES_FROM = 0.1  # a character applies to a taxon where its condition holds in one plant of ten or more


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Arrays over one Knowledge. They are read-only and shared by all conversations."""

    knowledge: Knowledge
    taxa: tuple[str, ...]  # (T,)
    characters: tuple[str, ...]  # (C,)
    columns: Mapping[str, slice]  # of each character within N
    frequency: Array  # (T, N): P(state | taxon), with the 5 % mixture; where it does not apply, the mixture alone
    hearing: Mapping[str, Array]  # (S, S): P(heard | true), rows heard, columns true
    heard: Array  # (T, N): P(heard | taxon) as asked, for the gain; where nothing is known the mean of the other taxa
    information: Array  # (T, N): heard · ln heard
    applies: Array  # (T, C): 1 where the character applies, 0 where not
    alike: Array  # (T, K): 1 where a taxon belongs to a class
    edges: Array  # (B + 1,): edges of the length bins, ln mm

    def row(self, taxon: str) -> int:
        return self.taxa.index(taxon)


def build_table(knowledge: Knowledge) -> Table:
    """The table of a Knowledge with T >= 1 leaves."""
    taxa, characters = knowledge.leaves, in_order(knowledge)
    lengths = knowledge.numbers["lengths"]
    edges = np.linspace(math.log(lengths["low_mm"]), math.log(lengths["high_mm"]), int(lengths["bins"]) + 1)
    columns: dict[str, slice] = {}
    start = 0
    for name in characters:
        size = len(knowledge.characters[name].states) or len(edges) - 1
        columns[name] = slice(start, start + size)
        start += size
    raw = np.zeros((len(taxa), start))
    filled = np.zeros((len(taxa), len(characters)))
    for t, taxon in enumerate(taxa):
        cells = knowledge.taxa[taxon].cells
        for c, name in enumerate(characters):
            cell = cells.get(name)
            if cell is not None and cell.applies:
                raw[t, columns[name]] = _masses(knowledge.characters[name], cell, edges, lengths["within_usual"])
                filled[t, c] = 1
    applies = _applies(knowledge, raw, filled, columns, characters)
    hearing = {name: _hearing(knowledge, name, edges) for name in characters}
    frequency = _with_blanks(raw, filled, applies, columns, characters)
    mixture = knowledge.numbers["evidence"]["mixture"]
    heard = np.empty_like(frequency)
    for c, name in enumerate(characters):
        part = columns[name]
        size = part.stop - part.start
        known = frequency[:, part] * applies[:, [c]]
        mean = frequency[applies[:, c] > 0][:, part].mean(axis=0) if applies[:, c].any() else np.full(size, 1 / size)
        shown = np.where(applies[:, [c]] > 0, known, mean)
        heard[:, part] = _as_asked(knowledge, name, ((1 - mixture) * shown + mixture / size) @ hearing[name].T, edges)
        frequency[:, part] = (1 - mixture) * known + mixture / size
    heard = np.maximum(heard, 1e-12)
    table = Table(
        knowledge=knowledge,
        taxa=taxa,
        characters=characters,
        columns=columns,
        frequency=frequency,
        hearing=hearing,
        heard=heard,
        information=heard * np.log(heard),
        applies=applies,
        alike=_alike(knowledge),
        edges=edges,
    )
    for array in (table.frequency, table.heard, table.information, table.applies, table.alike, table.edges):
        array.setflags(write=False)
    return table


def _as_asked(knowledge: Knowledge, name: str, heard: Array, edges: Array) -> Array:
    """(T, S): what an answer to the question can tell. A length is answered by its class, so that bins of one class
    are told apart no further: each gets its class's mean."""
    classes = knowledge.characters[name].classes
    if not classes:
        return heard
    centre = (edges[:-1] + edges[1:]) / 2
    borders = [math.log(low) for low, _ in list(classes.values())[1:]]
    member = np.searchsorted(borders, centre)
    out = heard.copy()
    for index in range(len(classes)):
        out[:, member == index] = heard[:, member == index].mean(axis=1, keepdims=True)
    return out


def heard_length(edges: Array, quantity: Quantity, blur: Mapping[str, float]) -> Array:
    """P(the interval is said | true length in bin). Shape (B,). A mass: an interval is at least a bin wide."""
    centre = (edges[:-1] + edges[1:]) / 2
    half_bin = (edges[1] - edges[0]) / 2
    spread = math.hypot(blur[quantity.measured_by], half_bin / math.sqrt(3))
    low = (math.log(quantity.low) - half_bin - centre) / spread
    high = (math.log(quantity.high) + half_bin - centre) / spread
    return _normal(high) - _normal(low)


def range_mass(edges: Array, four: tuple[float, float, float, float], within_usual: float) -> Array:
    """Mass of [lowest, usual low, usual high, highest] (mm) in each bin. Shape (B,). Piecewise linear in ln mm."""
    tail = (1 - within_usual) / 2
    points = np.log(four) + np.arange(4) * 1e-9  # equal numbers become a step
    cumulative = np.interp(edges, points, [0, tail, 1 - tail, 1])
    mass = np.diff(cumulative)
    return np.asarray(mass / mass.sum())


def _masses(character: Character, cell: Cell, edges: Array, within_usual: float) -> Array:
    if cell.range is not None:
        return range_mass(edges, cell.range, within_usual)
    return np.array([cell.weights.get(state, 0.0) for state in character.states])


def _hearing(knowledge: Knowledge, name: str, edges: Array) -> Array:
    """P(heard | true) of a character, (S, S): columns sum to one."""
    character = knowledge.characters[name]
    if character.kind == "length":
        blur = knowledge.numbers["blur"]
        centre = (edges[:-1] + edges[1:]) / 2
        rows = [heard_length(edges, Quantity(low, low), blur) for low in np.exp(centre)]
        matrix = np.array(rows)
        return np.asarray(matrix / matrix.sum(axis=0))
    size = len(character.states)
    matrix = np.full((size, size), character.error / (size - 1))
    np.fill_diagonal(matrix, 1 - character.error)
    for true, slips in character.confusion.items():
        column = np.array([slips.get(heard, 0.0) for heard in character.states])
        column[character.states.index(true)] = 1 - column.sum()
        matrix[:, character.states.index(true)] = column
    return matrix


def in_order(knowledge: Knowledge) -> tuple[str, ...]:
    """Characters in their files' order, but each after those it depends on."""
    found: dict[str, None] = {}

    def place(name: str) -> None:
        for parent in knowledge.characters[name].only_if:
            place(parent)
        found.setdefault(name)

    for name in knowledge.characters:
        place(name)
    return tuple(found)


def _applies(
    knowledge: Knowledge, raw: Array, filled: Array, columns: Mapping[str, slice], characters: tuple[str, ...]
) -> Array:
    """(T, C): 1 unless a condition fails or the cell says n/a. A condition that nothing is known of holds."""
    applies = np.ones_like(filled)
    for c, name in enumerate(characters):
        for parent, states in knowledge.characters[name].only_if.items():
            p = characters.index(parent)
            wanted = [columns[parent].start + knowledge.characters[parent].states.index(state) for state in states]
            share = np.where(filled[:, p] > 0, raw[:, wanted].sum(axis=1), 1.0)
            applies[:, c] *= (share >= APPLIES_FROM) * applies[:, p]
        for t, taxon in enumerate(knowledge.leaves):
            cell = knowledge.taxa[taxon].cells.get(name)
            if cell is not None and not cell.applies:
                applies[t, c] = 0
    return applies


def _with_blanks(
    raw: Array, filled: Array, applies: Array, columns: Mapping[str, slice], characters: tuple[str, ...]
) -> Array:
    """Frequencies with each blank cell set to the mean of the filled ones: a blank carries no evidence."""
    out = raw.copy()
    for c, name in enumerate(characters):
        part = columns[name]
        size = part.stop - part.start
        known = (filled[:, c] > 0) & (applies[:, c] > 0)
        mean = raw[known, part].mean(axis=0) if known.any() else np.full(size, 1 / size)
        out[filled[:, c] == 0, part] = mean
    return out


def _alike(knowledge: Knowledge) -> Array:
    """(T, K): taxa of a group with one advice are one class, every other taxon is its own."""
    classes: dict[str, str] = {}
    for group in knowledge.groups.values():
        if group.same_advice:
            classes.update({member: group.id for member in group.members if member not in classes})
    names = [classes.get(taxon, taxon) for taxon in knowledge.leaves]
    order = list(dict.fromkeys(names))
    matrix = np.zeros((len(names), len(order)))
    matrix[np.arange(len(names)), [order.index(name) for name in names]] = 1
    return matrix


def _normal(z: Array) -> Array:
    """The normal distribution function, element by element."""
    return np.array([0.5 * (1 + math.erf(value / math.sqrt(2))) for value in z])
