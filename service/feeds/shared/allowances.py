"""What each provider allows, as data: windows of weight, and whether it wants one request at a time.

Sources: open-meteo.com/en/pricing (free: 600 a minute, 5,000 an hour, 10,000 a day; windows begin on the UTC
minute, hour, day), api.met.no/doc/TermsOfService (20 requests a second for all of an application). The NWS
keeps its limit to itself; five a second is our own choice. A share is left unused: servers count by their own
clocks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from alerts.weather.model_families import MET_NORWAY, NWS, OPEN_METEO

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86_400
USED_SHARE = 0.95

OPEN_METEO_ENSEMBLE = f"{OPEN_METEO}-ensemble"
OPEN_METEO_AIR = f"{OPEN_METEO}-air"
MET_NORWAY_WARNINGS = f"{MET_NORWAY}-warnings"
NWS_WARNINGS = f"{NWS}-warnings"

PROVIDERS: Mapping[str, str] = {
    OPEN_METEO_ENSEMBLE: OPEN_METEO,
    OPEN_METEO_AIR: OPEN_METEO,
    MET_NORWAY_WARNINGS: MET_NORWAY,
    NWS_WARNINGS: NWS,
}
"""Feeds that share another's allowance; each has a breaker of its own."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """The most weight in each window by its length in seconds; one_at_a_time over all processes."""

    most: Mapping[int, float]
    one_at_a_time: bool = False


FREE_OPEN_METEO = Allowance({MINUTE_S: 600, HOUR_S: 5_000, DAY_S: 10_000}, one_at_a_time=True)
UNLIMITED_OPEN_METEO = Allowance({}, one_at_a_time=True)
ALLOWANCES: Mapping[str, Allowance] = {
    OPEN_METEO: FREE_OPEN_METEO,
    MET_NORWAY: Allowance({1: 20}),
    NWS: Allowance({1: 5}),
}


def provider_of(feed: str) -> str:
    """Whose allowance a feed's requests count against."""
    return PROVIDERS.get(feed, feed)


def window_start(now: datetime, unit_s: int) -> datetime:
    """The beginning of the UTC window of that length which contains `now`."""
    seconds = int(now.timestamp())
    return datetime.fromtimestamp(seconds - seconds % unit_s, UTC)


def wait_for(now: datetime, unit_s: int) -> timedelta:
    """How long until the window of that length is over."""
    return window_start(now, unit_s) + timedelta(seconds=unit_s) - now
