"""The talk as a finder meets it: every message has an answer, nothing is lost, and danger comes first."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise

import pytest

from chatkey.channels.base import Talks
from chatkey.dialog import Mind, Turned
from chatkey.identify import believe, best_answer, watch_yew
from chatkey.identify.answer import leaves_of
from chatkey.identify.yew import yews
from chatkey.terms import INTENTS, Place
from tests.walking import MESSAGES, Walk, talks_of_all_kinds, walks

FIELDS = {
    "place",
    "language",
    "intent",
    "intents",
    "claims",
    "not_understood",
    "candidates",
    "something_else",
    "answer",
    "status",
    "status_level",
    "native",
    "listed",
    "ask",
    "cautions",
    "reply",
    "tree",
    "state",
    "done",
}
STATES = (
    "listening",
    "asking.character",
    "asking.again",
    "asking.place",
    "asking.comparison",
    "asking.site",
    "asking.health",
    "answered",
    "with_person",
    "stopped",
)
TOLD_ONCE = ("answer", "status", "note", "took_in")
SWALLOWED = (
    "my kid ate a red berry",
    "i swallowed some needles",
    "the dog ate the yew clippings",
    "stop. my son swallowed some of it",
    "next tree. my horse ate some of the hedge",
    "soft flat needles, and my toddler chewed one up",
)
# The public poison lines: US Poison Help, Canada's toll-free line, Centre antipoison du Québec (knowledge/cautions).
US, CANADA, QUEBEC = "1-800-222-1222", "1-844-764-7669", "1-800-463-5060"
LINES_AT = [
    (Place("MI"), {US}),
    (Place("VT"), {US}),
    (Place("ON"), {CANADA}),
    (Place("QC"), {QUEBEC}),
    (None, {US, CANADA}),
]
PUTS_OFF = ("wait", "thursday", "steward", "later", "shall i", "first let us", "in a while", "soon")


def puts_off(turned: Turned) -> list[str]:
    """Words of a reply that could make someone wait, but for "don't wait"."""
    text = turned.reply.text.lower().replace("don't wait", "")
    return [word for word in PUTS_OFF if word in text]


def text_of(turned: Turned, *kinds: str) -> str:
    return "\n".join(block.text for block in turned.reply.blocks if block.kind in kinds)


def named(mind: Mind, turned: Turned) -> set[str]:
    """The leaves that an answer of this turn could mean."""
    answer = turned.view["answer"]
    return set(leaves_of(mind.knowledge, answer["id"]) or (answer["id"],)) if answer else set()


def test_the_messages_of_the_walk_and_a_bare_answer_are_all_intents() -> None:
    assert {*MESSAGES, "answer"} == set(INTENTS)


def test_every_state_is_reached_by_a_short_script(mind: Mind, ways: dict[str, tuple[str, ...]]) -> None:
    assert set(ways) == set(STATES) == set(mind.script.flow.leaves)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("intent", INTENTS)
def test_every_intent_has_a_reply_in_every_state(
    mind: Mind, ways: dict[str, tuple[str, ...]], state: str, intent: str
) -> None:
    walk = Walk(mind)
    walk.say_all(*ways[state])
    assert walk.state == state
    turned = walk.say(MESSAGES.get(intent, "1"))
    if intent != "answer":
        assert turned.view["intent"] == intent
    assert turned.reply.text.strip()
    assert all(block.text.strip() for block in turned.reply.blocks)
    assert turned.conversation.state in mind.script.flow.leaves
    assert "{" not in turned.reply.text


def test_no_gap_stays_open_and_no_reply_is_empty_in_talks_of_all_kinds(mind: Mind) -> None:
    for walk in talks_of_all_kinds(mind, 25, seed=7):
        for said, turned in zip(walk.said, walk.turns, strict=True):
            assert turned.reply.text.strip(), walk.said
            assert "{" not in turned.reply.text, said
            assert "_" not in turned.reply.text, said


def test_undo_takes_back_the_speakers_own_last_message_only(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say("soft needles", "ana")
    walk.say("sharp needles, smooth twig", "ben")
    walk.say("flat needles, 1 inch long", "ana")
    turned = walk.say("undo", "ben")
    left = turned.conversation.tree.claims
    assert {claim.reader for claim in left} == {"ana"}
    assert {claim.character for claim in left} == {"leaf_stiffness", "leaf_section", "needle_length"}
    turned = walk.say("undo", "ana")
    assert [claim.character for claim in turned.conversation.tree.claims] == ["leaf_stiffness"]
    turned = walk.say("undo", "ben")
    assert [claim.character for claim in turned.conversation.tree.claims] == ["leaf_stiffness"]
    assert any(text in turned.reply.text for text in mind.script.lines["nothing_to_undo"])


def test_undo_says_what_it_took_back_and_asks_as_if_it_had_not_been_said(mind: Mind) -> None:
    walk = Walk(mind)
    first = walk.say("soft flat needles")
    walk.say("1")
    turned = walk.say("undo")
    assert turned.conversation.tree.claims == first.conversation.tree.claims
    assert turned.view["candidates"] == first.view["candidates"]
    assert turned.view["ask"]["character"] == first.view["ask"]["character"]
    assert "Taken back:" in turned.reply.text


def test_undo_of_everything_leaves_the_tree_as_it_began(mind: Mind) -> None:
    walk = Walk(mind)
    fresh = mind.table
    walk.say_all("soft flat needles", "undo")
    assert walk.last.conversation.tree.claims == ()
    other = Walk(mind)
    assert other.say("hello").view["candidates"] == walk.last.view["candidates"]
    assert len(walk.last.view["candidates"]) == len(fresh.taxa)


def test_erase_takes_a_readers_claims_and_the_tree_stays(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say("MI. soft needles", "ana")
    walk.say("smooth twig", "ben")
    walk.say("next", "ana")
    walk.say("flat needles", "ana")
    turned = walk.say("forget me", "ana")
    assert [tree.id for tree in turned.conversation.trees] == [1, 2]
    claims = [claim for tree in turned.conversation.trees for claim in tree.claims]
    assert {claim.reader for claim in claims} == {"ben"}
    assert "ana" not in str(turned.conversation)
    assert all(tree.place is None for tree in turned.conversation.trees)
    assert turned.conversation.pending is None


def test_erase_forgets_the_plant_and_the_site_that_were_spoken_of(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("MI", "should i plant white pine on wet ground", "person", "forget me")
    last = walk.last.conversation
    assert (last.plant, last.site) == ("", ())
    assert not any(tree.handed for tree in last.trees)


def test_a_new_tree_keeps_the_place_and_nothing_else(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("soft flat needles in Ontario", "next")
    tree = walk.last.conversation.tree
    assert (tree.id, tree.claims, tree.asked) == (2, (), ())
    assert tree.place == Place("ON")
    assert walk.last.view["place"] == "ON"
    assert walk.say("needles in fives, soft").view["place"] == "ON"
    assert walk.last.view["tree"] == 2


def test_a_new_tree_and_its_first_facts_may_come_in_one_message(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say("soft flat needles")
    turned = walk.say("next tree. sharp needles that roll, smooth twig")
    assert turned.view["tree"] == 2
    assert {claim["character"] for claim in turned.view["claims"]} >= {"leaf_tip"}
    assert len(turned.conversation.trees[1].claims) == len(turned.view["claims"])
    assert turned.reply.ask is not None


def test_start_over_empties_the_tree_and_keeps_the_place(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("soft flat needles in Ontario", "start over")
    tree = walk.last.conversation.tree
    assert (tree.id, tree.claims, tree.asked, tree.place) == (1, (), (), Place("ON"))


def test_claims_of_two_readers_stay_apart_and_both_count(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say("sharp needles, rolls in my fingers", "ana")
    one = walk.say("smooth twig", "ana").view["candidates"]
    turned = walk.say("twig is fuzzy", "ben")
    twig = [claim for claim in turned.conversation.tree.claims if claim.character.startswith("twig")]
    assert {claim.reader for claim in twig} == {"ana", "ben"}
    assert turned.view["candidates"] != one


def test_the_same_reader_corrects_himself_and_only_the_last_word_counts(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("bundles of 4", "no, bundles of 5")
    other = Walk(mind)
    other.say("bundles of 5")
    assert walk.last.view["candidates"] == other.last.view["candidates"]


def test_the_same_sentence_never_comes_twice_to_a_finder_who_answers(mind: Mind) -> None:
    for walk in walks(mind, 60, seed=5):
        said = Counter(block.text for turned in walk.turns for block in turned.reply.blocks if block.kind in TOLD_ONCE)
        assert [text for text, count in said.items() if count > 1] == [], walk.said


@pytest.mark.parametrize(
    "script",
    [
        ("MI. soft flat needles", "why", "1", "why", "how sure", "what else", "1", "how sure", "is it a hemlock"),
        ("needles in fives", "why", "soft", "why", "MI", "native?", "should i plant it", "native?", "thanks"),
        ("hello", "flat needles", "is it a yew", "two white lines under", "is it a yew", "why", "why", "how sure"),
        ("compare white pine and red pine", "what is a bud", "soft needles", "what is a bud", "compare", "compare"),
        (
            "blorf zzkt",
            "wompf",
            "thanks",
            "hello",
            "are you a robot",
            "thanks",
            "hello",
            "help",
            "are you a robot",
            "help",
        ),
    ],
)
def test_the_same_sentence_never_comes_twice_to_a_finder_who_asks(mind: Mind, script: tuple[str, ...]) -> None:
    walk = Walk(mind)
    walk.say_all(*script)
    said = Counter(block.text for turned in walk.turns for block in turned.reply.blocks if block.kind in TOLD_ONCE)
    assert [text for text, count in said.items() if count > 1] == []


def test_a_caution_comes_once_a_tree_and_the_word_before_touching_once_a_conversation(mind: Mind) -> None:
    for walk in walks(mind, 30, seed=6):
        texts = [block.text for turned in walk.turns for block in turned.reply.blocks]
        for id, caution in mind.knowledge.cautions.items():
            start = caution.text.split("{")[0]
            assert sum(text.startswith(start) for text in texts) <= 1, (id, walk.said)


def test_one_question_at_a_time(mind: Mind) -> None:
    for walk in talks_of_all_kinds(mind, 15, seed=8):
        for turned in walk.turns:
            assert sum(block.kind == "question" for block in turned.reply.blocks) <= 1


def test_after_stop_there_is_one_line_until_hello(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("soft flat needles", "stop")
    before = walk.last.conversation.tree
    for text in ("red berries", "why", "", "next", "1"):
        if text == "next":
            continue  # a new tree is a word that starts again
        turned = walk.say(text)
        assert turned.conversation.state == "stopped"
        assert turned.reply.text in mind.script.lines["is_stopped"]
        assert turned.reply.ask is None
        assert turned.conversation.tree == before
    assert walk.say("hello").conversation.state == "listening"
    assert walk.say("2 white lines under").reply.ask is not None
    assert {claim.character for claim in walk.last.conversation.tree.claims} >= {"leaf_section", "bands_below"}


def test_danger_breaks_the_silence_after_stop(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("stop", "my kid swallowed a berry")
    assert walk.last.reply.blocks[0].kind == "caution"
    assert walk.last.conversation.state == "stopped"


@pytest.mark.parametrize("text", SWALLOWED)
@pytest.mark.parametrize(("place", "numbers"), LINES_AT)
def test_when_something_was_swallowed_the_call_comes_first_with_the_lines_of_the_place(
    mind: Mind, text: str, place: Place | None, numbers: set[str]
) -> None:
    turned = Talks(mind, place).say(text)
    first = turned.reply.blocks[0]
    assert first.kind == "caution"
    assert first.text.startswith("Call the poison line now:")
    assert set(re.findall(r"1-\d{3}-\d{3}-\d{4}", first.text)) == numbers
    assert "911" in first.text
    assert "Call a vet now" in first.text
    assert "Don't wait" in first.text
    assert turned.view["cautions"][0]["id"] == "swallowed"
    assert puts_off(turned) == []


@pytest.mark.parametrize("state", STATES)
def test_the_call_comes_first_in_every_state(mind: Mind, ways: dict[str, tuple[str, ...]], state: str) -> None:
    walk = Walk(mind)
    walk.say_all(*ways[state])
    for text in SWALLOWED:
        turned = walk.say(text)
        assert turned.reply.blocks[0].text.startswith("Call the poison line now:"), text
        assert puts_off(turned) == []


@pytest.mark.parametrize(
    "text",
    ["can i eat it", "can my goat have the clippings", "is it ok to burn", "is the tea from it safe", "can i climb it"],
)
def test_an_unsafe_question_gets_a_caution_first_and_never_a_yes(mind: Mind, text: str) -> None:
    walk = Walk(mind)
    for before in ("MI. needles in bundles of five, soft", "no", text):
        walk.say(before)
    assert walk.last.view["intent"] == "unsafe"
    assert walk.last.reply.blocks[0].kind == "caution"
    assert "yes" not in walk.last.reply.text.lower().split()


@pytest.mark.parametrize("place", [Place("MI"), Place("ON"), Place("PA"), None])
@pytest.mark.parametrize(
    "script",
    [
        ("flat needles",),
        ("soft flat needles",),
        ("flat needles", "two white lines under"),
        ("two white lines under", "flat needles"),
        ("flat needles, two white lines under",),
        ("two white lines under",),
        ("soft flat needles, two white lines under",),
    ],
)
def test_with_flat_needles_and_two_lines_alone_nothing_is_named_against_yew(
    mind: Mind, place: Place | None, script: tuple[str, ...]
) -> None:
    talks = Talks(mind, place)
    turned = [talks.say(text) for text in script][-1]
    answer = named(mind, turned)
    assert not answer or answer & set(yews(mind.table)), turned.view["answer"]
    told = text_of(turned, "answer")
    assert not told or "yew" in told


def test_while_yew_is_held_no_reply_names_anything_against_it(mind: Mind) -> None:
    held_back = 0
    for walk in walks(mind, 50, seed=13):
        for turned in walk.turns:
            tree = turned.conversation.tree
            belief = believe(mind.table, tree.claims, tree.place)
            if not tree.claims or not watch_yew(belief, tree.claims, tree.place).holds:
                continue
            answer = named(mind, turned)
            assert not answer or answer & set(yews(mind.table)), walk.said
            told = text_of(turned, "answer")
            assert not told or "yew" in told, (walk.said, told)
            best = best_answer(belief)
            held_back += best is not None and not set(best.members) & set(yews(mind.table))
    assert held_back  # the hold was needed


@pytest.mark.parametrize("place", [Place("MI"), None])
@pytest.mark.parametrize("twig", ["brown twig, rough where needles fell", "brown rough twig, needles on little stalks"])
def test_two_looks_of_two_kinds_let_a_name_stand_against_yew(mind: Mind, place: Place | None, twig: str) -> None:
    talks = Talks(mind, place)
    talks.say("flat needles")
    talks.say("two white lines under")
    turned = talks.say(twig)
    assert turned.view["answer"] is not None
    assert not named(mind, turned) & set(yews(mind.table))
    assert turned.view["claims"]


def test_it_does_not_matter_for_yew_in_how_many_messages_the_looks_came(mind: Mind) -> None:
    looks = ("flat needles", "two white lines under", "brown twig, rough where needles fell")
    one, many, back = Walk(mind), Walk(mind), Walk(mind)
    one.say(", ".join(looks))
    many.say_all(*looks)
    back.say_all(*reversed(looks))
    assert named(mind, one.last) == named(mind, many.last) == named(mind, back.last)


def test_whenever_yew_is_likely_its_caution_has_been_said(mind: Mind) -> None:
    watch = mind.knowledge.numbers["yew"]["watch"]
    seen = 0
    for walk in walks(mind, 30, seed=9):
        warned = False
        for turned in walk.turns:
            warned = warned or any(
                block.kind == "caution" and "poisonous" in block.text for block in turned.reply.blocks
            )
            share = sum(row["probability"] for row in turned.view["candidates"] if row["id"] in yews(mind.table))
            if share >= watch and turned.conversation.tree.claims:
                seen += 1
                assert warned, walk.said
    assert seen


def test_every_turn_has_all_fields_and_its_probabilities_sum_to_one(mind: Mind) -> None:
    for walk in talks_of_all_kinds(mind, 15, seed=10):
        for turned in walk.turns:
            view = turned.view
            assert set(view) >= FIELDS
            total = sum(row["probability"] for row in view["candidates"]) + view["something_else"]
            assert total == pytest.approx(1, abs=1e-4)
            probabilities = [row["probability"] for row in view["candidates"]]
            assert probabilities == sorted(probabilities, reverse=True)
            assert len({row["id"] for row in view["candidates"]}) == len(probabilities) == len(mind.table.taxa)
            assert all(set(row) >= {"taxon", "common_name", "rank", "probability"} for row in view["candidates"])
            assert view["intent"] == view["intents"][0]
            assert list(view["intents"]) == sorted(view["intents"], key=INTENTS.index)
            assert view["reply"] == turned.reply.text
            assert view["done"] is (view["ask"] is None)
            assert view["state"] == turned.conversation.state
            assert view["status"] in (None, "native", "introduced", "not recorded", "unknown")
            assert (view["status"] is None) == (view["status_level"] is None)
            assert view["native"] in (
                (None, False) if view["status"] in (None, "unknown") else (view["status"] == "native",)
            )
            if view["answer"]:
                assert view["answer"]["rank"] in ("species", "group", "genus", "family", "not_conifer")
                assert view["answer"]["probability"] >= 0.8
            if view["ask"]:
                assert set(view["ask"]) >= {"kind", "character", "question", "choices"}
                assert all(set(choice) == {"key", "label"} for choice in view["ask"]["choices"])
                assert len({choice["key"] for choice in view["ask"]["choices"]}) == len(view["ask"]["choices"])
            for claim in view["claims"]:
                quantity = {"low", "high", "unit", "measured_by"} <= set(claim)
                assert quantity != ("states" in claim)
                assert {"character", "negated", "hedged", "reader", "text"} <= set(claim)


def test_a_question_that_waits_comes_back_after_something_else_was_answered(mind: Mind) -> None:
    walk = Walk(mind)
    asked = walk.say("MI. soft flat needles").view["ask"]
    for intent in ("why", "how_sure", "what_else", "help", "list", "thanks", "smalltalk", "abuse", "meaning", "other"):
        assert walk.say(MESSAGES[intent]).view["ask"]["character"] == asked["character"], intent


def test_a_question_that_was_not_answered_is_put_again_after_the_place_was_said(mind: Mind) -> None:
    walk = Walk(mind)
    asked = walk.say("soft flat needles").view["ask"]["character"]
    later = [walk.say("i am in Michigan").view["ask"]["character"]]
    while walk.last.view["ask"]:
        later.append(walk.say("can't tell").view["ask"] and walk.last.view["ask"]["character"])
    assert asked in later


def test_no_question_is_put_twice_but_on_purpose(mind: Mind) -> None:
    for walk in walks(mind, 30, seed=11):
        asked = [
            (turned.view["ask"]["kind"], turned.view["ask"]["character"])
            for turned in walk.turns
            if turned.view["ask"] and turned.view["ask"]["kind"] in ("character", "reask", "place")
        ]
        assert len(asked) == len(set(asked)), walk.said


def test_can_t_tell_is_never_asked_about_again_at_once(mind: Mind) -> None:
    for walk in walks(mind, 30, seed=12):
        for before, after in pairwise(walk.turns):
            if "cant_tell" in after.view["intents"] and after.view["ask"]:
                assert after.view["ask"] != before.view["ask"]


def test_the_ground_that_was_asked_for_is_that_of_the_plant_that_was_to_be_planted(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("MI. needles in fives, soft", "should i plant norway spruce")
    assert walk.state == "asking.site"
    turned = walk.say("1")
    assert turned.conversation.plant == "picea_abies"
    assert "eastern white pine is native" not in turned.reply.text.lower()


def test_the_question_about_the_tree_comes_back_after_the_ground_was_told(mind: Mind) -> None:
    walk = Walk(mind)
    asked = walk.say("MI. needles in fives, soft").view["ask"]
    walk.say_all("should i plant norway spruce", "1")
    assert walk.last.view["ask"] is not None
    assert walk.last.view["ask"]["character"] == asked["character"]


def test_nothing_is_forbidden_only_till_yew_is_ruled_out(mind: Mind) -> None:
    """ "Nothing in the mouth till two looks say otherwise" would allow it afterwards."""
    told = [text for wordings in mind.script.lines.values() for text in wordings]
    told += [caution.text for caution in mind.knowledge.cautions.values()]
    assert [text for text in told if re.search(r"mouth[^.]*\b(till|until|unless|before)\b", text)] == []


def test_a_talk_about_a_sick_plant_asks_only_what_is_missing_and_offers_the_season_as_a_possibility(mind: Mind) -> None:
    walk = Walk(mind)
    first = walk.say("the needles are going brown from the inside")
    assert walk.state == "asking.health"
    assert "new needles" not in first.reply.text.split("\n")[-1]  # inside: the old ones
    told = walk.say("only the old ones, all round, since last month")
    assert walk.state == "listening"
    assert "may be only the season" in told.reply.text
    assert "extension office" in told.reply.text
    assert told.conversation.tree.claims == ()


def test_new_growth_on_one_side_is_not_put_down_to_the_season(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say("my pine is turning yellow since june")
    told = walk.say("new growth, just one side")
    assert "need not be the season" in told.reply.text


def test_what_was_not_understood_is_said_in_few_words_and_kept(mind: Mind) -> None:
    walk = Walk(mind)
    turned = walk.say("soft and glimmery")
    assert '"glimmery"' in turned.reply.text
    (unknown,) = turned.conversation.unknown
    assert (unknown.words, unknown.reader) == ("glimmery", "finder")
    assert [claim.character for claim in turned.conversation.tree.claims] == ["leaf_stiffness"]
    assert walk.say("forget me").conversation.unknown == ()


def test_another_language_gets_one_plain_line(mind: Mind) -> None:
    turned = Walk(mind).say("hola necesito ayuda con un arbol de hojas planas")
    assert [block.kind for block in turned.reply.blocks] == ["note"]
    assert "English" in turned.reply.text
    assert turned.conversation.tree.claims == ()


def test_a_correction_replaces_what_was_said(mind: Mind) -> None:
    walk = Walk(mind)
    walk.say_all("needles are square", "wait, flat i mean")
    believed = walk.last.view["candidates"][0]
    again = Walk(mind)
    again.say("needles are flat")
    assert believed["id"] == again.last.view["candidates"][0]["id"]
    assert "flat needles" in walk.last.reply.text


def test_a_name_that_a_deadly_plant_bears_is_put_to_the_test_before_planting_is_advised(mind: Mind) -> None:
    talks = Talks(mind, None)
    first = talks.say("found some hemlock by the ditch, can i plant it. rutland vt").reply.text
    assert first.startswith("This may be a deadly herb")
    assert "poison-hemlock" in first
    assert "native" not in first
    ferny = talks.say("leaves are ferny like parsley")
    assert "deadly herb" in ferny.reply.text
    assert "plant 6 to 12 ft apart" in Talks(mind, None).say("can i plant balsam fir in vermont").reply.text


@pytest.mark.parametrize("earlier", ["MI. sharp square needles, cones hang", "MI. leaves are ferny", "MI. no cones"])
def test_such_a_name_is_put_to_the_test_whatever_was_told_of_another_tree(mind: Mind, earlier: str) -> None:
    talks = Talks(mind, None)
    talks.say(earlier)
    turned = talks.say("found some hemlock, can i plant it")
    assert turned.reply.blocks[0].text.startswith("This may be a deadly herb")
    assert "hemlock_herb" in [caution["id"] for caution in turned.view["cautions"]]
    assert not re.search("native|apart|moist", turned.reply.text.split("What is", 1)[0])
    assert turned.view["ask"] is not None


def test_what_is_told_beside_such_a_name_is_taken_in_for_the_test(mind: Mind) -> None:
    turned = Talks(mind, Place("MI")).say("hemlock, ferny leaves and a hollow stem. can i plant it")
    assert {claim.character for claim in turned.conversation.tree.claims} >= {"leaf_kind", "stem_kind"}
    assert "deadly herb" in turned.reply.text


def test_a_tree_that_is_named_as_a_hemlock_may_be_planted_by_that_name(mind: Mind) -> None:
    talks = Talks(mind, Place("MI"))
    talks.say(
        "flat needles on tiny stalks, rough brown twig, two white lines under, cones under an inch hang at the tips"
    )
    assert "native in Michigan" in talks.say("can i plant hemlock").reply.text


def test_who_asks_whether_we_are_sure_of_a_named_plant_hears_of_that_plant(mind: Mind) -> None:
    talks = Talks(mind, Place("MI"))
    talks.say("needles one by one, square, sharp, roll in my fingers, twig hairy, cones under an inch")
    assert "hite spruce" in talks.say("are we sure its not white spruce").reply.text


def test_what_another_fact_says_already_is_not_echoed(mind: Mind) -> None:
    lines = Talks(mind, None).say("needles, they are flat and soft").reply.text.splitlines()
    (echo,) = [line for line in lines if "flat needles" in line]
    assert not re.search(r"(: |, )needles[,.]", echo)


def test_what_is_told_of_the_tree_beside_the_ground_of_the_site_is_taken_in(mind: Mind) -> None:
    talks = Talks(mind, Place("MI"))
    talks.say("should we plant norway spruce")
    turned = talks.say("wet ground there. and needles are flat and soft")
    assert turned.conversation.site == ("wet",)
    assert {claim.character for claim in turned.conversation.tree.claims} >= {"leaf_section", "leaf_stiffness"}
    assert "ground" not in {claim.character for claim in turned.conversation.tree.claims}
