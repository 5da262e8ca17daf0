"""A small Spanish mind: words and lines stand in this folder, numbers and flow are the shipped ones."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from chatkey.app import open_mind
from chatkey.data import shipped
from chatkey.dialog import Mind

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The folders of knowledge and dialogs, whole."""
    top = tmp_path_factory.mktemp("es")
    for name, from_the_shipped in (("knowledge", "numbers.yaml"), ("dialogs", "flow.yaml")):
        shutil.copytree(HERE / name, top / name)
        shutil.copy(shipped(name) / from_the_shipped, top / name)
    return top / "knowledge", top / "dialogs"


@pytest.fixture(scope="session")
def spanish(folders: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mind]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CHATKEY_CACHE", str(tmp_path_factory.mktemp("cache")))  # not among the minds people use
        yield open_mind(*folders, language="es")
