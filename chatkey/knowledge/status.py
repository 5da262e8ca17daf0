"""Native, introduced, not recorded or unknown: the status of a taxon in a state or province.

It stands this low because the prior (identify) and the advice (advise) must agree on it.
"""

from __future__ import annotations

from chatkey.knowledge.model import Knowledge, Listing, Taxon
from chatkey.terms import Place, Status

OTHER_CONTINENTS = ("europe", "asia", "africa", "australia", "garden")
OTHER_SIDE = {"eastern_north_america": ("west",), "western_north_america": ("east", "plains")}


def status_in(knowledge: Knowledge, taxon: Taxon, code: str) -> Status:
    """The status of a leaf taxon in the region `code`. A blank is never read as an absence."""
    region = knowledge.regions.get(code)
    where = taxon.range
    if region is None or not where.origin:
        return "unknown"
    if code in where.native:
        return "native"
    if where.origin in OTHER_CONTINENTS or code in where.introduced:
        return "introduced"
    if code in where.unsettled:
        return "unknown"
    if region.side in OTHER_SIDE.get(where.origin, ()):
        return "introduced"
    if where.native_range.get(region.country) == "complete":
        return "not recorded"
    return "unknown"


# https://dwc.tdwg.org/em/: the controlled words for how a plant came to be in a place.
ESTABLISHMENT_MEANS: dict[Status, str] = {
    "native": "native",
    "introduced": "introduced",
    "not recorded": "",
    "unknown": "uncertain",
}


def listings_for(
    knowledge: Knowledge, taxa: tuple[str, ...], place: Place | None, *, rules: bool = False
) -> tuple[Listing, ...]:
    """The lists that any of these taxa (or their genus) stands on in a place; all of them where no place is given.

    `rules`: the movement rules (quarantines) instead of the lists.
    """
    wanted = {ancestor for taxon in taxa for ancestor in knowledge.lineage(taxon)}
    return tuple(
        listing
        for listing in knowledge.listings
        if listing.taxon in wanted
        and (listing.kind == "quarantine") == rules
        and (place is None or place.code in listing.places)
    )
