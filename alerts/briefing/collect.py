"""A judged night -> all that a message says about it; of one without weather or without a window, what lies
ahead."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from alerts.briefing.facts import (
    NOTHING_AHEAD,
    Ahead,
    Air,
    AlertFacts,
    Attribution,
    DrawnDome,
    FieldNotes,
    ForegroundStanding,
    GroundNote,
    Instead,
    Said,
    ShowerNote,
    SkyNote,
)
from alerts.common.phrases import Phrase, phrase, say
from alerts.common.span import Span
from alerts.common.text import count_word
from alerts.field.compass import compass_at
from alerts.field.exposure import exposure_for
from alerts.field.foreground import plan_foreground
from alerts.field.frame_plan import HIGHEST_OVER_DEG, aim_at, best_alignment, plan_frames, plan_panorama
from alerts.field.kit import DEFAULT_KIT, Kit
from alerts.field.projection import CameraView, trail_rates
from alerts.field.trip_plan import PACK_UP, FieldPlan
from alerts.judging.comparison import SiteChoice, choice_of, fork_told
from alerts.judging.rules import Result
from alerts.judging.verdict import Verdict, VerdictWord, hangs_on
from alerts.judging.window_brightness import TOWN_CREDIT_URL, WindowSky
from alerts.notifying.limits import find_doubt
from alerts.notifying.model import AlertKind, NotificationDecision, PastAlert, Why
from alerts.sites.great_circle import turn_deg
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import Dome, domes
from alerts.sky.brightness.moonlit_ground import MoonlitGround, moonlit_ground
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.meteor_showers import active_showers
from alerts.sky.night import (
    DarkWindow,
    Night,
    Shape,
    SkyWishes,
    Target,
    TargetKind,
    TrackPoint,
    parse_target,
    rests_on_assumed_level,
)
from alerts.sky.nights.night_builder import nights
from alerts.sky.own_horizon import own_horizon
from alerts.sky.tracks import alignments, apex_track, place_at, shapes_at, sky_track
from alerts.weather.chance import CloudHour
from alerts.weather.models import first_look
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes.model import Wishes

SKY_SUBJECTS = {
    TargetKind.CORE: phrase("briefing.subject-core"),
    TargetKind.BAND: phrase("briefing.subject-band"),
    TargetKind.NONE: phrase("briefing.subject-zenith"),
}
USUAL_EXCESS = 0.1
"""Excess (see `alerts.sky.brightness.light_domes`) of a dome that is drawn in the usual size."""
SMALLEST, LARGEST = 0.4, 1.6
MOST_SHOWERS = 3
ABOVE_FOOT_DEG = 20.0
_TAKES_BACK = (AlertKind.CHANGED, AlertKind.STAND_DOWN)
OTHERS = (
    ("band", phrase("briefing.instead-band")),
    ("winter", phrase("briefing.instead-winter")),
    ("none", phrase("briefing.instead-none")),
)
"""Targets that stand where the core doesn't, as one types them and as words in a sentence."""
FIRST_NIGHTS, ALL_NIGHTS = 60, 400
"""Most seasons come back within the first; a year and a month hold every one that comes back at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightFindings:
    """What is known of one night at one site for one person: all that a message about it is made from.

    plan: the trip, None where nobody goes. now: when it was judged. notes: for the field. sky, record, cloud,
    invented: as in `AlertFacts`. ground: as there; None for what the night alone tells of it.
    """

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    now: datetime
    plan: FieldPlan | None = None
    notes: FieldNotes | None = None
    sky: SkyNote | None = None
    record: str = ""
    cloud: Sequence[CloudHour] = ()
    invented: bool = False
    ground: GroundNote | None = None


def alert_facts(
    telling: NotificationDecision,
    found: NightFindings,
    *,
    told: PastAlert | None,
    others: Sequence[SiteChoice] = (),
) -> AlertFacts:
    """What to say of this night. telling: must have a kind. told: the alert this one answers, if any.

    others: the person's other sites worth naming, best first.
    """
    kind = telling.kind
    assert kind is not None, "silence has no message"
    facts, verdict, wishes = _facts(kind, found), found.verdict, found.wishes

    # why it is said: what turned, or what it still hangs on
    cause: Said = telling.text if kind is AlertKind.CHANGED or telling.why is Why.LAST_WORD else ""
    if kind is AlertKind.STAND_DOWN:
        cause = phrase("briefing.clear-unlikely") if telling.why is Why.TURNED_BAD else telling.text
    elif kind is AlertKind.HEADS_UP and verdict.outlook is not None:
        is_sure = (verdict.chance_pct or 0) >= wishes.chance_go_pct
        cause = "" if is_sure else hangs_on(verdict.outlook) or ""

    lead = choice_of(found.site, verdict, found.plan)
    clock = wishes.clock_zone or found.site.zone
    fork = fork_told(lead, others, found.now, clock) if facts.is_go else None
    return replace(
        facts,
        window=facts.window or (told.window if told else None),
        told_chance_pct=told.chance_pct if told else None,
        told_at=told.at if told else None,
        told_window=told.window if told and kind is AlertKind.CHANGED else None,
        told_leave_by=told.leave_by if told and kind in _TAKES_BACK else None,
        cause=cause,
        is_last_word=telling.is_last_word,
        doubt=(find_doubt(verdict.chance_pct, wishes) or "")
        if told and kind is not AlertKind.STAND_DOWN
        else "",
        is_unsettled=telling.why is Why.UNSETTLED,
        others=tuple(other.as_other() for other in others),
        fork=fork or "",
    )


def preview_facts(found: NightFindings, ahead: Ahead = NOTHING_AHEAD) -> AlertFacts:
    """The same for someone who asks, whatever the verdict; nothing is told by it.

    ahead: what is said where no forecast reaches the night yet, or where it has no window.
    """
    verdict = found.verdict
    is_go = verdict.word is VerdictWord.GO
    facts = _facts(AlertKind.GO if is_go else AlertKind.HEADS_UP, found)
    cause: Said = "" if is_go else verdict.deciding.text
    is_early = ahead.first_look is not None and verdict.word is VerdictWord.UNKNOWN
    if is_early:  # what nobody forecasts yet isn't in doubt, it is still to come
        cause, facts = "", replace(facts, hazards=())
    reasons = [
        each
        for each in verdict.reasons
        if (each.result is Result.FAIL if is_early else each.result is not Result.PASS)
        and (is_go or is_early or each != verdict.deciding)
    ]
    return replace(
        facts,
        cause=cause,
        first_look=ahead.first_look if is_early else None,
        reasons=tuple(each.text for each in reasons),
        next_window=ahead.next_window,
        instead=ahead.instead,
        preview=True,
    )


def _facts(kind: AlertKind, found: NightFindings) -> AlertFacts:
    """What the night and its verdict give, whoever is told."""
    site, night, verdict, plan, sky = found.site, found.night, found.verdict, found.plan, found.sky
    outlook, window, target = verdict.outlook, verdict.window, night.wishes.target
    # of the core in another season, below the horizon, no track is told
    is_up = window is not None and all(point.altitude_deg > 0 for point in window.track)
    credits = attributions(outlook) if outlook else ()
    if sky is not None and (sky.towns or sky.inside):
        credits = (*credits, Attribution(say("judging.town-credit"), TOWN_CREDIT_URL))
    told_hazards = [
        hazard
        for hazard in (outlook.hazards if outlook else ())
        if hazard.level in (HazardLevel.WARN, HazardLevel.FAIL)
    ]
    return AlertFacts(
        kind=kind,
        site_name=site.name,
        night=night.name,
        zone=site.zone,
        decided_at=found.now,
        verdict=verdict.word,
        person_zone=found.wishes.clock_zone,
        window=verdict.usable or (window.span if window else None),
        best=outlook.best if outlook else None,
        shortest_window=found.wishes.shortest_window,
        leave_by=plan.leave_by if plan else None,
        home_about=plan.home_about if plan else None,
        drive=plan.drive.length if plan else None,
        drive_is_estimate=plan.drive.is_estimate if plan else False,
        chance_pct=outlook.chance_pct if outlook else None,
        whole_pct=outlook.whole_pct if outlook else None,
        agreement=(find_agreement(outlook) or "") if outlook else "",
        spread_pct=outlook.spread_pct if outlook else None,
        change_pct=outlook.change_pct if outlook else None,
        overhead_pct=outlook.overhead_pct if outlook else None,
        sight=outlook.sight_text or "" if outlook else "",
        record=found.record,
        sky=sky,
        cloud=tuple(found.cloud),
        core=window.track if window is not None and is_up else (),
        target_name=(target.name or "target") if target.kind is TargetKind.RADEC else "core",
        shapes=window.shapes if window else (),
        moon=phrase("briefing.no-moon") if window and night.wishes.moonless else "",
        reasons=tuple(each.text for each in verdict.reasons if each.result is not Result.PASS),
        hazards=tuple(hazard.text for hazard in told_hazards),
        attributions=credits,
        forecast_issued_at=outlook.newest_issue if outlook else None,
        decide_at=plan.leave_by - found.wishes.notice if plan and kind is AlertKind.HEADS_UP else None,
        sunset=night.sun.first_set,
        dark_from=night.dark[0].start if night.dark else None,
        dark_until=night.dark[-1].end if night.dark else None,
        sunrise=night.sun.last_rise,
        invented=found.invented,
        field=found.notes,
        access_note=" ".join(filter(None, (site.access_note, site.notes))),
        signal_lost_at=plan.signal_lost_at if plan else None,
        worth=verdict.worth,
        ground=found.ground or ground_note(site, night),
    )


def find_agreement(outlook: Outlook) -> Phrase | None:
    """`Three of four models agree.`: how many sources say clear; None when fewer than two answered."""
    clear, answered = outlook.agreement
    if answered < 2:
        return None
    if clear in (0, answered):
        return phrase("briefing.all-agree", count=answered, models=count_word(answered))
    return phrase("briefing.some-clear", count=clear, clear=count_word(clear), models=count_word(answered))


def attributions(outlook: Outlook) -> tuple[Attribution, ...]:
    """Credits of the sources really used, each once."""
    credits = (Attribution(source.attribution, source.attribution_url) for source in outlook.sources)
    return tuple(dict.fromkeys(credits))


def sky_note(window: DarkWindow, sky: WindowSky) -> SkyNote:
    """What a message says of a window's sky."""
    return SkyNote(
        subject=window.target.name or SKY_SUBJECTS.get(window.target.kind, phrase("briefing.subject-target")),
        mag_arcsec2=sky.middle.mag_arcsec2,
        loss_mag=sky.worst.loss_mag,
        dimmed_mag=sky.middle.dimmed_mag,
        smoke_mag=sky.middle.smoke_mag,
        towns=tuple(_town(dome, under=dome in sky.stood_over) for dome in sky.domes if not dome.inside),
        inside=next((dome.name for dome in sky.domes if dome.inside), ""),
        above_darkest_mag=sky.middle.above_darkest_mag,
        is_low=sky.middle.is_low,
        is_estimate=sky.is_estimate,
    )


def ground_note(site: Site, night: Night, ephemeris: Ephemeris | None = None) -> GroundNote:
    """What is told of a night's ground. ephemeris: None leaves out what moonlight costs, and Sun and Moon
    over the site's own horizon."""
    target = night.wishes.target
    lit = tuple(MoonlitGround(span) for span in night.moonlit)
    return GroundNote(
        subject=target.name or SKY_SUBJECTS.get(target.kind, phrase("briefing.subject-target")),
        moonlit=lit if ephemeris is None else moonlit_ground(site, night, ephemeris),
        is_assumed=bool(night.windows) and rests_on_assumed_level(site, target),
        own=None if ephemeris is None else own_horizon(site, night, ephemeris),
    )


def town_glows(site: Site) -> tuple[DrawnDome, ...]:
    """The towns whose light stands over a site's horizon, brightest first."""
    found = domes(site.lat_deg, site.lon_deg, site.elevation_m)
    return tuple(_town(dome, under=False) for dome in found if not dome.inside)


def _town(dome: Dome, *, under: bool) -> DrawnDome:
    """Drawn the higher and wider the brighter the dome: a sketch of it, as of the band."""
    size = min(max((dome.excess / USUAL_EXCESS) ** 0.4, SMALLEST), LARGEST)
    usual = DrawnDome(dome.bearing_deg, dome.distance_km, name=dome.name, under_target=under)
    return replace(usual, height_deg=usual.height_deg * size, half_width_deg=usual.half_width_deg * size)


def build_field_notes(
    found: NightFindings,
    window: DarkWindow,
    ephemeris: Ephemeris,
    kit: Kit | None = None,
    at: datetime | None = None,
) -> FieldNotes:
    """Everything for the trip to `window`, which `found` must have. kit: None takes the usual full-frame kit
    and says so. at: the moment to shoot, between sunset and sunrise; None for the best one."""
    site, night, trip, outlook = found.site, found.night, found.plan, found.verdict.outlook
    assert trip is not None, "notes are for who goes"
    kit = kit or DEFAULT_KIT
    standing = alignments(site, window.span, ephemeris)
    best = outlook.best if outlook else None

    # the best moment: over a foreground, else nearest to the middle with the target low enough for a ground
    span = window.span
    clear = (best.overlap(window.span) if best else None) or window.span
    if at is not None:
        best_at, best = at, None
        span = span if span.start <= at <= span.end else night.sunset_to_sunrise
    elif (over := best_alignment(window.span, standing, best)) is not None:
        best_at = over.at.at
    else:
        track = sky_track(site, window.target, clear, ephemeris)
        low = [point.at for point in track if 0 < point.altitude_deg <= HIGHEST_OVER_DEG]
        is_low = place_at(site, window.target, clear.middle, ephemeris).altitude_deg <= HIGHEST_OVER_DEG
        best_at = clear.middle if is_low or not low else min(low, key=lambda at: abs(at - clear.middle))

    # where the camera points then, and what to set
    subject, name = _pointed_at(site, window.target, best_at, ephemeris)
    shapes = shapes_at(site, window.target, best_at, ephemeris)
    shape = shapes[0]
    if at is not None and Shape.COLUMN in shapes and subject.altitude_deg > HIGHEST_OVER_DEG:
        shape, name = Shape.COLUMN, phrase("briefing.subject-foot")
        (apex,) = apex_track(site, [best_at], ephemeris)
        subject = _foot(apex, subject.azimuth_deg)
    land_deg = float(ridge_deg(site.horizon, subject.azimuth_deg))
    aim = aim_at(kit, subject.altitude_deg, subject.azimuth_deg, shape, land_deg)
    view = CameraView.of(kit, aim.azimuth_deg, aim.tilt_deg, portrait=aim.portrait)
    dec_deg = declination_deg(subject, site.lat_deg)
    place = (subject.altitude_deg, subject.azimuth_deg)
    exposure = exposure_for(kit, trail_rates(kit, view, site.lat_deg, place, dec_deg), dec_deg)
    panorama = None
    if Shape.ARCH in shapes:
        (apex,) = apex_track(site, [best_at], ephemeris)
        panorama = plan_panorama(kit, apex.altitude_deg, apex.azimuth_deg, exposure.shutter_s)
    stacked, _ = exposure.recipes
    stay = Span(min(trip.arrive, window.span.start), window.span.end + PACK_UP)

    # the site's gate: when it closes behind who comes as planned, and when it opens after that
    closes, opens = None, None
    inside = site.gate.hours.around(trip.arrive, site.tz) if site.gate else None
    if site.gate is not None and inside is not None:
        closes = inside.end
        following = site.gate.hours.touching(Span(closes, closes + timedelta(days=2)), site.tz)
        opens = next((span.start for span in following if span.start >= closes), None)

    showers = [
        each for each in active_showers(site, night.name, night.dark, ephemeris) if each.is_worth_a_line
    ]
    give_up_at = max(window.span.end - found.wishes.shortest_window, window.span.start)
    return FieldNotes(
        arrive=trip.arrive,
        latest_departure=trip.latest_departure,
        give_up_at=give_up_at,
        look_deg=_pointed_at(site, window.target, give_up_at, ephemeris)[0].azimuth_deg,
        kit=kit,
        exposure=exposure,
        aim=aim,
        frames=plan_frames(span, stacked.shutter_s, standing if at is None else (), best, best_at),
        panorama=panorama,
        foreground=plan_foreground(site, night, stay, exposure.aperture.f_number, ephemeris),
        compass=compass_at(site.lat_deg, site.lon_deg, site.elevation_m, best_at),
        civil_dusk=night.civil.first_set,
        nautical_dusk=night.nautical.first_set,
        full_dark=night.astronomical.first_set,
        dawn=night.astronomical.last_rise,
        moon_lit=night.moon_lit,
        moon_rises=night.moon.rises,
        moon_sets=night.moon.sets,
        standings=tuple(
            ForegroundStanding(each.foreground.name, each.foreground.bearing_deg, each.over.value, each.at)
            for each in standing
        ),
        showers=tuple(
            ShowerNote(
                *(each.name, each.zhr, each.days_to_peak, each.highest),
                *(each.hourly, each.hourly_at, each.limit_mag),
            )
            for each in showers[:MOST_SHOWERS]
        ),
        air=air_of(outlook),
        cloud=tuple(found.cloud),
        signal_lost_at=trip.signal_lost_at,
        subject=name,
        start=trip.start,
        gate=site.gate,
        gate_closes=closes,
        gate_opens=opens,
    )


def _pointed_at(site: Site, target: Target, at: datetime, ephemeris: Ephemeris) -> tuple[TrackPoint, Said]:
    """Where stands what the camera is pointed at, and its name: the target. Where that is down (the core, for
    the winter's band): the band's highest part, or where that is too high for a ground below it, the band
    above its foot on the core's side."""
    stands = place_at(site, target, at, ephemeris)
    if stands.altitude_deg > 0:
        if target.kind is TargetKind.RADEC:
            return stands, target.name or phrase("briefing.subject-target")
        return stands, phrase("briefing.subject-core")
    (apex,) = apex_track(site, [at], ephemeris)
    if apex.altitude_deg <= HIGHEST_OVER_DEG:
        return apex, phrase("briefing.subject-band")
    return _foot(apex, stands.azimuth_deg), phrase("briefing.subject-foot")


def _foot(apex: TrackPoint, azimuth_deg: float) -> TrackPoint:
    """The band above its foot on the side of that azimuth, where it has its highest point there."""
    feet = ((apex.azimuth_deg - 90) % 360, (apex.azimuth_deg + 90) % 360)
    return TrackPoint(apex.at, ABOVE_FOOT_DEG, min(feet, key=lambda foot: abs(turn_deg(foot, azimuth_deg))))


def declination_deg(point: TrackPoint, lat_deg: float) -> float:
    """Declination of what stands there: sin δ = sin φ sin h + cos φ cos h cos A. Meeus, ch. 13."""
    altitude, azimuth, lat = (math.radians(v) for v in (point.altitude_deg, point.azimuth_deg, lat_deg))
    sine = math.sin(lat) * math.sin(altitude) + math.cos(lat) * math.cos(altitude) * math.cos(azimuth)
    return math.degrees(math.asin(min(max(sine, -1.0), 1.0)))


def air_of(outlook: Outlook | None) -> Air:
    """The air in figures, from the outlook's hazards."""
    if outlook is None:
        return Air()
    worst = {hazard.name: hazard.worst for hazard in outlook.hazards}
    lens = outlook.hazard("lens")
    wet = outlook.hazard("precipitation")
    on_lens = ""
    if lens is not None and lens.level is HazardLevel.WARN:
        on_lens = dict(lens.text.values).get("kind", "dew")
    return Air(
        felt_c=worst.get("cold"),
        wind_ms=worst.get("wind"),
        wet_pct=wet.worst if wet is not None and wet.unit == "%" else None,
        on_lens=on_lens,
    )


def look_ahead(
    site: Site, night: Night, wishes: Wishes, ephemeris: Ephemeris, *, now: datetime, reach: timedelta
) -> Ahead:
    """What lies ahead of that night. reach: how far the feeds look, see `alerts.weather.models`."""
    if night.windows:
        return Ahead(first_look(night, site, now, reach))

    # those targets that weren't asked for and have a window then that is long enough
    instead, asked = [], {sky.target for sky in wishes.skies}
    for typed, words in OTHERS:
        sky = replace(wishes.sky, target=parse_target(typed), lowest_altitude_deg=None)
        found = () if sky.target in asked else nights(site, night.name, 1, sky, ephemeris)[0].windows
        longest = max((each.span for each in found), key=lambda span: span.duration, default=None)
        if longest is not None and longest.duration >= wishes.shortest_window:
            instead.append(Instead(typed, words, longest))
    return Ahead(next_window=next_window(site, night.name, wishes.sky, ephemeris), instead=tuple(instead))


def next_window(site: Site, after: date, wishes: SkyWishes, ephemeris: Ephemeris) -> date | None:
    """The next night with a window, within a year and a month; None where none comes back."""
    first = after + timedelta(days=1)
    for ahead, count in ((0, FIRST_NIGHTS), (FIRST_NIGHTS, ALL_NIGHTS - FIRST_NIGHTS)):
        found = nights(site, first + timedelta(days=ahead), count, wishes, ephemeris)
        if name := next((night.name for night in found if night.windows), None):
            return name
    return None
