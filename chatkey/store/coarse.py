"""Messages as they may be kept: exact places to about 1 km, phone numbers not at all."""

from __future__ import annotations

import re

EXACT_NUMBER = re.compile(r"-?\d{1,3}\.\d{3,}")  # a coordinate finer than 0.01 degree
PHONE_NUMBER = re.compile(r"(?<![\d.])(?:\+?1[ .-]?)?\(?\d{3}\)?[ .-]?\d{3}[ .-]?\d{4}(?!\d)|\+\d[\d ().-]{7,}\d")
WITHHELD = "(number)"


def coarse(text: str) -> str:
    """The text without what would tell who wrote it or exactly where: 46.54321 becomes 46.54; no phone number."""
    rounded = EXACT_NUMBER.sub(lambda found: f"{float(found[0]):.2f}", text)
    return PHONE_NUMBER.sub(WITHHELD, rounded)
