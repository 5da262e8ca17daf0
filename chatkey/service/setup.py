"""A folder for a group: settings to mend, a key that is theirs alone, and their card."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from chatkey.data import PACKAGE
from chatkey.service.settings import FILE, SettingsError
from chatkey.store.seal import new_key

KEY_FILE = "chatkey.key"
EXAMPLES = PACKAGE / "_examples"


def set_up(folder: Path) -> Iterator[tuple[Path, str]]:
    """Writes what is not there yet: each file, and what it is. Nothing that stands is written over."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise SettingsError(f"folder {folder}", str(error.strerror), "give one that can be made") from None
    yield from _write(folder / FILE, (EXAMPLES / FILE).read_text(encoding="utf-8"), "your settings, to mend", 0o600)
    what = "the key of your store; keep a copy elsewhere, without it no reply finds its way"
    yield from _write(folder / KEY_FILE, new_key() + "\n", what, 0o600)
    card = (EXAMPLES / "larkwater.yaml").read_text(encoding="utf-8")
    yield from _write(folder / "card.yaml", card, "your card; its lines and offices are invented, put in yours", 0o644)


def _write(path: Path, text: str, what: str, mode: int) -> Iterator[tuple[Path, str]]:
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    except FileExistsError:
        yield path, "stands already, left as it is"
        return
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
    yield path, what
