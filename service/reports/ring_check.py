"""Can this ring? Gathers what the rule needs (alerts/judging/obstacles.py) for one subscription, for a site,
and for all that is kept here.

From rows alone, so that a page and each cycle can ask; only `year_of` works out some sky.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property, lru_cache, partial

from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from alerts.briefing.text.obstacle_text import heading, words_for
from alerts.common.phrases import say
from alerts.judging.obstacles import (
    Asked,
    Code,
    Level,
    Model,
    Obstacle,
    Reach,
    Receiver,
    Sources,
    YearAhead,
    is_barred,
    of_limit,
    of_sources,
    of_subscription,
    of_year,
    reach_of,
    weightiest_first,
)
from alerts.sites.model import Site
from alerts.track.calibration.correct import calibrate
from alerts.track.calibration.model import NONE_VERSION, Calibration
from alerts.track.record.climatology import LEAST_SHARE, UNKNOWN_CLIMATE, Climate
from alerts.weather.forecast import Place
from alerts.wishes.model import Wishes
from service.app import Duskbell
from service.channels.apprise import has_library
from service.feeds.feed_health import Answering
from service.reports.wish_advice import advise
from service.store.json_values import from_json
from service.store.repositories import calibrations, subscriptions
from service.store.repositories.climates import find_climates
from service.store.repositories.forecasts import place_key_at
from service.store.repositories.sites import described_sites, newest_revision, places_now
from service.store.repositories.subscriptions import SubscriptionFacts
from service.store.schema.core_tables import SubscriptionRow

_LENGTH = TypeAdapter(timedelta)


@dataclass(frozen=True, slots=True)
class Found:
    """An obstacle, and of what."""

    obstacle: Obstacle
    site: str
    is_of_subscription: bool = False


@dataclass(frozen=True, slots=True)
class Tally:
    """One kind of obstacle, by the first found, and what it concerns.

    sites: of how many; subscriptions: of how many, 0 where the obstacle is the sites' own. of_all: whether it
    is in the way of all that is kept here. site: the first one's name.
    """

    obstacle: Obstacle
    sites: int
    subscriptions: int
    of_all: bool
    site: str

    @property
    def is_fault(self) -> bool:
        """Whether something must be mended here: not where nobody has begun yet, nor where one of many
        subscriptions can't ring."""
        is_begun = self.obstacle.code not in (Code.NO_SITE, Code.NOBODY_TOLD)
        return self.obstacle.level is Level.NEVER and is_begun and (self.of_all or not self.subscriptions)

    @property
    def brief(self) -> str:
        """For a log: `one_provider at 3 sites`, `not_confirmed for 12 subscriptions`."""
        if self.subscriptions:
            return f"{self.obstacle.code} for {self.subscriptions} subscriptions"
        return f"{self.obstacle.code} at {self.sites} sites" if self.sites else str(self.obstacle.code)

    @property
    def where(self) -> str:
        """What it concerns, where that isn't all: `Broch`, `3 sites, Broch among them`, `2 subscriptions`."""
        if self.of_all or self.subscriptions == 1:
            return ""
        if self.subscriptions:
            return say("reports.ring-subscriptions", subscriptions=self.subscriptions)
        return self.site if self.sites == 1 else say("reports.ring-sites", sites=self.sites, site=self.site)

    def line(self, *, for_operator: bool = True) -> str:
        """How grave it is, what it concerns, the obstacle and its mend."""
        said = words_for(self.obstacle, site=self.site or "SITE", for_operator=for_operator)
        where = f" ({self.where})" if self.where else ""
        return f"{heading(self.obstacle.level)}{where}: {said.text}"


class RingCheck:
    """Everything asked of one moment; what is read for one question serves the next."""

    def __init__(self, duskbell: Duskbell, session: Session, now: datetime) -> None:
        self._duskbell, self._session, self._now = duskbell, session, now
        self._reaches: dict[tuple[tuple[Model, ...], timedelta, float, int], Reach | None] = {}
        self._years: dict[tuple[Site, Wishes], YearAhead] = {}
        self._of_sources: dict[int, tuple[Obstacle, ...]] = {}
        self._surely_reached: dict[tuple[int, timedelta], int] = {}
        self._climates: dict[str, Climate] = {}

    def of_place(self, lat_deg: float, lon_deg: float) -> tuple[Obstacle, ...]:
        """What stands in the way at a place, whoever is told of it."""
        sources = self._sources(lat_deg, lon_deg)
        if sources is None:
            return ()
        if id(sources) not in self._of_sources:  # one object for all places that are served alike
            self._of_sources[id(sources)] = tuple(of_sources(sources))
        return self._of_sources[id(sources)]

    def of_wishes(
        self, lat_deg: float, lon_deg: float, wishes: Wishes, year: YearAhead
    ) -> tuple[Obstacle, ...]:
        """What stands in the way at a place of somebody who asks for that, before they subscribe."""
        reach = self._reach((lat_deg, lon_deg), 0, wishes.shortest_window, wishes.chance_go_pct)
        found = [*self.of_place(lat_deg, lon_deg), *of_limit(0, wishes.chance_go_pct, reach)]
        return weightiest_first([*found, *of_year(0, year)])

    def year_of(self, number: int) -> YearAhead:
        """What a year's sky, the calendar and the clock leave of a subscription's wishes: a quarter of a
        second of work, once for all who wish the same at a site."""
        row = self._session.get_one(SubscriptionRow, number)
        site, wishes = newest_revision(self._session, row.site_id).site, from_json(Wishes, row.wishes)
        if (site, wishes) not in self._years:
            found = advise(site, wishes, self._now.date(), self._duskbell.ephemeris)
            self._years[site, wishes] = found.year
        return self._years[site, wishes]

    def of_subscription(self, number: int, year: YearAhead | None = None) -> tuple[Obstacle, ...]:
        """What stands in the way of one subscription, ended or not."""
        row = subscriptions.facts_of(self._session, number)
        place = places_now(self._session, [row.site_id])[row.site_id]
        return weightiest_first([*self.of_place(*place), *self._in_its_way(row, place, year)])

    def of_site(self, site_id: int, person_id: int | None = None) -> tuple[Obstacle, ...]:
        """What stands in the way of all who are told of a site; where it rings for one of them, what that one
        should know. person_id: of that person's subscriptions alone."""
        place = places_now(self._session, [site_id])[site_id]
        found = [
            [*self.of_place(*place), *self._in_its_way(facts, place)]
            for facts in subscriptions.facts_at(self._session, site_id, person_id)
        ]
        if not found:
            nobody = () if person_id is not None else (Obstacle(Code.NOBODY_TOLD, Level.NEVER),)
            return weightiest_first([*self.of_place(*place), *nobody])
        ringing = [each for each in found if not is_barred(each)]
        return weightiest_first(
            min(ringing, key=len) if ringing else [each for some in found for each in some]
        )

    def of_all(self, person_id: int | None = None, *, looks: int = 0) -> tuple[Tally, ...]:
        """Each kind of obstacle once, the weightiest first.

        person_id: of that person's subscriptions alone, and of their sites where they have none. looks: for
        how many subscriptions a year's sky is worked out.
        """
        rows = subscriptions.facts_concerning(self._session, person_id)
        names = {row.site_id: row.site_name for row in rows} or described_sites(self._session, person_id)
        places = places_now(self._session, names)
        far = set[str]()  # where a limit may lie beyond what can be reached
        for row in rows:
            sources, shortest = self._sources(*places[row.site_id]), _length(row.shortest)
            if sources is not None and row.limit_pct > self._surely_reached_pct(sources, shortest):
                far.add(place_key_at(*places[row.site_id]))
        self._read_climates(far)
        found = [
            Found(obstacle, name)
            for site_id, name in names.items()
            for obstacle in self.of_place(*places[site_id])
        ]
        if not names and not (self._duskbell.settings.contact or self._duskbell.invented):
            found.append(Found(Obstacle(Code.NO_CONTACT, Level.NEVER), ""))
        if not rows:
            code = Code.NOBODY_TOLD if names else Code.NO_SITE
            found.append(Found(Obstacle(code, Level.NEVER), next(iter(names.values()), "")))
        found += [
            Found(obstacle, row.site_name, is_of_subscription=True)
            for at, row in enumerate(rows)
            for obstacle in self._in_its_way(
                row, places[row.site_id], self.year_of(row.number) if at < looks else None
            )
        ]
        return _tally(found, len(names), len(rows))

    # ---- facts for the rule

    def _receiver(self, facts: SubscriptionFacts) -> Receiver:
        settings, target = self._duskbell.settings, facts.target
        receiver = partial(Receiver, facts.channel, facts.address_id)
        if facts.off_since is not None:
            return receiver(Code.SWITCHED_OFF, facts.off_reason or "")
        if facts.confirmed_at is None:
            return receiver(Code.NOT_CONFIRMED)
        if facts.channel == "named" and target not in settings.named_targets:
            return receiver(Code.NO_TARGET, target)
        if facts.channel == "named" and not has_library():
            return receiver(Code.NOT_INSTALLED)
        if facts.channel == "email" and not settings.smtp_host:
            return receiver(Code.OUTBOX_ONLY, str(settings.outbox))
        return receiver()

    def _in_its_way(
        self, row: SubscriptionFacts, place: tuple[float, float], year: YearAhead | None = None
    ) -> Iterator[Obstacle]:
        """year: of its wishes; None looks into the dates of its trips alone."""
        if year is None:
            trips = json.loads(row.trips) if row.trips else []
            are_over = all(date.fromisoformat(trip["last"]) < self._now.date() for trip in trips)
            year = YearAhead(trips_are_over=bool(row.trips_only) and bool(trips) and are_over)
        is_paused = row.paused_until is not None and row.paused_until > self._now
        return of_subscription(
            Asked(
                number=row.number,
                receiver=self._receiver(row),
                limit_pct=row.limit_pct,
                reach=self._reach(place, row.site_id, _length(row.shortest), row.limit_pct),
                year=year,
                paused_until=row.paused_until if is_paused else None,
                ended_at=row.ended_at,
            )
        )

    @cached_property
    def _answering(self) -> Answering:
        return Answering.of(self._duskbell.settings, self._session, self._now)

    def _sources(self, lat_deg: float, lon_deg: float) -> Sources | None:
        """None where the weather is invented, and no feed is asked."""
        return None if self._duskbell.invented else self._answering.at(Place(lat_deg, lon_deg))

    def _reach(
        self, place: tuple[float, float], site_id: int, shortest: timedelta, limit_pct: int
    ) -> Reach | None:
        """None also for a limit that is reached in any climate and whatever the record says: such are most,
        and the place's climate isn't read for them."""
        sources = self._sources(*place)
        if sources is None or limit_pct <= self._surely_reached_pct(sources, shortest):
            return None
        key = place_key_at(*place)
        if key not in self._climates:
            self._read_climates({key})
        share = max(map(self._climates[key].clear_share, range(1, 13)))
        return self._reach_in(sources.answering, shortest, share, site_id)

    def _surely_reached_pct(self, sources: Sources, shortest: timedelta) -> int:
        """What a cloudless sky makes in the worst climate; 100 where nothing makes a go."""
        key = id(sources), shortest  # one object for all places that are served alike
        if key not in self._surely_reached:
            reach = self._reach_in(sources.answering, shortest, LEAST_SHARE, self._worst_site)
            self._surely_reached[key] = 100 if reach is None else reach.forecasts_pct
        return self._surely_reached[key]

    def _read_climates(self, places: Collection[str]) -> None:
        known = find_climates(self._session, places, self._now)
        self._climates |= {place: known.get(place, UNKNOWN_CLIMATE) for place in places}

    def _reach_in(
        self, models: tuple[Model, ...], shortest: timedelta, share: float, site_id: int
    ) -> Reach | None:
        site_id = site_id if site_id in self._shifts else 0
        key = models, shortest, share, site_id
        if key not in self._reaches:
            self._reaches[key] = reach_of(
                models,
                shortest,
                clear_share=share,
                correct=partial(self._correct, site_id=site_id),
                has_stations=self._duskbell.settings.metar,
            )
        return self._reaches[key]

    def _correct(self, raw_pct: int, hours_before: float, site_id: int) -> int:
        """A stated chance as the record corrects it (alerts/track/calibration/correct.py)."""
        if self._calibration.version == NONE_VERSION:
            return raw_pct
        found = calibrate(self._calibration, raw_pct / 100, hours_before=hours_before, site=site_id)
        return round(100 * found.chance)

    @cached_property
    def _calibration(self) -> Calibration:
        return calibrations.in_use(self._session)

    @cached_property
    def _shifts(self) -> dict[int, float]:
        """By site the lowest shift of its own by which the record corrects it."""
        found: dict[int, float] = {}
        for each in (shift for lead_map in self._calibration.leads for shift in lead_map.shifts):
            found[each.site] = min(each.shift, found.get(each.site, 0.0))
        return found

    @cached_property
    def _worst_site(self) -> int:
        """The one whose chances are corrected down furthest."""
        return min(self._shifts, key=lambda site_id: self._shifts[site_id], default=0)


@lru_cache(maxsize=256)
def _length(written: str) -> timedelta:
    return _LENGTH.validate_python(written)


def _tally(found: Sequence[Found], sites: int, subscriptions: int) -> tuple[Tally, ...]:
    """sites, subscriptions: how many there are. Who pauses means it: that is told where all do."""
    kinds: dict[tuple[object, ...], list[Found]] = {}
    for each in found:
        obstacle = each.obstacle
        kind = obstacle.code, obstacle.level, obstacle.lineages, obstacle.providers
        kinds.setdefault(kind, []).append(each)
    tallies = {
        alike[0].obstacle: Tally(
            obstacle=alike[0].obstacle,
            sites=0 if alike[0].is_of_subscription or not alike[0].site else len(alike),
            subscriptions=len(alike) if alike[0].is_of_subscription else 0,
            of_all=len(alike) == (subscriptions if alike[0].is_of_subscription else max(1, sites)),
            site=alike[0].site,
        )
        for alike in kinds.values()
    }
    worth_saying = [each for each in tallies if each.code is not Code.PAUSED or tallies[each].of_all]
    return tuple(tallies[each] for each in weightiest_first(worth_saying))
