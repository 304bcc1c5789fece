"""The shapes of the API's answers and questions. Times are UTC, angles degrees, unknown is null."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, model_validator

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.judging.comparison import Order
from alerts.sites.coordinates import LONGEST_LINK, parse_lat_lon
from alerts.sites.model import HIGHEST_ELEVATION_M, LOWEST_ELEVATION_M
from alerts.wishes.model import Wishes

Verdict = Literal["go", "wait", "stay", "unknown"]
Degrees = Annotated[float, Field(allow_inf_nan=False)]


class SpanModel(BaseModel):
    """Half-open: the end is not part of it."""

    start: datetime
    end: datetime


class ObstacleModel(BaseModel):
    """Something that keeps a go from being told. level: never (until it is mended), for_now (it ends by
    itself), note (it keeps nothing back). what and mend: in words."""

    code: str
    level: Literal["never", "for_now", "note"]
    what: str
    mend: str


class SiteModel(BaseModel):
    """A site as the key's owner may see it. rounded: the coordinates are to 0.05 degrees. obstacles: what
    keeps a go for its owner from being told; null in lists."""

    id: int
    name: str
    zone: str
    lat: float
    lon: float
    rounded: bool
    elevation_m: float | None
    is_own: bool
    is_shared: bool
    url: str
    obstacles: list[ObstacleModel] | None = None


class SitesModel(BaseModel):
    """A page of sites. next: the address of the following page; null on the last."""

    items: list[SiteModel]
    next: str | None


class NightModel(BaseModel):
    """One coming night. verdict: null where nothing is judged yet, or nobody watches the site.
    drive_is_estimate: leave_by rests on the distance from home."""

    night: date
    verdict: Verdict | None
    chance_pct: int | None
    window: SpanModel | None
    minutes: float
    leave_by: datetime | None
    drive_is_estimate: bool
    why: str
    url: str


class NightsModel(BaseModel):
    site: SiteModel
    nights: list[NightModel]


class ComparedModel(BaseModel):
    """as_of: when it was judged; null where no forecast reaches the night. horizon_assumed: nobody gave the
    site's horizon line, and its windows rest on a level one."""

    site_id: int
    site: str
    night: date
    verdict: Verdict | None
    chance_pct: int | None
    minutes: int
    worth: float
    windows: list[SpanModel]
    why: str | None
    drive_minutes: int
    drive_is_estimate: bool
    horizon_assumed: bool
    as_of: datetime | None


class ComparisonModel(BaseModel):
    """Nights with a window, in the order named by sort. more: how many are left out."""

    first: date
    last: date
    sort: Order
    nights: list[ComparedModel]
    more: int


class PlaceQuestion(BaseModel):
    """The place to judge: lat and lon, or at, coordinates in any form that the pages read. zone: found from
    the coordinates unless given. horizon: [azimuth, altitude] pairs in degrees; empty for a level one. sure:
    it is meant, even if it lies at sea or far from home."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(max_length=80)] = "This place"
    lat: Annotated[Degrees, Field(ge=-90, le=90)] | None = None
    lon: Annotated[Degrees, Field(ge=-180, le=180)] | None = None
    at: Annotated[str, Field(max_length=LONGEST_LINK)] | None = None
    sure: bool = False
    elevation_m: Annotated[Degrees, Field(ge=LOWEST_ELEVATION_M, le=HIGHEST_ELEVATION_M)] | None = None
    zone: Annotated[str, Field(max_length=64)] | None = None
    horizon: Annotated[list[tuple[Degrees, Degrees]], Field(max_length=720)] = []

    _lat_lon: tuple[float, float] = PrivateAttr((0.0, 0.0))

    @property
    def lat_lon(self) -> tuple[float, float]:
        return self._lat_lon

    @model_validator(mode="after")
    def _is_one_place(self) -> Self:
        if self.at is None and self.lat is not None and self.lon is not None:
            self._lat_lon = (self.lat, self.lon)
        elif self.at is not None and self.lat is None and self.lon is None:
            try:
                self._lat_lon = parse_lat_lon(self.at)
            except BadInput as refusal:
                raise ValueError(str(refusal)) from None
        else:
            raise ValueError(phrase("web-api.say-where"))
        return self


class JudgeQuestion(BaseModel):
    """What to judge. night: civil date of the evening; tonight unless given. wishes: the usual ones
    unless given, with the keys that subscriptions have; lengths of time as ISO 8601 durations."""

    model_config = ConfigDict(extra="forbid")

    site: PlaceQuestion
    night: date | None = None
    wishes: Wishes | None = None


class JudgeAnswer(BaseModel):
    """The object of `duskbell tonight --json`, and what couldn't be asked."""

    report: dict[str, Any]
    problems: list[str]


class FaultModel(BaseModel):
    where: str
    what: str


class ProblemModel(BaseModel):
    """RFC 9457. errors: which parts of the request can't be used."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str
    instance: str
    errors: list[FaultModel] = []
