"""The pages for people keep in step with the folder: paths, rooms, dependencies, the two commands."""

from __future__ import annotations

import os
import re
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOP = {
    *(".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md"),
    *("chatkey", "dialogs", "knowledge", "pyproject.toml", "tests"),
}
NO_ROOMS = {"bench", "conversations", "language", "published"}  # folders of tests that stand for no room
PATH = re.compile(r"\.?\w[\w.-]*(/[\w.-]+)+/?|\w[\w-]*/|[\w-]+\.(py|yaml|md|toml)")


def page(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def spans(name: str) -> list[str]:
    """What stands in single backticks on a page, outside of fenced blocks."""
    return re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", page(name), flags=re.DOTALL))


def paths(name: str) -> list[str]:
    """The paths among them: words with a slash, or with the ending of a file of ours."""
    return [word for span in spans(name) for word in span.split() if PATH.fullmatch(word)]


def commands() -> list[str]:
    """The commands of README.md, one a fenced block of shell."""
    return [block.strip() for block in re.findall(r"```sh\n(.*?)```", page("README.md"), re.DOTALL)]


def exists(path: str) -> bool:
    return (ROOT / path).exists() or ("/" not in path and any(ROOT.glob(f"*/**/{path}")))


@pytest.mark.parametrize("name", ["DEVELOPERS.md", "README.md"])
def test_every_path_in_backticks_exists(name: str) -> None:
    assert [path for path in paths(name) if not exists(path)] == []


def test_the_search_for_paths_finds_some_and_misses_a_wrong_one() -> None:
    found = paths("DEVELOPERS.md")
    assert {"dialogs/flow.yaml", "chatkey/terms.py", ".ci/run"} <= set(found)
    assert len(found) >= 30
    assert not exists("chatkey/nowhere.py")
    assert not exists("nowhere.yaml")


@pytest.mark.parametrize("name", ["DEVELOPERS.md", "README.md"])
def test_every_link_to_a_file_exists(name: str) -> None:
    links = [link for link in re.findall(r"\]\(([^)#]+)", page(name)) if "://" not in link]
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_the_map_names_every_room_and_every_module_beside_them() -> None:
    found = set(paths("DEVELOPERS.md"))
    rooms = [f"chatkey/{path.name}/" for path in (ROOT / "chatkey").iterdir() if (path / "__init__.py").exists()]
    modules = [f"chatkey/{path.name}" for path in (ROOT / "chatkey").glob("*.py") if path.name != "__init__.py"]
    assert [name for name in (*rooms, *modules) if name not in found] == []


def test_every_dependency_is_named_with_its_reason() -> None:
    project = tomllib.loads(page("pyproject.toml"))["project"]
    reasons = page("DEVELOPERS.md").lower()
    needed = [*project["dependencies"], *(one for extra in project["optional-dependencies"].values() for one in extra)]
    names = [re.split(r"[<>=\[; ]", one)[0].lower() for one in needed]
    assert [name for name in names if name.removeprefix("types-") not in reasons] == []
    assert len(names) >= 10


def test_the_readme_begins_with_the_job_and_has_two_commands_that_set_all_up() -> None:
    first, second = commands()[:2]
    for command in (first, second):
        assert command.count("\n") == 0
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
    assert first.endswith("&& .venv/bin/chatkey talk")
    assert "pytest" in second.split("&&")[-1]
    before = page("README.md").split("```")[0]
    assert len(before.split("\n\n")[1].split()) > 40  # a paragraph, not a line


def test_ci_runs_the_same_test_command_as_the_readme() -> None:
    def plain(text: str) -> str:
        return re.sub(r'"\$venv/bin/([\w-]+)"', r"\1", text).replace(".venv/bin/", "").strip()

    script = page(".ci/run")
    steps = [plain(line) for line in script.splitlines()]
    assert plain(commands()[1].split("&&")[-1]) in steps
    assert "set -euo pipefail" in script
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    assert not re.search(r"https?://|--index-url", script)


def test_ci_runs_format_lint_types_layers_and_the_proof_of_the_knowledge() -> None:
    script = page(".ci/run").replace('"', "")
    for step in ("ruff format --check", "ruff check", "/mypy", "lint-imports", "chatkey check"):
        assert step in script


def test_the_top_level_holds_only_what_was_agreed() -> None:
    ignored = [line.rstrip("/") for line in page(".gitignore").splitlines() if line and not line.startswith("#")]
    here = {path.name for path in ROOT.iterdir() if not any(fnmatch(path.name, pattern) for pattern in ignored)}
    assert here - {".git"} == TOP


def test_the_tests_mirror_the_rooms() -> None:
    rooms = {path.name for path in (ROOT / "chatkey").iterdir() if (path / "__init__.py").exists()}
    folders = {path.name for path in (ROOT / "tests").iterdir() if path.is_dir() and not path.name.startswith("__")}
    assert folders - NO_ROOMS <= rooms
    assert rooms <= folders


def test_the_folder_of_conversations_holds_twenty_in_prose() -> None:
    found = sorted((ROOT / "tests" / "conversations").glob("*.txt"))
    assert len(found) >= 20
    for path in found:
        title, *rest = path.read_text(encoding="utf-8").splitlines()
        assert title.startswith("# "), path.name
        assert any(line.startswith("> ") for line in rest), path.name
