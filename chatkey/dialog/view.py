"""The fields of a turn that other programs read: names and meanings are fixed (decisions); add, don't rename."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from chatkey.advise import StatusHere, filled, listed
from chatkey.dialog.phrase import name_words
from chatkey.dialog.reply import Ask, Reply
from chatkey.dialog.turn import Turn
from chatkey.terms import Claim

HEDGED_FROM = 0.05
DIGITS = 6


def view(turn: Turn, reply: Reply) -> dict[str, Any]:
    """One turn as JSON values. Probabilities sum to one over the leaves and something else."""
    knowledge = turn.knowledge
    answer, status = turn.answer, turn.status
    members = answer.members if answer and answer.rank == "species" else ()
    return {
        "place": turn.place.code if turn.place else None,
        "county": turn.place.county or None if turn.place else None,
        "language": turn.understanding.language,
        "intent": turn.understanding.intent,
        "intents": list(turn.understanding.intents),
        "claims": [claim_view(replace(claim, reader=turn.message.reader)) for claim in turn.understanding.claims],
        "not_understood": list(turn.understanding.not_understood),
        "candidates": [
            {
                "taxon": knowledge.taxa[taxon].name,
                "id": taxon,
                "common_name": name_words(knowledge, taxon),
                "rank": knowledge.taxa[taxon].rank,
                "probability": round(probability, DIGITS),
            }
            for taxon, probability in turn.belief.ranked()
        ],
        "something_else": round(turn.belief.something_else, DIGITS),
        "answer": {
            "taxon": knowledge.taxa[answer.id].name if answer.id in knowledge.taxa else answer.id,
            "id": answer.id,
            "common_name": name_words(knowledge, answer.id),
            "rank": answer.rank,
            "probability": round(answer.probability, DIGITS),
        }
        if answer
        else None,
        **status_view(status),
        "listed": listed(knowledge, members, turn.place) if members and turn.place else [],
        "ask": {
            "kind": turn.ask.kind,
            "character": turn.ask.character or None,
            "question": turn.ask.question,
            "choices": _choices_view(turn.ask),
            "also": _also_view(turn.ask.also),
        }
        if turn.ask
        else None,
        "cautions": [{"id": caution.id, "text": filled(caution, turn.lines)} for caution in turn.cautions],
        "reply": reply.text,
        "tree": turn.tree.id,
        "state": turn.conversation.state,
        "done": turn.ask is None,
        "knowledge": knowledge.hash,
    }


def status_view(status: StatusHere | None) -> dict[str, Any]:
    """Native here or not. The word for it stands only where all that remain share it."""
    return {
        "status": status.status if status else None,
        "status_level": status.level if status and status.status else None,
        "native": status.native if status else None,
    }


def _choices_view(ask: Ask) -> list[dict[str, str]]:
    return [{"key": choice.key, "label": choice.label} for choice in ask.choices]


def _also_view(ask: Ask | None) -> dict[str, Any] | None:
    """The second question of a message, where there is one."""
    if ask is None:
        return None
    return {"character": ask.character, "question": ask.question, "choices": _choices_view(ask)}


def claim_view(claim: Claim) -> dict[str, Any]:
    """One claim as JSON values; a length carries low, high (mm) and how it was measured."""
    row: dict[str, Any] = {"character": claim.character}
    if claim.quantity is not None:
        row |= {
            "low": round(claim.quantity.low, 1),
            "high": round(claim.quantity.high, 1),
            "unit": "mm",
            "measured_by": claim.quantity.measured_by,
        }
    else:
        row["states"] = list(claim.states)
    return row | {
        "negated": claim.negated,
        "hedged": claim.hedge >= HEDGED_FROM,
        "reader": claim.reader,
        "text": claim.text,
        "span": list(claim.span),
    }
