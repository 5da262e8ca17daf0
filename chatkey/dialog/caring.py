"""Effects where it could hurt: emergencies, unsafe questions, reports, and why a tree is brown."""

from __future__ import annotations

from chatkey.advise import subject_cautions
from chatkey.dialog.passing import hand_unsafe
from chatkey.dialog.turn import Turn
from chatkey.understand import Pending

DEADLY = 1  # urgency of a caution: danger to life
HEALTH = "health"  # the question that waits after one about a sick plant
HEALTH_ASKS = (
    ("health_ask_which", {"old", "new"}),
    ("health_ask_side", {"one_side", "all_round"}),
    ("health_ask_since", {"since", "fall"}),
)


def send_to_emergency(turn: Turn) -> None:
    """Somebody or an animal has swallowed some: the lines first, and nobody waits."""
    turn.warn(turn.knowledge.cautions["swallowed"], again=True)
    hand_unsafe(turn)


def warn(turn: Turn) -> None:
    """An unsafe question: the caution and who decides; never a yes."""
    subjects = turn.understanding.subjects
    if "boughs" in subjects:  # who picks greens needs leave before a saw
        subjects = tuple(subject for subject in subjects if subject != "cut")
    found = subject_cautions(turn.knowledge, subjects, turn.probabilities())
    if turn.tree.claims and turn.watch.active and turn.watch.probability >= turn.knowledge.numbers["yew"]["watch"]:
        turn.warn(turn.knowledge.cautions["yew"])
    if "touch" in turn.understanding.subjects:
        found = (*(one for one in turn.due_cautions() if one.urgency == DEADLY), *found)
    for caution in found[:2]:
        turn.warn(caution, again=True)
    if not found:
        turn.say("caution", "unsafe_other")
    hand_unsafe(turn)
    turn.repeats = True


def tell_who_takes_reports(turn: Turn) -> None:
    for caution in subject_cautions(turn.knowledge, ("report",), turn.probabilities())[:1]:
        turn.warn(caution, again=True)
    turn.say("note", "report")
    turn.repeats = True


def tell_who_judges_health(turn: Turn) -> None:
    """Who can tell what ails a plant, and what they will ask; a tree that may fall: away from it first."""
    falling = "falling" in turn.understanding.subjects
    found = subject_cautions(turn.knowledge, ("falling",) if falling else (HEALTH,), turn.probabilities())
    for caution in found[:1]:
        turn.warn(caution, again=caution.urgency == DEADLY)
    if falling:
        turn.repeats = True
        return
    told = set(turn.understanding.signs)
    missing = [line for line, signs in HEALTH_ASKS if not told & signs]
    if missing:
        turn.take_back()
        turn.say("note", HEALTH, asks=" ".join(turn.line(line) for line in missing))
        turn.change(pending=Pending(HEALTH))
    else:
        _judge_signs(turn)


def note_health(turn: Turn) -> None:
    """What was said of the sick needles: the season only as a possibility, and who looks at it."""
    turn.change(pending=None)
    _judge_signs(turn)
    turn.proceeds = bool(turn.tree.claims)


def _judge_signs(turn: Turn) -> None:
    told = set(turn.understanding.signs)
    seasonal = "old" in told and not told & {"new", "one_side"} and ("fall" in told or "all_round" in told)
    turn.say("note", "health_season" if seasonal else "health_other")
