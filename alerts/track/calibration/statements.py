"""From what was decided of a night to what is remembered of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from statistics import fmean

from alerts.judging.rules import Reason, Result
from alerts.track.calibration.leads import Stated
from alerts.weather.outlook import Outlook

ABOUT_CHANCE_OR_DAY = {"chance", "day", "other_window"}


def build_stated(
    reasons: Iterable[Reason],
    outlook: Outlook | None,
    *,
    as_of: datetime,
    confirmed_at: datetime,
    chance_pct: int | None,
    raw_chance_pct: int | None,
) -> Stated:
    """What a verdict stated, with its reasons and its outlook.

    chance_pct: as it was told; raw_chance_pct: before calibration. It counts as "told go" where nothing
    but the day stood in the way, so that leads of days can be compared with the last word.
    """
    kept = tuple(reasons)
    is_barred = any(_bars(reason) for reason in kept)
    is_enough = any(reason.rule == "chance" and reason.result is Result.PASS for reason in kept)
    return Stated(
        as_of=as_of,
        confirmed_at=confirmed_at,
        chance=None if chance_pct is None else chance_pct / 100,
        raw_chance=None if raw_chance_pct is None else raw_chance_pct / 100,
        told_go=is_enough and not is_barred,
        is_barred=is_barred,
        member_share=member_share(outlook),
        lineages=lineage_chances(outlook),
    )


def _bars(reason: Reason) -> bool:
    """Whether this alone forbids a go: a failing or unknown limit, or too few sources."""
    if reason.rule in ABOUT_CHANCE_OR_DAY:
        return False
    forbids = (Result.FAIL, Result.UNKNOWN)
    return reason.result in forbids or (reason.rule == "sources" and reason.result is not Result.PASS)


def lineage_chances(outlook: Outlook | None) -> tuple[tuple[str, float], ...]:
    """Each answering lineage's own chance (0..1), the mean of its sources, by name."""
    by_lineage: dict[str, list[float]] = defaultdict(list)
    for entry in outlook.per_source if outlook else ():
        if entry.chance is not None:
            by_lineage[entry.source.lineage].append(entry.chance)
    return tuple((name, fmean(by_lineage[name])) for name in sorted(by_lineage))


def member_share(outlook: Outlook | None) -> float:
    """How much of the chance came from ensembles: by lineage, as the chance itself is blended."""
    if outlook is None:
        return 0.0
    by_lineage: dict[str, list[bool]] = defaultdict(list)
    for entry in outlook.per_source:
        if entry.chance is not None and entry.source.lineage in outlook.lineages:
            by_lineage[entry.source.lineage].append(entry.members > 0)
    return fmean(fmean(each) for each in by_lineage.values()) if by_lineage else 0.0
