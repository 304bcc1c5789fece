"""The mapped tables."""

from __future__ import annotations

from service.store.schema import METADATA
from service.store.schema.core_tables import Table


def test_each_table_has_a_class_named_after_it_and_row() -> None:
    named = {mapper.local_table.name: mapper.class_.__name__ for mapper in Table.registry.mappers}
    words = {table: "".join(word.capitalize() for word in table.split("_")) for table in METADATA.tables}
    assert named == {table: each.removesuffix("Row") + "Row" for table, each in words.items()}
