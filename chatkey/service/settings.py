"""What a group can set. Secrets are given by file or environment only: a list of processes shows a command line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, SecretStr
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from chatkey.store.seal import read_key
from chatkey.terms import ChatkeyError

FILE = "chatkey.toml"
PREFIX = "CHATKEY_"
SPLIT = "__"


class SettingsError(ChatkeyError):
    """A setting that is missing, unknown or can't be."""


class SmsSettings(BaseModel):
    """The SMS channel: which gateway, which number of ours, and its secrets."""

    model_config = ConfigDict(extra="forbid")

    gateway: str = "kannel"  # a shipped profile by name, or the path of your own
    number: str = ""  # ours, as the gateway wants it
    region: str = Field(default="US", pattern="^[A-Z]{2}$")  # in which numbers without a country code are read
    push_url: str = Field(default="", repr=False)  # where replies are handed over; else as the profile says
    user: str = ""
    password: SecretStr = SecretStr("")
    signing_key: SecretStr = SecretStr("")
    segments: int = Field(default=2, ge=1, le=4)


class TelegramSettings(BaseModel):
    """The Telegram channel: our bot, how updates come, and the group of those who answer."""

    model_config = ConfigDict(extra="forbid")

    token: SecretStr = SecretStr("")
    stewards: int = 0  # the id of the stewards' group, below zero; 0: there is none
    secret: SecretStr = SecretStr("")  # of the webhook; with public_url Telegram then calls us, else we ask it
    api: str = Field(default="https://api.telegram.org", pattern="^https?://.+$", repr=False)


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

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter=SPLIT, env_ignore_empty=True, extra="forbid", hide_input_in_errors=True
    )

    group: str = "the stewards"
    person: str = "Type PERSON for a person."
    store: str = Field(default="", repr=False)  # a URL may hold a password
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
    public_url: str = Field(default="", pattern="^(https?://.+)?$")  # how the gateway sees us; it may sign over it
    answer_within_days: int = Field(default=3, ge=1, le=60)
    thinkers: int = Field(default=1, ge=0, le=64)  # processes beside the one that serves; 0: it thinks itself
    words_days: float = Field(default=30, gt=0, allow_inf_nan=False)
    conversations_days: float = Field(default=365, gt=0, allow_inf_nan=False)
    sms: SmsSettings | None = None
    telegram: TelegramSettings | None = None
    limits: LimitSettings = LimitSettings()

    _file: Path | None = PrivateAttr(default=None)

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
    def file(self) -> Path | None:
        """The file that these settings were read from, where there was one."""
        return self._file

    def read_from(self, file: Path | None) -> Settings:
        """The same settings, which know their file."""
        self._file = file
        return self

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
            return read_key(self.key_file.read_text(encoding="ascii"))
        except OSError as error:
            raise SettingsError(f"key_file {self.key_file}", str(error.strerror), "give the key's path") from None
        except UnicodeDecodeError:
            mend = "give the path of a key that `chatkey setup` made"
            raise SettingsError(f"key_file {self.key_file}", "holds no key", mend) from None


TABLES: Mapping[str, type[BaseModel]] = {"sms": SmsSettings, "telegram": TelegramSettings, "limits": LimitSettings}
