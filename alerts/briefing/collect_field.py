"""A night, a window and a kit -> the notes for the field."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np

from alerts.briefing.collect import NightFindings
from alerts.briefing.facts.field_notes import Air, FieldNotes, ForegroundStanding, Said, ShowerNote
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.field.exposure import exposure_for
from alerts.field.frame_plan import HIGHEST_OVER_DEG, aim_at, best_alignment, plan_frames
from alerts.field.kit import Kit, default_kit
from alerts.field.panorama import plan_panorama
from alerts.field.projection import CameraView
from alerts.field.star_trails import trail_rates
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.alignment import alignments
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.meteor_showers import active_showers
from alerts.sky.milky_way import geometry
from alerts.sky.night import BodyEvents, DarkWindow, Shape, TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import target_track
from alerts.weather.outlook import HazardLevel, Outlook

MOST_SHOWERS = 3
ABOVE_FOOT_DEG = 20.0


def build_field_notes(
    found: NightFindings, window: DarkWindow, ephemeris: Ephemeris, kit: Kit | None = None
) -> FieldNotes:
    """Everything for the trip to `window`, which `found` must have. kit: None takes the usual full-frame kit
    and says so."""
    site, night, trip, outlook = found.site, found.night, found.plan, found.verdict.outlook
    assert trip is not None, "notes are for who goes"
    kit = kit or default_kit()
    standing = alignments(site, window.span, ephemeris)
    best = outlook.best if outlook else None
    stand = _WhereItStands(site, window, ephemeris)

    # the best moment: over a foreground, else nearest to the middle with the target low enough for a ground
    clear = (best.overlap(window.span) if best else None) or window.span
    if (over := best_alignment(window.span, standing, best)) is not None:
        best_at = over.at.at
    else:
        track = target_track(site, window.target, clear, ephemeris)
        low = [point.at for point in track if 0 < point.altitude_deg <= HIGHEST_OVER_DEG]
        is_low = stand.target_at(clear.middle).altitude_deg <= HIGHEST_OVER_DEG
        best_at = clear.middle if is_low or not low else min(low, key=lambda at: abs(at - clear.middle))

    # where the camera points then, and what to set
    subject, shape = stand.subject_at(best_at), shape_at(window, best_at)
    land_deg = float(ridge_deg(site.horizon, subject.azimuth_deg))
    aim = aim_at(kit, subject.altitude_deg, subject.azimuth_deg, shape, land_deg)
    view = CameraView.of(kit, aim.azimuth_deg, aim.tilt_deg, portrait=aim.portrait)
    dec_deg = declination_deg(subject, site.lat_deg)
    place = (subject.altitude_deg, subject.azimuth_deg)
    exposure = exposure_for(kit, trail_rates(kit, view, site.lat_deg, place, dec_deg), dec_deg)
    is_arch = shape is Shape.ARCH
    panorama = plan_panorama(kit, *stand.apex_at(best_at), exposure.shutter_s) if is_arch else None

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
        look_deg=stand.subject_at(give_up_at).azimuth_deg,
        kit=kit,
        exposure=exposure,
        aim=aim,
        frames=plan_frames(window.span, exposure.shutter_s, standing, best, best_at),
        panorama=panorama,
        civil_dusk=_evening(night.civil),
        nautical_dusk=_evening(night.nautical),
        full_dark=_evening(night.astronomical),
        dawn=night.astronomical.rises[-1] if night.astronomical.rises else None,
        moon_lit=night.moon_lit,
        moon_rises=night.moon.rises,
        moon_sets=night.moon.sets,
        standings=tuple(
            ForegroundStanding(each.foreground.name, each.foreground.bearing_deg, each.over.value, each.at)
            for each in standing
        ),
        showers=tuple(
            ShowerNote(each.name, each.zhr, each.days_to_peak, each.highest, each.hourly)
            for each in showers[:MOST_SHOWERS]
        ),
        air=air_of(outlook),
        cloud=tuple(found.cloud),
        signal_lost_at=trip.signal_lost_at,
        subject=stand.subject_name(best_at),
        start=trip.start,
        gate=site.gate,
        gate_closes=closes,
        gate_opens=opens,
    )


def _evening(events: BodyEvents) -> datetime | None:
    return events.sets[0] if events.sets else None


class _WhereItStands:
    """Where in a window stands what the camera is pointed at: the target. Where that is down (the core, for
    the winter's band): the band's highest part, or where that is too high for a ground below it, the band
    above its foot on the core's side."""

    def __init__(self, site: Site, window: DarkWindow, ephemeris: Ephemeris) -> None:
        self._site, self._target, self._ephemeris = site, window.target, ephemeris

    def subject_at(self, at: datetime) -> TrackPoint:
        target = self.target_at(at)
        if target.altitude_deg > 0:
            return target
        altitude_deg, azimuth_deg = self.apex_at(at)
        if altitude_deg <= HIGHEST_OVER_DEG:
            return TrackPoint(at, altitude_deg, azimuth_deg)
        feet = ((azimuth_deg - 90) % 360, (azimuth_deg + 90) % 360)
        nearer = min(feet, key=lambda foot: abs((foot - target.azimuth_deg + 180) % 360 - 180))
        return TrackPoint(at, ABOVE_FOOT_DEG, nearer)

    def subject_name(self, at: datetime) -> Said:
        if self.target_at(at).altitude_deg <= 0:
            is_apex = self.apex_at(at)[0] <= HIGHEST_OVER_DEG
            return phrase("briefing.subject-band" if is_apex else "briefing.subject-foot")
        if self._target.kind is TargetKind.RADEC:
            return self._target.name or phrase("briefing.subject-target")
        return phrase("briefing.subject-core")

    def target_at(self, at: datetime) -> TrackPoint:
        moment = Span(at, at + timedelta(seconds=1))
        return target_track(self._site, self._target, moment, self._ephemeris)[0]

    def apex_at(self, at: datetime) -> tuple[float, float]:
        """Altitude and azimuth of the band's highest part."""
        at_s = posix_s(at)
        sky = geometry(Ground.of([self._site]), self._ephemeris.table(at_s, at_s), np.array([at_s]))
        return float(sky.apex_altitude_deg[0, 0]), float(sky.apex_azimuth_deg[0, 0])


def declination_deg(point: TrackPoint, lat_deg: float) -> float:
    """Declination of what stands there: sin δ = sin φ sin h + cos φ cos h cos A. Meeus, ch. 13."""
    altitude, azimuth, lat = (math.radians(v) for v in (point.altitude_deg, point.azimuth_deg, lat_deg))
    sine = math.sin(lat) * math.sin(altitude) + math.cos(lat) * math.cos(altitude) * math.cos(azimuth)
    return math.degrees(math.asin(min(max(sine, -1.0), 1.0)))


def shape_at(window: DarkWindow, at: datetime) -> Shape | None:
    """How the Milky Way stands at a time in the window; that of the nearest piece at its edges."""
    if not window.shapes:
        return None
    held = min(max(at, window.span.start), window.span.end - timedelta(seconds=1))
    return next((piece.shape for piece in window.shapes if piece.span.contains(held)), None)


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
