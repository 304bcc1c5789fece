"""How a briefing is usually written for a stored site: by the wishes and the kit of who watches it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.sites.model import Site
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.hindsight.track_record import RecordLines
from service.store.json_values import from_json
from service.store.repositories.sites import StoredSite, get_site, newest_revision
from service.store.repositories.subscriptions import running_subscriptions
from service.store.schema.core_tables import SubscriptionRow


@dataclass(frozen=True, slots=True)
class Usual:
    """A site and what its nights are judged by where they weren't decided.

    wishes, kit: usually of the oldest running subscription to the site; the defaults where there is none.
    watcher: that subscription, whose decisions are read; None for nobody's.
    """

    stored: StoredSite
    wishes: Wishes
    watcher: SubscriptionRow | None = None
    kit: str = ""

    @property
    def site(self) -> Site:
        return self.stored.site

    def say_record(self, session: Session, window_start: datetime, now: datetime, chance_pct: int) -> str:
        """What came of forecasts like this one; "" where nothing is known."""
        return RecordLines().line(
            session, self.stored.site_id, max(window_start - now, timedelta(0)), chance_pct
        )


def wishes_of(watcher: SubscriptionRow | None) -> Wishes:
    """The wishes of a subscription; the usual ones without."""
    return DEFAULT_WISHES if watcher is None else from_json(Wishes, watcher.wishes)


def wishes_alike(one: Wishes, other: Wishes) -> bool:
    """Whether the same is wished of a night; on what clock and in what units it is told matters to none, nor
    by how little two estimates of a drive differ."""
    alike = replace(other, clock_zone=one.clock_zone, units=one.units)
    if one.drive_estimate is not None and other.drive_estimate is not None:
        alike = replace(alike, drive_estimate=one.drive_estimate)
    return one == alike and (one.clock_zone == other.clock_zone or not one.home_by)


def usual_for(session: Session, site_name: str) -> Usual:
    """What is usual for the stored site of that name; BadInput when there is none."""
    return usual_of(session, newest_revision(session, get_site(session, site_name).id))


def usual_of(session: Session, stored: StoredSite) -> Usual:
    """What is usual for that site."""
    mine = [each for each in running_subscriptions(session) if each.site_id == stored.site_id]
    first = next(iter(mine), None)
    kit = next((each.kit for each in mine if each.kit), "")
    return Usual(stored, wishes_of(first), first, kit)


def usual_watchers(session: Session) -> dict[int, SubscriptionRow]:
    """By site the subscription whose verdicts a command shows: the oldest running one."""
    return {each.site_id: each for each in reversed(running_subscriptions(session))}
