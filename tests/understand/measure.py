"""How well messages are understood: precision, recall and F1 of claims, polarity, intents, on the labelled messages.

python tests/understand/measure.py [tune|report|FILE …] [--show] [--by] [--typos]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from labelled import Heard, Message, messages, score, table, with_typos

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.understand import understand
from chatkey.understand.pending import question_about


def hearing(mind: Mind) -> Callable[[Message], Heard]:
    """Our own way to hear a message."""

    def hear(message: Message) -> Heard:
        asked = question_about(message.asked, mind.knowledge) if message.asked else None
        heard = understand(message.text, mind.knowledge, mind.lexicon, asked)
        return Heard(heard.claims, heard.intents)

    return hear


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", default=["tune"])
    parser.add_argument("--show", action="store_true", help="every message that was not fully understood")
    parser.add_argument("--by", action="store_true", help="a line for each character and each intent")
    parser.add_argument("--typos", action="store_true", help="with a slip of the thumb in each message")
    options = parser.parse_args()
    mind = open_mind()
    for part in options.parts:
        given = with_typos(messages(part)) if options.typos else messages(part)
        found = score(given, hearing(mind), mind.knowledge)
        if options.show:
            print("\n".join(found.misses))
        if options.by:
            print("\n".join([*table(found.by_character), *table(found.by_intent)]))
        print(found.line(part))


if __name__ == "__main__":
    main()
