"""A season as a page, JSON, CSV and a calendar."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar

from alerts.common.phrases import Reader, phrase, say
from alerts.common.text import capital, direction_letters, month_name
from alerts.common.time_text import (
    say_clock,
    say_day,
    say_lasting,
    say_minutes,
    span_json,
    utc_text,
    whole_minutes,
    zone_word,
)
from alerts.sky.night import DarkWindow
from alerts.sky.nights.season import Season, SeasonNight, wishes_text
from service.reports.night_json import site_json, window_json

Nights = Sequence[SeasonNight]


def season_json(season: Season, nights: Nights) -> dict[str, Any]:
    """The season as JSON values: UTC times, degrees, one entry a night."""
    return {
        "site": site_json(season.site),
        "from": season.first.isoformat(),
        "to": season.last.isoformat(),
        "wishes": wishes_text(season.site, season.wishes),
        "horizon_assumed": season.is_horizon_assumed,
        "nights": [
            {
                "night": night.name.isoformat(),
                "minutes": round(night.minutes),
                "worth": round(night.worth, 1),
                "too_short": night.is_too_short,
                "shapes": [shape.value for shape in night.shapes],
                "moon": {
                    "lit": round(night.moon_lit, 4),
                    "rises": [utc_text(at) for at in night.moon_rises],
                    "sets": [utc_text(at) for at in night.moon_sets],
                },
                "windows": [window_json(window) for window in night.windows],
            }
            for night in nights
        ],
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


COLUMNS = (
    "night", "start_utc", "end_utc", "start_local", "end_local", "minutes", "shapes", "moon_lit", "from",
    "to", "too_short",
)  # fmt: skip


def season_csv(season: Season, nights: Nights) -> str:
    """One row a window; times in UTC and on the site's clock."""
    out, zone = io.StringIO(), season.site.tz
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(COLUMNS)
    for night, window in _windows(nights):
        whole, track = whole_minutes(window.span), window.track
        rows.writerow(
            [
                night.name.isoformat(),
                *span_json(window.span).values(),
                whole.start.astimezone(zone).isoformat(timespec="minutes"),
                whole.end.astimezone(zone).isoformat(timespec="minutes"),
                round(window.span.minutes),
                " ".join(_shapes(window)),
                f"{night.moon_lit:.2f}",
                str(direction_letters(track[0].azimuth_deg)) if track else "",
                str(direction_letters(track[-1].azimuth_deg)) if track else "",
                "yes" if night.is_too_short else "",
            ]
        )
    return out.getvalue()


def _windows(nights: Nights) -> Iterator[tuple[SeasonNight, DarkWindow]]:
    return ((night, window) for night in nights for window in night.windows)


def _shapes(window: DarkWindow) -> dict[str, None]:
    """Each once, in the order of the night."""
    return dict.fromkeys(shape.value for each in window.shapes for shape in each.standing)


def season_ics(season: Season, nights: Nights) -> str:
    """A calendar (RFC 5545) with one event a window; UTC times, UIDs that stay the same."""
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Duskbell//season//EN")
    calendar.add("version", "2.0")
    calendar.add("name", say("reports.season-calendar", site=season.site.name))
    place = f"{season.site.lat_deg:+.4f}{season.site.lon_deg:+.4f}"
    for night in nights:
        for number, window in enumerate(night.windows, start=1):
            event = icalendar.Event()
            event.add("uid", f"season-{night.name:%Y%m%d}-{number}-{place}@duskbell")
            event.add("dtstamp", datetime(season.first.year, 1, 1, tzinfo=UTC))
            event.add("dtstart", window.span.start)
            event.add("dtend", window.span.end)
            title = say("reports.season-calendar-window", site=season.site.name, window=window.span)
            event.add("summary", title)
            about = say(
                "reports.season-event",
                Reader(season.site.tz),
                is_down=season.wishes.moonless,
                span=window.span,
                shapes=", ".join(_shapes(window)) or phrase("reports.season-dark-sky"),
                moon_pct=100 * night.moon_lit,
            )
            short = [capital(say("reports.season-too-short")) + "."] if night.is_too_short else []
            event.add("description", " ".join([*short, about]))
            event.add("geo", (season.site.lat_deg, season.site.lon_deg))
            event.add("transp", "TRANSPARENT")
            calendar.add_component(event)
    return str(calendar.to_ical(), encoding="utf-8")


def season_page(season: Season, nights: Nights, *, never: Sequence[str] = ()) -> str:
    """The season as a page for the terminal: its nights, then what each month has and each wish costs."""
    site, wishes = season.site, wishes_text(season.site, season.wishes)
    lines = [
        f"{site.name}   {site.lat_deg:.4f}, {site.lon_deg:.4f}   {site.zone}",
        say("reports.season-head", first=season.first, last=season.last, wishes_text=wishes),
        say("reports.season-sky-alone"),
        *([say("reports.season-horizon-assumed")] if season.is_horizon_assumed else []),
        "",
        *season_table(season, nights),
        *never,
    ]
    if season.months:
        lines.append(say("reports.season-months"))
    for month in season.months:
        hours, count = say_minutes(timedelta(minutes=month.minutes)), f"{month.nights:>3}"
        name = f"{month_name(month.month)} {month.year}"
        said = say("reports.season-month", nights=count, hours=f"{hours:>12}", day=month.longest)
        lines.append(f"  {name:<16}{said}")
    lines += [""] if season.months else []
    if season.costs:
        lines.append(say("reports.season-cost"))
    for cost in season.costs:
        hours = say_minutes(timedelta(minutes=cost.minutes))
        said = say("reports.season-cost-of", nights=f"{cost.nights:>4}", hours=f"{hours:>13}", wish=cost.text)
        chosen = say("reports.season-chosen") if cost.chosen else ""
        lines.append(f"  {said}{chosen and f'   {chosen}'}")
    return "\n".join(lines)


def season_table(season: Season, nights: Nights) -> Iterator[str]:
    """One line a window below a line of headings."""
    if not nights:
        yield say("reports.season-no-window")
        return
    zone = season.site.tz
    yield say("reports.season-columns")
    for night, window in _windows(nights):
        label = say_day(night.name) if window is night.windows[0] else ""
        whole, track = whole_minutes(window.span), window.track
        start = zone_word(whole.start.astimezone(zone))
        times = f"{say_clock(whole.start, zone)}–{say_clock(whole.end, zone)} {start}"
        ends = (track[0], track[-1]) if track else ()
        facing = " → ".join(dict.fromkeys(str(direction_letters(point.azimuth_deg)) for point in ends))
        seen = f"{say_lasting(window.span):<12}{', '.join(_shapes(window)):<34}{facing:<14}"
        short = f"   {say('reports.season-too-short')}" if night.is_too_short else ""
        yield f"{label:<18}{times:<22}{seen}{100 * night.moon_lit:.0f} %{short}"
    yield ""
