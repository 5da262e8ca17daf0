"""How a reply leaves: as the answer to the gateway's request, or by a request of our own."""

from __future__ import annotations

import asyncio
import json
import logging
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from xml.sax.saxutils import escape

import httpx
from smsutil.codecs import is_valid_gsm  # type: ignore[import-untyped]

from chatkey.channels.base import ChannelError, whole
from chatkey.channels.sms.gateway import Gateway, Outcome, Push, Secrets
from chatkey.channels.sms.members import member
from chatkey.channels.sms.signature import key_of


@dataclass(frozen=True, slots=True, repr=False)
class Answer:
    """What to answer a gateway's request with, at status 200."""

    content_type: str
    headers: Mapping[str, str]
    body: bytes


class _Quiet(httpx.Request):
    """A request that does not show its address: some gateways want password, number and text in the query."""

    def __repr__(self) -> str:
        return f"<push by {self.method}>"


def answer(gateway: Gateway, text: str = "") -> Answer:
    """The answer to a request that came in: with a reply in it, or (where replies are pushed) with none."""
    template = gateway.answer
    plain = whole(text)
    shown = escape(plain) if "xml" in template.content_type else plain
    body = template.with_text.replace("{text}", shown) if text else template.without_text
    headers = template.outside_gsm if text and not is_valid_gsm(plain) else {}
    return Answer(f"{template.content_type}; charset=utf-8", headers, body.encode())


def check_settings(gateway: Gateway, secrets: Secrets) -> None:
    """Nothing, where gateway and secrets suffice to receive and to push; else raises ChannelError. For the start."""
    key_of(gateway.signing, secrets.signing)
    if gateway.push is None or (not gateway.push.url and gateway.reply == "response"):
        return
    login, password = _push_of(gateway).login, secrets.password
    if login in ("basic", "fields") and not (secrets.user and password):
        raise ChannelError(gateway.where, "user or password for pushes is missing", "set both")
    if login == "bearer" and not (password and password.isascii() and password.isprintable()):
        raise ChannelError(gateway.where, "the token for pushes is missing or unprintable", "copy it whole")


async def push(
    client: httpx.AsyncClient, gateway: Gateway, secrets: Secrets, *, sender: str, recipient: str, text: str
) -> Outcome:
    """What became of a message that was sent just now. A network fault or a time-out is "later".

    After a time-out the gateway may have sent it all the same: a finder would rather read a reply twice than never.
    Waiting for a free connection of the client counts too, so bound how many pushes run at once.
    httpx writes whole addresses to its log, in which number and text can stand, so its log is kept to warnings.
    Raises ChannelError as `request_for` does.
    """
    request = request_for(gateway, secrets, sender=sender, recipient=recipient, text=text)
    logging.getLogger("httpx").setLevel(logging.WARNING)
    try:
        async with asyncio.timeout(_push_of(gateway).timeout_s):
            return outcome(gateway, await client.send(request, auth=None, follow_redirects=False))
    except (httpx.HTTPError, httpx.InvalidURL, TimeoutError):
        return "later"


def request_for(gateway: Gateway, secrets: Secrets, *, sender: str, recipient: str, text: str) -> httpx.Request:
    """The request that sends one message. Raises ChannelError for an empty text, which would go out as an empty SMS."""
    profile = _push_of(gateway)
    if not text.strip():
        raise ChannelError(gateway.where, "the text is empty", "send a text, or nothing")
    fields = _fields(profile, secrets, sender=sender, recipient=recipient, text=whole(text))
    try:
        return _request(profile, fields, _login(profile, secrets))
    except httpx.InvalidURL:
        raise ChannelError(gateway.where, "the address for pushes can't be used", "check it") from None


def outcome(gateway: Gateway, response: httpx.Response) -> Outcome:
    """What a gateway's answer means: by the code in it, else by its status, else "later"."""
    profile = _push_of(gateway)
    code, status = _code(profile, response), str(response.status_code)
    if code in profile.by_code:
        return profile.by_code[code]
    return profile.by_status.get(status) or profile.by_status.get(f"{status[0]}xx") or "later"


def _push_of(gateway: Gateway) -> Push:
    if gateway.push is None or not gateway.push.url:
        raise ChannelError(gateway.where, "has no address for pushes", "set it as the gateway tells you")
    return gateway.push


def _request(profile: Push, fields: Mapping[str, str], headers: Mapping[str, str]) -> httpx.Request:
    method, limits = profile.method, {"timeout": httpx.Timeout(profile.timeout_s).as_dict()}
    if profile.fields_in == "query":
        url = httpx.URL(profile.url).copy_merge_params(fields)
        return _Quiet(method, url, headers=headers, extensions=limits)
    if profile.fields_in == "form":
        return _Quiet(method, profile.url, headers=headers, data=fields, extensions=limits)
    return _Quiet(method, profile.url, headers=headers, json=fields, extensions=limits)


def _fields(profile: Push, secrets: Secrets, *, sender: str, recipient: str, text: str) -> dict[str, str]:
    fields = {**profile.always, profile.sender: sender, profile.recipient: recipient, profile.text: text}
    if profile.login == "fields":
        fields |= {profile.user_field: secrets.user, profile.password_field: secrets.password}
    return fields if is_valid_gsm(text) else {**fields, **profile.outside_gsm}


def _login(profile: Push, secrets: Secrets) -> dict[str, str]:
    if profile.login == "basic":
        return {"authorization": f"Basic {b64encode(f'{secrets.user}:{secrets.password}'.encode()).decode()}"}
    return {"authorization": f"Bearer {secrets.password}"} if profile.login == "bearer" else {}


def _code(profile: Push, response: httpx.Response) -> str:
    """The code at the profile's way into a JSON answer; "" where there is none."""
    if not profile.code_at:
        return ""
    try:
        found = member(json.loads(response.content), profile.code_at)
    except (ValueError, RecursionError):
        return ""
    return str(found) if isinstance(found, str | int) else ""
