"""Official warnings against a trip: which overlap it, and which block a go."""

from __future__ import annotations

from collections.abc import Sequence

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, Forecast, OfficialWarning, Severity, Source
from alerts.weather.outlook import Hazard, HazardLevel

BLOCKING = frozenset({Severity.SEVERE, Severity.EXTREME})
_RANK = (Severity.EXTREME, Severity.SEVERE, Severity.UNKNOWN, Severity.MODERATE, Severity.MINOR)
OFFICIAL_LINEAGE = "official"
"""In place of a model's family: an authority's own word."""


def newest_bulletins(forecasts: Sequence[Forecast]) -> tuple[Bulletin, ...]:
    """Each authority's newest word among what the forecasts carry; recorded ones count as oldest."""
    newest: dict[str, Bulletin] = {}
    for bulletin in (each for forecast in forecasts for each in forecast.bulletins):
        known = newest.get(bulletin.authority)
        if known is None or _when(bulletin) >= _when(known):
            newest[bulletin.authority] = bulletin
    return tuple(newest[authority] for authority in sorted(newest))


def authorities(bulletins: Sequence[Bulletin]) -> tuple[Source, ...]:
    """Whose word on warnings was used, to be credited: that nothing is in force is a word too."""
    return tuple(
        Source(
            feed=bulletin.feed,
            provider=bulletin.authority,
            lineage=OFFICIAL_LINEAGE,
            model="warnings",
            attribution=bulletin.attribution,
            attribution_url=bulletin.attribution_url,
            issued_at=bulletin.asked_at,
            fetched_at=bulletin.asked_at,
        )
        for bulletin in bulletins
    )


def _when(bulletin: Bulletin) -> float:
    return bulletin.asked_at.timestamp() if bulletin.asked_at else float("-inf")


def overlapping(bulletins: Sequence[Bulletin], trip: Span) -> tuple[OfficialWarning, ...]:
    """Warnings in force at some time of the trip, the gravest first."""
    found = {
        warning.warning_id: warning
        for bulletin in bulletins
        for warning in bulletin.warnings
        if warning.span.overlap(trip) is not None
    }
    return tuple(sorted(found.values(), key=lambda each: (_RANK.index(each.severity), each.span, each.event)))


def warning_hazard(bulletins: Sequence[Bulletin], warnings: Sequence[OfficialWarning], trip: Span) -> Hazard:
    """Fails at severe and extreme; warns at any other and at one that couldn't be read; unknown where no
    authority was asked.

    warnings: those that overlap the trip.
    """
    if not bulletins:
        return Hazard("warning", HazardLevel.UNKNOWN, phrase("weather.warnings-unasked"))
    unread = next((bulletin for bulletin in bulletins if bulletin.unread), None)
    if not warnings and unread:
        said = phrase("weather.warning-unread", authority=unread.authority)
        return Hazard("warning", HazardLevel.WARN, said, url=unread.attribution_url)
    if not warnings:
        names = tuple(bulletin.authority for bulletin in bulletins)
        return Hazard("warning", HazardLevel.FINE, phrase("weather.warnings-none", authorities=names))
    blocks = any(warning.severity in BLOCKING for warning in warnings)
    told = tuple(
        each.event
        if each.severity is Severity.UNKNOWN
        else phrase("weather.warning-severity", event=each.event, severity=each.severity.value)
        for each in warnings[:3]
    )
    gravest = warnings[0]
    return Hazard(
        "warning",
        HazardLevel.FAIL if blocks else HazardLevel.WARN,
        phrase("weather.warnings", warnings=told, more=len(warnings) - len(told)),
        at=max(gravest.span.start, trip.start),
        url=gravest.url,
    )
