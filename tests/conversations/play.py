"""Golden conversations: prose a forester can proofread. A title line with the channel and place, `> ` for the finder,
the reply below. A name before the text (`> Ana: soft`) is another reader; where the title says `[crew]`, one of several
in a group chat: `> Ana on tree 2: soft` answers in the thread of that tree. Below what gets no reply stands `(none)`.

Where a desk is there the title says so, and within how many days it answers: `[desk the Larkwater group, 3 days]`.
Then `→ to a steward: asked` stands below a reply that passed the tree on, and a steward answers with `= `:

    … 3 days later                   time goes by before the next line
    = right: well seen               it is what was named
    = other tamarack: look again     it is that plant
    = unknowable: no cone, no twig   it can't be known
    = words: is there a cone         only the words
    = 2 right: well seen             of tree 2, where there are several

    python tests/conversations/play.py FILE …     plays the finder's lines anew and prints the conversation
    python tests/conversations/play.py --write    writes all of them; read the diff before you commit it
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import get_args

from chatkey.app import open_mind
from chatkey.channels.base import place_of
from chatkey.dialog import Conversation, Desk, Message, Mind, Turned, Verdict, step, told
from chatkey.dialog.handover import VerdictKind
from chatkey.knowledge.model import Card
from chatkey.terms import Place
from chatkey.understand.lexicon import find_names

FOLDER = Path(__file__).parent
SPEAKER = re.compile(r"^(Ana|Ben|Cleo|Dot|Eli)(?: on tree (\d+))?: (.*)$")
SILENCE = "(none)"
DESK = re.compile(r"\[desk (.+?), (\d+) days?\]")
LATER = re.compile(r"^… (\d+) (hour|day|week)s? later$")
ANSWER = re.compile(r"^= (?:(\d+) )?(\w+)(?: ([^:]+))?:(.*)$")
HOURS = {"hour": 1, "day": 24, "week": 168}
KINDS: dict[str, VerdictKind] = {"words": "none", **{kind: kind for kind in get_args(VerdictKind)}}


@dataclass
class Scene:
    """Who talks, where, and how long ago the last message was."""

    mind: Mind
    place: Place | None
    desk: Desk | None
    conversation: Conversation = field(default_factory=Conversation)
    idle_hours: float = 0.0
    crew: bool = False

    def played(self, line: str) -> list[str]:
        """What stands in the file for one of its lines; nothing for an old reply."""
        if later := LATER.match(line):
            self.idle_hours = int(later[1]) * HOURS[later[2]]
            return ["", line]
        if line.startswith("> "):
            return ["", line, *self._said(line[2:])]
        if answer := ANSWER.match(line):
            return ["", line, self._answered(answer)]
        return []

    def _said(self, text: str) -> list[str]:
        speaker = SPEAKER.match(text)
        reader, said = (speaker[1], speaker[3]) if speaker else ("finder", text)
        message = Message(said, reader, self.place, desk=self.desk, idle_hours=self.idle_hours)
        if speaker and self.crew:
            message = replace(message, name=reader, crew=True, tree=int(speaker[2]) if speaker[2] else None)
        turned = self._after(step(self.mind, self.conversation, message))
        return [
            turned.reply.text or SILENCE,
            *(f"→ to a steward: {' '.join((one.reason, one.detail)).strip()}" for one in turned.handed),
        ]

    def _answered(self, answer: re.Match[str]) -> str:
        tree = int(answer[1] or self.conversation.current)
        taxon = find_names(self.mind.lexicon, answer[3])[0] if answer[3] else ""
        verdict = Verdict(KINDS[answer[2]], taxon, answer[4].strip())
        return self._after(told(self.mind, self.conversation, tree, verdict)).reply.text

    def _after(self, turned: Turned) -> Turned:
        self.conversation, self.idle_hours = turned.conversation, 0.0
        return turned


def files() -> list[Path]:
    return sorted(FOLDER.glob("*.txt"))


def play(mind: Mind, text: str) -> str:
    """The conversation with the replies of today."""
    title, *lines = text.splitlines()
    place, desk = re.search(r"\[place (.+?)\]", title), DESK.search(title)
    if desk:
        mind = replace(mind, card=Card(name=desk[1]))
    where = place_of(mind, place[1]) if place else None
    scene = Scene(mind, where, Desk(desk[1], int(desk[2])) if desk else None, crew="[crew]" in title)
    return "\n".join([title, *(row for line in lines for row in scene.played(line))]) + "\n"


def main() -> None:
    mind = open_mind()
    write = "--write" in sys.argv
    for path in [Path(name) for name in sys.argv[1:] if not name.startswith("--")] or files():
        played = play(mind, path.read_text(encoding="utf-8"))
        if write:
            path.write_text(played, encoding="utf-8")
        else:
            print(played)


if __name__ == "__main__":
    main()
