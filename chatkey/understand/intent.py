"""What a message wants: all its intents by urgency, and the subjects of an unsafe question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from chatkey.terms import INTENTS, Intent
from chatkey.understand.lexicon import Lexicon
from chatkey.understand.likeness import PLAIN, likeliest
from chatkey.understand.normalise import Token

LIKE_ENOUGH, CLEAR_LEAD = 0.5, 0.6  # of an intent told by its words alone; set on the messages for tuning
SURELY_LIKE, SURE_LEAD = 2.0, 1.8  # of one that must not be taken by mistake
FEWEST_WORDS = 2  # below it a guess must be as sure as one of these
SAID_ALONE = {"stop", "erase", "answer", "describe", "cant_tell", "smalltalk", "abuse", "greeting", "thanks"}
GRAVE = {"unsafe", "stop", "erase", "restart", "undo"}
GAP = 4  # words that a * may stand for


@dataclass(frozen=True, slots=True)
class FoundIntent:
    intent: Intent
    subject: str
    tokens: tuple[int, ...]  # that spoke for it


def find_intents(tokens: Sequence[Token], lexicon: Lexicon) -> tuple[FoundIntent, ...]:
    """Every intent whose words stand in the message. A whole-message word counts only as the whole message."""
    words = tuple(token.text for token in tokens if token.kind != "mark") or tuple(token.text for token in tokens)
    found: list[FoundIntent] = []
    for intent, subject in lexicon.wholes.get(words, ()):
        found.append(FoundIntent(_known(intent), subject, tuple(range(len(tokens)))))
    found += _parts_said(tokens, lexicon)
    for start, token in enumerate(tokens):
        after = tokens[start + 1].text if start + 1 < len(tokens) else ""
        for first in (token.text, token.stem) if token.text.endswith("'s") else (token.text,):
            for second in ("", after) if after else ("",):
                for pattern, intent, subject in lexicon.patterns.get((first, second), ()):
                    run = _run(tokens, start, pattern)
                    if run is not None:
                        found.append(FoundIntent(_known(intent), subject, run))
    return tuple(sorted(found, key=lambda one: INTENTS.index(one.intent)))


def _parts_said(tokens: Sequence[Token], lexicon: Lexicon) -> list[FoundIntent]:
    """Whole-message words at the head or the end of a message ("next tree. sharp needles", "flat. why that?"). One word
    counts at the head only, before a full stop; to stop or to be forgotten must be said alone."""
    breaks = [n for n, token in enumerate(tokens) if token.is_break]
    if not breaks or len(tokens) - len(breaks) < 2:
        return []
    head = range(breaks[0])
    tail_from = max((n for n in breaks if any(token.kind != "mark" for token in tokens[n + 1 :])), default=None)
    pieces = [(head, 2 if tokens[breaks[0]].text == "," else 1)]
    if tail_from is not None:
        pieces.append((range(tail_from + 1, len(tokens)), 2))
    found = []
    for piece, fewest in pieces:
        words = tuple(tokens[n].text for n in piece if tokens[n].kind != "mark")
        for intent, subject in lexicon.wholes.get(words, ()) if len(words) >= fewest else ():
            if intent not in SAID_ALONE:
                found.append(FoundIntent(_known(intent), subject, tuple(piece)))
    return found


def likely_intent(tokens: Sequence[Token], lexicon: Lexicon, *, asked: bool) -> tuple[FoundIntent, ...]:
    """The intent whose phrases are most like a message in which none of them stands, if it is like enough. Words that
    tell of a plant are a description, or an answer where a question waits, though no fact was made of them."""
    (intent, subject), score, lead = likeliest(tokens, lexicon.hints)
    everything = tuple(range(len(tokens)))
    if intent == PLAIN:
        told = score >= LIKE_ENOUGH
        return (FoundIntent("answer" if asked else "describe", "", everything),) if told else ()
    grave = intent in GRAVE or sum(token.kind == "word" for token in tokens) < FEWEST_WORDS
    if score < (SURELY_LIKE if grave else LIKE_ENOUGH) or lead < (SURE_LEAD if grave else CLEAR_LEAD):
        return ()
    if intent == "unsafe" and any(token.text in lexicon.language.lists["deny"] for token in tokens):
        return ()  # "no poison ivy around"
    return (FoundIntent(_known(intent), subject, everything),)


def _run(tokens: Sequence[Token], start: int, words: Sequence[str | frozenset[str] | None]) -> tuple[int, ...] | None:
    """The tokens that fit the pattern from `start` on, or None. A gap does not reach over the end of a sentence."""
    at = start
    used = [start]
    gap = False
    for word in words[1:]:
        if word is None:
            gap = True
            continue
        reach = GAP + 1 if gap else 1
        for step in range(1, reach + 1):
            if at + step >= len(tokens) or (tokens[at + step].is_break and tokens[at + step].text != ","):
                return None
            heard = tokens[at + step].text
            if heard == word or (isinstance(word, frozenset) and (heard in word or tokens[at + step].stem in word)):
                at += step
                break
        else:
            return None
        used.append(at)
        gap = False
    return tuple(used)


def _known(intent: str) -> Intent:
    return next(known for known in INTENTS if known == intent)
