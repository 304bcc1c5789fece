"""A night, a window and a kit -> the notes for the field."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta

import numpy as np

from alerts.briefing.facts.field_notes import Air, FieldNotes, ShowerNote, Standing
from alerts.common.span import Span
from alerts.field.aim import Aim, aim_at
from alerts.field.exposure import Exposure, exposure_for
from alerts.field.frame_plan import HIGHEST_OVER_DEG, best_alignment, plan_frames
from alerts.field.kit import Kit, default_kit
from alerts.field.panorama import Panorama, plan_panorama
from alerts.field.projection import View
from alerts.field.star_trails import trail_rates
from alerts.field.trip_plan import FieldPlan
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.alignment import Alignment, alignments
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.meteor_showers import ActiveShower, active_showers
from alerts.sky.milky_way import geometry
from alerts.sky.night import BodyEvents, DarkWindow, Night, Shape, TargetKind, TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import target_track
from alerts.weather.cloud_by_hour import CloudHour
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes.model import Wishes

MOST_SHOWERS = 3
APEX, FOOT = "the Milky Way's highest part", "the Milky Way's foot"
ABOVE_FOOT_DEG = 20.0


def build_field_notes(
    site: Site,
    night: Night,
    window: DarkWindow,
    plan: FieldPlan,
    wishes: Wishes,
    ephemeris: Ephemeris,
    *,
    kit: Kit | None = None,
    outlook: Outlook | None = None,
    cloud: Sequence[CloudHour] = (),
) -> FieldNotes:
    """Everything for the trip to `window`.

    kit: None takes the usual full-frame kit and says so. cloud: hour by hour, for the picture.
    """
    found = alignments(site, window.span, ephemeris)
    best = outlook.best if outlook else None
    camera = _Camera(
        site, window, kit or default_kit(), ephemeris, best_alignment(window.span, found, best), best
    )
    closes, opens = _gate_moments(site, plan)
    give_up_at = max(window.span.end - wishes.shortest_window, window.span.start)
    return FieldNotes(
        arrive=plan.arrive,
        latest_departure=plan.latest_departure,
        give_up_at=give_up_at,
        look_deg=camera.subject_at(give_up_at).azimuth_deg,
        kit=camera.kit,
        exposure=camera.exposure,
        aim=camera.aim,
        frames=plan_frames(window.span, camera.exposure.shutter_s, found, best, camera.at),
        panorama=camera.panorama,
        civil_dusk=_evening(night.civil),
        nautical_dusk=_evening(night.nautical),
        full_dark=_evening(night.astronomical),
        dawn=night.astronomical.rises[-1] if night.astronomical.rises else None,
        moon_lit=night.moon_lit,
        moon_rises=night.moon.rises,
        moon_sets=night.moon.sets,
        standings=tuple(_standing(each) for each in found),
        showers=_showers(site, night.name, night.dark, ephemeris),
        air=air_of(outlook),
        cloud=tuple(cloud),
        signal_lost_at=plan.signal_lost_at,
        subject=camera.subject,
        start=plan.start,
        gate=site.gate,
        gate_closes=closes,
        gate_opens=opens,
    )


def _gate_moments(site: Site, plan: FieldPlan) -> tuple[datetime | None, datetime | None]:
    """When the gate closes behind who arrives as planned, and when it opens after that."""
    if site.gate is None:
        return None, None
    inside = site.gate.hours.around(plan.arrive, site.tz)
    if inside is None:
        return None, None
    following = site.gate.hours.touching(Span(inside.end, inside.end + timedelta(days=2)), site.tz)
    return inside.end, next((span.start for span in following if span.start >= inside.end), None)


class _Camera:
    """Where the camera points at the best moment, and what to set."""

    def __init__(
        self,
        site: Site,
        window: DarkWindow,
        kit: Kit,
        ephemeris: Ephemeris,
        standing: Alignment | None,
        best: Span | None,
    ) -> None:
        self.kit = kit
        self._site, self._window, self._ephemeris = site, window, ephemeris
        clear = (best.overlap(window.span) if best else None) or window.span
        self.at = standing.at.at if standing else self._best_without_foreground(clear)
        self.shape = shape_at(window, self.at)
        self.aim = self._aim()
        self.exposure = self._exposure()

    @property
    def subject(self) -> str:
        if self._target_at(self.at).altitude_deg <= 0:
            return APEX if self._apex(self.at)[0] <= HIGHEST_OVER_DEG else FOOT
        target = self._window.target
        return (target.name or "the target") if target.kind is TargetKind.RADEC else "the core"

    def subject_at(self, at: datetime) -> TrackPoint:
        """The target. Where that is down (the core, for the winter's band): the band's highest part, or
        where that is too high for a ground below it, the band above its foot on the core's side."""
        target = self._target_at(at)
        if target.altitude_deg > 0:
            return target
        altitude_deg, azimuth_deg = self._apex(at)
        if altitude_deg <= HIGHEST_OVER_DEG:
            return TrackPoint(at, altitude_deg, azimuth_deg)
        feet = ((azimuth_deg - 90) % 360, (azimuth_deg + 90) % 360)
        nearer = min(feet, key=lambda foot: abs((foot - target.azimuth_deg + 180) % 360 - 180))
        return TrackPoint(at, ABOVE_FOOT_DEG, nearer)

    def _target_at(self, at: datetime) -> TrackPoint:
        moment = Span(at, at + timedelta(seconds=1))
        return target_track(self._site, self._window.target, moment, self._ephemeris)[0]

    def _apex(self, at: datetime) -> tuple[float, float]:
        at_s = posix_s(at)
        sky = geometry(Ground.of([self._site]), self._ephemeris.table(at_s, at_s), np.array([at_s]))
        return float(sky.apex_altitude_deg[0, 0]), float(sky.apex_azimuth_deg[0, 0])

    def _best_without_foreground(self, clear: Span) -> datetime:
        """The moment nearest to the middle at which the target is low enough for a ground below it."""
        track = target_track(self._site, self._window.target, clear, self._ephemeris)
        low = [point.at for point in track if 0 < point.altitude_deg <= HIGHEST_OVER_DEG]
        if self._target_at(clear.middle).altitude_deg <= HIGHEST_OVER_DEG or not low:
            return clear.middle
        return min(low, key=lambda at: abs(at - clear.middle))

    def _aim(self) -> Aim:
        subject = self.subject_at(self.at)
        land = float(ridge_deg(self._site.horizon, subject.azimuth_deg))
        return aim_at(self.kit, subject.altitude_deg, subject.azimuth_deg, self.shape, land)

    def _exposure(self) -> Exposure:
        subject = self.subject_at(self.at)
        view = View.of(self.kit, self.aim.azimuth_deg, self.aim.tilt_deg, portrait=self.aim.portrait)
        dec_deg = declination_deg(subject, self._site.lat_deg)
        place = (subject.altitude_deg, subject.azimuth_deg)
        return exposure_for(
            self.kit, trail_rates(self.kit, view, self._site.lat_deg, place, dec_deg), dec_deg
        )

    @property
    def panorama(self) -> Panorama | None:
        if self.shape is not Shape.ARCH:
            return None
        return plan_panorama(self.kit, *self._apex(self.at), self.exposure.shutter_s)


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
        on_lens = "frost" if lens.text.startswith("frost") else "dew"
    return Air(
        felt_c=worst.get("cold"),
        wind_ms=worst.get("wind"),
        wet_pct=wet.worst if wet is not None and wet.unit == "%" else None,
        on_lens=on_lens,
    )


def _evening(events: BodyEvents) -> datetime | None:
    return events.sets[0] if events.sets else None


def _standing(found: Alignment) -> Standing:
    return Standing(found.foreground.name, found.foreground.bearing_deg, found.over.value, found.at)


def _showers(site: Site, name: date, dark: Sequence[Span], ephemeris: Ephemeris) -> tuple[ShowerNote, ...]:
    active = [shower for shower in active_showers(site, name, dark, ephemeris) if shower.is_worth_a_line]
    return tuple(map(_shower, active[:MOST_SHOWERS]))


def _shower(found: ActiveShower) -> ShowerNote:
    return ShowerNote(found.name, found.zhr, found.days_to_peak, found.highest, found.hourly)
