"""Commands for tests: run in this process or in one of their own, and what they left behind."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from typing import Any, Protocol

COMMAND = [sys.executable, "-m", "chatkey.cli"]


class Run(Protocol):
    def __call__(self, *arguments: str, given: str = "") -> Done: ...


@dataclass(frozen=True)
class Done:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def one_line(text: str) -> str:
    """The text, which must be one line that begins with the name of the program."""
    assert text.count("\n") == 1, text
    assert text.startswith("chatkey: ")
    return text
