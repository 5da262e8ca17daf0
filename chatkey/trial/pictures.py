"""A trial as a page: four pictures and the table in one file of HTML, readable without colour and without a network."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from chatkey.trial.outcome import Outcome, reliability
from chatkey.trial.run import Trial
from chatkey.trial.view import HEAD, LEGEND, common, confusions, finders, sentences, shown_engine, spoken, table_rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COMMONEST = 20  # pairs drawn
MET = 5  # times a taxon must be met to be drawn
MARKERS = "osD^vPX*<>"
DASHES = ("-", "--", "-.", ":")
INK, PALE = "#00446b", "#767676"  # both carry 4.5:1 or more on white
COLOURS = (INK, "#8a3c00", "#1a6b2f", "#6b2a7a", "#444444")
WIDTH = 8.0  # inches
RC: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 10.0,
    "svg.fonttype": "none",  # letters stay letters, for search and screen readers
    "svg.hashsalt": "chatkey",  # the same trial draws the same bytes
    "axes.spines.top": False,
    "axes.spines.right": False,
}
STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #111; background: #fff }
body { margin: 2rem auto; max-width: 60rem; padding: 0 1rem }
h1, h2 { line-height: 1.2 }
table { border-collapse: collapse; margin: .5rem 0 }
th, td { border-bottom: 1px solid #bbb; padding: .25rem .6rem; text-align: right; font-variant-numeric: tabular-nums }
th:first-child { text-align: left }
figure { margin: 0 0 2rem }
svg { max-width: 100%; height: auto }
.wide { overflow-x: auto }
"""


def page(trial: Trial) -> str:
    """One HTML page that stands alone. Needs matplotlib."""
    world = trial.world
    where = trial.table.knowledge.regions[world.place].name if world.place else "no place"
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>",
        "<meta name='viewport' content='width=device-width'>",
        f"<title>Trial of {finders(trial)} simulated finders</title><style>{STYLE}</style></head><body><main>",
        f"<h1>Trial of {finders(trial)} simulated finders</h1>",
        f"<p>Place: {escape(where)}. Slips: {world.slips:.0%} of answers. Can't tell: {world.cant_tell:.0%}. "
        f"Facts told first: {world.facts}{' (in words)' if world.in_words else ''}. With a cone: {world.cones:.0%}. "
        f"Careless: {world.careless:.0%}. Wrong place: {world.wrong_place:.0%}. "
        f"The plants {'differ from' if world.perturbed else 'are as in'} the knowledge. Seed: {trial.seed}. "
        f"State of the knowledge: <code>{escape(trial.table.knowledge.hash)}</code>.</p>",
        "<p>These people and plants are simulated. How near they are to yours, only your own verdicts tell.</p>",
        _table(trial),
        *(f"<p>{escape(told)}</p>" for told in sentences(trial)),
        _reliability(trial),
        _by_question(trial),
        _confusions(trial),
        _by_taxon(trial),
        "</main></body></html>",
    ]
    return "\n".join(parts)


def _table(trial: Trial) -> str:
    top = "".join(f"<th scope='col'>{escape(name)}</th>" for name in HEAD)
    rows = "".join(
        f"<tr><th scope='row'>{escape(name)}</th>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>"
        for name, *cells in table_rows(trial)
    )
    return (
        f"<h2>How often it is right</h2><div class='wide'><table><thead><tr>{top}</tr></thead>"
        f"<tbody>{rows}</tbody></table></div><p>{escape(LEGEND)}</p>"
    )


def _reliability(trial: Trial) -> str:
    name = shown_engine(trial)
    talks = trial.outcomes[name]
    bins = reliability(np.array([talk.probability for talk in talks]), np.array([float(t.is_right) for t in talks]))

    def draw(axes: Axes) -> None:
        axes.plot((0, 1), (0, 1), linestyle="--", color=PALE, label="told as it comes true")
        axes.plot([said for _, said, _ in bins], [was for *_, was in bins], marker="o", color=INK, label=spoken(name))
        for share, said, was in bins:
            axes.annotate(str(round(share * len(talks))), (said, was), (6, -12), textcoords="offset points")
        axes.set(xlim=(0, 1.05), ylim=(-0.05, 1.05), xlabel="chance that was told", ylabel="share that came true")
        axes.legend(loc="lower right", frameon=False)

    caption = (
        f"Ten bins of the chance of the first plant named ({spoken(name)}); beside each point how many talks it holds. "
        "On the dashed line chances mean what they say; a point below it promised too much, one above too little."
    )
    return _picture(1, "Do the chances mean what they say?", caption, draw, 5)


def _by_question(trial: Trial) -> str:
    asking = {name: talks for name, talks in trial.outcomes.items() if any(len(talk.by_question) > 1 for talk in talks)}
    longest = max((len(talk.by_question) for talks in asking.values() for talk in talks), default=0)
    lines = {name: right_after(talks, longest) for name, talks in asking.items()}

    def draw(axes: Axes) -> None:
        for number, (name, line) in enumerate(lines.items()):
            axes.plot(
                range(longest),
                line,
                label=spoken(name),
                marker=MARKERS[number % len(MARKERS)],
                markevery=(number % 4, 4),  # staggered, so that no marker hides another
                linestyle=DASHES[number % len(DASHES)],
                color=COLOURS[number % len(COLOURS)],
            )
        axes.set(ylim=(0, 1.02), xlabel="questions asked", ylabel="right plant leads")
        if lines:
            axes.legend(loc="center left", bbox_to_anchor=(1, 0.5), frameon=False)

    return _picture(
        2,
        "How fast does each come to the right plant?",
        "Share of talks in which the right plant leads after so many questions. A talk that has ended keeps its last "
        f"value. {_ends(lines)}",
        draw,
        4.5,
    )


def right_after(talks: Sequence[Outcome], length: int) -> list[float]:
    """After each of `length` steps the share of talks in which the right plant leads; the last value holds on."""
    held = [talk.by_question for talk in talks if talk.by_question]
    return [float(np.mean([led[min(step, len(led) - 1)] for led in held])) for step in range(length)]


def _ends(lines: Mapping[str, Sequence[float]]) -> str:
    ends = [f"{spoken(name)} {line[0]:.0%} to {line[-1]:.0%}" for name, line in lines.items()]
    return f"From the first message to the end: {'; '.join(ends)}." if ends else "None of these engines asks."


def _confusions(trial: Trial) -> str:
    pairs = confusions(trial, COMMONEST)

    def draw(axes: Axes) -> None:
        names = [f"{taxon}, named {leader}" for taxon, leader, _ in pairs]
        bars = axes.barh(range(len(pairs)), [count for *_, count in pairs], color=INK, height=0.6)
        axes.bar_label(bars, padding=3)
        _list(axes, names)
        axes.set_xlabel("talks")
        axes.locator_params(axis="x", integer=True)

    most = f"The commonest: {pairs[0][0]}, named {pairs[0][1]} ({pairs[0][2]})." if pairs else "There was no mistake."
    caption = f"The plant and what it was taken for, by {spoken(shown_engine(trial))}, with how many talks. {most}"
    return _picture(3, "What is taken for what?", caption, draw, 1.2 + 0.26 * max(len(pairs), 3))


def _by_taxon(trial: Trial) -> str:
    asked = questions_by_taxon(trial)

    def draw(axes: Axes) -> None:
        axes.hlines(range(len(asked)), 0, [mean for _, mean, _ in asked], color=PALE, linewidth=1)
        axes.plot([mean for _, mean, _ in asked], range(len(asked)), "o", color=INK)
        _list(axes, [f"{taxon} ({met})" for taxon, _, met in asked])
        axes.set_xlabel("questions a talk")
        axes.set_xlim(left=0)

    few = f"Plants met {MET} times or more, with how often each was met."
    ends = (
        f"From {asked[0][1]:.1f} for {asked[0][0]} to {asked[-1][1]:.1f} for {asked[-1][0]}."
        if asked
        else "No plant was met so often; take more finders."
    )
    caption = f"{few} Mean number of questions, {spoken(shown_engine(trial))}. {ends}"
    return _picture(4, "How many questions does each plant take?", caption, draw, 1.2 + 0.22 * max(len(asked), 4))


def questions_by_taxon(trial: Trial) -> list[tuple[str, float, int]]:
    """Of each taxon met `MET` times or more: common name, mean questions, how often it was met; fewest first."""
    asked: dict[str, list[int]] = {}
    for talk in trial.outcomes[shown_engine(trial)]:
        asked.setdefault(talk.taxon, []).append(talk.questions)
    often = [(common(trial, taxon), float(np.mean(n)), len(n)) for taxon, n in asked.items() if len(n) >= MET]
    return sorted(often, key=lambda row: (row[1], row[0]))


def _list(axes: Axes, names: Sequence[str]) -> None:
    """Names down the left side, the first on top."""
    axes.set_yticks(range(len(names)), names)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(len(names) - 0.5, -0.5) if names else axes.set_yticks([])


def _picture(number: int, title: str, caption: str, draw: Callable[[Axes], None], height: float) -> str:
    """One figure with its heading. `height` in inches."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    buffer = io.StringIO()
    with rc_context(RC):
        figure = Figure(figsize=(WIDTH, height), layout="constrained")
        draw(figure.subplots())
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    svg = _inline(buffer.getvalue(), number, title)
    return f"<h2>{escape(title)}</h2><figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"


def _inline(svg: str, number: int, title: str) -> str:
    """The drawing as a part of a page: no prologue, no outside addresses, ids that no other drawing has."""
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    svg = re.sub(r' xmlns(:\w+)?="[^"]*"', "", svg)
    svg = re.sub(r'\bid="', f'id="p{number}-', svg)
    svg = re.sub(r'(url\(|href=")#', rf"\1#p{number}-", svg)
    name = f"p{number}-title"
    return re.sub(
        r"<svg([^>]*)>",
        lambda head: f'<svg{head[1]} role="img" aria-labelledby="{name}"><title id="{name}">{escape(title)}</title>',
        svg,
        count=1,
    )
