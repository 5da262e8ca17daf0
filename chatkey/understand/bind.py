"""What each span is said of: the pending question first, then the part named beside it, then what it usually means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import Quantity
from chatkey.understand.clause import Clauses, Noun, Topic
from chatkey.understand.lexicon import Lexicon, Meaning
from chatkey.understand.match import Span, best_set
from chatkey.understand.normalise import Token, stem
from chatkey.understand.scope import Cue, Scope, scopes

FOLIAGE = frozenset({"leaf", "awl", "scale", "spray"})  # what is said of one of these may be meant of another
WOODY = frozenset({"twig", "branch"})
ABOUT_ALL = frozenset({"whole", "place", "branch", "stem"})  # no bar to other parts: "a tree with flat needles"
UNBOUND = frozenset({"place", "smell", "whole", "flower"})  # parts whose words of two and more say it by themselves
TWO_MEANINGS = 0.6  # hedge of each where a phrase can be said of two characters
ADJACENT = 2  # tokens from the end of a claim to the start of one that says the same: they are one
FAR_APART = 12  # tokens between two states of one character that are no "or"
FAR = 0.9  # the same where the part was named in another sentence

BoundBy = Literal["asked", "part", "phrase", "two meanings", "length", "count"]  # what told which character is meant
ToldBy = Literal["asked", "part", "phrase"]
FACTOR: Mapping[ToldBy, float] = {"asked": 1.2, "part": 1.1, "phrase": 1.0}  # of a span's weight in the best set


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


def fitting_set(
    spans: Sequence[Span],
    clauses: Clauses,
    knowledge: Knowledge,
    lexicon: Lexicon,
    asked: Character | None,
    known: Mapping[str, Sequence[str]],
) -> tuple[Span, ...]:
    """The best set of spans that can be said where they stand. A word that needs a part counts where its character was
    spoken of beside it ("flat, not round")."""
    first = best_set(_fit(spans, clauses, knowledge, lexicon, asked, frozenset(), known, known))
    spoken = frozenset(meaning.character for span in first for meaning in span.meanings)
    if not spoken:
        return first
    parted = clauses.with_implied(_implied(first, clauses, knowledge))
    said = [span for span in first if span.kind not in ("name", "nothing")]
    here = _context(said, scopes(clauses.tokens, said, lexicon.language))
    context = _with_conditions(knowledge, {**known, **here})
    return best_set(_fit(spans, parted, knowledge, lexicon, asked, spoken, context, known))


def _with_conditions(knowledge: Knowledge, said: Mapping[str, Sequence[str]]) -> dict[str, Sequence[str]]:
    """What was said, and what must hold for it: who counts the needles of a bundle has bundles."""
    found = dict(said)
    waiting = list(said)
    while waiting:
        for parent, states in knowledge.characters[waiting.pop()].only_if.items():
            if parent not in found:
                found[parent] = states
                waiting.append(parent)
    return found


def _implied(spans: Sequence[Span], clauses: Clauses, knowledge: Knowledge) -> tuple[Noun, ...]:
    """The parts that phrases speak of without a noun for them."""
    found = []
    for span in spans:
        parts = frozenset(knowledge.characters[meaning.character].part for meaning in span.meanings)
        inside = any(noun.parts & parts for noun in clauses.nouns_in(span.first, span.last))
        if len(parts) == 1 and not inside:
            found.append(Noun(span.first, parts))
    return tuple(found)


def _fit(
    spans: Sequence[Span],
    clauses: Clauses,
    knowledge: Knowledge,
    lexicon: Lexicon,
    asked: Character | None,
    spoken: frozenset[str],
    context: Mapping[str, Sequence[str]],
    known: Mapping[str, Sequence[str]],
) -> list[Span]:
    """The spans that can be said where they stand, each with the meanings that hold there. Names and lengths stay."""
    found = []
    for span in spans:
        if span.kind != "claim":
            found.append(span)
            continue
        topic = clauses.topic(span.first, span.last)
        own = _own_parts(span, clauses)
        meanings, by = _fitting(
            span,
            topic,
            own,
            knowledge,
            asked,
            spoken,
            context,
            terse=clauses.is_terse(span.first),
            known=known,
        )
        if meanings:
            factor = FACTOR[by] * (FAR if by == "part" and topic.distance == 2 else 1.0)
            found.append(replace(span, meanings=tuple(meanings), by=by, factor=factor))
    return found


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
    here = _with_conditions(knowledge, _context(spans, stands))
    for span, scope in zip(spans, stands, strict=True):
        if not scope.said:
            continue
        if span.kind == "length":
            found += _length(span, scope, clauses, knowledge, lexicon, asked, here)
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


def _fitting(
    span: Span,
    topic: Topic,
    own: frozenset[str],
    knowledge: Knowledge,
    asked: Character | None,
    spoken: frozenset[str],
    context: Mapping[str, Sequence[str]],
    *,
    terse: bool,
    known: Mapping[str, Sequence[str]],
) -> tuple[list[Meaning], ToldBy]:
    """The meanings that hold here, and why: of the question asked, else of the part named, else the free ones."""
    parts = {meaning: knowledge.characters[meaning.character].part for meaning in span.meanings}
    if asked is not None:
        mine = [meaning for meaning in span.meanings if meaning.character == asked.id]
        elsewhere = topic and not topic.distance and not _akin(asked.part, topic.parts) and not topic.parts & ABOUT_ALL
        if mine and (asked.part in own or not elsewhere):
            return mine, "asked"
    free = [meaning for meaning in span.meanings if not meaning.asked_only]
    free = [meaning for meaning in free if _can_apply(knowledge, meaning.character, context)] or free
    by_itself = [meaning for meaning in free if parts[meaning] in own and not meaning.with_part]
    if by_itself:
        return by_itself, "phrase"
    if len(span.words) == 1:
        free = [m for m in free if _is_met(knowledge, m.character, topic, context)]
    at_hand = [m for m in free if parts[m] in topic.beside and (topic.distance or not topic)]
    loose = [m for m in free if not m.with_part and topic.distance == 2]
    if at_hand or (loose and topic.distance == 2):
        return at_hand or loose, "phrase"
    of_topic = [meaning for meaning in free if parts[meaning] in topic.parts]
    akin = [meaning for meaning in free if _akin(parts[meaning], topic.parts)]
    if of_topic or akin:
        return of_topic or akin, "part"
    rest = [meaning for meaning in free if not meaning.with_part or meaning.character in spoken]
    if not rest and terse and topic.distance != 1:
        rest = _said_before(free, known) or ([] if topic else _unspoken(free, parts))
    if not topic or topic.distance == 2 or topic.parts & ABOUT_ALL:
        return rest, "phrase"
    if topic.distance == 1:
        return [m for m in rest if len(span.words) > 1 or topic.parts & FOLIAGE or parts[m] in UNBOUND], "phrase"
    return [m for m in rest if len(span.words) > 1 and (parts[m] in UNBOUND or _loose(parts[m], topic.parts))], "phrase"


def _said_before(meanings: Sequence[Meaning], known: Mapping[str, Sequence[str]]) -> list[Meaning]:
    """ "No, it's smooth": said of what was spoken of last in an earlier message."""
    last = next((name for name in reversed(list(known)) if any(m.character == name for m in meanings)), None)
    return [meaning for meaning in meanings if meaning.character == last]


def _unspoken(meanings: Sequence[Meaning], parts: Mapping[Meaning, str]) -> list[Meaning]:
    """Where no part was named at all, a word for the leaves is said of them."""
    return [meaning for meaning in meanings if parts[meaning] == "leaf"]


def _is_met(knowledge: Knowledge, name: str, topic: Topic, context: Mapping[str, Sequence[str]]) -> bool:
    """A single word speaks of a character that only some plants have ("same" of a spray, "snaps" of a bundle) only
    where the plant was said to have it, or its part was named. The first state of a condition is the usual one."""
    character = knowledge.characters[name]
    if character.part in topic.parts and character.part != "leaf":
        return True
    for parent, states in character.only_if.items():
        usual = next(iter(knowledge.characters[parent].states))
        if usual not in states and not set(context.get(parent, ())) & set(states):
            return False
    return True


def _akin(part: str, named: frozenset[str]) -> bool:
    """What is said of a leaf may be said of a scale or a spray, what is said of a branch of a twig."""
    return part in named or any(part in akin and bool(named & akin) for akin in (FOLIAGE, WOODY))


def _loose(part: str, named: frozenset[str]) -> bool:
    """People say twig and branch for what is on them."""
    return part in FOLIAGE | WOODY and bool(named & (FOLIAGE | WOODY))


def _own_parts(span: Span, clauses: Clauses) -> frozenset[str]:
    """The parts that a phrase of several words names itself."""
    return frozenset[str]().union(*(noun.parts for noun in clauses.nouns_in(span.first, span.last)))


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
        meanings = [m for m in meanings if _can_apply(knowledge, m.character, said_here)]
        meanings = [m for m in meanings if _can_apply(knowledge, m.character, context)] or meanings
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


def _context(spans: Sequence[Span], stands: Sequence[Scope]) -> dict[str, Sequence[str]]:
    """States that the message itself settles: those of spans that can mean one thing only, and are not denied."""
    found: dict[str, Sequence[str]] = {}
    for span, scope in zip(spans, stands, strict=True):
        if scope.negated or not scope.said:
            continue
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


def _length(
    span: Span,
    scope: Scope,
    clauses: Clauses,
    knowledge: Knowledge,
    lexicon: Lexicon,
    asked: Character | None,
    said_here: Mapping[str, Sequence[str]],
) -> list[Bound]:
    """A length is said of the part named beside it; else of what was asked; else of a needle."""
    lengths = [character for character in knowledge.characters.values() if character.kind == "length"]
    topic = clauses.topic(span.first, span.last)
    parts = topic.parts
    if parts == {"whole"} and span.about == "length":
        return []  # "a seedling no taller than my hand"
    if asked is not None and asked.kind == "length" and (not topic or topic.distance or asked.part in parts):
        named = [asked]
    else:
        named = [one for one in lengths if one.part in parts and _can_apply(knowledge, one.id, said_here)]
        if not named and span.about == "size" and (not topic or not topic.parts & FOLIAGE):
            named = [one for one in lengths if one.part == "cone"]  # "the size of a golf ball"
        if not named and (not parts or parts & (FOLIAGE | {"whole", "place"})):
            named = [one for one in lengths if one.part in FOLIAGE and _can_apply(knowledge, one.id, said_here)]
    quantity = span.quantity
    if span.about == "like" and "cone" not in parts:
        return []  # "like a cigar" is the shape of something else
    if not named or quantity is None or scope.negated:
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
            at = bound.first - 2  # "2 or 3 in a bunch"
            if at >= 0 and tokens[at + 1].text in joins and tokens[at].text in by_number and at not in taken:
                out.append(replace(bound, states=(by_number[tokens[at].text],), first=at, last=at))
        if any(bound.character == character.id for bound in found):
            continue
        nouns = _container_nouns(character, knowledge, lexicon) | set(language.lists["counting_words"])
        for index, token in enumerate(tokens):
            if token.kind != "number" or index in taken or token.text not in by_number:
                continue
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
