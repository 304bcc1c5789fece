"""A night's weather as a page for the terminal, and as JSON values."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from alerts.briefing.text.event import event_of, event_values
from alerts.common.time_text import say_clock, say_day, say_span, say_time, utc_text, zone_word
from alerts.judging.darkness_rule import darkness
from alerts.judging.window_brightness import TOWN_CREDIT, TOWN_CREDIT_URL
from alerts.weather.forecast import Forecast
from alerts.weather.model_names import model_name, name_with_family
from alerts.weather.outlook import SourceChance
from alerts.weather.sensitivity import CLOUD, Hinge
from service.reports.night_json import outlook_json, sky_json, span_json
from service.reports.outlook_text import chance_lines, hazard_lines
from service.reports.weather_table import Cell, NightWeather, Row

_HEAD = "    °C  wind gust   rain  mm   dew  fog"


def weather_page(seen: NightWeather) -> str:
    """The sources by number, the hours, the outlook, what was refused, what it hangs on, the credits."""
    parts = [
        *_head(seen),
        *_sources(seen),
        *_hours(seen),
        *_outlook(seen),
        *_sky(seen),
        *_refused(seen),
        *_hinge(seen),
        *_credits(seen),
    ]
    return "\n".join(parts)


def _head(seen: NightWeather) -> Iterator[str]:
    as_of = say_time(seen.now, seen.site.tz)
    yield f"{seen.site.name}, the night of {say_day(seen.night.name)}, as of {as_of}"
    if seen.window is None:
        yield "No dark window in this night."
    else:
        yield f"Dark {say_span(seen.window.span, seen.site.tz)}"
    yield from (f"  {problem}" for problem in seen.problems)


def _sources(seen: NightWeather) -> Iterator[str]:
    if not seen.sources:
        yield "No forecast is at hand."
        return
    yield ""
    yield "Sources"
    for number, forecast in enumerate(seen.sources, 1):
        source = forecast.source
        issued = f"published {source.issued_at:%d %b %H:%M} UTC" if source.issued_at else "age unknown"
        name = name_with_family(source.feed, source.model, source.lineage, len(forecast.members))
        yield f"  {number:>2}  {name}, {issued}{_says(seen, forecast)}"


def _says(seen: NightWeather, forecast: Forecast) -> str:
    entry = _entry(seen, forecast)
    if entry is None:
        return ""
    if entry.chance is None:
        return f": not used, {entry.why_not}"
    return f": by itself a chance of {100 * entry.chance:.0f} %{_cloud_words(entry)}"


def _cloud_words(entry: SourceChance) -> str:
    """Both figures of a single run: as the frame has it, and on the ground plan."""
    if entry.least_cloud_pct is None or entry.least_plan_pct is None or entry.members:
        return ""
    aside = f", {entry.sight_places} places along the view" if entry.sight_places else ""
    plan = f" ({entry.least_plan_pct:.0f} overhead)"
    return f", at best {entry.least_cloud_pct:.0f} % cloud in the frame{plan}{aside}"


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
    yield f"Cloud in % (total low/mid/high; of ensembles, members that are clear), {zone}"
    yield f"          {numbers}{_HEAD}"
    for row in seen.rows:
        yield _line(seen, row, widths)
    yield "  * dark window, > its clearest stretch"


def _line(seen: NightWeather, row: Row, widths: Sequence[int]) -> str:
    mark = ">" if row.in_best else "*" if row.in_window else " "
    cells = "  ".join(f"{_cloud(cell):>{width}}" for cell, width in zip(row.cells, widths, strict=True))
    values = (
        f"{_number(row.temperature_c, 6)}{_number(row.wind_ms, 6)}{_number(row.gust_ms, 5)}"
        f"{_number(row.precipitation_pct, 7)}{_number(row.precipitation_mm, 4, 1)}"
        f"{_number(row.dew_spread_c, 6)}{_number(row.fog_pct, 5)}"
    )
    return f"  {mark} {say_clock(row.hour.start, seen.site.tz)}  {cells}{values}"


def _cloud(cell: Cell) -> str:
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


def _outlook(seen: NightWeather) -> Iterator[str]:
    outlook = seen.outlook
    if outlook is None:
        return
    yield ""
    yield "Outlook"
    chance = chance_lines(
        outlook, seen.site, shortest=seen.shortest, now=seen.now, night_name=seen.night.name
    )
    lines = (*chance, *hazard_lines(outlook, seen.site.tz), *outlook.notes)
    yield from (f"  {line}" for line in lines)


def _sky(seen: NightWeather) -> Iterator[str]:
    if seen.window is not None and seen.sky is not None:
        yield ""
        yield "Sky"
        yield f"  {darkness(seen.window, seen.sky, seen.site, seen.night.wishes).text}"


def _refused(seen: NightWeather) -> Iterator[str]:
    if not seen.refused:
        return
    yield ""
    yield "Not usable"
    for each in seen.refused:
        at = f" at {say_time(each.at, seen.site.tz)}" if each.at else ""
        name = model_name(each.feed, each.model) if each.model else each.feed
        yield f"  {name}{at}: {each.reason.removeprefix(f'{name}: ')}"


def _hinge(seen: NightWeather) -> Iterator[str]:
    text = say_hinge(seen)
    if text:
        yield ""
        yield f"It hangs on: {text}"


def say_hinge(seen: NightWeather) -> str:
    """The one thing and hour, and what would come of it; "" when there is nothing to say."""
    hinge = seen.hinge
    if hinge is None:
        return ""
    when = f" at {say_time(hinge.hour.start, seen.site.tz)}" if hinge.hour else ""
    if hinge.hazard is not None:
        without = f"without it the night would be good (chance {hinge.chance_pct} %)" if hinge.flips else ""
        return f"{hinge.hazard.text}{when}" + (f"; {without}." if without else ".")
    return _say_cloud(hinge, when, seen.go_pct)


def _say_cloud(hinge: Hinge, when: str, go_pct: int) -> str:
    change = f"chance {hinge.chance_pct} → {hinge.otherwise_pct} %"
    if hinge.is_good:
        if hinge.flips:
            return f"a clear hour{when}; overcast then, it would no longer be good ({change})."
        return f"no single hour; even overcast{when} would leave it good ({change})."
    thing = hinge.thing if hinge.thing != CLOUD else "all cloud"
    if hinge.flips:
        return f"{thing}{when}; without it the night would be good ({change}, {go_pct} % will do)."
    return f"no single hour; {thing}{when} weighs most ({change}, {go_pct} % would do)."


def _credits(seen: NightWeather) -> Iterator[str]:
    credits = dict.fromkeys(
        f"{source.attribution}  {source.attribution_url}"
        for source in (seen.outlook.sources if seen.outlook else ())
    )
    towns = [f"{TOWN_CREDIT}  {TOWN_CREDIT_URL}"] if seen.sky is not None and seen.sky.domes else []
    if credits or towns:
        yield ""
        yield from (*credits, *towns)


def weather_json(seen: NightWeather) -> dict[str, Any]:
    """Documented keys: UTC times as `…Z`, what is unknown null; keys are only ever added."""
    hinge = seen.hinge
    return {
        "site": {
            "name": seen.site.name,
            "lat": seen.site.lat_deg,
            "lon": seen.site.lon_deg,
            "zone": seen.site.zone,
        },
        "night": seen.night.name.isoformat(),
        "as_of": utc_text(seen.now),
        "window": span_json(seen.window.span) if seen.window else None,
        "sources": [_source_json(seen, forecast) for forecast in seen.sources],
        "hours": [_row_json(row) for row in seen.rows],
        "outlook": outlook_json(seen.outlook) if seen.outlook else None,
        "event": event_values(event_of(seen.outlook, seen.shortest, seen.now)),
        **(sky_json(seen.sky) if seen.sky else {"sky": [], "domes": []}),
        "refused": [
            {"feed": each.feed, "model": each.model, "reason": each.reason, "at": utc_text(each.at)}
            for each in seen.refused
        ],
        "hangs_on": None
        if hinge is None
        else {
            "thing": hinge.thing,
            "hour": span_json(hinge.hour) if hinge.hour else None,
            "is_good": hinge.is_good,
            "flips": hinge.flips,
            "chance_pct": hinge.chance_pct,
            "otherwise_pct": hinge.otherwise_pct,
            "text": say_hinge(seen),
        },
        "problems": list(seen.problems),
    }


def _source_json(seen: NightWeather, forecast: Forecast) -> dict[str, Any]:
    source, entry = forecast.source, _entry(seen, forecast)
    return {
        "feed": source.feed,
        "model": source.model,
        "provider": source.provider,
        "lineage": source.lineage,
        "issued_at": utc_text(source.issued_at),
        "fetched_at": utc_text(source.fetched_at),
        "members": len(forecast.members),
        "chance_pct": None if entry is None or entry.chance is None else round(100 * entry.chance),
        "frame_cloud_pct": entry.least_cloud_pct if entry else None,
        "plan_cloud_pct": entry.least_plan_pct if entry else None,
        "sight_places": entry.sight_places if entry else 0,
        "why_not": (entry.why_not or None) if entry else None,
        "attribution": source.attribution,
    }


def _row_json(row: Row) -> dict[str, Any]:
    return {
        **span_json(row.hour),
        "in_window": row.in_window,
        "in_best": row.in_best,
        "sources": [
            {
                "total_pct": cell.total_pct,
                "low_pct": cell.low_pct,
                "mid_pct": cell.mid_pct,
                "high_pct": cell.high_pct,
                "plan_pct": _rounded(cell.plan_pct),
                "frame_pct": _rounded(cell.frame_pct),
                "clear_members": cell.clear_members,
                "members": cell.members,
            }
            for cell in row.cells
        ],
        "temperature_c": _rounded(row.temperature_c),
        "wind_ms": _rounded(row.wind_ms),
        "gust_ms": _rounded(row.gust_ms),
        "precipitation_pct": _rounded(row.precipitation_pct),
        "precipitation_mm": _rounded(row.precipitation_mm, 2),
        "dew_spread_c": _rounded(row.dew_spread_c),
        "fog_pct": _rounded(row.fog_pct),
        "aerosol_optical_depth": _rounded(row.aerosol_optical_depth, 3),
    }


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)
