"""All tables in one place: whoever needs every one of them imports this, so that none is forgotten."""

from __future__ import annotations

from service.store import (  # noqa: F401 - fill the metadata
    tables_delivery,
    tables_feeds,
    tables_fleet,
    tables_track,
)
from service.store.tables import Table

METADATA = Table.metadata
