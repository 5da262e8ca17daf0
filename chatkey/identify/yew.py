"""The one deadly confusion: until two independent looks agree, a tree that may be a yew is treated as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from chatkey.identify.evidence import KEPT, Reading, likelihood, readings
from chatkey.identify.posterior import Belief, joint_weights, log_rows, power
from chatkey.identify.prior import prior_of
from chatkey.identify.question import applicability, information, prices
from chatkey.identify.table import Array, Labels, Table
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
    if not members:
        return YewWatch(False, 0.0, ())
    rows = _unsharpened(table, belief.readings, belief.log_likelihood)
    plain = joint_weights(np.append(belief.prior, 1 - belief.prior.sum()), rows)
    now = max(belief.of(members), float(plain[[table.rows[taxon] for taxon in members]].sum()))
    active = (
        now >= numbers["watch"]
        or (now >= numbers["doubt"] and _likeliest(belief, rows, members) >= numbers["watch"])
        or _was_likely(table, claims, place, members, numbers["watch"])
    )
    return YewWatch(active, now, _families_against(belief, members, numbers["against"]))


def _unsharpened(table: Table, said: Sequence[Reading], rows: Array) -> Array:
    """The ln likelihoods without the power of many: where it could cost a life, each answer speaks no louder than its
    own error allows."""
    return rows / max(power(table, said), 1.0)


def _likeliest(belief: Belief, rows: Array, members: Sequence[str]) -> float:
    """The greatest P(yew) that up to three of the answers alone would give: the same in whatever messages they came."""
    yew = [belief.table.rows[taxon] for taxon in members]
    if not yew or not belief.readings:
        return 0.0
    likelihoods = np.exp(rows)  # (R, T + 1)
    one = likelihoods * np.append(belief.prior, 1 - belief.prior.sum())
    best = _share(one, yew).max()
    for first in range(len(one) - 1):
        two = one[first] * likelihoods[first + 1 :]
        best = max(best, _share(two, yew).max())
        three = (two[:, yew] @ likelihoods[:, yew].T) / (two @ likelihoods.T)  # (second, third)
        best = max(best, np.triu(three[:, first + 1 :], k=1).max())  # each pick once: the third after the second
    return float(best)


def _share(weights: Array, rows: Sequence[int]) -> Array:
    """The share of some taxa in each set of weights. Shapes (P, T + 1) -> (P,)."""
    return np.asarray(weights[:, rows].sum(axis=1) / weights.sum(axis=1))


def best_yew_question(belief: Belief, watch: YewWatch, leave_out: Sequence[str]) -> str | None:
    """The look that tells most between yew and the rest, of a family that has not spoken; None where none is left."""
    table = belief.table
    gain = information(belief, _yew_or_not(table)) / prices(table)
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


@lru_cache(maxsize=8)
def _yew_or_not(table: Table) -> Labels:
    """(T,): 1 for a yew, else 0."""
    found = np.zeros(len(table.taxa), dtype=np.intp)
    found[[table.rows[taxon] for taxon in yews(table)]] = 1
    return found


def _was_likely(table: Table, claims: Sequence[Claim], place: Place | None, yews: Sequence[str], watch: float) -> bool:
    """Whether P(yew) was at `watch` or more after any message but the last."""
    messages = list(dict.fromkeys(claim.message for claim in claims))
    code = place.code if place else ""
    return bool(yews) and any(
        _probability_after(table, tuple(claim for claim in claims if claim.message in messages[:n]), code) >= watch
        for n in range(1, len(messages))
    )


@lru_cache(maxsize=4 * KEPT)
def _probability_after(table: Table, claims: tuple[Claim, ...], code: str) -> float:
    """P(yew) after some messages. It is kept, for every later message asks for it again."""
    prior = prior_of(table, code)
    said = readings(table, claims)
    weight = joint_weights(prior, _unsharpened(table, said, log_rows(table, said, prior)))
    return float(weight[[table.rows[taxon] for taxon in yews(table)]].sum())


def _families_against(belief: Belief, members: Sequence[str], ratio: float) -> tuple[str, ...]:
    table = belief.table
    rows = [table.rows[taxon] for taxon in members]
    if not rows or len(rows) == len(table.taxa) or not belief.readings:
        return ()
    others = belief.probability.copy()
    others[rows] = -1.0
    leader = int(np.argmax(others))  # what would be named instead
    heard = np.array([likelihood(table, reading)[[*rows, leader]] for reading in belief.readings])  # (R, K + 1)
    before = belief.probability[rows] / np.exp(belief.log_likelihood[:, rows])  # (R, K): what the other answers say
    against = heard[:, -1] * before.sum(axis=1) >= ratio * (heard[:, :-1] * before).sum(axis=1)
    speaking = [reading for reading, is_against in zip(belief.readings, against, strict=True) if is_against]
    return tuple(dict.fromkeys(table.knowledge.characters[reading.character].family for reading in speaking))
