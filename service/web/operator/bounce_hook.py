"""Where the mail relay reports mails that came back: POST /relay/bounces, with the relay's key.

The body is either the returned mail as it is (`message/rfc822`, what a mail server can pipe), or JSON:

    {"events": [{"message_id": "<msg_…@example.org>", "kind": "bounce" | "complaint",
                 "status": "5.1.1"}]}

status: the enhanced code (RFC 3463). One event may also stand alone, without the list round it.
"""

from __future__ import annotations

import hmac
import json
import re
from base64 import b64decode
from binascii import Error as NotBase64
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import JSONResponse

from alerts.common.phrases import say
from service.delivery.bounces import Report, judge_code, note_report, read_report
from service.store.repositories import rate_limits
from service.store.repositories.suppression import BounceKind
from service.web.shared.context import Here, Web
from service.web.shared.viewer import network_of_request

EVENTS_AT_MOST = 1000


async def raw_body(request: Request) -> bytes:
    """The body as it came, whatever it says it is."""
    return await request.body()


router = APIRouter()


def _require_key(web: Web, request: Request) -> None:
    """401 for a wrong key, 404 where none is set: the door isn't there then."""
    duskbell = web.duskbell
    expected = duskbell.settings.relay_hook_key
    if expected is None:
        raise HTTPException(404, say("web-operator.no-page"))
    network = network_of_request(web, request)
    with duskbell.sessions.begin() as session:
        allowed = rate_limits.allow(session, duskbell.keys, "relay", duskbell.clock(), network=network)
    if not allowed:
        raise HTTPException(429, say("web-operator.reports-too-many"))
    given = given_key(request.headers.get("authorization", ""))
    if not hmac.compare_digest(given.encode(), expected.get_secret_value().encode()):
        raise HTTPException(401, say("web-operator.key-wrong"), headers={"WWW-Authenticate": "Bearer"})


@router.post("/relay/bounces")
def bounces(web: Here, request: Request, body: Annotated[bytes, Depends(raw_body)]) -> JSONResponse:
    _require_key(web, request)
    reports = read_reports(request.headers.get("content-type", ""), body)
    duskbell = web.duskbell
    now, metrics = duskbell.clock(), duskbell.delivery.metrics
    with duskbell.sessions.begin() as session:
        known = sum(note_report(session, duskbell.keys, report, metrics, now) for report in reports)
    return JSONResponse({"known": known, "unknown": len(reports) - known})


def given_key(header: str) -> str:
    """The key of `Bearer KEY`, or the password of `Basic`, which relays put into a URL."""
    scheme, _, value = header.partition(" ")
    if scheme.lower() != "basic":
        return value.strip() if scheme.lower() == "bearer" else ""
    try:
        return b64decode(value.strip(), validate=True).decode("utf-8").partition(":")[2]
    except (NotBase64, UnicodeDecodeError):
        return ""


def read_reports(content_type: str, body: bytes) -> list[Report]:
    """What the body reports of messages of ours; HTTPException where it is in neither form."""
    if content_type.partition(";")[0].strip().lower() == "message/rfc822":
        report = read_report(body)
        return [report] if report else []
    try:
        said = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, say("web-operator.body-unreadable")) from error
    events = said.get("events", [said]) if isinstance(said, dict) else said
    if not isinstance(events, list) or len(events) > EVENTS_AT_MOST:
        raise HTTPException(400, say("web-operator.events-too-many", most=EVENTS_AT_MOST))
    reports = []
    for event in events:
        named = str(event.get("message_id", "")).strip() if isinstance(event, dict) else ""
        ours = re.match(r"<?(msg_[a-z0-9]{26})(@|>|$)", named)
        if ours is None:
            continue
        if event.get("kind") == "complaint":
            reports.append(Report(ours[1], BounceKind.COMPLAINT, "complaint"))
        else:
            status = re.match(r"\d\.\d{1,3}\.\d{1,3}", str(event.get("status", "")))
            reports.append(judge_code(ours[1], status[0] if status else "unknown"))
    return reports
