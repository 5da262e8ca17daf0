"""Regions, postal letters, listings, planting facts, cautions and public lines."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from chatkey.knowledge.card import LINES
from chatkey.knowledge.model import HONEST_MARKS, LISTING_KINDS, Caution, Figure, Listing, Planting, Region, Source
from chatkey.knowledge.yaml_nodes import Entry, Problems

SIDES = ("east", "plains", "west", "other")
COVERAGE = ("full", "edge", "name_only")
LIGHT = ("very_tolerant", "tolerant", "intermediate", "intolerant", "very_intolerant")
MOISTURE = ("dry", "moist", "wet")
FLOOD = ("none", "brief", "seasonal", "prolonged")
GROWTH = ("slow", "medium", "fast")
DEER = ("rarely", "occasionally", "often", "severely")
PLANTING_TEXT = ("site", "watch", "note", "names")
PLANT_KINDS = ("tree", "shrub")


def read_regions(facts: Mapping[str, Entry], words: Mapping[str, Entry], problems: Problems) -> dict[str, Region]:
    found = {}
    for code, entry in facts.items():
        region = problems.attempt(None, _region, code, entry, words.get(code))
        if region is not None:
            found[code] = region
    for code, entry in words.items():
        if code not in facts:
            problems.add(entry.error(f"{code!r} is no region", "take it out, or add it in places/regions.yaml"))
    return found


def read_listings(
    entry: Entry, taxa: Collection[str], places: Collection[str], sources: Collection[str], problems: Problems
) -> tuple[Listing, ...]:
    found = (problems.attempt(None, _listing, item, taxa, places, sources) for item in entry.items())
    return tuple(listing for listing in found if listing is not None)


def read_planting(
    facts: Mapping[str, Entry],
    words: Mapping[str, Entry],
    sources: Collection[str],
    places: Collection[str],
    problems: Problems,
) -> dict[str, Planting]:
    found = {}
    for id, entry in facts.items():
        plant = problems.attempt(None, _planting, id, entry, words.get(id), sources, places)
        if plant is not None:
            found[id] = plant
    for id, entry in words.items():
        if id not in facts:
            problems.add(entry.error(f"{id!r} has no planting facts", "add them in planting/"))
    return found


def read_figures(facts: Mapping[str, Entry], sources: Collection[str], problems: Problems) -> dict[str, Figure]:
    found = {}
    for id, entry in facts.items():
        figure = problems.attempt(None, _figure, id, entry, sources)
        if figure is not None:
            found[id] = figure
    return found


def read_cautions(
    facts: Mapping[str, Entry],
    words: Mapping[str, Entry],
    plants: Collection[str],
    sources: Collection[str],
    problems: Problems,
) -> dict[str, Caution]:
    """Cautions by id. `plants`: taxa, and the broadleaf plants that are only planted."""
    found = {}
    for id, entry in facts.items():
        caution = problems.attempt(None, _caution, id, entry, words, plants, sources)
        if caution is not None:
            found[id] = caution
    return found


def read_lines(facts: Mapping[str, Entry], problems: Problems) -> dict[str, dict[str, str]]:
    """Public phone lines by country or province: poison_line, emergency, dig_line."""
    keys = (*LINES, "sources")
    return {
        place: {
            key: problems.attempt("", node.text)
            for key, node in problems.attempt({}, entry.pairs, keys).items()
            if key != "sources"
        }
        for place, entry in facts.items()
    }


def read_line_sources(facts: Mapping[str, Entry], problems: Problems) -> tuple[str, ...]:
    """The sources of the phone lines: of each line, or one list for all."""
    found: list[str] = []
    for entry in facts.values():
        given = problems.attempt({}, entry.pairs).get("sources")
        if given is None:
            continue
        nodes = [given] if given.is_list else list(problems.attempt({}, given.pairs).values())
        for node in nodes:
            found += [problems.attempt("", item.text) for item in ([node] if node.is_text else node.items())]
    return tuple(found)


def read_postal(facts: Mapping[str, Entry], places: Collection[str], problems: Problems) -> dict[str, str]:
    """Canadian postal prefixes to provinces; the longest prefix that fits wins."""
    found = {}
    for section in ("letters", "prefixes"):
        rows = problems.attempt({}, facts[section].pairs) if section in facts else {}
        found.update({prefix: problems.attempt("", node.one_of, places) for prefix, node in rows.items()})
    return found


def read_source(entry: Entry) -> Source:
    pairs = entry.pairs(("cite", "url"), required=("cite",))
    return Source(pairs["cite"].text(), pairs["url"].text() if "url" in pairs else "")


def _region(code: str, entry: Entry, words: Entry | None) -> Region:
    pairs = entry.pairs(
        ("name", "country", "iso", "side", "coverage", "sources"), required=("name", "country", "side", "coverage")
    )
    said = words.pairs(("said", "names", "regions")) if words else {}
    return Region(
        code=code,
        name=pairs["name"].text(),
        country=pairs["country"].one_of(("US", "CA")),
        side=pairs["side"].one_of(SIDES),
        coverage=pairs["coverage"].one_of(COVERAGE),
        words=said["names"].texts() if "names" in said else (),
        regions=said["regions"].texts() if "regions" in said else (),
        said=said["said"].text() if "said" in said else pairs["name"].text(),
    )


def _listing(entry: Entry, taxa: Collection[str], places: Collection[str], sources: Collection[str]) -> Listing:
    keys = ("taxon", "places", "kind", "body", "list", "date", "source")
    pairs = entry.pairs(keys, required=keys)
    return Listing(
        taxon=pairs["taxon"].one_of(taxa),
        places=tuple(item.one_of(places) for item in pairs["places"].items()),
        kind=pairs["kind"].one_of(LISTING_KINDS),
        body=pairs["body"].text(),
        list=pairs["list"].text(),
        date=pairs["date"].text(),
        source=_source(pairs["source"], sources),
    )


def _figure(id: str, entry: Entry, sources: Collection[str]) -> Figure:
    pairs = entry.pairs(
        ("topic", "of", "value", "unit", "condition", "source"), required=("topic", "of", "value", "source")
    )
    texts = {key: pairs[key].text() for key in ("topic", "of", "value")}
    rest = {key: pairs[key].text() if key in pairs else "" for key in ("unit", "condition")}
    return Figure(id, **texts, **rest, source=pairs["source"].one_of([*HONEST_MARKS, "computed", *sources]))


def _source(entry: Entry, known: Collection[str]) -> str:
    """A source key, an honest mark, or the address of a page."""
    value = entry.text()
    return value if value.startswith(("http://", "https://")) else entry.one_of([*HONEST_MARKS, *known])


def _planting(
    id: str, entry: Entry, words: Entry | None, sources: Collection[str], places: Collection[str]
) -> Planting:
    words_of = {"light": LIGHT, "flood": FLOOD, "salt": ("low", "medium", "high"), "deer": DEER, "growth": GROWTH}
    measures = ("height_m", "spread_m", "lifespan_years")
    rest = ("moisture", "soil_ph", "zones", "uses", "spacing_m", "avoid_where", "native", "native_level", "instead")
    pairs = entry.pairs((*words_of, *measures, *rest, "name", "kind", "sources"), required=("sources",))
    said = words.pairs(PLANTING_TEXT) if words else {}
    known = [*HONEST_MARKS, *sources]
    native = pairs.get("native")
    if "kind" in pairs:
        pairs["kind"].one_of(PLANT_KINDS)
    return Planting(
        id=id,
        **{key: pairs[key].one_of(allowed) for key, allowed in words_of.items() if key in pairs},  # type: ignore[arg-type]
        **{key: pairs[key].number(low=0) for key in measures if key in pairs},  # type: ignore[arg-type]
        moisture=tuple(item.one_of(MOISTURE) for item in pairs["moisture"].items()) if "moisture" in pairs else (),
        soil_ph=_pair(pairs["soil_ph"]) if "soil_ph" in pairs else None,
        zones=pairs["zones"].texts() if "zones" in pairs else (),
        uses=pairs["uses"].texts() if "uses" in pairs else (),
        spacing_m=_pair(pairs["spacing_m"]) if "spacing_m" in pairs else None,
        avoid_where=pairs["avoid_where"].texts() if "avoid_where" in pairs else (),
        native=_native(native, places) if native else None,
        native_is_record="native_level" in pairs and pairs["native_level"].one_of(("native", "recorded")) == "recorded",
        instead=pairs["instead"].texts() if "instead" in pairs else (),
        name=pairs["name"].text() if "name" in pairs else "",
        common=_first(said["names"]) if "names" in said else "",
        **{key: said[key].text() for key in ("site", "watch", "note") if key in said},  # type: ignore[arg-type]
        sources={key: _field_sources(node, known) for key, node in pairs["sources"].pairs().items()},
    )


def _first(entry: Entry) -> str:
    names = entry.texts()
    if not names:
        raise entry.error("no name is given", "write one, or leave the line out")
    return names[0]


def _field_sources(entry: Entry, known: Collection[str]) -> tuple[str, ...]:
    items = [entry] if entry.is_text else entry.items()
    return tuple(item.one_of(known) for item in items)


def _native(entry: Entry, places: Collection[str]) -> frozenset[str] | None:
    if entry.is_text:
        entry.one_of(("unknown",))
        return None
    return frozenset(item.one_of(places) for item in entry.items())


def _pair(entry: Entry) -> tuple[float, float]:
    low, high = entry.numbers(2)
    if low > high:
        raise entry.error(f"{low:g} stands before {high:g}", "put the lower number first")
    return low, high


def _caution(
    id: str, entry: Entry, words: Mapping[str, Entry], taxa: Collection[str], sources: Collection[str]
) -> Caution:
    pairs = entry.pairs(("taxa", "intents", "urgency", "from", "sources", "when"), required=("urgency", "sources"))
    if id not in words:
        raise entry.error(f"{id!r} has no text", "write it in words/en/cautions.yaml")
    said = words[id].pairs(("text", "short"), required=("text",))
    return Caution(
        id=id,
        taxa=tuple(item.one_of(taxa) for item in pairs["taxa"].items()) if "taxa" in pairs else (),
        intents=pairs["intents"].texts() if "intents" in pairs else (),
        urgency=pairs["urgency"].whole(low=1, high=4),
        likely_from=pairs["from"].number(low=0, high=1) if "from" in pairs else 0.2,
        sources=tuple(_source(item, sources) for item in pairs["sources"].items()),
        text=said["text"].text(),
        short=said["short"].text() if "short" in said else "",
    )
