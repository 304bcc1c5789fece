"""The desk at which stored decisions are judged again, with their inputs at hand and verdicts shared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.judging.assess import JudgingInputs, Memo, assess
from alerts.judging.verdict import Verdict
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.weather.forecast import Forecast
from alerts.wishes.model import Wishes
from service.hindsight.past_inputs import as_known_at, night_of, nights_under, site_of
from service.hindsight.replay_alerts import Moment
from service.store.json_values import from_json
from service.store.repositories.climates import climate_at
from service.store.repositories.cycles import cycles_between
from service.store.repositories.forecasts import forecasts_by_id, newest_by_place, place_key
from service.store.repositories.judged_events import stations_now
from service.store.repositories.nights import night_ids
from service.store.repositories.people import sky_key, versioned
from service.store.repositories.sites import StoredSite
from service.store.schema import core_tables

FRESH_FOR = timedelta(hours=2)
"""A verdict on the same forecasts is taken to hold so long within a day; time alone changes little in it."""

Judged = tuple[core_tables.Decision, Verdict | None]


@dataclass(slots=True)
class Desk:
    """Inputs of one night at a time. other: wishes in place of those that decisions were made for."""

    session: Session
    ephemeris: Ephemeris
    other: Wishes | None = None
    _night: date | None = None
    _forecasts: dict[int, Forecast] = field(default_factory=dict)
    _inputs: dict[object, tuple[JudgingInputs, Memo]] = field(default_factory=dict)
    _nights: dict[object, list[Night]] = field(default_factory=dict)
    _sites: dict[int, StoredSite] = field(default_factory=dict)

    def site_of(self, decision: core_tables.Decision) -> StoredSite:
        revision_id = decision.site_revision_id
        if revision_id not in self._sites:
            self._sites[revision_id] = site_of(self.session, revision_id)
        return self._sites[revision_id]

    def wishes_of(self, decision: core_tables.Decision) -> Wishes:
        """The wishes to judge by; others without a clock are read on the subscriber's, and those without a
        drive go by what was estimated from home then."""
        mine = from_json(Wishes, decision.wishes)
        if self.other is None:
            return mine
        clock_zone = self.other.clock_zone or mine.clock_zone
        return replace(self.other, clock_zone=clock_zone, drive_estimate=mine.drive_estimate)

    def judge_again(self, decision: core_tables.Decision) -> Verdict | None:
        """The verdict on the decision's own inputs; None where its forecasts are no longer kept."""
        self._turn_to(decision.night_name)
        if not decision.forecast_ids and self.other is not None:
            return self._verdict(decision, self._known_then(decision, decision.as_of), decision.as_of)
        missing = set(decision.forecast_ids) - self._forecasts.keys()
        self._forecasts |= forecasts_by_id(self.session, missing)
        if not set(decision.forecast_ids) <= self._forecasts.keys():
            return None
        return self._verdict(decision, decision.forecast_ids, decision.as_of)

    def moments(self, judged: Sequence[Judged]) -> Iterator[Moment]:
        """When the night is told of, or not: at its decisions, and at the cycles between them on its day."""
        subscription = self.session.get_one(core_tables.Subscription, judged[0][0].subscription_id)
        address_id = subscription.address_id
        for decision, verdict in judged:
            if verdict is not None:
                yield self._moment(decision, decision.as_of, verdict, address_id)
        yield from self._between(judged, address_id)

    def _between(self, judged: Sequence[Judged], address_id: int) -> Iterator[Moment]:
        own = {decision.as_of for decision, _ in judged}
        before: tuple[object, datetime, Verdict] | None = None
        for at in self._cycles_on_the_day(judged[0][0]):
            decision = next((each for each, _ in reversed(judged) if each.as_of < at), None)
            if at in own or decision is None:
                continue
            ids = self._known_then(decision, at)
            basis = (tuple(ids), stations_now(self.session, self.site_of(decision).site, at), decision.id)
            if before is None or before[0] != basis or at - before[1] >= FRESH_FOR:
                before = (basis, at, self._verdict(decision, ids, at))
            yield self._moment(decision, at, before[2], address_id)

    def _cycles_on_the_day(self, decision: core_tables.Decision) -> list[datetime]:
        """The cycles from the day's beginning at the site until the last window is over."""
        nights = self._nights_of(decision)
        ends = [window.span.end for night in nights for window in night.windows]
        if not ends:
            return []
        day = datetime.combine(decision.night_name, datetime.min.time(), self.site_of(decision).site.tz)
        return cycles_between(self.session, day, max(ends))

    def _moment(
        self, decision: core_tables.Decision, at: datetime, verdict: Verdict, address_id: int
    ) -> Moment:
        site = self.site_of(decision).site
        wishes = self.wishes_of(decision)
        return Moment(at, decision.subscription_id, address_id, decision.night_name, site, wishes, verdict)

    def _turn_to(self, night: date) -> None:
        if night != self._night:
            self._night = night
            for kept in (self._forecasts, self._inputs, self._nights):
                kept.clear()

    def _known_then(self, decision: core_tables.Decision, at: datetime) -> list[int]:
        """The numbers of the forecasts that were at hand for the site."""
        place = place_key(self.site_of(decision).site)
        found = newest_by_place(self.session, {place}, at).get(place, [])
        self._forecasts.update((each.forecast_id, each.forecast) for each in found)
        return [each.forecast_id for each in found]

    def _verdict(self, decision: core_tables.Decision, forecast_ids: Sequence[int], at: datetime) -> Verdict:
        """By today's rules without a correction; shared by all who asked the same of the site."""
        key = (decision.site_revision_id, tuple(forecast_ids), at)
        if key not in self._inputs:
            site = self.site_of(decision).site
            inputs = JudgingInputs(
                site=site,
                now=at,
                forecasts=[as_known_at(self._forecasts[number], at) for number in forecast_ids],
                clear_share=climate_at(self.session, site, at).clear_share,
                stations=stations_now(self.session, site, at),
            )
            self._inputs[key] = inputs, Memo()
        inputs, memo = self._inputs[key]
        return assess(inputs, self._nights_of(decision), self.wishes_of(decision), memo).verdict

    def _nights_of(self, decision: core_tables.Decision) -> list[Night]:
        """The night under the sky of each target: as it was stored, computed where other wishes ask."""
        wishes = self.wishes_of(decision)
        key = (decision.site_revision_id, wishes.skies)
        if key not in self._nights:
            site = self.site_of(decision).site
            is_own = self.other is None
            self._nights[key] = (
                self._stored_nights(decision, wishes)
                if is_own
                else nights_under(site, decision.night_name, wishes, self.ephemeris)
            )
        return self._nights[key]

    def _stored_nights(self, decision: core_tables.Decision, wishes: Wishes) -> list[Night]:
        """By the keys of their skies, of the version that made the decision's night, or as they were before
        they held a version; the decision's own where an earlier one wrote other keys."""
        own = self.session.get_one(core_tables.Night, decision.night_id)
        earlier = [sky_key(sky) for sky in wishes.skies]
        keys = [versioned(key, own.rules_version) for key in earlier]
        every = [*keys, *earlier]
        by_key = night_ids(self.session, decision.site_revision_id, decision.night_name, every)
        known = keys if any(key in by_key for key in keys) else earlier
        ids = [by_key[key] for key in known if key in by_key] or [decision.night_id]
        return [night_of(self.session, night_id) for night_id in ids]
