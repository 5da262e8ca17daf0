"""Who signed: each of the three ways says yes to the holder of the secret, and no to all else."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.gateway import Algorithm, Signing, Writing
from chatkey.channels.sms.signature import (
    Fields,
    Signed,
    addresses,
    digest,
    id_timestamp_body,
    key_of,
    standing,
    url_and_fields,
)

URL = "https://chat.larkwater.example/sms/form_post"
KEY = b"hush"
NOW = 1_800_000_000.0
FORM = Signing("url_and_fields", "sha1", header="x-signature")
BODY = Signing("body", "sha256", "hex", header="x-signature", prefix="sha256=")
DATED = Signing("id_timestamp_body", header="x-signature", id_header="x-id", timestamp_header="x-time", prefix="v1,")


def signed(
    header: str, *, url: str = URL, query: bytes = b"", fields: Fields = (), body: bytes = b"", **more: str
) -> Signed:
    headers: Mapping[str, str] = {"x-signature": header, **{f"x-{name}": value for name, value in more.items()}}
    return Signed(url, query, headers, fields, body)


def form_header(url: str, fields: Fields) -> str:
    return b64encode(url_and_fields(KEY, url.encode(), fields)).decode()


def dated(time: int, body: bytes = b"{}", key: bytes = KEY) -> Signed:
    made = b64encode(id_timestamp_body(key, b"m1", str(time).encode(), body)).decode()
    return signed(f"v1,{made}", body=body, id="m1", time=str(time))


def test_a_profile_without_a_signature_takes_all() -> None:
    assert standing(Signing(), b"", signed(""), NOW) == "signed"


@given(fields=st.lists(st.tuples(st.binary(max_size=5), st.binary(max_size=5)), max_size=6), data=st.data())
def test_the_order_of_fields_does_not_matter_and_a_double_counts_once(
    fields: list[tuple[bytes, bytes]], data: st.DataObject
) -> None:
    shuffled = data.draw(st.permutations(fields + fields[:1]))
    assert standing(FORM, KEY, signed(form_header(URL, fields), fields=shuffled), NOW) == "signed"


@pytest.mark.parametrize(
    ("url", "others"),
    [
        ("https://larkwater.example/sms", {"https://larkwater.example:443/sms"}),
        ("https://larkwater.example:443/sms", {"https://larkwater.example/sms"}),
        ("http://larkwater.example/sms", {"http://larkwater.example:80/sms"}),
        ("http://larkwater.example:8080/sms", {"http://larkwater.example/sms"}),
        ("http://[::1]:8080/sms", {"http://[::1]/sms"}),
        ("http://[::1]/sms", {"http://[::1]:80/sms"}),
    ],
)
def test_an_address_may_be_signed_with_its_port_or_without(url: str, others: set[str]) -> None:
    assert set(addresses(url)) == {url, *others}
    for one in addresses(url):
        assert standing(FORM, KEY, signed(form_header(one, ()), url=url), NOW) == "signed"


def test_the_query_belongs_to_the_signed_address() -> None:
    header = form_header(f"{URL}?a=1", ())
    assert standing(FORM, KEY, signed(header, query=b"a=1"), NOW) == "signed"
    assert standing(FORM, KEY, signed(header, query=b"a=2"), NOW) == "forged"
    assert standing(FORM, KEY, signed(header), NOW) == "forged"


@pytest.mark.parametrize("algorithm", ["sha1", "sha256"])
@pytest.mark.parametrize("written_in", ["hex", "base64"])
@given(body=st.binary(max_size=50))
def test_a_signed_body_passes_in_each_algorithm_and_writing(
    algorithm: Algorithm, written_in: Writing, body: bytes
) -> None:
    signing = replace(BODY, algorithm=algorithm, written_in=written_in, prefix="")
    made = digest(KEY, body, algorithm)
    header = made.hex().upper() if written_in == "hex" else b64encode(made).decode()
    assert standing(signing, KEY, signed(header, body=body), NOW) == "signed"
    assert standing(signing, KEY, signed(header, body=body + b" "), NOW) == "forged"
    assert standing(signing, b"other", signed(header, body=body), NOW) == "forged"


def test_a_signature_with_another_prefix_or_none_is_no_signature() -> None:
    made = digest(KEY, b"x", "sha256").hex()
    assert standing(BODY, KEY, signed(f"sha256={made}", body=b"x"), NOW) == "signed"
    assert standing(BODY, KEY, signed(made, body=b"x"), NOW) == "unsigned"
    assert standing(BODY, KEY, Signed(URL, b"", {}, (), b"x"), NOW) == "unsigned"


def test_one_of_several_signatures_is_enough_while_a_secret_is_changed() -> None:
    new, old = (dated(int(NOW), key=key).headers["x-signature"] for key in (KEY, b"old"))
    for header in (f"{old} {new}", f"{new} {old}", f"v2,zzzz {new}"):
        assert standing(DATED, KEY, signed(header, body=b"{}", id="m1", time=str(int(NOW))), NOW) == "signed"
    assert standing(DATED, KEY, signed(f"{old} v2,zzzz", body=b"{}", id="m1", time=str(int(NOW))), NOW) == "forged"


@pytest.mark.parametrize(
    ("late_s", "told"), [(0, "signed"), (300, "signed"), (301, "old"), (-300, "signed"), (-301, "old")]
)
def test_a_request_is_taken_for_five_minutes_either_way(late_s: int, told: str) -> None:
    assert standing(DATED, KEY, dated(int(NOW) - late_s), NOW) == told


@pytest.mark.parametrize("time", ["", "soon", "1e9", "-1", " 1800000000", "١٨٠٠٠٠٠٠٠٠", "9" * 5000, "1800000000.0"])
def test_a_timestamp_that_is_no_count_of_seconds_is_old_even_when_signed(time: str) -> None:
    made = b64encode(id_timestamp_body(KEY, b"m1", time.encode(), b"{}")).decode()
    assert standing(DATED, KEY, signed(f"v1,{made}", body=b"{}", id="m1", time=time), NOW) == "old"


@pytest.mark.parametrize("changed", [{"id": "m2"}, {"time": str(int(NOW) + 1)}])
def test_id_and_timestamp_are_covered(changed: dict[str, str]) -> None:
    header = dated(int(NOW)).headers["x-signature"]
    parts = {"id": "m1", "time": str(int(NOW)), **changed}
    assert standing(DATED, KEY, signed(header, body=b"{}", id=parts["id"], time=parts["time"]), NOW) == "forged"


def test_a_body_of_json_is_bound_to_the_address_by_its_digest() -> None:
    signing = replace(FORM, body_digest="bodySHA256")
    digest_of_body = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"  # sha256 of {}
    query = f"bodySHA256={digest_of_body}"
    header = form_header(f"{URL}?{query}", ())
    assert standing(signing, KEY, signed(header, query=query.encode(), body=b"{}"), NOW) == "signed"
    assert standing(signing, KEY, signed(header, query=query.encode(), body=b"[]"), NOW) == "forged"
    assert standing(signing, KEY, signed(form_header(URL, ()), body=b"{}"), NOW) == "forged"


@given(header=st.text(st.characters()), time=st.text(st.characters()), body=st.binary())
def test_no_header_raises(header: str, time: str, body: bytes) -> None:
    for signing in (FORM, BODY, DATED):
        for prefix in ("", signing.prefix):
            seen = signed(prefix + header, body=body, id=header, time=time)
            assert standing(signing, KEY, seen, NOW) in ("unsigned", "forged")


@pytest.mark.parametrize(
    ("secret", "told"),
    [("", "is missing"), ("whsec_", "is missing"), ("hush hush", "is not base64"), ("é", "not base64")],
)
def test_a_secret_that_proves_nothing_is_refused_at_once(secret: str, told: str) -> None:
    with pytest.raises(ChannelError, match=told) as caught:
        key_of(replace(DATED, secret_in="base64"), secret)
    assert not secret or secret not in str(caught.value)


def test_an_empty_secret_never_signs() -> None:
    with pytest.raises(ChannelError, match="is missing"):
        key_of(FORM, "")
    assert key_of(FORM, "hush") == KEY
    assert key_of(Signing(), "") == b""
