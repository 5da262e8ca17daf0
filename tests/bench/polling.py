"""How many updates a second go through poll, reading and a reply to each, against a Bot API on the loopback.

    python tests/bench/polling.py --updates 1000

Telegram itself lets 30 messages a second leave: what is above is to spare.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from bot_updates import text
from botapi import TOKEN, BotApi, bot_api

from chatkey.channels.telegram.client import TelegramChannel, open_bot, poll
from chatkey.channels.telegram.messages import Outgoing
from chatkey.channels.telegram.pacing import Limits, Pace
from chatkey.channels.telegram.updates import Identity, read_update

REPLY = Outgoing("<b>Look out for poison ivy.</b>\n\nSoft: probably no spruce.")
NO_LIMITS = Limits(chat_s=0, group_most=10**6, all_most=10**6, spare_s=0)
ALLOWED_A_SECOND = 30


async def answer_all(api: BotApi, n: int, at_once: int) -> float:
    """The seconds until each of `n` updates, from as many chats, has its reply."""
    bot = open_bot(TOKEN, api.url)
    await bot.initialize()
    channel, offset, room = TelegramChannel(bot, Pace(time.monotonic, NO_LIMITS)), 0, asyncio.Semaphore(at_once)
    start = time.perf_counter()
    done = 0
    while done < n:
        polled = await poll(bot, offset)
        offset = polled.offset
        heard = [found for one in polled.updates if (found := read_update(one, Identity(1, "larkwater_key_bot"), {}))]

        async def reply(index: int) -> None:
            async with room:
                assert (await channel.send_message(heard[index].address, REPLY)).outcome == "sent"  # noqa: B023

        await asyncio.gather(*(reply(index) for index in range(len(heard))))
        done += len(heard)
    took = time.perf_counter() - start
    await bot.shutdown()
    return took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--updates", type=int, default=1000)
    n = parser.parse_args().updates
    for at_once in (1, 8):
        with bot_api() as api:
            for reader in range(1, n + 1):
                text(api, "needles are soft", reader, reader)
            a_second = n / asyncio.run(answer_all(api, n, at_once))
            print(
                f"{n} updates, {at_once} replies at once: {a_second:.0f} a second,"
                f" {a_second / ALLOWED_A_SECOND:.0f} times what Telegram lets leave"
            )


if __name__ == "__main__":
    main()
