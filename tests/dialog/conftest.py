"""What the tests of the dialog share: a script to every state, and a folder of dialogs to be spoilt."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from chatkey.data import shipped
from chatkey.dialog import EFFECT_NAMES, GUARD_NAMES, Mind, read_script
from chatkey.dialog.script import Script
from chatkey.knowledge import KnowledgeError, Problems
from tests.walking import scripts


@dataclass(frozen=True)
class Dialogs:
    """A copy of the shipped dialogs in a temporary place."""

    path: Path

    def text(self, file: str) -> str:
        return (self.path / file).read_text(encoding="utf-8")

    def edit(self, file: str, old: str, new: str) -> None:
        """Puts `new` for the first `old`, which must be there."""
        text = self.text(file)
        assert old in text
        (self.path / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    def read(self) -> tuple[Script, list[KnowledgeError]]:
        problems = Problems()
        return read_script(self.path, GUARD_NAMES, EFFECT_NAMES, problems), problems.errors

    def place_of(self, file: str, words: str) -> str:
        """Where the first `words` stand, as errors name it: file:line:column."""
        before = self.text(file).split(words)[0]
        return f"dialogs/{file}:{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}"


@pytest.fixture
def dialogs(tmp_path: Path) -> Dialogs:
    shutil.copytree(shipped("dialogs"), tmp_path / "dialogs")
    return Dialogs(tmp_path / "dialogs")


@pytest.fixture(scope="session")
def ways(mind: Mind) -> dict[str, tuple[str, ...]]:
    """State -> the messages that lead to it."""
    return scripts(mind)
