"""The serving process put together: store, mind, channels, web."""

from __future__ import annotations

import contextlib
import signal
import socket
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

import httpx
import structlog
import uvicorn
from sqlalchemy.exc import DatabaseError
from starlette.applications import Starlette

from chatkey.channels.base import ChannelError, place_of
from chatkey.channels.sms.channel import NAME, SmsChannel, SmsWriting
from chatkey.channels.sms.gateway import Gateway, Secrets, read_gateway
from chatkey.channels.sms.push import check_settings
from chatkey.channels.telegram.writing import TelegramWriting
from chatkey.channels.writing import Writing
from chatkey.dialog import Mind
from chatkey.dialog.handover import Desk
from chatkey.service.keeper import Keeper
from chatkey.service.limits import Limits
from chatkey.service.metrics import Metrics
from chatkey.service.pool import Opener, Thinkers
from chatkey.service.post import Clock, Post, Sender
from chatkey.service.running import Running
from chatkey.service.settings import Settings, SettingsError, SmsSettings
from chatkey.service.thinking import Frame
from chatkey.service.web import RESPONSE_WAIT_S, Door, SmsRoute, make_app
from chatkey.store import Seal, Store, StoreError, open_store
from chatkey.store.engine import check_key
from chatkey.store.erase import Retention
from chatkey.store.upgrade import condition, require_current
from chatkey.store.upgrade import upgrade as bring_up

if TYPE_CHECKING:
    from chatkey.service.telegram import Telegram

PATH = "/sms/in"
GRACE_S = 10
MARGIN_S = 5.0  # that a push or a response may take longer than it is given
SECRETS_STAND = "user under [sms], secrets rather as CHATKEY_SMS__PASSWORD and CHATKEY_SMS__SIGNING_KEY"

log = structlog.get_logger()


def store_of(settings: Settings, *, make: bool = False, upgrade: bool = False) -> Store:
    """The store of the settings, with its key checked and its tables up to date. Raises StoreError.

    With `make` a new one is made, with `upgrade` an old one is brought up to date too.
    """
    store = open_store(settings.store_place, Seal(settings.secret_key()))
    try:
        _see_file(store, make or upgrade)
        if upgrade and condition(store) == "old":
            bring_up(store)
        require_current(store, make=make or upgrade)
        check_key(store)
    except BaseException as error:
        store.close()
        if isinstance(error, DatabaseError):  # neither its statement nor the values in it
            what = str(error.orig).partition("\n")[0]
            raise StoreError("store", what, "see that it is a store of chatkey's, and yours to change") from None
        raise
    return store


def _see_file(store: Store, make: bool) -> None:
    """A file of SQLite is only its owner's from the first byte on, and made only where that is meant."""
    place = store.engine.url.database
    if not store.is_sqlite or not place or place == ":memory:":
        return
    path = Path(place)
    if make:
        path.touch(mode=0o600)
        path.chmod(0o600)
    elif not path.exists():
        raise StoreError(f"store {path}", "is not there", "give its place, or make it with `chatkey serve --check`")


def gateway_of(settings: SmsSettings) -> Gateway:
    """The gateway of the settings, its profile read. Raises ChannelError."""
    gateway = read_gateway(settings.gateway)
    if settings.push_url:
        gateway = gateway.at(settings.push_url)
    try:
        check_settings(gateway, secrets_of(settings))
    except ChannelError as error:
        where, what, mend = error.args
        raise ChannelError(where, what, f"{mend} ({SECRETS_STAND})") from None
    return gateway


def secrets_of(settings: SmsSettings) -> Secrets:
    """The secrets of the gateway, out of their wraps."""
    return Secrets(
        signing=settings.signing_key.get_secret_value(),
        user=settings.user,
        password=settings.password.get_secret_value(),
    )


def frame_of(settings: Settings, mind: Mind) -> Frame:
    """What is the same for all messages. Raises UsageError for a place that nobody knows."""
    writings: tuple[Writing, ...] = (SmsWriting(settings.sms.segments if settings.sms else 2), TelegramWriting())
    return Frame(
        desk=Desk(settings.group, settings.answer_within_days),
        place=place_of(mind, settings.place or None),
        group=settings.group,
        person=settings.person,
        text_letters=settings.limits.text_letters,
        channels={one.name: one for one in writings},
    )


def build(settings: Settings, open_mind: Opener, clock: Clock = time.time) -> Starlette:
    """The application of one serving process; its loops live as long as it does."""
    mind = open_mind()
    store = store_of(settings, make=True)
    frame = frame_of(settings, mind)
    client = httpx.AsyncClient(trust_env=False)
    sms = settings.sms
    channel = SmsChannel(gateway_of(sms), secrets_of(sms), sms.number, sms.region, client) if sms is not None else None
    senders: dict[str, Sender] = {}
    if channel and channel.gateway.push and channel.gateway.push.url:
        senders[NAME] = channel
    telegram = _telegram(settings)
    if telegram is not None:
        senders[TelegramWriting.name] = telegram.sender
    metrics = Metrics()
    post = Post(
        Keeper(store),
        senders=senders,
        metrics=metrics,
        clock=clock,
        claim_s=channel.gateway.push.timeout_s + MARGIN_S if channel and channel.gateway.push else MARGIN_S,
    )
    running = Running(
        keeper=post.keeper,
        thinkers=Thinkers(open_mind, settings.thinkers),
        frame=frame,
        post=post,
        retention=Retention(settings.words_days, settings.conversations_days),
        metrics=metrics,
        clock=clock,
        promised_days=settings.answer_within_days,
        held_s={NAME: RESPONSE_WAIT_S + MARGIN_S} if channel and channel.gateway.reply == "response" else {},
    )
    limits = Limits(settings.limits)
    doors: dict[str, Door] = {}
    if telegram is not None:
        doors |= telegram.join(settings, running, mind, limits, _too_many(frame, mind, TelegramWriting.name))
    if channel is not None:
        too_many = _too_many(frame, mind, NAME)
        url = (settings.public_url or f"http://{settings.host}:{settings.port}").rstrip("/") + PATH
        doors[PATH] = SmsRoute(running, channel, limits, settings.limits, url, too_many)
    app = make_app(running, doors)

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        try:
            await running.begin()
        except Exception as error:
            log.error("can_not_begin", error=error)
            raise
        log.info("serving", store="sqlite" if store.is_sqlite else "postgresql", thinkers=settings.thinkers)
        yield
        try:
            await running.end(GRACE_S)
            log.info("stopped")
        except Exception as error:
            log.error("stopped_badly", error=error)
            raise
        finally:
            await client.aclose()
            if telegram is not None:
                await telegram.close()
            store.close()

    app.state.running = running
    app.router.lifespan_context = lifespan
    return app


def _telegram(settings: Settings) -> Telegram | None:
    """Our bot, where one is set. What it needs is read only then: it takes a quarter of a second."""
    if settings.telegram is None:
        return None
    from chatkey.service.telegram import open_telegram

    return open_telegram(settings.telegram)


def _too_many(frame: Frame, mind: Mind, channel: str) -> str:
    """What a sender over the limit is told, as the channel writes it."""
    lines = {**mind.knowledge.lines.get("unknown", {}), **mind.card.lines}
    return frame.channels[channel].fit_text(mind, mind.script.say(f"{channel}_too_many", **lines))[0]


def serve(settings: Settings, open_mind: Opener) -> None:
    """Serves until it is told to stop (SIGTERM, SIGINT); then finishes what it took.

    Raises ChatkeyError where it can't begin.
    """
    try_port(settings.host, settings.port)  # uvicorn would end without a word that is kept
    config = uvicorn.Config(
        build(settings, open_mind),
        host=settings.host,
        port=settings.port,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=bool(settings.proxy),
        forwarded_allow_ips=settings.proxy or None,
        timeout_graceful_shutdown=GRACE_S,
        h11_max_incomplete_event_size=2 * settings.limits.body_bytes,
    )
    signal.signal(signal.SIGTERM, _end_well)  # uvicorn raises it again when all is done: that is no failure
    server = uvicorn.Server(config)
    server.run()
    if not server.started:  # the log has why
        raise SettingsError(
            "serve", "could not begin", "see the last lines of the log, then run `chatkey serve --check`"
        )


def try_port(host: str, port: int) -> None:
    """Nothing, where the port can be listened on. Raises SettingsError."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host or None, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(address)
    except OSError as error:
        mend = "stop what uses it (chatkey itself, perhaps), or set another host or port"
        raise SettingsError("port", f"can't be taken ({error.strerror})", mend) from None


def _end_well(_number: int, _frame: object) -> None:
    """What a stop that was asked for does once everything is finished: nothing."""
