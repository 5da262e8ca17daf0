"""A long walk in one group: forty trees, eight people, three trees in hand at a time; its list is what was done."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from botapi import GROUP
from chats import Chats, opened_chats, words

from chatkey.channels.base import Talks, place_of
from chatkey.dialog import Mind, walk_list

NAMES = ("Ana", "Ben", "Cleo", "Dot", "Eli", "Fay", "Gus", "Hal")
TREES, THREADS = 40, 3
KINDS = (
    ("flat needles, soft, two white lines under", "rough twig, cones under an inch with thin scales, hanging"),
    ("needles in bundles of five, soft", "needles 4 in long, cone 6 in long and slender"),
    ("soft needles in tufts on stubby knobs", "it goes bare in winter, cones under an inch"),
    ("needles in twos, snap clean when bent", "needles 5 in long, bark reddish flakes"),
    ("tiny scales, flat sprays, smells like pineapple", "cones small and woody, half an inch"),
)


@dataclass
class Done:
    """What was done at one tree."""

    facts: tuple[str, str]
    readers: list[str]
    more: int = 0
    conditions: dict[str, int] = field(default_factory=dict)
    tag: str = ""
    plot: str = ""


@dataclass
class Group:
    """Eight people who write into one chat."""

    chats: Chats

    def says(self, name: str, text: str, to: int = 0) -> dict[str, Any]:
        """One message of one of them; what arrives next."""
        id = 201 + NAMES.index(name)
        writer = {"id": id, "is_bot": False, "first_name": name, "language_code": "en"}
        self.chats.write(text, id, GROUP, to=to, **{"from": writer})
        return self.chats.next(GROUP)


@pytest.fixture
def group(tmp_path: Path, mind: Mind) -> Iterator[Group]:
    with opened_chats(tmp_path, mind) as chats:
        yield Group(chats)


def test_the_list_and_the_table_of_a_long_walk_are_what_was_done(group: Group, mind: Mind) -> None:
    group.says("Ana", "/walk")
    done: dict[int, Done] = {}
    people = itertools.cycle(NAMES)
    threads: dict[int, int] = {}  # tree -> our newest message about it
    for first in range(1, TREES + 1, THREADS):
        trees = range(first, min(first + THREADS, TREES + 1))
        for tree in trees:
            opened = group.says(next(people), "/next") if tree > 1 else group.chats.arrived(GROUP)[-1]
            assert re.search(rf"\btree {tree}\b", words(opened).lower())
            done[tree] = Done(KINDS[tree % len(KINDS)], [])
            threads[tree] = _tell(group, next(people), done[tree], 0, opened["message_id"])
        for tree in trees:  # now three are in hand, and none of them but the last is the newest
            threads[tree] = _tell(group, next(people), done[tree], 1, threads[tree])
        for tree in trees:
            _count(group, next(people), tree, done[tree], threads[tree])
    before = len(group.chats.arrived(GROUP))
    text = words(group.says("Hal", "/done"))
    group.chats.next(GROUP)
    assert len(group.chats.arrived(GROUP)) == before + 2  # the list, and its table
    (sent,) = group.chats.api.of("sendDocument")
    rows = list(csv.DictReader(io.StringIO(sent.files["document"].decode())))
    assert len(rows) == TREES
    listed = [line for line in text.splitlines() if line[:1].isdigit()]
    for tree, row in enumerate(rows, 1):
        was = done[tree]
        assert int(row["number"]) == tree
        assert row["name"] == _named(mind, was.facts)
        assert int(row["count"]) == 1 + was.more
        assert row["conditions"] == "; ".join(f"{condition} {n}" for condition, n in was.conditions.items())
        assert (row["tag"], row["plot"]) == (was.tag, was.plot)
        assert row["readers"].split("; ") == list(dict.fromkeys(was.readers))
        if tree <= len(listed):
            assert listed[tree - 1].startswith(f"{tree}. {row['name'] or 'not named yet'}")
    assert len(listed) == TREES


def test_at_most_one_message_answers_each_of_theirs(group: Group) -> None:
    said = 0
    for name, text in (("Ana", "/walk"), ("Ben", "/next"), ("Cleo", "/list"), ("Dot", "/why"), ("Eli", "/undo")):
        group.says(name, text)
        said += 1
    group.chats.settle()
    assert len(group.chats.arrived(GROUP)) == said


def _tell(group: Group, name: str, done: Done, half: int, to: int) -> int:
    """Half of what is to be told of a tree, in its thread; the number of our answer."""
    done.readers.append(name)
    return int(group.says(name, done.facts[half], to)["message_id"])


def _count(group: Group, name: str, tree: int, done: Done, to: int) -> None:
    """What somebody counts or labels at every second tree."""
    if tree % 4 == 0:
        group.says(name, f"{tree % 7 + 1} more of the same", to)
        done.more = tree % 7 + 1
    elif tree % 4 == 2:
        group.says(name, f"tag {tree}", to)
        done.tag = str(tree)
        return
    else:
        return
    done.readers.append(name)


def _named(mind: Mind, facts: tuple[str, str]) -> str:
    """What two people's facts are named without any chat between."""
    talks = Talks(mind, place_of(mind, "MI"))
    for reader, text in zip(("one", "two"), facts, strict=True):
        talks.say(text, reader=reader)
    return walk_list(mind, talks.conversations["main"])[0].name
