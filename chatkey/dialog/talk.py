"""One step of a conversation: (mind, state, message) to (state, reply). Pure: no clock, network, store or chance."""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chatkey.dialog.asking import ask_which_state, put_pending_again
from chatkey.dialog.caring import HEALTH
from chatkey.dialog.conversation import Conversation, Shown, StateError, Unknown
from chatkey.dialog.effects import EFFECTS
from chatkey.dialog.guards import GUARDS, SITE, shares_a_name_with_poison, site_of
from chatkey.dialog.handover import HandOver
from chatkey.dialog.machine import STEP, fire
from chatkey.dialog.passing import hand_by_rule
from chatkey.dialog.phrase import facts_list, facts_words, place_words
from chatkey.dialog.reply import Block, Reply
from chatkey.dialog.script import load_script, read_script
from chatkey.dialog.turn import Message, Mind, Turn
from chatkey.dialog.view import view
from chatkey.identify import Table
from chatkey.knowledge.model import Knowledge
from chatkey.terms import Claim, Place
from chatkey.understand import Lexicon, Pending, understand
from chatkey.understand.understanding import numbered

GUARD_NAMES = tuple(GUARDS)
EFFECT_NAMES = tuple(EFFECTS)
ORDER = ("caution", "took_in", "answer", "status", "facts", "note", "question")
ELSEWHERE = ("planting", "unsafe", "health", "report")
LONGEST_ECHO = 40  # letters of what was not understood
MOST_ECHOED = 3
MOST_UNKNOWN = 50  # pieces of a conversation that were not understood and are kept
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
    """The conversation after one message. Any text gives a reply."""
    if conversation.state not in mind.script.flow.leaves:
        raise StateError("stored state", f"is in {conversation.state!r}, which the flow lacks", "restart it")
    pending = conversation.pending
    understanding = understand(
        message.text, mind.knowledge, mind.lexicon, pending or _open_site(conversation), _known(conversation)
    )
    turn = Turn(mind, replace(conversation, messages=conversation.messages + 1), message, understanding)
    _recall(turn)
    _settle_place(turn)
    if understanding.intent == "person" and "new_tree" in understanding.intents and conversation.state != "stopped":
        _fire(turn, "new_tree")  # what is passed on is the next tree
    if understanding.intent == "new_tree" and conversation.state != "stopped":
        _fire(turn, "new_tree")
        _take_in(turn)
    elif understanding.intent in SILENT or conversation.state == "stopped":
        _fire(turn, understanding.intent)
    elif understanding.intent == "planting" and understanding.names:
        if shares_a_name_with_poison(turn):
            _take_in(turn)  # the name is put to the test, by all that was said of the plant
        _fire(turn, "planting")  # what is said of the ground is said of the site, not of the tree in hand
    elif _is_of_site(turn):
        if _of_the_tree(turn):
            _take_in(turn)
        turn.change(pending=None)
        _fire(turn, "planting")
        turn.proceeds = bool(turn.tree.claims)
    elif _is_of_health(turn):
        _fire(turn, "health")  # old or new, which side, since when: said of the sick needles
    elif "swallowed" in understanding.subjects:
        _fire(turn, "unsafe")  # nothing else stands in the way of the call
    else:
        _take_in(turn)
        _fire(turn, _event(turn))
        turn.proceeds = turn.proceeds or bool(_of_the_tree(turn))
    if turn.proceeds and turn.conversation.state not in ("stopped", "with_person"):
        if understanding.intent == "place":
            turn.take_back()
        _fire(turn, STEP)
    elif turn.repeats and turn.conversation.pending is not None and not turn.checked:
        put_pending_again(turn)
    if "swallowed" not in understanding.subjects:
        for caution in turn.due_cautions():
            turn.warn(caution)
        turn.hold_yew()
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


def _take_in(turn: Turn) -> None:
    """The claims of the message, said back so that a misreading is caught at once."""
    claims = _of_the_tree(turn)
    if claims:
        start = max((claim.sequence for claim in turn.tree.claims), default=-1) + 1
        reasked = turn.conversation.pending is not None and turn.conversation.pending.kind == "reask"
        own = numbered(claims, turn.message.reader, str(turn.conversation.messages), start)
        earlier = {claim.character for claim in turn.tree.claims if claim.reader == turn.message.reader}
        if reasked and turn.conversation.pending is not None:
            again = turn.conversation.pending.character
            own = tuple(replace(c, source="asked_again") if c.character == again and _same(turn, c) else c for c in own)
        turn.take(own)
        facts = facts_words(turn.knowledge, turn.mind.script, own, turn.place)
        if turn.understanding.place is not None and turn.place is not None:
            facts = f"{facts}, {place_words(turn.knowledge, turn.place)}"
        changed = any(claim.character in earlier for claim in own) and not reasked
        if turn.understanding.intent != "answer" or len(own) > 1 or turn.understanding.not_understood:
            turn.say("took_in", "corrected" if changed else "took_in", facts=facts)
        turn.change(pending=None)
    _keep_unknown(turn)
    if turn.understanding.not_understood:
        words = ", ".join(f'"{_short(words)}"' for words in turn.understanding.not_understood[:MOST_ECHOED])
        turn.say("took_in", "not_taken", words=words)


def _keep_unknown(turn: Turn) -> None:
    """What was not understood, for the steward; a message of which nothing was, as a whole. The newest are kept."""
    understanding = turn.understanding
    missed = understanding.not_understood
    if not missed and _event(turn) == "other" and turn.message.text.strip():
        missed = (turn.message.text.strip(),)
    if missed:
        asked = turn.conversation.pending.character if turn.conversation.pending else ""
        message = str(turn.conversation.messages)
        reader, tree = turn.message.reader, turn.tree.id
        found = tuple(Unknown(_short(words), reader, message, asked, tree) for words in missed)
        turn.change(unknown=(*turn.conversation.unknown, *found)[-MOST_UNKNOWN:])


def _short(words: str) -> str:
    """The beginning of some words, cut between two where it can be."""
    return words if len(words) <= LONGEST_ECHO else textwrap.shorten(words, LONGEST_ECHO, placeholder=" …") or "…"


def _of_the_tree(turn: Turn) -> tuple[Claim, ...]:
    """The claims that are about the tree in hand: in a question about planting or danger, and in an answer about the
    site, words for a yard, a bank or a wood are about something else."""
    claims = turn.understanding.claims
    if turn.understanding.intent not in ELSEWHERE and not _is_of_site(turn):
        return claims
    return tuple(claim for claim in claims if turn.knowledge.characters[claim.character].part != "place")


def _is_of_site(turn: Turn) -> bool:
    """The message says what the ground is like where something would be planted."""
    pending = turn.conversation.pending
    asked = pending is not None and pending.kind == "site"
    open_talk = pending is None and bool(turn.conversation.plant) and not turn.tree.claims
    only_site = all(turn.knowledge.characters[claim.character].part == "place" for claim in turn.understanding.claims)
    said = bool(site_of(turn)) and turn.understanding.intent in ("describe", "answer")
    return (asked or (open_talk and only_site)) and said


def _event(turn: Turn) -> str:
    """The leading intent; words about a plant of which no fact was made are as good as not understood."""
    understanding = turn.understanding
    told = understanding.claims or understanding.chosen or understanding.place or understanding.names
    return "other" if understanding.intent in ("describe", "answer") and not told else understanding.intent


def _is_of_health(turn: Turn) -> bool:
    """The message says what was asked of a sick plant."""
    pending = turn.conversation.pending
    asked = pending is not None and pending.kind == HEALTH
    told = bool(turn.understanding.signs) or turn.understanding.intent in ("cant_tell", "other")
    return (
        asked and told and turn.understanding.intent in ("describe", "answer", "other", "cant_tell", "place", "health")
    )


def _same(turn: Turn, claim: Claim) -> bool:
    """The same answer was given before: a second reading. Another answer corrects the first."""
    return any(
        old.character == claim.character and old.states == claim.states and old.negated == claim.negated
        for old in turn.tree.claims
        if old.reader == claim.reader
    )


def _remember_shown(turn: Turn) -> None:
    answer = turn.answer
    if answer is not None:
        shown = Shown(answer.id, answer.rank, round(answer.probability, 4), turn.knowledge.hash)
        turn.change_tree(shown=shown)


def make_mind(knowledge: Knowledge, table: Table, lexicon: Lexicon, folder: Path | None = None) -> Mind:
    """The mind over some knowledge, with the shipped dialogs or those in `folder`."""
    return Mind(knowledge, table, lexicon, load_script(GUARD_NAMES, EFFECT_NAMES, folder, knowledge.language.code))


__all__ = ["EFFECT_NAMES", "GUARD_NAMES", "Block", "Turned", "make_mind", "read_script", "step"]
