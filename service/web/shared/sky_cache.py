"""The sky at a site worked out for a page, and kept for the next one who asks the same.

What takes a second or more is made in one's turn (`work_out`): two at once, the same one for all who ask it.
"""

from __future__ import annotations

import threading
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from typing import Any, TypeVar, cast

from starlette.exceptions import HTTPException

from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.common.time_text import said_minutes
from alerts.judging.verdict import Verdict
from alerts.judging.window_brightness import WindowSky, optical_depth, window_skies
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris, utc_from_posix
from alerts.sky.night import DAY_S, Night, SkyWishes, name_of, number_at
from alerts.sky.nights.night_builder import SiteNights, nights, nights_for_sites
from alerts.sky.nights.season import Season, count_nights, never_holds, season
from service.web.shared.night_row import NightCell, longest

T = TypeVar("T")
MOST_KEPT = 12_000
"""About ten entries a site that is looked at; its pictures are the largest, some 60 kB together."""

MOST_CELLS = 60_000
"""Fourteen a site and person; each a few hundred bytes."""

AT_ONCE = 2
PRESENT_AT_MOST = 24
"""Those that work and those that wait; the server has 40 threads, and other pages need some."""
WAIT_S = 10.0
COME_AGAIN_S = 5


class LruCache:
    """Values by what they are made of; past `most`, those least used go. Safe for threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._under_way: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    def keep(self, key: Hashable, make: Callable[[], T]) -> T:
        """What was made before under that key, else what `make` makes now. key: all that it is made of.

        Whoever asks for the same meanwhile waits for it; when `make` fails, the next one tries.
        """
        if (kept := self.get(key)) is not None:
            return cast(T, kept)
        with self._lock:
            mine = self._under_way.setdefault(key, threading.Lock())
        with mine:
            if (kept := self.get(key)) is not None:
                return cast(T, kept)
            try:
                made = make()
                self.put(key, made)
            finally:
                with self._lock:
                    self._under_way.pop(key, None)
        return made

    def get(self, key: Hashable) -> Any:
        """What is kept under that key; None for nothing."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def put(self, key: Hashable, made: object) -> None:
        with self._lock:
            self._kept[key] = made
            self._kept.move_to_end(key)
            if len(self._kept) > self._most:
                self._kept.popitem(last=False)


class SkyCache(LruCache):
    """Nights and seasons by what they are made of: site as described, wishes, dates. Safe for threads.

    What the store holds is read from there; this is for sites that nobody watches, for dates that no
    cycle looks at, and for what someone is only trying out. cells: nights of the store as rows of nights
    show them, see `service.web.shared.site_rows`.
    """

    def __init__(self, open_ephemeris: Callable[[], Ephemeris], most_kept: int = MOST_KEPT) -> None:
        super().__init__(most_kept)
        self._open = open_ephemeris
        self.cells = LruCache(MOST_CELLS)
        self.turns = ConcurrencyLimit()

    @property
    def ephemeris(self) -> Ephemeris:
        return self._open()

    def nights(self, site: Site, first: date, count: int, wishes: SkyWishes) -> tuple[Night, ...]:
        """`count` nights from the one named `first`; errors as `alerts.sky.night.nights`."""
        key = ("nights", site, first, count, wishes)
        return self.keep(key, lambda: nights(site, first, count, wishes, self.ephemeris))

    def season(self, site: Site, first: date, last: date, wishes: SkyWishes) -> Season:
        """Every night with a window between two dates, both included."""
        key = ("season", site, first, last, wishes)
        return self.work_out(key, lambda: season(site, first, last, wishes, self.ephemeris))

    def windows(self, site: Site, night: Night, verdict: Verdict) -> tuple[WindowSky, ...]:
        """How dark the sky is in each window of a night, under the haze or smoke of its outlooks."""
        hazes = tuple((each.window, optical_depth(each)) for each in (verdict, *verdict.others))
        key = ("windows", site, night, hazes)
        return self.keep(key, lambda: window_skies(site, night, self.ephemeris, verdict))

    def count(self, site: Site, first: date, count: int, wishes: SkyWishes) -> int:
        """How many of `count` nights from `first` on have a window."""
        key = ("count", site, first, count, wishes)
        return self.work_out(key, lambda: count_nights(site, first, count, wishes, self.ephemeris))

    def never(self, site: Site, wishes: SkyWishes, year: int) -> tuple[str, ...]:
        """What can never hold at a site, in sentences; empty when something can."""
        key = ("never", site, wishes, year)
        return self.work_out(key, lambda: never_holds(site, wishes, year, self.ephemeris))

    def bare_nights(
        self, sites: Sequence[Site], now: datetime, count: int, wishes: SkyWishes
    ) -> dict[Site, tuple[NightCell, ...]]:
        """For each site the night now running and those after it, `count` in all; quick for many sites."""
        firsts = {site: name_of(site, number_at(site, now)) for site in sites}
        found: dict[Site, tuple[NightCell, ...]] = {}
        missing: defaultdict[date, list[Site]] = defaultdict(list)
        for site, first in firsts.items():
            kept = self.get(("bare", site, first, count, wishes))
            if kept is None:
                missing[first].append(site)
            else:
                found[site] = kept
        for first, group in missing.items():
            whole = nights_for_sites(group, first, count, wishes, self.ephemeris)
            for row, site in enumerate(group):
                found[site] = _bare(whole, row)
                self.put(("bare", site, first, count, wishes), found[site])
        return found

    def work_out(self, key: Hashable, make: Callable[[], T]) -> T:
        """As `keep`, for what takes a second or more: it is made in one's turn, and Busy when that doesn't
        come."""

        def make_in_turn() -> T:
            with self.turns.turn():
                return make()

        kept = self.get(key)
        if kept is not None:
            return cast(T, kept)
        with self.turns.place():
            return self.keep(key, make_in_turn)


def _bare(whole: SiteNights, row: int) -> tuple[NightCell, ...]:
    windows: defaultdict[int, list[Span]] = defaultdict(list)
    mine = whole.windows.row == row
    edges = zip(whole.window_night[mine], whole.windows.start_s[mine], whole.windows.end_s[mine], strict=True)
    for night, start_s, end_s in edges:
        start, end = utc_from_posix(float(start_s)), utc_from_posix(float(end_s))
        if start < end:
            windows[int(night)].append(Span(start, end))
    starts_s = whole.nights.start_s[row * whole.count : (row + 1) * whole.count]
    lit = whole.table.moon_lit(starts_s + DAY_S / 2)
    cells = []
    for k, start_s in enumerate(starts_s.tolist()):
        up, times = whole.sun.of_row(row, start_s, start_s + DAY_S)
        rises = times[1::2] if up else times[0::2]
        cells.append(
            NightCell(
                name=whole.name(row, k),
                verdict="",
                window=longest(windows[k]),
                minutes=said_minutes(*windows[k]),
                moon_lit=float(lit[k]),
                over_at=utc_from_posix(float(rises[-1]) if len(rises) else start_s + DAY_S),
            )
        )
    return tuple(cells)


class Busy(HTTPException):
    """Too much of it is asked for at once."""

    def __init__(self) -> None:
        super().__init__(
            503,
            say("web.busy", seconds=COME_AGAIN_S),
            headers={"Retry-After": str(COME_AGAIN_S)},
        )


class ConcurrencyLimit:
    """What takes seconds to work out, a few at a time; the others wait a while, or are told to come again.

    At most `at_once` threads work, and `present_at_most` work or wait: a request that is worked out holds a
    thread, and all of them share one interpreter. Twenty years at once took a gigabyte, and each came later
    than in a row. Safe for threads.
    """

    def __init__(
        self, at_once: int = AT_ONCE, present_at_most: int = PRESENT_AT_MOST, wait_s: float = WAIT_S
    ) -> None:
        self._free = threading.Semaphore(at_once)
        self._places = threading.Semaphore(present_at_most)
        self._wait_s = wait_s
        self._mine = threading.local()

    @contextmanager
    def place(self) -> Iterator[None]:
        """Be among those that wait or work; Busy when there are too many. Who has a place takes no second."""
        with self._once("has_place", self._places, wait_s=0.0):
            yield

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Work as long as the block lasts; Busy when one's turn doesn't come in time. Who has it keeps it."""
        with self.place(), self._once("has_turn", self._free, wait_s=self._wait_s):
            yield

    @contextmanager
    def _once(self, name: str, semaphore: threading.Semaphore, wait_s: float) -> Iterator[None]:
        if getattr(self._mine, name, False):
            yield
            return
        if not semaphore.acquire(timeout=wait_s):
            raise Busy
        setattr(self._mine, name, True)
        try:
            yield
        finally:
            setattr(self._mine, name, False)
            semaphore.release()
