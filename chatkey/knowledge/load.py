"""Folders of YAML to one immutable Knowledge. All faults are found in one run; with any, nothing is returned."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from chatkey.data import shipped, uncollected
from chatkey.knowledge.characters import read_characters
from chatkey.knowledge.learned import read_learned, taught
from chatkey.knowledge.model import Knowledge, Taxon
from chatkey.knowledge.numbers import read_numbers
from chatkey.knowledge.places import (
    read_cautions,
    read_figures,
    read_line_sources,
    read_lines,
    read_listings,
    read_planting,
    read_postal,
    read_regions,
    read_source,
)
from chatkey.knowledge.taxa import read_groups, read_taxa
from chatkey.knowledge.words import read_language
from chatkey.knowledge.yaml_nodes import Entry, KnowledgeError, Problems, read_file

OTHER_WORDS = ("names", "parts", "intents", "scope", "measures", "places", "planting", "cautions")


class FaultyKnowledgeError(KnowledgeError):
    """The knowledge has errors; `problems` holds them all."""

    def __init__(self, where: str, what: str, mend: str, problems: Problems | None = None) -> None:
        super().__init__(where, what, mend)
        self.problems = problems or Problems()


def load_knowledge(folder: Path | None = None, language: str = "en") -> Knowledge:
    """The knowledge in `folder` (the shipped one by default). Raises FaultyKnowledgeError."""
    problems = Problems()
    with uncollected():
        knowledge = read_knowledge(folder or shipped("knowledge"), problems, language)
    if problems.errors:
        first = problems.errors[0]
        count = len(problems.errors)
        more = f" (the first of {count}; `chatkey check` lists them)" if count > 1 else ""
        raise FaultyKnowledgeError(first.args[0], first.args[1], first.args[2] + more, problems)
    return knowledge


def read_knowledge(folder: Path, problems: Problems, language: str = "en") -> Knowledge:
    """What could be read, with the faults added to `problems`."""
    files = _Files(folder, problems)
    words = f"words/{language}"
    numbers = read_numbers(files.merged("numbers.yaml"), problems)
    said = {name: files.merged(f"{words}/{name}.yaml") for name in OTHER_WORDS}
    sources = files.merged("sources.yaml", "*/*_sources.yaml")
    spoken = [f"{words}/{name}.yaml" for name in files.names(words) if name not in OTHER_WORDS]
    character_words = files.merged(*spoken)
    characters = read_characters(files.merged("characters/*.yaml"), character_words, problems)
    regions = read_regions(files.merged("places/regions.yaml"), said["places"], problems)
    taxa = read_taxa(
        files.merged("taxa/*.yaml", leave_out="groups"),
        said["names"],
        characters,
        numbers,
        regions,
        sources,
        problems,
    )
    leaves = tuple(id for id, taxon in taxa.items() if taxon.is_leaf)
    groups = read_groups(files.merged("taxa/groups.yaml"), said["names"], leaves, problems)
    listings = files.top("places/listings.yaml")
    planting = files.merged("planting/*.yaml", leave_out="planting_sources figures")
    learned = read_learned(files.top("learned.yaml"), characters, numbers["learning"], problems)
    known = Knowledge(
        characters=characters,
        taxa=taxa,
        lineages={id: _lineage(taxa, id) for id in taxa},
        leaves=leaves,
        groups=groups,
        regions=regions,
        postal=read_postal(files.merged("places/postal.yaml"), regions, problems),
        listings=problems.attempt((), read_listings, listings, taxa, regions, sources, problems) if listings else (),
        planting=read_planting(planting, said["planting"], sources, regions, problems),
        figures=read_figures(files.merged("planting/figures.yaml"), sources, problems),
        cautions=read_cautions(
            files.merged("cautions/cautions.yaml"), said["cautions"], {*taxa, *planting}, sources, problems
        ),
        lines=read_lines(files.merged("cautions/lines.yaml"), problems),
        line_sources=read_line_sources(files.merged("cautions/lines.yaml"), problems),
        sources={
            key: source
            for key, entry in sources.items()
            if (source := problems.attempt(None, read_source, entry)) is not None
        },
        retired={key: problems.attempt("", entry.text) for key, entry in files.merged("retired.yaml").items()},
        numbers=numbers,
        language=read_language(
            language,
            said["parts"],
            said["intents"],
            said["scope"],
            said["measures"],
            files.text(f"{words}/everyday.txt"),
            problems,
        ),
        hash=files.hash(),
    )
    return taught(known, learned)


def _lineage(taxa: Mapping[str, Taxon], id: str) -> tuple[str, ...]:
    found = []
    while id in taxa:
        found.append(id)
        id = taxa[id].parent
    return tuple(found)


class _Files:
    """The YAML files of one folder, each read once."""

    def __init__(self, folder: Path, problems: Problems) -> None:
        self.folder = folder
        self.problems = problems
        self.paths = sorted(folder.rglob("*.yaml"))
        self.texts = sorted(folder.rglob("*.txt"))
        self.tops: dict[Path, Entry | None] = {}
        if not self.paths:
            problems.add(KnowledgeError(str(folder), "holds no YAML", "name the folder of the knowledge"))

    def names(self, under: str) -> list[str]:
        return [path.stem for path in self.paths if path.parent == self.folder / under]

    def text(self, name: str) -> str:
        """The lines of a plain file that are no comments, "" where there is none."""
        path = self.folder / name
        lines = path.read_text(encoding="utf-8").splitlines() if path.is_file() else []
        return "\n".join(line for line in lines if not line.startswith("#"))

    def top(self, name: str) -> Entry | None:
        path = self.folder / name
        if path not in self.tops:
            self.tops[path] = self.problems.attempt(None, read_file, path, self.folder) if path in self.paths else None
        return self.tops[path]

    def merged(self, *patterns: str, leave_out: str = "") -> Mapping[str, Entry]:
        """The pairs of all files that fit. A key in two files is an error, placed at the second."""
        found: dict[str, Entry] = {}
        for path in self.paths:
            name = path.relative_to(self.folder)
            fits = any(name.match(pattern) and len(name.parts) == len(Path(pattern).parts) for pattern in patterns)
            if not fits or path.stem in leave_out.split():
                continue
            top = self.top(name.as_posix())
            for key, entry in self.problems.attempt({}, top.pairs).items() if top else ():
                if key in found:
                    self.problems.add(entry.error(f"{key!r} stands in {found[key].file} too", "keep one of them"))
                found[key] = entry
        return found

    def hash(self) -> str:
        """Twelve hex digits that name this state of the files."""
        total = hashlib.sha256()
        for path in (*self.paths, *self.texts):
            content = path.read_bytes() if path.is_file() else b""
            total.update(path.relative_to(self.folder).as_posix().encode() + b"\0" + content + b"\0")
        return total.hexdigest()[:12]
