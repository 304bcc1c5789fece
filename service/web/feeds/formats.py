"""What the feeds say: a calendar (RFC 5545, RFC 7986), news (RFC 4287) and places (RFC 7946)."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5
from xml.etree import ElementTree as ET

from icalendar import Calendar, Event
from sqlalchemy.orm import Session

from alerts.briefing.calendar import event_uid
from alerts.briefing.pictures.drawing import xml_text
from alerts.common.phrases import say
from alerts.common.text import LONGEST_NAME, plain
from alerts.common.time_text import say_day, whole_minutes
from service.store.repositories.alerts import Words, calendar_key, words_told
from service.store.repositories.decisions import decisions_by_id, verdict_changes
from service.store.repositories.subscriptions import oldest_by_site
from service.store.schema.core_tables import PersonRow
from service.web.shared.context import Web
from service.web.shared.filters import headline
from service.web.shared.night_row import NightCell, cell_words, what_decided, window_words
from service.web.shared.site_rows import ListedSite

REFRESH = timedelta(hours=1)
MOST_NEWS = 50
NEWS_KEPT = timedelta(days=7)
ATOM = "http://www.w3.org/2005/Atom"
STATUS = {"go": "CONFIRMED", "stay": "CANCELLED"}
"""By verdict; any other night is TENTATIVE."""


@dataclass(frozen=True, slots=True)
class FeedOwner:
    """Whose feed an address opens, and which: `all`, `site-ID` or `subscription-ID`."""

    person: PersonRow
    scope: str

    @property
    def scope_id(self) -> int | None:
        _, dash, number = self.scope.rpartition("-")
        return int(number) if dash and number.isascii() and number.isdigit() else None


def calendar_feed(web: Web, session: Session, owner: FeedOwner, rows: Sequence[ListedSite]) -> bytes:
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
            if cell.window is None or (cell.verdict == "stay" and not words.was_go):
                continue
            event = _event(row, cell, words)
            event.add(
                "uid", event_uid(calendar_key(web.duskbell.keys, owner.person.id, row.site_id, cell.name))
            )
            event.add("geo", (round(row.site.lat_deg, 6), round(row.site.lon_deg, 6)))
            event.add("url", web.url(night_path(row.site_id, cell.name)))
            title = say("web.calendar-title", verdict=cell.verdict, site=plain(row.name, LONGEST_NAME))
            event.add(
                "summary", say("web.calendar-invented", title=title) if web.duskbell.invented else title
            )
            calendar.add_component(event)
    return bytes(calendar.to_ical())


def _event(row: ListedSite, cell: NightCell, words: Words) -> Event:
    """What is said of a night, whosever calendar it stands in."""
    assert cell.window is not None, "only nights with a window have an event"
    is_taken_back = words.is_taken_back and cell.verdict != "go"
    window = whole_minutes(cell.window)
    event = Event()
    stamp = cell.judged_at or cell.window.start - timedelta(days=30)
    event.add("dtstamp", stamp.astimezone(UTC).replace(microsecond=0))
    event.add("dtstart", window.start)
    event.add("dtend", window.end)
    event.add("sequence", words.count)
    event.add("status", "CANCELLED" if is_taken_back else STATUS.get(cell.verdict, "TENTATIVE"))
    event.add("transp", "TRANSPARENT")
    why = plain(say(cell.why, row.reader)) if cell.why else ""
    said = [window_words(cell, row.site.zone, row.units.clock_hours), why]
    event.add("description", "\n".join(part for part in said if part))
    event.add("location", plain(row.name, LONGEST_NAME))
    return event


@dataclass(frozen=True, slots=True)
class NewsItem:
    """A word on a night of a site that was another one before. again: how often it had been this one."""

    decision_id: int
    site_id: int
    night: date
    verdict: str
    again: int
    chance_pct: int | None
    why: str
    at: datetime


NO_NEWS = ("stay", "unknown")
"""What nobody needs to hear of a night that was never anything else."""


def find_news(session: Session, owner: FeedOwner, rows: Sequence[ListedSite]) -> list[NewsItem]:
    """Each change of the word on a night with a window, the newest first; one row for it, however often the
    night was judged since.

    It follows the wishes that the pages show: of one site and person those of the oldest subscription, or of
    the one that the feed is of.
    """
    followed = {owner.scope_id or 0: rows[0].site_id} if rows else {}
    if not owner.scope.startswith("subscription-"):
        oldest = oldest_by_site(session, {each.site_id for each in rows}, owner.person.id)
        followed = {subscription_id: site_id for site_id, subscription_id in oldest.items()}
    nights = [cell.name for each in rows for cell in each.cells]
    since = min(nights, default=date.max) - NEWS_KEPT

    # How often each night had had its word before; without nights that never had a good one.
    had: dict[tuple[int, date], list[str]] = {}
    times: dict[int, int] = {}
    for change in verdict_changes(session, followed, since):
        words = had.setdefault((change.subscription_id, change.night_name), [])
        if words or change.verdict not in NO_NEWS:
            times[change.decision_id] = words.count(change.verdict)
            words.append(change.verdict)
    newest = dict(sorted(times.items(), reverse=True)[:MOST_NEWS])
    owned = {each.site_id for each in rows if each.is_own}
    decisions = decisions_by_id(session, newest)
    return [
        NewsItem(
            each.id,
            site_id := followed[each.subscription_id],
            each.night_name,
            each.verdict,
            newest[each.id],
            each.chance_pct,
            str(what_decided(each, is_own=site_id in owned) or ""),
            each.as_of,
        )
        for _, each in sorted(decisions.items(), reverse=True)
    ]


def atom_feed(
    web: Web, owner: FeedOwner, news: Sequence[NewsItem], rows: Sequence[ListedSite], path: str
) -> bytes:
    """The news, newest first (RFC 4287). An entry keeps its id, its time and its words for good."""
    ET.register_namespace("", ATOM)
    keys, names = web.duskbell.keys, {row.site_id: row.name for row in rows}
    feed = ET.Element(f"{{{ATOM}}}feed")
    feed_id = uuid5(NAMESPACE_URL, keys.hash("atom", f"{owner.person.id} {owner.scope}"))
    _add(feed, "id", f"urn:uuid:{feed_id}")
    _add(feed, "title", rows[0].name if len(rows) == 1 else "Duskbell")
    _add(feed, "updated", _utc(max((item.at for item in news), default=owner.person.created_at)))
    ET.SubElement(feed, f"{{{ATOM}}}link", rel="self", href=web.url(path))
    ET.SubElement(feed, f"{{{ATOM}}}link", rel="alternate", type="text/html", href=web.url("/"))
    author = ET.SubElement(feed, f"{{{ATOM}}}author")
    _add(author, "name", "Duskbell")
    for item in news:
        key = f"{calendar_key(keys, owner.person.id, item.site_id, item.night)}:{item.decision_id}"
        entry = ET.SubElement(feed, f"{{{ATOM}}}entry")
        _add(entry, "id", f"urn:uuid:{uuid5(NAMESPACE_URL, key)}")
        title = say(
            "web.news-title",
            again=item.again,
            verdict=headline(item.verdict),
            site=names[item.site_id],
            day=say_day(item.night),
        )
        _add(entry, "title", title)
        _add(entry, "published", _utc(item.at))
        _add(entry, "updated", _utc(item.at))
        url = web.url(night_path(item.site_id, item.night))
        ET.SubElement(entry, f"{{{ATOM}}}link", rel="alternate", type="text/html", href=url)
        chance = "" if item.chance_pct is None else say("web.news-chance", chance_pct=item.chance_pct)
        _add(entry, "summary", " ".join(part for part in (chance, item.why) if part))
    return bytes(ET.tostring(feed, encoding="utf-8", xml_declaration=True))


def _add(parent: ET.Element, tag: str, text: str) -> None:
    """A child with text that XML can hold: ElementTree would write anything."""
    ET.SubElement(parent, f"{{{ATOM}}}{tag}").text = xml_text(text, 600)


def _utc(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def geojson_feed(web: Web, rows: Iterable[ListedSite]) -> bytes:
    """The sites as points, longitude first, each with its best coming night."""
    features = []
    for row in rows:
        site, best = row.site, row.best
        features.append(
            {
                "type": "Feature",
                "id": row.site_id,
                "geometry": {"type": "Point", "coordinates": [site.lon_deg, site.lat_deg]},
                "properties": {
                    "name": row.name,
                    "zone": row.site.zone,
                    "url": web.url(f"/sites/{row.site_id}"),
                    "best_night": best.name.isoformat() if best else None,
                    "best_night_says": cell_words(best, row.site.zone, row.units.clock_hours)
                    if best
                    else None,
                },
            }
        )
    whole = {"type": "FeatureCollection", "features": features}
    return json.dumps(whole, ensure_ascii=False, separators=(",", ":")).encode()


def night_path(site_id: int, name: date) -> str:
    return f"/sites/{site_id}/nights/{name}"
