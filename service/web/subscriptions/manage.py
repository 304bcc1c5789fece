"""A running subscription: its wishes changed, paused, ended."""

from __future__ import annotations

from datetime import date, datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.wishes.model import Wishes
from service.store.json_values import from_json
from service.store.repositories import subscriptions
from service.store.repositories.subscriptions import end_of_pause
from service.store.schema.core_tables import SubscriptionRow
from service.web.error_pages import NothingHere
from service.web.shared.context import Web
from service.web.shared.forms import Filled
from service.web.shared.viewer import SignedIn, Viewer, seen_site
from service.web.subscriptions.wish_form import (
    WishPage,
    filled_wish_fields,
    read_wishes_and_kit,
    show_wishes,
    wish_fields,
)


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/subscriptions/{subscription_id:number}", response_class=HTMLResponse)
    def edit(subscription_id: int, viewer: SignedIn) -> HTMLResponse:
        with web.reading() as session:
            row = own_subscription(session, subscription_id, viewer)
            seen = seen_site(session, row.site_id, viewer)
        wishes = from_json(Wishes, row.wishes)
        fields = {**wish_fields(wishes), "kit": row.kit}
        page = WishPage(viewer=viewer, seen=seen, fields=fields, wishes=wishes, subscription=row)
        return show_wishes(web, page)

    @router.post("/subscriptions/{subscription_id:number}")
    def change(subscription_id: int, viewer: SignedIn, form: Filled) -> Response:
        with web.reading() as session:
            row = own_subscription(session, subscription_id, viewer)
            seen = seen_site(session, row.site_id, viewer)
        known = from_json(Wishes, row.wishes)
        wishes, faults = read_wishes_and_kit(form, known)
        if wishes is None or form.text("do") == "count":
            fields = {**filled_wish_fields(form, known), "kit": form.text("kit")}
            return show_wishes(
                web,
                WishPage(
                    viewer=viewer, seen=seen, fields=fields, wishes=wishes, faults=faults, subscription=row
                ),
            )
        with web.writing.begin() as session:
            mine = own_subscription(session, subscription_id, viewer)
            subscriptions.change_wishes(session, mine, wishes)
            subscriptions.change_kit(session, mine, form.text("kit"))
        return RedirectResponse(f"/sites/{row.site_id}", 303)

    @router.post("/subscriptions/{subscription_id:number}/pause")
    def pause(subscription_id: int, viewer: SignedIn, form: Filled) -> Response:
        with web.writing.begin() as session:
            row = own_subscription(session, subscription_id, viewer)
            if form.text("do") == "resume":
                subscriptions.resume_subscription(session, row)
            else:
                subscriptions.pause_subscription(
                    session, row, read_until(form.text("until"), viewer, web.now())
                )
        return RedirectResponse("/me", 303)

    @router.post("/subscriptions/{subscription_id:number}/end")
    def end(subscription_id: int, viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            row = own_subscription(session, subscription_id, viewer)
            subscriptions.end_subscription(
                session, row, web.duskbell.clock(), say("web-subscriptions.ended-on-page")
            )
        return RedirectResponse("/me", 303)

    return router


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
