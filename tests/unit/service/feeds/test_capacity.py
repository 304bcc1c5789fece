"""How many sites the free terms carry: the figures that the readme tells."""

from pathlib import Path

import pytest

from service.feeds.feed_health import site_weight, sites_carried
from service.settings import Settings

README = Path(__file__).parents[4] / "README.md"
SINGLE_RUNS = {"open_meteo_ensembles": (), "open_meteo_air": False, "line_of_sight": False}
CARRIED = {
    "single runs alone": (SINGLE_RUNS, True, 182),
    "with ensembles and air": ({"line_of_sight": False}, True, 109),
    "everything": ({}, True, 41),
    "nights further ahead": ({}, False, 156),
}


def settings(**changes):
    return Settings(data_dir=Path("/nowhere"), open_meteo_noncommercial=True, **changes)


@pytest.mark.parametrize(("changes", "near", "sites"), CARRIED.values(), ids=CARRIED.keys())
def test_the_free_terms_carry_so_many_sites(changes, near, sites):
    assert sites_carried(settings(**changes), near=near) == sites


def test_what_one_site_weighs_adds_up_by_hand():
    """13 variables weigh 1.3, for five runs eight times a day; 51 and 31 members 5.1 and 3.1 four times; air
    1 twice; six places aside 1 each, for three runs eight times; 14 variables by height 1.4, for these three
    runs four times."""
    everything = 5 * 8 * 1.3 + 4 * (5.1 + 3.1) + 2 * 1 + 6 * 3 * 8 * 1
    assert site_weight(settings(), near=True) == pytest.approx(everything)
    assert site_weight(settings(), near=True, high=True) == pytest.approx(everything + 3 * 4 * 1.4)
    assert sites_carried(settings(), near=True, high=True) == 38
    low = settings(cloud_by_height=False)
    assert site_weight(low, near=True, high=True) == pytest.approx(everything)


def test_fewer_models_or_an_allowance_of_ones_own_carry_more():
    assert sites_carried(settings(open_meteo_models=("icon_seamless",)), near=True) > 41
    assert sites_carried(settings(open_meteo_daily_weight=1000), near=True) == 4
    assert sites_carried(settings(open_meteo_key="k"), near=True) is None
    assert sites_carried(settings(open_meteo_url="https://own.example"), near=True) is None


def test_the_readme_tells_these_figures():
    text = README.read_text()
    assert all(f"{sites} sites" in text for _, _, sites in CARRIED.values())
