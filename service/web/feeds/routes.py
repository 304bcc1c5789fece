"""Calendar, Atom and GeoJSON feeds at private addresses, and the page that shows the addresses.

One key a person, an own address for each feed, which opens that feed and nothing else. A new key makes all
old addresses dead.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.accounts.receivers import shown
from service.common.secret_key import Keys
from service.store.repositories import rate_limits, tokens
from service.store.repositories.sites import sites_shown_to
from service.store.repositories.subscriptions import running_subscriptions
from service.store.schema.core_tables import PersonRow, SubscriptionRow
from service.store.schema.delivery_tables import TokenRow
from service.web.error_pages import NothingHere
from service.web.feeds.formats import FeedOwner, atom_feed, calendar_feed, find_news, geojson_feed
from service.web.shared.context import Here, Web
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


PURPOSE = "feed"
ALL = "all"
MAC_CHARS = 32
NONCE_BYTES = 20


router = APIRouter()


@router.get("/feeds/{name}.{ending}")
def feed(web: Here, name: str, ending: str, request: Request) -> Response:
    if ending not in MEDIA:
        raise NothingHere
    with web.reading() as session:
        owner = find_owner(session, web.duskbell.keys, name)
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
def addresses(web: Here, viewer: SignedIn) -> HTMLResponse:
    with web.reading() as session:
        key = find_key(session, viewer.person_id)
        scopes = feed_scopes(session, viewer)
    paths = []
    if key is not None:
        paths = [
            (label, [(e, web.url(feed_path(web.duskbell.keys, key, scope, e))) for e in MEDIA])
            for label, scope in scopes
        ]
    return web.page("feeds/addresses.html", viewer=viewer, paths=paths)


@router.post("/feeds")
def new_key(web: Here, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        make_key(session, viewer.person_id, web.duskbell.clock())
    return RedirectResponse("/feeds", 303)


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
    return [(say("web-account.feed-of-all"), ALL), *sites, *told]


def owned_rows(web: Web, session: Session, owner: FeedOwner) -> list[ListedSite]:
    """The sites that the feed speaks of, with their nights, as its owner sees them."""
    viewer = viewer_of(web, owner.person)
    if owner.scope == ALL:
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
    network = network_of_request(web, request)
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


def find_key(session: Session, person_id: int) -> TokenRow | None:
    """The person's feed key, or None before they asked for addresses."""
    return tokens.newest_of(session, PURPOSE, person_id)


def make_key(session: Session, person_id: int, now: datetime) -> TokenRow:
    """A new key; every address made with an older one is dead from now on."""
    known = find_key(session, person_id)
    if known is not None:
        known.used_at = now
    nonce = secrets.token_hex(NONCE_BYTES)
    digest = hashlib.sha256(f"{PURPOSE}:{nonce}".encode()).hexdigest()
    row = TokenRow(purpose=PURPOSE, digest=digest, nonce=nonce, person_id=person_id, created_at=now)
    session.add(row)
    session.flush()
    return row


def feed_path(keys: Keys, key: TokenRow, scope: str, ending: str) -> str:
    """`/feeds/12-site-3-MAC.ics`. ending: ics, atom or geojson."""
    return f"/feeds/{key.id}-{scope}-{_mac(keys, key, scope)}.{ending}"


def find_owner(session: Session, keys: Keys, name: str) -> FeedOwner | None:
    """Whose feed that is, by the name without its ending; None when it opens nothing."""
    key_id, _, rest = name.partition("-")
    scope, mac = rest[: -MAC_CHARS - 1], rest[-MAC_CHARS:]
    if not (key_id.isascii() and key_id.isdigit() and len(key_id) < 19):
        return None
    key = session.get(TokenRow, int(key_id))
    if key is None or key.purpose != PURPOSE or key.used_at is not None or key.nonce is None:
        return None
    if not hmac.compare_digest(mac.encode(), _mac(keys, key, scope).encode()):
        return None
    person = session.get(PersonRow, key.person_id)
    return None if person is None else FeedOwner(person, scope)


def _mac(keys: Keys, key: TokenRow, scope: str) -> str:
    """192 bits, safe in a URL."""
    return keys.link_token(f"feed {scope}", key.nonce or "")
