"""How bright the sky is where the target stands in a window, which towns glow there, and the rule `darkness`.

The rule never decides a night: Sun and Moon have made the windows already, and town glow is an estimate. So
it is told beside a verdict, wherever one is shown, and worked out only then: stored with each decision it
would cost a cold cycle half a minute for a line that changes no word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from alerts.common.phrases import phrase, say
from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import Dome, domes
from alerts.sky.brightness.total import SkyPoint, against_darkest, domes_stood_over, site_sky, sky_points
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import DarkWindow, Night, SkyWishes, TargetKind, target_phrase

TOWN_CREDIT_URL = "https://www.geonames.org/"
SLIGHT_LOSS_MAG = 0.05
"""A brightening nobody sees."""
SMOKE_TOLD_FROM_MAG = 0.2
TOWNS_WARN_FROM_MAG = 0.5
"""Towns that brighten the target's sky by so much (to 1.6 times the natural light) are worth a warning."""
_BEFORE_PASSES = (Result.FAIL, Result.UNKNOWN, Result.WARN)


@dataclass(frozen=True, slots=True)
class WindowSky:
    """One window's sky: the sum at its start, middle and end, and the domes of towns.

    domes: the brightest two or three round the site. stood_over: those that the target stands over
    during the window. Both know people, not lamps. is_estimate: nobody measured how dark the site is.
    """

    points: tuple[SkyPoint, ...]
    domes: tuple[Dome, ...]
    stood_over: tuple[Dome, ...]
    is_estimate: bool

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
    judged = (verdict, *verdict.others) if verdict is not None else ()
    depths = {each.window.span: optical_depth(each) for each in judged if each.window is not None}
    return tuple(window_sky(site, window, ephemeris, depths.get(window.span)) for window in night.windows)


def window_sky(site: Site, window: DarkWindow, ephemeris: Ephemeris, aod: float | None = None) -> WindowSky:
    """The sky of one window. aod: aerosol optical depth at 550 nm, None when unknown."""
    around = domes(site.lat_deg, site.lon_deg, site.elevation_m)
    return WindowSky(
        sky_points(site_sky(site), window.target, window.span, ephemeris, aod),
        around,
        domes_stood_over(site, window.target, window.span, ephemeris, around),
        site.darkness is None,
    )


def optical_depth(verdict: Verdict) -> float | None:
    """Of smoke and dust over the verdict's window, at 550 nm; None where no outlook tells."""
    return verdict.outlook.aerosol_optical_depth if verdict.outlook is not None else None


def say_sky(window: DarkWindow, sky: WindowSky) -> Sequence[str]:
    """What the sum means, as short clauses: the brightness at the middle, the Moon's part, smoke, towns."""
    middle, worst, name = sky.middle, sky.worst, target_phrase(window.target)
    lines = [say("judging.sky-middle", **_brightness(sky))]
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


def _brightness(sky: WindowSky) -> dict[str, Any]:
    """The values of a sentence that tells how bright the sky is at a window's middle."""
    middle = sky.middle
    against = against_darkest(middle.above_darkest_mag, is_low=middle.is_low)
    return {"mag_arcsec2": middle.mag_arcsec2, "against": against, "is_estimate": sky.is_estimate}


def with_darkness(verdict: Verdict, site: Site, night: Night, skies: Sequence[WindowSky]) -> Verdict:
    """The verdict with its window's darkness among the reasons; as it is without a window.

    skies: those of the night's windows, from `window_skies`. A window under another target's sky, which isn't
    among the night's, is left as it is.
    """
    if verdict.window is None or verdict.window not in night.windows:
        return verdict
    sky = skies[night.windows.index(verdict.window)]
    reason = darkness(verdict.window, sky, site, night.wishes)
    first, *rest = verdict.reasons
    index = sum(each.result in _BEFORE_PASSES and each.rule != "other_window" for each in rest)
    if reason.result is Result.PASS:
        index = sum(each.rule != "other_window" for each in rest)
    return replace(verdict, reasons=(first, *rest[:index], reason, *rest[index:]))


def darkness(window: DarkWindow, sky: WindowSky, site: Site, wishes: SkyWishes) -> Reason:
    """`the sky is 21.3 mag/arcsec² at the core, as dark as it gets this low; no Moon in it`.

    Warns where smoke or dust dim the target, or towns brighten its sky, by more than a trifle; never fails.
    """
    middle, worst = sky.middle, sky.worst
    most = None if wishes.moonless else wishes.most_loss_mag or None
    is_smoky = middle.smoke_mag >= SMOKE_TOLD_FROM_MAG
    has_target = window.target.kind is not TargetKind.NONE
    name = target_phrase(window.target) if has_target else phrase("judging.zenith")
    parts = [phrase("judging.sky-brightness", target=name, **_brightness(sky))]

    # what Moon and twilight take of it
    costs = {"cause": worst.brightened_by, "loss_mag": worst.loss_mag}
    if worst.loss_mag < SLIGHT_LOSS_MAG and most is None:
        parts.append(phrase("judging.no-moon"))
    elif worst.loss_mag < SLIGHT_LOSS_MAG:
        parts.append(phrase("judging.no-moon-accepted", most_loss_mag=most))
    elif most is None:
        parts.append(phrase("judging.light-costs", **costs))
    else:
        parts.append(phrase("judging.light-costs-accepted", **costs, most_loss_mag=most))

    # smoke, towns, and the domes that the target stands over
    if is_smoky:
        parts.append(phrase("judging.smoke-dims", target=name, dimmed_mag=middle.dimmed_mag))
    if middle.towns_mag >= SLIGHT_LOSS_MAG:
        if site.darkness is None:
            parts.append(phrase("judging.towns-estimated", towns_mag=middle.towns_mag))
        elif sky.domes:
            parts.append(phrase("judging.towns-by-reading", towns_mag=middle.towns_mag))
        else:
            parts.append(phrase("judging.lights-by-reading", towns_mag=middle.towns_mag))
    over = (dome for dome in sky.stood_over if not dome.inside)
    parts += [phrase("judging.stands-over", target=name, dome=dome.phrase) for dome in over]

    warns = is_smoky or middle.towns_mag >= TOWNS_WARN_FROM_MAG
    slack = None if most is None else (most - worst.loss_mag) / most
    text = phrase("judging.darkness", parts=tuple(parts))
    return Reason("darkness", Result.WARN if warns else Result.PASS, text, slack)
