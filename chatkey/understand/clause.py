"""What each word of a message is said of: clauses, the nouns for parts in them, and the topic of a run of words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from chatkey.understand.lexicon import Lexicon
from chatkey.understand.normalise import Token

ENDS = ".!?;"  # of a sentence
NOUN_AHEAD = 4  # tokens behind "and" or "with" in which a noun for a part begins a clause of its own
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


@dataclass(frozen=True, slots=True)
class Clauses:
    """The clause and the sentence of each token, and the nouns for parts."""

    tokens: tuple[Token, ...]
    clause: tuple[int, ...]
    sentence: tuple[int, ...]
    nouns: tuple[Noun, ...]
    describing: frozenset[int]  # tokens of phrases: what may stand before the noun it is said of
    implied: tuple[Noun, ...] = ()  # parts that phrases speak of without naming them ("two pale lines")

    def topic(self, first: int, last: int, lexicon: Lexicon) -> Topic:
        """The part that the tokens `first` to `last` are said of: a noun of their clause, else the one that the
        sentence goes on about, else the last one before."""
        mine = self.clause[first]
        here = [noun for noun in self.nouns if self.clause[noun.at] == mine and not first <= noun.at <= last]
        subjects = [noun for noun in here if not noun.is_object] or [
            noun for noun in here if noun.at < first or self._adjoins(last, noun.at, lexicon)
        ]
        before = next((noun for noun in reversed(subjects) if noun.at < first), None)
        after = next((noun for noun in subjects if noun.at > last), None)
        chosen = self._nearer(first, last, before, after, lexicon)
        beside = frozenset[str]().union(*(noun.parts for noun in here if noun.is_object))
        if chosen is not None:
            return Topic(chosen.parts, 0, beside)
        return replace(self._from_before(first), beside=beside)

    def is_terse(self, at: int, lexicon: Lexicon) -> bool:
        """The clause holds describing words and little ones only: "i think square", "kinda short"."""
        mine = self.clause[at]
        little = lexicon.little
        return all(
            token.kind == "mark" or n in self.describing or token.text in little
            for n, token in enumerate(self.tokens)
            if self.clause[n] == mine
        )

    def _nearer(self, first: int, last: int, before: Noun | None, after: Noun | None, lexicon: Lexicon) -> Noun | None:
        """Of the noun before and the noun behind the one meant: "needles are soft", "soft needles"."""
        if before is None or after is None:
            return before or after
        if self._has_copula_before(first, lexicon) or not self._adjoins(last, after.at, lexicon):
            return before
        described = [n for n in self.describing if self.clause[n] == self.clause[first] and n < before.at]
        return after if described or self._between(before.at, first, lexicon) else before

    def _between(self, noun: int, first: int, lexicon: Lexicon) -> bool:
        """Something is said of the noun already: "needles soft, flat twig"."""
        return any(n in self.describing for n in range(noun + 1, first))

    def _adjoins(self, last: int, noun: int, lexicon: Lexicon) -> bool:
        """Only describing words, fillers and little else stand between."""
        prepositions = lexicon.language.lists["prepositions"]
        others = 0
        for n in range(last + 1, noun):
            text = self.tokens[n].text
            if text in prepositions or text in lexicon.language.lists["copulas"]:
                return False
            others += n not in self.describing and text not in lexicon.fillers
        return others <= NEAR

    def _has_copula_before(self, first: int, lexicon: Lexicon) -> bool:
        lists = lexicon.language.lists
        for n in range(first - 1, -1, -1):
            text = self.tokens[n].text
            if text in lists["copulas"]:
                return True
            if text not in lexicon.fillers and text not in lists["deny"]:
                return False
        return False

    def _from_before(self, first: int) -> Topic:
        """What the sentence, or the one before it, goes on about. A noun behind its adjective ("small cones, flat") has
        said its say; one in front ("cones small, round") has not."""
        named = [noun for noun in self.nouns if noun.at < first and not noun.is_object and not noun.denied]
        earlier = sorted([*named, *(noun for noun in self.implied if noun.at < first)], key=lambda noun: noun.at)
        same = [noun for noun in earlier if self.sentence[noun.at] == self.sentence[first]]
        for noun in reversed(same):
            return Topic(noun.parts, 1 if noun in named and self._leads(noun) else 2)
        return Topic(earlier[-1].parts, 2) if earlier else Topic()

    def _leads(self, noun: Noun) -> bool:
        """The noun stands first in its clause: nothing describes it from the front."""
        mine = self.clause[noun.at]
        return not any(n in self.describing for n in range(noun.at) if self.clause[n] == mine)


def clauses(tokens: Sequence[Token], lexicon: Lexicon, describing: frozenset[int]) -> Clauses:
    """The message in clauses, with the nouns for parts. `describing`: tokens of phrases that say something."""
    named = _named_parts(tokens, lexicon)
    clause, sentence = _cut(tokens, named, lexicon)
    return Clauses(tuple(tokens), clause, sentence, _nouns(tokens, named, clause, sentence, lexicon), describing)


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
    clause = sentence = 0
    clauses_of, sentences_of = [], []
    for n, token in enumerate(tokens):
        if token.is_break or token.text == "-":
            abbreviated = token.text == "." and n > 0 and tokens[n - 1].text in lexicon.language.units
            clause += 1
            sentence += token.text in ENDS and not (abbreviated and _goes_on(tokens, n))
        elif token.text in joins and _noun_ahead(tokens, named, n):
            clause += 1
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
    for n, parts in enumerate(named):
        if not parts:
            continue
        in_clause = [noun for noun in found if clause[noun.at] == clause[n]]
        before = [tokens[m].text for m in range(n - 1, max(-1, n - 4), -1) if clause[m] == clause[n]]
        lead = next((text for text in before if text not in language.lists["articles_and_owners"]), "")
        is_object = lead in language.lists["prepositions"] and bool(in_clause or _spoken_before(tokens, clause, n))
        earlier = [noun for noun in found if sentence[noun.at] == sentence[n] and not noun.is_object]
        if earlier and "cone" in earlier[-1].parts and parts & {"scale", "awl"}:
            parts = frozenset({"cone"})  # the scales and prickles of the cones that were named before
        denied = any(text in language.lists["deny"] for text in before[:3])
        found.append(Noun(n, parts, is_object, denied))
    return tuple(found)


def _spoken_before(tokens: Sequence[Token], clause: Sequence[int], n: int) -> bool:
    """Two words or more stand before the preposition in the clause: "all the way round the twig"."""
    return sum(1 for m in range(n) if clause[m] == clause[n] and tokens[m].kind != "mark") >= 3
