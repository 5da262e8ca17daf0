"""What a crew counts: how many of the same, how many of these are dead or browsed, and the labels of a tree."""

from __future__ import annotations

from dataclasses import replace

from chatkey.dialog.conversation import Tallied, Tree
from chatkey.dialog.script import Script
from chatkey.dialog.turn import Turn


def take_tally(turn: Turn) -> None:
    """Keeps what the message counts of the tree in hand, and says the sum back."""
    tally = turn.understanding.tally
    if tally is None:
        return
    one = Tallied(tally.more, tuple(tally.of), turn.message.reader, str(turn.conversation.messages))
    turn.change_tree(tallies=(*turn.tree.tallies, one))
    _tell_sum(turn)


def take_marks(turn: Turn) -> None:
    """Keeps the numbers of a tag and a plot, and says them back."""
    marks = {"plot" if mark.kind == "plot" else "tag": mark.label for mark in turn.understanding.marks}
    if not marks:
        return
    turn.change_tree(**marks)
    words = ", ".join(marks_words(turn.mind.script, turn.tree, only=tuple(marks)))
    turn.say("took_in", "marked", marks=words)


def belongs_to_the_tree_before(turn: Turn) -> bool:
    """ "12 more of the same, next tree": what is counted before a new tree is begun is counted of the old one."""
    tally, claims = turn.understanding.tally, turn.understanding.claims
    return tally is not None and all(tally.span < claim.span for claim in claims)


def only_counts(turn: Turn) -> bool:
    """The message counts or labels trees, and says nothing else."""
    understanding = turn.understanding
    told = understanding.claims or understanding.names or understanding.place or understanding.chosen
    return bool(understanding.tally or understanding.marks) and not told


def last_tally_of(turn: Turn) -> Tallied | None:
    """The speaker's tally of this tree, where it is the last they said of it."""
    own = [one for one in turn.tree.tallies if one.reader == turn.message.reader]
    said = [int(claim.message or 0) for claim in turn.tree.claims if claim.reader == turn.message.reader]
    return own[-1] if own and int(own[-1].message) > max(said, default=-1) else None


def undo_tally(turn: Turn, gone: Tallied) -> None:
    turn.change_tree(tallies=tuple(one for one in turn.tree.tallies if one != gone))
    turn.say("took_in", "tally_undone")
    _tell_sum(turn)


def conditions_words(script: Script, tree: Tree) -> tuple[str, ...]:
    """ "3 dead", "5 browsed"."""
    return tuple(
        script.say("of_condition", number=str(number), condition=script.word("conditions", condition))
        for condition, number in tree.conditions.items()
    )


def marks_words(script: Script, tree: Tree, only: tuple[str, ...] = ("tag", "plot")) -> tuple[str, ...]:
    """ "tag 14", "plot 3"."""
    return tuple(script.say(f"of_{kind}", label=getattr(tree, kind)) for kind in only if getattr(tree, kind))


def _tell_sum(turn: Turn) -> None:
    of = ", ".join(conditions_words(turn.mind.script, turn.tree))
    count = str(turn.tree.count)
    if of:
        turn.say("took_in", "tally_of", count=count, of=of)
    elif turn.tree.count == 1:
        turn.say("took_in", "tally_one")
    else:
        turn.say("took_in", "tally", count=count)


def without_reader(tree: Tree, reader: str) -> Tree:
    """The tree without what a reader counted of it, and without their looks."""
    looks = tuple(
        replace(
            look,
            readers=tuple(one for one in look.readers if one != reader),
            looked=tuple(one for one in look.looked if one != reader),
            by="" if look.by == reader else look.by,
        )
        for look in tree.looks
    )
    return replace(tree, tallies=tuple(one for one in tree.tallies if one.reader != reader), looks=looks)
