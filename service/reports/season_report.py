"""A season as a page, JSON, CSV and a calendar."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from icalendar import Calendar, Event

from alerts.common.phrases import say
from alerts.common.time_text import (
    MONTHS,
    say_clock,
    say_day,
    say_lasting,
    say_minutes,
    say_span,
    utc_text,
    whole_minutes,
    zone_word,
)
from alerts.sites.great_circle import direction_word
from alerts.sky.night import DarkWindow
from alerts.sky.nights.season import Season, SeasonNight, wishes_text
from service.reports.night_json import span_json, window_json

Nights = Sequence[SeasonNight]


def season_json(season: Season, nights: Nights) -> dict[str, Any]:
    """The season as JSON values: UTC times, degrees, one entry a night."""
    return {
        "site": {
            "name": season.site.name,
            "lat": season.site.lat_deg,
            "lon": season.site.lon_deg,
            "zone": season.site.zone,
        },
        "from": season.first.isoformat(),
        "to": season.last.isoformat(),
        "wishes": wishes_text(season.site, season.wishes),
        "nights": [_night_json(night) for night in nights],
        "months": [
            {
                "year": month.year,
                "month": month.month,
                "nights": month.nights,
                "minutes": round(month.minutes),
                "longest": month.longest.isoformat(),
            }
            for month in season.months
        ],
        "costs": [
            {
                "wishes": cost.text,
                "nights": cost.nights,
                "minutes": round(cost.minutes),
                "chosen": cost.chosen,
            }
            for cost in season.costs
        ],
    }


def _night_json(night: SeasonNight) -> dict[str, Any]:
    return {
        "night": night.name.isoformat(),
        "minutes": round(night.minutes),
        "worth": round(night.worth, 1),
        "shapes": [shape.value for shape in night.shapes],
        "moon": {
            "lit": round(night.moon_lit, 4),
            "rises": [utc_text(at) for at in night.moon_rises],
            "sets": [utc_text(at) for at in night.moon_sets],
        },
        "windows": [window_json(window) for window in night.windows],
    }


def season_csv(season: Season, nights: Nights) -> str:
    """One row a window; times in UTC and on the site's clock."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(
        [
            "night",
            "start_utc",
            "end_utc",
            "start_local",
            "end_local",
            "minutes",
            "shapes",
            "moon_lit",
            "from",
            "to",
        ]
    )
    for night in nights:
        for window in night.windows:
            rows.writerow(_csv_row(season, night, window))
    return out.getvalue()


def _csv_row(season: Season, night: SeasonNight, window: DarkWindow) -> list[object]:
    span = span_json(window.span)
    whole = whole_minutes(window.span)
    ends = (whole.start, whole.end)
    local = [at.astimezone(season.site.tz).isoformat(timespec="minutes") for at in ends]
    return [
        night.name.isoformat(),
        span["start"],
        span["end"],
        *local,
        round(window.span.minutes),
        " ".join(dict.fromkeys(each.shape.value for each in window.shapes)),
        f"{night.moon_lit:.2f}",
        direction_word(window.track[0].azimuth_deg) if window.track else "",
        direction_word(window.track[-1].azimuth_deg) if window.track else "",
    ]


def season_ics(season: Season, nights: Nights) -> str:
    """A calendar (RFC 5545) with one event a window; UTC times, UIDs that stay the same."""
    calendar = Calendar()
    calendar.add("prodid", "-//Duskbell//season//EN")
    calendar.add("version", "2.0")
    calendar.add("name", f"Dark windows, {season.site.name}")
    place = f"{season.site.lat_deg:+.4f}{season.site.lon_deg:+.4f}"
    for night in nights:
        for number, window in enumerate(night.windows, start=1):
            event = Event()
            event.add("uid", f"season-{night.name:%Y%m%d}-{number}-{place}@duskbell")
            event.add("dtstamp", datetime(season.first.year, 1, 1, tzinfo=UTC))
            event.add("dtstart", window.span.start)
            event.add("dtend", window.span.end)
            event.add("summary", f"Dark window, {season.site.name} ({say_lasting(window.span)})")
            event.add("description", _describe(season, night, window))
            event.add("geo", (season.site.lat_deg, season.site.lon_deg))
            event.add("transp", "TRANSPARENT")
            calendar.add_component(event)
    return str(calendar.to_ical(), encoding="utf-8")


def _describe(season: Season, night: SeasonNight, window: DarkWindow) -> str:
    shapes = ", ".join(dict.fromkeys(each.shape.value for each in window.shapes))
    return say(
        "reports.season-event",
        span=say_span(window.span, season.site.tz),
        shapes=shapes or "dark sky",
        moon_pct=100 * night.moon_lit,
        is_down=season.wishes.moonless,
    )


def season_page(season: Season, nights: Nights, *, never: Sequence[str] = ()) -> str:
    """The season as a page for the terminal."""
    parts = [_head(season), season_table(season, nights), iter(never), _months(season), _costs(season)]
    return "\n".join(line for part in parts for line in part)


def _head(season: Season) -> Iterator[str]:
    site = season.site
    yield f"{site.name}   {site.lat_deg:.4f}, {site.lon_deg:.4f}   {site.zone}"
    yield say(
        "reports.season-head",
        first=season.first,
        last=season.last,
        wishes_text=wishes_text(site, season.wishes),
    )
    yield say("reports.season-sky-alone")
    yield ""


def season_table(season: Season, nights: Nights) -> Iterator[str]:
    """One line a window below a line of headings."""
    if not nights:
        yield say("reports.season-no-window")
        return
    yield f"{'evening of':<18}{'dark window':<22}{'length':<12}{'shapes':<26}{'core':<14}Moon"
    for night in nights:
        for number, window in enumerate(night.windows):
            label = f"{say_day(night.name)}" if number == 0 else ""
            yield _row(season, night, window, label)
    yield ""


def _row(season: Season, night: SeasonNight, window: DarkWindow, label: str) -> str:
    zone = season.site.tz
    whole = whole_minutes(window.span)
    start = zone_word(whole.start.astimezone(zone))
    times = f"{say_clock(whole.start, zone)}–{say_clock(whole.end, zone)} {start}"
    shapes = ", ".join(dict.fromkeys(each.shape.value for each in window.shapes))
    ends = (window.track[0], window.track[-1]) if window.track else ()
    facing = " → ".join(dict.fromkeys(direction_word(point.azimuth_deg) for point in ends))
    length = say_lasting(window.span)
    return f"{label:<18}{times:<22}{length:<12}{shapes:<26}{facing:<14}{100 * night.moon_lit:.0f} %".rstrip()


def _months(season: Season) -> Iterator[str]:
    if not season.months:
        return
    yield "By month"
    for month in season.months:
        hours = say_minutes(timedelta(minutes=month.minutes))
        name = f"{MONTHS[month.month - 1]} {month.year}"
        yield f"  {name:<16}{month.nights:>3} nights  {hours:>12}   longest {say_day(month.longest)}"
    yield ""


def _costs(season: Season) -> Iterator[str]:
    if not season.costs:
        return
    yield say("reports.season-cost")
    for cost in season.costs:
        mark = "   (chosen)" if cost.chosen else ""
        hours = say_minutes(timedelta(minutes=cost.minutes))
        yield f"  {cost.nights:>4} nights  {hours:>13}   {cost.text}{mark}"
