"""Effects on what is kept: stop, erase, begin anew, take back, list."""

from __future__ import annotations

from dataclasses import replace

from chatkey.dialog.conversation import Shown, Tree, without
from chatkey.dialog.handover import Verdict
from chatkey.dialog.phrase import facts_words, name_words, place_words
from chatkey.dialog.reply import Block
from chatkey.dialog.tally import last_tally_of, undo_tally, without_reader
from chatkey.dialog.turn import Turn, at_tree
from chatkey.dialog.walk import readers_of, shows_walk, walk_list, walk_text
from chatkey.terms import Place


def stop(turn: Turn) -> None:
    turn.change(pending=None)
    turn.say("note", "stopped")


def say_stopped(turn: Turn) -> None:
    turn.say("note", "is_stopped")


def erase(turn: Turn) -> None:
    """The reader's name, claims and places go; the trees stay, empty of that reader, with what others said of them."""
    reader = turn.message.reader
    trees = tuple(_forgotten(tree, reader, crew=turn.message.crew) for tree in turn.conversation.trees)
    kept = {key: count for key, count in turn.conversation.said.items() if key == "caution:first_touch"}
    unknown = tuple(one for one in turn.conversation.unknown if one.reader != reader)
    readers = {id: name for id, name in turn.conversation.readers.items() if id != reader}
    turn.change(trees=trees, pending=None, said=kept, plant="", site=(), unknown=unknown, readers=readers)
    turn.forget()
    _name_anew(turn)
    turn.say("note", "erased_crew" if turn.message.crew else "erased")


def _forgotten(tree: Tree, reader: str, *, crew: bool) -> Tree:
    """The tree without a reader. In a crew all that is others' stays; the place without town and point, since who gave
    these is not known."""
    place = Place(tree.place.code, county=tree.place.county) if tree.place else None
    if crew and reader not in readers_of(tree) and readers_of(tree):
        return replace(without_reader(tree, reader), place=place)
    claims = tuple(claim for claim in tree.claims if claim.reader != reader)
    tree = replace(without_reader(tree, reader), claims=claims, verdict=_without_words(tree.verdict))
    others = crew and bool(readers_of(tree))
    return replace(
        tree,
        asked=tree.asked if others else (),
        place=place if others else None,
        shown=None,
        handed=tree.handed if others else (),
        looks=tree.looks if others else (),
        waits=None,
    )


def _name_anew(turn: Turn) -> None:
    """What the trees of a crew are without the one who left."""
    for tree in turn.conversation.trees:
        if turn.message.crew and tree.claims and tree.shown is None:
            there = at_tree(turn.mind, turn.conversation, tree.id)
            there.change_tree(shown=shown_now(there))
            turn.change(trees=there.conversation.trees)


def shown_now(turn: Turn) -> Shown | None:
    """What is said of the tree in hand, for the record; None where it is not named."""
    answer = turn.answer
    if answer is None:
        return None
    return Shown(answer.id, answer.rank, round(answer.probability, 4), turn.knowledge.hash)


def _without_words(verdict: Verdict | None) -> Verdict | None:
    """What a steward named, without their words and who they are; nothing where the words were all."""
    return replace(verdict, text="", by="") if verdict is not None and verdict.taxon else None


def restart(turn: Turn) -> None:
    """The current tree from the beginning; its place stays."""
    turn.change_tree(claims=(), month=None, asked=(), shown=None, handed=(), verdict=None, tallies=(), looks=())
    _forget_said(turn)
    turn.change(pending=None)
    turn.say("note", "restarted")
    turn.proceeds = bool(turn.understanding.claims)


def begin_tree(turn: Turn) -> None:
    """A new tree at the same place; one that nothing was said of is used as it is."""
    tree = turn.tree
    if tree.claims or tree.asked or tree.tallies or tree.tag:
        number = len(turn.conversation.trees) + 1
        trees = (*turn.conversation.trees, Tree(number, place=turn.place))
        turn.change(trees=trees, current=number, pending=None)
        turn.forget()
    if not turn.understanding.claims:
        turn.say("note", "new_tree", number=str(turn.tree.id))
    turn.proceeds = bool(turn.understanding.claims)


def undo(turn: Turn) -> None:
    """Takes back what the speaker's own last message said or counted of this tree."""
    tally = last_tally_of(turn)
    if tally is not None:
        undo_tally(turn, tally)
        return
    if turn.conversation.pending is not None and turn.conversation.pending.further:
        turn.take_back()
    own = [claim for claim in turn.tree.claims if claim.reader == turn.message.reader]
    last = own[-1].message
    gone = tuple(claim for claim in own if claim.message == last)
    kept = tuple(claim for claim in turn.tree.claims if claim not in gone)
    again = {claim.character for claim in gone}
    unasked = [one for one in turn.tree.asked if one.character in again and one.kind != "place"]
    turn.change_tree(claims=kept, asked=without(turn.tree.asked, unasked))
    turn.say("note", "undone", facts=facts_words(turn.knowledge, turn.mind.script, gone, turn.place))
    turn.change(pending=None)
    turn.proceeds = True


def say_nothing_to_undo(turn: Turn) -> None:
    turn.say("note", "nothing_to_undo")
    turn.repeats = True


def show_list(turn: Turn) -> None:
    """The trees of this conversation; of a crew or a walk with counts, labels and names."""
    if shows_walk(turn):
        rows = [walk_text(found)] if (found := walk_list(turn.mind, turn.conversation)) else []
        _tell_rows(turn, rows)
        return
    rows = []
    for tree in turn.conversation.trees:
        number = str(tree.id)
        where = place_words(turn.knowledge, tree.place) if tree.place else ""
        if tree.verdict and tree.verdict.taxon:
            name = name_words(turn.knowledge, tree.verdict.taxon)
            line = "list_row_checked" if where else "list_row_checked_placeless"
            rows.append(turn.mind.script.say(line, number=number, name=name, place=where))
        elif tree.shown:
            name = name_words(turn.knowledge, tree.shown.taxon)
            rows.append(turn.mind.script.say("list_row", number=number, name=name, place=where).rstrip(" ,"))
        elif tree.claims:
            rows.append(turn.mind.script.say("list_nameless", number=number))
    _tell_rows(turn, rows)


def _tell_rows(turn: Turn, rows: list[str]) -> None:
    if rows:
        turn.blocks.append(Block("facts", "\n".join(rows)))
    else:
        turn.say("note", "list_empty")
    turn.repeats = not turn.message.crew  # a crew knows what was asked


def _forget_said(turn: Turn) -> None:
    """Things said once a tree may be said again."""
    mark = f":{turn.tree.id}"
    kept = {
        key: n
        for key, n in turn.conversation.said.items()
        if not key.startswith(("so_far", "status", "closed", "left")) or mark not in key
    }
    turn.change(said=kept)
