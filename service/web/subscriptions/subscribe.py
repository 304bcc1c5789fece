"""Being told about a site: a new subscription, of someone signed in or of a stranger; and a running one, its
wishes changed, paused or ended."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from datetime import date, datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.text import sentence
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.accounts import access, address_owner
from service.accounts.quotas import QuotaReached, require_room
from service.accounts.receivers import shown
from service.channels.email_message import check_mail_address
from service.store.json_values import from_json
from service.store.repositories import people, subscriptions
from service.store.repositories.people import find_addresses
from service.store.repositories.subscriptions import end_of_pause
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow, SubscriptionRow
from service.web.error_pages import NothingHere
from service.web.shared.context import Here, Web
from service.web.shared.forms import Filled, Form, looks_human, row_number
from service.web.shared.ring_notes import of_newest, of_wishes
from service.web.shared.viewer import (
    FromNetwork,
    Looking,
    SignedIn,
    Viewer,
    is_fresh,
    seen_site,
)
from service.web.sites.form import FaultTexts
from service.web.subscriptions.wish_form import (
    NEW_MAIL,
    WishPage,
    count_wishes,
    filled_wish_fields,
    read_wishes,
    read_wishes_and_kit,
    show_wishes,
    wish_fields,
)

log = logging.getLogger(__name__)


router = APIRouter()


@router.get("/sites/{site_id:number}/subscribe", response_class=HTMLResponse)
def ask(web: Here, site_id: int, viewer: Looking, another: bool = False) -> HTMLResponse:
    return show_wishes(web, empty_page(web, site_id, viewer, another=another))


@router.post("/sites/{site_id:number}/subscribe")
def subscribe(web: Here, site_id: int, viewer: Looking, form: Filled, network: FromNetwork) -> Response:
    page = filled_page(web, site_id, viewer, form)
    if page.wishes is None or form.text("do") == "count":
        return show_wishes(web, page)
    try:
        if viewer is None:
            return _subscribe_stranger(web, page, page.wishes, network)
        needs_confirming = _subscribe_viewer(web, viewer, page, form, network)
    except BadInput as refusal:
        return show_wishes(web, replace(page, faults=FaultTexts(address=str(refusal))))
    return RedirectResponse(f"/sites/{site_id}/subscribed?confirm={needs_confirming:d}", 303)


@router.get("/sites/{site_id:number}/subscribed", response_class=HTMLResponse)
def subscribed(web: Here, site_id: int, viewer: SignedIn, confirm: bool = False) -> HTMLResponse:
    with web.reading() as session:
        seen = seen_site(session, site_id, viewer)
        ring = [] if confirm else of_newest(session, web, viewer, seen)
    return web.page(
        "subscriptions/subscribed.html", viewer=viewer, seen=seen, needs_confirming=confirm, ring=ring
    )


@router.post("/sites/{site_id:number}/wish-count")
def wish_count(web: Here, site_id: int, viewer: Looking, form: Filled) -> Response:
    """What the wishes being typed would have given; for the page's script."""
    with web.reading() as session:
        seen = seen_site(session, site_id, viewer)
    wishes, faults = read_wishes(form, DEFAULT_WISHES)
    if wishes is None:
        return JSONResponse({"text": sentence(next(iter(faults.values()))), "notes": [], "prices": []})
    advice = count_wishes(web, seen.stored.site, wishes)
    ring = of_wishes(web, viewer, seen, wishes, advice.year)
    notes = [each.text for each in ring]
    return JSONResponse({"text": advice.text, "notes": notes, "prices": list(advice.prices)})


# a running one


@router.get("/subscriptions/{subscription_id:number}", response_class=HTMLResponse)
def show_running(web: Here, subscription_id: int, viewer: SignedIn) -> HTMLResponse:
    with web.reading() as session:
        row = own_subscription(session, subscription_id, viewer)
        seen = seen_site(session, row.site_id, viewer)
    wishes = from_json(Wishes, row.wishes)
    fields = wish_fields(wishes, row.kit)
    page = WishPage(viewer=viewer, seen=seen, fields=fields, wishes=wishes, subscription=row)
    return show_wishes(web, page)


@router.post("/subscriptions/{subscription_id:number}")
def change_running(web: Here, subscription_id: int, viewer: SignedIn, form: Filled) -> Response:
    with web.reading() as session:
        row = own_subscription(session, subscription_id, viewer)
        seen = seen_site(session, row.site_id, viewer)
    known = from_json(Wishes, row.wishes)
    wishes, faults = read_wishes_and_kit(form, known)
    if wishes is None or form.text("do") == "count":
        fields = filled_wish_fields(form, known)
        return show_wishes(
            web,
            WishPage(viewer=viewer, seen=seen, fields=fields, wishes=wishes, faults=faults, subscription=row),
        )
    with web.writing.begin() as session:
        mine = own_subscription(session, subscription_id, viewer)
        subscriptions.change_wishes(session, mine, wishes)
        subscriptions.change_kit(session, mine, form.text("kit"))
    return RedirectResponse(f"/sites/{row.site_id}", 303)


@router.post("/subscriptions/{subscription_id:number}/pause")
def pause(web: Here, subscription_id: int, viewer: SignedIn, form: Filled) -> Response:
    with web.writing.begin() as session:
        row = own_subscription(session, subscription_id, viewer)
        if form.text("do") == "resume":
            subscriptions.resume_subscription(session, row)
        else:
            subscriptions.pause_subscription(session, row, read_until(form.text("until"), viewer, web.now()))
    return RedirectResponse("/me", 303)


@router.post("/subscriptions/{subscription_id:number}/end")
def end(web: Here, subscription_id: int, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        row = own_subscription(session, subscription_id, viewer)
        subscriptions.end_subscription(
            session, row, web.duskbell.clock(), say("web-subscriptions.ended-on-page")
        )
    return RedirectResponse("/me", 303)


def empty_page(web: Web, site_id: int, viewer: Viewer | None, *, another: bool) -> WishPage:
    """The form as it opens: the one running subscription to change, else the usual wishes."""
    with web.reading() as session:
        seen = seen_site(session, site_id, viewer)
        known = (
            subscriptions.running_subscriptions(session, site_ids=[seen.row.id], person_id=viewer.person_id)
            if viewer
            else []
        )
        choices = address_choices(session, viewer)
        told = tuple((row.id, shown(row.address)) for row in known)
    if len(known) == 1 and not another:
        wishes = from_json(Wishes, known[0].wishes)
        fields = wish_fields(wishes, known[0].kit)
        return WishPage(
            viewer=viewer, seen=seen, fields=fields, wishes=wishes, subscription=known[0], told=told
        )
    wishes = DEFAULT_WISHES
    fields = wish_fields(wishes, known[0].kit if known else "")
    return WishPage(viewer=viewer, seen=seen, fields=fields, wishes=wishes, choices=choices, told=told)


def filled_page(web: Web, site_id: int, viewer: Viewer | None, form: Form) -> WishPage:
    """The form as it was filled in for a new subscription."""
    usual = DEFAULT_WISHES
    with web.reading() as session:
        seen = seen_site(session, site_id, viewer)
        choices = address_choices(session, viewer)
    wishes, faults = read_wishes_and_kit(form, usual)
    return WishPage(
        viewer=viewer,
        seen=seen,
        fields=filled_wish_fields(form, usual),
        wishes=wishes,
        faults=faults,
        choices=choices,
        chosen=form.text("address"),
        email=form.text("email"),
        is_human=looks_human(web.duskbell.keys, form, web.duskbell.clock()),
    )


def address_choices(session: Session, viewer: Viewer | None) -> list[AddressRow]:
    """The viewer's addresses that take messages, or will once confirmed."""
    rows = find_addresses(session, viewer.person_id) if viewer else []
    return [row for row in rows if row.off_since is None]


def _subscribe_viewer(web: Web, viewer: Viewer, page: WishPage, form: Form, network: str) -> bool:
    """Subscribe one of the viewer's addresses, or a new mail address of theirs; whether it must confirm."""
    assert page.wishes is not None, "what can't be read is shown again"
    now = web.duskbell.clock()
    with web.writing.begin() as session:
        site = session.get_one(SiteRow, page.seen.row.id)
        if form.text("address") not in ("", NEW_MAIL):
            address = own_address(session, form.text("address"), viewer)
        else:
            mail = TypedMail(form.text("email"), network, is_own=form.is_ticked("mine"))
            address = add_mail(web, session, viewer, mail)
        require_room(session, web.duskbell.settings, address.person_id, Kept.SUBSCRIPTIONS, now)
        row = subscriptions.subscribe(session, address, site, page.wishes, now=now)
        subscriptions.change_kit(session, row, form.text("kit"))
        needs_confirming = address.confirmed_at is None
    web.nudge()
    return needs_confirming


def own_address(session: Session, address_id: str, viewer: Viewer) -> AddressRow:
    number = row_number(address_id)
    row = None if number is None else session.get(AddressRow, number)
    if row is None or row.person_id != viewer.person_id:
        raise BadInput(phrase("web-subscriptions.choose-address"))
    return row


@dataclass(frozen=True, slots=True)
class TypedMail:
    """A mail address as it was typed in. network: of who did; is_own: it is said to be the viewer's own."""

    text: str
    network: str
    is_own: bool


def add_mail(web: Web, session: Session, viewer: Viewer, mail: TypedMail) -> AddressRow:
    """A mail address that the viewer types in; a new one is asked to confirm and gets nothing else before.

    It joins the viewer's account if its reader says so; what the operator types in is its own person unless
    it is said to be the operator's own.
    """
    now = web.duskbell.clock()
    target = check_mail_address(mail.text)
    person = session.get_one(PersonRow, viewer.person_id)
    if person.is_operator and not mail.is_own:
        known = address_owner.find_account(session, target) or address_owner.add_pending(
            session, target, zone=person.zone, now=now
        )
    else:
        mine = address_owner.find_of_person(session, target, person.id)
        if mine is None and not is_fresh(web, viewer):
            raise BadInput(phrase("web-subscriptions.address-needs-sign-in"))
        if mine is None or mine.off_reason == people.REMOVED:
            require_room(session, web.duskbell.settings, person.id, Kept.ADDRESSES, now)
        known = address_owner.add_joining(session, target, person, is_own=mail.is_own, now=now)
    access.ask_to_confirm(session, web.duskbell.keys, known, network=mail.network, now=now)
    return known


def _subscribe_stranger(web: Web, page: WishPage, wishes: Wishes, network: str) -> Response:
    """Keep what a stranger asked for until their address confirms it. The answer is always the same."""
    now, keys, seen = web.duskbell.clock(), web.duskbell.keys, page.seen
    if not page.is_human:
        return web.page("subscriptions/asked.html", seen=seen)
    check_mail_address(page.email)
    zone = seen.stored.site.zone
    with web.writing.begin() as session:
        # A new address is asked to confirm; one that is known gets a link to sign in, and nothing changes.
        address = address_owner.typed_address(session, page.email, zone=zone, now=now)
        asked = access.ask_to_confirm(session, keys, address, network=network, now=now)
        is_told = subscriptions.is_told(session, seen.row.id, address_id=address.id)
        if asked is access.AskOutcome.KNOWN:
            access.ask_to_sign_in(session, keys, page.email, network=network, now=now)
        elif not is_told:
            try:
                require_room(session, web.duskbell.settings, address.person_id, Kept.SUBSCRIPTIONS, now)
            except QuotaReached:
                log.info("address %s has as many subscriptions as one may have", address.id)
            else:
                site = session.get_one(SiteRow, seen.row.id)
                row = subscriptions.subscribe(session, address, site, wishes, now=now)
                subscriptions.change_kit(session, row, str(page.fields["kit"]))
    web.nudge()
    return web.page("subscriptions/asked.html", seen=seen)


def own_subscription(session: Session, subscription_id: int, viewer: Viewer) -> SubscriptionRow:
    """The viewer's running subscription; NothingHere for anyone else's."""
    row = session.get(SubscriptionRow, subscription_id)
    if row is None or row.person_id != viewer.person_id or row.ended_at is not None:
        raise NothingHere
    return row


def read_until(typed: str, viewer: Viewer, now: datetime) -> datetime:
    """The end of a pause: the noon of that day on the person's clock."""
    try:
        day = date.fromisoformat(typed)
    except ValueError:
        raise BadInput(phrase("web-subscriptions.not-a-date", typed=typed[:20])) from None
    return end_of_pause(day, viewer.zone, now)
