"""Effects on what is kept: stop, erase, begin anew, take back, list."""

from __future__ import annotations

from dataclasses import replace

from chatkey.dialog.conversation import Tree
from chatkey.dialog.handover import Verdict
from chatkey.dialog.phrase import facts_words, name_words, place_words
from chatkey.dialog.reply import Block
from chatkey.dialog.turn import Turn


def stop(turn: Turn) -> None:
    turn.change(pending=None)
    turn.say("note", "stopped")


def say_stopped(turn: Turn) -> None:
    turn.say("note", "is_stopped")


def erase(turn: Turn) -> None:
    """The reader's claims and places go; the trees stay, empty of that reader."""
    reader = turn.message.reader
    trees = tuple(
        replace(
            tree,
            claims=tuple(claim for claim in tree.claims if claim.reader != reader),
            asked=(),
            place=None,
            shown=None,
            handed=(),
            verdict=_without_words(tree.verdict),
        )
        for tree in turn.conversation.trees
    )
    kept = {key: count for key, count in turn.conversation.said.items() if key == "caution:first_touch"}
    unknown = tuple(one for one in turn.conversation.unknown if one.reader != reader)
    turn.change(trees=trees, pending=None, said=kept, plant="", site=(), unknown=unknown)
    turn.forget()
    turn.say("note", "erased")


def _without_words(verdict: Verdict | None) -> Verdict | None:
    """What a steward named, without their words and who they are; nothing where the words were all."""
    return replace(verdict, text="", by="") if verdict is not None and verdict.taxon else None


def restart(turn: Turn) -> None:
    """The current tree from the beginning; its place stays."""
    turn.change_tree(claims=(), asked=(), shown=None, handed=(), verdict=None)
    _forget_said(turn)
    turn.change(pending=None)
    turn.say("note", "restarted")
    turn.proceeds = bool(turn.understanding.claims)


def begin_tree(turn: Turn) -> None:
    """A new tree at the same place; one that nothing was said of is used as it is."""
    if turn.tree.claims or turn.tree.asked:
        number = len(turn.conversation.trees) + 1
        trees = (*turn.conversation.trees, Tree(number, place=turn.place))
        turn.change(trees=trees, current=number, pending=None)
        turn.forget()
    if not turn.understanding.claims:
        turn.say("note", "new_tree", number=str(turn.tree.id))
    turn.proceeds = bool(turn.understanding.claims)


def undo(turn: Turn) -> None:
    """Takes back what the speaker's own last message said of this tree."""
    own = [claim for claim in turn.tree.claims if claim.reader == turn.message.reader]
    last = own[-1].message
    gone = tuple(claim for claim in own if claim.message == last)
    kept = tuple(claim for claim in turn.tree.claims if claim not in gone)
    again = {claim.character for claim in gone}
    asked = tuple(one for one in turn.tree.asked if one.character not in again or one.kind == "place")
    turn.change_tree(claims=kept, asked=asked)
    turn.say("note", "undone", facts=facts_words(turn.knowledge, turn.mind.script, gone, turn.place))
    turn.change(pending=None)
    turn.proceeds = True


def say_nothing_to_undo(turn: Turn) -> None:
    turn.say("note", "nothing_to_undo")
    turn.repeats = True


def show_list(turn: Turn) -> None:
    """The trees of this conversation."""
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
    if rows:
        turn.blocks.append(Block("facts", "\n".join(rows)))
    else:
        turn.say("note", "list_empty")
    turn.repeats = True


def _forget_said(turn: Turn) -> None:
    """Things said once a tree may be said again."""
    mark = f":{turn.tree.id}"
    kept = {
        key: n
        for key, n in turn.conversation.said.items()
        if not key.startswith(("so_far", "status", "closed")) or mark not in key
    }
    turn.change(said=kept)
