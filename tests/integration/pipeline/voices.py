"""Every surface asked what it says of a night at a site, as plain values: what they share must be the same.

Times are brought to whole minutes by the one rounding, since some surfaces say seconds and others don't.
"""

from __future__ import annotations

import calendar
import json
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from email.message import EmailMessage
from typing import Any
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

from click.testing import CliRunner
from icalendar import Calendar
from sqlalchemy import select
from starlette.testclient import TestClient

from alerts.common.span import Span
from alerts.common.time_text import minute_down, say_day, whole_minutes
from service.cli.main import duskbell
from service.demo.play import ZONE
from service.explain.stored_verdict import decided_span, read_decision
from service.store.repositories.decisions import newest_decision
from service.store.schema.core_tables import SubscriptionRow
from tests.integration.pipeline.world import World

Said = dict[str, object]
"""verdict, chance, window, best, leave, as_of: those that a surface says."""
ATOM = "{http://www.w3.org/2005/Atom}"
WORDS = {
    "Go": "go",
    "Wait": "wait",
    "Stay home": "stay",
    "We can't say": "unknown",
    "Can't say yet": "unknown",
}
API = "/api/v1"


def decided(world: World, site_id: int, night: date) -> Said:
    """The row that all others are held against."""
    row = SubscriptionRow
    with world.duskbell.sessions() as session:
        watcher = session.scalars(select(row).where(row.site_id == site_id).order_by(row.id)).first()
        assert watcher is not None
        decision = newest_decision(session, watcher.id, night)
        assert decision is not None
        best = (known := read_decision(session, decision)).verdict.outlook
        said = {
            "verdict": decision.verdict,
            "chance": decision.chance_pct,
            "window": _whole(decided_span(decision)),
            "best": _whole(best.best if best else None),
            "leave": _leave(decision.leave_by),
            "as_of": known.as_of,
        }
    return said


def _whole(span: Span | None) -> Span | None:
    return None if span is None else whole_minutes(span)


def _leave(at: datetime | None) -> datetime | None:
    return None if at is None else minute_down(at)


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _span(values: Mapping[str, str] | None) -> Span | None:
    if values is None:
        return None
    return whole_minutes(Span(datetime.fromisoformat(values["start"]), datetime.fromisoformat(values["end"])))


# ---- commands


def command(*words: str) -> str:
    ran = CliRunner().invoke(duskbell, words, catch_exceptions=False)
    assert ran.exit_code == 0, ran.output
    return ran.stdout


def said_by_commands(site: str, night: date) -> dict[str, Said]:
    """tonight, weather, briefing in three forms, compare and explain."""
    at = ("--date", f"{night}")
    tonight = json.loads(command("tonight", site, *at, "--json"))
    weather = json.loads(command("weather", site, *at, "--json"))
    brief = json.loads(command("briefing", site, *at, "--format", "json"))["data"]["alerts"][0]
    compared = json.loads(command("compare", site, "--from", f"{night}", "--to", f"{night}", "--json"))
    argued = json.loads(command("explain", site, *at, "--json"))["subscriptions"]
    found = {
        "tonight": {
            "verdict": tonight["verdict"], **_of_outlook(tonight["outlook"]), "as_of": _time(tonight["as_of"])
        },
        "weather": {**_of_outlook(weather["outlook"]), "as_of": _time(weather["as_of"])},
        "briefing": of_alert(brief),
        "briefing text": of_text(command("briefing", site, *at)),
    }  # fmt: skip
    for each in argued:
        turn = each["turns"][-1]
        found["explain"] = {
            "verdict": turn["verdict"], "chance": turn["chance_pct"], "as_of": _time(turn["confirmed_at"])
        }  # fmt: skip
        break
    for each in compared["nights"]:
        found["compare"] = _of_compared(each)
    if brief["window"]:
        found["briefing calendar"] = of_calendar(command("briefing", site, *at, "--format", "ics").encode())
    return found


def _of_outlook(outlook: Mapping[str, Any] | None) -> Said:
    if outlook is None:
        return {"chance": None, "best": None}
    return {
        "chance": outlook["chance_pct"], "window": _span(outlook["window"]), "best": _span(outlook["best"])
    }  # fmt: skip


def of_alert(alert: Mapping[str, Any]) -> Said:
    return {
        "verdict": alert["verdict"],
        "chance": alert["chance_pct"],
        "window": _span(alert["window"]),
        "best": _span(alert["best"]),
        "leave": _leave(_time(alert["leave_by"])),
        "as_of": _time(alert["decided_at"]),
    }


def _of_compared(each: Mapping[str, Any]) -> Said:
    return {"verdict": each["verdict"], "chance": each["chance_pct"], "as_of": _time(each["as_of"])}


# ---- words and calendars


def of_text(text: str) -> Said:
    """The table of a message in plain text, times on the site's clock."""
    found: Said = {}
    for name, label in (("window", "Window"), ("best", "Clearest")):
        if row := re.search(rf"^{label} +(.+)$", text, re.MULTILINE):
            start, _, end = row[1].partition(" to ")
            begins = _stamp(start)
            found[name] = Span(begins, _stamp(end, begins))
    if row := re.search(r"^Leave by +(.+)$", text, re.MULTILINE):
        found["leave"] = _stamp(row[1])
    if row := re.search(r"Decided (\w{3} \d+ \w+, \d\d:\d\d)", text):
        found["as_of"] = _stamp(row[1])
    if row := re.search(r"\b(\d+) %", text):
        found["chance"] = int(row[1])
    return found


def _stamp(text: str, begins: datetime | None = None) -> datetime:
    """`Sat 3 July, 23:42 CEST`, or a time alone on the day of what begins."""
    clock = re.search(r"(\d\d):(\d\d)", text)
    day = re.search(r"\w{3} (\d+) (\w+)", text.partition(",")[0]) if "," in text else None
    assert clock is not None, text
    if day is not None:
        month = list(calendar.month_name).index(day[2])
        local = datetime(2027, month, int(day[1]), int(clock[1]), int(clock[2]), tzinfo=ZoneInfo(ZONE))
    else:
        assert begins is not None, text
        local = begins.astimezone(ZoneInfo(ZONE)).replace(hour=int(clock[1]), minute=int(clock[2]))
    return local.astimezone(UTC)


def of_calendar(content: bytes, site: str = "") -> Said:
    """The window, and where it is there the time to leave."""
    found: Said = {}
    for event in Calendar.from_ical(content).walk("VEVENT"):
        if site not in str(event["summary"]):
            continue
        if "Leave for" in str(event["summary"]):
            found["leave"] = event.decoded("dtstart")
        else:
            found["window"] = Span(event.decoded("dtstart"), event.decoded("dtend"))
    return found


def of_mail(mail: EmailMessage, site: str) -> dict[str, Said]:
    """Text, calendar file, and the HTML's own words, of a mail about one site alone."""
    text = mail.get_body(("plain",))
    html = mail.get_body(("html",))
    assert text is not None
    assert html is not None
    said = {"mail": of_text(text.get_content())}
    shown = re.sub(r"<[^>]+>", " ", html.get_content())
    said["mail html"] = {
        name: value
        for name, value in said["mail"].items()
        if isinstance(value, datetime) and f"{value.astimezone(ZoneInfo(ZONE)):%H:%M}" in shown
    }
    assert {"leave", "as_of"} & said["mail"].keys() == said["mail html"].keys()
    for part in mail.iter_attachments():
        if part.get_content_type() == "text/calendar":
            content = part.get_payload(decode=True)
            assert isinstance(content, bytes)
            said["mail calendar"] = of_calendar(content, site)
    return said


# ---- pages, API, feeds


def said_by_pages(browser: TestClient, site_id: int, night: date) -> dict[str, Said]:
    """The night's page, the one for the field, the site's, the first and the comparison, as far as they are
    about that night."""
    path = f"/sites/{site_id}/nights/{night}"
    found = {"night page": _of_data(browser.get(path).text, "section", night)}
    found["field page"] = _of_data(browser.get(f"{path}/field").text, "main", night)
    found["site page"] = _of_data(browser.get(f"/sites/{site_id}").text, "section", night)
    compare = browser.get(f"/compare?from={night}&to={night}").text
    found["compare page"] = _of_data(compare, "li", night, site_id)
    found["home"] = _of_data(browser.get("/").text, "section", night, site_id)
    return {name: said for name, said in found.items() if said}


def _of_data(page: str, tag: str, night: date, site_id: int | None = None) -> Said:
    """The data attributes of the element that is about that night; nothing where none is."""
    for element in re.findall(rf"<{tag}[^>]*data-night[^>]*>", page):
        data = dict(re.findall(r'data-([a-z-]+)="([^"]*)"', element))
        if data["night"] == f"{night}" and data.get("site", f"{site_id}") == f"{site_id}":
            return _of_values(data)
    return {}


def _of_values(data: Mapping[str, str]) -> Said:
    found: Said = {"verdict": data.get("verdict")}
    found["chance"] = int(data["chance"]) if "chance" in data else None
    for name in ("window", "best"):
        if name in data:
            start, _, end = data[name].partition("/")
            found[name] = _span({"start": start, "end": end})
    if "leave-by" in data:
        found["leave"] = _leave(_time(data["leave-by"]))
    if "as-of" in data:
        found["as_of"] = _time(data["as-of"])
    return found


def said_by_api(browser: TestClient, site_id: int, night: date) -> dict[str, Said]:
    one = browser.get(f"{API}/sites/{site_id}/nights/{night}").json()
    found = {
        "API, a night": {
            "verdict": one["verdict"], **_of_outlook(one["outlook"]), "as_of": _time(one["as_of"])
        }
    }  # fmt: skip
    for each in browser.get(f"{API}/sites/{site_id}/nights").json()["nights"]:
        if each["night"] == f"{night}":
            found["API, the nights"] = {
                "verdict": each["verdict"],
                "chance": each["chance_pct"],
                "leave": _leave(_time(each["leave_by"])),
                "window": _span(each["window"]),
            }
    compared = browser.get(f"{API}/compare?from={night}&to={night}&site={site_id}").json()
    for each in compared["nights"]:
        found["API, compared"] = _of_compared(each)
    return found


def said_by_feeds(browser: TestClient, paths: Mapping[str, str], site: str, night: date) -> dict[str, Said]:
    """The calendar, the newest news of that night, and the map."""
    found: dict[str, Said] = {}
    events = Calendar.from_ical(browser.get(paths["ics"]).content).walk("VEVENT")
    for event in events:
        is_of_night = event.decoded("dtstart") - timedelta(hours=18) < datetime(
            night.year, night.month, night.day, 12, tzinfo=UTC
        )
        if site in str(event["summary"]) and str(event["url"]).endswith(f"/nights/{night}") and is_of_night:
            window = Span(event.decoded("dtstart"), event.decoded("dtend"))
            found["calendar feed"] = {"window": window, **_of_words(str(event["description"]))}
    for entry in ET.fromstring(browser.get(paths["atom"]).content).findall(f"{ATOM}entry"):
        word, _, about = (entry.findtext(f"{ATOM}title") or "").partition(": ")
        if "Atom" not in found and about.startswith(f"{site}, {say_day(night)}"):
            said = _of_words(entry.findtext(f"{ATOM}summary") or "")
            found["Atom"] = {"verdict": WORDS[word], **said}
    for feature in browser.get(paths["geojson"]).json()["features"]:
        properties = feature["properties"]
        name = properties.get("name") or properties.get("NAME")
        if name == site and properties["best_night"] == f"{night}":
            found["map"] = _of_words(properties["best_night_says"])
    return found


def _of_words(text: str) -> Said:
    chance = re.search(r"(\d+) % clear", text) or re.search(r"^(\d+) %", text)
    return {"chance": int(chance[1])} if chance else {}
