"""What a finder tells unasked, in words, and what the understanding makes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import MM_PER_INCH, Claim
from chatkey.trial.finders import Finder, World, class_of
from chatkey.understand import Lexicon, understand

FIRST_MESSAGE = 1


def first_claims(finder: Finder, knowledge: Knowledge, lexicon: Lexicon | None, world: World) -> tuple[Claim, ...]:
    """The claims of the first message: as understood, or (without a lexicon) just as meant."""
    if lexicon is None:
        meant = [finder.answer(knowledge.characters[name], FIRST_MESSAGE) for name in finder.facts]
        return tuple(claim for claim in meant if claim is not None)
    heard = understand(first_message(finder, knowledge, world), knowledge, lexicon)
    return tuple(numbered(heard.claims, FIRST_MESSAGE))


def numbered(claims: Sequence[Claim], number: int) -> list[Claim]:
    """Claims of one reader's message with its number."""
    return [replace(claim, message=str(number), sequence=number, reader="finder") for claim in claims]


def first_message(finder: Finder, knowledge: Knowledge, world: World) -> str:
    """All facts of a finder in one message, in words people use for them."""
    return ", ".join(_said(knowledge, knowledge.characters[name], finder, world) for name in finder.facts)


def _said(knowledge: Knowledge, character: Character, finder: Finder, world: World) -> str:
    look, pick = finder.looks[character.id][0], finder.picks[character.id]
    noun = knowledge.language.parts[character.part][0]
    if character.kind == "length" and look.as_number:
        inches = look.length / MM_PER_INCH
        return f"{noun} about {inches:.1f} inches long" if inches >= 1 else f"{noun} about {look.length:.0f} mm long"
    state = class_of(character, look.length) if character.kind == "length" else look.state
    words = character.words.states[state]
    phrases = words.words or tuple(f"{noun} {word}" for word in words.with_part) or (words.label,)
    true = [phrase for phrase in phrases if _holds(world.meanings.get(phrase, ()), finder)] or phrases
    return true[int(pick * len(true))]


def _holds(meanings: Sequence[tuple[str, str]], finder: Finder) -> bool:
    """Whether all that some words mean is what they see: nobody says "stiff and blue" of what is not blue."""
    return all(name in finder.looks and finder.looks[name][0].state in ("", state) for name, state in meanings)
