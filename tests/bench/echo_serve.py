"""The same serving process, but it thinks nothing: each message is kept and sent back; see `serving.py`."""

import sys

import chatkey.service.pool as pool
from chatkey.cli import main
from chatkey.store.messages import Letter, Thought, Work


def echo(_mind: object, _frame: object, work: Work) -> list[Thought]:
    return [Thought(message.id, None, Letter(message.text[:300] or "?")) for message in work.messages]


pool.think = echo  # at import, so that the thinking processes have it too

if __name__ == "__main__":
    sys.exit(main(["serve"]))
