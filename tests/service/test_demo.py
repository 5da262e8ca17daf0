"""The demo plays through, shows what it promises, and leaves nothing behind."""

from __future__ import annotations

import csv
import importlib.util
import io
import re
import socket
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from starlette.testclient import TestClient

from chatkey.channels.sms.segments import segments
from chatkey.channels.telegram.pacing import Limits
from chatkey.data import PACKAGE
from chatkey.dialog import Mind
from chatkey.knowledge import KnowledgeError
from chatkey.service.demo import Part, Step, play, read_steps
from chatkey.service.demo_botapi import TOKEN, Network, marked
from chatkey.service.demo_chat import Move, read_moves

SCENARIO = PACKAGE / "_examples" / "demo.yaml"
WALK = PACKAGE / "_examples" / "walk.yaml"


@pytest.fixture(scope="module")
def reached() -> Iterator[set[str]]:
    """The hosts that a performance connected to."""
    hosts: set[str] = set()
    connect = socket.socket.connect

    def connected(own: socket.socket, address: Any) -> None:
        hosts.add(str(address[0]))
        connect(own, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", connected)
        yield hosts


@pytest.fixture(scope="module")
def shown(mind: Mind, reached: set[str]) -> list[str]:
    """The lines of one quick performance of the phones, on a wide console, without the frames."""
    return _played(mind, "sms")


@pytest.fixture(scope="module")
def walk(mind: Mind, reached: set[str]) -> list[str]:
    """The same of the walk."""
    return _played(mind, "walk")


@pytest.fixture
def moves() -> list[Move]:
    return list(read_moves(WALK)[1])


@pytest.fixture
def steps() -> list[Step]:
    return list(read_steps(SCENARIO)[1])


def test_every_message_and_every_reply_of_the_phones_is_shown_in_a_bubble(shown, steps):
    titles = [line for line in shown if line.startswith("╭─")]
    for name in ("Ana", "Ben", "Cleo"):
        assert sum(f"─ {name} >" in title for title in titles) == sum(bool(s.text) and s.phone == name for s in steps)
    assert sum("─ to " in title for title in titles) == sum(bool(s.text or s.answer) for s in steps)
    assert sum("chatkey queue" in title for title in titles) == 1


def test_it_shows_an_identification_danger_first_a_hand_over_stop_and_forget_me(shown):
    for line in (
        "Eastern hemlock, nearly sure (99 in 100).",
        "I would not plant Norway spruce in Michigan: it is not",
        "It is tamarack.",
        "I have forgotten what you told me here, and where you were.",
    ):
        assert line in shown, line
    assert any("Text START" in line or "START to return" in line for line in shown)
    goat = shown.index("can my goat have the clippings")
    assert next(line for line in shown[goat + 2 :] if line and "─" not in line).startswith("Don't feed it.")


def test_a_message_that_came_twice_is_answered_once_and_the_counts_say_so(shown, steps):
    doubled = [step for step in steps if step.twice]
    assert len(doubled) == 1
    said = sum(bool(step.text) for step in steps)
    assert shown[-1] == (
        f"{said} messages came in, 1 of them twice; {said + 1} texts went out, 1 of them from a steward. "
        "Nothing left this machine."
    )


def test_every_reply_of_the_demo_fits_two_segments(shown):
    replies: list[str] = []
    inside = False
    for line in shown:
        if line.startswith("╭─ to "):
            replies.append("")
        elif inside and not line.startswith("╰"):
            replies[-1] = f"{replies[-1]} {line}".strip()
        inside = line.startswith("╭─ to ") or (inside and not line.startswith("╰"))
    assert len(replies) >= 10
    assert all(1 <= segments(reply) <= 2 for reply in replies)


def test_the_phones_of_the_scenario_are_of_the_invented_range():
    phones, steps = read_steps(SCENARIO)
    assert {number[:8] for number in phones.values()} == {"+1906555"}
    assert all(100 <= int(number[8:]) <= 199 for number in phones.values())
    assert len(steps) >= 15


@pytest.mark.parametrize(
    ("line", "what"),
    [("- {from: Dan, say: hello}", "'Dan' is not known"), ("- {shout: hello}", "'shout' is not known")],
)
def test_a_slip_in_a_scenario_is_told_with_its_place(tmp_path: Path, line: str, what: str):
    path = tmp_path / "demo.yaml"
    path.write_text(f'phones: {{Ana: "+19065550101"}}\nsteps:\n  {line}\n', encoding="utf-8")
    with pytest.raises(KnowledgeError) as raised:
        read_steps(path)
    assert "demo.yaml:3:" in str(raised.value)
    assert what in str(raised.value)


def test_every_message_press_and_reply_of_the_walk_is_shown(walk, moves):
    titles = [line for line in walk if line.startswith("╭─")]
    for name in ("Ana", "Ben", "Cleo", "Dana"):
        assert sum(f"─ {name} >" in title for title in titles) == sum(move.name == name for move in moves)
    for move in moves:
        assert not move.text or move.text.split(". ")[-1] in " ".join(walk)
        assert not move.note or move.note in walk
    presses = [line for line in walk if line.startswith("presses [")]
    assert len(presses) == sum(bool(move.press) for move in moves) >= 2
    arrived = sum(1 if move.note == move.name == "" else move.replies for move in moves if _brings(move))
    assert sum("─ to the " in title or " a file to the crew" in title for title in titles) == arrived


def test_the_walk_begins_with_care_and_never_names_a_plant_before_the_danger_is_said(walk):
    replies = [line for line in walk if line]
    first = next(at for at, line in enumerate(replies) if "─ to the crew" in line)
    assert replies[first + 1].startswith("First: stay in sight of each other, and watch your step.")
    assert walk.index("It may still be yew, and yew is poisonous. Put nothing in") < next(
        at for at, line in enumerate(walk) if line.startswith("Eastern hemlock")
    )


def test_two_who_differ_are_named_and_one_of_them_settles_it(walk):
    unlike = next(at for at, line in enumerate(walk) if "Ben says hairless twig, Ana says" in line)
    assert any(line.startswith("Ben: hairy twig.") for line in walk[unlike:])
    assert any("hair on the young twig: changed" in line for line in walk)


def test_a_reply_to_an_earlier_tree_counts_there_while_another_is_looked_at(walk):
    counted = walk.index("12 more of the same, 3 dead")
    assert walk[counted - 1] == "to: Eastern hemlock, nearly sure (19 in 20)."
    assert "That makes 13, of them 3 dead." in walk[counted:]
    assert _table(walk)[0]["count"] == "13"
    assert [row["count"] for row in _table(walk)[1:]] == ["1"] * 4


def test_a_button_that_was_pressed_is_told_below_the_question_by_whom(walk):
    at = walk.index("presses [(3) round]")
    assert "Below the bot's message now stands: Cleo chose (3) round." in walk[at:]
    assert any(line.startswith("Cleo: rounded tips.") for line in walk[at:])
    assert any("[(1) sharp, it pricks]  [(2) pointed, no prick]  [(3) round]" in line for line in walk[:at])


def test_a_tree_goes_to_the_stewards_group_and_danas_answer_comes_back_to_the_crew(walk):
    told = next(at for at, line in enumerate(walk) if "─ to the stewards" in line)
    assert "told: soft needles, needles in tufts, stubby knobs on" in [line.strip() for line in walk[told:]]
    answered = next(at for at, line in enumerate(walk) if line.startswith("A steward, on tree 4: "))
    assert told < answered
    assert "It is tamarack." in walk[answered:]
    assert any(line.startswith("Below the bot's message now stands: Dana answered: ") for line in walk[answered:])
    assert [row["checked"] for row in _table(walk)] == ["", "", "", "yes", ""]


def test_the_list_names_five_trees_and_the_file_has_the_same_rows(walk):
    listed = _listed(walk)
    table = _table(walk)
    assert len(listed) == len(table) == 5
    for line, row in zip(listed, table, strict=True):
        assert line.startswith(f"{row['number']}. {row['name']} (")
        assert row["name"] != "not named yet"
        assert f"by {row['readers'].split('; ')[0]}" in line
        for mark in ("tag", "plot"):
            assert (f", {mark} {row[mark]}" in line) is bool(row[mark])
        shown = re.search(r"\(about (\d+) in (\d+)\)", line)
        if row["probability"]:
            assert shown is not None
            assert float(row["probability"]) == pytest.approx(int(shown[1]) / int(shown[2]), abs=0.03)
        else:
            assert (shown, row["checked"]) == (None, "yes")
    assert [row["name"] for row in table] == [
        "eastern hemlock",
        "black spruce",
        "eastern white pine",
        "tamarack",
        "arborvitae",
    ]


def test_what_people_say_among_themselves_gets_no_answer(walk, moves):
    asides = [move for move in moves if move.aside]
    assert [move.text for move in asides] == ["lol finally"]
    after = walk[walk.index("lol finally") + 2 :]
    assert next(line for line in after if "─ " in line).startswith("╭─ Ana >")


def test_the_walk_keeps_within_the_messages_of_a_group_in_a_minute_and_counts_truly(walk, moves):
    to_crew = sum("─ to the crew" in line or " a file to the crew" in line for line in walk)
    marks = sum(bool(move.press) and move.chat == "crew" for move in moves)
    assert to_crew + marks <= Limits().group_most
    said = sum(bool(move.text) for move in moves)
    assert walk[-1] == (
        f"People wrote {said} messages, 1 of them not for the bot, and pressed 2 buttons. "
        f"The bot sent {to_crew + 1}, at most one a second in a chat. Nothing left this machine."
    )


def test_nothing_but_this_machine_is_reached(shown, walk, reached):
    assert shown
    assert walk
    assert reached == {"127.0.0.1"}


def test_without_telegrams_client_the_phones_are_played_and_how_to_install_it_is_said(mind: Mind, monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "telegram" else found(name))
    lines = _played(mind, "all")
    assert any("─ to Ana" in line for line in lines)
    assert not any("─ to the crew" in line for line in lines)
    assert lines[-1].endswith("pip install 'chatkey[telegram]'")


def test_the_walk_alone_without_telegrams_client_shows_nothing_and_says_what_it_lacks(mind: Mind, monkeypatch):
    monkeypatch.delitem(sys.modules, "chatkey.service.telegram", raising=False)
    monkeypatch.setitem(sys.modules, "telegram", None)
    page = io.StringIO()
    with pytest.raises(ModuleNotFoundError) as raised:
        play(partial(_same, mind), pace=0, console=Console(file=page), part="walk")
    assert (raised.value.name, page.getvalue()) == ("telegram", "")


def test_a_second_message_within_a_second_is_refused_in_its_chat_alone():
    with TestClient(Network(lambda: 0.0).app()) as client:
        sent = [client.post(f"/bot{TOKEN}/sendMessage", data={"chat_id": chat, "text": "Hi."}) for chat in (-1, -1, -2)]
    assert [answer.status_code for answer in sent] == [200, 429, 200]
    assert sent[1].json()["parameters"] == {"retry_after": 1}


def test_words_in_telegrams_html_are_kept_plain_with_their_marks():
    kept = marked("<b>Yew &amp; 🌲</b>\n\nGot it: &lt; 1 in.\n\n<i>Ana chose it.</i>")
    assert kept["text"] == "Yew & 🌲\n\nGot it: < 1 in.\n\nAna chose it."
    raw = kept["text"].encode("utf-16-le")
    cut = [raw[2 * one["offset"] : 2 * (one["offset"] + one["length"])].decode("utf-16-le") for one in kept["entities"]]
    assert list(zip((one["type"] for one in kept["entities"]), cut, strict=True)) == [
        ("bold", "Yew & 🌲"),
        ("italic", "Ana chose it."),
    ]


@pytest.mark.parametrize(
    ("path", "status"),
    [("/bot1:OTHER/getMe", 401), ("/bot1:DEMO/banChatMember", 404), ("/bot1:DEMO/getMe", 200)],
)
def test_the_network_of_the_demo_refuses_what_it_does_not_know(path: str, status: int):
    with TestClient(Network(lambda: 0.0).app()) as client:
        answer = client.post(path)
    assert (answer.status_code, answer.json()["ok"]) == (status, status == 200)


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("- {from: Dora, say: hello}", "'Dora' is not known"),
        ("- {shows: woods}", "'woods' is not known"),
        ("- {shout: hello}", "'shout' is not known"),
    ],
)
def test_a_slip_in_a_walk_is_told_with_its_place(tmp_path: Path, line: str, what: str):
    path = tmp_path / "walk.yaml"
    path.write_text(f"crew: [Ana]\nstewards: [Dana]\nsteps:\n  {line}\n", encoding="utf-8")
    with pytest.raises(KnowledgeError) as raised:
        read_moves(path)
    assert "walk.yaml:4:" in str(raised.value)
    assert what in str(raised.value)


def _played(mind: Mind, part: Part) -> list[str]:
    page = io.StringIO()
    play(partial(_same, mind), pace=0, console=Console(file=page, width=200, highlight=False), part=part)
    return [line.strip(" │") for line in page.getvalue().splitlines()]


def _brings(move: Move) -> bool:
    """Something of the bot's is shown for it."""
    return not move.note and not move.aside


def _listed(walk: list[str]) -> list[str]:
    """The rows of the list, each on one line."""
    begin = walk.index("The walk ends here. Your list:")
    end = next(at for at in range(begin, len(walk)) if walk[at].startswith("╰"))
    rows: list[str] = []
    for line in filter(None, walk[begin + 1 : end]):
        if re.match(r"\d+\. ", line):
            rows.append(line)
        else:
            rows[-1] += f" {line}"
    return rows


def _table(walk: list[str]) -> list[dict[str, str]]:
    """The rows of the file."""
    begin = next(at for at, line in enumerate(walk) if " a file to the crew" in line)
    end = next(at for at in range(begin, len(walk)) if walk[at].startswith("╰"))
    return list(csv.DictReader(walk[begin + 1 : end]))


def _same(mind: Mind) -> Mind:
    return mind
