"""What every channel is given: conversations held in memory, and where a place is read from an option or field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from chatkey.dialog import Conversation, Message, Mind, Turned, step
from chatkey.terms import ChatkeyError, Place
from chatkey.understand import find_place

LONGEST_LINE = 100_000  # characters of one line of JSON


Outcome = Literal["sent", "later", "paced", "refused", "stopped", "moved"]


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of a letter: sent (where the channel numbers messages, as `message`); later, for the way out is away;
    paced: not its turn for `wait_s`, and nothing is wrong; refused for good; stopped (they want no more); or moved:
    the chat has another address now, and nothing was sent."""

    outcome: Outcome
    message: int = 0
    wait_s: float = 0.0
    moved_to: str = ""


class UsageError(ChatkeyError):
    """Something was asked of chatkey in a way it does not know."""


class ChannelError(ChatkeyError):
    """Something a channel can't do or take."""


def place_of(mind: Mind, text: str | None) -> Place | None:
    """The place that an option or field names. Raises UsageError where nobody knows it."""
    if text is None or not text.strip():
        return None
    found = find_place(text.strip(), mind.knowledge, asked=True)
    if found is None:
        raise UsageError(
            f"place {text[:40]!r}",
            "is not known",
            'give a state or province ("MI"), "Town, ST", a postal code or coordinates',
        )
    return found.place


def whole(text: str) -> str:
    """The text with half characters (lone surrogates) made question marks, so that it can be written anywhere."""
    return text.encode("utf-8", "replace").decode("utf-8")


@dataclass(slots=True)
class Talks:
    """Conversations held in memory, by id: for the terminal and for programs that talk line by line."""

    mind: Mind
    place: Place | None = None
    month: int | None = None  # of today, where it is known
    conversations: dict[str, Conversation] = field(default_factory=dict)

    def say(self, text: str, conversation: str = "main", reader: str = "finder", place: Place | None = None) -> Turned:
        """One message into one conversation."""
        state = self.conversations.get(conversation) or Conversation(
            id=conversation, language=self.mind.script.language
        )
        turned = step(self.mind, state, Message(text, reader, place or self.place, self.month))
        self.conversations[conversation] = turned.conversation
        return turned

    def say_json(self, data: Any) -> dict[str, Any]:
        """One message as a JSON object in, one out. Raises UsageError."""
        if not isinstance(data, Mapping):
            raise UsageError("line", "is no JSON object", 'send {"text": "…"}')
        text = data.get("text")
        if not isinstance(text, str):
            raise UsageError("text", "is missing or no string", 'send {"text": "…"}')
        names = {}
        for name, default in (("conversation", "main"), ("from", "finder")):
            value = data.get(name, default)
            if isinstance(value, bool) or not isinstance(value, str | int) or not str(value):
                raise UsageError(name, "is no string", f'send {{"text": "…", "{name}": "…"}}')
            names[name] = whole(str(value))
        given = data.get("place")
        if given is not None and not isinstance(given, str):
            raise UsageError("place", "is no string", 'send {"place": "MI"}')
        turned = self.say(whole(text), names["conversation"], names["from"], place_of(self.mind, given))
        return {**turned.view, "conversation": names["conversation"]}
