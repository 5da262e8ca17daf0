"""`chatkey learn`: verdicts of a file or a store, a diff, its effect, and nothing written without a word."""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from commands import Run, one_line
from databases import KEY, fresh_store

from chatkey.cli import FAULTY_KNOWLEDGE, FINE, MISSING, WRONG_USE
from chatkey.data import shipped
from chatkey.dialog import Mind
from chatkey.dialog.conversation import Conversation, Tree, to_json
from chatkey.knowledge import load_knowledge
from chatkey.service.thinking import tree_record
from chatkey.store import Store, queue
from chatkey.store.inbox import next_work, receive
from chatkey.store.messages import Inbound, Letter, Thought
from chatkey.store.turns import finish
from chatkey.terms import Claim

NOW = 1_790_000_000.0
SOFT = {"character": "leaf_stiffness", "states": ["soft"], "text": "Kind of  soft"}
SPRUCE = {"taxon": "Picea glauca", "claims": [SOFT]}  # which is stiff
QUICK = ("--finders", "0")


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """A folder of knowledge of one's own."""
    return Path(shutil.copytree(shipped("knowledge"), tmp_path / "mine"))


@pytest.fixture
def lines(tmp_path: Path) -> Callable[..., str]:
    """Writes a file of verdicts and returns its path."""

    def write(*verdicts: object) -> str:
        path = tmp_path / "verdicts.jsonl"
        rows = [one if isinstance(one, str) else json.dumps(one) for one in verdicts]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return str(path)

    return write


def bytes_of(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_the_diff_is_shown_and_nothing_is_written(run: Run, mine: Path, lines: Callable[..., str]) -> None:
    before = bytes_of(mine)
    done = run("--knowledge", str(mine), "learn", "--verdicts", lines(*[SPRUCE] * 12), *QUICK)
    assert (done.code, done.err) == (FINE, "")
    assert done.out.startswith("12 verdicts name a plant.\n--- ")
    assert "\n-from: 0\n" in done.out
    assert "\n+from: 12\n" in done.out
    assert "\n+  leaf_stiffness: {rate: 0." in done.out
    assert '\n+  "kind of soft": {reliability: 0.' in done.out
    assert done.out.endswith("Nothing was written. If you agree, run it again with --write.\n")
    assert bytes_of(mine) == before


def test_with_write_the_same_is_written_and_the_next_run_changes_nothing(
    run: Run, mine: Path, lines: Callable[..., str]
) -> None:
    before, file = bytes_of(mine), lines(*[SPRUCE] * 12)
    asked = run("--knowledge", str(mine), "learn", "--verdicts", file, *QUICK)
    done = run("--knowledge", str(mine), "learn", "--verdicts", file, "--write", *QUICK)
    assert done.code == FINE
    assert done.out.splitlines()[:-1] == asked.out.splitlines()[:-1]
    assert done.out.endswith(f"Written to {mine / 'learned.yaml'}. Start `chatkey serve` anew, so that it reads it.\n")
    after = bytes_of(mine)
    assert [path for path in after if after[path] != before.get(path)] == [mine / "learned.yaml"]
    learned = load_knowledge(mine).learned
    assert learned.verdicts == 12
    assert learned.errors["leaf_stiffness"].wrong == 12
    assert run("--knowledge", str(mine), "check").code == FINE
    again = run("--knowledge", str(mine), "learn", "--verdicts", file, "--write", *QUICK)
    assert again.out == "12 verdicts name a plant.\nNothing would change.\n"


def test_all_fields_come_as_json_with_the_effect_on_simulated_finders(
    run: Run, mine: Path, lines: Callable[..., str]
) -> None:
    file = lines(*[SPRUCE] * 12)
    view = run("--knowledge", str(mine), "learn", "--verdicts", file, "--json", "--finders", "3").json
    assert set(view) == {"verdicts", "file", "diff", "effect", "written"}
    assert (view["verdicts"], view["file"], view["written"]) == (12, str(mine / "learned.yaml"), False)
    assert {"species", "questions", "calibration_error"} <= set(view["effect"])
    for before, after in view["effect"].values():
        assert before == before >= 0 <= after == after  # numbers, never NaN
    shown = run("--knowledge", str(mine), "learn", "--verdicts", file, "--finders", "3").out
    assert "Simulated finders, before and after:\n  species right: " in shown


def test_an_empty_file_teaches_nothing(run: Run, mine: Path, lines: Callable[..., str]) -> None:
    done = run("--knowledge", str(mine), "learn", "--verdicts", lines("", "  "), "--write")
    assert done.out == "0 verdicts name a plant.\nNothing would change.\n"


@pytest.mark.parametrize(
    ("line", "what", "mend"),
    [
        ("{", "is not JSON", "write one object a line"),
        ("[" * 100_000, "is not JSON", "write one object a line"),
        ("[]", "is not a taxon with its claims", 'write {"taxon"'),
        ({"taxon": "picea_glauca"}, "is not a taxon with its claims", 'write {"taxon"'),
        ({"taxon": "picea_glauca", "claims": {}}, "claims is no list", "write [{"),
        ({"taxon": "picea_glauka", "claims": []}, "plant 'picea_glauka' is not known", "did you mean 'picea_glauca'?"),
        ({"taxon": "zzz", "claims": []}, "plant 'zzz' is not known", "look with `chatkey about`"),
        ({**SPRUCE, "claims": [7]}, "a claim lacks its character", "use character"),
        ({**SPRUCE, "claims": [{"states": ["soft"]}]}, "a claim lacks its character", "use character"),
        ({**SPRUCE, "claims": [{**SOFT, "state": "soft"}]}, "a claim has state, unknown here", "use character"),
        ({**SPRUCE, "claims": [{**SOFT, "character": "leaf_stifness"}]}, "character 'leaf_stifness'", "did you mean"),
        ({**SPRUCE, "claims": [{**SOFT, "states": ["mushy"]}]}, "leaf_stiffness has no state 'mushy", "use soft, firm"),
        ({**SPRUCE, "claims": [{**SOFT, "states": "soft"}]}, "leaf_stiffness has no list of states", "use soft"),
        ({**SPRUCE, "claims": [{**SOFT, "states": []}]}, "leaf_stiffness has no list of states", "use soft"),
        ({**SPRUCE, "claims": [{**SOFT, "text": 7}]}, "text is '7'", "put it in quotes"),
        ({**SPRUCE, "claims": [{**SOFT, "negated": "no"}]}, "negated is 'no'", "write true or false"),
    ],
)  # fmt: skip
def test_a_faulty_line_is_named_with_its_number(
    run: Run, lines: Callable[..., str], line: object, what: str, mend: str
) -> None:
    file = lines(SPRUCE, "", line)
    done = run("learn", "--verdicts", file, *QUICK)
    assert (done.code, done.out) == (WRONG_USE, "")
    assert f"{file}:3: {what}" in one_line(done.err)
    assert mend in done.err


def test_claims_as_the_talk_prints_them_are_read(run: Run, lines: Callable[..., str]) -> None:
    """With lengths, denials, places in the text; a later word on a character takes the place of an earlier one."""
    length = {"character": "needle_length", "low": 10.0, "high": 15.0, "unit": "mm", "measured_by": "eye"}
    rest = {"negated": False, "hedged": False, "reader": "finder", "text": "", "span": [0, 4]}
    stiff = {**SOFT, "states": ["stiff"], **rest}
    verdict = {"taxon": "picea_glauca", "claims": [{**length, **rest}, {**SOFT, **rest, "hedged": True}, stiff]}
    (row,) = [
        line for line in run("learn", "--verdicts", lines(*[verdict] * 20), *QUICK).out.splitlines() if "{rate" in line
    ]
    assert row.startswith("+  leaf_stiffness: ")
    assert row.endswith(", wrong: 0, right: 20}")


def test_a_file_that_is_missing_or_no_text_is_told_in_a_line(run: Run, tmp_path: Path) -> None:
    done = run("learn", "--verdicts", str(tmp_path / "none.jsonl"))
    assert done.code == MISSING
    assert "none.jsonl: No such file" in one_line(done.err)
    (tmp_path / "bytes.jsonl").write_bytes(b"\xff\xfe")
    done = run("learn", "--verdicts", str(tmp_path / "bytes.jsonl"))
    assert "bytes.jsonl: is not UTF-8; save the file as UTF-8" in one_line(done.err)


def test_a_folder_that_can_not_be_written_is_told_and_stays(
    run: Run, mine: Path, lines: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*given: object, **named: object) -> None:
        raise PermissionError(13, "Permission denied")

    before = bytes_of(mine)
    monkeypatch.setattr("tempfile.mkstemp", refuse)  # the tests may run as one who may write anywhere
    done = run("--knowledge", str(mine), "learn", "--verdicts", lines(*[SPRUCE] * 12), "--write", *QUICK)
    assert done.code == MISSING
    assert "learned.yaml: can't be written (Permission denied); copy the folder to one of your own" in one_line(
        done.err
    )
    assert bytes_of(mine) == before


def test_faulty_knowledge_is_told_before_anything_is_learned(run: Run, mine: Path, lines: Callable[..., str]) -> None:
    (mine / "learned.yaml").write_text("date: never\nfrom: 0\nerrors: {}\nphrases: {}\n", encoding="utf-8")
    done = run("--knowledge", str(mine), "learn", "--verdicts", lines(SPRUCE), "--write", *QUICK)
    assert done.code == FAULTY_KNOWLEDGE
    assert "learned.yaml:1:7: 'never' is no date" in one_line(done.err)


@pytest.fixture
def larkwater(tmp_path: Path, mine: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The Larkwater Stewards' folder, whose settings name their own knowledge."""
    folder = tmp_path / "larkwater"
    folder.mkdir()
    (folder / "chatkey.key").write_text(base64.b64encode(KEY).decode(), encoding="ascii")
    (folder / "chatkey.toml").write_text(
        f'group = "the Larkwater Stewards"\nstore = "chatkey.db"\nkey_file = "chatkey.key"\nplace = "MI"\n'
        f'knowledge = "{mine}"\n[sms]\nnumber = "12345"\nuser = "u"\npassword = "p"\n'
        'push_url = "http://127.0.0.1:9/send"\n',
        encoding="utf-8",
    )
    monkeypatch.chdir(folder)
    return folder


def judge(store: Store, mind: Mind, n: int, kind: str, taxon: str) -> int:
    """One finder's soft tree, handed over and judged. Returns its conversation."""
    claim = Claim("leaf_stiffness", ("soft",), message="1", sequence=1, text="soft as wool")
    talk = Conversation(id="1", trees=(Tree(1, claims=(claim,)),))
    record = tree_record(mind, talk, 1, NOW)
    assert record is not None
    assert all("text" not in one for one in record.claims)
    receive(store, Inbound("sms", str(n), f"+1906555{n:04}", "soft as wool"), NOW)
    (work,) = next_work(store, (), 9)
    state = json.dumps(to_json(talk))
    handed = ((1, "asked", ""),)
    assert finish(store, work, [Thought(work.messages[0].id, state, None, record=record, handed=handed)], NOW)
    (given,) = queue.waiting(store)
    verdict = {"kind": kind, "taxon": taxon, "rank": "species"}
    assert queue.answer(store, given, letter=Letter("Thanks."), state=state, tree=record, verdict=verdict, now=NOW)
    return work.conversation


def test_the_verdicts_of_a_store_are_learned_into_the_folder_of_the_settings(
    run: Run, mind: Mind, larkwater: Path, mine: Path
) -> None:
    with fresh_store("sqlite", larkwater) as store:
        for n in range(12):
            judge(store, mind, n, "other", "picea_glauca")
        judge(store, mind, 12, "unknowable", "")
        judge(store, mind, 13, "none", "")
    before = bytes_of(mine)
    done = run("learn", *QUICK)
    assert (done.code, done.err) == (FINE, "")
    assert done.out.startswith("12 verdicts name a plant.\n")
    assert '"soft as wool": {reliability: 0.' in done.out
    assert "wrong: 12, right: 0}" in done.out
    assert bytes_of(mine) == before
    assert run("learn", "--settings", str(larkwater / "chatkey.toml"), "--write", *QUICK).code == FINE
    assert load_knowledge(mine).learned.errors["leaf_stiffness"].wrong == 12
    assert set(bytes_of(mine)) == set(before)


def test_a_store_that_is_not_there_is_told_in_a_line_and_none_is_made(run: Run, larkwater: Path) -> None:
    done = run("learn", *QUICK)
    assert (done.code, done.out) == (MISSING, "")
    assert "is not there" in one_line(done.err)
    assert not (larkwater / "chatkey.db").exists()


def test_help_names_what_it_takes(run: Run) -> None:
    done = run("learn", "--help")
    assert done.code == FINE
    for option in ("--verdicts", "--settings", "--write", "--json", "--finders"):
        assert option in done.out
