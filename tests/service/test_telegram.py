"""What people get over Telegram: alone, as a crew in a group, and as stewards in theirs. Over HTTP, with our client."""

from __future__ import annotations

import csv
import io
import itertools
import time

import pytest
from bot_updates import (
    ANA,
    BEN,
    CAL,
    TOPIC,
    again,
    edited,
    in_topic,
    location,
    member,
    message,
    migration,
    person,
    photo,
    pressed,
    topic_text,
)
from botapi import GROUP, SECRET_HEADER, TOKEN, bot_api
from chats import DANA, PATIENCE_S, STEWARDS, buttons, opened_chats, words
from sqlalchemy import select

from chatkey.dialog.view import claim_view
from chatkey.service.telegram import PATH
from chatkey.store import queue
from chatkey.store.schema import identifications, observations

FOUND = "soft short flat needles, 2 white lines under, creekside near Marquette MI"
SECRET = "larkwater-1"
NEW_GROUP = -1005
OUR_NAME = "@larkwater_key_bot"


@pytest.fixture
def chats(tmp_path, mind):
    with opened_chats(tmp_path, mind) as found:
        yield found


# Alone.


def test_a_start_is_greeted_with_an_open_question(chats):
    assert "I help you find out which conifer you have in hand" in chats.say("/start")
    assert not buttons(chats.arrived(ANA)[0])


def test_buttons_lead_to_the_same_tree_and_claims_as_words(chats):
    for reader in (ANA, BEN):
        chats.say(FOUND, reader)
    for answer in ("3", "2", "1"):
        chats.press(f"({answer})", chats.arrived(ANA)[-1])
        chats.say(answer, BEN)
        assert words(chats.next(ANA)) == words(chats.arrived(BEN)[-1])
    pushed, typed = (chats.talk(reader).tree for reader in (ANA, BEN))
    assert _facts(pushed) == _facts(typed)
    assert len(pushed.claims) > len(_facts_of(chats, FOUND))
    assert pushed.shown == typed.shown


def test_an_identification_is_recorded_with_what_was_shown(chats):
    for text in (FOUND, "small dry buds, twig brown and rough", "no knobs. cones hang down, smaller than a dime"):
        reply = chats.say(text)
    assert "astern hemlock" in reply
    row = _rows(chats, identifications)[-1]
    assert row.taxon == "tsuga_canadensis"
    assert row.probability == chats.talk(ANA).tree.shown.probability > 0.9


def test_a_pressed_question_is_marked_with_the_choice_and_loses_its_buttons(chats):
    chats.say(FOUND)
    asked = chats.arrived(ANA)[0]
    label = buttons(asked)[0]
    assert chats.felt(chats.press(label, asked)) == ""
    assert words(chats.next()) != words(asked)
    _until(lambda: not buttons(chats.arrived(ANA)[0]))
    assert words(chats.arrived(ANA)[0]) == f"{words(asked)}\n\nYou chose {label}."
    assert buttons(chats.arrived(ANA)[1])


def test_an_old_button_says_so_and_nothing_is_sent(chats):
    chats.say(FOUND)
    asked = chats.arrived(ANA)[0]
    chats.press("(1)", asked)
    chats.next()
    before = chats.talk(ANA)
    said = chats.felt(chats.press("(2)", asked))
    chats.settle()
    assert said == chats.mind.script.say("telegram_old_question")
    assert len(chats.arrived(ANA)) == 2
    assert chats.talk(ANA).tree.claims == before.tree.claims


def test_a_button_that_is_none_of_ours_says_so_and_nothing_is_sent(chats):
    chats.say(FOUND)
    before = chats.talk(ANA)
    press = pressed(chats.api, "delete everything", chats.arrived(ANA)[0])
    assert chats.felt(press["callback_query"]["id"]) == chats.mind.script.say("telegram_old_message")
    chats.settle()
    assert len(chats.arrived(ANA)) == 1
    assert chats.talk(ANA).tree == before.tree


def test_a_button_works_after_the_process_was_started_anew_and_old_updates_do_nothing(tmp_path, mind):
    with bot_api() as api:
        with opened_chats(tmp_path, mind, api=api) as before:
            update = before.write(FOUND)
            asked = before.next()
        again(api, update)
        with opened_chats(tmp_path, mind, api=api) as after:
            after.seen = dict(before.seen)
            assert after.felt(after.press("(1)", asked)) == ""
            assert words(after.next()) != words(asked)
            assert len(after.arrived(ANA)) == 2
            assert "round sticky buds" in after.say("list") or len(after.talk(ANA).tree.claims) > 5


def test_a_button_counts_under_a_message_that_is_too_old_to_be_shown(chats):
    chats.say(FOUND)
    n = len(chats.talk(ANA).tree.claims)
    press = chats.press("(1)", chats.arrived(ANA)[0], is_old=True)
    chats.next()
    assert chats.felt(press) == ""
    assert len(chats.talk(ANA).tree.claims) == n + 1


def test_a_corrected_last_message_takes_the_place_of_its_claims(chats):
    chats.say("soft flat needles")
    update = chats.write("two white lines under, cones stand up")
    chats.next()
    edited(chats.api, update, "two white lines under, cones hang down")
    assert "cones hang down" in words(chats.next())
    assert _told(chats.talk(ANA).tree) == {"soft", "flat", "two_lines", "hanging"}


def test_a_message_that_was_corrected_can_be_corrected_again(chats):
    update = chats.write("sharp flat needles")
    chats.next()
    for said in ("sharp square needles", "soft flat needles"):
        edited(chats.api, update, said)
        chats.next()
    assert _told(chats.talk(ANA).tree) == {"soft", "flat"}


def test_a_corrected_older_message_is_left_as_it_was(chats):
    update = chats.write("soft flat needles")
    chats.next()
    chats.say("cones hang down")
    before = chats.talk(ANA)
    edited(chats.api, update, "sharp square needles")
    chats.settle()
    assert len(chats.arrived(ANA)) == 2
    assert chats.talk(ANA).tree == before.tree


def test_a_corrected_message_that_told_nothing_takes_nothing_back(chats):
    chats.say("soft flat needles")
    update = chats.write("whyy")
    chats.next()
    edited(chats.api, update, "why")
    chats.next()
    assert _facts(chats.talk(ANA).tree) == _facts_of(chats, "soft flat needles")


def test_a_count_that_was_corrected_is_not_counted_twice(chats):
    chats.say("soft flat needles")
    update = chats.write("12 more of the same")
    chats.next()
    edited(chats.api, update, "11 more of the same")
    chats.next()
    assert chats.talk(ANA).tree.count == 12
    assert _facts(chats.talk(ANA).tree) == _facts_of(chats, "soft flat needles")


def test_a_location_is_the_place_and_kept_to_about_a_kilometre(chats, tmp_path):
    chats.say("soft flat needles")
    location(chats.api, 46.543612, -87.395433)
    assert "Michigan" in words(chats.next())
    place = chats.talk(ANA).tree.place
    assert (place.code, place.county, place.latitude) == ("MI", "Marquette County", 46.54)
    files = _files(tmp_path)
    assert b"46.54" in files
    assert not any(exact in files for exact in (b"46.5436", b"87.3954"))


def test_a_photo_gets_the_honest_line_and_reaches_the_stewards_by_its_id(chats):
    photo(chats.api)
    assert words(chats.next()) == chats.mind.script.say("telegram_photo")
    chats.say("/person")
    entry = chats.next(STEWARDS)
    chats.next(STEWARDS)
    (call,) = chats.api.of("sendPhoto", STEWARDS)
    assert call.args["photo"] == "twig2"
    assert call.args["caption"] == f"Sent with entry {words(entry).split()[0]}."
    assert not chats.api.of("getFile")


def test_the_words_below_a_photo_are_heard(chats):
    photo(chats.api, "soft flat needles")
    reply = words(chats.next())
    assert "soft needles" in reply
    assert chats.mind.script.say("telegram_photo") in reply
    assert _facts(chats.talk(ANA).tree) == _facts_of(chats, "soft flat needles")


def test_an_album_of_three_gets_one_reply_and_all_three_reach_the_stewards(chats):
    for _ in range(3):
        photo(chats.api, media_group_id="album")
    chats.next()
    assert len(chats.arrived(ANA)) == 1
    chats.say("/person")
    for _ in range(4):
        chats.next(STEWARDS)
    assert len(chats.api.of("sendPhoto", STEWARDS)) == 3


@pytest.mark.parametrize(
    "content",
    [
        {"voice": {"file_id": "v", "file_unique_id": "v", "duration": 3}},
        {
            "sticker": {
                **{"file_id": "s", "file_unique_id": "s", "type": "regular", "width": 512, "height": 512},
                **{"is_animated": False, "is_video": False},
            }
        },
    ],
    ids=["voice", "sticker"],
)
def test_what_holds_no_words_gets_the_line_on_words(chats, content):
    chats.api.push("message", message(chats.api, **content))
    assert words(chats.next()) == chats.mind.script.say("telegram_only_words")


def test_stop_is_confirmed_once_then_silence_till_start_puts_the_question_again(chats):
    asked = chats.say(FOUND)
    assert "no more messages from Larkwater Stewards" in chats.say("/stop")
    chats.silence("needles are soft")
    chats.silence("/stop")
    press = chats.press("(1)", chats.arrived(ANA)[0])
    assert chats.felt(press) == ""
    chats.settle()
    assert len(chats.arrived(ANA)) == 2
    back = chats.say("/start")
    assert "You get messages from Larkwater Stewards here" in back
    assert asked.rpartition("\n\n")[2] in back


def test_danger_to_life_is_answered_even_after_a_stop(chats):
    chats.say("/stop")
    assert "1-800-222-1222" in chats.say("my kid swallowed a red yew berry")
    chats.silence("soft needles")


def test_who_blocks_the_bot_is_sent_nothing_more_till_they_unblock_it(chats):
    chats.say(FOUND)
    chats.api.blocked.add(ANA)
    chats.write("why")
    _until(lambda: [call.status for call in _sent_to(chats, ANA)] == [200, 403])
    chats.settle()
    chats.write("why")
    chats.settle()
    assert len(_sent_to(chats, ANA)) == 2
    chats.api.blocked.clear()
    member(chats.api, ANA, "kicked", "member")
    chats.settle()
    assert len(_sent_to(chats, ANA)) == 2
    assert "cones hang down" in chats.say("cones hang down")


def test_a_block_that_telegram_tells_of_is_a_stop(chats):
    chats.say(FOUND)
    member(chats.api, ANA, "member", "kicked")
    chats.silence("why")
    assert len(_sent_to(chats, ANA)) == 1


def test_a_call_to_wait_is_waited_out_and_the_letter_arrives_once(chats):
    chats.api.fail(429, "Too Many Requests: retry after 1", "sendMessage", retry_after=1)
    assert "Got it" in chats.say(FOUND)
    calls = _sent_to(chats, ANA)
    assert [call.status for call in calls] == [429, 200]
    assert calls[1].at - calls[0].at >= 1
    assert len(chats.arrived(ANA)) == 1


@pytest.mark.parametrize("fault", ["fails", "is cut"])
def test_a_letter_arrives_once_where_telegram_fails_or_the_line_is_cut_before(chats, fault):
    if fault == "fails":
        chats.api.fail(500, "Internal Server Error", "sendMessage")
    else:
        chats.api.cut()
    assert "Got it" in chats.say(FOUND)
    assert len(chats.arrived(ANA)) == 1


def test_a_letter_whose_arrival_nobody_confirmed_comes_rather_twice_than_never(chats):
    chats.api.cut(done=True)
    chats.write(FOUND)
    first, second = chats.next(), chats.next()
    assert words(first) == words(second)
    chats.say("why")
    assert len(chats.arrived(ANA)) == 3


def test_forget_leaves_nothing_of_the_finder_in_the_files(chats, tmp_path):
    chats.say("prickly like a hedgehog, at the bend, 46.54321, -87.39876")
    assert b"hedgehog" in _files(tmp_path)
    assert "forgotten" in chats.say("/forget")
    chats.say("help", BEN)  # what was sent before this is written down
    files = _files(tmp_path)
    with chats.store().read():
        mark = chats.store().seal.mark("address", "telegram", str(ANA)).encode()
    for secret in (b"hedgehog", b"46.54", b"forget me", mark):
        assert secret not in files, secret
    assert chats.talk(ANA).trees[0].claims == ()


def test_forget_leaves_nothing_of_what_the_stewards_were_told_in_the_files(chats, tmp_path):
    chats.say("soft needles, found beside the hedgehog bridge")
    chats.say("/person")
    entry = chats.next(STEWARDS)
    assert "hedgehog" in words(entry)
    chats.say("/forget")
    chats.say("help", BEN)
    assert b"hedgehog" not in _files(tmp_path)
    chats.write("It is tamarack.", DANA, STEWARDS, to=entry["message_id"])
    assert words(chats.next(STEWARDS)) == chats.mind.script.say("desk_late")


def test_neither_who_writes_nor_the_chat_stands_in_the_files_in_plain(chats, tmp_path):
    reader, group = 7100200300, -1007100200301
    chats.say(FOUND, reader)
    chats.say("/person", reader)
    chats.say(f"{OUR_NAME} soft flat needles", reader, group)
    files = _files(tmp_path)
    assert b"soft flat needles" in files
    assert b"7100200300" not in files
    assert b"7100200301" not in files
    assert reader.to_bytes(8, "big") not in files


def test_the_commands_are_shown_by_telegram(chats):
    wanted = chats.mind.script.tables["telegram_menu"]
    _until(lambda: "" in chats.api.commands)
    for language in ("", "en"):
        assert {one["command"]: one["description"] for one in chats.api.commands[language]} == dict(wanted)


def test_by_webhook_updates_are_taken_with_the_secret_only_and_once(tmp_path, mind):
    with opened_chats(tmp_path, mind, secret=SECRET, public_url="https://key.larkwater.example/") as chats:
        update = {"update_id": 5, "message": message(chats.api, text=FOUND)}
        _until(lambda: _call(chats, update) == 200)
        assert chats.api.webhook == {"url": f"https://key.larkwater.example{PATH}", "secret_token": SECRET}
        assert "Got it" in words(chats.next())
        assert _call(chats, update) == 200
        assert _call(chats, {"update_id": 6, "message": message(chats.api, text="why")}, secret="larkwater-2") == 403
        assert _call(chats, {"update_id": 7, "message": message(chats.api, text="why")}, secret="") == 403
        assert _call(chats, {"no": "update"}) == 400
        assert chats.client.post(PATH, content=b"{", headers={SECRET_HEADER: SECRET}).status_code == 400
        assert chats.client.post(PATH, content=b" " * 99_999, headers={SECRET_HEADER: SECRET}).status_code == 413
        assert chats.client.get(PATH, headers={SECRET_HEADER: SECRET}).status_code == 405
        chats.settle()
        assert len(chats.arrived(ANA)) == len(chats.kept()) == 1
        assert not chats.api.of("getUpdates")


def test_where_we_ask_for_updates_nobody_can_call(chats):
    assert chats.client.post(PATH, json={"update_id": 1}, headers={SECRET_HEADER: TOKEN}).status_code == 404


# A crew.


def test_what_a_crew_says_to_each_other_is_neither_kept_nor_answered(chats):
    chats.say("/next", ANA, GROUP)
    n = len(chats.kept())
    chats.silence("the needles are soft and flat, says Ana", BEN, GROUP)
    chats.silence("/next@other_bot", BEN, GROUP)
    photo(chats.api, chat=GROUP, reader=BEN)
    chats.settle()
    assert len(chats.arrived(GROUP)) == 1
    assert len(chats.kept()) == n


def test_a_reply_shows_whom_it_answers(chats):
    for text in ("/next", f"{OUR_NAME} soft flat needles"):
        update = chats.write(text, ANA, GROUP)
        replied = chats.next(GROUP)["reply_to_message"]
        assert replied["message_id"] == update["message"]["message_id"]


def test_a_reply_to_one_of_our_messages_is_about_its_tree(chats):
    first = _tree(chats, "soft flat needles")
    chats.say("/next", ANA, GROUP)
    second = _tree(chats, "bundles of two, long needles", begun=True)
    chats.say("two white lines under", BEN, GROUP, to=first)
    chats.say("12 more of the same", BEN, GROUP, to=second)
    talk = chats.talk(GROUP)
    assert _facts(talk.tree_of(1)) == _facts_of(chats, "soft flat needles", "two white lines under")
    assert _facts(talk.tree_of(2)) == _facts_of(chats, "bundles of two, long needles")
    assert [talk.tree_of(n).count for n in (1, 2)] == [1, 13]
    assert talk.current == 2


def test_buttons_of_two_trees_are_kept_apart(chats):
    first = _tree(chats, "soft flat needles")
    chats.say("/next", ANA, GROUP)
    second = _tree(chats, "bundles of two, long needles", begun=True)
    by_number = {one["message_id"]: one for one in chats.arrived(GROUP)}
    chats.press("(1)", by_number[first], BEN)
    chats.next(GROUP)
    chats.press("(1)", by_number[second], CAL)
    chats.next(GROUP)
    talk = chats.talk(GROUP)
    assert len(talk.tree_of(1).claims) == len(_facts_of(chats, "soft flat needles")) + 1
    assert len(talk.tree_of(2).claims) == len(_facts_of(chats, "bundles of two, long needles")) + 1
    _until(lambda: "Ben chose (1)" in words(chats.api.messages[GROUP, first]))
    _until(lambda: "Cal chose (1)" in words(chats.api.messages[GROUP, second]))


def test_two_who_differ_are_named_and_asked_for_one_more_look(chats):
    ours = _tree(chats, "sharp needles, they roll in my fingers, twig smooth")
    reply = chats.say("the twig is hairy", BEN, GROUP, to=ours)
    assert "You don't see this alike: Ana says hairless twig, Ben says hairy twig." in reply
    assert "One more look, please, Ana and Ben." in reply
    assert "Ana: hairy twig. That settles it." in chats.say(
        "yes, tiny hairs", ANA, GROUP, to=chats.arrived(GROUP)[-1]["message_id"]
    )


def test_a_topic_is_a_conversation_of_its_own_with_replies_in_it(chats):
    chats.say(f"{OUR_NAME} bundles of two, long needles", ANA, GROUP)
    topic_text(chats.api, f"{OUR_NAME} soft flat needles")
    reply = chats.next(GROUP)
    assert reply["message_thread_id"] == TOPIC
    chats.press("(1)", reply, BEN)
    assert chats.next(GROUP)["message_thread_id"] == TOPIC
    assert "message_thread_id" not in chats.arrived(GROUP)[0]
    assert _facts(chats.talk(GROUP).tree) == _facts_of(chats, "bundles of two, long needles")
    own = _facts(chats.talk(f"{GROUP}/{TOPIC}").tree)
    assert own[:2] == _facts_of(chats, "soft flat needles")
    assert len(own) == 3


def test_talk_among_the_crew_in_a_topic_is_left_alone(chats):
    chats.api.push("message", message(chats.api, GROUP, BEN, text="nice trees here", **in_topic()))
    chats.settle()
    assert chats.kept() == []
    assert chats.arrived(GROUP) == []


def test_the_talk_goes_on_in_the_chat_that_the_group_became(chats):
    _tree(chats, "soft flat needles")
    migration(chats.api, GROUP, NEW_GROUP)
    chats.settle()
    chats.say(f"{OUR_NAME} two white lines under", BEN, NEW_GROUP)
    assert _facts(chats.talk(NEW_GROUP).tree) == _facts_of(chats, "soft flat needles", "two white lines under")
    assert chats.talk(GROUP).trees[0].claims == ()


def test_a_letter_follows_the_group_where_telegram_says_so_only_when_it_is_sent(chats):
    ours = _tree(chats, "soft flat needles")
    chats.api.migrated[GROUP] = NEW_GROUP
    chats.write("two white lines under", BEN, GROUP, to=ours)
    assert "two pale lines below" in words(chats.next(NEW_GROUP))
    assert len(chats.talk(NEW_GROUP).tree.claims) == 3


def test_a_walk_ends_in_a_list_as_text_and_as_a_table_of_its_trees(chats):
    assert "The walk begins. Tree 1" in chats.say("/walk", ANA, GROUP)
    first = _tree(chats, "soft flat needles, near Marquette MI", begun=True)
    chats.say("/next", ANA, GROUP)
    _tree(chats, "bundles of two, long needles", begun=True)
    chats.say("12 more of the same", BEN, GROUP, to=first)
    listed = chats.say("/done", ANA, GROUP)
    assert "The walk ends here. Your list:" in listed
    assert chats.next(GROUP)["document"]
    (call,) = chats.api.of("sendDocument", GROUP)
    assert call.args["document"] == "walk.csv"
    rows = list(csv.DictReader(io.StringIO(call.files["document"].decode())))
    talk = chats.talk(GROUP)
    assert [int(row["number"]) for row in rows] == [tree.id for tree in talk.trees] == [1, 2]
    assert [int(row["count"]) for row in rows] == [tree.count for tree in talk.trees] == [13, 1]
    assert [row["readers"] for row in rows] == ["Ana; Ben", "Ana"]
    assert rows[1]["name"] == "pine"
    assert float(rows[1]["probability"]) == pytest.approx(talk.tree_of(2).shown.probability, abs=1e-4)
    assert all(f"{row['number']}. {row['name']}" in listed for row in rows)
    chats.say("/list", ANA, GROUP)
    assert len(chats.api.of("sendDocument")) == 1


def test_without_names_none_are_said_and_none_are_left_in_the_files(chats, tmp_path):
    anna, benno = (
        {"from": person(reader, first_name=name)} for reader, name in ((ANA, "Annegret"), (BEN, "Bennosuke"))
    )
    ours = _tree(chats, "soft flat needles", **anna)
    assert "Bennosuke" in chats.say("two white lines under", BEN, GROUP, to=ours, **benno)
    chats.say(f"{OUR_NAME} no names, we have kids with us", ANA, GROUP, **anna)
    assert chats.say("cones hang down", BEN, GROUP, to=ours, **benno).startswith("Reader 2: cones hang down.")
    chats.press("(1)", chats.arrived(GROUP)[-1], BEN)
    chats.next(GROUP)
    kept = repr((chats.kept(), chats.talk(GROUP), _rows(chats, observations)))
    assert "cones hang down" in kept
    files = _files(tmp_path)
    for name in ("Annegret", "Bennosuke"):
        assert name not in kept
        assert name.encode() not in files
    assert not any("name" in (row.about or {}) for row in chats.kept())


def test_one_reader_is_forgotten_and_what_the_others_said_stays(chats, tmp_path):
    ours = _tree(chats, "soft flat needles")
    chats.say("two white lines under, near the hedgehog bridge", BEN, GROUP, to=ours)
    assert len(_rows(chats, observations)[0].claims) == 3
    assert "What the others said stays" in chats.say("/forget", BEN, GROUP)
    assert _facts(chats.talk(GROUP).tree) == _facts_of(chats, "soft flat needles")
    assert "Ben" not in repr(chats.talk(GROUP))
    assert [claim["character"] for claim in _rows(chats, observations)[0].claims] == ["leaf_stiffness", "leaf_section"]
    first = chats.kept()[0].conversation_id
    assert [row.text for row in chats.kept() if row.text and row.conversation_id == first] == [
        "next tree",
        "soft flat needles",
    ]
    files = _files(tmp_path)
    assert b"hedgehog" not in files
    assert b"soft flat needles" in files


def test_without_names_one_reader_is_forgotten_all_the_same(chats):
    ours = _tree(chats, "soft flat needles")
    chats.say(f"{OUR_NAME} no names, please", ANA, GROUP)
    chats.say("two white lines under, near the hedgehog bridge", BEN, GROUP, to=ours)
    chats.say("/forget", BEN, GROUP)
    assert _facts(chats.talk(GROUP).tree) == _facts_of(chats, "soft flat needles")
    assert "hedgehog" not in repr(chats.kept())


def test_without_names_a_last_message_can_still_be_corrected(chats):
    ours = _tree(chats, "soft flat needles")
    chats.say(f"{OUR_NAME} no names, please", ANA, GROUP)
    update = chats.write("two white lines underr, cones stand up", BEN, GROUP, to=ours)
    chats.next(GROUP)
    edited(chats.api, update, "two white lines under")
    chats.next(GROUP)
    assert _facts(chats.talk(GROUP).tree) == _facts_of(chats, "soft flat needles", "two white lines under")


def test_a_correction_is_about_the_tree_of_the_message_though_the_crew_went_on(chats):
    _tree(chats, "soft flat needles")
    update = chats.write(f"{OUR_NAME} cones stand up", BEN, GROUP)
    chats.next(GROUP)
    chats.say("/next", ANA, GROUP)
    edited(chats.api, update, f"{OUR_NAME} cones hang down")
    chats.next(GROUP)
    talk = chats.talk(GROUP)
    assert _told(talk.tree_of(1)) == {"soft", "flat", "hanging"}
    assert talk.tree_of(2).claims == ()


def test_put_out_of_a_group_we_are_silent_till_we_are_let_in_again(chats):
    chats.say("/next", ANA, GROUP)
    member(chats.api, GROUP, "member", "kicked")
    chats.silence("/next", ANA, GROUP)
    member(chats.api, GROUP, "kicked", "member")
    assert "Type /next for a tree" in words(chats.next(GROUP))
    assert "tree 1" in chats.say("/next", ANA, GROUP)


# The stewards.


def test_what_waits_reaches_the_stewards_with_everything_gathered(chats):
    chats.say(FOUND)
    chats.press("(1)", chats.arrived(ANA)[0])
    chats.next()
    assert "within 3 days" in chats.say("/person")
    entry = chats.next(STEWARDS)
    text = words(entry)
    assert "tree 1 by telegram" in text
    assert ": asked" in text
    for line in ("place: Michigan", "told: soft needles", "may be: balsam fir", "> a person"):
        assert line in text, text
    assert f"> {FOUND}" in text
    assert "round sticky buds" in text
    assert {"It is ...", "Can't be known", "I'll look"} <= set(buttons(entry))
    assert any(label.startswith("Right: ") for label in buttons(entry))
    assert len(chats.arrived(STEWARDS)) == 1


def test_a_press_on_right_reaches_the_finder_and_ends_the_entry(chats):
    entry = _entry(chats)
    right = next(label for label in buttons(entry) if label.startswith("Right: "))
    assert chats.felt(chats.press(right, entry, DANA)) == "On its way."
    assert right.removeprefix("Right: ") in words(chats.next())
    tree = chats.talk(ANA).tree
    assert (tree.verdict.kind, tree.verdict.taxon) == ("right", tree.shown.taxon)
    _until(lambda: not buttons(chats.arrived(STEWARDS)[0]))
    assert "Dee answered: " in words(chats.arrived(STEWARDS)[0])
    assert not _waiting(chats)


def test_a_press_on_another_plant_reaches_the_finder_by_its_name(chats):
    entry = _entry(chats)
    label = next(label for label in buttons(entry) if label.startswith("It is ") and not label.endswith("..."))
    assert chats.felt(chats.press(label, entry, DANA)) == "On its way."
    assert label.removeprefix("It is ") in words(chats.next())
    assert chats.talk(ANA).tree.verdict.kind == "other"


def test_a_press_on_cant_be_known_reaches_the_finder(chats):
    entry = _entry(chats)
    chats.press("Can't be known", entry, DANA)
    assert words(chats.next())
    assert chats.talk(ANA).tree.verdict.kind == "unknowable"
    assert not _waiting(chats)


def test_a_reply_names_the_plant_and_brings_the_stewards_words(chats):
    entry = _entry(chats)
    chats.write("It's a tamarack. Look up: small cones on bare knobs.", DANA, STEWARDS, to=entry["message_id"])
    told = words(chats.next())
    assert "Look up: small cones on bare knobs." in told
    assert "It is tamarack." in told
    assert chats.talk(ANA).tree.verdict.taxon == "larix_laricina"
    _until(lambda: not buttons(chats.arrived(STEWARDS)[0]))


def test_a_reply_of_words_alone_brings_them_and_names_nothing(chats):
    entry = _entry(chats)
    chats.write("Is there a stream nearby?", DANA, STEWARDS, to=entry["message_id"])
    assert "Is there a stream nearby?" in words(chats.next())
    assert chats.talk(ANA).tree.verdict is None or not chats.talk(ANA).tree.verdict.taxon


def test_a_plant_that_nobody_knows_is_refused_with_a_mend_and_can_be_named_again(chats):
    entry = _entry(chats)
    update = chats.write("It is glimmerwood. Nice find.", DANA, STEWARDS, to=entry["message_id"])
    refused = chats.next(STEWARDS)
    assert words(refused).startswith("Not sent: plant 'glimmerwood' is not known. Give its name")
    assert refused["reply_to_message"]["message_id"] == update["message"]["message_id"]
    assert len(_waiting(chats)) == 1
    chats.write("It is tamarack.", DANA, STEWARDS, to=entry["message_id"])
    assert "tamarack" in words(chats.next())
    assert "glimmerwood" not in "".join(words(one) for one in chats.arrived(ANA))


def test_how_to_name_another_plant_is_told_to_who_presses_for_it(chats):
    entry = _entry(chats)
    assert "it is NAME" in chats.felt(chats.press("It is ...", entry, DANA))
    assert len(_waiting(chats)) == 1


def test_who_looks_at_an_entry_is_shown_and_told_to_the_next_who_presses(chats):
    entry = _entry(chats)
    assert chats.felt(chats.press("I'll look", entry, DANA)) == "Dee looks at it."
    assert chats.felt(chats.press("I'll look", entry, CAL)) == "Dee looks at it."
    _until(lambda: words(chats.arrived(STEWARDS)[0]).endswith("Dee looks at it."))
    shown = chats.arrived(STEWARDS)[0]
    assert "I'll look" not in buttons(shown)
    assert "Can't be known" in buttons(shown)
    assert len(_waiting(chats)) == 1


def test_a_second_answer_is_told_that_it_comes_too_late(chats):
    entry, late = _entry(chats), chats.mind.script.say("desk_late")
    chats.press("Can't be known", entry, DANA)
    chats.next()
    assert chats.felt(chats.press("Right", entry, CAL)) == late
    chats.write("It is tamarack.", CAL, STEWARDS, to=entry["message_id"])
    assert words(chats.next(STEWARDS)) == late
    assert len(chats.arrived(ANA)) == 3
    assert chats.talk(ANA).tree.verdict.kind == "unknowable"


def test_no_other_chat_can_answer_for_the_stewards(chats):
    entry = _entry(chats)
    elsewhere = {**entry, "chat": {"id": GROUP, "type": "supergroup"}}
    for on in (elsewhere, {**entry, "chat": {"id": CAL, "type": "private"}}):
        for label in ("Right", "Can't be known", "I'll look"):
            chats.felt(chats.press(label, on, CAL))
    chats.write("It is tamarack.", CAL, GROUP, to=entry["message_id"])
    chats.write("It is tamarack.", CAL, to=entry["message_id"])
    chats.settle()
    (waits,) = _waiting(chats)
    assert (waits.status, waits.taken_by) == ("open", "")
    assert len(chats.arrived(ANA)) == 2
    assert chats.talk(ANA).tree.verdict is None


def test_what_stewards_say_to_each_other_is_neither_kept_nor_answered(chats):
    _entry(chats)
    n = len(chats.kept())
    for text in ("who has time", "/next", "my kid swallowed a red yew berry"):
        chats.silence(text, DANA, STEWARDS)
    assert len(chats.kept()) == n


def test_an_entry_is_told_once_and_answered_after_the_process_was_started_anew(tmp_path, mind):
    with bot_api() as api:
        with opened_chats(tmp_path, mind, api=api) as before:
            entry = _entry(before)
        with opened_chats(tmp_path, mind, api=api) as after:
            after.seen = dict(before.seen)
            after.write("It is tamarack.", DANA, STEWARDS, to=entry["message_id"])
            assert "tamarack" in words(after.next())
            _until(lambda: "Dee answered: " in words(after.arrived(STEWARDS)[0]))
            assert not buttons(after.arrived(STEWARDS)[0])
            assert len(after.arrived(STEWARDS)) == 1


def test_a_crew_gets_the_stewards_answer_in_its_group(chats):
    first = _tree(chats, "soft flat needles")
    chats.say("a person please", BEN, GROUP, to=first)
    entry = chats.next(STEWARDS)
    chats.say("/next", ANA, GROUP)
    chats.write("It is balsam fir.", DANA, STEWARDS, to=entry["message_id"])
    told = chats.next(GROUP)
    assert "balsam fir" in words(told)
    chats.say("3 more of the same", BEN, GROUP, to=told["message_id"])
    talk = chats.talk(GROUP)
    assert talk.tree_of(1).verdict.taxon == "abies_balsamea"
    assert [tree.count for tree in talk.trees] == [4, 1]


def test_the_stewards_are_told_in_the_chat_that_their_group_became(chats):
    migration(chats.api, STEWARDS, NEW_GROUP)
    chats.settle()
    chats.say(FOUND)
    chats.say("/person")
    entry = chats.next(NEW_GROUP)
    chats.write("It is tamarack.", DANA, NEW_GROUP, to=entry["message_id"])
    assert "tamarack" in words(chats.next())


def test_an_entry_follows_the_stewards_where_telegram_says_so_only_when_it_is_sent(chats):
    chats.api.migrated[STEWARDS] = NEW_GROUP
    chats.say(FOUND)
    chats.say("/person")
    entry = chats.next(NEW_GROUP)
    assert f"> {FOUND}" in words(entry)
    assert len(_sent_to(chats, STEWARDS)) == 1


def _tree(chats, text, *, begun=False, **more) -> int:
    """A tree that Ana tells of in the group; the number of our reply about it."""
    if not begun:
        chats.say("/next", ANA, GROUP, **more)
    chats.say(text, ANA, GROUP, to=chats.arrived(GROUP)[-1]["message_id"], **more)
    return chats.arrived(GROUP)[-1]["message_id"]


def _entry(chats) -> dict:
    """What the stewards are told of a tree of Ana's for which something was named."""
    chats.say(f"{FOUND}. round sticky buds")
    chats.say("/person")
    return chats.next(STEWARDS)


def _waiting(chats) -> list:
    store = chats.store()
    found = queue.waiting(store)
    store.close()
    return found


def _facts(tree) -> list[dict]:
    """What was told of a tree, whoever told it and in whatever words."""
    views = (claim_view(claim) for claim in tree.claims)
    own = ("reader", "text", "span", "message", "sequence", "source")
    return [{key: value for key, value in view.items() if key not in own} for view in views]


def _told(tree) -> set[str]:
    """The states that were told of a tree."""
    return {state for claim in tree.claims for state in claim.states}


def _facts_of(chats, *texts) -> list[dict]:
    """The same of somebody else who said just that."""
    nobody = 900 + sum(map(ord, "".join(texts)))
    for text in texts:
        chats.say(text, nobody)
    return _facts(chats.talk(nobody).tree)


def _rows(chats, table) -> list:
    store = chats.store()
    with store.read() as connection:
        found = list(connection.execute(select(table).order_by(table.c.id)))
    store.close()
    return found


def _files(folder) -> bytes:
    return b"".join(path.read_bytes() for path in folder.glob("chatkey.db*"))


def _sent_to(chats, chat) -> list:
    """Every call that would send into a chat, whatever came of it."""
    return [call for call in list(chats.api.calls) if call.method == "sendMessage" and call.chat == chat]


def _call(chats, update, secret=SECRET) -> int:
    headers = {SECRET_HEADER: secret} if secret else {}
    return int(chats.client.post(PATH, json=update, headers=headers).status_code)


def _until(holds) -> None:
    until = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < until, "it never came to be"
        time.sleep(0.02)


def test_the_pace_of_a_chat_is_kept_over_a_restart(tmp_path, mind):
    with bot_api(keeps_pace=True) as api:
        for n in range(2):
            with opened_chats(tmp_path, mind, paced=True, api=api) as chats:
                chats.seen[ANA] = len(chats.arrived(ANA))
                for text in ("hello", "why", "list")[: 3 - n]:
                    assert chats.say(text)
        times = [call.at for call in api.of("sendMessage", ANA)]
        assert len(times) == 5
        assert min(later - earlier for earlier, later in itertools.pairwise(times)) >= 1.0
        assert not [call for call in api.calls if call.status == 429]
