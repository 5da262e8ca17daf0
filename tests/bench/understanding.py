"""Four ways to hear a message, side by side on the labelled messages; and how well one message names its plant.

    python tests/bench/understanding.py [--part report] [--whole whole:report] [--by] [--fast]

The three others take each clause to the nearest phrase of our own lexicon (or to the state a classifier trained on it
gives), if it is near enough; their cut-offs are tuned on the part `tune`. Rows of messages are never printed.
"""

from __future__ import annotations

import argparse
import importlib.util
import re
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rapidfuzz import fuzz, process, utils

sys.path.insert(0, str(Path(__file__).parents[1] / "understand"))

from labelled import Heard, Message, Score, messages, score, table, with_typos
from measure import hearing

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.identify import believe
from chatkey.identify.answer import leaves_of
from chatkey.knowledge import Knowledge
from chatkey.terms import Claim, Place, Quantity
from chatkey.understand import understand
from chatkey.understand.quantity import OPEN
from chatkey.understand.understanding import numbered

CLAUSE_ENDS = re.compile(r"[,;!?\n]+|\.+(?!\d)|\bbut\b", re.IGNORECASE)  # no end inside of "0.5"
DENIALS = re.compile(r"\b(?:not|no|without)\b|n['’]t\b", re.IGNORECASE)
LEAST_LETTERS = 3  # of a clause
CUTOFFS = 50  # that are tried, at even shares of the scores
SVC_COST = 0.3  # of 0.05 to 1, best in two-fold runs on the part `tune`
LABELLED_HEDGE = 0.35  # a middling one of scope.yaml
WARM_UP = 30  # messages of the part `tune` heard before the clock counts
OPEN_END = 999  # mm, in the labels
CLASSIFIER, MEANING = "TF-IDF, LinearSVC", "WordLlama cosine"
NEEDS = {CLASSIFIER: "sklearn", MEANING: "wordllama"}
INSTALL = "pip install -e '.[compare]'"

State = tuple[str, str]  # a character and one of its states, or a class of its lengths


@dataclass(frozen=True, slots=True)
class Guess:
    """What a baseline makes of one clause: what the nearest phrase can mean, how near it is, whether it is denied."""

    meanings: tuple[State, ...]
    score: float
    denied: bool


Guesser = Callable[[Sequence[str]], list[Guess]]


@dataclass(frozen=True, slots=True)
class Way:
    """One way to hear messages."""

    name: str
    hear: Callable[[Message], Heard]


@dataclass(slots=True)
class Listened:
    """What one way heard in some messages, and the ms it took for each."""

    heard: list[Heard]
    ms: list[float]


def clauses(text: str) -> list[str]:
    """The clauses of a message that have three letters or more."""
    pieces = (piece.strip() for piece in CLAUSE_ENDS.split(text))
    return [piece for piece in pieces if sum(letter.isalpha() for letter in piece) >= LEAST_LETTERS]


def phrases(knowledge: Knowledge) -> dict[str, tuple[State, ...]]:
    """Every phrase of the lexicon with what it can mean, the longest first: of two as near the longer is taken."""
    found: dict[str, dict[State, None]] = {}
    for character in knowledge.characters.values():
        for state, said in character.words.states.items():
            for phrase in (*said.words, *said.with_part, said.label):
                found.setdefault(utils.default_process(phrase), {})[character.id, state] = None
    return {phrase: tuple(found[phrase]) for phrase in sorted(found, key=len, reverse=True)}


def by_letters(known: Mapping[str, tuple[State, ...]], least: float = 0.0) -> Guesser:
    """The nearest phrase by WRatio, of those that reach `least`: the more it asks, the faster it is."""
    choices = list(known)

    def guess(parts: Sequence[str]) -> list[Guess]:
        found = []
        for part in parts:
            near = process.extractOne(utils.default_process(part), choices, scorer=fuzz.WRatio, score_cutoff=least)
            if near is not None:
                found.append(Guess(known[near[0]], near[1], _denies(part, near[0])))
        return found

    return guess


def by_meaning(known: Mapping[str, tuple[State, ...]]) -> Guesser:
    """The nearest phrase by the cosine of WordLlama's vectors, which come inside of its wheel."""
    import wordllama

    model = wordllama.WordLlama.load(cache_dir=Path(wordllama.__file__).parent, disable_download=True)
    choices = list(known)
    vectors = model.embed(choices, norm=True)

    def guess(parts: Sequence[str]) -> list[Guess]:
        near = model.embed(list(parts), norm=True) @ vectors.T  # (clauses, phrases)
        best = [choices[index] for index in near.argmax(axis=1)]
        return [
            Guess(known[phrase], float(score), _denies(part, phrase))
            for part, phrase, score in zip(parts, best, near.max(axis=1), strict=True)
        ]

    return guess


def by_classifier(known: Mapping[str, tuple[State, ...]], examples: Sequence[tuple[str, State | None]]) -> Guesser:
    """The state that a linear classifier of letters and words gives; None stands for a clause that says nothing.

    The examples help it a little: F1 of claims 0.60 for 0.58 without, in two-fold runs on the part `tune`.
    """
    from sklearn.feature_extraction.text import TfidfVectorizer
    from sklearn.pipeline import make_pipeline, make_union
    from sklearn.svm import LinearSVC

    rows = [*((phrase, state) for phrase, states in known.items() for state in states), *examples]
    letters = TfidfVectorizer(analyzer="char_wb", ngram_range=(2, 4), sublinear_tf=True)
    words = TfidfVectorizer(token_pattern=r"\S+", sublinear_tf=True)
    model = make_pipeline(make_union(letters, words), LinearSVC(C=SVC_COST, random_state=0))
    model.fit([text for text, _ in rows], ["=".join(state) if state else "" for _, state in rows])

    def guess(parts: Sequence[str]) -> list[Guess]:
        margins = model.decision_function(list(parts))  # (clauses, states)
        found = []
        for part, margin in zip(parts, margins, strict=True):
            character, _, state = str(model.classes_[margin.argmax()]).partition("=")
            meanings = ((character, state),) if state else ()
            found.append(Guess(meanings, float(margin.max()), _denies(part)))
        return found

    return guess


def _denies(clause: str, phrase: str = "") -> bool:
    """The clause holds a denial, and the phrase it was taken for ("no cones") none of its own."""
    return bool(DENIALS.search(clause)) and not DENIALS.search(phrase)


def examples(given: Iterable[Message], knowledge: Knowledge) -> list[tuple[str, State | None]]:
    """Clauses with their states: of messages with as many claims as clauses, in order, and of those with no claim."""
    found: list[tuple[str, State | None]] = []
    for message in given:
        parts = clauses(message.text)
        if not message.claims:
            found += [(part, None) for part in parts]
        elif len(parts) == len(message.claims):
            states = (_state_of(claim, knowledge) for claim in labelled_claims(message, knowledge))
            found += [(part, state) for part, state in zip(parts, states, strict=True) if state]
    return found


def labelled_claims(message: Message, knowledge: Knowledge) -> list[Claim]:
    """The labels of a message as claims; of alternatives the first."""
    found = []
    for label in message.claims:
        first = label.partition(" | ")[0].strip()
        name, _, value = first.strip("!~").partition("=")
        is_length = knowledge.characters[name].kind == "length"
        found.append(
            Claim(
                name,
                states=() if is_length else (value,),
                quantity=_length(value, knowledge.characters[name].classes) if is_length else None,
                negated=first.startswith("!"),
                hedge=LABELLED_HEDGE if first.endswith("~") else 0.0,
            )
        )
    return found


def _length(value: str, classes: Mapping[str, tuple[float, float]]) -> Quantity:
    """A labelled length in mm: a class or "low-high", whose open ends (0 and 999) are closed as ours are."""
    low, high = classes[value] if value in classes else (float(end) for end in value.split("-"))
    return Quantity(low or high / OPEN, high if high < OPEN_END else low * OPEN)


def _state_of(claim: Claim, knowledge: Knowledge) -> State | None:
    """The state of a claim; of a length the class that its middle falls in."""
    if claim.quantity is None:
        return claim.character, claim.states[0]
    middle = (claim.quantity.low + claim.quantity.high) / 2
    classes = knowledge.characters[claim.character].classes
    fits = (name for name, (low, high) in classes.items() if low <= middle <= high)
    name = next(fits, None)
    return (claim.character, name) if name else None


def baselines(knowledge: Knowledge, tune: Sequence[Message], skipped: Iterable[str]) -> list[Way]:
    """The other ways that can run here, each with the cut-off that gives the best F1 of claims on `tune`."""
    known = phrases(knowledge)
    cutoff = _best_cutoff(tune, [_guessed(by_letters(known), message) for message in tune], knowledge)
    ways = [_way("RapidFuzz WRatio", by_letters(known, cutoff), cutoff, knowledge)]
    if CLASSIFIER not in skipped:
        cutoff = _best_cutoff(*_unseen(known, tune, knowledge), knowledge)
        ways.append(_way(CLASSIFIER, by_classifier(known, examples(tune, knowledge)), cutoff, knowledge))
    if MEANING not in skipped:
        guess = by_meaning(known)
        cutoff = _best_cutoff(tune, [_guessed(guess, message) for message in tune], knowledge)
        ways.append(_way(MEANING, guess, cutoff, knowledge))
    return ways


def _unseen(
    known: Mapping[str, tuple[State, ...]], tune: Sequence[Message], knowledge: Knowledge
) -> tuple[list[Message], list[list[Guess]]]:
    """Messages with what a classifier guesses that was trained on the other half of them."""
    halves = tune[::2], tune[1::2]
    given: list[Message] = []
    guesses: list[list[Guess]] = []
    for half, other in (halves, halves[::-1]):
        guess = by_classifier(known, examples(other, knowledge))
        given += half
        guesses += [_guessed(guess, message) for message in half]
    return given, guesses


def _guessed(guess: Guesser, message: Message) -> list[Guess]:
    parts = clauses(message.text)
    return guess(parts) if parts else []


def _best_cutoff(given: Sequence[Message], guesses: Sequence[Sequence[Guess]], knowledge: Knowledge) -> float:
    """The score from which a guess is taken, by the F1 of claims."""

    def f1(cutoff: float) -> float:
        heard = (_heard(m, row, cutoff, knowledge) for m, row in zip(given, guesses, strict=True))
        return scored(given, heard, knowledge).f1

    scores = [one.score for row in guesses for one in row]
    return max((float(cutoff) for cutoff in np.quantile(scores, np.linspace(0, 1, CUTOFFS))), key=f1)


def _way(name: str, guess: Guesser, cutoff: float, knowledge: Knowledge) -> Way:
    return Way(f"{name} ≥ {cutoff:.3g}", lambda m: _heard(m, _guessed(guess, m), cutoff, knowledge))


def _heard(message: Message, guesses: Iterable[Guess], cutoff: float, knowledge: Knowledge) -> Heard:
    """One claim a clause, none twice. Of a phrase's meanings that of the pending question wins, else the first."""
    claims: dict[Claim, None] = {}
    for guess in guesses:
        if guess.meanings and guess.score >= cutoff:
            asked = (one for one in guess.meanings if one[0] == message.asked)
            name, state = next(asked, guess.meanings[0])
            classes = knowledge.characters[name].classes
            if state in classes:
                claims[Claim(name, quantity=Quantity(*classes[state]), negated=guess.denied)] = None
            else:
                claims[Claim(name, (state,), negated=guess.denied)] = None
    return Heard(tuple(claims))


def listen(given: Sequence[Message], ways: Sequence[Way]) -> list[Listened]:
    """Every message heard in every way, one after the other, each way first in turn."""
    found = [Listened([], []) for _ in ways]
    for n, message in enumerate(given):
        for index in np.roll(range(len(ways)), n):
            start = time.perf_counter()
            heard = ways[index].hear(message)
            found[index].ms.append((time.perf_counter() - start) * 1000)
            found[index].heard.append(heard)
    return found


def scored(given: Sequence[Message], heard: Iterable[Heard], knowledge: Knowledge) -> Score:
    """The score of what was heard in these messages, in their order."""
    rest = iter(heard)
    return score(given, lambda _: next(rest), knowledge)


def of_claims(mind: Mind, part: str, ways: Sequence[Way], *, by: bool) -> None:
    """The first table: claims heard, and the time."""
    given = messages(part)
    open_to_all = [message for message in given if not message.asked]
    slipped = with_typos(given)
    listened = listen(given, ways)
    ours, n_claims = listened[0], sum(len(message.claims) for message in given)
    print(
        f"{part}: {len(given)} messages, {n_claims} claims, {n_claims / len(given):.2f} a message; "
        f"{len(open_to_all)} with no question pending"
    )
    print(f"  {'':27}    P     R    F1  F1 unasked  polarity  wrong claim in      ms  time / ours")
    rows = [(way.name, given, one) for way, one in zip(ways, listened, strict=True)]
    rows.insert(1, (f"ours, a slip in {len(slipped)}", slipped, listen(slipped, ways[:1])[0]))
    for name, heard_in, one in rows:
        total = scored(heard_in, one.heard, mind.knowledge)
        unasked = [(m, heard) for m, heard in zip(heard_in, one.heard, strict=True) if not m.asked]
        apart = scored([m for m, _ in unasked], [heard for _, heard in unasked], mind.knowledge)
        ms = float(np.median(one.ms))
        print(
            f"  {name:27} {total.precision:.3f} {total.recall:.3f} {total.f1:.3f}  {apart.f1:10.3f}"
            f"  {total.polarity:8.3f}  {total.wrong:14.1%}  {ms:6.2f}  {ms / float(np.median(ours.ms)):11.1f}"
        )
    p50, p99 = np.percentile(ours.ms, [50, 99])
    print(f"  time of ours: p50 {p50:.2f} ms, p99 {p99:.2f} ms")
    if by:
        print(f"ours by intent, on {part}")
        print("\n".join(table(scored(given, ours.heard, mind.knowledge).by_intent)))


def of_plants(mind: Mind, part: str, ways: Sequence[Way]) -> None:
    """The second table: the plant named from one whole description, with the place that it names and without."""
    knowledge = mind.knowledge
    given = messages(part)
    truths = [truth(message.taxon, knowledge) for message in given]
    places = [understand(message.text, knowledge, mind.lexicon).place for message in given]
    wanted = [tuple(labelled_claims(message, knowledge)) for message in given]
    right = sum(p is not None and p.code == m.place for p, m in zip(places, given, strict=True))
    print(
        f"\n{part}: {len(given)} descriptions, {sum(map(len, wanted)) / len(given):.1f} labelled claims a message; "
        f"the place is heard right in {right}"
    )
    print(f"  {'':27} claims  among 3  first  genus   and no place: among 3  first  genus")
    rows = [
        (way.name, [heard.claims for heard in one.heard]) for way, one in zip(ways, listen(given, ways), strict=True)
    ]
    for name, claims in (*rows, ("the labels themselves", wanted)):
        shown = [_shares(mind, truths, claims, where) for where in (places, [None] * len(given))]
        each = sum(map(len, claims)) / len(given)
        print(
            f"  {name:27} {each:6.1f}  {shown[0][0]:7.1%} {shown[0][1]:6.1%} {shown[0][2]:6.1%}"
            f"                 {shown[1][0]:7.1%} {shown[1][1]:6.1%} {shown[1][2]:6.1%}"
        )


def truth(label: str, knowledge: Knowledge) -> tuple[str, ...]:
    """The leaves that are right: a leaf, those under a taxon, or a group's, whose id a label may put a genus before."""
    groups = (id for id in knowledge.groups if label.endswith(f"_{id}"))
    found = leaves_of(knowledge, label) or leaves_of(knowledge, next(groups, label))
    if not found:
        raise SystemExit(f"{label}: is no taxon and no group; mend the label")
    return found


def _shares(
    mind: Mind, truths: Sequence[tuple[str, ...]], claims: Sequence[Sequence[Claim]], places: Sequence[Place | None]
) -> tuple[float, float, float]:
    """Shares of plants right among the first three, right first, and with the right genus first."""
    among = first = genus = 0
    for right, said, place in zip(truths, claims, places, strict=True):
        ranked = believe(mind.table, numbered(said, "finder", "1", 0), place).ranked()
        leaves = [leaf for leaf, _ in ranked]
        genera: dict[str, float] = {}
        for leaf, probability in ranked:
            genera[genus_of(leaf, mind.knowledge)] = genera.get(genus_of(leaf, mind.knowledge), 0.0) + probability
        among += bool(set(leaves[:3]) & set(right))
        first += leaves[0] in right
        genus += max(genera, key=lambda one: genera[one]) == genus_of(right[0], mind.knowledge)
    n = len(truths)
    return among / n, first / n, genus / n


def genus_of(leaf: str, knowledge: Knowledge) -> str:
    """The genus that a leaf stands in; a leaf that stands for a whole genus or more is its own."""
    return next((id for id in knowledge.lineage(leaf) if knowledge.taxa[id].rank == "genus"), leaf)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", default="report", help="the messages: report, tune, or one file's name")
    parser.add_argument("--whole", default="whole:report", help="the descriptions that name a plant")
    parser.add_argument("--by", action="store_true", help="a line for each intent, of ours")
    parser.add_argument("--fast", action="store_true", help=f"without {' and '.join(NEEDS)}, which take long to set up")
    options = parser.parse_args()
    missing = [name for name, package in NEEDS.items() if importlib.util.find_spec(package) is None]
    skipped = list(NEEDS) if options.fast else missing
    if skipped:
        print(f"left out: {', '.join(skipped)} ({'--fast' if options.fast else f'not installed: {INSTALL}'})")
    if options.part.startswith("tune"):
        print("the others were tuned on these messages, and so were our words: no measure of either")
    mind = open_mind()
    tune = messages("tune")
    ways = [Way("ours", hearing(mind)), *baselines(mind.knowledge, tune, skipped)]
    listen(tune[:WARM_UP], ways)
    of_claims(mind, options.part, ways, by=options.by)
    of_plants(mind, options.whole, ways)


if __name__ == "__main__":
    main()
