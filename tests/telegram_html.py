"""Telegram's HTML read strictly: only its tags, all closed; a <, > or & that is neither tag nor entity is a fault."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass

TAGS = ("b", "strong", "i", "em", "u", "ins", "s", "strike", "del", "code", "pre")  # without attributes
PIECE = re.compile(r"<(/?)([a-z]+)>|&(lt|gt|amp|quot|#[0-9]+);|([^<>&]+)")


class HtmlError(Exception):
    """A text that Telegram might refuse to parse."""


@dataclass(frozen=True, slots=True)
class Parsed:
    """The text that is shown, and (tag, offset, length) of its entities in UTF-16 units."""

    text: str
    entities: tuple[tuple[str, int, int], ...]


def parsed(source: str) -> Parsed:
    """The text and its entities. Raises HtmlError."""
    text, at = "", 0
    open_tags: list[tuple[str, int]] = []
    entities = []
    while at < len(source):
        piece = PIECE.match(source, at)
        if piece is None:
            raise HtmlError(f"{source[at]!r} stands alone at {at}")
        closes, tag, entity, plain = piece.groups()
        if tag and tag not in TAGS:
            raise HtmlError(f"unsupported start tag {tag!r} at {at}")
        if tag and not closes:
            open_tags.append((tag, units(text)))
        elif tag:
            if not open_tags or open_tags[-1][0] != tag:
                raise HtmlError(f"unexpected end tag at {at}")
            start = open_tags.pop()[1]
            entities.append((tag, start, units(text) - start))
        else:
            text += html.unescape(f"&{entity};") if entity else plain or ""
        at = piece.end()
    if open_tags:
        raise HtmlError("a tag is not closed")
    return Parsed(text, tuple(entities))


def units(text: str) -> int:
    """The length as Telegram counts it: in units of UTF-16. A half character raises UnicodeEncodeError."""
    return len(text.encode("utf-16-le")) // 2
