"""The commands of a group that serves: set up, serve, queue, answer, store, demo. They want the extra `sms`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from chatkey.dialog import Mind
    from chatkey.service.settings import Settings
    from chatkey.store import Store

FINE, MISSING = 0, 3
Run = Callable[[argparse.Namespace], int]


def add_commands(commands: Any) -> None:
    """The parsers of these commands."""
    setup = commands.add_parser("setup", help="begin a folder for your group: settings, key and card")
    setup.add_argument("folder", type=Path, nargs="?", default=Path())
    setup.set_defaults(run=_wanting(_setup))

    serve = _with_settings(commands.add_parser("serve", help="answer people on their phones"))
    serve.add_argument("--check", action="store_true", help="say what is wrong and how to mend it, and start nothing")
    serve.add_argument("--port", type=int, help="another port than in the settings")
    serve.set_defaults(run=_wanting(_serve))

    queue = _with_settings(commands.add_parser("queue", help="what waits for a person, with everything gathered"))
    queue.add_argument("id", type=int, nargs="?", help="one entry in full")
    queue.add_argument("--json", action="store_true", help="all fields as JSON")
    queue.set_defaults(run=_wanting(_queue))

    answer = _with_settings(commands.add_parser("answer", help="answer a finder; it goes back the way they came"))
    answer.add_argument("id", type=int, help="the entry's number in `chatkey queue`")
    answer.add_argument("text", nargs="?", default="", help="your words to the finder")
    answer.add_argument(
        "--verdict",
        default="none",
        metavar="WHAT",
        help="right (as named), unknown (it can't be known), or the plant's name: \"tamarack\"; none: only words",
    )
    answer.add_argument("--by", default="", metavar="NAME", help="who says so, for the record; the finder is not told")
    answer.set_defaults(run=_wanting(_answer))

    store = _with_settings(commands.add_parser("store", help="look after the store"))
    store.add_argument(
        "task",
        choices=("upgrade", "check", "key", "scrub", "archive"),
        help="upgrade: bring its tables up to date; check: whether they are; key: print a new key; scrub: clean its "
        "files of what was erased; archive: forget what is old",
    )
    store.set_defaults(run=_wanting(_store))

    demo = commands.add_parser(
        "demo", help="watch the Larkwater Stewards for a few minutes, all on this machine: phones, and a crew's walk"
    )
    demo.add_argument(
        "part",
        nargs="?",
        default="all",
        choices=("sms", "walk", "all"),
        help="sms: their phones; walk: a crew in a Telegram group",
    )
    demo.add_argument("--quick", action="store_true", help="without the pauses")
    demo.set_defaults(run=_wanting(_demo))


def _with_settings(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    parser.add_argument("--settings", type=Path, metavar="FILE", help="your settings (chatkey.toml in this folder)")
    parser.add_argument(
        "--store", dest="store_place", metavar="PATH", help="another store: a path, or a URL without password"
    )
    return parser


def _wanting(run: Run) -> Run:
    """The command, or how to install what it lacks."""

    def wanting(options: argparse.Namespace) -> int:
        try:
            return run(options)
        except ModuleNotFoundError as error:
            name = (error.name or "").split(".")[0]
            if name == "chatkey":
                raise
            extra = {"psycopg": "postgres", "telegram": "telegram"}.get(name, "sms")
            print(f"chatkey: {name} is not installed; run `pip install 'chatkey[{extra}]'`", file=sys.stderr)
            return MISSING

    return wanting


def _setup(options: argparse.Namespace) -> int:
    from chatkey.service.setup import set_up

    for path, what in set_up(options.folder):
        print(f"{path}: {what}")
    print(f"Next: mend card and {options.folder / 'chatkey.toml'}, then `chatkey serve --check` in that folder.")
    return FINE


def _serve(options: argparse.Namespace) -> int:
    from chatkey.service.check import findings
    from chatkey.service.logs import begin_log
    from chatkey.service.serve import serve

    settings = _settings(options)
    if options.check:
        found = findings(settings, _opener(options, settings))
        for one in found:
            print(one)
        return MISSING if any(one.fault for one in found) else FINE

    begin_log()
    serve(settings, _opener(options, settings))
    return FINE


def _queue(options: argparse.Namespace) -> int:
    from chatkey.service.stewards import entry_view, page, queue_view
    from chatkey.store import queue

    with _opened(options) as (store, mind):
        one = entry_view(mind, queue.entry(store, options.id)) if options.id is not None else None
        views = [one] if one else queue_view(store, mind)
    if options.json:
        print(json.dumps(one or views, indent=1))
    elif not views:
        print("Nothing waits.")
    else:
        print("\n\n".join(page(view) for view in views))
    return FINE


def _answer(options: argparse.Namespace) -> int:
    import time

    from chatkey.service.serve import frame_of
    from chatkey.service.stewards import give_answer

    given = {"text": options.text, "verdict": options.verdict, "by": options.by}
    with _opened(options) as (store, mind):
        writing = frame_of(_settings(options), mind).channels
        answered = give_answer(store, mind, writing, options.id, **given, now=time.time())
    print(f"On its way: {answered.text}")
    return FINE


def _store(options: argparse.Namespace) -> int:
    from chatkey.store.seal import new_key

    if options.task == "key":
        print(new_key())
        return FINE
    from chatkey.service.serve import store_of
    from chatkey.store.upgrade import head

    settings = _settings(options)
    if options.task == "upgrade":
        store_of(settings, upgrade=True).close()
        print(f"The store is at revision {head()}.")
        return FINE
    with closing(store_of(settings)) as store:
        return _look_after(store, settings, options.task)


def _look_after(store: Store, settings: Settings, task: str) -> int:
    import time

    from chatkey.store.erase import Retention, archive, scrub

    if task == "scrub":
        done = scrub(store, time.time(), whole=True)
        print("The files hold nothing of what was erased." if done else "Somebody reads just now; try again.")
        return FINE if done else MISSING
    if task == "archive":
        retention = Retention(settings.words_days, settings.conversations_days)
        print(f"{archive(store, retention, time.time())} conversations archived.")
        return FINE
    print("The store is up to date, and the key fits.")
    return FINE


def _demo(options: argparse.Namespace) -> int:
    from chatkey.service.demo import play

    play(_opener(options, None), pace=0.0 if options.quick else 1.0, part=options.part)
    return FINE


@contextmanager
def _opened(options: argparse.Namespace) -> Iterator[tuple[Store, Mind]]:
    from chatkey.service.serve import store_of

    settings = _settings(options)
    with closing(store_of(settings)) as store:
        yield store, _opener(options, settings)()


def _settings(options: argparse.Namespace) -> Settings:
    from chatkey.channels.base import UsageError
    from chatkey.service.load import has_password, load_settings

    given: dict[str, Any] = {}
    if options.store_place is not None:
        if "://" in options.store_place and has_password(options.store_place):
            mend = "set it as CHATKEY_STORE, or keep it in a password file of PostgreSQL"
            raise UsageError("--store", "holds a password, which a list of processes would show", mend)
        given["store"] = options.store_place
    if getattr(options, "port", None) is not None:
        given["port"] = options.port
    return load_settings(options.settings, **given)


def _opener(options: argparse.Namespace, settings: Settings | None) -> Callable[[], Mind]:
    """How each process opens the mind: the command line's folders first, then those of the settings."""
    from chatkey.app import open_mind

    return partial(
        open_mind,
        options.knowledge or (settings.knowledge if settings else None),
        options.dialogs or (settings.dialogs if settings else None),
        options.card or (settings.card if settings else None),
        options.language if options.language != "en" or settings is None else settings.language,
    )
