"""The people of a conversation: the names they are shown by, whose talk is not for us, and a walk without names."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable
from dataclasses import replace

from chatkey.dialog.conversation import Conversation, Look, Tree
from chatkey.dialog.phrase import joined
from chatkey.dialog.script import Script
from chatkey.dialog.turn import Message, Turn

LONGEST_NAME = 40  # letters
DIGITS_OF_A_MARK = 4  # so few that thousands of numbers share one: nobody's number can be worked out from it
CHATTER = ("other", "smalltalk", "thanks", "greeting", "abuse", "answer", "describe", "cant_tell")
WAKES = "greeting"  # what is answered though somebody said stop, beside commands and danger


def known_as(conversation: Conversation, message: Message) -> Message:
    """The message as it is kept: on a walk without names, of a reader of whom nothing is known."""
    if not conversation.nameless:
        return message
    return replace(message, reader=mark_of(conversation, message.reader), name="")


def mark_of(conversation: Conversation, reader: str) -> str:
    """What tells a reader from the others of one conversation and says nothing else."""
    known = f"{conversation.id}\n{reader}".encode("utf-8", "replace")
    return hashlib.sha256(known).hexdigest()[:DIGITS_OF_A_MARK]


def meet(turn: Turn) -> None:
    """The speaker is one of the readers from now on, by a name that no other has."""
    readers, message = turn.conversation.readers, turn.message
    if message.reader in readers or not (message.crew or message.name):
        return
    shown = _free(turn.mind.script, clean_name(message.name), list(readers.values()))
    turn.change(readers={**readers, message.reader: shown})


def clean_name(name: str) -> str:
    """A name on one line, without marks that can't be seen, of 40 letters at most."""
    spaced = "".join(" " if unicodedata.category(letter) in ("Cc", "Zl", "Zp") else letter for letter in name)
    seen = "".join(letter for letter in spaced if unicodedata.category(letter) not in ("Cf", "Cn", "Co", "Cs"))
    return " ".join(seen.split())[:LONGEST_NAME].strip()


def shown_name(script: Script, conversation: Conversation, reader: str) -> str:
    """How a reader is called; one whose name nobody gave by a number."""
    if reader in conversation.readers:
        return conversation.readers[reader]
    said = dict.fromkeys(claim.reader for tree in conversation.trees for claim in tree.claims)
    number = list(said).index(reader) + 1 if reader in said else len(said) + 1
    return script.say("reader_number", number=str(number))


def names_words(turn: Turn, readers: Iterable[str]) -> str:
    """ "Ana, Ben and Cleo"."""
    names = [shown_name(turn.mind.script, turn.conversation, reader) for reader in readers]
    return joined(turn.mind.script, "and_more", names)


def several_speak(turn: Turn) -> bool:
    return len(turn.conversation.readers) > 1


def is_chatter(turn: Turn) -> bool:
    """In a group chat: talk of people among themselves, with no fact, name, count or question for us."""
    understanding, pending = turn.understanding, turn.conversation.pending
    if not turn.message.crew:
        return False
    if turn.conversation.state == "stopped":
        return understanding.intent in (*CHATTER, "guess_name", "place") and WAKES not in understanding.intents
    told = (understanding.claims, understanding.chosen, understanding.names, understanding.place)
    if any((*told, understanding.tally, understanding.marks)) or understanding.intent not in CHATTER:
        return False
    if not understanding.spoken:
        return bool(turn.conversation.said.get("language"))
    if understanding.intent == "describe" and _asks(turn):
        return False
    if pending is None:
        return bool(turn.conversation.messages > 1 or understanding.intent != "greeting")
    answers = understanding.intent == "cant_tell" or bool(understanding.signs)
    return not (answers or (pending.kind == "place" and understanding.town_in))


def _asks(turn: Turn) -> bool:
    """ "What is this": asked of us."""
    asks = turn.mind.lexicon.language.lists["asks"]
    return any(word.strip("?.,") in asks for word in turn.message.text.lower().split())


def forget_names(turn: Turn) -> None:
    """No names from now on, and those that were kept are dropped, with the ids of the people."""
    before = turn.conversation
    if before.nameless:
        return
    ids = dict.fromkeys((*before.readers, *(claim.reader for tree in before.trees for claim in tree.claims)))
    new = {reader: mark_of(before, reader) for reader in ids}
    script = turn.mind.script
    readers = {new[reader]: script.say("reader_number", number=str(n)) for n, reader in enumerate(before.readers, 1)}
    unknown = tuple(replace(one, reader=mark_of(before, one.reader)) for one in before.unknown)
    trees = tuple(_of_nobody(tree, before) for tree in before.trees)
    turn.change(readers=readers, trees=trees, unknown=unknown, nameless=True)
    turn.message = known_as(turn.conversation, turn.message)
    turn.forget()


def _of_nobody(tree: Tree, known: Conversation) -> Tree:
    """The tree with marks for the readers."""
    return replace(
        tree,
        claims=tuple(replace(claim, reader=mark_of(known, claim.reader)) for claim in tree.claims),
        tallies=tuple(replace(one, reader=mark_of(known, one.reader)) for one in tree.tallies),
        looks=tuple(_look_of_nobody(look, known) for look in tree.looks),
    )


def _look_of_nobody(look: Look, known: Conversation) -> Look:
    return replace(
        look,
        readers=tuple(mark_of(known, reader) for reader in look.readers),
        looked=tuple(mark_of(known, reader) for reader in look.looked),
        by=mark_of(known, look.by) if look.by else "",
    )


def _free(script: Script, name: str, taken: list[str]) -> str:
    """The name, with a number where another has it; a number alone where there is none."""
    number = 1 if name else len(taken) + 1
    shown = name or script.say("reader_number", number=str(number))
    while shown in taken:
        number += 1
        line = "reader_again" if name else "reader_number"
        shown = script.say(line, **({"name": name} if name else {}), number=str(number))
    return shown
