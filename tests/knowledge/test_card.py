"""The card of a group: read whole, and each slip named with file, line and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from chatkey.data import shipped
from chatkey.knowledge import Knowledge, KnowledgeError
from chatkey.knowledge.card import read_card

HEAD = "name: the Larkwater Stewards\nhand_over:\n"


def test_the_shipped_example_is_read(knowledge: Knowledge) -> None:
    card = read_card(shipped("knowledge").parent / "chatkey" / "_examples" / "larkwater.yaml", knowledge)
    assert card.name == "the Larkwater Stewards"
    (rule,) = card.rules
    assert "tsuga_canadensis" in rule.plants
    assert (rule.places, rule.listed) == ({"MI"}, {"quarantine"})


def test_a_genus_and_a_group_stand_for_their_leaves(knowledge: Knowledge, tmp_path: Path) -> None:
    group = next(iter(knowledge.groups.values()))
    path = tmp_path / "card.yaml"
    path.write_text(f"{HEAD}  - {{name: some, plants: [taxus, {group.id}]}}\n", encoding="utf-8")
    (rule,) = read_card(path, knowledge).rules
    assert {"taxus_canadensis", *group.members} <= rule.plants


@pytest.mark.parametrize(
    ("rule", "what", "mend"),
    [
        ("{name: all}", "the rule holds for every tree", "plants, places, counties, listed"),
        (
            "{name: x, plants: [tsuga_canadensi]}",
            "'tsuga_canadensi' is not known here",
            "did you mean 'tsuga_canadensis'?",
        ),
        ("{name: x, places: [MIC]}", "'MIC' is not known here", "did you mean"),
        ("{name: x, listed: [quarantin]}", "'quarantin' is not known here", "did you mean 'quarantine'?"),
        ("{name: x, plants: []}", "'plants' names none", "name one"),
        ("{name: x, counties: []}", "'counties' names none", "name one"),
        ("{name: x, plant: [taxus]}", "'plant' is not known here", "did you mean 'plants'?"),
        ("{places: [MI]}", "'name' is missing", "add a line"),
    ],
)
def test_a_slip_in_a_rule_is_named_with_its_line_and_the_mend(
    knowledge: Knowledge, tmp_path: Path, rule: str, what: str, mend: str
) -> None:
    path = tmp_path / "card.yaml"
    path.write_text(f"{HEAD}  - {rule}\n", encoding="utf-8")
    with pytest.raises(KnowledgeError) as caught:
        read_card(path, knowledge)
    where, found, mended = caught.value.args
    assert "card.yaml:3:" in where
    assert found == what
    assert mend in mended
