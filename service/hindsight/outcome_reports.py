"""What a person says of a night: read from what they chose and typed, kept, and the night judged again.

One voice a person and night: a later word stands in the place of the one before, and both are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.track.observations.evidence import PersonReport, SeenSky
from alerts.track.observations.outcome import Outcome
from service.hindsight.verification import judge_again
from service.store.repositories import judged_events

_EVENING = time(18)


@dataclass(frozen=True, slots=True)
class Voice:
    """Who speaks of which night at which site."""

    site_id: int
    night: date
    person_id: int


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody says of a night. clear_span: from when to when it was clear; toward_deg: the azimuth
    they looked at. Both None where they don't say."""

    seen: SeenSky
    clear_span: Span | None = None
    toward_deg: float | None = None


def read_said(state: str, clear: tuple[str, str], toward: str, *, night: date, site: Site) -> Said:
    """From the fields of a form, "" for what was left out. clear: from when and until when. BadInput with the
    reason."""
    try:
        seen = SeenSky(state)
    except ValueError:
        raise BadInput(phrase("hindsight.seen-unknown")) from None
    start, end = clear
    span = read_times(night, start or None, end or None, site)
    if span is not None and seen not in (SeenSky.CLEAR, SeenSky.PARTLY):
        raise BadInput(phrase("hindsight.times-say-clear"))
    if not toward:
        return Said(seen, span)
    try:
        toward_deg = float(toward)
    except ValueError:
        raise BadInput(phrase("hindsight.no-direction", text=toward)) from None
    if not 0 <= toward_deg <= 360:
        raise BadInput(phrase("hindsight.direction-range", toward_deg=toward_deg))
    return Said(seen, span, toward_deg % 360)


def read_times(night: date, start: str | None, end: str | None, site: Site) -> Span | None:
    """The span between two clock times of a night, those before noon belonging to its morning. BadInput
    for one time alone, for what is no time, and for an end before the start."""
    if start is None and end is None:
        return None
    if start is None or end is None:
        raise BadInput(phrase("hindsight.one-time-alone"))
    moments = []
    for text in (start, end):
        try:
            clock = time.fromisoformat(text)
        except ValueError:
            raise BadInput(phrase("hindsight.no-time", text=text)) from None
        if clock.tzinfo is not None:
            raise BadInput(phrase("hindsight.time-with-zone", text=text))
        on = night if clock.hour >= 12 else night + timedelta(days=1)
        moments.append(datetime.combine(on, clock, site.tz).astimezone(UTC))
    if moments[0] >= moments[1]:
        raise BadInput(phrase("hindsight.times-swapped", start=start, end=end, night=night))
    return Span(*moments)


def require_begun(night: date, site: Site, now: datetime) -> None:
    """BadInput where it can't even be evening yet. What is said before the window is kept, not counted."""
    if now.astimezone(site.tz) < datetime.combine(night, _EVENING, site.tz):
        raise BadInput(phrase("hindsight.night-ahead", night=night))


def keep_said(session: Session, voice: Voice, said: Said, now: datetime) -> list[Outcome]:
    """Keep a person's word, and judge what has ended of that night again; what came of it."""
    report = PersonReport("", said.seen, now, said.clear_span, said.toward_deg)
    judged_events.add_person_report(session, voice.site_id, voice.night, voice.person_id, report)
    return judge_again(session, voice.site_id, voice.night, now)


def find_said(session: Session, voice: Voice) -> Said | None:
    """A person's last word on a night; None before the first."""
    report = judged_events.last_report(session, voice.site_id, voice.night, voice.person_id)
    return None if report is None else Said(report.seen, report.clear_span, report.toward_deg)
