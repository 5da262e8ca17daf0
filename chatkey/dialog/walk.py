"""A walk: begun with a word of care, ended with its list; the list as rows, as text and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from chatkey.dialog.conversation import Conversation, Tree, Walk
from chatkey.dialog.crew import forget_names, shown_name
from chatkey.dialog.phrase import joined, name_words, odds_words, place_words
from chatkey.dialog.reply import Block
from chatkey.dialog.tally import conditions_words, marks_words
from chatkey.dialog.turn import Mind, Turn

COLUMNS = (
    *("number", "name", "rank", "probability", "count", "conditions", "tag", "plot", "place", "readers", "checked"),
    "looked_again",
)
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a table program would run, and not show


@dataclass(frozen=True, slots=True)
class Row:
    """One tree of a walk's list. `probability` is the one that was shown; None where the tree was not named."""

    number: int
    name: str
    rank: str
    probability: float | None
    count: int
    conditions: tuple[tuple[str, int], ...]
    tag: str
    plot: str
    place: str
    readers: tuple[str, ...]
    checked: bool  # by a steward
    looks: tuple[tuple[str, str], ...]  # points that were looked at again, and what settled each
    words: str  # all of it in few words, as it is sent; the place left out where it is the one before


def begin_walk(turn: Turn) -> None:
    """A word of care, once; then the first tree of the walk. A walk that is on goes on."""
    walk = turn.conversation.walk
    if walk is not None and not walk.last:
        turn.say("note", "walk_is_on", number=str(turn.tree.id))
        turn.repeats = True
        return
    if not turn.said_once("walk_card"):
        turn.say("caution", "walk_card")
        turn.said_once("caution:first_touch")  # the same is in the card
    if turn.tree.claims or turn.tree.asked:
        number = len(turn.conversation.trees) + 1
        turn.change(trees=(*turn.conversation.trees, Tree(number, place=turn.place)), current=number)
        turn.forget()
    turn.change(walk=Walk(turn.tree.id), pending=None)
    if not turn.understanding.claims:
        turn.say("note", "walk_begun", number=str(turn.tree.id))


def end_walk(turn: Turn) -> None:
    """The walk is over: its list."""
    walk = turn.conversation.walk or Walk(turn.conversation.trees[0].id)
    turn.change(walk=Walk(walk.first, turn.conversation.trees[-1].id), pending=None)
    found = walk_list(turn.mind, turn.conversation)
    if not found:
        turn.say("note", "walk_ended_empty")
        return
    turn.say("took_in", "walk_ended")
    turn.blocks.append(Block("facts", walk_text(found)))


def drop_names(turn: Turn) -> None:
    """No names and numbers of people on this walk."""
    forget_names(turn)
    turn.say("note", "no_names")
    turn.repeats = True


def shows_walk(turn: Turn) -> bool:
    """There is more to list than names and places: a crew, a walk, counts or labels."""
    trees = turn.conversation.trees
    counted = any(tree.tallies or tree.tag or tree.plot for tree in trees)
    return turn.message.crew or turn.conversation.walk is not None or counted


def walk_list(mind: Mind, conversation: Conversation) -> tuple[Row, ...]:
    """The trees of the walk of which something was said, else of the whole conversation."""
    walk = conversation.walk or Walk(1)
    trees = [tree for tree in conversation.trees if walk.first <= tree.id <= (walk.last or tree.id) and _has_news(tree)]
    rows: list[Row] = []
    for tree in trees:
        rows.append(_row(mind, conversation, tree, rows[-1].place if rows else ""))
    return tuple(rows)


def walk_text(rows: Sequence[Row]) -> str:
    """The list as short lines."""
    return "\n".join(row.words for row in rows)


def walk_csv(rows: Sequence[Row]) -> str:
    """The list as a table (RFC 4180) with a header; a cell that a table program would run as a formula is made text."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(value) for value in _values(row)])
    return out.getvalue()


def shows_names(conversation: Conversation) -> bool:
    return bool(conversation.readers) and not conversation.nameless


def _has_news(tree: Tree) -> bool:
    return bool(tree.claims or tree.tallies or tree.tag or tree.plot or tree.verdict)


def _row(mind: Mind, conversation: Conversation, tree: Tree, before: str) -> Row:
    script, knowledge = mind.script, mind.knowledge
    checked = tree.verdict is not None and bool(tree.verdict.taxon)
    id = tree.verdict.taxon if checked and tree.verdict else tree.shown.taxon if tree.shown else ""
    place = place_words(knowledge, tree.place) if tree.place else ""
    readers = tuple(shown_name(script, conversation, reader) for reader in readers_of(tree))
    looks = tuple((knowledge.characters[look.character].words.name, look.settled or "open") for look in tree.looks)
    return Row(
        number=tree.id,
        name=name_words(knowledge, id) if id else script.say("not_named"),
        rank=_rank(mind, tree, id, checked=checked),
        probability=tree.shown.probability if tree.shown and not checked else None,
        count=tree.count,
        conditions=tuple(tree.conditions.items()),
        tag=tree.tag,
        plot=tree.plot,
        place=place,
        readers=readers,
        checked=checked,
        looks=looks,
        words=_words(mind, tree, id, place if place != before else "", readers if shows_names(conversation) else ()),
    )


def readers_of(tree: Tree) -> tuple[str, ...]:
    """Who has said or counted something of a tree, in the order they spoke."""
    said = (*(claim.reader for claim in tree.claims), *(one.reader for one in tree.tallies))
    return tuple(dict.fromkeys(said))


def _rank(mind: Mind, tree: Tree, id: str, *, checked: bool) -> str:
    if checked or tree.shown is None:
        return mind.knowledge.taxa[id].rank if id in mind.knowledge.taxa else "group" if id else ""
    return tree.shown.rank


def _words(mind: Mind, tree: Tree, id: str, place: str, readers: Sequence[str]) -> str:
    """ "3. black spruce (about 9 in 10), 13 trees, 3 dead, tag 14, by Ana and Ben"."""
    script = mind.script
    parts = [_name_words(mind, tree, id)]
    if tree.count > 1:
        parts.append(script.say("walk_count", count=str(tree.count)))
    parts += [*conditions_words(script, tree), *marks_words(script, tree), *([place] if place else [])]
    if readers:
        parts.append(script.say("walk_by", names=joined(script, "and_more", readers)))
    return script.say("walk_row", number=str(tree.id), parts=", ".join(parts))


def _name_words(mind: Mind, tree: Tree, id: str) -> str:
    if not id:
        return mind.script.say("not_named")
    name = name_words(mind.knowledge, id)
    if tree.verdict is not None and tree.verdict.taxon:
        return mind.script.say("walk_checked", name=name)
    odds = odds_words(mind.script, tree.shown.probability if tree.shown else 0.5)
    return mind.script.say("walk_name", name=name, odds=odds)


def _values(row: Row) -> tuple[str, ...]:
    """The cells of a row, in the order of the columns."""
    return (
        str(row.number),
        row.name,
        row.rank,
        "" if row.probability is None else f"{row.probability:.4f}",
        str(row.count),
        "; ".join(f"{condition} {number}" for condition, number in row.conditions),
        row.tag,
        row.plot,
        row.place,
        "; ".join(row.readers),
        "yes" if row.checked else "",
        "; ".join(f"{name}: {settled}" for name, settled in row.looks),
    )


def _cell(text: str) -> str:
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA) else text


def is_begun(turn: Turn) -> bool:
    return "walk" in turn.understanding.subjects


def is_ended(turn: Turn) -> bool:
    return "walk_end" in turn.understanding.subjects


def wants_no_names(turn: Turn) -> bool:
    return "no_names" in turn.understanding.subjects
