"""The rule `darkness`: how dark the sky is where the target stands, and what takes from it.

It never decides a night: Sun and Moon have made the windows already, and town glow is an estimate. So it is
told beside a verdict, wherever one is shown, and worked out only then: stored with each decision it would
cost a cold cycle half a minute for a line that changes no word.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from alerts.common.phrases import phrase
from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict
from alerts.judging.window_brightness import SLIGHT_LOSS_MAG, SMOKE_TOLD_FROM_MAG, WindowSky
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night, SkyWishes, TargetKind
from alerts.sky.target_text import target_phrase

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
    middle, worst = sky.middle, sky.worst
    most = None if wishes.moonless else wishes.most_loss_mag or None
    is_smoky = middle.smoke_mag >= SMOKE_TOLD_FROM_MAG
    has_target = window.target.kind is not TargetKind.NONE
    name = target_phrase(window.target) if has_target else phrase("judging.zenith")
    parts = [phrase("judging.sky-brightness", mag_arcsec2=middle.mag_arcsec2, target=name)]

    # what Moon and twilight take of it
    if worst.loss_mag < SLIGHT_LOSS_MAG:
        parts.append(
            phrase("judging.no-moon")
            if most is None
            else phrase("judging.no-moon-accepted", most_loss_mag=most)
        )
    else:
        costs = {"cause": worst.brightened_by, "loss_mag": worst.loss_mag}
        parts.append(
            phrase("judging.light-costs", **costs)
            if most is None
            else phrase("judging.light-costs-accepted", **costs, most_loss_mag=most)
        )

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
