"""Who is looking, from where, and what they may see. What one may not see looks like what doesn't exist."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.store.repositories import browsers, people, rate_limits
from service.store.repositories.rounded_sites import find_copy
from service.store.repositories.sites import StoredSite, newest_revision, newest_revisions, sites_shown_to
from service.store.repositories.subscriptions import is_told
from service.store.schema.core_tables import PersonRow, SiteRow
from service.web.error_pages import NothingHere, NotInvited, SignInAgain, SignInFirst
from service.web.shared import sessions
from service.web.shared.context import Here, Web

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Viewer:
    """A signed-in person. may_keep: they have the right to keep sites here. browser_id, signed_in_at: of
    the browser; None for a program's key, whose number is key_id."""

    person_id: int
    name: str
    zone: str
    is_operator: bool
    may_keep: bool
    browser_id: int | None = None
    signed_in_at: datetime | None = None
    key_id: int | None = None


def viewer_of(web: Web, person: PersonRow) -> Viewer:
    may_keep = people.may_keep(person, open_sign_up=web.duskbell.settings.open_sign_up)
    return Viewer(person.id, person.name, person.zone, person.is_operator, may_keep)


def find_viewer(web: Here, request: Request) -> Viewer | None:
    """The signed-in person, or None."""
    if web.is_open:
        with web.reading() as session:
            person = people.find_operator(session)
        return None if person is None else viewer_of(web, person)
    token = sessions.read_cookie(web, request)
    if not token:
        return None
    now = web.duskbell.clock()
    with web.reading() as session:
        found = browsers.find(session, token, now)
    if found is None:
        return None
    browser, person = found
    if browser.seen_at is None or now - browser.seen_at >= sessions.SEEN_TO:
        try:
            with web.writing.begin() as session:
                browsers.note_seen(session, browser.id, now)
        except OperationalError:  # a page that only shows doesn't need a store that can be written
            log.info("browser %s was seen, but the store can't be written", browser.id)
    return replace(viewer_of(web, person), browser_id=browser.id, signed_in_at=browser.created_at)


Looking = Annotated[Viewer | None, Depends(find_viewer)]


async def need_viewer(request: Request, viewer: Looking) -> Viewer:
    """The signed-in person; others are asked to sign in, and come back to where they were."""
    if viewer is None:
        raise SignInFirst(request.url.path if request.method == "GET" else "/")
    return viewer


SignedIn = Annotated[Viewer, Depends(need_viewer)]


async def need_keeper(viewer: SignedIn) -> Viewer:
    """The signed-in person, if they may keep sites here."""
    if not viewer.may_keep:
        raise NotInvited
    return viewer


def is_fresh(web: Web, viewer: Viewer) -> bool:
    """Whether the viewer signed in just now. In an invented story nobody has to."""
    if web.is_open:
        return True
    return viewer.signed_in_at is not None and (
        abs(web.duskbell.clock() - viewer.signed_in_at) <= sessions.FRESH_FOR
    )


def require_fresh(web: Web, viewer: Viewer, back_to: str) -> None:
    """SignInAgain, to come back to that path, unless the viewer signed in just now."""
    if not is_fresh(web, viewer):
        raise SignInAgain(back_to)


async def need_operator(viewer: SignedIn) -> Viewer:
    """The signed-in operator; to everyone else these pages don't exist."""
    if not viewer.is_operator:
        raise NothingHere
    return viewer


Keeping = Annotated[Viewer, Depends(need_keeper)]
Operating = Annotated[Viewer, Depends(need_operator)]


@dataclass(frozen=True, slots=True)
class SeenSite:
    """A site as this viewer may see it: their own, else its copy for others. is_own: described exactly."""

    row: SiteRow
    stored: StoredSite
    is_own: bool


def seen_site(session: Session, site_id: int, viewer: Viewer | None) -> SeenSite:
    """The site if it is the viewer's own, its copy if it is shared or the viewer is told of it; NothingHere
    otherwise.

    Of a private site its owner alone lets somebody be told, and they see it as a shared one.
    """
    row = session.get(SiteRow, site_id)
    if row is None:
        raise NothingHere
    is_own = viewer is not None and row.owner_id == viewer.person_id and row.rounded_of_id is None
    if not is_own and row.rounded_of_id is None:
        row = find_copy(session, site_id)
    if row is None or row.archived_at is not None:
        raise NothingHere
    if not (
        is_own
        or row.is_shared
        or (viewer is not None and is_told(session, row.id, person_id=viewer.person_id))
    ):
        raise NothingHere
    return SeenSite(row, newest_revision(session, row.id), is_own)


def visible_sites(session: Session, viewer: Viewer | None) -> list[SeenSite]:
    """The viewer's own sites and the copies of those that they are told of; for a stranger those of the
    shared ones. By name."""
    rows = sites_shown_to(session, viewer.person_id if viewer else None)
    stored = newest_revisions(session, {row.id for row in rows})
    return [SeenSite(row, stored[row.id], row.rounded_of_id is None) for row in rows]


def own_site(session: Session, site_id: int, viewer: Viewer) -> SeenSite:
    """The viewer's own site; NothingHere for anyone else's, shared or not."""
    seen = seen_site(session, site_id, viewer)
    if not seen.is_own:
        raise NothingHere
    return seen


Network = IPv4Network | IPv6Network


def network_of_request(web: Here, request: Request) -> str:
    """What the client sends from; behind trusted proxies, what the outermost of them was asked from."""
    peer = request.client.host if request.client else ""
    # A proxy may add a line of its own below the client's: all lines are one list (RFC 9110, 5.3).
    hops = [hop for line in request.headers.getlist("x-forwarded-for") for hop in line.split(",")]
    trusted = web.duskbell.settings.trusted_proxies
    if hops and not trusted:
        _warn_once(peer)
    return rate_limits.network_of(client_behind(peer, hops, _networks(trusted)))


FromNetwork = Annotated[str, Depends(network_of_request)]


def client_behind(peer: str, hops: Sequence[str], trusted: Sequence[Network]) -> str:
    """The address that the hops of X-Forwarded-For lead to, read from the nearest one outwards.

    Each hop was written by the one after it, so it is believed as long as that one is trusted. One that
    is no address ends the search at the proxy that wrote it: what stands before it can be made up.
    """
    client = _address(peer)
    if client is None:
        return peer
    left = [hop.strip() for hop in hops if hop.strip()]
    while left and any(client in network for network in trusted):
        before = _address(left.pop())
        if before is None:
            break
        client = before
    return str(client)


@lru_cache(maxsize=8)
def _networks(entries: tuple[str, ...]) -> tuple[Network, ...]:
    return tuple(ip_network(entry) for entry in entries)


def _address(text: str) -> IPv4Address | IPv6Address | None:
    """The address in a hop: `192.0.2.7:4711`, `[2001:db8::1]:4711` and `::ffff:192.0.2.7` are some, too."""
    if text.startswith("["):
        text = text[1:].partition("]")[0]
    elif text.count(":") == 1:
        text = text.partition(":")[0]
    try:
        found = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found


@lru_cache(maxsize=1)
def _warn_once(peer: str) -> None:
    """Who stands behind a proxy that isn't named would share its limits with everybody behind it."""
    near = _address(peer)
    if near is not None and near.is_private:
        log.warning(
            "requests from %s name other senders in X-Forwarded-For, which isn't believed: if your proxy "
            "is there, set trusted_proxies, or all who come by it share one sender's limits",
            peer,
        )
