"""What others than its owner may know of a shared site.

They get a copy of it, a site of its own in the store (`service.store.repositories.rounded_sites`), described
as `shared_site` says. Whatever they read or are sent is worked out for that copy, so that nothing in it
depends on where within some kilometres the true place lies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from alerts.common.phrases import from_row
from alerts.judging.rules import Reason, Result, without_note
from alerts.judging.verdict import Verdict
from alerts.sites.great_circle import SHARED_STEP_DEG, lon_step_deg, rounded_place
from alerts.sites.model import HorizonLine, Site


def shared_site(site: Site, known: Site | None = None) -> Site:
    """The site as others know it: at its rounded place, nothing of the ground there, no reading, no notes.

    known: as they know it so far. Where the place moved to the next cell at the most, it stays there for
    them: else moving the site a little, again and again, would tell where the border runs.
    """
    lat_deg, lon_deg = rounded_place(site.lat_deg, site.lon_deg)
    if known is not None:
        north_deg, east_deg = lat_deg - known.lat_deg, (lon_deg - known.lon_deg + 180) % 360 - 180
        step_deg = lon_step_deg(known.lat_deg)
        if abs(north_deg) < 1.5 * SHARED_STEP_DEG and abs(east_deg) < 1.5 * step_deg:
            lat_deg, lon_deg = known.lat_deg, known.lon_deg
    return replace(
        site,
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=0.0,
        horizon=HorizonLine(),
        foregrounds=(),
        darkness=None,
        access_note="",
        notes="",
    )


def discreet(verdict: Verdict) -> Verdict:
    """The verdict without the owner's note on how one gets there."""
    return replace(verdict, reasons=tuple(without_note(each) for each in verdict.reasons))


def discreet_facts(facts: Mapping[str, Any], described: Iterable[Site]) -> dict[str, Any]:
    """What was told of a site, as stored, without what only its owner reads: notes, foregrounds, what
    its ridge makes of the night, and the towns round it, whose bearings lead there. described: the site as it
    ever was."""
    notes = [site.access_note for site in described if site.access_note]

    def quiet(text: str, beside: Mapping[str, Any] | None) -> dict[str, Any]:
        """A reason without the note: what an older version stored as a text alone has it after a colon."""
        if beside is not None and beside["code"] == "judging.access-note":
            found = from_row({"text": text, **beside})
            return without_note(Reason("access", Result.PASS, found)).text.as_row()
        for note in notes:
            text = text.replace(f": {note}", "")
        return {"text": text, **(beside or {})}

    kept = {**facts, "access_note": ""}
    cause = quiet(facts.get("cause", ""), facts.get("cause_phrase"))
    kept["cause"], kept["cause_phrase"] = cause.pop("text"), cause or None
    reasons = facts.get("reasons", [])
    beside = facts.get("reasons_phrase") or [None] * len(reasons)
    quieted = [quiet(*each) for each in zip(reasons, beside, strict=True)]
    kept["reasons"] = [each.pop("text") for each in quieted]
    kept["reasons_phrase"] = [each or None for each in quieted]
    if facts.get("field"):
        frames = {**facts["field"]["frames"], "over": ""}
        kept["field"] = {**facts["field"], "frames": frames, "standings": []}
    if facts.get("sky"):
        kept["sky"] = {**facts["sky"], "towns": [], "inside": ""}
    if facts.get("ground"):
        kept["ground"] = None
    return kept
