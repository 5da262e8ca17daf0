"""The command line in this process."""

from __future__ import annotations

import io
import sys

import pytest
from commands import Done, Run

import chatkey.cli
from chatkey.cli import main


@pytest.fixture(autouse=True)
def in_october(monkeypatch: pytest.MonkeyPatch) -> None:
    """What can be judged changes with the month; these talks are held in one."""
    monkeypatch.setattr(chatkey.cli, "_month", lambda: 10)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs one command in this process; `given` is its standard input."""

    def run_one(*arguments: str, given: str = "") -> Done:
        monkeypatch.setattr(sys, "stdin", io.StringIO(given))
        try:
            code = main(arguments)
        except SystemExit as left:
            code = int(left.code or 0)
        return Done(code, *capsys.readouterr())

    return run_one
