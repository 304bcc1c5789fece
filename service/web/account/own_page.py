"""A person's own page: what they are told, where to, keys, and their data."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.driving import USUAL_SPEED_KMH, Home
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.model import clean_name
from alerts.sky.nights.season import wishes_text
from alerts.wishes.fields import drive_phrase
from alerts.wishes.model import Wishes
from service.accounts import access
from service.accounts.receivers import shown
from service.common.redaction import mask_target
from service.setup.steps import read_speed
from service.store.json_values import from_json
from service.store.maintenance import personal_data
from service.store.repositories import browsers, people, subscriptions, tokens
from service.store.repositories.addresses import sign_in_addresses
from service.store.repositories.sites import newest_revisions
from service.store.schema.core_tables import PersonRow
from service.web.account.own_addresses import address_lines, chat_forms
from service.web.account.sign_in import remember_return
from service.web.error_pages import NothingHere
from service.web.shared import sessions
from service.web.shared.context import Web
from service.web.shared.forms import Filled
from service.web.shared.viewer import Keeping, SignedIn, Viewer, is_fresh, network_of_request, require_fresh

MOST_KEYS = 20


@dataclass(frozen=True, slots=True)
class SubscriptionLine:
    subscription_id: int
    site_id: int
    site_name: str
    to: str
    wishes: str
    paused_until: datetime | None


@dataclass(frozen=True, slots=True)
class BrowserLine:
    """Where somebody is signed in. is_this: the browser that asks."""

    browser_id: int
    words: str
    since: datetime
    seen: datetime
    is_this: bool


@dataclass(frozen=True, slots=True)
class KeyLine:
    """A program's key. ends_soon: its owner should make another; ends: None for one from before."""

    key_id: int
    label: str
    made: datetime
    ends: datetime | None
    ends_soon: bool
    may: str


def show_me(web: Web, viewer: Viewer, *, fault: str = "", new_key: str = "", said: str = "") -> HTMLResponse:
    """The page. new_key: a key just made, shown this once. said: what a form before did."""
    now = web.duskbell.clock()
    with web.reading() as session:
        home = session.get_one(PersonRow, viewer.person_id).home
        return web.page(
            "account/own_page.html",
            400 if fault else 200,
            viewer=viewer,
            place="me",
            subscriptions=subscription_lines(session, viewer, web.now()),
            addresses=address_lines(session, viewer),
            forms=chat_forms(),
            keys=key_lines(session, viewer, now),
            key_days=KEY_DAYS,
            browsers=browser_lines(session, viewer, now),
            is_fresh=is_fresh(web, viewer),
            home=home,
            home_place=f"{home.lat_deg:.2f}, {home.lon_deg:.2f}" if home else "",
            usual_speed=f"{home.speed_kmh if home else USUAL_SPEED_KMH:g}",
            fault=fault,
            new_key=new_key,
            said=said,
        )


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/me", response_class=HTMLResponse)
    def me(viewer: SignedIn, said: str = "") -> HTMLResponse:
        return show_me(web, viewer, said=say(f"web-account.said-{said}") if said in SAID else "")

    @router.post("/me")
    def change(viewer: SignedIn, form: Filled) -> Response:
        try:
            zone_info(form.text("zone"))
            name = clean_name(form.text("name")) if form.text("name") else ""
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        with web.writing.begin() as session:
            person = session.get_one(PersonRow, viewer.person_id)
            person.name, person.zone = name, form.text("zone")
        return RedirectResponse("/me?said=changed", 303)

    @router.post("/me/home")
    def keep_home(viewer: SignedIn, form: Filled) -> Response:
        try:
            home = None
            if form.text("do") != "forget":
                speed = form.text("speed")
                speed_kmh = read_speed(speed) if speed else USUAL_SPEED_KMH
                home = Home(*parse_lat_lon(form.text("home")), speed_kmh)
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        with web.writing.begin() as session:
            people.set_home(session, session.get_one(PersonRow, viewer.person_id), home)
        return RedirectResponse(f"/me?said={'changed' if home else 'forgotten'}#home", 303)

    @router.post("/me/sign-out-everywhere")
    def leave(viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            now = web.duskbell.clock()
            browsers.end_all(session, viewer.person_id, now)
            tokens.revoke_all_of(session, now, purpose=tokens.Purpose.SIGN_IN, person_id=viewer.person_id)
        return sessions.signed_out(RedirectResponse("/", 303), is_https=web.is_https)

    return router


def build_browsers(web: Web) -> APIRouter:
    router = APIRouter()

    @router.post("/me/browsers/{browser_id:number}/end")
    def end(browser_id: int, viewer: SignedIn) -> Response:
        if browser_id == viewer.browser_id:
            raise BadInput(phrase("web-account.ends-itself"))
        with web.writing.begin() as session:
            if not browsers.end_one(session, viewer.person_id, browser_id, web.duskbell.clock()):
                raise NothingHere
        return RedirectResponse("/me?said=ended#browsers", 303)

    @router.post("/me/browsers/end-others")
    def end_others(viewer: SignedIn) -> Response:
        now = web.duskbell.clock()
        with web.writing.begin() as session:
            browsers.end_all(session, viewer.person_id, now, but=viewer.browser_id)
            tokens.revoke_all_of(session, now, purpose=tokens.Purpose.SIGN_IN, person_id=viewer.person_id)
        return RedirectResponse("/me?said=ended#browsers", 303)

    return router


def build_again(web: Web) -> APIRouter:
    """Signing in once more, before what can't be undone or hands out all at once."""
    router = APIRouter()

    @router.get("/me/again", response_class=HTMLResponse)
    def ask(
        viewer: SignedIn, back_to: Annotated[str, Query(alias="next", max_length=500)] = "/me"
    ) -> Response:
        with web.reading() as session:
            addresses = [row.target for row in sign_in_addresses(session, viewer.person_id)]
        page = web.page(
            "account/sign_in_again.html",
            viewer=viewer,
            place="me",
            shown=[mask_target("email", each) for each in addresses[:1]],
            sent=False,
        )
        remember_return(web, page, back_to)
        return page

    @router.post("/me/again", response_class=HTMLResponse)
    def send(viewer: SignedIn, request: Request) -> Response:
        with web.writing.begin() as session:
            addresses = [row.target for row in sign_in_addresses(session, viewer.person_id)]
            if not addresses:
                raise BadInput(phrase("web-account.no-mail-to-sign-in"))
            network = network_of_request(web, request)
            access.ask_to_sign_in(
                session, web.duskbell.keys, addresses[0], network=network, now=web.duskbell.clock()
            )
        web.nudge()
        shown = [mask_target("email", addresses[0])]
        return web.page("account/sign_in_again.html", viewer=viewer, place="me", shown=shown, sent=True)

    return router


def build_keys(web: Web) -> APIRouter:
    router = APIRouter()

    @router.post("/me/keys", response_class=HTMLResponse)
    def make_key(viewer: Keeping, form: Filled, request: Request) -> HTMLResponse:
        require_fresh(request, viewer, FRESH_BACK.format("feeds"))
        now = web.duskbell.clock()
        try:
            label = clean_name(form.text("label"), "key")
            days = form.text("days") or str(tokens.KEY_LIVES.days)
            is_number = days.isascii() and days.isdigit() and len(days) < 5
            with web.writing.begin() as session:
                if len(tokens.find_api_keys(session, now, viewer.person_id)) >= MOST_KEYS:
                    raise BadInput(phrase("web-account.keys-full", most=MOST_KEYS))
                key = access.make_api_key(
                    session,
                    viewer.person_id,
                    label,
                    now,
                    use=form.text("use") or "read",
                    lives=timedelta(days=int(days) if is_number else 0),
                )
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        return show_me(web, viewer, new_key=key)

    @router.post("/me/keys/{key_id:number}/revoke")
    def revoke(key_id: int, viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            if not tokens.revoke_own_key(session, key_id, viewer.person_id, web.duskbell.clock()):
                raise NothingHere
        return RedirectResponse("/me?said=revoked", 303)

    return router


def build_data(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/me/data.json")
    def data(viewer: SignedIn, request: Request) -> Response:
        require_fresh(request, viewer, FRESH_BACK.format("data"))
        with web.reading() as session:
            person = session.get_one(PersonRow, viewer.person_id)
            content = json.dumps(personal_data.export(session, person), ensure_ascii=False, indent=1)
        headers = {"Content-Disposition": 'attachment; filename="duskbell-data.json"'}
        return Response(content, media_type="application/json", headers=headers)

    @router.post("/me/erase")
    def erase(viewer: SignedIn, form: Filled, request: Request) -> Response:
        require_fresh(request, viewer, FRESH_BACK.format("data"))
        if not form.is_ticked("sure"):
            return show_me(web, viewer, fault=say("web-account.tick-sure"))
        try:
            with web.writing.begin() as session:
                person = session.get_one(PersonRow, viewer.person_id)
                personal_data.erase(session, web.duskbell.keys, person, web.duskbell.clock())
        except BadInput as refusal:
            return show_me(web, viewer, fault=str(refusal))
        return sessions.signed_out(web.page("account/erased.html"), is_https=web.is_https)

    return router


FRESH_BACK = "/me?said=fresh#{}"
"""Where somebody comes back to who had to sign in once more."""
KEY_DAYS = (30, 90, tokens.KEY_LIVES.days)
SAID = frozenset(
    {"fresh", "ended", "changed", "forgotten", "revoked", "added", "confirmed", "removed", "tested", "asked"}
)
"""What a form did, by the word in the address after it."""


def subscription_lines(session: Session, viewer: Viewer, now: datetime) -> list[SubscriptionLine]:
    rows = subscriptions.running_subscriptions(session, person_id=viewer.person_id)
    sites = newest_revisions(session, {row.site_id for row in rows})
    lines = []
    for row in rows:
        wishes = from_json(Wishes, row.wishes)
        said = say(
            "web-account.wishes",
            sky=wishes_text(sites[row.site_id].site, wishes.sky),
            chance_go_pct=wishes.chance_go_pct,
            drive=drive_phrase(wishes),
        )
        to = row.address.target if row.address.channel == "email" else shown(row.address)
        paused = row.paused_until if row.paused_until and row.paused_until > now else None
        lines.append(SubscriptionLine(row.id, row.site_id, row.site.name, to, said, paused))
    return lines


def key_lines(session: Session, viewer: Viewer, now: datetime) -> list[KeyLine]:
    """The viewer's keys that work, oldest first."""
    return [
        KeyLine(
            row.id,
            row.label or "",
            row.created_at,
            row.expires_at,
            row.expires_at is not None and row.expires_at <= now + access.WARNED_BEFORE,
            say("web-account.key-may", scope=row.scope or ""),
        )
        for row in tokens.find_api_keys(session, now, viewer.person_id)
    ]


def browser_lines(session: Session, viewer: Viewer, now: datetime) -> list[BrowserLine]:
    """Where the viewer is signed in, this browser first."""
    lines = []
    for row in browsers.find_browsers(session, viewer.person_id, now):
        words = row.label or say("web.browser", device="")
        if words.startswith("Mozilla/"):  # a row from before the words were kept
            words = sessions.roughly(words)
        seen_at = row.seen_at or row.created_at
        lines.append(BrowserLine(row.id, words, row.created_at, seen_at, row.id == viewer.browser_id))
    return sorted(lines, key=lambda line: not line.is_this)
