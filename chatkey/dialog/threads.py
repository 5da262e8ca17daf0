"""Several trees in one chat: a message may take up another's thread, and the talk then goes on where it was."""

from __future__ import annotations

from dataclasses import replace

from chatkey.dialog.conversation import Conversation, Tree, Waits

LISTENING = "listening"
EVERYWHERE = ("stopped",)  # states of the whole chat, not of one tree


def taken_up(conversation: Conversation, number: int | None) -> Conversation:
    """The conversation with that tree in hand, and the question that waits in its thread; unchanged where there is no
    such tree."""
    known = any(tree.id == number for tree in conversation.trees)
    if number is None or not known or number == conversation.current or conversation.state in EVERYWHERE:
        return conversation
    waits = conversation.tree_of(number).waits or Waits(LISTENING)
    left = _with_tree(conversation, replace(conversation.tree, waits=Waits(conversation.state, conversation.pending)))
    there = replace(left, current=number, state=waits.state, pending=waits.pending)
    return _with_tree(there, replace(there.tree, waits=None))


def put_back(before: Conversation, during: Conversation, after: Conversation) -> Conversation:
    """The conversation after a message: at the tree where the talk was, unless a new one was begun. `before`: as it was
    kept; `during`: with the thread's tree in hand. A question that a new tree cut off waits in the old one's thread."""
    if after.current != during.current:
        old = after.tree_of(during.current)
        waits = Waits(during.state, during.pending) if during.pending is not None else None
        return _with_tree(after, replace(old, waits=waits)) if len(after.trees) > 1 else after
    return taken_up(after, before.current)


def _with_tree(conversation: Conversation, tree: Tree) -> Conversation:
    trees = tuple(tree if old.id == tree.id else old for old in conversation.trees)
    return replace(conversation, trees=trees)
