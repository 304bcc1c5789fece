"""All rows from one database to another: in one go, or to PostgreSQL in blocks, from where that stopped, and
checked row by row at the end.

The source is read in one transaction that keeps everybody else from writing. Rows go over in the order of
their keys, so what has arrived says where to go on.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    String,
    Table,
    func,
    insert,
    inspect,
    select,
    text,
    tuple_,
)
from sqlalchemy.exc import DBAPIError

from alerts.common.phrases import phrase
from service.store.engine import StoreError, open_engine
from service.store.locking import hold_store
from service.store.migrate import require_current, upgrade
from service.store.schema import METADATA

BLOCK = 1000
CHECKSUM_BYTES = 16

Say = Callable[[str], object]


class MoveError(StoreError):
    """The move can't be made or went wrong; the message says what to do. The source is as it was."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What a table holds. checksum: the same for the same rows, in whatever order."""

    rows: int
    checksum: str


def move(source: Engine, target_url: str, say: Say = lambda _: None) -> Mapping[str, Summary]:
    """Copy every table to the PostgreSQL at that URL and compare; what each table holds.

    Called again after it was interrupted, it goes on where it stopped. AlreadyRunning while anybody else
    uses one of the two; MoveError when the target holds other rows, or in the end not the same.
    """
    target = open_engine(target_url, statement_timeout="0", idle_in_transaction_session_timeout="0")
    try:
        if target.dialect.name != "postgresql":
            raise MoveError(phrase("store.move-only-to-postgresql"))
        with hold_store(source), hold_store(target):
            require_current(source, create=False)
            upgrade(target)
            _begin(target, source)
            with source.connect() as reading:
                _see_one_moment(reading)
                for table in METADATA.sorted_tables:
                    _copy(reading, target, table, say)
                summaries = _compare(reading, target, say)
            with target.begin() as writing:
                move_sequences(writing)
                writing.execute(text("DROP TABLE queue_move"))
        return summaries
    finally:
        target.dispose()


def _begin(target: Engine, source: Engine) -> None:
    """Mark the target as the goal of this move. MoveError when it has rows of anything else."""
    name = hashlib.sha256(str(source.url).encode()).hexdigest()
    with target.begin() as writing:
        if not inspect(writing).has_table("queue_move"):
            if any(count_rows(target).values()):
                raise MoveError(phrase("store.move-not-empty"))
            writing.execute(text("CREATE TABLE queue_move (source text PRIMARY KEY)"))
            writing.execute(text("INSERT INTO queue_move VALUES (:name)"), {"name": name})
        elif writing.execute(text("SELECT source FROM queue_move")).scalar_one() != name:
            raise MoveError(phrase("store.move-of-another"))


def _copy(reading: Connection, target: Engine, table: Table, say: Say) -> None:
    """Append what comes after the target's last key, a block a transaction."""
    with target.connect() as looking:
        key = _key(looking, table)
        last = looking.execute(select(*table.primary_key).order_by(*(each.desc() for each in key)).limit(1))
        arrived = last.one_or_none()
    key = _key(reading, table)
    query = select(table).order_by(*key).execution_options(yield_per=BLOCK)
    if arrived is not None:
        query = query.where(tuple_(*key) > tuple_(*arrived))
    copied = 0
    for block in reading.execute(query).mappings().partitions():
        try:
            with target.begin() as writing:
                writing.execute(insert(table), [dict(row) for row in block])
        except DBAPIError as error:
            reason = str(error.orig).strip().splitlines()[0]
            raise MoveError(phrase("store.move-unwritten", name=table.name, reason=reason)) from error
        copied += len(block)
    say(f"{table.name}: {copied} rows" + (" more" if arrived is not None else ""))


def _key(connection: Connection, table: Table) -> Sequence[ColumnElement[Any]]:
    """The primary key in an order that both databases agree on: text by its bytes."""
    by_bytes = connection.dialect.name == "postgresql"  # SQLite does so of itself
    key: list[ColumnElement[Any]] = []
    for column in table.primary_key:
        key.append(column.collate("C") if by_bytes and isinstance(column.type, String) else column)
    return key


def _compare(reading: Connection, target: Engine, say: Say) -> dict[str, Summary]:
    summaries = {}
    with target.connect() as other:
        for table in METADATA.sorted_tables:
            here, there = summarise(reading, table), summarise(other, table)
            if here != there:
                raise MoveError(
                    phrase("store.move-differs", name=table.name, here=here.rows, there=there.rows)
                )
            summaries[table.name] = here
    say(str(phrase("store.move-compared", count=sum(each.rows for each in summaries.values()))))
    return summaries


def summarise(connection: Connection, table: Table) -> Summary:
    """Count and checksum of a table as the code reads it, whatever the database."""
    rows, total = 0, 0
    for row in connection.execute(select(table).execution_options(yield_per=BLOCK)):
        plain = json.dumps(list(row), default=_plain, sort_keys=True, ensure_ascii=False)
        digest = hashlib.blake2b(plain.encode("utf-8", "surrogatepass"), digest_size=CHECKSUM_BYTES).digest()
        rows += 1
        total += int.from_bytes(digest)
    return Summary(rows, f"{total % (1 << 8 * CHECKSUM_BYTES):032x}")


def _plain(value: object) -> str:
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    raise TypeError(phrase("store.move-incomparable", name=type(value).__name__))


def copy_rows(source: Engine, target: Engine) -> dict[str, int]:
    """Copy every table into the target's empty ones, in one transaction each side; rows by table."""
    counts = {}
    with source.connect() as reading, target.begin() as writing:
        _see_one_moment(reading)
        for table in METADATA.sorted_tables:
            rows = reading.execute(select(table)).mappings()
            counts[table.name] = 0
            while block := rows.fetchmany(BLOCK):
                writing.execute(insert(table), [dict(row) for row in block])
                counts[table.name] += len(block)
        if target.dialect.name == "postgresql":
            move_sequences(writing)
    return counts


def _see_one_moment(reading: Connection) -> None:
    """One view of the rows. SQLite's transactions here begin with the right to write, which shuts others
    out."""
    if reading.dialect.name == "postgresql":
        reading.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))


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
