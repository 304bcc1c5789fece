"""Open-Meteo's answers, recorded and invented, read hour by hour."""

import pytest

from alerts.weather.forecast import LayerScheme
from service.feeds.open_meteo.parse import parse, split_key
from service.feeds.shared.checked_answers import BadAnswer
from tests.unit.service.feeds.feed_files import (
    BERLIN_72H,
    ENSCHEDE,
    GEPS,
    MELBOURNE,
    hour_at,
    read_bytes,
    read_json,
    utc,
    values,
)

CLOUDS = ("cloud_total_pct", "cloud_low_pct", "cloud_mid_pct", "cloud_high_pct")


def only(name: str, **how):
    gathered = parse(read_bytes(name), fetched_at=None, **how)
    assert not gathered.failures
    (forecast,) = gathered.forecasts
    return forecast


def test_local_time_with_one_offset_becomes_utc_in_the_72_hours_at_50n_10e():
    forecast = only(BERLIN_72H)
    assert len(forecast.hours) == 72
    assert forecast.hours[0].starts == utc("2026-03-01T22:30")  # 00:00 at +01:00, half an hour back
    assert forecast.hours[-1].ends == utc("2026-03-04T22:30")
    assert (forecast.grid_lat_deg, forecast.grid_lon_deg, forecast.grid_elevation_m) == (50.0, 10.0, 291.0)
    evening = hour_at(forecast, "2026-03-02T19:00")  # labelled 20:00 local
    assert values(evening, "cloud_total_pct", "temperature_c", "dew_point_c", "wind_ms") == (0, 6.9, 3.3, 1.5)
    assert values(evening, "visibility_m", "relative_humidity_pct", "fog_named") == (35180, 78, False)
    foggy = hour_at(forecast, "2026-03-03T02:00")
    assert values(foggy, "cloud_total_pct", "visibility_m", "fog_named", "thunder_named") == (
        48,
        5300,
        True,
        False,
    )


def test_gusts_belong_to_the_hour_that_ends_at_their_mark():
    forecast = only(BERLIN_72H)
    # 21:00 local stands for 20:30..21:30: gusts 8.3 km/h in the hour to 21:00, 7.2 in the hour to 22:00
    assert hour_at(forecast, "2026-03-02T20:00").gust_ms == pytest.approx(8.3 / 3.6)
    # 22:00 local on the 4th: 2.5 km/h to 22:00, then 4.0 to 23:00, the last of the series
    assert hour_at(forecast, "2026-03-04T21:00").gust_ms == pytest.approx(4.0 / 3.6)
    assert hour_at(forecast, "2026-03-04T22:00").gust_ms is None


def test_rain_is_shared_out_between_the_hours_it_fell_in_at_melbourne():
    forecast = only(MELBOURNE)
    assert len(forecast.hours) == 24
    assert forecast.hours[0].starts == utc("2024-01-16T08:30")
    # sums of the hours to 21:00, 22:00, 23:00 and 00:00 UTC: 2.0, 5.7, 7.3 and 0.0 mm
    wet = [hour_at(forecast, f"2024-01-16T{hour}:00").precipitation_mm for hour in (20, 21, 22, 23)]
    assert wet == pytest.approx([1.0, 3.85, 6.5, 3.65])
    assert hour_at(forecast, "2024-01-16T21:00").precipitation_probability_pct == 98
    assert hour_at(forecast, "2024-01-16T21:00").thunder_named is True
    assert hour_at(forecast, "2024-01-17T08:00").precipitation_mm is None


def test_layers_are_read_at_melbourne():
    forecast = only(MELBOURNE)
    assert forecast.layer_scheme is LayerScheme.OPEN_METEO
    assert values(hour_at(forecast, "2024-01-16T12:00"), *CLOUDS) == (100, 0, 29, 100)
    assert values(hour_at(forecast, "2024-01-16T16:00"), *CLOUDS) == (69, 46, 6, 39)
    assert hour_at(forecast, "2024-01-16T16:00").wind_ms == pytest.approx(18.8 / 3.6)
    assert forecast.answered_at == utc("2024-01-16T09:30")


def test_an_answer_that_names_no_model_counts_as_a_blend():
    source = only(BERLIN_72H).source
    assert (source.feed, source.model, source.lineage) == ("open-meteo", "unknown", "open-meteo-best-match")
    assert source.issued_at is None
    assert source.attribution == "Weather data by Open-Meteo.com"


def test_layers_undefined_units_and_nulls_at_enschede():
    forecast = only(ENSCHEDE)
    night = hour_at(forecast, "2026-10-02T23:00")  # labelled 01:00 at +02:00
    assert values(night, *CLOUDS) == (48, 0, 0, 48)
    assert values(night, "visibility_m", "wind_ms", "dew_point_c") == (8340, round(8.3 / 3.6, 4), 9.6)
    assert forecast.answered_at == utc("2026-10-03T10:30")


def test_the_21_member_ensemble_keeps_its_control_first():
    forecast = only(GEPS, model="gem_global_ensemble")
    assert (forecast.source.lineage, len(forecast.members), len(forecast.hours)) == ("gem", 21, 120)
    index = next(i for i, hour in enumerate(forecast.hours) if hour.starts == utc("2025-12-17T05:30"))
    column = [member[index] for member in forecast.members]
    assert column == [89, 92, 94, 94, 89, 83, 85, 85, 90, 87, 84, 88, 90, 99, 88, 94, 97, 90, 88, 100, 90]
    assert forecast.hours[index].cloud_total_pct == 89


def test_an_ensemble_clears_member_by_member():
    forecast = only("invented-open-meteo-ensemble-clearing-night.json", model="gem_global_ensemble")
    clear = [sum(member[i] <= 20 for member in forecast.members) for i in range(len(forecast.hours))]
    assert (clear[0], clear[-1], len(forecast.members)) == (0, 18, 21)


def test_members_of_other_variables_make_no_cloud_members():
    forecast = only("open-meteo-ensemble-amsterdam-temperature-2026-07-11.json")
    assert forecast.members == ()
    assert values(forecast.hours[0], "temperature_c", "cloud_total_pct") == (18.9, None)


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("cloud_cover", ("cloud_cover", None, "")),
        ("cloud_cover_low", ("cloud_cover_low", None, "")),
        ("cloud_cover_low_icon_seamless", ("cloud_cover_low", None, "icon_seamless")),
        ("cloud_cover_member01", ("cloud_cover", 1, "")),
        ("cloud_cover_member40_icon_seamless_eps", ("cloud_cover", 40, "icon_seamless_eps")),
        ("temperature_2m_meteoswiss_icon_seamless", ("temperature_2m", None, "meteoswiss_icon_seamless")),
        ("precipitation_probability_gfs_seamless", ("precipitation_probability", None, "gfs_seamless")),
        ("precipitation_gfs_seamless", ("precipitation", None, "gfs_seamless")),
        ("cloud_cover_1000hPa", None),
        ("cloud_cover_850hPa_icon_seamless", None),
        ("temperature_2m_spread", None),
        ("temperature_2m_previous_day1", None),
        ("temperature_2m_previous_day1_gfs_seamless", None),
        ("temperature_80m", None),
        ("wind_speed_100m", None),
        ("cloud_coverage", None),
        ("time", None),
    ],
)
def test_keys_split_at_the_longest_known_variable(key, expected):
    assert split_key(key) == expected


def test_row_34_two_models_in_one_answer_are_never_mixed():
    gathered = parse(read_bytes("invented-open-meteo-multimodel-cloud-layers.json"), fetched_at=None)
    icon, gfs, nordic = gathered.forecasts
    assert [each.source.model for each in gathered.forecasts] == [
        "icon_seamless",
        "gfs_seamless",
        "metno_nordic",
    ]
    assert [each.source.lineage for each in gathered.forecasts] == ["icon", "gfs", "harmonie"]
    raw = read_json("invented-open-meteo-multimodel-cloud-layers.json")["hourly"]
    for forecast in (icon, gfs, nordic):
        assert [hour.cloud_total_pct for hour in forecast.hours] == raw[
            f"cloud_cover_{forecast.source.model}"
        ]
    assert nordic.layer_scheme is LayerScheme.NONE
    assert {hour.cloud_low_pct for hour in nordic.hours} == {None}


@pytest.mark.parametrize(
    ("name", "models"),
    [
        (
            "open-meteo-multimodel-zurich-2026-10-03.json",
            ["icon_seamless", "meteoswiss_icon_seamless", "gfs_seamless"],
        ),
        ("open-meteo-multimodel-one-covering-enschede-2026-10-03.json", ["unknown"]),
        ("open-meteo-previous-runs-multimodel-2026-10-03.json", ["icon_seamless", "gfs_seamless"]),
        (
            "open-meteo-ensemble-multimodel-suffix-2026-10-03.json",
            ["icon_seamless_eps", "ecmwf_ifs025_ensemble"],
        ),
        ("open-meteo-ensemble-mean-spread-2026-10-03.json", ["unknown"]),
    ],
)
def test_models_are_told_apart_by_their_suffix(name, models):
    gathered = parse(read_bytes(name), fetched_at=None)
    assert [forecast.source.model for forecast in gathered.forecasts] == models
    assert not gathered.failures


def test_the_newest_run_is_read_and_not_the_day_before():
    icon, gfs = parse(
        read_bytes("open-meteo-previous-runs-multimodel-2026-10-03.json"), fetched_at=None
    ).forecasts
    assert [hour.temperature_c for hour in icon.hours] == [14.4, 13.5]
    assert [hour.temperature_c for hour in gfs.hours] == [14.9, 14.2]


def test_one_of_several_models_can_be_picked():
    forecast = only("open-meteo-multimodel-zurich-2026-10-03.json", model="gfs_seamless")
    assert [hour.temperature_c for hour in forecast.hours] == [20.9, 21.9]


def test_a_model_that_is_not_in_the_answer_is_told_with_those_that_are():
    with pytest.raises(BadAnswer, match=r"no model gem_seamless; it has gfs_seamless, icon_seamless"):
        only("open-meteo-multimodel-zurich-2026-10-03.json", model="gem_seamless")


def test_several_places_come_in_the_order_asked():
    gathered = parse(read_bytes("invented-open-meteo-multilocation-cloud-layers.json"), fetched_at=None)
    clear, low, overcast = gathered.forecasts
    assert [each.grid_lat_deg for each in (clear, low, overcast)] == [46.54, 28.76, -44.0]
    assert clear.hours[0].cloud_total_pct == 0
    assert low.hours[0].cloud_low_pct == 80
    assert [hour.cloud_total_pct for hour in overcast.hours[:4]] == [None, None, None, 100]


def test_row_24_null_hours_and_missing_variables_are_unknown_and_never_clear():
    tail = only("open-meteo-16day-null-tail-2026-10-18.json")
    assert all(
        values(hour, "temperature_c", "cloud_total_pct", "fog_named") == (None,) * 3 for hour in tail.hours
    )
    nordic = parse(read_bytes("invented-open-meteo-multimodel-cloud-layers.json"), fetched_at=None).forecasts[
        2
    ]
    raw = read_json("invented-open-meteo-multimodel-cloud-layers.json")["hourly"]["cloud_cover_metno_nordic"]
    assert raw[-1] is None
    assert nordic.hours[-1].cloud_total_pct is None


def test_the_end_of_summer_time_is_no_jump_in_the_series():
    forecast = only("invented-open-meteo-dst-fixed-offset-berlin-2026-10-25.json")
    assert [hour.starts for hour in forecast.hours[:2]] == [utc("2026-10-24T19:30"), utc("2026-10-24T20:30")]
    assert forecast.hours[-1].ends == utc("2026-10-25T05:30")
    assert hour_at(forecast, "2026-10-25T01:00").cloud_total_pct == 0  # labelled 03:00 at +02:00


def test_cloud_by_height_is_read_from_the_ground_up_without_levels_that_the_model_lacks():
    (forecast,) = parse(read_bytes("invented-open-meteo-pressure-levels.json"), fetched_at=None).forecasts
    levels, answer = forecast.levels, read_json("invented-open-meteo-pressure-levels.json")["hourly"]
    assert levels.pressures_hpa == (1000, 950, 925, 900, 850, 700)
    for hpa, cloud, height in zip(levels.pressures_hpa, levels.cloud_pct, levels.height_m, strict=True):
        assert list(cloud) == answer[f"cloud_cover_{hpa}hPa"]
        assert list(height) == answer[f"geopotential_height_{hpa}hPa"]
    assert {hour.cloud_total_pct for hour in forecast.hours} == {None}
