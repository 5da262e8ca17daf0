"""Lines of JSON: one line in, one line out, whatever the line is."""

from __future__ import annotations

import io
import json
import os
import select
import subprocess
import sys
from typing import Any

import pytest

from chatkey.channels.base import LONGEST_LINE, Talks
from chatkey.channels.lines import converse_in_json
from chatkey.dialog import Mind
from chatkey.terms import Place

PATIENCE = 20  # seconds until a line that does not come counts as held back
BROKEN = {
    "empty": "",
    "blank": "   \t ",
    "no JSON": "soft flat needles",
    "half an object": '{"text": "soft',
    "two objects": '{"text": "a"}{"text": "b"}',
    "a list": '["soft flat needles"]',
    "a number": "42",
    "a text": '"soft flat needles"',
    "null": "null",
    "no number": "NaN",
    "an endless number": "9" * 5000,
    "no text": "{}",
    "text is null": '{"text": null}',
    "text is a number": '{"text": 5}',
    "text is a list": '{"text": ["soft"]}',
    "conversation is a list": '{"text": "hi", "conversation": ["a"]}',
    "conversation is empty": '{"text": "hi", "conversation": ""}',
    "conversation is true": '{"text": "hi", "conversation": true}',
    "from is an object": '{"text": "hi", "from": {"name": "ana"}}',
    "place is a number": '{"text": "hi", "place": 49855}',
    "place is unknown": '{"text": "hi", "place": "Larkwater Crossing"}',
    "too long": json.dumps({"text": "x" * 200_000}),
    "nested too deep": "[" * 50_000 + "]" * 50_000,
    "nested in an object": '{"text": "hi", "more": ' + "[" * 40_000 + "]" * 40_000 + "}",
    "control characters": '{"text": "\x00\x01"}',
}


def answers(talks: Talks, *lines: str) -> list[dict[str, Any]]:
    """What comes back, line by line, through a stream that is as strict about letters as a pipe."""
    raw = io.BytesIO()
    target = io.TextIOWrapper(raw, encoding="utf-8", newline="\n")
    converse_in_json(talks, io.StringIO("".join(line + "\n" for line in lines)), target)
    return [json.loads(line) for line in raw.getvalue().decode().split("\n")[:-1]]


def line(text: str, **more: str) -> str:
    return json.dumps({"text": text, **more})


@pytest.mark.parametrize("broken", BROKEN.values(), ids=BROKEN)
def test_a_broken_line_gives_one_line_that_names_the_mend_and_nothing_is_lost(mind: Mind, broken: str) -> None:
    talks = Talks(mind)
    first, error, after = answers(talks, line("soft flat needles"), broken, line("why"))
    assert set(error) == {"error"}
    assert set(error["error"]) == {"what", "mend"}
    assert all(isinstance(part, str) and part and len(part) < 200 for part in error["error"].values())
    assert after["ask"] == first["ask"] or after["ask"]["character"] == first["ask"]["character"]
    assert len(talks.conversations["main"].tree.claims) == len(first["claims"])


@pytest.mark.parametrize(
    ("broken", "what", "mend"),
    [
        ("", "the line is no JSON", "send one object a line"),
        ("[]", "line is no JSON object", 'send {"text": "…"}'),
        ("{}", "text is missing or no string", 'send {"text": "…"}'),
        ('{"text": "hi", "from": []}', "from is no string", '"from": "…"'),
        ('{"text": "hi", "place": 1}', "place is no string", 'send {"place": "MI"}'),
        ('{"text": "hi", "place": "Nowhereville"}', "place 'Nowhereville' is not known", "a state or province"),
        ("x" * (LONGEST_LINE + 1), "the line is too long", "at most 100,000 characters"),
    ],
)
def test_the_error_says_what_is_wrong_and_what_to_send(mind: Mind, broken: str, what: str, mend: str) -> None:
    (answer,) = answers(Talks(mind), broken)
    assert answer["error"]["what"] == what
    assert mend in answer["error"]["mend"]


def test_an_empty_text_is_a_message_and_not_an_error(mind: Mind) -> None:
    first, empty = answers(Talks(mind), line("soft flat needles"), line(""))
    assert empty["reply"]
    assert empty["ask"]["character"] == first["ask"]["character"]


def test_the_last_line_needs_no_line_end(mind: Mind) -> None:
    target = io.StringIO()
    converse_in_json(Talks(mind), io.StringIO(line("soft flat needles")), target)
    assert target.getvalue().endswith("\n")
    assert target.getvalue().count("\n") == 1


def test_a_reply_of_several_lines_is_one_line_of_json(mind: Mind) -> None:
    target = io.StringIO()
    converse_in_json(Talks(mind), io.StringIO(line("red berries, flat needles") + "\n"), target)
    assert "\n" in json.loads(target.getvalue())["reply"]
    assert target.getvalue().count("\n") == 1


@pytest.mark.parametrize(
    "text", ["blorf\ud83czork", "\udfff", "needle\ud800s soft", "naïve Épinette, 松 \U0001f332", "\u2028\u2029\x85"]
)
def test_half_letters_and_foreign_ones_never_break_the_stream(mind: Mind, text: str) -> None:
    for field in ("text", "conversation", "from", "place"):
        given = json.dumps({"text": "soft flat needles", field: text})
        before, answer, after = answers(Talks(mind), line("hello"), given, line("why"))
        assert before["reply"]
        assert answer.get("reply") or answer["error"]["mend"]
        assert after["reply"]


def test_many_conversations_interleave_and_each_goes_on_where_it_stood(mind: Mind) -> None:
    script = ("soft flat needles", "1", "MI", "why", "undo", "2")
    names = [f"trail {n}" for n in range(60)]
    alone = answers(Talks(mind), *(line(text) for text in script))
    together = answers(Talks(mind), *(line(text, conversation=name) for text in script for name in names))
    for n, name in enumerate(names):
        own = together[n :: len(names)]
        assert {answer["conversation"] for answer in own} == {name}
        assert [{**answer, "conversation": "main"} for answer in own] == alone


def test_each_from_is_one_reader_and_undo_is_its_own(mind: Mind) -> None:
    talks = Talks(mind)
    *_, last = answers(
        talks,
        line("soft needles", **{"from": "ana"}),
        line("smooth twig", **{"from": "ben"}),
        line("flat needles", **{"from": "ana"}),
        line("undo", **{"from": "ben"}),
    )
    claims = talks.conversations["main"].tree.claims
    assert {claim.reader for claim in claims} == {"ana"}
    assert len(claims) == 2
    assert last["tree"] == 1


def test_a_place_in_a_line_holds_from_there_on(mind: Mind) -> None:
    first, second = answers(Talks(mind), line("needles in fives", place="Marquette, MI"), line("soft"))
    assert (first["place"], second["place"]) == ("MI", "MI")
    (other,) = answers(Talks(mind, Place("ON")), line("needles in fives"))
    assert other["place"] == "ON"


def test_numbers_as_names_of_conversations_and_readers_are_taken(mind: Mind) -> None:
    (answer,) = answers(Talks(mind), '{"text": "soft needles", "conversation": 7, "from": 0}')
    assert answer["conversation"] == "7"
    assert answer["claims"][0]["reader"] in ("0", "finder")


def test_claims_name_their_reader_in_json(mind: Mind) -> None:
    (answer,) = answers(Talks(mind), line("soft flat needles", **{"from": "ana"}))
    assert {claim["reader"] for claim in answer["claims"]} == {"ana"}


def whole_line(pipe: int) -> bytes:
    """One line from a pipe; fails where its end does not come while the input is still open."""
    found = b""
    while not found.endswith(b"\n"):
        ready, _, _ = select.select([pipe], [], [], PATIENCE)
        assert ready, f"{len(found)} bytes came, and no end of the line"
        found += os.read(pipe, 65536)
    return found


def test_each_answer_is_flushed_before_the_next_line_is_read() -> None:
    command = [sys.executable, "-m", "chatkey.cli", "talk", "--json"]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for text in ("soft flat needles", "", "why"):
            process.stdin.write((line(text) + "\n").encode())
            process.stdin.flush()
            assert json.loads(whole_line(process.stdout.fileno()))["reply"]
        process.stdin.close()
        assert os.read(process.stdout.fileno(), 1) == b""
        assert process.wait(timeout=PATIENCE) == 0


def test_bytes_that_are_no_utf_8_give_a_line_and_the_next_is_read() -> None:
    command = [sys.executable, "-m", "chatkey.cli", "talk", "--json"]
    given = b'{"text": "soft \xff\xfe needles"}\n\x80\x81\n{"text": "why"}\n'
    done = subprocess.run(command, input=given, capture_output=True, timeout=PATIENCE, check=False)
    rows = [json.loads(row) for row in done.stdout.decode().splitlines()]
    assert [("reply" in row, "error" in row) for row in rows] == [(True, False), (False, True), (True, False)]
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_reader_that_goes_away_ends_the_talk_without_a_traceback() -> None:
    command = [sys.executable, "-m", "chatkey.cli", "talk", "--json"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        process.stdin.write((line("soft flat needles") + "\n").encode() * 5)
        process.stdin.close()
        assert process.wait(timeout=PATIENCE) == 0
        assert process.stderr.read() == b""
