"""Puts the rooms together. Nothing else knows all of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from chatkey.advise import Alternative, alternatives, filled, lines_at, listed, planting_facts, subject_cautions
from chatkey.advise.caution import cautions_for
from chatkey.data import remembered, shipped
from chatkey.dialog import EFFECT_NAMES, GUARD_NAMES, Mind, make_mind, read_script
from chatkey.draw import report_html
from chatkey.identify import build_table
from chatkey.identify.answer import leaves_of
from chatkey.identify.check import expected_questions, hardest_pairs, idle_questions, prove_separation
from chatkey.knowledge import Knowledge, Problems, load_knowledge, read_knowledge
from chatkey.knowledge.card import read_card
from chatkey.knowledge.check import prove
from chatkey.knowledge.coverage import coverage
from chatkey.knowledge.reading import reading_grades
from chatkey.knowledge.status import ESTABLISHMENT_MEANS, status_in
from chatkey.terms import ChatkeyError, Place
from chatkey.understand import build_lexicon
from chatkey.understand.check import prove_words
from chatkey.understand.lexicon import find_names

SHOWN_PLACES = ("MI", "VT", "NC", "FL")  # the questions of the check are counted here


class NotFoundError(ChatkeyError):
    """A name that stands for nothing we know."""


class UnspokenError(ChatkeyError):
    """A language that the knowledge or the dialogs lack."""


def open_mind(
    knowledge: Path | None = None, dialogs: Path | None = None, card: Path | None = None, language: str = "en"
) -> Mind:
    """Knowledge, mathematics, lexicon and script, built once; the shipped folders by default. Raises KnowledgeError.

    `card`: the file a group of stewards has filled in. `language`: a folder of knowledge/words/ and of dialogs/.
    """
    folders = (knowledge or shipped("knowledge"), dialogs or shipped("dialogs"))
    spoken = languages(*folders)
    if spoken and language not in spoken:  # with none, loading says what is wrong with the folders
        what = f"is not spoken in {folders[0].name}/words and {folders[1].name}"
        raise UnspokenError(f"language {language[:20]!r}", what, f"use one of {', '.join(spoken)}")

    def build() -> Mind:
        known = load_knowledge(knowledge, language)
        return make_mind(known, build_table(known), build_lexicon(known), dialogs)

    mind = remembered(folders, build, language)
    return replace(mind, card=read_card(card, mind.knowledge)) if card else mind


def languages(knowledge: Path, dialogs: Path) -> tuple[str, ...]:
    """The languages that stand in both folders, by their codes."""
    codes = {path.name for path in (knowledge / "words").glob("*") if path.is_dir()}
    return tuple(sorted(codes & {path.name for path in dialogs.glob("*") if path.is_dir()}))


def about(mind: Mind, name: str, place: Place | None) -> dict[str, Any]:
    """All that is known of one plant, genus or group at a place, as JSON values. Raises NotFoundError."""
    knowledge = mind.knowledge
    ids = find_names(mind.lexicon, name) or tuple(id for id in (*knowledge.taxa, *knowledge.groups) if id == name)
    if not ids:
        raise NotFoundError(f"plant {name[:60]!r}", "is not known", "try its common or scientific name")
    id = ids[0]
    members = leaves_of(knowledge, id) or (id,)
    statuses = {status_in(knowledge, knowledge.taxa[taxon], place.code) for taxon in members} if place else set()
    probability = dict.fromkeys(members, 1.0)
    lines = lines_at(knowledge, place, mind.card)
    cautions = {
        caution.id: filled(caution, lines)
        for caution in (
            *cautions_for(knowledge, probability, place, urgent=4),
            *subject_cautions(knowledge, ("planting",), probability),
        )
        if caution.taxa
    }
    taxon = knowledge.taxa.get(id)
    single = members[0] if len(members) == 1 else None
    status = statuses.pop() if len(statuses) == 1 else None
    instead = alternatives(knowledge, members[0], place) if status != "native" else ()
    return {
        "taxon": taxon.name if taxon else id,
        "id": id,
        "authority": taxon.authority if taxon else "",
        "common_name": knowledge.common(id),
        "rank": taxon.rank if taxon else "group",
        "other_meanings": [knowledge.common(other) for other in ids[1:]],
        "members": [knowledge.taxa[leaf].name for leaf in members] if len(members) > 1 else [],
        "place": place.code if place else None,
        "status": status,
        "status_level": "province" if status else None,
        "establishment_means": ESTABLISHMENT_MEANS[status] if status else None,
        "listed": listed(knowledge, members, place),
        "movement_rules": listed(knowledge, members, place, rules=True),
        "planting": planting_facts(knowledge, single) if single else {},
        "alternatives": [
            {"taxon": _scientific(mind, one.taxon), "common_name": one.common, "reason": _reason(one, place)}
            for one in instead
        ],
        "cautions": [{"id": key, "text": text} for key, text in cautions.items()],
        "look_alikes": sorted(
            {
                knowledge.common(member)
                for group in knowledge.groups.values()
                if set(members) & set(group.members)
                for member in group.members
                if member not in members
            }
        ),
        "sources": _sources(mind, members),
    }


def _scientific(mind: Mind, id: str) -> str:
    """The scientific name of a taxon, or of a broadleaf plant that is only planted."""
    known = mind.knowledge.taxa.get(id)
    return known.name if known else mind.knowledge.planting[id].name


def _reason(one: Alternative, place: Place | None) -> str:
    where = f"native in {place.code}, " if place else ""
    return f"{where}for {', '.join(one.uses).replace('_', ' ')}, on {' or '.join(one.moisture)} ground"


def _sources(mind: Mind, members: tuple[str, ...]) -> list[dict[str, str]]:
    """Every source that a fact about these leaves rests on, honest marks too."""
    knowledge = mind.knowledge
    keys: dict[str, None] = {}
    for taxon in members:
        for cell in knowledge.taxa[taxon].cells.values():
            keys.update(dict.fromkeys(cell.sources))
        keys.update(dict.fromkeys(knowledge.taxa[taxon].range.sources))
        plant = knowledge.planting.get(taxon)
        keys.update(dict.fromkeys(key for given in (plant.sources.values() if plant else ()) for key in given))
    found = []
    for key in keys:
        source = knowledge.sources.get(key)
        found.append({"key": key, "cite": source.cite if source else key, "url": source.url if source else ""})
    return found


def check(knowledge: Path | None = None, dialogs: Path | None = None) -> dict[str, Any]:
    """Errors, warnings and counts of the knowledge and the dialogs, as JSON values."""
    return _checked(knowledge, dialogs)[0]


def check_fully(knowledge: Path | None = None, dialogs: Path | None = None) -> tuple[dict[str, Any], str]:
    """The check with coverage, the hardest pairs and the questions each taxon takes; and the same as a page.

    The page is "" where there are errors: nothing is computed on faulty knowledge.
    """
    report, known = _checked(knowledge, dialogs)
    if known is None:
        return report, ""
    table = build_table(known)
    report |= {
        "knowledge": known.hash,
        "coverage": coverage(known),
        "hardest_pairs": hardest_pairs(table),
        "idle_questions": idle_questions(table),
        "expected_questions": {place: expected_questions(table, place) for place in SHOWN_PLACES},
        "reading_grades": reading_grades(known),
    }
    return report, report_html(table, report)


def _checked(knowledge: Path | None, dialogs: Path | None) -> tuple[dict[str, Any], Knowledge | None]:
    problems = Problems()
    known = read_knowledge(knowledge or shipped("knowledge"), problems)
    script = read_script(dialogs or shipped("dialogs"), GUARD_NAMES, EFFECT_NAMES, problems)
    counts: dict[str, int] = {}
    if not problems.errors:
        counts = prove(known, problems)
        counts |= prove_words(known, build_lexicon(known), problems)
        counts |= {"dialog_lines": len(script.lines)}
        counts |= prove_separation(build_table(known), problems)
    rows = {
        kind: [dict(zip(("where", "what", "mend"), error.args, strict=False)) for error in found]
        for kind, found in (("errors", problems.errors), ("warnings", problems.warnings))
    }
    report: dict[str, Any] = {
        **rows,
        "counts": {"errors": len(problems.errors), "warnings": len(problems.warnings), **counts},
    }
    return report, known if not problems.errors else None
