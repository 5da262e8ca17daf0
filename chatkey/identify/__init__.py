"""The mathematics: from claims to a posterior over taxa, the next question, and when to stop.

Axes, named once: **T** taxa (the leaves of the knowledge), **N** all states of all characters side by side,
**S** states (or length bins) of one character, **C** characters, **K** classes of taxa that a finder would
treat alike. "Something else" is one more hypothesis, kept beside the arrays as a number.
"""

from chatkey.identify.answer import Answer, best_answer, status_share
from chatkey.identify.doubt import Slip, comparison, slips
from chatkey.identify.evidence import Reading, readings
from chatkey.identify.explain import Reason, reasons
from chatkey.identify.posterior import Belief, believe
from chatkey.identify.question import gains
from chatkey.identify.step import Asked, Budget, Step, budget_of, next_step
from chatkey.identify.table import Table, build_table
from chatkey.identify.yew import YewWatch, watch_yew

__all__ = [
    "Answer",
    "Asked",
    "Belief",
    "Budget",
    "Reading",
    "Reason",
    "Slip",
    "Step",
    "Table",
    "YewWatch",
    "believe",
    "best_answer",
    "budget_of",
    "build_table",
    "comparison",
    "gains",
    "next_step",
    "readings",
    "reasons",
    "slips",
    "status_share",
    "watch_yew",
]
