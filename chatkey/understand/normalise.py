"""A message to tokens: plain lower-case words, numbers and marks, each with its span in the message."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from chatkey.knowledge.model import Language

NO_WORDS = {"Cc", "Cf", "Cn", "Co", "Cs", "So", "Sk"}  # controls, marks without a width, pictures
LONGEST = 4000  # code points that are read; a longer message is cut
MOST_LANGUAGES, MOST_STEMS = 16, 100_000  # kept ready
SHORTEST_PLURAL = 4  # letters of a word that may have a plural ending
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
NUMBER = (
    r"(?P<number>\d{1,3}(?:[THOUSAND]\d{3})+(?!\d)|\d+(?:[DECIMAL]\d+)?(?!\w*[a-z]\d)|\.\d+)"
    r"(?P<thousand>k\b)?(?P<many>'?s\b)?"  # "in 2s" is in twos
)
WORD = r"[^\W\d_]+(?:'[^\W\d_]+)*'?"
MARK = r"(?P<mark>[^\w\s]|_)"
SIMPLE = re.compile(r"[a-z]+(?: [a-z]+)*")  # most phrases of a lexicon: nothing to mend
BREAKS = set(".,;:?!()\n")


@dataclass(frozen=True, slots=True)
class Token:
    """One word, number or mark. `span` is half-open, in code points of the message as it came."""

    text: str
    span: tuple[int, int]
    kind: str = "word"  # word | number | mark
    stem: str = ""  # the word without a plural ending
    score: float = 1.0  # how near the word as typed is to the one it was taken for
    ish: bool = False  # "flattish": a hedge
    many: bool = False  # "twos", "2s": things that come so many at a time

    @property
    def is_break(self) -> bool:
        return self.kind == "mark" and self.text in BREAKS


@dataclass(frozen=True, slots=True)
class _Tables:
    """What a language gives to this stage, made ready once."""

    language: Language
    piece: re.Pattern[str]
    expand: Mapping[str, str]
    firsts: frozenset[str]  # first words of the texting forms
    not_alone: frozenset[str]  # forms that are left as they are where they are all of the message
    numbers: Mapping[str, str]  # spelled numbers that always count, in digits
    endings: tuple[tuple[str, str], ...]
    not_plural: tuple[str, ...]
    stems: dict[str, str]


_TABLES: dict[int, _Tables] = {}  # by the identity of a language, which the entry keeps alive


def _tables(language: Language) -> _Tables:
    found = _TABLES.get(id(language))
    if found is None or found.language is not language:
        if len(_TABLES) >= MOST_LANGUAGES:
            _TABLES.clear()
        expand = language.texts["expand"]
        loose = language.lists["loose_numbers"]
        found = _TABLES[id(language)] = _Tables(
            language=language,
            piece=_piece(language),
            expand=expand,
            firsts=frozenset(form.split()[0] for form in expand if form.strip()),
            not_alone=frozenset(language.lists["expand_unless_choice"]),
            numbers={word: f"{n:g}" for word, n in language.numbers["numbers"].items() if word not in loose},
            endings=tuple(language.texts["plural_endings"].items()),
            not_plural=language.lists["not_plural"],
            stems={},
        )
    return found


def normalise(text: str, language: Language) -> tuple[Token, ...]:
    """The tokens of a message. Any text gives tokens; nothing raises."""
    tables = _tables(language)
    if SIMPLE.fullmatch(text):
        return _simple(text, tables)
    plain, origin = _plain(text[:LONGEST], language.texts["emoji"])
    tokens = [_token(match, origin) for match in tables.piece.finditer(plain)]
    return tuple(_finished(token, tables) for token in _expand(_join_fractions(tokens), tables))


def _token(match: re.Match[str], origin: Sequence[int]) -> Token:
    """A piece with its place in the message as typed. "4k" is 4000."""
    span = (origin[match.start()], origin[match.end() - 1] + 1)
    if not match["number"]:
        return Token(match.group(), span, "word" if match["word"] or match["form"] else "mark")
    number = match["number"]
    grouped = re.fullmatch(r"\d{1,3}([.,]\d{3})+", number)  # "6,500 feet"
    number = re.sub("[.,]", "", number) if grouped and "." not in number else number.replace(",", ".")
    text = f"{float(number) * 1000:g}" if match["thousand"] else number
    return Token(text, span, "number", many=bool(match["many"]))


def _piece(language: Language) -> re.Pattern[str]:
    """Numbers, words and marks; "2nd" and a texting form with a stroke in it ("w/o") are one word."""
    ordinals = (word for word in language.numbers["ordinals"] if word[0].isdigit())
    stroked = (form for form in language.texts["expand"] if "/" in form)
    whole = sorted([*ordinals, *stroked], key=len, reverse=True)
    forms = "|".join(re.escape(form) + (r"\b" if form[-1].isalpha() else "") for form in whole)
    decimal = "".join(language.lists["decimal_marks"]) or "."
    number = NUMBER.replace("DECIMAL", re.escape(decimal)).replace("THOUSAND", "." if "," in decimal else ",")
    return re.compile(rf"(?P<form>\b(?:{forms or '(?!)'}))|{number}|(?P<word>{WORD})|{MARK}")


def _simple(text: str, tables: _Tables) -> tuple[Token, ...]:
    """The same tokens for plain lower-case words, found faster."""
    tokens = []
    at = 0
    for word in text.split(" "):
        tokens.append(Token(word, (at, at + len(word))))
        at += len(word) + 1
    return tuple(_finished(token, tables) for token in _expand(tokens, tables))


def stem(word: str, language: Language) -> str:
    """The word without a plural ending: one form for "needles" and "needle". The endings are the language's."""
    return _stem(word, _tables(language))


def _stem(word: str, tables: _Tables) -> str:
    found = tables.stems.get(word)
    if found is None:
        if len(tables.stems) >= MOST_STEMS:
            tables.stems.clear()
        found = tables.stems[word] = _cut_plural(word.removesuffix("'s"), tables)
    return found


def _cut_plural(word: str, tables: _Tables) -> str:
    if len(word) < SHORTEST_PLURAL or word.endswith(tables.not_plural):
        return word
    for ending, instead in tables.endings:  # the first that fits
        if word.endswith(ending) and len(word) > len(ending) + 1:
            return word[: -len(ending)] + instead
    return word


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
        elif unicodedata.category(character) == "Mn":
            _compose(out, character)
            continue
        elif unicodedata.category(character) in NO_WORDS:
            piece = " "
        else:
            piece = unicodedata.normalize("NFKC", character).lower()
        out.append(piece)
        origin += [index] * len(piece)
    return "".join(out), origin


def _compose(out: list[str], mark: str) -> None:
    """A combining mark with the letter before it, where the two are one letter; else it is dropped."""
    if out and out[-1] and len(whole := unicodedata.normalize("NFC", out[-1][-1] + mark)) == 1:
        out[-1] = out[-1][:-1] + whole


def _join_fractions(tokens: Sequence[Token]) -> list[Token]:
    """ "1 / 2" is one number."""
    out: list[Token] = []
    for token in tokens:
        if len(out) >= 2 and token.kind == "number" and out[-1].text == "/" and out[-2].kind == "number":
            top = out[-2]
            if "/" in top.text + token.text:  # "1/¼" is no number
                out.append(token)
                continue
            out[-2:] = [Token(f"{top.text}/{token.text}", (top.span[0], token.span[1]), "number")]
        else:
            out.append(token)
    return out


def _expand(tokens: Sequence[Token], tables: _Tables) -> list[Token]:
    """Texting forms written out; a single letter only where it is not all of the message."""
    table = tables.expand
    alone = len([token for token in tokens if token.kind != "mark"]) <= 1
    out: list[Token] = []
    index = 0
    while index < len(tokens):
        if tokens[index].text not in tables.firsts:
            out.append(_joint(tokens, index, tables.language) or tokens[index])
            index += 1
            continue
        for length in (3, 2, 1):
            run = tokens[index : index + length]
            if len(run) < length or (key := " ".join([token.text for token in run])) not in table:
                continue
            if alone and key in tables.not_alone:
                continue
            span = (run[0].span[0], run[-1].span[1])
            out += [Token(word, span, "word" if word[0].isalnum() else "mark") for word in table[key].split()]
            index += length
            break
        else:
            out.append(_joint(tokens, index, tables.language) or tokens[index])
            index += 1
    return out


def _joint(tokens: Sequence[Token], index: int, language: Language) -> Token | None:
    """ "An" before a consonant is "and" with a letter lost."""
    instead = language.texts["before_consonants"].get(tokens[index].text)
    following = tokens[index + 1] if index + 1 < len(tokens) else None
    if (
        instead is None
        or following is None
        or following.kind != "word"
        or following.text[0] in language.lists["vowels"]
    ):
        return None
    return replace(tokens[index], text=instead)


def _finished(token: Token, tables: _Tables) -> Token:
    """With its stem; a spelled number as digits."""
    text, span = token.text, token.span
    if token.kind != "word":
        return Token(text, span, token.kind, text, many=token.many)
    digits = tables.numbers.get(text)
    if digits is not None:
        return Token(digits, span, "number", digits, many=_stem(text, tables) != text)  # "twos"
    return Token(text, span, "word", _stem(text, tables))
