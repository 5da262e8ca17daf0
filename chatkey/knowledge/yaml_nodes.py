"""YAML as typed reads over composed nodes: every error knows file:line:column, and the schema decides the type."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from math import isfinite
from pathlib import Path
from typing import ParamSpec, TypeVar

import yaml

from chatkey.terms import ChatkeyError

LOADER = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
LARGEST_BYTES = 2_000_000
DEEPEST = 30
PLAIN_TAGS = {f"tag:yaml.org,2002:{name}" for name in ("str", "seq", "map")}
T = TypeVar("T")
D = TypeVar("D")
P = ParamSpec("P")


class KnowledgeError(ChatkeyError):
    """A fault in a file of knowledge or dialogs."""


@dataclass(slots=True)
class Problems:
    """The faults found so far; reading goes on after each."""

    errors: list[KnowledgeError] = field(default_factory=list)
    warnings: list[KnowledgeError] = field(default_factory=list)

    def add(self, error: KnowledgeError) -> None:
        """One fault more; the same fault at the same place is kept once."""
        if error.args not in [known.args for known in self.errors]:
            self.errors.append(error)

    def attempt(self, default: D, read: Callable[P, T], *args: P.args, **named: P.kwargs) -> T | D:
        """What `read` returns for these arguments; after a fault the default, with the fault kept."""
        try:
            return read(*args, **named)
        except KnowledgeError as error:
            self.add(error)
            return default


@dataclass(frozen=True, slots=True)
class Entry:
    """One node of one file."""

    node: yaml.Node
    file: str

    @property
    def is_text(self) -> bool:
        return isinstance(self.node, yaml.ScalarNode)

    @property
    def is_list(self) -> bool:
        return isinstance(self.node, yaml.SequenceNode)

    @property
    def where(self) -> str:
        mark = self.node.start_mark
        return f"{self.file}:{mark.line + 1}:{mark.column + 1}"

    def error(self, what: str, mend: str) -> KnowledgeError:
        return KnowledgeError(self.where, what, mend)

    def pairs(self, allowed: Collection[str] | None = None, required: Iterable[str] = ()) -> dict[str, Entry]:
        """The pairs of a mapping. A key given twice, an unknown one or a missing one is an error."""
        if not isinstance(self.node, yaml.MappingNode):
            raise self.error(f"{self._shown()} stands where a mapping is wanted", "write it as `key: value` lines")
        found: dict[str, Entry] = {}
        for key, value in self.node.value:
            name = Entry(key, self.file).text()
            if name in found:
                raise Entry(key, self.file).error(f"{name!r} is given twice", "keep one of them")
            if allowed is not None and name not in allowed:
                raise Entry(key, self.file).error(f"{name!r} is not known here", nearest(name, allowed))
            found[name] = Entry(value, self.file)
        for name in required:
            if name not in found:
                raise self.error(f"{name!r} is missing", f"add a line `{name}: …`")
        return found

    def items(self) -> list[Entry]:
        """The members of a list; a single word counts as a list of one nowhere, so that a forgotten bracket is seen."""
        if not isinstance(self.node, yaml.SequenceNode):
            raise self.error(f"{self._shown()} stands where a list is wanted", "write it as [one, two]")
        return [Entry(node, self.file) for node in self.node.value]

    def text(self) -> str:
        if not isinstance(self.node, yaml.ScalarNode):
            raise self.error(
                "a list or mapping stands where one text is wanted", "write one text, in quotes if need be"
            )
        value = str(self.node.value).strip()
        if not value:
            raise self.error("the text is empty", "write it, or leave the key out")
        if not self.node.style and self.node.end_mark.line > self.node.start_mark.line:
            raise self.error(f"{_cut(value)} runs over two lines", "put dashes before list items, or quote the text")
        return value

    def texts(self) -> tuple[str, ...]:
        return tuple(item.text() for item in self.items())

    def number(self, *, low: float = float("-inf"), high: float = float("inf")) -> float:
        value = self.text()
        try:
            number = float(value)
        except ValueError:
            raise self.error(f"{_cut(value)} is not a number", "write digits, as in 12 or 0.5") from None
        if not isfinite(number):
            raise self.error(f"{_cut(value)} is no finite number", "write digits, as in 12 or 0.5")
        if not low <= number <= high:
            raise self.error(f"{value} lies outside {low:g} to {high:g}", "write a number within")
        return number

    def whole(self, *, low: int, high: int) -> int:
        number = self.number(low=low, high=high)
        if number != int(number):
            raise self.error(f"{number:g} is no whole number", "write a whole one")
        return int(number)

    def numbers(self, count: int) -> tuple[float, ...]:
        items = self.items()
        if len(items) != count:
            raise self.error(f"{len(items)} numbers stand where {count} are wanted", f"write {count} numbers")
        return tuple(item.number() for item in items)

    def one_of(self, allowed: Collection[str]) -> str:
        value = self.text()
        if value not in allowed:
            raise self.error(f"{_cut(value)} is not known here", nearest(value, allowed))
        return value

    def truth(self) -> bool:
        return self.one_of(("true", "false")) == "true"

    def _shown(self) -> str:
        if isinstance(self.node, yaml.ScalarNode):
            return _cut(self.node.value) if self.node.value else "nothing"
        return "a list" if isinstance(self.node, yaml.SequenceNode) else "a mapping"


def read_file(path: Path, root: Path) -> Entry:
    """The top node of a file, named relative to the folder that holds `root`. Raises KnowledgeError."""
    name = path.relative_to(root.parent).as_posix() if root.parent in path.parents else path.as_posix()
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise KnowledgeError(name, f"cannot be read ({error.strerror})", "check that the file is there") from None
    if len(raw) > LARGEST_BYTES:
        raise KnowledgeError(name, f"is {len(raw):,} bytes long", f"split it: {LARGEST_BYTES:,} is the most")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise KnowledgeError(f"{name}:{line}:1", "is not UTF-8", "save the file as UTF-8") from None
    try:
        node = yaml.compose(text, Loader=LOADER)
        if node is not None:
            _refuse_tricks(node, name)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = f"{name}:{mark.line + 1}:{mark.column + 1}" if mark else name
        raise KnowledgeError(where, f"is not YAML ({error.problem})", "check indents, colons and quotes") from None
    except yaml.reader.ReaderError as error:
        line = _line_of(text, raw, error.position)
        raise KnowledgeError(f"{name}:{line}:1", "holds a control character", "take it out") from None
    except (RecursionError, ValueError):
        raise KnowledgeError(name, "is nested too deep", "write it flatter") from None
    if node is None:
        raise KnowledgeError(f"{name}:1:1", "is empty", "fill it or take the file away")
    return Entry(node, name)


def nearest(value: str, allowed: Collection[str]) -> str:
    """The mend for an unknown word: the nearest known one, or the words allowed here."""
    close = get_close_matches(value, list(allowed), n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    shown = sorted(allowed)[:12]
    more = "" if len(allowed) <= len(shown) else f" … ({len(allowed)} in all)"
    return f"use one of: {', '.join(shown)}{more}"


def _line_of(text: str, raw: bytes, position: int) -> int:
    """The line of a position that libyaml counts in bytes and PyYAML in characters."""
    before = raw[:position].decode("utf-8", "ignore") if LOADER.__name__.startswith("C") else text[:position]
    return before.count("\n") + 1


def _refuse_tricks(top: yaml.Node, file: str) -> None:
    """No alias (a node met twice), no tag, no merge, nothing too deep."""
    seen: set[int] = set()
    waiting: list[tuple[yaml.Node, int]] = [(top, 0)]
    while waiting:
        node, depth = waiting.pop()
        entry = Entry(node, file)
        if id(node) in seen:
            raise entry.error("is used again by an alias (*)", "write it out")
        seen.add(id(node))
        if depth > DEEPEST:
            raise entry.error("is nested too deep", "write it flatter")
        if node.tag not in PLAIN_TAGS:
            raise entry.error(f"has the tag {_cut(node.tag)}", "take the tag out")
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                if key.value == "<<":
                    raise Entry(key, file).error("is a merge (<<)", "write the lines out")
                waiting += [(key, depth + 1), (value, depth + 1)]
        elif isinstance(node, yaml.SequenceNode):
            waiting += [(child, depth + 1) for child in node.value]


def _cut(value: str) -> str:
    return repr(value if len(value) <= 40 else value[:37] + "…")
