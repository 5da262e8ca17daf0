"""Conversations that walk by themselves: a message for every intent, finders who answer by lot, ways to every state."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from random import Random

from chatkey.channels.base import Talks
from chatkey.dialog import Mind, Turned

# One message for every intent a text alone can have. ("answer" needs a question that waits: see `answering`.)
MESSAGES = {
    "unsafe": "can i eat the berries",
    "stop": "stop",
    "erase": "forget me",
    "person": "let me talk to a person",
    "report": "there is white wool under the needles, who do i tell",
    "health": "why are its needles turning brown",
    "restart": "start over",
    "new_tree": "next",
    "undo": "undo",
    "list": "list",
    "help": "help",
    "why": "why",
    "meaning": "what is a bud",
    "how_sure": "how sure",
    "what_else": "what else",
    "compare": "what is the difference between white pine and red pine",
    "planting": "should i plant it",
    "guess_name": "is it a hemlock",
    "place": "i am in Michigan",
    "cant_tell": "i can't tell",
    "describe": "soft flat needles",
    "thanks": "thanks",
    "greeting": "hello",
    "smalltalk": "are you a robot",
    "abuse": "you are useless",
    "other": "blorf zzkt wompf",
}
FIRST = (
    "soft flat needles",
    "needles in bundles of five",
    "tiny scales, flat sprays",
    "red berries, flat needles",
    "sharp needles that roll",
    "needles in twos, 5 inches long",
    "tufts of needles, goes bare in winter",
    "short sharp prickles",
    "bundles of 4 needles, short and flat",
)
PLACES = ("MI", "Ontario", "Larkwater, wherever that is", "can't tell")
LONGEST = 20  # messages of one walk


@dataclass
class Walk:
    """One conversation in memory, and all that was said in it."""

    mind: Mind
    talks: Talks = field(init=False)
    said: list[str] = field(default_factory=list)
    turns: list[Turned] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.talks = Talks(self.mind)

    @property
    def last(self) -> Turned:
        return self.turns[-1]

    @property
    def state(self) -> str:
        return self.last.conversation.state if self.turns else "listening"

    def say(self, text: str, reader: str = "finder") -> Turned:
        self.said.append(text)
        self.turns.append(self.talks.say(text, reader=reader))
        return self.last

    def say_all(self, *texts: str) -> None:
        for text in texts:
            self.say(text)


def answering(walk: Walk, random: Random) -> str | None:
    """Some answer to the question that waits; None where none does."""
    ask = walk.last.reply.ask
    if ask is None:
        return None
    return random.choice(PLACES) if ask.kind == "place" else random.choice([choice.key for choice in ask.choices])


def walks(mind: Mind, count: int, seed: int = 1) -> Iterator[Walk]:
    """Finders who describe, then answer by lot until nothing is asked. Yielded when they are done."""
    for number in range(count):
        random = Random(f"{seed} {number}")
        walk = Walk(mind)
        walk.say(FIRST[number % len(FIRST)])
        while len(walk.said) < LONGEST and (text := answering(walk, random)) is not None:
            walk.say(text)
        yield walk


def talks_of_all_kinds(mind: Mind, count: int, seed: int = 1) -> Iterator[Walk]:
    """Finders who answer, and now and then say something else: any message of `MESSAGES`, or a wish to plant."""
    others = [*MESSAGES.values(), "plant white pine", "should i plant norway spruce"]
    for number in range(count):
        random = Random(f"{seed} {number} all kinds")
        walk = Walk(mind)
        walk.say(random.choice(FIRST))
        while len(walk.said) < LONGEST:
            text = answering(walk, random) if random.random() < 0.6 else None
            walk.say(random.choice(others) if text is None else text)
        yield walk


def scripts(mind: Mind) -> dict[str, tuple[str, ...]]:
    """For every state a short script that ends in it."""
    found: dict[str, tuple[str, ...]] = {"listening": ()}
    for walk in chain(walks(mind, 40), talks_of_all_kinds(mind, 200)):
        for length, turned in enumerate(walk.turns, 1):
            state = turned.conversation.state
            if state not in found or length < len(found[state]):
                found[state] = tuple(walk.said[:length])
        if set(found) == set(mind.script.flow.leaves):
            return found
    raise AssertionError(f"no walk came to {set(mind.script.flow.leaves) - set(found)}")
