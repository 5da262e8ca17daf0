"""The demo plays through, shows what it promises, and leaves nothing behind."""

from __future__ import annotations

import io
from functools import partial
from pathlib import Path

import pytest
from rich.console import Console

from chatkey.channels.sms.segments import segments
from chatkey.data import PACKAGE
from chatkey.dialog import Mind
from chatkey.knowledge import KnowledgeError
from chatkey.service.demo import Step, play, read_steps

SCENARIO = PACKAGE / "_examples" / "demo.yaml"


@pytest.fixture(scope="module")
def shown(mind: Mind) -> list[str]:
    """The lines of one quick performance, on a wide console, without the frames."""
    page = io.StringIO()
    play(partial(_same, mind), pace=0, console=Console(file=page, width=200, highlight=False))
    return [line.strip(" │") for line in page.getvalue().splitlines()]


@pytest.fixture
def steps() -> list[Step]:
    return list(read_steps(SCENARIO)[1])


def test_every_message_and_every_reply_is_shown_in_a_bubble(shown, steps):
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


def _same(mind: Mind) -> Mind:
    return mind
