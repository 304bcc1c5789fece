"""Five invented nights, true to the sky: their sites, windows, made-up weather, and every kind of alert.

The weather is made up; nothing here is a forecast.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from math import exp, sin

from alerts.briefing.collect import (
    NightFindings,
    alert_facts,
    build_field_notes,
    ground_note,
    preview_facts,
    sky_note,
)
from alerts.briefing.facts import NOTHING_AHEAD, Ahead, AlertFacts, FieldNotes, GroundNote, SkyNote
from alerts.common.clock_times import ClockSpan
from alerts.common.phrases import kept, phrase
from alerts.common.span import Span
from alerts.field.kit import Kit, parse_kit
from alerts.field.trip_plan import FieldPlan, plan_trip
from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.judging.window_brightness import window_sky
from alerts.notifying.model import AlertKind, NotificationDecision, PastAlert, Why
from alerts.sites.model import Foreground, Gate, HorizonLine, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night, SkyWishes
from alerts.sky.nights.night_builder import night_named
from alerts.weather.chance import CloudHour
from alerts.weather.forecast import Source
from alerts.weather.outlook import Hazard, HazardLevel, Outlook, SourceChance
from alerts.wishes.model import Wishes

AZIMUTHS = tuple(float(a) for a in range(0, 360, 10))
PEAK = HorizonLine(AZIMUTHS, tuple(4 + 2 * sin(a / 40) + 3 * exp(-(((a - 196) / 12) ** 2)) for a in AZIMUTHS))
FLAT = Site(
    "Windpump Flat",
    40.31,
    -1.42,
    1180.0,
    "Europe/Madrid",
    horizon=PEAK,
    foregrounds=(Foreground("the peak", 196.0, 8.0, 9.0), Foreground("old barn", 150.0, 6.0)),
    access_note="The gate is closed at night; park outside.",
)
STRAND = Site(
    "Long Strand",
    38.2,
    -76.3,
    2.0,
    "America/New_York",
    foregrounds=(Foreground("wreck", 205.0, 10.0),),
    access_note="Covered by the tide four hours a day; 3 km on foot.",
)
LAKE = Site(
    "Dry Lake",
    -30.5,
    20.0,
    900.0,
    "Africa/Johannesburg",
    foregrounds=(Foreground("quiver tree", 110.0, 10.0, 14.0),),
    gate=Gate(ClockSpan(time(6), time(21)), may_stay=True),
)
CAPE = Site("Cape Still", 70.0, 25.0, 10.0, "Europe/Oslo")
MODELS = (("ecmwf", "open-meteo", "IFS"), ("icon", "open-meteo", "ICON"), ("gfs", "nws", "GFS"))


@dataclass(frozen=True, slots=True)
class Sample:
    """One night of a site, and the air over its window: (felt °C, wind m/s, °C above the dew point).

    sight: (chance if all were as overhead, how the line of sight differs). aod: aerosol optical depth.
    """

    site: Site
    name: date
    kit: str
    air: tuple[float, float, float]
    person_zone: str = ""
    signal_lost_before: timedelta | None = None
    sight: tuple[int | None, str] = (None, "")
    change_pct: int | None = None
    aod: float | None = None
    record: str = ""


SAMPLES = {
    "spring-arch": Sample(FLAT, date(2026, 4, 18), "full frame 20mm f/1.8", (-2.0, 3.0, 6.0)),
    "july": Sample(
        FLAT,
        date(2026, 7, 15),
        "",
        (11.0, 4.0, 2.0),
        signal_lost_before=timedelta(minutes=25),
        aod=0.35,
        record="Forecasts like this came clear 9 of 12 times here.",
    ),
    "september-column": Sample(
        STRAND,
        date(2026, 9, 12),
        "aps-c 16-50mm f/2.8",
        (16.0, 6.5, 1.0),
        "America/Chicago",
        sight=(92, "overhead clears, the south-west doesn't"),
        change_pct=-6,
    ),
    "southern-winter": Sample(LAKE, date(2026, 6, 14), "full frame 14mm f/2.8", (-7.0, 5.5, 2.5)),
    "polar-summer": Sample(CAPE, date(2026, 6, 20), "full frame 24mm f/1.4", (6.0, 3.0, 5.0)),
}
WISHES = Wishes(
    shortest_window=timedelta(hours=1), drive=timedelta(minutes=90), scouting=timedelta(minutes=60)
)


@cache
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


@dataclass(frozen=True)
class Case:
    """A sample with its night worked out. plan, notes: None where there is no window."""

    sample: Sample
    night: Night
    window: DarkWindow | None
    outlook: Outlook | None
    plan: FieldPlan | None
    notes: FieldNotes | None
    sky: SkyNote | None = None

    @property
    def kit(self) -> Kit:
        return parse_kit(self.sample.kit)

    @property
    def ground(self) -> GroundNote:
        return ground_note(self.sample.site, self.night, ephemeris())

    @property
    def decided_at(self) -> datetime:
        """Mid-afternoon of the night's day."""
        return self.night.span.start + timedelta(hours=2)


@cache
def case(name: str) -> Case:
    sample = SAMPLES[name]
    night = night_named(sample.site, sample.name, SkyWishes(), ephemeris())
    window = max(night.windows, key=lambda each: each.span.duration, default=None)
    if window is None:
        return Case(sample, night, None, None, None, None)
    outlook = invented_outlook(sample, night, window.span, 81)
    wishes = replace(WISHES, signal_lost_before=sample.signal_lost_before)
    trip = plan_trip(night, window.span, wishes, sample.site)
    found = NightFindings(
        site=sample.site,
        night=night,
        verdict=Verdict(VerdictWord.GO, (), window, outlook),
        wishes=wishes,
        plan=trip,
        now=night.span.start,
        cloud=invented_cloud(night),
    )
    notes = build_field_notes(found, window, ephemeris(), parse_kit(sample.kit))
    sky = sky_note(window, window_sky(sample.site, window, ephemeris(), sample.aod))
    return Case(sample, night, window, outlook, trip, notes, sky)


def invented_cloud(night: Night) -> tuple[CloudHour, ...]:
    """Cloud that goes in the evening and comes back in the morning."""
    start = night.span.start.replace(minute=0, second=0)
    hours = (Span(start + timedelta(hours=k), start + timedelta(hours=k + 1)) for k in range(25))
    return tuple(CloudHour(hour, min(95, round(14 + 0.9 * (k - 12) ** 2))) for k, hour in enumerate(hours))


def invented_outlook(sample: Sample, night: Night, window: Span, chance_pct: int) -> Outlook:
    felt_c, wind_ms, spread_c = sample.air
    issued = night.span.start
    per_source = tuple(
        SourceChance(
            Source("feed", provider, lineage, model, f"Weather data by {provider}", "", issued_at=issued),
            chance,
        )
        for (lineage, provider, model), chance in zip(MODELS, (0.9, 0.8, 0.45), strict=True)
    )
    dew = HazardLevel.WARN if spread_c <= 3 else HazardLevel.FINE
    kind = "frost" if felt_c < 0 else "dew"
    risk = "weather.lens-likely" if dew is HazardLevel.WARN else "weather.lens-dry"
    hazards = (
        Hazard("wind", HazardLevel.FINE, kept(f"wind up to {wind_ms:.0f} m/s"), wind_ms, "m/s"),
        Hazard("gust", HazardLevel.FINE, kept("gusts up to 9 m/s"), 9.0, "m/s"),
        Hazard("precipitation", HazardLevel.FINE, kept("rain or snow 5 %"), 5.0, "%"),
        Hazard("cold", HazardLevel.FINE, kept(f"felt cold down to {felt_c:.0f} °C"), felt_c, "°C"),
        Hazard("lens", dew, phrase(risk, kind=kind, spread_c=spread_c), spread_c, "°C"),
    )
    return Outlook(
        window=window,
        chance_pct=chance_pct,
        spread_pct=(45, 90),
        best=Span(window.start + (window.end - window.start) / 8, window.end),
        per_source=per_source,
        hazards=hazards,
        cloud_known=True,
        wind_known=True,
        precipitation_known=True,
        lineages=("ecmwf", "gfs", "icon"),
        providers=("nws", "open-meteo"),
        newest_issue=issued,
        agreement=(2, 3),
        overhead_pct=sample.sight[0],
        sight_text=kept(sample.sight[1]),
        change_pct=sample.change_pct,
    )


TELLINGS = {
    AlertKind.HEADS_UP: NotificationDecision(AlertKind.HEADS_UP, Why.GOOD_AHEAD, "chance 64 %"),
    AlertKind.GO: NotificationDecision(AlertKind.GO, Why.GOOD_TONIGHT, "chance 81 %"),
    AlertKind.CHANGED: NotificationDecision(AlertKind.CHANGED, Why.MOVED, "leave 25 min later"),
    AlertKind.STAND_DOWN: NotificationDecision(AlertKind.STAND_DOWN, Why.HAZARD, "gust now beyond the limit"),
}
WORDS = {
    AlertKind.HEADS_UP: VerdictWord.WAIT,
    AlertKind.GO: VerdictWord.GO,
    AlertKind.CHANGED: VerdictWord.GO,
    AlertKind.STAND_DOWN: VerdictWord.STAY,
}
CHANCES = {AlertKind.HEADS_UP: 64, AlertKind.GO: 81, AlertKind.CHANGED: 76, AlertKind.STAND_DOWN: 72}


def facts_of(name: str, kind: AlertKind) -> AlertFacts:
    """What an alert of that kind says of a night that has a window."""
    found = case(name)
    assert found.window is not None
    assert found.plan is not None
    now = found.decided_at - timedelta(days=3) * (kind is AlertKind.HEADS_UP)
    told_leave = found.plan.leave_by - timedelta(minutes=25)
    told = PastAlert(AlertKind.GO, found.decided_at - timedelta(hours=1), 81, found.window.span, told_leave)
    known = NightFindings(
        site=found.sample.site,
        night=found.night,
        verdict=_verdict(found, kind),
        wishes=WISHES,
        plan=found.plan,
        now=now,
        notes=found.notes if kind is not AlertKind.HEADS_UP else None,
        sky=found.sky if kind in (AlertKind.GO, AlertKind.CHANGED) else None,
        ground=found.ground if kind in (AlertKind.GO, AlertKind.CHANGED) else None,
        record=found.sample.record if kind is not AlertKind.STAND_DOWN else "",
        cloud=invented_cloud(found.night),
    )
    is_answer = kind in (AlertKind.CHANGED, AlertKind.STAND_DOWN)
    facts = alert_facts(TELLINGS[kind], known, told=told if is_answer else None)
    return replace(
        facts,
        person_zone=found.sample.person_zone,
        forecast_issued_at=now - timedelta(hours=2),
    )


def _verdict(found: Case, kind: AlertKind) -> Verdict:
    assert found.outlook is not None
    chance = CHANCES[kind]
    reasons = [Reason("chance", Result.PASS, kept(f"clear {chance} %, you asked for 70 %"))]
    if kind is AlertKind.STAND_DOWN:
        reasons = [Reason("gust", Result.FAIL, kept("gusts up to 17 m/s, your limit is 15 m/s")), *reasons]
    if kind is AlertKind.HEADS_UP:
        reasons = [Reason("chance", Result.FAIL, kept(f"clear {chance} %, you asked for 70 %"))]
    outlook = replace(found.outlook, chance_pct=chance)
    return Verdict(WORDS[kind], tuple(reasons), found.window, outlook)


def preview_of(
    name: str,
    word: VerdictWord,
    cause: str,
    *,
    chance_pct: int | None = None,
    ahead: Ahead = NOTHING_AHEAD,
) -> AlertFacts:
    """What someone who asks is shown of that night."""
    found = case(name)
    outlook = found.outlook and replace(found.outlook, chance_pct=chance_pct)
    if outlook and chance_pct is None:
        outlook = replace(outlook, best=None, per_source=(), hazards=(), newest_issue=None, agreement=(0, 0))
    reason = Reason("any", Result.FAIL if word is VerdictWord.STAY else Result.PASS, kept(cause))
    known = NightFindings(
        site=found.sample.site,
        night=found.night,
        verdict=Verdict(word, (reason,), found.window, outlook),
        wishes=WISHES,
        plan=found.plan,
        now=found.decided_at,
        notes=found.notes,
        sky=found.sky,
        ground=found.ground,
        cloud=invented_cloud(found.night),
    )
    return preview_facts(known, ahead)


def going(site: Site, night: Night, window: DarkWindow, plan: FieldPlan, wishes: Wishes) -> NightFindings:
    """A go to that window, of which nothing more is known."""
    verdict = Verdict(VerdictWord.GO, (), window, None)
    return NightFindings(
        site=site, night=night, verdict=verdict, wishes=wishes, plan=plan, now=night.span.start
    )


STAMP = datetime(2026, 4, 18, 15, 0, tzinfo=UTC)
