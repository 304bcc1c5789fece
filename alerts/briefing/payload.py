"""The neutral payload of a webhook: values, never sentences alone, for any receiver to use.

    {"type": "alert.go", "timestamp": "2026-07-18T15:00:00Z", "data": {…}}

type        "alert." and the kind of the first alert: heads_up, go, changed, stand_down
timestamp   when the newest of the alerts was decided
data
  version            1; later versions add keys and change none
  message_id         the same as in the header webhook-id, over all retries
  invented           true: made up for a demonstration
  units              metric | imperial | mixed (of the texts), as the person wished
  subject, text      the message in words, for receivers that only show it
  cautions           sentences; empty unless an alert sends someone out
  alerts_left_out    how many alerts didn't fit into 20 kB (the last ones)
  alerts             stand-downs first, then best site first; each with
    kind, verdict, invented          verdict: go | wait | stay | unknown
    site                             {name, zone}; zone is an IANA name
    night                            civil date of the evening at the site, YYYY-MM-DD
    window, best, dark               {start, end} or null
    shortest_window_minutes          the length that the chance is about
    leave_by, home_about, decide_at, sunset, sunrise, forecast_issued_at    time or null
    decided_at                       time
    drive_minutes, drive_is_estimate one way, or null where nobody goes; true: by the distance from home
    chance_pct                       0..100 or null (nothing can be said)
    event                            what the chance is of, or null: {shortest_minutes, from, to, most_likely:
                                     {start, end} or null, whole_pct: of a begun window's whole, or null}
    told                             {chance_pct, at, window, leave_by}, each may be null
    target, track                    name; [{at, altitude_deg, azimuth_deg, direction}] at the
                                     window's start, middle and end; airless, from north through east
    shapes                           [{shape, start, end, also, apex_altitude_deg}]; shape: arch | leaning |
                                     column | overhead; also: those that stand beside it all the while;
                                     apex_altitude_deg: an arch's top at its lowest (either may be left out)
    agreement, moon, cause           text, may be ""
    spread_pct                       [lowest, highest] of the sources' own chances, or null
    change_pct                       points by which the chance moved with their last runs, or null
    overhead_pct, sight              the chance if the sky all round were as overhead, or null; how the line
                                     of sight differs, may be ""
    record                           what came of forecasts like this one, may be ""
    sky                              null, or {subject, mag_arcsec2, above_darkest_mag (or null), loss_mag,
                                     dimmed_mag, smoke_mag, is_estimate, inside,
                                     towns: [{name, bearing_deg, distance_km, under_target}]}
    moonlit                          [{start, end, least_loss_mag, most_loss_mag}]: when the Moon lights the
                                     ground, and by how much it brightens the sky at the target then (or null)
    horizon                          null, or {is_assumed, own}. is_assumed: nobody gave the site's horizon
                                     line, so a level one was taken; a ridge would cut the window. own: Sun
                                     and Moon over the line that was given, or null: {sun_gone, sun_back,
                                     moon_rises, moon_sets}
    reasons, hazards                 [text], the deciding reason first
    reason_codes, hazard_codes       [{code, params} or null], beside each text what it says
    codes                            {agreement, sight, record, moon, cause, fork, doubt}: those that have
                                     a code, each {code, params}
    access_note, next_window         the site's own note, may be ""; the next night with a window, or null
    first_look                       the day on which a forecast first reaches the night, where none does yet
    other_targets                    without a window, what else there is then: [{target, start, end}]
    is_last_word, signal_lost_at     true: no later word can arrive, the phone goes silent then (time or null)
    is_unsettled                     true: said instead of one change too many, no more is told of this night
    fork                             where two sites are close, what to decide and when; may be ""
    others                           the person's other sites that night, best first:
                                     [{site, verdict, chance_pct, window, leave_by}]
    field                            null, or what is needed in the field: see payload.schema.json
    outcome_url                      where to say afterwards how the night was; may be ""
    night_url                        the night's page; may be ""
    attributions                     [{text, url}], to be shown with the data; url may be ""

A JSON Schema of all of it lies beside this file: payload.schema.json.

Times are UTC, written 2026-07-18T15:00:00Z. Names and texts are what people typed, without control
characters, and must be escaped by whoever shows them.
"""

from __future__ import annotations

import json
from typing import Any

from alerts.briefing import render
from alerts.briefing.facts import AlertFacts, Briefing, FieldNotes, GroundNote, Said, SkyNote
from alerts.briefing.text.alert_lines import cautions_for, event_told, event_values, words_of
from alerts.briefing.text.alert_view import web_address
from alerts.common.clock_times import zone_info
from alerts.common.phrases import Phrase, Reader, say
from alerts.common.plain_values import rounded
from alerts.common.text import LONGEST_NAME, direction_word, plain, sentence
from alerts.common.time_text import span_json, utc_text
from alerts.common.units import Units
from alerts.field.exposure import true_shutter_s
from alerts.sky.night import ShapeSpan, TrackPoint

VERSION = 1
LARGEST_BYTES = 20_000
"""Standard Webhooks: payloads stay below 20 kB."""
_TIMES = ("leave_by", "home_about", "decide_at", "sunset", "sunrise", "forecast_issued_at", "decided_at")
_SAID = ("agreement", "sight", "record", "moon", "cause", "fork", "doubt")
_FIELD_TIMES = (
    "arrive", "latest_departure", "give_up_at", "signal_lost_at", "civil_dusk", "nautical_dusk",
    "full_dark", "dawn", "gate_closes", "gate_opens",
)  # fmt: skip


def build_payload(briefing: Briefing) -> dict[str, object]:
    """The whole payload; the last alerts are left out when it would be larger than receivers take."""
    alerts = render.ranked(briefing)
    subject, text = render.render_chat(briefing)
    data: dict[str, Any] = {
        "version": VERSION,
        "message_id": briefing.message_id,
        "invented": briefing.is_invented,
        "units": briefing.units.word,
        "subject": subject,
        "text": text,
        "cautions": [say(each) for each in cautions_for(alerts)],
        "alerts_left_out": 0,
        "alerts": [],
    }
    whole: dict[str, object] = {
        "type": f"alert.{alerts[0].kind.value}",
        "timestamp": utc_text(max(facts.decided_at for facts in alerts)),
        "data": data,
    }
    values = [alert_values(facts, briefing.units) for facts in alerts]
    room = LARGEST_BYTES - size_of(whole)
    fitting = _fitting(values, room)
    if len(fitting) < len(values):  # only the first keeps its notes for the field
        fitting = _fitting([*values[:1], *({**entry, "field": None} for entry in values[1:])], room)
    data["alerts"] = fitting
    data["alerts_left_out"] = len(alerts) - len(fitting)
    return whole


def _fitting(values: list[dict[str, object]], room: int) -> list[dict[str, object]]:
    """As many as fit, from the first on."""
    taken: list[dict[str, object]] = []
    for entry in values:
        room -= size_of(entry) + 1
        if room < 8:  # a comma each, and the digits of alerts_left_out
            break
        taken.append(entry)
    return taken


def size_of(value: object) -> int:
    """Bytes of the value as compact UTF-8 JSON."""
    return len(json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode())


def alert_values(facts: AlertFacts, units: Units = Units.METRIC) -> dict[str, object]:
    """One alert as JSON values; the keys are described above. units: of the texts."""
    reader = Reader(zone_info(facts.zone), units)
    has_dark = facts.dark_from is not None and facts.dark_until is not None
    return {
        "kind": facts.kind.value,
        "verdict": facts.verdict.value,
        "invented": facts.invented,
        "site": {"name": plain(facts.site_name, LONGEST_NAME), "zone": facts.zone},
        "night": facts.night.isoformat(),
        "window": facts.window and span_json(facts.window),
        "best": facts.best and span_json(facts.best),
        "dark": {"start": utc_text(facts.dark_from), "end": utc_text(facts.dark_until)} if has_dark else None,
        "shortest_window_minutes": round(facts.shortest_window.total_seconds() / 60),
        **{name: utc_text(getattr(facts, name)) for name in _TIMES},
        "drive_minutes": None if facts.drive is None else round(facts.drive.total_seconds() / 60),
        "drive_is_estimate": facts.drive_is_estimate,
        "chance_pct": facts.chance_pct,
        "event": event_values(event_told(facts)),
        "told": {
            "chance_pct": facts.told_chance_pct,
            "at": utc_text(facts.told_at),
            "window": facts.told_window and span_json(facts.told_window),
            "leave_by": utc_text(facts.told_leave_by),
        },
        "target": plain(facts.target_name),
        "track": [place_values(point) for point in facts.core],
        "shapes": list(map(shape_json, facts.shapes)),
        "agreement": words_of(facts.agreement, reader),
        "spread_pct": list(facts.spread_pct) if facts.spread_pct else None,
        "change_pct": facts.change_pct,
        "overhead_pct": facts.overhead_pct,
        "sight": words_of(facts.sight, reader),
        "record": words_of(facts.record, reader),
        "sky": sky_values(facts.sky, reader),
        "moon": words_of(facts.moon, reader),
        **ground_values(facts.ground),
        "cause": words_of(facts.cause, reader),
        "reasons": [_sentence(each, reader) for each in facts.reasons],
        "hazards": [_sentence(each, reader) for each in facts.hazards],
        "access_note": plain(facts.access_note),
        "next_window": facts.next_window.isoformat() if facts.next_window else None,
        "first_look": facts.first_look.isoformat() if facts.first_look else None,
        "codes": {name: said.as_json() for name in _SAID if isinstance(said := getattr(facts, name), Phrase)},
        "reason_codes": [each.as_json() if isinstance(each, Phrase) else None for each in facts.reasons],
        "hazard_codes": [each.as_json() if isinstance(each, Phrase) else None for each in facts.hazards],
        "other_targets": [{"target": each.target, **span_json(each.span)} for each in facts.instead],
        "is_last_word": facts.is_last_word,
        "signal_lost_at": utc_text(facts.signal_lost_at),
        "is_unsettled": facts.is_unsettled,
        "fork": words_of(facts.fork, reader),
        "others": [
            {
                "site": plain(other.site_name, LONGEST_NAME),
                "verdict": other.verdict.value,
                "chance_pct": other.chance_pct,
                "window": other.window and span_json(other.window),
                "leave_by": utc_text(other.leave_by),
            }
            for other in facts.others
        ],
        "field": field_values(facts.field),
        "outcome_url": web_address(facts.outcome_url) if facts.is_go else "",
        "night_url": web_address(facts.night_url),
        "attributions": [
            {"text": plain(credit.text), "url": web_address(credit.url)} for credit in facts.attributions
        ],
    }


def _sentence(said: Said, reader: Reader) -> str:
    words = words_of(said, reader)
    return sentence(words) if isinstance(said, Phrase) else words


def shape_json(piece: ShapeSpan) -> dict[str, object]:
    """One of `shapes`; what there is none of is left out."""
    told: dict[str, object] = {"shape": piece.shape.value, **span_json(piece.span)}
    if piece.also:
        told["also"] = [shape.value for shape in piece.also]
    if piece.apex_deg is not None:
        told["apex_altitude_deg"] = piece.apex_deg
    return told


def place_values(point: TrackPoint) -> dict[str, object]:
    """A direction at a time: airless altitude, azimuth from north through east, and in words."""
    return {
        "at": utc_text(point.at),
        **rounded(point, altitude_deg=2, azimuth_deg=2),
        "direction": str(direction_word(point.azimuth_deg)),
    }


def sky_values(sky: SkyNote | None, reader: Reader) -> dict[str, object] | None:
    """The sky where the camera looks, and the towns round the site."""
    if sky is None:
        return None
    return {
        "subject": words_of(sky.subject, reader),
        **rounded(sky, mag_arcsec2=2, above_darkest_mag=2, loss_mag=2, dimmed_mag=2, smoke_mag=2),
        "is_estimate": sky.is_estimate,
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


def ground_values(ground: GroundNote | None) -> dict[str, object]:
    """Moonlight on the ground, and the horizon: the keys `moonlit` and `horizon`."""
    own = ground.own if ground is not None else None
    given = own and {
        "sun_gone": utc_text(own.sun_gone),
        "sun_back": utc_text(own.sun_back),
        "moon_rises": [utc_text(at) for at in own.moon_rises],
        "moon_sets": [utc_text(at) for at in own.moon_sets],
    }
    is_assumed = ground is not None and ground.is_assumed
    return {
        "moonlit": [
            {**span_json(each.span), **rounded(each, least_loss_mag=2, most_loss_mag=2)}
            for each in (ground.moonlit if ground is not None else ())
        ],
        "horizon": {"is_assumed": is_assumed, "own": given} if is_assumed or given else None,
    }


def field_values(notes: FieldNotes | None) -> dict[str, object] | None:
    """The notes for the field; the keys are described in payload.schema.json."""
    if notes is None:
        return None
    kit, aim, exposure, frames = notes.kit, notes.aim, notes.exposure, notes.frames
    return {
        **{name: utc_text(getattr(notes, name)) for name in _FIELD_TIMES},
        "start": plain(notes.start, LONGEST_NAME),
        "look_deg": round(notes.look_deg, 1),
        "kit": {
            "camera": plain(kit.camera.name, LONGEST_NAME),
            "lens": kit.lens_words,
            **rounded(kit, focal_mm=1, equivalent_mm=1),
            "assumed": [str(each) for each in kit.assumed],
        },
        "exposure": {
            **rounded(exposure, shutter_s=4),
            "true_s": round(true_shutter_s(exposure.shutter_s), 4),
            "f_number": exposure.aperture.f_number,
            "iso": exposure.iso.value,
            **rounded(exposure, core_px=1, worst_px=1),
            "rules": [
                {
                    "name": str(rule.name),
                    "is_thumb": rule.is_thumb,
                    "limit_s": round(min(rule.limit_s, 1e4), 2),
                    **rounded(rule, set_s=4, core_px=1, worst_px=1),
                    "true_s": round(true_shutter_s(rule.set_s), 4),
                }
                for rule in exposure.rules
            ],
            "recipes": [
                {
                    "kind": recipe.kind.value,
                    "frames": recipe.frames,
                    "darks": recipe.darks,
                    **rounded(recipe, shutter_s=4),
                    "true_s": round(true_shutter_s(recipe.shutter_s), 4),
                    "f_number": recipe.f_number,
                    "iso": recipe.iso.value,
                    **rounded(recipe.rule, core_px=1, worst_px=1),
                }
                for recipe in exposure.recipes
            ],
        },
        "foreground": (land := notes.foreground)
        and {
            "lit": [span_json(span) for span in land.lit],
            "best_at": utc_text(land.best_at),
            **rounded(land, brighter_stops=1, shutter_s=4, dark_stops=1),
            "f_number": land.f_number,
            "iso": land.iso,
        },
        "compass": (compass := notes.compass)
        and {
            "declination_deg": compass.declination_deg,
            "uncertainty_deg": compass.uncertainty_deg,
            "why_not": compass.why_not and compass.why_not.as_json(),
        },
        "aim": {
            **rounded(aim, azimuth_deg=1, tilt_deg=1),
            "magnetic_deg": _magnetic(aim.azimuth_deg, notes),
            "portrait": aim.portrait,
            "has_ground": aim.has_ground,
        },
        "frames": {
            "frames": frames.frames,
            "darks": frames.darks,
            "start_at": utc_text(frames.start_at),
            "best_at": utc_text(frames.best_at),
            **rounded(frames, sky_s=0, darks_s=0),
            "over": plain(frames.over, LONGEST_NAME),
            "what": frames.what,
        },
        "panorama": (plan := notes.panorama)
        and {
            "azimuths_deg": [round(azimuth, 1) for azimuth in plan.azimuths_deg],
            "tilts_deg": [round(tilt, 1) for tilt in plan.tilts_deg],
            "overlap": plan.overlap,
            "row_s": round(plan.row_s),
        },
        "standings": [
            {
                "foreground": plain(standing.foreground, LONGEST_NAME),
                "bearing_deg": standing.bearing_deg,
                "magnetic_deg": _magnetic(standing.bearing_deg, notes),
                "what": standing.what,
                **place_values(standing.at),
            }
            for standing in notes.standings
        ],
        "moon": {
            "lit": round(notes.moon_lit, 3),
            "rises": [utc_text(at) for at in notes.moon_rises],
            "sets": [utc_text(at) for at in notes.moon_sets],
        },
        "showers": [
            {
                "name": shower.name,
                "zhr": shower.zhr,
                **rounded(shower, days_to_peak=1),
                "hourly": shower.hourly,
                "hourly_at": utc_text(shower.hourly_at) if shower.hourly_at else None,
                "limit_mag": shower.limit_mag,
                "highest": place_values(shower.highest),
            }
            for shower in notes.showers
        ],
        "air": {name: getattr(notes.air, name) for name in ("felt_c", "wind_ms", "wet_pct", "on_lens")},
    }


def _magnetic(true_deg: float, notes: FieldNotes) -> float | None:
    magnetic_deg = notes.magnetic_deg(true_deg)
    return None if magnetic_deg is None else round(magnetic_deg, 1) % 360
