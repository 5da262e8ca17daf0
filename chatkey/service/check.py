"""What would keep a group from serving, tried for real before it starts; nothing is changed, a new store is made."""

from __future__ import annotations

import contextlib
import socket
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import httpx

from chatkey.channels.sms.gateway import Gateway
from chatkey.service.load import read_toml, secrets_in
from chatkey.service.pool import Opener
from chatkey.service.serve import frame_of, gateway_of, store_of, try_port
from chatkey.service.settings import Settings, SettingsError, SmsSettings
from chatkey.store import Seal
from chatkey.terms import ChatkeyError

WEB_PORTS = {"http": 80, "https": 443}
DOOR_S = 3.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: where it is well, `fault` and `mend` are empty."""

    what: str
    fault: str = ""
    mend: str = ""

    def __str__(self) -> str:
        return f"mend  {self.what}: {self.fault}; {self.mend}" if self.fault else f"fine  {self.what}"


def findings(settings: Settings, open_mind: Opener) -> list[Finding]:
    """All that was looked at, in the order in which it is mended best."""
    return [*_files(settings), *_mind(settings, open_mind), *_store(settings), _port(settings), *_sms(settings)]


def _files(settings: Settings) -> Iterator[Finding]:
    """The files that hold secrets, and whether only their owner may read them."""
    if settings.key_file is not None and settings.key_file.is_file():
        yield _look(f"who may read {settings.key_file}", partial(_try_private, settings.key_file, "the key"))
    if settings.file is not None and (secrets := secrets_in(read_toml(settings.file))):
        yield _look(f"who may read {settings.file}", partial(_try_private, settings.file, " and ".join(secrets)))


def _mind(settings: Settings, open_mind: Opener) -> Iterator[Finding]:
    found: list[Any] = []
    yield _look("knowledge, dialogs and card", lambda: found.append(open_mind()))
    if found and settings.place:
        yield _look(f"place {settings.place}", lambda: frame_of(settings, found[0]))


def _store(settings: Settings) -> Iterator[Finding]:
    key = _look("key", lambda: Seal(settings.secret_key()))
    yield key
    kind = "postgresql" if settings.store_place.startswith("postgres") else "sqlite"
    if not key.fault:
        yield _look(f"store ({kind})", lambda: store_of(settings, make=True).close())


def _port(settings: Settings) -> Finding:
    return _look(f"port {settings.port} on {settings.host}", lambda: try_port(settings.host, settings.port))


def _sms(settings: Settings) -> Iterator[Finding]:
    sms = settings.sms
    if sms is None:
        yield Finding("sms", "is not set", "add [sms] with gateway and number to the settings")
        return
    found: list[Gateway] = []
    yield _look(f"gateway {sms.gateway}", lambda: found.append(gateway_of(sms)))
    yield _look("our number", lambda: _try_number(sms))
    for gateway in found:
        if gateway.signing.signs == "url_and_fields":
            yield _look("public_url", lambda: _try_public_url(settings))
        if gateway.push is not None and gateway.push.url:
            yield _look("the gateway's door for replies", partial(_try_door, gateway.push.url))


def _look(what: str, test: Callable[[], object]) -> Finding:
    try:
        test()
    except ChatkeyError as error:
        where, fault, mend = error.args
        return Finding(what, fault if where in what else f"{where}: {fault}", mend)
    except ModuleNotFoundError as error:
        if error.name != "psycopg":
            raise
        return Finding(what, "psycopg is not installed", "run `pip install 'chatkey[postgres]'`")
    except OSError as error:
        fault = error.strerror or type(error).__name__
        return Finding(
            what, f"{error.filename}: {fault}" if error.filename else fault, "see that it is right and may be used"
        )
    return Finding(what)


def _try_private(path: Path, secret: str) -> None:
    if path.stat().st_mode & stat.S_IROTH:
        mend = f"run `chmod 600 {path}`"
        raise SettingsError(str(path), f"everyone on this machine can read {secret} in it", mend)


def _try_number(sms: SmsSettings) -> None:
    if not sms.number:
        raise SettingsError("number", "is not set", "set number under [sms]: what people text to")


def _try_public_url(settings: Settings) -> None:
    if not settings.public_url:
        mend = "set public_url to the address that the gateway calls, without its path"
        raise SettingsError("public_url", "is not set, and this gateway signs over it", mend)


def _try_door(address: str) -> None:
    url = httpx.URL(address)
    with contextlib.suppress(OSError):
        socket.create_connection((url.host, url.port or WEB_PORTS[url.scheme]), timeout=DOOR_S).close()
        return
    mend = "start the gateway, or mend push_url; replies wait meanwhile"
    raise SettingsError("push_url", f"nobody answers at {url.host}:{url.port or WEB_PORTS[url.scheme]}", mend)
