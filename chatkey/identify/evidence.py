"""Claims of all readers to one reading per character: how probable what was heard is under each true state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from chatkey.identify.table import Array, Table, heard_length
from chatkey.knowledge.learned import same_words
from chatkey.terms import Claim

KEPT = 256  # readings kept in memory; with 10,000 taxa 20 MB for each array that is kept of them, three in all
DOUBTED = 0.9  # hedge of what is judged badly for the plant's age


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """All that was said of one character. `heard` has shape (S,): P(what was heard | true state), up to a factor;
    `lacked` is the same of a plant to which the character does not apply."""

    character: str
    claims: tuple[Claim, ...]
    heard: Array
    lacked: float = 0.0


def readings(table: Table, claims: Sequence[Claim]) -> tuple[Reading, ...]:
    """One reading per character that was spoken of, in the order of the table's characters."""
    standing = standing_claims(claims)
    found = []
    states = {claim.character: set(claim.states) for claim in standing if not claim.negated}
    for name in sorted({claim.character for claim in standing}, key=table.order.__getitem__):
        said = tuple(_doubted(table, claim, states) for claim in standing if claim.character == name)
        found.append(_reading(table, said))
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
            found = [old for old in found if old.character != claim.character or not _replaces(claim, old)]
        found.append(claim)
    return tuple(found)


def _replaces(new: Claim, old: Claim) -> bool:
    same = (new.reader, new.character) == (old.reader, old.character) and new.message != old.message
    if not same or old.source == "compared":
        return False
    return not new.negated or old.negated or set(new.states) == set(old.states)


@lru_cache(maxsize=KEPT)
def _reading(table: Table, claims: tuple[Claim, ...]) -> Reading:
    """Π over claims of P(heard | state)^weight, (S,), and of P(heard | does not apply)^weight. Most of what was said of
    a tree stays the same from one message to the next, and so it is kept for a while."""
    total = np.zeros(table.columns[claims[0].character].stop - table.columns[claims[0].character].start)
    without = 0.0
    for claim, weight in zip(claims, _weights(table, claims), strict=True):
        said = heard(table, claim)
        total += weight * np.log(said)
        without += weight * np.log(max(_heard_where_lacking(table, claim, said), 1e-9))
    return Reading(claims[0].character, claims, np.exp(total), float(np.exp(without)))


def _weights(table: Table, claims: tuple[Claim, ...]) -> list[float]:
    """A second person counts half, the same person asked again less; two denials of one message both count in full."""
    numbers = table.knowledge.numbers["evidence"]
    first: dict[str, tuple[str, float]] = {}  # reader -> message and weight of the first reading
    found = []
    for claim in claims:
        message, weight = first.setdefault(claim.reader, (claim.message, numbers["reading_after"] if first else 1.0))
        if claim.message != message:
            weight = numbers["reading_again"]
        found.append(min(weight, numbers["reading_after"]) if claim.source == "compared" else weight)
    return found


def _heard_where_lacking(table: Table, claim: Claim, said: Array) -> float:
    """P(this is said | the character does not apply): a denial of what is not there is right, the rest is a guess."""
    character = table.knowledge.characters[claim.character]
    if character.lacking == "any":
        return float(said.mean())
    if character.lacking:
        return float(said[character.states.index(character.lacking)])
    if claim.negated:
        return float(said.max())
    return float(table.knowledge.numbers["evidence"]["hedge"] * claim.hedge * said.mean())


@lru_cache(maxsize=KEPT)
def likelihood(table: Table, reading: Reading) -> Array:
    """P(what was heard | taxon), with the mixture. Shape (T,)."""
    c, part = table.order[reading.character], table.columns[reading.character]
    mixture = table.knowledge.numbers["evidence"]["mixture"]
    without = (1 - mixture) * reading.lacked + mixture * float(reading.heard.mean())
    found = np.where(table.applies[:, c] > 0, table.frequency[:, part] @ reading.heard, without)
    found.setflags(write=False)
    return found


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
    if table.knowledge.learned.phrases and claim.states and not claim.negated:
        guess = max(guess, _guess_by_words(table, claim))
    said = (1 - guess) * said + guess * said.mean()
    return np.asarray(np.maximum(said, 1e-9))


def _guess_by_words(table: Table, claim: Claim) -> float:
    """The share of blind guesses at which these words are right as seldom as verdicts showed; 0 where not learned.

    It solves (1 - guess) · usual + guess / S = reliability.
    """
    known = table.knowledge.learned.phrases.get(same_words(claim.text))
    if known is None:
        return 0.0
    hearing = table.hearing[claim.character]
    usual, blind = float(np.diag(hearing).mean()), 1 / len(hearing)
    if usual <= max(blind, known.reliability):
        return 0.0
    return min((usual - known.reliability) / (usual - blind), 1.0)
