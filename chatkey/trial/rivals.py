"""Other ways to find a plant, on the same finders: a fixed dichotomous key, a trained tree, a naive classifier."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chatkey.identify import Belief, Table, believe
from chatkey.identify.prior import prior_of
from chatkey.identify.table import Array
from chatkey.knowledge.model import Character
from chatkey.terms import Claim
from chatkey.trial.finders import Finder, World, class_of, draw_finder
from chatkey.trial.nature import draw_nature
from chatkey.trial.outcome import Outcome, outcome_of

SPECIMENS = 8000  # judged plants that the trained ones learn from: drawn from the knowledge, with the same slips
LEAST_IN_LEAF = 3
UNTOLD = 0  # the code of "can't tell"; states and classes are counted from 1
STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Couplet:
    """Two leads of the key: "the character is one of these" or not. A leaf of the key has taxa and no leads."""

    character: str
    states: frozenset[int]
    weight: float  # of the first lead, by the taxa under it
    first: Couplet | None
    second: Couplet | None
    taxa: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Rivals:
    """What the other ways need, made once from the knowledge."""

    table: Table
    key: Couplet
    tree: Any  # sklearn's DecisionTreeClassifier; None where scikit-learn is missing
    bayes: Any  # sklearn's CategoricalNB

    def hold(self, name: str, finder: Finder, first: Sequence[Claim]) -> Outcome:
        """One talk with "key", "tree" or "bayes". Facts told up front are taken as answers and cost no question."""
        told = {claim.character: code for claim in first if (code := code_of(self.table, claim)) != UNTOLD}
        hearing = _Hearing(self.table, finder, told)
        if name == "key":
            probability = self._by_key(hearing, finder.picks)
        elif name == "tree":
            probability = self._by_tree(hearing)
        else:
            row = [hearing.code(character) for character in self.table.characters]
            probability = _spread(self.bayes, self.bayes.predict_proba([row])[0], len(self.table.taxa))
        return outcome_of(_belief(self.table, probability), finder, hearing.questions)

    def _by_key(self, hearing: _Hearing, picks: dict[str, float] | Any) -> Array:
        """Down the leads; who can't tell takes the lead with more plants under it, as the odds are."""
        at = self.key
        while at.first is not None and at.second is not None:
            code = hearing.code(at.character)
            takes_first = code in at.states if code != UNTOLD else picks[at.character] < at.weight
            at = at.first if takes_first else at.second
        probability = np.zeros(len(self.table.taxa))
        probability[at.taxa] = 1 / len(at.taxa)
        return probability

    def _by_tree(self, hearing: _Hearing) -> Array:
        """Down the trained tree; each split asks about one state of one character ("is it …?")."""
        inner = self.tree.tree_
        node = 0
        while inner.children_left[node] != -1:
            character, state = self._split(int(inner.feature[node]))
            value = float(hearing.code(character) == state)
            node = int((inner.children_left if value <= inner.threshold[node] else inner.children_right)[node])
        return _spread(self.tree, inner.value[node][0] / inner.value[node][0].sum(), len(self.table.taxa))

    def _split(self, feature: int) -> tuple[str, int]:
        start = 0
        for character in self.table.characters:
            size = _answers(self.table, character) + 1
            if feature < start + size:
                return character, feature - start
            start += size
        raise IndexError(f"feature {feature} of {start}")


class _Hearing:
    """What the finder says when asked, counted: each character is asked once."""

    def __init__(self, table: Table, finder: Finder, told: dict[str, int]) -> None:
        self.table, self.finder, self.told = table, finder, dict(told)
        self.questions = 0

    def code(self, name: str) -> int:
        if name not in self.told:
            self.questions += 1
            claim = self.finder.answer(self.table.knowledge.characters[name], self.questions + 1)
            self.told[name] = UNTOLD if claim is None else code_of(self.table, claim)
        return self.told[name]


def code_of(table: Table, claim: Claim) -> int:
    """The state of a claim (or the class of its length) from 1; `UNTOLD` for a denial or several states."""
    character = table.knowledge.characters[claim.character]
    if claim.negated:
        return UNTOLD
    if claim.quantity is not None:
        if not character.classes:
            return UNTOLD
        middle = math.sqrt(claim.quantity.low * claim.quantity.high)
        return list(character.classes).index(class_of(character, middle)) + 1
    return character.states.index(claim.states[0]) + 1 if len(claim.states) == 1 else UNTOLD


def train(table: Table, world: World, seed: int, names: Sequence[str] = ("key", "tree", "bayes")) -> Rivals:
    """The key grown from the knowledge, and the trained ones from specimens of it. Raises ImportError without
    scikit-learn where a trained one is wanted."""
    tree = bayes = None
    if set(names) & {"tree", "bayes"}:
        from sklearn.naive_bayes import CategoricalNB
        from sklearn.tree import DecisionTreeClassifier

        codes, taxa = specimens(table, world, seed)
        sizes = [_answers(table, character) + 1 for character in table.characters]
        bayes = CategoricalNB(min_categories=sizes).fit(codes, taxa)
        hot = np.concatenate([np.eye(size, dtype=np.float32)[codes[:, c]] for c, size in enumerate(sizes)], axis=1)
        tree = DecisionTreeClassifier(criterion="entropy", min_samples_leaf=LEAST_IN_LEAF, random_state=seed)
        tree.fit(hot, taxa)
    return Rivals(table, grow(table, world.place), tree, bayes)


def specimens(table: Table, world: World, seed: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Judged plants drawn from the knowledge as it is: codes (n, C) and rows of the taxa (n,)."""
    random = np.random.default_rng((seed, 1_000_003))
    knowledge = table.knowledge
    learned = replace(world, perturbed=False, wrong_place=0.0)
    codes = np.zeros((SPECIMENS, len(table.characters)), dtype=np.int64)
    taxa = np.zeros(SPECIMENS, dtype=np.int64)
    nature = draw_nature(knowledge, world.place, random, perturbed=False)
    for n in range(SPECIMENS):
        if n % 50 == 0:
            nature = draw_nature(knowledge, world.place, random, perturbed=False)
        finder = draw_finder(knowledge, nature, learned, random)
        taxa[n] = table.rows[finder.taxon]
        for name in finder.looks:
            claim = finder.answer(knowledge.characters[name], 1)
            if claim is not None:
                codes[n, table.order[name]] = code_of(table, claim)
    return codes, taxa


def grow(table: Table, place: str) -> Couplet:
    """A key from the usual states of the taxa, couplet by couplet the split that tells most about the plants met."""
    usual = _usual(table)
    weight = prior_of(table, place)[:-1]
    askable = [c for c, name in enumerate(table.characters) if table.knowledge.characters[name].derive == ""]
    return _couplet(table, usual, weight, askable, np.arange(len(table.taxa)))


def _couplet(
    table: Table, usual: NDArray[np.intp], weight: Array, askable: Sequence[int], taxa: NDArray[np.intp]
) -> Couplet:
    leaf = Couplet("", frozenset(), 1.0, None, None, taxa)
    if len(taxa) == 1:
        return leaf
    best, found = 0.0, None
    share = weight[taxa] / weight[taxa].sum()
    for c in askable:
        codes = usual[taxa, c]
        if (codes == UNTOLD).any():
            continue  # a lead that does not apply to some of these plants parts nothing cleanly
        for code in np.unique(codes):
            inside = codes == code
            p = float(share[inside].sum())
            if inside.all() or not 0 < p < 1:
                continue
            bits = -p * math.log2(p) - (1 - p) * math.log2(1 - p)
            if bits > best:
                best, found = bits, (c, int(code), inside, p)
    if found is None:
        return leaf
    c, code, inside, p = found
    return Couplet(
        table.characters[c],
        frozenset([code]),
        p,
        _couplet(table, usual, weight, askable, taxa[inside]),
        _couplet(table, usual, weight, askable, taxa[~inside]),
        taxa,
    )


def _usual(table: Table) -> NDArray[np.intp]:
    """(T, C): the commonest answer of each taxon from 1; `UNTOLD` where the character does not apply."""
    found = np.zeros((len(table.taxa), len(table.characters)), dtype=np.intp)
    for c, name in enumerate(table.characters):
        found[:, c] = np.argmax(table.heard[:, table.options[name]], axis=1) + 1
    return np.where(table.applies > 0, found, UNTOLD)


def _answers(table: Table, name: str) -> int:
    character: Character = table.knowledge.characters[name]
    return len(character.states) or len(character.classes)


def _spread(model: Any, shares: Array, size: int) -> Array:
    """Probabilities over all taxa; those that were never seen in training have none."""
    found = np.zeros(size)
    found[model.classes_] = shares
    return found


def _belief(table: Table, probability: Array) -> Belief:
    """The probabilities of another way as a belief, so that all are judged by one measure."""
    return replace(believe(table, []), probability=probability, something_else=0.0)
