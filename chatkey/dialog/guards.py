"""The questions that flow.yaml may ask of a turn."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from chatkey.dialog.caring import DEADLY, HEALTH_ASKS
from chatkey.dialog.looks import awaited_look, open_difference
from chatkey.dialog.tally import only_counts
from chatkey.dialog.turn import Turn
from chatkey.dialog.walk import is_begun, is_ended, readers_of, wants_no_names
from chatkey.identify.answer import leaves_of
from chatkey.knowledge.model import Caution
from chatkey.knowledge.status import status_in

SITE = "ground"  # the character that says what the ground is like


def something_was_swallowed(turn: Turn) -> bool:
    return "swallowed" in turn.understanding.subjects


def has_claims_of_reader(turn: Turn) -> bool:
    return turn.message.reader in readers_of(turn.tree)


def has_evidence(turn: Turn) -> bool:
    return bool(turn.tree.claims)


def has_a_term(turn: Turn) -> bool:
    return term_of(turn) is not None


def can_compare(turn: Turn) -> bool:
    return has_evidence(turn) or len(turn.understanding.names) >= 2


def has_a_name(turn: Turn) -> bool:
    answer = turn.answer
    named = bool(turn.checked) or (answer is not None and answer.rank in ("species", "group", "genus"))
    return bool(turn.understanding.names) or named or bool(turn.conversation.plant)


def names_a_plant(turn: Turn) -> bool:
    return bool(turn.understanding.names)


def shares_a_name_with_poison(turn: Turn) -> bool:
    """A deadly plant bears the name too, and the tree in hand is not named as one of those meant: "found some hemlock,
    can I plant it"."""
    if not names_a_plant(turn) or not namesakes(turn):
        return False
    meant = members_of(turn, turn.understanding.names[0])
    answer = turn.answer
    known = (turn.checked,) if turn.checked else answer.members if answer is not None else ()
    return not known or not set(members_of(turn, known)) <= set(meant)


def namesakes(turn: Turn) -> tuple[Caution, ...]:
    """The cautions of the deadly plants that bear the name too."""
    called = set(members_of(turn, turn.understanding.also_called))
    cautions = turn.knowledge.cautions.values()
    return tuple(caution for caution in cautions if caution.urgency == DEADLY and called & set(caution.taxa))


def asks_if_native(turn: Turn) -> bool:
    return "native" in turn.understanding.subjects


def asks_for_stock(turn: Turn) -> bool:
    return "stock" in turn.understanding.subjects


def site_is_asked(turn: Turn) -> bool:
    return turn.conversation.state.endswith(".site")


def needs_the_site(turn: Turn) -> bool:
    """Something else is to be planted, and nothing is known of the ground."""
    place = turn.place
    if place is None or turn.conversation.site or site_of(turn):
        return False
    plant = turn.knowledge.taxa[planting_subject(turn)]
    return status_in(turn.knowledge, plant, place.code) != "native"


def site_of(turn: Turn) -> tuple[str, ...]:
    """What the message says of the ground: dry, moist, wet."""
    claims = [claim for claim in turn.understanding.claims if claim.character == SITE and not claim.negated]
    return tuple(state for claim in claims for state in claim.states)


def planting_subject(turn: Turn) -> str:
    """The plant named; else what the tree is; else the one last spoken of."""
    if turn.understanding.names:
        return best_leaf(turn, turn.understanding.names[0])
    if turn.checked:
        return best_leaf(turn, (turn.checked,))
    answer = turn.answer
    of_ground = bool(site_of(turn)) and turn.understanding.intent in ("describe", "answer")
    if turn.conversation.plant and (answer is None or of_ground):
        return turn.conversation.plant
    return next(taxon for taxon, _ in turn.belief.ranked() if answer is None or taxon in answer.members)


def best_leaf(turn: Turn, ids: Sequence[str]) -> str:
    """The likeliest leaf of those a name can mean."""
    members = members_of(turn, ids)
    return next(taxon for taxon, _ in turn.belief.ranked() if taxon in members)


def members_of(turn: Turn, ids: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(leaf for id in ids for leaf in leaves_of(turn.knowledge, id)))


def is_another_language(turn: Turn) -> bool:
    return not turn.understanding.spoken


def readers_differ(turn: Turn) -> bool:
    return not turn.checked and open_difference(turn) is not None


def waits_for_a_look(turn: Turn) -> bool:
    return not turn.checked and awaited_look(turn) is not None


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


def a_tree_may_fall(turn: Turn) -> bool:
    return "falling" in turn.understanding.subjects


def health_was_told(turn: Turn) -> bool:
    """The signs that were asked for came, or something else than a new question about health."""
    return bool(turn.understanding.signs) or turn.understanding.intent != "health"


def health_is_open(turn: Turn) -> bool:
    """Something that they will ask has not been told yet."""
    told = set(turn.understanding.signs)
    return any(not told & signs for _, signs in HEALTH_ASKS)


GUARDS: Mapping[str, Callable[[Turn], bool]] = {
    guard.__name__: guard
    for guard in (
        something_was_swallowed,
        has_claims_of_reader,
        has_evidence,
        has_a_term,
        can_compare,
        has_a_name,
        names_a_plant,
        shares_a_name_with_poison,
        needs_the_site,
        site_is_asked,
        asks_if_native,
        asks_for_stock,
        is_another_language,
        a_tree_may_fall,
        health_was_told,
        health_is_open,
        only_counts,
        is_begun,
        is_ended,
        wants_no_names,
        readers_differ,
        waits_for_a_look,
        wants_character,
        wants_again,
        wants_place,
        wants_comparison,
    )
}
