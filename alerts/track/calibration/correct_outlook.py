"""The outlook with its chance corrected by what came of earlier ones.

It is corrected before it is judged. Correcting only what is shown would let a verdict rest on another chance
than the one that is told.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from alerts.track.calibration.correct import in_use
from alerts.track.calibration.model import NONE_VERSION, Calibration
from alerts.weather.outlook import Outlook

HOUR = timedelta(hours=1)


def calibrated_outlook(outlook: Outlook, calibration: Calibration, *, site: int, now: datetime) -> Outlook:
    """The same outlook with the corrected chance, the one before it, and the version that corrected it.

    site: the number under which the record knows it. An unknown chance stays unknown; one that was
    corrected already is corrected from what it was before, and stands as it was before under the version
    that corrects nothing. The lead is taken in whole hours before the window, so that a chance doesn't
    move from minute to minute.
    """
    raw_pct = outlook.chance_pct if outlook.raw_chance_pct is None else outlook.raw_chance_pct
    if raw_pct is None:
        return outlook
    whole_pct = outlook.whole_pct if outlook.raw_whole_pct is None else outlook.raw_whole_pct
    if calibration.version == NONE_VERSION:
        return replace(
            outlook,
            chance_pct=raw_pct,
            raw_chance_pct=None,
            calibration="",
            chance_range_pct=None,
            whole_pct=whole_pct,
            raw_whole_pct=None,
        )
    used, hours_before = in_use(calibration), _hours_before(outlook, now)
    chance_pct, *range_pct = used.chances_pct(raw_pct, hours_before, site)
    whole = None if whole_pct is None else used.chances_pct(whole_pct, hours_before, site)
    return replace(
        outlook,
        chance_pct=chance_pct,
        raw_chance_pct=raw_pct,
        calibration=calibration.version,
        chance_range_pct=(range_pct[0], range_pct[1]),
        whole_pct=None if whole is None else whole[0],
        raw_whole_pct=whole_pct,
    )


def moves_at(
    outlook: Outlook, calibration: Calibration, *, site: int, now: datetime, until: datetime
) -> datetime:
    """When the corrected chance becomes another one by the passing of time; `until` when it doesn't before.

    outlook: as `calibrated_outlook` made it at `now`.
    """
    raw_pct = outlook.raw_chance_pct
    used = in_use(calibration)
    if raw_pct is None or used.is_the_same_at_all_leads:
        return until
    for hours in range(_hours_before(outlook, now) - 1, -1, -1):
        at = outlook.window.start - hours * HOUR
        if at >= until:
            return until
        if used.chances_pct(raw_pct, hours, site)[0] != outlook.chance_pct:
            return at
    return until


def _hours_before(outlook: Outlook, now: datetime) -> int:
    return max(0, -((now - outlook.window.start) // HOUR))
