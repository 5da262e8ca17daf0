"""Which answers speak for a name and which against, in log-odds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chatkey.identify.posterior import Belief
from chatkey.terms import Claim


@dataclass(frozen=True, slots=True)
class Reason:
    """What one character contributed: ln odds of some taxa against all others, given the other answers."""

    character: str
    claims: tuple[Claim, ...]
    log_odds: float


def reasons(belief: Belief, members: Sequence[str], rivals: Sequence[str] = ()) -> tuple[Reason, ...]:
    """Reasons for `members` against `rivals` (all others by default), strongest first."""
    table = belief.table
    inside = np.array([taxon in members for taxon in table.taxa])
    outside = np.array([taxon in rivals for taxon in table.taxa]) if rivals else ~inside
    found = []
    for r, reading in enumerate(belief.readings):
        likelihood = np.exp(belief.log_likelihood[r, :-1])
        before = belief.probability / likelihood
        if inside.any() and outside.any() and before[inside].sum() > 0 and before[outside].sum() > 0:
            ours = np.average(likelihood[inside], weights=before[inside])
            theirs = np.average(likelihood[outside], weights=before[outside])
            found.append(Reason(reading.character, reading.claims, float(np.log(ours / theirs))))
    return tuple(sorted(found, key=lambda reason: -abs(reason.log_odds)))
