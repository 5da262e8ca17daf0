"""The question that waits for an answer, and the keys of its choices."""

from __future__ import annotations

from dataclasses import dataclass, replace

from chatkey.knowledge.model import Character, Knowledge

CANT_TELL = "cant_tell"
NONE_OF_THESE = "none_of_these"
NONE_KEY_OF_A_COUNT, CANT_TELL_KEY_OF_A_COUNT = "9", "0"


@dataclass(frozen=True, slots=True)
class Pending:
    """The question that waits for an answer. `choices` are its keys with what each stands for."""

    kind: str  # character | place | compare | reask | site
    character: str = ""
    choices: tuple[tuple[str, str], ...] = ()  # (key, state, class, taxon, "none_of_these" or "cant_tell")
    yes: str = ""  # the state that a bare yes means, where the question can be answered so; a no means the other
    further: tuple[Pending, ...] = ()  # questions put in the same message, in order: "1b 2a" answers them by number

    @property
    def questions(self) -> tuple[Pending, ...]:
        """All that were put in the same message, each by itself."""
        return (replace(self, further=()), *self.further)


def keyed_states(character: Character, knowledge: Knowledge) -> tuple[tuple[str, str], ...]:
    """The choices of a question about a character: key and state. A count's keys are the counts themselves, so that "5"
    is never a fifth choice."""
    counts = character.kind == "count"
    numbers = knowledge.language.numbers["numbers"]
    offered = character.offer or tuple(character.classes)
    choices = []
    for index, state in enumerate(offered, 1):
        label = character.words.states[state].label
        choices.append((f"{numbers[label]:g}" if counts and label in numbers else str(index), state))
    if len(offered) < len(character.states):
        choices.append((NONE_KEY_OF_A_COUNT if counts else str(len(choices) + 1), NONE_OF_THESE))
    choices.append((CANT_TELL_KEY_OF_A_COUNT if counts else str(len(choices) + 1), CANT_TELL))
    return tuple(choices)


def question_about(name: str, knowledge: Knowledge) -> Pending:
    """The pending question about a character, or about the place ("place"). Raises KeyError for any other name."""
    if name == "place":
        return Pending("place")
    character = knowledge.characters[name]
    return Pending("character", name, keyed_states(character, knowledge), character.words.yes)
