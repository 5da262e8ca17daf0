"""A conversation in a terminal; with piped input, line by line."""

from __future__ import annotations

import sys
from typing import TextIO

from prompt_toolkit import PromptSession
from prompt_toolkit.formatted_text import HTML
from prompt_toolkit.history import InMemoryHistory
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from chatkey.channels.base import Talks
from chatkey.dialog import Turned

BAR_WIDTH = 30
BARS = 6
CHART_WORDS = ("chart", "bars", "/chart")
LEAVE_WORDS = ("exit", "/quit", "/exit", "bye")
STYLES = {
    "caution": "bold red",
    "took_in": "dim",
    "answer": "bold",
    "status": "",
    "facts": "",
    "note": "",
    "question": "cyan",
}
OPENING = (
    "chatkey: a botanist's key, by chat.\n"
    "Tell me what you feel and see on the plant, in your own words, or say where you are.\n"
    "CHART shows the candidates, HELP what else I know, EXIT or Ctrl-D leaves."
)


def converse(talks: Talks, source: TextIO = sys.stdin, target: TextIO = sys.stdout) -> None:
    """Talks until the input ends. On a terminal with history and colour, else one reply per line of input."""
    if source.isatty() and target.isatty():
        _interactive(talks, Console(file=target, highlight=False))
    else:
        _piped(talks, source, target)


def _interactive(talks: Talks, console: Console) -> None:
    session: PromptSession[str] = PromptSession(history=InMemoryHistory())
    console.print(OPENING, style="dim")
    last: Turned | None = None
    while True:
        try:
            text = session.prompt(HTML("<b>&gt; </b>"))
        except (EOFError, KeyboardInterrupt):
            console.print()
            return
        word = text.strip().lower()
        if word in LEAVE_WORDS:
            return
        if not word:
            continue
        if word in CHART_WORDS:
            console.print(_chart(last))
            continue
        last = talks.say(text)
        show(console, last)


def show(console: Console, turned: Turned) -> None:
    """One reply: blocks in their styles, choices one a line."""
    for block in turned.reply.blocks:
        ask = turned.reply.ask
        if block.kind == "question" and ask is not None and ask.choices:
            question = block.text.split(f" ({ask.choices[0].key}) ")[0]
            console.print(question, style=STYLES["question"])
            for choice in ask.choices:
                console.print(Padding(Text(f"{choice.key}  {choice.label}", style=STYLES["question"]), (0, 0, 0, 2)))
        else:
            console.print(Text(block.text), style=STYLES[block.kind])


def _chart(turned: Turned | None) -> RichTable | Text:
    """The leaders as bars."""
    if turned is None:
        return Text("Nothing to show yet.")
    table = RichTable.grid(padding=(0, 1))
    rows = [(row["common_name"], row["probability"]) for row in turned.view["candidates"][:BARS]]
    rows.append(("none of these", turned.view["something_else"]))
    for name, probability in rows:
        table.add_row(
            Text(name), Text("█" * round(BAR_WIDTH * probability) or "▏", style="green"), Text(f"{probability:4.0%}")
        )
    return table


def _piped(talks: Talks, source: TextIO, target: TextIO) -> None:
    for line in source:
        text = line.rstrip("\n")
        if text.strip().lower() in LEAVE_WORDS:
            return
        if not text.strip():
            continue
        print(talks.say(text).reply.text, file=target)
        print(file=target, flush=True)
