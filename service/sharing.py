"""What others than its owner may know of a shared site."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from alerts.presence import without_note
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
        without_notes(site),
        lat_deg=rounded_deg(site.lat_deg),
        lon_deg=rounded_deg(site.lon_deg),
        elevation_m=float(round(site.elevation_m, -2)),
        foregrounds=(),
    )


def without_notes(site: Site) -> Site:
    """The site as it is, without what its owner noted of it."""
    return replace(site, access_note="", notes="")


def discreet(verdict: Verdict) -> Verdict:
    """The verdict without the owner's note on how one gets there."""
    return replace(verdict, reasons=tuple(without_note(each) for each in verdict.reasons))


def discreet_facts(facts: Mapping[str, Any], described: Iterable[Site]) -> dict[str, Any]:
    """What was told of a site, as stored, without what only its owner reads: notes, foregrounds, and the
    towns round it, whose bearings lead there. described: the site as it ever was."""
    notes = [site.access_note for site in described if site.access_note]

    def quiet(text: str) -> str:
        """A reason without the note that follows its colon (`presence.access`)."""
        for note in notes:
            text = text.replace(f": {note}", "")
        return text

    kept = {**facts, "access_note": "", "cause": quiet(facts.get("cause", ""))}
    kept["reasons"] = [quiet(each) for each in facts.get("reasons", [])]
    if facts.get("field"):
        frames = {**facts["field"]["frames"], "over": ""}
        kept["field"] = {**facts["field"], "frames": frames, "standings": []}
    if facts.get("sky"):
        kept["sky"] = {**facts["sky"], "towns": [], "inside": ""}
    return kept
