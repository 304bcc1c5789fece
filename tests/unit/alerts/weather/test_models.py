"""What people read of a model is its name: no code stands outside JSON and settings."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from alerts.weather.models import (
    AIR_LINEAGE,
    MET_NORWAY,
    MODELS,
    NWS,
    OPEN_METEO,
    ModelRow,
    family_name,
    find_model,
    model_name,
    name_with_family,
)
from service.settings import Settings

README = Path(__file__).parents[4] / "README.md"


@pytest.mark.parametrize("row", MODELS, ids=lambda row: f"{row.feed} {row.model}")
def test_every_model_and_family_of_the_table_has_a_name(row: ModelRow) -> None:
    name, family = model_name(row.feed, row.model), family_name(row.lineage)
    assert name != row.model
    assert not re.search(r"_|\d{3}", name)
    assert family != row.lineage
    assert ("ensemble" in name) == (row.members > 1)


def test_no_two_models_share_a_name() -> None:
    names = [model_name(row.feed, row.model) for row in MODELS]
    assert sorted(set(names)) == sorted(names)


def test_what_settings_use_and_the_readme_names_has_a_name() -> None:
    fields = Settings.model_fields
    named = {*fields["open_meteo_models"].default, *fields["open_meteo_ensembles"].default}
    for line in re.findall(r"(?m)^.*open_meteo_(?:models|ensembles).*$", README.read_text(encoding="utf-8")):
        words = re.findall(r"[a-z0-9_]+", line)
        named |= {word for word in words if find_model(OPEN_METEO, word) is not None}
    assert len(named) > 6
    for code in named:
        assert model_name(OPEN_METEO, code) != code, code


SAID = {
    "ecmwf": (OPEN_METEO, "ecmwf_ifs025", "ecmwf", "ECMWF"),
    "icon": (OPEN_METEO, "icon_seamless", "icon", "ICON (DWD)"),
    "gfs": (OPEN_METEO, "gfs_seamless", "gfs", "GFS (NOAA)"),
    "an ensemble": (OPEN_METEO, "ncep_gefs025", "gfs", "GFS ensemble, 31 members"),
    "a family that the name hides": (MET_NORWAY, "global", "ecmwf", "MET Norway (ECMWF family)"),
    "another": (OPEN_METEO, "gfs_hrrr", "gfs", "HRRR (NOAA, GFS family)"),
    "forecasters": (NWS, "gridpoint", "nws", "US National Weather Service"),
    "the feed's choice": (OPEN_METEO, "unknown", "open-meteo-best-match", "Open-Meteo's own choice"),
    "not listed": (OPEN_METEO, "brand_new", "open-meteo-unlisted", "brand_new"),
    "invented": ("invented", "lark", "lark", "lark"),
    "smoke": (OPEN_METEO, "cams", AIR_LINEAGE, "CAMS (Copernicus)"),
    "warnings": (NWS, "warnings", "official", "warnings"),
}


@pytest.mark.parametrize(("feed", "model", "lineage", "said"), SAID.values(), ids=SAID)
def test_a_source_is_called_by_its_name_and_its_family_where_that_is_another(
    feed: str, model: str, lineage: str, said: str
) -> None:
    assert name_with_family(feed, model, lineage) == said


def test_an_ensemble_says_how_many_members_came() -> None:
    assert name_with_family(OPEN_METEO, "ncep_gefs025", "gfs", 30) == "GFS ensemble, 30 members"
    assert model_name(OPEN_METEO, "ncep_gefs025") == "GFS ensemble"
