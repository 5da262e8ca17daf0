"""Lines of JSON: one object in, one out, flushed; a broken line gives an error object and nothing is lost."""

from __future__ import annotations

import json
from typing import Any, TextIO

from chatkey.channels.base import LONGEST_LINE, Talks
from chatkey.terms import ChatkeyError


def converse_in_json(talks: Talks, source: TextIO, target: TextIO) -> None:
    """Every input line, empty or broken too, gives exactly one line."""
    for line in source:
        print(json.dumps(_answer(talks, line)), file=target, flush=True)


def _answer(talks: Talks, line: str) -> dict[str, Any]:
    if len(line) > LONGEST_LINE:
        return error_view("the line is too long", f"send at most {LONGEST_LINE:,} characters")
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        return error_view("the line is no JSON", 'send one object a line, like {"text": "soft flat needles"}')
    try:
        return talks.say_json(data)
    except ChatkeyError as error:
        where, what, mend = error.args
        return error_view(f"{where} {what}", mend)


def error_view(what: str, mend: str) -> dict[str, Any]:
    return {"error": {"what": what, "mend": mend}}
