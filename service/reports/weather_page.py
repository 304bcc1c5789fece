"""A night's weather hour by hour: its rows, as a page for the terminal, and as JSON values."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta, tzinfo
from math import isnan
from statistics import median
from typing import Any

import numpy as np

from alerts.briefing.collect import find_agreement
from alerts.briefing.text.alert_lines import event_of, event_values, say_chance
from alerts.common.phrases import Phrase, Reader, phrase, say
from alerts.common.plain_values import rounded
from alerts.common.span import Span
from alerts.common.time_text import say_clock, say_time, span_json, utc_text, zone_word
from alerts.judging.window_brightness import TOWN_CREDIT_URL, WindowSky, darkness
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night, rests_on_assumed_level
from alerts.weather.clouds import cover_as_told
from alerts.weather.forecast import Forecast
from alerts.weather.hazards import dew_spread_c
from alerts.weather.hours import HourlyWeather
from alerts.weather.line_of_sight import TYPICAL_ALTITUDE_DEG, view_of
from alerts.weather.models import AIR_LINEAGE, model_name, name_with_family
from alerts.weather.outlook import HazardLevel, Outlook, SourceChance
from alerts.weather.sensitivity import CLOUD, Pivot
from alerts.weather.skill import CLEAR_LIMIT_PCT
from service.feeds.shared.checked_answers import fault_of
from service.reports.night_json import outlook_json, site_json, sky_json


def weather_page(seen: NightWeather) -> str:
    """The sources by number, the hours, the outlook, what was refused, what it hangs on, the credits."""
    site, outlook, window, reader = seen.site, seen.outlook, seen.window, Reader(seen.site.tz)
    lines = [say("reports.weather-head", reader, name=site.name, day=seen.night.name, as_of=seen.now)]
    if window is None:
        lines.append(say("reports.weather-no-window"))
    else:
        lines.append(say("reports.weather-dark", reader, window=window.span))
        if rests_on_assumed_level(site, seen.night.wishes.target):
            lines.append(say("reports.weather-horizon-assumed"))
    lines += [f"  {problem}" for problem in seen.problems]
    lines += [*_sources(seen), *_hours(seen)]

    if outlook is not None:
        chance = chance_lines(outlook, site, shortest=seen.shortest, now=seen.now, night_name=seen.night.name)
        said = (*chance, *hazard_lines(outlook, site.tz), *map(str, outlook.notes))
        lines += ["", say("reports.weather-outlook"), *(f"  {line}" for line in said)]
    if window is not None and seen.sky is not None:
        brightness = darkness(window, seen.sky, site, seen.night.wishes).text
        lines += ["", say("reports.weather-sky"), f"  {brightness}"]

    if seen.refused:
        lines += ["", say("reports.weather-refused")]
    for each in seen.refused:
        name = model_name(each.feed, each.model) if each.model else each.feed
        key = "reports.weather-refused-at" if each.at else "reports.weather-refused-now"
        lines.append(f"  {say(key, reader, name=name, at=each.at, why=fault_of(each.reason))}")
    if hinge := say_hinge(seen):
        lines += ["", say("reports.weather-hangs-on", text=hinge)]

    sources = outlook.sources if outlook else ()
    credits = dict.fromkeys(f"{source.attribution}  {source.attribution_url}" for source in sources)
    if seen.sky is not None and seen.sky.domes:
        credits[f"{say('judging.town-credit')}  {TOWN_CREDIT_URL}"] = None
    if credits:
        lines += ["", *credits]
    return "\n".join(lines)


def _sources(seen: NightWeather) -> Iterator[str]:
    """Each by its number, with what it gives alone; of a single run how cloudy it is at best, in the frame
    and on the ground plan."""
    if not seen.sources:
        yield say("reports.weather-no-forecast")
        return
    yield ""
    yield say("reports.weather-sources")
    for number, forecast in enumerate(seen.sources, 1):
        source, entry = forecast.source, _entry(seen, forecast)
        issued = phrase("reports.weather-published", known=source.issued_at is not None, at=source.issued_at)
        name = name_with_family(source.feed, source.model, source.lineage, len(forecast.members))
        line = f"  {number:>2}  {name}, {issued}"
        if entry is None:
            yield line
        elif entry.chance is None:
            yield say("reports.weather-not-used", source=line, why=entry.why_not)
        elif entry.least_cloud_pct is None or entry.least_plan_pct is None or entry.members:
            yield say("reports.weather-by-itself", source=line, chance_pct=100 * entry.chance)
        else:
            yield say(
                "reports.weather-by-itself-run",
                source=line,
                chance_pct=100 * entry.chance,
                cloud_pct=entry.least_cloud_pct,
                plan_pct=entry.least_plan_pct,
                places=entry.sight_places,
            )


def _entry(seen: NightWeather, forecast: Forecast) -> SourceChance | None:
    entries = seen.outlook.per_source if seen.outlook else ()
    return next((entry for entry in entries if entry.source == forecast.source), None)


def _hours(seen: NightWeather) -> Iterator[str]:
    if not seen.sources or not seen.rows:
        return
    widths = [max(4, *(len(_cloud(row.cells[k])) for row in seen.rows)) for k in range(len(seen.sources))]
    zone = zone_word(seen.rows[0].hour.start.astimezone(seen.site.tz))
    numbers = "  ".join(f"{number:>{width}}" for number, width in enumerate(widths, 1))
    yield ""
    yield say("reports.weather-rows", zone=zone)
    yield f"          {numbers}{say('reports.weather-columns')}"
    for row in seen.rows:
        mark = ">" if row.in_best else "*" if row.in_window else " "
        cells = "  ".join(f"{_cloud(cell):>{width}}" for cell, width in zip(row.cells, widths, strict=True))
        values = (
            f"{_number(row.temperature_c, 6)}{_number(row.wind_ms, 6)}{_number(row.gust_ms, 5)}"
            f"{_number(row.precipitation_pct, 7)}{_number(row.precipitation_mm, 4, 1)}"
            f"{_number(row.dew_spread_c, 6)}{_number(row.fog_pct, 5)}"
        )
        yield f"  {mark} {say_clock(row.hour.start, seen.site.tz)}  {cells}{values}"
    yield say("reports.weather-marks")


def _cloud(cell: SourceHour) -> str:
    if cell.clear_members is not None:
        return f"{cell.clear_members}/{cell.members}"
    if cell.total_pct is None:
        return "–"
    layers = (cell.low_pct, cell.mid_pct, cell.high_pct)
    if None in layers:
        return f"{cell.total_pct:.0f}"
    return f"{cell.total_pct:.0f} " + "/".join(f"{layer:.0f}" for layer in layers)


def _number(value: float | None, width: int, digits: int = 0) -> str:
    text = "–" if value is None else f"{value:.{digits}f}".replace("-", "−")
    return f"{text:>{width}}"


def say_hinge(seen: NightWeather) -> str:
    """The one thing and hour, and what would come of it; "" when there is nothing to say."""
    hinge = seen.hinge
    if hinge is None:
        return ""
    thing: str | Phrase = hinge.thing if hinge.thing != CLOUD else phrase("reports.weather-all-cloud")
    if hinge.hazard is not None:
        key, thing = "hazard-flips" if hinge.flips else "hazard", hinge.hazard.text
    elif hinge.is_good:
        key = "clear-hour" if hinge.flips else "even-overcast"
    else:
        key = "without" if hinge.flips else "weighs-most"
    return say(
        f"reports.weather-{key}",
        Reader(seen.site.tz),
        thing=thing,
        has_hour=hinge.hour is not None,
        at=hinge.hour and hinge.hour.start,
        chance_pct=hinge.chance_pct,
        otherwise_pct=hinge.otherwise_pct,
        go_pct=seen.go_pct,
    )


def weather_json(seen: NightWeather) -> dict[str, Any]:
    """Documented keys: UTC times as `…Z`, what is unknown null; keys are only ever added."""
    hinge = seen.hinge
    return {
        "site": site_json(seen.site),
        "night": seen.night.name.isoformat(),
        "as_of": utc_text(seen.now),
        "window": seen.window and span_json(seen.window.span),
        "sources": [
            {
                "feed": source.feed,
                "model": source.model,
                "provider": source.provider,
                "lineage": source.lineage,
                "issued_at": utc_text(source.issued_at),
                "fetched_at": utc_text(source.fetched_at),
                "members": len(forecast.members),
                "chance_pct": None if entry is None or entry.chance is None else round(100 * entry.chance),
                "frame_cloud_pct": entry and entry.least_cloud_pct,
                "plan_cloud_pct": entry and entry.least_plan_pct,
                "sight_places": entry.sight_places if entry else 0,
                "why_not": str(entry.why_not) if entry and entry.chance is None else None,
                "attribution": source.attribution,
            }
            for forecast in seen.sources
            for source, entry in ((forecast.source, _entry(seen, forecast)),)
        ],
        "hours": [
            {
                **span_json(row.hour),
                "in_window": row.in_window,
                "in_best": row.in_best,
                "sources": [{**asdict(cell), **rounded(cell, plan_pct=1, frame_pct=1)} for cell in row.cells],
                **rounded(row, temperature_c=1, wind_ms=1, gust_ms=1, precipitation_pct=1),
                **rounded(row, precipitation_mm=2, dew_spread_c=1, fog_pct=1, aerosol_optical_depth=3),
            }
            for row in seen.rows
        ],
        "outlook": outlook_json(seen.outlook) if seen.outlook else None,
        "event": event_values(event_of(seen.outlook, seen.shortest, seen.now)),
        **(sky_json(seen.sky) if seen.sky else {"sky": [], "domes": []}),
        "horizon_assumed": rests_on_assumed_level(seen.site, seen.night.wishes.target),
        "refused": [
            {
                "feed": each.feed,
                "model": each.model,
                "reason": str(each.reason),
                "at": utc_text(each.at),
                "reason_code": each.reason.as_json(),
            }
            for each in seen.refused
        ],
        "hangs_on": hinge
        and {
            "thing": hinge.thing,
            "hour": hinge.hour and span_json(hinge.hour),
            "is_good": hinge.is_good,
            "flips": hinge.flips,
            "chance_pct": hinge.chance_pct,
            "otherwise_pct": hinge.otherwise_pct,
            "text": say_hinge(seen),
        },
        "problems": list(seen.problems),
    }


HOUR = timedelta(hours=1)
LONGEST = timedelta(hours=26)


@dataclass(frozen=True, slots=True)
class Refused:
    """An answer that couldn't be used. at: when it came, None when it came just now."""

    feed: str
    model: str
    reason: Phrase
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class SourceHour:
    """One source in one hour, % of cloud; None where it doesn't say.

    plan_pct: what counts of it on the ground plan; frame_pct: in the slanted view of the frame.
    clear_members, members: of an ensemble, how many are clear enough.
    """

    total_pct: float | None = None
    low_pct: float | None = None
    mid_pct: float | None = None
    high_pct: float | None = None
    plan_pct: float | None = None
    frame_pct: float | None = None
    clear_members: int | None = None
    members: int = 0


@dataclass(frozen=True, slots=True)
class WeatherHour:
    """One hour. in_window: some of it lies in the dark window; in_best: in its clearest stretch.

    Of the values that aren't cloud: the median of temperature, the worst of the rest over all sources.
    """

    hour: Span
    in_window: bool
    in_best: bool
    cells: tuple[SourceHour, ...]
    temperature_c: float | None
    wind_ms: float | None
    gust_ms: float | None
    precipitation_pct: float | None
    precipitation_mm: float | None
    dew_spread_c: float | None
    fog_pct: float | None
    aerosol_optical_depth: float | None


@dataclass(frozen=True, slots=True)
class NightWeather:
    """All that the command shows.

    sources: the columns, in order. outlook: None when none could be made. go_pct, shortest: the chance and
    the clear time that are asked for. sky: of the window, under the smoke or haze that the outlook has.
    """

    site: Site
    night: Night
    now: datetime
    window: DarkWindow | None
    outlook: Outlook | None
    sources: tuple[Forecast, ...]
    rows: tuple[WeatherHour, ...]
    refused: tuple[Refused, ...]
    hinge: Pivot | None
    go_pct: int
    shortest: timedelta
    problems: tuple[str, ...] = ()
    sky: WindowSky | None = None


def build_rows(
    site: Site,
    night: Night,
    window: DarkWindow | None,
    outlook: Outlook | None,
    forecasts: Sequence[Forecast],
) -> tuple[tuple[Forecast, ...], tuple[WeatherHour, ...]]:
    """The columns, and the night's hours by the site's clock."""
    columns = tuple(each for each in forecasts if each.source.lineage != AIR_LINEAGE)
    altitude_deg = view_of(window, site).altitude_deg if window else TYPICAL_ALTITUDE_DEG
    # from sunset to sunrise; where the Sun does neither, the window's trip, or the night's middle
    start, end = night.sun.first_set, night.sun.last_rise
    shown = Span(night.span.middle - 6 * HOUR, night.span.middle + 6 * HOUR)
    if start is not None and end is not None and start < end <= start + LONGEST:
        shown = Span(start, end)
    elif outlook is not None and outlook.trip is not None:
        shown = outlook.trip
    best = outlook.best if outlook else None
    rows = []
    for hour in hours_of(site, shown):
        # the records that hold the hour's beginning, which is when their instant values are for
        records = [record for each in forecasts if (record := each.hours.at(hour.start)) is not None]
        rows.append(
            WeatherHour(
                hour=hour,
                in_window=window is not None and hour.overlap(window.span) is not None,
                in_best=best is not None and hour.overlap(best) is not None,
                cells=tuple(_cell(forecast, hour, altitude_deg) for forecast in columns),
                temperature_c=_pick((each.temperature_c for each in records), median),
                wind_ms=_pick((each.wind_ms for each in records), max),
                gust_ms=_pick((each.gust_ms for each in records), max),
                precipitation_pct=_pick((each.precipitation_probability_pct for each in records), max),
                precipitation_mm=_pick((each.precipitation_mm for each in records), max),
                dew_spread_c=_pick(map(_dew_spread_c, records), min),
                fog_pct=_pick((each.fog_pct for each in records), max),
                aerosol_optical_depth=_pick((each.aerosol_optical_depth for each in records), max),
            )
        )
    return columns, tuple(rows)


def hours_of(site: Site, span: Span) -> tuple[Span, ...]:
    """The whole hours of the site's clock that touch a span; each lasts an hour, clock change or not."""
    local = span.start.astimezone(site.tz)
    past = timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
    first = span.start - past
    count = -(-(span.end - first) // HOUR)
    return tuple(Span(first + k * HOUR, first + (k + 1) * HOUR) for k in range(count))


def _cell(forecast: Forecast, hour: Span, altitude_deg: float) -> SourceHour:
    index = forecast.hours.index_at(hour.start)
    if index is None:
        return SourceHour(members=len(forecast.members))
    record = forecast.hours[index]
    cover = cover_as_told(forecast.hours, forecast.layer_scheme, slice(index, index + 1))
    known = [pct for row in forecast.members if (pct := row[index]) is not None]
    return SourceHour(
        record.cloud_total_pct,
        record.cloud_low_pct,
        record.cloud_mid_pct,
        record.cloud_high_pct,
        _or_none(cover.plan_pct[0]),
        _or_none(cover.view_pct(altitude_deg)[0]),
        sum(pct <= CLEAR_LIMIT_PCT for pct in known) if known else None,
        len(forecast.members),
    )


def _dew_spread_c(hour: HourlyWeather) -> float | None:
    humid = (hour.dew_point_c, hour.relative_humidity_pct)
    return _or_none(float(dew_spread_c(*np.array([hour.temperature_c, *humid], dtype=np.float64))))


def _or_none(value: float) -> float | None:
    return None if isnan(value) else float(value)


def _pick(values: Iterable[float | None], pick: Callable[[list[float]], float]) -> float | None:
    known = [value for value in values if value is not None]
    return float(pick(known)) if known else None


def chance_lines(
    outlook: Outlook, site: Site, *, shortest: timedelta, now: datetime, night_name: date
) -> Iterator[str]:
    """The chance and what it is of, what each source says alone, how it moved, and what the line of sight
    changes: each figure with what it counts."""
    said = say_chance(outlook, site, shortest=shortest, now=now, night_name=night_name)
    if not said:
        yield say("reports.chance-unknown")
        return
    yield f"{said}. {find_agreement(outlook) or ''}".rstrip()
    if outlook.spread_pct is not None and outlook.spread_pct[0] != outlook.spread_pct[1]:
        yield say(
            "reports.chance-each-alone",
            least_pct=outlook.spread_pct[0],
            most_pct=outlook.spread_pct[1],
        )
    if outlook.change_pct is not None:
        points = abs(outlook.change_pct)
        yield say("reports.chance-change", is_down=outlook.change_pct < 0, points=points)
    if outlook.overhead_pct is not None:
        sight = str(outlook.sight_text or "")
        yield say("reports.chance-overhead", overhead_pct=outlook.overhead_pct, sight=sight)


def hazard_lines(outlook: Outlook, zone: tzinfo) -> Iterator[str]:
    """Each hazard; where it isn't fine since when, how bad, and where its authority says more."""
    for hazard in outlook.hazards:
        mark = "" if hazard.level is HazardLevel.FINE else f"   ({hazard.level.value})"
        at = f", {say_time(hazard.at, zone)}" if hazard.at and mark else ""
        link = f"  {hazard.url}" if hazard.url else ""
        yield f"{hazard.text}{at}{mark}{link}"
