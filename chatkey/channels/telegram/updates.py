"""What an update says to us: who wrote or pressed what, where, and whether it is meant for us. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from telegram import CallbackQuery, Chat, ChatMember, ChatMemberUpdated, Message, MessageEntity, Update, User

from chatkey.channels.base import whole
from chatkey.channels.telegram.address import Address
from chatkey.channels.telegram.commands import Command, read_command
from chatkey.channels.telegram.messages import read_pressed

Kind = Literal["text", "edited", "button", "photo", "location", "joined", "left", "migrated", "other"]

POINT_DIGITS = 2  # of a degree: about 1 km, no finer is taken in
LONGEST_NAME = 40
PRESENT = (ChatMember.MEMBER, ChatMember.ADMINISTRATOR, ChatMember.OWNER)
# What the library, which checks no types, raises for an update of a shape that it does not know.
UNREADABLE = (AttributeError, KeyError, TypeError, ValueError, OverflowError)
ANONYMOUS = "admins"  # who write in the name of their group are one reader


@dataclass(frozen=True, slots=True)
class Identity:
    """Who we are there."""

    id: int
    username: str


@dataclass(frozen=True, slots=True)
class Heard:
    """One thing that came. What is not `addressed` was said in a group to others, and is not for us to keep.

    kind: text; edited (a correction where `message` is the reader's last); button; photo (never looked at); location;
    joined and left (we did, or a person let us in or out); migrated (the group has a new id, `moved_to`); other (a
    voice, a sticker: nothing we can read).
    """

    external_id: str  # the same for the same update
    kind: Kind
    chat: int
    topic: int | None = None
    reader: str = ""
    name: str = ""
    text: str = ""  # for the dialog: a command is made words, a button the key of its choice, a location two numbers
    is_group: bool = False
    addressed: bool = True
    message: int = 0  # of a button: the message that it stood under
    reply_to: int | None = None
    latitude: float | None = None
    longitude: float | None = None
    photo_id: str = ""
    album: str = ""  # of photos that were sent together: the same for all of them
    callback_id: str = ""
    data: str = ""  # of a button: what it carries
    label: str = ""  # of a button: what it says
    shown: str = ""  # of a button: its message in HTML, "" where that is too old
    moved_to: int | None = None
    language: str = ""

    @property
    def address(self) -> Address:
        """Where a reply goes."""
        return Address(self.chat, self.topic)


@dataclass(frozen=True, slots=True)
class _Said:
    """The words of a message, and whether they were meant for us, for others, or for whoever reads them."""

    text: str
    meant_for: Literal["us", "others", "anyone"]


def read_update(update: Update, bot: Identity, commands: Mapping[str, str]) -> Heard | None:
    """What an update says to us; None for what never does (channels, other bots, what a group says of itself), and for
    one of a shape that nobody knows: it would come again and again.

    `commands`: command -> words that the dialog knows, as in the script's table of that name.
    """
    try:
        return _read(str(update.update_id), update, bot, commands)
    except UNREADABLE:
        return None


def _read(id: str, update: Update, bot: Identity, commands: Mapping[str, str]) -> Heard | None:
    if update.message is not None:
        return _message(id, update.message, bot, commands)
    if update.edited_message is not None:
        return _edited(id, update.edited_message, bot, commands)
    if update.callback_query is not None:
        return _button(id, update.callback_query)
    return _standing(id, update.my_chat_member) if update.my_chat_member is not None else None


def _message(id: str, message: Message, bot: Identity, commands: Mapping[str, str]) -> Heard | None:
    if message.migrate_to_chat_id:
        return Heard(id, "migrated", message.chat.id, is_group=True, moved_to=message.migrate_to_chat_id)
    if message.migrate_from_chat_id:
        return Heard(id, "migrated", message.migrate_from_chat_id, is_group=True, moved_to=message.chat.id)
    reader = _reader(message)
    if reader is None or message.chat.type == Chat.CHANNEL or message.is_automatic_forward or message.via_bot:
        return None
    said = _said(message, bot, commands)
    kind, text = _content(message, said.text)
    if kind is None:
        return None
    is_group = message.chat.type != Chat.PRIVATE
    point = message.location
    return Heard(
        external_id=id,
        kind=kind,
        chat=message.chat.id,
        topic=_topic(message),
        reader=reader[0],
        name=reader[1],
        text=text,
        is_group=is_group,
        addressed=not is_group or said.meant_for == "us" or (said.meant_for == "anyone" and _replies_to(message, bot)),
        message=message.message_id,
        reply_to=_replied(message),
        latitude=round(point.latitude, POINT_DIGITS) if point else None,
        longitude=round(point.longitude, POINT_DIGITS) if point else None,
        photo_id=_photo(message),
        album=message.media_group_id or "",
        language=(message.from_user.language_code if message.from_user else None) or "",
    )


def _edited(id: str, message: Message, bot: Identity, commands: Mapping[str, str]) -> Heard | None:
    """New words for old; a live location that moves on is no correction."""
    heard = _message(id, message, bot, commands)
    if heard is None or heard.kind not in ("text", "photo") or not heard.text:
        return None
    return replace(heard, kind="edited")


def _button(id: str, query: CallbackQuery) -> Heard | None:
    message, data = query.message, query.data or ""
    if message is None or query.from_user.is_bot:
        return None
    found = read_pressed(data)
    whole_message = message if isinstance(message, Message) else None  # one that is too old comes without its content
    return Heard(
        external_id=id,
        kind="button",
        chat=message.chat.id,
        topic=_topic(whole_message) if whole_message else None,
        reader=str(query.from_user.id),
        name=_name(query.from_user),
        text=found.text if found else "",
        is_group=message.chat.type != Chat.PRIVATE,
        message=message.message_id,
        callback_id=query.id,
        data=data,
        label=_label(whole_message, data) if whole_message else "",
        shown=_shown(whole_message),
        language=query.from_user.language_code or "",
    )


def _shown(message: Message | None) -> str:
    """The message in HTML, with no marks escaped but those that must be."""
    found = (message.text_html or "") if message is not None and message.text else ""
    return found.replace("&#x27;", "'").replace("&quot;", '"')


def _standing(id: str, change: ChatMemberUpdated) -> Heard | None:
    """We were let in or put out (in a private chat: unblocked or blocked); a change of our rights is neither."""
    before, after = _is_present(change.old_chat_member), _is_present(change.new_chat_member)
    if before == after or change.chat.type == Chat.CHANNEL:
        return None
    is_group = change.chat.type != Chat.PRIVATE
    reader, name = str(change.from_user.id), _name(change.from_user)
    return Heard(id, "joined" if after else "left", change.chat.id, None, reader, name, is_group=is_group)


def _is_present(member: ChatMember) -> bool:
    return member.status in PRESENT or bool(getattr(member, "is_member", False))  # restricted, and in or out


def _reader(message: Message) -> tuple[str, str] | None:
    """Who wrote: id and name; None for bots and channels. Admins who hide their names are people all the same."""
    if message.sender_chat is not None:
        return (ANONYMOUS, "") if message.sender_chat.id == message.chat.id else None
    sender = message.from_user
    return None if sender is None or sender.is_bot else (str(sender.id), _name(sender))


def _name(user: User) -> str:
    return " ".join(whole(user.first_name or "").split())[:LONGEST_NAME]


def _topic(message: Message) -> int | None:
    """A thread of replies outside of topics has a number too; to send there would be refused."""
    return message.message_thread_id if message.is_topic_message else None


def _replied(message: Message) -> int | None:
    """The message that this one replies to. In a topic all messages point to the one that opened it."""
    replied = message.reply_to_message
    return None if replied is None or replied.forum_topic_created else replied.message_id


def _replies_to(message: Message, bot: Identity) -> bool:
    replied = message.reply_to_message
    return _replied(message) is not None and bool(replied and replied.from_user and replied.from_user.id == bot.id)


def _content(message: Message, text: str) -> tuple[Kind | None, str]:
    """The kind of a message and its words; (None, "") for what only tells of the group."""
    point = message.location
    if point is not None:
        return "location", f"{point.latitude:.{POINT_DIGITS}f}, {point.longitude:.{POINT_DIGITS}f}"
    if message.text:
        return "text", text
    if _photo(message):
        return "photo", text
    has_content = message.effective_attachment is not None and not message.pinned_message
    return ("other", text) if has_content else (None, "")


def _photo(message: Message) -> str:
    """The id of the largest size; nothing is fetched."""
    if message.photo:
        return max(message.photo, key=lambda size: size.width * size.height).file_id
    document = message.document
    return document.file_id if document and (document.mime_type or "").startswith("image/") else ""


def _said(message: Message, bot: Identity, commands: Mapping[str, str]) -> _Said:
    text = whole(message.text or message.caption or "")
    entities = message.parse_entities() if message.text else message.parse_caption_entities()
    ours = [entity for entity, words in entities.items() if _is_ours(entity, words, bot)]
    text = _without(text, ours)
    command = read_command(text, bot.username, commands)
    if command is None:
        return _Said(text, "us" if ours else "anyone")
    return _commanded(command, text, named=bool(ours))


def _commanded(command: Command, text: str, *, named: bool) -> _Said:
    """A command that names no bot and is none of ours may be another's: it is for us only as a reply."""
    if command.meant_for == "others":
        return _Said(text, "others")
    return _Said(command.text, "us" if named or command.is_known or command.meant_for == "us" else "anyone")


def _is_ours(entity: MessageEntity, words: str, bot: Identity) -> bool:
    if entity.type == MessageEntity.TEXT_MENTION:
        return entity.user is not None and entity.user.id == bot.id
    return entity.type == MessageEntity.MENTION and words.lower() == f"@{bot.username}".lower()


def _without(text: str, entities: list[MessageEntity]) -> str:
    """The text without the places where we were named. Offsets count UTF-16."""
    raw = text.encode("utf-16-le")
    for entity in sorted(entities, key=lambda one: -one.offset):
        raw = raw[: 2 * entity.offset] + raw[2 * (entity.offset + entity.length) :]
    kept = raw.decode("utf-16-le", "replace")
    return "\n".join(" ".join(line.split()) for line in kept.split("\n")).strip(" ,:\n") if entities else text


def _label(message: Message, data: str) -> str:
    rows = message.reply_markup.inline_keyboard if message.reply_markup else ()
    return next((button.text for row in rows for button in row if button.callback_data == data), "")
