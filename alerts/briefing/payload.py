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
    shapes                           [{shape, start, end}]; shape: arch | leaning | column | overhead
    agreement, moon, cause           text, may be ""
    spread_pct                       [lowest, highest] of the sources' own chances, or null
    change_pct                       points by which the chance moved with their last runs, or null
    overhead_pct, sight              the chance if the sky all round were as overhead, or null; how the line
                                     of sight differs, may be ""
    record                           what came of forecasts like this one, may be ""
    sky                              null, or {subject, mag_arcsec2, loss_mag, dimmed_mag, smoke_mag, inside,
                                     towns: [{name, bearing_deg, distance_km, under_target}]}
    reasons, hazards                 [text], the deciding reason first
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
from collections.abc import Sequence
from typing import Any

from alerts.briefing.facts.alert import AlertFacts
from alerts.briefing.payload_field import field_values, place_values, sky_values
from alerts.briefing.text.alert_view import web_address
from alerts.briefing.text.event import event_told, event_values
from alerts.common.span import Span
from alerts.common.text import LONGEST_NAME, plain
from alerts.common.time_text import utc_text
from alerts.common.units import Units, in_units
from alerts.judging.site_choice import OtherSite

VERSION = 1
_TIMES = ("leave_by", "home_about", "decide_at", "sunset", "sunrise", "forecast_issued_at", "decided_at")
LARGEST_BYTES = 20_000
"""Standard Webhooks: payloads stay below 20 kB."""


def alert_values(facts: AlertFacts, units: Units = Units.METRIC) -> dict[str, object]:
    """One alert as JSON values; the keys are described above. units: of the texts."""
    return {
        "kind": facts.kind.value,
        "verdict": facts.verdict.value,
        "invented": facts.invented,
        "site": {"name": plain(facts.site_name, LONGEST_NAME), "zone": facts.zone},
        "night": facts.night.isoformat(),
        "window": span_values(facts.window),
        "best": span_values(facts.best),
        "dark": _dark(facts),
        "shortest_window_minutes": round(facts.shortest_window.total_seconds() / 60),
        **{name: utc_text(getattr(facts, name)) for name in _TIMES},
        "drive_minutes": None if facts.drive is None else round(facts.drive.total_seconds() / 60),
        "drive_is_estimate": facts.drive_is_estimate,
        "chance_pct": facts.chance_pct,
        "event": event_values(event_told(facts)),
        "told": {
            "chance_pct": facts.told_chance_pct,
            "at": utc_text(facts.told_at),
            "window": span_values(facts.told_window),
            "leave_by": utc_text(facts.told_leave_by),
        },
        "target": plain(facts.target_name),
        "track": _track(facts),
        "shapes": [{"shape": entry.shape.value, **_edges(entry.span)} for entry in facts.shapes],
        "agreement": plain(facts.agreement),
        "spread_pct": list(facts.spread_pct) if facts.spread_pct else None,
        "change_pct": facts.change_pct,
        "overhead_pct": facts.overhead_pct,
        "sight": plain(facts.sight),
        "record": plain(facts.record),
        "sky": sky_values(facts.sky),
        "moon": plain(facts.moon),
        "cause": plain(facts.cause),
        "reasons": [in_units(plain(text), units) for text in facts.reasons],
        "hazards": [in_units(plain(text), units) for text in facts.hazards],
        "access_note": plain(facts.access_note),
        "next_window": facts.next_window.isoformat() if facts.next_window else None,
        "first_look": facts.first_look.isoformat() if facts.first_look else None,
        "other_targets": [{"target": each.target, **_edges(each.span)} for each in facts.instead],
        "is_last_word": facts.is_last_word,
        "signal_lost_at": utc_text(facts.signal_lost_at),
        "is_unsettled": facts.is_unsettled,
        "fork": plain(facts.fork),
        "others": [_other_site(each) for each in facts.others],
        "field": field_values(facts.field),
        "outcome_url": web_address(facts.outcome_url) if facts.is_go else "",
        "night_url": web_address(facts.night_url),
        "attributions": [
            {"text": plain(credit.text), "url": web_address(credit.url)} for credit in facts.attributions
        ],
    }


def _other_site(other: OtherSite) -> dict[str, object]:
    return {
        "site": plain(other.site_name, LONGEST_NAME),
        "verdict": other.verdict.value,
        "chance_pct": other.chance_pct,
        "window": span_values(other.window),
        "leave_by": utc_text(other.leave_by),
    }


def span_values(span: Span | None) -> dict[str, object] | None:
    """`{start, end}`, or None."""
    return None if span is None else _edges(span)


def _edges(span: Span) -> dict[str, object]:
    return {"start": utc_text(span.start), "end": utc_text(span.end)}


def _dark(facts: AlertFacts) -> dict[str, object] | None:
    if facts.dark_from is None or facts.dark_until is None:
        return None
    return {"start": utc_text(facts.dark_from), "end": utc_text(facts.dark_until)}


def _track(facts: AlertFacts) -> list[dict[str, object]]:
    return [place_values(point) for point in facts.core]


def payload_values(
    alerts: Sequence[AlertFacts],
    *,
    message_id: str,
    units: Units,
    subject: str,
    text: str,
    cautions: Sequence[str],
) -> dict[str, object]:
    """The whole payload; the last alerts are left out when it would be larger than receivers take."""
    data: dict[str, Any] = {
        "version": VERSION,
        "message_id": message_id,
        "invented": any(facts.invented for facts in alerts),
        "units": units.word,
        "subject": subject,
        "text": text,
        "cautions": list(cautions),
        "alerts_left_out": 0,
        "alerts": [],
    }
    lead = alerts[0]
    decided = max(facts.decided_at for facts in alerts)
    whole: dict[str, object] = {
        "type": f"alert.{lead.kind.value}",
        "timestamp": utc_text(decided),
        "data": data,
    }
    fitting = _fitting([alert_values(facts, units) for facts in alerts], LARGEST_BYTES - size_of(whole))
    data["alerts"] = fitting
    data["alerts_left_out"] = len(alerts) - len(fitting)
    return whole


def _fitting(values: list[dict[str, object]], room: int) -> list[dict[str, object]]:
    """As many as fit, from the first on; where not all do, only the first keeps its notes for the field."""
    whole = _taken(values, room)
    if len(whole) == len(values):
        return whole
    return _taken([*values[:1], *({**entry, "field": None} for entry in values[1:])], room)


def _taken(values: list[dict[str, object]], room: int) -> list[dict[str, object]]:
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
