"""How one talk ended, and what many of them come to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from chatkey.identify import Belief, best_answer, status_share
from chatkey.identify.posterior import best_rows
from chatkey.identify.table import Array
from chatkey.knowledge.status import status_in
from chatkey.trial.finders import Finder

NOT_NATIVE = ("introduced", "not recorded")
NAMED = ("species", "group")
BINS = 10  # of the reliability diagram, equal in width


@dataclass(frozen=True, slots=True)
class Outcome:
    """One finder's talk with one engine. Probabilities from 0 to 1."""

    taxon: str  # what it was
    leader: str  # the leading leaf; "" for something else
    probability: float  # of the leader
    is_right: bool
    in_three: bool
    genus_right: bool
    questions: int  # after the first message
    rank: str  # of what is said: species … not_conifer, "" for nothing
    said: float  # its probability
    said_right: bool
    status: bool | None  # whether the status said is right; None where none is said
    by_question: tuple[bool, ...] = ()  # whether the right leaf led after each question, from the first message on
    slips: tuple[tuple[float, bool], ...] = ()  # probability of a slip that was found, and whether it was one


@dataclass(frozen=True, slots=True)
class Figures:
    """Means over many talks, as shares from 0 to 1; questions a talk."""

    species: float
    top3: float
    genus: float
    questions: float
    calibration_error: float
    sure_share: float  # a species, or a group that is one name (a garden yew), named at `sure` or more
    sure_right: float
    status_share: float  # native here or not, said
    status_right: float
    group: float  # what was said, of whatever rank, is right
    said_share: float
    brier: float


def outcome_of(
    belief: Belief,
    finder: Finder,
    questions: int,
    by_question: Sequence[bool] = (),
    slips: Sequence[tuple[float, bool]] = (),
) -> Outcome:
    """What a finder is left with at the end of a talk."""
    table = belief.table
    knowledge = table.knowledge
    three = [table.taxa[row] for row in best_rows(belief.probability, 3)]
    leader, probability = three[0], float(belief.probability.max())
    if belief.something_else > probability:
        leader, probability = "", belief.something_else
    known = finder.taxon in table.rows
    answer = best_answer(belief)
    parents = set(knowledge.lineage(finder.taxon)[1:])
    status = _status_right(belief, finder)
    return Outcome(
        taxon=finder.taxon,
        leader=leader,
        probability=probability,
        is_right=leader == finder.taxon if known else leader == "",
        in_three=finder.taxon in three,
        genus_right=bool(leader) and genus_of(knowledge.lineage(leader)) == genus_of(knowledge.lineage(finder.taxon)),
        questions=questions,
        rank=answer.rank if answer else "",
        said=answer.probability if answer else 0.0,
        said_right=answer is not None and (finder.taxon in answer.members or answer.id in parents),
        status=status,
        by_question=tuple(by_question),
        slips=tuple(slips),
    )


def _status_right(belief: Belief, finder: Finder) -> bool | None:
    """Whether "native here" or "not native here" is said, and rightly; None where neither is. Said at the threshold of
    what the leaves hold together; unknown is neither."""
    if finder.place is None:
        return None
    knowledge, code = belief.table.knowledge, finder.place.code
    shares = status_share(belief, finder.place)
    native, unknown = shares.get("native", 0.0), shares.get("unknown", 0.0)
    threshold = knowledge.numbers["answer"]["status"]
    if max(native, 1 - native - unknown) < threshold:
        return None
    was = status_in(knowledge, knowledge.taxa[finder.taxon], code)
    return was == "native" if native >= threshold else was in NOT_NATIVE


def genus_of(lineage: Sequence[str]) -> str:
    """The nearest ancestor of a leaf (itself where it has none): its genus, for a species."""
    return lineage[1] if len(lineage) > 1 else lineage[0]


def figures(outcomes: Sequence[Outcome], sure: float) -> Figures:
    """The means of one engine's talks. Raises ValueError where there are none."""
    if not outcomes:
        raise ValueError("no talk was held")
    named = [one for one in outcomes if one.rank in NAMED and one.said >= sure]
    told = [one.status for one in outcomes if one.status is not None]
    p = np.array([one.probability for one in outcomes])
    right = np.array([one.is_right for one in outcomes], dtype=float)
    return Figures(
        species=float(right.mean()),
        top3=_share([one.in_three for one in outcomes]),
        genus=_share([one.genus_right for one in outcomes]),
        questions=float(np.mean([one.questions for one in outcomes])),
        calibration_error=calibration_error(p, right),
        sure_share=len(named) / len(outcomes),
        sure_right=_share([one.said_right for one in named]),
        status_share=len(told) / len(outcomes),
        status_right=_share(told),
        group=_share([one.said_right for one in outcomes]),
        said_share=_share([one.rank != "" for one in outcomes]),
        brier=float(np.mean((p - right) ** 2)),
    )


def _share(flags: Sequence[bool]) -> float:
    return float(np.mean(flags)) if flags else 0.0


def calibration_error(probability: Array, right: Array) -> float:
    """Expected calibration error over `BINS` equal bins, weighted by how many fall in each. Shapes (n,), (n,).

    Naeini, Cooper & Hauskrecht 2015 (AAAI), "Obtaining Well Calibrated Probabilities Using Bayesian Binning".
    """
    return float(sum(share * abs(said - was) for share, said, was in reliability(probability, right)))


def reliability(probability: Array, right: Array) -> list[tuple[float, float, float]]:
    """Of each bin that is not empty: the share of all talks, the mean probability said, the share that was right."""
    bins = np.minimum((np.asarray(probability) * BINS).astype(int), BINS - 1)
    found = []
    for k in range(BINS):
        inside = bins == k
        if inside.any():
            found.append((float(inside.mean()), float(probability[inside].mean()), float(right[inside].mean())))
    return found


def auc(scores: Sequence[tuple[float, bool]]) -> float:
    """Chance that a slip scores higher than an answer that was none (ties count half). NaN where one kind is missing.

    The Mann-Whitney form: Hanley & McNeil 1982, Radiology 143:29.
    """
    values = np.array([score for score, _ in scores])
    wrong = np.array([was for _, was in scores], dtype=bool)
    if not wrong.any() or wrong.all():
        return float("nan")
    order = np.argsort(values, kind="stable")
    _, first, counts = np.unique(values[order], return_index=True, return_counts=True)
    ranks = np.empty(len(values))
    ranks[order] = np.repeat(first + (counts + 1) / 2, counts)
    n = int(wrong.sum())
    return float((ranks[wrong].sum() - n * (n + 1) / 2) / (n * (len(values) - n)))


def as_json(found: Figures) -> dict[str, float]:
    """All figures by name."""
    return {name: float(value) for name, value in asdict(found).items()}
