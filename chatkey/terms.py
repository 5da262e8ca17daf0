"""What the rooms say to each other: claims, quantities, readers, places, intents, and the head of the error family."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

MM_PER_INCH = 25.4  # exact, international inch of 1959

Intent = Literal[
    "unsafe",
    "stop",
    "erase",
    "person",
    "report",
    "health",
    "restart",
    "new_tree",
    "undo",
    "list",
    "help",
    "why",
    "meaning",
    "how_sure",
    "what_else",
    "compare",
    "planting",
    "guess_name",
    "place",
    "cant_tell",
    "answer",
    "describe",
    "thanks",
    "greeting",
    "smalltalk",
    "abuse",
    "other",
]
INTENTS: tuple[Intent, ...] = get_args(Intent)  # in order of urgency: the first of a message's intents is its `intent`

MeasuredBy = Literal["eye", "thumb", "ruler"]
ClaimSource = Literal["said", "asked_again", "compared"]
Status = Literal["native", "introduced", "not recorded", "unknown"]


class ChatkeyError(Exception):
    """One line a person can act on: where, what, mend."""

    def __init__(self, where: str, what: str, mend: str) -> None:
        super().__init__(where, what, mend)  # positional: pickle must be able to rebuild it

    def __str__(self) -> str:
        where, what, mend = self.args
        return f"{where}: {what}; {mend}"


@dataclass(frozen=True, slots=True)
class Reader:
    """One person who looks at a tree; `id` is what tells readers of one conversation apart."""

    id: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A length as said: an interval in mm, and how it was measured (which says how much it is blurred)."""

    low: float
    high: float
    measured_by: MeasuredBy = "eye"


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing a reader said about one character: some of its states, or a length."""

    character: str
    states: tuple[str, ...] = ()
    quantity: Quantity | None = None
    negated: bool = False
    hedge: float = 0.0  # 0 sure … 1 a guess
    reader: str = "finder"
    message: str = ""
    sequence: int = 0
    span: tuple[int, int] = (0, 0)  # half-open, in code points of the message
    text: str = ""
    source: ClaimSource = "said"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a finder stands, as finely as they said it. `code` is a postal code of a state or province ("MI", "ON")."""

    code: str
    county: str = ""
    landscape: str = ""
    town: str = ""
    latitude: float | None = None
    longitude: float | None = None
