"""The machine is total: in every state every event takes exactly one row, and a faulty flow.yaml is named by place."""

from __future__ import annotations

import gc
import re
import sys
import weakref
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import product
from pathlib import Path
from random import Random

import pytest

from chatkey.channels.base import Talks
from chatkey.dialog import EFFECT_NAMES, Mind
from chatkey.dialog import machine as machine_room
from chatkey.dialog.machine import EVENTS, SEPARATOR, Flow, Row, fire, mermaid
from tests.dialog.conftest import Dialogs
from tests.walking import MESSAGES

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
THREADS, CONVERSATIONS, STEPS = 8, 1000, 8


@pytest.fixture(scope="module")
def flow(mind: Mind) -> Flow:
    return mind.script.flow


def row_taken(flow: Flow, state: str, event: str, holds: Callable[[str], bool]) -> Row:
    """The row that flow.yaml promises: the first whose guards all hold; a state's own come before its parent's."""
    parts = state.split(SEPARATOR)
    for length in range(len(parts), 0, -1):
        source = SEPARATOR.join(parts[:length])
        for row in flow.events[event]:
            if source in row.sources and all(holds(guard) for guard in row.guards):
                return row
    raise AssertionError(f"{event} has no row in {state}")


def landing(flow: Flow, state: str, target: str) -> str:
    """Where a row leads: its target, or the first child of a target that has children."""
    if not target:
        return state
    children = flow.states.get(target, ())
    return f"{target}{SEPARATOR}{children[0]}" if children else target


def conversation(flow: Flow, seed: int) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The states and effects of events and answers of guards drawn by lot."""
    random = Random(seed)
    state, log = flow.initial, []
    for _ in range(STEPS):
        event, lot = random.choice(EVENTS), random.getrandbits(32)
        state, effects = fire(flow, state, event, lambda guard, lot=lot: bool(Random(f"{lot} {guard}").getrandbits(1)))
        log.append((state, effects))
    return tuple(log)


@pytest.mark.parametrize("event", EVENTS)
def test_every_state_takes_exactly_one_row_of_every_event_whatever_the_guards_say(flow: Flow, event: str) -> None:
    guards = sorted({guard for row in flow.events[event] for guard in row.guards})
    for state, answers in product(flow.leaves, product((False, True), repeat=len(guards))):
        holds = dict(zip(guards, answers, strict=True)).__getitem__
        row = row_taken(flow, state, event, holds)
        after, effects = fire(flow, state, event, holds)
        assert (after, effects) == (landing(flow, state, row.target), row.effects), (state, answers)
        assert after in flow.leaves
        assert set(effects) <= set(EFFECT_NAMES)


def test_no_state_and_no_effect_is_left_without_use(flow: Flow) -> None:
    rows = [row for rows in flow.events.values() for row in rows]
    reached = {flow.initial, *(landing(flow, "", row.target) for row in rows if row.target)}
    assert reached == set(flow.leaves)
    assert {effect for row in rows for effect in row.effects} == set(EFFECT_NAMES)


def test_firing_registers_nothing_with_the_library_and_keeps_no_conversation(flow: Flow) -> None:
    class Guards:
        def __call__(self, guard: str) -> bool:
            return True

    guards = Guards()
    gone = weakref.ref(guards)
    for event in EVENTS:
        fire(flow, flow.initial, event, guards)
    built = machine_room._machine(flow)
    assert built is machine_room._machine(flow)
    assert list(built.models) == []
    del guards
    gc.collect()
    assert gone() is None


def test_eight_threads_of_a_thousand_conversations_give_the_same_as_one_thread(flow: Flow) -> None:
    alone = [conversation(flow, seed) for seed in range(CONVERSATIONS)]
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)  # threads change places far more often than by themselves
    try:
        with ThreadPoolExecutor(THREADS) as pool:
            together = list(
                pool.map(lambda _: [conversation(flow, seed) for seed in range(CONVERSATIONS)], range(THREADS))
            )
    finally:
        sys.setswitchinterval(before)
    assert together == [alone] * THREADS
    assert len(set(alone)) > CONVERSATIONS / 2  # they are not all alike


def test_whole_conversations_in_eight_threads_reply_as_in_one(mind: Mind) -> None:
    def replies(seed: int) -> list[str]:
        talks, random = Talks(mind), Random(seed)
        return [talks.say(text).reply.text for text in random.choices(list(MESSAGES.values()), k=8)]

    alone = [replies(seed) for seed in range(40)]
    with ThreadPoolExecutor(THREADS) as pool:
        assert list(pool.map(replies, range(40))) == alone


@pytest.mark.parametrize(
    ("old", "new", "named", "mend"),
    [
        ("guards: [has_a_term]", "guards: [has_a_trem]", "has_a_trem", "has_a_term"),
        ("effects: [send_to_emergency]", "effects: [send_to_emergensy]", "send_to_emergensy", "send_to_emergency"),
        ("to: stopped", "to: stoped", "stoped", "stopped"),
        ("from: stopped", "from: stoped", "stoped", "stopped"),
        ("to: asking.again", "to: asking.agian", "asking.agian", "asking.again"),
        ("initial: listening", "initial: listning", "listning", "listening"),
        ("  undo:", "  undoo:", "undoo", "undo"),
        ("  help:", "  help_me:", "help_me", "help"),
        ("effects: [stop]", "efects: [stop]", "efects", "effects"),
    ],
)
def test_an_unknown_name_in_the_flow_is_an_error_at_its_place(
    dialogs: Dialogs, old: str, new: str, named: str, mend: str
) -> None:
    dialogs.edit("flow.yaml", old, new)
    _, errors = dialogs.read()
    where = dialogs.place_of("flow.yaml", named)
    assert (where, f"{named!r} is not known here", f"did you mean {mend!r}?") in [error.args for error in errors]


def test_a_missing_event_is_an_error_at_the_events(dialogs: Dialogs) -> None:
    text = dialogs.text("flow.yaml")
    block = re.search(r"(?m)^  thanks:\n(?:    - .*\n)+", text)
    assert block
    dialogs.edit("flow.yaml", block[0], "")
    (error,) = dialogs.read()[1]
    assert error.args == (dialogs.place_of("flow.yaml", "unsafe:"), "'thanks' is missing", "add a line `thanks: …`")


def test_a_state_without_a_row_that_always_holds_is_an_error(dialogs: Dialogs) -> None:
    dialogs.edit("flow.yaml", '    - {from: "*", effects: [say_nothing_to_undo]}\n', "")
    errors = dialogs.read()[1]
    assert {error.args[1] for error in errors} == {
        f"'undo' has no answer in state {state!r}" for state in ("listening", "asking", "answered", "with_person")
    }
    assert all(re.fullmatch(r"dialogs/flow\.yaml:\d+:\d+", error.args[0]) for error in errors)
    assert {error.args[2] for error in errors} == {"add a row without guards for it"}


def test_all_faults_of_the_flow_are_named_in_one_run(dialogs: Dialogs) -> None:
    dialogs.edit("flow.yaml", "effects: [greet]", "effects: [greeet]")
    dialogs.edit("flow.yaml", "guards: [has_a_name]", "guards: [has_a_nmae]")
    named = " ".join(str(error) for error in dialogs.read()[1])
    assert "greeet" in named
    assert "has_a_nmae" in named


def test_the_flow_says_itself_which_child_of_a_state_comes_first(dialogs: Dialogs) -> None:
    dialogs.edit("flow.yaml", "initial: character", "initial: comparison")
    dialogs.edit("flow.yaml", "to: asking.character", "to: asking")
    script, errors = dialogs.read()
    assert errors == []
    assert fire(script.flow, "listening", "step", lambda guard: guard == "wants_character")[0] == "asking.comparison"


def test_an_unknown_first_child_is_an_error(dialogs: Dialogs) -> None:
    dialogs.edit("flow.yaml", "initial: character", "initial: charakter")
    assert [error.args[0] for error in dialogs.read()[1]] == [dialogs.place_of("flow.yaml", "charakter")]


def test_the_picture_in_the_developers_page_is_the_machine(flow: Flow) -> None:
    fenced = re.search(r"```mermaid\n(.*?)\n```", DEVELOPERS.read_text(encoding="utf-8"), re.DOTALL)
    assert fenced, "DEVELOPERS.md has no ```mermaid block"
    assert fenced[1] == mermaid(flow)


def test_the_picture_shows_every_state_and_every_move(flow: Flow) -> None:
    picture = mermaid(flow)
    for state in flow.leaves:
        assert re.search(rf"\b{state.replace(SEPARATOR, '_')}\b", picture), state
    for event, rows in flow.events.items():
        for row in rows:
            moves = [source for source in row.sources if row.target and source != row.target]
            if moves:
                assert re.search(rf"--> {row.target.replace(SEPARATOR, '_')}: .*\b{event}\b", picture), (event, row)
