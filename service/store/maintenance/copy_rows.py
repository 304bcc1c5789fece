"""All rows from one database to another, whatever engines they are on."""

from __future__ import annotations

from sqlalchemy import Connection, Engine, func, insert, select, text

from service.store.schema import METADATA

BLOCK = 1000


def copy_rows(source: Engine, target: Engine) -> dict[str, int]:
    """Copy every table into the target's empty ones, in one transaction each side; rows by table."""
    counts = {}
    with source.connect() as reading, target.begin() as writing:
        if source.dialect.name == "postgresql":
            reading.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))
        for table in METADATA.sorted_tables:
            rows = reading.execute(select(table)).mappings()
            counts[table.name] = 0
            while block := rows.fetchmany(BLOCK):
                writing.execute(insert(table), [dict(row) for row in block])
                counts[table.name] += len(block)
        if target.dialect.name == "postgresql":
            move_sequences(writing)
    return counts


def count_rows(engine: Engine) -> dict[str, int]:
    """Rows by table."""
    with engine.connect() as connection:
        return {
            table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in METADATA.sorted_tables
        }


def move_sequences(connection: Connection) -> None:
    """New rows get numbers after the copied ones."""
    for table in METADATA.sorted_tables:
        column = table.autoincrement_column
        if column is None:
            continue
        highest = connection.execute(select(func.max(column))).scalar()
        if highest is not None:
            sequence = func.pg_get_serial_sequence(table.name, column.name)
            connection.execute(select(func.setval(sequence, highest)))
