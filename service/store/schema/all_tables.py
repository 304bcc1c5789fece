"""All tables in one place: whoever needs every one of them imports this, so that none is forgotten."""

from __future__ import annotations

from service.store.schema.core_tables import Table

METADATA = Table.metadata
