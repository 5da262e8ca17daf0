"""What confirmed identifications teach: how often people misread a character, and what their words are worth.

A reading is wrong where the plant shows none of the states that were said. Where the plant shows more than one state,
nobody can tell, so the reading counts in shares: P(misread | said, plant) under the rate that comes out in the end.

The rate is the mean of a Beta posterior (Gelman et al., Bayesian Data Analysis, 3rd ed., 2.4): with a prior that counts
like `strength` readings at the shipped rate e, rate = (strength · e + wrong) / (strength + wrong + right). Where some
states are misread more than others, a sample full of these would look like worse eyes. So wrong readings are held
against those that the shipped table expects of the same plants,
rate = e · (strength · e + wrong) / (strength · e + expected); with equal slips both are the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import floor, fsum

import numpy as np
from numpy.typing import NDArray

from chatkey.identify import Table, build_table, readings
from chatkey.identify.answer import leaves_of
from chatkey.identify.table import Array
from chatkey.knowledge import Knowledge
from chatkey.knowledge.learned import LONGEST_PHRASE, as_yaml, highest_rate, mean_slip, same_words, taught
from chatkey.knowledge.model import Language, Learned, LearnedError, LearnedPhrase
from chatkey.terms import Claim

ROUNDS = 500
SETTLED = 1e-9
LEAST = 1e-9  # a misreading that no table foresees is a misreading still
BARE = ("yes", "no", "either", "and_words", "choice_marks", "all_of_them", "none_of_them", "polite", "little_words")
Tried = Callable[[Knowledge, int], Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A plant that a steward is sure of (a leaf, group, genus or family), and all that was said of it."""

    taxon: str
    claims: tuple[Claim, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """One reading of a plant that is known. `shown`, (S,): P(state | plant); `said`, (S,): True where it was said."""

    verdict: int
    character: str
    words: str
    guess: float  # share of blind guesses, from a hedge
    shown: Array
    said: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """All readings of one character with the rate that fits them. `wrong`, `right`: (n,) shares of each reading."""

    reads: tuple[_Read, ...]
    rate: float
    wrong: Array
    right: Array
    due: Mapping[tuple[bool, ...], float]  # what was said -> share of wrong ones among it that the rate foresees


def learn(knowledge: Knowledge, verdicts: Sequence[Confirmed], date: str) -> Learned:
    """What these verdicts teach beside the shipped errors; what was learned before plays no part. `date`: YYYY-MM-DD.

    The order of the verdicts does not matter. Lengths and denials teach nothing, nor do plants that a steward could
    only place in a set that does not show one and the same.
    """
    shipped = taught(knowledge, Learned())
    table = build_table(shipped)
    numbers = knowledge.numbers["learning"]
    bare = _bare(knowledge.language)
    reads: dict[str, list[_Read]] = {}
    for n, verdict in enumerate(verdicts):
        for read in _reads(table, n, verdict, bare):
            reads.setdefault(read.character, []).append(read)
    judged = [_judged(table, tuple(reads[id])) for id in shipped.characters if id in reads]
    errors = {
        one.reads[0].character: LearnedError(one.rate, _count(one.wrong), _count(one.right))
        for one in judged
        if len({read.verdict for read in one.reads}) >= numbers["least_verdicts"]
    }
    if not verdicts:
        return Learned()
    return Learned(date, len(verdicts), errors, _phrases(judged, numbers))


def effect(old: Knowledge, learned: Learned, finders: int, figures: Tried) -> dict[str, tuple[float, float]]:
    """The figures of a trial before and after, by name; `figures` runs one with so many finders."""
    mark = hashlib.sha256(f"{old.hash}\0{as_yaml(learned)}".encode()).hexdigest()[:12]
    before, after = figures(old, finders), figures(replace(taught(old, learned), hash=mark), finders)
    return {name: (before[name], after[name]) for name in before}


def _reads(table: Table, n: int, verdict: Confirmed, bare: Collection[str]) -> list[_Read]:
    """The readings of a verdict that can be judged."""
    known = table.knowledge.characters
    claims = [claim for claim in verdict.claims if _is_known(table.knowledge, claim)]
    found = []
    for claim in (claim for reading in readings(table, claims) for claim in reading.claims if not claim.negated):
        shown = _shown(table, verdict.taxon, claim.character)
        if shown is None or known[claim.character].derive or not mean_slip(known[claim.character]):
            continue
        said = np.array([state in claim.states for state in known[claim.character].states])
        guess = table.knowledge.numbers["evidence"]["hedge"] * claim.hedge
        found.append(_Read(n, claim.character, _words(claim.text, bare), guess, shown, said))
    return found


def _is_known(knowledge: Knowledge, claim: Claim) -> bool:
    """Whether it says states that are still known: a record may be older than the knowledge."""
    character = knowledge.characters.get(claim.character)
    return character is not None and bool(claim.states) and set(claim.states) <= set(character.states)


def _shown(table: Table, taxon: str, name: str) -> Array | None:
    """P(state | plant), (S,), where all leaves that it may be show the same; None where not, or where it is unknown."""
    states, c = table.knowledge.characters[name].states, table.order[name]
    found: list[Array] = []
    for leaf in leaves_of(table.knowledge, taxon):
        cell = table.knowledge.taxa[leaf].cells.get(name)
        if cell is None or not cell.weights or not table.applies[table.row(leaf), c]:
            return None
        found.append(np.array([cell.weights.get(state, 0.0) for state in states]))
    alike = all(np.allclose(found[0], one) for one in found)
    return found[0] if found and alike else None


def _judged(table: Table, reads: tuple[_Read, ...]) -> _Judged:
    """The rate of one character. It and the shares depend on each other, so they are worked out in turn (EM)."""
    character = table.knowledge.characters[reads[0].character]
    numbers = table.knowledge.numbers["learning"]
    mean, hearing = mean_slip(character), table.hearing[character.id]
    slip = hearing - np.diag(np.diag(hearing))  # (S, S): P(heard | true) of the slips alone
    shown, said = np.array([one.shown for one in reads]), np.array([one.said for one in reads])  # (n, S)
    guess = np.array([one.guess for one in reads])  # (n,)
    fits, misses = _ways(shown, said, slip)
    foreseen = shown @ slip.sum(axis=0)  # (n,): P(any slip | plant) as shipped
    blind = said @ hearing.mean(axis=1)  # (n,): P(said | a blind guess)
    bounds = numbers["least_rate"], highest_rate(character, numbers["most_rate"])
    scale = 1.0  # of all slips
    for _ in range(ROUNDS):
        wrong, right = _shares(scale, fits, misses, guess, blind)
        expected = fsum((wrong + right) * foreseen)
        before, prior = scale, numbers["strength"] * mean
        rate = mean * (prior + fsum(wrong)) / (prior + expected)
        scale = min(max(rate, bounds[0]), bounds[1]) / mean
        if abs(scale - before) < SETTLED:
            break
    due = {}
    for key in {tuple(row) for row in said.tolist()}:
        fit, miss = _ways(shown, np.array([key] * len(reads)), slip)
        due[key] = fsum(scale * miss) / fsum(scale * miss + fit[0] - scale * fit[1])
    return _Judged(reads, _rounded(scale * mean, *bounds), wrong, right, due)


def _ways(shown: Array, said: NDArray[np.bool_], slip: Array) -> tuple[tuple[Array, Array], Array]:
    """How likely the said is where it is so and where it is not, (n,) each.

    Where it is so: P(shown) and, of that, the slip to something else as shipped. Where not: the slip to it as shipped.
    """
    to_said = said @ slip  # (n, S): P(slip into what was said | true)
    away = slip.sum(axis=0) - to_said
    so = shown * said
    return (so.sum(axis=1), (so * away).sum(axis=1)), np.maximum((shown * ~said * to_said).sum(axis=1), LEAST)


def _shares(scale: float, fits: tuple[Array, Array], misses: Array, guess: Array, blind: Array) -> tuple[Array, Array]:
    """P(misread | said) and P(read right | said) of each reading, (n,) each; the rest was guessed."""
    wrong = (1 - guess) * scale * misses
    right = (1 - guess) * (fits[0] - scale * fits[1])
    total = wrong + right + guess * blind
    return wrong / total, right / total


def _phrases(judged: Sequence[_Judged], numbers: Mapping[str, float]) -> dict[str, LearnedPhrase]:
    """Words by what they are worth: how often their character is read right, less what they are wrong beyond their due.

    Some states are heard wrongly more than others whatever the words; that is the table's business, not the words'.
    """
    found: dict[str, list[tuple[int, float, float, float, float]]] = {}  # verdict, wrong, right, due, rate
    for one in judged:
        for read, wrong, right in zip(one.reads, one.wrong.tolist(), one.right.tolist(), strict=True):
            if read.words:
                due = one.due[tuple(read.said.tolist())]
                found.setdefault(read.words, []).append((read.verdict, wrong, right, due, one.rate))
    strength = numbers["phrase_strength"]
    learned = {}
    for words in sorted(found):
        verdicts, wrongs, rights, dues, rates = zip(*found[words], strict=True)
        if len(set(verdicts)) < numbers["phrase_least"]:
            continue
        due, usual = fsum(dues) / len(dues), 1 - fsum(rates) / len(rates)
        share = (strength * due + fsum(wrongs)) / (strength + fsum(wrongs) + fsum(rights))
        reliability = round(min(max(usual - (share - due), 0.0), 1.0), 3)
        learned[words] = LearnedPhrase(reliability, round(fsum(wrongs), 1), round(fsum(rights), 1))
    return learned


def _bare(language: Language) -> frozenset[str]:
    """Words that pick a choice and say nothing by themselves."""
    bare = {word for name in BARE for said in language.lists.get(name, ()) for word in said.split()}
    counted = {word for name in ("ordinals", "letters", "numbers") for word in language.numbers.get(name, {})}
    return frozenset(bare | counted)


def _words(text: str, bare: Collection[str]) -> str:
    """The words in one form; "" for the key of a choice, a bare yes or what is too long to be said twice."""
    words = same_words(text)
    says = [word for word in words.split() if word.strip(".,;:!?()#") not in bare and sum(map(str.isalpha, word)) > 1]
    return words if says and words.isprintable() and len(words) <= LONGEST_PHRASE else ""


def _count(shares: Array) -> float:
    return round(fsum(shares.tolist()), 1)


def _rounded(rate: float, least: float, most: float) -> float:
    """To three places, as the file holds it, and never past its bounds."""
    return min(max(round(rate, 3), least), floor(1000 * most) / 1000)
