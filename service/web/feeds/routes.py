"""Calendar, Atom and GeoJSON feeds at private addresses, and the page that shows the addresses."""

from __future__ import annotations

import hashlib

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.accounts.receivers import shown
from service.store.repositories import rate_limits
from service.store.repositories.sites import sites_shown_to
from service.store.repositories.subscriptions import running_subscriptions
from service.store.schema.core_tables import SubscriptionRow
from service.web.error_pages import NothingHere
from service.web.feeds import feed_keys
from service.web.feeds.feed_keys import FeedOwner
from service.web.feeds.formats import atom_feed, calendar_feed, find_news, geojson_feed
from service.web.shared.context import Web
from service.web.shared.site_rows import ListedSite, site_rows, watched_sites
from service.web.shared.viewer import (
    SignedIn,
    Viewer,
    network_of_request,
    seen_site,
    viewer_of,
    visible_sites,
)

KEPT = "private, max-age=300"
MEDIA = {
    "ics": "text/calendar; charset=utf-8",
    "atom": "application/atom+xml",
    "geojson": "application/geo+json",
}


def build_router(web: Web) -> APIRouter:
    router = APIRouter()

    @router.get("/feeds/{name}.{ending}")
    def feed(name: str, ending: str, request: Request) -> Response:
        if ending not in MEDIA:
            raise NothingHere
        with web.reading() as session:
            owner = feed_keys.find_owner(session, web.duskbell.keys, name)
            if owner is not None:
                rows = owned_rows(web, session, owner)
                if ending == "ics":
                    content = calendar_feed(web, session, owner, rows)
                elif ending == "atom":
                    news = find_news(session, owner, rows)
                    content = atom_feed(web, owner, news, rows, request.url.path)
                else:
                    content = geojson_feed(web, rows)
        if owner is None:
            count_miss(web, request)
            raise NothingHere
        return with_etag(request, content, MEDIA[ending])

    @router.get("/feeds", response_class=HTMLResponse)
    def addresses(viewer: SignedIn) -> HTMLResponse:
        with web.reading() as session:
            key = feed_keys.find_key(session, viewer.person_id)
            scopes = feed_scopes(session, viewer)
        paths = []
        if key is not None:
            paths = [
                (label, [(e, web.url(feed_keys.feed_path(web.duskbell.keys, key, scope, e))) for e in MEDIA])
                for label, scope in scopes
            ]
        return web.page("feeds/addresses.html", viewer=viewer, paths=paths)

    @router.post("/feeds")
    def new_key(viewer: SignedIn) -> Response:
        with web.writing.begin() as session:
            feed_keys.make_key(session, viewer.person_id, web.duskbell.clock())
        return RedirectResponse("/feeds", 303)

    return router


def feed_scopes(session: Session, viewer: Viewer) -> list[tuple[str, str]]:
    """What the viewer has feeds of: (in words, its part of the address)."""
    sites = [(row.name, f"site-{row.id}") for row in sites_shown_to(session, viewer.person_id)]
    told = [
        (
            say("web-account.feed-of-subscription", site=row.site.name, address=shown(row.address)),
            f"subscription-{row.id}",
        )
        for row in running_subscriptions(session, person_id=viewer.person_id)
    ]
    return [(say("web-account.feed-of-all"), feed_keys.ALL), *sites, *told]


def owned_rows(web: Web, session: Session, owner: FeedOwner) -> list[ListedSite]:
    """The sites that the feed speaks of, with their nights, as its owner sees them."""
    viewer = viewer_of(web, owner.person)
    if owner.scope == feed_keys.ALL:
        sites = visible_sites(session, viewer)
    elif owner.scope.startswith("site-") and owner.scope_id is not None:
        sites = [seen_site(session, owner.scope_id, viewer)]
    elif owner.scope.startswith("subscription-") and owner.scope_id is not None:
        row = session.get(SubscriptionRow, owner.scope_id)
        if row is None or row.person_id != viewer.person_id or row.ended_at is not None:
            raise NothingHere
        sites = [seen_site(session, row.site_id, viewer)]
    else:
        raise NothingHere
    return site_rows(session, web.skies, watched_sites(session, sites, viewer), web.now())


def count_miss(web: Web, request: Request) -> None:
    """Whoever tries addresses that open nothing may do so only so often."""
    network = network_of_request(request)
    with web.writing.begin() as session:
        rate_limits.allow(session, web.duskbell.keys, "token", web.duskbell.clock(), network=network)


def with_etag(request: Request, content: bytes, media_type: str) -> Response:
    """The content, or 304 when the client has it already (RFC 9110, 13.1.2)."""
    etag = f'"{hashlib.sha256(content).hexdigest()[:24]}"'
    headers = {"ETag": etag, "Cache-Control": KEPT}
    known = request.headers.get("if-none-match", "").split(",")
    if etag in (tag.strip().removeprefix("W/") for tag in known):
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=media_type, headers=headers)
