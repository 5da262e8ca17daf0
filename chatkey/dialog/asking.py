"""Effects that ask: a question, the same one again, a place, a comparison; and the end of asking."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from chatkey.advise import listed
from chatkey.dialog.passing import hand_unsure
from chatkey.dialog.phrase import (
    joined,
    name_words,
    odds_words,
    place_words,
    separator_words,
)
from chatkey.dialog.reply import Ask, Block, Choice
from chatkey.dialog.turn import Turn
from chatkey.identify import Answer, Asked, comparison
from chatkey.understand import Pending
from chatkey.understand.pending import CANT_TELL, NONE_OF_THESE, keyed_states, question_about

STATUS_LINES = {
    "native": "native",
    "introduced": "introduced",
    "not recorded": "not_recorded",
    "unknown": "unknown",
    None: "introduced",  # none that remain are native, however they came to be here
}
SHOWN = 3  # names in a "so far"


def ask_character(turn: Turn) -> None:
    step = turn.step
    _tell_so_far(turn)
    put(turn, step.character, "character")
    turn.change_tree(asked=(*turn.tree.asked, Asked("character", step.character, free=step.free)))
    if step.also and turn.conversation.pending is not None:
        turn.pair = (turn.conversation.pending, question_about(step.also, turn.knowledge))


def ask_again(turn: Turn) -> None:
    step = turn.step
    put(turn, step.character, "reask")
    turn.change_tree(asked=(*turn.tree.asked, Asked("reask", step.character)))


def ask_place(turn: Turn) -> None:
    _tell_so_far(turn)
    question = turn.say("question", "ask_place")
    turn.ask = Ask("place", "", question, ())
    turn.change(pending=Pending("place"))
    turn.change_tree(asked=(*turn.tree.asked, Asked("place")))


def ask_which_state(turn: Turn, codes: Sequence[str]) -> None:
    """A town of that name stands in several states: a question, not a guess."""
    names = turn.knowledge.regions
    choices = tuple(Choice(str(n), names[code].said, code) for n, code in enumerate(codes, 1))
    question = turn.say("question", "ask_which_state", choices=choices_words(turn, choices))
    turn.ask = Ask("place", "", question, choices)
    turn.change(pending=Pending("place", "", tuple((choice.key, choice.state) for choice in choices)))


def ask_comparison(turn: Turn) -> None:
    step = turn.step
    if step.pair is None:
        return
    rows = [separator_words(turn.knowledge, turn.mind.script, one, turn.place) for one in step.separators]
    labels = [", ".join(row[side] for row in rows) for side in (1, 2)]
    choices = (
        Choice("1", labels[0], step.pair[0]),
        Choice("2", labels[1], step.pair[1]),
        Choice("3", turn.mind.script.say("cant_tell"), CANT_TELL),
    )
    question = turn.say("question", "ask_compare", choices=choices_words(turn, choices))
    turn.ask = Ask("compare", "", question, choices)
    turn.change(pending=Pending("compare", step.separators[0].character, tuple((c.key, c.state) for c in choices)))
    turn.change_tree(asked=(*turn.tree.asked, Asked("compare", pair=step.pair)))


def conclude(turn: Turn) -> None:
    """Nothing is left to ask: what it is, what it means here, what to do next."""
    turn.change(pending=None)
    turn.names_it = True
    if turn.checked:
        turn.say("answer", "checked", name=name_words(turn.knowledge, turn.checked, article=True))
        return
    _name(turn)
    tell_status(turn)
    hand_unsure(turn)
    if turn.said_once(f"closed:{turn.tree.id}"):
        return
    answer = turn.answer
    if answer is None and turn.message.desk is not None:
        turn.say("note", "close_short")
    elif answer is None:
        turn.say("note", "offer_person")
    elif not any(turn.knowledge.taxa[taxon].conifer for taxon in answer.members):
        turn.say("note", "close_short")
    else:
        turn.say("note", "close")


def put_pending_again(turn: Turn) -> None:
    """The question that still waits, after something else was answered."""
    pending = turn.conversation.pending
    if pending is None:
        return
    if pending.kind == "place":
        question = turn.say("question", "pending_place")
        turn.ask = Ask("place", "", question, ())
        return
    if pending.kind in ("site", "health"):
        turn.change(pending=None)
        return
    if pending.kind == "compare":
        turn.change_tree(asked=tuple(one for one in turn.tree.asked if one != turn.tree.asked[-1]))
        turn.change(pending=None)
        if turn.step.kind == "compare":
            ask_comparison(turn)
        return
    if pending.further:
        first, second = pending.questions
        turn.pair = (first, second)
        pending = second if second.character in turn.understanding.mentioned else first
        turn.change(pending=pending)
    choices = choices_of(turn, pending.character)
    words = turn.knowledge.characters[pending.character].words
    asked = words.again if pending.kind == "reask" else words.ask
    question = turn.say("question", "pending_again", question=asked, choices=choices_words(turn, choices))
    turn.ask = Ask(pending.kind, pending.character, question, choices)


def choices_of(turn: Turn, name: str) -> tuple[Choice, ...]:
    """The choices of a character as they are shown."""
    character = turn.knowledge.characters[name]
    own = {kind: turn.mind.script.say(kind) for kind in (NONE_OF_THESE, CANT_TELL)}
    return tuple(
        Choice(key, own.get(state) or character.words.states[state].label, state)
        for key, state in keyed_states(character, turn.knowledge)
    )


def choices_words(turn: Turn, choices: tuple[Choice, ...]) -> str:
    return ", ".join(turn.mind.script.say("choice", key=choice.key, label=choice.label) for choice in choices)


def put(turn: Turn, name: str, kind: str, *, line: str = "", **gaps: str) -> None:
    """The question about a character, in its second wording where it is asked again; `line` frames it otherwise."""
    words = turn.knowledge.characters[name].words
    choices = choices_of(turn, name)
    if "first_touch" in turn.knowledge.cautions:
        turn.warn(turn.knowledge.cautions["first_touch"])
    usual, text = ("reask", words.again) if kind == "reask" else ("question", words.ask)
    question = turn.say("question", line or usual, question=text, choices=choices_words(turn, choices), **gaps)
    turn.ask = Ask(kind, name, question, choices)
    turn.change(pending=Pending(kind, name, tuple((choice.key, choice.state) for choice in choices), words.yes))


def _tell_so_far(turn: Turn) -> None:
    """A name while there is more to ask: what is sure by now, or the few that lead; only when it has changed."""
    answer = turn.answer
    if answer is not None and answer.rank != "family":
        key = f"so_far:{turn.tree.id}:{answer.id}"
        if not turn.said_once(key):
            _say_answer(turn, answer)
            tell_status(turn)
        return
    if turn.watch.holds or not turn.tree.claims:
        return
    leaders = _leaders(turn)
    if leaders:
        names = joined(turn.mind.script, "or_more", leaders)
        key = f"so_far:{turn.tree.id}:{names}"
        if not turn.said_once(key):
            turn.say("answer", "so_far", names=names)
            tell_status(turn)


def _leaders(turn: Turn) -> list[str]:
    """Up to three names of genera or groups that hold most of the mass; none while it is spread wider."""
    knowledge = turn.knowledge
    shares: dict[str, float] = {}
    for taxon, probability in turn.belief.ranked():
        parent = knowledge.taxa[taxon].parent or taxon
        name = parent if knowledge.taxa[parent].rank == "genus" else taxon
        shares[name] = shares.get(name, 0.0) + probability
    best = sorted(shares.items(), key=lambda item: -item[1])[:SHOWN]
    if sum(share for _, share in best) < knowledge.numbers["answer"]["say"]:
        return []
    return [name_words(knowledge, name) for name, share in best if share >= knowledge.numbers["yew"]["watch"]]


def _name(turn: Turn) -> None:
    answer = turn.answer
    unsure = turn.knowledge.numbers["handover"]["unsure"]
    if answer is not None:
        _say_answer(turn, answer)
    elif turn.watch.holds:
        turn.say("answer", "yew_left_open")
    elif turn.belief.something_else >= unsure:
        turn.say("answer", "answer_something_else")
    else:
        names = [name_words(turn.knowledge, taxon) for taxon, p in turn.belief.ranked()[:SHOWN] if p >= 0.05]
        turn.say("answer", "answer_open", names=joined(turn.mind.script, "or_more", names))
        _say_what_settles(turn)
    shown = turn.tree.shown
    if shown is not None and answer is not None:
        turn.change_tree(shown=replace(shown, probability=answer.probability))


def _say_answer(turn: Turn, answer: Answer) -> None:
    knowledge, script = turn.knowledge, turn.mind.script
    odds = odds_words(script, answer.probability)
    sure = answer.probability >= knowledge.numbers["answer"]["sure"]
    turn.names_it = turn.names_it or sure
    if answer.rank == "species":
        name = name_words(knowledge, answer.id)
        turn.say("answer", "answer_sure" if sure else "answer_species", name=name, odds=odds)
        return
    if answer.rank == "not_conifer":
        best = [name_words(knowledge, taxon) for taxon, p in turn.belief.ranked()[:2] if p >= 0.1]
        turn.say("answer", "answer_not_conifer", names=joined(script, "or_more", best), odds=odds)
        return
    name = name_words(knowledge, answer.id, article=True)
    turn.say("answer", "answer_set_sure" if sure else "answer_set", name=name, odds=odds)
    if turn.step.kind == "done":
        inside = [taxon for taxon, p in turn.belief.ranked() if taxon in answer.members and p >= 0.1][:2]
        alike = any(group.same_advice and set(inside) <= set(group.members) for group in knowledge.groups.values())
        if len(inside) == 2 and not alike:
            first, second = (name_words(knowledge, taxon) for taxon in inside)
            turn.say("answer", "answer_split", first=first, second=second)
            _say_what_settles(turn)


def _say_what_settles(turn: Turn) -> None:
    """The character that would tell the two leaders apart, from all there is (a cone in autumn, a lens)."""
    first_two = [taxon for taxon, _ in turn.belief.ranked()[:2]]
    heard = [reading.character for reading in turn.belief.readings]
    found = comparison(turn.belief, first_two[0], first_two[1], leave_out=heard, most=1)
    if found:
        character, first, second = separator_words(turn.knowledge, turn.mind.script, found[0], turn.place)
        names = [name_words(turn.knowledge, taxon) for taxon in first_two]
        row = turn.mind.script.say(
            "compare_row", character=character, first=f"{first} ({names[0]})", second=f"{second} ({names[1]})"
        )
        turn.say("answer", "would_settle", character=row)


def tell_status(turn: Turn, *, again: bool = False) -> None:
    """Native here or not, once for each thing that was named (or again where it is asked)."""
    status, place = turn.status, turn.place
    if status is None or place is None:
        return
    answer = turn.answer
    about = answer.id if answer and not status.of_all else "all"
    all_said = turn.conversation.said.get(f"status:{turn.tree.id}:all:{status.status}:{place.code}")
    said = turn.said_once(f"status:{turn.tree.id}:{about}:{status.status}:{place.code}")
    if (all_said or said) and not again:
        return
    gaps = {"place": place_words(turn.knowledge, place)}
    if status.status == "native":
        gaps["level"] = level_words(turn, status.level)
    turn.say("status", f"{'all' if status.of_all else 'status'}_{STATUS_LINES[status.status]}", **gaps)
    if answer is not None:
        tell_listings(turn, answer.members if answer.rank == "species" else ())


def level_words(turn: Turn, level: str) -> str:
    """For what area a status holds."""
    if level == "county" and turn.place is not None:
        return turn.mind.script.say("level_county", county=turn.place.county)
    return turn.mind.script.say("level_province")


def tell_listings(turn: Turn, members: tuple[str, ...]) -> None:
    """The lists a plant stands on here, by whom and when."""
    if not members:
        return
    said: set[tuple[str, str]] = set()
    for row in listed(turn.knowledge, members, turn.place):
        if (row["kind"], row["body"]) in said:
            continue
        said.add((row["kind"], row["body"]))
        kind = turn.mind.script.word("kinds", row["kind"])
        turn.blocks.append(
            Block(
                "status",
                turn.mind.script.say("listed", kind=kind, body=row["body"], list=row["list"], date=row["date"]),
            )
        )
