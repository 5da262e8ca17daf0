"""What each word of a message is said of: clauses, the nouns for parts in them, and the topic of a run of words."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from chatkey.understand.lexicon import Lexicon
from chatkey.understand.normalise import Token

ENDS = ".!?;"  # of a sentence
NOUN_AHEAD = 4  # tokens behind "and" or "with" in which a noun for a part begins a clause of its own
LONGEST_CLAUSE = 40  # tokens; a longer one is cut
MOST_BETWEEN = 4  # words of any kind between an adjective and its noun ("long thin soft flat needles")
NEAR = 2  # words that are no fillers between an adjective and the noun behind it


@dataclass(frozen=True, slots=True)
class Noun:
    """A noun for a part. `is_object`: behind a preposition ("round the twig"), so that nothing is said of it."""

    at: int
    parts: frozenset[str]
    is_object: bool = False
    denied: bool = False  # "no cones": nothing more is said of them


@dataclass(frozen=True, slots=True)
class Topic:
    """The part that a run of words is said of. `distance`: 0 named in its clause, 1 in its sentence, 2 before it."""

    parts: frozenset[str] = frozenset()
    distance: int = 0
    beside: frozenset[str] = frozenset()  # parts behind prepositions in the clause ("knobs all over the twigs")

    def __bool__(self) -> bool:
        return bool(self.parts)


class Clauses:
    """The clause and the sentence of each token, and the nouns for parts. Every look-up stays within a clause, so that
    the work grows with the length of the text and no faster."""

    def __init__(
        self,
        tokens: Sequence[Token],
        clause: Sequence[int],
        sentence: Sequence[int],
        nouns: Sequence[Noun],
        describing: frozenset[int],
        lexicon: Lexicon,
        implied: Sequence[Noun] = (),
    ) -> None:
        """`describing`: tokens of phrases, which may stand before the noun they are said of. `implied`: parts that
        phrases speak of without naming them ("two pale lines")."""
        self.tokens = tokens
        self.clause = clause
        self.sentence = sentence
        self.nouns = nouns
        self.describing = describing
        self.lexicon = lexicon
        self._terse: dict[int, bool] = {}
        self._starts: dict[int, int] = {}
        self._ends: dict[int, int] = {}
        for n, number in enumerate(clause):
            self._starts.setdefault(number, n)
            self._ends[number] = n + 1
        self._nouns: dict[int, list[Noun]] = {}
        for noun in nouns:
            self._nouns.setdefault(clause[noun.at], []).append(noun)
        goes_on = [noun for noun in nouns if not noun.is_object and not noun.denied]
        self._going_on = sorted([*goes_on, *implied], key=lambda noun: noun.at)
        self._implied = frozenset(implied)

    def with_implied(self, implied: Sequence[Noun]) -> Clauses:
        """The same, with parts that phrases speak of."""
        return Clauses(
            self.tokens, self.clause, self.sentence, self.nouns, self.describing, self.lexicon, tuple(implied)
        )

    def nouns_in(self, first: int, last: int) -> list[Noun]:
        """The nouns among the tokens `first` to `last`."""
        near = (noun for n in {self.clause[first], self.clause[last]} for noun in self._nouns.get(n, ()))
        return [noun for noun in near if first <= noun.at <= last]

    def topic(self, first: int, last: int) -> Topic:
        """The part that the tokens `first` to `last` are said of: a noun of their clause, else the one that the
        sentence goes on about, else the last one before."""
        here = [noun for noun in self._nouns.get(self.clause[first], ()) if not first <= noun.at <= last]
        subjects = [noun for noun in here if not noun.is_object] or [
            noun for noun in here if noun.at < first or self._adjoins(last, noun.at)
        ]
        before = next((noun for noun in reversed(subjects) if noun.at < first), None)
        after = next((noun for noun in subjects if noun.at > last), None)
        chosen = self._nearer(first, last, before, after)
        beside = frozenset[str]().union(*(noun.parts for noun in here if noun.is_object))
        if chosen is not None:
            return Topic(chosen.parts, 0, beside)
        return replace(self._from_before(first), beside=beside)

    def is_terse(self, at: int) -> bool:
        """The clause holds describing words and little ones only: "i think square", "kinda short"."""
        mine = self.clause[at]
        if mine not in self._terse:
            self._terse[mine] = all(
                self.tokens[n].kind == "mark" or n in self.describing or self.tokens[n].text in self.lexicon.little
                for n in range(self._starts[mine], self._ends[mine])
            )
        return self._terse[mine]

    def _nearer(self, first: int, last: int, before: Noun | None, after: Noun | None) -> Noun | None:
        """Of the noun before and the noun behind the one meant: "needles are soft", "soft needles"."""
        if before is None or after is None:
            return before or after
        if self._has_copula_before(first) or not self._adjoins(last, after.at):
            return before
        start = self._starts[self.clause[first]]
        described = any(n in self.describing for n in range(start, before.at))
        between = any(n in self.describing for n in range(before.at + 1, first))  # "needles soft, flat twig"
        return after if described or between else before

    def _adjoins(self, last: int, noun: int) -> bool:
        """Only a few describing words, fillers and little else stand between."""
        lists = self.lexicon.language.lists
        if noun - last > MOST_BETWEEN + 1:
            return False
        others = 0
        for n in range(last + 1, noun):
            text = self.tokens[n].text
            if text in lists["prepositions"] or text in lists["copulas"]:
                return False
            others += n not in self.describing and text not in self.lexicon.fillers
        return others <= NEAR

    def _has_copula_before(self, first: int) -> bool:
        lists = self.lexicon.language.lists
        for n in range(first - 1, self._starts[self.clause[first]] - 1, -1):
            text = self.tokens[n].text
            if text in lists["copulas"]:
                return True
            if text not in self.lexicon.fillers and text not in lists["deny"]:
                return False
        return False

    def _from_before(self, first: int) -> Topic:
        """What the sentence, or the one before it, goes on about. A noun behind its adjective ("small cones, flat") has
        said its say; one in front ("cones small, round") has not."""
        at = bisect_left(self._going_on, first, key=lambda noun: noun.at)
        if at == 0:
            return Topic()
        noun = self._going_on[at - 1]
        same = self.sentence[noun.at] == self.sentence[first]
        return Topic(noun.parts, 1 if same and noun not in self._implied and self._leads(noun) else 2)

    def _leads(self, noun: Noun) -> bool:
        """The noun stands first in its clause: nothing describes it from the front."""
        return not any(n in self.describing for n in range(self._starts[self.clause[noun.at]], noun.at))


def clauses(tokens: Sequence[Token], lexicon: Lexicon, describing: frozenset[int]) -> Clauses:
    """The message in clauses, with the nouns for parts. `describing`: tokens of phrases that say something."""
    named = _named_parts(tokens, lexicon)
    clause, sentence = _cut(tokens, named, lexicon)
    nouns = _nouns(tokens, named, clause, sentence, lexicon)
    return Clauses(tuple(tokens), clause, sentence, nouns, describing, lexicon)


def _named_parts(tokens: Sequence[Token], lexicon: Lexicon) -> list[frozenset[str]]:
    """For each token the parts it names. "Awl leaves" is one noun, and the last token bears it."""
    stems = [token.stem for token in tokens]
    found = [lexicon.part_nouns.get(word, frozenset()) for word in stems]
    for first, word in enumerate(stems):
        for words, part in lexicon.part_phrases.get(word, ()):
            if tuple(stems[first : first + len(words)]) == words:
                found[first : first + len(words)] = [frozenset()] * (len(words) - 1) + [frozenset({part})]
    return found


def _cut(
    tokens: Sequence[Token], named: Sequence[frozenset[str]], lexicon: Lexicon
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    lists = lexicon.language.lists
    joins = {*lists["clause_breaks"], *lists["clause_joins"]}
    clause = sentence = since = 0
    clauses_of, sentences_of = [], []
    for n, token in enumerate(tokens):
        since += 1
        if token.is_break or token.text == "-":
            abbreviated = token.text == "." and n > 0 and tokens[n - 1].text in lexicon.language.units
            clause += 1
            sentence += token.text in ENDS and not (abbreviated and _goes_on(tokens, n))
            since = 0
        elif since > LONGEST_CLAUSE or (token.text in joins and _noun_ahead(tokens, named, n)):
            clause += 1
            since = 0
        clauses_of.append(clause)
        sentences_of.append(sentence)
    return tuple(clauses_of), tuple(sentences_of)


def _goes_on(tokens: Sequence[Token], n: int) -> bool:
    """Behind "2 in." more is said of the same thing, unless the message ends there."""
    return n + 1 < len(tokens)


def _noun_ahead(tokens: Sequence[Token], named: Sequence[frozenset[str]], n: int) -> bool:
    for ahead in range(n + 1, min(len(tokens), n + 1 + NOUN_AHEAD)):
        if tokens[ahead].is_break:
            return False
        if named[ahead]:
            return True
    return False


def _nouns(
    tokens: Sequence[Token],
    named: Sequence[frozenset[str]],
    clause: Sequence[int],
    sentence: Sequence[int],
    lexicon: Lexicon,
) -> tuple[Noun, ...]:
    language = lexicon.language
    found: list[Noun] = []
    subject: Noun | None = None  # the last one that is no object
    for n, parts in enumerate(named):
        if not parts:
            continue
        in_clause = bool(found) and clause[found[-1].at] == clause[n]
        before = [tokens[m].text for m in range(n - 1, max(-1, n - 4), -1) if clause[m] == clause[n]]
        lead = next((text for text in before if text not in language.lists["articles_and_owners"]), "")
        is_object = lead in language.lists["prepositions"] and (in_clause or _spoken_before(tokens, clause, n))
        in_sentence = subject is not None and sentence[subject.at] == sentence[n]
        if subject is not None and in_sentence and "cone" in subject.parts and parts & {"scale", "awl"}:
            parts = frozenset({"cone"})  # the scales and prickles of the cones that were named before
        denied = any(text in language.lists["deny"] for text in before[:3])
        found.append(Noun(n, parts, is_object, denied))
        subject = subject if is_object else found[-1]
    return tuple(found)


def _spoken_before(tokens: Sequence[Token], clause: Sequence[int], n: int) -> bool:
    """Two words or more stand before the preposition in the clause: "all the way round the twig"."""
    words = 0
    for m in range(n - 1, -1, -1):
        if clause[m] != clause[n]:
            break
        words += tokens[m].kind != "mark"
    return words >= 3
