"""The store's verdicts as what learning reads: each plant with all that was said of it."""

from __future__ import annotations

import json

from chatkey.dialog.conversation import StateError, from_json
from chatkey.knowledge import Knowledge
from chatkey.store import Store
from chatkey.store.judged import JudgedTree, judged_trees
from chatkey.terms import Claim
from chatkey.trial.learning import Confirmed
from chatkey.trial.verdict_lines import claims_of


def verdicts_of(store: Store, knowledge: Knowledge) -> tuple[Confirmed, ...]:
    """Verdicts that name a plant. Words are there only while the conversation is kept; its facts stay in the record."""
    return tuple(
        Confirmed(knowledge.retired.get(tree.taxon, tree.taxon), _claims(tree, knowledge))
        for tree in judged_trees(store)
    )


def _claims(tree: JudgedTree, knowledge: Knowledge) -> tuple[Claim, ...]:
    if tree.state is not None:
        try:
            kept = from_json(json.loads(tree.state), knowledge.retired).trees
        except (StateError, ValueError):
            kept = ()  # another version's: the record has the facts
        for one in kept:
            if one.id == tree.tree and one.claims:
                return one.claims
    return claims_of(tree.claims, knowledge)
