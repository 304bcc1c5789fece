"""What one run of the judging has read and worked out, shared by all who ask the same.

Sites are taken in some hundred at a time with their nights and forecasts, and put away again in the order
in which they were last asked for, so that memory stays the same however many there are.
"""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from sqlalchemy import LargeBinary, select, type_coerce
from sqlalchemy.orm import Session

from alerts.common.span import Span
from alerts.judging.access_rules import is_ruled_out, usable_spans
from alerts.judging.assess import cloud_over, trip_span, way_out
from alerts.judging.rules import Result
from alerts.judging.verdict import SkyView, Verdict, weigh
from alerts.notifying.next_review import verdict_may_change
from alerts.sky.night import DarkWindow, Night
from alerts.track.calibration.correct_outlook import calibrated_outlook, moves_at
from alerts.track.calibration.model import Calibration
from alerts.track.record.place_climate import UNKNOWN_CLIMATE, Climate
from alerts.weather.chance import Clearness
from alerts.weather.outlook import Outlook
from alerts.weather.sky_now import OLDEST, StationSky
from alerts.wishes.model import Wishes
from service.store.chunks import in_chunks
from service.store.repositories import judged_events
from service.store.repositories.climates import find_climates
from service.store.repositories.forecasts import StoredForecast, newest_by_place, place_key
from service.store.repositories.nights import unpack_night
from service.store.repositories.sites import StoredSite, newest_revisions
from service.store.schema import core_tables

MOST_SITES = 150
"""With some tens of kilobytes of weather each."""
CHANCE_STEP_PCT = 5
"""A chance that moves by less is no news: 37 % and 38 % share a fingerprint."""
TONIGHT = timedelta(hours=24)
"""Nights that end within it are judged on what stations report now, too."""
JUST_AFTER = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class VerdictKey:
    """What a verdict is asked for: the wishes as far as it reads them, under a number that stands for
    them, and the keys of their skies."""

    number: int
    wishes: Wishes
    sky_keys: tuple[str, ...]


@dataclass(slots=True)
class LazyNight:
    """A stored night, read when it is first asked for."""

    night_id: int
    name: date
    last_window_end: datetime | None
    kernel: str
    packed: bytes
    _night: Night | None = None

    def is_ahead(self, now: datetime) -> bool:
        return self.last_window_end is None or self.last_window_end > now

    @property
    def night(self) -> Night:
        if self._night is None:
            self._night = unpack_night(self.packed)
        return self._night


@dataclass(slots=True)
class WindowOutlook:
    """An outlook over a part of one window, and what it was made of."""

    night_id: int
    window_index: int
    span: Span
    shortest: timedelta
    way: timedelta
    outlook: Outlook


@dataclass(slots=True)
class NightVerdict:
    """The verdict on one night for all who ask the same of it. may_change_at: see
    alerts/notifying/next_review.py."""

    verdict: Verdict
    night: LazyNight
    outlooks: tuple[WindowOutlook, ...]
    may_change_at: datetime
    _fingerprint: str = ""

    @property
    def fingerprint(self) -> str:
        """Worked out once for all whom the verdict concerns."""
        if not self._fingerprint:
            self._fingerprint = fingerprint(self.verdict)
        return self._fingerprint


def months_read(now: datetime) -> list[int]:
    """The months whose nights a place's usual share rests on: those of last night and of all that a forecast
    reaches, with the one before and the one after."""
    return sorted({(now.month + by - 1) % 12 + 1 for by in (-2, -1, 0, 1, 2)})


def fingerprint(verdict: Verdict) -> str:
    """What matters of a verdict to a person, rounded; the same text means no news."""
    span, chance = verdict.usable, verdict.chance_pct
    stepped = "-" if chance is None else str(CHANCE_STEP_PCT * round(chance / CHANCE_STEP_PCT))
    times = f"{_moment(span.start)}-{_moment(span.end)}" if span else "-"
    failing = ",".join(reason.rule for reason in verdict.reasons if reason.result is Result.FAIL)
    return f"{verdict.word}|{verdict.deciding.rule}|{stepped}|{times}|{failing}"[:190]


def _moment(at: datetime) -> str:
    """Day, hour and minute."""
    return f"{at.day:02}{at.hour:02}{at.minute:02}"


@dataclass(slots=True)
class SiteInputs:
    """A site with its coming nights by sky, its weather, and the verdicts so far.

    windows: those looked at so far, each under a number; two skies often have the same.
    """

    stored: StoredSite
    calibration: Calibration
    climate: Climate = UNKNOWN_CLIMATE
    nights: dict[str, dict[date, LazyNight]] = field(default_factory=dict)
    forecasts: list[StoredForecast] = field(default_factory=list)
    forecast_ids: list[int] = field(default_factory=list)
    stations: tuple[StationSky, ...] = ()
    windows: dict[tuple[date, DarkWindow], int] = field(default_factory=dict)
    clearness: dict[tuple[int, Span, timedelta], Clearness] = field(default_factory=dict)
    trips: dict[tuple[int, Span, timedelta, timedelta], Outlook] = field(default_factory=dict)
    outlooks: dict[tuple[int, int, Span, timedelta, timedelta], WindowOutlook] = field(default_factory=dict)
    judged: dict[tuple[date, int, tuple[timedelta, ...]], NightVerdict] = field(default_factory=dict)

    def take(self, forecasts: list[StoredForecast]) -> None:
        """Have these as the weather there."""
        self.forecasts, self.forecast_ids = forecasts, [each.forecast_id for each in forecasts]

    def ends_within(self, until: datetime) -> bool:
        """Whether the last window of one of its nights is over by then."""
        ends = (night.last_window_end for nights in self.nights.values() for night in nights.values())
        return any(end is not None and end <= until for end in ends)

    def coming(self, sky_keys: Sequence[str], now: datetime) -> list[LazyNight]:
        """The nights under the sky wanted most that have a window ahead, or none at all, ascending.

        A night whose last window is over under every sky has nothing left to be judged.
        """
        first, *others = (self.nights.get(key, {}) for key in sky_keys)
        return [
            night
            for name, night in first.items()
            if night.is_ahead(now) or any(each[name].is_ahead(now) for each in others if name in each)
        ]

    def judge(self, name: date, asked: VerdictKey, wishes: Wishes, now: datetime) -> NightVerdict:
        """The verdict on the night of that name; the same for all with the same `asked` who leave about as
        long before."""
        nights = [self.nights[key][name] for key in asked.sky_keys if name in self.nights.get(key, {})]
        usable = [list(usable_spans(each.night, wishes, self.stored.site)) for each in nights]
        ways = tuple(
            way_out(each.night, part, wishes, self.stored.site)
            for each, parts in zip(nights, usable, strict=True)
            for part in parts
            if part is not None
        )
        key = (name, asked.number, ways)
        known = self.judged.get(key)
        if known is None:
            known = self.judged[key] = self._judge(nights, usable, list(ways), asked.wishes, now)
        return known

    def _judge(
        self,
        nights: list[LazyNight],
        usable: list[list[Span | None]],
        ways: list[timedelta],
        wishes: Wishes,
        now: datetime,
    ) -> NightVerdict:
        views, used = [], []
        for each, parts in zip(nights, usable, strict=True):
            mine = [ways.pop(0) if part is not None else None for part in parts]
            review = self._outlooks(each, parts, mine, wishes, now)
            used += [one for one in review if one is not None]
            views.append(SkyView(each.night, [one.outlook if one else None for one in review]))
        verdict = weigh(views, wishes, now=now, site=self.stored.site)
        chosen = next(each for each in nights if each.night is verdict.night)
        sources = [each.forecast.source for each in self.forecasts] if used else []
        trips = [trip_span(one.span, one.way) for one in used]
        may_change_at = verdict_may_change(
            [each.night for each in nights], trips, sources, wishes, now, self.stored.site
        )
        for one in used:
            may_change_at = min([may_change_at, *_grow_old(one.outlook)])
            may_change_at = moves_at(
                one.outlook, self.calibration, site=self.stored.site_id, now=now, until=may_change_at
            )
        return NightVerdict(verdict, chosen, tuple(used), may_change_at)

    def _outlooks(
        self,
        night: LazyNight,
        usable: list[Span | None],
        ways: list[timedelta | None],
        wishes: Wishes,
        now: datetime,
    ) -> list[WindowOutlook | None]:
        site = self.stored.site
        if not self.forecasts or is_ruled_out(night.name, wishes, site):
            return [None] * len(usable)
        return [
            None if part is None or way is None else self._outlook(night, index, part, way, wishes, now)
            for index, (part, way) in enumerate(zip(usable, ways, strict=True))
        ]

    def _outlook(
        self, night: LazyNight, index: int, part: Span, way: timedelta, wishes: Wishes, now: datetime
    ) -> WindowOutlook:
        key = (night.night_id, index, part, wishes.shortest_window, way)
        if key not in self.outlooks:
            outlook = self._on_trip(night, night.night.windows[index], part, way, wishes, now)
            self.outlooks[key] = WindowOutlook(
                night.night_id, index, part, wishes.shortest_window, way, outlook
            )
        return self.outlooks[key]

    def _on_trip(
        self, night: LazyNight, window: DarkWindow, part: Span, way: timedelta, wishes: Wishes, now: datetime
    ) -> Outlook:
        """The outlook over a part of a window, whatever sky the window belongs to."""
        number = self.windows.setdefault((night.name, window), len(self.windows))
        key = (number, part, wishes.shortest_window, way)
        if key not in self.trips:
            seen = self._clearness(number, night, window, part, wishes, now)
            self.trips[key] = seen.on_trip(trip_span(part, way))
        return self.trips[key]

    def _clearness(
        self, number: int, night: LazyNight, window: DarkWindow, part: Span, wishes: Wishes, now: datetime
    ) -> Clearness:
        """What the outlooks over a part of a window have in common, whatever the way out."""
        key = (number, part, wishes.shortest_window)
        if key not in self.clearness:
            seen = cloud_over(
                window,
                part,
                [each.forecast for each in self.forecasts],
                shortest=wishes.shortest_window,
                night_name=night.name,
                site=self.stored.site,
                now=now,
                clear_share=self.climate.clear_share(night.name.month),
                stations=self.stations,
            )
            corrected = calibrated_outlook(seen.outlook, self.calibration, site=self.stored.site_id, now=now)
            self.clearness[key] = replace(seen, outlook=corrected)
        return self.clearness[key]


def _grow_old(outlook: Outlook) -> list[datetime]:
    """When reports that the chance rests on say nothing of now any more."""
    heard = outlook.sky_now
    return [each.at + OLDEST + JUST_AFTER for each in heard.stations] if heard is not None else []


class SharedInputs:
    """The sites at hand, the last ones asked for."""

    def __init__(self, now: datetime, calibration: Calibration, most_sites: int = MOST_SITES) -> None:
        self.now = now
        self._calibration = calibration
        self._most = most_sites
        self._sites: OrderedDict[int, SiteInputs] = OrderedDict()
        self._asked: dict[tuple[Wishes, tuple[str, ...]], VerdictKey] = {}

    def asked(self, judged: Wishes, sky_keys: tuple[str, ...]) -> VerdictKey:
        """The same number for the same wishes."""
        key = (judged, sky_keys)
        if key not in self._asked:
            self._asked[key] = VerdictKey(len(self._asked), judged, sky_keys)
        return self._asked[key]

    def site(self, site_id: int) -> SiteInputs:
        """A site that was stocked before."""
        return self._sites[site_id]

    def stock(self, session: Session, site_ids: set[int]) -> None:
        """Have these sites at hand, with their coming nights and the weather there."""
        for site_id in site_ids & self._sites.keys():
            self._sites.move_to_end(site_id)
        missing = site_ids - self._sites.keys()
        fresh = {
            site_id: SiteInputs(stored, self._calibration)
            for site_id, stored in newest_revisions(session, missing).items()
        }
        self._read_nights(session, list(fresh.values()))
        self._read_weather(session, list(fresh.values()))
        self._read_stations(session, list(fresh.values()))
        self._sites.update(fresh)

    def trim(self) -> None:
        """Put away what was asked for longest ago."""
        while len(self._sites) > self._most:
            self._sites.popitem(last=False)

    def _read_nights(self, session: Session, sites: list[SiteInputs]) -> None:
        by_revision = {site.stored.revision_id: site for site in sites}
        columns = (
            core_tables.Night.site_revision_id,
            core_tables.Night.sky_key,
            core_tables.Night.id,
            core_tables.Night.name,
            core_tables.Night.last_window_end,
            core_tables.Night.kernel,
            type_coerce(core_tables.Night.facts, LargeBinary).label("packed"),
        )
        for ids in in_chunks(sorted(by_revision)):
            query = (
                select(*columns)
                .where(core_tables.Night.site_revision_id.in_(ids), core_tables.Night.ends > self.now)
                .order_by(core_tables.Night.name)
            )
            for row in session.execute(query):
                night = LazyNight(row.id, row.name, row.last_window_end, row.kernel, row.packed)
                by_revision[row.site_revision_id].nights.setdefault(row.sky_key, {})[row.name] = night

    def _read_weather(self, session: Session, sites: list[SiteInputs]) -> None:
        by_place: defaultdict[str, list[SiteInputs]] = defaultdict(list)
        for site in sites:
            by_place[place_key(site.stored.site)].append(site)
        for places in in_chunks(sorted(by_place)):
            found = newest_by_place(session, set(places), self.now)
            for place, forecasts in found.items():
                for site in by_place[place]:
                    site.take(forecasts)
            for place, climate in find_climates(session, places, self.now, months_read(self.now)).items():
                for site in by_place[place]:
                    site.climate = climate

    def _read_stations(self, session: Session, sites: list[SiteInputs]) -> None:
        """Where a night is near and anybody was heard at all."""
        near = [site for site in sites if site.ends_within(self.now + TONIGHT)]
        if not near or not judged_events.is_anybody_heard(session, self.now):
            return
        for site in near:
            site.stations = judged_events.stations_now(session, site.stored.site, self.now)
