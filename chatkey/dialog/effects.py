"""What flow.yaml may have done: each effect adds to the reply or changes the tree."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from chatkey.advise import subject_cautions
from chatkey.dialog.advising import advise_planting, ask_site, tell_native
from chatkey.dialog.asking import (
    ask_again,
    ask_character,
    ask_comparison,
    ask_place,
    conclude,
)
from chatkey.dialog.conversation import Tree
from chatkey.dialog.explaining import (
    compare,
    explain,
    explain_term,
    show_candidates,
    take_name,
    tell_how_sure,
    test_name,
)
from chatkey.dialog.phrase import facts_words, joined, name_words, place_words
from chatkey.dialog.reply import Block
from chatkey.dialog.turn import Turn
from chatkey.identify import comparison
from chatkey.terms import Claim, Quantity


def send_to_emergency(turn: Turn) -> None:
    """Somebody or an animal has swallowed some: the lines first, and nobody waits."""
    turn.warn(turn.knowledge.cautions["swallowed"], again=True)


def warn(turn: Turn) -> None:
    """An unsafe question: the caution and who decides; never a yes."""
    found = subject_cautions(turn.knowledge, turn.understanding.subjects, turn.probabilities())
    if turn.tree.claims and turn.watch.active and turn.watch.probability >= turn.knowledge.numbers["yew"]["watch"]:
        turn.warn(turn.knowledge.cautions["yew"])
    if "touch" in turn.understanding.subjects:
        found = (*(one for one in turn.due_cautions() if one.urgency == 1), *found)
    for caution in found[:2]:
        turn.warn(caution, again=True)
    if not found:
        turn.say("caution", "unsafe_other")
    turn.repeats = True


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
            handed_over=False,
        )
        for tree in turn.conversation.trees
    )
    kept = {key: count for key, count in turn.conversation.said.items() if key == "caution:first_touch"}
    unknown = tuple(one for one in turn.conversation.unknown if one.reader != reader)
    turn.change(trees=trees, pending=None, said=kept, plant="", site=(), unknown=unknown)
    turn.forget()
    turn.say("note", "erased")


def hand_over(turn: Turn) -> None:
    """To a person: what was gathered, so that it need not be told twice."""
    turn.change(pending=None)
    turn.change_tree(handed_over=True)
    if not turn.tree.claims:
        turn.say("note", "person_nothing")
        return
    names = [name_words(turn.knowledge, taxon) for taxon, p in turn.belief.ranked()[:3] if p >= 0.05]
    facts = facts_words(turn.knowledge, turn.mind.script, turn.tree.claims, turn.place)
    turn.say("note", "person", facts=facts, names=joined(turn.mind.script, "or_more", names))


def tell_who_takes_reports(turn: Turn) -> None:
    for caution in subject_cautions(turn.knowledge, ("report",), turn.probabilities())[:1]:
        turn.warn(caution, again=True)
    turn.say("note", "report")
    turn.repeats = True


def tell_who_judges_health(turn: Turn) -> None:
    subjects = ("falling",) if "falling" in turn.understanding.subjects else ("health",)
    found = subject_cautions(turn.knowledge, subjects, turn.probabilities())
    for caution in found[:1]:
        turn.warn(caution, again=caution.urgency == 1)
    if "falling" not in turn.understanding.subjects:
        turn.say("note", "health")
    turn.repeats = True


def restart(turn: Turn) -> None:
    """The current tree from the beginning; its place stays."""
    turn.change_tree(claims=(), asked=(), shown=None, handed_over=False)
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
        if tree.shown:
            name = name_words(turn.knowledge, tree.shown.taxon)
            rows.append(turn.mind.script.say("list_row", number=number, name=name, place=where).rstrip(" ,"))
        elif tree.claims:
            rows.append(turn.mind.script.say("list_nameless", number=number))
    if rows:
        turn.blocks.append(Block("facts", "\n".join(rows)))
    else:
        turn.say("note", "list_empty")
    turn.repeats = True


def help_out(turn: Turn) -> None:
    turn.say("note", "help")
    turn.repeats = True


def say_nothing_yet(turn: Turn) -> None:
    turn.say("note", "nothing_yet")
    turn.repeats = True


def ask_which_term(turn: Turn) -> None:
    turn.say("note", "which_term")
    turn.repeats = True


def ask_what_to_plant(turn: Turn) -> None:
    turn.say("note", "plant_name_first")
    turn.repeats = True


def take_place(turn: Turn) -> None:
    turn.proceeds = bool(turn.tree.claims)
    turn.repeats = not turn.proceeds
    if _was_emergency(turn):
        turn.warn(turn.knowledge.cautions["swallowed"], again=True)
        turn.repeats = False
    elif not turn.tree.claims and turn.conversation.plant:
        advise_planting(turn)
    elif not turn.tree.claims and turn.conversation.pending is None:
        turn.say("note", "invite")


def skip(turn: Turn) -> None:
    turn.change(pending=None)
    turn.proceeds = True
    if not turn.tree.claims and len(turn.tree.asked) == 1:
        turn.say("note", "skipped")


def begin_with_easiest(turn: Turn) -> None:
    """Nothing could be told: the first question, which any hand can answer."""
    if not turn.tree.claims:
        turn.say("note", "easiest")
    turn.change(pending=None)
    turn.proceeds = True


def take_claims(turn: Turn) -> None:
    """The claims were taken in before; a choice of a comparison becomes claims here."""
    if turn.understanding.chosen:
        take_choice(turn, turn.understanding.chosen)
    turn.proceeds = True


def take_choice(turn: Turn, chosen: str) -> None:
    """The plant picked in a comparison: its side of what separates the two, as readings of less weight."""
    last = next((one for one in reversed(turn.tree.asked) if one.pair), None)
    if last is None or last.pair is None or chosen not in last.pair:
        return
    start = max((claim.sequence for claim in turn.tree.claims), default=-1) + 1
    claims = []
    for n, separator in enumerate(comparison(turn.belief, *last.pair)):
        value = separator.first if chosen == last.pair[0] else separator.second
        claims.append(
            Claim(
                separator.character,
                states=(value,) if isinstance(value, str) else (),
                quantity=Quantity(*value) if isinstance(value, tuple) else None,
                reader=turn.message.reader,
                message=str(turn.conversation.messages),
                sequence=start + n,
                text=turn.message.text,
                source="compared",
            )
        )
    turn.take(claims)


def say_welcome(turn: Turn) -> None:
    turn.say("note", "welcome")
    turn.repeats = True


def greet(turn: Turn) -> None:
    turn.say("note", "greet")
    turn.repeats = True


def say_what_i_am(turn: Turn) -> None:
    turn.say("note", "what_i_am")
    turn.repeats = True


def stay_calm(turn: Turn) -> None:
    turn.say("note", "calm")
    turn.repeats = True


def say_language(turn: Turn) -> None:
    turn.say("note", "language")
    turn.repeats = True


def say_not_understood(turn: Turn) -> None:
    if turn.ask is not None or turn.proceeds:
        return
    told = turn.understanding.not_understood or any(block.text for block in turn.blocks)
    if not told:
        turn.say("note", "not_understood")
    turn.repeats = True
    if turn.conversation.pending is None:
        turn.say("note", "close_short")


def invite(turn: Turn) -> None:
    turn.say("note", "emergency_again" if _was_emergency(turn) else "invite")


def _was_emergency(turn: Turn) -> bool:
    """Something was swallowed, and no fact about the plant has come since."""
    return bool(turn.conversation.said.get(f"caution:swallowed:{turn.tree.id}")) and not turn.tree.claims


def _forget_said(turn: Turn) -> None:
    """Things said once a tree may be said again."""
    mark = f":{turn.tree.id}"
    kept = {
        key: n
        for key, n in turn.conversation.said.items()
        if not key.startswith(("so_far", "status", "closed")) or mark not in key
    }
    turn.change(said=kept)


EFFECTS: Mapping[str, Callable[[Turn], None]] = {
    "help": help_out,
    **{
        effect.__name__: effect
        for effect in (
            send_to_emergency,
            warn,
            stop,
            say_stopped,
            erase,
            hand_over,
            tell_who_takes_reports,
            tell_who_judges_health,
            restart,
            begin_tree,
            undo,
            say_nothing_to_undo,
            show_list,
            explain,
            say_nothing_yet,
            explain_term,
            ask_which_term,
            tell_how_sure,
            show_candidates,
            compare,
            advise_planting,
            tell_native,
            ask_site,
            ask_what_to_plant,
            test_name,
            take_name,
            take_place,
            skip,
            begin_with_easiest,
            take_claims,
            say_welcome,
            greet,
            say_what_i_am,
            stay_calm,
            say_language,
            say_not_understood,
            invite,
            ask_character,
            ask_again,
            ask_place,
            ask_comparison,
            conclude,
        )
    },
}
