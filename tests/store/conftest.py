from collections.abc import Iterator
from pathlib import Path

import pytest
from databases import DATABASES, fresh_store

from chatkey.store import Store


@pytest.fixture(params=DATABASES)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    with fresh_store(request.param, tmp_path) as opened:
        yield opened
