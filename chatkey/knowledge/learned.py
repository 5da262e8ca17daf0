"""learned.yaml: what stewards' verdicts taught about how often people misread a character, and what words are worth."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from math import floor
from pathlib import Path

from chatkey.knowledge.model import Character, Knowledge, Learned, LearnedError, LearnedPhrase
from chatkey.knowledge.yaml_nodes import Entry, Problems, nearest
from chatkey.terms import ChatkeyError

FILE = "learned.yaml"
HEAD = """\
# What stewards' verdicts taught: how often people misread a character, and what some words are worth. Made by
# `chatkey learn --write` out of all verdicts and the shipped errors; the next run makes it anew. Where a character
# stands here, its rate takes the place of its shipped error. To forget all that was learned, delete this file.
"""
MOST_SLIP = 0.9  # no state is misread more often than so
MOST_READINGS = 10**9
LONGEST_PHRASE = 60  # letters; longer words are a sentence, which nobody says twice


class NotWrittenError(ChatkeyError):
    """A folder of knowledge that may not be written to."""


def same_words(text: str) -> str:
    """The form in which words are compared: lower case, one space between."""
    return " ".join(text.lower().split())


def mean_slip(character: Character) -> float:
    """How often a state is misread, on the mean over the states. 0 for a length, which has no error rate."""
    slips = _slips(character)
    return sum(slips) / len(slips) if slips else 0.0


def highest_rate(character: Character, most: float) -> float:
    """The highest mean slip, of `most` at the most, at which no state of the character is misread past MOST_SLIP."""
    steepest = max(_slips(character), default=0.0)
    return min(most, floor(1000 * mean_slip(character) * MOST_SLIP / steepest) / 1000) if steepest else 0.0


def with_rate(character: Character, rate: float) -> Character:
    """The character with all its slips scaled so that their mean is `rate`."""
    if not character.confusion:
        return replace(character, error=rate)
    scale = rate / mean_slip(character)
    table = {true: {heard: share * scale for heard, share in row.items()} for true, row in character.confusion.items()}
    return replace(character, error=character.error * scale, confusion=table)


def taught(knowledge: Knowledge, learned: Learned) -> Knowledge:
    """The knowledge with what was learned, in place of what it had learned before."""
    before = {**knowledge.characters, **knowledge.untaught}
    changed = {id: with_rate(before[id], one.rate) for id, one in learned.errors.items()}
    untaught = {id: before[id] for id in changed}
    return replace(knowledge, characters={**before, **changed}, learned=learned, untaught=untaught)


def read_learned(
    top: Entry | None, characters: Mapping[str, Character], numbers: Mapping[str, float], problems: Problems
) -> Learned:
    """What the file holds; nothing where there is none. `numbers`: the section `learning`."""
    keys = ("date", "from", "errors", "phrases")
    pairs = problems.attempt({}, top.pairs, keys, keys) if top else {}
    if not pairs:
        return Learned()
    errors = {}
    for id, entry in problems.attempt({}, pairs["errors"].pairs).items():
        one = problems.attempt(None, _error, id, entry, characters, numbers)
        if one is not None:
            errors[id] = one
    phrases = {}
    for words, entry in problems.attempt({}, pairs["phrases"].pairs).items():
        phrase = problems.attempt(None, _phrase, words, entry)
        if phrase is not None:
            phrases[words] = phrase
    return Learned(
        date=problems.attempt("", _date, pairs["date"], bool(errors or phrases)),
        verdicts=problems.attempt(0, pairs["from"].whole, low=0, high=MOST_READINGS),
        errors=errors,
        phrases=phrases,
    )


def as_yaml(learned: Learned) -> str:
    """The file. Reading it gives the record again, with rates to three places and counts to one."""
    rows = [f'date: "{learned.date}"', f"from: {learned.verdicts}"]
    errors = [
        f"  {id}: {{rate: {one.rate:.3f}, wrong: {_plain(one.wrong)}, right: {_plain(one.right)}}}"
        for id, one in learned.errors.items()
    ]
    phrases = [
        f"  {json.dumps(words, ensure_ascii=False)}: "
        f"{{reliability: {one.reliability:.3f}, wrong: {_plain(one.wrong)}, right: {_plain(one.right)}}}"
        for words, one in learned.phrases.items()
    ]
    rows += ["errors:", *errors] if errors else ["errors: {}"]
    rows += ["phrases:", *phrases] if phrases else ["phrases: {}"]
    return HEAD + "\n".join(rows) + "\n"


def write_learned(folder: Path, learned: Learned) -> Path:
    """Puts the file into a folder of knowledge, whole or not at all. Raises NotWrittenError."""
    path = folder / FILE
    try:
        handle, name = tempfile.mkstemp(dir=folder, prefix=".learned-")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(as_yaml(learned))
            Path(name).chmod(path.stat().st_mode & 0o777 if path.exists() else 0o644)
            os.replace(name, path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        mend = "copy the folder to one of your own and name that with --knowledge"
        raise NotWrittenError(str(path), f"can't be written ({error.strerror})", mend) from None
    return path


def _plain(count: float) -> str:
    return f"{count:.1f}".removesuffix(".0")


def _slips(character: Character) -> list[float]:
    """How often each state is misread."""
    return [sum(character.confusion.get(state, {"": character.error}).values()) for state in character.states]


def _error(id: str, entry: Entry, characters: Mapping[str, Character], numbers: Mapping[str, float]) -> LearnedError:
    if id not in characters:
        raise entry.error(f"{id!r} is no character", nearest(id, characters))
    highest = highest_rate(characters[id], numbers["most_rate"])
    if not highest:
        raise entry.error(f"{id!r} has no error rate", "take the line out: nothing is learned of it")
    keys = ("rate", "wrong", "right")
    pairs = entry.pairs(keys, keys)
    return LearnedError(pairs["rate"].number(low=numbers["least_rate"], high=highest), *_counts(pairs))


def _phrase(words: str, entry: Entry) -> LearnedPhrase:
    if words != same_words(words) or len(words) > LONGEST_PHRASE:
        what = f"{words[:LONGEST_PHRASE]!r} is not how words stand here"
        raise entry.error(what, f"write small letters and single spaces, {LONGEST_PHRASE} letters at the most")
    keys = ("reliability", "wrong", "right")
    pairs = entry.pairs(keys, keys)
    return LearnedPhrase(pairs["reliability"].number(low=0, high=1), *_counts(pairs))


def _counts(pairs: Mapping[str, Entry]) -> tuple[float, float]:
    return pairs["wrong"].number(low=0, high=MOST_READINGS), pairs["right"].number(low=0, high=MOST_READINGS)


def _date(entry: Entry, is_needed: bool) -> str:
    if not is_needed and entry.is_text and not entry.node.value:
        return ""
    value = entry.text()
    try:
        if date.fromisoformat(value).isoformat() == value:
            return value
    except ValueError:
        pass
    raise entry.error(f"{value[:20]!r} is no date", "write it as 2026-11-26")
