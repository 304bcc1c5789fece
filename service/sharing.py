"""What others than its owner may know of a shared site."""

from __future__ import annotations

from dataclasses import replace

from alerts.site import Site
from alerts.verdict import Verdict

SHARED_STEP_DEG = 0.05
"""About five kilometres: enough to know the region, not enough to find the place."""


def rounded_deg(value_deg: float) -> float:
    """To the nearest 0.05 degrees."""
    return round(round(value_deg / SHARED_STEP_DEG) * SHARED_STEP_DEG, 2)


def shared_site(site: Site) -> Site:
    """The site without what would lead to it: coordinates rounded, no foregrounds, no notes."""
    return replace(
        site,
        lat_deg=rounded_deg(site.lat_deg),
        lon_deg=rounded_deg(site.lon_deg),
        elevation_m=float(round(site.elevation_m, -2)),
        foregrounds=(),
        access_note="",
        notes="",
    )


def discreet(verdict: Verdict, site: Site) -> Verdict:
    """The verdict without the owner's note on how one gets there."""
    note = f": {site.access_note}" if site.access_note else ""
    reasons = (replace(each, text=each.text.removesuffix(note)) for each in verdict.reasons)
    return replace(verdict, reasons=tuple(reasons))
