"""The refresh stage: what is asked when, what is kept of it, and where the camera looks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.weather.forecast import Bulletin, Forecast, OfficialWarning, Place, Severity
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.models import find_model
from alerts.wishes.model import DEFAULT_WISHES
from service.feeds.shared.guards import Spent
from service.feeds.shared.model import FeedFailure, Gathered, build_source
from service.feeds.sight_requests import NEAR
from service.pipeline import refresh_stage, sky_stage
from service.store.engine import open_engine
from service.store.migrate import require_current
from service.store.repositories import people, subscriptions
from service.store.repositories.forecasts import EVERYWHERE, newest_by_place, place_key, rejected_since
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import ForecastRow, SubscriptionRow
from tests.integration.conftest import NewStore

HOUR = timedelta(hours=1)
NOON = datetime(2027, 7, 3, 12, 7, tzinfo=UTC)
"""On the day of a moonless night; its window begins in under ten hours."""
FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")
PLACE = place_key(FLAT)


DOWN = phrase("feeds.unreachable", name="metno")


@dataclass
class Feeds:
    """Answers for two real models, an ensemble of neither. cloud_at: high cloud in % at a place."""

    cloud_at: Callable[[Place], float] = lambda place: 0.0
    issued_at: datetime = NOON - 2 * HOUR
    down: bool = False
    bulletins: tuple[Bulletin, ...] = ()
    aside_answers: bool = True
    asked: list[tuple[Place, ...]] = field(default_factory=list)

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        self.asked.append(tuple(places))
        if self.down:
            return Gathered(
                failures=(FeedFailure("metno", "", DOWN),),
                bulletins=self._bulletins(places),
            )
        models = [("open-meteo", "icon_seamless"), ("metno", "global")]
        answering = [place for place in places if self.aside_answers or not place.is_aside]
        forecasts = [self._forecast(place, *model, hours) for place in answering for model in models]
        return Gathered(
            tuple(forecasts), bulletins=self._bulletins(places), spent=(Spent("open-meteo", 1, 1.3),)
        )

    def _bulletins(self, places: Sequence[Place]) -> tuple[tuple[Place, Bulletin], ...]:
        return tuple((place, each) for place in places for each in self.bulletins if not place.is_aside)

    def _forecast(self, place: Place, feed: str, model: str, hours: Span) -> Forecast:
        row = find_model(feed, model)
        assert row is not None
        first = hours.start.replace(minute=0, second=0, microsecond=0)
        cloud = self.cloud_at(place)
        records = Hours.of(
            HourlyWeather(
                first + k * HOUR,
                first + (k + 1) * HOUR,
                cloud_total_pct=cloud,
                cloud_low_pct=0.0,
                cloud_mid_pct=0.0,
                cloud_high_pct=cloud,
                wind_ms=2.0,
                precipitation_mm=0.0,
            )
            for k in range(int((hours.end - first) / HOUR) + 2)
        )
        source = build_source(row, issued_at=self.issued_at, fetched_at=self.issued_at + HOUR)
        return Forecast(source, place.lat_deg, place.lon_deg, 900.0, row.layer_scheme, records, place=place)

    @property
    def overhead(self) -> list[tuple[Place, ...]]:
        return [places for places in self.asked if not places[0].is_aside]

    @property
    def aside(self) -> list[tuple[Place, ...]]:
        return [places for places in self.asked if places[0].is_aside]


@pytest.fixture(scope="module")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


@pytest.fixture
def sessions(tmp_path: Path, new_store: NewStore, ephemeris: Ephemeris) -> Iterator[sessionmaker[Session]]:
    engine = open_engine(new_store(tmp_path))
    require_current(engine)
    made = sessionmaker(engine, expire_on_commit=False)
    with made.begin() as session:
        owner = people.get_operator(session, zone=FLAT.zone, now=NOON)
        row = add_site(session, owner, FLAT, elevation_known=True, now=NOON)
        mail = people.add_address(session, owner, "email", "you@example.org", secrets=[], now=NOON)
        subscriptions.subscribe(session, mail, row, DEFAULT_WISHES, now=NOON)
    sky_stage.run(made, ephemeris, NOON)
    yield made
    engine.dispose()


def kept(sessions: sessionmaker[Session], now: datetime = NOON) -> list[Forecast]:
    with sessions() as session:
        return list(newest_by_place(session, {PLACE}, now).get(PLACE, {}).values())


def rows(sessions: sessionmaker[Session]) -> int:
    with sessions() as session:
        return len(session.scalars(select(ForecastRow.id).where(ForecastRow.rejected.is_(None))).all())


def test_a_place_is_asked_about_overhead_then_along_the_line_of_sight(
    sessions: sessionmaker[Session],
) -> None:
    feeds = Feeds()
    counts = refresh_stage.run(sessions, feeds.gather, NOON)
    assert [len(places) for places in feeds.overhead] == [1]
    (aside,) = feeds.aside
    assert 3 <= len(aside) <= 12  # six a window; the night after next is within 36 hours too
    assert (counts["forecasts"], counts["kept"], counts["requests"], counts["quota_weight"]) == (2, 2, 2, 3)
    icon, metno = sorted(kept(sessions), key=lambda each: each.source.model != "icon_seamless")
    assert icon.sights[0].places > 0
    assert metno.sights[0].window == icon.sights[0].window


def test_what_stands_in_the_view_is_in_the_stored_forecast(sessions: sessionmaker[Session]) -> None:
    """High cloud everywhere but over the site itself."""
    feeds = Feeds(cloud_at=lambda place: 90.0 if place.is_aside else 0.0)
    refresh_stage.run(sessions, feeds.gather, NOON)
    for forecast in kept(sessions):
        high = forecast.sights[0].hours[0].cloud_high_pct
        assert high is not None
        assert high > 60.0


def test_where_everything_is_overcast_nobody_looks_aside(sessions: sessionmaker[Session]) -> None:
    overcast = Feeds()
    overcast.cloud_at = lambda place: 0.0
    full = replace(overcast)
    full.gather = lambda places, hours: _overcast(overcast, places, hours)  # type: ignore[method-assign]
    refresh_stage.run(sessions, full.gather, NOON)
    assert overcast.aside == []
    assert kept(sessions)[0].sights == ()


def _overcast(feeds: Feeds, places: Sequence[Place], hours: Span) -> Gathered:
    gathered = feeds.gather(places, hours)
    forecasts = tuple(
        replace(
            each,
            hours=Hours.of(replace(hour, cloud_total_pct=100.0, cloud_low_pct=100.0) for hour in each.hours),
        )
        for each in gathered.forecasts
    )
    return replace(gathered, forecasts=forecasts)


def test_a_place_in_the_view_that_does_not_answer_leaves_the_view_unknown(
    sessions: sessionmaker[Session],
) -> None:
    refresh_stage.run(sessions, Feeds(aside_answers=False).gather, NOON)
    assert [each.sights for each in kept(sessions)] == [(), ()]


DUE = {
    "half an hour later": (timedelta(minutes=30), False),
    "an hour later": (timedelta(minutes=56), True),
    "the clock went back": (timedelta(hours=-3), True),
}


@pytest.mark.parametrize(("later", "asks"), DUE.values(), ids=DUE.keys())
def test_on_the_day_places_are_asked_about_again_after_an_hour(
    sessions: sessionmaker[Session], later: timedelta, asks: bool
) -> None:
    feeds = Feeds()
    refresh_stage.run(sessions, feeds.gather, NOON)
    refresh_stage.run(sessions, feeds.gather, NOON + later)
    assert len(feeds.overhead) == (2 if asks else 1)


def test_failing_counts_as_asked_so_that_a_feed_that_is_down_is_not_hammered(
    sessions: sessionmaker[Session],
) -> None:
    feeds = Feeds(down=True)
    refresh_stage.run(sessions, feeds.gather, NOON)
    refresh_stage.run(sessions, feeds.gather, NOON + timedelta(minutes=30))
    assert len(feeds.asked) == 1


def test_far_nights_are_asked_about_four_times_a_day_and_never_along_the_view(
    sessions: sessionmaker[Session], ephemeris: Ephemeris
) -> None:
    """At full Moon the next window is three days away."""
    early = datetime(2027, 7, 18, 12, 7, tzinfo=UTC)
    sky_stage.run(sessions, ephemeris, early)
    with sessions() as session:
        wanted = refresh_stage.Wanted.read(session, early)
        (need,) = refresh_stage.find_due(session, wanted, early)
    assert need.span.start - early > NEAR
    assert need.looks == ()
    feeds = Feeds(issued_at=early - HOUR)
    for hours in (0, 2, 5, 6):
        refresh_stage.run(sessions, feeds.gather, early + hours * HOUR)
    assert len(feeds.overhead) == 2
    assert feeds.aside == []


def test_the_same_run_again_adds_no_row(sessions: sessionmaker[Session]) -> None:
    feeds = Feeds()
    refresh_stage.run(sessions, feeds.gather, NOON)
    with sessions.begin() as session:
        for subscription in session.scalars(select(SubscriptionRow)):
            subscription.look_again_at = NOON + timedelta(days=1)
    counts = refresh_stage.run(sessions, feeds.gather, NOON + HOUR)
    assert (rows(sessions), counts.get("kept", 0)) == (2, 0)
    with sessions() as session:
        assert all(session.scalars(select(SubscriptionRow.look_again_at)))


def test_a_new_run_adds_a_row_that_knows_the_cloud_before_and_wakes_who_asks(
    sessions: sessionmaker[Session],
) -> None:
    feeds = Feeds()
    refresh_stage.run(sessions, feeds.gather, NOON)
    with sessions.begin() as session:
        for subscription in session.scalars(select(SubscriptionRow)):
            subscription.look_again_at = NOON + timedelta(days=1)
    feeds.cloud_at, feeds.issued_at = lambda place: 40.0, NOON
    refresh_stage.run(sessions, feeds.gather, NOON + HOUR)
    assert rows(sessions) == 4
    newest = kept(sessions, NOON + HOUR)
    assert [each.source.issued_at for each in newest] == [NOON, NOON]
    assert set(newest[0].cloud_before_pct) == {0}
    with sessions() as session:
        assert not any(session.scalars(select(SubscriptionRow.look_again_at)))


def test_all_feeds_down_leaves_the_last_good_rows_and_one_reason(sessions: sessionmaker[Session]) -> None:
    feeds = Feeds()
    refresh_stage.run(sessions, feeds.gather, NOON)
    feeds.down = True
    for hours in (1, 2, 3):
        refresh_stage.run(sessions, feeds.gather, NOON + hours * HOUR)
    assert [each.source.issued_at for each in kept(sessions, NOON + 3 * HOUR)] == [NOON - 2 * HOUR] * 2
    with sessions() as session:
        told = rejected_since(session, {PLACE, EVERYWHERE}, NOON, NOON + 3 * HOUR)
    assert [(row.feed, row.rejected) for row in told] == [("metno", str(DOWN))]


STORM = OfficialWarning(
    "w1",
    "Severe Thunderstorm Warning",
    Severity.SEVERE,
    Span(NOON, NOON + 20 * HOUR),
    "Teruel",
    "",
    "https://w",
)


def test_warnings_come_through_though_no_forecast_does(sessions: sessionmaker[Session]) -> None:
    feeds = Feeds()
    refresh_stage.run(sessions, feeds.gather, NOON)
    feeds.down = True
    feeds.bulletins = (Bulletin("nws-warnings", "NWS", "credit", "https://w", (STORM,), NOON + HOUR),)
    refresh_stage.run(sessions, feeds.gather, NOON + HOUR)
    carried = [each for each in kept(sessions, NOON + HOUR) if each.bulletins]
    assert [each.bulletins[0].warnings for each in carried] == [(STORM,)]
