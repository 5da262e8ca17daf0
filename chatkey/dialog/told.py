"""A steward's answer, told to the finder: whose tree it is about, what it is, and what must be said of it."""

from __future__ import annotations

from dataclasses import replace

from chatkey.advise import cautions_for
from chatkey.dialog.asking import STATUS_LINES, level_words, tell_listings
from chatkey.dialog.conversation import Conversation, Tree
from chatkey.dialog.handover import Verdict, VerdictError
from chatkey.dialog.phrase import name_words, place_words
from chatkey.dialog.talk import Turned, ordered
from chatkey.dialog.turn import DANGER, Mind, Turn, at_tree
from chatkey.dialog.view import view
from chatkey.identify.answer import leaves_of
from chatkey.knowledge.model import Knowledge
from chatkey.knowledge.yaml_nodes import nearest

ANSWERED = ("asked", "unsafe")  # reasons that are done with once a person has answered; asked anew, it goes anew


def told(mind: Mind, conversation: Conversation, tree_id: int, verdict: Verdict) -> Turned:
    """What the finder is sent, and the conversation with the verdict kept. The question that waits stays.

    Raises VerdictError, StateError.
    """
    verdict = _whole(mind.knowledge, conversation.tree_of(tree_id), verdict)
    turn = at_tree(mind, conversation, tree_id)
    before = turn.tree.shown.taxon if turn.tree.shown else ""
    handed = tuple(reason for reason in turn.tree.handed if reason not in ANSWERED)
    turn.change_tree(verdict=verdict, handed=handed)
    _tell_words(turn, verdict)
    if verdict.kind in ("right", "other"):
        _tell_name(turn, verdict.taxon, before)
    elif verdict.kind == "unknowable":
        turn.say("answer", "told_unknowable")
    if turn.conversation.state == "with_person":
        turn.change(state="answered")
    reply = ordered(turn)
    shown = view(turn, reply)
    turn.change(current=conversation.current)
    return Turned(turn.conversation, reply, shown)


def _whole(knowledge: Knowledge, tree: Tree, verdict: Verdict) -> Verdict:
    """The verdict with its plant named. Raises VerdictError where it says nothing."""
    where = f"the answer to tree {tree.id}"
    if verdict.kind not in ("right", "other"):
        if verdict.kind == "none" and not verdict.text.strip():
            raise VerdictError(where, "has no words", "write some, or say what the tree is")
        return replace(verdict, taxon="")
    taxon = verdict.taxon or (tree.shown.taxon if verdict.kind == "right" and tree.shown else "")
    if not taxon:
        raise VerdictError(where, "names no plant", "say which one it is")
    if not leaves_of(knowledge, taxon):
        raise VerdictError(where, f"{taxon[:40]!r} is no plant", nearest(taxon, [*knowledge.taxa, *knowledge.groups]))
    return replace(verdict, taxon=taxon)


def _tell_words(turn: Turn, verdict: Verdict) -> None:
    """The steward's own words, or that they have looked; with the number of the tree where there are several."""
    script, group = turn.mind.script, turn.mind.card.name
    who = script.say("steward_of", group=group) if group else script.say("steward")
    text = verdict.text.strip()
    number = str(turn.tree.id)
    if len(turn.conversation.trees) > 1:
        if text:
            turn.say("took_in", "told_of_tree", who=who, number=number, text=text)
        else:
            turn.say("took_in", "looked_at_tree", who=who, number=number)
    elif text:
        turn.say("took_in", "told", who=who, text=text)
    else:
        turn.say("took_in", "looked", who=who)


def _tell_name(turn: Turn, taxon: str, before: str) -> None:
    """What it is, its status here, and what is dangerous, harmful or rare about it."""
    name = name_words(turn.knowledge, taxon, article=True)
    is_other = bool(before) and not set(leaves_of(turn.knowledge, before)) & set(leaves_of(turn.knowledge, taxon))
    if before == taxon:
        turn.say("answer", "told_right", name=name)
    elif is_other:
        turn.say("answer", "told_other", name=name, before=name_words(turn.knowledge, before, article=True))
    else:
        turn.say("answer", "told_name", name=name)
    _tell_status(turn, taxon)
    for caution in cautions_for(turn.knowledge, turn.probabilities(), turn.place, urgent=DANGER):
        turn.warn(caution, again=is_other)


def _tell_status(turn: Turn, taxon: str) -> None:
    status, place = turn.status, turn.place
    if status is None or place is None:
        return
    gaps = {"place": place_words(turn.knowledge, place)}
    if status.status == "native":
        gaps["level"] = level_words(turn, status.level)
    turn.say("status", f"status_{STATUS_LINES[status.status]}", **gaps)
    members = leaves_of(turn.knowledge, taxon)
    tell_listings(turn, members if len(members) == 1 else ())
