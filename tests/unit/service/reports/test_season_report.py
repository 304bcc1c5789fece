"""A year's list says of a night what it isn't good for."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date

from alerts.sites.horizon import KNOWN_LEVEL
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.nights.season import season
from service.reports.season_report import season_csv, season_ics, season_json, season_page

SITE = Site("Saddle", 46.5, 7.0, 1900, "Europe/Zurich")


def test_a_night_that_is_too_short_to_use_says_so_in_every_form(ephemeris: Ephemeris) -> None:
    found = season(SITE, date(2026, 2, 1), date(2026, 5, 1), SkyWishes(lowest_altitude_deg=None), ephemeris)
    short = {night.name.isoformat() for night in found.nights if night.is_too_short}
    rows = sum(len(night.windows) for night in found.nights if night.is_too_short)
    assert 0 < len(short) < len(found.nights)

    page = season_page(found, found.nights).splitlines()
    assert sum(line.endswith("too short to use") for line in page) == rows
    as_json = season_json(found, found.nights)["nights"]
    assert {each["night"] for each in as_json if each["too_short"]} == short
    as_csv = list(csv.DictReader(season_csv(found, found.nights).splitlines()))
    assert {row["night"] for row in as_csv if row["too_short"] == "yes"} == short
    assert season_ics(found, found.nights).count("DESCRIPTION:Too short to use.") == rows


def test_a_level_horizon_that_was_merely_assumed_is_said_once(ephemeris: Ephemeris) -> None:
    first, last = date(2026, 6, 10), date(2026, 6, 20)
    for site, is_assumed in ((SITE, True), (replace(SITE, horizon=KNOWN_LEVEL), False)):
        found = season(site, first, last, SkyWishes(lowest_altitude_deg=None), ephemeris)
        page = season_page(found, found.nights)
        assert page.count("assumed to be level") == page.count("--horizon level") == is_assumed
        assert season_json(found, found.nights)["horizon_assumed"] == is_assumed
    none = replace(SkyWishes(), target=Target(TargetKind.NONE))
    assert not season(SITE, first, last, none, ephemeris).is_horizon_assumed
