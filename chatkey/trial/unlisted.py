"""Plants that the knowledge lacks: taxa taken out one at a time, and what their finders are told."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chatkey.identify import Belief, Table, best_answer, build_table
from chatkey.identify.evidence import likelihood
from chatkey.knowledge.model import Knowledge
from chatkey.trial.engines import our_engines, talk_of
from chatkey.trial.finders import World, finder_of, furnished
from chatkey.trial.nature import draw_nature
from chatkey.trial.outcome import NAMED, auc
from chatkey.trial.words import first_claims
from chatkey.understand import Lexicon


@dataclass(frozen=True, slots=True)
class Unlisted:
    """What finders of plants that are not in the knowledge were told. Shares from 0 to 1."""

    taxa: int
    talks: int
    something_else: float  # none of the plants I know leads
    parent: float  # a genus, family or wider set to which the plant belongs
    nothing: float  # no name at all
    wrong_name: float  # a species or group that it is not, at the threshold of saying
    sure_wrong: float  # the same, as sure
    misfit_auc: float | None  # chance that the answers fit a wrong name told as sure worse than a right one is fitted;
    # 0.5: they look alike, and no threshold could part them; None where there was none of either


def without(knowledge: Knowledge, taxon: str) -> Knowledge:
    """The knowledge without one leaf. Its genus, family and lists stay."""
    return replace(knowledge, leaves=tuple(leaf for leaf in knowledge.leaves if leaf != taxon))


def run_unlisted(
    knowledge: Knowledge,
    lexicon: Lexicon | None,
    world: World,
    taxa: int = 30,
    finders: int = 20,
    seed: int = 1,
    progress: Callable[[int], None] = lambda done: None,
) -> Unlisted:
    """Takes `taxa` leaves out, one at a time, and holds `finders` talks about each with what is left."""
    random = np.random.default_rng((seed, 3_000_017))
    conifers = [leaf for leaf in knowledge.leaves if knowledge.taxa[leaf].conifer]
    drawn = [str(one) for one in random.permutation(conifers)[:taxa]]
    told: list[tuple[str, bool]] = []
    fits: list[tuple[float, bool]] = []
    whole = build_table(knowledge)
    for done, taxon in enumerate(drawn, 1):
        pairs = _told(build_table(without(knowledge, taxon)), whole, lexicon, world, taxon, finders, random)
        for lacking, listed in pairs:
            kind, sure = _kind(knowledge, lacking, taxon)
            told.append((kind, sure))
            fits += [(misfit(lacking), True)] if kind == "wrong" and sure else []
            fits += [(misfit(listed), False)] if _is_sure_of(listed, taxon) else []
        progress(done)
    kinds = [kind for kind, _ in told]
    parted = auc(fits)
    return Unlisted(
        taxa=len(drawn),
        talks=len(told),
        something_else=kinds.count("something_else") / len(told),
        parent=kinds.count("parent") / len(told),
        nothing=kinds.count("nothing") / len(told),
        wrong_name=kinds.count("wrong") / len(told),
        sure_wrong=sum(sure for kind, sure in told if kind == "wrong") / len(told),
        misfit_auc=None if math.isnan(parted) else parted,
    )


def misfit(belief: Belief) -> float:
    """How much worse the leader explains each answer than a plant that fits it perfectly, ln, mean over the answers."""
    leader = int(np.argmax(belief.probability))
    ratios = [likelihood(belief.table, reading)[leader] / reading.heard.max() for reading in belief.readings]
    return -float(np.mean(np.log(ratios))) if ratios else 0.0


def _told(
    table: Table,
    whole: Table,
    lexicon: Lexicon | None,
    world: World,
    taxon: str,
    finders: int,
    random: np.random.Generator,
) -> Sequence[tuple[Belief, Belief]]:
    """Of each finder what is believed at the end: where the plant is not known, and where it is."""
    knowledge = whole.knowledge
    nature = draw_nature(knowledge, world.place, random, perturbed=world.perturbed)
    lacking, listing = (our_engines(one, world.channel)["ours"] for one in (table, whole))
    plain = furnished(world, table)
    row = whole.rows[taxon]
    share = nature.wild[row] / max(nature.wild[row] + nature.planted[row], 1e-12)
    found = []
    for _ in range(finders):
        is_wild = bool(random.random() < share)
        finder = finder_of(knowledge, nature, plain, random, taxon, is_wild, world.place)
        first = first_claims(finder, knowledge, lexicon if world.in_words else None, plain)
        found.append((talk_of(lacking, finder, first).belief, talk_of(listing, finder, first).belief))
    return found


def _is_sure_of(belief: Belief, taxon: str) -> bool:
    """It, or a group that holds it, is named as sure."""
    answer = best_answer(belief)
    if answer is None or answer.rank not in NAMED:
        return False
    return taxon in answer.members and answer.probability >= belief.table.knowledge.numbers["answer"]["sure"]


def _kind(whole: Knowledge, belief: Belief, taxon: str) -> tuple[str, bool]:
    """What is said at the end, and whether as sure: something_else, parent, nothing or wrong."""
    numbers = whole.numbers["answer"]
    answer = best_answer(belief)
    if belief.something_else > belief.probability.max():
        return "something_else", False
    if answer is None:
        return "nothing", False
    if answer.rank in NAMED:
        belongs = answer.id in whole.groups and taxon in whole.groups[answer.id].members
        return ("parent" if belongs else "wrong"), answer.probability >= numbers["sure"]
    belongs = answer.id in whole.lineage(taxon) or (answer.id == "not_conifer" and not whole.taxa[taxon].conifer)
    return ("parent" if belongs else "wrong"), answer.probability >= numbers["sure"]
