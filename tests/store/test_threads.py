"""Several people and several trees in one chat, and the stewards' group, on both databases."""

from __future__ import annotations

from sqlalchemy import select

from chatkey.store import Store, queue
from chatkey.store.erase import move_address
from chatkey.store.inbox import next_work, receive
from chatkey.store.messages import Carried, Inbound, Letter, Thought, TreeRecord, Waiting, Work
from chatkey.store.outbox import due, follow, mark_sent, sent_since, wait_until
from chatkey.store.schema import conversations, inbox, observations, outbox
from chatkey.store.turns import finish

GROUP, STEWARDS = "-1001", "-2002"
NOW = 1_790_000_000.0


def test_a_reply_takes_the_place_of_one_about_its_own_tree_alone(store: Store) -> None:
    for n, tree in enumerate((1, 2, 1)):
        work = came(store, str(n))
        keep(store, work, Letter(f"{n}", cautions=((f"Care {n}.", ""),), tree=tree))
    assert texts(store, "waiting") == ["1", "2"]
    (waiting,) = came(store, "9").messages
    assert waiting.text == "soft"


def test_cautions_are_carried_with_the_tree_that_they_are_about(store: Store) -> None:
    keep(store, came(store, "1"), Letter("It may be yew.", cautions=(("Treat it as yew.", "Yew."),), tree=1))
    keep(store, came(store, "2"), Letter("A pine.", tree=2))
    assert came(store, "3").carried == (Carried("Treat it as yew.", "Yew.", 1),)


def test_a_reply_to_what_was_sent_or_written_is_about_its_tree(store: Store) -> None:
    keep(store, came(store, "1", posted_as=11), Letter("Hemlock.", tree=1), tree=1)
    keep(store, came(store, "2", posted_as=13), Letter("Pine.", tree=2), tree=2)
    first, second = due(store, NOW, 9)[0].id, None
    mark_sent(store, first, NOW, 12)
    second = due(store, NOW, 9)[0].id
    mark_sent(store, second, NOW, 14)
    for number, tree in ((12, 1), (14, 2), (11, 1), (13, 2), (99, None)):
        (waiting,) = came(store, f"to {number}", about={"replies_to": number}).messages
        assert waiting.tree == tree
        keep(store, next_work(store, (), 9)[0], None)


def test_an_edit_is_of_the_message_that_its_reader_wrote_last(store: Store) -> None:
    keep(store, came(store, "1", posted_as=11), None, tree=1, about={"turn": 4})
    edited = came(store, "2", posted_as=11, about={"is_edit": True}).messages[0]
    assert (edited.is_last, edited.edits, edited.tree) == (True, "4", 1)
    keep(store, next_work(store, (), 9)[0], None)
    keep(store, came(store, "3", posted_as=15), None)
    assert not came(store, "4", posted_as=11, about={"is_edit": True}).messages[0].is_last


def test_what_the_channel_knew_is_kept_till_it_is_thought_about(store: Store) -> None:
    work = came(store, "1", about={"kind": "photo", "name": "Ana", "photo": "twig2"})
    assert work.messages[0].about["name"] == "Ana"
    keep(store, work, None, about={"photo": "twig2"})
    with store.read() as connection:
        assert connection.execute(select(inbox.c.about)).scalar_one() == {"photo": "twig2"}


def test_one_reader_is_forgotten_and_the_others_stay(store: Store) -> None:
    claims = ({"character": "leaf_feel", "reader": "ana"}, {"character": "leaf_flat", "reader": "ben"})
    for n, reader in enumerate(("ana", "ben")):
        work = came(store, str(n), reader=reader)
        keep(store, work, Letter(f"{reader}: soft.", tree=1), record=TreeRecord(1, claims, None, 5), tree=1)
        mark_sent(store, due(store, NOW, 9)[0].id, NOW, 20 + n)
    work = came(store, "9", reader="ana")
    trees = (TreeRecord(1, claims[1:], None, 5), TreeRecord(7, (), None, 5))
    keep(store, work, Letter("Forgotten.", kind="notice"), forgets_reader="ana", trees=trees)
    with store.read() as connection:
        rows = connection.execute(select(inbox.c.reader, inbox.c.text).order_by(inbox.c.id)).all()
        assert [tuple(row) for row in rows] == [("", None), ("ben", "soft"), ("", None)]
        assert connection.execute(select(observations.c.tree, observations.c.claims)).all() == [(1, [claims[1]])]
        sent = connection.scalars(select(outbox.c.text).where(outbox.c.status == "sent")).all()
    assert sent == [None, None]
    assert texts(store, "waiting") == ["Forgotten."]


def test_a_chat_that_moves_takes_its_talk_and_its_letters_along(store: Store) -> None:
    work = came(store, "1")
    keep(store, work, Letter("Hemlock."), state="{}")
    assert move_address(store, "telegram", GROUP, "-77", NOW)
    (letter,) = due(store, NOW, 9)
    assert store.seal.open("telegram", letter.sealed) == "-77"
    assert came(store, "2", address="-77").conversation == work.conversation
    assert not move_address(store, "telegram", "-55", "-66", NOW)


def test_a_chat_that_moves_to_where_another_talk_stands_leaves_that_alone(store: Store) -> None:
    old = came(store, "1").conversation
    new = receive(store, Inbound("telegram", "2", "-77", "soft"), NOW).conversation
    assert move_address(store, "telegram", GROUP, "-77", NOW)
    with store.read() as connection:
        marks = dict(connection.execute(select(conversations.c.id, conversations.c.mark)).all())
    assert marks[new] == store.seal.mark("address", "telegram", "-77")
    assert marks[old] == f"moved {old}"


def test_a_letter_waits_for_its_turn_and_that_is_no_try(store: Store) -> None:
    keep(store, came(store, "1"), Letter("Hemlock."))
    (letter,) = due(store, NOW, 9)
    wait_until(store, letter.id, NOW + 3)
    assert due(store, NOW + 2, 9) == []
    assert [one.attempts for one in due(store, NOW + 3, 9)] == [0]


def test_what_was_sent_of_late_is_known_after_a_restart(store: Store) -> None:
    keep(store, came(store, "1"), Letter("Hemlock."))
    mark_sent(store, due(store, NOW, 9)[0].id, NOW + 5, 12)
    ((at, sealed),) = sent_since(store, "telegram", NOW)
    assert (at, store.seal.open("telegram", sealed or b"")) == (NOW + 5, GROUP)
    assert sent_since(store, "telegram", NOW + 5) == []
    assert sent_since(store, "sms", NOW) == []


def test_the_stewards_are_told_once_and_their_replies_find_the_entry(store: Store) -> None:
    keep(store, came(store, "1"), None, handed=((1, "asked", ""), (1, "unsafe", "can i eat it")))
    (given,) = queue.untold(store)
    assert given.reasons == ("asked", "unsafe")
    assert queue.tell(store, given, "telegram", STEWARDS, [Letter("Entry", kind="notice")], NOW)
    assert not queue.tell(store, given, "telegram", STEWARDS, [Letter("Entry", kind="notice")], NOW)
    assert queue.untold(store) == []
    (letter,) = due(store, NOW, 9)
    assert store.seal.open("telegram", letter.sealed) == STEWARDS
    mark_sent(store, letter.id, NOW, 31)
    assert queue.told_as(store, 31) == given.id
    assert queue.told_as(store, 32) is None


def test_who_looks_at_an_entry_first_has_it(store: Store) -> None:
    keep(store, came(store, "1"), None, handed=((1, "asked", ""),))
    (given,) = queue.waiting(store)
    assert queue.take(store, given.id, "Dana") == "Dana"
    assert queue.take(store, given.id, "Eli") == "Dana"
    assert queue.entry(store, given.id).taken_by == "Dana"


def test_an_entry_shows_what_was_said_of_its_own_tree(store: Store) -> None:
    keep(store, came(store, "1"), None, tree=1)
    receive(store, Inbound("telegram", "2", GROUP, "five in a bundle"), NOW)
    keep(store, next_work(store, (), 9)[0], None, tree=2, handed=((2, "asked", ""),))
    (given,) = queue.waiting(store)
    assert [text for _, text in given.messages] == ["five in a bundle"]


def test_a_letter_follows_the_stewards_group_though_no_talk_stands_behind_it(store: Store) -> None:
    queue.note_to(store, "telegram", STEWARDS, Letter("Late.", kind="notice"), NOW)
    (letter,) = due(store, NOW, 9)
    follow(store, letter, "-88")
    assert store.seal.open("telegram", due(store, NOW, 9)[0].sealed) == "-88"


def came(store: Store, id: str, *, address: str = GROUP, reader: str = "ana", **more: object) -> Work:
    """A message of the group, kept and given out."""
    receive(store, Inbound("telegram", id, address, "soft", reader, **more), NOW)  # type: ignore[arg-type]
    return next_work(store, (), 9)[0]


def keep(store: Store, work: Work, letter: Letter | None, *, state: str | None = None, **fields: object) -> None:
    """The first message of the work is thought about."""
    message: Waiting = work.messages[0]
    assert finish(store, work, [Thought(message.id, state, letter, **fields)], NOW)  # type: ignore[arg-type]


def texts(store: Store, status: str) -> list[str]:
    with store.read() as connection:
        found = select(outbox.c.text).where(outbox.c.status == status).order_by(outbox.c.id)
        return sorted(connection.scalars(found))
