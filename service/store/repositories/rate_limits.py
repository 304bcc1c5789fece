"""Rate limits in the database, so that they hold for all processes and over restarts.

Each limit is a bucket that fills steadily; an act takes one from every bucket that it touches, or none
at all. Whom a bucket belongs to is kept as a keyed hash.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.common.clock import lies_ahead
from service.common.secret_key import Keys
from service.store.engine import insert_into
from service.store.schema.delivery_tables import LimitBucketRow


@dataclass(frozen=True, slots=True)
class Limit:
    """At most `most` at once, and as many again in each `per`."""

    most: int
    per: timedelta

    def refilled(self, level: float, since: datetime, now: datetime) -> float:
        """How full a bucket is now. A clock that went back fills nothing."""
        passed = max(timedelta(0), now - since)
        return min(float(self.most), level + self.most * (passed / self.per))


MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
LIMITS: Mapping[str, Mapping[str, Limit]] = MappingProxyType(
    {
        "confirm": {
            "address": Limit(1, DAY),
            "network": Limit(20, HOUR),
            "holder": Limit(40, HOUR),
            "all": Limit(300, HOUR),
        },
        "sign_in": {
            "address": Limit(5, HOUR),
            "network": Limit(20, HOUR),
            "holder": Limit(60, HOUR),
            "all": Limit(600, HOUR),
        },
        "sign_in_unwanted": {"address": Limit(1, DAY)},
        "test": {"address": Limit(5, HOUR), "person": Limit(10, HOUR)},
        "challenge": {
            "host": Limit(10, HOUR),
            "network": Limit(20, HOUR),
            "holder": Limit(40, HOUR),
            "all": Limit(300, HOUR),
        },
        "token": {
            "network": Limit(10, MINUTE),
            "holder": Limit(60, MINUTE),
            "all": Limit(600, MINUTE),
        },
        "relay": {"network": Limit(600, MINUTE)},
        "judge": {"key": Limit(60, HOUR), "person": Limit(90, HOUR), "all": Limit(600, HOUR)},
    }
)
"""By act, then by what is counted. "all" is the whole installation; nobody alone may take as much as a
fifth of it, so that no single sender empties it for the others."""


def network_of(address: str) -> str:
    """What one household or server can send from: the IPv4 address, or the /64 of an IPv6 one."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.IPv6Network((parsed, 64), strict=False))
    return str(parsed)


def holder_of(network: str) -> str:
    """What one customer of a provider may hold of networks: an IPv4 /24, or an IPv6 /48.

    An end site gets a /48 to a /56 (RIPE-690, section 4.2), which is up to 65,536 networks of `network_of`.
    """
    try:
        parsed = ipaddress.ip_network(network)
    except ValueError:
        return network
    return str(parsed.supernet(new_prefix=24 if parsed.version == 4 else 48))


def allow(
    session: Session, keys: Keys, act: str, now: datetime, *, reaches_nobody: bool = False, **who: str
) -> bool:
    """Whether the act may happen now; if so, it is counted. who: e.g. address="…", network="…".

    reaches_nobody: nothing will come of it, so it takes nothing from what all share.
    """
    if "network" in who:
        who = {**who, "holder": holder_of(who["network"])}
    counted = who.keys() if reaches_nobody else who.keys() | {"all"}
    parts = {part: limit for part, limit in LIMITS[act].items() if part in counted}
    named = {f"{act}:{part}:{keys.hash(f'limit {act} {part}', who.get(part, ''))[:40]}": limit
             for part, limit in parts.items()}  # fmt: skip
    buckets = _filled(session, named, now)
    if any(bucket.level < 1 for bucket in buckets):
        return False
    for bucket in buckets:
        bucket.level -= 1
    return True


def _filled(session: Session, limits: Mapping[str, Limit], now: datetime) -> Sequence[LimitBucketRow]:
    """The buckets, locked in the order of their keys until the transaction ends, and filled up to now."""
    keys = sorted(limits)
    fresh = [{"key": key, "level": float(limits[key].most), "filled_at": now} for key in keys]
    session.execute(
        insert_into(session, LimitBucketRow).values(fresh).on_conflict_do_nothing(index_elements=["key"])
    )
    buckets = session.scalars(
        select(LimitBucketRow)
        .where(LimitBucketRow.key.in_(keys))
        .order_by(LimitBucketRow.key)
        .with_for_update()
        .execution_options(populate_existing=True)
    ).all()
    for bucket in buckets:
        bucket.level = limits[bucket.key].refilled(bucket.level, bucket.filled_at, now)
        if lies_ahead(bucket.filled_at, now):  # the clock was set back; it fills up again from here
            bucket.filled_at = now
        bucket.filled_at = max(now, bucket.filled_at)
    return buckets


def forget_full(session: Session, now: datetime) -> None:
    """Drop buckets that nobody touched for two days: the slowest is full again by then."""
    session.execute(delete(LimitBucketRow).where(LimitBucketRow.filled_at < now - 2 * DAY))
