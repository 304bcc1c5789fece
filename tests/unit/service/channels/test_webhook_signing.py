"""Standard Webhooks 1.0.0: signatures against the published vector and another, a verifier written here
from the specification, and the reference library."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from standardwebhooks.webhooks import Webhook as ReferenceWebhook
from standardwebhooks.webhooks import WebhookVerificationError

from service.channels.model import ChannelError
from service.channels.webhook import (
    LARGEST_BODY_BYTES,
    encode_body,
    new_secret,
    secret_key,
    sign,
    signed_headers,
)

VECTORS = json.loads(
    (Path(__file__).parents[3] / "data/channels/standard-webhooks-vectors.json").read_text("utf-8")
)["vectors"]
NOW = datetime(2026, 11, 6, 8, 49, 37, tzinfo=UTC)
MESSAGE_ID = "msg_0123456789abcdefghjkmnpqrs"


def verifies(secret: str, headers: dict[str, str], body: bytes) -> bool:
    """The receiver's part, from the specification: any one signature of scheme v1 has to match."""
    key = base64.b64decode(secret.split("_", 1)[1])
    content = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    expected = base64.b64encode(hmac.digest(key, content, hashlib.sha256)).decode()
    given = [part.split(",", 1) for part in headers["webhook-signature"].split(" ")]
    return any(scheme == "v1" and hmac.compare_digest(value, expected) for scheme, value in given)


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: f"vector {vector['id']}")
def test_signature_is_that_of_the_vector(vector: dict[str, Any]) -> None:
    signature = sign(
        vector["secret"], vector["webhook_id"], vector["webhook_timestamp"], vector["body"].encode()
    )
    assert signature == vector["webhook_signature"]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: f"vector {vector['id']}")
def test_the_reference_library_signs_the_vectors_alike(vector: dict[str, Any]) -> None:
    reference = ReferenceWebhook(vector["secret"])
    signed_at = datetime.fromtimestamp(vector["webhook_timestamp"], UTC)
    assert reference.sign(vector["webhook_id"], signed_at, vector["body"]) == vector["webhook_signature"]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: f"vector {vector['id']}")
def test_the_verifier_of_this_test_agrees_with_the_vector(vector: dict[str, Any]) -> None:
    headers = {
        "webhook-id": vector["webhook_id"],
        "webhook-timestamp": str(vector["webhook_timestamp"]),
        "webhook-signature": vector["webhook_signature"],
    }
    assert verifies(vector["secret"], headers, vector["body"].encode())
    assert not verifies(vector["secret"], headers, vector["body"].encode() + b" ")


def test_reference_library_takes_our_headers_and_refuses_another_body() -> None:
    secret, body = new_secret(), '{"site":"Teno – Ñ"}'.encode()
    headers = signed_headers([secret], MESSAGE_ID, datetime.now(UTC), body)
    reference = ReferenceWebhook(secret)
    assert reference.verify(body, headers) == {"site": "Teno – Ñ"}
    with pytest.raises(WebhookVerificationError):
        reference.verify(body + b" ", headers)


@pytest.mark.parametrize("minutes", [-6, 6], ids=["old", "from the future"])
def test_reference_library_refuses_a_signature_of_another_time(minutes: int) -> None:
    secret, body = new_secret(), b"{}"
    headers = signed_headers([secret], MESSAGE_ID, datetime.now(UTC) + timedelta(minutes=minutes), body)
    with pytest.raises(WebhookVerificationError):
        ReferenceWebhook(secret).verify(body, headers)


def test_while_a_secret_is_replaced_either_one_verifies() -> None:
    new, old, other = new_secret(), new_secret(), new_secret()
    headers = signed_headers([new, old], MESSAGE_ID, NOW, b"{}")
    assert [verifies(secret, headers, b"{}") for secret in (new, old, other)] == [True, True, False]
    assert len(headers["webhook-signature"].split(" ")) == 2


def test_timestamp_is_the_attempts_utc_second_whatever_its_zone() -> None:
    elsewhere = NOW.astimezone(datetime.strptime("+0530", "%z").tzinfo)
    assert signed_headers([new_secret()], MESSAGE_ID, elsewhere, b"")["webhook-timestamp"] == "1793954977"


def test_a_new_secret_has_32_random_bytes_and_is_never_the_same() -> None:
    drawn = {new_secret() for _ in range(20)}
    assert len(drawn) == 20
    assert {len(secret_key(secret)) for secret in drawn} == {32}


@pytest.mark.parametrize(
    "secret",
    [
        "",
        "whsec_",
        "whsec_not base64!",
        "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "whsec_" + base64.b64encode(bytes(23)).decode(),
        "whsec_" + base64.b64encode(bytes(65)).decode(),
    ],
    ids=["empty", "prefix only", "not base64", "no prefix", "23 bytes", "65 bytes"],
)
def test_a_secret_that_is_none_is_refused(secret: str) -> None:
    with pytest.raises(ValueError, match="secret"):
        secret_key(secret)


def test_body_is_compact_utf8_and_a_newline_in_a_name_stays_inside_its_string() -> None:
    assert encode_body({"name": 'Ñ "x"\n', "n": None}) == '{"name":"Ñ \\"x\\"\\n","n":null}'.encode()


@pytest.mark.parametrize(("size", "fits"), [(LARGEST_BODY_BYTES, True), (LARGEST_BODY_BYTES + 1, False)])
def test_body_ends_at_20_kb(size: int, fits: bool) -> None:
    payload = {"x": "y" * (size - len('{"x":""}'))}
    if fits:
        assert len(encode_body(payload)) == size
        return
    with pytest.raises(ChannelError) as caught:
        encode_body(payload)
    assert (caught.value.code, caught.value.permanent, caught.value.ours) == ("too_big", True, True)
