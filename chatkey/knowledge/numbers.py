"""numbers.yaml: weights and thresholds, each within bounds in which the mathematics makes sense."""

from __future__ import annotations

from collections.abc import Mapping

from chatkey.knowledge.yaml_nodes import Entry, KnowledgeError, Problems

Bounds = tuple[float, float]
SHARE: Bounds = (0.0, 1.0)
OPEN_SHARE: Bounds = (1e-6, 1 - 1e-6)
WEIGHT: Bounds = (0.0, 10.0)
SECTIONS: Mapping[str, Mapping[str, Bounds]] = {
    "frequencies": dict.fromkeys(("always", "usually", "sometimes", "rarely"), (1e-6, 1.0)),
    "evidence": {
        "mixture": OPEN_SHARE,
        "sharpness": (0.1, 3.0),
        "reading_after": SHARE,
        "reading_again": SHARE,
        "hedge": SHARE,
    },
    "discount": {"other": SHARE},
    "lengths": {
        "low_mm": (0.01, 10.0),
        "high_mm": (100.0, 10_000.0),
        "bins": (8.0, 1000.0),
        "within_usual": OPEN_SHARE,
    },
    "blur": dict.fromkeys(("eye", "thumb", "ruler"), (0.001, 2.0)),
    "prior": {
        "something_else": OPEN_SHARE,
        "trust": SHARE,
        "introduced_wild": WEIGHT,
        "unknown_wild": WEIGHT,
        "elsewhere": (1e-9, 1.0),
        "no_place_wild": WEIGHT,
        "not_conifer": WEIGHT,
    },
    "met_wild": dict.fromkeys(("common", "scattered", "rare"), (1e-9, 10.0)),
    "met_planted": dict.fromkeys(("often", "sometimes", "rarely", "never"), WEIGHT),
    "asking": {
        "applies": SHARE,
        "least_gain_bits": (0.0, 5.0),
        "enough": (0.5, 0.999),
        "settled": (1.0, 100.0),
        "opens": (0.0, 100.0),
        "deed_share": WEIGHT,
        "budget": (1.0, 100.0),
        "sms_messages": (1.0, 100.0),
        "sms_questions_each": (1.0, 2.0),  # a finder keeps no third one in mind
        "reasks": (0.0, 10.0),
        "comparisons": (0.0, 10.0),
        "both": SHARE,
        "silent_part": SHARE,
        "slip": SHARE,
        "reask_worth": SHARE,
        "compare_from": SHARE,
    },
    "cant_tell": dict.fromkeys(("1", "2", "3", "4", "5"), (0.0, 0.99)),
    "price": dict.fromkeys(("1", "2", "3", "4", "5"), (0.01, 100.0)),
    "answer": dict.fromkeys(("say", "sure", "status"), (0.5, 1.0)),
    "yew": {"watch": OPEN_SHARE, "doubt": SHARE, "against": (1.0, 1000.0), "questions": (0.0, 20.0)},
    "handover": {"unsure": SHARE},
    "learning": {
        "strength": (1.0, 10_000.0),
        "phrase_strength": (1.0, 10_000.0),
        "least_verdicts": (1.0, 10_000.0),
        "phrase_least": (1.0, 10_000.0),
        "least_rate": (0.001, 0.1),
        "most_rate": (0.2, 0.6),
    },
}
OPEN: Mapping[str, Bounds] = {"discount": SHARE}  # sections whose further keys are ids


def read_numbers(facts: Mapping[str, Entry], problems: Problems) -> dict[str, dict[str, float]]:
    """All numbers. A missing or senseless one is an error, and stands at its lower bound so that reading can go on."""
    for name, entry in facts.items():
        if name not in SECTIONS:
            problems.add(entry.error(f"{name!r} is no section of numbers", f"use one of: {', '.join(SECTIONS)}"))
    found: dict[str, dict[str, float]] = {}
    for section, bounds in SECTIONS.items():
        given_section = facts.get(section)
        if given_section is None:
            problems.add(
                KnowledgeError("knowledge/numbers.yaml:1:1", f"the section {section!r} is missing", "write it")
            )
        allowed = None if section in OPEN else bounds
        pairs = problems.attempt({}, given_section.pairs, allowed, bounds) if given_section else {}
        if section in OPEN:
            bounds = dict.fromkeys((*bounds, *pairs), OPEN[section])
        given = {key: node for key, node in pairs.items() if key in bounds}
        found[section] = {
            key: problems.attempt(low, given[key].number, low=low, high=high) if key in given else low
            for key, (low, high) in bounds.items()
        }
    return found
