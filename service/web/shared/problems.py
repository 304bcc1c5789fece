"""Every fault of the API as problem details (RFC 9457)."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException

from alerts.common.errors import DuskbellError
from service.web.api.models import FaultModel, ProblemModel

log = logging.getLogger(__name__)

API_PATH = "/api/"
MEDIA_TYPE = "application/problem+json"
TEXTS = {
    400: "The request can't be used as it is.",
    401: "A key is needed, or the one given doesn't work.",
    403: "Not allowed.",
    404: "There is nothing here, or it isn't shared with you.",
    405: "This address doesn't take that method.",
    408: "The body took too long to arrive.",
    413: "The body is too large.",
    422: "A part of the request can't be used.",
    429: "Too many requests.",
    500: "Something here broke, and it is in the log.",
    503: "The store can't be used just now.",
}


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """These faults for an operation's OpenAPI entry."""
    schema = {"$ref": "#/components/schemas/ProblemModel"}
    return {
        status: {"description": TEXTS[status], "content": {MEDIA_TYPE: {"schema": schema}}}
        for status in (*statuses, 503)
    }


def problem(
    path: str,
    status: int,
    detail: str,
    *,
    errors: list[FaultModel] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    body = ProblemModel(
        title=HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        instance=quote(path),
        errors=errors or [],
    )
    return Response(body.model_dump_json(), status, media_type=MEDIA_TYPE, headers=dict(headers or {}))


def add_problem_handlers(api: FastAPI) -> None:
    """Let the API answer every foreseen fault in words."""

    @api.exception_handler(HTTPException)
    def refused(request: Request, fault: HTTPException) -> Response:
        is_plain = fault.detail == HTTPStatus(fault.status_code).phrase
        text = TEXTS.get(fault.status_code, fault.detail) if is_plain else fault.detail
        return problem(request.scope["path"], fault.status_code, text, headers=fault.headers)

    @api.exception_handler(RequestValidationError)
    def unreadable(request: Request, fault: RequestValidationError) -> Response:
        errors = [
            FaultModel(where=".".join(str(part) for part in each["loc"]), what=str(each["msg"]))
            for each in fault.errors()[:20]
        ]
        return problem(request.scope["path"], 422, TEXTS[422], errors=errors)

    @api.exception_handler(DuskbellError)
    def unusable(request: Request, fault: DuskbellError) -> Response:
        return problem(request.scope["path"], 400, str(fault))

    @api.exception_handler(OperationalError)
    def store_busy(request: Request, fault: OperationalError) -> Response:
        log.error("the store can't be used: %s", type(fault.orig).__name__)
        return problem(request.scope["path"], 503, TEXTS[503], headers={"Retry-After": "60"})

    @api.exception_handler(Exception)
    def unforeseen(request: Request, _: Exception) -> Response:
        """Starlette raises the fault on, into the log."""
        return problem(request.scope["path"], 500, TEXTS[500])
