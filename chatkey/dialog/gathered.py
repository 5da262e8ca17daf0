"""All that a steward wants to know of one tree, gathered from a conversation as JSON values."""

from __future__ import annotations

from typing import Any

from chatkey.advise import filled
from chatkey.dialog.conversation import Conversation
from chatkey.dialog.crew import shown_name
from chatkey.dialog.phrase import claim_words, name_words, place_words
from chatkey.dialog.turn import Mind, Turn, at_tree
from chatkey.dialog.view import DIGITS, claim_view, status_view
from chatkey.dialog.walk import readers_of
from chatkey.terms import Claim
from chatkey.understand import Pending

MOST_CANDIDATES = 5


def gathered(mind: Mind, conversation: Conversation, tree_id: int) -> dict[str, Any]:
    """One tree as JSON values: where, what was said and by whom, what it may be, what is open. Raises StateError."""
    turn = at_tree(mind, conversation, tree_id)
    tree = turn.tree
    return {
        "tree": tree.id,
        "place": _place(turn),
        "claims": [_claim(turn, claim) for claim in tree.claims],
        **_belief(turn),
        "not_answered": _not_answered(turn),
        "cautions": _cautions(turn),
        "not_understood": _not_understood(turn),
        "handed": list(tree.handed),
        "pending": _pending(turn, conversation.pending) if conversation.current == tree_id else None,
        "verdict": {"kind": tree.verdict.kind, "taxon": tree.verdict.taxon, "text": tree.verdict.text}
        if tree.verdict
        else None,
        **_crew(turn),
        "trees": len(conversation.trees),
        "state": conversation.state,
        "language": conversation.language,
        "knowledge": mind.knowledge.hash,
    }


def _place(turn: Turn) -> dict[str, Any] | None:
    place = turn.place
    if place is None:
        return None
    return {
        "words": place_words(turn.knowledge, place),
        "code": place.code,
        "county": place.county,
        "town": place.town,
        "landscape": place.landscape,
        "latitude": place.latitude,
        "longitude": place.longitude,
    }


def _claim(turn: Turn, claim: Claim) -> dict[str, Any]:
    """One claim with its words as they are said back; `text` is what the finder wrote."""
    words = claim_words(turn.knowledge, turn.mind.script, claim, turn.place)
    return {"words": words, **claim_view(claim), "hedge": claim.hedge, "source": claim.source}


def _crew(turn: Turn) -> dict[str, Any]:
    """Who spoke of it, how many of the same there are, its labels, and the points on which people differed."""
    tree, conversation = turn.tree, turn.conversation
    return {
        "readers": {reader: shown_name(turn.mind.script, conversation, reader) for reader in readers_of(tree)},
        "count": tree.count,
        "conditions": dict(tree.conditions),
        "tag": tree.tag,
        "plot": tree.plot,
        "looks": [{"character": look.character, "settled": look.settled or "waits"} for look in tree.looks],
    }


def _belief(turn: Turn) -> dict[str, Any]:
    """What it may be; nothing where nothing was told."""
    if not turn.tree.claims:
        return {"candidates": [], "something_else": None, "answer": None, **status_view(None)}
    answer, status = turn.answer, turn.status
    return {
        "candidates": [
            _named(turn, taxon, probability) for taxon, probability in turn.belief.ranked()[:MOST_CANDIDATES]
        ],
        "something_else": round(turn.belief.something_else, DIGITS),
        "answer": {**_named(turn, answer.id, answer.probability), "rank": answer.rank} if answer else None,
        **status_view(status),
    }


def _named(turn: Turn, id: str, probability: float) -> dict[str, Any]:
    known = turn.knowledge.taxa.get(id)
    return {
        "id": id,
        "taxon": known.name if known else id,
        "common_name": name_words(turn.knowledge, id),
        "probability": round(probability, DIGITS),
    }


def _not_answered(turn: Turn) -> list[dict[str, str]]:
    """Questions that were put and of which nothing is known: "can't tell", or passed over."""
    known = {claim.character for claim in turn.tree.claims}
    pending = turn.conversation.pending
    waits = pending.character if pending else ""
    put = {one.character: None for one in turn.tree.asked if one.character and one.character not in known}
    return [{"character": name, "question": turn.knowledge.characters[name].words.ask} for name in put if name != waits]


def _cautions(turn: Turn) -> list[dict[str, str]]:
    """The cautions that were shown of this tree."""
    said = turn.conversation.said
    shown = [
        caution
        for caution in turn.knowledge.cautions.values()
        if said.get(f"caution:{caution.id}:{turn.tree.id}") or said.get(f"caution:{caution.id}")
    ]
    return [{"id": caution.id, "text": filled(caution, turn.lines)} for caution in shown]


def _not_understood(turn: Turn) -> list[dict[str, str]]:
    """Words that nothing was made of, said of this tree (or of a tree that was not kept)."""
    return [
        {"words": one.words, "reader": one.reader} for one in turn.conversation.unknown if one.tree in (0, turn.tree.id)
    ]


def _pending(turn: Turn, pending: Pending | None) -> dict[str, str] | None:
    """The question that waits for the finder."""
    if pending is None:
        return None
    words = turn.knowledge.characters[pending.character].words if pending.character else None
    return {"kind": pending.kind, "character": pending.character, "question": words.ask if words else ""}
