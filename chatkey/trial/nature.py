"""The world of a trial: plants that differ from the knowledge, and how often each is met. No engine reads it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from chatkey.identify.table import Array
from chatkey.knowledge.model import Cell, Knowledge, Taxon
from chatkey.knowledge.status import status_in

REDRAWN = 0.15  # share of the cells that differ between specimens whose frequency words are drawn anew
SCALED = (0.85, 1.15)  # by which the ranges of a taxon are multiplied
# How often a plant is met, in words of the knowledge and numbers of the trial's own (invented, unlike the engine's).
WILD = {"common": 1.0, "scattered": 0.25, "rare": 0.04}
PLANTED = {"often": 0.4, "sometimes": 0.1, "rarely": 0.03, "never": 0.0}
NATURALISED = 0.2  # of its wild weight, where it is recorded outside its native range
STRAYED = 0.002  # of its wild weight, where nobody recorded it
SPREAD = 0.5  # standard deviation of ln(weight) from one world to another
LEAST_MET = 1e-6  # of what may stand in for another
NOT_CONIFER = 0.3  # look-alikes are asked about less often


@dataclass(frozen=True, slots=True, eq=False)
class Nature:
    """One world. `wild` and `planted` (T,) sum to one together: chances that a finder stands before such a plant."""

    cells: Mapping[str, Mapping[str, Cell]]  # taxon -> character -> what it shows here
    wild: Array
    planted: Array
    anywhere: Mapping[str, Cell]  # what the place of a planted plant is like


def draw_nature(knowledge: Knowledge, place: str, random: np.random.Generator, *, perturbed: bool = True) -> Nature:
    """A world near the knowledge, and what is met at a place (a region's code; "" for all of the East)."""
    taxa = [knowledge.taxa[taxon] for taxon in knowledge.leaves]
    places = [place] if place else [region.code for region in knowledge.regions.values() if region.side == "east"]
    wild = np.mean([[_wild(knowledge, taxon, code) for taxon in taxa] for code in places], axis=0)
    planted = np.array([PLANTED[taxon.planted] for taxon in taxa])
    asked = np.array([1.0 if taxon.conifer else NOT_CONIFER for taxon in taxa])
    wild = wild * asked * np.exp(random.normal(0, SPREAD, len(taxa)))
    planted = planted * asked * np.exp(random.normal(0, SPREAD, len(taxa)))
    total = wild.sum() + planted.sum()
    cells = _cells(knowledge, wild + planted, random)
    if perturbed:
        cells = {taxon: {name: _perturbed(cell, random) for name, cell in own.items()} for taxon, own in cells.items()}
    anywhere = {
        name: _mean(knowledge, name, wild + planted)
        for name, character in knowledge.characters.items()
        if character.wild_only
    }
    return Nature(cells, wild / total, planted / total, anywhere)


def _mean(knowledge: Knowledge, name: str, met: Array) -> Cell:
    """The cells of a character, averaged over the plants that have one by how often each is met."""
    total = dict.fromkeys(knowledge.characters[name].states, LEAST_MET)
    for taxon, weight in zip(knowledge.leaves, met, strict=True):
        cell = knowledge.taxa[taxon].cells.get(name)
        for state, share in cell.weights.items() if cell is not None else ():
            total[state] += float(weight) * share
    return Cell(weights={state: share / sum(total.values()) for state, share in total.items()})


def _cells(knowledge: Knowledge, met: Array, random: np.random.Generator) -> dict[str, dict[str, Cell]]:
    """What each taxon shows. A plant shows something also where the knowledge has no cell: the same as another of its
    genus, else as any other, drawn by how often that is met."""
    found = {taxon: dict(knowledge.taxa[taxon].cells) for taxon in knowledge.leaves}
    for name, character in knowledge.characters.items():
        known = [t for t, taxon in enumerate(knowledge.leaves) if name in found[taxon] and found[taxon][name].applies]
        if not known or character.derive:
            continue
        for taxon in [taxon for taxon in knowledge.leaves if name not in found[taxon]]:
            genus = knowledge.lineage(taxon)[1:2]
            near = [t for t in known if knowledge.lineage(knowledge.leaves[t])[1:2] == genus] if genus else []
            weights = met[near or known] + LEAST_MET
            drawn = int(random.choice(near or known, p=weights / weights.sum()))
            found[taxon][name] = knowledge.taxa[knowledge.leaves[drawn]].cells[name]
    return found


def _wild(knowledge: Knowledge, taxon: Taxon, code: str) -> float:
    weight = WILD[taxon.wild]
    status = status_in(knowledge, taxon, code)
    if status == "native":
        return weight
    return weight * (NATURALISED if status == "introduced" and code in taxon.range.introduced else STRAYED)


def _perturbed(cell: Cell, random: np.random.Generator) -> Cell:
    """The cell as it is here: of several states some have other shares, a range is longer or shorter."""
    if cell.range is not None:
        factor = math.exp(random.uniform(math.log(SCALED[0]), math.log(SCALED[1])))
        low, usual_low, usual_high, high = (length * factor for length in cell.range)
        return Cell(range=(low, usual_low, usual_high, high))
    if len(cell.weights) < 2 or random.random() >= REDRAWN:
        return cell
    words = random.choice([0.85, 0.4, 0.1], size=len(cell.weights))  # usually, sometimes, rarely
    return Cell(weights=dict(zip(cell.weights, (words / words.sum()).tolist(), strict=True)))
