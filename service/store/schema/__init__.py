"""All tables: whoever imports one of them has them all, so that a backup or a migration forgets none."""

from service.store.schema import (  # noqa: F401 - each fills the metadata
    delivery_tables,
    feed_tables,
    track_tables,
)
from service.store.schema.core_tables import Table

METADATA = Table.metadata
