"""From the store's records to confirmed plants: the last verdict, words while they are kept, facts ever after."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from databases import DATABASES, fresh_store
from sqlalchemy import delete, update

from chatkey.dialog import Mind
from chatkey.dialog.conversation import Conversation, Tree, to_json
from chatkey.service.thinking import tree_record
from chatkey.service.verdicts import verdicts_of
from chatkey.store import Store, queue
from chatkey.store.engine import put
from chatkey.store.inbox import next_work, receive
from chatkey.store.messages import Inbound, Letter, Thought
from chatkey.store.schema import conversations, identifications, observations
from chatkey.store.turns import finish
from chatkey.terms import Claim
from chatkey.trial.learning import Confirmed

NOW = 1_790_000_000.0
CLAIMS = (
    Claim("leaf_stiffness", ("soft",), message="1", sequence=1, text="soft as wool"),
    Claim("cones_present", ("present",), negated=True, hedge=0.4, reader="ben", message="2", sequence=2, text="cones"),
)


@pytest.fixture(params=DATABASES)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    with fresh_store(request.param, tmp_path) as opened:
        yield opened


def hand_over(store: Store, mind: Mind, number: int, claims: tuple[Claim, ...] = CLAIMS) -> queue.Given:
    """A tree of one finder, kept and waiting for a steward."""
    talk = Conversation(id="1", trees=(Tree(1, claims=claims),))
    receive(store, Inbound("sms", str(number), f"+1906555{number:04}", "soft as wool"), NOW)
    (work,) = next_work(store, (), 9)
    record = tree_record(mind, talk, 1, NOW)
    thought = Thought(work.messages[0].id, json.dumps(to_json(talk)), None, record=record, handed=((1, "asked", ""),))
    assert finish(store, work, [thought], NOW)
    return queue.waiting(store)[-1]


def judge(store: Store, mind: Mind, given: queue.Given, kind: str, taxon: str) -> None:
    record = tree_record(mind, Conversation(id="1", trees=(Tree(1, claims=CLAIMS),)), 1, NOW)
    assert record is not None
    assert given.state is not None
    verdict = {"kind": kind, "taxon": taxon, "rank": "species"}
    assert queue.answer(
        store, given, letter=Letter("Thanks."), state=given.state, tree=record, verdict=verdict, now=NOW
    )


def test_verdicts_that_name_a_plant_come_with_all_that_was_said(store: Store, mind: Mind) -> None:
    for number, (kind, taxon) in enumerate(
        [("right", "tsuga_canadensis"), ("unknowable", ""), ("none", ""), ("other", "picea")]
    ):
        judge(store, mind, hand_over(store, mind, number), kind, taxon)
    hand_over(store, mind, 9)
    assert verdicts_of(store, mind.knowledge) == (Confirmed("tsuga_canadensis", CLAIMS), Confirmed("picea", CLAIMS))


def test_the_last_verdict_on_a_tree_holds(store: Store, mind: Mind) -> None:
    judge(store, mind, hand_over(store, mind, 1), "other", "picea_glauca")
    judge(store, mind, hand_over(store, mind, 2), "other", "picea_mariana")
    with store.write() as connection:
        for observation, kind, taxon in ((1, "other", "picea_rubens"), (2, "unknowable", "")):
            row = put(
                identifications,
                observation_id=observation,
                taxon=taxon,
                rank="species",
                knowledge="",
                verdict=kind,
                at=NOW + 1,
            )
            connection.execute(row)
    assert [one.taxon for one in verdicts_of(store, mind.knowledge)] == ["picea_rubens"]


@pytest.mark.parametrize("how", ["archived", "forgotten", "of another version", "unreadable"])
def test_where_the_conversation_is_gone_the_facts_of_the_record_stay_without_words(
    store: Store, mind: Mind, how: str
) -> None:
    judge(store, mind, hand_over(store, mind, 1), "other", "picea_glauca")
    with store.write() as connection:
        if how == "forgotten":
            connection.execute(update(observations).values(conversation_id=None))
            connection.execute(delete(conversations).where(conversations.c.mark == "nobody's"))
        else:
            state = {"archived": None, "of another version": '{"version": 0}', "unreadable": "{"}[how]
            connection.execute(update(conversations).values(state=state))
    (found,) = verdicts_of(store, mind.knowledge)
    assert found.taxon == "picea_glauca"
    assert [(one.character, one.states, one.negated, one.reader) for one in found.claims] == [
        ("leaf_stiffness", ("soft",), False, "finder"),
        ("cones_present", ("present",), True, "ben"),
    ]
    assert [one.text for one in found.claims] == ["", ""]
    assert [one.hedge > 0 for one in found.claims] == [False, True]


def test_a_store_without_verdicts_has_none(store: Store, mind: Mind) -> None:
    hand_over(store, mind, 1)
    assert verdicts_of(store, mind.knowledge) == ()
