"""`chatkey learn`: what stewards' verdicts teach, shown as a diff, and written only when told."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chatkey.cli.serving import _settings, _wanting, _with_settings

if TYPE_CHECKING:
    from chatkey.knowledge import Knowledge
    from chatkey.knowledge.model import Learned
    from chatkey.trial.learning import Confirmed

FINE = 0
SHOWN = {"species": "species right", "questions": "questions a tree", "calibration_error": "calibration error"}


def add_learn(commands: Any) -> None:
    """The parser of this command."""
    learn = _with_settings(commands.add_parser("learn", help="what your verdicts teach; written only when told"))
    learn.add_argument(
        "--verdicts", type=Path, metavar="FILE", help="a file of verdicts, a JSON object a line; no store"
    )
    learn.add_argument("--write", action="store_true", help="write it into the folder of knowledge")
    learn.add_argument("--json", action="store_true", help="all fields as JSON")
    learn.add_argument(
        "--finders", type=int, default=200, metavar="N", help="simulated finders that show the effect (200); 0: none"
    )
    learn.set_defaults(run=_wanting(_learn))


def _learn(options: argparse.Namespace) -> int:
    from datetime import date

    from chatkey.knowledge.learned import FILE, write_learned
    from chatkey.trial.learning import learn

    folder, knowledge, verdicts = _heard(options)
    learned = learn(knowledge, verdicts, date.today().isoformat())
    diff = _diff(folder, learned)
    is_new = (learned.errors, learned.phrases) != (knowledge.learned.errors, knowledge.learned.phrases)
    changed = _effect(knowledge, learned, options.finders) if is_new and options.finders > 0 else {}
    if options.write and diff:
        write_learned(folder, learned)
    view = {
        "verdicts": len(verdicts),
        "file": str(folder / FILE),
        "diff": diff,
        "effect": {name: list(pair) for name, pair in changed.items()},
        "written": bool(options.write and diff),
    }
    print(json.dumps(view, indent=1) if options.json else _page(view))
    return FINE


def _heard(options: argparse.Namespace) -> tuple[Path, Knowledge, tuple[Confirmed, ...]]:
    """The folder of knowledge, what it holds, and the verdicts: of a file, or of the store that the settings name."""
    from chatkey.data import shipped
    from chatkey.knowledge import load_knowledge

    if options.verdicts is not None:
        from chatkey.trial.verdict_lines import read_verdicts

        folder = options.knowledge or shipped("knowledge")
        knowledge = load_knowledge(folder, options.language)
        return folder, knowledge, read_verdicts(options.verdicts, knowledge)

    from contextlib import closing

    from chatkey.service.serve import store_of
    from chatkey.service.verdicts import verdicts_of

    settings = _settings(options)
    folder = options.knowledge or settings.knowledge or shipped("knowledge")
    knowledge = load_knowledge(folder, options.language if options.language != "en" else settings.language)
    with closing(store_of(settings)) as store:
        return folder, knowledge, verdicts_of(store, knowledge)


def _diff(folder: Path, learned: Learned) -> str:
    """A unified diff of the file; "" where it would stay as it is."""
    from difflib import unified_diff

    from chatkey.knowledge.learned import FILE, as_yaml

    path = folder / FILE
    before = path.read_text(encoding="utf-8") if path.is_file() else ""
    return "".join(
        unified_diff(before.splitlines(True), as_yaml(learned).splitlines(True), f"{path} now", f"{path} learned", n=1)
    )


def _effect(knowledge: Knowledge, learned: Learned, finders: int) -> Mapping[str, tuple[float, float]]:
    from chatkey.trial.learning import effect
    from chatkey.trial.run import trial_figures

    return effect(knowledge, learned, finders, trial_figures)


def _page(view: Mapping[str, Any]) -> str:
    rows = [f"{view['verdicts']} verdicts name a plant."]
    rows += [view["diff"].rstrip("\n")] if view["diff"] else []
    if view["effect"]:
        rows.append("Simulated finders, before and after:")
        for name, words in SHOWN.items():
            before, after = view["effect"][name]
            rows.append(f"  {words}: {before:.3f}, {after:.3f}")
    if view["written"]:
        rows.append(f"Written to {view['file']}. Start `chatkey serve` anew, so that it reads it.")
    elif view["diff"]:
        rows.append("Nothing was written. If you agree, run it again with --write.")
    else:
        rows.append("Nothing would change.")
    return "\n".join(rows)
