"""The command line. Thin: it reads options, calls one function, and turns errors into one line and an exit code.

Imports stand inside the commands, for a quick start.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from chatkey import __version__
from chatkey.cli.learning import add_learn
from chatkey.cli.serving import add_commands
from chatkey.cli.trying import add_trial
from chatkey.terms import ChatkeyError

FINE, FAULTY_KNOWLEDGE, WRONG_USE, MISSING, NOT_FOUND = range(5)
CODES = (
    (NOT_FOUND, {"NotFoundError", "NotInQueueError"}),
    (FAULTY_KNOWLEDGE, {"KnowledgeError"}),
    (MISSING, {"StoreError", "SealError", "SettingsError", "ChannelError", "NotWrittenError"}),
)


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # an output that knows only plain letters
    parser = _parser()
    options = parser.parse_args(argv)
    if options.command is None:
        parser.print_help()
        return WRONG_USE
    try:
        return int(options.run(options))
    except ChatkeyError as error:
        print(f"chatkey: {error}", file=sys.stderr)
        return _code(error)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader has gone: no noise at exit
        return FINE
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(f"chatkey: {where}{error.strerror or error}; see that it is right and may be used", file=sys.stderr)
        return MISSING
    except KeyboardInterrupt:
        print(file=sys.stderr)
        return FINE


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        print(f"chatkey: {message}; try `{self.prog} --help`", file=sys.stderr)
        raise SystemExit(WRONG_USE)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="chatkey", description="A botanist's key, by chat: conifers of eastern North America.")
    parser.add_argument("--version", action="version", version=f"chatkey {__version__}")
    parser.add_argument("--knowledge", type=Path, metavar="FOLDER", help="another folder of knowledge")
    parser.add_argument("--dialogs", type=Path, metavar="FOLDER", help="another folder of dialogs")
    parser.add_argument("--language", default="en", metavar="CODE", help="the language of the talk (en)")
    parser.add_argument("--card", type=Path, metavar="FILE", help="your group's card: its lines, offices and counties")
    commands = parser.add_subparsers(dest="command", parser_class=_Parser, metavar="COMMAND")

    talk = commands.add_parser("talk", help="hold a conversation")
    talk.add_argument("--place", help='where the finder is: "MI", "Marquette, MI", a postal code, coordinates')
    talk.add_argument("--json", action="store_true", help="one JSON object a line in, one out")
    talk.set_defaults(run=_talk)

    identify = commands.add_parser("identify", help="identify from one message")
    identify.add_argument("text", help='what is felt and seen, as in "soft flat needles, two white lines under"')
    identify.add_argument("--place", help="as in talk")
    identify.add_argument("--json", action="store_true", help="all fields as JSON")
    identify.set_defaults(run=_identify)

    heard = commands.add_parser("understand", help="show what is taken from a message, and why")
    heard.add_argument("text", nargs="?", help="the message")
    heard.add_argument("--asked", metavar="CHARACTER", help='the question that waits: a character, or "place"')
    heard.add_argument("--json", action="store_true", help="all fields as JSON")
    heard.add_argument(
        "--lines", action="store_true", help='messages, or objects {"text", "asked"}, from standard input, a line each'
    )
    heard.set_defaults(run=_understand)

    about = commands.add_parser("about", help="what is known of a plant")
    about.add_argument("name", help='a common or scientific name, as in "Tsuga canadensis"')
    about.add_argument("--place", help="as in talk")
    about.add_argument("--json", action="store_true", help="all fields as JSON")
    about.set_defaults(run=_about)

    check = commands.add_parser("check", help="prove the knowledge and the dialogs")
    check.add_argument("--json", action="store_true", help="errors, warnings and counts as JSON")
    check.add_argument("--full", action="store_true", help="also coverage, the hardest pairs, questions per taxon")
    check.add_argument("--page", type=Path, metavar="FILE", help="write all of it as one HTML page")
    check.set_defaults(run=_check)

    add_commands(commands)
    add_learn(commands)
    add_trial(commands)

    schema = commands.add_parser("schema", help="JSON Schema of the files of knowledge, for an editor")
    schema.add_argument("file", choices=("taxa", "characters", "names", "words"))
    schema.set_defaults(run=_schema)
    return parser


def _talk(options: argparse.Namespace) -> int:
    from chatkey.app import open_mind
    from chatkey.channels.base import Talks, place_of

    mind = open_mind(options.knowledge, options.dialogs, options.card, options.language)
    talks = Talks(mind, place_of(mind, options.place), _month())
    if options.json:
        from chatkey.channels.lines import converse_in_json

        converse_in_json(talks, _stdin(), sys.stdout)
    else:
        from chatkey.channels.terminal import converse

        converse(talks, _stdin(), sys.stdout)
    return FINE


def _identify(options: argparse.Namespace) -> int:
    from chatkey.app import open_mind
    from chatkey.channels.base import Talks, place_of, whole

    mind = open_mind(options.knowledge, options.dialogs, options.card, options.language)
    turned = Talks(mind, place_of(mind, options.place), _month()).say(whole(options.text))
    _print(turned.view if options.json else turned.reply.text)
    return FINE


def _understand(options: argparse.Namespace) -> int:
    from chatkey.app import open_mind
    from chatkey.channels.base import UsageError, whole
    from chatkey.channels.heard import hear_lines, heard_text, heard_view

    if options.lines == (options.text is not None):
        raise UsageError("understand", "takes a message or --lines", 'try `chatkey understand "flat, not sharp"`')
    mind = open_mind(options.knowledge, options.dialogs, options.card, options.language)
    if options.lines:
        hear_lines(mind, _stdin(), sys.stdout, options.asked)
        return FINE
    view = heard_view(mind, whole(options.text), options.asked)
    _print(view if options.json else heard_text(mind, view))
    return FINE


def _about(options: argparse.Namespace) -> int:
    from chatkey.app import about, open_mind
    from chatkey.channels.base import place_of

    mind = open_mind(options.knowledge, options.dialogs, options.card, options.language)
    view = about(mind, options.name, place_of(mind, options.place))
    if options.json:
        _print(view)
    else:
        from chatkey.channels.sheet import about_text

        _print(about_text(mind, view))
    return FINE


def _check(options: argparse.Namespace) -> int:
    from chatkey.app import check, check_fully

    if options.full or options.page:
        report, page = check_fully(options.knowledge, options.dialogs)
        if options.page and page:
            options.page.write_text(page, encoding="utf-8")
    else:
        report = check(options.knowledge, options.dialogs)
    if options.json:
        _print(report)
    else:
        for kind in ("errors", "warnings"):
            for row in report[kind]:
                print(f"{kind[:-1]}: {row['where']}: {row['what']}; {row['mend']}")
        for line in _summary(report):
            print(line)
        print(", ".join(f"{count} {name.replace('_', ' ')}" for name, count in report["counts"].items()))
    return FAULTY_KNOWLEDGE if report["errors"] else FINE


def _schema(options: argparse.Namespace) -> int:
    from chatkey.knowledge import load_knowledge
    from chatkey.knowledge.schema import schema

    _print(schema(load_knowledge(options.knowledge), options.file))
    return FINE


def _summary(report: dict[str, Any]) -> list[str]:
    """The full check in a few lines; its rows are in --json and on the page."""
    if "coverage" not in report:
        return []
    found = report["coverage"]
    core = found["hand_cells_natives_and_planted"]
    pairs = [" and ".join(row["taxa"]) + f" ({row['log_odds']:.1f})" for row in report["hardest_pairs"][:5]]
    asked = {place: sum(rows.values()) / len(rows) for place, rows in report["expected_questions"].items()}
    grades = report["reading_grades"]
    return [
        f"{found['hand_cells_filled_share']:.1%} of the hand characters that apply are filled or inherited",
        f"{core['from_memory_share']:.1%} of those of natives and common planted conifers are from memory",
        f"hardest to part: {'; '.join(pairs)}",
        "questions of an honest finder: " + ", ".join(f"{place} {mean:.1f}" for place, mean in asked.items()),
        f"reading grade: {max(grades.values()):.1f} at the most"
        if grades
        else "reading grade: install chatkey[test] to see it",
    ]


def _print(value: Any) -> None:
    print(value if isinstance(value, str) else json.dumps(value, indent=1))


def _stdin() -> Any:
    """Standard input that never fails on bytes that are no UTF-8."""
    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(encoding="utf-8", errors="replace")
    return sys.stdin


def _month() -> int:
    from datetime import date

    return date.today().month


def _code(error: ChatkeyError) -> int:
    """Told by names, its own and those it inherits: the rooms of a service are not imported for it."""
    names = {kind.__name__ for kind in type(error).__mro__}
    return next((code for code, kinds in CODES if names & kinds), WRONG_USE)
