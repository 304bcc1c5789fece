"""How often a place's nights are clear, learned from those that were looked back on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.common.span import Span
from alerts.track.observations.evidence import Event, OutcomeState
from alerts.track.observations.witnesses import accounts_of_analyses, clear_share_of
from alerts.track.record.climatology import UNKNOWN_CLIMATE, Climate
from alerts.weather.forecast import Forecast, LayerScheme, Place, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.skill import CLEAR_SHARE

HOUR = timedelta(hours=1)
WINDOW = Span(datetime(2026, 7, 15, 22, tzinfo=UTC), datetime(2026, 7, 16, 2, tzinfo=UTC))
MORNING = WINDOW.end + 6 * HOUR


def analysis(
    clouds_pct: list[float | None], *, lineage: str = "ecmwf", provider: str = "one", low_pct: float = 0.0,
    eye_m: float = 300.0, fetched_at: datetime = MORNING,
) -> Forecast:  # fmt: skip
    """An hour each from the window's start. low_pct: of low cloud, whatever the total; eye_m: the site's
    height, the model's ground lying at 300 m."""
    source = Source("archive", provider, lineage, lineage, "", "", fetched_at=fetched_at)
    hours = Hours.of(
        HourlyWeather(
            WINDOW.start + i * HOUR,
            WINDOW.start + (i + 1) * HOUR,
            cloud_total_pct=cloud,
            cloud_low_pct=low_pct,
            cloud_mid_pct=0.0,
            cloud_high_pct=0.0,
        )
        for i, cloud in enumerate(clouds_pct)
    )
    place = Place(0, 0, eye_m)
    return Forecast(source, 0, 0, 300.0, LayerScheme.OPEN_METEO, hours, place=place)


def nights(month: int, count: int, clear: float) -> Climate:
    return Climate({month: count}, {month: clear})


def test_of_a_place_that_nobody_looked_back_on_the_usual_share_is_said() -> None:
    shares = [UNKNOWN_CLIMATE.clear_share(month) for month in range(1, 13)]
    assert shares == pytest.approx([CLEAR_SHARE] * 12)


@pytest.mark.parametrize("share", [0.1, 0.8])
def test_after_thirty_nights_a_share_is_more_the_places_than_anybodys(share: float) -> None:
    said = nights(7, 30, 30 * share).clear_share(7)
    assert said == pytest.approx((20 * CLEAR_SHARE + 30 * share) / 50)
    assert abs(said - share) < abs(said - CLEAR_SHARE)


@pytest.mark.parametrize(("month", "counts"), [(7, 1.0), (6, 0.5), (8, 0.5), (5, 0), (9, 0), (1, 0)])
def test_a_month_learns_half_as_much_from_its_neighbours(month: int, counts: float) -> None:
    expected = (20 * CLEAR_SHARE + counts * 28) / (20 + counts * 40)
    assert nights(month, 40, 28).clear_share(7) == pytest.approx(expected)


@pytest.mark.parametrize(("month", "neighbour"), [(1, 12), (12, 1)])
def test_the_year_is_a_ring(month: int, neighbour: int) -> None:
    assert nights(neighbour, 40, 40).clear_share(month) > CLEAR_SHARE + 0.2


def test_no_place_is_known_to_be_always_clear_or_never() -> None:
    assert nights(7, 5000, 5000).clear_share(7) == 0.95
    assert nights(7, 5000, 0).clear_share(7) == 0.05


@pytest.mark.parametrize(
    ("clouds_pct", "share"),
    [
        ([5, 5, 5, 5], 1.0),
        ([30, 31, 5, 90], 0.5),
        ([95, 95, 95, 95], 0.0),
        ([5, 5, 95, None], None),
        ([None] * 4, None),
        ([], None),
    ],
    ids=["clear", "half of it", "overcast", "a quarter unknown", "nothing known", "no hours"],
)
def test_a_nights_share_is_the_time_with_little_cloud(
    clouds_pct: list[float | None], share: float | None
) -> None:
    assert clear_share_of(WINDOW, [analysis(clouds_pct)] if clouds_pct else []) == share


def test_lineages_weigh_the_same_each_by_its_first_answer_after_the_night() -> None:
    clear, cloudy = [5.0] * 4, [95.0] * 4
    told: list[Forecast] = [
        analysis(clear, fetched_at=WINDOW.end - HOUR),
        analysis(cloudy),
        analysis(clear, fetched_at=MORNING + HOUR),
        analysis(clear, provider="two"),
        analysis(clear, lineage="icon"),
    ]
    assert clear_share_of(WINDOW, told) == 0.5


def test_row_175_a_deck_below_the_site_is_a_clear_night_looked_back_on() -> None:
    """Overcast low cloud, all of it below 3,300 m: hidden from the valley, and no cloud for the summit."""
    event = Event(WINDOW, 2 * HOUR)
    for eye_m, share, says in ((3600.0, 1.0, OutcomeState.CLEAR), (300.0, 0.0, OutcomeState.NOT_CLEAR)):
        answer = analysis([100.0] * 4, low_pct=100.0, eye_m=eye_m)
        assert clear_share_of(WINDOW, [answer]) == share
        assert accounts_of_analyses(event, [answer])[0].says is says
