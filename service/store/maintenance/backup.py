"""A backup is one file: the rows as an SQLite database, the secret key, and a word about both.

It is made while the service runs. Restoring never sends what is past: before the rows are put in place,
messages that help nobody any more are ended, and those that still wait are marked as possibly sent, since
they may have gone out after the backup was made. They keep their ids, so a receiver drops the repeat.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine, delete, make_url, update
from sqlalchemy.orm import Session

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase
from service.common.secret_key import FILE_NAME
from service.store.engine import changed_rows, open_engine
from service.store.locking import hold_store
from service.store.maintenance.copy_rows import copy_rows, count_rows
from service.store.migrate import current_revision, known_revisions, require_current, upgrade
from service.store.repositories import messages
from service.store.repositories.messages import WAITING, Status
from service.store.schema.core_tables import MessageRow
from service.store.schema.delivery_tables import DestinationRow

ROWS, ABOUT = "store.sqlite3", "about.json"
MEMBERS = frozenset({ROWS, ABOUT, FILE_NAME})
LARGEST_KEY_BYTES = 4096


class BadBackup(DuskbellError):
    """The file isn't a whole backup, or can't be put in place; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Restored:
    """made_at: when the backup was made.  expired, waiting: messages that were too late, and that weren't.
    kept_aside: where the files that were replaced lie."""

    made_at: str
    expired: int
    waiting: int
    kept_aside: tuple[Path, ...]


def make_backup(engine: Engine, data_dir: Path, target: Path, now: datetime) -> Path:
    """Write the backup whole or not at all; BadBackup when the target exists already."""
    if target.exists():
        raise BadBackup(phrase("store.backup-exists", target=target))
    with _workplace(target.parent) as folder:
        if engine.dialect.name == "sqlite":
            with _raw(engine) as raw:
                raw.execute("VACUUM INTO ?", (str(folder / ROWS),))
        else:
            copy = open_engine(f"sqlite:///{folder / ROWS}")
            upgrade(copy)
            copy_rows(engine, copy)
            _close(copy)
        about = {"made_at": now.isoformat(), "sha256": _digest(folder / ROWS)}
        (folder / ABOUT).write_text(json.dumps(about), encoding="utf-8")
        beside = folder / "backup"
        with tarfile.open(beside, "w") as archive:
            archive.add(folder / ABOUT, ABOUT)
            archive.add(folder / ROWS, ROWS)
            if (data_dir / FILE_NAME).exists():
                archive.add(data_dir / FILE_NAME, FILE_NAME)
        beside.chmod(0o600)
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        os.rename(beside, target)
    return target


def restore_backup(source: Path, url: str, data_dir: Path, *, replace: bool, now: datetime) -> Restored:
    """Put a backup in place of the store. replace: whether one that holds rows may be set aside.

    AlreadyRunning while a scheduler runs on the store; BadBackup when the file isn't whole.
    """
    data_dir.mkdir(parents=True, exist_ok=True)
    with _workplace(data_dir) as folder:
        about = _unpack(source, folder)
        copy = open_engine(f"sqlite:///{folder / ROWS}")
        try:
            _bring_up(copy)
            expired, waiting = settle_past(copy, now)
            if make_url(url).get_backend_name() == "sqlite":
                _close(copy)
                aside = _put_file(folder / ROWS, url, replace=replace, now=now)
            else:
                aside = _put_rows(copy, url)
        finally:
            copy.dispose()
        aside += _put_key(folder / FILE_NAME, data_dir, now)
    return Restored(about["made_at"], expired, waiting, tuple(aside))


def _unpack(source: Path, folder: Path) -> dict[str, str]:
    """The known members of the archive as plain files, checked against what it says of itself."""
    try:
        with tarfile.open(source, "r:") as archive:
            for member in archive:
                if member.name not in MEMBERS or not member.isreg():
                    raise BadBackup(phrase("store.backup-foreign", source=source, name=member.name))
                archive.extract(member, folder, filter="data")
        about: dict[str, str] = json.loads((folder / ABOUT).read_text(encoding="utf-8"))
        whole = about["sha256"] == _digest(folder / ROWS)
    except (OSError, tarfile.TarError, ValueError, KeyError, TypeError) as error:
        raise BadBackup(phrase("store.backup-unreadable", source=source, error=error)) from error
    if not whole:
        raise BadBackup(phrase("store.backup-damaged", source=source))
    return about


def _bring_up(engine: Engine) -> None:
    """Bring the backed-up rows to this version; StoreError when they come from a newer one."""
    try:
        with _raw(engine) as raw:
            found = raw.execute("PRAGMA integrity_check").fetchone()[0]
    except sqlite3.DatabaseError as error:
        found = str(error)
    if found != "ok":
        raise BadBackup(phrase("store.backup-rows-unreadable", found=found))
    if current_revision(engine) is None:
        raise BadBackup(phrase("store.backup-empty"))
    if current_revision(engine) in known_revisions():
        upgrade(engine)
    require_current(engine)


def settle_past(engine: Engine, now: datetime) -> tuple[int, int]:
    """End what is past and mark what still waits as possibly sent; how many of each."""
    with Session(engine) as session, session.begin():
        session.execute(
            update(MessageRow)
            .where(MessageRow.status == Status.SENDING)
            .values(status=Status.RETRY, lease_token=None, leased_until=None, due_at=now)
        )
        expired = messages.expire_waiting(session, now, now)
        marked = update(MessageRow).where(MessageRow.status.in_(WAITING)).values(maybe_sent=True)
        waiting = changed_rows(session, marked)
        session.execute(delete(DestinationRow))
    return expired, waiting


def _put_file(rows: Path, url: str, *, replace: bool, now: datetime) -> list[Path]:
    """Set the old database aside, under a name with the time, and move the new one into its place."""
    place = Path(make_url(url).database or "")
    place.parent.mkdir(parents=True, exist_ok=True)
    if not place.exists():
        os.replace(rows, place)
        return []
    with hold_store(open_engine(url)):
        if not replace:
            raise BadBackup(phrase("store.restore-in-the-way", place=place))
        _close(open_engine(f"sqlite:///{place}"))
        kept = place.with_name(f"{place.name}.before-{now:%Y%m%dT%H%M%SZ}")
        os.replace(place, kept)
        for suffix in ("-wal", "-shm"):
            place.with_name(place.name + suffix).unlink(missing_ok=True)
        os.replace(rows, place)
    return [kept]


def _put_rows(copy: Engine, url: str) -> list[Path]:
    target = open_engine(url)
    try:
        with hold_store(target):
            require_current(target)
            if any(count_rows(target).values()):
                raise BadBackup(phrase("store.restore-not-empty"))
            copy_rows(copy, target)
    finally:
        target.dispose()
    return []


def _put_key(key: Path, data_dir: Path, now: datetime) -> list[Path]:
    """The backup's key belongs to its hashes; another one that lies there is set aside."""
    place = data_dir / FILE_NAME
    if not key.exists() or key.stat().st_size > LARGEST_KEY_BYTES:
        return []
    aside = []
    if place.exists() and place.read_bytes() != key.read_bytes():
        aside = [place.with_name(f"{place.name}.before-{now:%Y%m%dT%H%M%SZ}")]
        os.replace(place, aside[0])
    key.chmod(0o600)
    os.replace(key, place)
    return aside


def _close(engine: Engine) -> None:
    """Fold the write-ahead log into the file, so that the file alone is the database."""
    with _raw(engine) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    engine.dispose()


@contextlib.contextmanager
def _raw(engine: Engine) -> Iterator[sqlite3.Connection]:
    """The driver's own connection, outside any transaction."""
    pooled = engine.raw_connection()
    try:
        assert isinstance(pooled.driver_connection, sqlite3.Connection)
        yield pooled.driver_connection
    finally:
        pooled.close()


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextlib.contextmanager
def _workplace(beside: Path) -> Iterator[Path]:
    """A folder on the same file system, for its owner only, gone afterwards."""
    beside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".duskbell-", dir=beside) as folder:
        yield Path(folder)
