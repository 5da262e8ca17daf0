"""Where the shipped folders of data are, and a memory on disk for what was worked out from them."""

from __future__ import annotations

import gc
import hashlib
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

PACKAGE = Path(__file__).resolve().parent
T = TypeVar("T")


def shipped(name: str) -> Path:
    """The folder of shipped data called `name`. An editable install finds it beside the package."""
    for folder in (PACKAGE / "_data" / name, PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"{name}/ is neither in the installed package nor beside it; reinstall chatkey")


def remembered(folders: Iterable[Path], build: Callable[[], T], variant: str = "") -> T:
    """What `build` makes of these folders, kept in the user's cache folder; `variant` tells what else it depends on.

    It can't go stale: the key is the content of every YAML file, the state of every module of this package and the
    version of Python. Where the cache can't be read or written, or others could have written it, it is built anew.
    """
    path = _cache_folder() / f"{_key(folders, variant)}.pickle"
    try:
        if _is_own(path):
            with uncollected():
                found: T = pickle.loads(path.read_bytes())
            return found
    except Exception:  # whatever is wrong with a cache file, building anew mends it
        pass
    with uncollected():
        made = build()
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        for old in sorted(path.parent.glob("*.pickle"), key=lambda file: file.stat().st_mtime)[:-3]:
            old.unlink(missing_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            pickle.dump(made, file, protocol=pickle.HIGHEST_PROTOCOL)
        os.replace(name, path)
    except OSError:
        pass
    return made


@contextmanager
def uncollected() -> Iterator[None]:
    """While many small things are made that all stay, the collector only costs time: four times as much."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _cache_folder() -> Path:
    given = os.environ.get("CHATKEY_CACHE") or os.environ.get("XDG_CACHE_HOME")
    return Path(given or Path.home() / ".cache") / "chatkey"


def _is_own(path: Path) -> bool:
    """Only this user can have written the file: reading a pickle runs what its writer wants."""
    if not hasattr(os, "getuid"):
        return True
    return all(one.stat().st_uid == os.getuid() and not one.stat().st_mode & 0o022 for one in (path, path.parent))


def _key(folders: Iterable[Path], variant: str) -> str:
    total = hashlib.sha256(f"{sys.version}\0{variant}\0".encode())
    for folder in folders:
        for path in sorted([*folder.rglob("*.yaml"), *folder.rglob("*.txt")]):
            total.update(f"{path}\0".encode() + (path.read_bytes() if path.is_file() else b""))
    for path in sorted(PACKAGE.rglob("*.py")):
        state = path.stat()
        total.update(f"{path}\0{state.st_size}\0{state.st_mtime_ns}\0".encode())
    return total.hexdigest()[:32]
