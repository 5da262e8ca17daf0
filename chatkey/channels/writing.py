"""What a channel makes of a message before the talk hears it, and how it writes what the talk says."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from chatkey.channels.sms.keywords import Keyword
from chatkey.dialog import Conversation, Mind
from chatkey.dialog.reply import Ask, Block


@dataclass(frozen=True, slots=True)
class Hearing:
    """What of a message is for the talk.

    text: its words, "" for none. line: what is said beside that. word: a keyword of the channel, whatever the words.
    nod: a small sign that the channel gives at once. standing: they came back or left, without a word. tree: whose
    question was answered. undoes: these words stand in the place of the reader's last ones.
    """

    text: str = ""
    line: str = ""
    word: Keyword | None = None
    nod: Mapping[str, Any] | None = None
    standing: Literal["", "stop", "start"] = ""
    tree: int | None = None
    undoes: bool = False


class Writing(ABC):
    """One channel's way of hearing and writing. `name` begins the names of its lines in the dialogs."""

    name: ClassVar[str]
    keywords: ClassVar[Sequence[Keyword]]  # that are not for the talk
    has_threads: ClassVar[bool] = False  # a reply about one tree does not take the place of one about another

    @property
    def room(self) -> int | None:
        """How many letters a reply may have; None where there is enough room."""
        return None

    @abstractmethod
    def fit(
        self, mind: Mind, blocks: Sequence[Block], ask: Ask | None, question: int = 0, reply_to: int = 0
    ) -> tuple[str, str]:
        """The text that is sent ("" where there is nothing to say) and the rest that had no room.

        `question` numbers the question that the reply ends with, `reply_to` is the channel's number of the message.
        """

    @abstractmethod
    def fit_text(self, mind: Mind, text: str, reply_to: int = 0) -> tuple[str, str]:
        """A plain text and what of it had no room."""

    @abstractmethod
    def keyword(self, mind: Mind, text: str) -> Keyword | None:
        """The word that stands alone in a message and means something to the channel."""

    def hear(self, mind: Mind, conversation: Conversation, text: str, about: Mapping[str, Any]) -> Hearing:
        """What the talk is given of a message: its words, as a rule."""
        del mind, conversation, about
        return Hearing(text)

    def question(self, conversation: Conversation, tree: int) -> int:
        """The number of the question that waits for a tree, where buttons need one."""
        del conversation, tree
        return 0

    def file(self, name: str, text: str) -> str:
        """A file on its way, made a text; "" where the channel carries none."""
        del name, text
        return ""
