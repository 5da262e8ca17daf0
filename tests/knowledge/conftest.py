"""A folder of knowledge to be spoilt: four trees and three characters, or a copy of all that is shipped."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from chatkey.data import shipped
from chatkey.knowledge import Knowledge, KnowledgeError, Problems, read_knowledge

RANGE = """
  range:
    origin: eastern_north_america
    native: [MI]
    native_range: {US: complete}
    sources: [from memory]
  met: {planted: often, wild: common}
"""
TREES = f"""pinaceae:
  name: Pinaceae
  rank: family
tsuga:
  name: Tsuga
  rank: genus
  parent: pinaceae
  blocks:
    - sources: [survey]
      scores:
        leaf_kind: {{needle: always}}
        needle_place: {{single: always}}
tsuga_canadensis:
  name: Tsuga canadensis
  rank: species
  parent: tsuga
  blocks:
    - sources: [survey]
      scores:
        needle_length: [5, 15, 20, 25]
{RANGE.strip(chr(10))}
tsuga_caroliniana:
  name: Tsuga caroliniana
  rank: species
  parent: tsuga
  blocks:
    - sources: [from memory]
      scores:
        needle_length: [10, 30, 40, 50]
{RANGE.strip(chr(10))}
pinus:
  name: Pinus
  rank: genus
  parent: pinaceae
pinus_strobus:
  name: Pinus strobus
  rank: species
  parent: pinus
  blocks:
    - sources: [survey]
      scores:
        leaf_kind: {{needle: always}}
        needle_place: {{bundles: always}}
        needle_length: [50, 60, 130, 130]
{RANGE.strip(chr(10))}
thuja_occidentalis:
  name: Thuja occidentalis
  rank: species
  conifer: false
  blocks:
    - sources: [survey]
      scores:
        leaf_kind: {{scale: always}}
{RANGE.strip(chr(10))}
"""
CHARACTERS = """leaf_kind:
  kind: choice
  part: leaf
  family: leaf_form
  effort: 1
  error: 0.08
  states: [needle, scale]
  sources: [survey]
needle_place:
  kind: choice
  part: leaf
  family: attachment
  effort: 1
  error: 0.1
  states: [single, bundles]
  only_if: {leaf_kind: [needle]}
  sources: [common practice]
needle_length:
  kind: length
  part: leaf
  family: leaf_size
  effort: 1
  classes: {short: [3, 30], long: [30, 450]}
  only_if: {leaf_kind: [needle]}
  sources: [common practice]
"""
WORDS = """leaf_kind:
  ask: What do the leaves look like?
  again: Look once more. What do the leaves look like?
  how: Look at one leaf.
  name: kind of leaf
  states:
    needle: {label: needles, echo: needles}
    scale: {label: scales, echo: scales}
needle_place:
  ask: How do the needles sit?
  again: Look once more. How do the needles sit?
  how: Look where a needle meets the twig.
  name: how needles sit
  states:
    single: {label: one by one, echo: single needles}
    bundles: {label: in bundles, echo: bundled needles}
needle_length:
  ask: How long is a needle?
  again: Lay one needle on a ruler. How long is it?
  how: Take a needle from the middle of a twig.
  name: needle length
  echo: needles about {length}
  classes:
    short: {label: short, echo: short needles}
    long: {label: long, echo: long needles}
"""
SMALL = {
    "taxa/trees.yaml": TREES,
    "characters/leaf.yaml": CHARACTERS,
    "words/en/leaf.yaml": WORDS,
    "words/en/parts.yaml": "leaf: [needle, leaf]\n",
    "words/en/names.yaml": "".join(
        f"{id}: {{common: {name}}}\n"
        for id, name in (
            ("pinaceae", "pine family"),
            ("tsuga", "hemlock"),
            ("tsuga_canadensis", "eastern hemlock"),
            ("tsuga_caroliniana", "Carolina hemlock"),
            ("pinus", "pine"),
            ("pinus_strobus", "white pine"),
            ("thuja_occidentalis", "white cedar"),
            ("hemlocks", "the hemlocks"),
        )
    ),
    "taxa/groups.yaml": "hemlocks:\n  members: [tsuga_canadensis, tsuga_caroliniana]\n  same_advice: false\n"
    "  sources: [from memory]\n",
    "places/regions.yaml": "MI: {name: Michigan, country: US, side: east, coverage: full}\n",
    "sources.yaml": "survey: {cite: A walk along the Larkwater River}\n",
}


@dataclass(frozen=True)
class Folder:
    """A folder of knowledge in a temporary place."""

    path: Path

    def write(self, file: str, text: str) -> None:
        target = self.path / file
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")

    def edit(self, file: str, old: str, new: str) -> int:
        """Puts `new` for the first `old`, which must be there. Returns where it stands."""
        text = (self.path / file).read_text(encoding="utf-8")
        self.write(file, text.replace(old, new, 1))
        return text.index(old)

    def place(self, file: str, at: str, start: int = 0) -> str:
        """Line and column of the first `at` from `start` on."""
        text = (self.path / file).read_text(encoding="utf-8")
        before = text[: text.index(at, start)]
        return f"{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}"

    def read(self) -> tuple[Knowledge, Problems]:
        problems = Problems()
        return read_knowledge(self.path, problems), problems

    def errors(self) -> list[KnowledgeError]:
        return self.read()[1].errors

    def the_error(self) -> tuple[str, str, str]:
        """Where, what and mend of the only error."""
        lines = [str(error) for error in self.errors()]
        assert len(lines) == 1, lines
        where, what, mend = self.errors()[0].args[:3]
        return where, what, mend


@pytest.fixture
def small(tmp_path: Path) -> Folder:
    folder = Folder(tmp_path / "knowledge")
    for file, text in SMALL.items():
        folder.write(file, text)
    shutil.copy(shipped("knowledge") / "numbers.yaml", folder.path)
    return folder


@pytest.fixture
def whole(tmp_path: Path) -> Folder:
    shutil.copytree(shipped("knowledge"), tmp_path / "whole" / "knowledge")
    return Folder(tmp_path / "whole" / "knowledge")
