"""Which of a span's meanings hold where it stands: by the question asked, by the part it is said of, by what else was
said; and the best set of spans that can be said at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from chatkey.knowledge.model import Character, Knowledge
from chatkey.understand.clause import Clauses, Noun, Topic
from chatkey.understand.lexicon import Lexicon, Meaning
from chatkey.understand.match import Span, ToldBy, best_set
from chatkey.understand.scope import Scope, scopes

FOLIAGE = frozenset({"leaf", "awl", "scale", "spray"})  # what is said of one of these may be meant of another
WOODY = frozenset({"twig", "branch"})
ABOUT_ALL = frozenset({"whole", "place", "branch", "stem"})  # no bar to other parts: "a tree with flat needles"
UNBOUND = frozenset({"place", "smell", "whole", "flower"})  # parts whose words of two and more say it by themselves
FACTOR: Mapping[ToldBy, float] = {"asked": 1.2, "part": 1.1, "phrase": 1.0}  # of a span's weight in the best set
SEVERAL = 2  # facts that a state must stand against to be taken for a mistake
FAR = 0.9  # the same where the part was named in another sentence


def fitting_set(
    spans: Sequence[Span],
    clauses: Clauses,
    knowledge: Knowledge,
    lexicon: Lexicon,
    asked: Character | None,
    known: Mapping[str, Sequence[str]],
) -> tuple[Span, ...]:
    """The best set of spans that can be said where they stand, each with the meanings that hold there.

    It is worked out twice: what the first round says settles words that need a part or a condition ("flat, not round").
    """
    first = best_set(_Fitter(clauses, knowledge, asked, known).fit(spans))
    mistaken = _mistaken(first, knowledge)
    if mistaken:
        spans = [_without(span, mistaken) for span in spans]
        first = best_set(_Fitter(clauses, knowledge, asked, known).fit(spans))
    spoken = frozenset(meaning.character for span in first for meaning in span.meanings)
    if not spoken:
        return first
    parted = clauses.with_implied(_implied(first, clauses, knowledge))
    said = [span for span in first if span.kind not in ("name", "nothing")]
    here = settled(said, scopes(clauses.tokens, said, lexicon.language), knowledge)
    return best_set(
        _Fitter(parted, knowledge, asked, known, spoken, with_conditions(knowledge, {**known, **here})).fit(spans)
    )


def _mistaken(spans: Sequence[Span], knowledge: Knowledge) -> frozenset[tuple[str, str]]:
    """States that stand against several other facts of the message, and that none needs ("where it is bare", amid a
    description of needles)."""
    said = {meaning.character for span in spans for meaning in span.meanings}
    conditions = [knowledge.characters[name].only_if for name in said]
    found = set()
    for span in spans:
        if len({meaning.character for meaning in span.meanings}) != 1:
            continue
        name, state = span.meanings[0].character, span.meanings[0].state
        needs = [condition[name] for condition in conditions if name in condition]
        if sum(state not in states for states in needs) >= SEVERAL and not any(state in states for states in needs):
            found.add((name, state))
    return frozenset(found)


def _without(span: Span, mistaken: frozenset[tuple[str, str]]) -> Span:
    kept = tuple(meaning for meaning in span.meanings if (meaning.character, meaning.state) not in mistaken)
    return replace(span, meanings=kept)


class _Fitter:
    """What a span can mean in one message. `known`: states of earlier messages; `context`: those and what is said here;
    `spoken`: characters that the message speaks of."""

    def __init__(
        self,
        clauses: Clauses,
        knowledge: Knowledge,
        asked: Character | None,
        known: Mapping[str, Sequence[str]],
        spoken: frozenset[str] = frozenset(),
        context: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        self.clauses = clauses
        self.characters = knowledge.characters
        self.knowledge = knowledge
        self.asked = asked
        self.known = known
        self.spoken = spoken
        self.context = known if context is None else context
        self._told: dict[int, list[tuple[int, frozenset[str]]]] = {}

    def fit(self, spans: Sequence[Span]) -> list[Span]:
        """The spans that can be said where they stand, with the meanings that hold there. Names and lengths stay."""
        self._told = self._told_by_clause(spans)
        found: list[Span] = []
        for span in spans:
            topic = self._topic(span)
            if span.kind == "length":
                of = self._measured(span, topic)
                found += [replace(span, of=of)] if of else []
                continue
            if span.kind != "claim":
                found.append(span)
                continue
            meanings, by = self._fitting(span, topic)
            if meanings:
                factor = FACTOR[by] * (FAR if by == "part" and topic.distance == 2 else 1.0)
                found.append(replace(span, meanings=tuple(meanings), by=by, factor=factor))
        return found

    def _told_by_clause(self, spans: Sequence[Span]) -> dict[int, list[tuple[int, frozenset[str]]]]:
        """By clause, where something stands that says something by itself, and of which parts."""
        found: dict[int, list[tuple[int, frozenset[str]]]] = {}
        if self.asked is None:
            return found
        for span in spans:
            free = [meaning for meaning in span.meanings if not meaning.asked_only and not meaning.with_part]
            if free and not any(meaning.character == self.asked.id for meaning in span.meanings):
                parts = frozenset(self._part(meaning) for meaning in free)
                found.setdefault(self.clauses.clause[span.first], []).append((span.first, parts))
        return found

    def _measured(self, span: Span, topic: Topic) -> str:
        """The character that a length is of: of the part named beside it, else of what was asked, else of a needle; ""
        where it is a length of something else ("bark like a cigar", "a seedling no taller than my hand")."""
        named = topic if topic != self._default() else Topic()
        parts = named.parts
        cone_only = span.about == "like" and "cone" not in parts
        if cone_only or (parts == {"whole"} and span.about == "length"):
            return ""
        asked = self.asked
        if asked is not None and asked.kind == "length" and (not named or named.distance or asked.part in parts):
            return asked.id
        lengths = [one for one in self.characters.values() if one.kind == "length"]
        fitting = [one for one in lengths if can_apply(self.knowledge, one.id, self.context)]
        found = [one for one in fitting if one.part in parts]
        if span.about == "size" and not (found and named.distance < 2) and not (parts & FOLIAGE and named.distance < 2):
            found = [one for one in lengths if one.part == "cone"]  # "the size of a golf ball"
        if not found and (not parts or parts & (FOLIAGE | {"whole", "place"})):
            found = [one for one in fitting if one.part in FOLIAGE]
        return found[0].id if found else ""

    def _default(self) -> Topic:
        """What is spoken of where nothing was named: the part asked about."""
        if self.asked is None:
            return Topic()
        return Topic(frozenset({self.asked.part}), 2 if self.asked.part in FOLIAGE | WOODY else 1)

    def _topic(self, span: Span) -> Topic:
        """The part a span is said of; where none was named, the one asked about. A noun for two parts ("stem") is the
        one that something else is said of."""
        topic = self.clauses.topic(span.first, span.last)
        if not topic and self.asked is not None:
            return replace(self._default(), beside=topic.beside)
        if len(topic.parts) > 1:
            said = {self.characters[name].part for name in self.context} & topic.parts
            return replace(topic, parts=frozenset(said)) if len(said) == 1 else topic
        return topic

    def _fitting(self, span: Span, topic: Topic) -> tuple[list[Meaning], ToldBy]:
        """The meanings that hold here, and why: of the question asked, else of the part named, else the free ones."""
        own = self._own_parts(span)
        answers = self._answers(span, topic, own)
        if answers:
            return answers, "asked"
        free = [meaning for meaning in span.meanings if not meaning.asked_only]
        free = [meaning for meaning in free if can_apply(self.knowledge, meaning.character, self.context)] or free
        by_itself = [meaning for meaning in free if self._part(meaning) in own and not meaning.with_part]
        if by_itself:
            return by_itself, "phrase"
        if len(span.words) == 1:
            free = [meaning for meaning in free if self._is_met(meaning.character, topic)]
            if own:  # a noun says nothing of another part: the scales of a cone are no leaves
                free = [meaning for meaning in free if _akin(self._part(meaning), own)]
        at_hand = [m for m in free if self._part(m) in topic.beside and (topic.distance or not topic)]
        loose = [meaning for meaning in free if not meaning.with_part and topic.distance == 2]
        if at_hand or loose:
            return at_hand or loose, "phrase"
        of_topic = [meaning for meaning in free if self._part(meaning) in topic.parts]
        akin = [meaning for meaning in free if _akin(self._part(meaning), topic.parts)]
        if of_topic or akin:
            return of_topic or akin, "part"
        return self._unbound(span, topic, free), "phrase"

    def _answers(self, span: Span, topic: Topic, own: frozenset[str]) -> list[Meaning]:
        """The meanings of the question asked, unless the words are said of another part."""
        if self.asked is None:
            return []
        mine = [meaning for meaning in span.meanings if meaning.character == self.asked.id]
        bound = topic and not topic.distance and not topic.parts & ABOUT_ALL
        elsewhere = bound and not _akin(self.asked.part, topic.parts) and self.asked.part not in own
        amid = all(meaning.asked_only for meaning in mine) and self._tells_of_another(span)
        return [] if elsewhere or amid else mine  # "a bit" answers a question, but not amid a description

    def _tells_of_another(self, span: Span) -> bool:
        """Something else in the clause speaks of another part by itself."""
        asked = self.asked
        return asked is not None and any(
            not _akin(asked.part, parts)
            for at, parts in self._told.get(self.clauses.clause[span.first], ())
            if not span.first <= at <= span.last
        )

    def _unbound(self, span: Span, topic: Topic, free: Sequence[Meaning]) -> list[Meaning]:
        """Meanings that no noun speaks for: the free ones, those of a character spoken of, those of the leaf."""
        rest = [meaning for meaning in free if not meaning.with_part or meaning.character in self.spoken]
        if not rest and topic.distance != 1 and self.clauses.is_terse(span.first):
            rest = self._said_before(free) or ([] if topic else [m for m in free if self._part(m) == "leaf"])
        if not topic or topic.distance == 2 or topic.parts & ABOUT_ALL:
            return rest
        if topic.distance == 1 and topic.parts & FOLIAGE:
            return rest
        several = len(span.words) > 1
        if topic.distance == 1:
            return [meaning for meaning in rest if several or self._part(meaning) in UNBOUND]
        return [m for m in rest if several and (self._part(m) in UNBOUND or _loose(self._part(m), topic.parts))]

    def _said_before(self, meanings: Sequence[Meaning]) -> list[Meaning]:
        """ "No, it's smooth": said of what was spoken of last in an earlier message."""
        names = {meaning.character for meaning in meanings}
        last = next((name for name in reversed(list(self.known)) if name in names), None)
        return [meaning for meaning in meanings if meaning.character == last]

    def _is_met(self, name: str, topic: Topic) -> bool:
        """A single word speaks of a character that only some plants have ("same" of a spray, "snaps" of a bundle) only
        where the plant was said to have it, or its part was named. The first state of a condition is the usual one."""
        character = self.characters[name]
        if character.part in topic.parts and character.part != "leaf":
            return True
        for parent, states in character.only_if.items():
            usual = next(iter(self.characters[parent].states))
            if usual not in states and not set(self.context.get(parent, ())) & set(states):
                return False
        return True

    def _own_parts(self, span: Span) -> frozenset[str]:
        """The parts that a phrase names itself."""
        return frozenset[str]().union(*(noun.parts for noun in self.clauses.nouns_in(span.first, span.last)))

    def _part(self, meaning: Meaning) -> str:
        return self.characters[meaning.character].part


def settled(spans: Sequence[Span], stands: Sequence[Scope], knowledge: Knowledge) -> dict[str, Sequence[str]]:
    """States that the message itself settles, with their conditions: those of spans that can mean one thing only, and
    are not denied."""
    found: dict[str, Sequence[str]] = {}
    for span, scope in zip(spans, stands, strict=True):
        if scope.negated or not scope.said:
            continue
        free = [meaning for meaning in span.meanings if not meaning.asked_only and not meaning.with_part]
        if len(free) == 1:
            found[free[0].character] = (free[0].state,)
    return with_conditions(knowledge, found)


def with_conditions(knowledge: Knowledge, said: Mapping[str, Sequence[str]]) -> dict[str, Sequence[str]]:
    """What was said, and what must hold for it: who counts the needles of a bundle has bundles."""
    found = dict(said)
    waiting = list(said)
    while waiting:
        for parent, states in knowledge.characters[waiting.pop()].only_if.items():
            if parent not in found:
                found[parent] = states
                waiting.append(parent)
    return found


def can_apply(knowledge: Knowledge, name: str, context: Mapping[str, Sequence[str]]) -> bool:
    """False where the conditions of a character are ruled out by what was said."""
    for parent, states in knowledge.characters[name].only_if.items():
        if parent in context and not set(context[parent]) & set(states):
            return False
        if not can_apply(knowledge, parent, context):
            return False
    return True


def _implied(spans: Sequence[Span], clauses: Clauses, knowledge: Knowledge) -> tuple[Noun, ...]:
    """The parts that phrases speak of without a noun for them."""
    found = []
    for span in spans:
        parts = frozenset(knowledge.characters[meaning.character].part for meaning in span.meanings)
        inside = any(noun.parts & parts for noun in clauses.nouns_in(span.first, span.last))
        if len(parts) == 1 and not inside:
            found.append(Noun(span.first, parts))
    return tuple(found)


def _akin(part: str, named: frozenset[str]) -> bool:
    """What is said of a leaf may be said of a scale or a spray, what is said of a branch of a twig."""
    return part in named or any(part in akin and bool(named & akin) for akin in (FOLIAGE, WOODY))


def _loose(part: str, named: frozenset[str]) -> bool:
    """People say twig and branch for what is on them."""
    return part in FOLIAGE | WOODY and bool(named & (FOLIAGE | WOODY))
