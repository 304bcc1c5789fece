"""Webhooks: a JSON body, signed by the Standard Webhooks specification 1.0.0.

Signed are the exact bytes of the body with the message's id and the attempt's time, so that a receiver
can check the sender, drop repeats by `webhook-id` and refuse old copies by `webhook-timestamp`.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from alerts.common.phrases import phrase
from alerts.common.span import require_utc
from alerts.common.text import unmentioned
from service.channels.model import ChannelError, ContentForm, Outgoing, SendResult, answer_start, checked_id
from service.channels.safe_http import Blocked, CutOff, Method, SafeClient
from service.channels.target_rules import parse_target
from service.common.backoff import read_retry_after

USER_AGENT = "Duskbell"
SECRET_PREFIX = "whsec_"
SECRET_BYTES = 32
LARGEST_BODY_BYTES = 20_000
"""Standard Webhooks: payloads stay below 20 kB."""
SECRET_LENGTHS = range(24, 65)
"""Standard Webhooks: 24 to 64 random bytes."""


def new_secret() -> str:
    """A fresh signing secret for one receiver, as it is shown to its owner."""
    return SECRET_PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode("ascii")


def secret_key(secret: str) -> bytes:
    """The key bytes of a `whsec_…` secret; ValueError when it isn't one."""
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError(phrase("channels.secret-base64")) from error
    if not secret.startswith(SECRET_PREFIX) or len(key) not in SECRET_LENGTHS:
        raise ValueError(phrase("channels.secret-form"))
    return key


def sign(secret: str, message_id: str, timestamp_s: int, body: bytes) -> str:
    """One signature, `v1,<base64>`: HMAC-SHA256 over `id.timestamp.body`."""
    signed = b"%s.%d.%s" % (message_id.encode("ascii"), timestamp_s, body)
    digest = hmac.new(secret_key(secret), signed, hashlib.sha256).digest()
    return "v1," + base64.b64encode(digest).decode("ascii")


def signed_headers(
    signing_secrets: Sequence[str], message_id: str, attempted_at: datetime, body: bytes
) -> dict[str, str]:
    """The three headers; several signatures, space separated, while a secret is being replaced."""
    timestamp_s = int(require_utc(attempted_at, "attempted_at").timestamp())
    signatures = [sign(secret, message_id, timestamp_s, body) for secret in signing_secrets]
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp_s),
        "webhook-signature": " ".join(signatures),
    }


def encode_body(payload: Mapping[str, object]) -> bytes:
    """The payload as compact UTF-8 JSON; ChannelError when it is larger than receivers accept."""
    body = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    if len(body) > LARGEST_BODY_BYTES:
        raise ChannelError(
            "too_big", phrase("channels.body-too-big", count=len(body)), permanent=True, ours=True
        )
    return body


@dataclass(frozen=True, slots=True)
class HookRequest:
    """One call of a receiver: exactly these bytes."""

    url: str
    body: bytes
    headers: Mapping[str, str]
    method: Method = "POST"


def call_hook(client: SafeClient, request: HookRequest, attempted_at: datetime) -> SendResult:
    """Make the call once. 2xx: taken, 3xx: a wrong address, 410: gone, all else by the schedule; each but the
    first is a ChannelError."""
    headers = {"Content-Type": "application/json", "User-Agent": USER_AGENT, **request.headers}
    try:
        answer = client.call(request.url, request.body, headers, request.method)
    except Blocked as error:
        raise ChannelError("blocked", error.args[0], permanent=True) from error
    except CutOff as error:
        raise ChannelError(error.code, error.args[0], maybe_sent=error.maybe_sent, ours=error.ours) from error
    start = answer_start(answer.body)
    code = str(answer.status)
    if 200 <= answer.status < 300:
        return SendResult(code, start)
    if 300 <= answer.status < 400:
        raise ChannelError(code, phrase("channels.redirects", start=start), permanent=True)
    if answer.status == 410:
        raise ChannelError(code, phrase("channels.gone", start=start), permanent=True, gone=True)
    raise ChannelError(
        code,
        phrase("channels.answered", code=code, start=start, says_more=bool(start)),
        retry_after=read_retry_after(answer.headers.get("retry-after"), attempted_at),
    )


def payload_of(outgoing: Outgoing) -> Mapping[str, object]:
    """The payload to send; ChannelError when none was composed."""
    if outgoing.payload is None:
        raise ChannelError("no_payload", phrase("channels.no-payload"), permanent=True, ours=True)
    return outgoing.payload


class Webhook:
    """Sends the neutral JSON payload to a receiver's URL."""

    form = ContentForm.PAYLOAD
    kind = "webhook"

    def __init__(self, client: SafeClient) -> None:
        self._client = client

    def check_address(self, address: str) -> str:
        """The URL as it is stored; BadInput when it isn't one that we call."""
        self._client.check_url(address.strip())
        return address.strip()

    def destination(self, address: str) -> str:
        """The host and port that the URL names; the whole text when it names none."""
        try:
            target = parse_target(address)
        except Blocked:
            return address[:300]
        return f"{target.host}:{target.port}"

    def send(self, outgoing: Outgoing) -> SendResult:
        body = encode_body(payload_of(outgoing))
        if not outgoing.secrets:
            raise ChannelError("no_secret", phrase("channels.no-secret"), permanent=True, ours=True)
        message_id = checked_id(outgoing.message_id)
        try:
            headers = signed_headers(outgoing.secrets, message_id, outgoing.attempted_at, body)
        except ValueError as error:
            raise ChannelError("bad_secret", error.args[0], permanent=True, ours=True) from error
        return call_hook(self._client, HookRequest(outgoing.address, body, headers), outgoing.attempted_at)


URGENT = frozenset({"alert.go", "alert.changed", "alert.stand_down"})
"""Somebody is about to leave, or on the way. What else is told takes the service's usual priority."""


@dataclass(frozen=True, slots=True)
class Push:
    """What a target gets. text: without the title. link: the night's page, or ""."""

    title: str
    text: str
    link: str = ""
    is_urgent: bool = False


def push_of(payload: Mapping[str, object]) -> Push:
    """The words of a payload, whose text begins with its subject for those that show no title."""
    data = payload.get("data")
    assert isinstance(data, Mapping), "every payload has data"
    title, text = str(data["subject"]), str(data["text"])
    first, _, rest = text.partition("\n")
    body = rest.strip() if first.strip() in (title, unmentioned(title)) else text
    alerts = data.get("alerts") or [{}]
    return Push(title, body or title, str(alerts[0].get("night_url", "")), payload.get("type") in URGENT)
