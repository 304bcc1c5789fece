"""From when on each night of a subscription must be looked at again, as its row keeps it.

{"as_of": when they were last judged, "nights": {name: moment}}, all in ISO 8601. What another version has
judged since, which knew nothing of this, shows in `judged_at`: then nothing is known of the nights.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any


def pack_nights_due(moments: Mapping[date, datetime], judged_at: datetime) -> dict[str, Any]:
    nights = {name.isoformat(): at.isoformat() for name, at in moments.items()}
    return {"as_of": judged_at.isoformat(), "nights": nights}


def read_nights_due(kept: Mapping[str, Any] | None, judged_at: datetime | None) -> dict[date, datetime]:
    """By the night's name; nothing where it isn't of the last judging."""
    if kept is None or judged_at is None or kept["as_of"] != judged_at.isoformat():
        return {}
    return {date.fromisoformat(name): datetime.fromisoformat(at) for name, at in kept["nights"].items()}
