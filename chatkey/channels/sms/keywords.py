"""Words that mean something to the network when they stand alone in a message: STOP, START, HELP and their like."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

from chatkey.channels.sms.segments import plain

Keyword = Literal["stop", "start", "yes", "help", "more"]
KEYWORDS: tuple[Keyword, ...] = get_args(Keyword)
AROUND = " \n.,;:!?\"'()*-_"  # what may stand around the word
LONGEST = 40  # letters of a message that can be a keyword


def keyword(text: str, words: Mapping[str, str]) -> Keyword | None:
    """The kind of keyword that the whole message is, or None.

    `words`: word -> kind, as in the script's table `keywords`. "yes" starts a number only after a stop: callers decide.
    """
    if len(text.strip()) > LONGEST:
        return None
    kind = {_bare(word): kind for word, kind in words.items()}.get(_bare(text))
    return next((one for one in KEYWORDS if one == kind), None)


def _bare(text: str) -> str:
    """Without accents, case, pictures and what stands around it."""
    return plain(text).casefold().strip(AROUND)
