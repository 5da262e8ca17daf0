"""What a group sets: by file (TOML) and environment, read early, with a mend for each fault.

Secrets are given by file or environment only, never on the command line, where a process list shows them.
"""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from chatkey.store.seal import read_key
from chatkey.terms import ChatkeyError

FILE = "chatkey.toml"
SPLIT = "__"


class SettingsError(ChatkeyError):
    """A setting that is missing, unknown or can't be."""


class SmsSettings(BaseModel):
    """The SMS channel: which gateway, which number of ours, and its secrets."""

    model_config = ConfigDict(extra="forbid")

    gateway: str = "kannel"  # a shipped profile by name, or the path of your own
    number: str = ""  # ours, as the gateway wants it
    region: str = Field(default="US", pattern="^[A-Z]{2}$")  # in which numbers without a country code are read
    push_url: str = ""  # where replies are handed over; else as the profile says
    user: str = ""
    password: SecretStr = SecretStr("")
    signing_key: SecretStr = SecretStr("")
    segments: int = Field(default=2, ge=1, le=4)


class LimitSettings(BaseModel):
    """How much is taken: what is over it is kept and answered with a request to wait, or refused with 429."""

    model_config = ConfigDict(extra="forbid")

    sender_a_minute: int = Field(default=20, ge=1)
    sender_a_day: int = Field(default=300, ge=1)
    all_a_minute: int = Field(default=3000, ge=1)
    body_bytes: int = Field(default=16_384, ge=256, le=1_048_576)
    text_letters: int = Field(default=2_000, ge=160, le=20_000)  # of one message that are read


class Settings(BaseSettings):
    """All settings. The environment wins over the file: CHATKEY_GROUP, CHATKEY_SMS__GATEWAY, …"""

    model_config = SettingsConfigDict(env_prefix="CHATKEY_", env_nested_delimiter=SPLIT, extra="forbid")

    group: str = "the stewards"
    person: str = "Type PERSON for a person."
    store: str = ""
    key: SecretStr = SecretStr("")
    key_file: Path | None = None
    card: Path | None = None
    knowledge: Path | None = None
    dialogs: Path | None = None
    language: str = "en"
    place: str = ""  # where finders are as a rule, if all are in one state
    host: str = "127.0.0.1"
    port: int = Field(default=8080, ge=0, le=65535)
    proxy: str = ""  # address of a reverse proxy before us, whose word on the caller counts
    public_url: str = ""  # how the gateway sees us; signatures are made over it
    answer_within_days: int = Field(default=3, ge=1, le=60)
    thinkers: int = Field(default=1, ge=0, le=64)  # processes beside the one that serves; 0: it thinks itself
    words_days: float = Field(default=30, gt=0)
    conversations_days: float = Field(default=365, gt=0)
    sms: SmsSettings | None = None
    limits: LimitSettings = LimitSettings()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """What is given in code, then the environment, then the file."""
        del dotenv_settings, file_secret_settings
        file = cls.model_config.get("toml_file")
        return (init_settings, env_settings, *((TomlConfigSettingsSource(settings_cls),) if file else ()))

    @property
    def store_place(self) -> str:
        """The path or URL of the store: the user's data folder where nothing is said."""
        return self.store or str(Path(platformdirs.user_data_dir("chatkey", appauthor=False)) / "chatkey.db")

    def secret_key(self) -> bytes:
        """The key that addresses are sealed with. Raises SettingsError or SealError."""
        if self.key.get_secret_value():
            return read_key(self.key.get_secret_value())
        if self.key_file is None:
            raise SettingsError("key", "is not set", "run `chatkey setup`, or set key_file or CHATKEY_KEY")
        try:
            return read_key(self.key_file.read_text(encoding="utf-8"))
        except OSError as error:
            raise SettingsError(f"key_file {self.key_file}", str(error.strerror), "give the file's path") from None


def load_settings(file: Path | None = None, **given: Any) -> Settings:
    """The settings of a file (chatkey.toml here, where there is one), the environment and `given`.

    Paths in the file are meant from its folder. Raises SettingsError naming file and key, or the variable.
    """
    path = file or (Path(FILE) if Path(FILE).is_file() else None)
    if path is not None:
        _check_toml(path)
    bound = type("FileSettings", (Settings,), {"model_config": {**Settings.model_config, "toml_file": path}})
    try:
        settings: Settings = bound(**given)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        where = f"{path or 'environment'}: {key}"
        raise SettingsError(where, first["msg"].lower(), _mend(key, path)) from None
    folder = path.parent if path else Path()
    return settings.model_copy(update={name: _beside(folder, getattr(settings, name)) for name in _PATHS})


_PATHS = ("key_file", "card", "knowledge", "dialogs")


def _beside(folder: Path, path: Path | None) -> Path | None:
    return path if path is None or path.is_absolute() else folder / path


def _check_toml(path: Path) -> None:
    try:
        with path.open("rb") as file:
            tomllib.load(file)
    except OSError as error:
        raise SettingsError(str(path), str(error.strerror), "give the path of a settings file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(str(path), f"is no TOML: {error}", "mend that line") from None


def _mend(key: str, path: Path | None) -> str:
    variable = f"CHATKEY_{key.replace('.', SPLIT).upper()}"
    if variable in os.environ:
        return f"mend or unset {variable}"
    return f"mend it in {path}" if path else f"set {variable}"
