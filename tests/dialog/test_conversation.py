"""The stored state: comes back as it was, holds nothing that is computed with, and a faulty one is refused."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.dialog import Conversation, Message, Mind, StateError, Tree, Verdict, from_json, step, to_json
from chatkey.dialog.conversation import VERSION, Shown
from chatkey.identify import Asked
from chatkey.terms import Claim, Place, Quantity, Reader
from chatkey.understand import Pending
from tests.walking import MESSAGES, talks_of_all_kinds, walks

STATES = Path(__file__).parent / "states"
# Where a stored number may be a fraction: what a finder said, where they stood, and what was shown to them.
FRACTIONS = {"hedge", "low", "high", "latitude", "longitude", "probability"}

texts = st.text(max_size=12)
words = st.text("abcdefgh_", min_size=1, max_size=12)
numbers = st.floats(0.1, 700)
claims = st.builds(
    Claim,
    character=words,
    states=st.lists(words, max_size=3).map(tuple),
    quantity=st.none() | st.builds(Quantity, numbers, numbers, st.sampled_from(["eye", "thumb", "ruler"])),
    negated=st.booleans(),
    hedge=st.floats(0, 1),
    reader=texts,
    message=texts,
    sequence=st.integers(0, 500),
    span=st.tuples(st.integers(0, 99), st.integers(0, 99)),
    text=texts,
    source=st.sampled_from(["said", "asked_again", "compared"]),
)
asked = st.builds(
    Asked,
    st.sampled_from(["character", "place", "compare", "reask"]),
    words,
    st.none() | st.tuples(words, words),
    st.booleans(),
    st.booleans(),
)
questions = st.builds(Pending, words, words, st.lists(st.tuples(words, words), max_size=4).map(tuple), words)
places = st.builds(
    Place, code=words, county=texts, landscape=texts, town=texts, latitude=st.none() | numbers, longitude=st.none()
)
trees = st.builds(
    Tree,
    id=st.integers(2, 9),
    claims=st.lists(claims, max_size=4).map(tuple),
    asked=st.lists(asked, max_size=4).map(tuple),
    place=st.none() | places,
    shown=st.none() | st.builds(Shown, words, words, st.floats(0, 1), words),
    handed=st.lists(st.sampled_from(["asked", "unsure", "unsafe", "rule"]), max_size=2, unique=True).map(tuple),
    verdict=st.none()
    | st.builds(Verdict, st.sampled_from(["right", "other", "unknowable", "none"]), words, texts, texts),
)
conversations = st.builds(
    Conversation,
    id=texts,
    language=st.just("en"),
    state=words,
    trees=st.lists(trees, max_size=3).map(lambda more: (Tree(1), *more)),
    pending=st.none() | st.builds(replace, questions, further=st.lists(questions, max_size=1).map(tuple)),
    said=st.dictionaries(words, st.integers(0, 9), max_size=4),
    messages=st.integers(0, 999),
    plant=words,
    site=st.lists(words, max_size=2).map(tuple),
)


def stored(conversation: Conversation) -> dict[str, Any]:
    """The state as a store would keep it."""
    data: dict[str, Any] = json.loads(json.dumps(to_json(conversation)))
    return data


def fractions(value: Any, name: str = "") -> Iterator[tuple[str, float]]:
    """Every number with a fraction part in a stored state, with the name of its field."""
    if isinstance(value, float):
        yield name, value
    elif isinstance(value, dict):
        for key, child in value.items():
            yield from fractions(child, key)
    elif isinstance(value, list):
        for child in value:
            yield from fractions(child, name)


@pytest.fixture(scope="module")
def ends(mind: Mind) -> list[Conversation]:
    """Conversations in which a name was shown."""
    found = [walk.last.conversation for walk in walks(mind, 9, seed=4)]
    return [conversation for conversation in found if conversation.tree.shown]


@pytest.fixture(scope="module")
def walked(ends: list[Conversation]) -> Conversation:
    """The longest of them."""
    return max(ends, key=lambda conversation: len(conversation.tree.claims))


@given(conversation=conversations)
def test_any_state_comes_back_from_json_as_it_was(conversation: Conversation) -> None:
    assert from_json(stored(conversation)) == conversation


def test_every_state_of_walked_conversations_comes_back_and_goes_on_alike(mind: Mind) -> None:
    seen = set()
    for walk in talks_of_all_kinds(mind, 20, seed=2):
        for turned, text in zip(walk.turns, walk.said[1:], strict=False):
            back = from_json(stored(turned.conversation))
            assert back == turned.conversation
            assert step(mind, back, Message(text)).view == step(mind, turned.conversation, Message(text)).view
            seen.add(turned.conversation.state)
    assert len(seen) >= 6


def test_a_state_holds_no_fraction_that_was_not_said_or_shown(mind: Mind) -> None:
    found = {
        name
        for walk in walks(mind, 20, seed=3)
        for turned in walk.turns
        for name, _ in fractions(stored(turned.conversation))
    }
    assert found <= FRACTIONS
    assert {"hedge", "probability"} <= found


@pytest.mark.parametrize("text", [*MESSAGES.values(), "1"])
def test_the_probability_that_was_shown_is_never_computed_with(mind: Mind, ends: list[Conversation], text: str) -> None:
    assert ends
    for before in ends:
        assert before.tree.shown is not None
        false = replace(before.tree, shown=replace(before.tree.shown, probability=0.0123))
        changed = replace(before, trees=(false,))
        assert step(mind, changed, Message(text)).view == step(mind, before, Message(text)).view


def test_a_stored_state_of_the_first_version_loads_and_goes_on(mind: Mind) -> None:
    data = json.loads((STATES / "v1.json").read_text(encoding="utf-8"))
    assert data["version"] == 1
    conversation = from_json(data, mind.knowledge.retired)
    assert [claim.reader for claim in conversation.trees[0].claims] == ["ana", "ana", "ana", "ben", "ben"]
    length = conversation.trees[0].claims[1].quantity
    assert length is not None
    assert length.low == pytest.approx(76.2, rel=1e-9)  # 3 inches
    assert conversation.trees[1].place == Place("MI")
    assert conversation.pending is not None
    assert conversation.pending.further == ()
    assert not any(one.beside for tree in conversation.trees for one in tree.asked)
    for tree in conversation.trees:
        for claim in tree.claims:
            assert claim.character in mind.knowledge.characters
            assert set(claim.states) <= set(mind.knowledge.characters[claim.character].states)
    turned = step(mind, conversation, Message("1", "ana"))
    assert turned.reply.text
    assert turned.conversation.tree.claims[-1].character == conversation.pending.character
    assert step(mind, turned.conversation, Message("list", "ben")).reply.blocks[0].text.startswith("1. ")


def test_a_stored_state_that_only_says_that_a_tree_was_handed_over_loads_as_asked_for(mind: Mind) -> None:
    data = json.loads((STATES / "v1_handed_over.json").read_text(encoding="utf-8"))
    conversation = from_json(data, mind.knowledge.retired)
    assert [tree.handed for tree in conversation.trees] == [("asked",), ()]
    assert [tree.verdict for tree in conversation.trees] == [None, None]
    assert step(mind, conversation, Message("2", "ben")).reply.text
    assert from_json(stored(conversation)) == conversation


@pytest.mark.parametrize("version", [0, VERSION + 1, "1", None, 1.5])
def test_a_state_of_another_version_is_refused_with_both_versions_named(walked: Conversation, version: object) -> None:
    with pytest.raises(StateError) as caught:
        from_json({**stored(walked), "version": version})
    where, what, mend = caught.value.args
    assert (where, what) == ("stored state", f"has version {version!r}")
    assert mend == f"this chatkey reads version {VERSION}"


def without(*path: str | int) -> Callable[[Any], Any]:
    """The state without one of its fields."""

    def spoil(data: Any) -> Any:
        at = data
        for key in path[:-1]:
            at = at[key]
        del at[path[-1]]
        return data

    spoil.__name__ = f"without {path}"
    return spoil


def with_(value: object, *path: str | int) -> Callable[[Any], Any]:
    """The state with another value in one of its fields."""

    def spoil(data: Any) -> Any:
        at = data
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = value
        return data

    spoil.__name__ = f"{path} is {value!r}"
    return spoil


def instead(value: object) -> Callable[[Any], Any]:
    """Something that is no state at all."""

    def spoil(data: Any) -> Any:
        return value

    spoil.__name__ = f"{value!r} for a state"
    return spoil


GARBLED = [
    *(without(key) for key in ("version", "id", "state", "trees", "current", "said", "messages", "language")),
    *(without("trees", 0, key) for key in ("id", "claims", "asked")),
    *(without("trees", 0, "claims", 0, key) for key in ("character", "states", "span")),
    with_([], "trees"),
    with_("x", "trees"),
    with_([None], "trees"),
    with_(99, "current"),
    with_("many", "messages"),
    with_([1], "said"),
    with_("x", "pending"),
    with_({"kind": "character", "character": "leaf_kind", "choices": [["1"]]}, "pending"),
    with_(5, "trees", 0, "claims", 0, "span"),
    with_({"low": 1}, "trees", 0, "claims", 0, "quantity"),
    with_("about an inch", "trees", 0, "claims", 0, "quantity"),
    with_(1, "trees", 0, "claims", 0, "flavour"),
    with_({"town": "Larkwater"}, "trees", 0, "place"),
    with_("Michigan", "trees", 0, "place"),
    with_(13, "trees", 0, "month"),
    with_("May", "trees", 0, "month"),
    instead([]),
    instead("state"),
    instead(None),
]


@pytest.mark.parametrize("spoil", GARBLED, ids=lambda spoil: spoil.__name__)
def test_a_garbled_state_gives_one_line_that_can_be_acted_on(
    mind: Mind, walked: Conversation, spoil: Callable[[Any], Any]
) -> None:
    with pytest.raises(StateError) as caught:
        from_json(spoil(stored(walked)), mind.knowledge.retired)
    assert str(caught.value).startswith("stored state")
    assert "\n" not in str(caught.value)


def test_a_tree_keeps_the_month_in_which_it_was_first_told_of(mind: Mind) -> None:
    """The next month's message is about the same leaves; what was worked out of them does not move."""
    told = step(mind, Conversation(), Message("needles in tufts", place=Place("MI"), month=1))
    later = step(mind, told.conversation, Message("soft needles", month=7))
    assert [turned.conversation.tree.month for turned in (told, later)] == [1, 1]
    assert from_json(stored(later.conversation)) == later.conversation
    summer = step(mind, Conversation(), Message("needles in tufts", place=Place("MI"), month=7))
    larch = [
        next(row["probability"] for row in turned.view["candidates"] if row["id"] == "larix_laricina")
        for turned in (told, summer)
    ]
    assert larch[0] < larch[1]
    older = stored(told.conversation)
    del older["trees"][0]["month"]
    assert from_json(older).tree.month is None


def test_a_state_that_the_flow_no_longer_has_is_refused_and_not_a_traceback(mind: Mind, walked: Conversation) -> None:
    with pytest.raises(StateError, match="nowhere"):
        step(mind, from_json(with_("nowhere", "state")(stored(walked))), Message("hello"))


def test_a_retired_id_is_read_as_what_took_its_place(walked: Conversation) -> None:
    data = stored(walked)
    claim = data["trees"][0]["claims"][0]
    now = claim["character"]
    claim["character"] = "needle_feel"
    assert from_json(data, {"needle_feel": now}) == walked


def test_a_question_about_a_retired_character_is_read_as_what_took_its_place(mind: Mind) -> None:
    waiting = next(walk.turns[0].conversation for walk in walks(mind, 1))
    assert waiting.pending is not None
    data = stored(waiting)
    now = data["pending"]["character"]
    data["pending"]["character"] = data["trees"][0]["asked"][0]["character"] = "needle_feel"
    assert from_json(data, {"needle_feel": now}) == waiting


def test_readers_are_kept_apart_in_the_stored_state(mind: Mind) -> None:
    first = step(mind, Conversation(), Message("soft needles", Reader("ana").id)).conversation
    both = step(mind, first, Message("flat needles", Reader("ben").id)).conversation
    assert {claim["reader"] for claim in stored(both)["trees"][0]["claims"]} == {"ana", "ben"}
