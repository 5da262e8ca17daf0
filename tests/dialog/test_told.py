"""A steward's answer: told to the finder in their own words, kept with the tree, and said again when asked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chatkey.dialog import (
    Conversation,
    Desk,
    Message,
    Mind,
    StateError,
    Verdict,
    VerdictError,
    from_json,
    step,
    to_json,
    told,
)
from chatkey.knowledge.model import Card
from chatkey.terms import Place

DESK = Desk("the Larkwater group", 3)
HEMLOCK = "flat needles on tiny stalks, rough brown twig, two white lines under, cones under an inch hang at the tips"


@pytest.fixture(scope="module")
def group(mind: Mind) -> Mind:
    return replace(mind, card=Card("the Larkwater group"))


def after(mind: Mind, *texts: str) -> Conversation:
    conversation = Conversation()
    for text in texts:
        conversation = step(mind, conversation, Message(text, place=Place("MI"), desk=DESK)).conversation
    return conversation


def reply(mind: Mind, conversation: Conversation, text: str) -> str:
    return step(mind, conversation, Message(text, desk=DESK)).reply.text


def test_the_stewards_words_come_first_and_say_who_speaks(group: Mind) -> None:
    before = after(group, HEMLOCK, "can a person look at it")
    turned = told(group, before, 1, Verdict("right", text="Well looked.", by="Ana"))
    lines = turned.reply.text.splitlines()
    assert lines[0] == "A steward of the Larkwater group: Well looked."
    assert lines[1] == "It is eastern hemlock, as you and I found."
    assert "Ana" not in turned.reply.text
    assert turned.conversation.state == "answered"
    assert turned.conversation.tree.verdict == Verdict("right", "tsuga_canadensis", "Well looked.", "Ana")


def test_without_a_card_a_steward_speaks(mind: Mind) -> None:
    turned = told(mind, after(mind, HEMLOCK), 1, Verdict("right"))
    assert turned.reply.text.startswith("A steward has looked at your tree.")


def test_another_plant_is_named_kindly_with_its_status_here(group: Mind) -> None:
    turned = told(group, after(group, HEMLOCK), 1, Verdict("other", "abies_balsamea"))
    assert "It is balsam fir. I took it for eastern hemlock; a person sees more than I do." in turned.reply.text
    assert "ative in Michigan" in turned.reply.text


def test_a_closer_name_is_no_correction(group: Mind) -> None:
    conversation = after(group, "red berries with a hole, flat needles, clipped hedge at the school")
    text = told(group, conversation, 1, Verdict("other", "taxus_baccata")).reply.text
    assert "It is English yew." in text
    assert "took it for" not in text


def test_a_yew_named_by_a_steward_brings_the_caution(group: Mind) -> None:
    turned = told(group, after(group, HEMLOCK), 1, Verdict("other", "taxus_canadensis"))
    assert turned.reply.blocks[0].kind == "caution"
    assert "poisonous" in turned.reply.blocks[0].text
    assert "yew" in [caution["id"] for caution in turned.view["cautions"]]
    later = step(group, turned.conversation, Message("soft needles"))
    assert "yew" in [caution["id"] for caution in later.view["cautions"]]


def test_what_can_t_be_known_is_said_so(group: Mind) -> None:
    turned = told(group, after(group, "soft needles"), 1, Verdict("unknowable"))
    assert "can't be known" in turned.reply.text
    assert "can't be known" in reply(group, turned.conversation, "how sure")


def test_in_a_talk_of_several_trees_the_answer_says_which_and_the_tree_in_hand_stays(group: Mind) -> None:
    before = after(group, HEMLOCK, "next", "needles in bundles of five")
    for text in ("A cone would help.", ""):
        turned = told(group, before, 1, Verdict("right", text=text))
        assert "tree 1" in turned.reply.blocks[0].text
        assert turned.conversation.current == 2
        assert turned.conversation.pending == before.pending
        assert turned.conversation.state == before.state
        assert turned.conversation.trees[1] == before.trees[1]


def test_a_checked_tree_is_listed_as_checked(group: Mind) -> None:
    turned = told(group, after(group, HEMLOCK), 1, Verdict("other", "abies_balsamea"))
    assert reply(group, turned.conversation, "list") == "1. balsam fir, Michigan (checked by a steward)"


@pytest.mark.parametrize("text", ["how sure", "why", "is it a hemlock", "what else", "it has soft needles"])
def test_what_a_steward_named_stands_whatever_is_asked_or_told(group: Mind, text: str) -> None:
    turned = told(group, after(group, HEMLOCK), 1, Verdict("other", "abies_balsamea"))
    answer = reply(group, turned.conversation, text)
    assert "teward" in answer
    assert "balsam fir" in answer
    assert "Eastern hemlock, " not in answer


def test_planting_is_advised_for_what_a_steward_named(group: Mind) -> None:
    turned = told(group, after(group, HEMLOCK), 1, Verdict("other", "picea_abies"))
    assert "Norway spruce" in reply(group, turned.conversation, "should i plant it")


def test_the_question_that_waits_is_kept_and_its_answer_taken(group: Mind) -> None:
    before = after(group, "soft flat needles", "can a person look at it")
    turned = told(group, before, 1, Verdict("none", text="Is there a cone?"))
    assert before.pending is not None
    assert turned.conversation.pending == before.pending
    later = step(group, turned.conversation, Message("2"))
    assert later.conversation.tree.claims[-1].character == before.pending.character


def test_forget_me_takes_the_stewards_words_and_name_and_leaves_the_plant(group: Mind) -> None:
    named = told(group, after(group, HEMLOCK), 1, Verdict("right", text="By your gate.", by="Ana")).conversation
    left = step(group, named, Message("forget me")).conversation
    assert left.tree.verdict == Verdict("right", "tsuga_canadensis")
    only_words = told(group, after(group, HEMLOCK), 1, Verdict("none", text="By your gate.", by="Ana")).conversation
    assert step(group, only_words, Message("forget me")).conversation.tree.verdict is None


def test_start_over_forgets_the_verdict(group: Mind) -> None:
    named = told(group, after(group, HEMLOCK), 1, Verdict("right")).conversation
    assert step(group, named, Message("start over")).conversation.tree.verdict is None


def test_a_verdict_is_stored_and_read_back(group: Mind) -> None:
    named = told(group, after(group, HEMLOCK), 1, Verdict("right", text="Well looked.", by="Ana")).conversation
    assert from_json(to_json(named)) == named


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        (Verdict("none"), "has no words"),
        (Verdict("none", text="  "), "has no words"),
        (Verdict("other"), "names no plant"),
        (Verdict("other", "tsuga_canadensi"), "did you mean 'tsuga_canadensis'?"),
    ],
)
def test_a_verdict_that_says_nothing_is_an_error_with_the_mend(group: Mind, verdict: Verdict, words: str) -> None:
    with pytest.raises(VerdictError) as caught:
        told(group, after(group, HEMLOCK), 1, verdict)
    assert words in str(caught.value)


def test_right_without_a_name_shown_is_an_error(group: Mind) -> None:
    with pytest.raises(VerdictError, match="names no plant"):
        told(group, Conversation(), 1, Verdict("right"))


def test_a_tree_that_is_not_there_is_an_error_that_names_those_that_are(group: Mind) -> None:
    with pytest.raises(StateError, match="use one of: 1"):
        told(group, Conversation(), 7, Verdict("none", text="Hello."))
