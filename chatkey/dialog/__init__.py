"""The conversation: a pure step from (state, message) to (state, reply)."""

from chatkey.dialog.conversation import Conversation, StateError, Tree, from_json, to_json
from chatkey.dialog.gathered import gathered
from chatkey.dialog.handover import Desk, HandOver, Verdict, VerdictError
from chatkey.dialog.reply import Ask, Block, Choice, Reply
from chatkey.dialog.talk import EFFECT_NAMES, GUARD_NAMES, Turned, make_mind, read_script, step
from chatkey.dialog.told import told
from chatkey.dialog.turn import Message, Mind
from chatkey.dialog.walk import Row, walk_csv, walk_list, walk_text

__all__ = [
    "EFFECT_NAMES",
    "GUARD_NAMES",
    "Ask",
    "Block",
    "Choice",
    "Conversation",
    "Desk",
    "HandOver",
    "Message",
    "Mind",
    "Reply",
    "Row",
    "StateError",
    "Tree",
    "Turned",
    "Verdict",
    "VerdictError",
    "from_json",
    "gathered",
    "make_mind",
    "read_script",
    "step",
    "to_json",
    "told",
    "walk_csv",
    "walk_list",
    "walk_text",
]
