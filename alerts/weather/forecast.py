"""What every feed's answer is turned into: one model's hours for one place, where they came from, and what
authorities warn of."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, Worded, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.cover import CloudColumns
from alerts.weather.hours import Hours


class LayerScheme(StrEnum):
    """What low, mid and high cloud mean; layers compare only within one scheme."""

    OPEN_METEO = "om-3-8"  # to 3 km / 3-8 km / above 8 km
    MET_NORWAY = "met-2-5"  # to 2 km / 2-5 km / above 5 km above ground
    NONE = "none"  # total only


@dataclass(frozen=True, slots=True)
class Place:
    """A spot on the ground to ask the feeds about; WGS84 degrees, metres above sea level.

    elevation_m: None when unknown; a feed then takes its own terrain.
    is_aside: the camera looks through the air over it; only cloud is wanted, and of single runs.
    Raises BadInput when the coordinates can't be on Earth (NaN and infinities included).
    """

    lat_deg: float
    lon_deg: float
    elevation_m: float | None = None
    is_aside: bool = False

    def __post_init__(self) -> None:
        if not -90 <= self.lat_deg <= 90:
            raise BadInput(phrase("weather.latitude-range", lat_deg=self.lat_deg))
        if not -180 <= self.lon_deg <= 180:
            raise BadInput(phrase("weather.longitude-range", lon_deg=self.lon_deg))
        if self.elevation_m is not None and not -500 <= self.elevation_m <= 9000:
            raise BadInput(phrase("weather.elevation-range", elevation_m=self.elevation_m))


@dataclass(frozen=True, slots=True)
class Source:
    """Where a forecast came from; travels with everything that is made of it.

    issued_at: when the provider published it: the moment its run became available (Open-Meteo), or its
    last update (the others). Age counts from here and not from the run's nominal start, which lies
    hours earlier. None when the answer doesn't say, which isn't the same as new.
    fetched_at: when the provider last confirmed these very values; None for recorded answers.
    unchanged_since: the first time that these same values were fetched, when that is known.
    next_due_at: when the provider's next run should be out, where it says how often one comes.
    """

    feed: str
    provider: str
    lineage: str
    model: str
    attribution: str
    attribution_url: str
    issued_at: datetime | None = None
    fetched_at: datetime | None = None
    unchanged_since: datetime | None = None
    next_due_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Sight:
    """Cloud where the camera looks, as one model has it, over one dark window.

    hours: those of the forecast that touch the window, each layer as the mean over the directions of
    the frame; a total only where the model has no layers.
    azimuth_deg, altitude_deg: the middle of the frame. places: how many were asked besides the site.
    directions: (azimuth, mean cover of its sky in %) over the window, one a direction of the frame.
    """

    window: Span
    azimuth_deg: float
    altitude_deg: float
    places: int
    hours: Hours
    directions: tuple[tuple[float, float], ...] = ()


@value(frozen=True, slots=True)
class CloudLevels:
    """Cloud on surfaces of equal pressure over a place, beside the hours of its forecast.

    pressures_hpa: falling, so from the ground up. cloud_pct, height_m: one row a pressure, each as long as
    the forecast's hours; cover in %, metres above sea level, None where unknown.
    """

    pressures_hpa: tuple[int, ...]
    cloud_pct: tuple[tuple[float | None, ...], ...]
    height_m: tuple[tuple[float | None, ...], ...]


class Severity(StrEnum):
    """Severity as the Common Alerting Protocol 1.2 (OASIS) names it."""

    EXTREME = "extreme"
    SEVERE = "severe"
    MODERATE = "moderate"
    MINOR = "minor"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class OfficialWarning:
    """One warning. span: when what it warns of is expected; area, headline, event: its own words."""

    warning_id: str
    event: str
    severity: Severity
    span: Span
    area: str
    headline: str
    url: str


@dataclass(frozen=True, slots=True)
class Bulletin(Worded):
    """All that one authority has in force for a place; empty `warnings` means that it said none.

    asked_at: when the authority answered; None for recorded answers.
    unread: warnings that came and couldn't be read, and why; what they say is unknown.
    """

    feed: str
    authority: str
    attribution: str
    attribution_url: str
    warnings: tuple[OfficialWarning, ...] = ()
    asked_at: datetime | None = None
    unread: tuple[Phrase, ...] = ()


@value(frozen=True, slots=True)
class Forecast:
    """One model's answer for one place.

    grid_lat_deg, grid_lon_deg: the centre of the model's cell, which can lie kilometres away.
    hours: ascending, not overlapping; gaps are unknown.
    members: for ensembles, one row a member (the control run first, where the feed gives it), each
    as long as `hours`: total cloud in %.
    place: the spot that was asked about; None when a recorded answer was read without one.
    answered_at: the moment the answer itself calls now (Open-Meteo's `current.time`), if it does.
    sights: cloud along the line of sight, for those windows for which it was asked.
    cloud_before_pct: effective cloud of the run before this one, as long as `hours`; () when unknown.
    bulletins: official warnings for the place, carried by one of its forecasts.
    levels: cloud by height, where it was asked for (`alerts.weather.cloud_levels` reads it).
    clouds: what `alerts.weather.clouds` made of it, once it was asked.
    """

    source: Source
    grid_lat_deg: float
    grid_lon_deg: float
    grid_elevation_m: float | None
    layer_scheme: LayerScheme
    hours: Hours
    members: tuple[tuple[float | None, ...], ...] = ()
    place: Place | None = None
    answered_at: datetime | None = None
    sights: tuple[Sight, ...] = ()
    cloud_before_pct: tuple[float | None, ...] = ()
    bulletins: tuple[Bulletin, ...] = ()
    levels: CloudLevels | None = None
    clouds: CloudColumns | None = field(default=None, init=False, repr=False, compare=False)

    def sight_over(self, window: Span) -> Sight | None:
        """The line of sight that was asked for this very window, to the second."""
        if not self.sights:
            return None
        wanted = _to_the_second(window)
        return next((sight for sight in self.sights if _to_the_second(sight.window) == wanted), None)

    def reaches(self, span: Span) -> bool:
        """Whether it says anything of that time."""
        return len(self.hours.cut(span)) > 0


def _to_the_second(span: Span) -> tuple[int, int]:
    return round(span.start.timestamp()), round(span.end.timestamp())
