"""The phrases of one language, ready to be found: which character and state each can mean."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from chatkey.knowledge.model import Knowledge, Language
from chatkey.understand.normalise import Token, normalise, stem

K = TypeVar("K")


@dataclass(frozen=True, slots=True)
class Meaning:
    """One thing a phrase can mean: a state of a character, or a class of its lengths."""

    character: str
    state: str
    with_part: bool = False  # only where the part is named or the question is pending
    asked_only: bool = False  # a choice's label: only where its question is pending


@dataclass(frozen=True, slots=True)
class Pattern:
    """A run of words that signals an intent; None stands for up to four other words."""

    words: tuple[str | None, ...]
    intent: str
    subject: str


@dataclass(frozen=True, slots=True)
class Lexicon:
    """Phrases by their first word. Words are normalised, stemmed and without fillers."""

    language: Language
    phrases: Mapping[str, tuple[tuple[tuple[str, ...], tuple[Meaning, ...]], ...]]  # first word -> longest first
    names: Mapping[str, tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]]  # -> taxa and groups so called
    patterns: Mapping[str, tuple[Pattern, ...]]
    wholes: Mapping[tuple[str, ...], tuple[tuple[str, str], ...]]  # whole message -> (intent, subject)
    fillers: frozenset[str]
    parts: Mapping[str, str]  # noun -> part
    part_nouns: Mapping[str, frozenset[str]]
    vocabulary: tuple[str, ...]
    known: frozenset[str]

    def is_filler(self, token: Token) -> bool:
        return token.kind == "word" and token.text in self.fillers


def build_lexicon(knowledge: Knowledge) -> Lexicon:
    """The lexicon of the knowledge's language."""
    language = knowledge.language
    fillers = frozenset(word for phrase in language.lists["fillers"] if len(words := phrase.split()) == 1 for word in words)
    meanings: dict[tuple[str, ...], dict[Meaning, None]] = defaultdict(dict)
    for character in knowledge.characters.values():
        for state, said in character.words.states.items():
            for phrase in said.words:
                meanings[key(phrase, language, fillers)][Meaning(character.id, state)] = None
            for phrase in said.with_part:
                meanings[key(phrase, language, fillers)][Meaning(character.id, state, with_part=True)] = None
            for phrase in (said.label, said.echo):
                meanings[key(phrase, language, fillers)].setdefault(Meaning(character.id, state, asked_only=True))
    meanings.pop((), None)
    names: dict[tuple[str, ...], dict[str, None]] = defaultdict(dict)
    for id, called in _names(knowledge):
        names[key(called, language, frozenset())][id] = None
    names.pop((), None)
    nouns = {stem(noun): part for part, given in language.parts.items() for noun in given if " " not in noun}
    by_part = {part: frozenset(stem(n) for n in given if " " not in n) for part, given in language.parts.items()}
    patterns, wholes = _intents(language)
    known = _known_words(language, meanings, names, nouns, patterns, wholes)
    return Lexicon(
        language=language,
        phrases=_by_first(meanings),
        names=_by_first(names),
        patterns=patterns,
        wholes=wholes,
        fillers=fillers,
        parts=nouns,
        part_nouns=by_part,
        vocabulary=tuple(sorted(word for word in known if len(word) >= 4)),
        known=known,
    )


def key(phrase: str, language: Language, fillers: frozenset[str]) -> tuple[str, ...]:
    """The words of a phrase as they are looked up: normalised, stemmed, fillers dropped (unless nothing else is left)."""
    tokens = [token for token in normalise(phrase, language) if token.kind != "mark"]
    kept = tuple(stem(token.text) for token in tokens if token.text not in fillers)
    return kept or tuple(stem(token.text) for token in tokens)


def _names(knowledge: Knowledge) -> list[tuple[str, str]]:
    found = []
    for id, taxon in knowledge.taxa.items():
        names = taxon.names
        calls = [names.common, names.plural, *names.also, *names.french, *names.spanish, taxon.name, *taxon.synonyms]
        found += [(id, call.replace("×", "x")) for call in calls if call]
    for id, group in knowledge.groups.items():
        names = group.names
        found += [(id, call) for call in (names.common, names.plural, *names.also) if call]
    for id, taxon in knowledge.taxa.items():
        found += [(id, call) for call in taxon.names.misleading if call]
    return found


def _intents(
    language: Language,
) -> tuple[dict[str, tuple[Pattern, ...]], dict[tuple[str, ...], tuple[tuple[str, str], ...]]]:
    patterns: dict[str, list[Pattern]] = defaultdict(list)
    wholes: dict[tuple[str, ...], dict[tuple[str, str], None]] = defaultdict(dict)
    for phrases in language.intents:
        for phrase in phrases.whole:
            words = tuple(token.text for token in normalise(phrase, language) if token.kind != "mark")
            if words:
                wholes[words][(phrases.intent, phrases.subject)] = None
        for phrase in phrases.anywhere:
            run: list[str | None] = []
            for piece in phrase.split("*"):
                run += [token.text for token in normalise(piece, language) if token.kind != "mark"]
                run.append(None)
            run.pop()
            while run and run[0] is None:
                run.pop(0)
            while run and run[-1] is None:
                run.pop()
            if run and run[0] is not None:
                patterns[run[0]].append(Pattern(tuple(run), phrases.intent, phrases.subject))
    return {word: tuple(found) for word, found in patterns.items()}, {k: tuple(v) for k, v in wholes.items()}


def _by_first(
    found: Mapping[tuple[str, ...], Mapping[K, None]],
) -> dict[str, tuple[tuple[tuple[str, ...], tuple[K, ...]], ...]]:
    out: dict[str, list[tuple[tuple[str, ...], tuple[K, ...]]]] = defaultdict(list)
    for words, values in found.items():
        out[words[0]].append((words, tuple(values)))
    return {first: tuple(sorted(rows, key=lambda row: -len(row[0]))) for first, rows in out.items()}


def _known_words(language: Language, *sources: object) -> frozenset[str]:
    """Every word that means something to us: these are never taken for misspellings of others."""
    words: set[str] = set()
    for source in sources:
        if isinstance(source, Mapping):
            for name, value in source.items():
                words.update([name] if isinstance(name, str) else name)
                if value and isinstance(value, tuple) and isinstance(value[0], Pattern):
                    words.update(word for pattern in value for word in pattern.words if word)
    texts: list[Sequence[str]] = [*language.lists.values(), *language.bounds.values(), *language.cues.values()]
    texts += [list(table) for table in (*language.numbers.values(), *language.texts.values(), language.units, language.fractions)]
    texts += [list(table.values()) for table in language.texts.values()]
    texts += [thing.words for thing in language.things] + [language.not_units_before]
    words.update(word for phrases in texts for phrase in phrases for word in phrase.lower().split())
    return frozenset(words | {stem(word) for word in words})
