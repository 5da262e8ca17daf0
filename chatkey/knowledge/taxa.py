"""Taxa and groups, from taxa/ and words/LANGUAGE/names.yaml. Children inherit whole cells from their parents."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import cast

from chatkey.knowledge.model import (
    HONEST_MARKS,
    LEAF_RANKS,
    ORIGINS,
    PLANTED,
    PRACTICE,
    WILD,
    Cell,
    Character,
    Group,
    Names,
    Range,
    Rank,
    Taxon,
)
from chatkey.knowledge.yaml_nodes import Entry, Problems, nearest

TAXON_KEYS = ("name", "authority", "rank", "parent", "synonyms", "conifer", "blocks", "range", "met")
RANKS = ("family", "genus", *LEAF_RANKS)
RANGE_KEYS = ("origin", "native", "introduced", "unsettled", "native_range", "sources")


def read_taxa(
    facts: Mapping[str, Entry],
    names: Mapping[str, Entry],
    characters: Mapping[str, Character],
    numbers: Mapping[str, Mapping[str, float]],
    places: Collection[str],
    sources: Collection[str],
    problems: Problems,
) -> dict[str, Taxon]:
    """Taxa by id, in the files' order, with inherited and derived cells filled in."""
    parents = {id: _parent(entry, facts, problems) for id, entry in facts.items()}
    _refuse_rings(parents, facts, problems)
    reader = _CellReader(characters, numbers, sources, problems)
    own = {id: problems.attempt({}, reader.cells, id, entry) for id, entry in facts.items()}
    have_children = set(parents.values())
    found: dict[str, Taxon] = {}
    for id, entry in facts.items():
        cells: dict[str, Cell] = {}
        ancestor = id
        while ancestor:
            cells = {**own[ancestor], **cells}
            ancestor = parents[ancestor]
        is_parent = id in have_children
        taxon = problems.attempt(
            None, _taxon, id, entry, cells, parents[id], names, places, sources, is_parent, problems
        )
        if taxon is not None:
            derived = _derived(taxon, characters, numbers, places) if taxon.is_leaf else {}
            found[id] = replace(taxon, cells={**taxon.cells, **derived})
    return found


def read_groups(
    facts: Mapping[str, Entry], names: Mapping[str, Entry], leaves: Collection[str], problems: Problems
) -> dict[str, Group]:
    found = {}
    for id, entry in facts.items():
        group = problems.attempt(None, _group, id, entry, names, leaves)
        if group is not None:
            found[id] = group
    return found


def read_names(entry: Entry) -> Names:
    keys = ("common", "article", "plural", "also", "french", "spanish", "misleading")
    pairs = entry.pairs(keys, required=("common",))
    lists = {name: pairs[name].texts() for name in ("also", "french", "spanish", "misleading") if name in pairs}
    texts = {name: pairs[name].text() for name in ("common", "article", "plural") if name in pairs}
    return Names(**texts, **lists)  # type: ignore[arg-type]


class _CellReader:
    """Reads the blocks of one taxon after another."""

    def __init__(
        self,
        characters: Mapping[str, Character],
        numbers: Mapping[str, Mapping[str, float]],
        sources: Collection[str],
        problems: Problems,
    ) -> None:
        self.characters = characters
        self.frequencies = numbers["frequencies"]
        self.sources = sources
        self.problems = problems
        self.longest_mm = numbers["lengths"]["high_mm"]

    def cells(self, id: str, entry: Entry) -> dict[str, Cell]:
        found: dict[str, Cell] = {}
        pairs = entry.pairs()
        if "blocks" not in pairs:
            return found
        for block in pairs["blocks"].items():
            parts = self.problems.attempt({}, block.pairs, ("sources", "scores"), ("sources", "scores"))
            if not parts:
                continue
            sources = self.problems.attempt((), read_sources, parts["sources"], self.sources)
            scores = self.problems.attempt({}, parts["scores"].pairs, self.characters)
            for name, node in scores.items():
                if name in found:
                    self.problems.add(node.error(f"{name!r} is scored twice for {id}", "keep one of them"))
                cell = self.problems.attempt(None, self._cell, id, name, node, sources)
                if cell is not None:
                    found[name] = cell
        return found

    def _cell(self, id: str, name: str, node: Entry, sources: tuple[str, ...]) -> Cell:
        character = self.characters[name]
        if node.is_text:
            node.one_of(("n/a",))
            return Cell(sources=sources, of=id)
        if character.kind == "length":
            low, usual_low, usual_high, high = node.numbers(4)
            if not 0 < low <= usual_low <= usual_high <= high or low == high:
                raise node.error(
                    f"{name} has {low:g}, {usual_low:g}, {usual_high:g}, {high:g}",
                    "put the four numbers in rising order: lowest, usual low, usual high, highest",
                )
            if high > self.longest_mm:
                raise node.error(f"{name} reaches {low:g} to {high:g} mm", f"write mm, {self.longest_mm:g} at the most")
            return Cell(range=(low, usual_low, usual_high, high), sources=sources, of=id)
        weights = {
            state: self.frequencies[word.one_of(self.frequencies)]
            for state, word in node.pairs(character.states).items()
        }
        if not weights:
            raise node.error(f"{name} has no state", "name one, or write n/a, or leave the line out")
        total = sum(weights.values())
        return Cell(weights={state: weight / total for state, weight in weights.items()}, sources=sources, of=id)


def read_sources(entry: Entry, known: Collection[str]) -> tuple[str, ...]:
    """Source keys, or the honest marks. An unknown key is an error."""
    found = tuple(item.one_of([*HONEST_MARKS, *known]) for item in entry.items())
    if not found:
        raise entry.error("no source is named", "name one, or write [from memory] or [common practice]")
    return found


def _derived(
    taxon: Taxon,
    characters: Mapping[str, Character],
    numbers: Mapping[str, Mapping[str, float]],
    places: Collection[str],
) -> dict[str, Cell]:
    """Wild or planted, from the weights of being met."""
    grows_wild = bool((taxon.range.native | taxon.range.introduced) & set(places))
    wild = numbers["met_wild"][taxon.wild] if grows_wild else numbers["prior"]["elsewhere"]
    planted = numbers["met_planted"][taxon.planted]
    weights = {"wild": wild / (wild + planted), "planted": planted / (wild + planted)}
    cell = Cell(weights={k: v for k, v in weights.items() if v}, sources=(PRACTICE,), of=taxon.id)
    return {id: cell for id, character in characters.items() if character.derive == "met"}


def _parent(entry: Entry, all: Mapping[str, Entry], problems: Problems) -> str:
    def read() -> str:
        pairs = entry.pairs(TAXON_KEYS)
        if "parent" not in pairs:
            return ""
        name = pairs["parent"].text()
        if name not in all:
            raise pairs["parent"].error(f"the parent {name!r} is missing", nearest(name, all))
        return name

    return problems.attempt("", read)


def _refuse_rings(parents: dict[str, str], facts: Mapping[str, Entry], problems: Problems) -> None:
    for id in parents:
        seen = {id}
        above = parents[id]
        while above:
            if above in seen:
                problems.add(facts[id].error(f"{id} is its own ancestor", "name another parent"))
                parents[id] = ""
                break
            seen.add(above)
            above = parents[above]


def _taxon(
    id: str,
    entry: Entry,
    cells: Mapping[str, Cell],
    parent: str,
    names: Mapping[str, Entry],
    places: Collection[str],
    sources: Collection[str],
    has_children: bool,
    problems: Problems,
) -> Taxon:
    pairs = entry.pairs(TAXON_KEYS, required=("name", "rank"))
    rank = cast(Rank, pairs["rank"].one_of(RANKS))
    is_leaf = rank in LEAF_RANKS or (rank == "genus" and "met" in pairs and not has_children)
    if id not in names:
        raise entry.error(f"{id!r} has no common name", "add it in words/en/names.yaml")
    if is_leaf:
        entry.pairs(TAXON_KEYS, required=("range", "met", "blocks"))
    met = pairs["met"].pairs(("planted", "wild", "sources"), required=("planted", "wild")) if "met" in pairs else {}
    return Taxon(
        id=id,
        name=pairs["name"].text(),
        authority=pairs["authority"].text() if "authority" in pairs else "",
        rank=rank,
        parent=parent,
        synonyms=pairs["synonyms"].texts() if "synonyms" in pairs else (),
        conifer=pairs["conifer"].truth() if "conifer" in pairs else True,
        cells=cells,
        range=_range(pairs["range"], places, sources, problems) if "range" in pairs else Range(),
        planted=met["planted"].one_of(PLANTED) if met else "never",
        wild=met["wild"].one_of(WILD) if met else "rare",
        names=read_names(names[id]),
        is_leaf=is_leaf,
    )


def _range(entry: Entry, places: Collection[str], sources: Collection[str], problems: Problems) -> Range:
    pairs = entry.pairs(RANGE_KEYS, required=("origin", "sources"))

    def codes(key: str) -> frozenset[str]:
        items = pairs[key].items() if key in pairs else []
        return frozenset(filter(None, (problems.attempt("", item.one_of, places) for item in items)))

    complete = {
        country: node.one_of(("complete", "partial", "unknown"))
        for country, node in (pairs["native_range"].pairs(("US", "CA")).items() if "native_range" in pairs else ())
    }
    found = Range(
        origin=pairs["origin"].one_of(ORIGINS),
        native=codes("native"),
        introduced=codes("introduced"),
        unsettled=codes("unsettled"),
        native_range=complete,
        sources=read_sources(pairs["sources"], sources),
    )
    both = sorted(found.native & found.introduced)
    if both:
        raise entry.error(f"{both[0]} stands under native and introduced", "keep it under one")
    return found


def _group(id: str, entry: Entry, names: Mapping[str, Entry], leaves: Collection[str]) -> Group:
    pairs = entry.pairs(("members", "same_advice", "sources"), required=("members", "same_advice", "sources"))
    if id not in names:
        raise entry.error(f"{id!r} has no common name", "add it in words/en/names.yaml")
    members = tuple(item.one_of(leaves) for item in pairs["members"].items())
    if len(members) < 2:
        raise pairs["members"].error("a group needs two members", "add one, or take the group away")
    return Group(id, members, pairs["same_advice"].truth(), pairs["sources"].texts(), read_names(names[id]))
