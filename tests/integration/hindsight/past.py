"""A site whose Saturday is over, with the witnesses that a test calls."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import select

from alerts.common.span import Span
from alerts.track.observations.coded_reports import read_metar
from alerts.track.observations.evidence import SkyReport, Station
from alerts.track.observations.stations import Observed
from alerts.weather.forecast import Forecast, LayerScheme, Place, Source
from alerts.weather.hours import HourlyWeather, Hours
from service.app import Duskbell
from service.demo.play import FLAT, SATURDAY
from service.feeds.shared.model import Gathered
from service.hindsight import verification
from service.observations.model import Ask, Heard
from service.settings import Settings
from service.store.schema.core_tables import OutcomeRow
from service.store.schema.track_tables import JudgedEventRow
from tests.integration.conftest import CopyStore, NewStore
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, open_world

HOUR = timedelta(hours=1)
AFTER = datetime(2027, 7, 4, 9, 7, tzinfo=UTC)
NEXT_DAY = datetime(2027, 7, 5, 9, 7, tzinfo=UTC)
NEAR = Station("LETE", "METAR", FLAT.lat_deg + 0.1, FLAT.lon_deg, FLAT.elevation_m - 100)


@dataclass
class Witnesses:
    """What stations and feeds will say when they are asked. sky: the group in every report, "" for none."""

    sky: str = ""
    station: Station = NEAR
    analysis_pct: float | None = None
    asked: list[Ask] = field(default_factory=list)

    def observe(self, asks: Sequence[Ask]) -> Heard:
        self.asked += asks
        return Heard(tuple(seen for ask in asks for seen in self._reports(ask)) if self.sky else ())

    def _reports(self, ask: Ask) -> Iterator[Observed]:
        at = ask.hours.start.replace(minute=0, second=0, microsecond=0) - HOUR
        while at < ask.hours.end + HOUR:
            raw = f"METAR {self.station.name} {at:%d%H%M}Z AUTO 21005KT 9999 {self.sky} 12/06 Q1015"
            report = SkyReport(self.station.name, at, read_metar(raw), raw, at + timedelta(minutes=5))
            yield Observed(self.station, report, "invented")
            at += HOUR / 2

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        if self.analysis_pct is None:
            return Gathered()
        return Gathered(forecasts=tuple(self._analysis(place, hours) for place in places))

    def _analysis(self, place: Place, hours: Span) -> Forecast:
        first = hours.start.replace(minute=0, second=0, microsecond=0)
        count = int((hours.end - first) / HOUR) + 2
        cloud = [
            HourlyWeather(first + i * HOUR, first + (i + 1) * HOUR, cloud_total_pct=self.analysis_pct)
            for i in range(count)
        ]
        source = Source("invented", "Made-up Met Bureau", "invented-curlew", "curlew", "", "")
        where = (place.lat_deg, place.lon_deg, place.elevation_m)
        return Forecast(source, *where, LayerScheme.NONE, Hours.of(cloud), place=place)


@dataclass
class Past:
    """The installation on the Sunday, and who can say what the Saturday was like."""

    duskbell: Duskbell
    witnesses: Witnesses = field(default_factory=Witnesses)

    def verify(self, now: datetime = AFTER) -> dict[str, int]:
        sessions = self.duskbell.sessions
        return verification.run(
            verification.Verifying(sessions, self.witnesses.observe, self.witnesses.gather), now
        )

    def event(self) -> JudgedEventRow:
        with self.duskbell.sessions() as session:
            query = select(JudgedEventRow).where(JudgedEventRow.night_name == SATURDAY)
            return session.scalars(query).one()

    def outcome(self) -> OutcomeRow:
        """The one that counts for the Saturday."""
        with self.duskbell.sessions() as session:
            row = session.get(OutcomeRow, self.event().outcome_id)
            assert row is not None
            return row

    def rows(self) -> int:
        with self.duskbell.sessions() as session:
            query = select(OutcomeRow.id).where(OutcomeRow.night_name == SATURDAY)
            return len(session.scalars(query).all())


_PLAYED: dict[float, str] = {}


@contextmanager
def over(
    folder: Path, new_store: NewStore, copy_store: CopyStore, *, cloud_pct: float = 8.0
) -> Iterator[Past]:
    """Cycles up to the go of the Saturday, and the clock moved on to after it; played once a cloud cover."""
    if cloud_pct not in _PLAYED:
        _PLAYED[cloud_pct] = _play(folder / "first", new_store, cloud_pct)
    copy = copy_store(_PLAYED[cloud_pct], folder)
    settings = Settings(data_dir=folder, database_url=copy, contact="test@example.org")
    duskbell = Duskbell(settings, invented_weather=lambda places, hours: Gathered())
    yield Past(duskbell)
    duskbell.engine.dispose()


def _play(folder: Path, new_store: NewStore, cloud_pct: float) -> str:
    """The URL of the store, closed again."""
    folder.mkdir()
    url = new_store(folder)
    with open_world(folder, url, cloud_pct=cloud_pct) as world:
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
    return url
