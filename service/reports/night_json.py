"""One judged night as JSON values: the object of `duskbell tonight --json`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from alerts.briefing.collect import NightFindings, ground_note
from alerts.briefing.facts import NOTHING_AHEAD, Ahead
from alerts.briefing.payload import ground_values, shape_json
from alerts.briefing.text.alert_lines import event_of, event_values
from alerts.common.plain_values import rounded
from alerts.common.time_text import span_json, utc_text
from alerts.judging.window_brightness import WindowSky
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow
from alerts.weather.outlook import Outlook
from alerts.wishes.fields import write_words


def night_report(
    found: NightFindings,
    skies: Sequence[WindowSky],
    *,
    ahead: Ahead = NOTHING_AHEAD,
    elevation_known: bool = True,
    is_decided: bool,
) -> dict[str, Any]:
    """The documented object: UTC times as `…Z`, degrees, fixed keys; what is unknown is null.

    found: as it was judged or last held. skies: how bright the sky is in each of the night's windows. ahead:
    of a night without weather yet, or without a window. is_decided: it was read from the decision that all
    views share.
    """
    site, night, verdict, wishes = found.site, found.night, found.verdict, found.wishes
    outlook = verdict.outlook
    return {
        "site": site_json(site, elevation_m=site.elevation_m if elevation_known else None),
        "night": night.name.isoformat(),
        "sun": {"set": utc_text(night.sun.first_set), "rise": utc_text(night.sun.last_rise)},
        "dark": [span_json(span) for span in night.dark],
        "moon": {
            "rises": [utc_text(at) for at in night.moon.rises],
            "sets": [utc_text(at) for at in night.moon.sets],
            "lit": round(night.moon_lit, 4),
            "foreground_lit": [span_json(span) for span in night.foreground_moonlit],
        },
        **ground_values(found.ground or ground_note(site, night)),
        "windows": [
            {**window_json(window), **sky_json(sky)} for window, sky in zip(night.windows, skies, strict=True)
        ],
        "outlook": outlook_json(outlook) if outlook else None,
        "event": event_values(event_of(outlook, wishes.shortest_window, found.now)),
        "first_look": ahead.first_look.isoformat() if ahead.first_look else None,
        "next_window": ahead.next_window.isoformat() if ahead.next_window else None,
        "other_targets": [{"target": each.target, **span_json(each.span)} for each in ahead.instead],
        "verdict": verdict.word.value,
        "as_of": utc_text(found.now),
        "from": "decision" if is_decided else "judged",
        "wishes": write_words(wishes),
        "reasons": [
            {"rule": reason.rule, "result": reason.result.value, "text": str(reason.text)}
            | reason.text.as_json()
            for reason in verdict.reasons
        ],
        "sources": [
            {
                "feed": source.feed,
                "provider": source.provider,
                "lineage": source.lineage,
                "model": source.model,
                "issued_at": utc_text(source.issued_at),
                "fetched_at": utc_text(source.fetched_at),
                "attribution": source.attribution,
            }
            for source in (outlook.sources if outlook else ())
        ],
    }


def site_json(site: Site, **more: object) -> dict[str, object]:
    """A site's name, place, what else there is to say of that, and zone."""
    return {"name": site.name, "lat": site.lat_deg, "lon": site.lon_deg, **more, "zone": site.zone}


def sky_json(sky: WindowSky) -> dict[str, Any]:
    """The sum at the window's start, middle and end, and the town domes that stand there."""
    return {
        "sky": [
            {
                "at": utc_text(point.at),
                **rounded(point, mag_arcsec2=2, above_darkest_mag=2, loss_mag=2, dimmed_mag=2, smoke_mag=2),
                "is_estimate": sky.is_estimate,
                "aod_assumed": point.aod_assumed,
                **rounded(point, natural_nl=1, twilight_nl=2, moon_nl=2, towns_nl=2),
            }
            for point in sky.points
        ],
        "domes": [
            {
                "name": dome.name,
                **rounded(dome, bearing_deg=0, distance_km=0),
                "under_target": dome in sky.stood_over,
            }
            for dome in sky.domes
        ],
    }


def window_json(window: DarkWindow) -> dict[str, Any]:
    return {
        **span_json(window.span),
        "minutes": round(window.span.minutes),
        "core": [
            {"at": utc_text(point.at), **rounded(point, altitude_deg=2, azimuth_deg=2)}
            for point in window.track
        ],
        "shapes": list(map(shape_json, window.shapes)),
    }


def outlook_json(outlook: Outlook) -> dict[str, Any]:
    """The weather over one window. sight: how the line of sight differs; null where it doesn't."""
    return {
        "window": span_json(outlook.window),
        "chance_pct": outlook.chance_pct,
        "spread_pct": list(outlook.spread_pct) if outlook.spread_pct else None,
        "best": span_json(outlook.best) if outlook.best else None,
        "agreement": list(outlook.agreement),
        "change_pct": outlook.change_pct,
        "overhead_pct": outlook.overhead_pct,
        "sight": str(outlook.sight_text or "") or None,
        "trip": span_json(outlook.trip) if outlook.trip else None,
        "aerosol_optical_depth": outlook.aerosol_optical_depth,
        "lineages": list(outlook.lineages),
        "providers": list(outlook.providers),
        "hazards": [
            {
                "name": hazard.name,
                "level": hazard.level.value,
                **rounded(hazard, worst=2),
                "unit": hazard.unit,
                "at": utc_text(hazard.at),
                "text": str(hazard.text),
                **hazard.text.as_json(),
                "url": hazard.url or None,
            }
            for hazard in outlook.hazards
        ],
        "warnings": [
            {
                "event": warning.event,
                "severity": warning.severity.value,
                **span_json(warning.span),
                "area": warning.area,
                "headline": warning.headline,
                "url": warning.url,
            }
            for warning in outlook.warnings
        ],
        "per_source": [
            {
                "feed": entry.source.feed,
                "model": entry.source.model,
                "lineage": entry.source.lineage,
                "chance_pct": None if entry.chance is None else round(100 * entry.chance),
                **rounded(entry, least_cloud_pct=0, least_plan_pct=0),
                "members": entry.members,
                "sight_places": entry.sight_places,
                "why_not": str(entry.why_not) if entry.chance is None else None,
            }
            for entry in outlook.per_source
        ],
        "notes": [str(note) for note in outlook.notes],
        "note_phrases": [note.as_json() for note in outlook.notes],
    }
