"""The phrases of one language, ready to be found: which character and state each can mean."""

from __future__ import annotations

import re
import sys
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from chatkey.knowledge.model import Knowledge, Language
from chatkey.understand.likeness import Hints, build_hints
from chatkey.understand.normalise import Token, normalise, stem

K = TypeVar("K")
Rows = tuple[tuple[tuple[str, ...], tuple[K, ...]], ...]  # the words of a phrase, and what they stand for
Table = Mapping[tuple[str, ...], Rows[K]]  # rows by their first two words, those of one word by it

NO_CONTENT = ("prepositions", "and_words", "articles", "small_words", "clause_breaks", "copulas")
MOST_OF_A_TERM = 3  # characters that a word may stand with to be asked about
MOST_TURNED = 5  # words of a phrase that may stand in any order


@dataclass(frozen=True, slots=True)
class Meaning:
    """One thing a phrase can mean: a state of a character, or a class of its lengths."""

    character: str
    state: str
    with_part: bool = False  # only where the part is named or the question is pending
    asked_only: bool = False  # a choice's label: only where its question is pending


# A run of words that signals an intent, with intent and subject. None stands for up to four other words, a set for any
# of its words. A plain tuple: there are tens of thousands, and tuples load faster than objects.
Pattern = tuple[tuple[str | frozenset[str] | None, ...], str, str]


@dataclass(frozen=True, slots=True)
class Lexicon:
    """Phrases by their first one or two words. Words are normalised, stemmed and without fillers."""

    language: Language
    phrases: Table[Meaning]
    alike: Mapping[str, str]  # a word -> the one that stands for all of like meaning
    alike_phrases: Table[Meaning]  # the same in such words
    bags: Mapping[str, Rows[Meaning]]  # by rarest word: any order will do
    idle: Table[str]  # set phrases that say nothing of a plant
    names: Table[str]  # -> taxa and groups so called
    name_words: frozenset[str]  # words of plant names of one word and more ("pine", "cedar")
    also_called: Mapping[tuple[str, ...], tuple[str, ...]]  # a name -> others that are so called, misleadingly
    patterns: Mapping[tuple[str, str], tuple[Pattern, ...]]  # by the first word and the second, "" where it is no word
    wholes: Mapping[tuple[str, ...], tuple[tuple[str, str], ...]]  # whole message -> (intent, subject)
    health_signs: Mapping[str, tuple[str, ...]]  # as in the language, normalised
    terms: Mapping[str, tuple[str, ...]]  # a word of a label or a name -> the characters it stands with
    hints: Hints  # which words are said in which intent
    fillers: frozenset[str]
    little: frozenset[str]  # fillers, and the words of denials, doubts and joints: they stand beside any fact
    part_nouns: Mapping[str, frozenset[str]]  # a noun of one word -> the parts it names
    part_phrases: Mapping[
        str, tuple[tuple[tuple[str, ...], str], ...]
    ]  # nouns of several, with their part, by the first
    vocabulary: tuple[str, ...]  # what a misspelt word can be mended to, commonest first
    known: frozenset[str]

    def is_filler(self, token: Token) -> bool:
        return token.kind == "word" and token.text in self.fillers


def build_lexicon(knowledge: Knowledge) -> Lexicon:
    """The lexicon of the knowledge's language."""
    language = knowledge.language
    fillers = frozenset(
        word for phrase in language.lists["fillers"] if len(words := phrase.split()) == 1 for word in words
    )
    meanings: dict[tuple[str, ...], dict[Meaning, None]] = defaultdict(dict)
    joints = _joints(language)
    for character in knowledge.characters.values():
        for state, said in character.words.states.items():
            for meaning, phrases in (
                (Meaning(character.id, state), said.words),
                (Meaning(character.id, state, with_part=True), said.with_part),
                (Meaning(character.id, state, asked_only=True), (said.label, said.echo, *said.when_asked)),
            ):
                for phrase in phrases:
                    meanings[_key(phrase, language, fillers, joints)].setdefault(meaning)
    meanings.pop((), None)
    names, also = _named(knowledge, language)
    nouns: dict[str, set[str]] = defaultdict(set)
    for part, given in language.parts.items():
        for noun in given:
            if " " not in noun:
                nouns[stem(noun, language)].add(part)
    long_nouns = tuple(
        (tuple(stem(word, language) for word in noun.split()), part)
        for part, given in language.parts.items()
        for noun in given
        if " " in noun
    )
    patterns, wholes = _intents(language)
    known = _known_words(language, patterns, meanings, names, nouns, wholes)
    counts = Counter(word for words in (*meanings, *names) for word in words)
    alike = {stem(word, language): first for first, words in language.alike.items() for word in words}
    in_alike = _in_alike_words(meanings, alike)
    denials = {word for phrase in (*language.lists["deny"], *language.lists["deny_after"]) for word in phrase.split()}
    little = (
        denials | set(fillers).union(*(language.lists[name] for name in NO_CONTENT)) | set(language.numbers["numbers"])
    )
    turnable = {words: given for words, given in in_alike.items() if not any(w in little or w.isdigit() for w in words)}
    return Lexicon(
        language=language,
        phrases=_by_first(meanings),
        alike=alike,
        alike_phrases=_by_first(in_alike),
        bags=_by_rarest(turnable),
        idle=_by_first({_texts(phrase, language): {"": None} for phrase in language.lists["says_nothing"]}),
        health_signs={
            sign: tuple(" ".join(_texts(phrase, language)) for phrase in phrases)
            for sign, phrases in language.health_signs.items()
        },
        names=_by_first(names),
        name_words=frozenset(word for words in names for word in words),
        also_called=also,
        patterns=patterns,
        wholes=wholes,
        terms=_terms(knowledge, fillers),
        hints=build_hints(language, [words for words, given in meanings.items() if _is_said(given)]),
        fillers=fillers,
        little=frozenset(_little_words(language, fillers)),
        part_nouns={noun: frozenset(parts) for noun, parts in nouns.items()},
        part_phrases=_by_first_word(long_nouns),
        vocabulary=tuple(sorted((word for word in known if len(word) >= 4), key=lambda word: (-counts[word], word))),
        known=known,
    )


def _is_said(given: Mapping[Meaning, None]) -> bool:
    """Some meaning holds where no question waits."""
    return any(not meaning.asked_only for meaning in given)


def _little_words(language: Language, fillers: frozenset[str]) -> set[str]:
    lists = ("deny", "deny_after", "either", "and_words", "articles", "clause_breaks", "sure", "correction", "polite")
    phrases = [*fillers, *language.numbers["hedge"], *(phrase for name in lists for phrase in language.lists[name])]
    return {word for phrase in phrases for word in phrase.split()}


def _terms(knowledge: Knowledge, fillers: frozenset[str]) -> dict[str, tuple[str, ...]]:
    """The words that questions and choices are made of, for those who ask what one means; the rare ones only."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    plain = fillers | set(knowledge.language.lists["ignore"]) | set(knowledge.language.lists["prepositions"])
    for character in knowledge.characters.values():
        said = character.words.states.values()
        for text in (character.words.name, *(state.label for state in said), *(state.echo for state in said)):
            for token in normalise(text, knowledge.language):
                if token.kind == "word" and token.text not in plain:
                    found[token.stem][character.id] = None
    return {word: tuple(names) for word, names in found.items() if len(names) <= MOST_OF_A_TERM}


def _texts(phrase: str, language: Language) -> tuple[str, ...]:
    return tuple(token.text for token in normalise(phrase, language))


def key(phrase: str, language: Language, fillers: frozenset[str]) -> tuple[str, ...]:
    """The words of a phrase as looked up: normalised, stemmed, fillers dropped (unless one word or none is left)."""
    return _key(phrase, language, fillers, _joints(language))


def _joints(language: Language) -> frozenset[str]:
    """Words that join others: a phrase may not begin or end with one for want of a filler."""
    return frozenset(word for name in ("prepositions", "and_words", "clause_breaks") for word in language.lists[name])


def _key(phrase: str, language: Language, fillers: frozenset[str], joints: frozenset[str]) -> tuple[str, ...]:
    tokens = [token for token in normalise(phrase, language) if token.kind != "mark"]
    kept = tuple([sys.intern(token.stem) for token in tokens if token.text not in fillers])
    if len(kept) == len(tokens):
        return kept
    cut = len(kept) < 2 or kept[0] in joints or kept[-1] in joints  # "on it" is more than "on"
    if cut or all(word in joints or word.isdigit() for word in kept):
        return tuple([sys.intern(token.stem) for token in tokens])
    return kept


def _named(
    knowledge: Knowledge, language: Language
) -> tuple[dict[tuple[str, ...], dict[str, None]], dict[tuple[str, ...], tuple[str, ...]]]:
    """Names to what they can mean, and to what else is so called. A name of its own wins over a misleading one, a genus
    over its species."""
    own: dict[tuple[str, ...], dict[str, None]] = defaultdict(dict)
    misleading: dict[tuple[str, ...], dict[str, None]] = defaultdict(dict)
    for id, taxon in knowledge.taxa.items():
        names = taxon.names
        for call in (names.common, names.plural, *names.also, taxon.name, *taxon.synonyms):
            own[key(call.replace("×", "x"), language, frozenset())][id] = None
        for call in names.misleading:
            misleading[key(call, language, frozenset())][id] = None
    for id, group in knowledge.groups.items():
        for call in (group.names.common, group.names.plural, *group.names.also):
            own[key(call, language, frozenset())].setdefault(id)
    also = {words: tuple(ids) for words, ids in misleading.items() if words in own}
    for words, ids in misleading.items():
        if words not in own:
            own[words].update(ids)
    own.pop((), None)
    return {words: dict.fromkeys(_widest(knowledge, tuple(ids))) for words, ids in own.items()}, also


def _widest(knowledge: Knowledge, ids: tuple[str, ...]) -> list[str]:
    """The ids without those that stand under another of them."""
    return [id for id in ids if id in knowledge.groups or not set(knowledge.lineage(id)[1:]) & set(ids)]


def _intents(
    language: Language,
) -> tuple[dict[tuple[str, str], tuple[Pattern, ...]], dict[tuple[str, ...], tuple[tuple[str, str], ...]]]:
    patterns: dict[tuple[str, str], list[Pattern]] = defaultdict(list)
    wholes: dict[tuple[str, ...], dict[tuple[str, str], None]] = defaultdict(dict)
    sets = {name: frozenset(word for word in words if " " not in word) for name, words in language.sets.items()}
    for phrases in language.intents:
        for phrase in phrases.whole:
            tokens = normalise(phrase, language)
            words = tuple(token.text for token in tokens if token.kind != "mark") or tuple(
                token.text for token in tokens
            )
            wholes[words][(phrases.intent, phrases.subject)] = None
        for phrase in phrases.anywhere:
            run = _pattern_words(phrase, language, sets)
            if not run:
                continue
            pattern = (tuple(run), phrases.intent, phrases.subject)
            second = run[1] if len(run) > 1 and isinstance(run[1], str) else ""
            for first in (run[0],) if isinstance(run[0], str) else (run[0] or ()):
                patterns[first, second].append(pattern)
    return {words: tuple(found) for words, found in patterns.items()}, {k: tuple(v) for k, v in wholes.items()}


def _pattern_words(
    phrase: str, language: Language, sets: Mapping[str, frozenset[str]]
) -> list[str | frozenset[str] | None]:
    """The words of a pattern: None for a *, a set for {animal}; no * at either end."""
    run: list[str | frozenset[str] | None] = []
    for piece in re.split(r"(\*|\{\w+\})", phrase):
        if piece == "*":
            run.append(None)
        elif piece.startswith("{"):
            run.append(sets.get(piece[1:-1], frozenset()))
        else:
            run += [token.text for token in normalise(piece, language) if token.kind != "mark"]
    while run and run[0] is None:
        run.pop(0)
    while run and run[-1] is None:
        run.pop()
    return run


def _by_first_word(
    nouns: Sequence[tuple[tuple[str, ...], str]],
) -> dict[str, tuple[tuple[tuple[str, ...], str], ...]]:
    out: dict[str, list[tuple[tuple[str, ...], str]]] = defaultdict(list)
    for words, part in nouns:
        out[words[0]].append((words, part))
    return {first: tuple(rows) for first, rows in out.items()}


def _by_first(
    found: Mapping[tuple[str, ...], Mapping[K, None]],
) -> dict[tuple[str, ...], Rows[K]]:
    out: dict[tuple[str, ...], list[tuple[tuple[str, ...], tuple[K, ...]]]] = defaultdict(list)
    for words, values in found.items():
        out[words[:2]].append((words, tuple(values)))
    return {first: tuple(sorted(rows, key=lambda row: -len(row[0]))) for first, rows in out.items()}


def _in_alike_words(
    meanings: Mapping[tuple[str, ...], Mapping[Meaning, None]], alike: Mapping[str, str]
) -> dict[tuple[str, ...], dict[Meaning, None]]:
    """The phrases of two words and more in the words that stand for all of like meaning. What thereby comes to mean two
    things is left out: it is heard only as it is written."""
    found: dict[tuple[str, ...], dict[Meaning, None]] = defaultdict(dict)
    for words, given in meanings.items():
        if len(words) > 1:
            found[tuple(alike.get(word, word) for word in words)].update(
                {meaning: None for meaning in given if not meaning.asked_only}
            )
    return {words: given for words, given in found.items() if len({(m.character, m.state) for m in given}) == 1}


def _by_rarest(
    found: Mapping[tuple[str, ...], Mapping[Meaning, None]],
) -> dict[str, tuple[tuple[tuple[str, ...], tuple[Meaning, ...]], ...]]:
    """Sets of two to five words by the one that stands in fewest phrases; a set that means two things is left out."""
    counts = Counter(word for words in found for word in words)
    sets: dict[tuple[str, ...], dict[Meaning, None]] = defaultdict(dict)
    for words, given in found.items():
        if len(words) <= MOST_TURNED and len(set(words)) == len(words):
            sets[tuple(sorted(words))].update(given)
    out: dict[str, list[tuple[tuple[str, ...], tuple[Meaning, ...]]]] = defaultdict(list)
    for words, given in sets.items():
        if len({(meaning.character, meaning.state) for meaning in given}) == 1:
            out[min(words, key=lambda word: (counts[word], word))].append((words, tuple(given)))
    return {word: tuple(rows) for word, rows in out.items()}


def _known_words(
    language: Language, patterns: Mapping[tuple[str, str], tuple[Pattern, ...]], *sources: object
) -> frozenset[str]:
    """Every word that means something to us: these are never taken for misspellings of others."""
    words: set[str] = set()
    for source in sources:
        if isinstance(source, Mapping):
            for name in source:
                words.update([name] if isinstance(name, str) else name)
    words.update(w for rows in patterns.values() for run, _, _ in rows for w in run if isinstance(w, str))
    texts: list[Sequence[str]] = [*language.lists.values(), *language.bounds.values(), *language.cues.values()]
    texts += [
        list(table)
        for table in (*language.numbers.values(), *language.texts.values(), language.units, language.fractions)
    ]
    texts += [list(table.values()) for table in language.texts.values()]
    texts += [*language.sets.values(), *language.alike.values()]
    texts += [thing.words for thing in language.things] + [language.not_units_before]
    words.update(word for phrases in texts for phrase in phrases for word in phrase.lower().split())
    return frozenset(words | {stem(word, language) for word in words})


def find_names(lexicon: Lexicon, name: str) -> tuple[str, ...]:
    """The taxa and groups that a whole text names, or ()."""
    words = key(name.replace("×", "x"), lexicon.language, frozenset())
    return next((ids for known, ids in lexicon.names.get(words[:2], ()) if known == words), ())
