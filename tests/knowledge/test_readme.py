"""What knowledge/README.md tells a forester to do, done: the species of the example is added, checked and found."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from chatkey.app import check, open_mind
from chatkey.channels.base import Talks
from chatkey.data import shipped
from chatkey.terms import Place


def test_the_species_of_the_readme_can_be_added_as_it_says(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(shipped("knowledge"), folder)
    text = (folder / "README.md").read_text(encoding="utf-8")
    taxon, names = (
        re.sub(r"(?m)^ {3}", "", block) for block in re.findall(r" {3}```yaml\n(.*?) {3}```", text, re.DOTALL)
    )
    with (folder / "taxa" / "mine.yaml").open("w", encoding="utf-8") as file:
        file.write(taxon)
    report = check(folder)
    assert ["no common name" in error["what"] for error in report["errors"]] == [True]
    assert report["errors"][0]["mend"] == "add it in words/en/names.yaml"
    with (folder / "words" / "en" / "names.yaml").open("a", encoding="utf-8") as file:
        file.write("\n" + names)
    assert check(folder)["errors"] == []
    view = Talks(open_mind(folder), Place("BC")).say("flat stiff needles, two white lines under, on little pegs").view
    assert view["candidates"][0]["taxon"] == "Picea sitchensis"
