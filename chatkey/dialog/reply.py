"""What a channel is given to send: blocks of text and choices, no layout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BlockKind = Literal["caution", "took_in", "answer", "status", "facts", "question", "note"]


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of a reply; `short` is its wording where there is little room, "" where it has none."""

    kind: BlockKind
    text: str
    short: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice of a question: what to type, what it says, what it stands for."""

    key: str
    label: str
    state: str


@dataclass(frozen=True, slots=True)
class Ask:
    """The question a reply ends with."""

    kind: str  # character | place | compare | reask
    character: str
    question: str
    choices: tuple[Choice, ...]
    also: Ask | None = None  # a second question in the same message


@dataclass(frozen=True, slots=True)
class Reply:
    blocks: tuple[Block, ...]
    ask: Ask | None

    @property
    def text(self) -> str:
        """All of it as plain lines."""
        return "\n".join(block.text for block in self.blocks)
