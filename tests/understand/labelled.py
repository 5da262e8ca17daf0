"""The labelled messages, and how well what was heard fits their labels."""

from __future__ import annotations

import random
import string
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import yaml

from chatkey.knowledge import Knowledge
from chatkey.terms import Claim

FOLDER = Path(__file__).parent / "messages"
FREE = (
    "leaf_kind=needle",
    "needle_place=bundles",
    "cones_present=present",
    "cone_kind=scaly",
    "leaf_kind=scale",
    "setting=planted",
    "setting=wild",
)
CLOSE = 1.1  # factor within which both ends of a length agree, or 1 mm
KEYBOARD = {
    letter: row[max(0, at - 1) : at] + row[at + 1 : at + 2]
    for row in ("qwertyuiop", "asdfghjkl", "zxcvbnm")
    for at, letter in enumerate(row)
}


@dataclass(frozen=True, slots=True)
class Message:
    """One labelled message. `claims` and `may` hold alternatives ("a | b") unsplit."""

    text: str
    asked: str = ""
    claims: tuple[str, ...] = ()
    intents: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    place: str = ""
    names: tuple[str, ...] = ()
    taxon: str = ""
    file: str = ""


@dataclass(frozen=True, slots=True)
class Heard:
    """What a reader of messages made of one: claims and intents."""

    claims: tuple[Claim, ...] = ()
    intents: tuple[str, ...] = ()


@dataclass
class Score:
    """Counts over messages."""

    right: int = 0
    found: int = 0
    wanted: int = 0
    polarity_seen: int = 0
    polarity_right: int = 0
    intents_right: int = 0
    messages: int = 0
    with_wrong_claim: int = 0
    by_character: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    by_intent: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    misses: list[str] = field(default_factory=list)

    @property
    def precision(self) -> float:
        return self.right / max(self.found, 1)

    @property
    def recall(self) -> float:
        return self.right / max(self.wanted, 1)

    @property
    def f1(self) -> float:
        return _f1(self.right, self.found, self.wanted)

    @property
    def polarity(self) -> float:
        return self.polarity_right / max(self.polarity_seen, 1)

    @property
    def wrong(self) -> float:
        return self.with_wrong_claim / max(self.messages, 1)

    @property
    def intents(self) -> float:
        return self.intents_right / max(self.messages, 1)

    def line(self, name: str) -> str:
        return (
            f"{name}: {self.messages} messages, {self.wanted} claims: P {self.precision:.3f} R {self.recall:.3f} "
            f"F1 {self.f1:.3f}, polarity {self.polarity:.3f}, wrong claim in {self.wrong:.1%}, "
            f"intents {self.intents:.3f}"
        )


def messages(part: str) -> list[Message]:
    """All messages of a part: "tune", "report", "whole:tune", "whole:report", or the name of one file."""
    name, _, of_whole = part.partition(":")
    one = FOLDER / f"{name}.yaml"
    paths = [one] if one.exists() else sorted(FOLDER.glob(f"{name}*.yaml"))
    found = []
    for path in paths:
        rows = yaml.safe_load(path.read_text(encoding="utf-8"))
        found += [_message(row, path.stem) for row in rows if not of_whole or row.get("part") == of_whole]
    return found


def _message(row: dict[str, Any], file: str) -> Message:
    return Message(
        text=str(row["text"]),
        asked=row.get("asked") or "",
        claims=tuple(str(one) for one in row.get("claims") or ()),
        intents=tuple(row.get("intents") or ()),
        may=tuple(str(one) for one in row.get("may") or ()),
        place=str(row.get("place") or ""),
        names=tuple(row.get("names") or ()),
        taxon=row.get("taxon") or "",
        file=file,
    )


def with_typos(given: Iterable[Message], seed: int = 1) -> list[Message]:
    """One slip of the thumb in each message that has a word of five letters or more; never in a first letter."""
    chance = random.Random(seed)
    out = []
    for message in given:
        words = message.text.split(" ")
        long = [n for n, word in enumerate(words) if len(word) >= 5 and word.isascii() and word.isalpha()]
        if long:
            n = chance.choice(long)
            words[n] = _slip(words[n], chance)
            out.append(replace(message, text=" ".join(words)))
    return out


def _slip(word: str, chance: random.Random) -> str:
    at = chance.randrange(1, len(word) - 1)
    kind = chance.choice(("drop", "double", "swap", "neighbour"))
    if kind == "drop":
        return word[:at] + word[at + 1 :]
    if kind == "double":
        return word[:at] + word[at] + word[at:]
    if kind == "swap":
        return word[:at] + word[at + 1] + word[at] + word[at + 2 :]
    near = KEYBOARD.get(word[at].lower(), string.ascii_lowercase)
    return word[:at] + chance.choice(near) + word[at + 1 :]


def score(
    given: Iterable[Message], hear: Callable[[Message], Heard], knowledge: Knowledge, *, free: Sequence[str] = FREE
) -> Score:
    """The score of one way to hear messages."""
    total = Score()
    for message in given:
        _score(message, hear(message), knowledge, free, total)
    return total


def _score(message: Message, heard: Heard, knowledge: Knowledge, free: Sequence[str], score: Score) -> None:
    left = list(heard.claims)
    missed: list[str] = []
    turned: list[str] = []
    for label in sorted(message.claims, key=lambda one: " | " in one):  # the plain ones first
        options = [option.strip() for option in label.split(" | ")]
        character = options[0].strip("!~").partition("=")[0]
        hit = next((c for c in left for option in options if _matches(knowledge, option, c)), None)
        near = next((c for c in left for option in options if _matches(knowledge, option, c, polarity=False)), None)
        score.by_character[character]["wanted"] += 1
        if hit is not None:
            _use(left, hit, options)
            score.right += 1
            score.by_character[character].update(("right", "found"))
        elif near is not None:
            left.remove(near)
            turned.append(f"polarity {label}")
            score.by_character[character]["found"] += 1
        else:
            missed.append(label)
        score.polarity_seen += hit is not None or near is not None
        score.polarity_right += hit is not None
    may = [option.strip() for label in message.may if "=" in label for option in label.split(" | ")]
    extra = [
        claim
        for claim in left
        if not any(_matches(knowledge, option, claim) for option in (*may, *free, *_every(message.claims)))
    ]
    for claim in extra:
        score.by_character[claim.character]["found"] += 1
    score.wanted += len(message.claims)
    score.found += len(message.claims) - len(missed) + len(extra)
    score.messages += 1
    score.with_wrong_claim += bool(extra or turned)
    _score_intents(message, heard, score)
    ok = _intents_ok(message, heard)
    if missed or turned or extra or not ok:
        shown = [
            f"{'!' if claim.negated else ''}{claim.character}={'|'.join(claim.states) or claim.quantity}"
            for claim in extra
        ]
        note = "" if ok else f" INTENTS {sorted(heard.intents)} for {sorted(message.intents)}"
        asked = f" [{message.asked}]" if message.asked else ""
        score.misses.append(f"{message.text!r}{asked} missed {missed + turned} extra {shown}{note}")


def _use(left: list[Claim], hit: Claim, options: Sequence[str]) -> None:
    """A claim of two states ("2 or 3") answers two labels: it stays for the other."""
    rest = tuple(state for state in hit.states if not any(f"={state}" in option for option in options))
    at = next(n for n, claim in enumerate(left) if claim is hit)
    left.pop(at)
    if rest:
        left.insert(at, replace(hit, states=rest))


def _every(labels: Sequence[str]) -> list[str]:
    return [option.strip() for label in labels for option in label.split(" | ")]


def _allowed(message: Message) -> set[str]:
    return set(message.intents) | {one for one in message.may if "=" not in one}


def _intents_ok(message: Message, heard: Heard) -> bool:
    """Every intent that is wanted, and none that is neither wanted nor allowed. Whether a fact is an answer or a
    description, and that it names a place, is no fault."""
    got, wanted = set(heard.intents), set(message.intents)
    facts = {"answer", "describe"}
    if wanted & facts and got & facts:
        got, wanted = got - facts, wanted - facts
    return wanted <= got and got <= _allowed(message) | {"place"}


def _score_intents(message: Message, heard: Heard, score: Score) -> None:
    got, wanted, allowed = set(heard.intents), set(message.intents), _allowed(message)
    for intent in wanted | got:
        if intent in got and intent not in wanted and (intent in allowed or intent == "place"):
            continue
        row = score.by_intent[intent]
        row["wanted"] += intent in wanted
        row["found"] += intent in got
        row["right"] += intent in wanted and intent in got
    score.intents_right += _intents_ok(message, heard)


def _matches(knowledge: Knowledge, label: str, claim: Claim, *, polarity: bool = True) -> bool:
    negated = label.startswith("!")
    name, _, value = label.strip("!~").partition("=")
    if claim.character != name:
        return False
    if claim.quantity is None and claim.negated != negated:
        other = [state for state in knowledge.characters[name].states if state not in claim.states]
        if len(knowledge.characters[name].states) == 2 and value in other:
            return True  # of two states, the denial of one is the other
    if polarity and claim.negated != negated:
        return False
    if claim.quantity is not None:
        classes = knowledge.characters[name].classes
        if value in classes:  # a class said in words may be taken wider, never narrower
            low, high = classes[value]
            return claim.quantity.low <= low * CLOSE and claim.quantity.high >= high / CLOSE
        low, high = (float(one) for one in value.split("-"))
        return _near(low, claim.quantity.low, open_end=0) and _near(high, claim.quantity.high, open_end=999)
    return value in claim.states


def _near(wanted: float, got: float, open_end: float) -> bool:
    return wanted == open_end or abs(wanted - got) <= 1 or max(wanted, got) / max(min(wanted, got), 0.1) <= CLOSE


def _f1(right: int, found: int, wanted: int) -> float:
    precision, recall = right / max(found, 1), right / max(wanted, 1)
    return 2 * precision * recall / max(precision + recall, 1e-9)


def table(rows: dict[str, Counter[str]]) -> list[str]:
    """One line a character or intent, the worst first."""
    ordered = sorted(rows.items(), key=lambda row: _f1(row[1]["right"], row[1]["found"], row[1]["wanted"]))
    return [
        f"  {name:20} wanted {row['wanted']:4} found {row['found']:4} right {row['right']:4} "
        f"F1 {_f1(row['right'], row['found'], row['wanted']):.3f}"
        for name, row in ordered
    ]
