"""The operator's pages: cycles, feeds, messages, decisions, people. To everyone else they don't exist."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import Reader, phrase, say
from alerts.judging.rules import Reason
from service.accounts.receivers import shown
from service.explain.argument import say_turns
from service.feeds.feed_health import close_breaker, feed_health
from service.store.json_values import from_json, said_in
from service.store.repositories import decisions, totals
from service.store.repositories import messages as stored_messages
from service.store.repositories.alerts import alerts_in
from service.store.repositories.cycles import last_finished
from service.store.repositories.decisions import DecisionSearch
from service.store.repositories.forecasts import answers_named
from service.store.repositories.messages import UNSETTLED, Status
from service.store.repositories.operator_alerts import find_open
from service.store.repositories.people import find_addresses, find_people
from service.store.repositories.sites import newest_revision
from service.store.schema.core_tables import AddressRow, DecisionRow, MessageRow, PersonRow, SubscriptionRow
from service.store.schema.delivery_tables import NoticeRow
from service.web.error_pages import NothingHere
from service.web.shared.context import Here
from service.web.shared.forms import Filled
from service.web.shared.viewer import Operating

SHOWN = 50
PEOPLE_SHOWN = 1000


router = APIRouter()


@router.get("/operator", response_class=HTMLResponse)
def overview(web: Here, viewer: Operating) -> HTMLResponse:
    now = web.duskbell.clock()
    with web.reading() as session:
        cycle = last_finished(session)
        troubles = find_open(session)
        statuses = sorted(totals.messages_by_status(session).items())
        counts = totals.rows_kept(session)
        feeds = feed_health(web.duskbell.settings, session, now)
    return web.page(
        "operator/overview.html",
        viewer=viewer,
        cycle=cycle,
        troubles=troubles,
        statuses=statuses,
        counts=counts,
        feeds=feeds,
    )


@router.post("/operator/feeds/{feed}/ask-again")
def ask_again(web: Here, feed: str, viewer: Operating) -> Response:
    with web.writing.begin() as session:
        close_breaker(web.duskbell.settings, session, feed, web.duskbell.clock())
    return RedirectResponse("/operator", 303)


@router.get("/operator/people", response_class=HTMLResponse)
def people(web: Here, viewer: Operating) -> HTMLResponse:
    with web.reading() as session:
        return web.page("operator/people.html", viewer=viewer, people=people_lines(session))


@router.post("/operator/people/{person_id:number}")
def let_keep(web: Here, person_id: int, viewer: Operating, form: Filled) -> Response:
    with web.writing.begin() as session:
        person = session.get(PersonRow, person_id)
        if person is None or person.is_operator:
            raise NothingHere
        person.may_keep_sites = form.text("do") == "allow"
    return RedirectResponse("/operator/people", 303)


@router.get("/operator/messages", response_class=HTMLResponse)
def messages(web: Here, viewer: Operating, status: Annotated[str, Query(max_length=12)] = "") -> HTMLResponse:
    wished = Status(status) if status in list(Status) else None
    with web.reading() as session:
        rows = stored_messages.find_messages(session, wished, SHOWN)
        return web.page(
            "operator/messages.html",
            viewer=viewer,
            lines=[(row, carried(session, row), said_in(row, "note")) for row in rows],
            wished=wished or "",
            statuses=[each.value for each in Status],
        )


@router.get("/operator/messages/{message_id}", response_class=HTMLResponse)
def message(web: Here, message_id: str, viewer: Operating) -> HTMLResponse:
    with web.reading() as session:
        row = stored_messages.get_message(session, message_id)
        return web.page(
            "operator/message.html",
            viewer=viewer,
            row=row,
            what=carried(session, row),
            note=said_in(row, "note"),
            attempts=stored_messages.find_attempts(session, message_id),
            is_settled=row.status not in UNSETTLED,
        )


@router.post("/operator/messages/{message_id}")
def act(web: Here, message_id: str, viewer: Operating, form: Filled) -> Response:
    wall = web.duskbell.clock()
    with web.writing.begin() as session:
        row = stored_messages.get_message(session, message_id)
        if form.text("do") == "resend":
            stored_messages.resend(session, row, again=form.is_ticked("again"), now=web.now(), wall=wall)
        elif form.text("do") == "cancel":
            stored_messages.cancel(session, row, wall=wall)
        else:
            raise BadInput(phrase("web-operator.resend-or-cancel"))
    web.nudge()
    return RedirectResponse(f"/operator/messages/{message_id}", 303)


@router.get("/operator/decisions", response_class=HTMLResponse)
def list_decisions(
    web: Here,
    viewer: Operating,
    site: Annotated[str, Query(max_length=80)] = "",
    night: Annotated[str, Query(max_length=10)] = "",
    verdict: Annotated[str, Query(max_length=10)] = "",
    before: Annotated[int, Query(ge=0, le=2**62)] = 0,
) -> HTMLResponse:
    """Newest first, of sites whose name holds a text, of one night, of one verdict."""
    try:
        day = date.fromisoformat(night) if night else None
    except ValueError:
        raise BadInput(phrase("web-operator.not-a-date", typed=night)) from None
    wanted = DecisionSearch(site, day, verdict, before)
    with web.reading() as session:
        found = decisions.search_decisions(session, wanted, most=SHOWN)
        return web.page(
            "operator/decisions.html",
            viewer=viewer,
            lines=found,
            asked={"site": site, "night": night, "verdict": verdict},
            more=found[-1][0].id if len(found) == SHOWN else 0,
        )


@router.get("/operator/decisions/{decision_id:number}", response_class=HTMLResponse)
def decision(web: Here, decision_id: int, viewer: Operating) -> HTMLResponse:
    with web.reading() as session:
        row = session.get(DecisionRow, decision_id)
        subscription = session.get(SubscriptionRow, row.subscription_id) if row else None
        if row is None or subscription is None:
            raise NothingHere
        reader = Reader(newest_revision(session, subscription.site_id).site.tz)
        turns = say_turns(decisions.find_decisions(session, row.subscription_id, row.night_name), reader)
        forecasts = answers_named(session, row.forecast_ids)
        return web.page(
            "operator/decision.html",
            viewer=viewer,
            row=row,
            reasons=[from_json(Reason, each) for each in row.reasons],
            site_name=subscription.site.name,
            to=shown(subscription.address),
            turns=turns,
            forecasts=forecasts,
            wishes=json.dumps(row.wishes, indent=1, ensure_ascii=False),
        )


def carried(session: Session, row: MessageRow) -> str:
    """What a message is about: its alerts, or the kind of notice that it is."""
    alerts = [
        say(
            "delivery.carries",
            kind=phrase("delivery.alert-kind", kind=alert.kind),
            site=alert.facts["site_name"],
            night=alert.night_name,
        )
        for alert in alerts_in(session, row.id)
    ]
    notice = session.get(NoticeRow, row.id)
    said = say("delivery.notice-kind", kind=notice.kind) if notice else say("delivery.carries-nothing")
    return "; ".join(alerts) or said


@dataclass(frozen=True, slots=True)
class PersonLine:
    """A person as the operator sees them: the address masked. may_keep: given the right to keep sites."""

    person_id: int
    mail: str
    since: datetime
    sites: int
    told: int
    is_operator: bool
    may_keep: bool


def people_lines(session: Session) -> list[PersonLine]:
    sites, running = totals.sites_by_owner(session), totals.subscriptions_by_person(session)
    first: dict[int, AddressRow] = {}
    for address in find_addresses(session):
        first.setdefault(address.person_id, address)
    return [
        PersonLine(
            person.id,
            "the operator" if person.is_operator else shown(first[person.id]) if person.id in first else "–",
            person.created_at,
            sites.get(person.id, 0),
            running.get(person.id, 0),
            person.is_operator,
            person.may_keep_sites,
        )
        for person in find_people(session, most=PEOPLE_SHOWN)
    ]
