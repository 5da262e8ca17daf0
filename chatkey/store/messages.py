"""What goes in and out of the store: a message that came, work to do, what came of it, a letter to send."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

OutboxKind = Literal["reply", "notice"]
Standing = Literal["", "stop", "start"]


@dataclass(frozen=True, slots=True)
class Inbound:
    """One message as it came: the channel's own id of it makes it unique, the address is where a reply goes."""

    channel: str
    external_id: str
    address: str
    text: str
    reader: str = "finder"  # who wrote, where several write from one address
    about: Mapping[str, Any] | None = None  # what the channel knows beside the words
    posted_as: int | None = None  # the channel's number of it
    muted: bool = False  # over a limit: kept, never thought about
    most_a_day: int | None = None  # messages of one conversation; those over it are muted


@dataclass(frozen=True, slots=True)
class Received:
    """The row a message has; `is_new` is False for one that was delivered before."""

    id: int
    conversation: int | None
    is_new: bool
    is_muted: bool = False


@dataclass(frozen=True, slots=True)
class Waiting:
    """One message that waits to be thought about."""

    id: int
    reader: str
    text: str
    received_at: float
    attempts: int
    about: Mapping[str, Any] = field(default_factory=dict)
    tree: int | None = None  # whose thread it continues
    posted_as: int = 0  # the channel's number of it
    is_last: bool = True  # of its reader: what they edited is what they wrote last
    edits: str = ""  # the dialog's number of the message whose words were changed


@dataclass(frozen=True, slots=True)
class Carried:
    """A caution of a reply that was not sent yet, and the tree that reply was about."""

    text: str
    short: str
    tree: int | None = None


@dataclass(frozen=True, slots=True)
class Work:
    """One conversation with its messages in the order they came, and what is needed to answer them."""

    conversation: int
    channel: str
    state: str | None  # JSON, None for a new one
    revision: int
    last_at: float
    is_stopped: bool
    rest: str  # what the last reply had no room for
    sealed: bytes | None  # the address, sealed
    carried: tuple[Carried, ...]  # cautions of replies that were not sent yet
    messages: tuple[Waiting, ...]


@dataclass(frozen=True, slots=True)
class Letter:
    """One text for one address."""

    text: str
    rest: str = ""
    kind: OutboxKind = "reply"
    cautions: tuple[tuple[str, str], ...] = ()  # (text, short)
    tree: int | None = None  # a reply takes the place of one about the same tree; None: of any


@dataclass(frozen=True, slots=True)
class TreeRecord:
    """One tree as a survey wants it: facts by id, the place (rounded), what was named and how surely."""

    tree: int
    claims: tuple[Mapping[str, Any], ...]
    place: Mapping[str, Any] | None
    month: int | None
    taxon: str = ""
    rank: str = ""
    probability: float | None = None
    knowledge: str = ""


@dataclass(frozen=True, slots=True)
class Phrase:
    """Words that nothing was made of, and the question that waited."""

    words: str
    reader: str
    language: str
    asked: str


@dataclass(frozen=True, slots=True)
class Thought:
    """What came of one message."""

    message: int
    state: str | None  # the conversation's next state; None: as it was
    letter: Letter | None  # None: nothing is said
    standing: Standing = ""
    erases: bool = False
    handed: tuple[tuple[int, str, str], ...] = ()  # (tree, reason, detail)
    record: TreeRecord | None = None
    phrases: tuple[Phrase, ...] = ()
    failed: bool = False
    more: tuple[Letter, ...] = ()  # that go out after it: a file
    about: Mapping[str, Any] | None = None  # what is kept of what the channel knew, once thought about
    tree: int | None = None  # that it was about
    nods: tuple[Mapping[str, Any], ...] = ()  # small signs that the channel gives at once, and that may be lost
    forgets_reader: str = ""  # one of several, who is forgotten
    trees: tuple[TreeRecord, ...] = ()  # all records anew, where a reader was forgotten
    drops_names: bool = False  # from here on nobody is named, and names that were kept go


@dataclass(frozen=True, slots=True)
class Due:
    """A letter that is to be sent now."""

    id: int
    channel: str
    sealed: bytes
    text: str
    attempts: int
    forgets: bool


@dataclass(frozen=True, slots=True)
class Given:
    """One tree in the stewards' queue."""

    id: int
    conversation: int | None
    channel: str
    tree: int
    reasons: tuple[str, ...]
    details: tuple[str, ...]
    status: str
    created_at: float
    state: str | None
    messages: tuple[tuple[float, str], ...] = field(default=())  # (when, what the finder wrote), the last ones
    photos: tuple[str, ...] = ()  # the channel's ids of photos that came with it
    taken_by: str = ""
