"""A person's own page: what they are told, where to, keys, and their data."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from alerts.errors import BadInput
from alerts.naming import clean_name
from alerts.season import wishes_text
from alerts.site import Site, zone_info
from alerts.wishes import Wishes
from service import access
from service.registration import shown
from service.store import people, personal, tables, tokens
from service.store.codec import from_json
from service.store.sites import newest_revisions
from service.store.tables_delivery import Token
from service.web import sessions
from service.web.access import Keeping, SignedIn, Viewer
from service.web.addresses import address_lines, chat_forms
from service.web.context import Web
from service.web.faults import NothingHere
from service.web.forms import Filled
from service.web.words import counted

MOST_KEYS = 20


@dataclass(frozen=True, slots=True)
class SubscriptionLine:
    subscription_id: int
    site_id: int
    site_name: str
    to: str
    wishes: str
    paused_until: datetime | None


def show_me(web: Web, viewer: Viewer, *, fault: str = "", new_key: str = "", said: str = "") -> HTMLResponse:
    """The page. new_key: a key just made, shown this once. said: what a form before did."""
    with web.reading() as session:
        return web.page(
            "me.html",
            400 if fault else 200,
            viewer=viewer,
            place="me",
            subscriptions=subscription_lines(session, viewer, web.now()),
            addresses=address_lines(session, viewer),
            forms=chat_forms(),
            keys=api_keys(session, viewer),
            fault=fault,
            new_key=new_key,
            said=said,
        )


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/me", response_class=HTMLResponse)
    def me(viewer: SignedIn, said: str = "") -> HTMLResponse:
        return show_me(web, viewer, said=SAID.get(said, ""))

    @router.post("/me")
    def change(viewer: SignedIn, form: Filled) -> Response:
        try:
            zone_info(form.text("zone"))
            name = clean_name(form.text("name")) if form.text("name") else ""
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        with web.writing.begin() as session:
            person = session.get_one(tables.Person, viewer.person_id)
            person.name, person.zone = name, form.text("zone")
        return RedirectResponse("/me?said=changed", 303)

    @router.post("/me/sign-out-everywhere")
    def leave(viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            sessions.end_all(session, viewer.person_id, web.duskbell.clock())
        return signed_out(web, RedirectResponse("/", 303))

    _add_keys(router, web)
    _add_data(router, web)
    return router


def _add_keys(router: APIRouter, web: Web) -> None:
    @router.post("/me/keys", response_class=HTMLResponse)
    def make_key(viewer: Keeping, form: Filled) -> HTMLResponse:
        try:
            label = clean_name(form.text("label"), "key's name")
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        with web.writing.begin() as session:
            if len(api_keys(session, viewer)) >= MOST_KEYS:
                raise BadInput(f"{counted(MOST_KEYS, 'key')} are the most; revoke one first.")
            key = access.make_api_key(session, viewer.person_id, label, web.duskbell.clock())
        return show_me(web, viewer, new_key=key)

    @router.post("/me/keys/{key_id:number}/revoke")
    def revoke(key_id: int, viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            done = session.execute(
                update(Token)
                .where(
                    Token.id == key_id,
                    Token.person_id == viewer.person_id,
                    Token.purpose == tokens.Purpose.API_KEY,
                    Token.used_at.is_(None),
                )
                .values(used_at=web.duskbell.clock())
            )
            if not done.rowcount:  # type: ignore[attr-defined]
                raise NothingHere
        return RedirectResponse("/me?said=revoked", 303)


def _add_data(router: APIRouter, web: Web) -> None:
    @router.get("/me/data.json")
    def data(viewer: SignedIn) -> Response:
        with web.reading() as session:
            person = session.get_one(tables.Person, viewer.person_id)
            content = json.dumps(personal.export(session, person), ensure_ascii=False, indent=1)
        headers = {"Content-Disposition": 'attachment; filename="duskbell-data.json"'}
        return Response(content, media_type="application/json", headers=headers)

    @router.post("/me/erase")
    def erase(viewer: SignedIn, form: Filled) -> Response:
        if not form.is_ticked("sure"):
            return show_me(web, viewer, fault="tick that you are sure; nothing was erased.")
        try:
            with web.writing.begin() as session:
                person = session.get_one(tables.Person, viewer.person_id)
                personal.erase(session, web.duskbell.keys, person, web.duskbell.clock())
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        return signed_out(web, web.page("erased.html"))


def signed_out(web: Web, response: Response) -> Response:
    """The answer that takes the cookie back, and with it the field pages that the browser kept."""
    sessions.take_cookie(response, is_https=web.is_https)
    response.headers["Clear-Site-Data"] = FORGET
    return response


FORGET = '"cache", "storage"'
"""Clear-Site-Data, W3C Working Draft 2017: storage takes workers and what they kept."""
SAID = {
    "changed": "Kept.",
    "revoked": "The key no longer works.",
    "added": "Added. It gets nothing before it is confirmed.",
    "confirmed": "Confirmed.",
    "removed": "Removed.",
    "tested": "A test is on its way.",
    "asked": "The mail to confirm is on its way, unless one went there within a day.",
}
"""What a form did, by the word in the address after it."""


def subscription_lines(session: Session, viewer: Viewer, now: datetime) -> list[SubscriptionLine]:
    rows = people.running_subscriptions(session, viewer.person_id)
    sites = newest_revisions(session, {row.site_id for row in rows})
    return [_line(row, sites[row.site_id].site, now) for row in rows]


def _line(row: tables.Subscription, site: Site, now: datetime) -> SubscriptionLine:
    wishes = from_json(Wishes, row.wishes)
    go = f"{wishes.chance_go_pct} % for a go"
    paused = row.paused_until if row.paused_until and row.paused_until > now else None
    return SubscriptionLine(
        row.id,
        row.site_id,
        row.site.name,
        row.address.target if row.address.channel == "email" else shown(row.address),
        f"{wishes_text(site, wishes.sky)}; {go}",
        paused,
    )


def api_keys(session: Session, viewer: Viewer) -> list[Token]:
    """The viewer's keys that work, oldest first."""
    query = select(Token).where(
        Token.person_id == viewer.person_id,
        Token.purpose == tokens.Purpose.API_KEY,
        Token.used_at.is_(None),
    )
    return list(session.scalars(query.order_by(Token.id)))
