"""The terminal: line by line when piped, with no escape codes where there is no terminal, and a clean way out."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.console import Console

from chatkey.channels.base import Talks
from chatkey.channels.terminal import LEAVE_WORDS, converse, show
from chatkey.dialog import Mind

TALK = [sys.executable, "-m", "chatkey.cli", "talk"]
ESCAPE = "\x1b"
READY = "\x1b[?2004h"  # what a prompt sends when it begins to read keys
PATIENCE = 60  # seconds until a talk that says nothing counts as hung


def piped(mind: Mind, text: str) -> str:
    target = io.StringIO()
    converse(Talks(mind), io.StringIO(text), target)
    return target.getvalue()


def test_a_piped_conversation_gives_a_reply_for_each_line(mind: Mind) -> None:
    talks = Talks(mind)
    said = ["soft flat needles", "1", "MI", "why"]
    told = piped(mind, "\n".join(said) + "\n")
    assert told == "".join(f"{talks.say(text).reply.text}\n\n" for text in said)


def test_piped_replies_carry_no_escape_codes(mind: Mind) -> None:
    told = piped(mind, "red berries, flat needles\n2\nMI\nhow sure\nwhy\nchart\n")
    assert ESCAPE not in told
    assert told.strip()


def test_empty_lines_are_passed_over_and_the_last_line_needs_no_end(mind: Mind) -> None:
    assert piped(mind, "\n\nsoft flat needles") == piped(mind, "soft flat needles\n\n\n")


@pytest.mark.parametrize("word", LEAVE_WORDS)
def test_a_word_of_leaving_ends_the_talk(mind: Mind, word: str) -> None:
    assert piped(mind, f"hello\n{word}\nsoft flat needles\n") == piped(mind, "hello\n")


def test_no_input_at_all_leaves_cleanly_and_says_nothing(mind: Mind) -> None:
    assert piped(mind, "") == ""


def test_a_file_as_input_holds_a_conversation_and_ends_with_exit_code_0(tmp_path: Path) -> None:
    script = tmp_path / "larkwater.txt"
    script.write_text("soft flat needles\nMI\nwhy", encoding="utf-8")
    with script.open() as source:
        done = subprocess.run(TALK, stdin=source, capture_output=True, timeout=PATIENCE, check=False)
    told = done.stdout.decode()
    assert (done.returncode, done.stderr) == (0, b"")
    assert ESCAPE not in told
    assert "(1)" in told
    assert len(told.split("\n\n")) >= 3


def test_the_place_of_the_option_is_known_from_the_first_message() -> None:
    command = [*TALK, "--place", "Marquette, MI"]
    done = subprocess.run(command, input=b"needles in fives, soft\nplace?\n", capture_output=True, timeout=PATIENCE)
    assert done.returncode == 0
    assert b"Which state or province" not in done.stdout


def test_a_reply_on_a_terminal_shows_one_choice_a_line(mind: Mind) -> None:
    target = io.StringIO()
    turned = Talks(mind).say("soft flat needles")
    show(Console(file=target, width=100, color_system=None), turned)
    lines = target.getvalue().splitlines()
    assert turned.reply.ask is not None
    for choice in turned.reply.ask.choices:
        assert f"  {choice.key}  {choice.label}" in [text.rstrip() for text in lines]
    assert "(1)" not in target.getvalue()


def test_a_reply_on_a_narrow_or_plain_terminal_loses_no_word(mind: Mind) -> None:
    turned = Talks(mind).say("red berries, flat needles")
    target = io.StringIO()
    show(Console(file=target, width=30, color_system=None), turned)
    shown = target.getvalue()
    assert ESCAPE not in shown
    words = re.findall(r"[A-Za-z']+", turned.reply.text)
    assert re.findall(r"[A-Za-z']+", shown) == words


@pytest.mark.parametrize("text", ["[bold]needles[/bold] wompf", "[/] zzkt", "[link=x]blorf[/link]"])
def test_square_brackets_of_a_finder_are_shown_as_they_are_and_break_nothing(mind: Mind, text: str) -> None:
    target = io.StringIO()
    walk = Talks(mind)
    walk.say("soft flat needles")
    show(Console(file=target, width=200, color_system=None), walk.say(text))
    assert target.getvalue().strip()


class Terminal:
    """`chatkey talk` on a real terminal of its own."""

    def __init__(self, *options: str) -> None:
        self.master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (40, 120))
        environment = {**os.environ, "TERM": "xterm"}
        self.process = subprocess.Popen(
            [*TALK, *options], stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True
        )
        os.close(slave)
        self.seen = ""

    def until(self, words: str) -> str:
        """All that was shown, as soon as these words are in it."""
        while words not in self.seen:
            ready, _, _ = select.select([self.master], [], [], PATIENCE)
            assert ready, f"no {words!r} in {self.seen!r}"
            try:
                piece = os.read(self.master, 65536)
            except OSError:  # Linux: the other end is closed
                piece = b""
            assert piece, f"ended without {words!r}: {self.seen!r}"
            self.seen += piece.decode("utf-8", "replace")
            if b"\x1b[6n" in piece:  # where is the cursor? A real terminal answers
                os.write(self.master, b"\x1b[1;1R")
        return self.seen

    def type(self, keys: str) -> None:
        self.seen = ""
        os.write(self.master, keys.encode())

    def exit_code(self) -> int:
        """Reads to the end, so that nothing waits to be written."""
        while True:
            ready, _, _ = select.select([self.master], [], [], PATIENCE)
            try:
                if not ready or not os.read(self.master, 65536):
                    break
            except OSError:
                break
        return self.process.wait(timeout=PATIENCE)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    opened = Terminal()
    yield opened
    opened.close()


@pytest.mark.parametrize(("key", "name"), [("\x04", "Ctrl-D"), ("\x03", "Ctrl-C"), ("exit\r", "exit")])
def test_the_keys_of_leaving_end_the_talk_with_exit_code_0_and_no_traceback(
    terminal: Terminal, key: str, name: str
) -> None:
    assert "HELP" in terminal.until(READY)
    terminal.type(key)
    assert terminal.exit_code() == 0, name


def test_a_conversation_on_a_terminal_has_choices_a_chart_and_history(terminal: Terminal) -> None:
    terminal.until(READY)
    terminal.type("soft flat needles\r")
    assert "can't tell" in terminal.until(READY)
    terminal.type("chart\r")
    assert "█" in terminal.until(READY)
    terminal.type("\x1b[A\x1b[A\r")  # two up: the first line again
    assert "soft flat needles" in terminal.until(READY)
    terminal.type("\x04")
    assert terminal.exit_code() == 0
