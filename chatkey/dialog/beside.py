"""Two questions in one message, where a channel bears few of them: put where both fit, and what was left unanswered."""

from __future__ import annotations

from dataclasses import replace

from chatkey.dialog.asking import choices_of, choices_words
from chatkey.dialog.conversation import without
from chatkey.dialog.reply import Ask, Block
from chatkey.dialog.turn import Turn
from chatkey.identify import Asked
from chatkey.understand import Pending
from chatkey.understand.choice import numbered_answers


def put_beside(turn: Turn) -> None:
    """Both questions of a pair in one block, where that fits; else the one that stands there goes alone, and the other
    is kept for a later message."""
    pending = turn.conversation.pending
    if turn.pair is None or pending is None:
        return
    first, second = turn.pair
    asks = _ask(turn, 1, first), _ask(turn, 2, second)
    gaps = {"first": asks[0].question, "second": asks[1].question}
    script = turn.mind.script
    text = script.say_short("question_two", **gaps) or script.say("question_two", **gaps)
    if not _has_letters(turn) or not _has_room(turn, text):
        _put_later(turn, {first.character, second.character} - {pending.character})
        return
    turn.blocks = [block for block in turn.blocks if block.kind != "question"]
    turn.say("question", "question_two", **gaps)
    turn.ask = replace(asks[0], also=asks[1])
    turn.change(pending=replace(first, further=(second,)))
    if not any(one.kind == "character" and one.character == second.character for one in turn.tree.asked):
        turn.change_tree(asked=(*turn.tree.asked, Asked("character", second.character, beside=True)))


def leave_open(turn: Turn, pending: Pending | None) -> None:
    """A question that stood beside another and got no answer may be put once more. `pending`: what waited."""
    if pending is None or not pending.further:
        return
    asked = {one.character for one in turn.tree.asked}
    left = [character for character in _unanswered(turn, pending) if character in asked]
    _put_later(turn, {one for one in left if not turn.said_once(f"left:{turn.tree.id}:{one}")})


def _put_later(turn: Turn, characters: set[str]) -> None:
    """As if these had not been asked about."""
    gone = [one for one in turn.tree.asked if one.kind == "character" and one.character in characters]
    turn.change_tree(asked=without(turn.tree.asked, gone))


def _unanswered(turn: Turn, pending: Pending) -> list[str]:
    """Those of the questions that the message left out; of all of them the first is taken as put, like one alone."""
    questions = [one.character for one in pending.questions]
    answered = {claim.character for claim in turn.understanding.claims}
    numbered = numbered_answers(turn.message.text, len(questions))
    if numbered is not None:
        answered |= {questions[number - 1] for number, _, _ in numbered if number}
    elif "cant_tell" in turn.understanding.intents:  # without a number it is said of both
        answered |= set(questions)
    left = [character for character in questions if character not in answered]
    return left if len(left) < len(questions) else left[1:]


def _ask(turn: Turn, number: int, pending: Pending) -> Ask:
    """One of the two, with keys that say which: "(2a) flat"."""
    letters = turn.knowledge.language.numbers["letters"]
    choices = tuple(
        replace(choice, key=f"{number}{letter}")
        for choice, letter in zip(choices_of(turn, pending.character), letters, strict=False)
    )
    text = turn.knowledge.characters[pending.character].words.ask
    question = turn.mind.script.say("question", question=text, choices=choices_words(turn, choices))
    return Ask("character", pending.character, question, choices)


def _has_letters(turn: Turn) -> bool:
    """Each choice has a letter that is understood."""
    letters = turn.knowledge.language.numbers["letters"]
    return all(len(question.choices) <= len(letters) for question in turn.pair or ())


def _has_room(turn: Turn, question: str) -> bool:
    """It fits beside what must not be lost: danger, how to go about it with the name that comes before that, what was
    made of a finder's own words, so that a misreading is caught, and which tree it is about after a long break."""
    if turn.message.room is None:
        return True
    careful = [block for block in turn.blocks if block.kind == "note" and block.short]
    in_own_words = turn.understanding.intents != ("answer",) or bool(turn.understanding.not_understood)
    comes_back = turn.message.idle_hours >= turn.mind.script.flow.recall_after_hours
    kinds = {"caution", *(("answer",) if careful else ()), *(("took_in",) if in_own_words or comes_back else ())}
    kept = [*(block for block in turn.blocks if block.kind in kinds), *careful]
    return sum(len(_shortest(block)) + 1 for block in kept) + len(question) <= turn.message.room


def _shortest(block: Block) -> str:
    return block.short or block.text
