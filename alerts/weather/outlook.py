"""The outlook: what the air will do over one dark window."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum

from alerts.common.phrases import Phrase, Worded
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.forecast import OfficialWarning, Source
from alerts.weather.sky_now import SkyNow


class HazardLevel(StrEnum):
    """How a hazard bears on the verdict: `fail` blocks a go, `warn` is told, `unknown` is missing."""

    FINE = "fine"
    WARN = "warn"
    FAIL = "fail"
    UNKNOWN = "unknown"


@value(frozen=True, slots=True)
class Hazard(Worded):
    """One named hazard of a trip; `worst` carries the unit in `unit`, None when unknown.

    at: when the worst begins, where that is known. url: where an authority says more.
    """

    name: str
    level: HazardLevel
    text: Phrase
    worst: float | None = None
    unit: str = ""
    at: datetime | None = None
    url: str = ""


@value(frozen=True, slots=True)
class SourceChance(Worded):
    """One source's own answer: the chance (0..1, to 0.01) that the event happens, and what it read.

    chance: None when this source can't say (gaps, stale); why_not says why.
    least_cloud_pct: the worst hour of its best stretch, as the slanted view of the frame has it;
    least_plan_pct: the same stretch on the ground plan overhead.
    chance_overhead: its chance if the sky all round were as it is overhead.
    sight_places: how many places along the line of sight went into it; 0: it was looked at overhead alone.
    """

    source: Source
    chance: float | None
    why_not: Phrase | None = None
    least_cloud_pct: float | None = None
    members: int = 0
    least_plan_pct: float | None = None
    chance_overhead: float | None = None
    sight_places: int = 0


@value(frozen=True, slots=True)
class Outlook(Worded):
    """The weather over one dark window, shared by all who ask the same.

    chance_pct: the chance that the event happens, rounded to 1 %; None when unknown.
    spread_pct: lowest and highest of the sources' own chances.
    best: the clearest stretch of the wished length, when there is one.
    lineages, providers: those that really gave a chance.
    agreement: how many sources say clear (a chance of 50 % or more), of how many that answered.
    overhead_pct: the chance if the sky all round were as it is overhead; None where nobody looked along
    the line of sight. sight_text: what differs there, None when nothing does.
    change_pct: by how many points the chance moved with the sources' last runs; None when unknown.
    trip: from leave-by to home, as far as it lies ahead. warnings: official ones that overlap it.
    aerosol_optical_depth: the median over the window at 550 nm. helpers: sources used for other than cloud.
    usual_pct: how often such a window holds the event there in that season, whatever is forecast. whole_pct:
    once the window has begun, the chance that all of it holds the event, what has passed included; None
    before. sky_now: what weather stations nearby reported, and what that added; None where nobody did.
    calibration: the version by which chance_pct was corrected by the record, "" when it wasn't;
    raw_chance_pct, raw_whole_pct: what it and whole_pct were before that; chance_range_pct: in which the
    corrected chance lies nine times in ten, the record being as short as it is; None where nothing was
    corrected.
    """

    window: Span
    chance_pct: int | None
    spread_pct: tuple[int, int] | None
    best: Span | None
    per_source: tuple[SourceChance, ...]
    hazards: tuple[Hazard, ...]
    cloud_known: bool
    wind_known: bool
    precipitation_known: bool
    lineages: tuple[str, ...]
    providers: tuple[str, ...]
    newest_issue: datetime | None
    notes: tuple[Phrase, ...] = ()
    agreement: tuple[int, int] = (0, 0)
    overhead_pct: int | None = None
    sight_text: Phrase | None = None
    change_pct: int | None = None
    trip: Span | None = None
    warnings: tuple[OfficialWarning, ...] = ()
    aerosol_optical_depth: float | None = None
    helpers: tuple[Source, ...] = ()
    usual_pct: int | None = None
    whole_pct: int | None = None
    sky_now: SkyNow | None = None
    raw_chance_pct: int | None = None
    calibration: str = ""
    chance_range_pct: tuple[int, int] | None = None
    raw_whole_pct: int | None = None

    def hazard(self, name: str) -> Hazard | None:
        """The hazard of that name, or None when nobody looked at it."""
        return next((hazard for hazard in self.hazards if hazard.name == name), None)

    @property
    def sources(self) -> tuple[Source, ...]:
        """The sources really used, for attribution."""
        answering = (entry.source for entry in self.per_source if entry.chance is not None)
        return (*answering, *self.helpers)
