"""A night, a window and a kit -> the notes for the field."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

import numpy as np

from alerts.aim import Aim, aim_at
from alerts.briefing.fieldnotes import Air, FieldNotes, ShowerNote, Standing
from alerts.exposure import Exposure, exposure_for
from alerts.fieldplan import FieldPlan
from alerts.frameplan import HIGHEST_OVER_DEG, best_alignment, plan_frames
from alerts.kit import Kit, default_kit
from alerts.night import BodyEvents, DarkWindow, Night, Shape, TrackPoint
from alerts.panorama import Panorama, plan_panorama
from alerts.projection import View
from alerts.site import Site
from alerts.sky.alignment import Alignment, alignments
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.ground import Ground
from alerts.sky.milkyway import geometry
from alerts.sky.showers import ActiveShower, active_showers
from alerts.sky.targets import target_direction
from alerts.sky.terrain import ridge_deg
from alerts.sky.tracks import target_track
from alerts.span import Span
from alerts.trailing import trail_rates
from alerts.weather.cloudhours import CloudHour
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes import Wishes

MOST_SHOWERS = 3


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
    signal_lost_before: timedelta | None = None,
) -> FieldNotes:
    """Everything for the trip to `window`.

    kit: None takes the usual full-frame kit and says so. cloud: hour by hour, for the picture.
    signal_lost_before: how long before arriving the phone goes silent; None when that isn't known.
    """
    found = alignments(site, window.span, ephemeris)
    best = outlook.best if outlook else None
    camera = _Camera(
        site, window, kit or default_kit(), ephemeris, best_alignment(window.span, found, best), best
    )
    give_up_at = max(window.span.end - wishes.shortest_window, window.span.start)
    return FieldNotes(
        arrive=plan.arrive,
        latest_departure=plan.latest_departure,
        give_up_at=give_up_at,
        look_deg=camera.target_at(give_up_at).azimuth_deg,
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
        signal_lost_at=plan.arrive - signal_lost_before if signal_lost_before is not None else None,
    )


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

    def _best_without_foreground(self, clear: Span) -> datetime:
        """The moment nearest to the middle at which the target is low enough for a ground below it."""
        track = target_track(self._site, self._window.target, clear, self._ephemeris)
        low = [point.at for point in track if 0 < point.altitude_deg <= HIGHEST_OVER_DEG]
        if self.target_at(clear.middle).altitude_deg <= HIGHEST_OVER_DEG or not low:
            return clear.middle
        return min(low, key=lambda at: abs(at - clear.middle))

    def target_at(self, at: datetime) -> TrackPoint:
        moment = Span(at, at + timedelta(seconds=1))
        return target_track(self._site, self._window.target, moment, self._ephemeris)[0]

    def _aim(self) -> Aim:
        target = self.target_at(self.at)
        land = float(ridge_deg(self._site.horizon, target.azimuth_deg))
        return aim_at(self.kit, max(target.altitude_deg, 0.0), target.azimuth_deg, self.shape, land)

    def _exposure(self) -> Exposure:
        target = self.target_at(self.at)
        view = View.of(self.kit, self.aim.azimuth_deg, self.aim.tilt_deg, portrait=self.aim.portrait)
        dec_deg = float(np.degrees(np.arcsin(target_direction(self._window.target)[2])))
        place = (target.altitude_deg, target.azimuth_deg)
        return exposure_for(
            self.kit, trail_rates(self.kit, view, self._site.lat_deg, place, dec_deg), dec_deg
        )

    @property
    def panorama(self) -> Panorama | None:
        if self.shape is not Shape.ARCH:
            return None
        at_s = posix_s(self.at)
        sky = geometry(Ground.of([self._site]), self._ephemeris.table(at_s, at_s), np.array([at_s]))
        apex = float(sky.apex_altitude_deg[0, 0]), float(sky.apex_azimuth_deg[0, 0])
        return plan_panorama(self.kit, *apex, self.exposure.shutter_s)


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
