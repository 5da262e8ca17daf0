"""A reply in the room of a text message: what is said now, and what is left for a later MORE."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from chatkey.channels.sms.segments import ONE_SEGMENT, plain, segments
from chatkey.dialog.reply import Ask, Block

# What is kept first where not all fits. "careful" is a note with a short wording beside a question: how to go about it.
WORTH = ("caution", "question", "answer", "careful", "status", "took_in", "note", "facts")
RUNNING = ("answer", "facts")  # one leans on the one before: "against" is not told where "for" had no room
MOST_WORTH = ("caution", "question", "careful")  # for these the line that tells of MORE gives up its room
FEWEST_LISTED = 2  # of a list that is cut; of facts taken in, one will do
MOST_ASKED = 3  # sentences of a question: where to look, how, and what is asked; what stands before only leads to it

SENTENCE_END = re.compile(r"(?<=[.?])(?<!\b\d\.)(?<!\b\d\d\.)\s+(?=[^\s(a-z])|\n")
CHOICE = re.compile(r"\s+(?=\(\w+\) )")
MARKS = re.compile(r'"[^"]*"|\([^()]*\)|(?P<lead>: )|(?P<mark>[,;] )')  # a quote or bracket is passed over whole
MORE_OF_LIST = "..."
# Where a text is cut, the best place first; at a line only where that does not leave half of the room empty.
CUTS = (
    (re.compile(r"\n"), 0.5),
    (SENTENCE_END, 0.0),
    (CHOICE, 0.0),
    (re.compile(r"(?<=[,;]) "), 0.0),
    (re.compile(r" "), 0.0),
    (re.compile(r""), 0.0),
)


@dataclass(frozen=True, slots=True)
class Folded:
    """Plain text that fits, and the plain text of what had no room, "" where all was said."""

    text: str
    rest: str


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to say a part: what is said and what is left."""

    said: str
    left: str = ""


@dataclass(frozen=True, slots=True)
class _Part:
    """A block in plain text, with the ways to say less of it, the fullest first."""

    worth: str
    text: str
    short: str
    less: tuple[_Way, ...]


def fold(blocks: Sequence[Block], ask: Ask | None, most: int = 2, more: str = "") -> Folded:
    """The reply in at most `most` segments; one caution that is longer by itself goes out whole.

    Short wordings are used first, those of least worth before the others; a short wording says it all, so its longer
    one is not left over. Then what is worth least is left out, whole or from a sentence or an item of a list on.
    Cautions and choices are never cut. `more` tells of the rest, where there is room for it.
    """
    parts = tuple(part for block in blocks if (part := _part(block, ask)).text)
    for texts in _shorter_and_shorter(parts):
        if _fits("\n".join(texts), most):
            return Folded("\n".join(texts), "")
    return _by_worth(parts, most, more)


def fold_text(text: str, most: int, more: str = "") -> Folded:
    """As much of a text as fits, and the rest: cut between lines, else between sentences, choices, items, words."""
    text = plain(text)
    if _fits(text, most):
        return Folded(text, "")
    said, left = next(_cut(text, most, spare) for spare in (more, "") if spare == "" or _cut(text, most, spare)[0])
    return _told(said, left, most, more)


def _part(block: Block, ask: Ask | None) -> _Part:
    text, short = plain(block.text), plain(block.short)
    worth = "careful" if block.kind == "note" and short and ask else block.kind
    choices = _choices_start(text, ask) if block.kind == "question" else 0
    if choices:
        return _Part(worth, text, short or _without_lead(text, choices), ())
    if block.kind == "caution" or (block.kind == "note" and short):
        return _Part(worth, text, short, ())
    less = _beginnings(text, fewest=1 if block.kind == "took_in" else FEWEST_LISTED)
    if worth in RUNNING:
        less = (way for way in less if not way.said.endswith("?"))  # "Pine?" alone says nothing
    return _Part(worth, text, short, tuple(less))


def _choices_start(question: str, ask: Ask | None) -> int:
    """Where the choices stand in a question; 0 where there are none."""
    return max(0, question.find(f"({plain(ask.choices[0].key)}) ")) if ask and ask.choices else 0


def _without_lead(question: str, choices: int) -> str:
    """The question without what leads to it ("One answer stands apart."), "" where nothing does."""
    ends = [found.end() for found in SENTENCE_END.finditer(question, 0, choices)]
    return question[ends[-MOST_ASKED] :] if len(ends) >= MOST_ASKED else ""


def _beginnings(text: str, fewest: int) -> Iterator[_Way]:
    """The text up to the end of a sentence or an item of a list, the longest first."""
    ends = [(found.start(), "") for found in SENTENCE_END.finditer(text)]
    items = [(at, f" {MORE_OF_LIST}") for at in _item_ends(text, fewest)]
    for end, mark in sorted([*ends, *items], reverse=True):
        left = text[end:].lstrip(" ,;\n")
        yield _Way(text[:end] + mark, f"{mark} {left}".strip())


def _item_ends(text: str, fewest: int) -> list[int]:
    """Where a list after a colon may be cut: at its semicolons, else at its commas; outside of quotes and brackets."""
    found: list[int] = []
    starts = [0, *(end.end() for end in SENTENCE_END.finditer(text))]
    for start, end in zip(starts, [*starts[1:], len(text)], strict=True):
        marks = list(MARKS.finditer(text, start, end))
        lead = next((mark.end() for mark in marks if mark["lead"]), end)
        ends = [mark for mark in marks if mark["mark"] and mark.start() > lead]
        semicolons = [mark.start() for mark in ends if mark[0][0] == ";"]
        found += semicolons or [mark.start() for mark in ends][fewest - 1 :]
    return found


def _shorter_and_shorter(parts: Sequence[_Part]) -> Iterator[list[str]]:
    """All parts in full; then with one short wording more each time, that of least worth first."""
    texts = [part.text for part in parts]
    yield list(texts)
    for at in reversed(_in_order_of_worth(parts)):
        if parts[at].short:
            texts[at] = parts[at].short
            yield list(texts)


def _by_worth(parts: Sequence[_Part], most: int, more: str) -> Folded:
    """What is worth most comes first and takes the room; each part as fully as it then fits."""
    said: dict[int, str] = {}
    left: dict[int, str] = {}
    for at in _in_order_of_worth(parts):
        part = parts[at]
        spare = "" if part.worth in MOST_WORTH else more
        broken = part.worth in RUNNING and any(parts[other].worth == part.worth for other in left)
        ways = () if broken else _ways(part)
        way = next((way for way in ways if _fits(_joined({**said, at: way.said}, spare), most)), None)
        if way is None and part.worth == "caution" and not said:
            way = _Way(part.short or part.text)
        if way is not None:
            said[at] = way.said
        if way is None or way.left:
            left[at] = way.left if way else part.text
    if not said:
        return fold_text(_joined(left), most, more)
    return _told(_joined(said), _joined(left), most, more)


def _ways(part: _Part) -> Iterator[_Way]:
    yield _Way(part.short or part.text)
    yield from part.less


def _in_order_of_worth(parts: Sequence[_Part]) -> list[int]:
    return sorted(range(len(parts)), key=lambda at: (WORTH.index(parts[at].worth), at))


def _cut(text: str, most: int, spare: str) -> tuple[str, str]:
    """The text in two at the last place where the first fits with the spare line; ("", text) where none does."""
    for ends, least in CUTS:
        places = [found.start() for found in ends.finditer(text, 1, most * ONE_SEGMENT + 1)]
        fitting = [place for place in places if _fits(_told_of(text[:place], spare), most)]
        if fitting and fitting[-1] >= least * most * ONE_SEGMENT:
            return text[: fitting[-1]], text[fitting[-1] :].strip()
    return "", text


def _joined(texts: Mapping[int, str], spare: str = "") -> str:
    """In the order of the blocks, a line each."""
    return _told_of("\n".join(texts[at] for at in sorted(texts)), spare)


def _told(text: str, rest: str, most: int, more: str) -> Folded:
    """With the line that tells of the rest, where there is a rest and room for it."""
    with_more = _told_of(text, plain(more))
    return Folded(with_more if rest and _fits(with_more, most) else text, rest)


def _told_of(text: str, more: str) -> str:
    return f"{text}\n{more}" if more else text


def _fits(text: str, most: int) -> bool:
    return segments(text) <= most
