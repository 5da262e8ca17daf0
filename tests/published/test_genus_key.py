"""Published keys walked as conversations: each path, restated in lay words, must end in its genus.

The floras and handbooks are named in genus_key.yaml, beside the couplets. A key tells its genera from each other, so
that is what is asked of us: among the genera that the key covers, what was said speaks most for the path's genus. A key
has no prior, so the prior is divided out.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from chatkey.channels.base import Talks
from chatkey.dialog import Mind
from chatkey.identify.answer import leaves_of

KEYS = yaml.safe_load((Path(__file__).parent / "genus_key.yaml").read_text(encoding="utf-8"))


def paths() -> list[Any]:
    rows = KEYS if isinstance(KEYS, list) else KEYS["keys"]
    return [
        pytest.param(key["covers"], path, id=f"{path['genus']}-{number}-{index}")
        for number, key in enumerate(rows)
        for index, path in enumerate(key["paths"])
    ]


@pytest.mark.parametrize(("covers", "path"), paths())
def test_each_path_of_a_published_key_ends_in_its_genus(mind: Mind, covers: list[str], path: dict[str, Any]) -> None:
    talks = Talks(mind)
    before = shares(mind, talks.say("hello").view, covers)
    for message in path["messages"]:
        view = talks.say(message).view
    after = shares(mind, view, covers)
    support = {genus: after[genus] / before[genus] for genus in covers}
    assert max(support, key=lambda genus: support[genus]) == path["genus"], support


def shares(mind: Mind, view: dict[str, Any], genera: list[str]) -> dict[str, float]:
    probability = {row["id"]: row["probability"] for row in view["candidates"]}
    return {genus: sum(probability[leaf] for leaf in leaves_of(mind.knowledge, genus)) for genus in genera}
