"""Whether and how to plant, and what to plant instead: chosen by rule from what is native at the place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from chatkey.knowledge.model import Knowledge, Planting
from chatkey.knowledge.status import listings_for, status_in
from chatkey.terms import Place

LIGHT_ORDER = ("very_intolerant", "intolerant", "intermediate", "tolerant", "very_tolerant")
TALL_M = 10.0  # common practice: what grows taller is a tree, what stays lower a shrub or hedge
MOST = 3
BANK = "riparian_buffer"


@dataclass(frozen=True, slots=True)
class Alternative:
    """A plant native at the place, and by what it fits: ids of shared uses, light, moisture, and what to beware of."""

    taxon: str
    common: str
    uses: tuple[str, ...]
    moisture: tuple[str, ...]
    light_fits: bool
    beware: tuple[str, ...]
    score: float


def alternatives(
    knowledge: Knowledge,
    taxon: str,
    place: Place | None,
    moisture: Sequence[str] = (),
    most: int = MOST,
    *,
    by_water: bool = False,
) -> tuple[Alternative, ...]:
    """Plants native at the place that serve as the taxon does, best fit first; none without a place.

    Ranked by shared use, moisture, light and height; never itself, never a poisonous yew, never one on a list of rare
    or endangered plants there. `moisture`: of the site, where it is known; `by_water`: for a bank too.
    """
    if place is None:
        return ()
    wanted = knowledge.planting.get(taxon) or _relative(knowledge, taxon)
    if wanted is None:
        return ()
    if by_water and BANK not in wanted.uses:
        wanted = replace(wanted, uses=(BANK, *wanted.uses))
    found = [
        one
        for plant in knowledge.planting.values()
        if plant.id != taxon and _may_be_offered(knowledge, plant, place)
        if (one := _fit(knowledge, wanted, plant, moisture)) is not None
    ]
    return tuple(sorted(found, key=lambda one: (-one.score, one.common))[:most])


def planting_facts(knowledge: Knowledge, taxon: str) -> dict[str, object]:
    """The planting fields of a taxon, units in their names; empty where nothing is known."""
    plant = knowledge.planting.get(taxon)
    if plant is None:
        return {}
    fields: dict[str, object] = {
        "light": plant.light,
        "moisture": list(plant.moisture),
        "flood": plant.flood,
        "soil_ph": list(plant.soil_ph or ()),
        "hardiness_zones": list(plant.zones),
        "salt": plant.salt,
        "deer": plant.deer,
        "height_m": plant.height_m,
        "spread_m": plant.spread_m,
        "growth": plant.growth,
        "lifespan_years": plant.lifespan_years,
        "uses": list(plant.uses),
        "spacing_m": list(plant.spacing_m or ()),
        "avoid_where": list(plant.avoid_where),
        "site": plant.site,
        "watch": plant.watch,
        "note": plant.note,
    }
    return {name: value for name, value in fields.items() if value not in ("", None, [])}


def _relative(knowledge: Knowledge, taxon: str) -> Planting | None:
    """Planting facts of a near relative (same genus), to know the use, light and size of one without its own."""
    parent = knowledge.taxa[taxon].parent if taxon in knowledge.taxa else ""
    siblings = (id for id, other in knowledge.taxa.items() if parent and other.parent == parent)
    return next((knowledge.planting[id] for id in siblings if id in knowledge.planting), None)


def _may_be_offered(knowledge: Knowledge, plant: Planting, place: Place) -> bool:
    if "animals_or_children" in plant.avoid_where or "permit_only" in plant.avoid_where:
        return False
    if plant.id not in knowledge.taxa:
        return plant.native is not None and place.code in plant.native and not plant.native_is_record
    if status_in(knowledge, knowledge.taxa[plant.id], place.code) != "native":
        return False
    kinds = {listing.kind for listing in listings_for(knowledge, (plant.id,), place)}
    return not kinds & {"rare", "endangered"} and knowledge.taxa[plant.id].wild != "rare"


def _fit(knowledge: Knowledge, wanted: Planting, plant: Planting, moisture: Sequence[str]) -> Alternative | None:
    uses = tuple(use for use in wanted.uses if use in plant.uses)
    site = tuple(moisture) or wanted.moisture
    shared = tuple(one for one in plant.moisture if one in site)
    if not uses or not shared:
        return None
    light = abs(_light(wanted) - _light(plant))
    both_tall = (wanted.height_m or TALL_M) >= TALL_M, (plant.height_m or TALL_M) >= TALL_M
    first = 1.0 if plant.id in wanted.instead else 0.0
    score = 2 * len(uses) / len(wanted.uses) + len(shared) / len(site) - 0.4 * light + first
    score -= 1.5 if both_tall[0] != both_tall[1] else 0.0
    score += 0.5 if plant.id in knowledge.taxa else 0.0  # an evergreen for an evergreen, where there is one
    return Alternative(
        taxon=plant.id,
        common=knowledge.common(plant.id) if plant.id in knowledge.taxa else plant.common,
        uses=uses,
        moisture=shared,
        light_fits=light <= 1,
        beware=plant.avoid_where,
        score=score,
    )


def _light(plant: Planting) -> int:
    return LIGHT_ORDER.index(plant.light) if plant.light in LIGHT_ORDER else 2
