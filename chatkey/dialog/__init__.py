"""The conversation: a pure step from (state, message) to (state, reply)."""

from chatkey.dialog.conversation import Conversation, StateError, Tree, from_json, to_json
from chatkey.dialog.reply import Ask, Block, Choice, Reply
from chatkey.dialog.talk import EFFECT_NAMES, GUARD_NAMES, Turned, make_mind, read_script, step
from chatkey.dialog.turn import Message, Mind

__all__ = [
    "EFFECT_NAMES",
    "GUARD_NAMES",
    "Ask",
    "Block",
    "Choice",
    "Conversation",
    "Message",
    "Mind",
    "Reply",
    "StateError",
    "Tree",
    "Turned",
    "from_json",
    "make_mind",
    "read_script",
    "step",
    "to_json",
]
