"""The pages behind links in mails: confirm an address, stop all mail to it, change what one is told.

A GET only shows a button, since scanners follow links; the POST acts. The one-click POST of mail
programs (RFC 8058) brings no cookie and needs no answer but a success; the token in the address is its
authority.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.accounts import access
from service.common.redaction import mask_target
from service.store.repositories import rate_limits
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import AddressRow
from service.web.shared.context import Web
from service.web.shared.forms import Filled
from service.web.shared.viewer import Looking, network_of_request


def build_router(web: Web) -> APIRouter:
    router = APIRouter()
    duskbell = web.duskbell

    def opened(request: Request, act: Callable[[Session, datetime], AddressRow | None]) -> str:
        """Do what the link is for; its address, masked. HTTPException where it opens nothing."""
        with duskbell.sessions.begin() as session:
            address = act(session, duskbell.clock())
            fault = refuse_link(web, session, request) if address is None else None
            shown = mask_target(address.channel, address.target) if address else ""
        if fault is not None:
            raise fault
        return shown

    def look(request: Request, purpose: Purpose, token: str, template: str) -> HTMLResponse:
        shown = opened(request, lambda session, now: access.find_address(session, purpose, token, now))
        return web.page(template, shown=shown, action=request.url.path, sent=False)

    @router.get("/unsubscribe/{token}", response_class=HTMLResponse)
    def ask_unsubscribe(request: Request, token: str) -> HTMLResponse:
        return look(request, Purpose.UNSUBSCRIBE, token, "account/unsubscribe.html")

    @router.post("/unsubscribe/{token}", response_class=HTMLResponse)
    def unsubscribe(request: Request, token: str) -> HTMLResponse:
        shown = opened(request, lambda session, now: access.unsubscribe(session, duskbell.keys, token, now))
        return web.page("account/unsubscribed.html", shown=shown)

    @router.get("/manage/{token}")
    def ask_manage(request: Request, token: str, viewer: Looking) -> Response:
        if viewer is not None:
            return RedirectResponse("/me", 303)
        return look(request, Purpose.MANAGE, token, "account/manage.html")

    @router.post("/manage/{token}", response_class=HTMLResponse)
    def manage(request: Request, token: str) -> HTMLResponse:
        """Who has the link gets a mail at its address and nothing else: the mail may have been passed on."""

        can_enter = True

        def mail_a_link(session: Session, now: datetime) -> AddressRow | None:
            nonlocal can_enter
            address = access.find_address(session, Purpose.MANAGE, token, now)
            if address is not None:
                network = network_of_request(request)
                asked = access.ask_to_sign_in(
                    session, duskbell.keys, address.target, network=network, now=now
                )
                can_enter = asked is not access.AskOutcome.UNKNOWN
            return address

        shown = opened(request, mail_a_link)
        web.nudge()
        return web.page("account/manage.html", shown=shown, sent=True, can_enter=can_enter)

    @router.get("/confirm/{token}", response_class=HTMLResponse)
    def ask_confirm(request: Request, token: str) -> HTMLResponse:
        joins = ""

        def find(session: Session, now: datetime) -> AddressRow | None:
            nonlocal joins
            address = access.find_address(session, Purpose.CONFIRM, token, now)
            joins = access.joinable_account(session, address) if address is not None else ""
            return address

        shown = opened(request, find)
        return web.page("account/confirm.html", shown=shown, action=request.url.path, joins=joins)

    @router.post("/confirm/{token}", response_class=HTMLResponse)
    def confirm(request: Request, token: str, form: Filled) -> HTMLResponse:
        joins = form.text("do") == "join"
        shown = opened(
            request, lambda session, now: access.confirm(session, duskbell.keys, token, now, joins=joins)
        )
        return web.page("account/confirmed.html", shown=shown)

    return router


def refuse_link(web: Web, session: Session, request: Request) -> HTTPException:
    """The same answer for every link that doesn't work; fewer and fewer tries for who guesses."""
    duskbell = web.duskbell
    network = network_of_request(request)
    if rate_limits.allow(session, duskbell.keys, "token", duskbell.clock(), network=network):
        return HTTPException(404, say("web-account.link-dead"))
    duskbell.delivery.metrics.limited.labels("token").inc()
    return HTTPException(429, say("web-account.too-many-dead-links"), headers={"Retry-After": "60"})
