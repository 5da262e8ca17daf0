"""What was understood of a message and why, without a conversation: as JSON, and as text to read."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, TextIO

from chatkey.channels.base import LONGEST_LINE, UsageError, whole
from chatkey.channels.lines import error_view
from chatkey.dialog import Mind
from chatkey.dialog.view import claim_view
from chatkey.knowledge.yaml_nodes import nearest
from chatkey.terms import ChatkeyError
from chatkey.understand import Pending, Understanding, understand
from chatkey.understand.bind import Trace
from chatkey.understand.pending import question_about


def heard_view(mind: Mind, text: str, asked: str | None = None) -> dict[str, Any]:
    """What was taken from one message, as JSON values. Raises UsageError where `asked` is no character.

    A claim carries its `score` (0 to 1) and `why`: the phrase of the lexicon, what told which character is meant, and
    the words that denied, doubted or corrected it.
    """
    understood = understand(text, mind.knowledge, mind.lexicon, _pending(mind, asked))
    return {
        "language": understood.language,
        "spoken": understood.spoken,
        "intent": understood.intent,
        "intents": list(understood.intents),
        "claims": [
            claim_view(claim) | {"hedge": round(claim.hedge, 2), "score": round(trace.score, 2), "why": _why(trace)}
            for claim, trace in zip(understood.claims, understood.traces, strict=True)
        ],
        "names": [list(ids) for ids in understood.names],
        "place": understood.place.code if understood.place else None,
        "subjects": list(understood.subjects),
        "not_understood": list(understood.not_understood),
        "why": _why_intents(understood),
    }


def hear_lines(mind: Mind, source: TextIO, target: TextIO, asked: str | None = None) -> None:
    """Every input line, a message or an object {"text", "asked"}, gives exactly one line of JSON."""
    for line in source:
        print(json.dumps(_heard_line(mind, line.rstrip("\r\n"), asked)), file=target, flush=True)


def heard_text(mind: Mind, view: Mapping[str, Any]) -> str:
    """The same for a person to read."""
    rows = [f"intents: {', '.join(view['intents'])}"]
    rows += [f"  {row['intent']}: {', '.join(map(repr, row['words'])) or 'by the claims'}" for row in view["why"]]
    for claim in view["claims"]:
        why = claim["why"]
        value = " or ".join(claim["states"]) if "states" in claim else f"{claim['low']:g} to {claim['high']:g} mm"
        marks = ["denied"] * claim["negated"] + [f"hedged {claim['hedge']:g}"] * bool(claim["hedge"])
        cues = [f"{cue['kind']} by {cue['words']!r}" for cue in why["scope"]]
        start, end = claim["span"]
        rows.append(f"{claim['character']} = {value}{''.join(f', {mark}' for mark in marks)}")
        heard = [f"{claim['text']!r} at {start} to {end}", f"score {claim['score']:g}", f"by {why['by']}"]
        rows.append("  " + "; ".join([*heard, *([f"phrase {why['phrase']!r}"] if why["phrase"] else []), *cues]))
    if view["names"]:
        rows.append("names: " + "; ".join(" or ".join(map(mind.knowledge.common, ids)) for ids in view["names"]))
    if view["place"]:
        rows.append(f"place: {view['place']}")
    if view["not_understood"]:
        rows.append("not understood: " + ", ".join(map(repr, view["not_understood"])))
    return "\n".join(rows)


def _heard_line(mind: Mind, line: str, asked: str | None) -> dict[str, Any]:
    if len(line) > LONGEST_LINE:
        return error_view("the line is too long", f"send at most {LONGEST_LINE:,} characters")
    try:
        data = json.loads(line) if line.lstrip().startswith("{") else {"text": line}
    except (ValueError, RecursionError):
        data = {"text": line}  # a message that begins with a bracket
    try:
        return heard_view(mind, whole(_text_of(data)), data.get("asked") or asked)
    except ChatkeyError as error:
        where, what, mend = error.args
        return error_view(f"{where} {what}", mend)


def _text_of(data: Mapping[str, Any]) -> str:
    text = data.get("text")
    if not isinstance(text, str):
        raise UsageError("text", "is missing or no string", 'send {"text": "…", "asked": "leaf_tip"}')
    return text


def _pending(mind: Mind, asked: object) -> Pending | None:
    if not asked:
        return None
    if not isinstance(asked, str) or (asked != "place" and asked not in mind.knowledge.characters):
        mend = nearest(str(asked), ("place", *mind.knowledge.characters))
        raise UsageError(f"asked {str(asked)[:40]!r}", "is no character", mend)
    return question_about(asked, mind.knowledge)


def _why(trace: Trace) -> dict[str, Any]:
    return {
        "phrase": trace.phrase,
        "by": trace.by,
        "scope": [{"kind": cue.kind, "words": cue.words, "span": list(cue.span)} for cue in trace.cues],
    }


def _why_intents(understood: Understanding) -> list[dict[str, Any]]:
    """The words that spoke for each intent; none for one that follows from the claims, the names or the place."""
    return [
        {"intent": intent, "words": [words for kind, words in understood.signals if kind == intent]}
        for intent in understood.intents
    ]
