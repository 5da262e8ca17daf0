"""One step of a conversation: (mind, state, message) to (state, reply). Pure: no clock, network, store or chance."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chatkey.dialog.answers import heard
from chatkey.dialog.asking import ask_which_state, put_pending_again
from chatkey.dialog.beside import leave_open, put_beside
from chatkey.dialog.conversation import Conversation, StateError
from chatkey.dialog.crew import is_chatter, known_as, meet
from chatkey.dialog.effects import EFFECTS
from chatkey.dialog.guards import GUARDS, SITE, shares_a_name_with_poison
from chatkey.dialog.handover import HandOver
from chatkey.dialog.keeping import shown_now
from chatkey.dialog.machine import STEP, fire
from chatkey.dialog.passing import hand_by_rule
from chatkey.dialog.phrase import facts_list, place_words
from chatkey.dialog.reply import Block, Reply
from chatkey.dialog.script import load_script, read_script
from chatkey.dialog.taking import event_of, is_of_health, is_of_site, of_the_tree, take_in
from chatkey.dialog.tally import belongs_to_the_tree_before, take_tally
from chatkey.dialog.threads import put_back, taken_up
from chatkey.dialog.turn import Message, Mind, Turn
from chatkey.dialog.view import view
from chatkey.dialog.walk import is_begun
from chatkey.identify import Table
from chatkey.knowledge.model import Knowledge
from chatkey.terms import Place
from chatkey.understand import Lexicon, Pending, understand

GUARD_NAMES = tuple(GUARDS)
EFFECT_NAMES = tuple(EFFECTS)
ORDER = ("caution", "took_in", "answer", "status", "facts", "note", "question")
MOST_TOWNS = 6  # states with a town of one name that are offered as choices
MOST_RECALLED = 3  # facts of a tree that are said again after a long break
POINT_DIGITS = 2  # of a degree: about 1 km, no finer is kept
SILENT = ("stop", "erase", "restart")  # events after which what was said in the same message is not taken in

LEAVING = (*SILENT, "new_tree", "list")  # events at which the tree in hand need not be recalled


@dataclass(frozen=True, slots=True)
class Turned:
    """What came of one message: the next state, the reply, and the fields that programs read."""

    conversation: Conversation
    reply: Reply
    view: dict[str, Any]
    handed: tuple[HandOver, ...] = ()  # trees that go to a person now


def step(mind: Mind, conversation: Conversation, message: Message) -> Turned:
    """The conversation after one message. Any text gives a reply; an empty one in a crew whose people talk together."""
    during = taken_up(conversation, message.tree)
    turned = _step(mind, during, known_as(conversation, message))
    return replace(turned, conversation=put_back(conversation, during, turned.conversation))


def _step(mind: Mind, conversation: Conversation, message: Message) -> Turned:
    """The same in the thread of one tree."""
    if conversation.state not in mind.script.flow.leaves:
        raise StateError("stored state", f"is in {conversation.state!r}, which the flow lacks", "restart it")
    pending = conversation.pending
    understanding = heard(mind, message.text, pending or _open_site(conversation), _known(conversation))
    if (
        understanding.intent == "new_tree" and understanding.claims
    ):  # what was asked and known of the old one is no help
        understanding = understand(message.text, mind.knowledge, mind.lexicon)
    turn = Turn(mind, replace(conversation, messages=conversation.messages + 1), message, understanding)
    if is_chatter(turn):
        reply = ordered(turn)
        return Turned(turn.conversation, reply, view(turn, reply))
    meet(turn)
    _recall(turn)
    _settle_place(turn)
    if understanding.intent == "person" and "new_tree" in understanding.intents and conversation.state != "stopped":
        _fire(turn, "new_tree")  # what is passed on is the next tree
    if understanding.intent == "new_tree" and conversation.state != "stopped":
        before = belongs_to_the_tree_before(turn)
        if before:
            take_tally(turn)
        _fire(turn, "new_tree")
        take_in(turn, counts=not before)
    elif is_begun(turn) and understanding.intent == "list" and conversation.state != "stopped":
        _fire(turn, "list")
        take_in(turn)  # said of the first tree of the walk
        turn.proceeds = bool(understanding.claims)
    elif understanding.intent in SILENT or conversation.state == "stopped":
        _fire(turn, understanding.intent)
    elif understanding.intent == "planting" and understanding.names:
        if shares_a_name_with_poison(turn):
            take_in(turn)  # the name is put to the test, by all that was said of the plant
        _fire(turn, "planting")  # what is said of the ground is said of the site, not of the tree in hand
    elif is_of_site(turn):
        if of_the_tree(turn):
            take_in(turn)
        turn.change(pending=None)
        _fire(turn, "planting")
        turn.proceeds = bool(turn.tree.claims)
    elif is_of_health(turn):
        _fire(turn, "health")  # old or new, which side, since when: said of the sick needles
    elif "swallowed" in understanding.subjects:
        _fire(turn, "unsafe")  # nothing else stands in the way of the call
    else:
        take_in(turn)
        _fire(turn, event_of(turn))
        turn.proceeds = turn.proceeds or bool(of_the_tree(turn))
    if turn.proceeds and turn.conversation.state not in ("stopped", "with_person"):
        if understanding.intent == "place":
            turn.take_back()
        else:
            leave_open(turn, pending)
        _fire(turn, STEP)
    elif turn.repeats and turn.conversation.pending is not None and not turn.checked:
        put_pending_again(turn)
    if "swallowed" not in understanding.subjects:
        for caution in turn.due_cautions():
            turn.warn(caution)
        turn.hold_yew()
    put_beside(turn)
    hand_by_rule(turn)
    _remember_shown(turn)
    reply = ordered(turn)
    return Turned(turn.conversation, reply, view(turn, reply), tuple(turn.handed))


def ordered(turn: Turn) -> Reply:
    """The reply with its blocks in order: danger first, the question last."""
    return Reply(tuple(sorted(turn.blocks, key=lambda block: ORDER.index(block.kind))), turn.ask)


def _open_site(conversation: Conversation) -> Pending | None:
    """Where only planting was spoken of, words for the ground are about the site."""
    return Pending("site", SITE) if conversation.plant and not conversation.tree.claims else None


def _known(conversation: Conversation) -> dict[str, tuple[str, ...]]:
    """What was said of the current tree by state, the newest last: context for words that can mean two things."""
    known: dict[str, tuple[str, ...]] = {}
    for claim in conversation.tree.claims:
        if claim.states and not claim.negated:
            known.pop(claim.character, None)
            known[claim.character] = claim.states
    return known


def _fire(turn: Turn, event: str) -> None:
    """The event through the machine; then its effects, in order."""
    state, effects = fire(turn.mind.script.flow, turn.conversation.state, event, lambda guard: GUARDS[guard](turn))
    turn.change(state=state)
    for effect in effects:
        EFFECTS[effect](turn)


def _settle_place(turn: Turn) -> None:
    """The place said in the message, else the one the channel knows, for this tree and those to come."""
    said = _about(turn.understanding.place)
    place = said or (_about(turn.message.place) if turn.place is None else None)
    pending = turn.conversation.pending
    if place is not None and place != turn.place:
        turn.change_tree(place=place)
        region = turn.knowledge.regions[place.code]
        if said is not None and region.coverage != "full":
            line = "place_edge" if region.coverage == "edge" else "place_name_only"
            turn.say("note", line, place=region.said)
        elif said is not None and not turn.understanding.claims:
            turn.say("took_in", "place_taken", place=place_words(turn.knowledge, place))
    if pending is not None and pending.kind == "place":
        _close_place_question(turn, answered=said is not None)


def _about(place: Place | None) -> Place | None:
    """The place as it is kept: a point only to about a kilometre."""
    if place is None or place.latitude is None or place.longitude is None:
        return place
    return replace(place, latitude=round(place.latitude, POINT_DIGITS), longitude=round(place.longitude, POINT_DIGITS))


def _recall(turn: Turn) -> None:
    """After a long break the finder is reminded which tree they were at, unless they leave it now."""
    away = turn.message.idle_hours >= turn.mind.script.flow.recall_after_hours
    leaves = turn.understanding.intent in LEAVING or "swallowed" in turn.understanding.subjects
    if not away or leaves or not turn.tree.claims or turn.conversation.state == "stopped":
        return
    script = turn.mind.script
    facts = facts_list(turn.knowledge, script, turn.tree.claims, turn.place)
    kept = [*facts[:MOST_RECALLED], *([place_words(turn.knowledge, turn.place)] if turn.place else [])]
    words = ", ".join(kept)
    if len(facts) > MOST_RECALLED:
        words = script.say("recall_more", facts=words)
    if len(turn.conversation.trees) > 1:
        turn.say("took_in", "recall", number=str(turn.tree.id), facts=words)
    else:
        turn.say("took_in", "recall_one", facts=words)


def _close_place_question(turn: Turn, *, answered: bool) -> None:
    """A town in one state is the place; in several it is asked which; else the talk goes on without."""
    towns = turn.understanding.town_in
    intent = turn.understanding.intent
    if answered or intent in ("describe", "answer", "cant_tell", "guess_name"):
        turn.change(pending=None)
    elif intent == "other" and len(towns) == 1:
        turn.change(pending=None)
        turn.change_tree(place=Place(towns[0], town=turn.message.text.strip().title()))
        turn.say("took_in", "place_taken", place=turn.knowledge.regions[towns[0]].said)
        turn.proceeds = bool(turn.tree.claims)
    elif intent == "other" and 1 < len(towns) <= MOST_TOWNS:
        ask_which_state(turn, towns)
    elif intent == "other" and not re.search("[A-Za-z]{2}|[0-9]{3}", turn.message.text):
        turn.repeats = True  # no word at all: the question waits
    elif intent == "other":
        turn.change(pending=None)
        turn.say("note", "place_unknown")
        turn.proceeds = bool(turn.tree.claims)


def _remember_shown(turn: Turn) -> None:
    shown = shown_now(turn)
    if shown is not None:
        turn.change_tree(shown=shown)


def make_mind(knowledge: Knowledge, table: Table, lexicon: Lexicon, folder: Path | None = None) -> Mind:
    """The mind over some knowledge, with the shipped dialogs or those in `folder`."""
    return Mind(knowledge, table, lexicon, load_script(GUARD_NAMES, EFFECT_NAMES, folder, knowledge.language.code))


__all__ = ["EFFECT_NAMES", "GUARD_NAMES", "Block", "Turned", "make_mind", "read_script", "step"]
