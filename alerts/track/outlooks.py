"""The outlook with its chance corrected by what came of earlier ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from alerts.track.calibration import Calibration
from alerts.track.correct import calibrate
from alerts.track.statements import member_share
from alerts.weather.outlook import Outlook


def calibrated_outlook(outlook: Outlook, calibration: Calibration, *, site: int, now: datetime) -> Outlook:
    """The same outlook with the corrected chance, the one before it, and the version that corrected it.

    site: the number under which the record knows it. An unknown chance stays unknown; one that was
    corrected already is corrected from what it was before.
    """
    raw_pct = outlook.chance_pct if outlook.raw_chance_pct is None else outlook.raw_chance_pct
    if raw_pct is None:
        return outlook
    found = calibrate(
        calibration,
        raw_pct / 100,
        hours_before=max(0.0, (outlook.window.start - now) / timedelta(hours=1)),
        site=site,
        member_share=member_share(outlook),
    )
    return replace(
        outlook,
        chance_pct=round(100 * found.chance),
        raw_chance_pct=raw_pct,
        calibration=found.version,
    )
