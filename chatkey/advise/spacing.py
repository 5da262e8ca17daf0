"""How far apart, how many an acre, how much ground: by the square grid of handbooks."""

from __future__ import annotations

from dataclasses import dataclass

from chatkey.knowledge.model import Knowledge

FEET_PER_METRE = 1 / 0.3048  # exact
SQUARE_FEET_PER_ACRE = 43560  # exact
HANDBOOK_FEET = (6, 7, 8, 9, 10, 12, 15, 20)
PRINTED = "{feet} by {feet} ft, as handbooks print it"


@dataclass(frozen=True, slots=True)
class Cover:
    """Some plants on a square grid. `per_acre` is what handbooks print (they drop fractions)."""

    plants: int
    feet: int
    per_acre: str
    square_feet: int


def cover(knowledge: Knowledge, plants: int, spacing_m: tuple[float, float]) -> Cover:
    """The ground that `plants` cover at the handbook spacing nearest the middle of a range (m)."""
    middle = (spacing_m[0] + spacing_m[1]) / 2 * FEET_PER_METRE
    feet = min(HANDBOOK_FEET, key=lambda size: abs(size - middle))
    printed = next((f.value for f in knowledge.figures.values() if f.of == PRINTED.format(feet=feet)), "")
    per_acre = printed or f"{SQUARE_FEET_PER_ACRE // feet**2}"
    return Cover(plants, feet, per_acre, plants * feet * feet)


def heel_in_days(knowledge: Knowledge) -> str:
    """Days of waiting from which bare-root stock is heeled in; "" where no figure says."""
    topic, words = "seedling handling", "heel in"
    return next((f.value for f in knowledge.figures.values() if f.topic == topic and words in f.of), "")
