"""A bare answer to the pending question: "2", "b", "the 2nd one", "yes", "neither", "1 or 2"."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from chatkey.knowledge.model import Language
from chatkey.understand.normalise import Token
from chatkey.understand.pending import Pending

# How several questions are answered in one message: "1b 2a", "1) flat 2) sharp", "1 flat, 2 sharp".
# A letter behind a blank ("1 a, 2 b") counts where no word follows: "2 a bundle" is none, nor is "1.5 inches".
LETTERED = re.compile(
    r"(?:(?<!\w)|(?<=\d[a-hA-H]))[(#]?(\d)(?:\s*[.):=-]\s*|(?=[a-hA-H])|\s+(?=[a-hA-H]\s*(?:$|[,;.)(#&+\d])))"
    r"([a-hA-H])(?![^\W\d])[,;.)]*"
)
MARKED = re.compile(r"(?:^|(?<=[\s,;.]))(\d)(?:\s*[):=]\s*(?=\S)|\.\s*(?=[^\W\d])|\.\s+(?=\S))")
SPACED = re.compile(r"(?:^|(?<=[\s,;.]))(\d)\s+(?=[^\W\d])")
RANGE = re.compile(r"\d\s+\w{1,2}\s+\d\b")  # "1 to 2 inches", which is no list


@dataclass(frozen=True, slots=True)
class Chosen:
    """The choice picked; `also` where two were named ("1 or 2")."""

    state: str
    also: tuple[str, ...] = ()
    hedge: float = 0.0


def read_choice(tokens: Sequence[Token], pending: Pending, language: Language) -> Chosen | None:
    """The choice a whole message picks, or None where it says more than that."""
    choices = pending.choices
    heard = [token for token in tokens if token.kind != "mark" or token.text == "?"]
    if _is_key_of_two(heard, language):  # "1b", as it is answered where two are asked; here there is no second
        heard = [replace(heard[1], text=heard[1].text[0])] if heard[0].text == "1" else []
    words = [token.text for token in heard if not _is_the_word_one(token)] or [token.text for token in heard]
    words = [word for word in words if word not in language.lists["choice_marks"]]
    if not words:  # "number one"
        words = [token.text for token in heard if token.text not in language.lists["choice_marks"]]
    hedge = _hedge(words, language)
    kept = _without_doubts([word for word in words if word != "?"], language)
    kept = [word for word in kept if word not in language.lists["polite"]]
    if not choices or not kept or len(kept) > 5:
        return None
    by_key = {key.lower(): state for key, state in choices}
    offered = [state for _, state in choices if state not in ("cant_tell", "none_of_these")]
    text = " ".join(kept)
    if text in language.lists["none_of_them"] and text not in by_key:
        return Chosen("none_of_these" if "none_of_these" in by_key.values() else "cant_tell")
    if " ".join(word for word in kept if word not in language.lists["little_words"]) in language.lists["all_of_them"]:
        return Chosen(offered[0], tuple(offered[1:]), hedge)
    if len(offered) == 2 and pending.yes in offered:
        other = next(state for state in offered if state != pending.yes)
        for said, state in (("yes", pending.yes), ("no", other)):
            if _says(kept, language.lists[said], language):
                return Chosen(state, hedge=hedge)
    joins = {*language.lists["either"], *language.lists["and_words"]}
    joined = [word for word in kept if word not in joins]
    picked = [_one(word, by_key, offered, language) for word in _merged(joined, language)]
    if not picked or any(state is None for state in picked):
        return None
    states = list(dict.fromkeys(state for state in picked if state))
    if len(states) > 1 and ("cant_tell" in states or "none_of_these" in states):
        return None
    return Chosen(states[0], tuple(states[1:]), hedge)


def numbered_answers(text: str, questions: int) -> list[tuple[int, int, int]] | None:
    """The parts of a message that answers several questions by number: number of the question from 1 (0 for what stands
    behind the answers), start and end of the part. None where the message is no such list."""
    for style in (LETTERED, MARKED, SPACED):
        marks = [match for match in style.finditer(text) if 1 <= int(match[1]) <= questions]
        numbers = [int(match[1]) for match in marks]
        if not marks or text[: marks[0].start()].strip() or len(numbers) != len(set(numbers)):
            continue
        if style is not LETTERED and numbers != sorted(numbers):  # "2 needles 1 inch"
            continue
        if style is SPACED and (len(marks) < questions or RANGE.match(text.strip())):  # "2 needles in a bundle"
            continue
        if style is LETTERED:
            found = [(number, *match.span(2)) for number, match in zip(numbers, marks, strict=True)]
            rest = text[marks[-1].end() :]
            return found if not rest.strip() else [*found, (0, marks[-1].end(), len(text))]
        ends = [*(match.start() for match in marks[1:]), len(text)]
        return [(number, match.end(), end) for number, match, end in zip(numbers, marks, ends, strict=True)]
    return None


def leading_choice(tokens: Sequence[Token], pending: Pending, language: Language) -> tuple[Chosen, int] | None:
    """A choice that a longer message begins with ("2. why?", "yes and it is hairy"), and where the rest begins."""
    for index, token in enumerate(tokens[1:6], 1):
        joins = token.is_break or token.text in (*language.lists["clause_breaks"], *language.lists["and_words"])
        if joins and index + 1 < len(tokens):
            chosen = read_choice(tokens[:index], pending, language)
            return (chosen, index + 1) if chosen is not None else None
    return None


def trailing_choice(tokens: Sequence[Token], pending: Pending, language: Language) -> tuple[Chosen, int] | None:
    """A choice that a longer message ends with ("it shoved back, so 2"), and where it begins."""
    heard = [n for n, token in enumerate(tokens) if token.kind != "mark"]
    if len(heard) < 3:
        return None
    last, before = heard[-1], heard[-2]
    led = tokens[before].text in language.lists["choice_leads"] or (last - before > 1 and tokens[last - 1].text == ",")
    is_key = tokens[last].kind == "number" or tokens[last].text in language.numbers["ordinals"]
    chosen = read_choice(tokens[last : last + 1], pending, language) if led and is_key else None
    return (chosen, last) if chosen is not None else None


def _says(words: Sequence[str], said: Sequence[str], language: Language) -> bool:
    """A yes or a no: in the list as it stands, or made of its words and little ones ("yeah they do")."""
    if " ".join(words) in said:
        return True
    little = {*language.lists["little_words"], *language.lists["polite"]}
    return any(word in said for word in words) and all(word in said or word in little for word in words)


def _is_key_of_two(tokens: Sequence[Token], language: Language) -> bool:
    """A number with one letter close behind it, and nothing else. The letter may be a word by now ("b" is "be")."""
    if len(tokens) != 2 or tokens[0].kind != "number" or tokens[1].text[:1] not in language.numbers["letters"]:
        return False
    start, end = tokens[1].span
    return tokens[0].span[1] == start and end - start == 1


def _is_the_word_one(token: Token) -> bool:
    """ "The 2nd one": a word that became a number."""
    return token.text == "1" and token.span[1] - token.span[0] > 1


def _one(word: str, by_key: dict[str, str], offered: Sequence[str], language: Language) -> str | None:
    if word in by_key:
        return by_key[word]
    place = language.numbers["ordinals"].get(word) or language.numbers["letters"].get(word)
    if place is None:
        return None
    states = list(by_key.values())
    index = int(place) - 1 if place > 0 else len(offered) + int(place)
    return states[index] if 0 <= index < len(states) else None


def _merged(words: Sequence[str], language: Language) -> list[str]:
    """Ordinals of two words as one ("first one", "the last")."""
    text = " ".join(words)
    return [text] if text in language.numbers["ordinals"] else list(words)


def _without_doubts(words: Sequence[str], language: Language) -> list[str]:
    """The words without those of a doubt ("more like 1", "2 i guess"), unless they are all there is."""
    kept = list(words)
    for phrase in sorted(language.numbers["hedge"], key=len, reverse=True):
        doubt = phrase.split()
        for at in range(len(kept) - len(doubt), -1, -1):
            if kept[at : at + len(doubt)] == doubt:
                del kept[at : at + len(doubt)]
    return kept or list(words)


def _hedge(words: Sequence[str], language: Language) -> float:
    text = f" {' '.join(words)} "
    return max((weight for phrase, weight in language.numbers["hedge"].items() if f" {phrase} " in text), default=0.0)
