"""How bright the sky is where the target stands in a window, and which towns glow there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.judging.verdict import Verdict
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import Dome, domes
from alerts.sky.brightness.total import SkyPoint, domes_stood_over, site_sky, sky_points
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night
from alerts.sky.target_text import target_phrase

TOWN_CREDIT = "Town data © GeoNames, CC BY 4.0"
TOWN_CREDIT_URL = "https://www.geonames.org/"
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

    @property
    def middle(self) -> SkyPoint:
        return self.points[1]

    @property
    def worst(self) -> SkyPoint:
        """Where Moon and twilight cost most."""
        return max(self.points, key=lambda point: point.loss_mag)


def window_skies(
    site: Site, night: Night, ephemeris: Ephemeris, verdict: Verdict | None = None
) -> tuple[WindowSky, ...]:
    """The sky of each window of a night.

    verdict: the night's, from whose outlooks the smoke and dust over each window are taken; without one, or
    where an outlook doesn't tell, the usual haze is assumed.
    """
    depths = _optical_depths(verdict)
    return tuple(window_sky(site, window, ephemeris, depths.get(window.span)) for window in night.windows)


def window_sky(site: Site, window: DarkWindow, ephemeris: Ephemeris, aod: float | None = None) -> WindowSky:
    """The sky of one window. aod: aerosol optical depth at 550 nm, None when unknown."""
    around = domes(site.lat_deg, site.lon_deg)
    return WindowSky(
        sky_points(site, site_sky(site), window.target, window.span, ephemeris, aod),
        around,
        domes_stood_over(site, window.target, window.span, ephemeris, around),
    )


def _optical_depths(verdict: Verdict | None) -> dict[Span, float | None]:
    """At 550 nm over each window for which there is an outlook."""
    judged = (verdict, *verdict.others) if verdict is not None else ()
    return {each.window.span: optical_depth(each) for each in judged if each.window is not None}


def optical_depth(verdict: Verdict) -> float | None:
    """Of smoke and dust over the verdict's window, at 550 nm; None where no outlook tells."""
    return verdict.outlook.aerosol_optical_depth if verdict.outlook is not None else None


def say_sky(window: DarkWindow, sky: WindowSky) -> Sequence[str]:
    """What the sum means, as short clauses: the brightness at the middle, the Moon's part, smoke, towns."""
    middle, worst, name = sky.middle, sky.worst, target_phrase(window.target)
    lines = [say("judging.sky-middle", mag_arcsec2=middle.mag_arcsec2)]
    if worst.loss_mag >= SLIGHT_LOSS_MAG:
        lines.append(say("judging.light-brightens", cause=worst.brightened_by, loss_mag=worst.loss_mag))
    if middle.smoke_mag >= SMOKE_TOLD_FROM_MAG:
        lines.append(say("judging.smoke", target=name, dimmed_mag=middle.dimmed_mag))
    elif middle.aod_assumed:
        lines.append(say("judging.haze-assumed", target=name, dimmed_mag=middle.dimmed_mag))
    else:
        lines.append(say("judging.haze-forecast", target=name, dimmed_mag=middle.dimmed_mag))
    lines += [say("judging.dome-under-target", dome=dome.phrase) for dome in sky.stood_over]
    return lines + [dome.text for dome in sky.domes if dome not in sky.stood_over]
