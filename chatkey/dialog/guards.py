"""The questions that flow.yaml may ask of a turn."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from chatkey.dialog.turn import Turn


def something_was_swallowed(turn: Turn) -> bool:
    return "swallowed" in turn.understanding.subjects


def has_claims_of_reader(turn: Turn) -> bool:
    return any(claim.reader == turn.message.reader for claim in turn.tree.claims)


def has_evidence(turn: Turn) -> bool:
    return bool(turn.tree.claims)


def has_a_term(turn: Turn) -> bool:
    return term_of(turn) is not None


def can_compare(turn: Turn) -> bool:
    return has_evidence(turn) or len(turn.understanding.names) >= 2


def has_a_name(turn: Turn) -> bool:
    answer = turn.answer
    named = answer is not None and answer.rank in ("species", "group", "genus")
    return bool(turn.understanding.names) or named or bool(turn.conversation.plant)


def asks_if_native(turn: Turn) -> bool:
    return "native" in turn.understanding.subjects


def is_another_language(turn: Turn) -> bool:
    return not turn.understanding.spoken


def wants_character(turn: Turn) -> bool:
    return turn.step.kind == "character"


def wants_again(turn: Turn) -> bool:
    return turn.step.kind == "reask"


def wants_place(turn: Turn) -> bool:
    return turn.step.kind == "place"


def wants_comparison(turn: Turn) -> bool:
    return turn.step.kind == "compare"


def term_of(turn: Turn) -> str | None:
    """The character a question about a word is about: one named in it, else the pending one."""
    if turn.understanding.mentioned:
        return turn.understanding.mentioned[0]
    pending = turn.conversation.pending
    return pending.character if pending and pending.character else None


GUARDS: Mapping[str, Callable[[Turn], bool]] = {
    guard.__name__: guard
    for guard in (
        something_was_swallowed,
        has_claims_of_reader,
        has_evidence,
        has_a_term,
        can_compare,
        has_a_name,
        asks_if_native,
        is_another_language,
        wants_character,
        wants_again,
        wants_place,
        wants_comparison,
    )
}
