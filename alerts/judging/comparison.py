"""Several sites over a span of dates: every night with a window, the best first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.common.time_text import said_minutes
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, SkyWishes
from alerts.sky.night_calendar import name_at
from alerts.sky.nights.night_builder import readable_nights
from alerts.sky.nights.night_events import nights_for_sites
from alerts.sky.nights.season import worth_of

MOST_SITES = 50
LONGEST_DAYS = 62
USUAL_NIGHTS = 14
_FIRST = (VerdictWord.GO, VerdictWord.WAIT, VerdictWord.UNKNOWN, VerdictWord.STAY)


@dataclass(frozen=True, slots=True)
class ComparedNight:
    """One night at one site.

    verdict: None where no forecast reaches the night, so that the sky alone is known. as_of: when it was
    judged. worth: minutes of window weighed by shape (see `alerts.sky.nights.season.worth_of`), times the
    chance where there is one. decided_pct: the chance of a decision that is read without its weather.
    """

    site: Site
    night: Night
    verdict: Verdict | None
    worth: float
    as_of: datetime | None = None
    decided_pct: int | None = None

    @classmethod
    def of(
        cls,
        site: Site,
        night: Night,
        verdict: Verdict | None = None,
        as_of: datetime | None = None,
        decided_pct: int | None = None,
    ) -> ComparedNight:
        """With its worth from sky and chance."""
        known = cls(site, night, verdict, sky_worth(night), as_of, decided_pct)
        share = 1 if known.chance_pct is None else known.chance_pct / 100
        return replace(known, worth=known.worth * share)

    @property
    def chance_pct(self) -> int | None:
        """As it was decided, or by the outlook of the verdict."""
        if self.decided_pct is not None or self.verdict is None:
            return self.decided_pct
        return self.verdict.chance_pct

    @property
    def window(self) -> Span:
        """What the verdict is about; the longest window where nothing is decided of any."""
        if self.verdict is not None and self.verdict.usable is not None:
            return self.verdict.usable
        return max((each.span for each in self.night.windows), key=lambda span: span.duration)

    @property
    def minutes(self) -> float:
        return said_minutes(*(window.span for window in self.night.windows))


Judge = Callable[[Site, Sequence[Night]], ComparedNight]
"""Judges a night of a site as each target makes it, the one wanted most first."""


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
    skies: Mapping[Site, Sequence[SkyWishes]],
    ephemeris: Ephemeris,
    *,
    judge: Judge | None = None,
    decided: Collection[ComparedNight] = (),
) -> tuple[ComparedNight, ...]:
    """The nights with a window at any of the sites from `first` to `last`, both included, best first.

    skies: of each site the sky of each target, in the order in which they will do; a night is shown as the
    first one makes it. decided: nights of these sites that were judged before. judge: judges the others;
    without it they are put in order by the sky alone.
    Judged nights come first by verdict: go, then wait, then those not judged, then unknown and stay;
    then by worth, then by date.
    Raises BadInput for no or too many sites and for dates that are too far apart or in the wrong order.
    """
    _require_size(sites, first, last)
    known = {(each.site, each.night.name): each for each in decided if first <= each.night.name <= last}
    found = [each for each in known.values() if each.night.windows]
    for (site, name), nights in _nights(sites, first, last, skies, ephemeris).items():
        if nights[0].windows and (site, name) not in known:
            found.append(ComparedNight.of(site, nights[0]) if judge is None else judge(site, nights))
    return tuple(sorted(found, key=standing))


def _nights(
    sites: Sequence[Site],
    first: date,
    last: date,
    skies: Mapping[Site, Sequence[SkyWishes]],
    ephemeris: Ephemeris,
) -> dict[tuple[Site, date], list[Night]]:
    """Each night of each site as each target makes it, in their order; those that share a sky in one pass."""
    groups: defaultdict[SkyWishes, list[Site]] = defaultdict(list)
    for site in sites:
        for sky in skies[site]:
            groups[sky].append(site)
    made: dict[tuple[Site, SkyWishes, date], Night] = {}
    for sky, group in groups.items():
        whole = nights_for_sites(group, first, (last - first).days + 1, sky, ephemeris)
        made |= {(group[row], sky, night.name): night for row, night in readable_nights(whole)}
    found: defaultdict[tuple[Site, date], list[Night]] = defaultdict(list)
    for site in dict.fromkeys(sites):
        names = sorted({name for each, sky, name in made if each == site and name <= last})
        for name in names:
            found[site, name] = [made[site, sky, name] for sky in skies[site] if (site, sky, name) in made]
    return found


def _require_size(sites: Sequence[Site], first: date, last: date) -> None:
    if not sites:
        raise BadInput(phrase("judging.compare-nothing"))
    if len(sites) > MOST_SITES:
        raise BadInput(phrase("judging.compare-too-many-sites", most_sites=MOST_SITES))
    if last < first:
        raise BadInput(phrase("judging.compare-dates-crossed", first=first, last=last))
    if (last - first).days >= LONGEST_DAYS:
        raise BadInput(
            phrase("judging.compare-too-many-nights", longest_days=LONGEST_DAYS, first=first, last=last)
        )


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
