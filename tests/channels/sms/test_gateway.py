"""Profiles of gateways: what the shipped ones say, and what is told of a slip in a user's own."""

from __future__ import annotations

from ipaddress import ip_network
from pathlib import Path

import pytest

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.gateway import SHIPPED, Secrets, read_gateway
from chatkey.terms import ChatkeyError

LARKWATER = """\
receive:
  method: POST
  fields_in: json
  sender: message.from
  text: message.text
  id: message.id
signature:
  signs: id_timestamp_body
  algorithm: sha256
  header: Webhook-Signature
  id_header: Webhook-Id
  timestamp_header: Webhook-Timestamp
  prefix: "v1,"
  secret_in: base64
reply: push
push:
  method: POST
  url: https://sms.larkwater.example/send
  fields_in: json
  sender: from
  recipient: to
  text: text
  login: bearer
  by_status: {sent: [202], refused: [4xx], stopped: [410]}
"""


def profile(folder: Path, *, old: str = "", new: str = "") -> str:
    """The path of the profile above, with one piece of it written otherwise."""
    assert old in LARKWATER
    path = folder / "larkwater.yaml"
    path.write_text(LARKWATER.replace(old, new, 1) if old else LARKWATER, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("name", sorted(path.stem for path in SHIPPED.glob("*.yaml")))
def test_every_shipped_profile_can_be_read_and_says_what_a_status_means(name: str) -> None:
    gateway = read_gateway(name)
    assert gateway.name == name
    assert gateway.push is not None
    assert {"sent", "later", "refused"} <= set(gateway.push.by_status.values())


def test_kannel_calls_from_its_own_machine_only_and_takes_its_replies_by_push() -> None:
    gateway = read_gateway("kannel")
    assert gateway.receive.only_from == (ip_network("127.0.0.1/32"), ip_network("::1/128"))
    assert (gateway.reply, gateway.signing.signs) == ("push", "nothing")
    assert gateway.push is not None
    assert gateway.push.outside_gsm == {"coding": "2", "charset": "UTF-8"}


def test_a_form_post_is_signed_and_answered_in_xml() -> None:
    gateway = read_gateway("form_post")
    assert (gateway.reply, gateway.signing.signs, gateway.signing.algorithm) == ("response", "url_and_fields", "sha1")
    assert gateway.answer.content_type == "text/xml"


def test_a_profile_of_ones_own_is_read_from_its_path(tmp_path: Path) -> None:
    gateway = read_gateway(profile(tmp_path))
    assert gateway.name == "larkwater"
    assert gateway.receive.sender == "message.from"
    assert gateway.signing.header == "webhook-signature"  # header names have no case
    assert gateway.push is not None
    assert gateway.push.by_status == {"202": "sent", "4xx": "refused", "410": "stopped"}


def test_the_settings_may_name_another_address_for_pushes() -> None:
    gateway = read_gateway("form_post")
    there = gateway.at("https://sms.larkwater.example/send")
    assert there.push is not None
    assert there.push.url == "https://sms.larkwater.example/send"
    assert gateway.push is not None
    assert gateway.push.url == ""
    for bad in ("sms.larkwater.example", "ftp://larkwater.example", "http://", "http://[", "http://larkwater:99999"):
        with pytest.raises(ChannelError, match="begin it with http"):
            gateway.at(bad)


def test_a_gateway_that_takes_no_pushes_takes_no_address_for_them(tmp_path: Path) -> None:
    start = LARKWATER.index("push:\n  method")
    (tmp_path / "quiet.yaml").write_text(LARKWATER[:start].replace("reply: push", "reply: response"), encoding="utf-8")
    with pytest.raises(ChannelError, match="takes no pushes"):
        read_gateway(str(tmp_path / "quiet.yaml")).at("https://sms.larkwater.example/send")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("method: POST", "method: PUT", r"larkwater\.yaml:2:11: 'PUT' is not known here; use one of: GET, POST"),
        ("fields_in: json", "fields_in: jsn", r"3:14: 'jsn' is not known here; did you mean 'json'\?"),
        ("sender: message.from", "sendr: message.from", r"4:3: 'sendr' is not known here; did you mean 'sender'\?"),
        ("  id: message.id\n", "", r"2:3: 'id' is missing; add a line"),
        ("  id: message.id\n", "  id: message.id\n  charset: c\n", r"7:12: JSON has no charset of its own"),
        ("  id: message.id\n", "  id: x\n  only_from: [10.0.0.1/8]\n", r"7:15: is no network of addresses; write it"),
        ("method: POST", "method: GET", r"3:14: a GET has no body"),
        ("fields_in: json", "fields_in: query", r"8:10: what stands in the query would go unsigned; use url_and_"),
        ("signs: id_timestamp_body", "signs: url_and_fields", r"8:3: 'body_digest' is missing"),
        ("  header: Webhook-Signature\n", "", r"8:3: 'header' is missing"),
        ("  id_header: Webhook-Id\n", "", r"8:3: 'id_header' is missing"),
        ("algorithm: sha256", "algorithm: md5", r"9:14: 'md5' is not known here"),
        ("prefix:", "tolerance_s: 0\n  prefix:", r"0 lies outside 1 to 3600"),
        ("reply: push", "reply: pigeon", r"'pigeon' is not known here"),
        ("push:\n", "pull:\n", r"'pull' is not known here"),
        ("url: https://sms.larkwater.example/send", "url: sms.larkwater.example", r"is no web address; begin it with"),
        ("login: bearer", "login: fields", r"'user_field' is missing"),
        ("sent: [202]", "sent: [200, 2x]", r"'2x' is not known here"),
        ("sent: [202]", "sent: [410]", r"'410' already means 'sent'; keep one"),
        ("sent: [202]", "sent: 202", r"'202' stands where a list is wanted"),
        ("by_status:", "by_code: {stopped: ['1']}\n  by_status:", r"'code_at' is missing"),
        ("reply:", "answer: {content_type: text/xml, with_text: <Sms/>}\nreply:", r"write \{text\} once, where"),
        ("signature:", "signature: &x\n  prefix: *x\nnot:", r"is not YAML|is used again"),
    ],
)
def test_a_slip_in_a_profile_is_told_with_its_place_and_its_mend(tmp_path: Path, old: str, new: str, told: str) -> None:
    with pytest.raises(ChannelError, match=told):
        read_gateway(profile(tmp_path, old=old, new=new))


def test_replies_by_push_need_to_be_told_how(tmp_path: Path) -> None:
    (tmp_path / "mute.yaml").write_text(LARKWATER[: LARKWATER.index("push:\n  method")], encoding="utf-8")
    with pytest.raises(ChannelError, match="'push' is missing"):
        read_gateway(str(tmp_path / "mute.yaml"))


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("kanel", "did you mean 'kannel'"),
        ("pigeon", "use one of: form_post, kannel, or give the path of a profile"),
        ("", "is not known"),
        ("nowhere/pigeon.yaml", "cannot be read"),
        ("pigeon.yaml", "cannot be read"),
    ],
)
def test_a_gateway_that_nobody_knows_is_told_with_the_nearest(name: str, told: str) -> None:
    with pytest.raises(ChatkeyError, match=told):
        read_gateway(name)


def test_secrets_show_stars() -> None:
    secrets = Secrets(signing="hush", user="larkwater", password="hush-hush")
    assert f"{secrets} {secrets!r}" == "Secrets(***) Secrets(***)"
