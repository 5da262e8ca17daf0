"""Where two readers differ: one more look at just that point by those who differ, once; and what settled it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from chatkey.dialog.asking import put
from chatkey.dialog.conversation import Look
from chatkey.dialog.crew import names_words
from chatkey.dialog.phrase import facts_words
from chatkey.dialog.turn import Turn
from chatkey.identify import Asked
from chatkey.identify.evidence import standing_claims
from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import Claim
from chatkey.understand import Lexicon
from chatkey.understand.lexicon import key

APART = 1.5  # times: two lengths with a wider gap between them are not one length seen twice
OVERLOOKED = 0.5  # probability from which something that is there is missed too often to call it a difference


@dataclass(frozen=True, slots=True)
class Difference:
    """A character of which readers say what can't both be so, and these readers in the order they spoke."""

    character: str
    readers: tuple[str, ...]


def differences(knowledge: Knowledge, lexicon: Lexicon, claims: Sequence[Claim]) -> tuple[Difference, ...]:
    """All points on which readers differ now, in the order they were first spoken of."""
    found = []
    readers = dict.fromkeys(claim.reader for claim in claims)
    for character, said in _meant(knowledge, lexicon, claims).items():
        who = tuple(
            reader
            for reader in readers
            if any(_differ(said.get(reader, ()), other) for name, other in said.items() if name != reader)
        )
        if who:
            found.append(Difference(character, who))
    return tuple(found)


def _meant(knowledge: Knowledge, lexicon: Lexicon, claims: Sequence[Claim]) -> dict[str, dict[str, tuple[Claim, ...]]]:
    """What each reader says of each character; where they said nothing of one, what their words may have meant of it:
    "twig smooth" of its hair as well as of its skin."""
    standing = [claim for claim in standing_claims(claims) if claim.source != "compared"]
    said: dict[str, dict[str, tuple[Claim, ...]]] = {}
    for claim in (claim for claim in standing if _is_seen_alike(knowledge.characters[claim.character], claim)):
        of = said.setdefault(claim.character, {})
        of[claim.reader] = (*of.get(claim.reader, ()), claim)
    own = {(claim.character, claim.reader) for claim in standing}
    for claim in standing:
        for character, state in _may_mean(knowledge, lexicon, claim):
            if character in said and (character, claim.reader) not in own:
                said[character][claim.reader] = (replace(claim, character=character, states=(state,)),)
    return said


def _may_mean(knowledge: Knowledge, lexicon: Lexicon, claim: Claim) -> list[tuple[str, str]]:
    """Other characters of the same part that the words of a claim are said of too."""
    words = key(claim.text, lexicon.language, lexicon.fillers)
    if len(words) < 2 or claim.negated or claim.quantity is not None:
        return []
    part = knowledge.characters[claim.character].part
    return [
        (meaning.character, meaning.state)
        for phrase, meanings in lexicon.phrases.get(words[:2], ())
        for meaning in meanings
        if phrase == words
        and meaning.character != claim.character
        and knowledge.characters[meaning.character].part == part
    ]


def _is_seen_alike(character: Character, claim: Claim) -> bool:
    """Two people can be asked to see the same: not where one has only not found what the other has ("no cones")."""
    if character.derive == "context" or character.part == "place" or (claim.negated and character.denied_is_weak):
        return False
    meant = [state for state in character.states if (state in claim.states) is not claim.negated]
    missed = [row.get(state, 0.0) for state in meant for true, row in character.confusion.items() if true not in meant]
    return claim.quantity is not None or max(missed, default=0.0) < OVERLOOKED


def _differ(one: Sequence[Claim], other: Sequence[Claim]) -> bool:
    first, second = _states(one, negated=False), _states(other, negated=False)
    if first and second:
        return not first & second
    if first or second:
        denied = _states(other if first else one, negated=True)
        return (first or second) <= denied
    return _lengths_differ(one, other)


def _states(claims: Sequence[Claim], *, negated: bool) -> set[str]:
    return {state for claim in claims if claim.negated is negated for state in claim.states}


def _lengths_differ(one: Sequence[Claim], other: Sequence[Claim]) -> bool:
    lengths = [[claim.quantity for claim in claims if claim.quantity is not None] for claims in (one, other)]
    if not all(lengths):
        return False
    first, second = ((min(q.low for q in own), max(q.high for q in own)) for own in lengths)
    return first[1] * APART < second[0] or second[1] * APART < first[0]


def differences_of(turn: Turn) -> tuple[Difference, ...]:
    """The points on which the readers of the tree in hand differ."""
    readers = {claim.reader for claim in turn.tree.claims}
    return differences(turn.knowledge, turn.mind.lexicon, turn.tree.claims) if len(readers) > 1 else ()


def open_difference(turn: Turn) -> Difference | None:
    """The point to look at once more: one that the speaker's words touch first, never one that was looked at before."""
    known = {look.character for look in turn.tree.looks}
    found = [one for one in differences_of(turn) if one.character not in known]
    said = {claim.character for claim in turn.understanding.claims}
    return next((one for one in found if one.character in said), None) or next(iter(found), None)


def note_looks(turn: Turn) -> None:
    """What a message changed in the points that were open: settled, left open, or still waited for."""
    pending, understanding = turn.conversation.pending, turn.understanding
    spoken = {claim.character for claim in understanding.claims}
    if understanding.intent == "cant_tell" and pending is not None and pending.kind == "reask":
        spoken.add(pending.character)
    for look in turn.tree.looks:
        if not look.settled and look.character in spoken:
            _note(turn, look)


def _note(turn: Turn, look: Look) -> None:
    reader = turn.message.reader
    now = next((one for one in differences_of(turn) if one.character == look.character), None)
    says_more = any(claim.character == look.character for claim in turn.understanding.claims)
    if now is None:
        look = replace(look, settled="changed" if reader in look.readers else "third", by=reader)
    elif reader not in look.readers:
        if says_more and any(_agree(turn, look.character, reader, other) for other in look.readers):
            look = replace(look, settled="third", by=reader)
    else:
        looked = tuple(dict.fromkeys((*look.looked, reader)))
        look = replace(look, looked=looked, settled="open" if set(look.readers) <= set(looked) else "")
    turn.look = look
    turn.change_tree(looks=tuple(look if old.character == look.character else old for old in turn.tree.looks))


def _agree(turn: Turn, character: str, reader: str, other: str) -> bool:
    claims = [claim for claim in turn.tree.claims if claim.character == character and claim.reader in (reader, other)]
    return not differences(turn.knowledge, turn.mind.lexicon, claims)


def ask_who_differ(turn: Turn) -> None:
    """Names those who differ and what each says, and asks for one more look at that point, in other words."""
    found = open_difference(turn)
    if found is None:
        return
    if _tells_no_more(turn, found.character):
        turn.blocks = [block for block in turn.blocks if block.kind != "took_in"]  # it is said with the names
    turn.say("took_in", "crew_differ", sides=_sides(turn, found.character, found.readers))
    put(turn, found.character, "reask", line="crew_reask", names=names_words(turn, found.readers))
    look = Look(found.character, found.readers)
    asked = (*turn.tree.asked, Asked("reask", found.character))
    turn.change_tree(looks=(*turn.tree.looks, look), asked=asked)


def _tells_no_more(turn: Turn, character: str) -> bool:
    """The message says nothing of other characters that was not said before ("the needles are sharp")."""
    said = {(claim.character, claim.states) for claim in turn.tree.claims if claim.message != _message(turn)}
    now = {(claim.character, claim.states) for claim in turn.understanding.claims if claim.character != character}
    return now <= said and not turn.understanding.place


def _message(turn: Turn) -> str:
    return str(turn.conversation.messages)


def wait_for_look(turn: Turn) -> None:
    """Some have looked again; the question stays for the others."""
    look = awaited_look(turn)
    if look is None:
        return
    left = [reader for reader in look.readers if reader not in look.looked]
    put(turn, look.character, "reask", line="crew_waits", names=names_words(turn, left))


def awaited_look(turn: Turn) -> Look | None:
    """The point of which the speaker has spoken now, and of nothing else, while others have yet to look."""
    look = turn.look
    said = {claim.character for claim in turn.understanding.claims}
    return look if look is not None and not look.settled and said <= {look.character} else None


def tell_left_open(turn: Turn, look: Look) -> None:
    """Both stand by it: said once, and it is left."""
    turn.say("took_in", "crew_left_open", sides=_sides(turn, look.character, look.readers))


def _sides(turn: Turn, character: str, readers: Sequence[str]) -> str:
    """ "Ana says hairless twig, Ben and Cleo say hairy twig"."""
    meant = _meant(turn.knowledge, turn.mind.lexicon, turn.tree.claims).get(character, {})
    sides: dict[str, list[str]] = {}
    for reader in readers:
        facts = facts_words(turn.knowledge, turn.mind.script, meant.get(reader, ()), turn.place)
        sides.setdefault(facts, []).append(reader)
    words = [
        turn.mind.script.say("crew_say" if len(who) > 1 else "crew_says", names=names_words(turn, who), facts=facts)
        for facts, who in sides.items()
    ]
    return ", ".join(words)
