"""What each span is said of: the pending question first, then the part named beside it, then what it usually means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import Quantity
from chatkey.understand.clause import Clauses
from chatkey.understand.fit import can_apply, settled
from chatkey.understand.lexicon import Lexicon, Meaning
from chatkey.understand.match import Span
from chatkey.understand.normalise import Token, stem
from chatkey.understand.scope import Cue, Scope

TWO_MEANINGS = 0.6  # hedge of each where a phrase can be said of two characters
ADJACENT = 2  # tokens from the end of a claim to the start of one that says the same: they are one
FAR_APART = 12  # tokens between two states of one character that are no "or"

BoundBy = Literal["asked", "part", "phrase", "two meanings", "length", "count"]  # what told which character is meant


@dataclass(frozen=True, slots=True)
class Trace:
    """Why a claim was taken: which phrase of the lexicon ("" for a length), how near the words were (0 to 1), what told
    which character is meant, and what turned or weakened it."""

    phrase: str
    score: float = 1.0
    by: BoundBy = "phrase"
    cues: tuple[Cue, ...] = ()


@dataclass(frozen=True, slots=True)
class Bound:
    """A claim before it has a reader: token indices inclusive."""

    character: str
    states: tuple[str, ...]
    quantity: Quantity | None
    negated: bool
    hedge: float
    first: int
    last: int
    trace: Trace
    is_class: bool = False  # a length said in words ("long needles"): a measured one wins


def bind(
    tokens: Sequence[Token],
    spans: Sequence[Span],
    stands: Sequence[Scope],
    clauses: Clauses,
    knowledge: Knowledge,
    lexicon: Lexicon,
    asked: Character | None,
    known: Mapping[str, Sequence[str]],
) -> tuple[Bound, ...]:
    """The claims of a message in order. `stands` are the scopes of the spans, none of which is a name."""
    found: list[Bound] = []
    here = settled(spans, stands, knowledge)
    for span, scope in zip(spans, stands, strict=True):
        if not scope.said:
            continue
        if span.kind == "length":
            found += _length(span, scope)
        else:
            found += _states(span, scope, knowledge, {**known, **here}, here)
    found += _counts(tokens, spans, knowledge, lexicon, found, asked)
    found += _implied_answer(found, knowledge, asked)
    return _merged(sorted(found, key=lambda bound: bound.first))


def _implied_answer(found: Sequence[Bound], knowledge: Knowledge, asked: Character | None) -> list[Bound]:
    """ "In clumps of 5", where it was asked how the needles sit: bundles."""
    if asked is None or any(bound.character == asked.id for bound in found):
        return []
    for bound in found:
        states = knowledge.characters[bound.character].only_if.get(asked.id, ())
        if len(states) == 1 and not bound.negated:
            return [replace(bound, character=asked.id, states=tuple(states), quantity=None, is_class=False)]
    return []


def _states(
    span: Span,
    scope: Scope,
    knowledge: Knowledge,
    context: Mapping[str, Sequence[str]],
    said_here: Mapping[str, Sequence[str]],
) -> list[Bound]:
    """One claim for each character that the words can be said of; with a doubt on each where they are several."""
    meanings = list(span.meanings)
    if span.by != "asked":
        meanings = [m for m in meanings if can_apply(knowledge, m.character, said_here)]
        meanings = [m for m in meanings if can_apply(knowledge, m.character, context)] or meanings
        meanings = _first_kind(knowledge, meanings)
    characters = list(dict.fromkeys(meaning.character for meaning in meanings))
    several = len(characters) > 1 and any(meaning.with_part for meaning in meanings)
    doubt = TWO_MEANINGS if several else 0.0
    trace = Trace(" ".join(span.words), span.score, "two meanings" if several else span.by, scope.cues)
    out = []
    for name in characters:
        character = knowledge.characters[name]
        states = tuple(dict.fromkeys(meaning.state for meaning in meanings if meaning.character == name))
        hedge = max(scope.hedge, doubt)
        if character.kind == "length":
            ranges = [character.words.states[state].said or character.classes[state] for state in states]
            low, high = min(low for low, _ in ranges), max(high for _, high in ranges)
            quantity = Quantity(low, high)
            out.append(Bound(name, (), quantity, scope.negated, hedge, span.first, span.last, trace, is_class=True))
        else:
            out.append(Bound(name, states, None, scope.negated, hedge, span.first, span.last, trace))
    return out


def _first_kind(knowledge: Knowledge, meanings: Sequence[Meaning]) -> list[Meaning]:
    """Where a word is said of needles and of scales, and nothing tells which: of what the files name first."""
    kinds: dict[tuple[str, ...], list[Meaning]] = {}
    for meaning in meanings:
        only_if = knowledge.characters[meaning.character].only_if
        kinds.setdefault(
            tuple(f"{parent}={state}" for parent, states in only_if.items() for state in states), []
        ).append(meaning)
    conditions = [kind for kind in kinds if kind]
    clash = [kind for kind in conditions[1:] if not set(kind) & set(conditions[0])]
    return [meaning for kind, group in kinds.items() if kind not in clash for meaning in group]


def _length(span: Span, scope: Scope) -> list[Bound]:
    """A length of what it is said of. One that is denied says nothing."""
    if span.quantity is None or not span.of or scope.negated:
        return []
    trace = Trace("", 1.0, "length", scope.cues)
    return [Bound(span.of, (), span.quantity, False, scope.hedge, span.first, span.last, trace)]


def _counts(
    tokens: Sequence[Token],
    spans: Sequence[Span],
    knowledge: Knowledge,
    lexicon: Lexicon,
    found: Sequence[Bound],
    asked: Character | None,
) -> list[Bound]:
    """A number near a word for a bundle ("bunches of like 5"), or alone where the count was asked."""
    taken = {n for span in spans for n in range(span.first, span.last + 1) if span.kind == "length" or span.meanings}
    language = lexicon.language
    joins = {"-", "/", *language.lists["either"], *language.lists["and_words"], *language.bounds["between"]}
    out: list[Bound] = []
    for character in knowledge.characters.values():
        if character.kind != "count":
            continue
        by_number = _states_by_number(character, lexicon)
        before = [bound for bound in found if bound.character == character.id and not bound.negated]
        for bound in before:
            at = bound.last + 2  # "bundles of 2 or 3"
            joined = at < len(tokens) and tokens[at - 1].text in joins and tokens[at].text in by_number
            if joined and at not in taken:
                out.append(replace(bound, states=(by_number[tokens[at].text],), first=at, last=at))
            at = bound.first - 2  # "2 or 3 in a bunch"
            if at >= 0 and tokens[at + 1].text in joins and tokens[at].text in by_number and at not in taken:
                out.append(replace(bound, states=(by_number[tokens[at].text],), first=at, last=at))
        if any(bound.character == character.id for bound in found):
            continue
        nouns = _container_nouns(character, knowledge, lexicon) | set(language.lists["counting_words"])
        for index, token in enumerate(tokens):
            if token.kind != "number" or index in taken or token.text not in by_number:
                continue
            following = tokens[index + 1] if index + 1 < len(tokens) else None
            if following is not None and following.stem in nouns and following.stem != following.text:
                continue  # "I counted 4 bundles"
            window = range(max(0, index - 4), min(len(tokens), index + 4))
            beside = any(tokens[at].stem in nouns for at in window if not tokens[at].is_break)
            if beside or token.many or (asked is not None and asked.id == character.id):
                trace = Trace(token.text, 1.0, "count" if beside or token.many else "asked")
                out.append(Bound(character.id, (by_number[token.text],), None, False, 0.0, index, index, trace))
    return out


def _container_nouns(character: Character, knowledge: Knowledge, lexicon: Lexicon) -> set[str]:
    nouns: set[str] = set()
    for parent, states in character.only_if.items():
        for state in states:
            said = knowledge.characters[parent].words.states[state]
            words = (word for word in (*said.words, *said.with_part) if " " not in word)
            nouns.update(stem(word, lexicon.language) for word in words)
    return nouns


def _states_by_number(character: Character, lexicon: Lexicon) -> dict[str, str]:
    numbers = lexicon.language.numbers["numbers"]
    found = {}
    for state, said in character.words.states.items():
        for word in (said.label, *said.words, *said.with_part):
            if word in numbers:
                found[f"{numbers[word]:g}"] = state
            elif word.isdigit():
                found[word] = state
    return found


def _merged(bounds: Sequence[Bound]) -> tuple[Bound, ...]:
    """Two states of one character in one message are one claim of both ("2 or 3", "pointed, some of them sharp"). Of
    two that stand far apart, the one that names its part is meant."""
    measured = {bound.character for bound in bounds if bound.quantity and not bound.is_class}
    out: list[Bound] = []
    for bound in bounds:
        if bound.is_class and bound.character in measured:
            continue
        last = next((old for old in reversed(out) if old.character == bound.character), None)
        if last is not None and (both_lengths := _overlap(last, bound)) is not None:
            out[out.index(last)] = both_lengths
            continue
        if last is None or bound.quantity or last.quantity or last.negated or bound.negated:
            out.append(bound)
            continue
        if bound.first - last.last > FAR_APART and (bound.trace.by == "phrase") != (last.trace.by == "phrase"):
            out[out.index(last)] = last if bound.trace.by == "phrase" else bound
            continue
        if set(bound.states) <= set(last.states) and bound.first - last.last <= ADJACENT:
            out[out.index(last)] = replace(last, last=bound.last)
        if not set(bound.states) <= set(last.states):
            states = (*last.states, *(state for state in bound.states if state not in last.states))
            out[out.index(last)] = replace(last, states=states, last=bound.last, hedge=max(last.hedge, bound.hedge))
    return tuple(out)


def _overlap(first: Bound, second: Bound) -> Bound | None:
    """Two bounds on one length ("over an inch, under two") as one interval."""
    if first.quantity is None or second.quantity is None or first.negated or second.negated:
        return None
    low = max(first.quantity.low, second.quantity.low)
    high = min(first.quantity.high, second.quantity.high)
    if low > high or (first.quantity.low == first.quantity.high and second.quantity.low == second.quantity.high):
        return None
    return replace(first, quantity=replace(first.quantity, low=low, high=high), last=second.last)
