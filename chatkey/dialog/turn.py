"""One message being answered: what is known so far, and the reply as it grows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from chatkey.advise import StatusHere, cautions_for, filled, filled_short, lines_at, status_here
from chatkey.dialog.conversation import Conversation, Look, Tree, without
from chatkey.dialog.handover import Desk, HandOver, HandOverReason
from chatkey.dialog.phrase import capital
from chatkey.dialog.reply import Ask, Block, BlockKind
from chatkey.dialog.script import Script
from chatkey.identify import (
    Answer,
    Belief,
    Budget,
    Step,
    Table,
    YewWatch,
    believe,
    best_answer,
    budget_of,
    next_step,
    status_share,
    watch_yew,
)
from chatkey.identify.answer import leaves_of
from chatkey.identify.step import DONE
from chatkey.identify.yew import yews
from chatkey.knowledge.model import Card, Caution, Knowledge
from chatkey.terms import Claim, Place
from chatkey.understand import Lexicon, Pending, Understanding

DANGER = 2  # urgency up to which a caution stands first in a reply


@dataclass(frozen=True, slots=True)
class Message:
    """One message of one reader."""

    text: str
    reader: str = "finder"
    place: Place | None = None  # where the channel knows it
    month: int | None = None  # 1 to 12, where the channel knows it
    desk: Desk | None = None  # the people who answer what is handed over; None where there are none
    idle_hours: float = 0.0  # since the last message of this conversation
    name: str = ""  # the reader's first name as the channel gives it
    crew: bool = False  # one of several people in a group chat
    tree: int | None = None  # the tree whose thread this answers; None: the one in hand
    room: int | None = None  # letters of a reply, where the channel has little room; None where it has enough


@dataclass(frozen=True, slots=True, eq=False)
class Mind:
    """All that a turn needs and never changes."""

    knowledge: Knowledge
    table: Table
    lexicon: Lexicon
    script: Script
    card: Card = field(default_factory=Card)


@dataclass(slots=True)
class Turn:
    """Grows from the stored state to the next one; lives for one message."""

    mind: Mind
    conversation: Conversation
    message: Message
    understanding: Understanding
    blocks: list[Block] = field(default_factory=list)
    ask: Ask | None = None
    proceeds: bool = False  # the next question is wanted after this
    repeats: bool = False  # the pending question is put again after this
    cautions: list[Caution] = field(default_factory=list)
    handed: list[HandOver] = field(default_factory=list)
    look: Look | None = None  # the point on which readers differed, as this message left it
    names_it: bool = False  # the tree was concluded, or named as sure
    pair: tuple[Pending, Pending] | None = None  # questions for one message, where there is room for both
    _belief: Belief | None = None
    _step: Step | None = None
    _watch: YewWatch | None = None

    @property
    def knowledge(self) -> Knowledge:
        return self.mind.knowledge

    @property
    def tree(self) -> Tree:
        return self.conversation.tree

    @property
    def place(self) -> Place | None:
        return self.tree.place

    @property
    def lines(self) -> Mapping[str, str]:
        """The phone lines and offices that gaps are filled with."""
        return lines_at(self.knowledge, self.place, self.mind.card)

    @property
    def belief(self) -> Belief:
        if self._belief is None:
            self._belief = believe(self.mind.table, self.tree.claims, self.place, self.tree.month)
        return self._belief

    @property
    def watch(self) -> YewWatch:
        if self._watch is None:
            claims = self.tree.claims
            self._watch = watch_yew(self.belief, claims, self.place) if claims else YewWatch(False, 0.0, ())
        return self._watch

    @property
    def answer(self) -> Answer | None:
        """What may be named now: nothing that speaks against yew while that is held back."""
        if not self.tree.claims:
            return None
        found = best_answer(self.belief)
        if found is not None and self.watch.holds and not set(found.members) & set(yews(self.mind.table)):
            return None
        return found

    @property
    def checked(self) -> str:
        """The id a steward has named the tree by; "" where none has."""
        verdict = self.tree.verdict
        return verdict.taxon if verdict is not None else ""

    @property
    def budget(self) -> Budget:
        """What the channel of the message can bear for one tree."""
        return budget_of(self.knowledge, short=self.message.room is not None)

    @property
    def step(self) -> Step:
        """What is to be asked next; nothing where a steward has named it."""
        if self.checked:
            return DONE
        if self._step is None:
            asked, month = self.tree.asked, self.message.month
            self._step = next_step(self.belief, asked, self.watch, self.place, self.budget, month)
        return self._step

    @property
    def status(self) -> StatusHere | None:
        if self.place is None or not self.tree.claims:
            return None
        if self.checked:
            members = leaves_of(self.knowledge, self.checked)
            return status_here(self.knowledge, members, {}, self.place, self.mind.card)
        answer = self.answer
        shares = status_share(self.belief, self.place)
        return status_here(self.knowledge, answer.members if answer else (), shares, self.place, self.mind.card)

    def change(self, **fields: object) -> None:
        """The conversation with some fields replaced."""
        self.conversation = replace(self.conversation, **fields)  # type: ignore[arg-type]

    def change_tree(self, **fields: object) -> None:
        """The current tree with some fields replaced; what was worked out from it is forgotten."""
        tree = replace(self.tree, **fields)  # type: ignore[arg-type]
        self.change(trees=tuple(tree if old.id == tree.id else old for old in self.conversation.trees))
        self.forget()

    def take_back(self) -> None:
        """A question about the tree that something else cut off was not answered: it may be put again."""
        pending, asked = self.conversation.pending, self.tree.asked
        if pending is not None and pending.kind == "character":
            put = {question.character for question in pending.questions}
            gone = [one for one in asked if one.kind == "character" and one.character in put]
            self.change_tree(asked=without(asked, gone))

    def said_once(self, key: str) -> bool:
        """False the first time, True from then on."""
        before = bool(self.conversation.said.get(key))
        self.change(said={**self.conversation.said, key: 1})
        return before

    def forget(self) -> None:
        """What was worked out from another tree no longer holds."""
        self._belief = self._step = self._watch = None

    def line(self, line: str, /, **gaps: str) -> str:
        """A line in its next wording."""
        used = self.conversation.said.get(line, 0)
        self.change(said={**self.conversation.said, line: used + 1})
        return self.mind.script.say(line, used, **{**self.lines, **gaps})

    def say(self, kind: BlockKind, line: str, /, **gaps: str) -> str:
        """A line in its next wording, added to the reply; the text."""
        used = self.conversation.said.get(line, 0)
        text = capital(self.line(line, **gaps))
        short = capital(self.mind.script.say_short(line, used, **{**self.lines, **gaps}))
        self.blocks.append(Block(kind, text, short))
        return text

    def hand(self, reason: HandOverReason, detail: str = "", *, again: bool = False) -> bool:
        """Gives the tree to the people at the desk, once for each reason (or `again`); True where it was done now."""
        if self.message.desk is None or (reason in self.tree.handed and not again):
            return False
        self.change_tree(handed=tuple(dict.fromkeys((*self.tree.handed, reason))))
        self.handed.append(HandOver(self.tree.id, reason, detail))
        return True

    def warn(self, caution: Caution, *, again: bool = False) -> None:
        """A caution, once a tree (first_touch once a conversation) unless it is asked for."""
        if caution not in self.cautions:
            self.cautions.append(caution)
        key = f"caution:{caution.id}" if caution.id == "first_touch" else f"caution:{caution.id}:{self.tree.id}"
        if self.conversation.said.get(key) and not again:
            return
        kind: BlockKind = "caution" if caution.urgency <= DANGER else "note"
        block = Block(kind, filled(caution, self.lines), filled_short(caution, self.lines))
        if block not in self.blocks:
            self.change(said={**self.conversation.said, key: 1})
            self.blocks.append(block)

    def probabilities(self) -> dict[str, float]:
        """Of the leaves, now, or of those a steward has named; empty where nothing was said of the tree."""
        if self.checked:
            return self._shares_of(leaves_of(self.knowledge, self.checked))
        return dict(self.belief.ranked()) if self.tree.claims else {}

    def due_cautions(self) -> tuple[Caution, ...]:
        """What must be said of the plants in question: danger, harm and rarity."""
        found = list(cautions_for(self.knowledge, self.probabilities(), self.place, urgent=2))
        return tuple(found)

    def _shares_of(self, members: Sequence[str]) -> dict[str, float]:
        """What is believed of some leaves, if the plant is one of them."""
        shares = {taxon: p for taxon, p in self.belief.ranked() if taxon in members}
        total = sum(shares.values())
        return {taxon: p / total if total else 1 / len(shares) for taxon, p in shares.items()}

    def hold_yew(self) -> None:
        """Yew is not ruled out: a short word of it once a tree, and the caution for those who read the fields. Where a
        steward has named the tree, theirs is the word."""
        if self.checked:
            return
        likely = self.watch.probability >= self.knowledge.numbers["yew"]["watch"]
        if not (self.watch.holds or likely) or "yew" not in self.knowledge.cautions:
            return
        caution = self.knowledge.cautions["yew"]
        if caution not in self.cautions:
            self.cautions.append(caution)
            if not self.said_once(f"caution:yew:{self.tree.id}"):
                self.say("caution", "may_be_yew")

    def take(self, claims: Sequence[Claim]) -> None:
        self.change_tree(claims=(*self.tree.claims, *claims), month=self.tree.month or self.message.month)


def at_tree(mind: Mind, conversation: Conversation, number: int) -> Turn:
    """A turn in which nobody has said anything, with the tree of that number in hand. Raises StateError."""
    conversation.tree_of(number)
    nothing = Understanding(conversation.language, ("other",), ())
    return Turn(mind, replace(conversation, current=number), Message(""), nothing)
