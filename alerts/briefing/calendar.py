"""The alerts of a message as a calendar file: the window and the time to leave, each an event.

RFC 5545, times in UTC only. One event keeps one UID for the whole night, so that a change moves it and
a stand-down cancels it; SEQUENCE tells readers which version is the newer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

from icalendar import Alarm, Calendar, Event

from alerts.briefing.facts import AlertFacts, to_the_minute
from alerts.briefing.render import INVENTED_MARK, line_of
from alerts.briefing.text.alert_view import view_alert, web_address
from alerts.common.phrases import say
from alerts.common.span import Span, require_utc
from alerts.common.text import LONGEST_NAME, plain
from alerts.common.units import Units
from alerts.notifying.model import AlertKind

WINDOW = "window"
PRODUCT = "-//Duskbell//Briefing//EN"
LEAVING = timedelta(minutes=15)
"""Length of the event that says when to leave: long enough to be seen in a day's view."""
LEAVE_ALARMS = (timedelta(hours=1), timedelta(minutes=15))
WINDOW_ALARMS = (timedelta(minutes=30),)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarEntry:
    """One alert for the calendar.

    key: the same for all alerts of one person, site and night, and unlike any other, also in other
    installations (put the installation's own address or a random word into it).
    sequence: 1 for the first word on that night, higher with each later one.
    place: latitude and longitude for the person's own calendar; None keeps it out. url: the night's page.
    units: of the description.
    """

    facts: AlertFacts
    key: str
    sequence: int
    place: tuple[float, float] | None = None
    url: str = ""
    units: Units = Units.METRIC


def event_uid(key: str, role: str = WINDOW) -> str:
    """The UID of a night's event, the same wherever a calendar gets it from. key: see `CalendarEntry`."""
    return str(uuid5(NAMESPACE_URL, f"duskbell:{key}:{role}"))


def build_calendar(entries: Sequence[CalendarEntry], *, stamped_at: datetime) -> bytes:
    """The file, UTF-8 with CRLF line ends. stamped_at: when it was made (DTSTAMP), aware.

    Alerts without a window have no event; without any event there is no file, and this is empty.
    """
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    stamp = require_utc(stamped_at, "stamped_at").replace(microsecond=0)
    for entry in entries:
        for event in _events(entry, stamp):
            calendar.add_component(event)
    return bytes(calendar.to_ical()) if calendar.subcomponents else b""


def _events(entry: CalendarEntry, stamp: datetime) -> Iterator[Event]:
    """The window; the time to leave, where one is told to."""
    facts = to_the_minute(entry.facts)
    window, leave_by = facts.window or facts.told_window, facts.leave_by or facts.told_leave_by
    if window is None:
        return
    name, mark = plain(facts.site_name, LONGEST_NAME), INVENTED_MARK if facts.invented else ""
    # below its title a calendar shows the first line, the table of facts and the zones
    view = view_alert(facts, entry.units, in_full=False)
    below = "\n".join([line_of(view), *(f"{row.label}: {row.value}" for row in view.rows), view.zones])
    is_off = facts.kind is AlertKind.STAND_DOWN
    roles: list[tuple[str, Span, Sequence[timedelta]]] = [(WINDOW, window, WINDOW_ALARMS)]
    if facts.kind is not AlertKind.HEADS_UP and leave_by is not None:
        roles.append(("leave", Span(leave_by, leave_by + LEAVING), LEAVE_ALARMS))

    for role, span, alarms in roles:
        event = Event()
        event.add("uid", event_uid(entry.key, role))
        event.add("dtstamp", stamp)
        event.add("dtstart", span.start)
        event.add("dtend", span.end)
        event.add("sequence", entry.sequence)
        event.add("status", "CANCELLED" if is_off else "CONFIRMED" if facts.is_go else "TENTATIVE")
        event.add("summary", mark + say(f"briefing.calendar-{role}", site=name))
        event.add("description", below)
        event.add("location", name)
        if entry.place is not None:
            event.add("geo", (round(entry.place[0], 6), round(entry.place[1], 6)))
        if web_address(entry.url):
            event.add("url", web_address(entry.url))
        for before in alarms if facts.is_go else ():  # what rings before it, where it sends someone out
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("trigger", -before)
            minutes = round(WINDOW_ALARMS[0] / timedelta(minutes=1))
            alarm.add("description", say(f"briefing.calendar-{role}-soon", site=name, minutes=minutes))
            event.add_component(alarm)
        yield event
