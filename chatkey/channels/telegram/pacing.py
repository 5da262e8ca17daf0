"""When a chat may be sent to next, so that Telegram never has to say "too many"."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Limits:
    """So many messages within so many seconds: in one chat, in one group, in all."""

    chat_s: float = 1.0
    group_most: int = 20
    group_s: float = 60.0
    all_most: int = 30
    all_s: float = 1.0
    spare_s: float = 0.05  # the way there may be shorter for the second of two messages


@dataclass(slots=True)
class Pace:
    """What was sent when, as long as it counts. `clock` gives seconds that never run back.

    Its memory is bounded by the limits themselves: chats are forgotten once they were quiet for `group_s`, and in that
    time no more than `all_most` a second were sent to.
    """

    clock: Callable[[], float]
    limits: Limits = field(default_factory=Limits)
    _chats: OrderedDict[int, deque[float]] = field(default_factory=OrderedDict)  # the one sent to last stands last
    _all: deque[float] = field(default_factory=deque)
    _holds: dict[int, float] = field(default_factory=dict)
    _hold_of_all: float = float("-inf")

    def due(self, chat: int) -> float:
        """The time at which the chat may be sent to: now, or later."""
        limits, now = self.limits, self.clock()
        sent = self._chats.get(chat, ())
        times = [now, self._hold_of_all, self._holds.get(chat, now)]
        if sent:
            times.append(sent[-1] + limits.chat_s + limits.spare_s)
        if chat < 0 and len(sent) >= limits.group_most:
            times.append(sent[-limits.group_most] + limits.group_s + limits.spare_s)
        if len(self._all) >= limits.all_most:
            times.append(self._all[-limits.all_most] + limits.all_s + limits.spare_s)
        return max(times)

    def wait(self, chat: int) -> float:
        """The seconds until the chat may be sent to, 0 where it may be now."""
        return max(0.0, self.due(chat) - self.clock())

    def has_room(self, chat: int) -> bool:
        """Whether a group has room for what is no reply: the other half of its minute is kept for replies."""
        since = self.clock() - self.limits.group_s
        recent = sum(at > since for at in self._chats.get(chat, ()))
        return chat > 0 or 2 * recent < self.limits.group_most

    def sent(self, chat: int) -> None:
        """Counts a message that goes out now."""
        now = self.clock()
        self._chats.setdefault(chat, deque(maxlen=self.limits.group_most)).append(now)
        self._chats.move_to_end(chat)
        self._all.append(now)
        if len(self._all) > self.limits.all_most:
            self._all.popleft()
        self._forget(now)

    def recall(self, sent: Iterable[tuple[int, float]]) -> None:
        """What went out before this process began: chats, and how many seconds ago each was sent to, the longest ago
        first. One more is counted for each group: what went out last may not have been written down. Nobody is sent to
        within the first second, for the same reason."""
        now, groups = self.clock(), set()
        for chat, ago_s in sent:
            self._chats.setdefault(chat, deque(maxlen=self.limits.group_most)).append(now - ago_s)
            groups |= {chat} if chat < 0 else set()
        for chat in groups:
            self._chats[chat].append(now)
        for chat in sorted(self._chats, key=lambda chat: self._chats[chat][-1]):
            self._chats.move_to_end(chat)
        self.hold_all(self.limits.chat_s + self.limits.spare_s)

    def hold(self, chat: int, seconds: float) -> None:
        """Telegram said how long this chat has to wait."""
        now = self.clock()
        self._holds = {other: until for other, until in self._holds.items() if until > now}
        self._holds[chat] = max(self._holds.get(chat, now), now + seconds)

    def hold_all(self, seconds: float) -> None:
        """Nobody is sent to for so long."""
        self._hold_of_all = max(self._hold_of_all, self.clock() + seconds)

    @property
    def remembered(self) -> int:
        """How many chats are kept in memory."""
        return len(self._chats.keys() | self._holds.keys())

    def _forget(self, now: float) -> None:
        quiet = now - max(self.limits.group_s, self.limits.chat_s) - self.limits.spare_s
        while self._chats and next(iter(self._chats.values()))[-1] <= quiet:
            self._chats.popitem(last=False)
