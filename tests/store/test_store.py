"""What the store promises, on both databases: once, in order, all or nothing."""

import json
import sqlite3
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from databases import KEY
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select

from chatkey.store import Seal, Store, StoreError, open_store, queue
from chatkey.store.engine import StoreUnavailableError, check_key
from chatkey.store.erase import Retention, archive, scrub
from chatkey.store.inbox import count_try, is_waiting, next_work, receive
from chatkey.store.messages import Carried, Inbound, Letter, Phrase, Thought, TreeRecord, Work
from chatkey.store.outbox import counts, due, give_up, mark_sent, note_opt_out, post_notice, reply_to, try_later
from chatkey.store.schema import conversations, identifications, inbox, observations, opt_outs, outbox
from chatkey.store.seal import SealError, new_key, read_key
from chatkey.store.turns import finish
from chatkey.store.upgrade import condition, differences, head, require_current, upgrade

ANA = "+19065550101"
BEN = "+19065550102"
NOW = 1_790_000_000.0


def test_a_message_delivered_twice_is_kept_once(store):
    first = receive(store, said("1", ANA, "soft"), NOW)
    second = receive(store, said("1", ANA, "soft"), NOW + 9)
    assert (first.is_new, second.is_new) == (True, False)
    assert second.id == first.id
    assert [len(work.messages) for work in next_work(store, (), 9)] == [1]


def test_the_same_id_on_another_channel_is_another_message(store):
    receive(store, said("1", ANA), NOW)
    assert receive(store, replace(said("1", ANA), channel="telegram"), NOW).is_new


def test_messages_of_one_conversation_come_in_the_order_they_were_kept(store):
    for n, at in enumerate((50, 40, 30)):  # a clock that runs back
        receive(store, said(str(n), ANA, f"word {n}"), NOW + at)
    (work,) = next_work(store, (), 9)
    assert [message.text for message in work.messages] == ["word 0", "word 1", "word 2"]


def test_who_has_waited_longest_is_first_and_what_is_in_hand_is_left_out(store):
    ana = receive(store, said("1", ANA), NOW).conversation
    ben = receive(store, said("2", BEN), NOW).conversation
    receive(store, said("3", ANA), NOW)
    assert [work.conversation for work in next_work(store, (), 9)] == [ana, ben]
    assert [work.conversation for work in next_work(store, {ana}, 9)] == [ben]
    assert [work.conversation for work in next_work(store, (), 1)] == [ana]


def test_a_turn_moves_conversation_outbox_and_record_together(store):
    work = worked(store)
    tree = TreeRecord(1, ({"character": "leaf_feel"},), {"code": "MI"}, 5, "tsuga_canadensis", "species", 0.9, "h")
    assert finish(store, work, [thought(work, "It is a hemlock.", state="{}", record=tree)], NOW + 1)
    with store.read() as connection:
        row = connection.execute(select(conversations)).one()
        seen = connection.execute(select(observations)).one()
        named = connection.execute(select(identifications)).one()
    assert (row.state, row.revision) == ("{}", 1)
    assert (seen.tree, seen.place, seen.month) == (1, {"code": "MI"}, 5)
    assert (named.taxon, named.probability, named.knowledge) == ("tsuga_canadensis", 0.9, "h")
    assert [letter.text for letter in due(store, NOW + 1)] == ["It is a hemlock."]
    assert not next_work(store, (), 9)


def test_an_identification_is_kept_again_only_when_it_changed(store):
    tree = TreeRecord(1, ({"character": "x"},), None, 5, "tsuga_canadensis", "species", 0.9, "h")
    for n, record in enumerate((tree, tree, replace(tree, probability=0.95))):
        receive(store, said(str(n), ANA), NOW)
        (work,) = next_work(store, (), 9)
        finish(store, work, [thought(work, "…", record=record)], NOW)
    with store.read() as connection:
        assert connection.scalar(select(func.count()).select_from(identifications)) == 2
        assert connection.scalar(select(func.count()).select_from(observations)) == 1


def test_the_slower_of_two_that_thought_about_the_same_changes_nothing(store):
    work = worked(store)
    assert finish(store, work, [thought(work, "first")], NOW)
    assert not finish(store, work, [thought(work, "second")], NOW)
    assert [letter.text for letter in due(store, NOW)] == ["first"]


def test_a_transaction_that_breaks_off_leaves_nothing_half_done(store):
    work = worked(store)
    broken = thought(work, "…", phrases=(Phrase("tickly", "finder", "en", None),))  # type: ignore[arg-type]
    with pytest.raises(Exception, match=r"(?i)null"):
        finish(store, work, [broken], NOW)
    assert not due(store, NOW)
    assert next_work(store, (), 9) == [work]


def test_a_reply_that_was_not_sent_yet_is_superseded_and_its_caution_is_handed_on(store):
    work = worked(store)
    finish(store, work, [thought(work, "Treat it as yew.", cautions=(("Treat it as yew.", "Yew."),))], NOW)
    receive(store, said("2", ANA), NOW)
    (work,) = next_work(store, (), 9)
    assert work.carried == (Carried("Treat it as yew.", "Yew."),)
    finish(store, work, [thought(work, "next")], NOW)
    assert [letter.text for letter in due(store, NOW)] == ["next"]
    assert counts(store) == {"superseded": 1, "waiting": 1}


def test_a_reply_that_was_sent_hands_no_caution_on(store):
    work = worked(store)
    finish(store, work, [thought(work, "Treat it as yew.", cautions=(("Treat it as yew.", ""),))], NOW)
    mark_sent(store, due(store, NOW)[0].id, NOW)
    receive(store, said("2", ANA), NOW)
    assert next_work(store, (), 9)[0].carried == ()


def test_a_notice_is_sent_before_what_comes_later_and_never_superseded(store):
    work = worked(store)
    post_notice(store, work.conversation, Letter("a steward's word", kind="notice"), NOW)
    finish(store, work, [thought(work, "reply")], NOW)
    assert [letter.text for letter in due(store, NOW)] == ["a steward's word"]
    mark_sent(store, due(store, NOW)[0].id, NOW)
    assert [letter.text for letter in due(store, NOW)] == ["reply"]


def test_a_letter_that_failed_waits_twice_as_long_each_time_and_is_given_up_after_days(store):
    work = worked(store)
    finish(store, work, [thought(work, "reply")], NOW)
    waits, now = [], NOW
    for _ in range(5):
        (letter,) = due(store, now)
        try_later(store, letter, now)
        waits.append(next(wait for wait in range(1, 700) if due(store, now + wait)))
        now += waits[-1]
    assert waits == [2, 4, 8, 16, 32]
    try_later(store, due(store, NOW + 4 * 86400)[0], NOW + 4 * 86400)
    assert counts(store) == {"failed": 1}


def test_a_clock_that_jumped_back_does_not_hold_a_letter_up(store):
    work = worked(store)
    finish(store, work, [thought(work, "reply")], NOW + 86400)
    assert [letter.text for letter in due(store, NOW)] == ["reply"]


def test_a_letter_holds_its_address_sealed_and_only_until_it_is_sent(store):
    work = worked(store)
    finish(store, work, [thought(work, "reply")], NOW)
    (letter,) = due(store, NOW)
    assert ANA.encode() not in letter.sealed
    assert store.seal.open("sms", letter.sealed) == ANA
    mark_sent(store, letter.id, NOW)
    with store.read() as connection:
        assert connection.scalar(select(outbox.c.address)) is None


def test_a_letter_that_is_refused_for_good_is_not_tried_again(store):
    work = worked(store)
    finish(store, work, [thought(work, "reply")], NOW)
    give_up(store, due(store, NOW)[0].id)
    assert not due(store, NOW + 9999)


def test_stop_empties_the_outbox_and_start_ends_the_silence(store):
    work = worked(store)
    post_notice(store, work.conversation, Letter("old news", kind="notice"), NOW)
    finish(store, work, [thought(work, "You get no more.", standing="stop")], NOW)
    assert [letter.text for letter in due(store, NOW)] == ["You get no more."]
    post_notice(store, work.conversation, Letter("news", kind="notice"), NOW)
    assert counts(store) == {"dropped": 1, "waiting": 1}
    receive(store, said("2", ANA, "START"), NOW)
    (work,) = next_work(store, (), 9)
    assert work.is_stopped
    finish(store, work, [thought(work, "Here again.", standing="start")], NOW)
    receive(store, said("3", ANA), NOW)
    assert not next_work(store, (), 9)[0].is_stopped


def test_a_gateway_that_says_stopped_is_believed_for_this_address(store):
    work = worked(store)
    finish(store, work, [thought(work, "reply")], NOW)
    note_opt_out(store, due(store, NOW)[0], ANA, NOW)
    receive(store, said("2", ANA), NOW)
    assert next_work(store, (), 9)[0].is_stopped
    assert not due(store, NOW)


def test_the_reply_to_a_message_is_found_or_the_one_that_took_its_place(store):
    first = receive(store, said("1", ANA), NOW)
    second = receive(store, said("2", ANA), NOW)
    (work,) = next_work(store, (), 9)
    thoughts = [Thought(message.id, None, Letter(f"to {message.id}")) for message in work.messages]
    finish(store, work, thoughts, NOW)
    assert reply_to(store, first.id).text == f"to {second.id}"
    assert reply_to(store, second.id).text == f"to {second.id}"
    mark_sent(store, reply_to(store, second.id).id, NOW)
    assert reply_to(store, first.id) is None


def test_a_muted_message_is_kept_and_not_thought_about(store):
    receive(store, replace(said("1", ANA), muted=True), NOW)
    assert not next_work(store, (), 9)
    with store.read() as connection:
        assert connection.scalar(select(inbox.c.status)) == "muted"


def test_tries_are_counted(store):
    id = receive(store, said("1", ANA), NOW).id
    assert [count_try(store, id) for _ in range(3)] == [1, 2, 3]
    assert is_waiting(store, id)


def test_several_reasons_for_one_tree_are_one_entry_of_the_queue(store):
    work = worked(store)
    finish(store, work, [thought(work, "…", state="{}", handed=((1, "asked", ""), (1, "rule", "hemlock")))], NOW)
    (entry,) = queue.waiting(store)
    assert (entry.reasons, entry.details, entry.tree) == (("asked", "rule"), ("hemlock",), 1)
    assert [text for _, text in entry.messages] == ["soft flat needles"]
    assert queue.n_open(store) == 2


def test_a_stewards_answer_reaches_finder_conversation_and_record_once(store):
    work = worked(store)
    finish(store, work, [thought(work, "passed on", state="{}", handed=((1, "asked", ""),))], NOW)
    mark_sent(store, due(store, NOW)[0].id, NOW)
    (entry,) = queue.waiting(store)
    answer(store, entry)
    assert [letter.text for letter in due(store, NOW + 90000)] == ["It is a tamarack."]
    assert queue.days_of_late(store) == pytest.approx(1.0)
    assert not queue.waiting(store)
    with store.read() as connection:
        assert connection.scalar(select(identifications.c.verdict)) == "other"
    with pytest.raises(StoreError, match="was answered already"):
        answer(store, replace(entry, state="{answered}"))


def test_an_answer_to_a_conversation_that_moved_is_worked_out_anew(store):
    work = worked(store)
    finish(store, work, [thought(work, "passed on", state="{}", handed=((1, "asked", ""),))], NOW)
    (entry,) = queue.waiting(store)
    receive(store, said("2", ANA), NOW)
    (work,) = next_work(store, (), 9)
    finish(store, work, [thought(work, "…", state="{moved}")], NOW)
    assert not answer(store, entry)
    assert answer(store, queue.entry(store, entry.id))


def test_words_go_after_their_days_and_conversations_after_theirs(store):
    work = worked(store)
    tree = TreeRecord(1, ({"character": "x"},), None, 5, "tsuga_canadensis", "species", 0.9, "h")
    finish(store, work, [thought(work, "reply", state="{}", record=tree)], NOW)
    mark_sent(store, due(store, NOW)[0].id, NOW)
    retention = Retention(words_days=30, conversations_days=365)
    assert archive(store, retention, NOW + 31 * 86400) == 0
    with store.read() as connection:
        assert connection.scalar(select(inbox.c.text)) is None
        assert connection.scalar(select(outbox.c.text)) is None
        assert connection.scalar(select(conversations.c.state)) == "{}"
    assert archive(store, retention, NOW + 366 * 86400) == 1
    with store.read() as connection:
        assert connection.execute(select(conversations)).first() is None
        assert connection.scalar(select(observations.c.tree)) == 1


def test_nothing_is_archived_that_a_steward_still_has_to_answer(store):
    work = worked(store)
    finish(store, work, [thought(work, "passed on", state="{}", handed=((1, "asked", ""),))], NOW)
    mark_sent(store, due(store, NOW)[0].id, NOW)
    assert archive(store, Retention(), NOW + 999 * 86400) == 0


def test_erase_leaves_the_tree_and_the_marks_and_nothing_of_the_reader(store):
    work = worked(store)
    place = {"code": "MI", "town": "Larkwater", "latitude": 46.55}
    tree = TreeRecord(1, ({"character": "x"},), place, 5, "tsuga_canadensis", "species", 0.9, "h")
    finish(store, work, [thought(work, "…", state="{}", record=tree, handed=((1, "asked", "why"),))], NOW)
    receive(store, said("2", ANA, "forget me"), NOW)
    receive(store, said("3", ANA, "fresh start"), NOW)
    (work,) = next_work(store, (), 9)
    erasing = Thought(work.messages[0].id, None, Letter("I have forgotten you."), erases=True)
    assert finish(store, work, [erasing], NOW)
    assert not receive(store, said("1", ANA, "soft flat needles"), NOW).is_new
    with store.read() as connection:
        assert connection.execute(select(observations.c.claims, observations.c.place)).one() == ([], {"code": "MI"})
        assert connection.scalar(select(identifications.c.taxon)) == "tsuga_canadensis"
        texts = connection.scalars(select(inbox.c.text).order_by(inbox.c.id)).all()
    assert texts == [None, None, "fresh start"]
    assert not queue.waiting(store)
    (anew,) = next_work(store, (), 9)
    assert (anew.state, [one.text for one in anew.messages]) == (None, ["fresh start"])
    (letter,) = due(store, NOW)
    mark_sent(store, letter.id, NOW)
    assert counts(store) == {}


def test_what_is_erased_can_be_found_in_no_file_of_the_database(store, tmp_path):
    secrets = ("prickly like a hedgehog", "Larkwater bend", ANA)
    text = "prickly like a hedgehog at Larkwater bend, call +19065550101"
    receive(store, said("1", ANA, text), NOW)
    (work,) = next_work(store, (), 9)
    tree = TreeRecord(1, ({"character": "x", "text": secrets[0]},), {"code": "MI", "town": secrets[1]}, 5)
    phrase = Phrase(secrets[0], "finder", "en", "")
    finish(store, work, [thought(work, f"I heard {text}", state=json.dumps(text), record=tree, phrases=(phrase,))], NOW)
    folder = files_of(store, tmp_path)
    assert found_in(store, folder, secrets[0])  # the search finds what is there
    receive(store, said("2", ANA, "forget me"), NOW)
    (work,) = next_work(store, (), 9)
    finish(store, work, [Thought(work.messages[0].id, None, Letter("I have forgotten you."), erases=True)], NOW)
    mark_sent(store, due(store, NOW)[0].id, NOW)
    assert scrub(store, NOW)
    assert [secret for secret in secrets if found_in(store, folder, secret)] == []
    mark = store.seal.mark("address", "sms", ANA)
    assert not found_in(store, folder, mark)


def test_addresses_and_ids_of_messages_are_never_in_the_files_in_the_clear(store, tmp_path):
    receive(store, said("gateway-id-778899", ANA), NOW)
    folder = files_of(store, tmp_path)
    assert found_in(store, folder, "soft flat needles")
    assert not found_in(store, folder, ANA)
    assert not found_in(store, folder, "gateway-id-778899")


def test_threads_that_write_at_once_lose_nothing(store):
    def work(n: int) -> None:
        for k in range(25):
            receive(store, said(f"{n}-{k}", ANA, f"{n} {k}"), NOW)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with store.read() as connection:
        texts = connection.scalars(select(inbox.c.text).order_by(inbox.c.id)).all()
    assert len(texts) == 100
    for n in range(4):
        assert [text for text in texts if text.startswith(f"{n} ")] == [f"{n} {k}" for k in range(25)]


def test_the_migrations_make_exactly_the_tables_of_the_schema(store):
    assert differences(store) == []
    assert condition(store) == "current"
    assert upgrade(store) == head()


def test_a_store_made_with_another_key_is_refused(store):
    check_key(store)
    check_key(store)
    with pytest.raises(StoreError, match="is not the one this store was made with"):
        check_key(Store(store.engine, Seal(KEY[::-1])))


def test_a_new_store_is_made_only_where_that_is_allowed(tmp_path):
    store = open_store(tmp_path / "deep" / "new.db", Seal(KEY))
    with pytest.raises(StoreError, match="chatkey store upgrade"):
        require_current(store)
    require_current(store, make=True)
    require_current(store)
    store.close()


def test_a_store_of_a_newer_chatkey_is_left_alone(tmp_path):
    store = open_store(tmp_path / "new.db", Seal(KEY))
    upgrade(store)
    with store.write() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreError, match="made by a newer chatkey"):
        require_current(store)
    store.close()


def test_a_locked_database_is_told_without_a_word_of_what_was_written(tmp_path, monkeypatch):
    monkeypatch.setattr("chatkey.store.engine.BUSY_MS", 20)
    store = open_store(tmp_path / "a.db", Seal(KEY))
    upgrade(store)
    other = sqlite3.connect(tmp_path / "a.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailableError) as raised:
        receive(store, said("1", ANA, "soft"), NOW)
    assert "locked" in str(raised.value)
    assert ANA not in str(raised.value)
    other.execute("ROLLBACK")
    other.close()
    assert receive(store, said("1", ANA, "soft"), NOW).is_new
    store.close()


@pytest.mark.parametrize("url", ["mysql://host/name", "nonsense://x", "sqlite://"])
def test_a_url_that_is_no_store_says_what_to_write(url):
    with pytest.raises(StoreError, match="sqlite:///PATH"):
        open_store(url, Seal(KEY))


@given(st.lists(st.text(max_size=20), min_size=1, max_size=4), st.lists(st.text(max_size=20), min_size=1, max_size=4))
def test_marks_are_equal_only_for_equal_parts(first, second):
    seal = Seal(KEY)
    if any("\ud800" <= letter <= "\udfff" for letter in "".join(first + second)):
        return
    assert (seal.mark(*first) == seal.mark(*second)) == (first == second)


def test_a_seal_opens_only_with_its_key_and_for_its_channel():
    sealed = Seal(KEY).shut("sms", ANA)
    assert Seal(KEY).open("sms", sealed) == ANA
    for seal, channel in ((Seal(KEY[::-1]), "sms"), (Seal(KEY), "telegram")):
        with pytest.raises(SealError, match="can't be opened"):
            seal.open(channel, sealed)
    assert Seal(KEY).shut("sms", ANA) != sealed


def test_a_key_that_is_short_or_garbled_is_refused_without_showing_it():
    assert len(read_key(new_key())) == 32
    with pytest.raises(SealError, match="has 3 bytes"):
        Seal(read_key("YWJj"))
    with pytest.raises(SealError, match="is no base64") as raised:
        read_key("what a secret!")
    assert "what a secret" not in str(raised.value)


def test_opt_outs_outlive_an_erase(store):
    work = worked(store)
    finish(store, work, [thought(work, "silent now", standing="stop")], NOW)
    receive(store, said("2", ANA, "forget me"), NOW)
    (work,) = next_work(store, (), 9)
    finish(store, work, [Thought(work.messages[0].id, None, None, erases=True)], NOW)
    with store.read() as connection:
        assert connection.scalar(select(opt_outs.c.mark)) == store.seal.mark("address", "sms", ANA)
    receive(store, said("3", ANA), NOW)
    assert next_work(store, (), 9)[0].is_stopped


def said(id: str, address: str, text: str = "soft flat needles") -> Inbound:
    return Inbound("sms", id, address, text)


def worked(store: Store) -> Work:
    receive(store, said("1", ANA), NOW)
    (work,) = next_work(store, (), 9)
    return work


def thought(work: Work, text: str, *, cautions: tuple[tuple[str, str], ...] = (), **fields: object) -> Thought:
    values = {"state": None, **fields}
    return Thought(work.messages[-1].id, letter=Letter(text, cautions=cautions), **values)  # type: ignore[arg-type]


def answer(store: Store, entry: queue.Given) -> bool:
    return queue.answer(
        store,
        entry,
        letter=Letter("It is a tamarack.", kind="notice"),
        state="{answered}",
        tree=TreeRecord(1, (), None, 5),
        verdict={"kind": "other", "taxon": "larix_laricina", "rank": "species"},
        now=NOW + 86400,
    )


def files_of(store: Store, tmp_path: Path) -> Path:
    """The folder that the database's tables are in."""
    if store.is_sqlite:
        return tmp_path
    with store.read() as connection:
        return Path(str(connection.exec_driver_sql("SHOW data_directory").scalar())) / "base"


def found_in(store: Store, folder: Path, words: str) -> bool:
    """Whether the words stand in any file below the folder. PostgreSQL keeps them in memory till a checkpoint."""
    if not store.is_sqlite:
        with store.write() as connection:
            connection.exec_driver_sql("CHECKPOINT")
    return any(words.encode() in path.read_bytes() for path in folder.rglob("*") if path.is_file())


def test_messages_over_the_limit_of_a_day_are_kept_and_muted(store):
    def kept(n: int, at: float) -> bool:
        return receive(store, replace(said(str(n), ANA), most_a_day=3), at).is_muted

    assert [kept(n, NOW + n) for n in range(5)] == [False, False, False, True, True]
    assert not receive(store, replace(said("b", BEN), most_a_day=3), NOW).is_muted
    assert not kept(9, NOW + 86400 + 10)
