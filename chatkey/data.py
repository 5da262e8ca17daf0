"""Where the shipped folders of data are: inside the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """The folder of shipped data called `name`. An editable install finds it beside the package."""
    for folder in (PACKAGE / "_data" / name, PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"{name}/ is neither in the installed package nor beside it; reinstall chatkey")
