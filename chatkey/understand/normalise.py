"""A message to tokens: plain lower-case words, numbers and marks, each with its span in the message."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from chatkey.knowledge.model import Language

LONGEST = 4000  # code points that are read; a longer message is cut
PLAIN = {
    "’": "'",
    "‘": "'",
    "´": "'",
    "`": "'",
    "“": '"',
    "”": '"',
    "″": '"',
    "′": "'",
    "–": "-",
    "—": " - ",
    "…": "...",
}
DROPPED = {"\ufe0f", "\u200d", "\u20e3"} | {chr(code) for code in range(0x1F3FB, 0x1F400)} | {"♂", "♀"}
FRACTIONS = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
PIECE = re.compile(
    r"(?P<number>\d+(?:\.\d+)?(?!\w*[a-z]\d)|\.\d+)|(?P<word>w/o\b|w/|b/c\b|[^\W\d_]+(?:'[^\W\d_]+)*'?)|(?P<mark>[^\w\s]|_)"
)
SIMPLE = re.compile(r"[a-z]+(?: [a-z]+)*")  # most phrases of a lexicon: nothing to mend
BREAKS = set(".,;:?!()\n")
NOT_MERGED = {"hundred", "dozen", "half dozen", "couple", "couple of", "pair", "pair of"}


@dataclass(frozen=True, slots=True)
class Token:
    """One word, number or mark. `span` is half-open, in code points of the message as it came."""

    text: str
    span: tuple[int, int]
    kind: str = "word"  # word | number | mark
    ish: bool = False  # "flattish": a hedge

    @property
    def is_break(self) -> bool:
        return self.kind == "mark" and self.text in BREAKS


def normalise(text: str, language: Language) -> tuple[Token, ...]:
    """The tokens of a message. Any text gives tokens; nothing raises."""
    if SIMPLE.fullmatch(text):
        return _simple(text, language)
    plain, origin = _plain(text[:LONGEST], language.texts["emoji"])
    tokens = [
        Token(match.group(), (origin[match.start()], origin[match.end() - 1] + 1), match.lastgroup or "mark")
        for match in PIECE.finditer(plain)
    ]
    tokens = _expand(_join_fractions(tokens), language)
    return tuple(_count(token, language.numbers["numbers"]) for token in tokens)


def _simple(text: str, language: Language) -> tuple[Token, ...]:
    """The same tokens for plain lower-case words, found faster."""
    tokens = []
    at = 0
    for word in text.split(" "):
        tokens.append(Token(word, (at, at + len(word))))
        at += len(word) + 1
    return tuple(_count(token, language.numbers["numbers"]) for token in _expand(tokens, language))


def stem(word: str) -> str:
    """The word without a plural ending: one form for "needles" and "needle"."""
    if len(word) < 4 or not word.endswith("s") or word.endswith(("ss", "us", "is")):
        return word
    if word.endswith("ies") and len(word) > 4:
        return word[:-3] + "y"
    if word.endswith(("ches", "shes", "sses", "xes", "zes")):
        return word[:-2]
    return word[:-1]


def _plain(text: str, emoji: Mapping[str, str]) -> tuple[str, list[int]]:
    """Lower-case plain text, and for each of its characters the index in `text` it came from."""
    out: list[str] = []
    origin: list[int] = []
    for index, character in enumerate(text):
        if character in DROPPED:
            continue
        if character in FRACTIONS:
            piece = " " + FRACTIONS[character]
        elif character in emoji:
            piece = f" {emoji[character]} "
        elif character in PLAIN:
            piece = PLAIN[character]
        elif character == "\n":
            piece = " . "
        elif unicodedata.category(character)[0] == "C":
            piece = " "
        else:
            piece = unicodedata.normalize("NFKC", character).lower()
        out.append(piece)
        origin += [index] * len(piece)
    return "".join(out), origin


def _join_fractions(tokens: Sequence[Token]) -> list[Token]:
    """ "1 / 2" is one number."""
    out: list[Token] = []
    for token in tokens:
        if len(out) >= 2 and token.kind == "number" and out[-1].text == "/" and out[-2].kind == "number":
            top = out[-2]
            out[-2:] = [Token(f"{top.text}/{token.text}", (top.span[0], token.span[1]), "number")]
        else:
            out.append(token)
    return out


def _expand(tokens: Sequence[Token], language: Language) -> list[Token]:
    """Texting forms written out; a single letter only where it is not all of the message."""
    table = language.texts["expand"]
    alone = len([token for token in tokens if token.kind != "mark"]) <= 1
    out: list[Token] = []
    index = 0
    while index < len(tokens):
        for length in (3, 2, 1):
            run = tokens[index : index + length]
            if len(run) < length or (key := " ".join([token.text for token in run])) not in table:
                continue
            if alone and key in language.lists["expand_unless_choice"]:
                continue
            span = (run[0].span[0], run[-1].span[1])
            out += [Token(word, span) for word in table[key].split()]
            index += length
            break
        else:
            out.append(tokens[index])
            index += 1
    return out


def _count(token: Token, numbers: Mapping[str, float]) -> Token:
    if token.kind == "word" and token.text in numbers and token.text not in NOT_MERGED:
        return replace(token, text=f"{numbers[token.text]:g}", kind="number")
    return token
