"""`chatkey trial`: the same finders for the same seed, as JSON, as a table and as a page."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from commands import COMMAND, Run, one_line

from chatkey.cli import FINE, MISSING, WRONG_USE

TWO = ("trial", "--engines", "ours,random_order")
FEW = (*TWO, "--finders", "6")
FIGURES = {
    *("species", "top3", "genus", "questions", "calibration_error", "sure_share", "sure_right"),
    *("status_share", "status_right", "group", "said_share", "brier"),
}
FIELDS = {
    *("engines", "slip_auc", "bounds", "seed", "finders", "slips", "place", "facts", "cant_tell", "cones", "month"),
    *("channel", "unlisted"),
    *("careless", "wrong_place", "perturbed", "in_words", "taxa", "knowledge"),
}
VOID = {"meta"}


class Page(HTMLParser):
    """Tags of a page, which must be closed in the order in which they were opened."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.language: str | None = None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.ids += [value or "" for name, value in attrs if name == "id"]
        if tag == "html":
            self.language = dict(attrs)["lang"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def lacks(monkeypatch: pytest.MonkeyPatch, missing: str) -> None:
    """Makes a module, and what was imported from it before, one that is not installed."""
    parts = [name for name in sys.modules if name.startswith(f"{missing}.")]
    for name in (missing, *parts):
        monkeypatch.setitem(sys.modules, name, None)


def test_all_figures_come_as_json(run: Run) -> None:
    done = run(*FEW, "--json", "--seed", "3", "--workers", "1")
    assert (done.code, done.err) == (FINE, "")
    assert set(done.json) == FIELDS
    assert {name: set(found) for name, found in done.json["engines"].items()} == dict.fromkeys(
        ("ours", "random_order"), FIGURES
    )
    wanted = {"seed": 3, "finders": 6, "slips": 0.1, "place": "MI", "perturbed": True, "in_words": True}
    assert {name: done.json[name] for name in wanted} == wanted
    assert done.json["bounds"]["bits"] < done.json["bounds"]["questions"]
    assert done.json["engines"]["ours"]["questions"] < done.json["engines"]["random_order"]["questions"]
    assert "NaN" not in done.out
    assert "Infinity" not in done.out


def test_each_option_reaches_the_world(run: Run) -> None:
    given = {"slips": 0, "facts": 0, "cant_tell": 0.3, "cones": 1, "careless": 0, "wrong_place": 0.5}
    flags = [word for name, value in given.items() for word in (f"--{name.replace('_', '-')}", str(value))]
    done = run(*FEW, "--json", "--place", "none", "--unperturbed", "--plain-facts", *flags, "--workers", "1")
    assert (done.code, done.err) == (FINE, "")
    wanted = given | {"place": None, "perturbed": False, "in_words": False}
    assert {name: done.json[name] for name in wanted} == wanted
    assert done.json["engines"]["ours"]["status_share"] == 0
    assert done.json["engines"]["ours"]["status_right"] is None
    assert done.json["slip_auc"] is None
    assert run(*FEW, "--json", "--place", "on", "--workers", "1").json["place"] == "ON"


def test_text_messages_are_fewer_questions(run: Run) -> None:
    chat, sms = (run(*FEW, "--json", "--channel", channel, "--workers", "1").json for channel in ("chat", "sms"))
    assert (chat["channel"], sms["channel"]) == ("chat", "sms")
    assert sms["engines"]["ours"]["questions"] < chat["engines"]["ours"]["questions"]


def test_the_month_is_told_to_the_engines_and_has_to_be_one(run: Run) -> None:
    assert run(*FEW, "--json", "--month", "1", "--workers", "1").json["month"] == 1
    done = run(*FEW, "--month", "13")
    assert done.code == WRONG_USE
    assert "argument --month: '13' is no month; give a number from 1 to 12" in done.err


def test_plants_are_taken_out_of_the_knowledge_where_that_is_asked_for(run: Run) -> None:
    done = run(*FEW, "--unlisted", "1", "--workers", "1", "--plain-facts")
    assert (done.code, done.err) == (FINE, "")
    assert "Plants taken out of the knowledge, one at a time: 1. Of 20 talks about them" in " ".join(done.out.split())
    told = run(*FEW, "--unlisted", "1", "--workers", "1", "--plain-facts", "--json").json["unlisted"]
    assert (told["taxa"], told["talks"]) == (1, 20)


def test_a_fit_says_what_these_finders_would_ask_for_beside_what_is_in_use(run: Run) -> None:
    done = run("trial", "--fit", "--finders", "40")
    assert (done.code, done.err) == (FINE, "")
    assert re.match(r"sharpness: \d\.\d\d  # in use: \d\.\d\d\ndiscount:\n  other: \d\.\d  # in use: ", done.out)
    found = run("trial", "--fit", "--finders", "40", "--json").json
    assert set(found) == {"sharpness", "discount"}
    assert found["discount"]["other"] >= 0


def test_the_same_seed_gives_the_same_json_whatever_the_number_of_processes() -> None:
    out = []
    for workers, seed in (("1", "1"), ("2", "1"), ("1", "2")):
        more = ("--finders", "52", "--json", "--workers", workers, "--seed", seed)  # 52: two blocks
        done = subprocess.run([*COMMAND, *TWO, *more], capture_output=True, timeout=240, check=False, text=True)
        assert (done.returncode, done.stderr) == (FINE, "")
        out.append(done.stdout)
    assert out[0] == out[1]
    assert json.loads(out[0])["engines"] != json.loads(out[2])["engines"]


def test_the_table_has_a_row_for_each_engine_and_the_bounds_below(run: Run) -> None:
    done = run(*FEW, "--workers", "1")
    assert (done.code, done.err) == (FINE, "")
    head, ours, random_order, *rest = done.out.splitlines()
    assert head.split()[:3] == ["engine", "species", "top"]
    assert re.match(r"ours +\d+\.\d% ", ours)
    assert re.match(r"random order +\d+\.\d% ", random_order)
    assert "yes-or-no questions" in " ".join(rest)
    assert re.search(r"Most often taken for another, by ours:\n  \S.*, named \S.*: \d\n", done.out)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--slips", "1.5"), "argument --slips: '1.5' is no share; give a number from 0 to 1"),
        (("--cant-tell", "nan"), "argument --cant-tell: 'nan' is no share; give a number from 0 to 1"),
        (("--cones", "half"), "argument --cones: 'half' is no share; give a number from 0 to 1"),
        (("--finders", "0"), "argument --finders: '0' does not count; give a whole number from 1 on"),
        (("--workers", "²"), "argument --workers: '²' does not count; give a whole number from 1 on"),
        (("--seed", "-1"), "argument --seed: '-1' does not count; give a whole number from 0 on"),
        (("--place", "ZZ"), "--place 'ZZ': is not known; give the code of a state or province"),
        (("--engines", "ours,oracle"), "--engines 'oracle': is not known; take from: ours, "),
        (("--page", "nowhere/page.html"), "--page nowhere/page.html: can't be written; name a file in a folder"),
    ],
)
def test_a_bad_value_is_one_line_with_the_mend(run: Run, arguments: tuple[str, ...], told: str) -> None:
    done = run("trial", *arguments)
    assert (done.code, done.out) == (WRONG_USE, "")
    assert told in one_line(done.err)


def test_the_page_stands_alone(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    done = run(*FEW, "--page", str(file), "--workers", "1")
    assert (done.code, done.err) == (FINE, "")
    text = file.read_text(encoding="utf-8")
    found = Page(text)
    assert found.open == []
    assert found.language == "en"
    assert [found.tags.count(tag) for tag in ("svg", "figcaption", "table")] == [4, 4, 1]
    assert found.tags.count("title") == 5  # the page's, and one for each picture
    assert len(found.ids) == len(set(found.ids))
    inside = re.findall(r"(?:url\(|href=\")#([\w-]+)", text)
    assert inside
    assert set(inside) <= set(found.ids)
    assert not re.search(r"https?:|//\w|@import|<script|<link|\bsrc=", text)


@pytest.mark.parametrize(
    ("missing", "arguments"), [("sklearn", ("--engines", "tree")), ("matplotlib", (*FEW[1:], "--page", "page.html"))]
)
def test_without_what_the_extra_brings_it_says_how_to_get_it(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, missing: str, arguments: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    lacks(monkeypatch, missing)
    done = run("trial", *arguments)
    assert (done.code, done.out) == (MISSING, "")
    assert one_line(done.err) == f"chatkey: {missing} is not installed; run `pip install 'chatkey[trial]'`\n"


def test_without_scikit_learn_all_engines_are_those_that_need_no_training(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    lacks(monkeypatch, "sklearn")
    done = run("trial", "--finders", "1", "--json", "--workers", "1")
    assert done.code == FINE
    assert {"ours", "key", "random_order"} <= set(done.json["engines"])
    assert not {"tree", "bayes"} & set(done.json["engines"])
    assert "without tree and bayes: sklearn is not installed; run `pip" in one_line(done.err)
