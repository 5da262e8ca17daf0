"""Effects that explain: why, how sure, what else, compare two, what a word means, a guessed name."""

from __future__ import annotations

from collections.abc import Sequence

from chatkey.dialog.guards import best_leaf, members_of, namesakes, term_of
from chatkey.dialog.phrase import (
    facts_words,
    joined,
    name_words,
    odds_words,
    percent,
    separator_words,
)
from chatkey.dialog.turn import Turn
from chatkey.identify import comparison, reasons
from chatkey.identify.answer import leaves_of
from chatkey.identify.yew import yews

SPEAKS = 0.4  # ln odds from which an answer is said to speak for or against: 3 to 2
MOST_REASONS = 4
MOST_CANDIDATES = 5
MOST_NAMES = 4
WORTH_TELLING = 0.05  # probability of a rival from which it is told what would part the two


def explain(turn: Turn) -> None:
    """What speaks for the name that leads, and what against it."""
    answer = turn.answer if turn.answer and turn.answer.rank != "family" else None
    leader = turn.checked or (answer.id if answer else turn.belief.ranked()[0][0])
    members = leaves_of(turn.knowledge, leader)
    _tell_checked(turn)
    if not turn.checked and turn.watch.holds and not set(members) & set(yews(turn.mind.table)):
        turn.say("answer", "hold_yew")
        turn.repeats = True
        return
    found = reasons(turn.belief, members)
    name = name_words(turn.knowledge, leader)
    for line, chosen in (
        ("why_for", [reason for reason in found if reason.log_odds >= SPEAKS]),
        ("why_against", [reason for reason in found if reason.log_odds <= -SPEAKS]),
    ):
        claims = [claim for reason in chosen[:MOST_REASONS] for claim in reason.claims]
        if claims:
            facts = facts_words(turn.knowledge, turn.mind.script, claims, turn.place)
            turn.say("answer", line, name=name, facts=facts)
    if not any(abs(reason.log_odds) >= SPEAKS for reason in found):
        turn.say("answer", "why_mixed")
    turn.repeats = True


def tell_how_sure(turn: Turn) -> None:
    answer = turn.answer
    if _tell_checked(turn):
        turn.repeats = True
        return
    if answer is None or answer.rank == "family":
        _tell_candidates(turn)
        return
    odds = odds_words(turn.mind.script, answer.probability)
    name = name_words(turn.knowledge, answer.id)
    turn.say("answer", "how_sure", name=name, percent=percent(answer.probability), odds=odds)
    turn.repeats = True


def show_candidates(turn: Turn) -> None:
    """The leaders with their percentages, and what is left for something else."""
    named = _tell_checked(turn)
    _tell_candidates(turn, named=named)


def _tell_candidates(turn: Turn, *, named: bool = False) -> None:
    """`named`: a steward has said what it is, so that nothing is held back."""
    script = turn.mind.script
    if turn.watch.holds and not named:
        turn.say("answer", "hold_yew")
    rows = [
        script.say("candidate", name=name_words(turn.knowledge, taxon), percent=percent(p))
        for taxon, p in turn.belief.ranked()[:MOST_CANDIDATES]
        if p >= 0.01
    ]
    rest = script.say("something_else", percent=percent(turn.belief.something_else))
    turn.say("facts", "how_sure_open", rows=", ".join(rows), rest=rest)
    turn.repeats = True


def compare(turn: Turn) -> None:
    """Two plants side by side: those named, else the two leaders."""
    named = [best_leaf(turn, ids) for ids in turn.understanding.names]
    leaders = [taxon for taxon, _ in turn.belief.ranked() if taxon not in named]
    first, second = [*dict.fromkeys(named), *leaders][:2]
    names = name_words(turn.knowledge, first), name_words(turn.knowledge, second)
    rows = _rows(turn, first, second, 3)
    if rows:
        turn.say("facts", "compare_rows", first=names[0], second=names[1], rows="; ".join(rows))
    else:
        turn.say("facts", "compare_none", first=names[0], second=names[1])
    turn.repeats = True


def explain_term(turn: Turn) -> None:
    name = term_of(turn)
    if name is None:
        return
    words = turn.knowledge.characters[name].words
    before = turn.said_once(f"term:{name}")
    turn.say("note", "term", name=words.name, how=words.again if before else words.how)
    turn.repeats = True


def test_name(turn: Turn) -> None:
    """A guess is met with how it stands and the one thing that would tell, never with "no"."""
    ids = turn.understanding.names[0]
    members = members_of(turn, ids)
    _warn_of_yew(turn, members)
    if _tell_checked(turn):
        turn.repeats = True
        return
    _tell_misleading(turn, ids)
    share = turn.belief.of(members)
    rank = turn.belief.ranked()
    rival = next(((taxon, p) for taxon, p in rank if taxon not in members), rank[0])
    odds = odds_words(turn.mind.script, share)
    say_would_tell = share < turn.knowledge.numbers["answer"]["sure"] and rival[1] >= WORTH_TELLING
    if set(members) & set(yews(turn.mind.table)) and not turn.watch.cleared and rank[0][0] not in members:
        turn.say("answer", "guess_yew")
    elif turn.watch.holds:
        turn.say("answer", "guess_taken", name=_name_of(turn, ids))
        say_would_tell = False
    elif rank[0][0] in members:
        _tell_many(turn, ids, share)
        turn.say("answer", "guess_leads", name=_name_of(turn, ids), odds=odds)
    else:
        _tell_many(turn, ids, share)
        turn.say("answer", "guess_against", name=_name_of(turn, ids), odds=odds)
    rows = _rows(turn, best_leaf(turn, ids), rival[0], 1) if say_would_tell else []
    if rows:
        turn.say("answer", "guess_would_tell", rows=rows[0])
    if turn.conversation.pending is not None and not turn.understanding.claims:
        turn.repeats = True
    else:
        turn.proceeds = True


def take_name(turn: Turn) -> None:
    """A name and nothing else: it is put to the test by asking."""
    ids = turn.understanding.names[0]
    _warn_of_yew(turn, members_of(turn, ids))
    _tell_misleading(turn, ids)
    if set(members_of(turn, ids)) & set(yews(turn.mind.table)):
        turn.say("answer", "guess_yew")
    elif not _tell_many(turn, ids, 0.0):
        turn.say("note", "guess_taken", name=_name_of(turn, ids))
    turn.proceeds = True


def warn_of_namesake(turn: Turn) -> None:
    """A deadly plant bears the name too: its caution, whatever is believed of the tree in hand."""
    said = turn.conversation.said
    for caution in namesakes(turn):
        turn.warn(caution, again=True)
    turn.change(said=said)  # said of a name: once facts speak for such a plant it is said of that


def _tell_checked(turn: Turn) -> bool:
    """What a steward has said of the tree; True where they have named it."""
    verdict = turn.tree.verdict
    if turn.checked:
        turn.say("answer", "checked", name=name_words(turn.knowledge, turn.checked, article=True))
    elif verdict is not None and verdict.kind == "unknowable":
        turn.say("answer", "checked_unknowable")
    return bool(turn.checked)


def _tell_misleading(turn: Turn, ids: Sequence[str]) -> None:
    """The name is used for other plants too: said once, since a name is where mistakes begin."""
    own = {*ids, *members_of(turn, ids)}
    others = [name_words(turn.knowledge, id) for id in turn.understanding.also_called if id not in own]
    key = f"misleading:{','.join(turn.understanding.also_called)}"
    if 0 < len(others) < MOST_NAMES and not turn.said_once(key):
        names = joined(turn.mind.script, "and_more", others)
        turn.say("note", "misleading", said=name_words(turn.knowledge, ids[0]), name=names)


def _warn_of_yew(turn: Turn, members: Sequence[str]) -> None:
    if set(members) & set(yews(turn.mind.table)):
        turn.warn(turn.knowledge.cautions["yew"])


def _name_of(turn: Turn, ids: Sequence[str]) -> str:
    """What the guess is called: the name itself, or the likeliest plant of that name."""
    return name_words(turn.knowledge, ids[0] if len(ids) == 1 else best_leaf(turn, ids))


def _tell_many(turn: Turn, ids: Sequence[str], share: float) -> bool:
    """ "Cedar" is said of several plants: say so, unless it is clear which. True where it was said."""
    genera: dict[str, str] = {}
    for taxon, _ in turn.belief.ranked():
        if taxon in members_of(turn, ids):
            genera.setdefault(turn.knowledge.taxa[taxon].parent or taxon, name_words(turn.knowledge, taxon))
    if len(genera) < 2 or share >= turn.knowledge.numbers["answer"]["say"]:
        return False
    names = joined(turn.mind.script, "and_more", list(genera.values())[:MOST_NAMES])
    turn.say("note", "guess_many", names=names)
    return True


def _rows(turn: Turn, first: str, second: str, most: int) -> list[str]:
    names = name_words(turn.knowledge, first), name_words(turn.knowledge, second)
    rows = []
    for separator in comparison(turn.belief, first, second, most=most):
        character, left, right = separator_words(turn.knowledge, turn.mind.script, separator, turn.place)
        rows.append(
            turn.mind.script.say(
                "compare_row", character=character, first=f"{left} ({names[0]})", second=f"{right} ({names[1]})"
            )
        )
    return rows
