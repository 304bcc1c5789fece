"""What wishes would have given: nights of the last twelve months, and the next ones, from the sky alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from alerts.briefing.wording import listed, short_day
from alerts.night import Night, nights_for_sites
from alerts.nightbulk import readable_nights
from alerts.presence import is_ruled_out, usable_spans
from alerts.site import Site
from alerts.wishes import Wishes
from service.web.skies import Skies
from service.web.words import counted

LOOKED_BACK = 365
LOOKED_AHEAD = 90
NEXT_SHOWN = 3


@dataclass(frozen=True, slots=True)
class WishCount:
    """How many nights of the last twelve months had the sky for it, and the next that do."""

    past: int
    coming: tuple[date, ...]

    @property
    def text(self) -> str:
        past = f"With these wishes {counted(self.past, 'night')} of the last 12 months had the sky for it"
        if not self.coming:
            return f"{past}; none does in the next three months. From the sky alone: the weather isn't in it."
        named = listed([short_day(each) for each in self.coming])
        return f"{past}; next: {named}. From the sky alone: the weather isn't in it."


def count_wishes(skies: Skies, site: Site, wishes: Wishes, now: datetime) -> WishCount:
    """The count for one site. Weekdays, access, gate and the way home are in it; trips bear on what comes."""
    today = now.date()
    key = ("wish count", site, wishes.judged, today)
    return skies.keep(key, lambda: _count(skies, site, wishes, today))


def _count(skies: Skies, site: Site, wishes: Wishes, today: date) -> WishCount:
    first = today - timedelta(days=LOOKED_BACK)
    at_home = replace(wishes, trips=())
    past: set[date] = set()
    coming: set[date] = set()
    for sky in wishes.skies:
        whole = nights_for_sites([site], first, LOOKED_BACK + LOOKED_AHEAD, sky, skies.ephemeris)
        for _, night in readable_nights(whole):
            is_past = night.name < today
            if _is_good(night, at_home if is_past else wishes, site):
                (past if is_past else coming).add(night.name)
    return WishCount(past=len(past), coming=tuple(sorted(coming))[:NEXT_SHOWN])


def _is_good(night: Night, wishes: Wishes, site: Site) -> bool:
    """Whether a window of the night has the length, the shapes and the time to be there."""
    if not night.windows or is_ruled_out(night.name, wishes, site):
        return False
    usable = usable_spans(night, wishes, site)
    return any(
        part is not None
        and part.duration >= wishes.shortest_window
        and (not wishes.shapes or any(piece.shape in wishes.shapes for piece in window.shapes))
        for window, part in zip(night.windows, usable, strict=True)
    )
