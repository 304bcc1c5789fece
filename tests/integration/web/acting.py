"""What people do in these tests: sign in, fill forms in, read their mail."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine, event
from sqlalchemy.exc import OperationalError
from starlette.testclient import TestClient

from service.delivery import dispatcher
from service.store.repositories import browsers, sites
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow, SubscriptionRow
from service.web.shared import sessions
from service.web.shared.forms import STAMP, make_stamp
from tests.integration.pipeline.world import GO_TIME, START, World
from tests.integration.web.browsing import browsing

PATIENCE = timedelta(seconds=20)
"""How long somebody takes to fill a form in."""


def new_person(
    world: World,
    email: str,
    *,
    confirmed: bool = True,
    zone: str = "Europe/Madrid",
    may_keep_sites: bool = True,
) -> int:
    """A person with one mail address; its number."""
    with world.duskbell.sessions.begin() as session:
        person = PersonRow(
            name="", zone=zone, is_operator=False, may_keep_sites=may_keep_sites, created_at=START
        )
        session.add(person)
        session.flush()
        session.add(
            AddressRow(
                person_id=person.id,
                channel="email",
                target=email,
                secrets=[],
                created_at=START,
                confirmed_at=START if confirmed else None,
            )
        )
        return person.id


@contextmanager
def browsing_as(world: World, person_id: int) -> Iterator[TestClient]:
    """A browser in which that person is signed in."""
    with browsing(world, shown_at=GO_TIME) as browser:
        with world.duskbell.sessions.begin() as session:
            token = browsers.start(session, person_id, world.wall)
        browser.cookies.set(sessions.cookie_name(is_https=False), token)
        yield browser


def stamped(world: World, **fields: Any) -> dict[str, Any]:
    """A form as somebody sends it who took their time."""
    return {**fields, STAMP: make_stamp(world.duskbell.keys, world.wall - PATIENCE)}


def deliver_mail(world: World) -> None:
    """Send what is due now."""
    dispatcher.run(world.duskbell.delivery, world.wall)


def links_in_mail(world: World, way: str) -> list[str]:
    """The paths of that way in the mails so far, oldest first: `/confirm/…`."""
    found = (re.search(rf"/{way}/[\w-]+", text_of(mail)) for _, mail in world.box.mails)
    return [match[0] for match in found if match]


def text_of(mail: Any) -> str:
    return str(mail.get_body(preferencelist=("plain",)).get_content())


def subscriptions(world: World, person_id: int | None = None) -> list[SubscriptionRow]:
    """The running ones, oldest first."""
    with world.duskbell.sessions() as session:
        rows = session.query(SubscriptionRow).filter(SubscriptionRow.ended_at.is_(None))
        if person_id is not None:
            rows = rows.filter(SubscriptionRow.person_id == person_id)
        return list(rows.order_by(SubscriptionRow.id))


@contextmanager
def losing(engine: Engine) -> Iterator[None]:
    """No statement comes through, as when the database has gone away."""

    def fail(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        raise OperationalError(statement, None, ConnectionError("gone"))

    event.listen(engine, "before_cursor_execute", fail)
    try:
        yield
    finally:
        event.remove(engine, "before_cursor_execute", fail)


def share_site(world: World, site_id: int = 1, *, is_shared: bool = True) -> None:
    with world.duskbell.sessions.begin() as session:
        site = session.get_one(SiteRow, site_id)
        sites.share_site(session, site, is_shared=is_shared, now=world.latest)
