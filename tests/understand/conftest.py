"""What the tests of understanding share."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from chatkey.dialog import Mind
from chatkey.understand import Understanding, understand


@pytest.fixture(scope="session")
def heard(mind: Mind) -> Callable[[str], Understanding]:
    """A message understood, with no question pending."""
    return lambda text: understand(text, mind.knowledge, mind.lexicon)
