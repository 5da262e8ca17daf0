"""What each span is said of: the pending question first, then the part named beside it, then what it usually means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import Quantity
from chatkey.understand.lexicon import Lexicon, Meaning
from chatkey.understand.match import Span
from chatkey.understand.normalise import Token, stem
from chatkey.understand.scope import Cue, Scope

FOLIAGE = {"leaf", "awl", "scale", "spray"}  # what is said of one of these may be meant of the leaf
WHOLE = {"whole", "place", "branch", "stem"}
TWO_MEANINGS = 0.6  # hedge of each where a phrase can be said of two characters


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
    knowledge: Knowledge,
    lexicon: Lexicon,
    asked: Character | None,
    known: Mapping[str, Sequence[str]],
) -> tuple[Bound, ...]:
    """The claims of a message in order. `stands` belongs to the spans that are no names."""
    found: list[Bound] = []
    parts = _parts(tokens, lexicon)
    here = _context(spans)
    context = {**known, **here}
    for span, scope in zip([span for span in spans if span.kind != "name"], stands, strict=True):
        if not scope.said:
            continue
        if span.kind == "length":
            found += _length(tokens, span, scope, parts, knowledge, asked)
        else:
            found += _states(tokens, span, scope, parts, knowledge, asked, context, here)
    found += _counts(tokens, spans, knowledge, lexicon, found, asked)
    return _merged(sorted(found, key=lambda bound: bound.first))


def _states(
    tokens: Sequence[Token],
    span: Span,
    scope: Scope,
    parts: Sequence[str],
    knowledge: Knowledge,
    asked: Character | None,
    context: Mapping[str, Sequence[str]],
    said_here: Mapping[str, Sequence[str]],
) -> list[Bound]:
    meanings, by = _fitting(tokens, span, parts, knowledge, asked, context, said_here)
    characters = list(dict.fromkeys(meaning.character for meaning in meanings))
    several = len(characters) > 1 and any(meaning.with_part for meaning in meanings)
    doubt = TWO_MEANINGS if several else 0.0
    trace = Trace(" ".join(span.words), span.score, "two meanings" if several else by, scope.cues)
    out = []
    for name in characters:
        character = knowledge.characters[name]
        states = tuple(dict.fromkeys(meaning.state for meaning in meanings if meaning.character == name))
        hedge = max(scope.hedge, doubt)
        if character.kind == "length":
            low = min(character.classes[state][0] for state in states)
            high = max(character.classes[state][1] for state in states)
            quantity = Quantity(low, high)
            out.append(Bound(name, (), quantity, scope.negated, hedge, span.first, span.last, trace, is_class=True))
        else:
            out.append(Bound(name, states, None, scope.negated, hedge, span.first, span.last, trace))
    return out


def _fitting(
    tokens: Sequence[Token],
    span: Span,
    parts: Sequence[str],
    knowledge: Knowledge,
    asked: Character | None,
    context: Mapping[str, Sequence[str]],
    said_here: Mapping[str, Sequence[str]],
) -> tuple[list[Meaning], BoundBy]:
    """The meanings that hold here, and why: of the question asked, else of the part named, else those that need none.

    `said_here`: states that the message itself settles; `context`: these and what was said before.
    """
    if asked is not None:
        own = [meaning for meaning in span.meanings if meaning.character == asked.id]
        clear = any(not meaning.with_part and not meaning.asked_only for meaning in own)
        if own and (clear or not set(said_here) - {meaning.character for meaning in span.meanings}):
            return own, "asked"
    free = [meaning for meaning in span.meanings if not meaning.asked_only]
    free = [meaning for meaning in free if _can_apply(knowledge, meaning.character, said_here)]
    free = [meaning for meaning in free if _can_apply(knowledge, meaning.character, context)] or free
    near = _part_of(tokens, span, parts)
    here = [meaning for meaning in free if knowledge.characters[meaning.character].part in near]
    rest = [meaning for meaning in free if not meaning.with_part or meaning.character in said_here]
    is_noun = len(span.words) == 1 and bool(parts[span.first])  # "scales" behind "cones" are a cone's
    beside = near if is_noun else _part_of(tokens, span, parts, clause_only=True)
    if not here and len(span.words) == 1 and beside and not beside & (FOLIAGE | WHOLE):
        rest = []  # "flat land", "soft ground", "cones are curved": said of something else
    return (here, "part") if here else (_first_kind(knowledge, rest), "phrase")


def _context(spans: Sequence[Span]) -> dict[str, tuple[str, ...]]:
    """States that the message itself settles: those of spans that can mean one thing only."""
    found: dict[str, tuple[str, ...]] = {}
    for span in spans:
        free = [meaning for meaning in span.meanings if not meaning.asked_only and not meaning.with_part]
        if len(free) == 1:
            found[free[0].character] = (free[0].state,)
    return found


def _can_apply(knowledge: Knowledge, name: str, context: Mapping[str, Sequence[str]]) -> bool:
    """False where the conditions of a character are ruled out by what was said."""
    for parent, states in knowledge.characters[name].only_if.items():
        if parent in context and not set(context[parent]) & set(states):
            return False
        if not _can_apply(knowledge, parent, context):
            return False
    return True


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


def _parts(tokens: Sequence[Token], lexicon: Lexicon) -> list[str]:
    """For each token the parts it names, joined by blanks; "" where it names none. "Awl leaves" is one noun."""
    stems = [token.stem for token in tokens]
    found = [" ".join(part for part, nouns in lexicon.part_nouns.items() if word in nouns) for word in stems]
    for words, part in lexicon.part_phrases:
        for first in range(len(stems) - len(words) + 1):
            if tuple(stems[first : first + len(words)]) == words:
                found[first : first + len(words)] = [part] * len(words)
    return found


def _part_of(tokens: Sequence[Token], span: Span, parts: Sequence[str], *, clause_only: bool = False) -> set[str]:
    """The part a span is said of: one named inside it, else the nearest in its clause (a following one wins a tie),
    else the last one named before in the sentence."""
    inside = [parts[index] for index in range(span.first, span.last + 1) if parts[index]]
    if inside and len(span.words) > 1:
        return set(inside[-1].split())
    before = next((n for n in range(span.first - 1, -1, -1) if parts[n] or tokens[n].is_break), None)
    after = next((n for n in range(span.last + 1, len(tokens)) if parts[n] or tokens[n].is_break), None)
    named = [n for n in (after, before) if n is not None and parts[n]]
    if named:
        nearest = min(named, key=lambda n: n - span.last if n > span.last else span.first - n)
        return set(parts[nearest].split())
    if clause_only:
        return set(inside[-1].split()) if inside else set()
    for index in range(span.first - 1, -1, -1):
        if tokens[index].is_break and tokens[index].text in ".;!?":
            break
        if parts[index]:
            return set(parts[index].split())
    return set(inside[-1].split()) if inside else set()


def _length(
    tokens: Sequence[Token],
    span: Span,
    scope: Scope,
    parts: Sequence[str],
    knowledge: Knowledge,
    asked: Character | None,
) -> list[Bound]:
    """A length is said of the part named beside it; else of what was asked; else of a needle."""
    lengths = [character for character in knowledge.characters.values() if character.kind == "length"]
    before = span.first - 1
    near = set(parts[before].split()) if before >= 0 and parts[before] else _part_of(tokens, span, parts)
    named = [character for character in lengths if character.part in near]
    if not named and asked is not None and asked.kind == "length":
        named = [asked]
    if not named and not near - {"whole", "place", "leaf"}:
        named = [character for character in lengths if character.part == "leaf"]
    quantity = span.quantity
    if not named or quantity is None:
        return []
    trace = Trace("", 1.0, "length", scope.cues)
    return [Bound(named[0].id, (), quantity, scope.negated, scope.hedge, span.first, span.last, trace)]


def _counts(
    tokens: Sequence[Token],
    spans: Sequence[Span],
    knowledge: Knowledge,
    lexicon: Lexicon,
    found: Sequence[Bound],
    asked: Character | None,
) -> list[Bound]:
    """A number near a word for a bundle ("bunches of like 5"), or alone where the count was asked."""
    taken = {index for span in spans for index in range(span.first, span.last + 1) if span.kind == "length"}
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
        if any(bound.character == character.id for bound in found):
            continue
        nouns = _container_nouns(character, knowledge, lexicon)
        for index, token in enumerate(tokens):
            if token.kind != "number" or index in taken or token.text not in by_number:
                continue
            window = range(max(0, index - 4), min(len(tokens), index + 4))
            beside = any(tokens[at].stem in nouns for at in window if not tokens[at].is_break)
            if beside or (asked is not None and asked.id == character.id):
                trace = Trace(token.text, 1.0, "asked" if not beside else "count")
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
    """Two states of one character in one message are one claim of both ("2 or 3", "pointed, some of them sharp")."""
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
