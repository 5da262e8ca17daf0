"""What updates say to us: who, where, what, and whether it is for us."""

from __future__ import annotations

import json
from typing import Any

import pytest
from bot_updates import (
    ANA,
    BEN,
    TOPIC,
    again,
    edited,
    group_text,
    in_topic,
    location,
    member,
    message,
    migration,
    person,
    photo,
    pressed,
    reply_to,
    text,
    topic_text,
)
from botapi import BOT, GROUP, BotApi
from hypothesis import given
from hypothesis import strategies as st
from telegram import Update

from chatkey.channels.telegram.address import Address
from chatkey.channels.telegram.messages import choice_data
from chatkey.channels.telegram.updates import Heard, Identity, read_update
from chatkey.dialog import Mind
from chatkey.understand import find_place

WE = Identity(BOT["id"], BOT["username"])
WORDS = {"next": "next tree", "list": "list", "start": "start", "forget": "forget me"}


@pytest.fixture
def api() -> BotApi:
    return BotApi()


def heard(update: dict[str, Any]) -> Heard | None:
    """What is read of an update that came as JSON."""
    return read_update(Update.de_json(json.loads(json.dumps(update)), None), WE, WORDS)


def surely(update: dict[str, Any]) -> Heard:
    found = heard(update)
    assert found is not None
    return found


def test_a_private_text_is_heard_with_its_reader_and_where_to_answer(api: BotApi) -> None:
    found = surely(text(api, "needles are flat"))
    assert (found.kind, found.text, found.reader, found.name, found.language) == (
        "text",
        "needles are flat",
        str(ANA),
        "Ana",
        "en",
    )
    assert (found.address, found.is_group, found.addressed, found.message) == (Address(ANA), False, True, 1)


def test_the_same_update_has_the_same_id_and_another_has_another(api: BotApi) -> None:
    first = text(api, "flat")
    twice, second = again(api, first), text(api, "flat")
    assert surely(first).external_id == surely(twice).external_id != surely(second).external_id


@pytest.mark.parametrize(
    ("said", "understood"),
    [
        ("/next", "next tree"),
        ("/next@larkwater_key_bot", "next tree"),
        ("/next@Larkwater_Key_Bot sharp, rolls", "next tree\nsharp, rolls"),
        ("/forget", "forget me"),
        ("@larkwater_key_bot /next", "next tree"),
        ("@larkwater_key_bot /how_sure", "how sure"),
        ("@larkwater_key_bot what is it", "what is it"),
        ("@larkwater_key_bot: soft", "soft"),
        ("hey @LARKWATER_KEY_BOT is it soft", "hey is it soft"),
        ("🌲🌲 @larkwater_key_bot 🌲 soft", "🌲🌲 🌲 soft"),
    ],
)
def test_in_a_group_commands_and_mentions_are_for_us(api: BotApi, said: str, understood: str) -> None:
    found = surely(group_text(api, said))
    assert (found.addressed, found.text, found.is_group) == (True, understood, True)


@pytest.mark.parametrize(
    "said",
    ["lunch at noon?", "/roll", "/roll@dice_bot", "/next@dice_bot", "@ben is it soft", "see @larkwater_key_bots"],
)
def test_in_a_group_what_others_say_to_each_other_is_not_for_us(api: BotApi, said: str) -> None:
    assert not surely(group_text(api, said)).addressed


def test_a_reply_to_us_is_for_us_and_a_reply_to_ben_is_not(api: BotApi) -> None:
    ours = surely(group_text(api, "sharp", **reply_to(GROUP, 7)))
    bens = surely(group_text(api, "sharp", **reply_to(GROUP, 7, ours=False)))
    assert (ours.addressed, ours.reply_to) == (True, 7)
    assert (bens.addressed, bens.reply_to) == (False, 7)


def test_a_command_for_another_bot_stays_its_own_even_as_a_reply_to_us(api: BotApi) -> None:
    assert not surely(group_text(api, "/next@dice_bot", **reply_to(GROUP, 7))).addressed
    assert surely(group_text(api, "/how_sure", **reply_to(GROUP, 7))).addressed


def test_a_person_named_by_id_is_us_only_where_the_id_is_ours(api: BotApi) -> None:
    def named(user: dict[str, Any]) -> Heard:
        entity = {"type": "text_mention", "offset": 0, "length": 3, "user": user}
        return surely(group_text(api, "Key soft needles", entities=[entity]))

    assert (named(BOT).addressed, named(BOT).text) == (True, "soft needles")
    assert not named(person(BEN)).addressed


def test_a_message_in_a_topic_is_answered_there_and_is_no_reply(api: BotApi) -> None:
    plain = surely(topic_text(api, "lunch?"))  # points to our message that opened the topic
    command = surely(topic_text(api, "/next"))
    assert (plain.addressed, plain.reply_to) == (False, None)
    assert (str(command.address), command.addressed) == (f"{GROUP}/{TOPIC}", True)


def test_a_reply_in_a_topic_is_for_us(api: BotApi) -> None:
    found = surely(group_text(api, "sharp", **{**in_topic(), **reply_to(GROUP, 7)}))
    assert (found.topic, found.reply_to, found.addressed) == (TOPIC, 7, True)


def test_a_thread_of_replies_that_is_no_topic_is_answered_in_the_chat(api: BotApi) -> None:
    found = surely(group_text(api, "sharp", message_thread_id=7, **reply_to(GROUP, 7)))
    assert found.address == Address(GROUP)


def test_an_edited_message_is_marked_and_keeps_its_number(api: BotApi) -> None:
    first = text(api, "needles are flat")
    found = surely(edited(api, first, "needles are square"))
    assert (found.kind, found.text, found.message) == ("edited", "needles are square", surely(first).message)
    assert found.external_id != surely(first).external_id


def test_a_live_location_that_moves_is_no_correction(api: BotApi) -> None:
    moved = location(api)["message"] | {"edit_date": 1700000009}
    assert heard(api.push("edited_message", moved)) is None


def test_a_location_is_taken_in_to_about_a_kilometre_and_is_a_place_the_dialog_knows(api: BotApi, mind: Mind) -> None:
    found = surely(location(api, 46.5436, -87.3954))
    assert (found.kind, found.latitude, found.longitude, found.text) == ("location", 46.54, -87.4, "46.54, -87.40")
    place = find_place(found.text, mind.knowledge, asked=True)
    assert place is not None
    assert place.place.code == "MI"


def test_of_a_photo_the_largest_size_is_named_and_its_caption_heard(api: BotApi) -> None:
    found = surely(photo(api, "bark of tree 3"))
    assert (found.kind, found.photo_id, found.text) == ("photo", "twig2", "bark of tree 3")
    assert (surely(photo(api)).text, found.album) == ("", "")


def test_photos_that_were_sent_together_are_known_by_their_album(api: BotApi) -> None:
    assert {surely(photo(api, media_group_id="twigs")).album for _ in range(3)} == {"twigs"}


def test_a_picture_sent_as_a_file_is_a_photo(api: BotApi) -> None:
    file = {"file_id": "cone", "file_unique_id": "u", "mime_type": "image/png"}
    found = surely(api.push("message", message(api, document=file)))
    assert (found.kind, found.photo_id) == ("photo", "cone")


@pytest.mark.parametrize(
    "content",
    [
        {"voice": {"file_id": "v", "file_unique_id": "u", "duration": 3}},
        {"contact": {"phone_number": "555-0111", "first_name": "Dee"}},
        {"document": {"file_id": "d", "file_unique_id": "u", "mime_type": "application/pdf"}},
    ],
)
def test_what_can_t_be_read_is_told_apart_and_nothing_of_it_kept(api: BotApi, content: dict[str, Any]) -> None:
    found = surely(api.push("message", message(api, **content)))
    assert (found.kind, found.text, found.photo_id) == ("other", "", "")


def test_a_button_says_the_key_of_its_choice_and_for_which_question(api: BotApi) -> None:
    buttons = [[{"text": "(2) stiff", "callback_data": choice_data(5, "2")}]]
    ours = message(api, text="Soft & <stiff>?", **{"from": BOT}, reply_markup={"inline_keyboard": buttons})
    found = surely(pressed(api, choice_data(5, "2"), ours))
    assert (found.kind, found.text, found.data, found.label) == ("button", "2", "c:5:2", "(2) stiff")
    assert (found.shown, found.message, found.reader) == ("Soft &amp; &lt;stiff&gt;?", ours["message_id"], str(ANA))
    assert found.callback_id in api.open_queries


def test_a_button_in_a_topic_is_answered_there_and_by_whom_it_was_pressed(api: BotApi) -> None:
    ours = message(api, GROUP, text="Soft?", **{"from": BOT}, message_thread_id=TOPIC, is_topic_message=True)
    found = surely(pressed(api, choice_data(5, "2"), ours, BEN))
    assert (str(found.address), found.reader, found.name, found.addressed) == (
        f"{GROUP}/{TOPIC}",
        str(BEN),
        "Ben",
        True,
    )


def test_a_button_of_a_message_that_is_too_old_comes_without_its_words(api: BotApi) -> None:
    ours = message(api, text="Soft?", **{"from": BOT})
    found = surely(pressed(api, choice_data(5, "2"), ours, is_old=True))
    assert (found.text, found.shown, found.label, found.message) == ("2", "", "", ours["message_id"])


def test_a_button_that_is_none_of_ours_says_nothing_but_is_still_to_be_answered(api: BotApi) -> None:
    found = surely(pressed(api, "buy:3", message(api, text="?", **{"from": BOT})))
    assert (found.text, found.data, bool(found.callback_id)) == ("", "buy:3", True)


@pytest.mark.parametrize(
    ("chat", "before", "after", "kind"),
    [
        (ANA, "member", "kicked", "left"),
        (ANA, "kicked", "member", "joined"),
        (GROUP, "left", "member", "joined"),
        (GROUP, "left", "administrator", "joined"),
        (GROUP, "administrator", "left", "left"),
        (GROUP, "member", "kicked", "left"),
    ],
)
def test_that_we_are_let_in_or_put_out_is_heard(api: BotApi, chat: int, before: str, after: str, kind: str) -> None:
    found = surely(member(api, chat, before, after))
    assert (found.kind, found.chat, found.reader) == (kind, chat, str(ANA))


def test_a_change_of_our_rights_is_neither_joining_nor_leaving(api: BotApi) -> None:
    assert heard(member(api, GROUP, "member", "administrator")) is None


def test_a_group_that_moves_is_heard_from_both_ends(api: BotApi) -> None:
    old, new = map(surely, migration(api, -55, -1009))
    assert [(one.kind, one.chat, one.moved_to) for one in (old, new)] == [("migrated", -55, -1009)] * 2


@pytest.mark.parametrize(
    "content",
    [
        {"new_chat_members": [person(BEN)]},
        {"left_chat_member": person(BEN)},
        {"new_chat_title": "North loop"},
        {"delete_chat_photo": True},
        {"group_chat_created": True},
        {"forum_topic_created": {"name": "North loop", "icon_color": 1}},
    ],
)
def test_what_a_group_tells_of_itself_is_not_heard(api: BotApi, content: dict[str, Any]) -> None:
    assert heard(api.push("message", message(api, GROUP, **content))) is None


def test_bots_and_channels_are_not_heard(api: BotApi) -> None:
    other_bot = {"id": 9, "is_bot": True, "first_name": "Dice"}
    channel = {"id": -77, "type": "channel", "title": "News"}
    assert heard(group_text(api, "/next", **{"from": other_bot})) is None
    assert heard(text(api, "soft", via_bot=other_bot)) is None
    assert heard(group_text(api, "/next", sender_chat=channel, is_automatic_forward=True)) is None
    assert heard(group_text(api, "/next", sender_chat=channel)) is None
    assert heard(api.push("channel_post", {**message(api, text="soft"), "chat": channel})) is None
    assert heard(api.push("poll_answer", {"poll_id": "1", "option_ids": [], "option_persistent_ids": []})) is None


def test_an_admin_who_hides_behind_the_group_is_a_person(api: BotApi) -> None:
    anonymous = {"id": 1087968824, "is_bot": True, "first_name": "Group"}
    group = {"id": GROUP, "type": "supergroup", "title": "Crew"}
    found = surely(group_text(api, "/next", **{"from": anonymous}, sender_chat=group))
    assert (found.reader, found.name, found.text) == ("admins", "", "next tree")


def test_a_name_is_cut_and_kept_on_one_line(api: BotApi) -> None:
    found = surely(text(api, "soft", **{"from": person(ANA, first_name="Ana\n" + "a" * 90)}))
    assert found.name == ("Ana " + "a" * 90)[:40]


@given(said=st.text(min_size=1), chat=st.sampled_from((ANA, GROUP)))
def test_no_text_raises_and_in_private_it_is_heard_whole(said: str, chat: int) -> None:
    found = surely(text(BotApi(), said, chat, entities=[]))
    if chat == ANA and not said.startswith("/"):
        assert found.text == said.encode("utf-8", "replace").decode()
