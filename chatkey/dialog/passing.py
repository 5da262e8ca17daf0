"""Effects that pass a tree on to a person: because it was asked for, is unsafe, can't be settled, or a group wants it.

With no desk at the other end nothing is passed on: the finder is told whom to show it to.
"""

from __future__ import annotations

from dataclasses import replace

from chatkey.dialog.handover import Desk
from chatkey.dialog.phrase import facts_words, joined, name_words, place_words
from chatkey.dialog.turn import Turn
from chatkey.identify import Answer
from chatkey.knowledge.model import Rule
from chatkey.knowledge.status import listings_for
from chatkey.terms import Place
from chatkey.understand import Pending

WAITS_ON = ("character", "reask", "compare", "place")  # questions that still wait while a person looks
NAMES_NO_PLANT = ("family", "not_conifer")


def hand_over(turn: Turn) -> None:
    """To a person, so that nothing need be told twice; without a desk, words to show to one."""
    desk = turn.message.desk
    if desk is None:
        _tell_whom_to_show(turn)
        return
    emergency = bool(turn.conversation.said.get(f"caution:swallowed:{turn.tree.id}"))
    if emergency:  # who asks for a person then is told once more to call
        turn.warn(turn.knowledge.cautions["swallowed"], again=True)
    pending = turn.conversation.pending
    waits = pending is not None and pending.kind in WAITS_ON
    turn.change(pending=_without_yes(pending) if pending is not None and waits else None)
    told = is_waited_for(turn)
    turn.hand("asked")
    if emergency and not turn.tree.claims:
        return
    if told:
        turn.say("note", "person_already", within=within_words(turn, desk))
        return
    gaps = {"where": _where_words(turn), "group": desk.name, "within": within_words(turn, desk)}
    if turn.tree.claims:
        facts = facts_words(turn.knowledge, turn.mind.script, turn.tree.claims, turn.place)
        turn.say("note", "person_passed", facts=facts, **gaps)
    else:
        turn.say("note", "person_passed_nothing", **gaps)


def _without_yes(pending: Pending) -> Pending:
    """The question as it waits behind other talk: a bare yes may be said to that."""
    return replace(pending, yes="", further=tuple(replace(one, yes="") for one in pending.further))


def hand_unsafe(turn: Turn) -> None:
    """An unsafe question is seen by a person too; in an emergency nothing is said of it, for nobody must wait."""
    emergency = "swallowed" in turn.understanding.subjects
    question = turn.message.text.strip()
    if emergency:
        turn.hand("unsafe", question, again=not turn.said_once(f"handed:swallowed:{turn.tree.id}"))
    elif turn.hand("unsafe", question):
        turn.say("note", "handed_unsafe")


def hand_unsure(turn: Turn) -> bool:
    """True where a tree that could not be named was passed on now."""
    desk, answer = turn.message.desk, turn.answer
    if desk is None or turn.checked or (answer is not None and answer.rank not in NAMES_NO_PLANT):
        return False
    told = is_waited_for(turn)
    passed = turn.hand("unsure")
    if passed and not told:
        turn.say("note", "handed_unsure", group=desk.name, within=within_words(turn, desk))
    return passed


def hand_by_rule(turn: Turn) -> None:
    """A tree that the group wants to see, once it is named as sure or as far as it goes."""
    desk = turn.message.desk
    if desk is None or turn.checked or not turn.names_it:
        return
    names = [rule.name for rule in turn.mind.card.rules if _holds(turn, rule)]
    told = is_waited_for(turn)
    if names and turn.hand("rule", ", ".join(names)) and not told:
        turn.say("note", "handed_rule", group=desk.name)


def is_waited_for(turn: Turn) -> bool:
    """The finder was told that a person looks at the tree, and no answer has come since."""
    tree = turn.tree
    return "asked" in tree.handed or (tree.verdict is None and bool({"unsure", "rule"} & set(tree.handed)))


def within_words(turn: Turn, desk: Desk) -> str:
    """How long an answer takes as a rule: "within a day", "within 3 days"."""
    script = turn.mind.script
    days = str(desk.days)
    return script.tables["within"].get(days) or script.say("within_days", days=days)


def _where_words(turn: Turn) -> str:
    """How much the steward sees of the place."""
    place = turn.place
    if place is None:
        return turn.mind.script.say("where_unknown")
    if place.latitude is not None:
        return turn.mind.script.say("where_near")
    words = place_words(turn.knowledge, place)
    if place.town:
        return turn.mind.script.say("where_town", town=place.town, place=words)
    return turn.mind.script.say("where_state", place=words)


def _tell_whom_to_show(turn: Turn) -> None:
    turn.change(pending=None)
    turn.change_tree(handed=tuple(dict.fromkeys((*turn.tree.handed, "asked"))))
    if not turn.tree.claims:
        turn.say("note", "person_nothing")
        return
    names = [name_words(turn.knowledge, taxon) for taxon, p in turn.belief.ranked()[:3] if p >= 0.05]
    facts = facts_words(turn.knowledge, turn.mind.script, turn.tree.claims, turn.place)
    turn.say("note", "person", facts=facts, names=joined(turn.mind.script, "or_more", names))


def _holds(turn: Turn, rule: Rule) -> bool:
    return (
        _is_of_plants(turn.answer, rule)
        and _is_at(turn.place, rule)
        and (not rule.listed or bool(rule.listed & _kinds(turn)))
    )


def _is_of_plants(answer: Answer | None, rule: Rule) -> bool:
    if not rule.plants:
        return True
    return answer is not None and set(answer.members) <= rule.plants


def _is_at(place: Place | None, rule: Rule) -> bool:
    if rule.places and (place is None or place.code not in rule.places):
        return False
    return not rule.counties or (place is not None and place.county in rule.counties)


def _kinds(turn: Turn) -> set[str]:
    """The kinds of lists that all that was named stands on here, movement rules too."""
    answer, place = turn.answer, turn.place
    if answer is None or place is None:
        return set()
    kinds = [
        {one.kind for rules in (False, True) for one in listings_for(turn.knowledge, (taxon,), place, rules=rules)}
        for taxon in answer.members
    ]
    return set[str].intersection(*kinds) if kinds else set()
