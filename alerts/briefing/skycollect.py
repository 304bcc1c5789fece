"""A window's sky -> what a message says of its brightness and of the towns round it."""

from __future__ import annotations

from alerts.briefing.fieldnotes import SkyNote, TownGlow
from alerts.night import DarkWindow, Target, TargetKind
from alerts.site import Site
from alerts.sky.domes import Dome, domes
from alerts.sky.ephemeris import Ephemeris
from alerts.skyview import WindowSky, window_sky

SUBJECTS = {
    TargetKind.CORE: "the core",
    TargetKind.BAND: "the Milky Way's highest part",
    TargetKind.NONE: "the zenith",
}


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
    return TownGlow(dome.bearing_deg, dome.distance_km, name=dome.name, under_target=under)


def _subject(target: Target) -> str:
    return target.name or SUBJECTS.get(target.kind, "the target")
