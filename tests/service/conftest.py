"""A serving application in this process, with its gateway on the loopback."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from databases import KEY
from gateway import gateway
from phones import Clock, Phones
from pydantic import SecretStr
from starlette.testclient import TestClient

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.service.serve import build
from chatkey.service.settings import LimitSettings, Settings, SmsSettings


@pytest.fixture(scope="session")
def mind() -> Mind:
    return open_mind()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(
        group="Larkwater Stewards",
        store=str(tmp_path / "chatkey.db"),
        key=SecretStr(base64.b64encode(KEY).decode()),
        place="MI",
        thinkers=0,
        sms=SmsSettings(number="12345", user="chatkey", password=SecretStr("for tests")),
        limits=LimitSettings(sender_a_minute=50),
    )


@pytest.fixture
def opened(settings: Settings, mind: Mind, clock: Clock) -> Iterator[Callable[..., Phones]]:
    """Opens the application with some settings changed; closed when the test ends."""
    with gateway() as ours:
        clients = []

        def open_phones(**changed: object) -> Phones:
            assert settings.sms is not None
            sms = settings.sms.model_copy(update={"push_url": ours.url, **changed})
            own = settings.model_copy(update={"sms": sms})
            client = TestClient(build(own, partial(_same, mind), clock), client=("127.0.0.1", 50000))
            client.__enter__()
            clients.append(client)
            return Phones(client, ours, own, mind, clock)

        yield open_phones
        for client in clients:
            client.__exit__(None, None, None)


@pytest.fixture
def phones(opened: Callable[..., Phones]) -> Phones:
    return opened()


def _same(mind: Mind) -> Mind:
    return mind
