"""What a person says of a night: read from what they chose and typed, kept, and the night judged again.

One voice a person and night: a later word stands in the place of the one before, and both are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.track.observations.evidence import SeenSky
from alerts.track.observations.outcome import Outcome
from service.hindsight.verification import judge_again
from service.store.repositories import judged_events

_TIMED = (SeenSky.CLEAR, SeenSky.PARTLY)
_EVENING = time(18)


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody says of a night. clear_span: from when to when it was clear; toward_deg: the azimuth
    they looked at. Both None where they don't say."""

    seen: SeenSky
    clear_span: Span | None = None
    toward_deg: float | None = None


def read_said(state: str, start: str, end: str, toward: str, *, night: date, site: Site) -> Said:
    """From the fields of a form, "" for what was left out. BadInput with the reason."""
    try:
        seen = SeenSky(state)
    except ValueError:
        raise BadInput("choose one of: clear, partly clear, cloudy, didn't go.") from None
    span = read_times(night, start or None, end or None, site)
    if span is not None and seen not in _TIMED:
        raise BadInput("times say when it was clear; leave them empty, or choose clear or partly clear.")
    return Said(seen, span, _read_toward(toward))


def _read_toward(text: str) -> float | None:
    if not text:
        return None
    try:
        toward_deg = float(text)
    except ValueError:
        raise BadInput(f"{text!r} is no direction; choose one, or leave it open.") from None
    if not 0 <= toward_deg <= 360:
        raise BadInput(f"a direction lies between 0 and 360 degrees, got {toward_deg:g}.")
    return toward_deg % 360


def read_times(night: date, start: str | None, end: str | None, site: Site) -> Span | None:
    """The span between two clock times of a night, those before noon belonging to its morning. BadInput
    for one time alone, for what is no time, and for an end before the start."""
    if start is None and end is None:
        return None
    if start is None or end is None:
        raise BadInput("from and to go together; give both, such as 23:30 and 01:00.")
    first, last = (_moment(night, text, site) for text in (start, end))
    if first >= last:
        raise BadInput(f"{start} is not before {end} in the night of {night}; swap them.")
    return Span(first, last)


def _moment(night: date, text: str, site: Site) -> datetime:
    try:
        clock = time.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{text!r} is no time; write HH:MM, such as 23:30.") from None
    if clock.tzinfo is not None:
        raise BadInput(f"{text!r} has a zone; write the time on the site's clock, such as 23:30.")
    on = night if clock.hour >= 12 else night + timedelta(days=1)
    return datetime.combine(on, clock, site.tz).astimezone(UTC)


def require_begun(night: date, site: Site, now: datetime) -> None:
    """BadInput where it can't even be evening yet. What is said before the window is kept, not counted."""
    if now.astimezone(site.tz) < datetime.combine(night, _EVENING, site.tz):
        raise BadInput(f"the night of {night} lies ahead; say what it was like when it has been.")


def keep_said(
    session: Session, said: Said, *, site_id: int, night: date, person_id: int, now: datetime
) -> list[Outcome]:
    """Keep a person's word, and judge what has ended of that night again; what came of it."""
    judged_events.add_person_report(
        session,
        site_id=site_id,
        night=night,
        person_id=person_id,
        seen=said.seen,
        now=now,
        clear_span=said.clear_span,
        toward_deg=said.toward_deg,
    )
    return judge_again(session, site_id, night, now)


def find_said(session: Session, *, site_id: int, night: date, person_id: int) -> Said | None:
    """A person's last word on a night; None before the first."""
    report = judged_events.last_report(session, site_id, night, person_id)
    if report is None:
        return None
    return Said(report.seen, report.clear_span, report.toward_deg)
