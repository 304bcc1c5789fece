"""What the feeds say: a calendar (RFC 5545, RFC 7986), news (RFC 4287) and places (RFC 7946)."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5
from xml.etree import ElementTree as ET

from icalendar import Calendar, Event
from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.briefing.calendar import event_uid
from alerts.briefing.picture import xml_text
from alerts.briefing.units import in_units
from alerts.briefing.wording import LONGEST_NAME, plain, short_day
from alerts.localtime import whole_minutes
from service.keys import Keys
from service.store import tables
from service.store.scenes import Words, calendar_key, words_told
from service.store.sites import newest_revisions
from service.web.cells import NightCell, cell_words, deciding_words, window_words
from service.web.feedkeys import FeedOwner
from service.web.watching import SiteRow
from service.web.words import headline

REFRESH = timedelta(hours=1)
MOST_NEWS = 50
ATOM = "http://www.w3.org/2005/Atom"
STATUS = {"go": "CONFIRMED", "stay": "CANCELLED"}
"""By verdict; any other night is TENTATIVE."""


def calendar_feed(
    session: Session,
    owner: FeedOwner,
    rows: Sequence[SiteRow],
    public_url: str,
    keys: Keys,
    *,
    invented: bool,
) -> bytes:
    """One event for each coming night with a window. A night once told as a go stays, cancelled, when it
    falls; others that aren't worth it are left out. It is the event that a mail's calendar file holds."""
    nights = [cell.name for row in rows for cell in row.cells]
    told = words_told(session, owner.person.id, {row.site_id for row in rows}, min(nights, default=date.min))
    calendar = Calendar()
    calendar.add("prodid", "-//Duskbell//Nights//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    name = rows[0].name if len(rows) == 1 else "Duskbell"
    calendar.add("name", plain(name, LONGEST_NAME))
    calendar.add("x-wr-calname", plain(name, LONGEST_NAME))
    calendar.add("refresh-interval", REFRESH, parameters={"value": "DURATION"})
    calendar.add("x-published-ttl", "PT1H")
    for row in rows:
        for cell in row.cells:
            words = told.get((row.site_id, cell.name), Words())
            if cell.window is not None and (cell.verdict != "stay" or words.was_go):
                uid = event_uid(calendar_key(keys, owner.person.id, row.site_id, cell.name))
                calendar.add_component(_event(row, cell, words, uid, public_url, invented=invented))
    return bytes(calendar.to_ical())


def _event(
    row: SiteRow, cell: NightCell, words: Words, uid: str, public_url: str, *, invented: bool
) -> Event:
    assert cell.window is not None, "only nights with a window have an event"
    url = night_url(public_url, row.site_id, cell.name)
    site, mark = plain(row.name, LONGEST_NAME), "[Invented] " if invented else ""
    is_taken_back = words.is_taken_back and cell.verdict != "go"
    window = whole_minutes(cell.window)
    event = Event()
    event.add("uid", uid)
    stamp = cell.judged_at or cell.window.start - timedelta(days=30)
    event.add("dtstamp", stamp.astimezone(UTC).replace(microsecond=0))
    event.add("dtstart", window.start)
    event.add("dtend", window.end)
    event.add("sequence", words.count)
    event.add("status", "CANCELLED" if is_taken_back else STATUS.get(cell.verdict, "TENTATIVE"))
    event.add("transp", "TRANSPARENT")
    event.add("summary", f"{mark}{headline(cell.verdict) if cell.verdict else 'Dark'}: {site}")
    said = [window_words(cell, row.zone, row.clock_hours), plain(in_units(cell.why, row.units))]
    event.add("description", "\n".join(part for part in said if part))
    event.add("location", site)
    event.add("url", url)
    return event


@dataclass(frozen=True, slots=True)
class NewsItem:
    """A verdict that was new at its time."""

    decision_id: int
    site_id: int
    night: date
    verdict: str
    chance_pct: int | None
    why: str
    at: datetime


def find_news(session: Session, owner: FeedOwner, rows: Sequence[SiteRow]) -> list[NewsItem]:
    """The newest verdicts on nights with a window at those sites, for this person's wishes."""
    query = (
        select(tables.Decision, tables.Subscription.site_id)
        .join(tables.Subscription, tables.Subscription.id == tables.Decision.subscription_id)
        .join(tables.SiteRevision, tables.SiteRevision.id == tables.Decision.site_revision_id)
        .where(
            tables.Subscription.person_id == owner.person.id,
            tables.Subscription.site_id.in_({row.site_id for row in rows}),
            tables.SiteRevision.site_id == tables.Subscription.site_id,  # none from before there were copies
            tables.Decision.window_start.is_not(None),
        )
        .order_by(tables.Decision.id.desc())
        .limit(MOST_NEWS)
    )
    owned = {row.site_id for row in rows if row.is_own}
    return [
        NewsItem(
            decision.id,
            site_id,
            decision.night_name,
            decision.verdict,
            decision.chance_pct,
            deciding_words(decision, is_own=site_id in owned),
            decision.as_of,
        )
        for decision, site_id in session.execute(query)
    ]


def atom_feed(
    news: Sequence[NewsItem], rows: Sequence[SiteRow], owner: FeedOwner, public_url: str, path: str
) -> bytes:
    """The news, newest first; ids that stay, times in UTC."""
    ET.register_namespace("", ATOM)
    names = {row.site_id: row.name for row in rows}
    feed = ET.Element(f"{{{ATOM}}}feed")
    title = rows[0].name if len(rows) == 1 else "Duskbell"
    _add(feed, "id", f"{public_url.rstrip('/')}{path}")
    _add(feed, "title", title)
    newest = max((item.at for item in news), default=owner.person.created_at)
    _add(feed, "updated", _utc(newest))
    ET.SubElement(feed, f"{{{ATOM}}}link", rel="self", href=f"{public_url.rstrip('/')}{path}")
    author = ET.SubElement(feed, f"{{{ATOM}}}author")
    _add(author, "name", "Duskbell")
    for item in news:
        feed.append(_entry(item, names[item.site_id], public_url))
    return bytes(ET.tostring(feed, encoding="utf-8", xml_declaration=True))


def _entry(item: NewsItem, name: str, public_url: str) -> ET.Element:
    url = night_url(public_url, item.site_id, item.night)
    entry = ET.Element(f"{{{ATOM}}}entry")
    _add(entry, "id", f"urn:uuid:{uuid5(NAMESPACE_URL, f'{url}#decision-{item.decision_id}')}")
    _add(entry, "title", f"{headline(item.verdict)}: {name}, {short_day(item.night)}")
    _add(entry, "updated", _utc(item.at))
    ET.SubElement(entry, f"{{{ATOM}}}link", rel="alternate", href=url)
    chance = "" if item.chance_pct is None else f"Chance {item.chance_pct} %. "
    _add(entry, "summary", f"{chance}{item.why}")
    return entry


def _add(parent: ET.Element, tag: str, text: str) -> None:
    """A child with text that XML can hold: ElementTree would write anything."""
    ET.SubElement(parent, f"{{{ATOM}}}{tag}").text = xml_text(text, 600)


def _utc(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def geojson_feed(session: Session, rows: Iterable[SiteRow], public_url: str) -> bytes:
    """The sites as points, longitude first, each with its best coming night."""
    rows = list(rows)
    stored = newest_revisions(session, {row.site_id for row in rows})
    features = []
    for row in rows:
        site = stored[row.site_id].site
        best = row.best
        features.append(
            {
                "type": "Feature",
                "id": row.site_id,
                "geometry": {"type": "Point", "coordinates": [site.lon_deg, site.lat_deg]},
                "properties": {
                    "name": row.name,
                    "zone": row.zone,
                    "url": f"{public_url.rstrip('/')}/sites/{row.site_id}",
                    "best_night": best.name.isoformat() if best else None,
                    "best_night_says": cell_words(best, row.zone, row.clock_hours) if best else None,
                },
            }
        )
    whole = {"type": "FeatureCollection", "features": features}
    return json.dumps(whole, ensure_ascii=False, separators=(",", ":")).encode()


def night_url(public_url: str, site_id: int, name: date) -> str:
    return f"{public_url.rstrip('/')}/sites/{site_id}/nights/{name}"
