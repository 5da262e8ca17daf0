"""What verdicts teach, reckoned by hand, beside SciPy, and over simulated finders whose error is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta

from chatkey.identify import build_table
from chatkey.identify.evidence import heard
from chatkey.identify.table import Array
from chatkey.knowledge import Character, Group, Knowledge, Taxon
from chatkey.knowledge.learned import as_yaml, taught
from chatkey.knowledge.model import Cell, Learned, LearnedError, LearnedPhrase, Names, Range
from chatkey.terms import Claim, Quantity
from chatkey.trial.learning import Confirmed, effect, learn

DATE = "2026-11-26"
ROUND, FLAT = Claim("form", ("round",), text="rolls"), Claim("form", ("flat",), text="Flat  one")


@pytest.fixture(scope="module")
def walk(knowledge: Knowledge) -> Knowledge:
    """Three trees of the Larkwater River and a shrub. Form: one state each, but the birch shows both."""

    def made(id: str, states: tuple[str, ...], **rest: object) -> Character:
        plain = {"family": id, "error": 0.1, "confusion": {}, "only_if": {}, "doubtful_if": {}, "derive": ""}
        return replace(knowledge.characters["leaf_kind"], id=id, states=states, offer=states, **{**plain, **rest})

    characters = (
        made("form", ("round", "flat")),
        made("hue", ("red", "green", "blue", "grey"), error=0.09),
        made("cones", ("present", "absent"), confusion={"present": {"absent": 0.5}, "absent": {"present": 0.03}}),
        replace(made("length", ()), kind="length", error=0.0, classes={"short": (1.0, 20.0), "long": (20.0, 200.0)}),
        made("where", ("wild", "planted"), derive="met"),
    )
    plants: dict[str, dict[str, dict[str, float]]] = {
        "alder": {"form": {"round": 1}, "hue": {"red": 1}, "cones": {"present": 1}, "where": {"wild": 1}},
        "birch": {"form": {"round": 0.9, "flat": 0.1}, "cones": {"absent": 1}},
        "cedar": {"form": {"flat": 1}, "hue": {"red": 1}},
        "dogwood": {},
    }
    taxa = {id: _plant(id, cells) for id, cells in plants.items()}
    return replace(
        knowledge,
        characters={one.id: one for one in characters},
        taxa=taxa,
        leaves=tuple(taxa),
        lineages={id: (id,) for id in taxa},
        groups={id: Group(id, pair, True, (), Names(id)) for id, pair in _PAIRS.items()},
    )


_PAIRS = {"both_red": ("alder", "cedar"), "with_dogwood": ("alder", "dogwood")}


def _plant(id: str, cells: Mapping[str, Mapping[str, float]]) -> Taxon:
    weights = {name: Cell(weights=dict(shown)) for name, shown in cells.items()}
    return Taxon(id, id, "", "species", "", (), True, weights, Range(), "often", "common", Names(id), True)


def said(taxon: str, *claims: Claim, times: int = 1) -> list[Confirmed]:
    return [Confirmed(taxon, claims)] * times


def with_numbers(knowledge: Knowledge, **numbers: float) -> Knowledge:
    learning = {**knowledge.numbers["learning"], **numbers}
    return replace(knowledge, numbers={**knowledge.numbers, "learning": learning})


def test_right_and_wrong_readings_move_the_rate_as_a_beta_prior_of_forty_readings_does(walk):
    """Shipped 0.1 at strength 40: Beta(4, 36). Thirty wrong of a hundred: (4 + 30) / (40 + 100) = 0.2429."""
    learned = learn(walk, said("alder", FLAT, times=30) + said("alder", ROUND, times=70), DATE)
    assert learned.errors == {"form": LearnedError(0.243, 30, 70)}
    assert (learned.date, learned.verdicts) == (DATE, 100)


@pytest.mark.parametrize(("wrong", "right"), [(0, 10), (10, 0), (3, 17), (40, 360), (250, 750)])
@pytest.mark.parametrize("strength", [1, 40, 300])
def test_the_rate_is_the_mean_of_the_posterior_as_scipy_has_it(walk, wrong, right, strength):
    ours = with_numbers(walk, strength=strength)
    learned = learn(ours, said("cedar", ROUND, times=wrong) + said("cedar", FLAT, times=right), DATE)
    mean = beta(0.1 * strength + wrong, 0.9 * strength + right).mean()
    assert learned.errors["form"].rate == pytest.approx(min(max(mean, 0.005), 0.5), abs=0.0005001)


def test_a_reading_of_a_plant_that_shows_both_counts_in_shares(walk):
    """The birch is flat one time in ten. Heard flat at a rate r: misread 0.9 r of 0.9 r + 0.1 (1 - r).

    With a strength so high that r stays 0.1: 0.09 / (0.09 + 0.09), a half; heard round: 0.01 / (0.01 + 0.81).
    """
    ours = with_numbers(walk, strength=10_000)
    assert learn(ours, said("birch", FLAT, times=20), DATE).errors["form"] == LearnedError(0.101, 10.0, 10.0)
    once = learn(ours, said("birch", ROUND, times=82), DATE).errors["form"]
    assert (once.wrong, once.right) == (1.0, 81.0)


def test_readings_that_tell_nothing_leave_the_rate_where_it_is(walk):
    """Red, of a plant that is each colour alike: it may be so or not, whatever the rate."""
    grey = _plant("elder", {"hue": dict.fromkeys(("red", "green", "blue", "grey"), 0.25)})
    ours = replace(walk, taxa={**walk.taxa, "elder": grey}, leaves=(*walk.leaves, "elder"))
    ours = replace(ours, lineages={**walk.lineages, "elder": ("elder",)})
    red, green = Claim("hue", ("red",)), Claim("hue", ("green",))
    alone = learn(ours, said("elder", red, times=500), DATE).errors["hue"]
    assert alone.rate == 0.09
    few = said("alder", green, times=20)
    assert learn(ours, few + said("elder", red, times=500), DATE).errors["hue"].rate == pytest.approx(
        learn(ours, few, DATE).errors["hue"].rate, abs=0.002
    )


def test_where_states_are_misread_unlike_the_table_says_how_many_are_due(walk):
    """Of cones that are there half are missed, as shipped: fifty of a hundred are no news. All missed: about twice."""
    present, absent = Claim("cones", ("present",)), Claim("cones", ("absent",))
    as_due = learn(walk, said("alder", absent, times=50) + said("alder", present, times=50), DATE)
    assert as_due.errors["cones"] == LearnedError(0.265, 50, 50)
    # 0.265 · (10.6 + 75) / (10.6 + 50), where 10.6 = 40 · 0.265
    more = learn(walk, said("alder", absent, times=75) + said("alder", present, times=25), DATE)
    assert more.errors["cones"].rate == pytest.approx(0.265 * 85.6 / 60.6, abs=0.0005)
    assert learn(walk, said("alder", absent, times=900), DATE).errors["cones"].rate == 0.477


def test_several_states_said_at_once_are_wrong_only_where_none_of_them_is_shown(walk):
    two = Claim("hue", ("red", "blue"))
    none = Claim("hue", ("green", "blue"))
    assert learn(walk, said("alder", two, times=10), DATE).errors["hue"].wrong == 0
    assert learn(walk, said("alder", none, times=10), DATE).errors["hue"].wrong == 10


def test_what_is_doubted_teaches_less(walk):
    sure = learn(walk, said("alder", FLAT, times=30), DATE).errors["form"]
    doubted = learn(walk, said("alder", replace(FLAT, hedge=0.8), times=30), DATE).errors["form"]
    assert 0.1 < doubted.rate < sure.rate
    assert doubted.wrong + doubted.right < 20 < sure.wrong + sure.right == 30


@pytest.mark.parametrize(
    ("taxon", "claim"),
    [
        ("alder", replace(FLAT, negated=True)),
        ("alder", Claim("length", quantity=Quantity(10, 20))),
        ("alder", Claim("where", ("planted",))),
        ("alder", Claim("bark", ("smooth",))),
        ("alder", Claim("form", ("curly",))),
        ("dogwood", FLAT),
        ("both_red", FLAT),
        ("with_dogwood", FLAT),
        ("nobody knows", FLAT),
    ],
    ids=[
        "denial",
        "length",
        "derived",
        "character gone",
        "state gone",
        "blank",
        "group differs",
        "group blank",
        "gone",
    ],
)
def test_what_can_not_be_judged_teaches_nothing(walk, taxon, claim):
    learned = learn(walk, said(taxon, claim, times=50), DATE)
    assert (learned.errors, learned.phrases, learned.verdicts) == ({}, {}, 50)


def test_a_group_teaches_where_all_its_members_show_the_same(walk):
    learned = learn(walk, said("both_red", Claim("hue", ("blue",)), times=12), DATE)
    assert learned.errors["hue"] == LearnedError(round((3.6 + 12) / 52, 3), 12, 0)


def test_what_does_not_apply_to_a_plant_is_not_judged(walk):
    needs = replace(walk.characters["hue"], only_if={"form": ("round",)})
    ours = replace(walk, characters={**walk.characters, "hue": needs})
    blue = Claim("hue", ("blue",))
    assert "hue" not in learn(ours, said("cedar", blue, times=20), DATE).errors
    assert "hue" in learn(ours, said("alder", blue, times=20), DATE).errors


def test_a_correction_takes_the_place_of_what_was_said_before(walk):
    first, then = replace(FLAT, message="1", sequence=1), replace(ROUND, message="2", sequence=2)
    assert learn(walk, said("alder", first, then, times=10), DATE).errors["form"] == LearnedError(0.08, 0, 10)


def test_every_reader_of_a_crew_counts_and_a_tree_counts_once(walk):
    crew = [replace(FLAT, reader=name, message=name) for name in ("ana", "ben", "cleo")]
    assert learn(walk, said("alder", *crew, times=9), DATE).errors == {}
    assert learn(walk, said("alder", *crew, times=10), DATE).errors["form"].wrong == 30


def test_without_verdicts_nothing_is_learned_and_there_is_no_date(walk):
    assert learn(walk, [], DATE) == Learned()


def test_what_was_learned_before_plays_no_part(walk):
    verdicts = said("alder", FLAT, times=30) + said("alder", ROUND, times=70)
    once = learn(walk, verdicts, DATE)
    assert learn(taught(walk, once), verdicts, DATE) == once


confirmed = st.builds(
    Confirmed,
    st.sampled_from(["alder", "birch", "cedar", "dogwood", "both_red"]),
    st.lists(
        st.builds(
            Claim,
            st.just("form"),
            st.sampled_from([("round",), ("flat",), ("round", "flat")]),
            hedge=st.sampled_from([0.0, 0.5, 1.0]),
            reader=st.sampled_from(["ana", "ben"]),
            text=st.sampled_from(["rolls", "flat one", "2", ""]),
        )
        | st.builds(Claim, st.just("cones"), st.sampled_from([("present",), ("absent",)]), negated=st.booleans())
        | st.builds(Claim, st.just("hue"), st.sampled_from([("red",), ("blue", "grey")]), text=st.just("reddish")),
        max_size=4,
    ).map(tuple),
)


@settings(deadline=None, max_examples=80)
@given(verdicts=st.lists(confirmed, max_size=40), order=st.randoms(use_true_random=False))
def test_rates_stay_in_bounds_and_the_order_of_verdicts_does_not_matter(walk, verdicts, order):
    ours = with_numbers(walk, least_verdicts=1, phrase_least=1, strength=1, phrase_strength=1)
    learned = learn(ours, verdicts, DATE)
    shuffled = list(verdicts)
    order.shuffle(shuffled)
    assert learn(ours, shuffled, DATE) == learned
    for one in learned.errors.values():
        assert 0.005 <= one.rate <= 0.5
        assert min(one.wrong, one.right) >= 0
    assert all(0 <= one.reliability <= 1 for one in learned.phrases.values())
    assert not {"2", ""} & set(learned.phrases)
    for hearing in build_table(taught(ours, learned)).hearing.values():
        assert hearing.min() >= 0
        assert hearing.sum(axis=0) == pytest.approx(1)


@pytest.mark.parametrize("truth", [0.02, 0.25, 0.4])
@pytest.mark.parametrize("plants", [("alder", "cedar"), ("alder", "birch", "cedar")])
def test_simulated_finders_pull_the_rate_towards_their_own(walk, truth, plants):
    """Each of 3000 looks at a form, and misreads it at a rate that is not the shipped 0.1."""
    random = np.random.default_rng(7)
    verdicts = [verdict for _ in range(1000) for plant in plants for verdict in _look(walk, plant, truth, random)]
    few, many = (learn(walk, verdicts[:count], DATE).errors["form"].rate for count in (60, len(verdicts)))
    assert abs(few - truth) < abs(0.1 - truth)
    assert many == pytest.approx(truth, abs=0.03)


def _look(walk: Knowledge, plant: str, error: float, random: np.random.Generator) -> list[Confirmed]:
    shown = walk.taxa[plant].cells["form"].weights
    true = str(random.choice(list(shown), p=list(shown.values())))
    other = "flat" if true == "round" else "round"
    return said(plant, Claim("form", (other if random.random() < error else true,)))


def test_the_shipped_tables_of_confusion_are_found_again_from_what_they_say(knowledge):
    """Finders who err as shipped teach nothing new; those who err 1.6 times as often are found out."""
    table = build_table(knowledge)
    for character in ("leaf_tip", "cones_present", "needles_per_bundle"):
        shown = {
            leaf: np.array([taxon.cells[character].weights.get(state, 0.0) for state in _states(knowledge, character)])
            for leaf, taxon in knowledge.taxa.items()
            if taxon.is_leaf and table.applies[table.row(leaf), table.order[character]]
            if character in taxon.cells and taxon.cells[character].applies
        }
        for scale in (1.0, 1.6):
            hearing = table.hearing[character] * scale
            np.fill_diagonal(hearing, 0)
            np.fill_diagonal(hearing, 1 - hearing.sum(axis=0))
            random = np.random.default_rng(3)
            verdicts = [_hear(knowledge, character, shown, hearing, random) for _ in range(4000)]
            learned = learn(with_numbers(knowledge, strength=10), verdicts, DATE).errors[character].rate
            mean = 1 - float(np.diag(table.hearing[character]).mean())
            assert learned / mean == pytest.approx(scale, abs=0.15), character


def _states(knowledge: Knowledge, character: str) -> tuple[str, ...]:
    return knowledge.characters[character].states


def _hear(
    knowledge: Knowledge, character: str, shown: Mapping[str, Array], hearing: Array, random: np.random.Generator
) -> Confirmed:
    leaf = list(shown)[int(random.integers(len(shown)))]
    true = int(random.choice(len(hearing), p=shown[leaf] / shown[leaf].sum()))
    state = _states(knowledge, character)[int(random.choice(len(hearing), p=hearing[:, true]))]
    return Confirmed(leaf, (Claim(character, (state,)),))


def test_words_that_mislead_are_worth_less_than_others_for_the_same(walk):
    """ "Flat one" is wrong of half the trees, "like a board" of none; the form itself is read as it was shipped."""
    board = Claim("form", ("flat",), text="like a board")
    verdicts = said("alder", FLAT, times=15) + said("cedar", FLAT, times=15) + said("cedar", board, times=200)
    learned = learn(walk, verdicts, DATE)
    assert (learned.phrases["flat one"].wrong, learned.phrases["flat one"].right) == (15, 15)
    assert learned.phrases["flat one"].reliability < 0.8
    assert learned.phrases["like a board"].reliability > 1 - learned.errors["form"].rate


def test_the_worth_of_words_is_their_share_of_right_readings_under_the_prior(walk):
    """Two hundred readings each way keep the rate at 0.1 and make one in ten "flat" due to be wrong, as in the table.

    Prior Beta(2, 18); sixteen wrong of sixteen: (2 + 16) / (20 + 16) = 0.5.
    """
    ours = with_numbers(walk, strength=10_000, phrase_strength=20)
    bulk = [
        *said("alder", Claim("form", ("round",)), times=9000),
        *said("cedar", Claim("form", ("flat",)), times=9000),
        *said("alder", Claim("form", ("flat",)), times=1000),
        *said("cedar", Claim("form", ("round",)), times=1000),
    ]
    learned = learn(ours, bulk + said("alder", FLAT, times=16), DATE)
    assert learned.errors["form"].rate == pytest.approx(0.1, abs=0.001)
    assert learned.phrases == {"flat one": LearnedPhrase(pytest.approx(0.5, abs=0.002), 16, 0)}


def test_words_for_a_state_that_is_often_misheard_are_not_blamed_for_it(walk):
    """Half of the cones are missed: "no cones", wrong half of the time, does what the table expects."""
    none, some = Claim("cones", ("absent",), text="nothing up there"), Claim("cones", ("present",))
    verdicts = said("alder", none, times=100) + said("alder", some, times=100) + said("birch", none, times=97)
    learned = learn(walk, [*verdicts, *said("birch", some, times=3)], DATE)
    assert learned.phrases["nothing up there"].reliability == pytest.approx(1 - 0.265, abs=0.01)


@pytest.mark.parametrize(
    "text", ["2", "b", "3,", "yes", "No.", "the first one", "five", "", "?", "b\x07oard", "flat " * 20]
)
def test_the_key_of_a_choice_and_what_is_no_phrase_are_never_learned(walk, text):
    assert learn(walk, said("alder", replace(FLAT, text=text), times=50), DATE).phrases == {}


def test_words_are_learned_from_eight_trees_on(walk):
    assert learn(walk, said("alder", FLAT, times=7), DATE).phrases == {}
    assert list(learn(walk, said("alder", FLAT, times=8), DATE).phrases) == ["flat one"]


def _with_phrase(walk: Knowledge, reliability: float) -> Knowledge:
    return taught(walk, Learned(DATE, 9, phrases={"flat one": LearnedPhrase(reliability, 5, 5)}))


@pytest.mark.parametrize(
    ("reliability", "expected"),
    [  # usual 0.9, blind 0.5: guess = (0.9 - r) / 0.4, and flat is then heard of a flat one r times
        (0.95, [0.1, 0.9]),
        (0.9, [0.1, 0.9]),
        (0.7, [0.3, 0.7]),
        (0.5, [0.5, 0.5]),
        (0.2, [0.5, 0.5]),
    ],
)
def test_words_of_little_worth_are_heard_as_guesses(walk, reliability, expected):
    table = build_table(_with_phrase(walk, reliability))
    assert heard(table, FLAT) == pytest.approx(expected)
    assert heard(table, replace(FLAT, text="like a board")) == pytest.approx([0.1, 0.9])
    assert heard(table, replace(FLAT, negated=True)) == pytest.approx([0.9, 0.1])


def test_the_greater_of_two_doubts_counts(walk):
    table = build_table(_with_phrase(walk, 0.7))
    plain = build_table(walk)
    assert heard(table, replace(FLAT, hedge=1.0)) == pytest.approx([0.3, 0.7])  # each a guess of a half
    assert heard(table, replace(FLAT, hedge=0.2)) == pytest.approx([0.3, 0.7])
    assert heard(plain, replace(FLAT, hedge=0.2)) == pytest.approx([0.14, 0.86])


def test_the_effect_is_that_of_the_knowledge_as_it_was_and_as_it_would_be(walk):
    learned = Learned(DATE, 9, {"form": LearnedError(0.25, 9, 9)})
    tried = []

    def figures(knowledge: Knowledge, finders: int) -> dict[str, float]:
        tried.append((knowledge.hash, finders))
        return {"species": 1 - knowledge.characters["form"].error, "questions": 6.0}

    assert effect(walk, learned, 20, figures) == {"species": (0.9, 0.75), "questions": (6.0, 6.0)}
    assert tried[0] == (walk.hash, 20)
    assert tried[1][0] != walk.hash


def test_what_is_learned_from_the_shipped_knowledge_is_read_back_as_it_was(knowledge, tmp_path):
    claims = (Claim("leaf_section", ("flat",), text='Flat: "ish"'), Claim("leaf_stiffness", ("soft",), text="soft"))
    learned = learn(knowledge, said("picea_glauca", *claims, times=11), DATE)
    assert list(learned.phrases) == ['flat: "ish"', "soft"]
    (tmp_path / "learned.yaml").write_text(as_yaml(learned), encoding="utf-8")
    assert _read(tmp_path, knowledge) == learned


def _read(folder, knowledge: Knowledge) -> Learned:
    from chatkey.knowledge import Problems
    from chatkey.knowledge.learned import read_learned
    from chatkey.knowledge.yaml_nodes import read_file

    problems = Problems()
    numbers = knowledge.numbers["learning"]
    found = read_learned(read_file(folder / "learned.yaml", folder), knowledge.characters, numbers, problems)
    assert problems.errors == []
    return found
