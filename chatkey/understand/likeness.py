"""What a sentence wants where no phrase for it stands in it: by the words of all phrases, as a naive Bayes classifier.

Weights are log-odds of a word (or two in a row) in the phrases of one intent against those of all (Manning, Raghavan
and Schütze, Introduction to Information Retrieval, 2008, chapter 13: multinomial naive Bayes, additive smoothing).
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from chatkey.knowledge.model import Language
from chatkey.understand.normalise import Token, normalise

SMOOTHING = 0.3  # added to each count
FEWEST = 2  # phrases that two words in a row must stand in
PAIR_WEIGHT = 0.8  # of two words in a row, beside single ones
PLAIN = "plain"  # the class of words that tell of a plant


@dataclass(frozen=True, slots=True)
class Hints:
    """`weights`: for a word or two in a row, its log-odds in the classes it is said in, and the one in all others.
    `classes`: (intent, subject), or (PLAIN, "")."""

    classes: tuple[tuple[str, str], ...]
    weights: Mapping[str, tuple[float, tuple[tuple[int, float], ...]]]
    sets: Mapping[str, str]  # a word -> the set it belongs to, "{animal}"


def build_hints(language: Language, telling: Iterable[Sequence[str]]) -> Hints:
    """The weights from the phrases of all intents and from `telling`, phrases about plants as stems."""
    sets = {word: f"{{{name}}}" for name, words in language.sets.items() for word in words if " " not in word}
    counts: dict[tuple[str, str], Counter[str]] = {}
    for phrases in language.intents:
        own = counts.setdefault((phrases.intent, phrases.subject), Counter())
        for phrase in (*phrases.whole, *phrases.anywhere):
            own.update(set(_features(_words(phrase, language, sets))))
    counts[PLAIN, ""] = Counter()
    for told in telling:
        counts[PLAIN, ""].update(set(_features([sets.get(word, word) for word in told])))
    classes = tuple(counts)
    totals = [sum(own.values()) for own in counts.values()]
    everywhere = Counter[str]()
    for own in counts.values():
        everywhere.update(own)
    features = [feature for feature, count in everywhere.items() if count >= FEWEST or " " not in feature]
    unseen = sum(SMOOTHING / (total + SMOOTHING * len(features)) for total in totals) / len(totals)
    weights = {}
    for feature in features:
        shares = {
            n: (own[feature] + SMOOTHING) / (total + SMOOTHING * len(features))
            for n, (own, total) in enumerate(zip(counts.values(), totals, strict=True))
            if own[feature]
        }
        mean = (sum(shares.values()) + unseen * (len(classes) - len(shares))) / len(classes)
        seen = tuple((n, round(math.log(share / mean), 2)) for n, share in shares.items())
        weights[feature] = (round(math.log(unseen / mean), 2), seen)
    return Hints(classes, weights, sets)


def likeliest(tokens: Sequence[Token], hints: Hints) -> tuple[tuple[str, str], float, float]:
    """The class that fits best, its score and its lead over the next intent. The score is a mean over the words."""
    words = [hints.sets.get(token.text) or hints.sets.get(token.stem) or token.stem for token in tokens]
    words = [word for token, word in zip(tokens, words, strict=True) if token.kind != "mark"]
    totals = [0.0] * len(hints.classes)
    base = 0.0
    for feature in _features(words):
        row = hints.weights.get(feature)
        if row is not None:
            factor = PAIR_WEIGHT if " " in feature else 1.0
            default, seen = row
            base += factor * default
            for n, weight in seen:
                totals[n] += factor * (weight - default)
    order = sorted(range(len(totals)), key=lambda n: -totals[n])
    best = order[0]
    rival = next(n for n in order[1:] if hints.classes[n][0] != hints.classes[best][0])
    size = math.sqrt(max(len(words), 1))
    return hints.classes[best], (base + totals[best]) / size, (totals[best] - totals[rival]) / size


def _words(phrase: str, language: Language, sets: Mapping[str, str]) -> list[str]:
    """The stems of an intent's phrase; a word of a set, and the set itself, as the set."""
    out: list[str] = []
    for piece in re.split(r"\*|(\{\w+\})", phrase):
        if piece and piece.startswith("{"):
            out.append(piece)
        elif piece and piece.strip():
            tokens = [token for token in normalise(piece.strip(), language) if token.kind != "mark"]
            out += [sets.get(token.text) or sets.get(token.stem) or token.stem for token in tokens]
    return out


def _features(words: Sequence[str]) -> list[str]:
    return [*words, *(f"{first} {second}" for first, second in pairwise(words))]
