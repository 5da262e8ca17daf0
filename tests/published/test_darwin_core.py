"""Our words for status against Darwin Core's controlled vocabulary establishmentMeans, https://dwc.tdwg.org/em/ ."""

from __future__ import annotations

from typing import get_args

from chatkey.knowledge.status import ESTABLISHMENT_MEANS
from chatkey.terms import Status

VOCABULARY = {
    "native",
    "nativeEndemic",
    "nativeReintroduced",
    "introduced",
    "introducedAssistedColonisation",
    "vagrant",
    "uncertain",
}


def test_every_status_but_an_absence_has_a_word_of_the_vocabulary() -> None:
    assert set(ESTABLISHMENT_MEANS) == set(get_args(Status))
    assert {word for status, word in ESTABLISHMENT_MEANS.items() if status != "not recorded"} <= VOCABULARY


def test_an_absence_is_no_means_of_establishment() -> None:
    assert ESTABLISHMENT_MEANS["not recorded"] == ""
