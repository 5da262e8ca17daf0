"""What would keep a group from serving, tried for real before it starts; nothing is changed, a new store is made."""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.gateway import Gateway
from chatkey.service.load import read_toml, secrets_in
from chatkey.service.pool import Opener
from chatkey.service.serve import frame_of, gateway_of, store_of, try_port
from chatkey.service.settings import Settings, SettingsError, SmsSettings, TelegramSettings
from chatkey.store import Seal
from chatkey.terms import ChatkeyError

if TYPE_CHECKING:
    from telegram import Bot

WEB_PORTS = {"http": 80, "https": 443}
DOOR_S = 3.0
EXTRAS = {"psycopg": "postgres", "telegram": "telegram"}  # module -> the extra that brings it
TOKEN = re.compile(r"[0-9]+:[A-Za-z0-9_-]+", re.ASCII)  # as the Bot API's page shows one
GROUPS = ("group", "supergroup")


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
    return [*_files(settings), *_mind(settings, open_mind), *_store(settings), _port(settings), *_channels(settings)]


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


def _channels(settings: Settings) -> Iterator[Finding]:
    if settings.sms is None and settings.telegram is None:
        mend = "add [sms] with gateway and number, or [telegram] with its token, to the settings"
        yield Finding("channels", "none is set", mend)
    if settings.sms is not None:
        yield from _sms(settings, settings.sms)
    if settings.telegram is not None:
        yield from _telegram(settings, settings.telegram)


def _sms(settings: Settings, sms: SmsSettings) -> Iterator[Finding]:
    found: list[Gateway] = []
    yield _look(f"gateway {sms.gateway}", lambda: found.append(gateway_of(sms)))
    yield _look("our number", lambda: _try_number(sms))
    for gateway in found:
        if gateway.signing.signs == "url_and_fields":
            yield _look("public_url", lambda: _try_public_url(settings))
        if gateway.push is not None and gateway.push.url:
            yield _look("the gateway's door for replies", partial(_try_door, gateway.push.url))


def _telegram(settings: Settings, telegram: TelegramSettings) -> Iterator[Finding]:
    client = _look("telegram's client", partial(import_module, "chatkey.service.telegram"))
    yield client
    if client.fault:
        return
    opened: list[Bot] = []
    yield _look("telegram's bot", lambda: opened.append(_bot(telegram)))
    if telegram.secret.get_secret_value():
        yield _look("telegram's webhook", partial(_try_webhook, settings, telegram))
    if telegram.stewards > 0:
        mend = f"set stewards to the group's id, which is below zero; perhaps -{telegram.stewards}"
        yield Finding("the stewards' group", "has the id of a person", mend)
    for bot in opened:
        yield from asyncio.run(_asked(bot, telegram))


async def _asked(bot: Bot, settings: TelegramSettings) -> list[Finding]:
    """What Telegram itself says of our bot and of the stewards' group."""
    what = f"telegram at {httpx.URL(settings.api).host}"
    try:
        fault, mend = await _refusal(bot)
        if fault:
            return [Finding(what, fault, mend)]
        found = [Finding(f"{what}, where we are @{bot.username}"), _privacy(bot)]
        if settings.stewards < 0:
            found.append(await _stewards(bot, settings.stewards))
        elif not settings.stewards and not settings.secret.get_secret_value():
            found += await _groups(bot)
        return found
    finally:
        await bot.shutdown()


async def _refusal(bot: Bot) -> tuple[str, str]:
    """Why Telegram does not serve us and what to do; empty where it does."""
    from telegram.error import InvalidToken, TelegramError

    from chatkey.channels.telegram.updates import UNREADABLE

    try:
        await bot.initialize()
    except InvalidToken:
        return "does not know the token", "copy it whole from the chat in which the bot was made"
    except (TelegramError, *UNREADABLE) as error:  # its words may hold the token
        return f"gave no answer ({type(error).__name__})", "see that this machine reaches it; messages wait meanwhile"
    return "", ""


def _privacy(bot: Bot) -> Finding:
    if bot.bot.can_read_all_group_messages:
        return Finding(
            "telegram's privacy mode is off: groups are heard whole; turn it on, and add the bot anew to each"
        )
    return Finding("telegram's privacy mode is on")


async def _stewards(bot: Bot, chat: int) -> Finding:
    from telegram.error import ChatMigrated, Forbidden, TelegramError

    from chatkey.channels.telegram.updates import UNREADABLE

    what = f"the stewards' group {chat}"
    try:
        kind = (await bot.get_chat(chat)).type
    except ChatMigrated as error:
        return Finding(what, "has another id now", f"set stewards = {error.new_chat_id} under [telegram]")
    except Forbidden:
        return Finding(what, "has put the bot out", "add the bot to it again")
    except (TelegramError, *UNREADABLE) as error:
        return Finding(what, f"is not reached ({type(error).__name__})", "add the bot to it, or mend stewards")
    return Finding(what) if kind in GROUPS else Finding(what, f"is a {kind}", "set stewards to the id of a group")


async def _groups(bot: Bot) -> list[Finding]:
    """The groups that wait for us, by id: one may be meant for the stewards. What waits goes on waiting."""
    from telegram.error import TelegramError

    from chatkey.channels.telegram.client import poll

    try:
        if (await bot.get_webhook_info()).url:
            return []  # to look would end it
        updates = (await poll(bot, hold_s=0)).updates
    except (TelegramError, ChannelError):
        return []
    chats = {chat.id: chat.title or "" for update in updates if (chat := update.effective_chat) and chat.type in GROUPS}
    return [Finding(f'the group "{_printable(title)}" has the id {id}') for id, title in chats.items()]


def _look(what: str, test: Callable[[], object]) -> Finding:
    try:
        test()
    except ChatkeyError as error:
        where, fault, mend = error.args
        return Finding(what, fault if where in what else f"{where}: {fault}", mend)
    except ModuleNotFoundError as error:
        name = (error.name or "").partition(".")[0]
        if name not in EXTRAS:
            raise
        return Finding(what, f"{name} is not installed", f"run `pip install 'chatkey[{EXTRAS[name]}]'`")
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


def _bot(settings: TelegramSettings) -> Bot:
    from chatkey.service.telegram import open_telegram

    token = settings.token.get_secret_value()
    if token and not TOKEN.fullmatch(token):
        mend = "copy it whole from the chat in which the bot was made"
        raise SettingsError("token", "is not digits, a colon and letters, as Telegram's are", mend)
    try:
        httpx.URL(settings.api)
    except httpx.InvalidURL:
        raise SettingsError("api", "is no address", "leave it out, or write https:// and the server's name") from None
    return open_telegram(settings).channel.bot


def _try_webhook(settings: Settings, telegram: TelegramSettings) -> None:
    from chatkey.service.telegram import webhook_of

    if webhook_of(settings).startswith("http:") and telegram.api == TelegramSettings().api:
        mend = "give the https:// address of your reverse proxy"
        raise SettingsError("public_url", "begins with http://, and Telegram calls over HTTPS alone", mend)


def _printable(title: str) -> str:
    """A group's title as a terminal may show it: anybody can have made it."""
    return "".join(letter for letter in title if letter.isprintable())
