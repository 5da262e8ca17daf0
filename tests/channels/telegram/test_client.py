"""The client against a Bot API over HTTP: what goes out, what becomes of it, what comes in."""

from __future__ import annotations

import asyncio
import copy
import json
import logging
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from typing import Any, TypeVar

import pytest
from bot_updates import ANA, BEN, TOPIC, again, member, message, person, photo, pressed, reply_to, text
from botapi import GROUP, SECRET_HEADER, TOKEN, BotApi, bot_api, served
from gateway import free_port
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from telegram import Bot

from chatkey.channels.base import ChannelError, Delivery
from chatkey.channels.telegram.address import Address
from chatkey.channels.telegram.client import (
    PAUSE_S,
    TelegramChannel,
    begin,
    check_secret,
    is_from_telegram,
    open_bot,
    poll,
    read_webhook,
)
from chatkey.channels.telegram.messages import Button, Outgoing, choice_data, chosen, compose, to_text
from chatkey.channels.telegram.pacing import Limits, Pace
from chatkey.channels.telegram.updates import Identity, read_update
from chatkey.dialog import Ask, Block, Choice, Mind

T = TypeVar("T")
Use = Callable[[TelegramChannel], Awaitable[T]]

OFFLINE = Bot(TOKEN)
SOFT = Ask("character", "leaf_stiffness", "", (Choice("1", "soft", "soft"), Choice("2", "stiff", "stiff")))
HELLO = Outgoing("Hello.")
AT_ONCE = Limits(chat_s=0, group_most=1000, all_most=1000, spare_s=0)
SECRET = "larkwater-Secret_1"


@pytest.fixture(scope="module")
def server() -> Iterator[BotApi]:
    with bot_api() as found:
        yield found


@pytest.fixture
def api(server: BotApi) -> BotApi:
    server.begin_anew()
    return server


def using(api: BotApi, use: Use[T], limits: Limits = AT_ONCE, clock: Callable[[], float] = lambda: 0.0) -> T:
    """What came of using the channel, with the bot at work around it."""

    async def run() -> T:
        bot = open_bot(TOKEN, api.url)
        await bot.initialize()
        try:
            return await use(TelegramChannel(bot, Pace(clock, limits)))
        finally:
            await bot.shutdown()

    return asyncio.run(run())


def sending(api: BotApi, chat: int = ANA, outgoing: Outgoing = HELLO) -> Delivery:
    return using(api, lambda channel: channel.send_message(Address(chat), outgoing))


def _nested(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    names = st.sampled_from(["id", "type", "offset", "length", "user", "text", "latitude"])
    return st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=6)


# Out.


def test_a_reply_arrives_with_its_danger_bold_and_its_choices_as_buttons(api: BotApi, mind: Mind) -> None:
    reply = compose((Block("question", "Soft & light?"), Block("caution", "Wasps <here>.")), SOFT, mind.script, 12)
    delivery = using(api, lambda channel: channel.send(f"{GROUP}/{TOPIC}", to_text(replace(reply, reply_to=3))))
    (call,) = api.of("sendMessage")
    assert delivery == Delivery("sent", 1)
    assert call.args["text"] == "<b>Wasps &lt;here&gt;.</b>\n\nSoft &amp; light?"
    assert (call.chat, call.args["message_thread_id"]) == (GROUP, str(TOPIC))
    assert json.loads(call.args["reply_parameters"]) == {"message_id": 3, "allow_sending_without_reply": True}
    shown = api.messages[GROUP, 1]
    assert shown["text"] == "Wasps <here>.\n\nSoft & light?"
    assert [[one["callback_data"] for one in row] for row in shown["reply_markup"]["inline_keyboard"]] == [
        ["c:12:1", "c:12:2"]
    ]


@pytest.mark.parametrize(
    ("status", "description", "parameters", "delivery"),
    [
        (429, "Too Many Requests: retry after 35", {"retry_after": 35}, Delivery("paced", wait_s=35.0)),
        (400, "Bad Request: upgraded", {"migrate_to_chat_id": -1009}, Delivery("moved", moved_to="-1009")),
        (403, "Forbidden: bot was blocked by the user", {}, Delivery("stopped")),
        (403, "Forbidden: bot was kicked from the supergroup chat", {}, Delivery("stopped")),
        (400, "Bad Request: chat not found", {}, Delivery("refused")),
        (400, "Bad Request: not enough rights to send text messages to the chat", {}, Delivery("refused")),
        (500, "Internal Server Error", {}, Delivery("later", wait_s=PAUSE_S)),
        (502, "Bad Gateway", {}, Delivery("later", wait_s=PAUSE_S)),
        (401, "Unauthorized", {}, Delivery("later", wait_s=PAUSE_S)),
    ],
)
def test_what_telegram_answers_says_what_became_of_a_message(
    api: BotApi, status: int, description: str, parameters: dict[str, int], delivery: Delivery
) -> None:
    api.fail(status, description, "sendMessage", **parameters)
    assert sending(api, GROUP) == delivery


def test_who_has_blocked_us_is_not_written_to_and_a_group_that_moved_tells_where(api: BotApi) -> None:
    api.blocked.add(ANA)
    api.unknown.add(BEN)
    api.migrated[-55] = GROUP
    assert sending(api, ANA) == Delivery("stopped")
    assert sending(api, BEN) == Delivery("refused")
    assert sending(api, -55) == Delivery("moved", moved_to=str(GROUP))
    assert sending(api, GROUP).outcome == "sent"


def test_in_a_topic_that_is_gone_nothing_is_said(api: BotApi) -> None:
    api.closed_topics.add((GROUP, TOPIC))
    sent = using(api, lambda channel: channel.send_message(Address(GROUP, TOPIC), HELLO))
    assert sent == Delivery("refused")


def test_the_server_takes_files_too(api: BotApi) -> None:
    async def upload(channel: TelegramChannel) -> None:
        await channel.bot.send_document(ANA, b"tree,name", caption="Walk", filename="walk.csv")
        await channel.bot.send_photo(ANA, b"\x89PNG\r\n\x00", caption="Page")

    using(api, upload)
    assert [call.files for call in api.calls[1:]] == [{"document": b"tree,name"}, {"photo": b"\x89PNG\r\n\x00"}]
    assert [api.messages[ANA, id]["caption"] for id in (1, 2)] == ["Walk", "Page"]


def test_a_cut_connection_means_later_even_where_the_message_arrived(api: BotApi) -> None:
    api.cut()
    assert sending(api).outcome == "later"
    api.cut(done=True)
    assert sending(api).outcome == "later"
    assert len(api.of("sendMessage")) == 1


def test_where_nobody_listens_it_is_later() -> None:
    async def send() -> Delivery:
        bot = open_bot(TOKEN, f"http://127.0.0.1:{free_port()}")
        try:
            return await TelegramChannel(bot, Pace(lambda: 0.0)).send_message(Address(ANA), HELLO)
        finally:
            await bot.shutdown()

    assert asyncio.run(send()) == Delivery("later", wait_s=PAUSE_S)


def test_a_message_that_says_nothing_is_not_sent(api: BotApi) -> None:
    assert sending(api, outgoing=Outgoing("")) == Delivery("refused")
    assert api.of("sendMessage") == []


def test_whatever_a_reply_says_telegram_takes_it(api: BotApi, mind: Mind) -> None:
    @settings(deadline=None, max_examples=40)
    @given(said=st.text(min_size=1, max_size=200), label=st.text(min_size=1, max_size=30))
    def takes(said: str, label: str) -> None:
        ask = Ask("character", "leaf_stiffness", "", (Choice("1", label, "soft"),))
        reply = compose((Block("caution", said), Block("note", said)), ask, mind.script, 1)
        assert sending(api, outgoing=reply).outcome == ("sent" if reply.html else "refused")

    takes()


def test_a_chat_that_was_just_written_to_waits_without_a_call(api: BotApi) -> None:
    async def twice(channel: TelegramChannel) -> list[Delivery]:
        return [await channel.send_message(Address(chat), HELLO) for chat in (ANA, ANA, BEN)]

    assert using(api, twice, Limits(spare_s=0)) == [
        Delivery("sent", 1),
        Delivery("paced", wait_s=1),
        Delivery("sent", 1),
    ]
    assert len(api.of("sendMessage")) == 2


def test_a_chat_that_telegram_holds_back_waits_as_long_as_it_was_told(api: BotApi) -> None:
    async def twice(channel: TelegramChannel) -> list[Delivery]:
        return [await channel.send_message(Address(ANA), HELLO) for _ in range(2)]

    api.fail(429, "Too Many Requests: retry after 7", "sendMessage", retry_after=7)
    assert using(api, twice) == [Delivery("paced", wait_s=7.0)] * 2
    assert [call.status for call in api.calls if call.method == "sendMessage"] == [429]


class Clock:
    """Time that passes when it is told to."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(("waits", "statuses"), [(True, {200}), (False, {200, 429})])
def test_telegram_never_has_to_say_too_many_where_each_waits_for_its_turn(
    api: BotApi, waits: bool, statuses: set[int]
) -> None:
    clock = Clock()
    chats = [GROUP] * 45 + [ANA] * 10 + list(range(200, 280))

    async def send_all(channel: TelegramChannel) -> None:
        for chat in chats:
            clock.now = max(clock.now, channel.pace.due(chat))
            assert (await channel.send_message(Address(chat), HELLO)).outcome in ("sent", "paced")

    api.begin_anew(clock, keeps_pace=True)
    using(api, send_all, Limits() if waits else AT_ONCE, clock)
    assert {call.status for call in api.calls if call.method == "sendMessage"} == statuses


# Edits and buttons.


def test_the_answer_takes_the_place_of_the_buttons(api: BotApi, mind: Mind) -> None:
    async def press(channel: TelegramChannel) -> tuple[Delivery, bool, bool]:
        reply = compose((Block("question", "Soft & light?"),), SOFT, mind.script, 12)
        sent = await channel.send_message(Address(ANA), reply)
        pressed(api, choice_data(12, "2"), api.messages[ANA, sent.message])
        (update,) = (await poll(channel.bot)).updates
        heard = read_update(update, Identity(1, "larkwater_key_bot"), {})
        assert heard is not None
        after = chosen(heard.shown, heard.label, mind.script)
        assert after is not None
        edited = await channel.edit(heard.address, heard.message, after)
        return edited, await channel.answer(heard.callback_id), await channel.answer(heard.callback_id)

    assert using(api, press) == (Delivery("sent", 1), True, False)
    assert api.messages[ANA, 1]["text"] == "Soft & light?\n\nYou chose (2) stiff."
    assert "reply_markup" not in api.messages[ANA, 1]
    assert len(api.of("sendMessage")) == 1


def test_an_edit_that_changes_nothing_is_as_good_as_done(api: BotApi) -> None:
    async def twice(channel: TelegramChannel) -> list[Delivery]:
        await channel.send_message(Address(ANA), Outgoing("Soft?", ((Button("yes", "c:1:1"),),)))
        return [await channel.edit(Address(ANA), 1, Outgoing("Soft.")) for _ in range(2)]

    assert using(api, twice) == [Delivery("sent", 1)] * 2


def test_buttons_are_taken_away_once_and_words_stay(api: BotApi) -> None:
    async def take(channel: TelegramChannel) -> list[Delivery]:
        await channel.send_message(Address(ANA), Outgoing("Soft?", ((Button("yes", "c:1:1"),),)))
        return [await channel.take_buttons(Address(ANA), id) for id in (1, 1, 99)]

    assert [one.outcome for one in using(api, take)] == ["sent", "sent", "refused"]
    assert api.messages[ANA, 1]["text"] == "Soft?"
    assert "reply_markup" not in api.messages[ANA, 1]


def test_a_long_answer_to_a_button_is_cut_and_a_late_one_hurts_nobody(api: BotApi) -> None:
    api.open_queries.add("q1")
    assert using(api, lambda channel: channel.answer("q1", "🌲" * 300)) is True
    assert api.of("answerCallbackQuery")[0].args["text"] == "🌲" * 100
    assert using(api, lambda channel: channel.answer("gone", "Too late.")) is False


def test_that_a_reply_is_on_its_way_is_shown_where_it_can_be(api: BotApi) -> None:
    assert using(api, lambda channel: channel.typing(Address(GROUP, TOPIC))) is True
    api.fail(500, "Internal Server Error", "sendChatAction")
    assert using(api, lambda channel: channel.typing(Address(GROUP))) is False


# In.


def test_updates_come_in_order_and_are_taken_by_the_next_poll(api: BotApi) -> None:
    async def twice(channel: TelegramChannel) -> list[list[str | None]]:
        first = await poll(channel.bot)
        second = await poll(channel.bot, first.offset, hold_s=0)
        return [[one.message and one.message.text for one in polled.updates] for polled in (first, second)]

    for said in ("flat", "soft", "two lines"):
        text(api, said)
    assert using(api, twice) == [["flat", "soft", "two lines"], []]


def test_a_poll_is_held_open_until_something_comes(api: BotApi) -> None:
    async def late(channel: TelegramChannel) -> str | None:
        polling = asyncio.create_task(poll(channel.bot, hold_s=20))
        await channel.typing(Address(ANA))  # one call later the poll is at the server
        assert not polling.done()
        text(api, "soft")
        (update,) = (await polling).updates
        return update.message and update.message.text

    assert using(api, late) == "soft"


def test_what_was_not_taken_comes_again_with_the_same_number(api: BotApi) -> None:
    first = text(api, "flat")
    again(api, first)
    ids = using(api, lambda channel: poll(channel.bot))
    assert [one.update_id for one in ids.updates] == [first["update_id"]] * 2


def test_an_update_of_a_shape_that_nobody_knows_is_passed_over(api: BotApi) -> None:
    api.push("message", {"message_id": "?", "chat": 5})
    api.push("a_new_kind", {"x": 1})
    text(api, "soft")
    polled = using(api, lambda channel: poll(channel.bot))
    assert [one.message.text for one in polled.updates if one.message] == ["soft"]
    assert polled.offset == 4


def test_a_webhook_that_was_left_is_taken_away_and_the_next_poll_works(api: BotApi) -> None:
    async def twice(channel: TelegramChannel) -> list[str]:
        first = await poll(channel.bot, hold_s=0)
        second = await poll(channel.bot, hold_s=0)
        return [first.trouble, second.trouble]

    api.webhook = {"url": "http://127.0.0.1:9/old", "secret_token": ""}
    assert using(api, twice) == ["conflict", ""]


def test_of_two_that_poll_the_older_one_is_told(api: BotApi) -> None:
    async def two(channel: TelegramChannel) -> str:
        older = asyncio.create_task(poll(channel.bot, hold_s=20))
        await channel.typing(Address(ANA))
        other = open_bot(TOKEN, api.url)
        await other.initialize()
        await poll(other, hold_s=0)
        await other.shutdown()
        return (await older).trouble

    assert using(api, two) == "conflict"


@pytest.mark.parametrize(
    ("status", "parameters", "trouble", "wait_s"),
    [(429, {"retry_after": 9}, "flood", 9.0), (500, {}, "network", PAUSE_S), (502, {}, "network", PAUSE_S)],
)
def test_a_poll_that_fails_says_how_long_to_pause_and_takes_nothing(
    api: BotApi, status: int, parameters: dict[str, int], trouble: str, wait_s: float
) -> None:
    api.fail(status, "No", "getUpdates", **parameters)
    polled = using(api, lambda channel: poll(channel.bot, 17))
    assert (polled.updates, polled.offset, polled.trouble, polled.wait_s) == ((), 17, trouble, wait_s)


@pytest.mark.parametrize("status", [401, 404])
def test_a_token_that_is_refused_ends_the_polling(api: BotApi, status: int) -> None:
    api.fail(status, "Unauthorized", "getUpdates")
    with pytest.raises(ChannelError, match="does not know the token"):
        using(api, lambda channel: poll(channel.bot))


def test_a_photo_is_fetched_only_when_asked_for(api: BotApi) -> None:
    async def fetch(channel: TelegramChannel) -> tuple[bytes | None, bytes | None]:
        (update,) = (await poll(channel.bot)).updates
        heard = read_update(update, Identity(1, "larkwater_key_bot"), {})
        assert heard is not None
        assert api.of("getFile") == []
        return await channel.photo(heard.photo_id), await channel.photo("gone")

    api.files["photos/twig2.jpg"] = b"bark"
    photo(api, "bark of tree 3")
    assert using(api, fetch) == (b"bark", None)


# The start.


def beginning(api: BotApi, mind: Mind, token: str = TOKEN, **how: str) -> Identity:
    async def run() -> Identity:
        bot = open_bot(token, api.url)
        try:
            return await begin(bot, {"en": mind.script, "es": mind.script}, **how)  # type: ignore[arg-type]
        finally:
            await bot.shutdown()

    return asyncio.run(run())


def test_at_the_start_the_menu_is_told_in_each_language_and_an_old_webhook_ends(api: BotApi, mind: Mind) -> None:
    api.webhook = {"url": "http://127.0.0.1:9/old", "secret_token": ""}
    assert beginning(api, mind) == Identity(1, "larkwater_key_bot")
    assert set(api.commands) == {"", "en", "es"}
    assert [one["command"] for one in api.commands[""]] == list(mind.script.tables["telegram_menu"])
    assert api.webhook["url"] == ""


def test_with_a_webhook_telegram_is_told_address_secret_and_what_we_want(api: BotApi, mind: Mind) -> None:
    beginning(api, mind, webhook="http://127.0.0.1:9/in", secret=SECRET)
    (call,) = api.of("setWebhook")
    assert (call.args["url"], call.args["secret_token"]) == ("http://127.0.0.1:9/in", SECRET)
    assert json.loads(call.args["allowed_updates"]) == ["message", "edited_message", "callback_query", "my_chat_member"]


def test_a_start_that_can_not_be_says_why_and_never_shows_the_token(api: BotApi, mind: Mind) -> None:
    with pytest.raises(ChannelError, match="does not know the token"):
        beginning(api, mind, token="2:OTHER")
    api.fail(500, "Internal Server Error", "setMyCommands")
    with pytest.raises(ChannelError, match="did not take the settings") as told:
        beginning(api, mind)
    assert TOKEN not in str(told.value)
    with pytest.raises(ChannelError, match="does not know the token"):
        open_bot("", api.url)


@pytest.mark.parametrize("secret", ["", "a b", "ü", "x" * 257, "a\n"])
def test_a_secret_that_telegram_would_refuse_is_told_before_any_call(api: BotApi, mind: Mind, secret: str) -> None:
    with pytest.raises(ChannelError, match="A-Z a-z 0-9"):
        beginning(api, mind, webhook="http://127.0.0.1:9/in", secret=secret)
    assert api.calls == []
    check_secret(SECRET)


def test_nothing_of_a_token_or_a_finder_s_words_is_logged(
    api: BotApi, mind: Mind, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    text(api, "soft needles by the lake")
    api.push("message", {"message_id": "?", "text": "sharp needles"})
    api.fail(500, "Internal Server Error", "sendMessage")
    using(api, lambda channel: poll(channel.bot))
    sending(api, outgoing=Outgoing("Native here."))
    logged = " ".join(record.getMessage() for record in caplog.records)
    assert not any(words in logged for words in (TOKEN, "needles", "Native"))


# The webhook.


@pytest.mark.parametrize(
    ("headers", "secret", "is_theirs"),
    [
        ({SECRET_HEADER.lower(): SECRET}, SECRET, True),
        ({SECRET_HEADER.lower(): SECRET + "x"}, SECRET, False),
        ({SECRET_HEADER.lower(): "ü\udcff"}, SECRET, False),
        ({}, SECRET, False),
        ({SECRET_HEADER.lower(): ""}, "", False),
    ],
)
def test_only_who_knows_the_secret_is_heard(headers: dict[str, str], secret: str, is_theirs: bool) -> None:
    assert is_from_telegram(headers, secret) is is_theirs


def test_the_body_of_a_webhook_is_an_update(api: BotApi) -> None:
    body = json.dumps(text(api, "soft")).encode()
    update = read_webhook(OFFLINE, body)
    assert update is not None
    assert update.message is not None
    assert update.message.text == "soft"


def test_updates_are_pushed_with_the_secret_and_again_until_they_are_taken(api: BotApi, mind: Mind) -> None:
    said: list[str | None] = []

    async def door(request: Request) -> Response:
        if not is_from_telegram(request.headers, SECRET):
            return Response(status_code=403)
        update = read_webhook(OFFLINE, await request.body())
        said.append(update.message.text if update and update.message else None)
        return Response(status_code=503 if len(said) == 1 else 200)

    with served(Starlette(routes=[Route("/in", door, methods=["POST"])])) as url:
        beginning(api, mind, webhook=f"{url}/in", secret=SECRET)
        text(api, "soft")
        text(api, "flat")
        assert api.wait_pushed(3) == [503, 200, 200]
        api.webhook["secret_token"] = "another"
        text(api, "forged")
        assert api.wait_pushed(4)[-1] == 403
        api.webhook["url"] = ""
    assert said == ["soft", "soft", "flat"]


def test_an_update_that_can_not_be_read_is_taken_and_dropped() -> None:
    assert read_webhook(OFFLINE, b'{"update_id": 5, "message": {"message_id": 7}}') is None


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"\xff", b'{"update_id": "5"}', b"null", b"[" * 100_000])
def test_what_is_no_update_at_all_is_told(body: bytes) -> None:
    with pytest.raises(ChannelError, match="no update"):
        read_webhook(OFFLINE, body)


values = st.recursive(st.none() | st.booleans() | st.integers() | st.text(max_size=9), _nested, max_leaves=9)


@settings(deadline=None)
@given(data=st.data(), value=values)
def test_whatever_stands_in_an_update_it_is_read_or_passed_over(data: st.DataObject, value: Any) -> None:
    server = BotApi()
    whole = message(server, GROUP, text="/next soft", **reply_to(GROUP, 7), location={"latitude": 1, "longitude": 2})
    kind = data.draw(st.sampled_from(["message", "edited_message", "callback_query", "my_chat_member"]))
    content = {
        "callback_query": {"id": "q", "from": person(), "chat_instance": "c", "data": "c:1:1", "message": whole},
        "my_chat_member": member(server, GROUP, "left", "member")["my_chat_member"],
    }.get(kind, whole)
    place = content = copy.deepcopy(content)  # what is spoilt below may be shared with other tests
    while True:
        name = data.draw(st.sampled_from(sorted(place)))
        if not isinstance(place[name], dict) or data.draw(st.booleans()):
            break
        place = place[name]
    place[name] = value
    update = read_webhook(OFFLINE, json.dumps({"update_id": 5, kind: content}).encode())
    if update is not None:
        read_update(update, Identity(1, "larkwater_key_bot"), {})
