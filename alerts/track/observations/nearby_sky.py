"""Reports of weather stations near a site -> what each proves of the sky that the site sees now."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from math import atan2, cos, degrees, radians, sin

from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.track.observations.evidence import SkyReport, Station
from alerts.track.observations.sky_report import SkyState
from alerts.track.observations.stations import BAD_OKTAS, CLEAR_OKTAS, HALF_WEIGHT_M, oktas_above
from alerts.weather.sky_now import OLDEST, REACH_KM, Says, StationSky

_WIND = re.compile(r"\b(\d{3})(\d{2,3})(?:G\d{2,3})?(?:KT|MPS|KMH)\b")
"""Direction and speed in a METAR; VRB has no direction (WMO-No. 306, FM 15, 15.5)."""


def station_skies(
    site: Site, stations: Sequence[Station], reports: Iterable[SkyReport], now: datetime
) -> tuple[StationSky, ...]:
    """The newest word of each station on the sky above the site, in order of their names.

    Silence, reports of the future, those too old, and stations too far off or of a height that nobody knows
    or that differs too much are left out; so is cloud that may hang below the site.
    """
    by_name = {station.name: station for station in stations}
    newest: dict[str, SkyReport] = {}
    for report in sorted(reports, key=lambda each: each.at):
        is_now = now - OLDEST <= report.at <= now
        if is_now and report.station in by_name and report.reading.state is not SkyState.UNKNOWN:
            newest[report.station] = report
    found = (_sky(site, by_name[name], report) for name, report in sorted(newest.items()))
    return tuple(each for each in found if each is not None)


def _sky(site: Site, station: Station, report: SkyReport) -> StationSky | None:
    if station.elevation_m is None or abs(station.elevation_m - site.elevation_m) > HALF_WEIGHT_M:
        return None
    away_km = distance_km(site.lat_deg, site.lon_deg, station.lat_deg, station.lon_deg)
    says = _says(report, station, site)
    if says is None or away_km > REACH_KM:
        return None
    return StationSky(
        station=station.name,
        says=says,
        at=report.at,
        distance_km=round(away_km, 1),
        bearing_deg=round(_bearing_deg(site, station), 1),
        higher_m=round(station.elevation_m - site.elevation_m, 1),
        reach_ft=report.reading.reach_ft,
        wind_from_deg=_wind_from_deg(report.raw),
        source=report.source,
    )


def _says(report: SkyReport, station: Station, site: Site) -> Says | None:
    """None where the cloud may lie below the site."""
    reading = report.reading
    if reading.okta_max <= CLEAR_OKTAS:
        return Says.CLEAR
    if reading.okta_min < BAD_OKTAS:
        return Says.PARTLY
    return Says.CLOUD if oktas_above(reading, station, site) >= BAD_OKTAS else None


def _bearing_deg(site: Site, station: Station) -> float:
    """Of the station from the site; over so few kilometres the Earth is flat."""
    east = (station.lon_deg - site.lon_deg + 180) % 360 - 180
    north = station.lat_deg - site.lat_deg
    return degrees(atan2(sin(radians(east)) * cos(radians(site.lat_deg)), sin(radians(north)))) % 360


def _wind_from_deg(raw: str) -> float | None:
    """The direction that the wind comes from; None when it is calm, variable or not told."""
    match = _WIND.search(raw)
    if match is None or not int(match[2]) or int(match[1]) > 360:
        return None
    return float(match[1])
