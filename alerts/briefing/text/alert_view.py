"""One alert put into words, field by field: what the templates lay out.

Templates choose the order and the sentences round these words; nothing is computed in them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from alerts.briefing.facts.alert import AlertFacts, Attribution, Instead, to_the_minute
from alerts.briefing.text.alert_lines import (
    fork_line,
    last_said,
    last_word,
    other_lines,
    say_models,
    say_sight,
    say_sky,
    say_towns,
)
from alerts.briefing.text.event import event_told, say_event
from alerts.briefing.text.field import FieldView, field_view
from alerts.common.span import Span
from alerts.common.text import (
    LONGEST_NAME,
    Clock,
    capital,
    clear_words,
    clock_in,
    direction_word,
    length,
    long_day,
    plain,
    sentence,
    short_day,
)
from alerts.common.time_text import say_drive
from alerts.common.units import Units, in_units
from alerts.notifying.model import AlertKind
from alerts.sky.night import ShapeSpan, TrackPoint
from alerts.sky.target_text import shape_label

BADGES = {
    "heads_up": "Heads-up",
    "go": "Go",
    "changed": "Changed",
    "stand_down": "Stand down",
    "wait": "Wait",
    "stay": "Stay home",
    "unknown": "Can't say yet",
}
"""By the form of an alert, see `AlertFacts.form`."""
CALLED_OFF = ("stand_down", "stay")
"""Forms that send nobody out: they tell neither of the trip nor of what the chance rests on."""


OVERHEAD_DEG = 75.0
"""From here on a direction says little: one looks up."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of facts. tone: the colour that carries it ("lamp", "core", "moon" or "")."""

    label: str
    value: str
    tone: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertView:
    """The words of one alert. Empty text means: nothing to say.

    when, when_short: "tonight", or "on Saturday 18 July", "on Sat 18 July" seen from another day.
    between: "23:20 and 01:50".  core: "core in the south".
    event: what the chance is of: "at least one clear hour between 23:22 and 04:23".
    told: what was said before, as a clause: "at noon 81 %".
    rows: the table of facts.  basis: what the chance rests on.
    forecast: the age of the forecast, one sentence.
    field: the field plan, where there is one.  next_window: "Thursday 6 August".
    instead: "the Milky Way's band 22:30 to 03:10 (4 h 40 min)".  first_look: "Mon 5 July".
    outcome_url: where to say how it was, for what sends someone out.
    """

    kind: AlertKind
    form: str
    badge: str
    name: str
    is_go: bool
    invented: bool
    night: str
    night_short: str
    when: str
    when_short: str
    between: str
    chance: str
    event: str
    told: str
    fell: bool
    clear_for: str
    core: str
    moon: str
    agreement: str
    cause: str
    leave: str
    decide: str
    zones: str
    rows: tuple[Row, ...]
    basis: tuple[Row, ...]
    reasons: tuple[str, ...]
    hazards: tuple[str, ...]
    forecast: str
    field: FieldView | None = None
    access_note: str = ""
    last_word: str = ""
    last_said: str = ""
    is_unsettled: bool = False
    fork: str = ""
    others: tuple[str, ...] = ()
    next_window: str = ""
    instead: tuple[str, ...] = ()
    first_look: str = ""
    outcome_url: str = ""


def view_alert(facts: AlertFacts, units: Units = Units.METRIC) -> AlertView:
    """Put the facts into words, every text made plain and every time, to the minute, set in its zone."""
    facts = to_the_minute(facts)
    field = clock_in(facts.zone, _field_times(facts), units.clock_hours)
    home = _home_clock(facts, field)
    is_tonight = _is_tonight(facts, field)
    return AlertView(
        kind=facts.kind,
        form=facts.form,
        badge=_badge(facts),
        name=plain(facts.site_name, LONGEST_NAME),
        is_go=facts.is_go,
        invented=facts.invented,
        night=long_day(facts.night),
        night_short=short_day(facts.night),
        when="tonight" if is_tonight else f"on {long_day(facts.night)}",
        when_short="tonight" if is_tonight else f"on {short_day(facts.night)}",
        between=_between(facts, field),
        chance="" if facts.chance_pct is None else f"{facts.chance_pct} %",
        event=say_event(event, field, facts.night) if (event := event_told(facts)) else "",
        told=_told(facts, home),
        fell=_fell(facts),
        clear_for=clear_words(facts.shortest_window),
        core=_core_words(facts),
        moon=plain(facts.moon),
        agreement=plain(facts.agreement),
        cause=in_units(plain(facts.cause), units).rstrip("."),
        leave=_leave(facts, home, field),
        decide=_decide(facts, home),
        zones=_zones(facts, field, home),
        rows=tuple(_rows(facts, field, home)),
        basis=tuple(_basis(facts, units)),
        reasons=tuple(sentence(in_units(plain(text), units)) for text in facts.reasons),
        hazards=tuple(sentence(in_units(plain(text), units)) for text in facts.hazards),
        forecast=_forecast(facts, home),
        field=_field(facts, field, home, units),
        access_note=plain(facts.access_note),
        next_window=_with_year(facts.next_window, facts.night) if facts.next_window else "",
        instead=tuple(_instead(each, field) for each in facts.instead),
        first_look=_first_look(facts, home),
        last_word=in_units(last_word(facts, home), units),
        last_said=last_said(facts),
        is_unsettled=facts.is_unsettled,
        fork=in_units(fork_line(facts), units),
        others=tuple(other_lines(facts, home)),
        outcome_url=web_address(facts.outcome_url) if facts.is_go else "",
    )


def _badge(facts: AlertFacts) -> str:
    if facts.first_look is not None:
        return "Too early"
    return "Unsettled" if facts.is_unsettled else BADGES[facts.form]


def _field(facts: AlertFacts, field: Clock, home: Clock, units: Units) -> FieldView | None:
    """The field plan, for what sends someone out, and for who asks about a night that may."""
    if facts.field is None or not (facts.is_go or (facts.preview and facts.form not in CALLED_OFF)):
        return None
    return field_view(facts, facts.field, field, home, units)


def _first_look(facts: AlertFacts, home: Clock) -> str:
    """`Mon 5 July`, with its year when that is another one than now."""
    day = facts.first_look
    if day is None:
        return ""
    return short_day(day) if day.year == home.day(facts.decided_at).year else f"{short_day(day)} {day.year}"


def _with_year(day: date, beside: date) -> str:
    """`Thursday 6 August`, with its year when that is another one."""
    return long_day(day) if day.year == beside.year else f"{long_day(day)} {day.year}"


def _instead(other: Instead, field: Clock) -> str:
    """`the Milky Way's band 22:30 to 03:10 (4 h 40 min)`."""
    span = other.span
    return f"{other.words} {field.time(span.start)} to {field.time(span.end)} ({length(span.duration)})"


def _field_times(facts: AlertFacts) -> list[datetime]:
    spans = [span for span in (facts.window, facts.best) if span is not None]
    edges = [edge for span in spans for edge in (span.start, span.end)]
    single = (facts.sunset, facts.dark_from, facts.dark_until, facts.sunrise)
    return [at for at in (*edges, *single) if at is not None] or [facts.decided_at]


def _home_clock(facts: AlertFacts, field: Clock) -> Clock:
    """The clock for leaving and coming home; it names its zone each time where it differs."""
    times = [at for at in (facts.leave_by, facts.home_about) if at is not None] or [facts.decided_at]
    home = clock_in(facts.person_zone or facts.zone, times, field.hours)
    differs = any(home.local(at).utcoffset() != field.local(at).utcoffset() for at in times)
    return replace(home, marks_each=home.marks_each or differs)


def _is_tonight(facts: AlertFacts, field: Clock) -> bool:
    """Whether the night is the coming one, or the one still running before noon."""
    now = field.local(facts.decided_at)
    running = now.date() - timedelta(days=1) if now.hour < 12 else now.date()
    return facts.night in (running, now.date())


def _between(facts: AlertFacts, field: Clock) -> str:
    """`23:20 and 01:50`; a window that starts after midnight says the morning's day."""
    if facts.window is None:
        return ""
    between = f"{field.time(facts.window.start)} and {field.time(facts.window.end)}"
    starts_on = field.day(facts.window.start)
    return between if starts_on == facts.night else f"{between} on {long_day(starts_on)}"


def _told(facts: AlertFacts, home: Clock) -> str:
    if facts.told_chance_pct is None:
        return ""
    chance = f"{facts.told_chance_pct} %"
    if facts.told_at is None:
        return f"before {chance}"
    if home.day(facts.told_at) != home.day(facts.decided_at):
        return f"on {long_day(home.day(facts.told_at)).split()[0]} {chance}"
    time = home.time(facts.told_at)
    return f"at {'noon' if time in ('12:00', '12:00 pm') else time} {chance}"


def _fell(facts: AlertFacts) -> bool:
    """Whether the chance itself tells the story."""
    if facts.chance_pct is None or facts.told_chance_pct is None:
        return False
    return facts.told_chance_pct - facts.chance_pct >= 10


def _core_words(facts: AlertFacts) -> str:
    if not facts.core:
        return ""
    middle, name = facts.core[len(facts.core) // 2], plain(facts.target_name)
    if middle.altitude_deg >= OVERHEAD_DEG:
        return f"{name} overhead"
    return f"{name} in the {direction_word(middle.azimuth_deg, 8)}"


def _leave(facts: AlertFacts, home: Clock, field: Clock) -> str:
    """`19:40`, with the day when that isn't the night's evening."""
    if facts.leave_by is None:
        return ""
    time, day = home.time(facts.leave_by), home.day(facts.leave_by)
    same = day == facts.night or day == field.day(facts.decided_at)
    return time if same else f"{long_day(day).split()[0]} {time}"


def _decide(facts: AlertFacts, home: Clock) -> str:
    if facts.decide_at is None:
        return ""
    day = home.day(facts.decide_at)
    on = "" if day == home.day(facts.decided_at) else f"on {long_day(day)} "
    return f"{on}at {home.time(facts.decide_at)}"


def _zones(facts: AlertFacts, field: Clock, home: Clock) -> str:
    at = facts.window.start if facts.window else facts.decided_at
    note = f"Times are {field.note(at)}."
    if home.zone.key == field.zone.key:
        return note
    return f"{note} Leaving, coming home and deciding are {home.note(facts.leave_by or facts.decided_at)}."


def _rows(facts: AlertFacts, field: Clock, home: Clock) -> list[Row]:
    rows = [
        _leave_row(facts, home),
        _window_row(facts, field),
        Row("Clearest", field.span(facts.best) if facts.best else ""),
        Row(capital(plain(facts.target_name)), _track(facts.core, field), "core"),
        Row("Milky Way", capital(_shapes(facts.shapes, field)), "core"),
        Row("Moon", capital(plain(facts.moon)), "moon"),
        Row("Dark", _edges(facts.dark_from, facts.dark_until, field)),
        Row("Sun", _sun(facts, field)),
        Row("Home about", home.stamp(facts.home_about) if facts.home_about else ""),
    ]
    shown = rows[1:2] + rows[3:8] if facts.form in CALLED_OFF else rows
    return [row for row in shown if row.value]


def _basis(facts: AlertFacts, units: Units) -> list[Row]:
    """What the chance rests on, and how dark the sky is where the camera looks."""
    if facts.form in CALLED_OFF:
        return []
    rows = [
        Row("Models", say_models(facts)),
        Row("Direction", say_sight(facts)),
        Row("Record", plain(facts.record)),
        Row("Sky", capital(say_sky(facts.sky)) if facts.sky else "", "core"),
        Row("Towns", capital(in_units(say_towns(facts.sky), units)) if facts.sky else ""),
    ]
    return [row for row in rows if row.value]


def _leave_row(facts: AlertFacts, home: Clock) -> Row:
    if facts.leave_by is None:
        return Row("Leave by", "")
    moved = facts.told_leave_by is not None and facts.told_leave_by != facts.leave_by
    was = f" (was {home.time(facts.told_leave_by)})" if moved and facts.told_leave_by else ""
    drive = f" ({say_drive(facts.estimate, is_estimate=True)})" if facts.estimate else ""
    return Row("Leave by", home.stamp(facts.leave_by) + was + drive, "lamp")


def _window_row(facts: AlertFacts, field: Clock) -> Row:
    if facts.window is None:
        return Row("Window", "")
    told = facts.told_window
    was = f"; was {field.span(told)}" if told is not None and told != facts.window else ""
    tone = "" if facts.form in CALLED_OFF else "lamp"
    return Row("Window", f"{field.span(facts.window)} ({length(facts.window.duration)}{was})", tone)


def _track(track: tuple[TrackPoint, ...], field: Clock) -> str:
    return "; ".join(
        f"{field.time(point.at)} {direction_word(point.azimuth_deg)}, {point.altitude_deg:.0f}° high"
        for point in track
    )


def _shapes(shapes: tuple[ShapeSpan, ...], field: Clock) -> str:
    """`low arch until 00:30, then leaning band`."""
    said = [f"{shape_label(entry.shape)} until {field.time(entry.span.end)}" for entry in shapes[:-1]]
    return ", then ".join([*said, *(shape_label(entry.shape) for entry in shapes[-1:])])


def _edges(start: datetime | None, end: datetime | None, field: Clock) -> str:
    return field.span(Span(start, end)) if start is not None and end is not None and start < end else ""


def _sun(facts: AlertFacts, field: Clock) -> str:
    sets = f"sets {field.stamp(facts.sunset)}" if facts.sunset else ""
    rises = f"rises {field.stamp(facts.sunrise)}" if facts.sunrise else ""
    return capital("; ".join(part for part in (sets, rises) if part))


def _forecast(facts: AlertFacts, home: Clock) -> str:
    decided = f"Decided {home.stamp(facts.decided_at)}."
    if facts.forecast_issued_at is None:
        is_used = bool(facts.attributions) and facts.first_look is None
        known = "The feeds named no issue time" if is_used else "No forecast was used"
        return f"{decided} {known}."
    age = length(max(facts.decided_at - facts.forecast_issued_at, timedelta(0)))
    return f"{decided} Newest forecast: {home.stamp(facts.forecast_issued_at)} ({age} old)."


def credits_of(alerts: tuple[AlertFacts, ...]) -> tuple[Attribution, ...]:
    """The attributions of all alerts, each once, in the order they first appear."""
    every = (
        Attribution(plain(credit.text), web_address(credit.url))
        for facts in alerts
        for credit in facts.attributions
    )
    return tuple(dict.fromkeys(every))


def web_address(url: str | None) -> str:
    """The address if it is a plain web address, else nothing: no other scheme becomes a link."""
    shown = (url or "").strip()
    ok = shown.startswith(("https://", "http://")) and shown.isprintable() and " " not in shown
    return shown if ok else ""
