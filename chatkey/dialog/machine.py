"""The finite-state machine of the dialog: declared in dialogs/flow.yaml, run by `transitions`.

One machine per thread, built once. Conversations are not registered with the library: an event is triggered by name
on a small object with a `state`, here and nowhere else.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from transitions import EventData
from transitions.extensions import HierarchicalMachine

from chatkey.knowledge.yaml_nodes import Entry, KnowledgeError, Problems
from chatkey.terms import INTENTS

SEPARATOR = "."
STEP = "step"
EVENTS = (*INTENTS, STEP)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of an event: where from, under which guards, what is done, where to ("" stays)."""

    sources: tuple[str, ...]
    guards: tuple[str, ...]
    effects: tuple[str, ...]
    target: str


@dataclass(frozen=True, slots=True)
class Flow:
    """flow.yaml, checked: targets, guards and effects are known, and every event has a row in every state."""

    initial: str
    states: Mapping[str, tuple[str, ...]]  # state -> children
    events: Mapping[str, tuple[Row, ...]]
    recall_after_hours: float = float("inf")  # without a message, from which the finder is reminded of the tree

    @property
    def leaves(self) -> tuple[str, ...]:
        """Every state a conversation can be in."""
        return tuple(
            name
            for state, children in self.states.items()
            for name in ([f"{state}{SEPARATOR}{child}" for child in children] or [state])
        )


@dataclass(slots=True)
class Walker:
    """What the library moves: a state, the guards' answers, and the effects met on the way."""

    state: str
    holds: Callable[[str], bool]
    effects: list[str] = field(default_factory=list)


def read_flow(entry: Entry, guards: Sequence[str], effects: Sequence[str], problems: Problems) -> Flow:
    """The flow in an entry. Faults go to `problems`, with file:line."""
    keys = ("initial", "recall_after_hours", "states", "events")
    pairs = problems.attempt({}, entry.pairs, keys, keys)
    if not pairs:
        return Flow("", {}, {})
    states: dict[str, tuple[str, ...]] = {}
    for name, node in problems.attempt({}, pairs["states"].pairs).items():
        given = problems.attempt({}, node.pairs, ("children", "initial"))
        children = problems.attempt((), given["children"].texts) if "children" in given else ()
        if children and "initial" in given:
            first = problems.attempt(children[0], given["initial"].one_of, children)
            children = (first, *(child for child in children if child != first))
        states[name] = children
    known = {*states, *(f"{state}{SEPARATOR}{child}" for state, children in states.items() for child in children)}
    events: dict[str, tuple[Row, ...]] = {}
    for name, node in problems.attempt({}, pairs["events"].pairs, EVENTS, EVENTS).items():
        rows = (
            problems.attempt(None, _row, item, sorted(known), guards, effects)
            for item in problems.attempt([], node.items)
        )
        events[name] = tuple(row for row in rows if row is not None)
        _check_total(name, node, events[name], states, problems)
    hours = problems.attempt(0.0, _hours, pairs["recall_after_hours"])
    return Flow(problems.attempt("", pairs["initial"].one_of, sorted(known)), states, events, hours)


def fire(flow: Flow, state: str, event: str, holds: Callable[[str], bool]) -> tuple[str, tuple[str, ...]]:
    """The state after an event and the effects on the way. `holds` answers a guard by its name."""
    walker = Walker(state, holds)
    _machine(flow).trigger_event(walker, event)
    return walker.state, tuple(walker.effects)


_built = threading.local()


def _machine(flow: Flow) -> Any:
    """This thread's machine for a flow."""
    found: dict[int, tuple[Flow, Any]] = _built.__dict__.setdefault("machines", {})
    if id(flow) not in found:
        found[id(flow)] = (flow, build_machine(flow))
    return found[id(flow)][1]


def build_machine(flow: Flow, machine: type = HierarchicalMachine) -> Any:
    """The library's machine for a flow; `machine` may be one of its graph machines."""
    states = [
        {"name": name, "children": list(children), "initial": children[0]} if children else name
        for name, children in flow.states.items()
    ]
    machine_class = type("DialogMachine", (machine,), {"state_cls": _state_class(machine)})
    built = machine_class(
        model=None, states=states, initial=flow.initial, auto_transitions=False, send_event=True, queued=False
    )
    for event, rows in flow.events.items():
        for row in rows:
            for source in row.sources:
                built.add_transition(
                    event,
                    source,
                    row.target or None,  # None: an internal transition, the state stays
                    conditions=[_asks(guard) for guard in row.guards],
                    before=[_notes(effect) for effect in row.effects],
                )
    return built


def _state_class(machine: type) -> type:
    class DialogState(machine.state_cls):  # type: ignore[name-defined, misc]
        separator = SEPARATOR

    return DialogState


def _asks(guard: str) -> Callable[[EventData], bool]:
    def ask(event: EventData) -> bool:
        walker: Any = event.model
        return bool(walker.holds(guard))

    return ask


def _notes(effect: str) -> Callable[[EventData], None]:
    def note(event: EventData) -> None:
        walker: Any = event.model
        walker.effects.append(effect)

    return note


def _hours(entry: Entry) -> float:
    return entry.number(low=0)


def _row(entry: Entry, states: Sequence[str], guards: Sequence[str], effects: Sequence[str]) -> Row:
    pairs = entry.pairs(("from", "guards", "effects", "to"), required=("from", "effects"))
    start = pairs["from"]
    names = [start.one_of([*states, "*"])] if start.is_text else [n.one_of(states) for n in start.items()]
    sources = tuple(states) if names == ["*"] else tuple(names)
    return Row(
        sources=tuple(source for source in sources if SEPARATOR not in source or names != ["*"]),
        guards=tuple(node.one_of(guards) for node in pairs["guards"].items()) if "guards" in pairs else (),
        effects=tuple(node.one_of(effects) for node in pairs["effects"].items()),
        target=pairs["to"].one_of(states) if "to" in pairs else "",
    )


def _check_total(
    name: str, node: Entry, rows: Sequence[Row], states: Mapping[str, tuple[str, ...]], problems: Problems
) -> None:
    for state in states:
        if not any(state in row.sources and not row.guards for row in rows):
            problems.add(
                KnowledgeError(
                    node.where, f"{name!r} has no answer in state {state!r}", "add a row without guards for it"
                )
            )


def mermaid(flow: Flow) -> str:
    """The machine as a mermaid state diagram: steps and the events that move between states."""
    lines = ["stateDiagram-v2", f"    [*] --> {flow.initial}"]
    for state, children in flow.states.items():
        if children:
            lines.append(f"    state {state} {{")
            lines += [f"        {state}_{child}: {child}" for child in children]
            lines.append("    }")
    moves: dict[tuple[str, str], list[str]] = {}
    for event, rows in flow.events.items():
        closed: set[str] = set()  # states whose event an earlier row without guards has taken
        for row in rows:
            label = event if not row.guards else f"{event} [{', '.join(row.guards)}]"
            for source in row.sources:
                if row.target and source not in closed and source != row.target:
                    moves.setdefault((source, row.target), []).append(label)
            closed |= set() if row.guards else set(row.sources)
    for (source, target), labels in moves.items():
        lines.append(f"    {source} --> {target.replace(SEPARATOR, '_')}: {' / '.join(labels)}")
    return "\n".join(lines)
