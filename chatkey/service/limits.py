"""How much is taken: of one sender, of all together, in one request."""

from __future__ import annotations

from limits import RateLimitItem, parse
from limits.storage import MemoryStorage
from limits.strategies import SlidingWindowCounterRateLimiter
from starlette.requests import Request

from chatkey.service.settings import LimitSettings


class Limits:
    """How much one sender and all together may send. Kept in memory: a restart begins a new count."""

    def __init__(self, settings: LimitSettings) -> None:
        self._window = SlidingWindowCounterRateLimiter(MemoryStorage())  # the other kinds never forget a sender
        self._sender: RateLimitItem = parse(f"{settings.sender_a_minute}/minute")
        self._all: RateLimitItem = parse(f"{settings.all_a_minute}/minute")
        self._told: RateLimitItem = parse("1/minute")

    def all_is_well(self) -> bool:
        """Counts one request; False where there are too many in all."""
        return self._window.hit(self._all, "all")

    def sender_is_well(self, mark: str) -> bool:
        """Counts one message of a sender; False where they are over their limit of a minute."""
        return self._window.hit(self._sender, mark)

    def may_be_told(self, mark: str) -> bool:
        """True once a minute: a sender over the limit is told, not each time."""
        return self._window.hit(self._told, "told", mark)


async def body_of(request: Request, most: int) -> bytes | None:
    """The body, or None where it is larger: nothing of it is kept then."""
    size, parts = 0, []
    async for part in request.stream():
        size += len(part)
        if size > most:
            return None
        parts.append(part)
    return b"".join(parts)
