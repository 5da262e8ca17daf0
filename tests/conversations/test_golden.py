"""The golden conversations, replayed. A change of wording is read as a diff and written with `play.py --write`."""

from __future__ import annotations

from pathlib import Path

import pytest

from chatkey.dialog import Mind
from tests.conversations import play


def test_there_are_at_least_twenty_golden_conversations() -> None:
    assert len(play.files()) >= 20


@pytest.mark.parametrize("path", play.files(), ids=lambda path: path.stem)
def test_a_golden_conversation_goes_as_it_is_written(mind: Mind, path: Path) -> None:
    written = path.read_text(encoding="utf-8")
    assert play.play(mind, written) == written
