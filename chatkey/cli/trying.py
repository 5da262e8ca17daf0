"""`chatkey trial`: how often simulated finders get it right, beside other ways to find it."""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from chatkey.identify import Table
    from chatkey.knowledge import Knowledge
    from chatkey.trial.finders import World
    from chatkey.trial.run import Trial

FINE, MISSING = 0, 3
TRAINED = ("tree", "bayes")  # engines that scikit-learn trains
PLAIN_WIDTH = 120  # letters, where there is no terminal
PAIRS = 5  # confusions that are told


def add_trial(commands: Any) -> None:
    """The parser of this command."""
    trial = commands.add_parser("trial", help="how often simulated finders get it right, beside other ways")
    trial.add_argument("--place", default="MI", metavar="MI", help='the code of a state or province, or "none" (MI)')
    trial.add_argument("--finders", type=_count(1), default=1000, metavar="N", help="how many (1000)")
    trial.add_argument("--slips", type=_share, default=0.1, metavar="SHARE", help="answers that go wrong (0.1)")
    trial.add_argument("--facts", type=_count(0), default=4, metavar="N", help="facts told in the first message (4)")
    trial.add_argument(
        "--cant-tell", type=_share, default=0.15, metavar="SHARE", help="questions without an answer (0.15)"
    )
    trial.add_argument("--cones", type=_share, default=0.5, metavar="SHARE", help="finders with a cone at hand (0.5)")
    trial.add_argument(
        "--careless", type=_share, default=0.0, metavar="SHARE", help="finders who misjudge one kind of thing (0)"
    )
    trial.add_argument(
        "--wrong-place", type=_share, default=0.0, metavar="SHARE", help="finders who name another place (0)"
    )
    trial.add_argument(
        "--channel", choices=("chat", "sms"), default="chat", help="how much may be asked: 12 questions, or 6 texts"
    )
    trial.add_argument(
        "--unlisted", type=_count(0), default=0, metavar="N", help="also take N plants out of the knowledge, one by one"
    )
    trial.add_argument(
        "--fit", action="store_true", help="only say which sharpness and discounts these finders would ask for"
    )
    trial.add_argument("--month", type=_month, metavar="1-12", help="the time of year (any, and untold)")
    trial.add_argument("--unperturbed", action="store_true", help="plants just as the knowledge has them")
    trial.add_argument(
        "--plain-facts", action="store_true", help="the first facts as meant, not as words to understand"
    )
    trial.add_argument("--seed", type=_count(0), default=1, metavar="N", help="the same number, the same finders (1)")
    trial.add_argument("--engines", metavar="NAMES", help='"all", or names with commas between (all)')
    trial.add_argument("--workers", type=_count(1), metavar="N", help="processes side by side (one a core)")
    trial.add_argument("--json", action="store_true", help="all fields as JSON")
    trial.add_argument("--page", type=Path, metavar="FILE", help="write it with pictures as one HTML page")
    trial.set_defaults(run=_trial)


def _share(text: str) -> float:
    try:
        share = float(text)
    except ValueError:
        share = math.nan
    if not 0 <= share <= 1:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} is no share; give a number from 0 to 1")
    return share


def _month(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 3 and 1 <= int(text) <= 12):
        raise argparse.ArgumentTypeError(f"{text[:40]!r} is no month; give a number from 1 to 12")
    return int(text)


def _count(least: int) -> Callable[[str], int]:
    def count(text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 10 and int(text) >= least):
            raise argparse.ArgumentTypeError(f"{text[:40]!r} does not count; give a whole number from {least} on")
        return int(text)

    return count


def _trial(options: argparse.Namespace) -> int:
    from chatkey.identify import build_table
    from chatkey.knowledge import load_knowledge

    knowledge = load_knowledge(options.knowledge, options.language)
    table = build_table(knowledge)
    world = _world(options, knowledge)
    if options.fit:
        _show_fit(options, table, world)
        return FINE
    engines = _engines(options.engines, table)
    _check_page(options.page)
    lacking = _lacking("sklearn") if set(engines) & set(TRAINED) else ""
    if lacking and options.engines is None:
        engines = tuple(name for name in engines if name not in TRAINED)
        print(f"chatkey: without {' and '.join(TRAINED)}: {lacking}", file=sys.stderr)
        lacking = ""
    lacking = lacking or (_lacking("matplotlib") if options.page else "")
    if lacking:
        print(f"chatkey: {lacking}", file=sys.stderr)
        return MISSING
    trial = _held(options, table, world, engines)
    if options.unlisted:
        trial = _with_unlisted(options, trial)
    if options.page:
        from chatkey.trial.pictures import page

        options.page.write_text(page(trial), encoding="utf-8")
    _show(trial, as_json=options.json)
    return FINE


def _world(options: argparse.Namespace, knowledge: Knowledge) -> World:
    from chatkey.channels.base import UsageError
    from chatkey.trial.finders import World

    place = "" if options.place.lower() == "none" else options.place.upper()
    if place and place not in knowledge.regions:
        mend = 'give the code of a state or province ("MI", "ON"), or "none"'
        raise UsageError(f"--place {options.place[:40]!r}", "is not known", mend)
    return World(
        place=place,
        slips=options.slips,
        facts=options.facts,
        channel=options.channel,
        cant_tell=options.cant_tell,
        cones=options.cones,
        careless=options.careless,
        wrong_place=options.wrong_place,
        month=options.month,
        perturbed=not options.unperturbed,
        in_words=not options.plain_facts,
    )


def _engines(text: str | None, table: Table) -> tuple[str, ...]:
    from chatkey.channels.base import UsageError
    from chatkey.trial.run import all_engines

    known = all_engines(table)
    if text is None or text == "all":
        return known
    names = tuple(dict.fromkeys(name.strip() for name in text.split(",")))
    for name in names:
        if name not in known:
            raise UsageError(f"--engines {name[:40]!r}", "is not known", f"take from: {', '.join(known)}")
    return names


def _check_page(path: Path | None) -> None:
    """Told before the finders, not after them."""
    from chatkey.channels.base import UsageError

    if path is not None and (path.is_dir() or not path.parent.is_dir()):
        raise UsageError(f"--page {path}", "can't be written", "name a file in a folder that exists")


def _lacking(module: str) -> str:
    """What is missing and how to get it; "" where it is there."""
    try:
        import_module(module)
    except ModuleNotFoundError:
        return f"{module} is not installed; run `pip install 'chatkey[trial]'`"
    return ""


def _held(options: argparse.Namespace, table: Table, world: World, engines: tuple[str, ...]) -> Trial:
    from rich.console import Console
    from rich.progress import Progress

    from chatkey.trial.run import run_trial
    from chatkey.understand import build_lexicon

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("Finders", total=options.finders)
        return run_trial(
            table,
            build_lexicon(table.knowledge) if world.in_words else None,
            world,
            options.finders,
            options.seed,
            engines,
            options.workers or os.cpu_count() or 1,
            lambda done: progress.update(bar, completed=done),
        )


def _with_unlisted(options: argparse.Namespace, trial: Trial) -> Trial:
    from rich.console import Console
    from rich.progress import Progress

    from chatkey.trial.unlisted import run_unlisted
    from chatkey.understand import build_lexicon

    knowledge, console = trial.table.knowledge, Console(stderr=True)
    lexicon = build_lexicon(knowledge) if trial.world.in_words else None
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("Unlisted plants", total=options.unlisted)
        found = run_unlisted(
            knowledge,
            lexicon,
            trial.world,
            options.unlisted,
            seed=options.seed,
            progress=lambda done: progress.update(bar, completed=done),
        )
    return replace(trial, unlisted=found)


def _show_fit(options: argparse.Namespace, table: Table, world: World) -> None:
    """Beside the numbers that are in use; nothing is written."""
    from chatkey.trial.fitting import fit

    sharpness, shares = fit(table, world, options.finders, options.seed)
    numbers = table.knowledge.numbers
    if options.json:
        print(json.dumps({"sharpness": sharpness, "discount": shares}, indent=1))
        return
    print(f"sharpness: {sharpness:.2f}  # in use: {numbers['evidence']['sharpness']:.2f}")
    print("discount:")
    rest = numbers["discount"]["other"]
    for family, share in shares.items():
        print(f"  {family}: {share:.1f}  # in use: {numbers['discount'].get(family, rest):.1f}")


def _show(trial: Trial, *, as_json: bool) -> None:
    from chatkey.trial.view import trial_view

    if as_json:
        print(json.dumps(trial_view(trial), indent=1, allow_nan=False))
    else:
        _print_table(trial)


def _print_table(trial: Trial) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table as RichTable

    from chatkey.trial.view import HEAD, LEGEND, confusions, sentences, shown_engine, spoken, table_rows

    is_terminal = sys.stdout.isatty()
    console = Console(highlight=False, markup=False, width=None if is_terminal else PLAIN_WIDTH)
    shown = RichTable(box=SIMPLE_HEAD if is_terminal else None, pad_edge=False)
    for name in HEAD:
        shown.add_column(name, justify="left" if name == HEAD[0] else "right", no_wrap=name == HEAD[0])
    for row in table_rows(trial):
        shown.add_row(*row)
    console.print(shown)
    for told in ("", LEGEND, *sentences(trial)):
        console.print(told)
    pairs = confusions(trial, PAIRS)
    if pairs:
        console.print(f"Most often taken for another, by {spoken(shown_engine(trial))}:")
    for taxon, leader, count in pairs:
        console.print(f"  {taxon}, named {leader}: {count}")
