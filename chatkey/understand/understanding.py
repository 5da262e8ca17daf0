"""One message understood: as an answer to what was asked, else in its own words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from chatkey.knowledge.model import Character, Knowledge
from chatkey.terms import INTENTS, Claim, Place, Quantity
from chatkey.understand.bind import Trace
from chatkey.understand.choice import Chosen, leading_choice, numbered_answers, read_choice, trailing_choice
from chatkey.understand.lexicon import Lexicon
from chatkey.understand.match import mend
from chatkey.understand.normalise import Token, normalise
from chatkey.understand.own_words import QUIET, Understanding, in_own_words
from chatkey.understand.pending import CANT_TELL, NONE_OF_THESE, Pending
from chatkey.understand.scope import Cue
from chatkey.understand.tally import find_counted
from chatkey.understand.tongue import is_spoken


def understand(
    text: str,
    knowledge: Knowledge,
    lexicon: Lexicon,
    pending: Pending | None = None,
    known: Mapping[str, Sequence[str]] | None = None,
) -> Understanding:
    """What a message says and wants. Pure; any text gives an answer.

    `known`: states already said of the plant by character, for words that can be said of two characters.
    """
    raw = normalise(text, lexicon.language)
    counted = find_counted(text, raw, lexicon.language)
    if counted is None:
        return _understood(text, raw, knowledge, lexicon, pending, known)
    raw = normalise(counted.rest, lexicon.language)
    rest = _understood(counted.rest, raw, knowledge, lexicon, pending, known)
    if not any(token.kind != "mark" for token in raw) or rest.intents[0] in QUIET:
        rest = Understanding(lexicon.language.code, ("describe",), ())
    return replace(rest, tally=counted.tally, marks=counted.marks)


def _understood(
    text: str,
    raw: Sequence[Token],
    knowledge: Knowledge,
    lexicon: Lexicon,
    pending: Pending | None,
    known: Mapping[str, Sequence[str]] | None,
) -> Understanding:
    """The same of a message in which nothing is counted."""
    if pending and pending.further:
        return _several(text, knowledge, lexicon, pending, known)
    if pending:
        answered = _answer(text, raw, knowledge, lexicon, pending, known)
        if answered is not None:
            return answered
    if not is_spoken(text, raw, lexicon):
        return Understanding(lexicon.language.code, ("other",), (), spoken=False)
    return in_own_words(text, mend(raw, lexicon), knowledge, lexicon, pending, known or {})


def _answer(
    text: str,
    raw: Sequence[Token],
    knowledge: Knowledge,
    lexicon: Lexicon,
    pending: Pending,
    known: Mapping[str, Sequence[str]] | None,
) -> Understanding | None:
    """A bare answer to the pending question, or one that a longer message begins with; else None."""
    asked = knowledge.characters.get(pending.character)
    chosen = read_choice(raw, pending, lexicon.language) or _state_named(raw, pending, lexicon)
    if chosen is not None and chosen.state in (NONE_OF_THESE, CANT_TELL):
        chosen = _state_named(raw, pending, lexicon) or chosen  # "none" may be a state of its own
    if chosen is None and _is_whole_cant_tell(raw, lexicon):
        chosen = Chosen(CANT_TELL)
    if chosen is not None:
        return _answered(text, raw, pending, chosen, asked, lexicon)
    cut = leading_choice(raw, pending, lexicon.language)
    if cut is None:
        end = trailing_choice(raw, pending, lexicon.language)
        if end is None or asked is None or asked.kind == "length":
            return None
        last = _answered(text, raw[end[1] :], pending, end[0], asked, lexicon)
        return _both(last, understand(text[: raw[end[1]].span[0]], knowledge, lexicon, None, known), 0)
    first = _answered(text, raw[: cut[1]], pending, cut[0], asked, lexicon)
    start = raw[cut[1]].span[0]
    return _both(first, understand(text[start:], knowledge, lexicon, None, known), start)


def _several(
    text: str, knowledge: Knowledge, lexicon: Lexicon, pending: Pending, known: Mapping[str, Sequence[str]] | None
) -> Understanding:
    """Two questions were put at once: answered by number, or both in plain words."""
    questions = (replace(pending, further=()), *pending.further)
    parts = numbered_answers(text, len(questions))
    if parts is None:
        return _in_order(text, knowledge, lexicon, questions, known)
    found: Understanding | None = None
    for number, start, end in parts:
        question = questions[number - 1] if number else None
        heard = understand(text[start:end], knowledge, lexicon, question, known)
        found = _both(found, heard, start) if found else _both(replace(heard, claims=(), traces=()), heard, start)
    return found or understand(text, knowledge, lexicon, questions[0], known)


def _in_order(
    text: str,
    knowledge: Knowledge,
    lexicon: Lexicon,
    questions: Sequence[Pending],
    known: Mapping[str, Sequence[str]] | None,
) -> Understanding:
    """As many bare answers as questions are meant in order, a single one for the first; else plain words for all."""
    tokens = normalise(text, lexicon.language)
    words = [token for token in tokens if token.kind != "mark"]
    if len(words) == len(questions):
        picked = [read_choice([word], one, lexicon.language) for word, one in zip(words, questions, strict=True)]
        if all(picked):
            first, *others = (
                understand(text[word.span[0] : word.span[1]], knowledge, lexicon, one, known)
                for word, one in zip(words, questions, strict=True)
            )
            for word, other in zip(words[1:], others, strict=True):
                first = _both(first, other, word.span[0])
            return first
    first = understand(text, knowledge, lexicon, questions[0], known)
    if read_choice(tokens, questions[0], lexicon.language) is not None:
        return first
    for question in questions[1:]:
        first = _both(first, understand(text, knowledge, lexicon, question, known), 0)
    return first


def _state_named(tokens: Sequence[Token], pending: Pending, lexicon: Lexicon) -> Chosen | None:
    """The state that the whole message is a phrase for, where it is one of the question's."""
    words = tuple(token.stem for token in tokens if token.kind != "mark")
    rows = lexicon.phrases.get(words[:2], ()) if words and not all(word.isdigit() for word in words) else ()
    states = {
        m.state for found, meanings in rows if found == words for m in meanings if m.character == pending.character
    }
    return Chosen(states.pop()) if len(states) == 1 else None


def _answered(
    text: str,
    tokens: Sequence[Token],
    pending: Pending,
    chosen: Chosen,
    asked: Character | None,
    lexicon: Lexicon,
) -> Understanding:
    """A bare answer to the pending question."""
    if chosen.state == CANT_TELL:
        return Understanding(lexicon.language.code, ("cant_tell",), ())
    if pending.kind == "compare":
        return Understanding(lexicon.language.code, ("answer",), (), chosen=chosen.state)
    if pending.kind == "place":
        return Understanding(lexicon.language.code, ("place",), (), place=Place(chosen.state))
    if asked is None:
        return Understanding(lexicon.language.code, ("answer",), ())
    span = (tokens[0].span[0], tokens[-1].span[1]) if tokens else (0, len(text))
    if chosen.state == NONE_OF_THESE:
        claim = Claim(asked.id, states=asked.offer, negated=True, span=span, text=text[span[0] : span[1]])
    elif asked.kind == "length":
        low, high = asked.classes[chosen.state]
        claim = Claim(asked.id, quantity=Quantity(low, high), span=span, text=text[span[0] : span[1]])
    else:
        claim = Claim(
            asked.id, states=(chosen.state, *chosen.also), hedge=chosen.hedge, span=span, text=text[span[0] : span[1]]
        )
    return Understanding(lexicon.language.code, ("answer",), (claim,), traces=(Trace(claim.text, 1.0, "asked"),))


def _both(first: Understanding, rest: Understanding, start: int) -> Understanding:
    """An answer and what was said behind it: "2. why do you ask"."""
    answered = {claim.character for claim in first.claims}
    new = [(c, t) for c, t in zip(rest.claims, rest.traces, strict=True) if c.character not in answered]
    moved = tuple(
        replace(claim, sequence=len(first.claims) + n, span=(claim.span[0] + start, claim.span[1] + start))
        for n, (claim, _) in enumerate(new)
    )
    intents = {*first.intents, *rest.intents} - ({"other", "smalltalk"} if first.intents != ("other",) else set())
    return replace(
        rest,
        intents=tuple(sorted(intents, key=INTENTS.index)),
        claims=(*first.claims, *moved),
        traces=(*first.traces, *(replace(t, cues=tuple(_moved(cue, start) for cue in t.cues)) for _, t in new)),
        chosen=first.chosen,
    )


def _moved(cue: Cue, start: int) -> Cue:
    return replace(cue, span=(cue.span[0] + start, cue.span[1] + start))


def _is_whole_cant_tell(tokens: Sequence[Token], lexicon: Lexicon) -> bool:
    words = tuple(token.text for token in tokens if token.kind != "mark")
    return any(intent == "cant_tell" for intent, _ in lexicon.wholes.get(words, ()))


def numbered(claims: Sequence[Claim], reader: str, message: str, start: int) -> tuple[Claim, ...]:
    """The claims with who said them, in which message, and their place in the sequence."""
    return tuple(replace(claim, reader=reader, message=message, sequence=start + n) for n, claim in enumerate(claims))
