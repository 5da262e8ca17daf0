"""Digests and signatures against published vectors.

HMAC-SHA1: RFC 2202, section 3. HMAC-SHA256: RFC 4231, section 4 (case 5 prints the first 128 bits only). Address and
sorted fields: the tests of a public client, github.com/twilio/twilio-python, tests/unit/test_request_validator.py.
Id, timestamp and body: Standard Webhooks, github.com/standard-webhooks/standard-webhooks, and libraries that follow it.
"""

from __future__ import annotations

from base64 import b64decode, b64encode

import pytest

from chatkey.channels.sms.gateway import Signing
from chatkey.channels.sms.signature import Signed, digest, id_timestamp_body, key_of, standing, url_and_fields

SHA1 = [
    (b"\x0b" * 20, b"Hi There", "b617318655057264e28bc0b6fb378c8ef146be00"),
    (b"Jefe", b"what do ya want for nothing?", "effcdf6ae5eb2fa2d27416d5f184df9c259a7c79"),
    (b"\xaa" * 20, b"\xdd" * 50, "125d7342b9ac11cd91a39af48aa17b4f63f175d3"),
    (bytes(range(1, 26)), b"\xcd" * 50, "4c9007f4026250c6bc8414f9bf50c86c2d7235da"),
    (b"\x0c" * 20, b"Test With Truncation", "4c1a03424b55e07fe7f27be1d58bb9324a9a5a04"),
    (
        b"\xaa" * 80,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "aa4ae5e15272d00e95705637ce8a3b55ed402112",
    ),
    (
        b"\xaa" * 80,
        b"Test Using Larger Than Block-Size Key and Larger Than One Block-Size Data",
        "e8e99d0f45237d786d6bbaa7965c7808bbff1a91",
    ),
]
SHA256 = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (bytes(range(1, 26)), b"\xcd" * 50, "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
    (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. "
        b"The key needs to be hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
]
URL = "https://mycompany.com/myapp.php"
QUERY = b"foo=1&bar=2"
FORMS = [
    (
        {
            "From": ["+14158675309"],
            "To": ["+18005551212"],
            "CallSid": ["CA1234567890ABCDE"],
            "Caller": ["+14158675309"],
            "Digits": ["1234"],
        },
        "RSOYDt4T1cUTdK1PDd93/VVr8B8=",
    ),
    # a name given several times: equal values once, the rest in order
    ({"Sid": ["CA123"], "SidAccount": ["AC123"], "Digits": ["5678", "1234", "1234"]}, "IK+Dwps556ElfBT0I3Rgjkr1wJU="),
]
WEBHOOK_SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
WEBHOOK_HEADERS = {
    "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
    "webhook-timestamp": "1614265330",
    "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
}
WEBHOOK_BODY = b'{"test": 2432232314}'
WEBHOOKS = Signing(
    "id_timestamp_body",
    header="webhook-signature",
    id_header="webhook-id",
    timestamp_header="webhook-timestamp",
    prefix="v1,",
    secret_in="base64",
)


def form(fields: dict[str, list[str]]) -> list[tuple[bytes, bytes]]:
    return [(name.encode(), value.encode()) for name, values in fields.items() for value in values]


@pytest.mark.parametrize(("key", "data", "told"), SHA1)
def test_sha1_digests_are_those_of_rfc_2202(key: bytes, data: bytes, told: str) -> None:
    assert digest(key, data, "sha1").hex() == told


@pytest.mark.parametrize(("key", "data", "told"), SHA256)
def test_sha256_digests_are_those_of_rfc_4231(key: bytes, data: bytes, told: str) -> None:
    assert digest(key, data, "sha256").hex()[: len(told)] == told


@pytest.mark.parametrize(("fields", "told"), FORMS)
def test_an_address_with_sorted_fields_has_the_published_signature(fields: dict[str, list[str]], told: str) -> None:
    made = url_and_fields(b"12345", URL.encode() + b"?" + QUERY, form(fields))
    assert b64encode(made).decode() == told
    signing = Signing("url_and_fields", "sha1", header="x-signature")
    signed = Signed(URL, QUERY, {"x-signature": told}, form(fields), b"")
    assert standing(signing, b"12345", signed, now=0.0) == "signed"


def test_id_timestamp_and_body_have_the_published_signature() -> None:
    key = b64decode(WEBHOOK_SECRET.removeprefix("whsec_"))
    id, timestamp = WEBHOOK_HEADERS["webhook-id"].encode(), WEBHOOK_HEADERS["webhook-timestamp"].encode()
    made = id_timestamp_body(key, id, timestamp, WEBHOOK_BODY)
    assert f"v1,{b64encode(made).decode()}" == WEBHOOK_HEADERS["webhook-signature"]
    signed = Signed(URL, b"", WEBHOOK_HEADERS, (), WEBHOOK_BODY)
    assert standing(WEBHOOKS, key_of(WEBHOOKS, WEBHOOK_SECRET), signed, now=1614265330.0) == "signed"
