"""The examples for those who run it: in step with the code, and careful with what is personal."""

from __future__ import annotations

import configparser
import re
from importlib.metadata import entry_points
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from chatkey.channels.sms.gateway import read_gateway
from chatkey.data import PACKAGE
from chatkey.service.load import load_settings
from chatkey.service.serve import PATH
from chatkey.service.settings import TABLES, Settings
from chatkey.service.setup import set_up

EXAMPLES = PACKAGE / "_examples"


@pytest.fixture(scope="module")
def kannel() -> dict[str, dict[str, str]]:
    """The groups of Kannel's settings, which an empty line ends."""
    lines = (EXAMPLES / "kannel.conf").read_text(encoding="ascii").splitlines()
    blocks = "\n".join(line for line in lines if not line.startswith("#")).strip().split("\n\n")
    groups = (dict(line.split(" = ", 1) for line in block.splitlines() if line) for block in blocks)
    return {group.pop("group"): {name: value.strip('"') for name, value in group.items()} for group in groups}


def test_kannel_calls_the_door_that_chatkey_opens_with_the_fields_of_its_profile(kannel):
    url = urlsplit(kannel["sms-service"]["get-url"])
    plain, receive = Settings(), read_gateway("kannel").receive
    assert (url.hostname, url.port, url.path) == (plain.host, plain.port, PATH)
    assert set(parse_qs(url.query)) == {
        *(receive.sender, receive.recipient, receive.text, receive.id, receive.charset, receive.received_at)
    }
    assert kannel["sms-service"]["omit-empty"] == "true"


def test_chatkey_calls_the_door_that_kannel_opens(kannel, tmp_path):
    list(set_up(tmp_path))
    sms, push = load_settings(tmp_path / "chatkey.toml").sms, read_gateway("kannel").push
    assert sms is not None
    assert push is not None
    assert urlsplit(push.url).port == int(kannel["smsbox"]["sendsms-port"])
    assert (kannel["sendsms-user"]["username"], kannel["smsbox"]["global-sender"]) == (sms.user, sms.number)


def test_kannel_is_closed_to_others_and_writes_no_number_or_text_into_its_logs(kannel):
    for box in ("core", "smsbox"):
        assert kannel[box]["log-level"] == "3"
        assert "access-log" not in kannel[box]
    for box, name in (("core", "admin-interface"), ("core", "smsbox-interface"), ("smsbox", "sendsms-interface")):
        assert kannel[box][name] == "127.0.0.1"
    assert {kannel["core"]["admin-password"], kannel["sendsms-user"]["password"]} == {"change-me"}


def test_the_unit_starts_chatkey_as_a_user_of_its_own_with_its_secrets_elsewhere():
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str
    unit.read(EXAMPLES / "chatkey.service", encoding="utf-8")
    service = unit["Service"]
    assert service["ExecStart"].endswith("/bin/chatkey serve")
    assert service["User"] == "chatkey"
    assert service["ReadWritePaths"] == service["WorkingDirectory"]
    assert not re.search(r"(?i)^environment=.*(password|key)", Path(EXAMPLES / "chatkey.service").read_text("utf-8"))


def test_the_container_starts_the_command_that_the_package_brings():
    text = (EXAMPLES / "Containerfile").read_text(encoding="utf-8")
    (command,) = entry_points(group="console_scripts", name="chatkey")
    assert f'ENTRYPOINT ["{command.name}"]' in text
    assert "USER chatkey" in text
    assert "PASSWORD=" not in text


def test_the_settings_that_setup_writes_name_every_setting_there_is():
    text = (EXAMPLES / "chatkey.toml").read_text(encoding="utf-8")
    own = {name for name in Settings.model_fields if name not in (*TABLES, "key")}
    for name in own | {name for table in TABLES.values() for name in table.model_fields}:
        assert re.search(rf"\b{name}\b", text), name
