"""Being told about a site: wishes in plain words with what they would have given, and where messages go."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.clocktimes import at_clock
from alerts.errors import BadInput
from alerts.site import zone_info
from alerts.wishes import Wishes
from service import access
from service.registration import shown
from service.store import people, tables
from service.store.codec import from_json
from service.web.access import Looking, SeenSite, SignedIn, Viewer, seen_site
from service.web.asking import network_of_request
from service.web.assets import asset_url
from service.web.context import Web
from service.web.faults import NothingHere
from service.web.forms import Filled, Form
from service.web.guards import STAMP, TRAP, looks_human, make_stamp
from service.web.siteform import FaultTexts
from service.web.wishcount import WishCount, count_wishes
from service.web.wishform import (
    MOONS,
    SHAPES,
    TARGETS,
    WEEKDAYS,
    filled_wish_fields,
    read_wishes,
    wish_fields,
)

NEW_MAIL = "new"


@dataclass(frozen=True, slots=True)
class AddressChoice:
    """An address that a subscription can go to, as the form offers it."""

    address_id: int
    words: str
    is_confirmed: bool


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    def show(
        viewer: Viewer | None,
        seen: SeenSite,
        fields: dict[str, object],
        wishes: Wishes | None,
        *,
        faults: FaultTexts | None = None,
        subscription: tables.Subscription | None = None,
        choices: list[AddressChoice] | None = None,
        chosen: str = "",
        email: str = "",
        told: list[tuple[int, str]] | None = None,
    ) -> HTMLResponse:
        site = seen.stored.site
        count = count_wishes(web.skies, site, wishes, web.now()) if wishes else None
        never = _never(web, seen, wishes, count)
        return web.page(
            "subscribe.html",
            400 if faults else 200,
            viewer=viewer,
            seen=seen,
            zone=site.zone,
            fields=fields,
            faults=faults or FaultTexts(),
            count=count,
            never=never,
            subscription=subscription,
            choices=choices or [],
            chosen=chosen or (str(choices[0].address_id) if choices else NEW_MAIL),
            targets=TARGETS,
            shapes=SHAPES,
            moons=MOONS,
            weekdays=list(enumerate(WEEKDAYS)),
            email=email,
            told=told or [],
            stamp=make_stamp(web.duskbell.keys, web.duskbell.clock()),
            trap=TRAP,
            stamp_name=STAMP,
            script_url=asset_url("wishes.js"),
        )

    @router.get("/sites/{site_id:int}/subscribe", response_class=HTMLResponse)
    def ask(site_id: int, viewer: Looking, another: bool = False) -> HTMLResponse:
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            known = _running(session, site_id, viewer)
            choices = address_choices(session, viewer)
            told = [(row.id, shown(row.address)) for row in known]
        if len(known) == 1 and viewer is not None and not another:
            wishes = from_json(Wishes, known[0].wishes)
            return show(viewer, seen, wish_fields(wishes), wishes, subscription=known[0], told=told)
        wishes = people.default_wishes()
        return show(viewer, seen, wish_fields(wishes), wishes, choices=choices, told=told)

    @router.post("/sites/{site_id:int}/subscribe")
    def subscribe(site_id: int, viewer: Looking, form: Filled, request: Request) -> Response:
        usual = people.default_wishes()
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
            choices = address_choices(session, viewer)
        wishes, faults = read_wishes(form, usual)

        def again(wishes: Wishes | None, faults: FaultTexts) -> HTMLResponse:
            return show(
                viewer,
                seen,
                filled_wish_fields(form, usual),
                wishes,
                faults=faults,
                choices=choices,
                chosen=form.text("address"),
                email=form.text("email"),
            )

        if wishes is None or form.text("do") == "count":
            return again(wishes, faults)
        try:
            if viewer is None:
                return _subscribe_stranger(web, seen, form, wishes, request)
            note = _subscribe_viewer(web, seen, viewer, form, wishes, request)
        except BadInput as refusal:
            return again(wishes, FaultTexts(address=str(refusal)))
        return RedirectResponse(f"/sites/{site_id}/subscribed?{note}", 303)

    @router.get("/sites/{site_id:int}/subscribed", response_class=HTMLResponse)
    def subscribed(site_id: int, viewer: SignedIn, confirm: bool = False) -> HTMLResponse:
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
        return web.page("subscribed.html", viewer=viewer, seen=seen, needs_confirming=confirm)

    @router.post("/sites/{site_id:int}/wish-count")
    def wish_count(site_id: int, viewer: Looking, form: Filled) -> Response:
        """What the wishes being typed would have given; for the page's script."""
        with web.reading() as session:
            seen = seen_site(session, site_id, viewer)
        wishes, faults = read_wishes(form, people.default_wishes())
        if wishes is None:
            return JSONResponse({"text": next(iter(faults.values()), "")})
        return JSONResponse({"text": count_wishes(web.skies, seen.stored.site, wishes, web.now()).text})

    @router.get("/subscriptions/{subscription_id:int}", response_class=HTMLResponse)
    def edit(subscription_id: int, viewer: SignedIn) -> HTMLResponse:
        with web.reading() as session:
            row = own_subscription(session, subscription_id, viewer)
            seen = seen_site(session, row.site_id, viewer)
        wishes = from_json(Wishes, row.wishes)
        return show(viewer, seen, wish_fields(wishes), wishes, subscription=row)

    @router.post("/subscriptions/{subscription_id:int}")
    def change(subscription_id: int, viewer: SignedIn, form: Filled) -> Response:
        with web.reading() as session:
            row = own_subscription(session, subscription_id, viewer)
            seen = seen_site(session, row.site_id, viewer)
        known = from_json(Wishes, row.wishes)
        wishes, faults = read_wishes(form, known)
        if wishes is None or form.text("do") == "count":
            fields = filled_wish_fields(form, known)
            return show(viewer, seen, fields, wishes, faults=faults, subscription=row)
        with web.writing.begin() as session:
            people.change_wishes(session, own_subscription(session, subscription_id, viewer), wishes)
        return RedirectResponse(f"/sites/{row.site_id}", 303)

    @router.post("/subscriptions/{subscription_id:int}/pause")
    def pause(subscription_id: int, viewer: SignedIn, form: Filled) -> Response:
        with web.writing.begin() as session:
            row = own_subscription(session, subscription_id, viewer)
            if form.text("do") == "resume":
                people.resume(session, row)
            else:
                people.pause(session, row, read_until(form.text("until"), viewer, web.now()))
        return RedirectResponse("/me", 303)

    @router.post("/subscriptions/{subscription_id:int}/end")
    def end(subscription_id: int, viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            row = own_subscription(session, subscription_id, viewer)
            people.end(session, row, web.duskbell.clock(), "ended on the page")
        return RedirectResponse("/me", 303)

    return router


def _never(web: Web, seen: SeenSite, wishes: Wishes | None, count: WishCount | None) -> tuple[str, ...]:
    """What can never hold here, where the wishes gave no night in a year."""
    if wishes is None or count is None or count.past or count.coming:
        return ()
    found = web.skies.never(seen.stored.site, wishes.sky, web.now().year)
    return found or ("No night of a year has a window that is long enough, on the days that suit you.",)


def own_subscription(session: Session, subscription_id: int, viewer: Viewer) -> tables.Subscription:
    """The viewer's running subscription; NothingHere for anyone else's."""
    row = session.get(tables.Subscription, subscription_id)
    if row is None or row.person_id != viewer.person_id or row.ended_at is not None:
        raise NothingHere
    return row


def _running(session: Session, site_id: int, viewer: Viewer | None) -> list[tables.Subscription]:
    if viewer is None:
        return []
    query = select(tables.Subscription).where(
        tables.Subscription.site_id == site_id,
        tables.Subscription.person_id == viewer.person_id,
        tables.Subscription.ended_at.is_(None),
    )
    return list(session.scalars(query.order_by(tables.Subscription.id)))


def address_choices(session: Session, viewer: Viewer | None) -> list[AddressChoice]:
    """The viewer's addresses that take messages, or will once confirmed."""
    if viewer is None:
        return []
    query = select(tables.Address).where(
        tables.Address.person_id == viewer.person_id, tables.Address.off_since.is_(None)
    )
    return [
        AddressChoice(
            row.id,
            row.target if row.channel == "email" else shown(row),
            row.confirmed_at is not None,
        )
        for row in session.scalars(query.order_by(tables.Address.id))
    ]


def _subscribe_viewer(
    web: Web, seen: SeenSite, viewer: Viewer, form: Form, wishes: Wishes, request: Request
) -> str:
    """Subscribe one of the viewer's addresses, or a new mail address of theirs; what to say next."""
    now, network = web.duskbell.clock(), network_of_request(web, request)
    with web.writing.begin() as session:
        site = session.get_one(tables.Site, seen.row.id)
        if form.text("address") not in ("", NEW_MAIL):
            address = own_address(session, form.text("address"), viewer)
        else:
            address = add_mail(web, session, viewer, form.text("email"), network, now)
        people.subscribe(session, address, site, wishes, now=now)
        needs_confirming = address.confirmed_at is None
    web.nudge()
    return "confirm=1" if needs_confirming else "confirm=0"


def own_address(session: Session, address_id: str, viewer: Viewer) -> tables.Address:
    row = session.get(tables.Address, int(address_id)) if address_id.isdigit() else None
    if row is None or row.person_id != viewer.person_id:
        raise BadInput("choose one of your addresses, or type a new one.")
    return row


def add_mail(
    web: Web, session: Session, viewer: Viewer, email: str, network: str, now: datetime
) -> tables.Address:
    """A mail address of the viewer's; a new one is asked to confirm and gets nothing else before."""
    target = people.checked_email(email)
    known = session.scalar(
        select(tables.Address).where(
            tables.Address.person_id == viewer.person_id,
            tables.Address.channel == "email",
            tables.Address.target == target,
        )
    )
    if known is None:
        known = tables.Address(
            person_id=viewer.person_id, channel="email", target=target, secrets=[], created_at=now
        )
        session.add(known)
        session.flush()
    access.ask_to_confirm(session, web.duskbell.keys, known, network=network, now=now)
    return known


def _subscribe_stranger(web: Web, seen: SeenSite, form: Form, wishes: Wishes, request: Request) -> Response:
    """Keep what a stranger asked for until their address confirms it. The answer is always the same."""
    now, network = web.duskbell.clock(), network_of_request(web, request)
    if looks_human(web.duskbell.keys, form, now):
        people.checked_email(form.text("email"))
        with web.writing.begin() as session:
            site = session.get_one(tables.Site, seen.row.id)
            _welcome(web, session, site, form.text("email"), wishes, seen.stored.site.zone, network, now)
        web.nudge()
    return web.page("asked.html", seen=seen)


def _welcome(
    web: Web,
    session: Session,
    site: tables.Site,
    email: str,
    wishes: Wishes,
    zone: str,
    network: str,
    now: datetime,
) -> None:
    """A new address is asked to confirm; one that is known gets a link to sign in, and nothing changes."""
    keys = web.duskbell.keys
    address, asked = access.welcome(session, keys, email, zone=zone, network=network, now=now)
    if asked is access.Asked.KNOWN:
        access.ask_to_sign_in(session, keys, email, network=network, now=now)
        return
    running = session.scalar(
        select(tables.Subscription.id).where(
            tables.Subscription.address_id == address.id,
            tables.Subscription.site_id == site.id,
            tables.Subscription.ended_at.is_(None),
        )
    )
    if running is None:
        people.subscribe(session, address, site, wishes, now=now)


def read_until(typed: str, viewer: Viewer, now: datetime) -> datetime:
    """The end of a pause: the noon of that day on the person's clock."""
    try:
        day = date.fromisoformat(typed)
    except ValueError:
        raise BadInput(f"{typed[:20]!r} is no date; write the day on which you want to hear again.") from None
    until = at_clock(day, time(12), zone_info(viewer.zone))
    if not now < until < now + timedelta(days=2 * 366):
        raise BadInput("a pause ends after today, and within two years.")
    return until
