"""How well messages are understood: precision, recall and F1 of claims, polarity, intents, on the labelled set.

python tests/understand/measure.py [tune|report] [--show]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.terms import Claim
from chatkey.understand import Pending, understand

FILE = Path(__file__).parent / "messages.yaml"
CLOSE = 1.1  # factor within which both ends of a length agree, or 1 mm


@dataclass
class Score:
    """Counts over messages; `misses` shows what went wrong."""

    right: int = 0
    found: int = 0
    wanted: int = 0
    polarity_right: int = 0
    intent_right: int = 0
    messages: int = 0
    with_wrong_claim: int = 0
    misses: list[str] = field(default_factory=list)

    @property
    def precision(self) -> float:
        return self.right / max(self.found, 1)

    @property
    def recall(self) -> float:
        return self.right / max(self.wanted, 1)

    @property
    def f1(self) -> float:
        return 2 * self.precision * self.recall / max(self.precision + self.recall, 1e-9)


def measure(mind: Mind, part: str) -> Score:
    """The score on one part of the labelled set."""
    data = yaml.safe_load(FILE.read_text(encoding="utf-8"))
    score = Score()
    free = {row["claim"] for row in data["free"]}
    for row in data[part]:
        _score(mind, row, free, score)
    return score


def _score(mind: Mind, row: dict[str, Any], free: set[str], score: Score) -> None:
    pending = _pending(mind, row.get("asked"))
    heard = understand(row["text"], mind.knowledge, mind.lexicon, pending)
    wanted = [str(one) for one in row.get("claims", [])]
    may = [str(one) for one in row.get("may", [])]
    left = list(heard.claims)
    missed = []
    for label in wanted:
        hit = next(
            (claim for claim in left if any(_matches(mind, option.strip(), claim) for option in label.split(" | "))),
            None,
        )
        near = next(
            (
                claim
                for claim in left
                if any(_matches(mind, option.strip(), claim, polarity=False) for option in label.split(" | "))
            ),
            None,
        )
        if hit is not None:
            left.remove(hit)
            score.right += 1
            score.polarity_right += 1
        elif near is not None:
            left.remove(near)
            missed.append(f"polarity {label}")
        else:
            missed.append(label)
    extra = [
        claim
        for claim in left
        if not any(_matches(mind, o.strip(), claim) for label in may for o in label.split(" | "))
        and not any(_matches(mind, o, claim) for o in free)
    ]
    score.wanted += len(wanted)
    score.found += len(wanted) - len(missed) + len(extra)
    score.messages += 1
    score.with_wrong_claim += bool(extra)
    intents = set(row.get("intents", []))
    allowed = intents | {one for one in may if "=" not in one}
    got = set(heard.intents)
    intent_ok = intents <= got and got <= allowed | {"place", "describe", "answer"}
    score.intent_right += intent_ok
    if missed or extra or not intent_ok:
        shown = [
            f"{'!' if claim.negated else ''}{claim.character}={'|'.join(claim.states) or claim.quantity}"
            for claim in extra
        ]
        note = "" if intent_ok else f" INTENTS {sorted(got)} for {sorted(intents)}"
        score.misses.append(f"{row['text']!r} [{row.get('asked', '')}] missed {missed} extra {shown}{note}")


def _matches(mind: Mind, label: str, claim: Claim, *, polarity: bool = True) -> bool:
    negated, _hedged = label.startswith("!"), label.endswith("~")
    name, _, value = label.strip("!~").partition("=")
    if claim.character != name or (polarity and claim.negated != negated):
        return False
    if claim.quantity is not None:
        classes = mind.knowledge.characters[name].classes
        low, high = classes[value] if value in classes else (float(one) for one in value.split("-"))
        return _near(low, claim.quantity.low, open_end=0) and _near(high, claim.quantity.high, open_end=999)
    return value in claim.states


def _near(wanted: float, got: float, open_end: float) -> bool:
    return wanted == open_end or abs(wanted - got) <= 1 or max(wanted, got) / min(wanted, got) <= CLOSE


def _pending(mind: Mind, asked: str | None) -> Pending | None:
    if not asked:
        return None
    if asked not in mind.knowledge.characters:
        return Pending("place") if asked == "place" else None
    character = mind.knowledge.characters[asked]
    offered = character.offer or tuple(character.classes)
    numbers = mind.knowledge.language.numbers["numbers"]
    choices = []
    for index, state in enumerate(offered, 1):
        label = character.words.states[state].label
        choices.append((f"{numbers[label]:g}" if character.kind == "count" else str(index), state))
    extra = "9" if character.kind == "count" else str(len(choices) + 1)
    if len(offered) < len(character.states):
        choices.append((extra, "none_of_these"))
    choices.append(("0" if character.kind == "count" else str(len(choices) + 1), "cant_tell"))
    return Pending("character", asked, tuple(choices))


def main() -> None:
    part = sys.argv[1] if len(sys.argv) > 1 else "tune"
    score = measure(open_mind(), part)
    if "--show" in sys.argv:
        print("\n".join(score.misses))
    wrong = score.with_wrong_claim / score.messages
    print(
        f"{part}: {score.messages} messages, claims P {score.precision:.3f} R {score.recall:.3f} F1 {score.f1:.3f}, "
        f"wrong claim in {wrong:.1%}, intents {score.intent_right / score.messages:.3f}"
    )


if __name__ == "__main__":
    main()
