"""What is known of one plant, as a page of plain text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from chatkey.dialog import Mind
from chatkey.dialog.phrase import capital


def about_text(mind: Mind, view: Mapping[str, Any]) -> str:
    """The view of `about` for people to read: what it is, its status, planting, cautions, sources."""
    head = f"{capital(view['common_name'])} ({view['taxon']}{' ' + view['authority'] if view['authority'] else ''})"
    lines = [head]
    if view["other_meanings"]:
        lines.append(f"The name is also used for: {', '.join(view['other_meanings'])}.")
    if view["members"]:
        lines.append(f"Members: {', '.join(view['members'])}.")
    if view["place"]:
        place = mind.knowledge.regions[view["place"]].name
        status = view["status"] or "not the same for all of them"
        lines.append(f"In {place}: {status} (county not checked).")
    lines += [f"Listed as {row['kind']} by {row['body']} ({row['list']}, {row['date']})." for row in view["listed"]]
    lines += [f"Movement rules: {row['body']} ({row['list']}, {row['date']})." for row in view["movement_rules"]]
    lines += [row["text"] for row in view["cautions"]]
    planting = view["planting"]
    lines += [planting[key] for key in ("site", "watch", "note") if key in planting]
    facts = [
        f"{name.replace('_', ' ')} {_shown(planting[name])}"
        for name in planting
        if name not in ("site", "watch", "note")
    ]
    if facts:
        lines.append(f"Planting: {'; '.join(facts)}.")
    if view["alternatives"]:
        lines.append(
            "Instead: " + "; ".join(f"{row['common_name']} ({row['reason']})" for row in view["alternatives"]) + "."
        )
    if view["look_alikes"]:
        lines.append(f"Looks like: {', '.join(view['look_alikes'])}.")
    lines.append("Sources:")
    lines += [f"  {row['cite']}{' ' + row['url'] if row['url'] else ''}" for row in view["sources"]]
    return "\n".join(lines)


def _shown(value: object) -> str:
    if isinstance(value, list):
        return (
            " to ".join(f"{one:g}" for one in value)
            if value and isinstance(value[0], float)
            else ", ".join(str(one).replace("_", " ") for one in value)
        )
    return f"{value:g}" if isinstance(value, float) else str(value).replace("_", " ")
