"""What a message says to two questions that wait: by number, one behind the other, or in plain words for either."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from chatkey.dialog.turn import Mind
from chatkey.terms import INTENTS, Claim, Intent
from chatkey.understand import Pending, Understanding, understand
from chatkey.understand.bind import Trace
from chatkey.understand.choice import numbered_answers, read_choice
from chatkey.understand.normalise import Token, normalise

Known = Mapping[str, Sequence[str]]
MOST_WORDS = 14  # of a message that can be two bare answers
ASIDE = ("other", "smalltalk")  # intents of words that nothing was made of


def heard(mind: Mind, text: str, pending: Pending | None, known: Known) -> Understanding:
    """The message, whether one question waits, two or none. A word is taken for one of the two, never for both."""
    if pending is None or not pending.further or numbered_answers(text, len(pending.questions)) is not None:
        return understand(text, mind.knowledge, mind.lexicon, pending, known)
    first, second = pending.questions
    plain = understand(text, mind.knowledge, mind.lexicon, None, known)
    if plain.tally is None and not plain.marks:
        found = (
            _one_bare(mind, text, pending, known, by_key=False)
            or _two_bare(mind, text, first, second, known)
            or _one_bare(mind, text, pending, known, by_key=True)
        )
        if found is not None:
            return found
    asked = [understand(text, mind.knowledge, mind.lexicon, one, known) for one in (first, second)]
    return _merged(plain, asked, pending)


def _one_bare(mind: Mind, text: str, pending: Pending, known: Known, *, by_key: bool) -> Understanding | None:
    """The whole message as a choice of one question: in its words, or by its key (or yes, or "the first"). A number is
    the answer to a count where one is asked, else to the first that has such a key."""
    tokens = normalise(text, mind.lexicon.language)
    counts = [one for one in pending.questions if mind.knowledge.characters[one.character].kind == "count"]
    for question in (*counts, *pending.questions):
        if (read_choice(tokens, question, mind.lexicon.language) is not None) is by_key:
            found = _bare(mind, text, question, known)
            if found is not None and found.claims:
                return found
    return None


def _two_bare(mind: Mind, text: str, first: Pending, second: Pending, known: Known) -> Understanding | None:
    """A bare answer to each ("flat, two pale lines", "b a"), in the order of the questions or the other way round."""
    tokens = normalise(text, mind.lexicon.language)
    for before, start in _cuts(tokens, mind):
        for one, other in ((first, second), (second, first)):
            left = _bare(mind, text[: tokens[before].span[1]], one, known)
            right = _bare(mind, text[tokens[start].span[0] :], other, known) if left else None
            if left is not None and right is not None:
                return _joined(left, _moved(right, tokens[start].span[0]))
    return None


def _cuts(tokens: Sequence[Token], mind: Mind) -> Iterator[tuple[int, int]]:
    """Where a message may be two answers: the last token of the one and the first of the other."""
    language = mind.lexicon.language
    words = [at for at, token in enumerate(tokens) if token.kind != "mark"]
    if len(words) > MOST_WORDS:
        return
    joins = {*language.lists["clause_breaks"], *language.lists["and_words"]}
    for at, token in enumerate(tokens):
        before, behind = [word for word in words if word < at], [word for word in words if word > at]
        if (token.is_break or token.text in joins) and before and behind:
            yield before[-1], behind[0]
    if len(words) == 2:
        yield words[0], words[1]


def _bare(mind: Mind, text: str, question: Pending, known: Known) -> Understanding | None:
    """The words as nothing but an answer to the question, "can't tell" too; else None."""
    found = understand(text, mind.knowledge, mind.lexicon, question, known)
    if found.intents == ("cant_tell",) and not found.claims:
        return found
    if found.intents != ("answer",) or [claim.character for claim in found.claims] != [question.character]:
        return None
    return found if _is_all(mind, text, found.claims[0]) else None


def _is_all(mind: Mind, text: str, claim: Claim) -> bool:
    """Nothing but little words ("it is") stands beside what was made a claim."""
    language = mind.lexicon.language
    little = {*language.lists["little_words"], *language.lists["polite"]}
    return all(
        token.kind == "mark"
        or token.text in little
        or (claim.span[0] <= token.span[0] and token.span[1] <= claim.span[1])
        for token in normalise(text, language)
    )


def _joined(left: Understanding, right: Understanding) -> Understanding:
    intents = sorted({*left.intents, *right.intents}, key=INTENTS.index)
    return _with_claims(left, [*_pairs(left), *_pairs(right)], tuple(intents))


def _moved(found: Understanding, by: int) -> Understanding:
    """The same of words that stand further on in the message."""
    claims = (replace(claim, span=(claim.span[0] + by, claim.span[1] + by)) for claim in found.claims)
    traces = (
        replace(trace, cues=tuple(replace(cue, span=(cue.span[0] + by, cue.span[1] + by)) for cue in trace.cues))
        for trace in found.traces
    )
    return replace(found, claims=tuple(claims), traces=tuple(traces))


def _merged(plain: Understanding, asked: Sequence[Understanding], pending: Pending) -> Understanding:
    """What was read as an answer to each of the questions, and what stands beside these in other words. Where both
    claim the same words, the one that makes more of them has them."""
    own = [
        pair
        for question, found in zip(pending.questions, asked, strict=True)
        for pair in _pairs(found)
        if pair[0].character == question.character
    ]
    own.sort(key=lambda pair: -_length(pair[0]))
    others = [pair for found in (plain, *asked) for pair in _pairs(found)]
    answered = {question.character for question in pending.questions}
    kept: list[tuple[Claim, Trace]] = []
    for claim, trace in [*own, *(pair for pair in others if pair[0].character not in answered)]:
        if not any(_overlap(claim, taken) or _same_character(claim, taken) for taken, _ in kept):
            kept.append((claim, trace))
    kept.sort(key=lambda pair: pair[0].span)
    told = {claim.character for claim, _ in kept}
    said = {
        intent
        for question, found in zip(pending.questions, asked, strict=True)
        for intent in found.intents
        if intent != "cant_tell" or intent in plain.intents or question.character not in told
    }
    intents = {intent for intent in said if intent not in ASIDE} or said or {"describe"}
    missed = [words for words in plain.not_understood if all(words in found.not_understood for found in asked)]
    return replace(
        _with_claims(plain, kept, tuple(sorted(intents, key=INTENTS.index))),
        not_understood=tuple(words for words in missed if not any(words in claim.text for claim, _ in kept)),
        spoken=plain.spoken or any(found.spoken for found in asked),
    )


def _with_claims(
    found: Understanding, pairs: Sequence[tuple[Claim, Trace]], intents: tuple[Intent, ...]
) -> Understanding:
    claims = tuple(replace(claim, sequence=n) for n, (claim, _) in enumerate(pairs))
    return replace(found, claims=claims, traces=tuple(trace for _, trace in pairs), intents=intents)


def _pairs(found: Understanding) -> list[tuple[Claim, Trace]]:
    return list(zip(found.claims, found.traces, strict=True))


def _length(claim: Claim) -> int:
    return claim.span[1] - claim.span[0]


def _overlap(one: Claim, other: Claim) -> bool:
    return one.span[0] < other.span[1] and other.span[0] < one.span[1]


def _same_character(one: Claim, other: Claim) -> bool:
    return one.character == other.character
