"""What a message says, taken in: facts, counts and labels, said back so that a misreading is caught at once."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace

from chatkey.dialog.caring import HEALTH
from chatkey.dialog.conversation import Unknown
from chatkey.dialog.crew import names_words, several_speak
from chatkey.dialog.guards import site_of
from chatkey.dialog.looks import note_looks, tell_left_open
from chatkey.dialog.phrase import facts_words, place_words
from chatkey.dialog.tally import take_marks, take_tally
from chatkey.dialog.turn import Turn
from chatkey.terms import Claim
from chatkey.understand.understanding import numbered

ELSEWHERE = ("planting", "unsafe", "health", "report")
LONGEST_ECHO = 40  # letters of what was not understood
MOST_ECHOED = 3
MOST_UNKNOWN = 50  # pieces of a conversation that were not understood and are kept


def take_in(turn: Turn, *, counts: bool = True) -> None:
    """The claims of the message, said back so that a misreading is caught at once; what it counts, if `counts`."""
    claims = of_the_tree(turn)
    if claims:
        start = max((claim.sequence for claim in turn.tree.claims), default=-1) + 1
        reasked = turn.conversation.pending is not None and turn.conversation.pending.kind == "reask"
        own = numbered(claims, turn.message.reader, str(turn.conversation.messages), start)
        earlier = {claim.character for claim in turn.tree.claims if claim.reader == turn.message.reader}
        if reasked and turn.conversation.pending is not None:
            again = turn.conversation.pending.character
            own = tuple(replace(c, source="asked_again") if c.character == again and _same(turn, c) else c for c in own)
        turn.take(own)
        note_looks(turn)
        _say_back(turn, own, changed=any(claim.character in earlier for claim in own) and not reasked)
        turn.change(pending=None)
    elif turn.understanding.intent == "cant_tell":
        note_looks(turn)
    if turn.look is not None and turn.look.settled == "open":
        tell_left_open(turn, turn.look)
    if counts:
        take_tally(turn)
    take_marks(turn)
    _keep_unknown(turn)
    missed = _missed(turn)
    if missed:
        words = ", ".join(f'"{_short(words)}"' for words in missed[:MOST_ECHOED])
        turn.say("took_in", "not_taken", words=words)


def of_the_tree(turn: Turn) -> tuple[Claim, ...]:
    """The claims that are about the tree in hand: in a question about planting or danger, and in an answer about the
    site, words for a yard, a bank or a wood are about something else."""
    claims = turn.understanding.claims
    if turn.understanding.intent not in ELSEWHERE and not is_of_site(turn):
        return claims
    return tuple(claim for claim in claims if turn.knowledge.characters[claim.character].part != "place")


def event_of(turn: Turn) -> str:
    """The leading intent; words about a plant of which no fact was made are as good as not understood."""
    understanding = turn.understanding
    told = (understanding.claims, understanding.chosen, understanding.place, understanding.names)
    counted = understanding.tally or understanding.marks
    said = any(told) or bool(counted)
    return "other" if understanding.intent in ("describe", "answer") and not said else understanding.intent


def is_of_site(turn: Turn) -> bool:
    """The message says what the ground is like where something would be planted."""
    pending = turn.conversation.pending
    asked = pending is not None and pending.kind == "site"
    open_talk = pending is None and bool(turn.conversation.plant) and not turn.tree.claims
    only_site = all(turn.knowledge.characters[claim.character].part == "place" for claim in turn.understanding.claims)
    said = bool(site_of(turn)) and turn.understanding.intent in ("describe", "answer")
    return (asked or (open_talk and only_site)) and said


def is_of_health(turn: Turn) -> bool:
    """The message says what was asked of a sick plant."""
    pending = turn.conversation.pending
    asked = pending is not None and pending.kind == HEALTH
    told = bool(turn.understanding.signs) or turn.understanding.intent in ("cant_tell", "other")
    return (
        asked and told and turn.understanding.intent in ("describe", "answer", "other", "cant_tell", "place", "health")
    )


def _say_back(turn: Turn, own: Sequence[Claim], *, changed: bool) -> None:
    """What was taken in; by name where several people speak. A bare answer of one person is not repeated."""
    facts = facts_words(turn.knowledge, turn.mind.script, own, turn.place)
    if turn.understanding.place is not None and turn.place is not None:
        facts = f"{facts}, {place_words(turn.knowledge, turn.place)}"
    if several_speak(turn):
        settled = turn.look is not None and turn.look.settled in ("changed", "third")
        line = "crew_settled" if settled else "crew_corrected" if changed else "crew_took_in"
        if not _only_says_open(turn, own):
            turn.say("took_in", line, name=names_words(turn, (turn.message.reader,)), facts=facts)
    elif turn.understanding.intent != "answer" or len(own) > 1 or turn.understanding.not_understood or _of_two(turn):
        turn.say("took_in", "corrected" if changed else "took_in", facts=facts)


def _of_two(turn: Turn) -> bool:
    """Two questions were put at once: which of them a bare answer was taken for is said."""
    pending = turn.conversation.pending
    return pending is not None and bool(pending.further)


def _only_says_open(turn: Turn, own: Sequence[Claim]) -> bool:
    """The point is left open now, and its sides are told together."""
    look = turn.look
    return look is not None and look.settled == "open" and {claim.character for claim in own} == {look.character}


def _same(turn: Turn, claim: Claim) -> bool:
    """The same answer was given before: a second reading. Another answer corrects the first."""
    return any(
        old.character == claim.character and old.states == claim.states and old.negated == claim.negated
        for old in turn.tree.claims
        if old.reader == claim.reader
    )


def _missed(turn: Turn) -> tuple[str, ...]:
    """What was not understood, but for the names of those who are there."""
    names = {name.lower() for name in turn.conversation.readers.values()}
    return tuple(words for words in turn.understanding.not_understood if words.lower() not in names)


def _keep_unknown(turn: Turn) -> None:
    """What was not understood, for the steward; a message of which nothing was, as a whole. The newest are kept."""
    missed = _missed(turn)
    if not missed and event_of(turn) == "other" and turn.message.text.strip():
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
