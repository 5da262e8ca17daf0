"""Telegram's limits beside ours: the Bot API's page (core.telegram.org/bots/api and /bots/faq, October 2023) and the
constants of python-telegram-bot 22.8 (Bot API 10.0)."""

from __future__ import annotations

import pytest
from telegram import constants

from chatkey.channels.telegram import address, client, commands, messages, pacing

LIMITS = pacing.Limits()
# what, our value, the page's value, the library's value; None where one of them names none
VALUES = [
    ("letters of a text", messages.MOST_UNITS, 4096, constants.MessageLimit.MAX_TEXT_LENGTH),
    ("bytes of a button's data", messages.MOST_DATA, 64, constants.InlineKeyboardButtonLimit.MAX_CALLBACK_DATA),
    ("buttons", messages.MOST_BUTTONS, None, constants.InlineKeyboardMarkupLimit.TOTAL_BUTTON_NUMBER),
    ("buttons in a row", messages.MOST_IN_ROW, None, constants.InlineKeyboardMarkupLimit.BUTTONS_PER_ROW),
    (
        *("letters of an answer to a button", client.LONGEST_ANSWER, 200),
        constants.CallbackQueryLimit.ANSWER_CALLBACK_QUERY_TEXT_LENGTH,
    ),
    ("commands", commands.MOST_COMMANDS, 100, constants.BotCommandLimit.MAX_COMMAND_NUMBER),
    ("letters of a description", commands.LONGEST_DESCRIPTION, 256, constants.BotCommandLimit.MAX_DESCRIPTION),
    ("updates of one poll", client.MOST_UPDATES, 100, constants.PollingLimit.MAX_LIMIT),
    ("messages a second in one chat", 1 / LIMITS.chat_s, 1, constants.FloodLimit.MESSAGES_PER_SECOND_PER_CHAT),
    ("messages a minute in one group", LIMITS.group_most, 20, constants.FloodLimit.MESSAGES_PER_MINUTE_PER_GROUP),
    ("messages a second in all", LIMITS.all_most / LIMITS.all_s, 30, constants.FloodLimit.MESSAGES_PER_SECOND),
    ("bytes of a file that a bot may fetch", client.LARGEST_FILE, 20 * 2**20, None),
    ("the largest id", address.LARGEST_ID, 2**52 - 1, None),
]


@pytest.mark.parametrize(("what", "ours", "page", "library"), VALUES, ids=[value[0] for value in VALUES])
def test_our_limit_is_the_published_one(what: str, ours: float, page: float | None, library: int | None) -> None:
    assert page is None or ours == page, what
    assert library is None or ours == library, what


def test_a_minute_and_a_second_are_what_the_page_counts_in() -> None:
    assert (LIMITS.group_s, LIMITS.all_s, LIMITS.chat_s) == (60.0, 1.0, 1.0)


@pytest.mark.parametrize(
    ("secret", "fits"),
    [("a", True), ("A" * 256, True), ("a-_Z9", True), ("", False), ("A" * 257, False), ("a b", False), ("é", False)],
)
def test_a_webhook_s_secret_has_1_to_256_letters_of_its_alphabet(secret: str, fits: bool) -> None:
    assert bool(client.SECRET.fullmatch(secret)) is fits
    assert constants.WebhookLimit.MAX_SECRET_TOKEN_LENGTH == 256


@pytest.mark.parametrize(("key", "fits"), [("é" * 30, True), ("é" * 31, False), ("a" * 60, True), ("a" * 61, False)])
def test_the_data_of_a_button_is_counted_in_bytes(key: str, fits: bool) -> None:
    assert (len(messages.choice_data(1, key).encode()) <= 64) is fits


@pytest.mark.parametrize(("text", "units"), [("a", 1), ("é", 1), ("🌲", 2), ("👩‍🌾", 5), ("ё🌲", 3)])
def test_letters_are_counted_in_units_of_utf_16(text: str, units: int) -> None:
    assert messages.units(text) == units


def test_the_kinds_of_updates_that_we_ask_for_are_telegram_s() -> None:
    assert set(client.WANTED) <= {kind.value for kind in constants.UpdateType}


def test_the_header_of_the_secret_is_named_as_the_page_names_it() -> None:
    assert "X-Telegram-Bot-Api-Secret-Token".lower() == client.SECRET_HEADER
