"""How a briefing is usually written for a stored site: by the wishes and the kit of who watches it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.wishes import Wishes
from service.recordline import RecordLines
from service.store.codec import from_json
from service.store.people import default_wishes, find_subscriptions
from service.store.sites import get_site


@dataclass(frozen=True, slots=True)
class Usual:
    """wishes, kit: of the oldest running subscription to the site; the defaults where there is none."""

    site_id: int
    wishes: Wishes
    kit: str = ""

    def say_record(self, session: Session, window_start: datetime, now: datetime, chance_pct: int) -> str:
        """What came of forecasts like this one; "" where nothing is known."""
        return RecordLines().line(session, self.site_id, max(window_start - now, timedelta(0)), chance_pct)


def usual_for(session: Session, site_name: str) -> Usual:
    """What is usual for the stored site of that name; BadInput when there is none."""
    site = get_site(session, site_name)
    mine = [each for each in find_subscriptions(session) if each.site_id == site.id]
    if not mine:
        return Usual(site.id, default_wishes())
    first = mine[0]
    kit = next((each.kit for each in mine if each.kit), "")
    return Usual(site.id, from_json(Wishes, first.wishes), kit)
