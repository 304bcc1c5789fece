"""Several sites over a span of dates: every night with a window, the best first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from alerts.assess import Correct, as_it_is, assess
from alerts.errors import BadInput
from alerts.night import Night, SkyWishes, name_at, nights_for_sites
from alerts.nightbulk import readable_nights
from alerts.season import worth_of
from alerts.site import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.track.climate import UNKNOWN_CLIMATE, Climate
from alerts.verdict import Verdict, VerdictWord
from alerts.weather.record import Forecast
from alerts.weather.sky_now import StationSky
from alerts.wishes import Wishes

MOST_SITES = 50
LONGEST_DAYS = 62
USUAL_NIGHTS = 14
_FIRST = (VerdictWord.GO, VerdictWord.WAIT, VerdictWord.UNKNOWN, VerdictWord.STAY)


@dataclass(frozen=True, slots=True)
class ComparedNight:
    """One night at one site.

    verdict: None where no forecast reaches the night, so that the sky alone is known.
    worth: minutes of window weighed by shape (see `alerts.season.worth_of`), times the chance where
    there is one.
    """

    site: Site
    night: Night
    verdict: Verdict | None
    worth: float

    @property
    def minutes(self) -> float:
        return sum(window.span.minutes for window in self.night.windows)

    @property
    def chance_pct(self) -> int | None:
        return self.verdict.outlook.chance_pct if self.verdict and self.verdict.outlook else None


def tonight_at(sites: Iterable[Site], now: datetime) -> date:
    """The night that contains `now`, the earliest where the sites differ; today in UTC without sites."""
    return min((name_at(site, now) for site in sites), default=now.date())


def usual_span(first: date | None, last: date | None, tonight: date) -> tuple[date, date]:
    """The dates to compare; a missing one makes it fourteen nights."""
    start = first or (last - timedelta(days=USUAL_NIGHTS - 1) if last else tonight)
    return start, last or start + timedelta(days=USUAL_NIGHTS - 1)


def compare(
    sites: Sequence[Site],
    first: date,
    last: date,
    wishes: Wishes | Mapping[Site, Wishes],
    ephemeris: Ephemeris,
    *,
    now: datetime,
    forecasts: Mapping[Site, Sequence[Forecast]] | None = None,
    corrections: Mapping[Site, Correct] | None = None,
    climates: Mapping[Site, Climate] | None = None,
    stations: Mapping[Site, Sequence[StationSky]] | None = None,
) -> tuple[ComparedNight, ...]:
    """The nights with a window at any of the sites from `first` to `last`, both included, best first.

    wishes: the same for all, or each site's own. forecasts: what is at hand for each site; nights that
    none of them reaches are put in order by the sky alone. corrections: of chances, by the record.
    climates: what each place's nights have been, as far as that is known.
    stations: what those near each site report now.
    Judged nights come first by verdict: go, then wait, then those not judged, then unknown and stay;
    then by worth, then by date.
    Raises BadInput for no or too many sites and for dates that are too far apart or in the wrong order.
    """
    _require_size(sites, first, last)
    count = (last - first).days + 1
    found = []
    for sky, group in _by_sky(sites, wishes).items():
        for row, night in readable_nights(nights_for_sites(group, first, count, sky, ephemeris)):
            if night.windows and night.name <= last:
                site = group[row]
                at_hand = (forecasts or {}).get(site, ())
                correct = (corrections or {}).get(site, as_it_is)
                clear_share = (climates or {}).get(site, UNKNOWN_CLIMATE).clear_share(night.name.month)
                heard = (stations or {}).get(site, ())
                found.append(
                    _compared(
                        site, night, _wishes_at(wishes, site), at_hand, now, correct, clear_share, heard
                    )
                )
    return tuple(sorted(found, key=standing))


def _require_size(sites: Sequence[Site], first: date, last: date) -> None:
    if not sites:
        raise BadInput("name at least one site to compare.")
    if len(sites) > MOST_SITES:
        raise BadInput(f"at most {MOST_SITES} sites can be compared at once.")
    if last < first:
        raise BadInput(f"the dates are in the wrong order: {first} comes after {last}; swap them.")
    if (last - first).days >= LONGEST_DAYS:
        raise BadInput(f"at most {LONGEST_DAYS} nights can be compared; {first} to {last} is longer.")


def _by_sky(sites: Sequence[Site], wishes: Wishes | Mapping[Site, Wishes]) -> dict[SkyWishes, list[Site]]:
    groups: defaultdict[SkyWishes, list[Site]] = defaultdict(list)
    for site in sites:
        groups[_wishes_at(wishes, site).sky].append(site)
    return groups


def _wishes_at(wishes: Wishes | Mapping[Site, Wishes], site: Site) -> Wishes:
    return wishes if isinstance(wishes, Wishes) else wishes[site]


def _compared(
    site: Site,
    night: Night,
    wishes: Wishes,
    forecasts: Sequence[Forecast],
    now: datetime,
    correct: Correct,
    clear_share: float,
    stations: Sequence[StationSky],
) -> ComparedNight:
    reaching = [each for each in forecasts if _reaches(each, night)]
    verdict = (
        assess(
            site,
            night,
            reaching,
            wishes,
            now=now,
            correct=correct,
            clear_share=clear_share,
            stations=stations,
        )
        if reaching
        else None
    )
    worth = sky_worth(night)
    if verdict is not None and verdict.outlook is not None and verdict.outlook.chance_pct is not None:
        worth *= verdict.outlook.chance_pct / 100
    return ComparedNight(site, night, verdict, worth)


def _reaches(forecast: Forecast, night: Night) -> bool:
    return any(any(True for _ in forecast.over(window.span)) for window in night.windows)


def sky_worth(night: Night) -> float:
    """The night's worth from the sky alone, in minutes."""
    shapes = [piece for window in night.windows for piece in window.shapes]
    minutes = dict.fromkeys((piece.shape for piece in shapes), 0.0)
    for piece in shapes:
        minutes[piece.shape] += piece.span.minutes
    return worth_of(minutes)


def standing(each: ComparedNight) -> tuple[float, float, date, str]:
    """What puts nights in order: the verdict, then worth, date and name."""
    return _rank(each.verdict), -each.worth, each.night.name, each.site.name


def _rank(verdict: Verdict | None) -> float:
    """Go and wait before what nobody has judged yet; that before unknown and stay."""
    return 1.5 if verdict is None else float(_FIRST.index(verdict.word))
