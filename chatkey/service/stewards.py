"""The stewards' side: what waits, with everything gathered, and an answer that goes back the way the finder came."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from chatkey.channels.writing import Writing
from chatkey.dialog import Mind
from chatkey.dialog.conversation import Conversation, from_json, to_json
from chatkey.dialog.gathered import gathered
from chatkey.dialog.handover import Verdict, VerdictKind
from chatkey.dialog.told import told
from chatkey.service.thinking import tree_record
from chatkey.store import Store, queue
from chatkey.store.messages import Given, Letter, TreeRecord
from chatkey.terms import ChatkeyError
from chatkey.understand.lexicon import find_names

MOST_TRIES = 5
WORDS: Mapping[VerdictKind, str] = {"right": "right", "other": "it is", "unknowable": "can't be known", "none": "said"}


class AnswerError(ChatkeyError):
    """An answer that can't be given like this."""


@dataclass(frozen=True, slots=True)
class Answered:
    """What was sent to the finder."""

    text: str


def queue_view(store: Store, mind: Mind) -> list[dict[str, Any]]:
    """What waits for a person, the oldest first, as JSON values."""
    return [entry_view(mind, given) for given in queue.waiting(store)]


def entry_view(mind: Mind, given: Given) -> dict[str, Any]:
    """One tree that waits, with everything a steward wants to know of it."""
    conversation = _conversation(mind, given)
    known = any(tree.id == given.tree for tree in conversation.trees)
    return {
        "id": given.id,
        "channel": given.channel,
        "since": _iso(given.created_at),
        "reasons": list(given.reasons),
        "details": list(given.details),
        "entry": given.status,
        "messages": [{"at": _iso(at), "text": text} for at, text in given.messages],
        **(gathered(mind, conversation, given.tree) if known else {"tree": given.tree}),
    }


def give_answer(
    store: Store, mind: Mind, writing: Mapping[str, Writing], id: int, *, text: str, verdict: str, by: str, now: float
) -> Answered:
    """Sends a steward's answer, with a verdict: "right", "unknown", "none", or the name of the plant it is.

    Raises AnswerError or StoreError; then nothing was sent.
    """
    for _ in range(MOST_TRIES):
        given = queue.entry(store, id)
        if given.status != "open" or given.conversation is None:
            raise AnswerError(f"entry {id}", f"is {given.status}", "look with `chatkey queue`")
        conversation = _conversation(mind, given)
        judged = _verdict(mind, conversation, given.tree, text, verdict, by)
        turned = told(mind, conversation, given.tree, judged)
        way = writing[given.channel]
        fit, rest = way.fit(mind, turned.reply.blocks, turned.reply.ask, way.question(turned.conversation, given.tree))
        done = queue.answer(
            store,
            given,
            letter=Letter(fit, rest, kind="notice", tree=given.tree if way.has_threads else None),
            state=json.dumps(to_json(turned.conversation), separators=(",", ":")),
            tree=tree_record(mind, turned.conversation, given.tree, now) or _bare(mind, given.tree, now),
            verdict={
                "kind": judged.kind,
                "taxon": judged.taxon,
                "rank": _rank(mind, judged.taxon),
                "text": text,
                "by": by,
            },
            now=now,
        )
        if done:
            return Answered(turned.reply.text)
    raise AnswerError(f"entry {id}", "kept changing while it was answered", "try again")


def _verdict(mind: Mind, conversation: Conversation, number: int, text: str, verdict: str, by: str) -> Verdict:
    tree = next((tree for tree in conversation.trees if tree.id == number), None)
    said = verdict.strip()
    if said == "right":
        if tree is None or tree.shown is None:
            raise AnswerError("verdict 'right'", "has nothing to confirm: nothing was named", "name the plant instead")
        return Verdict("right", tree.shown.taxon, text, by)
    if said in ("unknown", "none"):
        if said == "none" and not text.strip():
            raise AnswerError("answer", "has neither words nor a verdict", "write some, or say --verdict")
        return Verdict("unknowable" if said == "unknown" else "none", "", text, by)
    ids = find_names(mind.lexicon, said)
    ids = ids if ids else tuple(id for id in (*mind.knowledge.taxa, *mind.knowledge.groups) if id == said)
    if not ids:
        raise AnswerError(f"plant {said[:60]!r}", "is not known", "give its name, or right, unknown or none")
    if len(ids) > 1:
        names = ", ".join(mind.knowledge.common(id) for id in ids)
        raise AnswerError(f"plant {said[:60]!r}", f"can mean {names}", "give the one you mean")
    return Verdict("other", ids[0], text, by)


def _conversation(mind: Mind, given: Given) -> Conversation:
    if given.state is None:
        return Conversation(id=str(given.conversation), language=mind.script.language)
    return from_json(json.loads(given.state), mind.knowledge.retired)


def _rank(mind: Mind, taxon: str) -> str:
    known = mind.knowledge.taxa.get(taxon)
    return known.rank if known else "group" if taxon else ""


def _bare(mind: Mind, tree: int, now: float) -> TreeRecord:
    """A tree of which only a steward knows something."""
    return TreeRecord(tree, (), None, datetime.fromtimestamp(now, UTC).month, knowledge=mind.knowledge.hash)


def _iso(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="minutes").replace("+00:00", "Z")


def page(view: Mapping[str, Any]) -> str:
    """One entry for a person to read: what is known of the tree, then the finder's own words."""
    reasons = ", ".join((*view["reasons"], *view["details"]))
    rows = [f"{view['id']}  tree {view['tree']} by {view['channel']}, since {view['since']}: {reasons}"]
    if view.get("place"):
        rows.append(f"  place: {view['place']['words']}")
    if view.get("claims"):
        rows.append(f"  told: {', '.join(claim['words'] for claim in view['claims'])}")
    shares = [f"{one['common_name']} {one['probability']:.0%}" for one in view.get("candidates", ())]
    if shares:
        rest = view["something_else"]
        rows.append(f"  may be: {', '.join(shares)}, none of these {rest:.0%}")
    if view.get("answer"):
        status = view["status"] or ("" if view.get("place") else "place not known")
        rows.append(f"  named: {view['answer']['common_name']}{f' ({status})' if status else ''}")
    rows += [f"  can't tell: {one['question']}" for one in view.get("not_answered", ())]
    rows += [f"  not understood: {one['words']}" for one in view.get("not_understood", ())]
    if view.get("cautions"):
        rows.append(f"  warned: {', '.join(one['id'] for one in view['cautions'])}")
    rows += [f"  > {one['text']}" for one in view["messages"]]
    return "\n".join(rows)
