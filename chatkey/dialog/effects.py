"""What flow.yaml may have done: each effect adds to the reply or changes the tree."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from chatkey.dialog.advising import advise_planting, ask_site, tell_native, tell_stock
from chatkey.dialog.asking import (
    ask_again,
    ask_character,
    ask_comparison,
    ask_place,
    conclude,
)
from chatkey.dialog.caring import (
    note_health,
    send_to_emergency,
    tell_who_judges_health,
    tell_who_takes_reports,
    warn,
)
from chatkey.dialog.explaining import (
    compare,
    explain,
    explain_term,
    show_candidates,
    take_name,
    tell_how_sure,
    test_name,
    warn_of_namesake,
)
from chatkey.dialog.keeping import (
    begin_tree,
    erase,
    restart,
    say_nothing_to_undo,
    say_stopped,
    show_list,
    stop,
    undo,
)
from chatkey.dialog.looks import ask_who_differ, wait_for_look
from chatkey.dialog.passing import hand_over
from chatkey.dialog.phrase import place_words
from chatkey.dialog.turn import Turn
from chatkey.dialog.walk import begin_walk, drop_names, end_walk
from chatkey.identify import comparison
from chatkey.terms import Claim, Quantity


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
    elif turn.conversation.state == "with_person" and not turn.blocks and turn.place is not None:
        turn.say("took_in", "place_taken", place=place_words(turn.knowledge, turn.place))


def skip(turn: Turn) -> None:
    turn.change(pending=None)
    turn.proceeds = True
    if not turn.tree.claims and sum(not one.beside for one in turn.tree.asked) == 1:
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
            note_health,
            restart,
            begin_tree,
            undo,
            say_nothing_to_undo,
            show_list,
            begin_walk,
            end_walk,
            drop_names,
            explain,
            say_nothing_yet,
            explain_term,
            ask_which_term,
            tell_how_sure,
            show_candidates,
            compare,
            advise_planting,
            tell_native,
            tell_stock,
            ask_site,
            ask_what_to_plant,
            test_name,
            warn_of_namesake,
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
            ask_who_differ,
            wait_for_look,
            ask_character,
            ask_again,
            ask_place,
            ask_comparison,
            conclude,
        )
    },
}
