"""What many tests need: the shipped knowledge and all that is built on it, once a run."""

from __future__ import annotations

import pytest

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.knowledge import Knowledge


@pytest.fixture(scope="session")
def mind() -> Mind:
    return open_mind()


@pytest.fixture(scope="session")
def knowledge(mind: Mind) -> Knowledge:
    return mind.knowledge
