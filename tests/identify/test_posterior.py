"""P(plant | what was said): a distribution, the same in any order, and the same as an exact network's."""

from __future__ import annotations

import os
import warnings
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.identify import believe
from chatkey.identify.prior import prior_of
from chatkey.terms import Claim, Place

PLACES = st.sampled_from([None, Place("MI"), Place("ON"), Place("OR"), Place("XX")])
FLAWLESS = {"mixture": 0.0}  # for examples from books, which know of no slips


@given(data=st.data(), place=PLACES)
@settings(deadline=None, max_examples=60)
def test_the_posterior_sums_to_one_with_something_else(table, claim_lists, data, place):
    belief = believe(table, data.draw(claim_lists), place)
    assert belief.probability.sum() + belief.something_else == pytest.approx(1, abs=1e-12)
    assert belief.probability.min() >= 0
    assert 0 < belief.something_else < 1


@given(data=st.data(), place=PLACES)
@settings(deadline=None, max_examples=40)
def test_the_order_of_answers_does_not_matter(table, claim_lists, data, place):
    claims = data.draw(claim_lists)
    shuffled = [replace(claim, sequence=n) for n, claim in enumerate(data.draw(st.permutations(claims)))]
    first, second = believe(table, claims, place), believe(table, shuffled, place)
    assert np.array_equal(first.probability, second.probability)
    assert first.something_else == second.something_else


@given(data=st.data())
@settings(deadline=None, max_examples=60)
def test_a_hedge_moves_less_than_a_sure_answer(table, claim_lists, data):
    """Between any two plants that can show the character, the more the finder doubts the less the odds move."""
    claims = data.draw(claim_lists.filter(bool))
    name = claims[0].character
    can = table.applies[:, table.characters.index(name)] > 0
    moved = []
    for hedge in (0.0, 0.3, 1.0):
        row = believe(table, [replace(claims[0], hedge=hedge)]).log_likelihood[0, :-1][can]
        moved.append(np.abs(row[:, None] - row[None, :]))  # (T, T)
    weak = claims[0].negated and table.knowledge.characters[name].denied_is_weak
    assert (moved[1] <= moved[0] + 1e-6).all()  # nothing is heard less often than 1e-9
    assert (moved[2] <= moved[1] + 1e-6).all()
    assert weak or moved[0].max() < 1e-6 or moved[2].max() < moved[1].max() < moved[0].max()


@pytest.mark.parametrize("code", ["", "MI", "ON", "FL", "XX"])
def test_before_any_answer_the_posterior_is_the_prior(table, code):
    belief = believe(table, [], Place(code) if code else None)
    prior = prior_of(table, code)
    assert prior.sum() == pytest.approx(1, abs=1e-12)
    assert prior[-1] == pytest.approx(0.03)
    assert np.append(belief.probability, belief.something_else) == pytest.approx(prior, abs=1e-12)


def test_a_plant_native_here_is_likelier_than_its_twin_from_the_other_side(table):
    belief = believe(table, [], Place("MI"))
    assert belief.of(["thuja_occidentalis"]) > belief.of(["thuja_plicata"]) > 0


@pytest.mark.parametrize(
    ("prior", "likelihoods", "posterior"),
    [
        # Bowls of biscuits: Downey, Bite Size Bayes, https://allendowney.github.io/BiteSizeBayes/03_cookie.html
        ([0.5, 0.5], [[0.75, 0.5]], [0.6, 0.4]),
        ([0.01, 0.99], [[0.8, 0.096]], [0.077640, 0.922360]),  # a screening test: 1 %, 80 %, 9.6 %
        ([0.4, 0.3, 0.2, 0.1], [[0.9, 0.9, 0.1, 0.1], [0.8, 0.2, 0.8, 0.2]], [0.8, 0.15, 0.044444, 0.005556]),
    ],
)
def test_examples_from_books_come_out(grow, character, prior, likelihoods, posterior):
    names = [f"plant_{n}" for n in range(len(prior))]
    signs = [f"sign_{n}" for n in range(len(likelihoods))]
    plants = {
        name: {sign: {"yes": row[n], "no": 1 - row[n]} for sign, row in zip(signs, likelihoods, strict=True)}
        for n, name in enumerate(names)
    }
    small = grow(
        plants,
        tuple(character(sign, ("yes", "no"), error=0.0) for sign in signs),
        dict(zip(names, prior, strict=True)),
        evidence=FLAWLESS,
        discount={"other": 1.0},
        prior={"something_else": 0.0},
    )
    belief = believe(small, [Claim(sign, ("yes",)) for sign in signs])
    assert belief.probability == pytest.approx(posterior, abs=1e-6)


def test_something_else_shows_half_what_the_known_plants_show_and_half_anything(grow, character):
    colours = ("red", "green", "blue", "grey")
    small = grow({"a": {"hue": {"red": 1}}, "b": {"hue": {"green": 1}}}, (character("hue", colours),), {"a": 3, "b": 1})
    belief = believe(small, [Claim("hue", ("red",))])
    heard = {"red": 0.9, "green": 0.1 / 3, "blue": 0.1 / 3, "grey": 0.1 / 3}  # error 0.1
    mean = sum(heard.values()) / 4
    known = [0.95 * heard["red"] + 0.05 * mean, 0.95 * heard["green"] + 0.05 * mean]
    unknown = 0.5 * (0.75 * known[0] + 0.25 * known[1]) + 0.5 * mean
    joint = np.array([0.97 * 0.75 * known[0], 0.97 * 0.25 * known[1], 0.03 * unknown])
    assert np.append(belief.probability, belief.something_else) == pytest.approx(joint / joint.sum(), abs=1e-12)


def test_a_second_answer_of_one_family_counts_a_little_less_and_of_another_in_full(grow, character):
    kin = tuple(character(name, ("yes", "no"), family="kin") for name in ("x", "y"))
    stranger = character("z", ("yes", "no"))
    plants = {"a": {name: {"yes": 1} for name in "xyz"}, "b": {name: {"no": 1} for name in "xyz"}}
    small = grow(plants, (*kin, stranger))
    alone = believe(small, [Claim("x", ("yes",))]).log_likelihood[0]
    together = believe(small, [Claim(name, ("yes",)) for name in "xyz"]).log_likelihood
    share = (1 + 0.85) / 2  # the family's second answer counts 0.85; spread over both
    assert together == pytest.approx(np.array([share * alone, share * alone, alone]), abs=1e-12)


def test_that_a_plant_lacks_what_was_denied_does_not_speak_against_it(table):
    """Hemlocks have no tufts on the trunk, nor have most pines: to hear "no tufts" tells hardly anything."""
    hemlock, pine = "tsuga_canadensis", "pinus_strobus"
    before = believe(table, [], Place("MI"))
    for claim in (Claim("trunk_tufts", ("absent",)), Claim("trunk_tufts", ("present",), negated=True)):
        after = believe(table, [claim], Place("MI"))
        moved = after.of([hemlock]) / after.of([pine]) / (before.of([hemlock]) / before.of([pine]))
        assert 0.5 < moved < 2


def test_hundreds_of_answers_leave_no_hole(grow, character):
    names = [f"sign_{n}" for n in range(400)]
    plants = {"a": {name: {"yes": 1} for name in names}, "b": {name: {"no": 1} for name in names}}
    small = grow(plants, tuple(character(name, ("yes", "no")) for name in names))
    belief = believe(small, [Claim(name, ("yes",)) for name in names])
    assert belief.probability.sum() + belief.something_else == pytest.approx(1)
    assert belief.probability[0] > 0.99


def test_one_plant_alone_is_still_weighed_against_something_else(grow, character):
    small = grow({"a": {"hue": {"red": 1}}}, (character("hue", ("red", "green")),))
    assert believe(small, [Claim("hue", ("red",))]).something_else < 0.03
    assert believe(small, [Claim("hue", ("green",))]).something_else > 0.03


COLOURS = ("red", "green", "blue")
PLANTS = {
    "a": {"hue": {"red": 0.85, "green": 0.1}, "form": {"round": 1}, "feel": {"soft": 1}, "smell": {"sweet": 1}},
    "b": {"hue": {"green": 1}, "form": {"round": 0.4, "flat": 0.4}, "feel": {"stiff": 1}, "smell": {"sour": 1}},
    "c": {"hue": {"blue": 1}, "form": {"flat": 1}, "feel": {"soft": 0.85, "stiff": 0.1}, "smell": {"sweet": 1}},
    "d": {
        "hue": {"red": 0.4, "blue": 0.4},
        "form": {"flat": 1},
        "feel": {"stiff": 1},
        "smell": {"sweet": 0.5, "sour": 0.5},
    },
    "e": {"hue": {"green": 0.85, "blue": 0.4}, "form": {"round": 1}, "feel": {"soft": 1}, "smell": {"sour": 1}},
}
MET = {"a": 5.0, "b": 1.0, "c": 2.0, "d": 0.2, "e": 3.0}
LETTERS = ("p", "q", "r", "s")
NAMES = ("ash", "birch", "cherry", "dogwood", "elm", "fig")
STATES = {"hue": COLOURS, "form": ("round", "flat"), "feel": ("soft", "stiff"), "smell": ("sweet", "sour")}
ERRORS = {"hue": 0.12, "form": 0.1, "feel": 0.2, "smell": 0.3}
SLIPS = {"red": {"green": 0.05, "blue": 0.15}}  # of hue


def test_the_posterior_is_that_of_exact_inference_in_a_network(grow, character):
    """Plant -> what it shows -> what is heard, with observer errors and the mixture, by variable elimination."""
    network = exact_network()
    small = grow(
        PLANTS,
        tuple(
            character(name, states, error=ERRORS[name], confusion=SLIPS if name == "hue" else {})
            for name, states in STATES.items()
        ),
        MET,
    )
    for said in product((None, *COLOURS), *((None, *STATES[name]) for name in ("form", "feel", "smell"))):
        heard = {name: state for name, state in zip(STATES, said, strict=True) if state}
        belief = believe(small, [Claim(name, (state,)) for name, state in heard.items()])
        exact = network.query(["plant"], evidence={f"heard_{k}": v for k, v in heard.items()}, show_progress=False)
        ours = np.append(belief.probability, belief.something_else)
        assert ours == pytest.approx(exact.values, abs=1e-9)


@pytest.mark.parametrize("seed", range(50))
def test_fifty_random_networks_agree_with_exact_inference(grow, character, seed):
    """Plants, characters, cells, errors and answers drawn by seed, also against plain sums (no library, no logs)."""
    random = np.random.default_rng(seed)
    signs = {f"sign_{n}": LETTERS[: random.integers(2, 5)] for n in range(random.integers(1, 5))}
    plants = {
        name: {
            sign: dict(zip(states, random.dirichlet(np.ones(len(states))), strict=True))
            for sign, states in signs.items()
        }
        for name in NAMES[: random.integers(2, 7)]
    }
    met = dict(zip(plants, random.uniform(0.1, 5.0, len(plants)).tolist(), strict=True))
    errors = {sign: float(random.uniform(0.01, 0.4)) for sign in signs}
    table = grow(plants, tuple(character(sign, states, error=errors[sign]) for sign, states in signs.items()), met)
    told = {sign: str(random.choice(states)) for sign, states in signs.items() if random.random() < 0.8}
    belief = believe(table, [Claim(sign, (state,)) for sign, state in told.items()])
    ours = np.append(belief.probability, belief.something_else)
    assert ours == pytest.approx(plain_sums(plants, met, signs, errors, told), abs=1e-9)
    network = exact_network(plants, met, signs, errors, {})
    exact = network.query(["plant"], evidence={f"heard_{k}": v for k, v in told.items()}, show_progress=False)
    assert ours == pytest.approx(exact.values, abs=1e-9)


def drawn_cell(states, random) -> dict[str, float]:
    return dict(zip(states, random.dirichlet(np.ones(len(states))).tolist(), strict=True))


def plain_sums(plants, met, signs, errors, told) -> list[float]:
    """P(plant | told) of each plant and, last, something else: all joint probabilities, summed."""
    total = sum(met.values())
    shares = [0.97 * met[name] / total for name in plants] + [0.03]
    for sign, heard in told.items():
        states = signs[sign]

        def hears(true, states=states, sign=sign, heard=heard):
            return 1 - errors[sign] if true == heard else errors[sign] / (len(states) - 1)

        known = []
        for cells in plants.values():
            whole = sum(cells[sign].values())
            shown = {state: 0.95 * cells[sign][state] / whole + 0.05 / len(states) for state in states}
            known.append(sum(shown[state] * hears(state) for state in states))
        mean = sum(hears(state) for state in states) / len(states)
        other = 0.5 * sum(met[name] / total * one for name, one in zip(plants, known, strict=True)) + 0.5 * mean
        shares = [share * one for share, one in zip(shares, [*known, other], strict=True)]
    return [share / sum(shares) for share in shares]


def exact_network(plants=PLANTS, met=MET, signs=STATES, errors=ERRORS, slips=SLIPS):
    """The same plants and something else, in a library that knows nothing of ours."""
    if "CI" not in os.environ:
        pytest.importorskip("pgmpy", reason="370 MB; the checks of the repository install it (extra `exact`)")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what other people's libraries say of each other
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.inference import VariableElimination
        from pgmpy.models import DiscreteBayesianNetwork
    weight = np.array(list(met.values()))
    prior = np.append(0.97 * weight / weight.sum(), 0.03)
    rows = {"plant": [*plants, "else"]}
    many = len(plants) + 1
    model = DiscreteBayesianNetwork()
    tables = [TabularCPD("plant", many, prior[:, None], state_names=rows)]
    model.add_node("plant")
    for name, states in signs.items():
        model.add_edges_from([("plant", f"shown_{name}"), (f"shown_{name}", f"heard_{name}")])
        size = len(states)
        cells = np.array([[plant[name].get(state, 0.0) for plant in plants.values()] for state in states])  # (S, T)
        shown = 0.95 * cells / cells.sum(axis=0) + 0.05 / size
        other = 0.5 * shown @ (weight / weight.sum()) + 0.5 / size
        hearing = np.full((size, size), errors[name] / (size - 1))
        np.fill_diagonal(hearing, 1 - errors[name])
        if slips and name == "hue":
            hearing[:, 0] = [0.8, 0.05, 0.15]
        shown_name, heard_name = {f"shown_{name}": list(states)}, {f"heard_{name}": list(states)}
        tables += [
            TabularCPD(
                f"shown_{name}", size, np.column_stack([shown, other]), ["plant"], [many], {**shown_name, **rows}
            ),
            TabularCPD(f"heard_{name}", size, hearing, [f"shown_{name}"], [size], {**heard_name, **shown_name}),
        ]
    model.add_cpds(*tables)
    assert model.check_model()
    return VariableElimination(model)
