"""What a finder tells unasked, in words, and what the understanding makes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import MM_PER_INCH, Claim
from chatkey.trial.finders import Finder, Look, class_of
from chatkey.understand import Lexicon, understand

FIRST_MESSAGE = 1


def first_claims(finder: Finder, knowledge: Knowledge, lexicon: Lexicon | None) -> tuple[Claim, ...]:
    """The claims of the first message: as understood, or (without a lexicon) just as meant."""
    if lexicon is None:
        meant = [finder.answer(knowledge.characters[name], FIRST_MESSAGE) for name in finder.facts]
        return tuple(claim for claim in meant if claim is not None)
    heard = understand(first_message(finder, knowledge), knowledge, lexicon)
    return tuple(numbered(heard.claims, FIRST_MESSAGE))


def numbered(claims: Sequence[Claim], number: int) -> list[Claim]:
    """Claims of one reader's message with its number."""
    return [replace(claim, message=str(number), sequence=number, reader="finder") for claim in claims]


def first_message(finder: Finder, knowledge: Knowledge) -> str:
    """All facts of a finder in one message, in words people use for them."""
    said = [
        _said(knowledge, knowledge.characters[name], finder.looks[name][0], finder.picks[name]) for name in finder.facts
    ]
    return ", ".join(said)


def _said(knowledge: Knowledge, character: Character, look: Look, pick: float) -> str:
    noun = knowledge.language.parts[character.part][0]
    if character.kind == "length" and look.as_number:
        inches = look.length / MM_PER_INCH
        return f"{noun} about {inches:.1f} inches long" if inches >= 1 else f"{noun} about {look.length:.0f} mm long"
    state = class_of(character, look.length) if character.kind == "length" else look.state
    words = character.words.states[state]
    phrases = words.words or tuple(f"{noun} {word}" for word in words.with_part) or (words.label,)
    return phrases[int(pick * len(phrases))]
