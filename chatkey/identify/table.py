"""The dense arrays that stand for a Knowledge, built once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chatkey.knowledge.model import Cell, Character, Knowledge
from chatkey.terms import Quantity

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Labels = NDArray[np.intp]
APPLIES_FROM = 0.1  # a character applies to a taxon where its condition holds in one plant of ten or more
LEAST = 1e-12  # no answer is quite impossible


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Arrays over one Knowledge. They are read-only and shared by all conversations.

    What a plant shows is kept exactly (a length in bins), state by state in memory, for the update takes one character
    at a time. What would be answered is kept in single precision (a length by its classes), plant by plant, for the
    gain takes all characters of the plants that are left.
    """

    knowledge: Knowledge
    taxa: tuple[str, ...]  # (T,)
    characters: tuple[str, ...]  # (C,)
    rows: Mapping[str, int]  # of each taxon within T
    order: Mapping[str, int]  # of each character within C
    columns: Mapping[str, slice]  # of each character's states or bins within N
    options: Mapping[str, slice]  # of each character's answers within A
    starts: Labels  # (C,): where the answers of each character begin within A
    frequency: Array  # (T, N): P(state | taxon), with the 5 % mixture; where it does not apply, the mixture alone
    hearing: Mapping[str, Array]  # (S, S): P(heard | true), rows heard, columns true
    heard: Singles  # (T, A): P(answer | taxon), for the gain; where nothing is known the mean of the other taxa
    information: Singles  # (T, C): Σ heard · ln heard over the answers
    applies: Singles  # (T, C): 1 where the character applies, 0 where not
    wild: Array  # (T,): share of the plants of each taxon that are met wild, over all places
    alike: Labels  # (T,): the class of each taxon; a finder would treat those of one class alike
    edges: Array  # (B + 1,): edges of the length bins, ln mm

    def row(self, taxon: str) -> int:
        return self.rows[taxon]


def build_table(knowledge: Knowledge) -> Table:
    """The table of a Knowledge with T >= 1 leaves."""
    taxa, characters = knowledge.leaves, in_order(knowledge)
    edges = length_edges(knowledge)
    columns = side_by_side(
        characters, [len(knowledge.characters[name].states) or len(edges) - 1 for name in characters]
    )
    raw = np.zeros((len(taxa), columns[characters[-1]].stop), order="F")
    filled = np.zeros((len(taxa), len(characters)))
    within_usual = knowledge.numbers["lengths"]["within_usual"]
    for t, taxon in enumerate(taxa):
        cells = knowledge.taxa[taxon].cells
        for c, name in enumerate(characters):
            cell = cells.get(name)
            if cell is not None and cell.applies:
                raw[t, columns[name]] = masses(knowledge.characters[name], cell, edges, within_usual)
                filled[t, c] = 1
    applies = _applies(knowledge, raw, filled, columns, characters)
    return table_of(knowledge, raw, filled, applies)


def table_of(knowledge: Knowledge, raw: Array, filled: Array, applies: Array) -> Table:
    """The table from what each taxon shows: `raw` (T, N) P(state | taxon), `filled` and `applies` (T, C) of 0 and 1.

    `raw` is taken over and changed. The characters stand as in `in_order`.
    """
    taxa, characters = knowledge.leaves, in_order(knowledge)
    edges = length_edges(knowledge)
    known_of = knowledge.characters
    columns = side_by_side(characters, [len(known_of[name].states) or len(edges) - 1 for name in characters])
    options = side_by_side(characters, [_answers(known_of[name], edges) for name in characters])
    hearing = {name: _hearing(knowledge, name, edges) for name in characters}
    mixture = knowledge.numbers["evidence"]["mixture"]
    wild = _wild(knowledge, raw, columns)
    heard = np.empty((len(taxa), options[characters[-1]].stop), dtype=np.float32)
    information = np.empty((len(taxa), len(characters)), dtype=np.float32)
    for c, name in enumerate(characters):
        part, answers = columns[name], options[name]
        size = part.stop - part.start
        does = applies[:, c] > 0
        _fill_blanks(raw[:, part], filled[:, c] > 0, does)
        mean = raw[does, part].mean(axis=0) if does.any() else np.full(size, 1 / size)
        shown = np.where(does[:, None], raw[:, part], mean)
        if known_of[name].wild_only:
            shown = wild[:, None] * shown + (1 - wild[:, None]) * mean
        asked = ((1 - mixture) * shown + mixture / size) @ hearing[name].T
        asked = np.maximum(_by_class(known_of[name], asked, edges), LEAST)
        heard[:, answers] = asked
        information[:, c] = (asked * np.log(asked)).sum(axis=1)
        raw[:, part] = (1 - mixture) * raw[:, part] * does[:, None] + mixture / size
    table = Table(
        knowledge=knowledge,
        taxa=taxa,
        characters=characters,
        rows={taxon: t for t, taxon in enumerate(taxa)},
        order={name: c for c, name in enumerate(characters)},
        columns=columns,
        options=options,
        starts=np.array([options[name].start for name in characters]),
        frequency=raw,
        hearing=hearing,
        heard=heard,
        information=information,
        applies=applies.astype(np.float32),
        wild=wild,
        alike=_alike(knowledge),
        edges=edges,
    )
    for array in (table.frequency, table.heard, table.information, table.applies, table.wild, table.alike, table.edges):
        array.setflags(write=False)
    return table


def _wild(knowledge: Knowledge, raw: Array, columns: Mapping[str, slice]) -> Array:
    """(T,): what the character that is derived from being met says of growing wild; 1 where there is none."""
    for name, part in columns.items():
        if knowledge.characters[name].derive == "met":
            return raw[:, part.start + knowledge.characters[name].states.index("wild")].copy()
    return np.ones(len(raw))


def length_edges(knowledge: Knowledge) -> Array:
    """The edges of the length bins, ln mm. Shape (B + 1,)."""
    lengths = knowledge.numbers["lengths"]
    return np.linspace(math.log(lengths["low_mm"]), math.log(lengths["high_mm"]), int(lengths["bins"]) + 1)


def side_by_side(names: Sequence[str], sizes: Sequence[int]) -> dict[str, slice]:
    """A slice of each size, one after the other."""
    found, start = {}, 0
    for name, size in zip(names, sizes, strict=True):
        found[name] = slice(start, start + size)
        start += size
    return found


def _answers(character: Character, edges: Array) -> int:
    """How many answers its question has: a length is answered by its class, where it has classes."""
    return len(character.states) or len(character.classes) or len(edges) - 1


def _by_class(character: Character, heard: Array, edges: Array) -> Array:
    """(T, A): what an answer to the question can tell. The bins of a length are summed within each class."""
    if not character.classes:
        return heard
    centre = (edges[:-1] + edges[1:]) / 2
    borders = [math.log(low) for low, _ in list(character.classes.values())[1:]]
    member = np.searchsorted(borders, centre)
    return np.column_stack([heard[:, member == index].sum(axis=1) for index in range(len(character.classes))])


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


def masses(character: Character, cell: Cell, edges: Array, within_usual: float) -> Array:
    """P(state | taxon) of one cell, or the mass of a range in each bin. Shape (S,)."""
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


def _fill_blanks(shown: Array, filled: NDArray[np.bool_], applies: NDArray[np.bool_]) -> None:
    """Sets each blank row of one character to the mean of the filled ones: a blank carries no evidence."""
    known = filled & applies
    shown[~filled] = shown[known].mean(axis=0) if known.any() else 1 / shown.shape[1]


@lru_cache(maxsize=8)
def depends(table: Table) -> Array:
    """(C, C): 1 where the row's character depends on the column's, directly or through another."""
    names = list(table.characters)
    matrix = np.zeros((len(names), len(names)))
    for row, name in enumerate(names):
        waiting = list(table.knowledge.characters[name].only_if)
        while waiting:
            parent = waiting.pop()
            matrix[row, names.index(parent)] = 1
            waiting += table.knowledge.characters[parent].only_if
    return matrix


def _alike(knowledge: Knowledge) -> Labels:
    """(T,): taxa of a group with one advice are one class, every other taxon is its own."""
    classes: dict[str, str] = {}
    for group in knowledge.groups.values():
        if group.same_advice:
            classes.update({member: group.id for member in group.members if member not in classes})
    return labels([classes.get(taxon, taxon) for taxon in knowledge.leaves])


def labels(names: Sequence[object]) -> Labels:
    """The number of each name in order of first appearance, from 0. Shape (len(names),)."""
    number: dict[object, int] = {}
    return np.array([number.setdefault(name, len(number)) for name in names], dtype=np.intp)


def _normal(z: Array) -> Array:
    """The normal distribution function, element by element."""
    return np.array([0.5 * (1 + math.erf(value / math.sqrt(2))) for value in z])
