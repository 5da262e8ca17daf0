"""Golden conversations: prose a forester can proofread. A title line with the channel and place, `> ` for the finder,
the reply below. A name before the text (`> Ana: soft`) is another reader.

    python tests/conversations/play.py FILE …     plays the finder's lines anew and prints the conversation
    python tests/conversations/play.py --write    writes all of them; read the diff before you commit it
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from chatkey.app import open_mind
from chatkey.channels.base import Talks, place_of
from chatkey.dialog import Mind

FOLDER = Path(__file__).parent
SPEAKER = re.compile(r"^(Ana|Ben): (.*)$")


def files() -> list[Path]:
    return sorted(FOLDER.glob("*.txt"))


def play(mind: Mind, text: str) -> str:
    """The conversation with the replies of today."""
    title, *lines = text.splitlines()
    place = re.search(r"\[place (.+?)\]", title)
    talks = Talks(mind, place_of(mind, place[1]) if place else None)
    out = [title]
    for line in lines:
        if line.startswith("> "):
            speaker = SPEAKER.match(line[2:])
            reader, said = (speaker[1], speaker[2]) if speaker else ("finder", line[2:])
            out += ["", line, talks.say(said, reader=reader).reply.text]
    return "\n".join(out) + "\n"


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
