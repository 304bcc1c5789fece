"""The table of models: complete, and telling apart what counts as a second opinion."""

import pytest

from alerts.common.phrases import say
from alerts.weather.forecast import LayerScheme
from alerts.weather.models import (
    MET_NORWAY,
    MODELS,
    NWS,
    OPEN_METEO,
    find_model,
    independent_lineages,
    open_meteo_row,
)
from service.feeds.open_meteo.client import DEFAULT_MODELS
from service.settings import Settings


def test_every_model_stands_in_the_table_once():
    assert len({(row.feed, row.model) for row in MODELS}) == len(MODELS)


@pytest.mark.parametrize("row", MODELS, ids=lambda row: f"{row.feed}/{row.model}")
def test_every_row_is_filled_in(row):
    assert row.lineage
    assert row.terms.provider
    assert say("models.attribution", credit=row.terms.credit)
    assert row.terms.attribution_url.startswith("https://")
    assert row.terms.licence_url.startswith("https://")
    assert 24 < row.horizon_h < 1000
    assert 5 <= row.cell_reach_km <= 120
    assert row.members >= 1


@pytest.mark.parametrize(
    ("feed", "model", "lineage", "members", "scheme"),
    [
        (MET_NORWAY, "global", "ecmwf", 1, LayerScheme.MET_NORWAY),
        (MET_NORWAY, "nordic", "harmonie", 1, LayerScheme.MET_NORWAY),
        (NWS, "gridpoint", "nws", 1, LayerScheme.NONE),
        (OPEN_METEO, "ecmwf_ifs025", "ecmwf", 1, LayerScheme.OPEN_METEO),
        (OPEN_METEO, "ecmwf_ifs025_ensemble", "ecmwf", 51, LayerScheme.OPEN_METEO),
        (OPEN_METEO, "icon_d2", "icon", 1, LayerScheme.OPEN_METEO),
        (OPEN_METEO, "icon_seamless_eps", "icon", 40, LayerScheme.NONE),
        (OPEN_METEO, "ncep_nbm_conus", "nws", 1, LayerScheme.NONE),
        (OPEN_METEO, "gem_global_ensemble", "gem", 21, LayerScheme.NONE),
        (OPEN_METEO, "metno_nordic", "harmonie", 1, LayerScheme.NONE),
    ],
)
def test_a_model_keeps_its_family_whoever_delivers_it(feed, model, lineage, members, scheme):
    row = find_model(feed, model)
    assert (row.lineage, row.members, row.layer_scheme) == (lineage, members, scheme)


def test_the_default_models_are_one_a_lineage_and_free_to_use():
    rows = [find_model(OPEN_METEO, model) for model in DEFAULT_MODELS]
    assert len({row.lineage for row in rows}) == len(rows)
    assert not any(row.terms.share_alike for row in rows)


@pytest.mark.parametrize(
    "kin",
    [
        ((MET_NORWAY, "nordic"), (OPEN_METEO, "metno_nordic"), (OPEN_METEO, "meteofrance_arome_france"),
         (OPEN_METEO, "knmi_harmonie_arome_europe"), (OPEN_METEO, "dmi_harmonie_arome_europe")),
        ((NWS, "gridpoint"), (OPEN_METEO, "ncep_nbm_conus")),
        ((OPEN_METEO, "ukmo_seamless"), (OPEN_METEO, "bom_access_global"), (OPEN_METEO, "kma_gdps")),
    ],
    ids=["row_164_harmonie_arome", "row_164_the_blend_that_gridpoints_begin_from", "row_164_unified_model"],
)  # fmt: skip
def test_models_of_one_code_are_one_voice(kin):
    lineages = {find_model(*each).lineage for each in kin}
    assert len(lineages) == 1
    assert independent_lineages(lineages) == lineages


def test_the_settings_ask_the_default_models():
    assert Settings.model_fields["open_meteo_models"].default == DEFAULT_MODELS


def test_uk_models_come_under_share_alike_terms():
    alike = {row.model for row in MODELS if row.terms.share_alike}
    assert alike
    assert all(model.startswith("ukmo_") for model in alike)


@pytest.mark.parametrize("model", ["unknown", "best_match"])
def test_a_blend_has_a_lineage_of_its_own(model):
    assert open_meteo_row(model).lineage == "open-meteo-best-match"


def test_a_model_not_in_the_table_is_read_but_counts_as_nobodys_second_opinion():
    assert open_meteo_row("brand_new_model").lineage == "open-meteo-unlisted"
    assert open_meteo_row("brand_new_model").model == "brand_new_model"


@pytest.mark.parametrize(
    ("seen", "counted"),
    [
        (["ecmwf", "icon"], {"ecmwf", "icon"}),
        (["ecmwf", "ecmwf"], {"ecmwf"}),
        (["ecmwf", "open-meteo-best-match"], {"ecmwf"}),
        (["ecmwf", "open-meteo-unlisted", "gfs"], {"ecmwf", "gfs"}),
        (["open-meteo-best-match"], {"open-meteo-best-match"}),
        (["open-meteo-unlisted", "open-meteo-best-match"], {"open-meteo-best-match"}),
        ([], set()),
    ],
)
def test_a_blend_counts_only_when_it_stands_alone(seen, counted):
    assert independent_lineages(seen) == counted
