"""Verdicts as lines of JSON: {"taxon": "picea_glauca", "claims": [{"character": …, "states": […], "text": …}]}."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from chatkey.knowledge import Knowledge
from chatkey.terms import ChatkeyError, Claim
from chatkey.trial.learning import Confirmed

HEDGE = 0.5  # of what a record only calls hedged: "I think", between sure and a guess
TEXTS = ("text", "reader", "message")
TRUTHS = ("negated", "hedged")
PASSED_OVER = ("low", "high", "unit", "measured_by", "span")  # of lengths, and where the words stood


class VerdictsError(ChatkeyError):
    """A file of verdicts that can't be read."""


def read_verdicts(path: Path, knowledge: Knowledge) -> tuple[Confirmed, ...]:
    """The verdicts of a file, a line each; empty lines are passed over. Raises VerdictsError."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except UnicodeDecodeError:
        raise VerdictsError(str(path), "is not UTF-8", "save the file as UTF-8") from None
    return tuple(
        _confirmed(line, f"{path}:{number}", knowledge) for number, line in enumerate(lines, 1) if line.strip()
    )


def claims_of(rows: Sequence[Mapping[str, Any]], knowledge: Knowledge) -> tuple[Claim, ...]:
    """Claims as they stand in a record, in their order; retired ids are mapped, lengths are passed over."""
    return tuple(_claim(row, n, knowledge.retired) for n, row in enumerate(rows) if row.get("states"))


def _claim(row: Mapping[str, Any], n: int, retired: Mapping[str, str]) -> Claim:
    character = retired.get(row["character"], row["character"])
    return Claim(
        character,
        states=tuple(retired.get(f"{character}.{state}", state) for state in row["states"]),
        negated=bool(row.get("negated", False)),
        hedge=HEDGE if row.get("hedged", False) else 0.0,
        reader=row.get("reader", "finder"),
        message=row.get("message", str(n)),  # where nobody says, each claim has its own, and a later one corrects
        sequence=n,
        text=row.get("text", ""),
    )


def _confirmed(line: str, where: str, knowledge: Knowledge) -> Confirmed:
    try:
        given = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise VerdictsError(where, f"is not JSON ({str(error)[:60]})", "write one object a line") from None
    if not isinstance(given, dict) or set(given) != {"taxon", "claims"}:
        raise VerdictsError(where, "is not a taxon with its claims", 'write {"taxon": "…", "claims": […]}')
    if not isinstance(given["claims"], list):
        raise VerdictsError(where, "claims is no list", "write [{…}, {…}]")
    for claim in given["claims"]:
        _check(claim, where, knowledge)
    return Confirmed(_taxon(given["taxon"], where, knowledge), claims_of(given["claims"], knowledge))


def _taxon(given: object, where: str, knowledge: Knowledge) -> str:
    """The id of a plant or group given by its id or scientific name."""
    by_name = {taxon.name.lower(): id for id, taxon in knowledge.taxa.items()}
    ids = {**{id: id for id in (*knowledge.taxa, *knowledge.groups)}, **by_name}
    said = str(given).strip()
    said = knowledge.retired.get(said, said)
    if said in ids or said.lower() in ids:
        return ids.get(said) or ids[said.lower()]
    raise VerdictsError(where, f"plant {said[:60]!r} is not known", _nearest(said, ids))


def _check(claim: object, where: str, knowledge: Knowledge) -> None:
    """Raises VerdictsError where a claim is not one of this knowledge."""
    allowed = {"character", "states", *TEXTS, *TRUTHS, *PASSED_OVER}
    if not isinstance(claim, dict) or "character" not in claim or not set(claim) <= allowed:
        strange = ", ".join(sorted(set(claim) - allowed)) if isinstance(claim, dict) else ""
        what = f"has {strange[:60]}, unknown here" if strange else "lacks its character"
        raise VerdictsError(where, f"a claim {what}", f"use {', '.join(sorted(allowed))}")
    for keys, kind, mend in ((TEXTS, str, "put it in quotes"), (TRUTHS, bool, "write true or false")):
        for key in keys:
            if key in claim and not isinstance(claim[key], kind):
                raise VerdictsError(where, f"{key} is {str(claim[key])[:40]!r}", mend)
    name = str(claim["character"])
    name = knowledge.retired.get(name, name)
    known = knowledge.characters.get(name)
    if known is None:
        raise VerdictsError(where, f"character {name[:60]!r} is not known", _nearest(name, knowledge.characters))
    states = claim.get("states", [])
    if not isinstance(states, list) or not (states or known.kind == "length"):
        raise VerdictsError(where, f"{name} has no list of states", f"use {', '.join(known.states)}")
    for state in map(str, states):
        if knowledge.retired.get(f"{name}.{state}", state) not in known.states:
            raise VerdictsError(
                where, f"{name} has no state {state[:60]!r}", f"use {', '.join(known.states) or 'none'}"
            )


def _nearest(said: str, known: Mapping[str, Any]) -> str:
    close = get_close_matches(said, list(known), n=1, cutoff=0.6)
    return f"did you mean {close[0]!r}?" if close else "look with `chatkey about`"
