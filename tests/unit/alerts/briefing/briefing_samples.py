"""One invented alert of each kind, for a July night at an invented place. Nothing here is a forecast."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from alerts.briefing.facts import AlertFacts, Attribution, Briefing
from alerts.briefing.render import render_chat
from alerts.common.span import Span
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from alerts.sky.night import Shape, ShapeSpan, TrackPoint

MESSAGE_ID = "msg_0123456789abcdefghjkmnpqrs"


def july(day: int, hour: int, minute: int = 0) -> datetime:
    """A UTC time in July 2026; the place's clock (Europe/Madrid, CEST) shows two hours more."""
    return datetime(2026, 7, day, hour, minute, tzinfo=UTC)


GO = AlertFacts(
    kind=AlertKind.GO,
    site_name="Windpump Flat",
    night=date(2026, 7, 18),
    zone="Europe/Madrid",
    decided_at=july(18, 15),
    window=Span(july(18, 21, 20), july(18, 23, 50)),
    best=Span(july(18, 21, 40), july(18, 23, 50)),
    shortest_window=timedelta(hours=2),
    leave_by=july(18, 17, 40),
    home_about=july(19, 1, 20),
    chance_pct=81,
    agreement="Three of four models agree.",
    core=(
        TrackPoint(july(18, 21, 20), 20.2, 165.0),
        TrackPoint(july(18, 22, 35), 19.4, 190.0),
        TrackPoint(july(18, 23, 50), 10.1, 222.0),
    ),
    shapes=(
        ShapeSpan(Shape.ARCH, Span(july(18, 21, 20), july(18, 22, 30)), apex_deg=34),
        ShapeSpan(Shape.LEANING, Span(july(18, 22, 30), july(18, 23, 50))),
    ),
    moon="no Moon",
    reasons=("the chance is 81 %, you asked for 70 %", "core reaches 20°, you asked for 10°"),
    hazards=("dew likely on the lens after 01:00",),
    attributions=(
        Attribution("Data from MET Norway (CC BY 4.0)", "https://api.met.no/"),
        Attribution("Weather data by Open-Meteo.com", "https://open-meteo.com/"),
    ),
    forecast_issued_at=july(18, 12),
    sunset=july(18, 19, 40),
    dark_from=july(18, 21, 10),
    dark_until=july(19, 3),
    sunrise=july(19, 4, 50),
)
HEADS_UP = replace(
    GO,
    kind=AlertKind.HEADS_UP,
    verdict=VerdictWord.WAIT,
    decided_at=july(15, 15),
    forecast_issued_at=july(15, 12),
    chance_pct=64,
    cause="it hangs on the cloud bank after 23:00",
    decide_at=july(18, 13),
)
CHANGED = replace(
    GO,
    kind=AlertKind.CHANGED,
    chance_pct=76,
    cause="the sky clears later than we said",
    told_window=Span(july(18, 20, 50), july(18, 23, 50)),
    told_leave_by=july(18, 17, 10),
)
STAND_DOWN = replace(
    GO,
    kind=AlertKind.STAND_DOWN,
    verdict=VerdictWord.STAY,
    decided_at=july(18, 18),
    chance_pct=34,
    told_chance_pct=81,
    told_at=july(18, 10),
    cause="cloud now likely from the south-west after 23:00",
)
KINDS = {"heads_up": HEADS_UP, "go": GO, "changed": CHANGED, "stand_down": STAND_DOWN}


def briefing(*alerts: AlertFacts, links: bool = True) -> Briefing:
    """A message with those alerts, with or without the person's own links."""
    return Briefing(
        message_id=MESSAGE_ID,
        alerts=alerts,
        manage_url="https://duskbell.example.org/m/abc" if links else None,
        unsubscribe_url="https://duskbell.example.org/u/abc" if links else None,
    )


def chat_text(message: Briefing) -> str:
    """What a group's chat shows of it."""
    return render_chat(message)[1]
