"""Two questions in one text message: put where both fit, answered by letter or in words, and never lost."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pytest

import chatkey.dialog.turn
from chatkey.dialog import Conversation, Desk, Message, Mind, Turned, from_json, step, to_json
from chatkey.dialog.conversation import without
from chatkey.identify import Asked, Belief, Budget, Step, YewWatch
from chatkey.knowledge.reading import grade
from chatkey.terms import Place
from chatkey.understand import Pending

ROOM = 306  # 3GPP TS 23.040: 2 x 153 letters of the basic alphabet
WIDE = 10_000
ORDER = (
    "leaf_rolls",
    "bands_below",
    "twig_surface",
    "bud_colour",
    "cone_scales",
    "needle_bend",
    "leaf_tip",
    "leaf_base",
)
BOTH_KEYS = ["1a", "1b", "1c"], ["2a", "2b", "2c", "2d"]
TWO = (
    "Roll one needle between finger and thumb. Does it roll? (1a) it rolls, (1b) it is flat, (1c) can't tell\n"
    "Turn one needle over. What do you see on its lower side? (2a) two pale lines, (2b) just green, "
    "(2c) pale all over, (2d) can't tell"
)


@pytest.fixture(autouse=True)
def budgets(monkeypatch: pytest.MonkeyPatch) -> list[Budget]:
    """The mathematics asks in a fixed order here, two at once where the channel bears it; the budgets it was given."""
    given: list[Budget] = []

    def next_step(
        belief: Belief, asked: Sequence[Asked], watch: YewWatch, place: Place | None, budget: Budget, month: int | None
    ) -> Step:
        given.append(budget)
        known = {one.character for one in asked} | {reading.character for reading in belief.readings}
        left = [name for name in ORDER if name not in known]
        also = left[1] if len(left) > 1 and budget.questions_each > 1 else ""
        return Step("character", left[0], also=also) if left else Step("done")

    monkeypatch.setattr(chatkey.dialog.turn, "next_step", next_step)
    return given


class Phone:
    """A finder who texts; every state is stored and read again."""

    def __init__(self, mind: Mind, room: int | None = ROOM, desk: Desk | None = None) -> None:
        self.mind, self.room, self.desk = mind, room, desk
        self.state = Conversation()

    def says(self, text: str) -> Turned:
        turned = step(self.mind, self.state, Message(text, place=Place("MI"), desk=self.desk, room=self.room))
        self.state = from_json(json.loads(json.dumps(to_json(turned.conversation))))
        assert self.state == turned.conversation
        return turned

    @property
    def waiting(self) -> tuple[str, ...]:
        pending = self.state.pending
        return tuple(one.character for one in pending.questions) if pending else ()

    @property
    def asked(self) -> list[tuple[str, bool]]:
        return [(one.character, one.beside) for one in self.state.tree.asked]

    def told(self, name: str) -> tuple[str, ...]:
        return next((claim.states for claim in reversed(self.state.tree.claims) if claim.character == name), ())


@pytest.fixture
def phone(mind: Mind) -> Phone:
    """A phone on which the first two questions wait."""
    phone = Phone(mind, WIDE)  # the word of care that goes with a first question takes its room
    phone.says("soft needles")
    phone.room = ROOM
    assert phone.waiting == ("leaf_rolls", "bands_below")
    return phone


def question_of(turned: Turned) -> str:
    return next(block.text for block in turned.reply.blocks if block.kind == "question")


def test_both_questions_stand_in_one_reply_with_keys_that_say_which(mind: Mind) -> None:
    phone = Phone(mind, WIDE)
    turned = phone.says("soft needles")
    assert question_of(turned) == f"Two questions at once.\n{TWO}\nReply like 1a 2b, or in your own words."
    ask = turned.view["ask"]
    assert (ask["kind"], ask["character"], ask["also"]["character"]) == ("character", "leaf_rolls", "bands_below")
    assert [[one["key"] for one in part["choices"]] for part in (ask, ask["also"])] == list(BOTH_KEYS)
    assert f"{ask['question']}\n{ask['also']['question']}" == TWO
    assert phone.asked == [("leaf_rolls", False), ("bands_below", True)]


def test_the_short_wording_says_both_and_how_to_answer(mind: Mind) -> None:
    turned = Phone(mind, WIDE).says("soft needles")
    short = next(block.short for block in turned.reply.blocks if block.kind == "question")
    assert short == f"{TWO}\nReply like 1a 2b."


def test_the_lines_around_the_questions_read_at_grade_six_or_lower(mind: Mind) -> None:
    for text in (*mind.script.lines["question_two"], *mind.script.shorts["question_two"]):
        assert grade(text.format(first="Does it roll?", second="What do you see?")) <= 6


def test_a_chat_with_room_is_asked_one_question_at_a_time(mind: Mind, budgets: list[Budget]) -> None:
    turned = Phone(mind, room=None).says("soft needles")
    assert turned.view["ask"]["also"] is None
    assert [choice["key"] for choice in turned.view["ask"]["choices"]] == ["1", "2", "3"]
    assert set(budgets) == {Budget(12, 1)}


def test_a_channel_with_little_room_is_given_its_own_budget(mind: Mind, budgets: list[Budget]) -> None:
    Phone(mind).says("soft needles")
    assert set(budgets) == {Budget(6, 2)}


@pytest.mark.parametrize(
    "text", ["1a 2b", "1A2B", "2b, 1a", "a b", "it rolls, just green", "1. it rolls 2. just green"]
)
def test_one_message_answers_both(phone: Phone, text: str) -> None:
    turned = phone.says(text)
    assert (phone.told("leaf_rolls"), phone.told("bands_below")) == (("rolls",), ("plain",))
    assert phone.waiting == ("twig_surface", "bud_colour")
    assert turned.view["ask"]["also"]["character"] == "bud_colour"


@pytest.mark.parametrize("text", ["1a", "rolls", "a"])
def test_the_second_is_put_again_where_only_the_first_was_answered(phone: Phone, text: str) -> None:
    turned = phone.says(text)
    assert phone.told("leaf_rolls") == ("rolls",)
    assert phone.waiting == ("bands_below", "twig_surface")
    assert turned.reply.blocks[0].text.endswith("rolls.")  # which one it was taken for
    assert phone.asked == [("leaf_rolls", False), ("bands_below", False), ("twig_surface", True)]


@pytest.mark.parametrize("text", ["2b", "just green"])
def test_the_first_is_put_again_where_only_the_second_was_answered(phone: Phone, text: str) -> None:
    phone.says(text)
    assert phone.told("bands_below") == ("plain",)
    assert phone.waiting == ("leaf_rolls", "twig_surface")
    assert phone.asked == [("bands_below", False), ("leaf_rolls", False), ("twig_surface", True)]


def test_what_was_left_out_twice_is_let_be(phone: Phone) -> None:
    phone.says("1a")
    phone.says("2a")
    assert phone.told("twig_surface") == ("rough",)
    assert phone.waiting == ("bud_colour", "cone_scales")


@pytest.mark.parametrize("text", ["can't tell", "dunno", "skip", "1c 2d"])
def test_cant_tell_answers_both(phone: Phone, text: str) -> None:
    phone.says(text)
    assert phone.waiting == ("twig_surface", "bud_colour")
    assert [name for name, _ in phone.asked][:2] == ["leaf_rolls", "bands_below"]


@pytest.mark.parametrize("text", ["1a 2d", "it rolls, dunno"])
def test_cant_tell_beside_an_answer_closes_both(phone: Phone, text: str) -> None:
    phone.says(text)
    assert phone.told("leaf_rolls") == ("rolls",)
    assert phone.waiting == ("twig_surface", "bud_colour")


def test_cant_tell_of_one_by_its_key_leaves_the_other_open(phone: Phone) -> None:
    phone.says("1c")
    assert phone.waiting == ("bands_below", "twig_surface")


def test_other_facts_leave_the_second_question_for_later(phone: Phone) -> None:
    phone.says("the cones hang down")
    assert phone.waiting[0] == "bands_below"
    assert phone.asked[:2] == [("leaf_rolls", False), ("bands_below", False)]


@pytest.mark.parametrize("text", ["why", "thanks", "how sure", "what are you"])
def test_both_are_put_again_after_something_else(phone: Phone, text: str) -> None:
    before = phone.asked
    turned = phone.says(text)
    assert phone.waiting == ("leaf_rolls", "bands_below")
    assert TWO in question_of(turned)
    assert phone.asked == before


@pytest.mark.parametrize("text", ["help", "hello"])
def test_the_first_goes_alone_where_what_was_asked_for_needs_the_room(phone: Phone, text: str) -> None:
    turned = phone.says(text)
    assert phone.waiting == ("leaf_rolls",)
    assert question_of(turned).endswith("(1) it rolls, (2) it is flat, (3) can't tell")
    phone.says("1")
    assert phone.waiting == ("bands_below", "twig_surface")


def test_what_a_word_means_is_told_of_the_first_and_both_wait(phone: Phone, mind: Mind) -> None:
    turned = phone.says("what do you mean?")
    assert mind.knowledge.characters["leaf_rolls"].words.how in turned.reply.text
    assert phone.waiting == ("leaf_rolls", "bands_below")


def test_the_one_that_was_explained_stays_where_there_is_no_room_for_two(phone: Phone, mind: Mind) -> None:
    phone.room = 200
    turned = phone.says("what does two pale lines mean?")
    assert turned.view["ask"]["also"] is None
    assert mind.knowledge.characters["bands_below"].words.how in turned.reply.text
    assert phone.waiting == ("bands_below",)
    assert phone.asked == [("bands_below", False)]
    phone.room = ROOM
    phone.says("1")
    assert phone.told("bands_below") == ("two_lines",)
    assert phone.waiting == ("leaf_rolls", "twig_surface")


def test_undo_puts_again_what_was_taken_back_and_what_waited(phone: Phone) -> None:
    phone.says("1a 2b")
    phone.says("undo")
    assert phone.told("leaf_rolls") == phone.told("bands_below") == ()
    assert phone.waiting == ("leaf_rolls", "bands_below")
    assert phone.asked == [("leaf_rolls", False), ("bands_below", True)]


def test_another_tree_begins_with_no_question_waiting(phone: Phone) -> None:
    phone.says("next tree")
    assert phone.waiting == ()
    phone.says("soft needles")
    assert phone.waiting == ("leaf_rolls", "bands_below")


def test_after_restart_a_question_may_be_left_out_again(phone: Phone) -> None:
    phone.says("1a")
    phone.says("start over")
    phone.says("soft needles")
    phone.says("1a")
    assert phone.waiting == ("bands_below", "twig_surface")


def test_two_questions_wait_while_a_person_looks_and_a_yes_is_no_answer_then(mind: Mind) -> None:
    phone = Phone(mind, WIDE, Desk("Larkwater Stewards", 2))
    phone.says("soft needles")
    phone.says("a person please")
    assert phone.waiting == ("leaf_rolls", "bands_below")
    assert phone.state.pending is not None
    assert [one.yes for one in phone.state.pending.questions] == ["", ""]
    phone.says("1a 2b")
    assert phone.told("bands_below") == ("plain",)


def needed(mind: Mind, text: str) -> int:
    """Letters of the short wordings of a first reply that must not be lost."""
    blocks = Phone(mind, WIDE).says(text).reply.blocks
    kept = [one for one in blocks if one.kind in ("caution", "question", "took_in", "answer") or one.short]
    return len("\n".join(one.short or one.text for one in kept))


@pytest.mark.parametrize("text", ["soft needles", "hemlock, soft needles", "flat needles, red cups for berries"])
def test_the_second_is_put_where_the_last_letter_fits_and_not_one_sooner(mind: Mind, text: str) -> None:
    room = needed(mind, text)
    assert Phone(mind, room).says(text).view["ask"]["also"] is not None
    small = Phone(mind, room - 1)
    turned = small.says(text)
    assert turned.view["ask"]["also"] is None
    assert [choice["key"] for choice in turned.view["ask"]["choices"]] == ["1", "2", "3"]
    assert small.asked == [("leaf_rolls", False)]
    assert small.waiting == ("leaf_rolls",)


def test_a_question_with_more_choices_than_letters_goes_alone(mind: Mind, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.dialog.test_two_questions.ORDER", ("cones_present", "bark"))
    assert len(mind.knowledge.language.numbers["letters"]) < 6
    turned = Phone(mind, WIDE).says("soft needles")
    assert turned.view["ask"]["also"] is None


def test_a_question_that_stood_beside_one_that_is_gone_is_first_of_its_message() -> None:
    first, second, third = Asked("character", "a", free=True), Asked("character", "b", beside=True), Asked("reask", "c")
    assert without([first, second, third], [first]) == (Asked("character", "b", free=True), third)
    assert without([first, second, third], [second]) == (first, third)
    assert without([first, second, third], [first, second]) == (third,)
    assert without([first, second], []) == (first, second)


def test_a_stored_question_without_a_second_is_one_question(mind: Mind) -> None:
    data = to_json(Conversation(pending=Pending("character", "leaf_rolls")))
    del data["pending"]["further"]
    pending = from_json(data).pending
    assert pending is not None
    assert [one.character for one in pending.questions] == ["leaf_rolls"]
