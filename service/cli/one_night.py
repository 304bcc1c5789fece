"""The night that a command is asked about, one way for all commands.

As it was decided, else judged on what the store holds, else on what the feeds and the stations say now.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from alerts.briefing.collect import NightFindings, look_ahead
from alerts.briefing.facts import Ahead
from alerts.common.errors import BadInput
from alerts.common.phrases import Reader, phrase, say
from alerts.common.span import Span
from alerts.field.trip_plan import with_home
from alerts.judging.assess import JudgingInputs
from alerts.judging.verdict import Verdict
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named, tonight_name
from alerts.weather.forecast import Forecast, Place
from alerts.weather.models import OPEN_METEO, first_look, source_name
from alerts.weather.sky_now import StationSky
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from alerts.wishes.shared_sky import nights_as_wished
from service import app
from service.cli.options import NO_WISHES, PlaceAsked, WishesAsked
from service.common.clock import real_clock
from service.explain import stored_verdict
from service.feeds import sight_requests, store_access
from service.feeds.feed_wiring import feeds_reach, without_store
from service.feeds.replay import as_of_default, read_recorded
from service.feeds.shared import http_client, watched_sockets
from service.feeds.shared.model import FeedFailure, Gathered
from service.observations import station_wiring
from service.observations.model import STATIONS_BUDGET_S, heard_skies, stations_wanted
from service.reports import default_reader
from service.settings import Settings, load_settings
from service.store.repositories import climates, forecasts, people, sites

if TYPE_CHECKING:
    from sqlalchemy.orm import Session, sessionmaker

SAME_PLACE_KM = 0.2
"""Coordinates so near a kept site are taken to mean it."""


@dataclass(frozen=True, slots=True)
class NightAsked:
    """What is asked of a place. day: None for tonight. weather: recorded answers to judge on in place of the
    feeds'; offline: on none. ask: ask the feeds whatever is stored. as_of: judge as if it were then.
    without_window: ask about a night that has none, too."""

    day: date | None
    as_of: datetime | None
    weather: tuple[str, ...]
    offline: bool = False
    ask: bool = False
    without_window: bool = False

    @property
    def is_plain(self) -> bool:
        """Whether nothing asks for another answer than the one that was decided."""
        return not self.weather and not self.offline and not self.ask and self.as_of is None

    def read_weather(self, site: Site) -> list[Forecast]:
        """The forecasts in recorded answers, `FILE` or `FEED/MODEL=FILE`, for that site."""
        if self.weather and self.offline:
            raise BadInput(phrase("cli.weather-or-offline"))
        place = Place(site.lat_deg, site.lon_deg)
        forecasts: list[Forecast] = []
        for entry in self.weather:
            named, _, file = ("", "", entry) if Path(entry).exists() else entry.rpartition("=")
            forecasts += read_recorded(Path(file), named=named or None, place=place)
        return forecasts

    def reach(self, site: Site) -> timedelta:
        """How far the feeds look there; recorded answers reach as far as they do."""
        return timedelta(0) if self.weather else feeds_reach(load_settings(), site)


@dataclass(frozen=True, slots=True, kw_only=True)
class OneNight:
    """The answer. now: when it was asked; as_of: when it was judged or last held. inputs: what it rests on.
    decided: the decision it was read from. refused, off: what the feeds didn't give. notes: how it came
    about."""

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    as_of: datetime
    now: datetime
    inputs: JudgingInputs
    elevation_known: bool
    decided: stored_verdict.Decided | None = None
    refused: tuple[FeedFailure, ...] = ()
    off: tuple[FeedFailure, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def findings(self) -> NightFindings:
        """What is known of the night, without weather by the hour, a trip or any notes."""
        return NightFindings(
            site=self.site, night=self.night, verdict=self.verdict, wishes=self.wishes, now=self.as_of
        )

    @property
    def problems(self) -> tuple[str, ...]:
        """All that is to be said of how it came about, each sentence once."""
        told = (each.text for each in (*self.refused, *self.off))
        return tuple(dict.fromkeys((*told, *self.notes)))

    def ahead(self, asked: NightAsked, ephemeris: Ephemeris) -> Ahead:
        """What is said where the feeds don't reach the night yet, or where it has no window."""
        reach = asked.reach(self.site)
        return look_ahead(self.site, self.night, self.wishes, ephemeris, now=self.now, reach=reach)


def look_at_night(
    place: PlaceAsked, asked: NightAsked, ephemeris: Ephemeris, wishes_asked: WishesAsked = NO_WISHES
) -> OneNight:
    """The night as it was decided where that is what is asked for; else judged.

    wishes_asked: over those of who watches the site. BadInput for a site that isn't there and for a date
    without a night.
    """
    site = place.find()
    recorded = asked.read_weather(site)
    now = asked.as_of or (as_of_default(recorded) if recorded else None) or real_clock()
    name = asked.day or tonight_name(site, now, ephemeris)
    sessions = app.build().sessions if place.site is not None else sessions_at_hand(load_settings())
    inputs, elevation_known = JudgingInputs(site=site, now=now), place.elevation_m is not None
    usual, known, decided, notes = None, DEFAULT_WISHES, None, []
    with sessions() if sessions is not None else nullcontext() as session:
        # what is wished there, and what the store knows
        if session is not None and place.site is not None:
            usual = default_reader.usual_for(session, place.site)
            known, elevation_known = usual.wishes, usual.stored.elevation_known
            inputs = stored_verdict.read_inputs(session, [usual.stored], now, settle=asked.is_plain)[
                usual.stored.site_id
            ]
        wishes = wishes_asked.over(known, DEFAULT_WISHES)
        if session is not None and place.site is None:
            usual, operator = _usual_here(session, site), people.find_operator(session)
            wishes = with_home(wishes, operator.home if operator is not None else None, site)
            inputs = replace(inputs, clear_share=climates.climate_at(session, site, now).clear_share)

        # what was decided
        if session is not None and usual is not None:
            if usual.watcher is not None and default_reader.wishes_alike(wishes, usual.wishes):
                standing = stored_verdict.find_standing(session, usual.watcher.id, usual.stored, name, now)
                decided = None if standing is None else stored_verdict.read_decision(session, standing)
            is_read = decided is not None and asked.is_plain
            if place.site is None:
                key = "cli.kept-here-shown" if is_read else "cli.kept-here"
                notes.append(say(key, name=usual.stored.site.name))
            if decided is not None and is_read:
                return _as_decided(session, usual.stored, decided, now, notes)

    # what it is judged on
    nights = nights_as_wished(wishes, lambda sky: night_named(site, name, sky, ephemeris))
    night, gathered = nights[0], Gathered()
    if asked.weather or asked.offline:
        inputs = replace(inputs, forecasts=recorded, stations=())
    elif first_look(night, site, inputs.now, asked.reach(site)) is not None:
        inputs = replace(inputs, forecasts=(), stations=())
    elif inputs.about(night).forecasts and not asked.ask:
        inputs = inputs.about(night)
    else:
        inputs, gathered, asking = _ask_now(place, asked, night, replace(inputs, now=now))
        notes += asking
    verdict = inputs.judge(nights, wishes)
    answer = OneNight(
        site=site,
        night=verdict.night or night,
        verdict=verdict,
        wishes=wishes,
        as_of=inputs.now,
        now=now,
        inputs=inputs,
        elevation_known=elevation_known,
        refused=gathered.failures,
        off=gathered.off,
        notes=tuple(notes),
    )
    if decided is not None and asked.ask and (differs := _say_difference(answer, decided)):
        return replace(answer, notes=(*notes, differs))
    return answer


def _usual_here(session: Session, site: Site) -> default_reader.Usual | None:
    """What is usual for the kept site that lies there; None where none does."""
    known = sites.newest_revisions(session, {row.id for row in sites.find_sites(session)}).values()
    away_km = {
        each: distance_km(site.lat_deg, site.lon_deg, each.site.lat_deg, each.site.lon_deg) for each in known
    }
    nearest = min(known, key=lambda each: away_km[each], default=None)
    if nearest is None or away_km[nearest] > SAME_PLACE_KM:
        return None
    return default_reader.usual_of(session, nearest)


def _as_decided(
    session: Session,
    stored: sites.StoredSite,
    decided: stored_verdict.Decided,
    now: datetime,
    notes: Sequence[str],
) -> OneNight:
    """The decision, with what it rests on."""
    inputs = stored_verdict.read_inputs(session, [stored], decided.made_at, settle=False)[stored.site_id]
    return OneNight(
        site=decided.site,
        night=decided.night,
        verdict=decided.verdict,
        wishes=decided.wishes,
        as_of=decided.as_of,
        now=now,
        inputs=replace(
            inputs, forecasts=tuple(forecasts.forecasts_by_id(session, decided.forecast_ids).values())
        ),
        elevation_known=stored.elevation_known,
        decided=decided,
        notes=tuple(notes),
    )


def _ask_now(
    place: PlaceAsked, asked: NightAsked, night: Night, inputs: JudgingInputs
) -> tuple[JudgingInputs, Gathered, list[str]]:
    """What feeds and stations say at `inputs.now`, and what there is to say of the asking."""
    ahead = [window.span.end for window in night.windows if window.span.end > inputs.now]
    ends = max(ahead, default=night.span.end if asked.without_window else inputs.now)
    if ends <= inputs.now:
        over = [say("cli.night-over")] if asked.without_window else []
        return replace(inputs, forecasts=()), Gathered(), over
    settings, site, stations = load_settings(), inputs.site, inputs.stations
    elevation_m = place.elevation_m if place.site is None else site.elevation_m
    gathered, forecasts = ask_both(site, night, Span(inputs.now, ends), inputs.now, elevation_m)
    if place.site is None:
        stations = hear_now(settings, site, night, inputs.now)
    ensembles = {*settings.open_meteo_ensembles, ""}
    failed = any(each.feed.startswith(OPEN_METEO) and each.model in ensembles for each in gathered.failures)
    lacking = failed and not any(each.members for each in gathered.forecasts)
    notes = [say("cli.no-ensembles")] if lacking else []
    return replace(inputs, forecasts=forecasts, stations=stations), gathered, notes


def _say_difference(answer: OneNight, decided: stored_verdict.Decided) -> str:
    """When and why what was asked now differs from what was decided; "" where it doesn't."""
    was, seen = decided.verdict, answer.verdict
    if (was.word, was.chance_pct) == (seen.word, seen.chance_pct):
        return ""
    then = {source.model: source.issued_at for source in was.outlook.sources} if was.outlook else {}
    newer = [
        source_name(each.source)
        for each in answer.inputs.forecasts
        if each.source.issued_at is not None and each.source.issued_at != then.get(each.source.model)
    ]
    return say(
        "cli.differs-newer-runs" if newer else "cli.differs-at-hand",
        Reader(answer.site.tz),
        asked_at=answer.as_of,
        seen=_say(seen),
        decided_at=decided.as_of,
        was=_say(was),
        newer=tuple(dict.fromkeys(newer)),
    )


def _say(verdict: Verdict) -> str:
    word = verdict.word.value
    if verdict.chance_pct is None:
        return word
    return say("cli.verdict-chance", verdict=word, chance_pct=verdict.chance_pct)


def ask_both(
    site: Site, night: Night, hours: Span, now: datetime, elevation_m: float | None
) -> tuple[Gathered, list[Forecast]]:
    """As `service.feeds.sight_requests.ask_both`, by this machine's settings and with its store behind it."""
    settings = load_settings()
    access = without_store(settings) if settings.lacks_store else store_access.at_hand(settings)
    return sight_requests.ask_both(access, site, night, hours, now, elevation_m)


def sessions_at_hand(settings: Settings) -> sessionmaker[Session] | None:
    """As `service.feeds.store_access.sessions_at_hand`, which nothing loads where there is no store."""
    return None if settings.lacks_store else store_access.sessions_at_hand(settings)


def hear_now(settings: Settings, site: Site, night: Night, now: datetime) -> tuple[StationSky, ...]:
    """What the stations near a place that isn't kept report now, where the night begins soon; nothing where
    nobody says who asks."""
    ask = stations_wanted(site, night, now)
    if ask is None or not settings.contact:
        return ()
    sessions = sessions_at_hand(settings)
    client = (
        http_client.PoliteClient(
            http_client.identify(settings.contact), watched_sockets.Route(settings.proxy)
        )
        if sessions is None
        else station_wiring.client_of(settings, sessions)
    )
    with client:
        heard = station_wiring.ask_stations(settings, [ask], client, STATIONS_BUDGET_S)
    return heard_skies(site, heard, now)
