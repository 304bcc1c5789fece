"""What keeps a go from being told, as the pages say it: the operator hears of settings, others don't."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from alerts.briefing.text.obstacle_text import heading, words_for
from alerts.common.phrases import Phrase
from alerts.judging.obstacles import Level, Obstacle, YearAhead
from alerts.wishes.model import Wishes
from service.reports.ring_check import RingCheck
from service.store.repositories import subscriptions
from service.web.shared.context import Web
from service.web.shared.viewer import SeenSite, Viewer


@dataclass(frozen=True, slots=True)
class RingLine:
    """One obstacle on a page. is_note: it bars nothing."""

    heading: str
    what: Phrase
    mend: Phrase
    is_note: bool

    @property
    def text(self) -> str:
        return f"{self.heading}: {self.what} {self.mend}"


def ring_line(viewer: Viewer | None, found: Obstacle, *, site: str = "SITE", where: str = "") -> RingLine:
    """The obstacle in words for that viewer. where: of whose subscription it is, beside its heading."""
    said = words_for(found, site=site, for_operator=viewer is not None and viewer.is_operator)
    title = f"{heading(found.level)} ({where})" if where else heading(found.level)
    return RingLine(title, said.obstacle, said.remedy, is_note=found.level is Level.NOTE)


def on_home(web: Web, session: Session, viewer: Viewer) -> list[RingLine]:
    """What is in the way of the viewer's subscriptions; for the operator, also of others' at their sites."""
    found = RingCheck(web.duskbell, session, web.now()).of_all(viewer.person_id)
    return [ring_line(viewer, each.obstacle, site=each.site or "SITE", where=each.where) for each in found]


def of_wishes(
    web: Web, viewer: Viewer | None, seen: SeenSite, wishes: Wishes, year: YearAhead
) -> list[RingLine]:
    """What is in the way of wishes that are being filled in."""
    site = seen.stored.site
    with web.reading() as session:
        check = RingCheck(web.duskbell, session, web.now())
        found = check.of_wishes(site.lat_deg, site.lon_deg, wishes, year)
    return [ring_line(viewer, each, site=site.name) for each in found]


def of_newest(session: Session, web: Web, viewer: Viewer, seen: SeenSite) -> list[RingLine]:
    """What is in the way of the subscription that the viewer has just made at the site: their own, or one
    that the operator made for somebody."""
    person_id = None if viewer.is_operator else viewer.person_id
    number = subscriptions.newest_at(session, seen.row.id, person_id)
    if number is None:
        return []
    found = RingCheck(web.duskbell, session, web.now()).of_subscription(number)
    return [ring_line(viewer, each, site=seen.row.name) for each in found]
