"""The pages behind links in mails: confirm an address, stop all mail to it, change what one is told.

A GET only shows a button, since scanners follow links; the POST acts. The one-click POST of mail
programs (RFC 8058) brings no cookie and needs no answer but a success; the token in the address is its
authority.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TypeVar

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.accounts import access
from service.common.redaction import mask_target
from service.store.repositories import rate_limits
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import AddressRow
from service.web.shared.context import Here, Web
from service.web.shared.forms import Filled
from service.web.shared.viewer import FromNetwork, Looking, network_of_request

T = TypeVar("T")


router = APIRouter()


def _look(web: Web, request: Request, purpose: Purpose, token: str, template: str) -> HTMLResponse:
    shown = opened(
        web, request, lambda session, now: masked(access.find_address(session, purpose, token, now))
    )
    return web.page(template, shown=shown, action=request.url.path, sent=False)


@router.get("/unsubscribe/{token}", response_class=HTMLResponse)
def ask_unsubscribe(web: Here, request: Request, token: str) -> HTMLResponse:
    return _look(web, request, Purpose.UNSUBSCRIBE, token, "account/unsubscribe.html")


@router.post("/unsubscribe/{token}", response_class=HTMLResponse)
def unsubscribe(web: Here, request: Request, token: str) -> HTMLResponse:
    shown = opened(
        web, request, lambda session, now: masked(access.unsubscribe(session, web.duskbell.keys, token, now))
    )
    return web.page("account/unsubscribed.html", shown=shown)


@router.get("/manage/{token}")
def ask_manage(web: Here, request: Request, token: str, viewer: Looking) -> Response:
    if viewer is not None:
        return RedirectResponse("/me", 303)
    return _look(web, request, Purpose.MANAGE, token, "account/manage.html")


@router.post("/manage/{token}", response_class=HTMLResponse)
def manage(web: Here, request: Request, token: str, network: FromNetwork) -> HTMLResponse:
    """Who has the link gets a mail at its address and nothing else: the mail may have been passed on."""

    def mail_a_link(session: Session, now: datetime) -> tuple[str | None, bool] | None:
        address = access.find_address(session, Purpose.MANAGE, token, now)
        if address is None:
            return None
        asked = access.ask_to_sign_in(session, web.duskbell.keys, address.target, network=network, now=now)
        return masked(address), asked is not access.AskOutcome.UNKNOWN

    shown, can_enter = opened(web, request, mail_a_link)
    web.nudge()
    return web.page("account/manage.html", shown=shown, sent=True, can_enter=can_enter)


@router.get("/confirm/{token}", response_class=HTMLResponse)
def ask_confirm(web: Here, request: Request, token: str) -> HTMLResponse:
    def find(session: Session, now: datetime) -> tuple[str | None, str] | None:
        address = access.find_address(session, Purpose.CONFIRM, token, now)
        return (masked(address), access.joinable_account(session, address)) if address else None

    shown, joins = opened(web, request, find)
    return web.page("account/confirm.html", shown=shown, action=request.url.path, joins=joins)


@router.post("/confirm/{token}", response_class=HTMLResponse)
def confirm(web: Here, request: Request, token: str, form: Filled) -> HTMLResponse:
    joins = form.text("do") == "join"
    shown = opened(
        web,
        request,
        lambda session, now: masked(access.confirm(session, web.duskbell.keys, token, now, joins=joins)),
    )
    return web.page("account/confirmed.html", shown=shown)


def masked(address: AddressRow | None) -> str | None:
    """The address as whoever holds a link may see it."""
    return None if address is None else mask_target(address.channel, address.target)


def opened(web: Web, request: Request, act: Callable[[Session, datetime], T | None]) -> T:
    """What the link is for, done. HTTPException where it opens nothing: the same for every link that doesn't
    work, and fewer and fewer tries for who guesses."""
    duskbell, is_allowed = web.duskbell, True
    with duskbell.sessions.begin() as session:
        found = act(session, duskbell.clock())
        if found is None:
            network = network_of_request(web, request)
            is_allowed = rate_limits.allow(session, duskbell.keys, "token", duskbell.clock(), network=network)
    if found is not None:
        return found
    if is_allowed:
        raise HTTPException(404, say("web-account.link-dead"))
    duskbell.delivery.metrics.limited.labels("token").inc()
    raise HTTPException(429, say("web-account.too-many-dead-links"), headers={"Retry-After": "60"})
