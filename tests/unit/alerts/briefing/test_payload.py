"""The neutral payload: its keys and values stay, whatever else changes."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from alerts.briefing.facts import AlertFacts, Briefing
from alerts.briefing.payload import build_payload
from alerts.common.units import Units
from tests.unit.alerts.briefing.briefing_samples import (
    CHANGED,
    GO,
    KINDS,
    MESSAGE_ID,
    STAND_DOWN,
    briefing,
    chat_text,
)


def data_of(message: Briefing) -> dict[str, Any]:
    data: dict[str, Any] = build_payload(message)["data"]  # type: ignore[assignment]
    return data


def test_frame_names_kind_and_time() -> None:
    payload = build_payload(briefing(STAND_DOWN))
    assert list(payload) == ["type", "timestamp", "data"]
    assert (payload["type"], payload["timestamp"]) == ("alert.stand_down", "2026-07-18T18:00:00Z")


def test_data_has_these_keys_and_no_personal_link() -> None:
    data = data_of(briefing(GO))
    assert list(data) == [
        "version", "message_id", "invented", "units", "subject", "text", "cautions", "alerts_left_out",
        "alerts",
    ]  # fmt: skip
    assert (data["version"], data["message_id"], data["invented"]) == (1, MESSAGE_ID, False)
    assert data["subject"] == "Go tonight: Windpump Flat, leave by 19:40"
    assert data["text"] == chat_text(briefing(GO))
    assert "duskbell.example.org" not in json.dumps(data)


def test_one_alert_is_all_values() -> None:
    assert data_of(briefing(CHANGED))["alerts"] == [
        {
            "kind": "changed",
            "verdict": "go",
            "invented": False,
            "site": {"name": "Windpump Flat", "zone": "Europe/Madrid"},
            "night": "2026-07-18",
            "window": {"start": "2026-07-18T21:20:00Z", "end": "2026-07-18T23:50:00Z"},
            "best": {"start": "2026-07-18T21:40:00Z", "end": "2026-07-18T23:50:00Z"},
            "dark": {"start": "2026-07-18T21:10:00Z", "end": "2026-07-19T03:00:00Z"},
            "shortest_window_minutes": 120,
            "leave_by": "2026-07-18T17:40:00Z",
            "home_about": "2026-07-19T01:20:00Z",
            "decide_at": None,
            "sunset": "2026-07-18T19:40:00Z",
            "sunrise": "2026-07-19T04:50:00Z",
            "forecast_issued_at": "2026-07-18T12:00:00Z",
            "decided_at": "2026-07-18T15:00:00Z",
            "drive_minutes": None,
            "drive_is_estimate": False,
            "chance_pct": 76,
            "event": {
                "shortest_minutes": 120,
                "from": "2026-07-18T21:20:00Z",
                "to": "2026-07-18T23:50:00Z",
                "most_likely": {"start": "2026-07-18T21:40:00Z", "end": "2026-07-18T23:50:00Z"},
                "whole_pct": None,
            },
            "told": {
                "chance_pct": None,
                "at": None,
                "window": {"start": "2026-07-18T20:50:00Z", "end": "2026-07-18T23:50:00Z"},
                "leave_by": "2026-07-18T17:10:00Z",
            },
            "target": "core",
            "track": [
                {"at": "2026-07-18T21:20:00Z", "altitude_deg": 20.2, "azimuth_deg": 165.0,
                 "direction": "south-south-east"},
                {"at": "2026-07-18T22:35:00Z", "altitude_deg": 19.4, "azimuth_deg": 190.0,
                 "direction": "south"},
                {"at": "2026-07-18T23:50:00Z", "altitude_deg": 10.1, "azimuth_deg": 222.0,
                 "direction": "south-west"},
            ],
            "shapes": [
                {"shape": "arch", "start": "2026-07-18T21:20:00Z", "end": "2026-07-18T22:30:00Z",
                 "apex_altitude_deg": 34},
                {"shape": "leaning", "start": "2026-07-18T22:30:00Z", "end": "2026-07-18T23:50:00Z"},
            ],
            "agreement": "Three of four models agree.",
            "spread_pct": None,
            "change_pct": None,
            "overhead_pct": None,
            "sight": "",
            "record": "",
            "sky": None,
            "moon": "no Moon",
            "moonlit": [],
            "horizon": None,
            "cause": "the sky clears later than we said",
            "reasons": ["the chance is 81 %, you asked for 70 %", "core reaches 20°, you asked for 10°"],
            "hazards": ["dew likely on the lens after 01:00"],
            "reason_codes": [None, None],
            "hazard_codes": [None],
            "codes": {},
            "access_note": "",
            "next_window": None,
            "first_look": None,
            "other_targets": [],
            "is_last_word": False,
            "signal_lost_at": None,
            "is_unsettled": False,
            "fork": "",
            "others": [],
            "field": None,
            "outcome_url": "",
            "night_url": "",
            "attributions": [
                {"text": "Data from MET Norway (CC BY 4.0)", "url": "https://api.met.no/"},
                {"text": "Weather data by Open-Meteo.com", "url": "https://open-meteo.com/"},
            ],
        }
    ]  # fmt: skip


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_unknown_is_null_and_every_key_is_there(facts: AlertFacts) -> None:
    full = data_of(briefing(facts))["alerts"][0]
    bare = AlertFacts(
        kind=facts.kind,
        site_name="x",
        night=facts.night,
        zone=facts.zone,
        decided_at=facts.decided_at,
    )
    alert = data_of(briefing(bare))["alerts"][0]
    assert list(alert) == list(full)
    assert {alert[key] for key in ("chance_pct", "leave_by", "home_about", "window", "best", "dark")} == {
        None
    }


def test_units_are_the_persons() -> None:
    message = replace(briefing(GO), units=Units.IMPERIAL)
    assert data_of(message)["units"] == "imperial"


def test_what_does_not_fit_into_20_kb_is_counted_and_the_best_stays() -> None:
    wordy = [replace(GO, site_name=f"Site {number}", reasons=("x" * 280,) * 5) for number in range(40)]
    payload = build_payload(briefing(*wordy))
    data = data_of(briefing(*wordy))
    assert len(json.dumps(payload, ensure_ascii=False, separators=(",", ":")).encode()) <= 20_000
    assert data["alerts"][0]["site"]["name"] == "Site 0"
    assert 4 < len(data["alerts"]) < 40
    assert data["alerts_left_out"] == 40 - len(data["alerts"])


def test_the_same_briefing_gives_the_same_bytes_at_every_attempt() -> None:
    assert json.dumps(build_payload(briefing(GO, STAND_DOWN))) == json.dumps(
        build_payload(briefing(GO, STAND_DOWN))
    )
