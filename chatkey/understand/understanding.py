"""One message understood: the stages put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from chatkey.knowledge.model import Character, Knowledge, Language
from chatkey.terms import INTENTS, Claim, Intent, Place, Quantity
from chatkey.understand.bind import Bound, Trace, bind
from chatkey.understand.choice import Chosen, leading_choice, numbered_answers, read_choice, trailing_choice
from chatkey.understand.clause import Clauses, clauses
from chatkey.understand.fit import fitting_set
from chatkey.understand.intent import FoundIntent, find_intents, likely_intent
from chatkey.understand.lexicon import Lexicon
from chatkey.understand.match import Span, mend, phrase_spans
from chatkey.understand.normalise import LONGEST, Token, normalise
from chatkey.understand.pending import CANT_TELL, NONE_OF_THESE, Pending
from chatkey.understand.place import find_place, states_of_town
from chatkey.understand.quantity import elevation_spans, length_spans
from chatkey.understand.scope import Cue, cover, scopes
from chatkey.understand.tongue import is_spoken

NOT_A_GUESS = {"planting", "unsafe", "compare", "meaning", "health", "report"}  # a name in these is their subject
TELLS_LEFT_OVER = ("describe", "answer", "guess_name", "place", "other")
MOST_LEFT_OVER = 4
TOWN_WORDS = 3
ELSEWHERE = {"planting", "unsafe", "health", "report"}  # questions about something else than the plant's looks
ASKED_ASIDE = {"meaning", "why"}  # what stands in such a clause is no fact about the plant
OF_THE_SICK = {"health", "report"}  # nor are the words that speak of the sickness themselves
ONLY_ASKED = {"health", "report", "planting", "guess_name"}  # not meant by who tells much and asks nothing
TELLS_MUCH = 4  # facts
QUIET: tuple[Intent, ...] = ("smalltalk", "other")  # said only where nothing else is


@dataclass(frozen=True, slots=True)
class Understanding:
    """What was taken from one message. Spans are code points of the message."""

    language: str
    intents: tuple[Intent, ...]
    claims: tuple[Claim, ...]
    names: tuple[tuple[str, ...], ...] = ()  # each plant name with the taxa and groups it can mean
    also_called: tuple[str, ...] = ()  # other plants that bear one of these names, misleadingly
    mentioned: tuple[str, ...] = ()  # characters spoken of, said of the plant or not
    place: Place | None = None
    town_in: tuple[str, ...] = ()  # states that have a town of the name given, where the place was asked
    subjects: tuple[str, ...] = ()  # of an unsafe or health question: eat, swallowed, animals …
    signs: tuple[str, ...] = ()  # what was told of a sick plant, in a talk about that: old, one_side, since …
    chosen: str = ""  # taxon picked in a comparison
    not_understood: tuple[str, ...] = ()
    traces: tuple[Trace, ...] = ()  # why each claim was taken, in the order of the claims
    signals: tuple[tuple[Intent, str], ...] = ()  # intents with the words that spoke for them
    spoken: bool = True  # False where the message is in letters or words of another language

    @property
    def intent(self) -> Intent:
        return self.intents[0]


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
    if pending and pending.further:
        return _several(text, knowledge, lexicon, pending, known)
    raw = normalise(text, lexicon.language)
    if pending:
        answered = _answer(text, raw, knowledge, lexicon, pending, known)
        if answered is not None:
            return answered
    if not is_spoken(text, raw, lexicon):
        return Understanding(lexicon.language.code, ("other",), (), spoken=False)
    return _in_own_words(text, mend(raw, lexicon), knowledge, lexicon, pending, known or {})


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
        chosen = Chosen("cant_tell")
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


def _in_own_words(
    text: str,
    tokens: Sequence[Token],
    knowledge: Knowledge,
    lexicon: Lexicon,
    pending: Pending | None,
    known: Mapping[str, Sequence[str]],
) -> Understanding:
    """What a message says that is more than a bare answer: the stages, one after the other."""
    language = lexicon.language
    asked = knowledge.characters.get(pending.character) if pending and pending.character else None
    place = find_place(text[:LONGEST], knowledge, asked=_asks(pending, "place"))
    place_tokens = _with_town(tokens, _inside(tokens, place.span), lexicon) if place else set()
    wanted = find_intents(tokens, lexicon)
    spans = _candidates(tokens, lexicon, asked, place_tokens)
    parted = clauses(tokens, lexicon, _describing(spans))
    taken = fitting_set(spans, parted, knowledge, lexicon, asked, known)
    told = [span for span in taken if span.kind not in ("name", "nothing")]
    bound = bind(tokens, told, scopes(tokens, told, language), parted, knowledge, lexicon, asked, known)
    wanted = _meant(tokens, wanted, bound, lexicon)
    bound = _of_the_plant(bound, wanted, parted, knowledge, lexicon)
    named = [span for span in taken if span.kind == "name" and not _is_of_a_place(tokens, span, lexicon)]
    if not (wanted or bound or named or place or _asks(pending, "place")):
        wanted = likely_intent(tokens, lexicon, asked=asked is not None)
        if not _asks_something(tokens, lexicon):
            wanted = tuple(one for one in wanted if one.intent not in ASKED_ASIDE)
    claims = tuple(_claim(text, tokens, one, n) for n, one in enumerate(bound))
    names = tuple(dict.fromkeys(span.names for span in named))
    intents = _intents(wanted, claims, knowledge, names, place is not None, asked, pending is not None)
    used = place_tokens | {n for one in wanted for n in one.tokens} | _covered(taken)
    claimed = {n for one in bound for n in range(one.first, one.last + 1)}
    dropped = {
        one.first for one in spans if one.first == one.last and one.kind == "claim" and not _is_answer_only(one)
    } - used
    tells_rest = intents[0] in TELLS_LEFT_OVER and not _asks(pending, "place")
    return Understanding(
        language=language.code,
        intents=intents,
        claims=claims,
        traces=tuple(one.trace for one in bound),
        names=names,
        also_called=tuple(id for span in named for id in lexicon.also_called.get(span.words, ())),
        mentioned=_mentioned(told) if "meaning" not in intents else _mentioned(spans) or _asked_about(tokens, lexicon),
        signals=tuple(dict.fromkeys((one.intent, _said(text, tokens, one.tokens)) for one in wanted)),
        place=place.place if place else None,
        town_in=states_of_town(text, knowledge) if _asks(pending, "place") and place is None else (),
        signs=_signs(tokens, lexicon) if "health" in intents or _asks(pending, "health") else (),
        subjects=tuple(dict.fromkeys(one.subject for one in wanted if one.subject)),
        not_understood=_left_over(text, tokens, used, claimed, dropped, lexicon) if tells_rest else (),
    )


def _candidates(tokens: Sequence[Token], lexicon: Lexicon, asked: Character | None, taken: set[int]) -> list[Span]:
    """Every span that could mean something: none in the words of a place or of a correction."""
    language = lexicon.language
    reserved = taken | cover(tokens, [one for one in language.lists["correction"] if " " in one])
    return [
        span
        for span in (
            *phrase_spans(tokens, lexicon),
            *length_spans(tokens, language, asked=asked is not None and asked.kind == "length"),
            *elevation_spans(tokens, language),
        )
        if not reserved & set(range(span.first, span.last + 1))
    ]


def _describing(spans: Sequence[Span]) -> frozenset[int]:
    """The tokens of everything that says something by itself."""
    return frozenset(_covered([span for span in spans if span.kind != "name" and not _is_answer_only(span)]))


def _is_answer_only(span: Span) -> bool:
    """Words that count only as an answer to a question."""
    return bool(span.meanings) and all(meaning.asked_only for meaning in span.meanings)


def _covered(spans: Sequence[Span]) -> set[int]:
    return {n for span in spans for n in range(span.first, span.last + 1)}


def _meant(
    tokens: Sequence[Token], wanted: Sequence[FoundIntent], bound: Sequence[Bound], lexicon: Lexicon
) -> tuple[FoundIntent, ...]:
    """Without a question that nobody asked: who tells much about a plant and asks nothing describes it."""
    if len(bound) < TELLS_MUCH or _asks_something(tokens, lexicon):
        return tuple(wanted)
    return tuple(one for one in wanted if one.intent not in ONLY_ASKED)


def _asks_something(tokens: Sequence[Token], lexicon: Lexicon) -> bool:
    asks = lexicon.language.lists["asks"]
    return any(token.text == "?" or token.text in asks for token in tokens)


def _of_the_plant(
    bound: Sequence[Bound],
    wanted: Sequence[FoundIntent],
    parted: Clauses,
    knowledge: Knowledge,
    lexicon: Lexicon,
) -> tuple[Bound, ...]:
    """Without what a question about something else only names ("my dog ate some needles"), and without what is said of
    sick needles or asked: "white fuzz" and "brown tips" are no marks of a kind, nor is "how do I roll it". What is said
    of the whole plant stays: bare in winter may be its way."""
    aside = {parted.clause[n] for one in wanted if one.intent in ASKED_ASIDE for n in one.tokens}
    signs = {n for one in wanted if one.intent in OF_THE_SICK for n in range(one.tokens[0], one.tokens[-1] + 1)}
    found = tuple(
        one
        for one in bound
        if parted.clause[one.first] not in aside
        and (_is_whole(one, knowledge) or not signs & set(range(one.first, one.last + 1)))
    )
    if not {one.intent for one in wanted} & ELSEWHERE:
        return found
    return tuple(one for one in found if not _is_mere_noun(one, parted, lexicon))


def _is_whole(one: Bound, knowledge: Knowledge) -> bool:
    return knowledge.characters[one.character].part == "whole"


def _mentioned(spans: Sequence[Span]) -> tuple[str, ...]:
    """The characters that a message speaks of, those of the longest phrases first; answers to a question only where
    nothing else is meant."""
    ordered = sorted(spans, key=lambda span: -span.weight)
    free = [meaning for span in ordered for meaning in span.meanings if not meaning.asked_only]
    found = free or [meaning for span in ordered for meaning in span.meanings]
    return tuple(dict.fromkeys(meaning.character for meaning in found))


def _asked_about(tokens: Sequence[Token], lexicon: Lexicon) -> tuple[str, ...]:
    """The characters with whose questions the words of the message stand, the rarest word first."""
    found = [lexicon.terms[token.stem] for token in tokens if token.stem in lexicon.terms]
    return tuple(dict.fromkeys(name for names in sorted(found, key=len) for name in names))


def _signs(tokens: Sequence[Token], lexicon: Lexicon) -> tuple[str, ...]:
    return tuple(sign for sign, phrases in lexicon.health_signs.items() if cover(tokens, phrases))


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
    if chosen.state == "cant_tell":
        return Understanding(lexicon.language.code, ("cant_tell",), ())
    if pending.kind == "compare":
        return Understanding(lexicon.language.code, ("answer",), (), chosen=chosen.state)
    if pending.kind == "place":
        return Understanding(lexicon.language.code, ("place",), (), place=Place(chosen.state))
    if asked is None:
        return Understanding(lexicon.language.code, ("answer",), ())
    span = (tokens[0].span[0], tokens[-1].span[1]) if tokens else (0, len(text))
    if chosen.state == "none_of_these":
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


def _is_of_a_place(tokens: Sequence[Token], span: Span, lexicon: Lexicon) -> bool:
    """ "Cedar Lake", "Tamarack Road": no plant is meant."""
    following = tokens[span.last + 1].text if span.last + 1 < len(tokens) else ""
    return following in lexicon.language.lists["place_nouns"]


def _is_mere_noun(one: Bound, parted: Clauses, lexicon: Lexicon) -> bool:
    """A part that is only named: "my dog ate some pine needles" says nothing of the kind of leaf."""
    named = {noun.at for noun in parted.nouns_in(one.first, one.last)}
    others = (parted.tokens[n].stem for n in range(one.first, one.last + 1) if n not in named)
    return bool(named) and all(word in lexicon.name_words or word in lexicon.fillers for word in others)


def _said(text: str, tokens: Sequence[Token], used: Sequence[int]) -> str:
    return text[tokens[used[0]].span[0] : tokens[used[-1]].span[1]] if used else text


def _moved(cue: Cue, start: int) -> Cue:
    return replace(cue, span=(cue.span[0] + start, cue.span[1] + start))


def _claim(text: str, tokens: Sequence[Token], one: Bound, sequence: int) -> Claim:
    span = (tokens[one.first].span[0], tokens[one.last].span[1])
    return Claim(
        character=one.character,
        states=one.states,
        quantity=one.quantity,
        negated=one.negated,
        hedge=one.hedge,
        sequence=sequence,
        span=span,
        text=text[span[0] : span[1]],
    )


def _intents(
    wanted: Sequence[FoundIntent],
    claims: Sequence[Claim],
    knowledge: Knowledge,
    names: Sequence[tuple[str, ...]],
    has_place: bool,
    asked: Character | None,
    is_pending: bool,
) -> tuple[Intent, ...]:
    found: dict[Intent, None] = {one.intent: None for one in wanted}
    answers = asked is not None and any(claim.character == asked.id for claim in claims)
    if "cant_tell" in found and claims and (answers or not is_pending):
        del found["cant_tell"]
    if answers:
        found["answer"] = None
    told = [claim for claim in claims if asked is None or claim.character != asked.id]
    if set(found) & ELSEWHERE:  # "can I plant it by the creek" describes no plant
        told = [claim for claim in told if knowledge.characters[claim.character].part not in ("place", "whole")]
    if told:
        found["describe"] = None
    if has_place:
        found["place"] = None
    found.pop("guess_name", None)
    if len(names) > 1 and not set(found) & {"planting", "unsafe"}:
        found["compare"] = None
    elif names and not set(found) & NOT_A_GUESS:
        found["guess_name"] = None
    for quiet in QUIET:
        if len(found) > 1:
            found.pop(quiet, None)
    return tuple(sorted(found, key=INTENTS.index)) or ("other",)


def _left_over(
    text: str, tokens: Sequence[Token], used: set[int], claimed: set[int], dropped: set[int], lexicon: Lexicon
) -> tuple[str, ...]:
    """Runs of words that nothing was made of: unknown, more than everyday talk, no name of a river or road.

    Where the clause gave a claim (`claimed`), only words that describe ("feathery", "reddish") are told; so are those
    that could have been a fact and fitted nothing that was spoken of (`dropped`).
    """
    language = lexicon.language
    everyday = lexicon.fillers | set(language.lists["ignore"])
    runs: list[list[Token]] = [[]]
    for index, token in enumerate(tokens):
        strange = token.kind == "word" and index not in used and len(token.text) > 2 and token.text not in everyday
        known = token.text in lexicon.known or token.stem in everyday
        strange = strange and (not known or (index in dropped and _describes(token.text, language)))
        named = any(near.text in language.lists["geography"] for near in tokens[max(0, index - 1) : index + 2])
        if strange and not named and (_describes(token.text, language) or not _clause(tokens, index) & claimed):
            runs[-1].append(token)
        elif runs[-1]:
            runs.append([])
    return tuple(text[run[0].span[0] : run[-1].span[1]] for run in runs if run)[:MOST_LEFT_OVER]


def _clause(tokens: Sequence[Token], index: int) -> set[int]:
    """The token indices between the breaks around one."""
    first = next((n for n in range(index, -1, -1) if tokens[n].is_break), -1)
    last = next((n for n in range(index, len(tokens)) if tokens[n].is_break), len(tokens))
    return set(range(first + 1, last))


def _describes(word: str, language: Language) -> bool:
    return word.endswith(language.lists["describing_ends"])


def _asks(pending: Pending | None, kind: str) -> bool:
    return pending is not None and pending.kind == kind


def _inside(tokens: Sequence[Token], span: tuple[int, int]) -> set[int]:
    return {i for i, token in enumerate(tokens) if token.span[0] < span[1] and token.span[1] > span[0]}


def _with_town(tokens: Sequence[Token], inside: set[int], lexicon: Lexicon) -> set[int]:
    """The tokens of a place with the unknown words right before it: a town ("St Johnsbury, Vermont")."""
    found = set(inside)
    at = min(inside, default=0) - 1
    while at >= 0 and len(found) < len(inside) + TOWN_WORDS:
        if tokens[at].text != "," and tokens[at].text in lexicon.known:
            break
        found.add(at)
        at -= 1
    return found


def _is_whole_cant_tell(tokens: Sequence[Token], lexicon: Lexicon) -> bool:
    words = tuple(token.text for token in tokens if token.kind != "mark")
    return any(intent == "cant_tell" for intent, _ in lexicon.wholes.get(words, ()))


def numbered(claims: Sequence[Claim], reader: str, message: str, start: int) -> tuple[Claim, ...]:
    """The claims with who said them, in which message, and their place in the sequence."""
    return tuple(replace(claim, reader=reader, message=message, sequence=start + n) for n, claim in enumerate(claims))
