"""A window's sky -> what a message says of its brightness and of the towns round it."""

from __future__ import annotations

from dataclasses import replace

from alerts.briefing.facts.field_notes import SkyNote, TownGlow
from alerts.judging.window_brightness import WindowSky, window_sky
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import Dome, domes
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Target, TargetKind

SUBJECTS = {
    TargetKind.CORE: "the core",
    TargetKind.BAND: "the Milky Way's highest part",
    TargetKind.NONE: "the zenith",
}

USUAL_EXCESS = 0.1
"""Excess (see `alerts.sky.brightness.light_domes`) of a dome that is drawn in the usual size."""
SMALLEST, LARGEST = 0.4, 1.6


def sky_note(site: Site, window: DarkWindow, ephemeris: Ephemeris, *, aod: float | None = None) -> SkyNote:
    """The sky of one window. aod: aerosol optical depth at 550 nm, None when unknown."""
    return note_of(window, window_sky(site, window, ephemeris, aod))


def note_of(window: DarkWindow, sky: WindowSky) -> SkyNote:
    """What a message says of a window's sky."""
    return SkyNote(
        subject=_subject(window.target),
        mag_arcsec2=sky.middle.mag_arcsec2,
        loss_mag=sky.worst.loss_mag,
        dimmed_mag=sky.middle.dimmed_mag,
        smoke_mag=sky.middle.smoke_mag,
        towns=tuple(_town(dome, under=dome in sky.stood_over) for dome in sky.domes if not dome.inside),
        inside=next((dome.name for dome in sky.domes if dome.inside), ""),
    )


def town_glows(site: Site) -> tuple[TownGlow, ...]:
    """The towns whose light stands over a site's horizon, brightest first."""
    found = domes(site.lat_deg, site.lon_deg)
    return tuple(_town(dome, under=False) for dome in found if not dome.inside)


def _town(dome: Dome, *, under: bool) -> TownGlow:
    """Drawn the higher and wider the brighter the dome: a sketch of it, as of the band."""
    size = min(max((dome.excess / USUAL_EXCESS) ** 0.4, SMALLEST), LARGEST)
    usual = TownGlow(dome.bearing_deg, dome.distance_km, name=dome.name, under_target=under)
    return replace(usual, height_deg=usual.height_deg * size, half_width_deg=usual.half_width_deg * size)


def _subject(target: Target) -> str:
    return target.name or SUBJECTS.get(target.kind, "the target")
