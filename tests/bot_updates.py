"""Updates as Telegram sends them, made for tests: what Ana, Ben and Cal of the Larkwater Stewards write and press."""

from __future__ import annotations

import re
from typing import Any

from botapi import BOT, GROUP, BotApi, Update
from telegram_html import units

MARKED = re.compile(r"(?<!\S)(?:/[A-Za-z0-9_@]+|@[A-Za-z0-9_]+)")
AT = 1700000000
ANA, BEN, CAL = 101, 102, 103
PEOPLE = {ANA: "Ana", BEN: "Ben", CAL: "Cal"}
TOPIC = 40


def person(id: int = ANA, **more: Any) -> dict[str, Any]:
    """A user; an id that is nobody's gets no special name."""
    return {"id": id, "is_bot": False, "first_name": PEOPLE.get(id, "Dee"), "language_code": "en", **more}


def message(api: BotApi, chat: int = ANA, reader: int = ANA, **content: Any) -> dict[str, Any]:
    """A message with its commands and mentions marked, as the real server does it."""
    where = {"id": chat, "type": "private"} if chat > 0 else {"id": chat, "type": "supergroup", "title": "Crew"}
    content = {"from": person(reader), **content}
    if "text" in content and "entities" not in content:
        content["entities"] = _entities(content["text"])
    return {"message_id": api.next_id(chat), "date": AT, "chat": where, **content}


def text(api: BotApi, said: str, chat: int = ANA, reader: int = ANA, **more: Any) -> Update:
    """A text in a private chat, or (with a chat below zero) in a group."""
    return api.push("message", message(api, chat, reader, text=said, **more))


def group_text(api: BotApi, said: str, reader: int = ANA, **more: Any) -> Update:
    """A text in the crew's group."""
    return text(api, said, GROUP, reader, **more)


def topic_text(api: BotApi, said: str, topic: int = TOPIC, reader: int = ANA, **more: Any) -> Update:
    """A text in a topic of the group: it points at the message that made the topic, as all there do."""
    return text(api, said, GROUP, reader, **in_topic(topic), **more)


def in_topic(topic: int = TOPIC, maker: int = 1) -> dict[str, Any]:
    """What a message in a topic carries."""
    created = {"name": "North loop", "icon_color": 7322096}
    opening = {"message_id": topic, "date": AT, "chat": {"id": GROUP, "type": "supergroup"}}
    opening |= {"from": BOT if maker == 1 else person(maker), "forum_topic_created": created}
    return {"message_thread_id": topic, "is_topic_message": True, "reply_to_message": opening}


def reply_to(chat: int, id: int, *, ours: bool = True, reader: int = BEN) -> dict[str, Any]:
    """What a reply carries."""
    where = {"id": chat, "type": "supergroup" if chat < 0 else "private"}
    sender = BOT if ours else person(reader)
    return {"reply_to_message": {"message_id": id, "date": AT, "chat": where, "from": sender, "text": "Sharp?"}}


def edited(api: BotApi, old: Update, said: str) -> Update:
    """The same message with other words."""
    changed = {**old["message"], "text": said, "entities": _entities(said), "edit_date": AT + 9}
    return api.push("edited_message", changed)


def location(api: BotApi, latitude: float = 46.5436, longitude: float = -87.3954, **more: Any) -> Update:
    """A place sent from the map."""
    return api.push("message", message(api, location={"latitude": latitude, "longitude": longitude}, **more))


def photo(api: BotApi, caption: str = "", **more: Any) -> Update:
    """A photo in two sizes."""
    sizes = [{"file_id": f"twig{n}", "file_unique_id": f"u{n}", "width": 90 * n, "height": 60 * n} for n in (1, 2)]
    return api.push("message", message(api, photo=sizes, **({"caption": caption} if caption else {}), **more))


def pressed(api: BotApi, data: str, on: dict[str, Any], reader: int = ANA, *, is_old: bool = False) -> Update:
    """A button of one of our messages; an old message comes without what stood in it."""
    id = f"q{api.next_id(0)}-{on['message_id']}-{reader}"
    api.open_queries.add(id)
    seen = {"chat": on["chat"], "message_id": on["message_id"], "date": 0} if is_old else on
    return api.push(
        "callback_query",
        {"id": id, "from": person(reader), "chat_instance": "c", "data": data, "message": seen},
    )


def member(api: BotApi, chat: int, before: str, after: str, reader: int = ANA) -> Update:
    """Our own standing in a chat changed: member, kicked (in a private chat: blocked), left, administrator."""
    change = {
        **{"chat": {"id": chat, "type": "private" if chat > 0 else "supergroup"}, "from": person(reader), "date": AT},
        **{"old_chat_member": _standing(before), "new_chat_member": _standing(after)},
    }
    return api.push("my_chat_member", change)


def migration(api: BotApi, old: int, new: int) -> tuple[Update, Update]:
    """A group becomes a supergroup: said in the old chat and in the new one."""
    gone = message(api, old, migrate_to_chat_id=new)
    gone["chat"]["type"] = "group"
    return api.push("message", gone), api.push("message", message(api, new, migrate_from_chat_id=old))


def again(api: BotApi, update: Update) -> Update:
    """The same update once more."""
    ((kind, content),) = [pair for pair in update.items() if pair[0] != "update_id"]
    return api.push(kind, content, update_id=update["update_id"])


def _standing(status: str) -> dict[str, Any]:
    member: dict[str, Any] = {"status": status, "user": BOT}
    if status == "kicked":
        member["until_date"] = 0
    if status == "administrator":
        rights = "be_edited manage_chat delete_messages manage_video_chats restrict_members promote_members change_info"
        rights += " invite_users post_stories edit_stories delete_stories"
        member |= {f"can_{right}": True for right in rights.split()} | {"is_anonymous": False}
    return member


def _entities(said: str) -> list[dict[str, Any]]:
    """Commands and mentions, measured in UTF-16."""
    found = []
    for mark in MARKED.finditer(said):
        offset, length = units(said[: mark.start()]), units(mark[0])
        found.append({"type": "bot_command" if mark[0][0] == "/" else "mention", "offset": offset, "length": length})
    return found
