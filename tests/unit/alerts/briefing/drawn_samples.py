"""The pictures of the sample nights, drawn once a session."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

from alerts.briefing.facts import DrawnDome
from alerts.briefing.pictures.drawing import NARROW, PALETTES, Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.pictures.season_picture import draw_season
from alerts.briefing.render import draw_pictures
from alerts.common.units import Units
from alerts.sky.night import SkyWishes
from alerts.sky.nights.season import Season, season
from tests.unit.alerts.briefing.sample_nights import FLAT, SAMPLES, case, ephemeris, invented_cloud

GLOWS = (DrawnDome(212.0, 41.0),)


@cache
def pictures_of(
    name: str, palette: str = "light", width: int = NARROW, units: Units = Units.METRIC
) -> dict[str, Picture]:
    """By name: night, view, panorama."""
    found = case(name)
    cloud = invented_cloud(found.night)
    night = NightToDraw(found.sample.site, found.night, found.window, found.notes, cloud, GLOWS)
    drawn = draw_pictures(night, ephemeris(), PALETTES[palette], width=width, units=units)
    return {picture.name: picture for picture in drawn}


@cache
def flat_season() -> Season:
    return season(FLAT, date(2026, 1, 1), date(2026, 12, 31), SkyWishes(), ephemeris())


@cache
def season_picture(palette: str = "light", width: int = NARROW) -> Picture:
    return draw_season(flat_season(), PALETTES[palette], width=width, mark=date(2026, 7, 15))


def every_picture() -> dict[str, Picture]:
    """All pictures, palettes and both widths."""
    found = {}
    for palette in PALETTES:
        for width in (360, 720):
            found[f"season.{palette}.{width}"] = season_picture(palette, width)
            for name in SAMPLES:
                for kind, picture in pictures_of(name, palette, width).items():
                    found[f"{name}.{kind}.{palette}.{width}"] = picture
    return found


def renamed(name: str, text: str) -> tuple[Picture, ...]:
    """The pictures of a night whose site and foregrounds are all called `text`, as is the town."""
    found = case(name)
    site = replace(
        found.sample.site,
        name=text,
        foregrounds=tuple(replace(each, name=text) for each in found.sample.site.foregrounds),
    )
    glows = tuple(replace(glow, name=text) for glow in GLOWS)
    return draw_pictures(NightToDraw(site, found.night, found.window, found.notes, (), glows), ephemeris())
