"""One night at one place, judged on forecasts at hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta

from alerts.common.span import Span
from alerts.field.trip_plan import plan_trip
from alerts.judging.access_rules import is_ruled_out, usable_spans
from alerts.judging.verdict import SkyView, Verdict, judge
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night
from alerts.weather.chance import Clearness, look_at_cloud
from alerts.weather.forecast import Forecast
from alerts.weather.line_of_sight import view_of
from alerts.weather.outlook import Outlook
from alerts.weather.skill import CLEAR_SHARE
from alerts.weather.sky_now import StationSky
from alerts.wishes.model import Wishes

WAYS_OUT = (timedelta(hours=2, minutes=30), timedelta(hours=4, minutes=30), timedelta(hours=8))
"""Drive and scouting, rounded up to the next of these (or to 16 hours), so that many share an outlook."""
LONGEST_WAY_OUT = timedelta(hours=16)
HOME_SOONER = timedelta(minutes=45)
"""Packing up takes less than scouting: the way home counts this much less than the way out."""


Correct = Callable[[Outlook], Outlook]
"""How the record corrects an outlook's chance; see alerts/track/calibration/correct_outlook.py."""


def as_it_is(outlook: Outlook) -> Outlook:
    """Without a record: the chance as it was forecast."""
    return outlook


def is_night_of(site: Site, night_name: date, now: datetime) -> bool:
    """Whether it is the day of that night, or later, by the site's own clock."""
    return now.astimezone(site.tz).date() >= night_name


def way_out(night: Night, usable: Span, wishes: Wishes, site: Site) -> timedelta:
    """How long before a window one leaves, rounded up so that many share what is on the way."""
    before = usable.start - plan_trip(night, usable, wishes, site).leave_by
    return next((each for each in WAYS_OUT if before <= each), LONGEST_WAY_OUT)


def trip_span(usable: Span, way: timedelta) -> Span:
    """From leaving to coming home, by the way out."""
    return Span(usable.start - way, usable.end + way - HOME_SOONER)


def outlook_over(
    window: DarkWindow,
    usable: Span,
    forecasts: Sequence[Forecast],
    *,
    shortest: timedelta,
    way: timedelta,
    night_name: date,
    site: Site,
    now: datetime,
    clear_share: float = CLEAR_SHARE,
    stations: Sequence[StationSky] = (),
) -> Outlook:
    """The outlook over the usable part of a dark window, looking where the camera looks."""
    seen = cloud_over(
        window,
        usable,
        forecasts,
        shortest=shortest,
        night_name=night_name,
        site=site,
        now=now,
        clear_share=clear_share,
        stations=stations,
    )
    return seen.on_trip(trip_span(usable, way))


def cloud_over(
    window: DarkWindow,
    usable: Span,
    forecasts: Sequence[Forecast],
    *,
    shortest: timedelta,
    night_name: date,
    site: Site,
    now: datetime,
    clear_share: float = CLEAR_SHARE,
    stations: Sequence[StationSky] = (),
) -> Clearness:
    """The same for every way out. clear_share: of the place's night hours in that month (0..1).
    stations: what those nearby report now."""
    return look_at_cloud(
        usable,
        forecasts,
        shortest=shortest,
        now=now,
        is_night_of=is_night_of(site, night_name, now),
        clear_share=clear_share,
        view=view_of(window, site),
        dark=window.span,
        stations=stations,
    )


def assess(
    site: Site,
    night: Night,
    forecasts: Sequence[Forecast],
    wishes: Wishes,
    *,
    now: datetime,
    also: Sequence[Night] = (),
    correct: Correct = as_it_is,
    clear_share: float = CLEAR_SHARE,
    stations: Sequence[StationSky] = (),
) -> Verdict:
    """The verdict for a night whose windows are judged on these forecasts; none at all is unknown.

    also: the same night as each further target makes it, in order. clear_share, stations: see `cloud_over`.
    """
    first, *rest = (
        view_night(
            site,
            each,
            forecasts,
            wishes,
            now=now,
            correct=correct,
            clear_share=clear_share,
            stations=stations,
        )
        for each in (night, *also)
    )
    return judge(night, first.outlooks, wishes, now=now, site=site, also=rest)


def view_night(
    site: Site,
    night: Night,
    forecasts: Sequence[Forecast],
    wishes: Wishes,
    *,
    now: datetime,
    correct: Correct = as_it_is,
    clear_share: float = CLEAR_SHARE,
    stations: Sequence[StationSky] = (),
) -> SkyView:
    """The night with the outlooks over its windows; none where nobody would go whatever the weather."""
    if not forecasts or is_ruled_out(night.name, wishes, site):
        return SkyView(night, [None] * len(night.windows))
    outlooks = [
        None
        if part is None
        else correct(
            outlook_over(
                window,
                part,
                forecasts,
                shortest=wishes.shortest_window,
                way=way_out(night, part, wishes, site),
                night_name=night.name,
                site=site,
                now=now,
                clear_share=clear_share,
                stations=stations,
            )
        )
        for window, part in zip(night.windows, usable_spans(night, wishes, site), strict=True)
    ]
    return SkyView(night, outlooks)
