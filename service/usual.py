"""How a briefing is usually written for a stored site: by the wishes and the kit of who watches it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.wishes import Wishes
from service.recordline import RecordLines
from service.store import tables
from service.store.codec import from_json
from service.store.people import default_wishes, find_subscriptions
from service.store.sites import get_site


@dataclass(frozen=True, slots=True)
class Usual:
    """wishes, kit: of the oldest running subscription to the site; the defaults where there is none.
    watcher: that subscription."""

    site_id: int
    wishes: Wishes
    kit: str = ""
    watcher: tables.Subscription | None = None

    def say_record(self, session: Session, window_start: datetime, now: datetime, chance_pct: int) -> str:
        """What came of forecasts like this one; "" where nothing is known."""
        return RecordLines().line(session, self.site_id, max(window_start - now, timedelta(0)), chance_pct)


def wishes_of(watcher: tables.Subscription | None) -> Wishes:
    """The wishes of a subscription; the usual ones without."""
    return default_wishes() if watcher is None else from_json(Wishes, watcher.wishes)


def usual_for(session: Session, site_name: str) -> Usual:
    """What is usual for the stored site of that name; BadInput when there is none."""
    site = get_site(session, site_name)
    mine = [each for each in find_subscriptions(session) if each.site_id == site.id]
    first = next(iter(mine), None)
    kit = next((each.kit for each in mine if each.kit), "")
    return Usual(site.id, wishes_of(first), kit, first)


def usual_watchers(session: Session) -> dict[int, tables.Subscription]:
    """By site the subscription whose verdicts a command shows: the oldest running one."""
    return {each.site_id: each for each in reversed(find_subscriptions(session))}
