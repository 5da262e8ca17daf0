"""The serving process put together: store, mind, channels, web; and the check before it starts."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import structlog
import uvicorn
from starlette.applications import Starlette

from chatkey.channels.base import place_of
from chatkey.channels.sms.channel import NAME, SmsChannel, SmsWriting
from chatkey.channels.sms.gateway import Gateway, Secrets, read_gateway
from chatkey.channels.sms.push import check_settings
from chatkey.dialog import Mind
from chatkey.dialog.handover import Desk
from chatkey.service.metrics import Metrics
from chatkey.service.pool import Opener, Thinkers
from chatkey.service.running import Clock, Running
from chatkey.service.settings import Settings, SettingsError, SmsSettings
from chatkey.service.thinking import Frame
from chatkey.service.web import Limits, SmsRoute, make_app
from chatkey.store import Seal, Store, open_store
from chatkey.store.engine import check_key
from chatkey.store.erase import Retention
from chatkey.store.upgrade import require_current
from chatkey.terms import ChatkeyError

PATH = "/sms/in"
GRACE_S = 10

log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the check looked at: "" as `mend` where it is well."""

    what: str
    mend: str = ""


def store_of(settings: Settings) -> Store:
    """The store of the settings, with its key checked and its tables up to date; a new one is made."""
    store = open_store(settings.store_place, Seal(settings.secret_key()))
    require_current(store, make=True)
    check_key(store)
    if store.is_sqlite and Path(settings.store_place).is_file():
        Path(settings.store_place).chmod(0o600)
    return store


def gateway_of(settings: SmsSettings) -> Gateway:
    """The gateway of the settings, its profile read. Raises ChannelError."""
    gateway = read_gateway(settings.gateway)
    if settings.push_url:
        gateway = gateway.at(settings.push_url)
    check_settings(gateway, secrets_of(settings))
    return gateway


def secrets_of(settings: SmsSettings) -> Secrets:
    """The secrets of the gateway, out of their wraps."""
    return Secrets(
        signing=settings.signing_key.get_secret_value(),
        user=settings.user,
        password=settings.password.get_secret_value(),
    )


def frame_of(settings: Settings, mind: Mind) -> Frame:
    """What is the same for all messages."""
    return Frame(
        desk=Desk(settings.group, settings.answer_within_days),
        place=place_of(mind, settings.place or None),
        group=settings.group,
        person=settings.person,
        text_letters=settings.limits.text_letters,
        channels={NAME: SmsWriting(settings.sms.segments if settings.sms else 2)},
    )


def build(settings: Settings, open_mind: Opener, clock: Clock = time.time) -> Starlette:
    """The application of one serving process; its loops live as long as it does."""
    mind = open_mind()
    store = store_of(settings)
    frame = frame_of(settings, mind)
    client = httpx.AsyncClient(trust_env=False)
    sms = settings.sms
    channel = SmsChannel(gateway_of(sms), secrets_of(sms), sms.number, sms.region, client) if sms is not None else None
    running = Running(
        store=store,
        thinkers=Thinkers(open_mind, settings.thinkers),
        frame=frame,
        senders={NAME: channel} if channel else {},
        retention=Retention(settings.words_days, settings.conversations_days),
        metrics=Metrics(),
        clock=clock,
        promised_days=settings.answer_within_days,
    )
    route = None
    if channel is not None:
        lines = {**mind.knowledge.lines.get("unknown", {}), **mind.card.lines}
        too_many = frame.channels[NAME].fit_text(mind, mind.script.say("sms_too_many", **lines))[0]
        url = (settings.public_url or f"http://{settings.host}:{settings.port}").rstrip("/") + PATH
        route = SmsRoute(running, channel, Limits(settings.limits), settings.limits, url, too_many)
    app = make_app(running, route)

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        await running.begin()
        log.info("serving", store="sqlite" if store.is_sqlite else "postgresql", thinkers=settings.thinkers)
        yield
        await running.end(GRACE_S)
        await client.aclose()
        store.close()
        log.info("stopped")

    app.state.running = running
    app.router.lifespan_context = lifespan
    return app


def serve(settings: Settings, open_mind: Opener) -> None:
    """Serves until it is told to stop (SIGTERM, SIGINT); then finishes what it took."""
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
    uvicorn.Server(config).run()


def findings(settings: Settings, open_mind: Opener) -> list[Finding]:
    """What would keep it from serving, each with the mend, and what is well; a new store is made."""
    looked = [
        _look("knowledge, dialogs and card", lambda: open_mind()),
        _look("key", settings.secret_key),
        _look(f"store ({_kind(settings)})", lambda: store_of(settings).close()),
        _look(f"port {settings.port} on {settings.host}", lambda: _try_port(settings.host, settings.port)),
    ]
    if settings.sms is None:
        looked.append(Finding("sms: not set", "add [sms] with gateway and number to the settings"))
    else:
        sms = settings.sms
        looked.append(_look(f"gateway {sms.gateway}", lambda: gateway_of(sms)))
        looked.append(
            Finding("our number")
            if sms.number
            else Finding("our number: not set", "set number under [sms]: what people text to")
        )
        looked.append(_look("the gateway's door for replies", lambda: _try_door(gateway_of(sms))))
    return looked


def _look(what: str, test: Callable[[], Any]) -> Finding:
    try:
        test()
    except ChatkeyError as error:
        where, found, mend = error.args
        return Finding(f"{what}: {where} {found}", mend)
    except OSError as error:
        return Finding(
            f"{what}: {error.strerror or type(error).__name__}", "see that the path is right and may be read"
        )
    return Finding(what)


def _kind(settings: Settings) -> str:
    return "postgresql" if settings.store_place.startswith("postgres") else "sqlite"


def _try_port(host: str, port: int) -> None:
    with socket.socket() as tried:
        tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            tried.bind((host, port))
        except OSError as error:
            raise SettingsError(
                "port", f"can't be taken ({error.strerror})", "stop what uses it, or set port"
            ) from None


def _try_door(gateway: Gateway) -> None:
    if gateway.push is None or not gateway.push.url:
        return
    url = httpx.URL(gateway.push.url)
    try:
        with socket.create_connection((url.host, url.port or (443 if url.scheme == "https" else 80)), timeout=3):
            pass
    except OSError:
        mend = "start the gateway, or mend push_url; replies wait meanwhile"
        raise SettingsError("push_url", "nobody answers there", mend) from None
