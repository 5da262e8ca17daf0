"""What a trial says: its fields for programs, the rows of its table, its sentences."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import asdict
from typing import Any

from chatkey.trial.outcome import Figures, Outcome, as_json
from chatkey.trial.run import Trial
from chatkey.trial.unlisted import Unlisted

SOMETHING_ELSE = "something else"
HEAD = (
    "engine",
    "species",
    "top 3",
    "genus",
    "questions",
    "off by",
    "sure",
    "sure, right",
    "status told",
    "told, right",
)
LEGEND = (
    "Species, top 3, genus: how often the plant was the first named, one of the first three, of that genus. "
    "Questions: a talk, after the first message. Off by: how far the chances that are told lie from what comes true "
    "(expected calibration error). Sure: how often a species was named as sure. Status: native here or not. Informed: "
    "ours if it knew what each plant shows in this world, how often it is met and how people slip; nobody can."
)


def trial_view(trial: Trial) -> dict[str, Any]:
    """All of it as JSON values. A share of nothing is None."""
    world = trial.world
    return {
        "engines": {name: _figures_view(found) for name, found in trial.figures.items()},
        "slip_auc": _finite(trial.slip_auc),
        "bounds": {name: _finite(value) for name, value in trial.bounds.items()},
        "seed": trial.seed,
        "finders": finders(trial),
        "slips": world.slips,
        "place": world.place or None,
        "channel": world.channel,
        "facts": world.facts,
        "cant_tell": world.cant_tell,
        "cones": world.cones,
        "careless": world.careless,
        "wrong_place": world.wrong_place,
        "month": world.month,
        "perturbed": world.perturbed,
        "in_words": world.in_words,
        "unlisted": asdict(trial.unlisted) if trial.unlisted else None,
        "taxa": len(trial.table.taxa),
        "knowledge": trial.table.knowledge.hash,
    }


def table_rows(trial: Trial) -> list[tuple[str, ...]]:
    """One row for each engine, under `HEAD`."""
    return [(spoken(name), *_cells(found)) for name, found in trial.figures.items()]


def sentences(trial: Trial) -> list[str]:
    """What a perfect finder would need, and how well slips are found."""
    found, taxa, slips = trial.bounds, len(trial.table.taxa), trial.world.slips
    told = [
        f"To tell {taxa} plants apart, if all were met alike, takes {found['bits']:.1f} yes-or-no questions of one who "
        f"never slips, and {_needed(found['questions'])} where {100 * slips:g} of 100 answers are slips."
    ]
    if math.isfinite(trial.slip_auc):
        told.append(
            f"Of a slip and a right answer, ours doubts the slip more in {100 * trial.slip_auc:.0f} of 100 such pairs "
            f"(slip AUC {trial.slip_auc:.2f})."
        )
    if trial.unlisted:
        told.append(_unlisted(trial.unlisted))
    return told


def _unlisted(found: Unlisted) -> str:
    told = (
        f"Plants taken out of the knowledge, one at a time: {found.taxa}. Of {found.talks} talks about them "
        f"{found.something_else:.1%} ended with something else, {found.parent:.1%} with a genus, a family or a group "
        f"that holds the plant, {found.nothing:.1%} without a name, {found.wrong_name:.1%} with a wrong name "
        f"({found.sure_wrong:.1%} as sure)."
    )
    if found.misfit_auc is None:
        return told
    pairs = round(100 * found.misfit_auc)
    return f"{told} Their answers fit a sure wrong name worse than those of known plants a right one in {pairs} of 100."


def finders(trial: Trial) -> int:
    """How many there were."""
    return len(next(iter(trial.outcomes.values())))


def shown_engine(trial: Trial) -> str:
    """The engine that is looked at closely: ours, or the first where ours was left out."""
    return "ours" if "ours" in trial.outcomes else next(iter(trial.outcomes))


def confusions(trial: Trial, most: int) -> list[tuple[str, str, int]]:
    """The commonest mistakes of `shown_engine`: the plant, what it was named, how often; in common names."""
    talks: tuple[Outcome, ...] = trial.outcomes[shown_engine(trial)]
    wrong = Counter((talk.taxon, talk.leader) for talk in talks if not talk.is_right)
    ranked = sorted(wrong.items(), key=lambda pair: (-pair[1], pair[0]))
    return [(common(trial, taxon), common(trial, leader), count) for (taxon, leader), count in ranked[:most]]


def common(trial: Trial, taxon: str) -> str:
    """Its common name; "" is something else."""
    known = trial.table.knowledge.taxa.get(taxon)
    return known.names.common if known else taxon or SOMETHING_ELSE


def spoken(name: str) -> str:
    """The name of an engine as words."""
    return name.replace("_", " ")


def _figures_view(found: Figures) -> dict[str, float | None]:
    values: dict[str, float | None] = {name: _finite(value) for name, value in as_json(found).items()}
    for kind in ("sure", "status"):
        if not values[f"{kind}_share"]:
            values[f"{kind}_right"] = None
    return values


def _cells(found: Figures) -> tuple[str, ...]:
    return (
        *(f"{share:.1%}" for share in (found.species, found.top3, found.genus)),
        f"{found.questions:.1f}",
        *(f"{share:.1%}" for share in (found.calibration_error, found.sure_share)),
        f"{found.sure_right:.1%}" if found.sure_share else "-",
        f"{found.status_share:.1%}",
        f"{found.status_right:.1%}" if found.status_share else "-",
    )


def _needed(questions: float) -> str:
    return f"{questions:.1f}" if math.isfinite(questions) else "more than any number"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
