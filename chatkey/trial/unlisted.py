"""Plants that the knowledge lacks: taxa taken out one at a time, and what their finders are told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chatkey.identify import Belief, Table, best_answer, build_table
from chatkey.knowledge.model import Knowledge
from chatkey.trial.engines import our_engines, talk_of
from chatkey.trial.finders import World, finder_of, furnished
from chatkey.trial.nature import draw_nature
from chatkey.trial.outcome import NAMED
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
    for done, taxon in enumerate(drawn, 1):
        told += _told(build_table(without(knowledge, taxon)), lexicon, world, taxon, finders, random, knowledge)
        progress(done)
    kinds = [kind for kind, _ in told]
    return Unlisted(
        taxa=len(drawn),
        talks=len(told),
        something_else=kinds.count("something_else") / len(told),
        parent=kinds.count("parent") / len(told),
        nothing=kinds.count("nothing") / len(told),
        wrong_name=kinds.count("wrong") / len(told),
        sure_wrong=sum(sure for kind, sure in told if kind == "wrong") / len(told),
    )


def _told(
    table: Table,
    lexicon: Lexicon | None,
    world: World,
    taxon: str,
    finders: int,
    random: np.random.Generator,
    whole: Knowledge,
) -> Sequence[tuple[str, bool]]:
    nature = draw_nature(whole, world.place, random, perturbed=world.perturbed)
    engine = our_engines(table)["ours"]
    plain = furnished(world, table)
    wild = nature.wild[whole.leaves.index(taxon)]
    share = wild / max(wild + nature.planted[whole.leaves.index(taxon)], 1e-12)
    found = []
    for _ in range(finders):
        is_wild = bool(random.random() < share)
        finder = finder_of(whole, nature, plain, random, taxon, is_wild, world.place)
        belief = talk_of(engine, finder, first_claims(finder, whole, lexicon if world.in_words else None, plain)).belief
        found.append(_kind(whole, belief, taxon))
    return found


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
