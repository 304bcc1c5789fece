"""How bright the sky is where the target stands in a window, and which towns glow there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from alerts.night import DarkWindow, Night
from alerts.site import Site
from alerts.sky.domes import Dome, domes
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.glow import SkyPoint, domes_stood_over, site_sky, sky_points

TOWN_CREDIT = "Town data © GeoNames, CC BY 4.0"
SLIGHT_LOSS_MAG = 0.05
"""A brightening nobody sees."""
SMOKE_TOLD_FROM_MAG = 0.2


@dataclass(frozen=True, slots=True)
class WindowSky:
    """One window's sky: the sum at its start, middle and end, and the domes of towns.

    domes: the brightest two or three round the site. stood_over: those that the target stands over
    during the window. Both know people, not lamps.
    """

    points: tuple[SkyPoint, ...]
    domes: tuple[Dome, ...]
    stood_over: tuple[Dome, ...]


def window_skies(
    site: Site, night: Night, ephemeris: Ephemeris, *, aod: float | None = None
) -> tuple[WindowSky, ...]:
    """The sky of each window of a night. aod: aerosol optical depth at 550 nm, None when unknown."""
    if not night.windows:
        return ()
    sky, around = site_sky(site), domes(site.lat_deg, site.lon_deg)
    return tuple(
        WindowSky(
            sky_points(site, sky, window.target, window.span, ephemeris, aod),
            around,
            domes_stood_over(site, window.target, window.span, ephemeris, around),
        )
        for window in night.windows
    )


def say_sky(window: DarkWindow, sky: WindowSky) -> Sequence[str]:
    """What the sum means, as short sentences: the brightness at the middle, the Moon's part, smoke, towns."""
    middle = sky.points[1]
    lines = [f"{middle.mag_arcsec2:.1f} mag/arcsec² where the target stands, at the window's middle"]
    worst = max(sky.points, key=lambda point: point.loss_mag)
    if worst.loss_mag >= SLIGHT_LOSS_MAG:
        lines.append(f"Moon and twilight brighten it by up to {worst.loss_mag:.1f} mag")
    if middle.smoke_mag >= SMOKE_TOLD_FROM_MAG:
        lines.append(f"smoke or dust: the core is dimmed by {middle.dimmed_mag:.1f} mag")
    lines += [f"{dome.text} under the target" for dome in sky.stood_over]
    lines += [dome.text for dome in sky.domes if dome not in sky.stood_over]
    return lines
