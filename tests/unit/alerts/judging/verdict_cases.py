"""One window each: what is known, and the word and deciding rule it must lead to. All invented."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from alerts.common.span import Span
from alerts.judging.verdict import VerdictWord
from alerts.sites.model import Site
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import MINUTE, NOON, SITE, WINDOW, hazards, outlook, utc

EVE = NOON - timedelta(days=1)
LEVEL = HazardLevel
GO, WAIT, STAY, UNKNOWN = VerdictWord.GO, VerdictWord.WAIT, VerdictWord.STAY, VerdictWord.UNKNOWN
ONE_LINEAGE: dict[str, Any] = {"lineages": ("ecmwf",), "providers": ("Open-Meteo",), "agreement": (1, 1)}
ONE_PROVIDER: dict[str, Any] = {"providers": ("Open-Meteo",)}


@dataclass(frozen=True)
class Case:
    id: str
    word: VerdictWord
    rule: str
    says: str
    outlook: Outlook | None = field(default_factory=outlook)
    wishes: Wishes = field(default_factory=Wishes)
    now: datetime = NOON
    site: Site = SITE
    window: Span = WINDOW


def with_hazard(name: str, level: HazardLevel, worst: float | None, chance_pct: int = 80) -> Outlook:
    return outlook(chance_pct, hazards=hazards(**{name: (level, worst)}))


SHORT = Span(WINDOW.start, WINDOW.start + 24 * MINUTE)
CASES = (
    Case("all is well on the day", GO, "chance", "chance is 80 %, you asked for 70 %"),
    Case("exactly at the go limit", GO, "chance", "chance is 70 %", outlook(70)),
    Case("after midnight it is still the night's day", GO, "chance", "chance is 80 %", now=utc(16, 4)),
    Case("from local midnight on it is the day", GO, "chance", "chance is 80 %", now=utc(15, 4)),
    Case("a minute before local midnight", WAIT, "day", "we decide on Wed 15 July", now=utc(15, 3, 59)),
    Case("good on the eve waits for the day", WAIT, "day", "chance is 80 %", now=EVE),
    Case("one per cent short", WAIT, "chance", "chance is 69 %, you asked for 70 %", outlook(69)),
    Case("worth watching on the eve", WAIT, "chance", "we decide on Wed 15 July", outlook(46), now=EVE),
    Case("worth watching on the day", WAIT, "chance", "we decide at 17:53 EDT", outlook(46)),
    Case(
        "worth watching when it should have been decided",
        WAIT,
        "chance",
        "we look again with each new forecast; leaving makes sense until Wed 23:36 EDT",
        outlook(46),
        now=utc(15, 22),
    ),
    Case(
        "worth watching when nobody could leave any more",
        WAIT,
        "chance",
        "no model says clear yet; we look again with each new forecast",
        outlook(46),
        now=utc(16, 4),
    ),
    Case("exactly the chance to wait for", WAIT, "chance", "chance is 40 %", outlook(40)),
    Case("below the chance to wait for", STAY, "chance", "chance is 39 %, you asked for 70 %", outlook(39)),
    Case("below it on the eve", STAY, "chance", "chance is 39 %", outlook(39), now=EVE),
    Case(
        "below it just 36 h off",
        STAY,
        "chance",
        "chance is 5 %",
        outlook(5),
        now=WINDOW.start - timedelta(hours=36),
    ),
    Case(
        "below it more than 36 h off",
        WAIT,
        "chance",
        "we decide on Wed 15 July",
        outlook(5),
        now=WINDOW.start - timedelta(hours=36, minutes=1),
    ),
    Case("one lineage, good", WAIT, "sources", "alone answered (ECMWF)", outlook(90, **ONE_LINEAGE)),
    Case("one lineage, bad", WAIT, "chance", "chance is 5 %", outlook(5, **ONE_LINEAGE)),
    Case(
        "two lineages by one provider, good",
        WAIT,
        "sources",
        "(Open-Meteo); a go",
        outlook(90, **ONE_PROVIDER),
    ),
    Case("two lineages by one provider, bad", STAY, "chance", "chance is 5 %", outlook(5, **ONE_PROVIDER)),
    Case(
        "a modest go limit lowers what is worth waiting for",
        WAIT,
        "day",
        "chance is 35 %, you asked for 30 %",
        outlook(35),
        Wishes(chance_go_pct=30, chance_back_pct=20),
        EVE,
    ),
    Case("nobody was asked", UNKNOWN, "forecast", "no forecast reached us", None),
    Case("no cloud forecast", UNKNOWN, "cloud", "no usable cloud forecast", outlook(None)),
    Case("wind unknown", UNKNOWN, "wind", "wind", with_hazard("wind", LEVEL.UNKNOWN, None)),
    Case(
        "precipitation unknown",
        UNKNOWN,
        "precipitation",
        "rain",
        with_hazard("precipitation", LEVEL.UNKNOWN, None),
    ),
    Case("nothing known of wind at all", UNKNOWN, "wind", "wind unknown", outlook(hazards=())),
    Case("wind unknown and bad cloud", UNKNOWN, "wind", "wind", with_hazard("wind", LEVEL.UNKNOWN, None, 5)),
    Case("gusts unknown only warn", GO, "chance", "chance is", with_hazard("gust", LEVEL.UNKNOWN, None)),
    Case("thunder unknown only warns", GO, "chance", "chance", with_hazard("thunder", LEVEL.UNKNOWN, None)),
    Case("fog unknown only warns", GO, "chance", "chance is", with_hazard("fog", LEVEL.UNKNOWN, None)),
    Case("dew unknown only warns", GO, "chance", "chance is", with_hazard("lens", LEVEL.UNKNOWN, None)),
    Case("dew likely only warns", GO, "chance", "chance is", with_hazard("lens", LEVEL.WARN, 1.0)),
    Case("wind at the limit", GO, "chance", "chance is", with_hazard("wind", LEVEL.WARN, 9.0)),
    Case("wind beyond the wish", STAY, "wind", "your limit is 9 m/s", with_hazard("wind", LEVEL.WARN, 9.1)),
    Case(
        "wind unsafe though the wish allows it",
        STAY,
        "wind",
        "your limit is 25 m/s",
        with_hazard("wind", LEVEL.FAIL, 18.0),
        Wishes(wind_limit_ms=25.0),
    ),
    Case(
        "wind beyond the wish as far as known",
        STAY,
        "wind",
        "limit is 9 m/s",
        with_hazard("wind", LEVEL.UNKNOWN, 12.0),
    ),
    Case("gust beyond the wish", STAY, "gust", "your limit is 15 m/s", with_hazard("gust", LEVEL.WARN, 16.0)),
    Case("rain", STAY, "precipitation", "rain", with_hazard("precipitation", LEVEL.FAIL, 40.0)),
    Case("thunder", STAY, "thunder", "thunder", with_hazard("thunder", LEVEL.FAIL, 40.0)),
    Case("fog all night", STAY, "fog", "fog", with_hazard("fog", LEVEL.FAIL, 90.0)),
    Case("killing cold", STAY, "cold", "felt", with_hazard("cold", LEVEL.FAIL, -45.0)),
    Case(
        "colder than the wish",
        STAY,
        "cold",
        "your limit is 0 °C",
        with_hazard("cold", LEVEL.FINE, -1.0),
        Wishes(coldest_c=0.0),
    ),
    Case(
        "exactly as cold as the wish",
        GO,
        "chance",
        "chance is",
        with_hazard("cold", LEVEL.FINE, 0.0),
        Wishes(coldest_c=0.0),
    ),
    Case("no cold limit", GO, "chance", "chance is", with_hazard("cold", LEVEL.WARN, -20.0)),
    Case(
        "a known failing wish comes before the unknown",
        STAY,
        "gust",
        "limit is 15 m/s",
        outlook(None, hazards=hazards(gust=(LEVEL.WARN, 17.0), wind=(LEVEL.UNKNOWN, None))),
    ),
    Case(
        "road closed in this month",
        STAY,
        "access",
        "can't be reached in July: road closed",
        site=replace(SITE, access_months=(10, 11), access_note="road closed"),
    ),
    Case(
        "road closed and no forecast",
        STAY,
        "access",
        "July",
        None,
        site=replace(SITE, access_months=(10, 11)),
    ),
    Case("too short", STAY, "shortest_window", "lasts 24 min, you asked for 30 min", window=SHORT),
    Case("too short and no forecast", STAY, "shortest_window", "24 min", None, window=SHORT),
    Case(
        "exactly long enough",
        GO,
        "chance",
        "chance is",
        wishes=Wishes(shortest_window=timedelta(minutes=24)),
        window=SHORT,
    ),
    Case("past and covered", STAY, "over", "this window ended (Wed 22:23–01:36 EDT)", now=utc(16, 6)),
    Case("past, nobody asked", UNKNOWN, "over", "no forecast we have covers it", None, now=utc(16, 6)),
    Case("past, not covered", UNKNOWN, "over", "this window ended", outlook(None), now=utc(16, 6)),
    Case("no longer time for the shortest", STAY, "over", "all but over", now=WINDOW.end - 30 * MINUTE),
    Case("just time for the shortest", GO, "chance", "chance is", now=WINDOW.end - 31 * MINUTE),
)
