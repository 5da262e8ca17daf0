"""Pictures made from numbers: a PNG that says what the matrix says, a page that holds what was found."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from html.parser import HTMLParser

import numpy as np
import pytest

from chatkey.dialog import Mind
from chatkey.draw import matrix_png, report_html
from chatkey.draw.matrix import CELL, DARK, EASY

REPORT = {
    "knowledge": "abc<b>",
    "counts": {"pairs_hard_to_part": 3},
    "errors": [{"where": "taxa/x.yaml:1:2", "what": "a <fault> & more", "mend": "mend it"}],
    "warnings": [],
    "hardest_pairs": [{"taxa": ["abies_fraseri", "abies_balsamea"], "log_odds": 0.4, "groups": ["balsams"]}],
    "coverage": {
        "all": {"taxa": 2, "cells": 10, "from_memory": 1, "from_memory_share": 0.1},
        "hand_cells_filled_share": 0.95,
        "blanks_by_taxon": {"abies_fraseri": ["smell"]},
        "sources": {"accuracy_table": 4},
    },
}


def decoded(png: bytes) -> np.ndarray:
    """An unfiltered RGB picture, read by the PNG specification (ISO/IEC 15948), checksums included."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    at, chunks = 8, {}
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        assert struct.unpack(">I", png[at + 8 + length : at + 12 + length]) == (zlib.crc32(kind + data),)
        chunks[kind], at = data, at + 12 + length
    width, height, depth, colour, *_ = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    assert (depth, colour) == (8, 2)
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), np.uint8).reshape(height, 1 + width * 3)
    assert not rows[:, 0].any()
    return rows[:, 1:].reshape(height, width, 3)


def test_a_pair_that_is_hard_to_part_is_dark_and_an_easy_one_white() -> None:
    pixels = decoded(matrix_png(np.array([[0.0, 0.0], [EASY, 0.0]])))
    assert pixels.shape == (2 * CELL, 2 * CELL, 3)
    assert pixels[0, CELL].tolist() == DARK.tolist()
    assert pixels[CELL, 0].tolist() == [255, 255, 255]
    assert pixels[0, 0].tolist() == [230, 230, 230]  # a taxon with itself


def test_the_harder_the_darker() -> None:
    odds = np.array([[0.0, 1.0, 2.0, 4.0, 100.0]] * 5)
    row = decoded(matrix_png(odds))[4 * CELL, ::CELL].astype(int).sum(axis=1)[:4]
    assert (np.diff(row) > 0).all()


class _Balanced(HTMLParser):
    """Every element that is opened is closed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def page(mind: Mind) -> str:
    asked = {place: dict.fromkeys(mind.table.taxa, 7.5) for place in ("MI", "ON")}
    return report_html(mind.table, {**REPORT, "expected_questions": asked})


def test_the_page_is_whole_and_names_what_was_found(page: str) -> None:
    parser = _Balanced()
    parser.feed(page)
    assert parser.open == []
    for text in ("a &lt;fault&gt; &amp; more", "abc&lt;b&gt;", "Abies fraseri", "95.0%", "10%", "balsams"):
        assert text in page
    assert "<h2>Warnings</h2><p>None.</p>" in page


def test_the_page_needs_no_network_and_no_script_and_its_picture_has_words(page: str) -> None:
    assert "<script" not in page
    assert re.findall(r"(?:src|href)='(?!data:)", page) == []
    assert "<html lang='en'>" in page
    assert re.search(r"<img[^>]*alt='[^']{10,}'", page)
    assert page.count("scope='col'") > 5


def test_the_picture_on_the_page_is_the_matrix_of_the_taxa(page: str, mind: Mind) -> None:
    data = re.search(r"base64,([^']+)'", page)
    assert data
    assert decoded(base64.b64decode(data[1])).shape[0] == CELL * len(mind.table.taxa)
