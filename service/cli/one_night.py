"""The night that a command is asked about, one way for all commands.

As it was decided, else judged on what the store holds, else on what the feeds and the stations say now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

from sqlalchemy.orm import Session

from alerts.briefing.facts.alert import Ahead
from alerts.briefing.far_nights import look_ahead
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.span import Span
from alerts.common.text import listed
from alerts.common.time_text import say_clock
from alerts.field.driving import Home, with_home
from alerts.judging.assess import JudgingInputs
from alerts.judging.verdict import Verdict
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named
from alerts.sky.nights.night_events import tonight_name
from alerts.weather.forecast import Forecast, Place
from alerts.weather.models import OPEN_METEO, first_look, source_name
from alerts.weather.sky_now import StationSky
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.app import build
from service.common.clock import real_clock
from service.explain.stored_verdict import (
    Decided,
    find_standing,
    nights_as_wished,
    read_decision,
    read_inputs,
)
from service.feeds import sight_requests
from service.feeds.feed_health import feeds_reach
from service.feeds.feed_wiring import at_hand, sessions_at_hand
from service.feeds.replay import as_of_default, read_recorded
from service.feeds.shared.http_client import PoliteClient, identify
from service.feeds.shared.model import FeedFailure, Gathered
from service.observations.model import STATIONS_BUDGET_S, heard_skies, stations_wanted
from service.observations.station_wiring import ask_stations, client_of
from service.reports.default_reader import Usual, usual_for, usual_of, wishes_alike
from service.settings import Settings, load_settings
from service.store.repositories.climates import climate_at
from service.store.repositories.forecasts import forecasts_by_id
from service.store.repositories.people import find_operator
from service.store.repositories.sites import StoredSite, find_sites, newest_revisions

SAME_PLACE_KM = 0.2
"""Coordinates so near a kept site are taken to mean it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightAsked:
    """What is asked. site_name: of a kept site; None for a place by its coordinates. elevation_m: None when
    nobody knows it. wishes: None for those of who watches the site. day: None for tonight.

    recorded: answers to judge on in place of the feeds'; offline: on none. ask: ask the feeds whatever is
    stored. as_of: judge as if it were then. without_window: ask about a night that has none, too.
    """

    site_name: str | None
    place: Site
    elevation_m: float | None
    wishes: Wishes | None = None
    day: date | None = None
    recorded: Sequence[Forecast] | None = None
    offline: bool = False
    ask: bool = False
    as_of: datetime | None = None
    without_window: bool = False

    @property
    def is_plain(self) -> bool:
        """Whether nothing asks for another answer than the one that was decided."""
        return self.recorded is None and not self.offline and not self.ask and self.as_of is None


@dataclass(frozen=True, slots=True, kw_only=True)
class OneNight:
    """The answer. as_of: when it was judged or last held. inputs: what it rests on. decided: the decision it
    was read from. refused, off: what the feeds didn't give. notes: sentences on how it came about."""

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    as_of: datetime
    inputs: JudgingInputs
    elevation_known: bool
    decided: Decided | None = None
    refused: tuple[FeedFailure, ...] = ()
    off: tuple[FeedFailure, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def problems(self) -> tuple[str, ...]:
        """All that is to be said of how it came about, each sentence once."""
        told = (each.text for each in (*self.refused, *self.off))
        return tuple(dict.fromkeys((*told, *self.notes)))


def look_at_night(asked: NightAsked, ephemeris: Ephemeris, now: datetime) -> OneNight:
    """The night as it was decided where that is what is asked for; else judged.

    BadInput for a site that isn't there and for a date without a night.
    """
    name = asked.day or tonight_name(asked.place, now, ephemeris)
    duskbell = build() if asked.site_name is not None else None
    settings = duskbell.settings if duskbell else load_settings()
    sessions = duskbell.sessions if duskbell else sessions_at_hand(settings)
    wishes, decided, notes = asked.wishes or DEFAULT_WISHES, None, []
    inputs, known_site = JudgingInputs(site=asked.place, now=now), None
    if sessions is not None:
        with sessions() as session:
            usual = _usual(session, asked)
            if asked.site_name is None:
                wishes = with_home(wishes, _home(session), asked.place)
                inputs = replace(inputs, clear_share=climate_at(session, asked.place, now).clear_share)
            elif usual is not None:
                wishes = asked.wishes or usual.wishes
                known_site = usual.stored
                known = read_inputs(session, [known_site], now, settle=asked.is_plain)
                inputs = known[known_site.site_id]
            if usual is not None and usual.watcher is not None and wishes_alike(wishes, usual.wishes):
                decided = _decided(session, usual.watcher.id, usual.stored, name, now)
            is_read = decided is not None and asked.is_plain
            if usual is not None and asked.site_name is None:
                notes.append(_say_kept(usual.stored.site, is_read=is_read))
            if usual is not None and decided is not None and is_read:
                return _as_decided(session, usual.stored, decided, notes)
    nights = nights_as_wished(wishes, lambda sky: night_named(asked.place, name, sky, ephemeris))
    found = _at_hand(asked, nights[0], inputs, settings, now)
    verdict = found.inputs.judge(nights, wishes)
    answer = OneNight(
        site=asked.place,
        night=verdict.night or nights[0],
        verdict=verdict,
        wishes=wishes,
        as_of=found.inputs.now,
        inputs=found.inputs,
        elevation_known=known_site.elevation_known if known_site else asked.elevation_m is not None,
        refused=found.refused,
        off=found.off,
        notes=(*notes, *found.notes),
    )
    if decided is None or not asked.ask:
        return answer
    return replace(answer, notes=(*answer.notes, *_say_difference(answer, decided)))


def ahead_of(found: OneNight, asked: NightAsked, ephemeris: Ephemeris, now: datetime) -> Ahead:
    """What is said where the feeds don't reach the night yet, or where it has no window."""
    reach = _reach(asked, found.site, load_settings())
    return look_ahead(found.site, found.night, found.wishes, ephemeris, now=now, reach=reach)


def _reach(asked: NightAsked, site: Site, settings: Settings) -> timedelta:
    """How far the feeds look there; recorded answers reach as far as they do."""
    return timedelta(0) if asked.recorded is not None else feeds_reach(settings, site)


def _usual(session: Session, asked: NightAsked) -> Usual | None:
    """What is usual for the kept site that is meant; None where the place is none."""
    if asked.site_name is not None:
        return usual_for(session, asked.site_name)
    known = newest_revisions(session, {row.id for row in find_sites(session)}).values()
    here = asked.place.lat_deg, asked.place.lon_deg
    away_km = {each: distance_km(*here, each.site.lat_deg, each.site.lon_deg) for each in known}
    nearest = min(known, key=lambda each: away_km[each], default=None)
    return None if nearest is None or away_km[nearest] > SAME_PLACE_KM else usual_of(session, nearest)


def _home(session: Session) -> Home | None:
    operator = find_operator(session)
    return operator.home if operator is not None else None


def _say_kept(site: Site, *, is_read: bool) -> str:
    if is_read:
        return say("cli.kept-here-shown", name=site.name)
    return say("cli.kept-here", name=site.name)


def _decided(
    session: Session, watcher_id: int, stored: StoredSite, name: date, now: datetime
) -> Decided | None:
    decision = find_standing(session, watcher_id, stored, name, now)
    return None if decision is None else read_decision(session, decision)


def _as_decided(session: Session, stored: StoredSite, decided: Decided, notes: Sequence[str]) -> OneNight:
    """The decision, with what it rests on."""
    inputs = read_inputs(session, [stored], decided.made_at, settle=False)[stored.site_id]
    return OneNight(
        site=decided.site,
        night=decided.night,
        verdict=decided.verdict,
        wishes=decided.wishes,
        as_of=decided.as_of,
        inputs=replace(inputs, forecasts=tuple(forecasts_by_id(session, decided.forecast_ids).values())),
        elevation_known=stored.elevation_known,
        decided=decided,
        notes=tuple(notes),
    )


@dataclass(frozen=True, slots=True)
class _AtHand:
    inputs: JudgingInputs
    refused: tuple[FeedFailure, ...] = ()
    off: tuple[FeedFailure, ...] = ()
    notes: tuple[str, ...] = ()


def _at_hand(
    asked: NightAsked, night: Night, inputs: JudgingInputs, settings: Settings, now: datetime
) -> _AtHand:
    """What there is to judge on: recorded answers, the store's, or what feeds and stations say now."""
    if asked.recorded is not None or asked.offline:
        return _AtHand(replace(inputs, forecasts=asked.recorded or (), stations=()))
    if first_look(night, inputs.site, inputs.now, _reach(asked, inputs.site, settings)) is not None:
        return _AtHand(replace(inputs, forecasts=(), stations=()))
    if inputs.about(night).forecasts and not asked.ask:
        return _AtHand(inputs.about(night))
    inputs = replace(inputs, now=now)
    ahead = [window.span.end for window in night.windows if window.span.end > inputs.now]
    ends = max(ahead, default=night.span.end if asked.without_window else inputs.now)
    if ends <= inputs.now:
        over = (say("cli.night-over"),)
        return _AtHand(replace(inputs, forecasts=()), notes=over if asked.without_window else ())
    hours = Span(inputs.now, ends)
    gathered, forecasts = ask_both(inputs.site, night, hours, inputs.now, asked.elevation_m)
    stations = inputs.stations
    if asked.site_name is None:
        stations = hear_now(settings, inputs.site, night, inputs.now)
    return _AtHand(
        replace(inputs, forecasts=forecasts, stations=stations),
        gathered.failures,
        gathered.off,
        (say("cli.no-ensembles"),) if _lacks_ensembles(gathered, settings) else (),
    )


def _lacks_ensembles(gathered: Gathered, settings: Settings) -> bool:
    """Whether ensembles were asked and none came."""
    wanted = {*settings.open_meteo_ensembles, ""}
    failed = any(each.feed.startswith(OPEN_METEO) and each.model in wanted for each in gathered.failures)
    return failed and not any(each.members for each in gathered.forecasts)


def _say_difference(answer: OneNight, decided: Decided) -> list[str]:
    """When and why what was asked now differs from what was decided; nothing where it doesn't."""
    was, seen = decided.verdict, answer.verdict
    if (was.word, was.chance_pct) == (seen.word, seen.chance_pct):
        return []
    zone = answer.site.tz
    newer = listed(_newer(answer.inputs.forecasts, decided))
    because = say("cli.differs-newer-runs", newer=newer) if newer else say("cli.differs-at-hand")
    return [
        say(
            "cli.differs",
            clock=say_clock(answer.as_of, zone),
            seen=_say(seen),
            clock_2=say_clock(decided.as_of, zone),
            was=_say(was),
            because=because,
        )
    ]


def _say(verdict: Verdict) -> str:
    return verdict.word.value + ("" if verdict.chance_pct is None else f", {verdict.chance_pct} %")


def _newer(forecasts: Sequence[Forecast], decided: Decided) -> list[str]:
    """The models whose run is another one than the decision rests on."""
    then = (
        {source.model: source.issued_at for source in decided.verdict.outlook.sources}
        if (decided.verdict.outlook)
        else {}
    )
    newer = [
        source_name(each.source)
        for each in forecasts
        if each.source.issued_at is not None and each.source.issued_at != then.get(each.source.model)
    ]
    return list(dict.fromkeys(newer))


def read_weather(entries: tuple[str, ...], site: Site, *, offline: bool) -> list[Forecast]:
    """The forecasts in recorded answers, `FILE` or `FEED/MODEL=FILE`, for that site; BadInput otherwise."""
    if entries and offline:
        raise BadInput(phrase("cli.weather-or-offline"))
    place = Place(site.lat_deg, site.lon_deg)
    forecasts: list[Forecast] = []
    for entry in entries:
        named, _, file = entry.rpartition("=") if _is_named(entry) else ("", "", entry)
        forecasts += read_recorded(Path(file), named=named or None, place=place)
    return forecasts


def _is_named(entry: str) -> bool:
    """Whether `entry` is FEED/MODEL=FILE and not a file whose name holds a `=`."""
    return "=" in entry and not Path(entry).exists()


def moment_to_judge(as_of: datetime | None, recorded: list[Forecast]) -> datetime:
    """What was asked for; else the newest issue time of recorded answers; else now."""
    return as_of or (as_of_default(recorded) if recorded else None) or real_clock()


def ask_both(
    site: Site,
    night: Night,
    hours: Span,
    now: datetime,
    elevation_m: float | None,
) -> tuple[Gathered, list[Forecast]]:
    """As `service.feeds.sight_requests.ask_both`, by this machine's settings and with its store behind it."""
    settings = load_settings()
    behind = at_hand(settings)
    return sight_requests.ask_both(behind, site, night, hours, now, elevation_m)


def hear_now(settings: Settings, site: Site, night: Night, now: datetime) -> tuple[StationSky, ...]:
    """What the stations near a place that isn't kept report now, where the night begins soon; nothing where
    nobody says who asks."""
    ask = stations_wanted(site, night, now)
    if ask is None or not settings.contact:
        return ()
    sessions = sessions_at_hand(settings)
    client = (
        PoliteClient(identify(settings.contact), proxy=settings.proxy)
        if sessions is None
        else client_of(settings, sessions)
    )
    with client:
        heard = ask_stations(settings, [ask], client, STATIONS_BUDGET_S)
    return heard_skies(site, heard, now)
