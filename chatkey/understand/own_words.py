"""What a message says in its own words: the stages put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from chatkey.knowledge.model import Character, Knowledge, Language
from chatkey.terms import INTENTS, Claim, Intent, Place
from chatkey.understand.bind import Bound, Trace, bind
from chatkey.understand.clause import Clauses, clauses
from chatkey.understand.fit import fitting_set
from chatkey.understand.intent import FoundIntent, find_intents, likely_intent
from chatkey.understand.lexicon import Lexicon
from chatkey.understand.match import Span, phrase_spans
from chatkey.understand.normalise import LONGEST, Token
from chatkey.understand.pending import Pending
from chatkey.understand.place import find_place, states_of_town
from chatkey.understand.quantity import elevation_spans, length_spans
from chatkey.understand.scope import cover, scopes
from chatkey.understand.tally import Mark, Tally

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
    tally: Tally | None = None  # so many more like the tree in hand, so many of them dead …
    marks: tuple[Mark, ...] = ()  # the numbers on a tag or of a plot
    spoken: bool = True  # False where the message is in letters or words of another language

    @property
    def intent(self) -> Intent:
        return self.intents[0]


def in_own_words(
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
    claimed = _covered(bound)
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


def _covered(spans: Sequence[Span] | Sequence[Bound]) -> set[int]:
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
