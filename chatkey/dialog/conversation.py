"""The state of a conversation: small, immutable, versioned JSON. Never a probability that is computed with."""

from __future__ import annotations

import operator
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from chatkey.dialog.handover import Verdict
from chatkey.identify import Asked
from chatkey.terms import ChatkeyError, Claim, Place, Quantity
from chatkey.understand import Pending

VERSION = 1
MONTHS = 12


class StateError(ChatkeyError):
    """A stored state that can't be read."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What was last said of a tree: kept for the record, with the knowledge it came from; never computed with."""

    taxon: str
    rank: str
    probability: float
    knowledge: str


@dataclass(frozen=True, slots=True)
class Unknown:
    """Words that nothing was made of, who wrote them, in which message, and which question waited."""

    words: str
    reader: str
    message: str
    asked: str = ""
    tree: int = 0  # which tree was in hand; 0 where it was not kept


@dataclass(frozen=True, slots=True)
class Tallied:
    """What one message counted of a tree: so many more like it, and how many of these are dead, browsed …"""

    more: int
    of: tuple[tuple[str, int], ...]
    reader: str
    message: str


@dataclass(frozen=True, slots=True)
class Look:
    """One point on which readers differed: who they are, who has looked again, and what settled it."""

    character: str
    readers: tuple[str, ...]
    looked: tuple[str, ...] = ()
    settled: str = ""  # "" not yet | changed (someone sees it otherwise now) | third (another's word) | open
    by: str = ""  # whose word settled it


@dataclass(frozen=True, slots=True)
class Waits:
    """Where the talk about a tree stood when another tree was taken up."""

    state: str
    pending: Pending | None = None


@dataclass(frozen=True, slots=True)
class Walk:
    """The trees of one walk, from the first to the last; `last` is 0 while it goes on."""

    first: int
    last: int = 0


@dataclass(frozen=True, slots=True)
class Tree:
    """One plant and all that was said of it."""

    id: int
    claims: tuple[Claim, ...] = ()
    asked: tuple[Asked, ...] = ()
    place: Place | None = None
    month: int | None = None  # in which it was first told of, 1 to 12; None where the channel doesn't know
    shown: Shown | None = None
    handed: tuple[str, ...] = ()  # the reasons for which it went to a person
    verdict: Verdict | None = None  # what a steward said of it
    tallies: tuple[Tallied, ...] = ()
    looks: tuple[Look, ...] = ()
    tag: str = ""
    plot: str = ""
    waits: Waits | None = None  # while another tree is in hand

    @property
    def count(self) -> int:
        """How many trees it stands for: itself, and those that were counted with it."""
        return max(1 + sum(one.more for one in self.tallies), 1, *self.conditions.values())

    @property
    def conditions(self) -> dict[str, int]:
        """How many of these are dead, browsed …"""
        found: dict[str, int] = {}
        for one in self.tallies:
            for condition, number in one.of:
                found[condition] = found.get(condition, 0) + number
        return {condition: number for condition, number in found.items() if number > 0}


@dataclass(frozen=True, slots=True)
class Conversation:
    """One channel address. `said` counts how often each line was used, so that none is said twice alike."""

    id: str = "main"
    language: str = "en"
    state: str = "listening"
    trees: tuple[Tree, ...] = (Tree(1),)
    current: int = 1
    pending: Pending | None = None
    said: Mapping[str, int] = field(default_factory=dict)
    messages: int = 0
    plant: str = ""  # the plant whose planting was last spoken of
    site: tuple[str, ...] = ()  # the ground where it would stand: dry, moist, wet
    readers: Mapping[str, str] = field(default_factory=dict)  # id -> the name that is shown
    nameless: bool = False  # neither names nor numbers of people are kept: a walk with children
    walk: Walk | None = None
    unknown: tuple[Unknown, ...] = ()  # what was not understood, for the steward who looks after the words
    version: int = VERSION

    @property
    def tree(self) -> Tree:
        return self.tree_of(self.current)

    def tree_of(self, number: int) -> Tree:
        """The tree of that number. Raises StateError."""
        found = next((tree for tree in self.trees if tree.id == number), None)
        if found is None:
            numbers = ", ".join(str(tree.id) for tree in self.trees)
            raise StateError(f"tree {number}", "is not in this conversation", f"use one of: {numbers}")
        return found


def without(asked: Sequence[Asked], gone: Collection[Asked]) -> tuple[Asked, ...]:
    """The questions but for those that are gone. One that stood beside such a one is the first of its message now, for
    that message was sent."""
    kept: list[Asked] = []
    first: Asked | None = None  # of a message, and gone
    for one in asked:
        if one in gone:
            first = first if one.beside else one
            continue
        kept.append(replace(one, beside=False, free=first.free) if one.beside and first is not None else one)
        first = None
    return tuple(kept)


def to_json(conversation: Conversation) -> dict[str, Any]:
    """The state as plain JSON values."""
    return asdict(conversation)


def from_json(data: Mapping[str, Any], retired: Mapping[str, str] | None = None) -> Conversation:
    """The conversation of a stored state; retired ids of characters are mapped. Raises StateError."""
    if not isinstance(data, Mapping):
        raise StateError("stored state", f"is {type(data).__name__}, no mapping", "restore it from a backup")
    version = data.get("version")
    if version != VERSION:
        raise StateError("stored state", f"has version {version!r}", f"this chatkey reads version {VERSION}")
    try:
        trees = tuple(_tree(tree, retired or {}) for tree in data["trees"])
        pending = data.get("pending")
        if data["current"] not in [tree.id for tree in trees]:
            raise ValueError(f"tree {data['current']!r}")
        return Conversation(
            id=data["id"],
            language=data["language"],
            state=data["state"],
            trees=trees,
            current=data["current"],
            pending=_pending(pending, retired or {}) if pending else None,
            said=dict(data["said"]),
            messages=operator.index(data["messages"]),
            plant=data.get("plant", ""),
            site=tuple(data.get("site", ())),
            readers=dict(data.get("readers", {})),
            nameless=bool(data.get("nameless", False)),
            walk=Walk(**data["walk"]) if data.get("walk") else None,
            unknown=tuple(Unknown(**one) for one in data.get("unknown", ())),
        )
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise StateError("stored state", f"lacks or garbles {error}", "restore it from a backup") from None


def _tree(data: Mapping[str, Any], retired: Mapping[str, str]) -> Tree:
    asked = tuple(
        Asked(
            one["kind"],
            retired.get(one["character"], one["character"]),
            tuple(one["pair"]) if one["pair"] else None,
            one["free"],
            bool(one.get("beside", False)),  # older states have one question in each message
        )
        for one in data["asked"]
    )
    return Tree(
        id=data["id"],
        claims=tuple(_claim(claim, retired) for claim in data["claims"]),
        asked=asked,
        place=Place(**data["place"]) if data["place"] else None,
        month=_month(data.get("month")),
        shown=Shown(**data["shown"]) if data["shown"] else None,
        handed=_handed(data),
        verdict=_verdict(data.get("verdict"), retired),
        tallies=tuple(_tallied(one) for one in data.get("tallies", ())),
        looks=tuple(_look(one, retired) for one in data.get("looks", ())),
        tag=data.get("tag", ""),
        plot=data.get("plot", ""),
        waits=_waits(data.get("waits"), retired),
    )


def _month(data: Any) -> int | None:
    """Older states have none."""
    if data is None:
        return None
    month = operator.index(data)
    if not 1 <= month <= MONTHS:
        raise ValueError(f"month {month}")
    return month


def _tallied(data: Mapping[str, Any]) -> Tallied:
    of = tuple((condition, operator.index(number)) for condition, number in data["of"])
    return Tallied(operator.index(data["more"]), of, data["reader"], data["message"])


def _look(data: Mapping[str, Any], retired: Mapping[str, str]) -> Look:
    character = retired.get(data["character"], data["character"])
    return Look(character, tuple(data["readers"]), tuple(data["looked"]), data["settled"], data["by"])


def _waits(data: Mapping[str, Any] | None, retired: Mapping[str, str]) -> Waits | None:
    if not data:
        return None
    return Waits(data["state"], _pending(data["pending"], retired) if data["pending"] else None)


def _handed(data: Mapping[str, Any]) -> tuple[str, ...]:
    """The reasons a tree was handed over for; older states only say whether it was asked for."""
    if "handed" in data:
        return tuple(data["handed"])
    return ("asked",) if data.get("handed_over") else ()


def _verdict(data: Mapping[str, Any] | None, retired: Mapping[str, str]) -> Verdict | None:
    if not data:
        return None
    return Verdict(data["kind"], retired.get(data["taxon"], data["taxon"]), data["text"], data["by"])


def _claim(data: Mapping[str, Any], retired: Mapping[str, str]) -> Claim:
    character = retired.get(data["character"], data["character"])
    states = tuple(retired.get(f"{character}.{state}", state) for state in data["states"])
    quantity = Quantity(**data["quantity"]) if data["quantity"] else None
    rest = {key: value for key, value in data.items() if key not in ("character", "states", "quantity", "span")}
    return Claim(character, states=states, quantity=quantity, span=tuple(data["span"]), **rest)


def _pending(data: Mapping[str, Any], retired: Mapping[str, str]) -> Pending:
    character = retired.get(data["character"], data["character"])
    choices = tuple((key, retired.get(f"{character}.{state}", state)) for key, state in data["choices"])
    further = tuple(_pending(one, retired) for one in data.get("further", ()))
    yes = data.get("yes", "")
    return Pending(data["kind"], character, choices, retired.get(f"{character}.{yes}", yes), further)
