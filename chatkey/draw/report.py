"""The check of the knowledge as a page that a botanist reads: one file, no scripts, the matrix as a picture."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

from chatkey.draw.matrix import CELL, matrix_png
from chatkey.identify import Table
from chatkey.identify.check import separations

STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #111; background: #fff }
body { margin: 2rem auto; max-width: 64rem; padding: 0 1rem }
h1, h2 { line-height: 1.2 }
table { border-collapse: collapse; margin: .5rem 0 1.5rem }
th, td { border-bottom: 1px solid #bbb; padding: .25rem .75rem; text-align: left; vertical-align: top }
td.n { text-align: right; font-variant-numeric: tabular-nums }
img { max-width: 100%; image-rendering: pixelated; border: 1px solid #bbb }
"""


def report_html(table: Table, report: Mapping[str, Any]) -> str:
    """The page. `report` is what `chatkey check --json` gives."""
    coverage = report["coverage"]
    picture = base64.b64encode(matrix_png(separations(table))).decode()
    side = CELL * len(table.taxa)
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'><title>Check of the knowledge</title>",
        f"<style>{STYLE}</style>",
        "</head><body><h1>Check of the knowledge</h1>",
        f"<p>State of the files: <code>{escape(report['knowledge'])}</code>.</p>",
        _table("Counts", ("what", "how many"), _plain(report["counts"])),
        _problems("Errors", report["errors"]),
        _problems("Warnings", report["warnings"]),
        _table(
            "Cells and what they rest on",
            ("which", "taxa", "cells", "from memory", "share"),
            [
                (
                    name.replace("_", " "),
                    row["taxa"],
                    row["cells"],
                    row["from_memory"],
                    f"{row['from_memory_share']:.0%}",
                )
                for name, row in coverage.items()
                if isinstance(row, Mapping) and "cells" in row
            ],
        ),
        f"<p>{coverage['hand_cells_filled_share']:.1%} of the hand characters that apply are filled or inherited.</p>",
        "<h2>How far each two are apart</h2>",
        f"<p>{len(table.taxa)} by {len(table.taxa)} taxa in the order of the list below. Dark: the hand characters "
        "give few log-odds, the two are hard to part. White: easy.</p>",
        f"<img width='{side}' height='{side}' alt='Matrix of expected log-odds between taxa'",
        f" src='data:image/png;base64,{picture}'>",
        _table(
            "The hardest pairs",
            ("one", "other", "log-odds", "declared in"),
            [
                (*(_name(table, taxon) for taxon in row["taxa"]), f"{row['log_odds']:.2f}", ", ".join(row["groups"]))
                for row in report["hardest_pairs"]
            ],
        ),
        _table(
            "Questions asked of an honest finder with a cone, from nothing",
            ("taxon", *report["expected_questions"]),
            [
                (_name(table, taxon), *(asked[taxon] for asked in report["expected_questions"].values()))
                for taxon in table.taxa
            ],
        ),
        _table(
            "Blanks",
            ("taxon", "hand characters without a score"),
            [(_name(table, taxon), ", ".join(found)) for taxon, found in coverage["blanks_by_taxon"].items()],
        ),
        _table("Sources by cells", ("source", "cells"), coverage["sources"].items()),
        "</body></html>",
    ]
    return "\n".join(parts)


def _plain(counts: Mapping[str, Any]) -> list[tuple[str, Any]]:
    return [(name.replace("_", " "), value) for name, value in counts.items()]


def _name(table: Table, taxon: str) -> str:
    return table.knowledge.taxa[taxon].name


def _problems(title: str, rows: Sequence[Mapping[str, str]]) -> str:
    return _table(title, ("where", "what", "mend"), [(row["where"], row["what"], row["mend"]) for row in rows])


def _table(title: str, head: Sequence[object], rows: Iterable[Sequence[object]]) -> str:
    body = "".join(f"<tr>{''.join(_cell(value) for value in row)}</tr>" for row in rows)
    if not body:
        return f"<h2>{escape(title)}</h2><p>None.</p>"
    top = "".join(f"<th scope='col'>{escape(str(name))}</th>" for name in head)
    return f"<h2>{escape(title)}</h2><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def _cell(value: object) -> str:
    number = isinstance(value, int | float)
    return f"<td{' class=n' if number else ''}>{escape(str(value))}</td>"
