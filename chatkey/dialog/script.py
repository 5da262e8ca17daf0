"""What is said: dialogs/LANGUAGE/*.yaml, whole sentences with named gaps, checked when they are loaded."""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from chatkey.data import shipped
from chatkey.dialog.machine import Flow, read_flow
from chatkey.knowledge.card import LINES as OFFICES
from chatkey.knowledge.yaml_nodes import Entry, KnowledgeError, Problems, nearest, read_file

# Every line that the effects use, with the gaps it may have.
LINES: Mapping[str, tuple[str, ...]] = {
    "took_in": ("facts",),
    "took_nothing": (),
    "not_taken": ("words",),
    "corrected": ("facts",),
    "undone": ("facts",),
    "nothing_to_undo": (),
    "place_taken": ("place",),
    "place_edge": ("place",),
    "place_name_only": ("place",),
    "place_unknown": (),
    "so_far": ("names",),
    "answer_species": ("name", "odds"),
    "answer_sure": ("name", "odds"),
    "answer_set": ("name", "odds"),
    "answer_set_sure": ("name", "odds"),
    "answer_split": ("first", "second"),
    "answer_not_conifer": ("names", "odds"),
    "answer_something_else": (),
    "answer_open": ("names",),
    "would_settle": ("character",),
    "hold_yew": (),
    "may_be_yew": (),
    "emergency_again": (),
    "plant_bare_root": ("days",),
    "plant_cover": ("plants", "feet", "per_acre", "square_feet"),
    "plant_more": ("name", "height", "spacing"),
    "yew_left_open": (),
    "status_native": ("place", "level"),
    "status_introduced": ("place",),
    "status_not_recorded": ("place",),
    "status_unknown": ("place",),
    "is_native": ("name", "place", "level"),
    "is_introduced": ("name", "place"),
    "is_not_recorded": ("name", "place"),
    "is_unknown": ("name", "place"),
    "all_native": ("place", "level"),
    "all_introduced": ("place",),
    "all_not_recorded": ("place",),
    "all_unknown": ("place",),
    "listed": ("kind", "body", "list", "date"),
    "level_province": (),
    "misleading": ("said", "name"),
    "question": ("question", "choices"),
    "question_open": ("question",),
    "question_two": ("first", "second"),
    "ask_place": (),
    "ask_which_state": ("choices",),
    "ask_site": ("choices",),
    "ask_compare": ("choices",),
    "choice": ("key", "label"),
    "range": ("low", "high"),
    "cant_tell": (),
    "none_of_these": (),
    "reask": ("question", "choices"),
    "pending_again": ("question", "choices"),
    "pending_place": (),
    "close": (),
    "close_short": (),
    "offer_person": (),
    "invite": (),
    "greet": (),
    "welcome": (),
    "what_i_am": (),
    "calm": (),
    "language": (),
    "not_understood": (),
    "skipped": (),
    "easiest": (),
    "why_for": ("name", "facts"),
    "why_against": ("name", "facts"),
    "why_mixed": (),
    "how_sure": ("name", "percent", "odds"),
    "how_sure_open": ("rows", "rest"),
    "candidate": ("name", "percent"),
    "something_else": ("percent",),
    "compare_rows": ("first", "second", "rows"),
    "compare_row": ("character", "first", "second"),
    "compare_none": ("first", "second"),
    "nothing_yet": (),
    "term": ("name", "how"),
    "which_term": (),
    "guess_leads": ("name", "odds"),
    "guess_against": ("name", "odds"),
    "guess_would_tell": ("rows",),
    "guess_many": ("names",),
    "guess_yew": (),
    "guess_taken": ("name",),
    "plant_native": ("name", "place", "level"),
    "plant_introduced": ("name", "place"),
    "plant_not_recorded": ("name", "place"),
    "plant_unknown": ("name", "place"),
    "plant_place_first": ("name",),
    "native_when_known": (),
    "plant_site": ("site",),
    "plant_watch": ("watch",),
    "plant_note": ("note",),
    "plant_size": ("height", "spacing"),
    "plant_poisonous": ("name",),
    "plant_instead": ("names", "plain"),
    "plant_instead_row": ("name", "reason"),
    "plant_no_instead": ("place",),
    "plant_seed": (),
    "plant_sale": (),
    "plant_stock": (),
    "level_county": ("county",),
    "plant_name_first": (),
    "reason_same_use": ("uses",),
    "reason_ground": ("ground",),
    "reason_beware": ("beware",),
    "report": (),
    "health": ("asks",),
    "health_ask_which": (),
    "health_ask_side": (),
    "health_ask_since": (),
    "health_season": (),
    "health_other": (),
    "person": ("facts", "names"),
    "person_nothing": (),
    "person_passed": ("facts", "where", "group", "within"),
    "person_passed_nothing": ("where", "group", "within"),
    "person_already": ("within",),
    "where_near": (),
    "where_state": ("place",),
    "where_town": ("town", "place"),
    "where_unknown": (),
    "within_days": ("days",),
    "handed_unsafe": (),
    "handed_unsure": ("group", "within"),
    "handed_rule": ("group",),
    "steward_of": ("group",),
    "steward": (),
    "told": ("who", "text"),
    "told_of_tree": ("who", "number", "text"),
    "looked": ("who",),
    "looked_at_tree": ("who", "number"),
    "told_right": ("name",),
    "told_name": ("name",),
    "told_other": ("name", "before"),
    "told_unknowable": (),
    "checked": ("name",),
    "checked_unknowable": (),
    "recall": ("number", "facts"),
    "recall_one": ("facts",),
    "recall_more": ("facts",),
    "erased": (),
    "restarted": (),
    "new_tree": ("number",),
    "list_empty": (),
    "list_row": ("number", "name", "place"),
    "list_row_checked": ("number", "name", "place"),
    "list_row_checked_placeless": ("number", "name"),
    "list_nameless": ("number",),
    "help": (),
    "stopped": (),
    "is_stopped": (),
    "unsafe_other": (),
    "not_of": ("echo",),
    "either_of": ("first", "second"),
    "maybe_of": ("echo",),
    "and_more": ("list", "last"),
    "or_more": ("list", "last"),
    "reader_number": ("number",),
    "reader_again": ("name", "number"),
    "crew_took_in": ("name", "facts"),
    "crew_corrected": ("name", "facts"),
    "crew_settled": ("name", "facts"),
    "crew_differ": ("sides",),
    "crew_says": ("names", "facts"),
    "crew_say": ("names", "facts"),
    "crew_reask": ("names", "question", "choices"),
    "crew_waits": ("names", "question", "choices"),
    "crew_left_open": ("sides",),
    "erased_crew": (),
    "walk_card": (),
    "walk_begun": ("number",),
    "walk_is_on": ("number",),
    "walk_ended": (),
    "walk_ended_empty": (),
    "no_names": (),
    "tally": ("count",),
    "tally_of": ("count", "of"),
    "tally_one": (),
    "tally_undone": (),
    "of_condition": ("number", "condition"),
    "of_tag": ("label",),
    "of_plot": ("label",),
    "marked": ("marks",),
    "not_named": (),
    "walk_row": ("number", "parts"),
    "walk_name": ("name", "odds"),
    "walk_checked": ("name",),
    "walk_count": ("count",),
    "walk_by": ("names",),
    "sms_stopped": ("group",),
    "sms_started": ("group",),
    "sms_help": ("group", "person"),
    "sms_more": (),
    "sms_no_more": ("group",),
    "sms_too_many": ("group",),
    "sms_fault": ("group",),
    "telegram_more": (),
    "telegram_chosen": ("label",),
    "telegram_chosen_by": ("name", "label"),
    "telegram_old_question": (),
    "telegram_old_message": (),
    "telegram_photo": (),
    "telegram_only_words": (),
    "telegram_joined": (),
    "telegram_no_more": (),
    "telegram_too_many": ("emergency", "poison_line"),
    "telegram_fault": ("group",),
    "walk_file": (),
    "desk_right": ("name",),
    "desk_is": ("name",),
    "desk_unknown": (),
    "desk_other": (),
    "desk_take": (),
    "desk_how": (),
    "desk_how_other": (),
    "desk_photo": ("id",),
    "desk_taken": ("name",),
    "desk_answered": ("name", "text"),
    "desk_sent": (),
    "desk_someone": (),
    "desk_late": (),
    "desk_refused": ("what", "mend"),
    "telegram_stopped": ("group",),
    "telegram_started": ("group",),
}
TABLES = (
    *("stock", "odds", "uses", "ground", "beware", "units", "kinds", "within", "keywords", "conditions"),
    *("telegram_commands", "telegram_menu"),
)
KEYWORD_KINDS = ("stop", "start", "yes", "help", "more")
SHORT = "short"  # in a file: wordings of its lines for where there is little room


class _Gaps(dict[str, str]):
    """Gaps that are not given stay as they stand (phone lines of a caution)."""

    def __missing__(self, key: str) -> str:
        return "{" + key + "}"


@dataclass(frozen=True, slots=True)
class Script:
    """The lines of one language and the flow. A line has one or more wordings, used in turn."""

    language: str
    lines: Mapping[str, tuple[str, ...]]
    tables: Mapping[str, Mapping[str, str]]
    flow: Flow
    shorts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # wordings of lines where there is little room

    def say(self, line: str, used: int = 0, /, **gaps: str) -> str:
        """The line's wording for its `used`-th use, with its gaps filled."""
        return _wording(self.lines[line], used, gaps)

    def say_short(self, line: str, used: int = 0, /, **gaps: str) -> str:
        """The same where there is little room; "" where the line has no shorter wording."""
        return _wording(self.shorts[line], used, gaps) if line in self.shorts else ""

    def word(self, table: str, key: str) -> str:
        """A word from a table, or the key itself in plain writing."""
        return self.tables.get(table, {}).get(key, key.replace("_", " "))


def load_script(
    guards: tuple[str, ...], effects: tuple[str, ...], folder: Path | None = None, language: str = "en"
) -> Script:
    """The shipped dialogs, or those in `folder`. Raises KnowledgeError at the first fault."""
    problems = Problems()
    script = read_script(folder or shipped("dialogs"), guards, effects, problems, language)
    if problems.errors:
        raise problems.errors[0]
    return script


def read_script(
    folder: Path, guards: tuple[str, ...], effects: tuple[str, ...], problems: Problems, language: str = "en"
) -> Script:
    """What could be read of the dialogs, faults added to `problems`."""
    lines: dict[str, tuple[str, ...]] = {}
    tables: dict[str, dict[str, str]] = {}
    shorts: dict[str, tuple[str, ...]] = {}
    seen: set[str] = set()
    for path in sorted((folder / language).glob("*.yaml")):
        top = problems.attempt(None, read_file, path, folder)
        for name, entry in problems.attempt({}, top.pairs).items() if top else ():
            if name in seen:
                problems.add(entry.error(f"{name!r} stands in another file too", "keep one of the two"))
            elif name == SHORT:
                shorts |= _shorts(entry, problems)
                continue
            elif name in TABLES:
                tables[name] = problems.attempt({}, _table, name, entry)
            else:
                lines[name] = problems.attempt((), _line, name, entry)
            seen.add(name)
    where = f"{folder.name}/{language}"
    for name in LINES:
        if name not in seen:
            problems.add(KnowledgeError(where, f"the line {name!r} is missing", "write it in one of the files"))
    for name in TABLES:
        if name not in tables:
            problems.add(KnowledgeError(where, f"the table {name!r} is missing", "write it in one of the files"))
    top = problems.attempt(None, read_file, folder / "flow.yaml", folder)
    flow = read_flow(top, guards, effects, problems) if top else Flow("", {}, {})
    return Script(language, lines, tables, flow, shorts)


def _wording(wordings: tuple[str, ...], used: int, gaps: Mapping[str, str]) -> str:
    return wordings[used % len(wordings)].format_map(_Gaps(gaps))


def _shorts(entry: Entry, problems: Problems) -> dict[str, tuple[str, ...]]:
    """The short wordings of one file, by line."""
    pairs = problems.attempt({}, entry.pairs, LINES)
    return {name: problems.attempt((), _line, name, node) for name, node in pairs.items()}


def _table(name: str, entry: Entry) -> dict[str, str]:
    """The words of a table by key; those of `odds` are numbers, the kinds of `keywords` a closed set."""
    found = {key: node.text() for key, node in entry.pairs().items()}
    for key in found if name == "odds" else ():
        if not re.fullmatch(r"0?\.\d+|[01]", key):
            raise entry.pairs()[key].error(f"{key!r} is no probability", 'write a number, like "0.8"')
    for node in entry.pairs().values() if name == "keywords" else ():
        node.one_of(KEYWORD_KINDS)
    return found


def _line(name: str, entry: Entry) -> tuple[str, ...]:
    """The wordings of a line. A gap that is not known there is an error."""
    if name not in LINES:
        raise entry.error(f"{name!r} is no line of the dialog", nearest(name, LINES))
    items = [entry] if entry.is_text else entry.items()
    found = []
    for item in items:
        text = item.text()
        try:
            parsed = [part for part in string.Formatter().parse(text) if part[1] is not None]
        except ValueError:
            raise item.error("a { or } has no partner", "write gaps as {name}") from None
        for _, gap, form, conversion in parsed:
            if form or conversion:
                raise item.error(f"the field {gap!r} has a format", f"write {{{gap}}} alone")
            if gap not in (*LINES[name], *OFFICES):
                raise item.error(
                    f"the field {gap!r} is not known in {name!r}",
                    nearest(gap or "", LINES[name]) if LINES[name] else "take it out",
                )
        found.append(text)
    return tuple(found)
