"""The rule `darkness`: how dark the sky is where the target stands, and what takes from it.

It never decides a night: Sun and Moon have made the windows already, and town glow is an estimate. So it is
told beside a verdict, wherever one is shown, and worked out only then.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict
from alerts.judging.window_brightness import SLIGHT_LOSS_MAG, SMOKE_TOLD_FROM_MAG, WindowSky
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night, SkyWishes, TargetKind
from alerts.sky.target_text import target_name

TOWNS_WARN_FROM_MAG = 0.5
"""Towns that brighten the target's sky by so much (to 1.6 times the natural light) are worth a warning."""
_BEFORE_PASSES = (Result.FAIL, Result.UNKNOWN, Result.WARN)


def with_darkness(verdict: Verdict, site: Site, night: Night, skies: Sequence[WindowSky]) -> Verdict:
    """The verdict with its window's darkness among the reasons; as it is without a window.

    skies: those of the night's windows, from `alerts.judging.window_brightness.window_skies`. A window under
    another target's sky, which isn't among the night's, is left as it is.
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
    """`the sky is 21.3 mag/arcsec² at the core; the Moon costs up to 0.2 mag, you accept 0.3`.

    Warns where smoke or dust dim the target, or towns brighten its sky, by more than a trifle; never fails.
    """
    is_smoky = sky.middle.smoke_mag >= SMOKE_TOLD_FROM_MAG
    warns = is_smoky or sky.middle.towns_mag >= TOWNS_WARN_FROM_MAG
    text = "; ".join(_parts(window, sky, site, wishes, is_smoky=is_smoky))
    return Reason("darkness", Result.WARN if warns else Result.PASS, text, _slack(sky, wishes))


def _slack(sky: WindowSky, wishes: SkyWishes) -> float | None:
    most = wishes.most_loss_mag
    return (most - sky.worst.loss_mag) / most if most and not wishes.moonless else None


def _parts(
    window: DarkWindow, sky: WindowSky, site: Site, wishes: SkyWishes, *, is_smoky: bool
) -> Iterator[str]:
    has_target = window.target.kind is not TargetKind.NONE
    name = target_name(window.target) if has_target else "the zenith"
    yield f"the sky is {sky.middle.mag_arcsec2:.1f} mag/arcsec² at {name}"
    yield _say_loss(sky, wishes)
    if is_smoky:
        yield f"smoke or dust dims {name} by {sky.middle.dimmed_mag:.1f} mag"
    if sky.middle.towns_mag >= SLIGHT_LOSS_MAG:
        yield _say_towns(sky, site)
    yield from (f"{name} stands over {dome.text}" for dome in sky.stood_over if not dome.inside)


def _say_towns(sky: WindowSky, site: Site) -> str:
    brighter = f"brighten the sky there by {sky.middle.towns_mag:.1f} mag"
    if site.darkness is None:
        return f"towns {brighter} (an estimate that knows people, not lamps)"
    return f"{'towns' if sky.domes else 'lights that no town explains'} {brighter} (by your reading)"


def _say_loss(sky: WindowSky, wishes: SkyWishes) -> str:
    worst, most = sky.worst, wishes.most_loss_mag
    costs = "no Moon in it"
    if worst.loss_mag >= SLIGHT_LOSS_MAG:
        verb = "cost" if " and " in worst.brightened_by else "costs"
        costs = f"{worst.brightened_by} {verb} up to {worst.loss_mag:.1f} mag"
    accepts = f", you accept {most:g}" if most and not wishes.moonless else ""
    return costs + accepts
