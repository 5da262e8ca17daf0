"""The pairs that matter: where hands are enough, honest answers put the right one of two look-alikes ahead 10 to 1.

The pairs and the pages that part them stand in pairs.yaml. An honest answer is what the plant usually shows.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import yaml

from chatkey.dialog import Mind
from chatkey.identify import believe, comparison
from chatkey.identify.answer import leaves_of
from chatkey.knowledge import Knowledge
from chatkey.terms import Claim, Quantity

PAIRS = yaml.safe_load((Path(__file__).parent / "pairs.yaml").read_text(encoding="utf-8"))
LOOKS = 6  # honest answers at most, hands first


def case(row: dict[str, Any], turn: int) -> Any:
    true, other = row["pair"] if turn == 0 else reversed(row["pair"])
    return pytest.param(true, other, id=f"{true}-not-{other}")


@pytest.mark.parametrize(
    ("true", "other"), [case(row, turn) for row in PAIRS if row["hands"] == "yes" for turn in (0, 1)]
)
def test_honest_answers_part_a_pair_that_hands_can_part(mind: Mind, true: str, other: str) -> None:
    first, second = (leaves_of(mind.knowledge, id)[0] for id in (true, other))
    start = believe(mind.table, [])
    claims = []
    for n, separator in enumerate(comparison(start, first, second, most=LOOKS)):
        shown = separator.first
        states = (shown,) if isinstance(shown, str) else ()
        quantity = Quantity(*shown) if isinstance(shown, tuple) else None
        claims.append(Claim(separator.character, states=states, quantity=quantity, sequence=n, message="1"))
    belief = believe(mind.table, claims)
    probability = dict(zip(mind.table.taxa, belief.probability, strict=True))
    prior = dict(zip(mind.table.taxa, start.probability, strict=True))
    odds = probability[first] / probability[second] * prior[second] / prior[first]
    assert odds >= 10, f"{odds:.1f} after {[claim.character for claim in claims]}"


@pytest.mark.parametrize("row", [row for row in PAIRS if row["hands"] == "no"], ids=lambda row: "-".join(row["pair"]))
def test_a_pair_that_hands_cannot_part_is_declared_a_group(knowledge: Knowledge, row: dict[str, Any]) -> None:
    assert any(set(row["pair"]) <= set(group.members) for group in knowledge.groups.values())


def test_there_are_as_many_pairs_as_the_trade_warns_of() -> None:
    assert len(PAIRS) >= 120
    assert math.isclose(sum(row["hands"] == "yes" for row in PAIRS) / len(PAIRS), 0.5, abs_tol=0.25)
