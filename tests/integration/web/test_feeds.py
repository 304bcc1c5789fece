"""Calendar, Atom and GeoJSON feeds, each read back by another program's parser."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree as ET

import pytest
import vobject
from icalendar import Calendar
from starlette.testclient import TestClient

from alerts.wishes.model import DEFAULT_WISHES
from service.store.repositories import subscriptions
from service.store.schema.core_tables import AddressRow, PersonRow, SubscriptionRow
from tests.integration.pipeline.world import CLEAR_PCT, GO_TIME, LATER, ON_THE_DAY, START, World
from tests.integration.web.browsing import browsing, owner_browsing

ATOM = "{http://www.w3.org/2005/Atom}"


def addresses(browser: TestClient) -> dict[str, str]:
    """The paths of the first group of addresses (all sites), by kind."""
    browser.post("/feeds")
    page = browser.get("/feeds").text
    found = re.findall(r'value="http://127\.0\.0\.1:8765(/feeds/\d+-all-[^"]+\.(ics|atom|geojson))"', page)
    return {ending: path for path, ending in found}


def test_the_calendar_is_read_by_two_parsers_and_says_the_same_in_both(played: TestClient) -> None:
    answer = played.get(addresses(played)["ics"])
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    ours = Calendar.from_ical(answer.content)
    theirs = vobject.readOne(answer.text)
    events = {str(event["uid"]): event for event in ours.walk("VEVENT")}
    others = {event.uid.value: event for event in theirs.vevent_list}
    assert events.keys() == others.keys()
    for uid, event in events.items():
        assert event.decoded("dtstart") == others[uid].dtstart.value
        assert event.decoded("dtend") == others[uid].dtend.value
        assert str(event["summary"]) == others[uid].summary.value
    go = next(event for event in events.values() if str(event["summary"]) == "[Invented] Go: Windpump Flat")
    assert go["status"] == "CONFIRMED"
    assert go.decoded("dtstart") == datetime(2027, 7, 3, 21, 42, tzinfo=UTC)


def test_the_calendar_keeps_to_the_standard(played: TestClient) -> None:
    content = played.get(addresses(played)["ics"]).content
    assert b"\r\n" in content
    assert not re.search(rb"(?<!\r)\n", content)
    assert all(len(line) <= 75 for line in content.split(b"\r\n"))
    assert b"REFRESH-INTERVAL;VALUE=DURATION:PT1H" in content
    assert b"TZID" not in content
    for event in Calendar.from_ical(content).walk("VEVENT"):
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE", "SUMMARY"} <= set(event)


def test_a_night_that_fell_is_cancelled_under_its_old_uid_with_a_higher_sequence(
    world: World, owner: TestClient
) -> None:
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    path = addresses(owner)["ics"]
    before = by_summary(owner.get(path).content)["[Invented] Go: Windpump Flat"]
    world.weather.cloud_pct = 95.0
    world.cycle(GO_TIME + timedelta(hours=3))
    after = by_summary(owner.get(path).content)["[Invented] Stay home: Windpump Flat"]
    assert after["uid"] == before["uid"]
    assert after["status"] == "CANCELLED"
    assert int(after["sequence"]) > int(before["sequence"])


def test_row_209_a_mails_event_is_the_one_in_the_feed(world: World, owner: TestClient) -> None:
    """A calendar that has both shows one: the same UID, times, status and version at every word."""
    path, seen = addresses(owner)["ics"], []
    for now, cloud_pct in ((START, CLEAR_PCT), (GO_TIME, CLEAR_PCT), (LATER, 95.0)):
        world.weather.cloud_pct = cloud_pct
        world.cycle(now)
        mail = world.box.mails[-1][1]
        (mailed,) = [
            each
            for part in mail.iter_attachments()
            if part.get_content_type() == "text/calendar"
            for each in Calendar.from_ical(part.get_payload(decode=True)).walk("VEVENT")
            if "Dark window" in str(each["summary"])
        ]
        (fetched,) = [
            each
            for each in Calendar.from_ical(owner.get(path).content).walk("VEVENT")
            if str(each["uid"]) == str(mailed["uid"])
        ]
        names = ("dtstart", "dtend", "status", "sequence")
        assert [fetched.decoded(name) for name in names] == [mailed.decoded(name) for name in names]
        seen.append((int(fetched["sequence"]), str(fetched["status"])))
    assert seen == [(1, "TENTATIVE"), (2, "CONFIRMED"), (3, "CANCELLED")]


def by_summary(content: bytes) -> dict[str, object]:
    return {str(event["summary"]): event for event in Calendar.from_ical(content).walk("VEVENT")}


def test_the_atom_feed_has_what_the_standard_asks_for(played: TestClient) -> None:
    path = addresses(played)["atom"]
    answer = played.get(path)
    assert answer.headers["content-type"] == "application/atom+xml"
    feed = ET.fromstring(answer.content)
    assert feed.tag == f"{ATOM}feed"
    for element in (feed, *feed.findall(f"{ATOM}entry")):
        assert [len(element.findall(f"{ATOM}{tag}")) for tag in ("id", "title", "updated")] == [1, 1, 1]
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", element.findtext(f"{ATOM}updated") or "")
    assert feed.find(f"{ATOM}link").get("href", "").endswith(path)
    titles = [entry.findtext(f"{ATOM}title") for entry in feed.findall(f"{ATOM}entry")]
    assert "Go: Windpump Flat, Sat 3 July" in titles
    ids = [entry.findtext(f"{ATOM}id") for entry in feed.findall(f"{ATOM}entry")]
    assert len(set(ids)) == len(ids)


def entries_of(content: bytes) -> list[dict[str, str]]:
    """Each entry with what the standard asks of it, and nothing twice."""
    found = []
    for entry in ET.fromstring(content).findall(f"{ATOM}entry"):
        tags = [child.tag.removeprefix(ATOM) for child in entry]
        assert sorted(tags) == ["id", "link", "published", "summary", "title", "updated"]
        texts = [child.text or child.get("href", "") for child in entry]
        found.append(dict(zip(tags, texts, strict=True)))
    return found


def test_row_231_an_entry_stands_for_a_change_and_is_never_rewritten(world: World, owner: TestClient) -> None:
    path = addresses(owner)["atom"]
    seen: dict[str, dict[str, str]] = {}
    for now, cloud_pct in (
        (START, CLEAR_PCT),
        (START + timedelta(hours=6), CLEAR_PCT + 4),
        (ON_THE_DAY, 95.0),
        (ON_THE_DAY + timedelta(hours=1), 96.0),
        (GO_TIME - timedelta(hours=4), CLEAR_PCT),
        (GO_TIME, CLEAR_PCT),
        (GO_TIME + timedelta(minutes=30), CLEAR_PCT + 3),
        (GO_TIME + timedelta(minutes=60), 95.0),
    ):
        world.weather.cloud_pct = cloud_pct
        world.cycle(now)
        entries = entries_of(owner.get(path).content)
        assert len({entry["id"] for entry in entries}) == len(entries)
        assert len({entry["title"] for entry in entries}) == len(entries)
        for entry in entries:
            assert seen.setdefault(entry["id"], entry) == entry
        assert seen.keys() == {entry["id"] for entry in entries}
    that_night = [each["title"] for each in reversed(entries) if "Sat 3 July" in each["title"]]
    assert [title.partition(":")[0] for title in that_night] == [
        "Wait", "Stay home", "Go", "Stay home again",
    ]  # fmt: skip


def test_row_231_two_addresses_of_one_person_make_one_entry(world: World, owner: TestClient) -> None:
    with world.duskbell.sessions.begin() as session:
        row = session.get_one(SubscriptionRow, 1)
        address = AddressRow(
            person_id=row.person_id, channel="email", target="b@example.org", secrets=[], created_at=START,
            confirmed_at=START,
        )  # fmt: skip
        session.add(address)
        session.flush()
        subscriptions.subscribe(session, address, row.site, DEFAULT_WISHES, now=START)
    for now in (START, ON_THE_DAY, GO_TIME):
        world.cycle(now)
    titles = [entry["title"] for entry in entries_of(owner.get(addresses(owner)["atom"]).content)]
    assert titles.count("Go: Windpump Flat, Sat 3 July") == 1
    assert len(set(titles)) == len(titles)


def test_row_232_events_say_where_they_are_by_feed_and_by_mail(world: World, owner: TestClient) -> None:
    world.cycle(START)
    mailed = [
        part.get_payload(decode=True)
        for part in world.box.mails[-1][1].iter_attachments()
        if part.get_content_type() == "text/calendar"
    ]
    fetched = owner.get(addresses(owner)["ics"]).content
    for content in (*mailed, fetched):
        events = Calendar.from_ical(content).walk("VEVENT")
        for event in (*events, *vobject.readOne(content.decode()).vevent_list):
            is_ours = hasattr(event, "decoded")
            geo = event["geo"].to_ical() if is_ours else event.geo.value
            assert geo == "40.31;-1.42"
            url = str(event["url"] if is_ours else event.url.value)
            assert re.fullmatch(r"http://127\.0\.0\.1:8765/sites/1/nights/2027-\d\d-\d\d", url)
            assert str(event["location"] if is_ours else event.location.value) == "Windpump Flat"
    assert mailed


def test_the_map_has_the_owners_exact_place_longitude_first(played: TestClient) -> None:
    answer = played.get(addresses(played)["geojson"])
    assert answer.headers["content-type"] == "application/geo+json"
    (feature,) = answer.json()["features"]
    assert feature["geometry"] == {"type": "Point", "coordinates": [-1.42, 40.31]}
    assert feature["properties"]["best_night"] == "2027-07-03"


def test_an_unchanged_feed_is_answered_with_not_modified(played: TestClient) -> None:
    path = addresses(played)["ics"]
    etag = played.get(path).headers["etag"]
    assert played.get(path, headers={"If-None-Match": f'"other", W/{etag}'}).status_code == 304


def test_feeds_need_no_cookie_and_open_nothing_else(played_world: World, played: TestClient) -> None:
    path = addresses(played)["ics"]
    with browsing(played_world, shown_at=GO_TIME) as stranger:
        assert stranger.get(path).status_code == 200
        assert stranger.get(path.replace("-all-", "-site-1-")).status_code == 404
        other_end = "x.ics" if path[-5] == "y" else "y.ics"
        assert stranger.get(path[:-5] + other_end).status_code == 404
        assert stranger.get("/feeds/1-all-x.ics").status_code == 404
        assert stranger.get("/feeds").history[0].status_code == 303


def test_new_addresses_make_the_old_ones_dead(played: TestClient) -> None:
    old = addresses(played)["ics"]
    assert addresses(played)["ics"] != old
    assert played.get(old).status_code == 404


def test_a_feed_of_someone_elses_private_site_opens_nothing(played_world: World, played: TestClient) -> None:
    from service.web.feeds import routes as feed_routes

    with played_world.duskbell.sessions.begin() as session:
        other = PersonRow(name="", zone="UTC", is_operator=False, created_at=START)
        session.add(other)
        session.flush()
        key = feed_routes.make_key(session, other.id, START)
        path = feed_routes.feed_path(played_world.duskbell.keys, key, "site-1", "ics")
    assert played.get(path).status_code == 404


def test_names_that_would_break_a_feed_are_harmless(world: World) -> None:
    with owner_browsing(world, shown_at=GO_TIME) as browser:
        name = 'A; B, C\\ <b>"&'
        browser.post("/sites/new", data={"name": name, "at": "41, -1", "months": ["1"], "do": "save"})
        found = addresses(browser)
        assert name in [
            str(event["location"])
            for event in Calendar.from_ical(browser.get(found["ics"]).content).walk("VEVENT")
        ]
        assert name in [
            each["properties"]["name"] for each in browser.get(found["geojson"]).json()["features"]
        ]
        ET.fromstring(browser.get(found["atom"]).content)


@pytest.mark.parametrize("scope", ["all", "site-1", "subscription-1"])
def test_there_is_a_calendar_of_a_person_a_site_and_a_subscription(scope: str, played: TestClient) -> None:
    played.post("/feeds")
    page = played.get("/feeds").text
    (path,) = re.findall(rf'value="http://127\.0\.0\.1:8765(/feeds/\d+-{scope}-[^"]+\.ics)"', page)
    summaries = [
        str(event["summary"]) for event in Calendar.from_ical(played.get(path).content).walk("VEVENT")
    ]
    assert "[Invented] Go: Windpump Flat" in summaries
