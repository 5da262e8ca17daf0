"""The effect that advises on planting: what the plant is here, its site, and what to plant instead."""

from __future__ import annotations

import re
from collections.abc import Sequence

from chatkey.advise import Alternative, alternatives, cover, heel_in_days, subject_cautions
from chatkey.advise.spacing import FEET_PER_METRE
from chatkey.dialog.asking import STATUS_LINES, choices_of, choices_words, level_words, tell_listings, tell_status
from chatkey.dialog.guards import SITE, best_leaf, planting_subject, site_of
from chatkey.dialog.phrase import is_metric, joined, name_words, place_words
from chatkey.dialog.reply import Ask
from chatkey.dialog.turn import Turn
from chatkey.identify.yew import yews
from chatkey.knowledge.status import status_in
from chatkey.understand import Pending

MOST_CAUTIONS = 2
NUMBER = re.compile(r"(?<![\d.,/-])([1-9]\d{1,3})(?![\d.,/-]|\s*(?:in|ft|feet|cm|mm|m)\b)")  # 10 to 9999, no length


def advise_planting(turn: Turn) -> None:
    """Whether and how to plant what was named, or what the tree is."""
    taxon = planting_subject(turn)
    turn.change(plant=taxon, site=site_of(turn) or turn.conversation.site)
    name = name_words(turn.knowledge, taxon)
    place = turn.place
    if place is None:
        turn.say("question", "plant_place_first", name=name)
        turn.change(pending=Pending("place"))
        return
    status = status_in(turn.knowledge, turn.knowledge.taxa[taxon], place.code)
    gaps = {"name": name, "place": place_words(turn.knowledge, place)}
    if status == "native":
        gaps["level"] = level_words(turn, _level(turn, taxon))
    if not turn.conversation.said.get(_instead_key(turn, taxon)):
        turn.say("answer", f"plant_{STATUS_LINES[status]}", **gaps)
        tell_listings(turn, (taxon,))
    poisonous = taxon in yews(turn.mind.table)
    if poisonous:
        turn.say("caution", "plant_poisonous", name=name)
    if status == "native" and not poisonous:
        _tell_site(turn, taxon)
    else:
        _tell_instead(turn, taxon)
    _tell_stock(turn)
    if "sale_dates" in turn.mind.card.lines and not turn.said_once("sale_dates"):
        turn.say("facts", "plant_sale")
    _say_cautions(turn, taxon)
    turn.repeats = True


def tell_native(turn: Turn) -> None:
    """Native here or not: of the plant named, else of what the tree is or of all that remain."""
    turn.repeats = True
    if turn.place is None:
        turn.say("question", "ask_place")
        turn.change(pending=Pending("place"))
        turn.repeats = False
    elif turn.understanding.names:
        taxon = best_leaf(turn, turn.understanding.names[0])
        status = status_in(turn.knowledge, turn.knowledge.taxa[taxon], turn.place.code)
        gaps = {"name": name_words(turn.knowledge, taxon), "place": place_words(turn.knowledge, turn.place)}
        gaps |= {"level": level_words(turn, _level(turn, taxon))} if status == "native" else {}
        turn.say("status", f"is_{STATUS_LINES[status]}", **gaps)
        tell_listings(turn, (taxon,))
    elif turn.status is not None:
        tell_status(turn, again=True)
    else:
        turn.say("note", "native_when_known")


def _level(turn: Turn, taxon: str) -> str:
    county = turn.place.county if turn.place else ""
    return "county" if taxon in turn.mind.card.counties.get(county, ()) else "province"


def _tell_site(turn: Turn, taxon: str) -> None:
    plant = turn.knowledge.planting.get(taxon)
    if plant is None:
        return
    for key, text in (("site", plant.site), ("watch", plant.watch), ("note", plant.note)):
        if text:
            turn.say("facts", f"plant_{key}", **{key: text})
    if plant.height_m and plant.spacing_m:
        turn.say("facts", "plant_size", height=_distance(turn, plant.height_m), spacing=_span(turn, plant.spacing_m))


def _tell_instead(turn: Turn, taxon: str) -> None:
    found = alternatives(turn.knowledge, taxon, turn.place, turn.conversation.site, by_water=_by_water(turn))
    place = place_words(turn.knowledge, turn.place) if turn.place else ""
    if not found:
        turn.say("facts", "plant_no_instead", place=place)
        return
    if turn.said_once(_instead_key(turn, taxon)):
        _tell_more(turn, found)
        return
    rows = [turn.mind.script.say("plant_instead_row", name=one.common, reason=reason(turn, one)) for one in found]
    plain = joined(turn.mind.script, "or_more", [one.common for one in found])
    turn.say("answer", "plant_instead", names="; ".join(rows), plain=plain)
    turn.say("facts", "plant_seed")


def _instead_key(turn: Turn, taxon: str) -> str:
    return f"instead:{taxon}:{turn.place.code if turn.place else ''}:{','.join(turn.conversation.site)}"


def _tell_stock(turn: Turn) -> None:
    """Bare roots wait badly: said once, where they are spoken of."""
    days = heel_in_days(turn.knowledge)
    spoken = any(word in turn.message.text.lower() for word in turn.mind.script.tables["stock"].values())
    if days and spoken and not turn.said_once("bare_root"):
        turn.say("facts", "plant_bare_root", days=days)


def _tell_cover(turn: Turn, spacing_m: tuple[float, float]) -> None:
    """The ground that the number of plants in the message covers; in feet, where feet are used."""
    number = NUMBER.search(turn.message.text)
    if number is None or is_metric(turn.knowledge, turn.place):
        return
    found = cover(turn.knowledge, int(number[1]), spacing_m)
    gaps = {"plants": str(found.plants), "feet": str(found.feet), "per_acre": found.per_acre}
    turn.say("facts", "plant_cover", **gaps, square_feet=f"{found.square_feet:,}")


def _tell_more(turn: Turn, found: Sequence[Alternative]) -> None:
    """Asked once more: how tall and how far apart, for those named before."""
    for one in found:
        plant = turn.knowledge.planting[one.taxon]
        if plant.height_m and plant.spacing_m:
            height, spacing = _distance(turn, plant.height_m), _span(turn, plant.spacing_m)
            turn.say("facts", "plant_more", name=one.common, height=height, spacing=spacing)
    spacing_m = turn.knowledge.planting[found[0].taxon].spacing_m
    if spacing_m:
        _tell_cover(turn, spacing_m)


def reason(turn: Turn, one: Alternative) -> str:
    """Why it was chosen, and what to beware of: "same use (hedge), moist ground; needs a fence where deer are many"."""
    script = turn.mind.script
    uses = joined(script, "and_more", [script.word("uses", use) for use in one.uses])
    ground = joined(script, "or_more", [script.word("ground", kind) for kind in one.moisture])
    parts = [script.say("reason_same_use", uses=uses), script.say("reason_ground", ground=ground)]
    beware = [script.tables["beware"][key] for key in one.beware if key in script.tables["beware"]]
    if beware:
        parts.append(script.say("reason_beware", beware=joined(script, "and_more", beware[:2])))
    return ", ".join(parts)


def _say_cautions(turn: Turn, taxon: str) -> None:
    found = [
        caution
        for caution in subject_cautions(turn.knowledge, ("planting",), {taxon: 1.0})
        if _fits_site(turn, caution.id) and caution.urgency <= 3
    ]
    for caution in sorted(found, key=lambda caution: not caution.taxa)[:MOST_CAUTIONS]:
        turn.warn(caution)


def tell_stock(turn: Turn) -> None:
    """Where seedlings come from: the district, a nursery, the group's own sale."""
    turn.say("facts", "plant_stock")
    if "sale_dates" in turn.mind.card.lines and not turn.said_once("sale_dates"):
        turn.say("facts", "plant_sale")
    turn.repeats = True


def ask_site(turn: Turn) -> None:
    """What the ground is like, so that what is named instead fits it."""
    words = turn.knowledge.characters[SITE].words
    choices = choices_of(turn, SITE)
    turn.say("question", "ask_site", choices=choices_words(turn, choices))
    turn.ask = Ask("site", SITE, words.ask, choices)
    turn.take_back()
    turn.change(pending=Pending("site", SITE, tuple((choice.key, choice.state) for choice in choices)))
    turn.repeats = False


def _by_water(turn: Turn) -> bool:
    """The message speaks of a bank or wet ground."""
    return any(state in ("moist", "wet") for state in site_of(turn))


def _fits_site(turn: Turn, caution: str) -> bool:
    if caution == "stream_permit":
        return _by_water(turn)
    if caution == "larch_quarantine":
        return turn.place is not None and turn.place.code == "ME"
    return True


def _distance(turn: Turn, metres: float) -> str:
    metric = is_metric(turn.knowledge, turn.place)
    unit = turn.mind.script.word("units", "m" if metric else "ft")
    if metric:
        return f"{metres:g} {unit}"
    feet = metres * FEET_PER_METRE
    return f"{round(feet / 5) * 5 if feet >= 20 else round(feet)} {unit}"  # "about 151 ft" would be false precision


def _span(turn: Turn, metres: tuple[float, float]) -> str:
    low, high = (_distance(turn, value) for value in metres)
    return low if low == high else turn.mind.script.say("range", low=low.split()[0], high=high)
