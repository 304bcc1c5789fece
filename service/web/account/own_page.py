"""A person's own page: what they are told, where to, keys, and their data."""

from __future__ import annotations

import json
from datetime import datetime, timedelta

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.trip_plan import USUAL_SPEED_KMH, Home
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.model import clean_name
from alerts.sky.nights.season import wishes_text
from alerts.wishes.fields import drive_phrase
from alerts.wishes.model import Wishes
from service.accounts import access
from service.setup.steps import read_speed
from service.store.json_values import from_json
from service.store.maintenance import personal_data
from service.store.repositories import browsers, people, subscriptions, tokens
from service.store.repositories.people import REMOVED, find_addresses
from service.store.repositories.sites import newest_revisions
from service.store.schema.core_tables import PersonRow, SubscriptionRow
from service.store.schema.delivery_tables import TokenRow
from service.web.account.own_addresses import chat_forms
from service.web.error_pages import NothingHere
from service.web.shared import sessions
from service.web.shared.context import Here, Web
from service.web.shared.forms import Filled, row_number
from service.web.shared.viewer import Keeping, SignedIn, Viewer, is_fresh, require_fresh

MOST_KEYS = 20


def show_me(web: Web, viewer: Viewer, *, fault: str = "", new_key: str = "", said: str = "") -> HTMLResponse:
    """The page. new_key: a key just made, shown this once. said: what a form before did."""
    now = web.duskbell.clock()
    with web.reading() as session:
        home = session.get_one(PersonRow, viewer.person_id).home
        return web.page(
            "account/own_page.html",
            400 if fault else 200,
            viewer=viewer,
            now=web.now(),
            subscriptions=told_about(session, viewer),
            addresses=[row for row in find_addresses(session, viewer.person_id) if row.off_reason != REMOVED],
            forms=chat_forms(),
            keys=tokens.find_api_keys(session, now, viewer.person_id),
            warned_from=now + access.WARNED_BEFORE,
            key_days=KEY_DAYS,
            browsers=signed_in_at(session, viewer, now),
            is_fresh=is_fresh(web, viewer),
            home=home,
            home_place=f"{home.lat_deg:.2f}, {home.lon_deg:.2f}" if home else "",
            usual_speed=f"{home.speed_kmh if home else USUAL_SPEED_KMH:g}",
            fault=fault,
            new_key=new_key,
            said=said,
        )


router = APIRouter()


@router.get("/me", response_class=HTMLResponse)
def me(web: Here, viewer: SignedIn, said: str = "") -> HTMLResponse:
    return show_me(web, viewer, said=say(f"web-account.said-{said}") if said in SAID else "")


@router.post("/me")
def change(web: Here, viewer: SignedIn, form: Filled) -> Response:
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
def keep_home(web: Here, viewer: SignedIn, form: Filled) -> Response:
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
def leave(web: Here, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        now = web.duskbell.clock()
        browsers.end_all(session, viewer.person_id, now)
        tokens.revoke_all_of(session, now, purpose=tokens.Purpose.SIGN_IN, person_id=viewer.person_id)
    return sessions.signed_out(web, RedirectResponse("/", 303))


@router.post("/me/browsers/{browser_id:number}/end")
def end(web: Here, browser_id: int, viewer: SignedIn) -> Response:
    if browser_id == viewer.browser_id:
        raise BadInput(phrase("web-account.ends-itself"))
    with web.writing.begin() as session:
        if not browsers.end_one(session, viewer.person_id, browser_id, web.duskbell.clock()):
            raise NothingHere
    return RedirectResponse("/me?said=ended#browsers", 303)


@router.post("/me/browsers/end-others")
def end_others(web: Here, viewer: SignedIn) -> Response:
    now = web.duskbell.clock()
    with web.writing.begin() as session:
        browsers.end_all(session, viewer.person_id, now, but=viewer.browser_id)
        tokens.revoke_all_of(session, now, purpose=tokens.Purpose.SIGN_IN, person_id=viewer.person_id)
    return RedirectResponse("/me?said=ended#browsers", 303)


@router.post("/me/keys", response_class=HTMLResponse)
def make_key(web: Here, viewer: Keeping, form: Filled) -> HTMLResponse:
    require_fresh(web, viewer, FRESH_BACK.format("feeds"))
    now = web.duskbell.clock()
    try:
        label = clean_name(form.text("label"), "key")
        days = form.text("days") or str(tokens.KEY_LIVES.days)
        with web.writing.begin() as session:
            if len(tokens.find_api_keys(session, now, viewer.person_id)) >= MOST_KEYS:
                raise BadInput(phrase("web-account.keys-full", most=MOST_KEYS))
            key = access.make_api_key(
                session,
                viewer.person_id,
                label,
                now,
                use=form.text("use") or "read",
                lives=timedelta(days=row_number(days) or 0),
            )
    except BadInput as refusal:
        return show_me(web, viewer, fault=str(refusal))
    return show_me(web, viewer, new_key=key)


@router.post("/me/keys/{key_id:number}/revoke")
def revoke(web: Here, key_id: int, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        if not tokens.revoke_own_key(session, key_id, viewer.person_id, web.duskbell.clock()):
            raise NothingHere
    return RedirectResponse("/me?said=revoked", 303)


@router.get("/me/data.json")
def data(web: Here, viewer: SignedIn) -> Response:
    require_fresh(web, viewer, FRESH_BACK.format("data"))
    with web.reading() as session:
        person = session.get_one(PersonRow, viewer.person_id)
        content = json.dumps(personal_data.export(session, person), ensure_ascii=False, indent=1)
    headers = {"Content-Disposition": 'attachment; filename="duskbell-data.json"'}
    return Response(content, media_type="application/json", headers=headers)


@router.post("/me/erase")
def erase(web: Here, viewer: SignedIn, form: Filled) -> Response:
    require_fresh(web, viewer, FRESH_BACK.format("data"))
    if not form.is_ticked("sure"):
        return show_me(web, viewer, fault=say("web-account.tick-sure"))
    try:
        with web.writing.begin() as session:
            person = session.get_one(PersonRow, viewer.person_id)
            personal_data.erase(session, web.duskbell.keys, person, web.duskbell.clock())
    except BadInput as refusal:
        return show_me(web, viewer, fault=str(refusal))
    return sessions.signed_out(web, web.page("account/erased.html"))


FRESH_BACK = "/me?said=fresh#{}"
"""Where somebody comes back to who had to sign in once more."""
KEY_DAYS = (30, 90, tokens.KEY_LIVES.days)
SAID = frozenset(
    {"fresh", "ended", "changed", "forgotten", "revoked", "added", "confirmed", "removed", "tested", "asked"}
)
"""What a form did, by the word in the address after it."""


def told_about(session: Session, viewer: Viewer) -> list[tuple[SubscriptionRow, str]]:
    """The viewer's running subscriptions, each with its wishes in words."""
    rows = subscriptions.running_subscriptions(session, person_id=viewer.person_id)
    sites = newest_revisions(session, {row.site_id for row in rows})
    told = []
    for row in rows:
        wishes = from_json(Wishes, row.wishes)
        sky = wishes_text(sites[row.site_id].site, wishes.sky)
        drive = drive_phrase(wishes)
        told.append(
            (row, say("web-account.wishes", sky=sky, chance_go_pct=wishes.chance_go_pct, drive=drive))
        )
    return told


def signed_in_at(session: Session, viewer: Viewer, now: datetime) -> list[tuple[TokenRow, str]]:
    """Where the viewer is signed in, in words, this browser first."""
    found = []
    for row in browsers.find_browsers(session, viewer.person_id, now):
        words = row.label or say("web.browser", device="")
        # a row from before the words were kept
        found.append((row, sessions.roughly(words) if words.startswith("Mozilla/") else words))
    return sorted(found, key=lambda each: each[0].id != viewer.browser_id)
