"""What is asked next: never what was asked or answered, no more than the budget, and always to an end."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from chatkey.identify import Asked, Belief, Budget, Step, Table, believe, next_step, watch_yew
from chatkey.terms import Claim, Place, Quantity

MI = Place("MI")
MOST_STEPS = 25
NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)  # a walk takes a while, and thousands take minutes


@dataclass
class Talk:
    """One tree: what was said, what was asked, and what each question came after."""

    table: Table
    place: Place | None = None
    budget: Budget | None = None
    claims: list[Claim] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    heard: list[set[str]] = field(default_factory=list)  # before each question

    @property
    def no_end(self) -> int:
        return len(self.table.characters) + 6  # each once, a place, two looks again, two comparisons

    def say(self, claim: Claim) -> None:
        n = len(self.claims) + len(self.asked)
        self.claims.append(replace(claim, sequence=n, message=str(n)))

    def belief(self) -> Belief:
        return believe(self.table, self.claims, self.place)

    def step(self) -> Step:
        belief = self.belief()
        step = next_step(belief, self.asked, watch_yew(belief, self.claims, self.place), self.place, self.budget)
        if step.kind != "done":
            assert len(self.asked) < self.no_end, "the questions come to no end"
            self.heard.append({reading.character for reading in belief.readings})
            self.asked.append(Asked(step.kind, step.character, step.pair, step.free))
        return step

    def counted(self) -> int:
        """Questions that count against the budget."""
        return sum(one.kind in ("character", "place", "reask") and not one.free for one in self.asked)


def reply(data: st.DataObject, table: Table, step: Step) -> Claim | None:
    """Any answer to a question about a character, a word or a length; or none."""
    kind = data.draw(st.sampled_from(["answer", "answer", "answer", "denial", "cannot tell"]))
    if kind == "cannot tell":
        return None
    character = table.knowledge.characters[step.character]
    hedge = data.draw(st.sampled_from([0.0, 0.0, 1.0]))
    source = "asked_again" if step.kind == "reask" else "said"
    if not character.states:
        length = data.draw(st.floats(1, 300))
        return Claim(character.id, quantity=Quantity(length, length * 1.2), hedge=hedge, source=source)
    state = data.draw(st.sampled_from(character.states))
    return Claim(character.id, (state,), negated=kind == "denial", hedge=hedge, source=source)


def compared(data: st.DataObject, step: Step) -> list[Claim]:
    side = data.draw(st.sampled_from(["first", "second", "neither"]))
    shown = [(one.character, getattr(one, side)) for one in step.separators if side != "neither"]
    return [
        Claim(name, (value,), source="compared")
        if isinstance(value, str)
        else Claim(name, quantity=Quantity(*value), source="compared")
        for name, value in shown
    ]


def walk(data: st.DataObject, talk: Talk, steady: Collection[str] = ()) -> None:
    """Answers by lot until nothing is left to ask. Of what is `steady` nothing new is said."""
    while (step := talk.step()).kind != "done":
        if step.kind == "place":
            talk.place = data.draw(st.sampled_from([None, MI, Place("ON"), Place("OR")]))
        elif step.kind == "compare":
            for claim in compared(data, step):
                if claim.character not in steady:
                    talk.say(claim)
        elif step.character not in steady and (claim := reply(data, talk.table, step)):
            talk.say(claim)


@given(data=st.data(), place=st.sampled_from([None, MI]))
@settings(deadline=None, phases=NO_SHRINKING, max_examples=40)
def test_a_talk_ends_and_asks_nothing_twice(table, claim_lists, data, place):
    talk = Talk(table, place)
    for claim in data.draw(claim_lists)[:3]:
        talk.say(claim)
    walk(data, talk)
    questions = [one.character for one in talk.asked if one.kind == "character"]
    assert len(questions) == len(set(questions))
    for one, heard in zip(talk.asked, talk.heard, strict=True):
        if one.kind == "character":
            assert one.character not in heard
        if one.kind == "reask":
            assert one.character in heard
    again = [one.character for one in talk.asked if one.kind == "reask"]
    assert len(again) == len(set(again)) <= 2
    pairs = [frozenset(one.pair) for one in talk.asked if one.kind == "compare"]
    assert len(pairs) == len(set(pairs)) <= 2


@given(data=st.data())
@settings(deadline=None, phases=NO_SHRINKING, max_examples=15)
def test_the_place_is_asked_once_at_most_even_if_no_place_is_told(table, data):
    talk = Talk(table)
    walk(data, talk)
    assert sum(one.kind == "place" for one in talk.asked) <= 1


def test_the_place_is_not_asked_where_it_is_known(table):
    talk = Talk(table, MI)
    talk.say(Claim("leaf_kind", ("needle",)))
    while (step := talk.step()).kind != "done":
        assert step.kind != "place"


def test_the_place_is_asked_after_a_first_question_was_answered(table):
    talk = Talk(table)
    assert talk.step().kind == "character"
    talk.say(Claim(talk.asked[0].character, (table.knowledge.characters[talk.asked[0].character].states[0],)))
    assert talk.step().kind == "place"
    assert talk.step().kind != "place"


@given(data=st.data(), budget=st.integers(0, 8), place=st.sampled_from([None, MI]))
@settings(deadline=None, phases=NO_SHRINKING, max_examples=25)
def test_the_budget_is_kept_and_questions_about_yew_are_free(table, claim_lists, data, budget, place):
    """The place and two looks again may come after it; a place and looks that came before count."""
    talk = Talk(table, place, Budget(budget))
    for claim in data.draw(claim_lists)[:3]:
        talk.say(claim)
    walk(data, talk)
    assert sum(one.kind == "character" and not one.free for one in talk.asked) <= budget
    assert talk.counted() <= budget + 3


@pytest.mark.parametrize("place", [None, MI])
@pytest.mark.parametrize(
    "first",
    [None, Claim("leaf_section", ("flat",)), Claim("needle_place", ("single",)), Claim("cone_kind", ("red_cup",))],
)
def test_a_finder_who_can_tell_no_more_is_let_go_in_time(table, first, place):
    talk = Talk(table, place)
    if first:
        talk.say(first)
    while talk.step().kind != "done":
        pass
    assert len(talk.asked) <= MOST_STEPS


def test_a_spent_budget_still_lets_yew_be_ruled_out(table):
    talk = Talk(table, MI, budget=Budget(0))
    talk.say(Claim("leaf_section", ("flat",)))
    talk.say(Claim("leaf_stiffness", ("soft",)))
    talk.say(Claim("needle_place", ("single",)))
    assert watch_yew(talk.belief(), talk.claims, MI).holds
    kinds = []
    while (step := talk.step()).kind != "done":
        kinds.append((step.kind, step.free))
    assert ("character", True) in kinds
    assert ("character", False) not in kinds


def cones(table) -> set[str]:
    """The characters that need a cone in reach."""
    found = {"cones_present"}
    for name in table.characters:
        if found & set(table.knowledge.characters[name].only_if):
            found.add(name)
    return found - {"cones_present"}


@pytest.mark.parametrize(
    "claim", [Claim("cones_present", ("absent",)), Claim("cones_present", ("present",), negated=True)]
)
@given(data=st.data())
@settings(deadline=None, phases=NO_SHRINKING, max_examples=10)
def test_where_no_cones_were_seen_none_are_asked_about(table, claim, data):
    assert len(cones(table)) >= 5
    talk = Talk(table, MI)
    talk.say(claim)
    walk(data, talk, steady={"cones_present"})
    assert not cones(table) & {one.character for one in talk.asked if one.kind == "character"}


def test_where_a_part_is_said_to_be_of_another_kind_its_questions_fall_away(table):
    talk = Talk(table, MI)
    talk.say(Claim("leaf_kind", ("scale",)))
    needles = {
        name for name in table.characters if table.knowledge.characters[name].only_if.get("leaf_kind") == ("needle",)
    }
    while talk.step().kind != "done":
        pass
    assert not needles & {one.character for one in talk.asked}


def test_where_one_of_two_fitting_kinds_is_denied_the_other_may_still_be_asked_about(grow, character):
    """Cones that hang are balls or scaly; "not balls" leaves the scaly ones."""
    kind = character("kind", ("scaly", "ball", "berry"))
    hang = character("hang", ("up", "down"), only_if={"kind": ("scaly", "ball")})
    small = grow(
        {"a": {"kind": {"scaly": 1}, "hang": {"up": 1}}, "b": {"kind": {"scaly": 1}, "hang": {"down": 1}}}, (kind, hang)
    )
    talk = Talk(small, MI)
    talk.say(Claim("kind", ("ball",), negated=True))
    step = talk.step()
    assert (step.kind, step.character) == ("character", "hang")


def test_a_plain_contradiction_is_looked_at_again_and_once_only(grow, character):
    signs = ("a", "b", "c", "d", "e")
    plants = {"x": {sign: {"yes": 1} for sign in signs}, "y": {sign: {"no": 1} for sign in signs}}
    talk = Talk(grow(plants, tuple(character(sign, ("yes", "no")) for sign in signs)), MI)
    for sign in signs:
        talk.say(Claim(sign, ("no" if sign == "c" else "yes",)))
    step = talk.step()
    assert (step.kind, step.character) == ("reask", "c")
    assert talk.step().kind != "reask"


def test_two_leaders_with_nothing_left_to_ask_are_compared_once(grow, character):
    lens = character("lens", ("yes", "no"), effort=4)
    plants = {"x": {"lens": {"yes": 0.6, "no": 0.4}}, "y": {"lens": {"yes": 0.4, "no": 0.6}}}
    talk = Talk(grow(plants, (lens,)), MI)
    step = talk.step()
    assert step.kind == "compare"
    assert set(step.pair) == {"x", "y"}
    assert [one.character for one in step.separators] == ["lens"]
    assert talk.step().kind == "done"


def test_a_tree_that_is_known_is_asked_nothing_more(grow, character):
    signs = ("a", "b", "c", "d")
    plants = {"x": {sign: {"yes": 1} for sign in signs}, "y": {sign: {"no": 1} for sign in signs}}
    talk = Talk(grow(plants, tuple(character(sign, ("yes", "no")) for sign in signs)), MI)
    for sign in signs[:3]:
        talk.say(Claim(sign, ("yes",)))
    assert talk.step().kind == "done"


def test_the_same_talk_is_asked_the_same(table):
    def questions() -> list[Asked]:
        talk = Talk(table, MI)
        talk.say(Claim("leaf_kind", ("needle",)))
        while talk.step().kind != "done":
            pass
        return talk.asked

    assert questions() == questions()


@pytest.mark.parametrize("first", ["leaf_kind", "needle_place", "leaf_stiffness"])
def test_two_questions_go_together_only_where_both_are_bearable_and_neither_waits_for_the_other(table, first):
    states = table.knowledge.characters[first].states
    for state in states:
        claims = [Claim(first, (state,), message="1")]
        belief = believe(table, claims, MI)
        watch = watch_yew(belief, claims, MI)
        one = next_step(belief, [], watch, MI, Budget(12, 1))
        two = next_step(belief, [], watch, MI, Budget(6, 2))
        assert one.also == ""
        assert one.character == two.character
        if two.also:
            here, there = (table.knowledge.characters[name] for name in (two.character, two.also))
            assert here.family != there.family
            assert here.id not in there.only_if
            assert there.id not in {reading.character for reading in belief.readings}


def test_some_second_question_is_needed_whatever_is_answered_first(table):
    belief = believe(table, [Claim("leaf_kind", ("needle",), message="1")], MI)
    assert next_step(belief, [], watch_yew(belief, [], MI), MI, Budget(6, 2)).also


def test_where_no_cone_is_in_reach_no_second_cone_question_comes_soon(table):
    talk = Talk(table, MI)
    for claim in (Claim("leaf_kind", ("needle",)), Claim("needle_place", ("bundles",))):
        talk.say(claim)
    cones = [name for name in table.characters if table.knowledge.characters[name].part == "cone"]
    belief = believe(table, talk.claims, MI)
    watch = watch_yew(belief, talk.claims, MI)
    unanswered = [Asked("character", cones[0])]
    told = [name for name in ("cone_length", "cone_kind") if name != cones[0]]
    before = next_step(belief, [], watch, MI)
    after = next_step(belief, unanswered, watch, MI)
    assert before.kind == after.kind == "character"
    assert after.character not in told


def test_where_the_advice_is_settled_a_question_must_tell_more(table):
    """Native spruces with short cones are left: what may be done is the same for each, so that less is asked."""
    said = [("leaf_kind", "needle"), ("needle_place", "single"), ("leaf_rolls", "rolls")]
    said += [
        ("leaf_section", "four_sided"),
        ("leaf_base", "peg"),
        ("setting", "wild"),
        ("twig_surface", "rough"),
        ("cone_attitude", "hanging"),
    ]
    claims = [Claim(name, (state,), message=str(n), sequence=n) for n, (name, state) in enumerate(said)]
    claims.append(Claim("cone_length", quantity=Quantity(22, 30, "ruler"), message="9", sequence=9))
    belief = believe(table, claims, MI)
    lasting = replace(table.knowledge, numbers=with_asking(table, settled=50.0))
    eager = replace(table.knowledge, numbers=with_asking(table, settled=1.0))
    kinds = {}
    for name, knowledge in (("lasting", lasting), ("eager", eager)):
        changed = replace(belief, table=replace(table, knowledge=knowledge))
        kinds[name] = next_step(changed, [], watch_yew(changed, claims, MI), MI)
    assert kinds["eager"].kind == "character"
    assert kinds["lasting"].kind != "character"


def with_asking(table, **changed):
    numbers = table.knowledge.numbers
    return {**numbers, "asking": {**numbers["asking"], **changed}}
