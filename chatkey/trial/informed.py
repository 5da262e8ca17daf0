"""Ours where it knows the world of a trial: how far better numbers could take it, at most."""

from __future__ import annotations

import math
from dataclasses import replace

from chatkey.identify import Table, build_table
from chatkey.knowledge.model import Character, Knowledge
from chatkey.trial import nature as world_of
from chatkey.trial.engines import Engine, our_engines
from chatkey.trial.finders import NEIGHBOUR, OFF, World
from chatkey.trial.nature import Nature

MIXTURE = 0.005  # what is left of it: of several plants of a taxon one may still be odd
LEAST_SLIPS = 0.001


def informed(table: Table, nature: Nature, world: World) -> Engine:
    """Told what each plant shows here, how often it is met but for the spread between worlds, how often and how people
    slip. Nobody can know this; what it does not reach, no other number will."""
    knowledge = table.knowledge
    taxa = {
        **knowledge.taxa,
        **{taxon: replace(knowledge.taxa[taxon], cells=nature.cells[taxon]) for taxon in knowledge.leaves},
    }
    characters = {name: _told(character, world.slips) for name, character in knowledge.characters.items()}
    told = replace(knowledge, taxa=taxa, characters=characters, numbers=_numbers(knowledge))
    return replace(our_engines(build_table(told), world.channel)["ours"], name="informed")


def _told(character: Character, slips: float) -> Character:
    """The character with this world's slips: half of them to a neighbouring state."""
    if character.kind == "length" or character.derive:
        return character
    slips = max(slips, LEAST_SLIPS)
    states = character.states
    confusion: dict[str, dict[str, float]] = {}
    for k, state in enumerate(states):
        near = [states[n] for n in (k - 1, k + 1) if 0 <= n < len(states)]
        confusion[state] = {
            other: slips * ((1 - NEIGHBOUR) / (len(states) - 1) + NEIGHBOUR * (other in near) / len(near))
            for other in states
            if other != state
        }
    return replace(character, error=slips, confusion=confusion)


def _numbers(knowledge: Knowledge) -> dict[str, dict[str, float]]:
    numbers = {section: dict(values) for section, values in knowledge.numbers.items()}
    numbers["evidence"] |= {"mixture": MIXTURE, "sharpness": 1.0}
    numbers["discount"] = {"other": 1.0}
    numbers["blur"] |= {how: off * math.sqrt(2) for how, off in OFF.items()}  # of a two-sided exponential
    numbers["met_wild"] |= world_of.WILD
    numbers["met_planted"] |= world_of.PLANTED
    numbers["prior"] |= {
        "introduced_wild": world_of.NATURALISED,
        "elsewhere": world_of.STRAYED,
        "not_conifer": world_of.NOT_CONIFER,
    }
    return numbers
