"""Which cautions apply: by what the plant may be, and by what was asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from chatkey.knowledge.model import Card, Caution, Knowledge
from chatkey.knowledge.status import listings_for
from chatkey.terms import Place

UNKNOWN_PLACE = "unknown"


def cautions_for(
    knowledge: Knowledge, probability: Mapping[str, float], place: Place | None, urgent: int = 2
) -> tuple[Caution, ...]:
    """Cautions (urgency up to `urgent`) for the plants in question, gravest first. `probability` is of leaves."""
    found = [
        caution
        for caution in knowledge.cautions.values()
        if caution.taxa
        and not caution.intents
        and caution.urgency <= urgent
        and _is_likely(knowledge, caution, probability)
    ]
    sure = {taxon for taxon, p in probability.items() if p >= 0.5}
    rare = (
        any(one.kind in ("rare", "endangered") for one in listings_for(knowledge, tuple(sure), place))
        if place
        else False
    )
    if rare and "look_only" in knowledge.cautions and knowledge.cautions["look_only"] not in found:
        found.append(knowledge.cautions["look_only"])
    return tuple(sorted(found, key=lambda caution: caution.urgency))


def subject_cautions(
    knowledge: Knowledge, subjects: Sequence[str], probability: Mapping[str, float]
) -> tuple[Caution, ...]:
    """Cautions for what was asked (eat, animals, planting …); those bound to taxa only where one is likely."""
    found = [
        caution
        for caution in knowledge.cautions.values()
        if set(caution.intents) & set(subjects) and (not caution.taxa or _is_likely(knowledge, caution, probability))
    ]
    return tuple(sorted(found, key=lambda caution: caution.urgency))


def _is_likely(knowledge: Knowledge, caution: Caution, probability: Mapping[str, float]) -> bool:
    taxa = set(caution.taxa)
    share = sum(p for leaf, p in probability.items() if taxa & set(knowledge.lineage(leaf)))
    return share >= caution.likely_from


def lines_at(knowledge: Knowledge, place: Place | None, card: Card) -> Mapping[str, str]:
    """The phone lines and offices of a place: the group's card first, then the province, then the country; where no
    place is known, words that fit both countries."""
    if place is None or place.code not in knowledge.regions:
        return {**knowledge.lines.get(UNKNOWN_PLACE, {}), **card.lines}
    country = knowledge.lines.get(knowledge.regions[place.code].country, {})
    return {**country, **knowledge.lines.get(place.code, {}), **card.lines}


def filled(caution: Caution, lines: Mapping[str, str]) -> str:
    """The caution as the finder reads it, with the phone lines of the place."""
    return _filled(caution.text, lines)


def filled_short(caution: Caution, lines: Mapping[str, str]) -> str:
    """The same where there is little room; "" where the caution has no shorter wording."""
    return _filled(caution.short, lines)


def _filled(text: str, lines: Mapping[str, str]) -> str:
    for name, value in lines.items():
        text = text.replace("{" + name + "}", value)
    return text
