"""Forecasts as rows: all comes back, the same said twice is one row, a run knows the one before."""

from __future__ import annotations

import pickle
import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.weather.forecast import (
    Bulletin,
    CloudLevels,
    Forecast,
    LayerScheme,
    OfficialWarning,
    Place,
    Severity,
    Sight,
    Source,
)
from alerts.weather.hours import FIELDS, HourlyWeather, Hours
from service.store.engine import open_engine
from service.store.migrate import require_current
from service.store.repositories import forecasts
from service.store.repositories.forecasts import (
    keep_changed,
    newest_by_place,
    pack,
    says_the_same,
    unpack,
    with_run_before,
)
from service.store.schema.core_tables import ForecastRow
from tests.integration.conftest import NewStore

NOW = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
WINDOW = Span(NOW + HOUR, NOW + 3 * HOUR)
SOURCE = Source(
    "open-meteo",
    "Open-Meteo",
    "icon",
    "icon_seamless",
    "credit",
    "https://c",
    issued_at=NOW - HOUR,
    fetched_at=NOW,
    unchanged_since=NOW - 2 * HOUR,
    next_due_at=NOW + 5 * HOUR,
)


def hours(*clouds: float | None, first: datetime = NOW) -> Hours:
    return Hours.of(
        HourlyWeather(
            first + k * HOUR,
            first + (k + 1) * HOUR,
            cloud_total_pct=cloud,
            cloud_low_pct=0.0,
            cloud_mid_pct=cloud,
            cloud_high_pct=0.0,
            thunder_named=False,
        )
        for k, cloud in enumerate(clouds)
    )


FORECAST = Forecast(
    SOURCE,
    40.3,
    -1.4,
    1100.0,
    LayerScheme.OPEN_METEO,
    hours(10.0, 20.0, 30.0),
    place=Place(40.31, -1.42, 1180.0),
)
WARNING = OfficialWarning("w", "Wind", Severity.SEVERE, WINDOW, "Ridge", "Wind on the ridge", "https://w")
FULL = replace(
    FORECAST,
    sights=(Sight(WINDOW, 190.5, 14.2, 5, hours(70.0, 80.0, first=WINDOW.start), ((160.0, 12.5),)),),
    cloud_before_pct=(5.0, None, 7.0),
    bulletins=(Bulletin("nws-warnings", "NWS", "credit", "https://w", (WARNING,), NOW),),
)
BY_HEIGHT = replace(
    FULL,
    levels=CloudLevels((925, 850), ((100.0, 90.0, None), (0.0,) * 3), ((760.0,) * 3, (1460.0, 1455.0, None))),
)


@pytest.fixture
def session(tmp_path: Path, new_store: NewStore) -> Iterator[Session]:
    engine = open_engine(new_store(tmp_path))
    require_current(engine)
    with sessionmaker(engine)() as session:
        yield session
    engine.dispose()


def test_all_of_a_forecast_comes_back(session: Session) -> None:
    row = forecasts.keep(session, "p", BY_HEIGHT, fetched_at=NOW)
    session.commit()
    session.expire_all()
    assert unpack(session.get_one(ForecastRow, row.id)) == BY_HEIGHT


def test_other_cloud_by_height_is_another_answer() -> None:
    lower = CloudLevels((925, 850), ((100.0,) * 3, (10.0,) * 3), ((760.0,) * 3, (1460.0,) * 3))
    row = ForecastRow(body=pack(BY_HEIGHT), issued_at=SOURCE.issued_at)
    assert says_the_same(BY_HEIGHT, unpack(row))
    assert not says_the_same(replace(BY_HEIGHT, levels=lower), unpack(row))


def dealt_hours(dice: random.Random) -> Hours:
    """With gaps or without, of one length or several, some columns wholly unknown and some in part."""
    names = FIELDS
    known = {name: dice.choice((0.0, 0.7, 1.0)) for name in names}
    gaps, lengths = dice.choice(((0,), (0, 0, 2))), dice.choice(((1,), (1, 3)))
    made, at = [], NOW
    for _ in range(dice.choice((0, 1, 40))):
        at += dice.choice(gaps) * HOUR
        ends = at + dice.choice(lengths) * HOUR
        values = {name: dice.choice((0.0, 12.5)) for name in names if dice.random() < known[name]}
        made.append(HourlyWeather(at, ends, **values))  # type: ignore[arg-type]  # any value will do
        at = ends
    return Hours.of(made)


@pytest.mark.parametrize("seed", range(40))
def test_stored_hours_are_those_that_were_packed(seed: int) -> None:
    dice = random.Random(seed)
    forecast = replace(FORECAST, hours=dealt_hours(dice))
    count = len(forecast.hours)

    def stored() -> Forecast:
        row = ForecastRow(body=pack(forecast), confirmed_at=NOW, issued_at=SOURCE.issued_at)
        return replace(unpack(row), source=SOURCE)

    for index in dice.sample(range(-count, count), count):
        assert stored().hours[index] == forecast.hours[index]
    some = slice(dice.randrange(-count - 1, count + 1), dice.randrange(-count - 1, count + 1))
    assert stored().hours[some] == forecast.hours[some]
    assert list(stored().hours) == list(forecast.hours)
    assert stored() == forecast
    assert forecast == stored()
    assert stored() == stored()
    assert hash(stored()) == hash(forecast)
    assert repr(stored().hours) == repr(forecast.hours)
    assert pickle.loads(pickle.dumps(stored())) == forecast
    assert pack(stored()) == pack(forecast)
    assert says_the_same(forecast, stored())
    assert says_the_same(stored(), forecast)
    assert says_the_same(forecast, replace(forecast, hours=forecast.hours[1:])) is (count == 0)
    assert (stored() == replace(forecast, hours=forecast.hours[1:])) is (count == 0)


def test_no_hour_is_made_to_see_that_an_answer_says_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    row = ForecastRow(body=pack(FORECAST), issued_at=SOURCE.issued_at)
    monkeypatch.setattr("alerts.weather.hours.HourlyWeather", None)
    assert says_the_same(FORECAST, unpack(row))


@pytest.mark.parametrize("seed", range(10))
def test_a_series_is_cut_alike_from_stored_hours(seed: int) -> None:
    dice = random.Random(seed)
    forecast = replace(FORECAST, hours=dealt_hours(dice))
    stored = unpack(ForecastRow(body=pack(forecast)))
    for _ in range(20):
        start = NOW + dice.randrange(-90, 60) * HOUR / 2
        span = Span(start, start + dice.randrange(1, 12) * HOUR / 2)
        assert stored.hours[stored.hours.cut(span).within] == forecast.hours[forecast.hours.cut(span).within]


def test_the_line_of_sight_is_found_by_its_window(session: Session) -> None:
    forecasts.keep(session, "p", FULL, fetched_at=NOW)
    session.commit()
    (stored,) = newest_by_place(session, {"p"}, NOW)["p"].values()
    assert stored.sight_over(WINDOW) == FULL.sights[0]
    assert stored.sight_over(Span(WINDOW.start, WINDOW.end + HOUR)) is None


def later(forecast: Forecast = FORECAST, by: timedelta = HOUR, **changes: object) -> Forecast:
    return replace(forecast, source=replace(forecast.source, fetched_at=NOW + by, **changes))


SAME = {
    "the very same": (FULL, True),
    "confirmed later": (later(FULL), True),
    "hours that have passed fell away": (replace(later(FULL), hours=FULL.hours[1:]), True),
    "warnings asked for again": (
        replace(FULL, bulletins=(replace(FULL.bulletins[0], asked_at=NOW + HOUR),)),
        True,
    ),
    "a new run": (later(FULL, issued_at=NOW), False),
    "a value that moved": (replace(FULL, hours=hours(10.0, 20.0, 31.0)), False),
    "an hour more": (replace(FULL, hours=hours(10.0, 20.0, 30.0, 40.0)), False),
    "a value that went": (replace(FULL, hours=hours(10.0, None, 30.0)), False),
    "another view": (replace(FULL, sights=(replace(FULL.sights[0], azimuth_deg=200.0),)), False),
    "no view any more": (replace(FULL, sights=()), True),
    "a warning less": (replace(FULL, bulletins=(replace(FULL.bulletins[0], warnings=()),)), False),
    "no warnings known any more": (replace(FULL, bulletins=()), False),
}


@pytest.mark.parametrize(("fresh", "same"), SAME.values(), ids=SAME.keys())
def test_what_says_the_same_is_told_from_what_is_new(fresh: Forecast, same: bool) -> None:
    assert says_the_same(fresh, FULL) is same


def test_a_member_that_moved_is_new() -> None:
    ensemble = replace(FORECAST, members=((1.0, 2.0, 3.0), (4.0, 5.0, 6.0)))
    moved = replace(FORECAST, members=((1.0, 2.0, 3.0), (4.0, 5.0, 7.0)))
    assert says_the_same(ensemble, ensemble)
    assert not says_the_same(moved, ensemble)


def test_the_same_again_confirms_the_row_and_adds_none(session: Session) -> None:
    keep_changed(session, [("p", FORECAST)], fetched_at=NOW)
    session.commit()
    assert keep_changed(session, [("p", later())], fetched_at=NOW + HOUR) == []
    session.commit()
    (stored,) = newest_by_place(session, {"p"}, NOW + HOUR)["p"].values()
    assert stored.source.fetched_at == NOW + HOUR


def test_an_answer_confirmed_again_and_again_still_counts_after_a_day(session: Session) -> None:
    for hour in (0, 11, 22, 33):
        keep_changed(session, [("p", later(by=hour * HOUR))], fetched_at=NOW + hour * HOUR)
        session.commit()
    assert len(newest_by_place(session, {"p"}, NOW + 34 * HOUR)["p"]) == 1
    assert newest_by_place(session, {"p"}, NOW + 60 * HOUR) == {}


def test_a_new_run_knows_the_cloud_of_the_one_before(session: Session) -> None:
    keep_changed(session, [("p", FORECAST)], fetched_at=NOW)
    session.commit()
    fresh = replace(later(issued_at=NOW), hours=hours(50.0, 60.0, 70.0, first=NOW + HOUR))
    keep_changed(session, [("p", fresh)], fetched_at=NOW + HOUR)
    session.commit()
    (stored,) = newest_by_place(session, {"p"}, NOW + HOUR)["p"].values()
    assert stored.cloud_before_pct == (20.0, 30.0, None)


def test_a_run_said_again_keeps_what_it_knew_of_the_one_before() -> None:
    known = replace(FORECAST, cloud_before_pct=(1.0, 2.0, 3.0))
    longer = replace(FORECAST, hours=hours(10.0, 20.0, 30.0, 40.0))
    assert with_run_before(longer, known).cloud_before_pct == (1.0, 2.0, 3.0, None)


def test_ensembles_have_no_run_before() -> None:
    ensemble = replace(FORECAST, members=((1.0, 2.0, 3.0),))
    assert with_run_before(later(ensemble, issued_at=NOW), FORECAST).cloud_before_pct == ()


def test_reasons_are_told_once_and_the_newest_first(session: Session) -> None:
    for hour, reason in enumerate(("a", "b", "a")):
        forecasts.keep_rejected(
            session, "p", feed="f", model="m", reason=kept(reason), fetched_at=NOW + hour * HOUR
        )
    session.commit()
    told = forecasts.rejected_since(session, {"p"}, NOW - HOUR, NOW + 3 * HOUR)
    assert [row.rejected for row in told] == ["a", "b"]
    assert forecasts.reasons_since(session, {"p"}, NOW, NOW + 3 * HOUR) == {
        ("p", "f", "m", "b"),
        ("p", "f", "m", "a"),
    }
