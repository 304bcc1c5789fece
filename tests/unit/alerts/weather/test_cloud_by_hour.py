"""The chance of cloud hour by hour."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from alerts.common.span import Span
from alerts.weather.chance import cloud_hours
from alerts.weather.forecast import Forecast, LayerScheme, Source
from alerts.weather.hours import HourlyWeather, Hours
from tests.unit.alerts.judging.values import chance_by

NOON = datetime(2026, 7, 18, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
NIGHT = Span(NOON + 8.5 * HOUR, NOON + 11 * HOUR)  # 20:30 to 23:00


def forecast(
    clouds: list[float | None],
    *,
    lineage: str = "ecmwf",
    issued_at: datetime | None = NOON,
    members: tuple[tuple[float | None, ...], ...] = (),
) -> Forecast:
    """Total cloud from 20:00 on, each value standing for the hour about it."""
    hours = Hours.of(
        HourlyWeather(NOON + (8 + k) * HOUR, NOON + (9 + k) * HOUR, cloud_total_pct=cloud)
        for k, cloud in enumerate(clouds)
    )
    source = Source("feed", "provider", lineage, "model", "", "", issued_at=issued_at)
    return Forecast(source, 40.0, -1.0, None, LayerScheme.NONE, hours, members)


def percents(*forecasts: Forecast) -> list[int | None]:
    return [hour.cloud_pct for hour in cloud_hours(NIGHT, forecasts, now=NOON)]


def test_hours_are_whole_and_cover_the_span() -> None:
    spans = [hour.span for hour in cloud_hours(NIGHT, [], now=NOON)]
    assert spans == [Span(NOON + k * HOUR, NOON + (k + 1) * HOUR) for k in (8, 9, 10)]


def test_no_forecast_is_no_figure() -> None:
    assert percents() == [None] * 3
    assert percents(forecast([10.0, None, 10.0]))[1] is None


def test_clear_and_cloudy_hours_are_told_apart() -> None:
    clear, cloudy, _ = percents(forecast([0.0, 100.0, 0.0]))
    lead = 8.5 / 24
    assert clear == round(100 * (1 - chance_by(0.0, lead_days=lead, window_h=1)))
    assert cloudy == round(100 * (1 - chance_by(100.0, lead_days=lead + 1 / 24, window_h=1)))
    assert clear < 30 < 80 < cloudy


def test_members_count_each_as_a_run_does() -> None:
    members = ((10.0, 10.0, 10.0), (30.0, 90.0, None), (31.0, 90.0, 90.0))
    found = percents(forecast([None] * 3, members=members))
    wanted = [(10.0, 30.0, 31.0), (10.0, 90.0, 90.0), (10.0, 90.0)]
    leads = [(8.5 + k) / 24 for k in range(3)]
    assert found == [
        round(100 * (1 - chance_by(*clouds, lead_days=lead, window_h=1)))
        for clouds, lead in zip(wanted, leads, strict=True)
    ]


def test_each_model_family_weighs_the_same() -> None:
    """However many runs of one family say one thing, one of another weighs as much."""
    clear, cloudy = forecast([0.0] * 3), forecast([100.0] * 3, lineage="gfs")
    assert percents(clear, cloudy) == percents(clear, clear, clear, cloudy)
    assert percents(clear, clear) == percents(clear)


def test_a_run_without_an_issue_time_counts_as_issued_now() -> None:
    assert percents(forecast([0.0] * 3, issued_at=None)) == percents(forecast([0.0] * 3))
