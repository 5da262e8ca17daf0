"""Claims of all readers to one reading per character: how probable what was heard is under each true state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chatkey.identify.table import Array, Table, heard_length
from chatkey.terms import Claim

DOUBTED = 0.9  # hedge of what is judged badly for the plant's age


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """All that was said of one character. `heard` has shape (S,): P(what was heard | true state), up to a factor."""

    character: str
    claims: tuple[Claim, ...]
    heard: Array


def readings(table: Table, claims: Sequence[Claim]) -> tuple[Reading, ...]:
    """One reading per character that was spoken of, in the order of the table's characters."""
    standing = standing_claims(claims)
    found = []
    states = {claim.character: set(claim.states) for claim in standing if not claim.negated}
    for name in table.characters:
        said = tuple(_doubted(table, claim, states) for claim in standing if claim.character == name)
        if said:
            found.append(Reading(name, said, _product(table, said)))
    return tuple(found)


def _doubted(table: Table, claim: Claim, said: Mapping[str, set[str]]) -> Claim:
    """The claim with more doubt where something said makes it hard to judge (the leaves of a seedling)."""
    conditions = table.knowledge.characters[claim.character].doubtful_if
    if any(said.get(name, set()) & set(states) for name, states in conditions.items()):
        return replace(claim, hedge=max(claim.hedge, DOUBTED))
    return claim


def standing_claims(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """What still stands: a reader's newer message about a character replaces that reader's older one."""
    found: list[Claim] = []
    for claim in sorted(claims, key=lambda claim: claim.sequence):
        if claim.source == "said":
            found = [old for old in found if not _replaces(claim, old)]
        found.append(claim)
    return tuple(found)


def _replaces(new: Claim, old: Claim) -> bool:
    same = (new.reader, new.character) == (old.reader, old.character) and new.message != old.message
    if not same or old.source == "compared":
        return False
    return not new.negated or old.negated or set(new.states) == set(old.states)


def _product(table: Table, claims: tuple[Claim, ...]) -> Array:
    """Π over readers of P(heard | state)^weight. Shape (S,)."""
    numbers = table.knowledge.numbers["evidence"]
    total = np.zeros(table.columns[claims[0].character].stop - table.columns[claims[0].character].start)
    readers: set[str] = set()
    for claim in claims:
        if claim.reader in readers:
            weight = numbers["reading_again"]
        elif readers:
            weight = numbers["reading_after"]
        else:
            weight = 1.0
        if claim.source == "compared":
            weight = min(weight, numbers["reading_after"])
        readers.add(claim.reader)
        total += weight * np.log(heard(table, claim))
    return np.exp(total)


def heard(table: Table, claim: Claim) -> Array:
    """P(this is said | true state). Shape (S,). A denial is the summed probability of hearing another state."""
    numbers = table.knowledge.numbers
    if claim.quantity is not None:
        said = heard_length(table.edges, claim.quantity, numbers["blur"])
    else:
        states = table.knowledge.characters[claim.character].states
        rows = [states.index(state) for state in claim.states]
        said = table.hearing[claim.character][rows].sum(axis=0)
    doubt = claim.hedge
    if claim.negated:
        said = 1 - said
        doubt = 1.0 if table.knowledge.characters[claim.character].denied_is_weak else doubt
    guess = numbers["evidence"]["hedge"] * doubt
    said = (1 - guess) * said + guess * said.mean()
    return np.asarray(np.maximum(said, 1e-9))
