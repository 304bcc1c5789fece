"""The times of an alert to the minute, as every form of it says them: mail, chat, calendar file and pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from alerts.briefing.facts.alert import AlertFacts
from alerts.briefing.facts.field_notes import FieldNotes
from alerts.common.span import Span
from alerts.common.time_text import minute_down, minute_up, nearest_minute, whole_minutes
from alerts.judging.site_choice import OtherSite
from alerts.sky.night import TrackPoint


def to_the_minute(facts: AlertFacts) -> AlertFacts:
    """The same alert in whole minutes; see `alerts.common.time_text` for which way each is rounded."""
    return replace(
        facts,
        window=_within(facts.window),
        best=_within(facts.best),
        told_window=_within(facts.told_window),
        leave_by=_down(facts.leave_by),
        told_leave_by=_down(facts.told_leave_by),
        decide_at=_down(facts.decide_at),
        signal_lost_at=_down(facts.signal_lost_at),
        home_about=_up(facts.home_about),
        dark_from=_up(facts.dark_from),
        dark_until=_down(facts.dark_until),
        sunset=_nearest(facts.sunset),
        sunrise=_nearest(facts.sunrise),
        core=track_to_the_minute(facts.core),
        shapes=tuple(replace(each, span=whole_minutes(each.span)) for each in facts.shapes),
        others=tuple(_other(each) for each in facts.others),
        instead=tuple(replace(each, span=whole_minutes(each.span)) for each in facts.instead),
        field=None if facts.field is None else _field(facts.field),
    )


def _other(other: OtherSite) -> OtherSite:
    return replace(
        other,
        window=_within(other.window),
        leave_by=_down(other.leave_by),
        latest_departure=_down(other.latest_departure),
    )


def _field(notes: FieldNotes) -> FieldNotes:
    return replace(
        notes,
        arrive=minute_down(notes.arrive),
        latest_departure=minute_down(notes.latest_departure),
        give_up_at=minute_down(notes.give_up_at),
        signal_lost_at=_down(notes.signal_lost_at),
        civil_dusk=_nearest(notes.civil_dusk),
        nautical_dusk=_nearest(notes.nautical_dusk),
        full_dark=_up(notes.full_dark),
        dawn=_down(notes.dawn),
        moon_rises=tuple(map(nearest_minute, notes.moon_rises)),
        moon_sets=tuple(map(nearest_minute, notes.moon_sets)),
        gate_closes=_down(notes.gate_closes),
        gate_opens=_up(notes.gate_opens),
        frames=replace(notes.frames, start_at=minute_up(notes.frames.start_at)),
    )


def track_to_the_minute(points: Sequence[TrackPoint]) -> tuple[TrackPoint, ...]:
    """Its first point is at the window's start and its last at the end: they are said as the window is."""
    if len(points) < 2:
        return tuple(points)
    first, *between, last = points
    return (
        replace(first, at=minute_up(first.at)),
        *(replace(each, at=minute_down(each.at)) for each in between),
        replace(last, at=minute_down(last.at)),
    )


def _within(span: Span | None) -> Span | None:
    return None if span is None else whole_minutes(span)


def _down(at: datetime | None) -> datetime | None:
    return None if at is None else minute_down(at)


def _up(at: datetime | None) -> datetime | None:
    return None if at is None else minute_up(at)


def _nearest(at: datetime | None) -> datetime | None:
    return None if at is None else nearest_minute(at)
