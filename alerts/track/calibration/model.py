"""A chance corrected by what came: the leads at which statements are remembered, and the values that are
stored; `correct` uses them.

How much is corrected depends on how much has been seen, for each lead by itself:

- under 30 pairs or 20 nights the chance stays as it was fitted on real pairs (`PRIOR`; see
  alerts/weather/skill.py);
- from then on a logistic map fitted on all sites together and pulled toward leaving the chance alone;
- beyond 1,000 pairs also an isotonic map, where it does better;
- and what is left to each site, as a shift that 10 nights weigh against.

A map is used only where it beat the uncalibrated chance on nights it hadn't seen; a site's shift, with a map
or without, only where it did so at that site (`fit`). Nothing ever comes out as 0 or 100 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum

from alerts.common.phrases import Phrase, Worded, phrase


class Lead(StrEnum):
    """How long before a window a chance was stated, the nearest first."""

    EVENING = "evening"
    MORNING = "morning"
    DAY_1 = "1_day"
    DAY_2 = "2_days"
    DAY_3 = "3_days"
    DAY_5 = "5_days"


LEADS = tuple(Lead)
HOURS_BEFORE = {
    Lead.EVENING: 3.0,
    Lead.MORNING: 12.0,
    Lead.DAY_1: 24.0,
    Lead.DAY_2: 48.0,
    Lead.DAY_3: 72.0,
    Lead.DAY_5: 120.0,
}
"""Hours before the window's start at which each lead is read off."""
STALE = timedelta(hours=6)
"""A statement that nobody confirmed for this long before a lead no longer stood at it."""


@dataclass(frozen=True, slots=True)
class Stated:
    """What was said of one night from `as_of` on, last confirmed at `confirmed_at`.

    chance, raw_chance: 0..1 as stated and before calibration; None while unknown.
    told_go: go was said, or on an earlier day would have been but for the day. is_barred: something else
    than the chance spoke against going (wind, access, one lineage).
    member_share: how much of the chance came from ensembles, 0..1. lineages: each lineage's own chance.
    """

    as_of: datetime
    confirmed_at: datetime
    chance: float | None
    raw_chance: float | None
    told_go: bool
    is_barred: bool = False
    member_share: float = 0.0
    lineages: tuple[tuple[str, float], ...] = ()


def standing_at(statements: Sequence[Stated], moment: datetime) -> Stated | None:
    """The statement that stood at a moment: the newest made by then.

    None before the first one, and where nobody had confirmed it for six hours (the service was down).
    """
    made = [stated for stated in statements if stated.as_of <= moment]
    if not made:
        return None
    newest = max(made, key=lambda stated: stated.as_of)
    is_fresh = max(newest.as_of, newest.confirmed_at) >= moment - STALE
    return newest if is_fresh else None


def moment_of(lead: Lead, window_start: datetime) -> datetime:
    """When a lead is read off."""
    return window_start - timedelta(hours=HOURS_BEFORE[lead])


LOWEST_CHANCE, HIGHEST_CHANCE = 0.02, 0.98
"""Nothing is said to be less or more likely, whatever the record holds."""
PRIOR_VERSION = "prior"
NONE_VERSION = "none"
TINY_CHANCE = 0.005
"""Chances are stated in whole per cent: 0 and 100 stand for half of one."""
WIDEST = 0.001
"""The ends of a range stay off 0 and 1 by this much."""


class Method(StrEnum):
    """PRIOR leaves the chance as it is until a record says better, AS_FORECAST for good."""

    AS_FORECAST = "as_forecast"
    PRIOR = "prior"
    LOGISTIC = "logistic"
    ISOTONIC = "isotonic"


@dataclass(frozen=True, slots=True)
class Trial:
    """How a method did on nights that it wasn't fitted on.

    gain: by how much it lowered the Brier score of the uncalibrated chance; error: the standard error of
    that, nights being counted for what they are worth.
    """

    method: Method
    pairs: int
    nights: int
    brier_uncalibrated: float
    brier: float
    gain: float
    error: float


@dataclass(frozen=True, slots=True)
class SiteShift:
    """What one site adds to the log odds of all, with its variance, from so many independent nights."""

    site: int
    shift: float
    variance: float
    nights: float


@dataclass(frozen=True, slots=True)
class Step:
    """One level of an isotonic map: chance in, chance out, and how many independent nights it rests on."""

    chance: float
    came: float
    nights: float


@dataclass(frozen=True, slots=True)
class LeadMap(Worded):
    """How a chance stated at one lead is corrected.

    intercept, slope: on log odds (LOGISTIC). covariance: of intercept, both, slope. steps: ISOTONIC.
    shifts: by number of the site, ascending. site_variance: of a site that isn't listed.
    lowest, highest: bounds of what comes out. why: this one, in words; all that it says stands in the other
    values.
    """

    lead: Lead
    method: Method
    why: Phrase = field(compare=False)
    pairs: int = 0
    nights: int = 0
    intercept: float = 0.0
    slope: float = 1.0
    covariance: tuple[float, float, float] = (0.0, 0.0, 0.0)
    steps: tuple[Step, ...] = ()
    shifts: tuple[SiteShift, ...] = ()
    site_variance: float = 0.0
    lowest: float = LOWEST_CHANCE
    highest: float = HIGHEST_CHANCE
    trials: tuple[Trial, ...] = ()


@dataclass(frozen=True, slots=True)
class Calibration:
    """One version of all maps; never changed, only followed by another.

    made_at: None for the prior. through: the last night it was fitted on.
    """

    version: str
    made_at: datetime | None
    through: date | None
    leads: tuple[LeadMap, ...]

    def at(self, lead: Lead) -> LeadMap:
        """The map for a lead; the prior where this version has none."""
        found = next((each for each in self.leads if each.lead is lead), None)
        return prior_map(lead) if found is None else found


@dataclass(frozen=True, slots=True)
class CalibratedChance:
    """A corrected chance (0..1) with its 90 % range, and how it was reached."""

    chance: float
    low: float
    high: float
    methods: tuple[Method, ...]
    version: str


def prior_map(lead: Lead, pairs: int = 0, nights: int = 0) -> LeadMap:
    """The prior at a lead, for so few pairs."""
    why = phrase("track.why-few", pairs=pairs, nights=nights)
    return LeadMap(lead, Method.PRIOR, why, pairs, nights)


PRIOR = Calibration(PRIOR_VERSION, None, None, tuple(prior_map(lead) for lead in LEADS))
"""What a fresh install uses."""
NONE = Calibration(
    NONE_VERSION,
    None,
    None,
    tuple(LeadMap(lead, Method.AS_FORECAST, phrase("track.why-as-forecast")) for lead in LEADS),
)
"""What an operator chooses who wants no chance corrected: outlooks stay as they are."""
