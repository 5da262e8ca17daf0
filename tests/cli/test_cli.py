"""The command line: exit codes, one line and the mend on standard error, and the fields that programs read."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
from pathlib import Path

import pytest
from commands import COMMAND, Run, one_line

from chatkey.cli import FAULTY_KNOWLEDGE, FINE, NOT_FOUND, WRONG_USE
from chatkey.data import shipped

IDENTIFY_FIELDS = {
    *("place", "language", "intent", "intents", "claims", "not_understood", "candidates", "something_else"),
    *("answer", "status", "status_level", "native", "listed", "ask", "cautions", "reply"),
}
ABOUT_FIELDS = {
    *("taxon", "status", "status_level", "listed", "planting", "alternatives", "cautions", "look_alikes", "sources"),
}


@pytest.fixture
def faulty(tmp_path: Path) -> Path:
    """The shipped knowledge with one misspelt state."""
    folder = tmp_path / "knowledge"
    shutil.copytree(shipped("knowledge"), folder)
    path = folder / "taxa" / "hemlocks.yaml"
    text = path.read_text(encoding="utf-8")
    assert "leaf_kind: {needle: " in text
    path.write_text(text.replace("leaf_kind: {needle: ", "leaf_kind: {nedle: ", 1), encoding="utf-8")
    return folder


@pytest.fixture
def faulty_dialogs(tmp_path: Path) -> Path:
    """The shipped dialogs with one line that names an unknown field."""
    folder = tmp_path / "dialogs"
    shutil.copytree(shipped("dialogs"), folder)
    path = folder / "en" / "answers.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("{facts}", "{fakts}", 1), encoding="utf-8")
    return folder


def test_identify_says_what_it_took_in_and_asks_on(run: Run) -> None:
    done = run("identify", "--place", "MI", "soft flat needles, two white lines under")
    assert (done.code, done.err) == (FINE, "")
    assert "soft" in done.out
    assert "Michigan" not in done.err
    assert "?" in done.out


def test_identify_in_json_has_all_its_fields(run: Run) -> None:
    done = run("identify", "--place", "Marquette, MI", "--json", "soft needles, not sharp, about 3 in, in fives")
    view = done.json
    assert (done.code, done.err) == (FINE, "")
    assert set(view) >= IDENTIFY_FIELDS
    assert (view["place"], view["language"], view["intent"]) == ("MI", "en", "describe")
    assert sum(row["probability"] for row in view["candidates"]) + view["something_else"] == pytest.approx(1, abs=1e-4)
    length = next(claim for claim in view["claims"] if claim["character"] == "needle_length")
    assert (length["low"], length["high"]) == pytest.approx((76.2, 76.2), abs=0.05)  # 3 inches
    assert length["unit"] == "mm"
    assert any(claim["negated"] for claim in view["claims"])
    assert view["candidates"][0]["taxon"] == "Pinus strobus"


def test_identify_takes_any_text_and_an_empty_one(run: Run) -> None:
    for text in ("", "🌲🌲", "x" * 10_000, "\ud83c", "--", "сосна"):
        done = run("identify", "--", text)
        assert (done.code, done.err) == (FINE, ""), text
        assert done.out.strip()


@pytest.mark.parametrize("name", ["Tsuga canadensis", "tsuga CANADENSIS", "eastern hemlock", "tsuga_canadensis"])
def test_about_finds_a_plant_by_any_of_its_names(run: Run, name: str) -> None:
    done = run("about", name, "--place", "MI", "--json")
    assert done.code == FINE
    assert set(done.json) >= ABOUT_FIELDS
    assert (done.json["taxon"], done.json["status"], done.json["status_level"]) == (
        "Tsuga canadensis",
        "native",
        "province",
    )
    assert done.json["sources"]
    assert all(source["cite"] for source in done.json["sources"])


def test_about_an_introduced_tree_names_natives_with_a_reason(run: Run) -> None:
    view = run("about", "Norway spruce", "--place", "MI", "--json").json
    assert view["status"] == "introduced"
    assert view["alternatives"]
    assert all(set(row) == {"taxon", "common_name", "reason"} and row["reason"] for row in view["alternatives"])


def test_about_yew_carries_the_caution(run: Run) -> None:
    view = run("about", "Taxus canadensis", "--place", "MI", "--json").json
    assert "yew" in [caution["id"] for caution in view["cautions"]]
    assert all("{" not in caution["text"] for caution in view["cautions"])


def test_about_on_a_page_names_status_and_sources(run: Run) -> None:
    done = run("about", "white pine", "--place", "ON")
    assert done.code == FINE
    assert "In Ontario: native (county not checked)." in done.out
    assert "Sources:" in done.out


def test_check_counts_and_proves_what_is_shipped(run: Run) -> None:
    done = run("check", "--json")
    assert (done.code, done.err) == (FINE, "")
    assert set(done.json) == {"errors", "warnings", "counts"}
    assert done.json["errors"] == []
    assert all(set(row) == {"where", "what", "mend"} for row in done.json["warnings"])
    assert done.json["counts"]["errors"] == 0
    assert done.json["counts"]["hypotheses"] >= 45
    assert done.json["counts"]["characters"] >= 25


def test_talk_holds_a_piped_conversation(run: Run) -> None:
    done = run("talk", "--place", "MI", given="soft flat needles\nwhy\n")
    assert (done.code, done.err) == (FINE, "")
    assert done.out.count("\n\n") == 2


def test_talk_in_json_gives_a_line_for_a_line(run: Run) -> None:
    done = run("talk", "--json", "--place", "ON", given='{"text": "soft flat needles"}\n\n{"text": "why"}\n')
    rows = [json.loads(line) for line in done.out.splitlines()]
    assert (done.code, done.err) == (FINE, "")
    assert [row.get("place") for row in rows] == ["ON", None, "ON"]
    assert set(rows[0]) >= IDENTIFY_FIELDS | {"conversation", "tree", "state", "done"}
    assert set(rows[1]) == {"error"}


@pytest.mark.parametrize("command", [("identify", "soft"), ("about", "yew"), ("talk",), ("talk", "--json")])
def test_a_place_nobody_knows_is_wrong_use_and_says_what_a_place_looks_like(run: Run, command: tuple[str, ...]) -> None:
    done = run(*command, "--place", "Larkwater Crossing")
    assert (done.code, done.out) == (WRONG_USE, "")
    assert one_line(done.err).startswith("chatkey: place 'Larkwater Crossing'")
    assert "a state or province" in done.err


def test_a_plant_nobody_knows_is_not_found(run: Run) -> None:
    done = run("about", "Larkwater fir tree of the moon", "--json")
    assert (done.code, done.out) == (NOT_FOUND, "")
    assert "is not known; try its common or scientific name" in one_line(done.err)


@pytest.mark.parametrize(
    "arguments",
    [
        ("frobnicate",),
        ("identify",),
        ("about",),
        ("identify", "soft", "flat"),
        ("identify", "--colour", "soft"),
        ("talk", "--place"),
        ("--knowledge",),
    ],
)
def test_wrong_use_is_one_line_with_the_way_to_help(run: Run, arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert (done.code, done.out) == (WRONG_USE, "")
    assert "--help`" in one_line(done.err)


def test_no_command_at_all_shows_the_commands_and_is_wrong_use(run: Run) -> None:
    done = run()
    assert done.code == WRONG_USE
    for name in ("talk", "identify", "about", "check"):
        assert name in done.out + done.err


def test_help_and_version_are_no_errors(run: Run) -> None:
    assert run("--help").code == FINE
    assert run("identify", "--help").code == FINE
    assert re.fullmatch(r"chatkey \d+\.\d+\.\d+\n", run("--version").out)


def test_check_names_every_fault_of_a_faulty_knowledge_and_gives_1(run: Run, faulty: Path) -> None:
    done = run("--knowledge", str(faulty), "check", "--json")
    assert done.code == FAULTY_KNOWLEDGE
    (row,) = done.json["errors"]
    assert re.fullmatch(r"knowledge/taxa/hemlocks\.yaml:\d+:\d+", row["where"])
    assert "'nedle'" in row["what"]
    assert row["mend"] == "did you mean 'needle'?"
    text = run("--knowledge", str(faulty), "check")
    assert text.code == FAULTY_KNOWLEDGE
    assert text.out.startswith(f"error: {row['where']}: {row['what']}; {row['mend']}\n")


@pytest.mark.parametrize("command", [("identify", "soft"), ("about", "yew"), ("talk",), ("talk", "--json")])
def test_a_faulty_knowledge_stops_every_command_with_one_line(run: Run, faulty: Path, command: tuple[str, ...]) -> None:
    done = run("--knowledge", str(faulty), *command, given='{"text": "soft"}\n')
    assert (done.code, done.out) == (FAULTY_KNOWLEDGE, "")
    assert "knowledge/taxa/hemlocks.yaml:" in one_line(done.err)
    assert "did you mean 'needle'?" in done.err


def test_a_dialog_line_with_an_unknown_field_gives_1_and_its_place(run: Run, faulty_dialogs: Path) -> None:
    done = run("--dialogs", str(faulty_dialogs), "check", "--json")
    assert done.code == FAULTY_KNOWLEDGE
    row = done.json["errors"][0]
    assert re.fullmatch(r"dialogs/en/answers\.yaml:\d+:\d+", row["where"])
    assert (row["what"], row["mend"]) == ("the field 'fakts' is not known in 'took_in'", "did you mean 'facts'?")
    assert run("--dialogs", str(faulty_dialogs), "identify", "soft").code == FAULTY_KNOWLEDGE


@pytest.mark.parametrize("option", ["--knowledge", "--dialogs"])
@pytest.mark.parametrize("command", [("check",), ("identify", "soft")])
def test_a_folder_that_is_not_there_or_empty_or_a_file_gives_1_and_one_line(
    run: Run, tmp_path: Path, option: str, command: tuple[str, ...]
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    for name in ("nowhere", "empty", "file"):
        done = run(option, str(tmp_path / name), *command)
        assert done.code == FAULTY_KNOWLEDGE, name
        if command[0] != "check":
            one_line(done.err)


def test_options_of_folders_may_name_the_shipped_ones(run: Run) -> None:
    done = run("--knowledge", str(shipped("knowledge")), "--dialogs", str(shipped("dialogs")), "identify", "soft")
    assert (done.code, done.err) == (FINE, "")


def test_a_real_process_gives_the_same_codes_and_no_traceback(faulty: Path) -> None:
    wanted = {
        ("identify", "soft flat needles"): FINE,
        ("--knowledge", str(faulty), "check"): FAULTY_KNOWLEDGE,
        ("about", "yew", "--place", "Larkwater Crossing"): WRONG_USE,
        ("about", "zzkt wompf"): NOT_FOUND,
    }
    for arguments, code in wanted.items():
        done = subprocess.run([*COMMAND, *arguments], capture_output=True, timeout=60, check=False)
        assert done.returncode == code, arguments
        assert b"Traceback" not in done.stderr


def test_bytes_of_the_shell_that_are_no_utf_8_are_read() -> None:
    done = subprocess.run(
        [*COMMAND, "identify", b"soft \xff\xfe needles"], capture_output=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr) == (FINE, b"")
    done = subprocess.run([*COMMAND, "about", b"\xff\xfe", "--json"], capture_output=True, timeout=60, check=False)
    assert done.returncode == NOT_FOUND
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("mode", [(), ("--json",)])
def test_an_interrupt_in_a_piped_talk_leaves_with_0_and_no_traceback(mode: tuple[str, ...]) -> None:
    given = b'{"text": "hello"}\n'
    process = subprocess.Popen(
        [*COMMAND, "talk", *mode], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    with process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(given)
        process.stdin.flush()
        assert process.stdout.readline()
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) == FINE
        assert b"Traceback" not in process.stderr.read()


def test_an_output_that_knows_only_plain_letters_breaks_nothing(tmp_path: Path) -> None:
    for arguments, given in (
        (("talk", "--json"), b"{}\n"),
        (("about", "dawn redwood"), b""),
        (("talk",), b"hola \xc3\xa9\n"),
    ):
        done = subprocess.run(
            [*COMMAND, *arguments],
            input=given,
            capture_output=True,
            timeout=60,
            check=False,
            env={"PYTHONIOENCODING": "ascii", "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
        )
        assert b"Traceback" not in done.stderr, arguments
        assert done.returncode == FINE
        assert done.stdout
