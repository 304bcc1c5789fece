"""What a message says of nights that the calendar makes awkward: before dawn, across a change, sunless."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from alerts.briefing.collect import NightFindings, alert_facts
from alerts.briefing.facts import Briefing
from alerts.briefing.render import render_mail
from alerts.common.clock_times import DAY
from alerts.common.span import Span
from alerts.field.trip_plan import plan_trip
from alerts.judging.rules import sky_reasons, usable_spans
from alerts.judging.verdict import trip_to
from alerts.notifying.model import AlertKind, NotificationInput
from alerts.notifying.policy import build_seen, what_to_tell
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named
from alerts.wishes.model import Wishes
from tests.unit.alerts.briefing.briefing_samples import chat_text
from tests.unit.alerts.judging.values import HOUR, MINUTE, judge, night, outlook

FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
HEATH = Site("Otter Heath", 52.9, 10.2, 60.0, "Europe/Berlin")
WISHES = Wishes(quiet=None, drive=150 * MINUTE, scouting=timedelta(0))


def _utc(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


def _mail(site: Site, name: date, window: Span, now: datetime) -> str:
    """The text of a go for that window."""
    made = replace(night(window, name=name), span=Span(window.start - 12 * HOUR, window.start + 12 * HOUR))
    verdict = judge(made, [outlook(82, window)], WISHES, now=now, site=site)
    trip, seen = trip_to(verdict, WISHES, site), build_seen(verdict, name, now, site.tz)
    telling = what_to_tell(
        NotificationInput((), seen, now=now, cycle=30 * MINUTE, wishes=WISHES, plan=trip, clock=site.tz)
    )
    assert telling.kind is AlertKind.GO
    found = NightFindings(site=site, night=made, verdict=verdict, wishes=WISHES, plan=trip, now=now)
    facts = alert_facts(telling, found, told=None)
    briefing = Briefing(message_id="msg_" + "a" * 26, alerts=(facts,))
    return render_mail(briefing).text + chat_text(briefing)


SAID = {
    "before dawn: the evening's date, the morning's drive": (
        (FLAT, date(2026, 7, 17), Span(_utc(7, 18, 0, 10), _utc(7, 18, 2, 5)), _utc(7, 17, 19, 30)),
        (
            "night of Friday 17 July",
            "Leave by    Fri 17 July, 23:40 CEST",
            "Window      Sat 18 July, 02:10 to 04:05 CEST",
            "Home about  Sat 18 July, 06:50 CEST",
        ),
    ),
    "leaving after midnight": (
        (FLAT, date(2026, 7, 17), Span(_utc(7, 18, 1, 10), _utc(7, 18, 3, 5)), _utc(7, 17, 20, 30)),
        ("night of Friday 17 July", "Leave by    Sat 18 July, 00:40 CEST", "Home about  Sat 18 July, 07:50"),
    ),
    "the clocks go forward on the way": (
        (HEATH, date(2026, 3, 28), Span(_utc(3, 29, 1, 10), _utc(3, 29, 3)), _utc(3, 28, 20, 30)),
        (
            "night of Saturday 28 March",
            "Leave by    Sat 28 March, 23:40 CET",
            "Window      Sun 29 March, 03:10 to 05:00 CEST (1 h 50 min)",
            "Home about  Sun 29 March, 07:45 CEST",
        ),
    ),
    "the clocks go back in the window": (
        (HEATH, date(2026, 10, 24), Span(_utc(10, 25, 0, 10), _utc(10, 25, 1, 40)), _utc(10, 24, 19, 30)),
        (
            "Leave by    Sat 24 October, 23:40 CEST",
            "Window      Sun 25 October, 02:10 CEST to 02:40 CET (1 h 30 min)",
            "Home about  Sun 25 October, 05:25 CET",
        ),
    ),
}


@pytest.mark.parametrize(("told", "lines"), SAID.values(), ids=SAID.keys())
def test_rows_14_to_16_each_time_is_said_with_its_day_and_its_clock(
    told: tuple[Site, date, Span, datetime], lines: tuple[str, ...]
) -> None:
    text = _mail(*told)
    for line in lines:
        assert line in text


@pytest.fixture(scope="module")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


ANY_SKY = SkyWishes(target=Target(TargetKind.NONE), moonless=False)
FJORD = Site("Fjord", 69.65, 18.96, 10.0, "Europe/Oslo")
ICE = Site("Ice", 85.0, 15.0, 0.0, "Arctic/Longyearbyen")


def _named(site: Site, name: date, ephemeris: Ephemeris) -> Night:
    return night_named(site, name, ANY_SKY, ephemeris)


POLAR = {
    "Tromsø in December: the Sun stays down": (FJORD, date(2026, 12, 21), 1),
    "Tromsø in June: the Sun stays up": (FJORD, date(2026, 6, 21), 0),
    "85° in December: dark from noon to noon": (ICE, date(2026, 12, 21), 1),
    "85° in June": (ICE, date(2026, 6, 21), 0),
}


@pytest.mark.parametrize("by_daylight", [True, False], ids=["scouts by daylight", "scouts in the dark"])
@pytest.mark.parametrize(("site", "name", "windows"), POLAR.values(), ids=POLAR.keys())
def test_polar_nights_have_a_trip_and_polar_days_a_reason(
    site: Site, name: date, windows: int, by_daylight: bool, ephemeris: Ephemeris
) -> None:
    made = _named(site, name, ephemeris)
    assert len(made.windows) == windows
    if not windows:
        assert "no astronomical darkness" in str(sky_reasons(made, site)[0].text)
        return
    wishes = replace(WISHES, sky=ANY_SKY, scout_by_daylight=by_daylight, scouting=HOUR)
    (part,) = usable_spans(made, wishes, site)
    assert part is not None
    trip = plan_trip(made, part, wishes, site)
    assert trip.leave_by < trip.arrive <= part.start
    assert trip.arrive == part.start - HOUR, "without a sunset one scouts before the window"
    assert trip.leave_by <= trip.latest_departure < part.end < trip.home_about


def test_a_night_that_is_dark_all_round_the_clock_is_called_once_and_in_time(ephemeris: Ephemeris) -> None:
    """From noon to noon: the go comes before one must leave in the morning, and on that day."""
    name = date(2026, 12, 21)
    made = _named(ICE, name, ephemeris)
    window = made.windows[0].span
    assert window == made.span
    wishes = replace(WISHES, sky=ANY_SKY, quiet=Wishes().quiet)
    told, now = [], window.start - DAY
    while now < window.end + HOUR:
        verdict = judge(made, [outlook(82, window)], wishes, now=now, site=ICE)
        seen, trip = build_seen(verdict, name, now, ICE.tz), trip_to(verdict, wishes, ICE)
        said = what_to_tell(
            NotificationInput((), seen, now=now, cycle=30 * MINUTE, wishes=wishes, plan=trip, clock=ICE.tz)
        )
        told += [now] if said.kind is AlertKind.GO else []
        now += 30 * MINUTE
    assert told[0].astimezone(ICE.tz).date() == name
    assert told[0] <= window.start - WISHES.drive - WISHES.notice + 30 * MINUTE
    assert told[-1] <= window.end - wishes.shortest_window - wishes.drive
