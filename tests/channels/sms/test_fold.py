"""A reply in two segments: danger and the question stay, and what had no room waits for MORE."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import count
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.advise import filled
from chatkey.advise.caution import lines_at
from chatkey.channels.base import Talks
from chatkey.channels.sms.fold import MOST_ASKED, SENTENCE_END, WORTH, Folded, fold, fold_text
from chatkey.channels.sms.segments import ALPHABET, plain, segments
from chatkey.dialog import Ask, Block, Choice, Mind
from chatkey.dialog.reply import BlockKind
from chatkey.terms import Place

MORE = "MORE for the rest."
CHOICES = (Choice("1", "soft", "soft"), Choice("2", "stiff", "stiff"), Choice("3", "can't tell", "cant_tell"))
QUESTION = "Stroke the leaves gently. How do they feel? (1) soft, (2) stiff, (3) can't tell"
ASK = Ask("character", "leaf_stiffness", QUESTION, CHOICES)
ASKED = Block("question", QUESTION)
FIRST = Block("note", "Before you touch: " + "look well and keep off what stings. " * 4, "First look: no poison ivy.")
CAUTION = Block(
    "caution", "Treat the whole plant as poisonous. " * 6 + "Call 911.", "All of it is poisonous. Call 911."
)
STATUS = Block("status", "Native in Michigan (county not checked).")
ANSWER = Block("answer", "Eastern hemlock, about 19 in 20.")
TOOK_IN = Block("took_in", "Got it: " + ", ".join(f"fact number {n}" for n in range(1, 20)) + ".")

words = st.text(alphabet="abcdefghijklmnopqrstuvwxyzé’–½🌲", min_size=1, max_size=12)
sentences = st.builds(
    lambda said, end: " ".join(said).capitalize() + end, st.lists(words, min_size=1, max_size=14), st.sampled_from(".?")
)
texts = st.builds(" ".join, st.lists(sentences, min_size=1, max_size=4))
kinds = st.sampled_from([kind for kind in get_args(BlockKind) if kind != "question"])
plain_blocks = st.builds(Block, kinds, texts)
lists = st.builds(
    lambda lead, items, end: Block("took_in", f"{lead.capitalize()}: {', '.join(items)}{end}"),
    words,
    st.lists(words, min_size=1, max_size=20),
    st.sampled_from(".?"),
)
labels = st.lists(st.builds(" ".join, st.lists(words, min_size=1, max_size=4)), min_size=2, max_size=5)


@st.composite
def replies(draw: st.DrawFn) -> tuple[list[Block], Ask | None]:
    """Blocks in any order; at times with a question and its choices at the end."""
    blocks = draw(st.lists(plain_blocks | lists, max_size=6))
    if not draw(st.booleans()):
        return blocks, None
    choices = tuple(Choice(str(n), label, label) for n, label in zip(count(1), draw(labels), strict=False))
    question = f"{draw(texts)} " + ", ".join(f"({choice.key}) {choice.label}" for choice in choices)
    return [*blocks, Block("question", question)], Ask("character", "leaf_tip", question, choices)


def said_words(text: str) -> set[str]:
    return set(re.findall(r"[^\W_]+", plain(text)))


def leading_words(block: Block) -> set[str]:
    """Those that may go from a question: what stands before where to look, how, and what is asked."""
    if block.kind != "question":
        return set()
    before = SENTENCE_END.split(plain(block.text).split("(1)")[0])[:-MOST_ASKED]
    return said_words(" ".join(before))


@given(replies(), st.integers(1, 3), st.sampled_from(["", MORE]))
def test_any_reply_fits_and_loses_no_word(reply: tuple[list[Block], Ask | None], most: int, more: str) -> None:
    blocks, ask = reply
    folded = fold(blocks, ask, most, more)
    cautions = [plain(block.text) for block in blocks if block.kind == "caution"]
    assert segments(folded.text) <= most or any(segments(caution) > most for caution in cautions)
    assert set(folded.text + folded.rest) <= ALPHABET
    for block in blocks:
        assert said_words(block.text) - said_words(f"{folded.text}\n{folded.rest}") <= leading_words(block)


@given(replies(), st.integers(1, 3))
def test_a_choice_is_never_cut(reply: tuple[list[Block], Ask | None], most: int) -> None:
    blocks, ask = reply
    folded = fold(blocks, ask, most, MORE)
    shown = plain(", ".join(f"({choice.key}) {choice.label}" for choice in ask.choices)) if ask else ""
    assert shown in folded.text or shown in folded.rest or segments(shown) >= most


@given(st.lists(st.builds(Block, st.just("caution"), texts, texts | st.just("")), min_size=1, max_size=4))
def test_a_caution_is_said_whole_or_by_its_short_wording_or_left_whole(cautions: list[Block]) -> None:
    folded = fold([*cautions, ANSWER], None)
    lines = folded.text.split("\n")
    for caution in cautions:
        wordings = {plain(caution.text), plain(caution.short)} - {""}
        assert not wordings or wordings & {*lines, *folded.rest.split("\n")}


@given(st.lists(texts, max_size=8).map("\n".join), st.integers(1, 3))
def test_every_more_fits_and_in_the_end_all_was_said(text: str, most: int) -> None:
    folded = Folded("", plain(text))
    said: list[str] = []
    while folded.rest:
        before = len(folded.rest)
        folded = fold_text(folded.rest, most, MORE)
        assert segments(folded.text) <= most
        assert len(folded.rest) < before
        said += folded.text.removesuffix(MORE).split()
    assert said == plain(text).split()


def test_what_fits_is_said_as_it_is_with_a_line_for_each_block() -> None:
    folded = fold([ANSWER, STATUS, ASKED], ASK, more=MORE)
    assert folded == Folded(f"{ANSWER.text}\n{STATUS.text}\n{QUESTION}", "")


def test_short_wordings_come_before_anything_is_left_out_those_of_least_worth_first() -> None:
    caution = replace(CAUTION, text="Treat the whole plant as poisonous. Call 911 now.")
    folded = fold([caution, ANSWER, STATUS, FIRST, ASKED], ASK, more=MORE)
    assert folded == Folded("\n".join([caution.text, ANSWER.text, STATUS.text, FIRST.short, QUESTION]), "")


def test_a_caution_and_the_question_stay_and_facts_taken_in_are_cut_at_a_comma() -> None:
    folded = fold([CAUTION, TOOK_IN, ANSWER, ASKED], ASK, more=MORE)
    caution, took_in, answer, question, more = folded.text.split("\n")
    assert (caution, answer, question, more) == (CAUTION.short, ANSWER.text, QUESTION, MORE)
    assert took_in.startswith("Got it: fact number 1, fact number 2, ")
    assert took_in.endswith(" ...")
    assert folded.rest.startswith("... fact number ")
    assert segments(folded.text) == 2


def test_a_list_with_brackets_is_cut_at_its_semicolons_alone() -> None:
    plants = "; ".join(f"spruce {n} (for windbreaks, gardens and hedges, on moist ground)" for n in range(6))
    folded = fold([ANSWER, Block("facts", f"Native in its place: {plants}.")], None, more=MORE)
    assert folded.text.split("\n")[1].endswith("on moist ground) ...")
    assert folded.rest.startswith("... spruce ")


def test_what_is_against_is_not_told_where_what_is_for_had_no_room() -> None:
    long = Block("answer", "For hemlock: " + "a very long reason " * 20 + "indeed.")
    folded = fold([ANSWER, long, Block("answer", "Against fir: a rough twig.")], None, more=MORE)
    assert "Against fir" not in folded.text
    assert folded.rest.endswith("Against fir: a rough twig.")


def test_what_leads_to_a_question_goes_before_anything_else_is_left_out() -> None:
    question = Block("question", f"One answer stands apart. Please look once more. {QUESTION}")
    filler = Block("took_in", "Got it: " + "x" * (306 - len(QUESTION) - 8 - 1 - 25) + ".")
    folded = fold([filler, question], replace(ASK, question=question.text))
    assert folded == Folded(f"{filler.text}\nPlease look once more. {QUESTION}", "")


def test_no_shipped_question_loses_where_to_look(mind: Mind) -> None:
    for character in mind.knowledge.characters.values():
        for text in (character.words.ask, character.words.again):
            assert len(SENTENCE_END.split(text)) <= MOST_ASKED


def test_a_question_without_room_waits_for_more_whole() -> None:
    caution = Block("caution", ("Treat the whole plant as poisonous. " * 7).strip())
    folded = fold([caution, ASKED], ASK, more=MORE)
    assert folded == Folded(f"{caution.text}\n{MORE}", QUESTION)


def test_of_many_cautions_the_first_that_fit_are_sent_and_the_rest_waits() -> None:
    cautions = [Block("caution", f"Number {n}. " + "Keep off it. " * 9 + "Keep off.") for n in range(4)]
    folded = fold([*cautions, ANSWER], None, more=MORE)
    assert folded.text == "\n".join([*(caution.text for caution in cautions[:2]), MORE])
    assert folded.rest == "\n".join([*(caution.text for caution in cautions[2:]), ANSWER.text])


def test_one_caution_that_is_too_long_goes_out_whole() -> None:
    caution = Block("caution", ("Keep children and animals off all of it. " * 12).strip())
    folded = fold([caution, ASKED], ASK, more=MORE)
    assert folded == Folded(caution.text, QUESTION)
    assert segments(folded.text) == 4


def test_no_shipped_caution_is_too_long_at_any_place(mind: Mind) -> None:
    places = [None, *(Place(code) for code in mind.knowledge.regions)]
    for lines in {tuple(lines_at(mind.knowledge, place, mind.card).items()) for place in places}:
        for caution in mind.knowledge.cautions.values():
            assert segments(plain(filled(caution, dict(lines)))) <= 2, caution.id


def test_a_line_that_tells_of_more_stands_only_where_there_is_more_and_room_for_it() -> None:
    assert MORE not in fold([ANSWER], None, more=MORE).text
    assert fold([ANSWER, TOOK_IN], None, most=1, more=MORE).text.endswith(f"\n{MORE}")
    full = Block("caution", "x" * 306)
    assert fold([full, ANSWER], None, more=MORE) == Folded(full.text, ANSWER.text)


def test_the_numbers_of_a_list_are_no_ends_of_sentences() -> None:
    rows = "\n".join(f"{n}. Fraser fir, North Carolina, and a good deal more of it" for n in range(1, 13))
    folded = fold([Block("facts", rows)], None, more=MORE)
    assert not any(re.fullmatch(r"\d+\.", line) for line in folded.text.split("\n"))
    assert not folded.rest.startswith("Fraser")


def test_a_word_longer_than_a_message_is_cut_for_else_it_would_never_end() -> None:
    folded = fold_text("x" * 400, 1)
    assert folded == Folded("x" * 160, "x" * 240)


def test_no_reply_is_an_empty_text() -> None:
    assert fold([], None, more=MORE) == Folded("", "")
    assert fold([Block("note", "🌲")], None) == Folded("", "")


def test_every_kind_of_block_has_its_worth() -> None:
    assert set(get_args(BlockKind)) <= set(WORTH)


@pytest.mark.parametrize(
    "texts",
    [
        ("soft short flat needles, two white lines under, by a creek nr Marquette MI", "1", "why", "can i plant it"),
        ("red berries with a hole, flat needles, clipped hedge at the school", "can my goat have the clippings"),
        ("a neighbor gave us 40 norway spruce for the riverbank, 49855, should we plant them", "help", "person"),
    ],
)
def test_a_real_talk_fits_two_segments_and_keeps_danger_and_question(mind: Mind, texts: tuple[str, ...]) -> None:
    talks = Talks(mind)
    for text in texts:
        reply = talks.say(text).reply
        folded = fold(reply.blocks, reply.ask, 2, MORE)
        assert segments(folded.text) <= 2
        for block in reply.blocks:
            if block.kind == "caution":
                assert plain(block.text) in folded.text or plain(block.short) in folded.text
        for choice in reply.ask.choices if reply.ask else ():
            assert plain(f"({choice.key}) {choice.label}") in folded.text
