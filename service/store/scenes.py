"""What the pictures of a message are drawn from, and how many alerts of a night came before one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from sqlalchemy import LargeBinary, func, select, type_coerce
from sqlalchemy.orm import Session, aliased

from alerts.night import Night
from alerts.site import Site
from service.sharing import shared_site
from service.store import tables
from service.store.chunks import in_chunks
from service.store.nightfacts import unpack_night
from service.store.sites import stored_site


@dataclass(frozen=True, slots=True)
class Scene:
    """A site as it was described when a decision was made, and the night, read when it is asked for.

    site: to others than its owner without what leads there.
    """

    night_id: int
    site: Site
    packed: bytes = field(repr=False)

    def night(self) -> Night:
        """The night as it was stored; ValueError for what another version wrote."""
        return unpack_night(self.packed)


def find_scenes(session: Session, decision_ids: Iterable[int]) -> dict[int, Scene]:
    """The scenes of these decisions; those whose night is gone are missing."""
    found: dict[int, Scene] = {}
    for ids in in_chunks(sorted(set(decision_ids))):
        query = (
            select(
                tables.Decision.id,
                tables.Night.id,
                type_coerce(tables.Night.facts, LargeBinary),
                tables.SiteRevision,
                tables.Subscription.person_id == tables.Site.owner_id,
            )
            .join(tables.Night, tables.Night.id == tables.Decision.night_id)
            .join(tables.SiteRevision, tables.SiteRevision.id == tables.Decision.site_revision_id)
            .join(tables.Subscription, tables.Subscription.id == tables.Decision.subscription_id)
            .join(tables.Site, tables.Site.id == tables.Subscription.site_id)
            .where(tables.Decision.id.in_(ids))
        )
        for decision_id, night_id, packed, revision, is_own in session.execute(query):
            site = stored_site(revision).site
            found[decision_id] = Scene(night_id, site if is_own else shared_site(site), packed)
    return found


def count_earlier(session: Session, alert_ids: Iterable[int]) -> dict[int, int]:
    """For each of these alerts how many were raised before it for the same subscription and night."""
    earlier = aliased(tables.Alert)
    found: dict[int, int] = {}
    for ids in in_chunks(sorted(set(alert_ids))):
        query = (
            select(tables.Alert.id, func.count(earlier.id))
            .join(
                earlier,
                (earlier.subscription_id == tables.Alert.subscription_id)
                & (earlier.night_name == tables.Alert.night_name)
                & (earlier.id < tables.Alert.id),
            )
            .where(tables.Alert.id.in_(ids))
            .group_by(tables.Alert.id)
        )
        found |= {row[0]: row[1] for row in session.execute(query)}
    return found
