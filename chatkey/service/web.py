"""What is reached over HTTP: the gateway's messages in, health, readiness and metrics."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

import structlog
from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from chatkey.channels.base import ChannelError
from chatkey.channels.sms import inbound
from chatkey.channels.sms.channel import NAME, SmsChannel
from chatkey.channels.sms.inbound import Refused
from chatkey.channels.sms.push import answer
from chatkey.service.limits import Limits, body_of
from chatkey.service.running import Running
from chatkey.service.settings import LimitSettings
from chatkey.store.engine import StoreUnavailableError
from chatkey.store.inbox import is_waiting
from chatkey.store.messages import Inbound, Letter, Received
from chatkey.store.outbox import post_notice, reply_to

RESPONSE_WAIT_S = 8.0  # gateways that take the reply in the answer give up after about 10 to 15 s (common practice)
RETRY_AFTER_S = 30

log = structlog.get_logger()


Door = Callable[[Request], Awaitable[Response]]


@dataclass(slots=True, eq=False)
class SmsRoute:
    """The gateway's door: keep the message, answer at once (or with the reply, where the gateway wants it so)."""

    running: Running
    channel: SmsChannel
    limits: Limits
    settings: LimitSettings
    url: str  # as the gateway sees it
    too_many: str

    async def __call__(self, request: Request) -> Response:
        if not self.limits.all_is_well():
            return self._refuse(429)
        try:
            body = await body_of(request, self.settings.body_bytes)
        except ClientDisconnect:
            return self._refuse(400)
        if body is None or len(request.scope["query_string"]) > self.settings.body_bytes:
            return self._refuse(413)
        try:
            came, address = self.channel.receive(self._seen(request, body), self.running.clock())
        except Refused as refused:
            return self._refuse(refused.status)
        except ChannelError:
            return self._refuse(400)
        mark = self.running.keeper.store.seal.mark("limit", address)
        muted = not self.limits.sender_is_well(mark)
        try:
            received = await self.running.take(
                Inbound(NAME, came.id, address, came.text, muted=muted, most_a_day=self.settings.sender_a_day)
            )
            if received.is_muted and self.limits.may_be_told(mark):
                await self._tell(received)
            return await self._answer(request, received)
        except StoreUnavailableError as error:
            log.error("store_unavailable", at="receive", what=error.args[1])
            return self._refuse(503)

    def _seen(self, request: Request, body: bytes) -> inbound.Request:
        headers = {name.lower(): value for name, value in request.headers.items()}
        peer = request.client.host if request.client else ""
        return inbound.Request(request.method, self.url, request.scope["query_string"], headers, body, peer)

    async def _answer(self, request: Request, received: Received) -> Response:
        if self.channel.gateway.reply == "push":
            return self._respond("")
        await self.running.answered(received.id, RESPONSE_WAIT_S)
        letter = await self.running.keeper.look(reply_to, self.running.keeper.store, received.id)
        if letter is None or letter.id in self.running.post.handed:
            return self._respond("")
        if await request.is_disconnected():  # nobody hears it: it is pushed, or goes when the message comes again
            return self._respond("")
        done = BackgroundTask(self.running.post.write_down, letter.id)  # runs when the answer has left
        return self._respond(letter.text, done)

    async def _tell(self, received: Received) -> None:
        if received.conversation is not None:
            notice = Letter(self.too_many, kind="notice")
            keeper = self.running.keeper
            await keeper.db(post_notice, keeper.store, received.conversation, notice, self.running.clock())
            self.running.post.posted()

    def _respond(self, text: str, background: BackgroundTask | None = None) -> Response:
        found = answer(self.channel.gateway, text)
        return Response(found.body, 200, dict(found.headers), found.content_type, background)

    def _refuse(self, status: int) -> Response:
        self.running.metrics.refused.labels(str(status)).inc()
        headers = {"Retry-After": str(RETRY_AFTER_S)} if status in (429, 503) else {}
        if status == 405:
            headers["Allow"] = self.channel.gateway.receive.method  # RFC 9110, section 15.5.6
        return PlainTextResponse("", status, headers)


def make_app(running: Running, doors: Mapping[str, Door]) -> Starlette:
    """The routes of one serving process: `doors` by their path."""

    async def health(_request: Request) -> Response:
        return JSONResponse({"alive": True})

    async def ready(_request: Request) -> Response:
        try:
            await running.keeper.look(is_waiting, running.keeper.store)
            well = running.is_well
        except StoreUnavailableError:
            well = False
        return JSONResponse({"ready": well}, 200 if well else 503)

    async def metrics(_request: Request) -> Response:
        return Response(running.metrics.text(), media_type="text/plain; version=0.0.4; charset=utf-8")

    routes = [Route("/health", health), Route("/ready", ready), Route("/metrics", metrics)]
    # any method: the door knows which is right, and the rest gets 405
    routes += [Route(path, _AnyMethod(door)) for path, door in doors.items()]
    app = Starlette(routes=routes, exception_handlers={Exception: _fault})
    app.router.redirect_slashes = False  # it would send a caller to whatever host they named
    return app


async def _fault(_request: Request, error: Exception) -> Response:
    """A fault of ours: the gateway comes again, and the log has where it was."""
    log.error("request_failed", error=error)
    return PlainTextResponse("", 500)


class _AnyMethod:
    """An ASGI application over one route function, for every method."""

    def __init__(self, route: Door) -> None:
        self.route = route

    async def __call__(self, scope, receive, send) -> None:  # type: ignore[no-untyped-def]
        response = await self.route(Request(scope, receive))
        await response(scope, receive, send)
