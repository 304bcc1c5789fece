"""Whether a run is still the newest there is: by provider and model, not by one age for all.

A run's age counts from its issue; where that isn't named, from when its values were first seen, else from
when they were fetched. Never from the run's nominal time: a global run appears hours after it, and counted
from there every run would be stale on the day. It is good up to a usual age, and beyond that as long as no
newer one can be here: until the next is due by the provider's own table (`Source.next_due_at`), or by the
habits of one without.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from alerts.common.phrases import Phrase, phrase
from alerts.weather.forecast import Source
from alerts.weather.models import MET_NORWAY, NWS

OLDEST_RUN = timedelta(hours=12)
OLDEST_RUN_ON_THE_DAY = timedelta(hours=6)
ARRIVES_WITHIN = timedelta(minutes=90)
"""From a run's being due to our having it: it settles on the servers, and the next cycle asks. Without this
a model that runs every six hours would be stale four times a day for nothing."""
LONGEST_INTERVAL = timedelta(hours=12)
"""Between runs: what comes more rarely isn't waited for on the day."""
CONFIRMED_WITHIN = timedelta(hours=3)
"""How lately a provider must have said that this is its newest run, by sending it or by 304 Not Modified, for
its habits to count: the last good answer of a feed that is down ages as any other."""

NEWEST_FOR: Mapping[tuple[str, str], timedelta] = {
    # Four times a day (api.met.no/doc/locationforecast), and yet `updated_at` lay up to 9.5 h before the
    # first hour served in recorded answers for three places on three continents, 20 July 2020.
    (MET_NORWAY, "global"): timedelta(hours=12),
    # `updateTime` is when a forecaster last published: twice a day or oftener (common practice).
    (NWS, "gridpoint"): timedelta(hours=12),
}
"""How old the newest run there is may be, for those who don't say when the next one comes."""


def dated(source: Source) -> datetime | None:
    """The time that a run's age counts from; None when nobody knows."""
    return source.issued_at or source.unchanged_since or source.fetched_at


def why_unusable(source: Source, now: datetime, *, is_night_of: bool) -> Phrase | None:
    """Why a run may not be used at `now`: it is from later, or too old. None where it may, and for a run with
    no time at all (played from a file). One from later isn't used for a past night either: that would look
    better judged than it could have been.

    is_night_of: it is the day of the night.
    """
    since = dated(source)
    if since is None:
        return None
    if since > now:
        return phrase("weather.run-from-the-future")
    oldest = OLDEST_RUN_ON_THE_DAY if is_night_of else OLDEST_RUN
    good_for = max(oldest, newest_until(source, now) - since)
    if now - since <= good_for:
        return None
    age_h, most_h = (round(each / timedelta(hours=1), 1) for each in (now - since, good_for))
    return phrase("weather.run-too-old", age_h=age_h, most_h=most_h)


def newest_until(source: Source, now: datetime) -> datetime:
    """Up to when the run may be the newest there is; the time that it is dated by where nothing says so."""
    since = dated(source)
    assert since is not None, "its age is known"
    if source.next_due_at is not None:
        is_awaited = source.next_due_at - since <= LONGEST_INTERVAL
        return source.next_due_at + ARRIVES_WITHIN if is_awaited else since
    confirmed = source.fetched_at
    if confirmed is not None and now - confirmed > CONFIRMED_WITHIN:
        return since
    return since + NEWEST_FOR.get((source.feed, source.model), timedelta(0))


def turns(source: Source) -> Iterator[datetime]:
    """The moments right after which the run may cease to count."""
    since = dated(source)
    if since is None:
        return
    yield since + OLDEST_RUN
    yield since + OLDEST_RUN_ON_THE_DAY
    if source.next_due_at is not None:
        yield source.next_due_at + ARRIVES_WITHIN
    habit = NEWEST_FOR.get((source.feed, source.model))
    if habit is not None:
        yield since + habit
        yield (source.fetched_at or since) + CONFIRMED_WITHIN
