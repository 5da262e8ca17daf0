"""Entropy, capacity and the bounds that are printed beside results.

Cover & Thomas, Elements of Information Theory, 2nd ed.: H(p) in 2.1, the binary symmetric channel in 7.1.4.
"""

from __future__ import annotations

import math

import pytest
from scipy.stats import entropy

from chatkey.trial.run import binary_entropy, bounds


@pytest.mark.parametrize("p", [0.0, 0.01, 0.05, 0.1, 0.11, 0.2, 0.37, 0.5, 0.9, 1.0])
def test_the_entropy_of_one_answer_is_that_of_scipy(p: float) -> None:
    assert binary_entropy(p) == pytest.approx(entropy([p, 1 - p], base=2), abs=1e-12)


def test_half_a_bit_at_eleven_in_a_hundred() -> None:
    """The textbook's H(0.11) = 0.5: a channel that slips so often carries half a bit."""
    assert binary_entropy(0.11) == pytest.approx(0.5, abs=1e-3)


def test_a_perfect_finder_needs_log2_of_the_plants_and_one_who_slips_more() -> None:
    """86 plants, one slip in ten: 6.43 bits over 0.531 a question are 12.1 (worked by hand)."""
    found = bounds(86, 0.1)
    assert found["bits"] == pytest.approx(6.426, abs=1e-3)
    assert found["questions"] == pytest.approx(6.426 / 0.531, abs=0.01)
    assert bounds(64, 0.0) == {"bits": 6.0, "questions": 6.0}
    assert math.isinf(bounds(64, 0.5)["questions"])  # a toss tells nothing
