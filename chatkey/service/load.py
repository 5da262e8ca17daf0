"""Settings read from file (TOML) and environment, with a mend for each fault.

No fault shows a value, nor do its causes: a secret could be among them.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from chatkey.knowledge.yaml_nodes import nearest
from chatkey.service.settings import FILE, PREFIX, SPLIT, TABLES, Settings, SettingsError

NO_SETTINGS = {"CHATKEY_CACHE"}  # a variable of chatkey/data.py
IN_MEMORY = ":memory:"


def load_settings(file: Path | None = None, **given: Any) -> Settings:
    """The settings of a file (chatkey.toml here, where there is one), the environment and `given`.

    Paths in the file and the environment are meant from the file's folder; those in `given` from the working
    directory. Raises SettingsError naming file and key, or the variable.
    """
    path = file or (Path(FILE) if Path(FILE).is_file() else None)
    if path is not None:
        read_toml(path)
    _check_variables()
    bound = type("FileSettings", (Settings,), {"model_config": {**Settings.model_config, "toml_file": path}})
    try:
        settings: Settings = bound(**given)
    except ValidationError as error:
        raise _fault(error.errors(include_url=False, include_input=False)[0], path, given) from None
    _check_store(settings.store, path, given)
    return _with_paths(settings, path.parent if path else Path(), given).read_from(path)


def read_toml(path: Path) -> dict[str, Any]:
    """What a settings file says, unproved. Raises SettingsError."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise SettingsError(str(path), str(error.strerror), "give the path of a settings file") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(str(path), f"is no TOML: {error}", "mend that line") from None
    except UnicodeDecodeError:
        raise SettingsError(str(path), "is no text", "keep it in UTF-8") from None


def secrets_in(said: Mapping[str, Any]) -> list[str]:
    """The keys of a settings file that hold a secret."""
    sms = said.get("sms")
    held = {"key": said.get("key")}
    telegram = said.get("telegram")
    held |= {f"sms.{name}": sms.get(name) for name in ("password", "signing_key")} if isinstance(sms, dict) else {}
    if isinstance(telegram, dict):
        held |= {f"telegram.{name}": telegram.get(name) for name in ("token", "secret")}
    held["store"] = "@" in str(said.get("store", "")) and has_password(str(said["store"]))
    return [name for name, value in held.items() if value]


def has_password(store: str) -> bool:
    """Whether the URL of a store holds a password."""
    try:
        url = make_url(store)
    except (ArgumentError, ValueError):
        return "@" in store
    return url.password is not None or "password" in url.query


def _check_variables() -> None:
    known = VARIABLES | NO_SETTINGS
    for name in sorted(os.environ):
        variable = name.upper()
        if not variable.startswith(PREFIX) or variable in known:
            continue
        if variable.removeprefix(PREFIX).lower() in TABLES:
            raise SettingsError(name, "is a table", f"set {variable}{SPLIT}… for each of its keys")
        raise SettingsError(name, "is no setting", f"{nearest(variable, sorted(known))} unset it otherwise")


def _check_store(store: str, path: Path | None, given: Mapping[str, Any]) -> None:
    try:
        if "://" in store:
            make_url(store)
    except (ArgumentError, ValueError):  # their words would hold a part of it
        mend = "write sqlite:///PATH or postgresql://HOST/NAME; in a password %2F stands for / and %40 for @"
        raise SettingsError(_where("store", path, given), "is no URL that can be read", mend) from None


def _with_paths(settings: Settings, folder: Path, given: Mapping[str, Any]) -> Settings:
    """The same settings with their paths meant from the folder."""
    changed: dict[str, Any] = {
        name: _beside(folder, path)
        for name in _PATHS
        if name not in given and (path := getattr(settings, name)) is not None
    }
    if settings.store and "store" not in given:
        changed["store"] = _store_beside(folder, settings.store)
    sms = settings.sms
    if sms is not None and ("/" in sms.gateway or sms.gateway.endswith((".yaml", ".yml"))):
        changed["sms"] = sms.model_copy(update={"gateway": str(_beside(folder, Path(sms.gateway)))})
    return settings.model_copy(update=changed)


def _store_beside(folder: Path, store: str) -> str:
    head, mark, place = store.partition(":///")
    if mark and head.startswith("sqlite") and not place.startswith(IN_MEMORY):
        return f"{head}{mark}{_beside(folder, Path(place))}"
    return store if "://" in store or store == IN_MEMORY else str(_beside(folder, Path(store)))


def _beside(folder: Path, path: Path) -> Path:
    return folder / path.expanduser()


def _fault(found: ErrorDetails, path: Path | None, given: Mapping[str, Any]) -> SettingsError:
    key = ".".join(str(part) for part in found["loc"])
    what = _FORMS.get(key) or _WORDS.get(found["type"], "can't be understood").format(**found.get("ctx", {}))
    where = _where(key, path, given)
    mend = _MENDS.get(found["type"]) or (f"mend it in {path}" if where.startswith(f"{path}") else "mend or unset it")
    if found["type"] == "extra_forbidden":
        what, mend = "is not known", nearest(key.rpartition(".")[2], _names(key.rpartition(".")[0]))
    return SettingsError(where, what, mend)


def _where(key: str, path: Path | None, given: Mapping[str, Any]) -> str:
    """Who said it: the command line, else the environment, else the file."""
    variable = _variable(key)
    if key in given:
        return f"--{key}"
    return variable if variable in map(str.upper, os.environ) or path is None else f"{path}: {key}"


def _variable(key: str) -> str:
    return PREFIX + key.replace(".", SPLIT).upper()


def _names(table: str) -> Collection[str]:
    return sorted((TABLES.get(table, Settings)).model_fields)


_PATHS = ("key_file", "card", "knowledge", "dialogs")
_FORMS = {
    "sms.region": "is not a country's two capital letters",
    "public_url": "does not begin with https://",
    "telegram.api": "does not begin with https://",
}
_WORDS: Mapping[str, str] = {
    **dict.fromkeys(("int_parsing", "int_type", "int_from_float"), "is no whole number"),
    **dict.fromkeys(("float_parsing", "float_type", "finite_number"), "is no number"),
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type"), "is no table"),
    "string_type": "is no text",
    "path_type": "is no path",
    "greater_than_equal": "is below {ge}",
    "greater_than": "is not above {gt}",
    "less_than_equal": "is above {le}",
}
_MENDS: Mapping[str, str] = {
    **dict.fromkeys(("string_type", "path_type"), "write it in quotes"),
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type"), "begin a table with its name in brackets"),
}
VARIABLES = {_variable(name) for name in Settings.model_fields if name not in TABLES} | {
    _variable(f"{table}.{name}") for table, model in TABLES.items() for name in model.model_fields
}
