"""What passes between the talk and the stewards: a desk that answers, a tree handed over, a verdict back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from chatkey.terms import ChatkeyError

HandOverReason = Literal["asked", "unsure", "unsafe", "rule", "fault"]
VerdictKind = Literal["right", "other", "unknowable", "none"]


class VerdictError(ChatkeyError):
    """A verdict that can't be told: of no tree, of no plant, or without words."""


@dataclass(frozen=True, slots=True)
class Desk:
    """People who answer what is handed over: who they are, and within how many days they do as a rule."""

    name: str
    days: int


@dataclass(frozen=True, slots=True)
class HandOver:
    """One tree that goes to a person, and why; `detail` names a steward's rule or the question that was unsafe."""

    tree: int
    reason: HandOverReason
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a steward says of a tree: it is what was named, it is `taxon`, it can't be known, or only the words."""

    kind: VerdictKind
    taxon: str = ""  # an id of the knowledge, where kind is "other"; for "right" the one that was named
    text: str = ""  # the steward's own words
    by: str = ""
