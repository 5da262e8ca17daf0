"""The one deadly confusion: until two independent looks agree, a tree that may be a yew is treated as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np

from chatkey.identify.evidence import likelihood, readings
from chatkey.identify.posterior import Belief, discounts, joint_weights, log_row, prior_of
from chatkey.identify.question import applicability, information, prices
from chatkey.identify.table import Table
from chatkey.terms import Claim, Place


@dataclass(frozen=True, slots=True)
class YewWatch:
    """`active`: yew was likely enough at some message. `against`: families of evidence that speak against it."""

    active: bool
    probability: float
    against: tuple[str, ...]

    @property
    def cleared(self) -> bool:
        """Two looks of different families speak against yew."""
        return len(self.against) >= 2

    @property
    def holds(self) -> bool:
        """Nothing may be said against yew yet."""
        return self.active and not self.cleared


@lru_cache(maxsize=8)
def yews(table: Table) -> tuple[str, ...]:
    """The leaves that the caution `yew` is for."""
    knowledge = table.knowledge
    wanted = set(knowledge.cautions["yew"].taxa) if "yew" in knowledge.cautions else set()
    return tuple(leaf for leaf in table.taxa if wanted & set(knowledge.lineage(leaf)))


def watch_yew(belief: Belief, claims: Sequence[Claim], place: Place | None = None) -> YewWatch:
    """Looks back over the messages: was yew ever likely, and what speaks against it by now?"""
    table = belief.table
    numbers = table.knowledge.numbers["yew"]
    members = yews(table)
    now = belief.of(members)
    active = (
        now >= numbers["watch"]
        or (now >= numbers["doubt"] and _likeliest(belief, members) >= numbers["watch"])
        or _was_likely(table, claims, place, members, numbers["watch"])
    )
    return YewWatch(active, now, _families_against(belief, members, numbers["against"]))


def _likeliest(belief: Belief, members: Sequence[str]) -> float:
    """The greatest P(yew) that up to three of the answers alone would give: the same in whatever messages they came."""
    rows = belief.log_likelihood  # (R, T + 1)
    joint = np.log(np.maximum(np.append(belief.prior, 1 - belief.prior.sum()), 1e-300))
    is_yew = np.array([*(taxon in members for taxon in belief.table.taxa), False])
    picks = [pick for size in (1, 2, 3) for pick in combinations(range(len(rows)), size)]
    if not picks or not is_yew.any():
        return 0.0
    weights = np.array([joint + rows[list(pick)].sum(axis=0) for pick in picks])  # (P, T + 1)
    weights = np.exp(weights - weights.max(axis=1, keepdims=True))
    return float((weights[:, is_yew].sum(axis=1) / weights.sum(axis=1)).max())


def best_yew_question(belief: Belief, watch: YewWatch, leave_out: Sequence[str]) -> str | None:
    """The look that tells most between yew and the rest, of a family that has not spoken; None where none is left."""
    table = belief.table
    members = yews(table)
    is_yew = np.array([int(taxon in members) for taxon in table.taxa])
    gain = information(belief, is_yew) / prices(table)
    applies = applicability(belief)
    order = sorted(range(len(table.characters)), key=lambda c: -gain[c] * applies[c])
    for c in order:
        character = table.knowledge.characters[table.characters[c]]
        if (
            character.id not in leave_out
            and character.family not in watch.against
            and character.effort <= 2
            and gain[c] > 0
            and applies[c] >= 0.5
        ):
            return character.id
    return None


def _was_likely(table: Table, claims: Sequence[Claim], place: Place | None, yews: Sequence[str], watch: float) -> bool:
    """Whether P(yew) was at `watch` or more after any message but the last."""
    members = [table.rows[taxon] for taxon in yews]
    messages = list(dict.fromkeys(claim.message for claim in claims))
    if not members or len(messages) < 2:
        return False
    prior = prior_of(table, place.code if place else "")
    for n in range(1, len(messages)):
        said = readings(table, [claim for claim in claims if claim.message in messages[:n]])
        rows = np.array([log_row(table, reading, prior) for reading in said])
        if joint_weights(prior, rows * discounts(table, said)[:, None])[members].sum() >= watch:
            return True
    return False


def _families_against(belief: Belief, members: Sequence[str], ratio: float) -> tuple[str, ...]:
    table = belief.table
    rows = [table.rows[taxon] for taxon in members]
    if not rows or len(rows) == len(table.taxa):
        return ()
    found: dict[str, None] = {}
    others = belief.probability.copy()
    others[rows] = -1.0
    leader = int(np.argmax(others))  # what would be named instead
    for r, reading in enumerate(belief.readings):
        heard = likelihood(table, reading)
        before = belief.probability[rows] / np.exp(belief.log_likelihood[r, rows])  # what the other answers say
        if heard[leader] * before.sum() >= ratio * (heard[rows] @ before):
            found[table.knowledge.characters[reading.character].family] = None
    return tuple(found)
