"""The notes for the field as JSON values: the key `field` of an alert in the payload."""

from __future__ import annotations

from alerts.briefing.facts.field_notes import FieldNotes, ShowerNote, SkyNote, Standing
from alerts.common.text import LONGEST_NAME, direction_word, plain
from alerts.common.time_text import utc_text
from alerts.field.exposure import Exposure
from alerts.field.frame_plan import FramePlan
from alerts.field.kit import Kit
from alerts.field.panorama import Panorama
from alerts.sky.night import TrackPoint

_TIMES = (
    "arrive", "latest_departure", "give_up_at", "signal_lost_at", "civil_dusk", "nautical_dusk",
    "full_dark", "dawn", "gate_closes", "gate_opens",
)  # fmt: skip


def field_values(notes: FieldNotes | None) -> dict[str, object] | None:
    """The keys are described in payload.schema.json."""
    if notes is None:
        return None
    aim, air = notes.aim, notes.air
    return {
        **{name: utc_text(getattr(notes, name)) for name in _TIMES},
        "start": plain(notes.start, LONGEST_NAME),
        "look_deg": round(notes.look_deg, 1),
        "kit": _kit(notes.kit),
        "exposure": _exposure(notes.exposure),
        "aim": {
            "azimuth_deg": round(aim.azimuth_deg, 1),
            "tilt_deg": round(aim.tilt_deg, 1),
            "portrait": aim.portrait,
            "has_ground": aim.has_ground,
        },
        "frames": _frames(notes.frames),
        "panorama": _panorama(notes.panorama),
        "standings": [_standing(each) for each in notes.standings],
        "moon": {
            "lit": round(notes.moon_lit, 3),
            "rises": [utc_text(at) for at in notes.moon_rises],
            "sets": [utc_text(at) for at in notes.moon_sets],
        },
        "showers": [_shower(each) for each in notes.showers],
        "air": {
            "felt_c": air.felt_c,
            "wind_ms": air.wind_ms,
            "wet_pct": air.wet_pct,
            "on_lens": air.on_lens,
        },
    }


def sky_values(sky: SkyNote | None) -> dict[str, object] | None:
    """The sky where the camera looks, and the towns round the site."""
    if sky is None:
        return None
    return {
        "subject": plain(sky.subject, LONGEST_NAME),
        "mag_arcsec2": round(sky.mag_arcsec2, 2),
        "loss_mag": round(sky.loss_mag, 2),
        "dimmed_mag": round(sky.dimmed_mag, 2),
        "smoke_mag": round(sky.smoke_mag, 2),
        "inside": plain(sky.inside, LONGEST_NAME),
        "towns": [
            {
                "name": plain(town.name, LONGEST_NAME),
                "bearing_deg": round(town.bearing_deg) % 360,
                "distance_km": round(town.distance_km),
                "under_target": town.under_target,
            }
            for town in sky.towns
        ],
    }


def place_values(point: TrackPoint) -> dict[str, object]:
    """A direction at a time: airless altitude, azimuth from north through east, and in words."""
    return {
        "at": utc_text(point.at),
        "altitude_deg": round(point.altitude_deg, 2),
        "azimuth_deg": round(point.azimuth_deg, 2),
        "direction": direction_word(point.azimuth_deg),
    }


def _kit(kit: Kit) -> dict[str, object]:
    return {
        "camera": plain(kit.camera.name, LONGEST_NAME),
        "lens": kit.lens_words,
        "focal_mm": round(kit.focal_mm, 1),
        "equivalent_mm": round(kit.equivalent_mm, 1),
        "assumed": [str(each) for each in kit.assumed],
    }


def _exposure(exposure: Exposure) -> dict[str, object]:
    return {
        "shutter_s": round(exposure.shutter_s, 4),
        "f_number": exposure.aperture.f_number,
        "iso": exposure.iso.value,
        "core_px": round(exposure.core_px, 1),
        "worst_px": round(exposure.worst_px, 1),
        "rules": [
            {
                "name": rule.name,
                "is_thumb": rule.is_thumb,
                "limit_s": round(min(rule.limit_s, 1e4), 2),
                "set_s": round(rule.set_s, 4),
                "core_px": round(rule.core_px, 1),
                "worst_px": round(rule.worst_px, 1),
            }
            for rule in exposure.rules
        ],
    }


def _frames(frames: FramePlan) -> dict[str, object]:
    return {
        "frames": frames.frames,
        "darks": frames.darks,
        "start_at": utc_text(frames.start_at),
        "best_at": utc_text(frames.best_at),
        "sky_s": round(frames.sky_s),
        "darks_s": round(frames.darks_s),
        "over": plain(frames.over, LONGEST_NAME),
        "what": frames.what,
    }


def _panorama(plan: Panorama | None) -> dict[str, object] | None:
    if plan is None:
        return None
    return {
        "azimuths_deg": [round(azimuth, 1) for azimuth in plan.azimuths_deg],
        "tilts_deg": [round(tilt, 1) for tilt in plan.tilts_deg],
        "overlap": plan.overlap,
        "row_s": round(plan.row_s),
    }


def _standing(standing: Standing) -> dict[str, object]:
    return {
        "foreground": plain(standing.foreground, LONGEST_NAME),
        "bearing_deg": standing.bearing_deg,
        "what": standing.what,
        **place_values(standing.at),
    }


def _shower(shower: ShowerNote) -> dict[str, object]:
    return {
        "name": shower.name,
        "zhr": shower.zhr,
        "days_to_peak": round(shower.days_to_peak, 1),
        "hourly": shower.hourly,
        "highest": place_values(shower.highest),
    }
