"""Native here? Said of one answer, or of all that remain when they agree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from chatkey.knowledge.model import Card, Knowledge
from chatkey.knowledge.status import listings_for, status_in
from chatkey.terms import Place, Status

NOT_NATIVE: tuple[Status, ...] = ("introduced", "not recorded")


@dataclass(frozen=True, slots=True)
class StatusHere:
    """A status, for what area it holds, and whether it is of all that remain (not of one answer).

    `status` is None where none that remain are native and how they came to be here differs.
    """

    status: Status | None
    level: str  # province | county | landscape
    of_all: bool

    @property
    def native(self) -> bool | None:
        """None where nobody knows."""
        return None if self.status == "unknown" else self.status == "native"


def status_here(
    knowledge: Knowledge, members: Sequence[str], shares: Mapping[Status, float], place: Place | None, card: Card
) -> StatusHere | None:
    """The status of `members` where they agree; else of all that remains, where nine tenths of its mass agree
    (on the status, or only on this, that it is not native).

    `shares`: mass of all leaves by status. `card`: what a group knows of its counties. None without a place or while
    unsure.
    """
    if place is None:
        return None
    if members and set(members) <= card.counties.get(place.county, frozenset()):
        return StatusHere("native", "county", of_all=False)
    own = {status_in(knowledge, knowledge.taxa[taxon], place.code) for taxon in members}
    if len(own) == 1:
        return StatusHere(own.pop(), "province", of_all=False)
    sure = knowledge.numbers["answer"]["status"]
    for status, share in shares.items():
        if share >= sure:
            return StatusHere(status, "province", of_all=True)
    if sum(shares.get(status, 0.0) for status in NOT_NATIVE) >= sure:
        return StatusHere(None, "province", of_all=True)
    return None


def listed(
    knowledge: Knowledge, members: Sequence[str], place: Place | None, *, rules: bool = False
) -> list[dict[str, str]]:
    """The lists these taxa stand on in a place (or the movement rules there): body, list, date, kind."""
    return [
        {"body": one.body, "list": one.list, "date": one.date, "kind": one.kind, "taxon": one.taxon}
        for one in listings_for(knowledge, tuple(members), place, rules=rules)
    ]
