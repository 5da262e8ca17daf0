"""Calibration error, Brier score and the area under the curve, beside scikit-learn.

Brier 1950, Monthly Weather Review 78:1. Hanley & McNeil 1982, Radiology 143:29.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, roc_auc_score

from chatkey.trial.outcome import BINS, Outcome, auc, calibration_error, figures

TALK = Outcome("a", "a", 0.9, True, True, True, 5, "species", 0.9, True, None)


def drawn(seed: int, size: int = 500) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    said = random.beta(3, 1.5, size)
    return said, (random.random(size) < said**1.3).astype(float)


@pytest.mark.parametrize("seed", range(20))
def test_the_calibration_error_is_that_of_the_reliability_curve(seed: int) -> None:
    said, was = drawn(seed)
    true, mean = calibration_curve(was, said, n_bins=BINS, strategy="uniform")
    counts = np.histogram(said, bins=np.linspace(0, 1, BINS + 1))[0]
    shares = counts[counts > 0] / len(said)
    assert calibration_error(said, was) == pytest.approx(float((shares * np.abs(true - mean)).sum()), abs=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_brier_score_and_area_under_the_curve(seed: int) -> None:
    said, was = drawn(seed)
    talks = [replace(TALK, probability=float(p), is_right=bool(right)) for p, right in zip(said, was, strict=True)]
    assert figures(talks, 0.9).brier == pytest.approx(brier_score_loss(was, said), abs=1e-12)
    rounded = np.round(said, 1)  # with many ties
    scores = [(float(p), bool(right)) for p, right in zip(rounded, was, strict=True)]
    assert auc(scores) == pytest.approx(roc_auc_score(was, rounded), abs=1e-12)


def test_worked_by_hand() -> None:
    """Two talks at 0.95, one of them right; two at 0.55, both right: |0.95 - 0.5| / 2 + |0.55 - 1| / 2 = 0.45."""
    assert calibration_error(np.array([0.95, 0.95, 0.55, 0.55]), np.array([1.0, 0, 1, 1])) == pytest.approx(0.45)
    assert auc([(0.9, True), (0.1, False), (0.5, False)]) == 1.0
    assert auc([(0.5, True), (0.5, False)]) == 0.5
